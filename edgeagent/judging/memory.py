"""What the service knows, derived from the journal record by record: at start from disk, later as it writes.

There is no second database of what was seen. Everything in here can be thrown away and folded again.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime

from msgspec import UNSET
from msgspec.structs import replace

from edgeagent.codec.evidence.approvals import newest_approvals
from edgeagent.codec.evidence.identities import KnownAs, with_record
from edgeagent.codec.records.record import Place, Record
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, Reason, reason
from edgeagent.model.records import (
    Acknowledgement,
    Adoption,
    Checkpoint,
    ConfigurationRead,
    ConfigurationRejected,
    Measurement,
    Outcome,
    PartDisposition,
    PartSource,
    Quarantine,
    Recovery,
    ReleaseRefusal,
    Source,
    Start,
    Stop,
    Verification,
    given,
    reasons_of,
)
from edgeagent.model.status import PartNow
from edgeagent.rules.files.settling import Look
from edgeagent.rules.gate import History, Sighting, Verified, clock_doubt, later_sighting, with_verification
from edgeagent.rules.line.lamp import Lamp, Waiting, acknowledge, show_disposition, show_message
from edgeagent.rules.line.outbox import messages
from edgeagent.rules.part_set import FeatureResult, PartSet, with_disposition, with_measurement, with_past

_FILES_MAX = 1000
"""Files of verifications that a copy is recognised by: at one a shift, those of a year."""
_LAST_PARTS = 10
"""The last parts that a status names."""
_KEY_MAX = 4
"""Characteristics of a measurement that its part's disposition names."""
_NAMES_US = frozenset({"start", "identity"})
"""Kinds of records that say who the journal is."""
_SETS_MAX = 500
"""Finished part sets that stay in memory for re-measurements; unfinished ones always stay."""
Recall = Callable[[str, str, str, int], Iterable[Record]]
"""The measurements of a part number and serial before a record, if one of them may have decided a content."""


def file_key(folder: str, name: str, sha256: str | None, side_sha256: str | None, look: Look | None) -> bytes:
    """Identity of a file: relative path and content; what could not be read is known by how it looks."""
    content = f"{sha256}\0{side_sha256}" if sha256 is not None else f"unread\0{look}"
    # Sixteen bytes: millions of files stay in memory, and collide with a probability of 1e-25.
    return hashlib.sha256(f"{folder}\0{name}\0{content}".encode()).digest()[:16]


class Memory:
    """The fold over the journal.

    ``present`` names the files that are in each folder at the start: of them alone look and SHA-256 are kept.
    ``position`` is the publisher's, whose record's place is noted on the way. ``unverified`` is an artefact's
    measurement whose verification record is not there; ``answered`` are rejects beyond the position that the
    line acknowledged already. ``gated`` are the parts that the closed gate holds, however long ago.
    ``verifications`` are those of each instrument, ``measured_last`` what its clock said at the one that was
    recorded last, ``verifying`` the newest files of them with the certificate that judged them.
    ``proposed`` is who asked first for a release that needs two persons, with the number of the login.
    ``recorded_at`` is the time of the last record, ``set_back_s`` by how much the clock was set back before it.
    ``known_as`` is who the journal is to others, ``older`` why it is known to be an older copy, or None.
    ``withdrawn`` is when the newest approval of each recipe and certificate was given that went out of force.
    ``certificate_refused`` is why the certificates on disk are not those in force, None when they are.
    ``known_before`` says of a file whether the records before those that are folded here hold it. Where the
    memory ``has_forgotten`` parts, ``recall`` finds what was recorded of them, up to the newest record.
    """

    def __init__(
        self,
        present: Mapping[str, frozenset[str]],
        position: int | None,
        *,
        live_s: float,
        latches: bool,
        known_before: Callable[[bytes], bool] | None = None,
        recall: Recall | None = None,
    ) -> None:
        self._present = present
        self._known_before = known_before
        self.recall = recall
        self.has_forgotten = False
        self._live_s, self._latches = live_s, latches
        self._done: set[bytes] = set()
        self.looks: dict[tuple[str, str], tuple[Look, str | None]] = {}
        self.sets: OrderedDict[tuple[str, str], PartSet] = OrderedDict()
        self.waiting_sets: set[tuple[str, str]] = set()
        self.verifications: dict[str, History] = {}
        self.verifying: OrderedDict[tuple[str, str | None], int] = OrderedDict()
        self.measured_last: dict[str, float] = {}
        self.certificate_refused: str | None = None
        self.artefact_errors_nm: dict[tuple[str, str], dict[int, float]] = {}
        self.sightings: dict[tuple[str, str], dict[int, Sighting]] = {}
        self.proposed: dict[tuple[str, str], tuple[str, int]] = {}
        self.gated: dict[tuple[str, str], PartSet] = {}
        self.boot = 0
        self.recorded_at = ""
        self.set_back_s = 0.0
        self.known_as = KnownAs()
        self.older: str | None = None
        self.manifest = ""
        self.withdrawn: dict[str, str] = {}
        self.decided = 0
        self.last_parts: deque[PartNow] = deque(maxlen=_LAST_PARTS)
        self.lamp = Lamp()
        self.checkpoint = 0
        self.position = position
        self.cursor: Place | None = None
        self.last_disposition: Record | None = None
        self.unverified: Record | None = None
        self.answered: set[int] = set()
        self._undelivered: list[Record] = []

    @property
    def verified(self) -> dict[str, Verified]:
        """The verification of each instrument that counts now."""
        return {name: history.current for name, history in self.verifications.items()}

    def use(self, *, live_s: float, latches: bool) -> None:
        """From here on dispositions count as live, and rejects latch, by these settings."""
        self._live_s, self._latches = live_s, latches

    def waiting_rejects(self, position: int) -> tuple[Waiting, ...]:
        """Rejects up to a record that the lamp must hold, as nobody acknowledged them."""
        return tuple(w for w in self.lamp.waiting if w.what == "reject" and w.seq <= position)

    def part_set(self, part: str, serial: str) -> PartSet:
        """What is known of a part, of one that the gate holds however long ago; empty where nothing is."""
        key = (part, serial)
        return self.sets.get(key) or self.gated.get(key) or PartSet(part, serial)

    def known(self, key: bytes) -> bool:
        """Whether a file of this identity has its record already."""
        return key in self._done or (self._known_before is not None and self._known_before(key))

    def ask(self, known_before: Callable[[bytes], bool], recall: Recall) -> None:
        """From here on these know what this memory forgets."""
        self._known_before, self.recall = known_before, recall

    def forget_files(self) -> None:
        """Leave the files folded so far to ``known_before``, which has them now."""
        # Of a fold that nobody stands behind nobody else would know them.
        if self._known_before is not None:
            self._done.clear()

    def visit(self, record: Record, place: Place) -> None:
        """Fold one record that was read from disk."""
        self.apply(record)
        if self.position is not None and record.seq <= self.position:
            self.cursor = place
        match record.body:
            case PartDisposition() as body:
                self._note_shown(record, body)
            case Acknowledgement() as body:
                self.lamp = acknowledge(self.lamp, body.seq)
                if body.matched and (self.position is None or body.seq > self.position):
                    self.answered.add(body.seq)
            case Checkpoint() | Stop() as body:
                self._note_delivered(body.published)
            case Measurement() | Quarantine() as body:
                self.note_look(body.source)
                self._note_quarantine(record)
            case _:
                pass

    def _note_shown(self, record: Record, body: PartDisposition) -> None:
        """What the lamp showed for a disposition, and whether the line has it already."""
        if self.position is None:
            self._undelivered.append(record)
        elif record.seq <= self.position:
            self.last_disposition = record
        # A part that was decided late has left the line: its verdict must not light the lamp of another.
        if _posix(record.time) - body.settled_at <= self._live_s:
            self.lamp = show_disposition(
                self.lamp,
                body.disposition,
                record.seq,
                latches=self._latches,
                part=body.part,
                serial=body.serial,
            )

    def _note_quarantine(self, record: Record) -> None:
        """What the lamp showed for a file that could not be read, until one under its name was measured."""
        if isinstance(record.body, Measurement) and not self.lamp.waiting:
            return
        recorded_at = _posix(record.time)
        for message in messages(record.body, {}, now=recorded_at, live_s=self._live_s):
            self.lamp = show_message(self.lamp, record.seq, message, latches=self._latches)

    def _note_delivered(self, published: int) -> None:
        """The journal's own note of the position, which stands in where the publisher's state is gone."""
        self.checkpoint = max(self.checkpoint, published)
        if self.position is None:
            for record in self._undelivered:
                if record.seq <= self.checkpoint:
                    self.last_disposition = record
            self._undelivered = [r for r in self._undelivered if r.seq > self.checkpoint]
            self.answered = {seq for seq in self.answered if seq > self.checkpoint}

    def apply(self, record: Record) -> None:
        """Fold one record, read or just written. What this version does not know changes nothing."""
        # Compared as text, which is exact; a clock that was set back is noticed by the record after it.
        if record.time < self.recorded_at:  # both are written alike
            self.set_back_s = _posix(self.recorded_at) - _posix(record.time)
        self.recorded_at = record.time
        # Only these: the identity is a hash over few records, and ten years are folded at a start.
        if record.seq == 1 or record.kind in _NAMES_US:
            self.known_as = with_record(self.known_as, record)
        match record.body:
            case Start() as body:
                self.boot = body.boot
            case Measurement() as body:
                self._note_done(body.source)
                if body.trace.of_artefact is None:
                    self._note_measurement(record.seq, body)
                else:
                    # Set until its outcome comes: a power cut between the two is mended at the start.
                    self.unverified = record
            case Quarantine() as body:
                self._note_done(body.source)
            case Verification() as body:
                self.unverified = None
                errors = {int(upr): nm for upr, nm in body.errors_nm.items() if nm is not None}
                self.artefact_errors_nm.setdefault((body.instrument, body.artefact), {}).update(errors)
                self._note_verification(record, body, errors)
            case ConfigurationRead() as body:
                # A configuration that was read is in force as a whole, its certificates too.
                self.certificate_refused = None
                self.manifest = body.manifest_sha256
                self.withdrawn = newest_approvals(self.withdrawn, given(body.withdrawn, {}))
            case ConfigurationRejected() as body:
                if body.of_certificate:
                    self.certificate_refused = body.reason
            case PartDisposition() as body:
                self._note_disposition(record.seq, body)
                self._note_last(record, body)
            case ReleaseRefusal() as body:
                self._note_proposal(body)
            case Recovery(what="store-older", reason=why):
                self.older = why
            case Adoption():
                # A person has taken over what is here.
                self.older = None
            case _:
                pass

    def _note_proposal(self, body: ReleaseRefusal) -> None:
        """Who asked first for a release that needs two persons, and the number of the login."""
        code = given(body.reason_code, None)
        if code is not None and code.code == Code.SECOND_PERSON_NEEDED:
            key = str(given(body.part, "")), str(given(body.serial, ""))
            self.proposed[key] = body.who, given(body.uid, -1)

    def _note_disposition(self, seq: int, body: PartDisposition) -> None:
        self.decided = seq
        key = (body.part, body.serial)
        # Not `sets` alone: a part held for the gate may be released long after it was forgotten there.
        state = with_disposition(self.part_set(*key), body.disposition, seq)
        self._keep(key, state)
        self.gated.pop(key, None)
        self.proposed.pop(key, None)
        if body.gate_reason is not None:
            self.gated[key] = state

    def _note_last(self, record: Record, body: PartDisposition) -> None:
        why = body.reasons[0] if body.reasons else ""
        self.last_parts.append(
            PartNow(record.time, record.seq, body.part, body.serial, body.disposition.value, why)
        )

    def _note_verification(self, record: Record, body: Verification, errors: Mapping[int, float]) -> None:
        """What a verification says of its waves and of its instrument.

        None of these opens or closes the gate: a file with only some of the waves, all conforming, where the
        certificate assigns the others to another file; one too noisy to decide, of which no wave counts as
        seen; one that is no verification.
        """
        # With the certificate: judged by another one the same file is a verification of its own.
        self.verifying[str(body.source.sha256), body.certificate_sha256] = record.seq
        while len(self.verifying) > _FILES_MAX:
            self.verifying.popitem(last=False)
        outcome = body.outcome
        if outcome == Outcome.DISREGARDED:
            return
        measured_at, recorded_at = _posix(body.measured_at), _posix(record.time)
        doubt = clock_doubt(measured_at, recorded_at, self.measured_last.get(body.instrument))
        self.measured_last[body.instrument] = measured_at
        seen = self.sightings.setdefault((body.instrument, body.artefact), {})
        partial = given(body.partial, False)
        # A wave counts as seen only where its time can be right and its file could decide.
        for upr in errors if doubt is None and outcome != Outcome.INCONCLUSIVE else ():
            sighting = Sighting(
                measured_at, body.certificate_sha256, outcome != Outcome.FAILED, record.seq, partial
            )
            seen[upr] = later_sighting(seen.get(upr), sighting)
        if outcome in (Outcome.INCOMPLETE, Outcome.INCONCLUSIVE):
            if doubt is None:
                return
            outcome = Outcome.FAILED  # doubtful time: proves nothing until the clock is mended
        # A set is as old as its oldest file, and speaks from its newest on.
        counts = _posix(given(body.counted_from, body.measured_at))
        new = Verified(body.artefact, outcome, counts, record.seq, doubt, measured_at, body.certificate_sha256)
        self.verifications[body.instrument] = with_verification(
            self.verifications.get(body.instrument), new, recorded_at
        )

    def _note_done(self, source: Source) -> None:
        self._done.add(
            file_key(
                source.folder, source.name, source.sha256, given(source.side_sha256, None), Look(*source.look)
            )
        )

    @property
    def present(self) -> Mapping[str, frozenset[str]]:
        """The files that were in each folder at the start."""
        return self._present

    def note_look(self, source: Source) -> None:
        """Remember how a file looked when it was read, if it is still in its folder."""
        if source.name in self._present.get(source.folder, ()):
            self.looks[source.folder, source.name] = Look(*source.look), source.sha256

    def _note_measurement(self, seq: int, body: Measurement) -> None:
        self._keep(body.trace.of_part, self.set_with(seq, body, body.decided_at))

    def set_with(self, seq: int, body: Measurement, now: float) -> PartSet:
        """A part's set after one more measurement, the record ``seq`` that it is or will be.

        A copy of what was decided of a part that was forgotten since brings back what stood then: it never
        improves a part, however long ago that was.
        """
        result = feature_result(seq, body)
        state = self.part_set(*body.trace.of_part)
        past = self._past_of(state, result)
        if past is not None:
            state = with_past(state, past, result.feature, now)
        return with_measurement(state, result, body.required, now)

    def _past_of(self, state: PartSet, result: FeatureResult) -> PartSet | None:
        """What was known of a forgotten part, if the content of a result was decided then."""
        if self.recall is None or not self.has_forgotten:
            return None
        content = result.content
        if not content or content in state.decided:
            return None
        # Only what was recorded before what is known: the rest is in the state already. All of it, however
        # lately the part was forgotten: or what stands would depend on when the question comes.
        began = min((r.seq for r in state.results.values()), default=result.seq)
        past = PartSet(state.part, state.serial)
        for record in self.recall(state.part, state.serial, content, began):
            past = _with_record(past, record)
        return past if content in past.decided else None

    def _keep(self, key: tuple[str, str], state: PartSet) -> None:
        self.sets[key] = state
        # Least recently used first, so that what is forgotten is what was finished longest ago.
        self.sets.move_to_end(key)
        if state.disposed is None:
            self.waiting_sets.add(key)
        else:
            self.waiting_sets.discard(key)
        # Sets that wait are never forgotten: their time must run out aloud.
        while len(self.sets) > _SETS_MAX + len(self.waiting_sets):
            oldest = next((k for k in self.sets if k not in self.waiting_sets), None)
            if oldest is None:
                break
            self.has_forgotten = True
            del self.sets[oldest]


def _with_record(state: PartSet, record: Record) -> PartSet:
    """A part's set after one more record, which may be another part's."""
    body = record.body
    if not isinstance(body, Measurement) or body.trace.of_artefact is not None:
        return state
    if body.trace.of_part != (state.part, state.serial):
        return state
    return with_measurement(state, feature_result(record.seq, body), body.required, body.decided_at)


def feature_result(seq: int, body: Measurement) -> FeatureResult:
    """What a part's disposition needs of one measurement record."""
    trace = body.trace
    disposition, reasons = body.disposition, reasons_of(body)
    unclosed = unclosed_reason(body.source)
    # A reject or hold of a piece of a file stands: more of the file cannot make it good.
    if unclosed is not None and disposition == Disposition.ACCEPT:
        disposition, reasons = Disposition.HOLD, (unclosed, *reasons)
    return FeatureResult(
        feature=trace.feature,
        seq=seq,
        disposition=disposition,
        reasons=reasons,
        source=PartSource(
            feature=trace.feature,
            name=body.source.name,
            sha256=body.source.sha256,
            instrument=body.instrument,
            seq=seq,
        ),
        key=tuple(replace(c, feature=trace.feature) for c in body.characteristics[:_KEY_MAX]),
        settled_at=body.settled_at,
        measured_at=_posix(trace.measured_at),
        recipe_sha256=body.recipe.sha256 if body.recipe is not None else "",
    )


def unclosed_reason(source: Source) -> Reason | None:
    """Why a file proves nothing good: its writer has it still open. None where that is not known."""
    if source.unclosed_s is UNSET:
        return None
    return reason(Code.UNCLOSED, file=source.name, seconds=source.unclosed_s)


def _posix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
