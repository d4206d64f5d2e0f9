"""What the loop knows of evidence: when to sign, whom to hand it to, and what a fault follows from."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import msgspec

from edgeagent.codec.evidence.identities import KnownAs
from edgeagent.codec.evidence.notes import NoteError, SignedNote, read_note
from edgeagent.codec.evidence.witnessing import WitnessDocument, read_document
from edgeagent.codec.records.record import Record
from edgeagent.errors import EvidenceError
from edgeagent.judging.memory import Memory
from edgeagent.judging.replaying.rederive import CLOCK_SET_BACK, CLOCK_STEP_S
from edgeagent.model.records import AnyBody, PartDisposition, Recovery
from edgeagent.rules.line import delivery_state as delivery
from edgeagent.rules.line.outbox import Outgoing
from edgeagent.service.broker.client import COSIGNED, MqttEvent
from edgeagent.service.broker.publisher import Publisher
from edgeagent.service.evidence.signing import CheckpointSigned, SeenMore, SigningFailed, SigningThread
from edgeagent.service.folders.errands import Errands
from edgeagent.store.clock import Clock
from edgeagent.store.configuration import StationConfiguration
from edgeagent.store.evidence.keys import endorsement_of, key_of_store
from edgeagent.store.evidence.witness import WitnessFolder

OLDER = "store-older"
"""Recovery record and fault: others have seen more of this journal than is here."""
FAILED = "evidence-failed"
CHECKPOINT = "checkpoint"
# By pattern, not as JSON: an older or a later version's `state` may hold members that this one does not know.
_STATE = re.compile(rb'\{"store":"([0-9a-f]{64})",.{0,200}?"seq":(\d{1,18}),"head":"([0-9a-f]{64})"')
_FORMERLY = re.compile(rb'"formerly":\[([0-9a-f",]{64,1000})\]')
_STATE_BYTES_MAX = 4096
_TAKEN_MAX = 16
"""Messages looked at in one turn of the loop: a flood of them must not grow in the thread's queue."""
_LOOK_S, _CLOSE_S = 5.0, 2.0
"""Between two looks into the witness folders; for one answer at the end, as a share may hang."""
_HEAR_S = 10.0
"""At the start others have so long to report what they saw of this journal, before anything is signed."""
_REST_S = 0.5
"""Between two signatures, each of three syncs: in the midst of a backlog not after each part."""


def find_signing_key(
    configuration: StationConfiguration, known: KnownAs, log: Any
) -> tuple[str, str, list[Recovery]]:
    """The public key for the start's record, with its endorsement; where there is none, what says why."""
    station, path = configuration.settings.station, configuration.evidence_key
    try:
        key = key_of_store(path, known, (station.site, station.cell, station.name))
    except EvidenceError as error:
        log.warning(FAILED, reason=str(error))
        return "", "", [Recovery(what=FAILED, reason=str(error)[:500])]
    return key, endorsement_of(path, key, known), []


class Notary:
    """Used from the service loop only. ``append`` writes records; a failing disk ends the caller."""

    def __init__(
        self,
        publisher: Publisher,
        clock: Clock,
        log: Any,
        append: Callable[[Sequence[AnyBody]], list[Record]],
        wake: Callable[[], None],
        every_s: float,
    ) -> None:
        self._publisher, self._clock, self._log, self._append = publisher, clock, log, append
        self._wake, self._every_s = wake, every_s
        self._thread: SigningThread | None = None
        self._folders: list[tuple[Errands, WitnessFolder]] = []
        self._identity, self._origin = "", ""
        self._document: WitnessDocument | None = None
        self._size, self._head = 0, ""
        self._decided, self._sign_at, self._look_at = False, 0.0, 0.0
        self._published = ""
        self._problems: set[str] = set()
        self._heard_by = self._rest_until = 0.0
        self._silent = self._looked = self._closed = False

    def open(self, configuration: StationConfiguration, key: str, memory: Memory) -> None:
        """Begin to sign with the key whose public half is ``key``; without one nothing is signed."""
        self._identity, self._origin = memory.known_as.hash, key.partition("+")[0]
        if memory.older is not None:  # it stays a fault over restarts, until a person adopts what is here
            self._problems.add(OLDER)
            self._publisher.tell(delivery.Fault, OLDER, True)
            return  # no checkpoint may contradict those that were signed before
        if not key:
            return
        self._heard_by = self._clock.monotonic() + _HEAR_S
        self._thread = SigningThread(
            configuration.store,
            configuration.evidence_key,
            key,
            memory.known_as.identities[-1],
            self._wake,
        )
        for folder in configuration.witnesses:
            # A thread for each folder: one share that hangs must not keep the other witnesses away.
            errands = Errands("witness-folder", self._clock, self._wake, lambda: None)
            self._folders.append((errands, WitnessFolder(folder)))
        # One signature at the start: what the last run left unsigned is due.
        self._decided = True

    def appended(self, records: Sequence[Record], memory: Memory) -> None:
        """The journal has grown: a disposition is signed soon, all else within the hour.

        A clock that was set back goes on record, or the record before it would look like a later one.
        """
        # Taken before the append below, which comes back here with its own record.
        back_s, memory.set_back_s = memory.set_back_s, 0.0
        if back_s > CLOCK_STEP_S:
            words = f"the clock was set back by {back_s:.3f} s before record {records[0].seq}"
            self._append([Recovery(what=CLOCK_SET_BACK, reason=words)])
        self._decided |= any(isinstance(record.body, PartDisposition) for record in records)

    def take(self, messages: Sequence[MqttEvent]) -> None:
        """What the broker keeps or hands on of this store: its own state and checkpoint, and cosignatures."""
        if self._thread is None:
            return
        found = [m for m in messages if m.topic in (CHECKPOINT, "state") or m.topic.startswith(COSIGNED)]
        for message in found[-_TAKEN_MAX:]:
            # Retained alone: a live `state` is our own, or another agent's that delivery looks after.
            if message.topic == "state" and message.retained:
                if self._is_former_in(message.payload):
                    self._thread.was_adopted()
                named = _STATE.match(message.payload)
                if named is not None and named[1].decode() == self._identity:
                    self._thread.seen_record(int(named[2]), named[3].decode())
            elif message.topic == CHECKPOINT or message.topic.startswith(COSIGNED):
                self._hand_in(message.payload)

    def _is_former_in(self, payload: bytes) -> bool:
        """Whether the broker keeps the state of a store that was adopted from this very journal."""
        found = _FORMERLY.search(payload[:_STATE_BYTES_MAX])
        return found is not None and self._identity.encode() in found[1]

    def _hand_in(self, payload: bytes) -> None:
        assert self._thread is not None
        try:
            self._thread.seen(read_note(read_document(payload).checkpoint.encode()))
        except NoteError:
            # Once: anyone may publish there, and as often as he likes.
            if "no-checkpoint" not in self._problems:
                self._problems.add("no-checkpoint")
                self._log.warning("no-checkpoint", reason="a message on checkpoint is no signed note")

    def turn(self) -> None:
        """After each turn of the loop, behind the lamp: sign what is due, hand it on, take in answers."""
        if self._thread is None:
            return
        now = self._clock.monotonic()
        due = self._decided and now >= self._rest_until
        if (due or now >= self._sign_at) and self._may_sign(now):
            self._decided, self._sign_at, self._rest_until = False, now + self._every_s, now + _REST_S
            self._thread.sign()
        self._take_found()
        self._publish()
        self._visit_folders(now)

    def _take_found(self) -> None:
        assert self._thread is not None
        for found in self._thread.found():
            match found:
                case CheckpointSigned():
                    self._hold(found)
                    self._look_at = self._clock.monotonic()
                case SeenMore():
                    self._is_older(found.reason)
                case SigningFailed():
                    self._failed(found.reason)

    def _may_sign(self, now: float) -> bool:
        """Not before others had time to report what they saw: an older copy must not sign against it."""
        # Ready means that retained messages of the subscription have come.
        heard = self._publisher.delivery.ready and not any(e.outstanding for e, _ in self._folders)
        return not self._silent and (now >= self._heard_by or (heard and self._looked))

    def _hold(self, signed: CheckpointSigned) -> None:
        self._document, self._size, self._head = signed.document, signed.size, signed.head

    def _publish(self) -> None:
        """Retained, once for each connection and document."""
        if not self._publisher.delivery.ready:
            self._published = ""
        elif self._document is not None:
            stamp = {"boot": self._publisher.delivery.boot, "seq": self._size, "head": self._head}
            content = {**stamp, **msgspec.to_builtins(self._document)}
            # One under way at most: two would take places of the lamp's in the window.
            if self._published != str(content) and not self._publisher.delivery.awaits(CHECKPOINT):
                self._published = str(content)
                self._publisher.tell(delivery.Aside, (Outgoing(CHECKPOINT, content, retain=True),))

    def _visit_folders(self, now: float) -> None:
        look = now >= self._look_at
        if look:
            self._look_at = now + _LOOK_S
        # With this call every folder has an errand: `_may_sign` waits until all of them have answered once.
        self._looked = True
        for errands, folder in self._folders:
            for notes in errands.results():
                self._heard(notes)
            # A folder that hangs gets no second errand: they would pile up behind the first.
            if look and not errands.outstanding:
                errands.submit(partial(_exchange, folder, self._origin, self._document))

    def _heard(self, notes: list[SignedNote] | OSError) -> None:
        assert self._thread is not None
        if isinstance(notes, OSError):
            self._failed(f"witness folder: {notes.strerror}: {notes.filename}")
            return
        for note in notes:
            self._thread.seen(note)

    def _is_older(self, reason: str) -> None:
        """On the lamp, on record and as an alarm."""
        if OLDER in self._problems:
            return
        self._problems.add(OLDER)
        # Silent first: nothing may be signed or published that contradicts what others hold.
        self._silent, self._document = True, None
        words = f"{reason}; it was restored from an older copy: see `edgeagent journal adopt`"
        self._log.error(OLDER, reason=words)
        self._publisher.tell(delivery.Fault, OLDER, True)
        (record,) = self._append([Recovery(what=OLDER, reason=words)])
        self._publisher.tell(delivery.Aside, self._publisher.compose(record))

    def _failed(self, reason: str) -> None:
        # Bounded: reasons name files, and a sick share can name any number of them.
        if reason not in self._problems and len(self._problems) < 100:
            self._problems.add(reason)
            self._log.warning(FAILED, reason=reason)
            # The stop record is the last one: what fails behind it stands in the log alone.
            if not self._closed:
                self._append([Recovery(what=FAILED, reason=reason[:500])])

    def hear_last(self) -> None:
        """Before the last record: what witnesses have seen, so that nothing signed contradicts it."""
        if self._thread is not None:
            self._ask_folders()
            # What the folders just brought must be compared before the last signature.
            self._thread.settle(_CLOSE_S)
            self._take_found()

    def sign_last(self) -> None:
        """Behind the last record: sign the end of the journal and hand it to the witness folders."""
        self._closed = True
        if self._thread is None:
            return
        if not self._silent:
            self._thread.sign()
        self._thread.close(_CLOSE_S)
        for found in self._thread.found():
            if isinstance(found, CheckpointSigned) and not self._silent:
                self._hold(found)
        self._publish()
        self._ask_folders()

    def close(self) -> None:
        """End the threads, whatever they are at; writes no record. Safe after anything."""
        self._closed = True
        if self._thread is not None:
            self._thread.close(_CLOSE_S)
        for errands, _ in self._folders:
            errands.close(_CLOSE_S)

    def _ask_folders(self) -> None:
        """Hand on what there is and wait for the answers; a folder that hangs is passed over."""
        for errands, folder in self._folders:
            for notes in errands.results():
                self._heard(notes)
            if errands.outstanding:
                continue
            answer = errands.ask(partial(_exchange, folder, self._origin, self._document), _CLOSE_S)
            if not isinstance(answer, TimeoutError):
                self._heard(answer)


def _exchange(folder: WitnessFolder, origin: str, document: WitnessDocument | None, alive: Any) -> Any:
    notes = folder.exchange(origin, document)
    # Only behind the exchange: it is one call, and a share that hangs in it shows no life.
    alive()
    return notes
