"""Reasons as codes with parameters; ``rules.sentences`` makes sentences of them, which nothing reads again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import TypeAlias

import msgspec

Parameter: TypeAlias = str | int | float | bool | Sequence[str] | None


class Code(StrEnum):
    """What a reason says. The parameters of each stand in its sentence in ``rules.sentences``.

    A code is part of the journal's format: it may be added, never renamed or given another meaning.
    """

    RECORDED = "recorded"
    """A sentence of a record from before reasons had codes."""
    MORE = "more"

    OUTSIDE_LIMIT = "outside-limit"
    UNDECIDABLE = "undecidable"
    OUTSIDE_UNTRUSTED = "outside-untrusted"
    NEAR_LIMIT = "near-limit"
    NO_VALUE = "no-value"
    CHECK_FAILED = "check-failed"
    NOTHING_ASKED = "nothing-asked"
    NO_RECIPE = "no-recipe"
    UNKNOWN_FEATURE = "unknown-feature"
    OTHER_KIND = "other-kind"
    NO_GRADE_LIMITS = "no-grade-limits"
    GRADE_UNUSABLE = "grade-unusable"

    NO_CERTIFICATE = "no-certificate"
    CERTIFICATE_ENDED = "certificate-ended"
    WAVE_ELSEWHERE = "wave-elsewhere"
    WAVE_BEYOND_RANGE = "wave-beyond-range"
    WAVE_FAINT = "wave-faint"

    MEASURED_BEFORE = "measured-before"
    MEASURED_AT_ONCE = "measured-at-once"
    SET_INCOMPLETE = "set-incomplete"
    SET_OPEN = "set-open"
    REMEASURED_INCOMPLETE = "remeasured-incomplete"
    REMEASURED = "remeasured"

    CLOCK_AHEAD = "clock-ahead"
    CLOCK_BACK = "clock-back"
    GATE_CERTIFICATE_REFUSED = "gate-certificate-refused"
    GATE_NO_CERTIFICATE = "gate-no-certificate"
    GATE_NEVER_VERIFIED = "gate-never-verified"
    GATE_CLOCKS = "gate-clocks"
    GATE_WAVES_MISSING = "gate-waves-missing"
    GATE_FAILED = "gate-failed"
    GATE_OTHER_ARTEFACT = "gate-other-artefact"
    GATE_CERTIFICATE_CHANGED = "gate-certificate-changed"
    GATE_TOO_OLD = "gate-too-old"
    GATE_IN_FUTURE = "gate-in-future"
    GATE_COPY = "gate-copy"
    GATE_TRACE_IN_FUTURE = "gate-trace-in-future"
    GATE_AFTER_FAILURE = "gate-after-failure"
    GATE_BEFORE_FAILURE = "gate-before-failure"
    GATE_TRACE_OTHER_ARTEFACT = "gate-trace-other-artefact"
    GATE_TRACE_TOO_OLD = "gate-trace-too-old"
    ACCEPTED_BEFORE_FAILURE_WAS_READ = "accepted-before-failure-was-read"

    COPY_OF_VERIFICATION = "copy-of-verification"
    ARTEFACT_NOT_ASKED_FOR = "artefact-not-asked-for"
    VERIFICATION_CLOCK = "verification-clock"
    BEFORE_FAILED_VERIFICATION = "before-failed-verification"
    ACCEPTED_SINCE = "accepted-since"

    UNCLOSED = "unclosed"
    GREW = "grew"

    RELEASED_BY = "released-by"
    NOT_HELD_FOR_GATE = "not-held-for-gate"
    NOT_ON_HOLD = "not-on-hold"
    HELD_FOR_MORE = "held-for-more"
    AT_THE_LINE = "at-the-line"
    NOT_VERIFIED_SINCE = "not-verified-since"
    SECOND_PERSON_NEEDED = "second-person-needed"
    SAME_PERSON = "same-person"
    NOT_A_REQUEST = "not-a-request"
    REQUEST_TOO_OLD = "request-too-old"
    REQUEST_AHEAD = "request-ahead"
    REQUESTS_UNGUARDED = "requests-unguarded"
    NOTHING_WAITS = "nothing-waits"


class Reason(msgspec.Struct, frozen=True, omit_defaults=True):
    """Why something was decided: a code and its parameters.

    ``code`` is a ``Code``; one that a later version wrote stays the text that it is. ``feature`` names the
    trace that it is about where a part has several.
    """

    code: str
    values: Mapping[str, Parameter] = {}
    feature: str = ""

    def about(self, feature: str) -> Reason:
        """The same reason as one of a part, with the trace that it is about."""
        return Reason(self.code, self.values, feature)

    def with_values(self, **values: Parameter) -> Reason:
        """The same reason with more parameters."""
        return Reason(self.code, {**self.values, **values}, self.feature)


def reason(code: Code, **values: Parameter) -> Reason:
    """A reason from its code and parameters."""
    return Reason(code.value, values)


def recorded_reason(text: str) -> Reason:
    """The reason of a record that holds its sentence alone."""
    return reason(Code.RECORDED, text=text)


def at_most(reasons: Sequence[Reason], count: int) -> tuple[Reason, ...]:
    """The first ``count`` reasons, and how many more there are."""
    if len(reasons) <= count:
        return tuple(reasons)
    return (*reasons[:count], reason(Code.MORE, count=len(reasons) - count))
