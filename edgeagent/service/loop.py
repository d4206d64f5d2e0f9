"""The service: one loop from file to lamp.

hint or timer → scan → settled file → read once → evaluate → archive and journal, synced → publish → PUBACK
moves the position. Every error is typed and ends in a journal record; the disk's own failure ends the
process with the lamp on fault, and a restart reads the truth from disk.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgeagent.codec.records.record import Place, Record
from edgeagent.codec.records.result import encode
from edgeagent.errors import (
    AgentError,
    ConfigError,
    InputError,
    JournalCorruptError,
    JournalError,
    JournalLockedError,
    JournalTornTailError,
    TraceFormatError,
)
from edgeagent.judging import bodies
from edgeagent.judging.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.judging.found_file import FoundFile
from edgeagent.judging.line_gate import line_gate_closed
from edgeagent.judging.memory import Memory, file_key
from edgeagent.judging.part_decisions import (
    Entries,
    artefact_entries,
    decision_entries,
    open_reason,
    part_entries,
)
from edgeagent.judging.release import take_up
from edgeagent.judging.rules_now import rules_now
from edgeagent.judging.whole_file import revocations, undecided
from edgeagent.rules.lamp import GATE_CLOSED
from edgeagent.rules.part_set import expires_at
from edgeagent.service.acknowledging import Acknowledgements
from edgeagent.service.intake import FAULTS, Intake
from edgeagent.service.mailbox import Mailbox
from edgeagent.service.publisher import Publisher
from edgeagent.service.status import Status, stages_ms
from edgeagent.service.systemd import Notifier
from edgeagent.store.archive import Archive
from edgeagent.store.clock import Clock
from edgeagent.store.configuration import StationConfiguration, load_configuration
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.requests import RequestFolder
from edgeagent.store.state import State, check_not_shorter, read_state, set_aside_damaged_state, waiting_of

if TYPE_CHECKING:
    from edgeagent.judging.drift import DriftWatch

_CHECKPOINT_EVERY = 1000
_HEARTBEAT_S = 1.0


class Service:
    """Wires the rooms. ``run`` returns the exit code; ``stop`` and ``reload`` may come from a signal."""

    def __init__(self, configuration: StationConfiguration, clock: Clock, log: Any) -> None:
        mqtt = configuration.settings.mqtt
        if mqtt is None:
            raise ConfigError(configuration.path.name, "mqtt", "this table is required to run the service")
        self._configuration = configuration
        self._rules = Rulebook.of(configuration)
        self._clock = clock
        self._log = log
        self._mailbox = Mailbox()
        self._notifier = Notifier()
        self._stopping = False
        self._reload_wanted = False
        self._told_ready = False
        self.watcher: Callable[[Status], None] | None = None
        self._records_at_checkpoint = 0
        settings, store = configuration.settings, configuration.store
        self._archive = Archive(store / "archive")
        self._requests = RequestFolder(store)
        self._writer = JournalWriter(
            store / "journal", clock, segment_bytes=int(settings.store.segment_mb * 1e6)
        )
        box, heard = self._mailbox, self._on_source_event
        self._intake = Intake(settings.intake, configuration.folder, clock, box.hint, heard, box.ring)
        self._state_path = store / "state" / "publisher.json"
        self._publisher = Publisher(
            mqtt,
            settings.prefix,
            configuration.folder,
            self._state_path,
            clock,
            live_s=settings.intake.live_s,
            latches=settings.decision.reject_latches,
            post=self._mailbox.mqtt,
            report=self._on_mqtt_event,
        )
        self._acknowledgements = Acknowledgements(self._publisher, clock, log, lambda new: self._append(new))
        self._memory = Memory({}, None, live_s=0, latches=False)
        self._drift = self._new_drift()

    def stop(self) -> None:
        """End the loop after the file at hand; safe in a signal handler."""
        self._stopping = True
        self._mailbox.ring()

    def reload(self) -> None:
        """Read recipes, layouts and certificates again; safe in a signal handler."""
        self._reload_wanted = True
        self._mailbox.ring()

    def status(self) -> Status:
        """How the service stands now."""
        now = self._clock.now().timestamp()
        verified = (
            (name, f"{'passed' if v.passed else 'failed'} {(now - v.measured_at) / 3600:.1f} h ago")
            for name, v in sorted(self._memory.verified.items())
        )
        delivery = self._publisher.delivery
        return Status(
            lamp=delivery.lamp.value,
            faults=tuple(sorted(delivery.lamp.faults)),
            connected=delivery.connected,
            ready=delivery.ready,
            undelivered=delivery.undelivered,
            waiting=self._intake.waiting_count(),
            open_sets=len(self._memory.waiting_sets),
            verifications=tuple(verified),
        )

    def run(self) -> int:
        """Start, work until stopped, stop. Returns the exit code; a failing disk ends it early."""
        try:
            self._start()
            next_beat = self._clock.monotonic()
            while not self._stopping:
                next_beat = self._turn(next_beat)
            return self._end(None)
        except JournalError as error:
            return self._end(error)
        except Exception as error:  # noqa: BLE001 - a mistake of ours must not leave the lamp as it was
            self._log.error("internal-error", exc_info=True)
            return self._end(AgentError(f"internal error {type(error).__name__}: {error}"))

    def _start(self) -> None:
        recovered = self._open_journal()
        boot = self._memory.boot + 1
        manifest, configuration = bodies.configuration_body(self._configuration)
        documents = [d.data for d in self._configuration.documents()]
        for digest in self._archive.put_all((*documents, manifest)):
            self._archive.remember(digest)
        entries: list[tuple[str, Mapping[str, Any]]] = [("start", bodies.start_body(boot))]
        entries += [("recovery", body) for body in recovered]
        entries.append(("configuration", configuration))
        self._append(entries)
        self._complete()
        for (folder, name), look in self._memory.looks.items():
            self._intake.remember(folder, name, look)
        self._memory.looks.clear()
        self._log.info("started", boot=boot, seq=self._writer.seq, waiting=self._publisher.delivery.undelivered)
        memory = self._memory
        state = read_state(self._state_path)
        if state is None:
            state = State(memory.checkpoint, waiting_of(memory.lamp), memory.lamp.passing)
        reader = JournalReader(self._writer.folder)
        self._publisher.start(reader, boot, state, memory.cursor, memory.last_disposition, memory.answered)
        for body in recovered:
            self._log.warning("journal-recovered", **body)

    def _complete(self) -> None:
        """Write what must follow from measurements whose second record is not there.

        Both are written at once, but a full disk or a power cut can leave the first one alone.
        """
        now = self._clock.now().timestamp()
        alone = self._memory.unverified
        if alone is not None:
            last = self._writer.seq
            self._append(artefact_entries(alone.body, last, self._memory, self._configuration, now))
        for state in list(self._memory.sets.values()):
            if state.disposed is None or state.remeasured:
                entries = decision_entries(state, self._memory, self._configuration, now)
                if entries:
                    self._append(entries)
        self._watch_drift()

    def _open_journal(self) -> list[dict[str, Any]]:
        """Open the journal and fold it; a torn tail is cut once and reported for the record."""
        settings = self._configuration.settings
        store = self._configuration.store
        recovered: list[dict[str, Any]] = []
        while True:
            state = read_state(self._state_path)
            self._memory = Memory(
                self._intake.present(),
                state.position if state else None,
                live_s=settings.intake.live_s,
                latches=settings.decision.reject_latches,
            )
            self._drift = self._new_drift()
            try:
                self._writer.open(self._visitor(state))
            except JournalTornTailError:
                if recovered:
                    raise
                check_not_shorter(state, self._writer.seq)
                recovered.append(JournalWriter.recover(store / "journal", store / "quarantine"))
                continue
            check_not_shorter(state, self._writer.seq)
            if state is None and self._writer.seq > 0:
                aside = set_aside_damaged_state(self._state_path, store / "quarantine")
                damaged = f"; the damaged state is kept as quarantine/{aside}" if aside else ""
                reason = f"delivery position rebuilt from the journal{damaged}"
                recovered.append({"what": "state-rebuilt", "reason": reason})
            return recovered

    def _visitor(self, state: State | None) -> Callable[[Record, Place], None]:
        """Folds records, and refuses a journal in which the last one that was noted is another one."""

        def visit(record: Record, place: Place) -> None:
            if state is not None and record.seq == state.end and state.head not in ("", record.hash):
                raise JournalCorruptError(
                    place.segment, 0, f"record {record.seq} is not the one that was written: hashes differ"
                )
            self._memory.visit(record, place)
            if self._drift is not None:
                self._drift.apply(record)

        return visit

    def _new_drift(self) -> DriftWatch | None:
        """A watch that knows nothing yet; None, and nothing imported, where no drift is to be watched."""
        wanted = self._configuration.settings.drift
        if wanted is None:
            return None
        from edgeagent.judging.drift import DriftWatch, check_watched

        known = self._configuration
        check_watched(wanted, known.path.name, known.recipes, known.certificates)
        return DriftWatch(wanted, self._archive.get)

    def _watch_drift(self, records: Sequence[Record] = ()) -> None:
        """Fold new records, and put on record what began to drift: never before the lamp was told."""
        if self._drift is None:
            return
        for record in records:
            self._drift.apply(record)
        entries = self._drift.untold()
        if entries:
            for record in self._append(entries):
                self._drift.apply(record)
                self._log.warning("drift", reason=record.body["reason"])

    def _turn(self, next_beat: float) -> float:
        """One turn of the loop: look, take one file, deliver, beat; sleep when there is nothing to do."""
        worked = self._work_once()
        now = self._clock.monotonic()
        if now >= next_beat:
            self._publisher.heartbeat()
            self._notifier.tell("WATCHDOG=1")
            self._expire_sets()
            self._take_requests()
            self._acknowledgements.report_count()
            self._show_gate()
            if self.watcher is not None:
                self.watcher(self.status())
            next_beat = now + _HEARTBEAT_S
        if self._reload_wanted:
            self._reload_wanted = False
            self._reload()
        if not worked and not self._stopping:
            due = min(next_beat, self._intake.next_deadline())
            self._mailbox.wait(due - self._clock.monotonic())
        return next_beat

    def _work_once(self) -> bool:
        self._drain()
        self._intake.scan_if_due()
        revoked = revocations(self._intake.grown(), self._memory, self._clock.now().timestamp())
        if revoked:
            self._append(revoked)
        file = self._intake.take()
        if file is not None:
            self._process(file)
        more = self._publisher.pump()
        self._publisher.save(self._writer.seq, self._writer.head)
        if self._publisher.delivery.ready and not self._told_ready:
            self._told_ready = True
            self._notifier.tell("READY=1")
        return more or file is not None

    def _drain(self) -> None:
        self._intake.hinted(self._mailbox.hints())
        asked = [one for event in self._mailbox.mqtt_events() if (one := self._publisher.handle(event))]
        if asked:
            self._acknowledgements.take(asked)

    def _process(self, file: FoundFile) -> None:
        """One file, whatever is in it: a measurement, a quarantine, or nothing new."""
        source = bodies.source_of(file)
        key = file_key(file.folder, file.name, source["sha256"], source.get("side_sha256"), file.look)
        if self._memory.known(key):
            self._log.debug("seen-before", name=file.name)
        elif not self._record(file, source):
            return self._intake.defer(file)
        return self._intake.finished(file)

    def _record(self, file: FoundFile, source: Mapping[str, Any]) -> bool:
        """Exactly one outcome on record, whatever fails; what is on record is never quarantined as well.

        False, with nothing on record, where the file is not whole yet.
        """
        try:
            if file.problem is not None:
                raise file.problem
            rules = rules_now(self._rules, self._memory, self._configuration)
            evaluation = evaluate(file.name, file.data, file.side, rules, digest=source["sha256"])
            if undecided(file, [c.check for c in evaluation.analysis.quality if not c.ok]):
                return False
            entries, moments = self._prepared(file, source, evaluation)
        except InputError as error:
            if undecided(file, None):
                return False
            self._quarantine(file, source, error)
        except JournalError:
            raise
        except Exception as error:  # noqa: BLE001 - a mistake of ours in one file must not stop the next
            self._log.error("internal-error", name=file.name, exc_info=True)
            words = f"internal error {type(error).__name__}: {error}"
            self._quarantine(file, source, TraceFormatError(words[:500]))
        else:
            self._tell(file, self._append(entries), moments)
        return True

    def _prepared(
        self, file: FoundFile, source: Mapping[str, Any], evaluation: Evaluation
    ) -> tuple[Entries, tuple[float, ...]]:
        """Archive source and result; the records that go into the journal, and the times so far."""
        evaluated = self._clock.monotonic()
        result = encode(evaluation.result)
        stored = [file.data, result] if file.side is None else [file.data, result, file.side]
        digests = self._archive.put_all(stored)
        archived = self._clock.monotonic()
        now = self._clock.now().timestamp()
        body = bodies.measurement_body(file, source, evaluation, self._configuration, digests[1], now)
        entries: Entries = [("measurement", body)]
        follow = artefact_entries if evaluation.trace.header.artefact is not None else part_entries
        entries += follow(body, self._writer.seq + 1, self._memory, self._configuration, now)
        return entries, (file.taken, file.read, evaluated, archived)

    def _tell(self, file: FoundFile, records: list[Record], before: tuple[float, ...]) -> None:
        """Let the publisher see what is durable, and say where the time went."""
        journalled = self._clock.monotonic()
        self._publisher.pump()
        body = records[0].body
        self._log.info(
            "measured",
            name=file.name,
            seq=records[0].seq,
            disposition=body["disposition"],
            reasons=body["reasons"][:3],
            taken=file.taken,
            stages_ms=stages_ms((*before, journalled, self._clock.monotonic())),
        )
        self._watch_drift(records)

    def _take_requests(self) -> None:
        """Release the parts that somebody asked for, or put on record why not."""
        for path in self._requests.waiting():
            now = self._clock.now().timestamp()
            gate = partial(open_reason, memory=self._memory, configuration=self._configuration, now=now)
            live_s = self._configuration.settings.intake.live_s
            read = partial(self._requests.read, path, now)
            taken = take_up(path.name, read, self._memory, gate, now=now, live_s=live_s)
            records = self._append(taken.entries)
            (self._log.info if taken.refusal is None else self._log.warning)(taken.event, **taken.told)
            self._requests.answer(path, taken.answer(records[-1].seq))

    def _quarantine(self, file: FoundFile, source: Mapping[str, Any], error: InputError) -> None:
        if source["sha256"] is not None and len(file.data):
            self._archive.put(file.data)
        self._append([("quarantine", bodies.quarantine_body(source, error, file.settled_at))])
        self._log.warning("quarantined", name=file.name, reason=str(error)[:300])

    def _expire_sets(self) -> None:
        now = self._clock.now().timestamp()
        timeout = self._configuration.settings.decision.set_timeout_s
        for key in sorted(self._memory.waiting_sets):
            state = self._memory.sets[key]
            due = expires_at(state, timeout)
            if due is not None and now >= due:
                entries = decision_entries(state, self._memory, self._configuration, now)
                if entries:
                    self._append(entries)

    def _append(self, entries: list[tuple[str, Mapping[str, Any]]]) -> list[Record]:
        """Write records, fold them into memory, and tell the publisher how far the journal goes."""
        records = self._writer.append(entries)
        for record in records:
            self._memory.apply(record)
        self._show_gate()
        self._publisher.appended(records, self._memory.decided)
        if self._writer.seq - self._records_at_checkpoint >= _CHECKPOINT_EVERY:
            self._records_at_checkpoint = self._writer.seq
            checkpoint = self._writer.append([("checkpoint", {"published": self._publisher.delivery.position})])
            self._publisher.appended(checkpoint, self._memory.decided)
        return records

    def _show_gate(self) -> None:
        now = self._clock.now().timestamp()
        self._publisher.set_holding(GATE_CLOSED, line_gate_closed(self._memory, self._configuration, now))

    def _on_source_event(self, event: str, details: dict[str, Any]) -> None:
        """A folder was lost or found, a watch rebuilt: on record, and on the lamp while it lasts."""
        self._log.warning(event, **details)
        reason = str(details.get("reason", event))[:500]
        if self._writer.seq:
            self._append([("recovery", {"what": event, "reason": reason, "folder": details["folder"]})])
        if event in FAULTS:
            name, present = FAULTS[event]
            self._publisher.set_fault(f"{name} {details['folder']}", present)

    def _on_mqtt_event(self, event: str, details: dict[str, Any]) -> None:
        good = event in ("mqtt-connected", "ready")
        (self._log.info if good else self._log.warning)(event, **details)
        if event in ("publish-refused", "connection-refused", "foreign-writer"):
            (record,) = self._append([("recovery", {"what": event, "reason": details["reason"]})])
            self._publisher.publish_aside(record)

    def _reload(self) -> None:
        """Swap recipes, layouts and certificates when all of them are right; else keep the old ones."""
        if self._told_ready:
            self._notifier.tell(f"RELOADING=1\nMONOTONIC_USEC={int(self._clock.monotonic() * 1e6)}")
        try:
            fresh = load_configuration(self._configuration.path)
            if fresh.document.data != self._configuration.document.data:
                raise ConfigError(
                    fresh.path.name, "", "changed; a restart is needed for it, the old one stays in force"
                )
        except ConfigError as error:
            self._append([("recovery", {"what": "configuration-rejected", "reason": str(error)[:900]})])
            self._log.error("configuration-rejected", reason=str(error))
        else:
            manifest, body = bodies.configuration_body(fresh)
            self._archive.put_all((*(d.data for d in fresh.documents()), manifest))
            self._append([("configuration", body)])
            self._configuration, self._rules = fresh, Rulebook.of(fresh)
            self._log.info("configuration-reloaded", recipes=len(fresh.recipes))
        if self._told_ready:
            self._notifier.tell("READY=1")

    def _end(self, error: AgentError | None) -> int:
        """Stop in order; with an error nothing more is written, and the lamp shows fault."""
        self._notifier.tell("STOPPING=1")
        self._intake.close()
        if error is None:
            error = self._written_off()
        if error is not None:
            event = "journal-failed" if isinstance(error, JournalError) else "ended-by-mistake"
            self._log.error(event, reason=str(error), exit_code=error.exit_code)
        if not isinstance(error, JournalLockedError):  # then another agent works here, and the lamp is its own
            self._publisher.stop(fault=error is not None, drain=self._drain_for)
        self._writer.close()
        self._log.info("stopped", seq=self._writer.seq)
        return 0 if error is None else error.exit_code

    def _written_off(self) -> JournalError | None:
        """The last record and the delivery position; the disk's failure, if it fails now."""
        try:
            self._finish_delivery()
            self._append([("stop", {"published": self._publisher.delivery.position})])
            self._publisher.save(self._writer.seq, self._writer.head)
        except JournalError as error:
            return error
        return None

    def _finish_delivery(self) -> None:
        """Give what is under way half a second to be acknowledged; the rest waits for the next start."""
        until = self._clock.monotonic() + 0.5
        self._drain()
        while self._publisher.unfinished and self._clock.monotonic() < until:
            self._publisher.pump()
            self._mailbox.wait(0.02)
            self._drain()

    def _drain_for(self, seconds: float) -> None:
        self._mailbox.wait(seconds)
        for event in self._mailbox.mqtt_events():
            self._publisher.handle(event)


def run_service(path: Path, clock: Clock, log: Any, ready: Callable[[Service], None]) -> int:
    """Run the service in the foreground; ``ready`` gets it, for signals. Raises ConfigError at the start."""
    service = Service(load_configuration(path), clock, log)
    ready(service)
    return service.run()
