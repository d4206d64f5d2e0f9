"""Every record that follows from others, derived again as the service does it, and compared with what stands.

The fold gets the measurements as they come out now, so that nothing stands on a record that was forged.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from datetime import datetime

from msgspec import UNSET

from edgeagent import __version__
from edgeagent.codec.evidence.approvals import approval_times, newest_approvals, older_approvals
from edgeagent.codec.records.record import Place, Record, repeated_members
from edgeagent.codec.records.result import VALUES_VERSION
from edgeagent.judging.bodies import configuration_body
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.memory import Memory, Recall
from edgeagent.judging.part_decisions import artefact_entries, decision_entries, open_reason
from edgeagent.judging.release import release_entries
from edgeagent.judging.replaying.contradiction import Contradiction
from edgeagent.judging.replaying.line_derivation import LineDerivation
from edgeagent.judging.replaying.unlike import unlike_members
from edgeagent.judging.requests import Asker, Handed, ReleaseRequest, RequestRefusedError
from edgeagent.judging.rules_now import rules_now
from edgeagent.model import Disposition
from edgeagent.model.records import (
    AnyBody,
    ConfigurationRead,
    Measurement,
    PartDisposition,
    Recovery,
    Release,
    Start,
    Unknown,
    Verification,
    given,
)
from edgeagent.rules.part_set import PartSet

CLOCK_STEP_S = 1.0
"""A record that is earlier than the one before it by more than this needs a record that says why."""
CLOCK_SET_BACK = "clock-set-back"
_VERIFICATIONS_AT_WORK = 20
"""A file may be at work while verifications are recorded: it is judged by what was verified when it began."""
_DECIDED_BEFORE_S = 60.0
"""A measurement is written at once when it is decided; a disk that is slow takes a minute at the most."""


class Rederivation:
    """Folds a journal and derives again.

    Give each record once, in order, and with each measurement what became of it now, None where it was not
    computed again: the record then stands for itself. Without ``recall``, which finds each record given so far,
    a copy of what was decided of a part that the fold has forgotten looks new.
    """

    def __init__(self, line: LineDerivation | None = None, recall: Recall | None = None) -> None:
        self.memory = Memory({}, 0, live_s=60.0, latches=True, recall=recall)
        self._line = line or LineDerivation()
        self._configuration: Configuration | None = None
        self._former: Configuration | None = None
        self._manifest = ""
        self._rules: deque[Rulebook] = deque(maxlen=_VERIFICATIONS_AT_WORK)
        self._to_withdraw: list[PartDisposition] = []
        self.version = ""
        # Number of the newest measurement with values of another version; those before it may be of any.
        self._others = -1
        self.dispositions = 0
        self._last: Record | None = None
        self._stepped_back: dict[int, str] = {}

    @property
    def configuration(self) -> Configuration | None:
        """The configuration in force, None before the first."""
        return self._configuration

    @property
    def live_s(self) -> float:
        """For how long a disposition acts, by the configuration in force."""
        return 60.0 if self._configuration is None else self._configuration.settings.intake.live_s

    @property
    def prefix(self) -> str | None:
        """What the station's topics begin with, by the configuration in force; None before the first."""
        return None if self._configuration is None else self._configuration.settings.prefix

    def use(self, configuration: Configuration) -> None:
        """A configuration came into force, with the record that is given next."""
        self._former, self._configuration = self._configuration, configuration
        self._rules.clear()
        self._rules.append(rules_now(Rulebook.of(configuration), self.memory, configuration))
        settings = configuration.settings
        self.memory.use(live_s=settings.intake.live_s, latches=settings.decision.reject_latches)

    def apply(self, record: Record, now: Measurement | None) -> Iterator[Contradiction]:
        """What of a record does not follow; then the fold has it."""
        yield from self._time(record)
        body = record.body
        if isinstance(body, Start):
            self.version = body.version
        yield from self._form(record)
        yield from self._line.apply(record, self.memory.lamp)
        match body:
            case ConfigurationRead():
                yield from self._configured(record, body)
            case Measurement():
                if (body.software.version, given(body.software.values, 1)) != (__version__, VALUES_VERSION):
                    self._others = record.seq
                yield from self._not_withdrawn()
                yield from self._check_measurement(record, body)
            case PartDisposition():
                self.dispositions += 1
                yield from self._disposition(record, body)
            case Verification():
                yield from self._verification(record, body)
            case _:
                pass
        folded = record if now is None else _with_body(record, now)
        self.memory.visit(folded, Place("", 0))
        if isinstance(body, Verification) and self.configuration is not None:
            self._rules.append(rules_now(Rulebook.of(self.configuration), self.memory, self.configuration))
        self._last = record

    def contradictions_at_end(self) -> Iterator[Contradiction]:
        """What is missing at the end of the journal."""
        for seq, what in self._stepped_back.items():
            yield Contradiction(seq, "time", "clock", what)
        yield from self._not_withdrawn()
        if self._last is None:
            return
        yield from self._line.ended(self.memory.lamp, self._last.seq)
        if self.configuration is None:
            return
        end = _posix(self._last.time)
        for state in self.memory.sets.values():
            waiting = state.disposed is None or state.remeasured
            seqs = [r.seq for r in state.results.values()]
            if waiting and decision_entries(state, self.memory, self.configuration, end):
                words = "measured, and nothing was decided"
                yield Contradiction(max(seqs), "undecided", _name(state), words)
        alone = self.memory.unverified
        if alone is not None and alone.seq != self._last.seq:
            yield Contradiction(alone.seq, "undecided", "reference artefact", "measured, and not verified")

    @property
    def _other_version(self) -> bool:
        return self.version not in (__version__, "")

    def _rests_on_others(self, state: PartSet) -> bool:
        """Whether a value of the part may be of another version of the program, or of its values."""
        return self._other_version or any(r.seq <= self._others for r in state.results.values())

    def _form(self, record: Record) -> Iterator[Contradiction]:
        """Whether this version could have written the record so, as far as its version says that it did."""
        if self._other_version:
            return
        if isinstance(record.body, Unknown):
            yield Contradiction(record.seq, "form", record.kind, "no record that this version can have written")
        else:
            for name in repeated_members(record.raw):
                words = f"says {name!r} twice: readers differ in which of them counts"
                yield Contradiction(record.seq, "form", record.kind, words)

    def _configured(self, record: Record, body: ConfigurationRead) -> Iterator[Contradiction]:
        """Whether a configuration's record says what its files say, and what changed."""
        wanted = self.configuration
        if wanted is None or wanted.document.sha256 != body.agent_sha256 or body.machine is UNSET:
            return
        former = () if self._former is None else self._former.documents()
        before, old = {d.sha256 for d in former}, {d.name: d.data for d in former}
        known, self._manifest = self._manifest, body.manifest_sha256
        if known != self.memory.manifest:
            return  # the one before could not be read, which is said by itself
        asked = bool(wanted.settings.evidence.approvers)
        if asked and wanted.approvals:
            notes = {d.name: d.data for d in wanted.approvals}
            unsigned = [one.document.name for one in wanted.recipes.values() if not one.signed_by]
            newest = newest_approvals(self.memory.withdrawn, approval_times(old))
            for name in (*unsigned, *older_approvals(notes, newest)):
                by_nobody = name in unsigned
                words = "in force, though nobody approved it" if by_nobody else "approved before an earlier one"
                yield Contradiction(record.seq, "configuration", name, words)
        _, derived = configuration_body(wanted, body.machine, before, old)
        for words in unlike_members(body, derived, shared_only=self._other_version):
            yield Contradiction(record.seq, "configuration", "record of the configuration", words)

    def _not_withdrawn(self) -> Iterator[Contradiction]:
        """Parts whose acceptance a failed verification takes back, and that are accepted all the same."""
        for hold in self._to_withdraw:
            state = self.memory.part_set(hold.part, hold.serial)
            if state.disposed == Disposition.ACCEPT:
                words = "accepted before a failed verification was read, and not held after it"
                yield Contradiction(state.disposed_seq or 0, "gate", _name(state), words)
        self._to_withdraw = []

    def _time(self, record: Record) -> Iterator[Contradiction]:
        body = record.body
        if isinstance(body, Recovery) and body.what == CLOCK_SET_BACK:
            self._stepped_back.clear()
        if self._last is not None:
            back_s = _posix(self._last.time) - _posix(record.time)
            if back_s > CLOCK_STEP_S:
                words = f"{back_s:.3g} s earlier than the record before it, and no record says why"
                self._stepped_back[record.seq] = words
        if isinstance(body, Measurement):
            late_s = _posix(record.time) - body.decided_at
            if not -CLOCK_STEP_S <= late_s <= _DECIDED_BEFORE_S:
                words = f"recorded {late_s:.3g} s after it was decided"
                yield Contradiction(record.seq, "time", body.source.name, words)

    def _check_measurement(self, record: Record, body: Measurement) -> Iterator[Contradiction]:
        """Whether it was judged by what was in force."""
        wanted = self.configuration
        if wanted is None:
            return
        in_force = {d.sha256 for d in wanted.documents()}
        used = {
            "recipe": body.recipe.sha256 if body.recipe is not None else None,
            "layout": body.layout.sha256 if body.layout is not None else None,
            "certificate": body.certificate_sha256,
        }
        for what, digest in used.items():
            if digest is not None and digest not in in_force:
                words = f"judged by a {what} that was not in force ({digest[:12]})"
                yield Contradiction(record.seq, "configuration", body.source.name, words)
        if body.rule != wanted.settings.decision.policy.text:
            words = f"judged by the rule {body.rule}, not {wanted.settings.decision.policy.text}"
            yield Contradiction(record.seq, "configuration", body.source.name, words)
        stated = given(body.uncertainty, None)
        if body.trace.of_artefact is None and not any(
            rules.uncertainty_of(body.instrument) == stated for rules in self._rules
        ):
            words = "judged by another uncertainty of the instrument than the station states and verified"
            yield Contradiction(record.seq, "uncertainty", body.source.name, words)

    def _disposition(self, record: Record, body: PartDisposition) -> Iterator[Contradiction]:
        state = self.memory.part_set(body.part, body.serial)
        subject, configuration = _name(state), self.configuration
        if not state.results:
            words = "decided, and nothing of it was measured"
            yield Contradiction(record.seq, "decision", subject, words, verdict=True)
            return
        measured = {(f, r.source.sha256, r.seq) for f, r in state.results.items()}
        unknown = [s.name for s in body.sources if (s.feature, s.sha256, s.seq) not in measured]
        if unknown:
            words = f"rests on {unknown[0]}, which is not the measurement on record"
            yield Contradiction(record.seq, "decision", subject, words)
        if configuration is None:
            return
        if body.withdrawn is not UNSET or self._is_withdrawal(state, body):
            if body.disposition != Disposition.HOLD:
                words = f"taken back, and yet {body.disposition.value}"
                yield Contradiction(record.seq, "decision", subject, words, verdict=True)
            return
        before = self._last.body if self._last is not None else None
        if isinstance(before, Release) and (before.part, before.serial) == (body.part, body.serial):
            yield from self._release(record, before, configuration)
            return
        yield from self._check_disposition(record, body, state, configuration)

    def _check_disposition(
        self, record: Record, body: PartDisposition, state: PartSet, configuration: Configuration
    ) -> Iterator[Contradiction]:
        last = self._last.body if self._last is not None else None
        now = last.decided_at if isinstance(last, Measurement) else _posix(record.time)
        subject = _name(state)
        entries = decision_entries(state, self.memory, configuration, now, timeout_s=math.inf)
        if not entries:
            up = max(now, state.since + configuration.settings.decision.set_timeout_s)
            entries = decision_entries(state, self.memory, configuration, up)
        if not entries:
            words = f"decided {body.disposition.value}, where nothing new had been measured"
            yield Contradiction(
                record.seq, "decision", subject, words, verdict=body.disposition != state.disposed
            )
            return
        expected = entries[0]
        assert isinstance(expected, PartDisposition)
        gates = (body.gate_reason is not None), (expected.gate_reason is not None)
        if gates[0] != gates[1]:
            words = "held for the gate, which was open" if gates[0] else "the gate was closed for it"
            yield Contradiction(record.seq, "gate", subject, words)
        if body.disposition != expected.disposition:
            words = f"recorded {body.disposition.value}, now {expected.disposition.value}"
            yield Contradiction(record.seq, "decision", subject, words, verdict=True)
        elif gates[0] == gates[1]:
            others = self._rests_on_others(state)
            for words in unlike_members(body, expected, shared_only=others):
                yield Contradiction(record.seq, "decision", subject, words, by_version=others)

    def _is_withdrawal(self, state: PartSet, body: PartDisposition) -> bool:
        """Whether a failed verification took an acceptance back: both are written at once."""
        before = self._last.body if self._last is not None else None
        after = isinstance(before, Verification) or (
            isinstance(before, PartDisposition) and before.gate_reason is not None
        )
        taken = body.gate_reason is not None and body.disposition == Disposition.HOLD
        return after and taken and state.disposed == Disposition.ACCEPT and not state.remeasured

    def _release(
        self, record: Record, release: Release, configuration: Configuration
    ) -> Iterator[Contradiction]:
        now = _posix(record.time)
        request = ReleaseRequest(release.part, release.serial, release.who, release.why)
        handed = Handed(request, Asker(given(release.uid, 0), given(release.user, "")))
        subject = f"{release.part} {release.serial}"
        try:
            entries = release_entries(
                handed,
                self.memory,
                lambda state: open_reason(state, self.memory, configuration, now),
                now=now,
                live_s=configuration.settings.intake.live_s,
                two_persons=configuration.settings.release.two_persons,
            )
        except RequestRefusedError as error:
            words = f"released, where it was not allowed: {error}"
            yield Contradiction(record.seq, "release", subject, words, verdict=True)
            return
        expected: AnyBody = entries[-1]
        assert isinstance(expected, PartDisposition)
        body = record.body
        if isinstance(body, PartDisposition) and body.disposition != expected.disposition:
            words = f"released as {body.disposition.value}, now {expected.disposition.value}"
            yield Contradiction(record.seq, "release", subject, words, verdict=True)
        else:
            others = self._rests_on_others(self.memory.part_set(release.part, release.serial))
            for words in unlike_members(body, expected, shared_only=others):
                yield Contradiction(record.seq, "release", subject, words, by_version=others)

    def _verification(self, record: Record, body: Verification) -> Iterator[Contradiction]:
        measured = self.memory.unverified
        if measured is None or not isinstance(measured.body, Measurement):
            words = "verified, and nothing of it was measured"
            yield Contradiction(record.seq, "verification", body.artefact, words)
            return
        if body.source.sha256 != measured.body.source.sha256 or self.configuration is None:
            words = f"verified by {body.source.name}, which is not the measurement on record"
            yield Contradiction(record.seq, "verification", body.artefact, words)
            return
        now = measured.body.decided_at
        expected, *holds = artefact_entries(measured.body, measured.seq, self.memory, self.configuration, now)
        assert isinstance(expected, Verification)
        self._to_withdraw = [hold for hold in holds if isinstance(hold, PartDisposition)]
        if expected.outcome != body.outcome:
            words = f"recorded {body.outcome.value}, now {expected.outcome.value}"
            yield Contradiction(record.seq, "verification", body.artefact, words, verdict=True)
            return
        others = self._other_version or measured.seq <= self._others
        for words in unlike_members(body, expected, shared_only=others):
            yield Contradiction(record.seq, "verification", body.artefact, words, by_version=others)


def _with_body(record: Record, body: Measurement) -> Record:
    return Record(record.seq, record.time, record.kind, record.prev, body, record.hash, record.raw)


def _name(state: PartSet) -> str:
    return f"{state.part} {state.serial}"


def _posix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
