"""Sentences of reasons, for people at every edge: terminal, report, messages, and the journal's readable copy.

The one place where a reason becomes prose. What is written here is never compared or cut again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from edgeagent.model.reasons import Code, Reason
from edgeagent.printable import clean
from edgeagent.rules.words.digits import Written, written
from edgeagent.rules.words.spoken import limits_at_stake, spoken_name, spoken_note

LONGEST = 240
"""A sentence longer than this is shortened: a file's own text may be part of it."""

_Values = Mapping[str, Any]


def sentence(reason: Reason) -> str:
    """A reason in words, with the trace that it is about in front where it names one.

    A code of a later version is shown with its parameters as they stand.
    """
    text = plain_sentence(reason)
    text = f"gate: {text}" if reason.code.startswith("gate-") else text
    return _shorten(f"{reason.feature}: {text}" if reason.feature else text)


def plain_sentence(reason: Reason) -> str:
    """As ``sentence``, without saying that it is the gate's, or of which trace."""
    make = _SENTENCES.get(reason.code)
    if make is None:
        return _with_parameters(reason)
    try:
        return _shorten(make(reason.values))
    except (KeyError, TypeError, ValueError):  # a record of another version: its parameters are others
        return _with_parameters(reason)


def sentences(reasons: Iterable[Reason]) -> tuple[str, ...]:
    """Each reason in words."""
    return tuple(sentence(r) for r in reasons)


def _with_parameters(reason: Reason) -> str:
    values = ", ".join(f"{name} {value}" for name, value in reason.values.items())
    return _shorten(f"{reason.code} ({values})" if values else reason.code)


def _shorten(text: str) -> str:
    text = clean(text)
    return text if len(text) <= LONGEST else text[: LONGEST - 3] + "..."


def hours(value: float) -> str:
    """A time span as a person says it."""
    return f"{value:.1f} h" if value >= 1 else f"{value * 60:.0f} min"


def _subject(v: _Values) -> str:
    return f"record {v['record']}" if "record" in v else f"{v['part']} {v['serial']}"


def _names(names: Iterable[str]) -> str:
    return ", ".join(names) or "nothing"


def _value_name(v: _Values) -> str:
    return spoken_name(v["name"], v["instance"])


def _found(v: _Values) -> str:
    u = v.get("expanded_uncertainty")
    spread = f"{u:.2g}" if u is not None else ""
    whole, _, decimals = _texts(v).value.partition(".")
    least = len(spread.partition(".")[2])
    # Zeros beyond the uncertainty's digits would claim more than was measured.
    while len(decimals) > least and decimals.endswith("0"):
        decimals = decimals[:-1]
    value = f"{whole}.{decimals}" if decimals else whole
    unit = f" {v['unit']}" if v["unit"] not in ("", "1") else ""
    unit = {" um": " µm", " um/turn": " µm/turn", " um/s": " µm/s", " deg": "°"}.get(unit, unit)
    return f"{_value_name(v)} = {value}{f' ± {spread}' if spread else ''}{unit}"


def _texts(v: _Values) -> Written:
    """Value and limits with the digits that the value's uncertainty bears."""
    return written(v["value"], v.get("expanded_uncertainty"), (v.get("lower"), v.get("upper")))


def _limits(v: _Values, uncertainty: float | None = None) -> str:
    """The limit that a value is beyond or nearer to, and both where this expanded uncertainty reaches both."""
    lower, upper = _texts(v).limits
    below, above = limits_at_stake(v["value"], uncertainty, v.get("lower"), v.get("upper"))
    if below and above:
        return f"limits {lower} and {upper}"
    return f"upper limit {upper}" if above else f"lower limit {lower}" if below else "limit"


def _beyond(v: _Values) -> str:
    """The limit that a value is beyond, and on which side; a record of another version may not say which."""
    lower, upper = v.get("lower"), v.get("upper")
    below, above = limits_at_stake(v["value"], None, lower, upper)
    if above and v["value"] > upper:
        return f"above its {_limits(v)}"
    return f"{'below' if below and v['value'] < lower else 'outside'} its {_limits(v)}"


def _limits_in_reach(v: _Values) -> str:
    u = v.get("expanded_uncertainty")
    return _limits(v, math.inf if u is None else u)


def _no_value(v: _Values) -> str:
    if (v["name"], v["instance"]) == ("harmonic_amplitude", ""):
        return "not known at every order that the recipe limits"
    return "no value, though the recipe limits it"


def _no_proof(v: _Values) -> str:
    return {
        "failed": "a failed verification",
        "waves-missing": "a verification that lacks certified waves",
        "clock": "a verification of doubtful time",
    }[v["ground"]]


def _clock(v: _Values) -> str:
    return plain_sentence(Reason(v["doubt"], v))


def _wave(v: _Values, rest: str) -> str:
    file = f"{v['file']}: " if v.get("file") else ""
    return f"{file}certificate {v['certificate']}: wave[{v['wave']}].upr: {v['upr']} UPR {rest}"


def _verification_clock(v: _Values) -> str:
    return f"{v['file']}: header measured_at: {_clock(v)}"


def _accepted_since(v: _Values) -> str:
    since = f"the verification of record {v['since']} passed" if v["since"] else "the beginning"
    more = [f"and {v['more']} more"] if v["more"] else []
    return f"accepted since {since}, and to be looked at again: {', '.join([*v['parts'], *more])}"


_SENTENCES: dict[str, Callable[[_Values], str]] = {
    Code.RECORDED: lambda v: str(v["text"]),
    Code.MORE: lambda v: f"and {v['count']} more",
    Code.OUTSIDE_LIMIT: lambda v: f"{_found(v)} is {_beyond(v)}",
    Code.UNDECIDABLE: lambda v: f"{_found(v)}: too close to the {_limits_in_reach(v)} to decide",
    Code.OUTSIDE_UNTRUSTED: lambda v: (
        f"{_found(v)} is {_beyond(v)}, but a failed check touches it: {_names(map(spoken_name, v['checks']))}"
    ),
    Code.NEAR_LIMIT: lambda v: f"{_found(v)} is near its {_limits(v)}",
    Code.NO_VALUE: lambda v: f"{_value_name(v)}: {_no_value(v)}",
    Code.CHECK_FAILED: lambda v: f"{spoken_name(v['check'])}: {spoken_note(v['note'])}",
    Code.NOTHING_ASKED: lambda _: "no recipe says what this trace must be",
    Code.NO_RECIPE: lambda v: f"no recipe for part {v['part']}",
    Code.UNKNOWN_FEATURE: lambda v: (
        f"feature {v['asked']} is not in the recipe of {v['part']}, which has {_names(v['known'])}"
    ),
    Code.OTHER_KIND: lambda v: f"the trace is a {v['kind']}, the recipe measures {v['asked']} as {v['wanted']}",
    Code.NO_GRADE_LIMITS: lambda v: f"kind {v['kind']} has no limits by grade",
    Code.GRADE_UNUSABLE: lambda v: str(v["text"]),
    Code.NO_CERTIFICATE: lambda v: f"no certificate for artefact {v['artefact']}",
    Code.CERTIFICATE_ENDED: lambda v: f"certificate {v['certificate']} was valid until {v['valid_until']}",
    Code.WAVE_ELSEWHERE: lambda v: _wave(v, f"is not in this file but in feature {v['elsewhere']}"),
    Code.WAVE_BEYOND_RANGE: lambda v: _wave(v, f"lies above the trace's range of {v['range_upr']} UPR"),
    Code.WAVE_FAINT: lambda v: _wave(
        v, f"is missing: {v['amplitude_nm']:.3g} nm found, {v['certified_nm']:.4g} nm certified"
    ),
    Code.MEASURED_BEFORE: lambda v: (
        f"record {v['seq']} came after record {v['before']} but was measured before it, and is "
        f"{v['disposition']}, not {v['standing']}"
    ),
    Code.MEASURED_AT_ONCE: lambda v: (
        f"record {v['seq']} is {v['disposition']}, but says the time of record {v['before']}, which is "
        f"{v['standing']} and stands: equal times do not say which came later"
    ),
    Code.SET_INCOMPLETE: lambda v: f"incomplete after {v['timeout_s']:g} s: missing {_names(v['missing'])}",
    Code.SET_OPEN: lambda _: "its set is not complete",
    Code.REMEASURED_INCOMPLETE: lambda v: (
        f"re-measured {_names(v['features'])}; still missing {_names(v['missing'])}"
    ),
    Code.REMEASURED: lambda v: f"re-measured: {_names(v['features'])}",
    Code.CLOCK_AHEAD: lambda v: f"it was measured {v['clock_h']:.1f} h after it was recorded",
    Code.CLOCK_BACK: lambda v: f"it was measured {v['clock_h']:.1f} h before the one that was recorded earlier",
    Code.GATE_CERTIFICATE_REFUSED: lambda v: f"a certificate was refused: {v['text']}",
    Code.GATE_NO_CERTIFICATE: lambda v: f"there is no certificate for artefact {v['artefact']}",
    Code.GATE_NEVER_VERIFIED: lambda v: (
        f"{v['instrument']} has never been verified with artefact {v['artefact']}"
    ),
    Code.GATE_CLOCKS: lambda v: (
        f"clocks of the verifications of {v['instrument']} disagree: {_clock(v)} (record {v['seq']})"
    ),
    Code.GATE_WAVES_MISSING: lambda v: (
        f"the last verification of {v['instrument']} lacks certified waves (record {v['seq']})"
    ),
    Code.GATE_FAILED: lambda v: f"the last verification of {v['instrument']} failed (record {v['seq']})",
    Code.GATE_OTHER_ARTEFACT: lambda v: (
        f"{v['instrument']} was verified with artefact {v['artefact']}, wanted is {v['wanted']}"
    ),
    Code.GATE_CERTIFICATE_CHANGED: lambda v: (
        f"the certificate of artefact {v['artefact']} was changed since {v['instrument']} was verified by it"
    ),
    Code.GATE_TOO_OLD: lambda v: (
        f"the verification of {v['instrument']} is {hours(v['age_h'])} old, allowed are {v['allowed_h']:g} h"
    ),
    Code.GATE_IN_FUTURE: lambda v: (
        f"the verification of {v['instrument']} lies {hours(v['ahead_h'])} in the future"
    ),
    Code.GATE_COPY: lambda v: f"{v['trace']} is a copy of what was held: measure the part again, or release it",
    Code.GATE_TRACE_IN_FUTURE: lambda v: (
        f"clocks disagree: {v['trace']} was measured {hours(v['ahead_h'])} after it was decided"
    ),
    Code.GATE_AFTER_FAILURE: lambda v: (
        f"{v['trace']} was measured after {_no_proof(v)} of {v['instrument']} (record {v['seq']})"
    ),
    Code.GATE_BEFORE_FAILURE: lambda v: (
        f"{v['trace']} was measured before {_no_proof(v)} of {v['instrument']} (record {v['seq']}): "
        "nobody knows since when it was wrong"
    ),
    Code.GATE_TRACE_OTHER_ARTEFACT: lambda v: (
        f"{v['instrument']} was verified with {v['artefact']} when {v['trace']} was measured"
    ),
    Code.GATE_TRACE_TOO_OLD: lambda v: (
        f"the verification of {v['instrument']} was {hours(v['age_h'])} old when {v['trace']} was measured, "
        f"allowed are {v['allowed_h']:g} h"
    ),
    Code.ACCEPTED_BEFORE_FAILURE_WAS_READ: lambda _: (
        "accepted before, since the failed verification was read later"
    ),
    Code.COPY_OF_VERIFICATION: lambda v: (
        f"the file is a copy of that of record {v['seq']}: it proves nothing new"
    ),
    Code.ARTEFACT_NOT_ASKED_FOR: lambda v: (
        f"[verification] asks for artefact {v['wanted']}, this is {v['artefact']}"
    ),
    Code.VERIFICATION_CLOCK: _verification_clock,
    Code.BEFORE_FAILED_VERIFICATION: lambda v: (
        f"it was measured before the failed verification of record {v['seq']}"
    ),
    Code.ACCEPTED_SINCE: _accepted_since,
    Code.UNCLOSED: lambda v: f"writer never closed {v['file']}: read after {v['seconds']:g} s without a change",
    Code.GREW: lambda v: (
        f"{v['file']} grew after it was accepted by record {v['seq']}: held until the file is whole"
    ),
    Code.RELEASED_BY: lambda v: f"released by {v['who']}: {v['why']}",
    Code.NOT_HELD_FOR_GATE: lambda v: f"{v['part']} {v['serial']} is not held for the gate",
    Code.NOT_ON_HOLD: lambda _: "is not on hold",
    Code.HELD_FOR_MORE: lambda v: f"held for more than the gate: {'; '.join(v['others'])}",
    Code.AT_THE_LINE: lambda v: (
        f"it came less than {v['live_s']:g} s ago: measure it again, or release it later"
    ),
    Code.NOT_VERIFIED_SINCE: lambda v: f"no verification of {v['instrument']} has passed since it was held",
    Code.SECOND_PERSON_NEEDED: lambda _: "asked for by a first person, on record: another one must ask too",
    Code.SAME_PERSON: lambda v: (
        f"{v['who']} asked for it already: another person must, at a login of their own"
    ),
    Code.NOT_A_REQUEST: lambda v: f"not a request{': ' + v['text'] if v.get('text') else ''}",
    Code.REQUEST_TOO_OLD: lambda v: f"{_subject(v)}: the request is {v['age_s']:.0f} s old",
    Code.REQUEST_AHEAD: lambda v: (
        f"{_subject(v)}: the request is dated {v['ahead_s']:.0f} s ahead of the clock: ask again"
    ),
    Code.REQUESTS_UNGUARDED: lambda _: "everybody may write to the folder requests/: its rights must be 2770",
    Code.NOTHING_WAITS: lambda v: f"record {v['record']} does not wait for an acknowledgement",
}
