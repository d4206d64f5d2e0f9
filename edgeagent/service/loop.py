"""The service: one loop from file to lamp.

hint or timer → scan → settled file → read once → a worker analyses it while the source is archived → result
and journal, synced → publish → PUBACK moves the position. The loop never waits for an analysis. Every error is
typed and ends in a journal record; the disk's own failure ends the process with the lamp on fault, and a
restart reads the truth from disk.
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from edgeagent.codec.records.record import Record
from edgeagent.errors import AgentError, ConfigError, JournalError, JournalLockedError
from edgeagent.judging import bodies
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import artefact_entries, decision_entries
from edgeagent.judging.rules_now import rules_now
from edgeagent.judging.whole_file import revocations
from edgeagent.model.records import AnyBody, Checkpoint, ConfigurationRejected, DriftSignal, Measurement, Stop
from edgeagent.model.status import AgentStatus, QueueNow
from edgeagent.rules.disk import Grown
from edgeagent.rules.line import delivery_state as delivery
from edgeagent.rules.line.delivery import initial
from edgeagent.service.broker.client import MqttClient
from edgeagent.service.broker.closing import close_delivery
from edgeagent.service.broker.feed import Feed
from edgeagent.service.broker.line import Line
from edgeagent.service.broker.publisher import Publisher
from edgeagent.service.commands_asked import CommandsAsked
from edgeagent.service.disk_watch import DiskWatch
from edgeagent.service.evidence.notary import Notary, find_signing_key
from edgeagent.service.housekeeping import Housekeeping
from edgeagent.service.incidents import Incidents
from edgeagent.service.intake import Intake
from edgeagent.service.mailbox import Mailbox
from edgeagent.service.opening import check_drift, new_drift_watch, open_journal
from edgeagent.service.sparkplug.beside import SparkplugSide
from edgeagent.service.stages import stages_ms
from edgeagent.service.systemd import Notifier
from edgeagent.service.telling.vitals import Vitals
from edgeagent.service.upkeep import Upkeep
from edgeagent.service.workers.files_at_work import FilesAtWork
from edgeagent.service.workers.recording import Recording, Standing
from edgeagent.service.workers.worker_pool import WorkerPool
from edgeagent.store.archive import Archive
from edgeagent.store.attempts import Attempts
from edgeagent.store.clock import Clock
from edgeagent.store.configuration import StationConfiguration, files_before, load_configuration
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.known_mounts import KnownMounts
from edgeagent.store.machine import this_machine
from edgeagent.store.running.software_build import this_build
from edgeagent.store.state import StateFile, lamp_of, state_of

_CHECKPOINT_EVERY = 1000
"""Records between two notes of the delivery position: so many are sent again where its file is lost."""
_HOUSE_S = 1.0
"""Seconds between two updates of status, metrics, terminal and the service manager's watchdog."""
_SAVE_EVERY_S = 0.25
"""Seconds between two saved delivery positions in a backlog: so much is sent again after a kill."""
_LAST_FILES_S = 3.0
"""At the end the files that are with workers get so long to be recorded; the rest is read at the next start."""
_LAST_PUBACK_S = 0.5
"""At the end messages under way get so long to be acknowledged; the others are sent at the next start."""


class Service:
    """Wires the rooms. ``run`` returns the exit code; ``stop`` and ``reload`` may come from a signal."""

    def __init__(self, configuration: StationConfiguration, clock: Clock, log: Any) -> None:
        mqtt = configuration.settings.mqtt
        if mqtt is None:
            raise ConfigError(configuration.path.name, "mqtt", "this table is required to run the service")
        self._configuration = configuration
        self._rules = Rulebook.of(configuration)
        self._clock, self._log = clock, log
        self._machine = this_machine()
        self._mailbox, self._notifier = Mailbox(), Notifier()
        self._stopping = self._reload_wanted = self._announced_ready = False
        self.watcher: Callable[[AgentStatus], None] | None = None
        self._records_at_checkpoint, self._save_at, self._beat_at = 0, 0.0, float("inf")
        settings, store = configuration.settings, configuration.store
        self._archive = Archive(store / "archive")
        self._house = Housekeeping(clock)
        self._vitals = Vitals(configuration, clock, log)
        self._writer = JournalWriter(
            store / "journal", clock, segment_bytes=int(settings.store.segment_mb * 1e6)
        )
        self._disk = DiskWatch(store, settings.store, clock, self._grown)
        append = lambda new: self._append(new)  # noqa: E731 - looked up when called, as tests replace it
        publisher, workers_ready = lambda: self._publisher, lambda: self._pool.ready()
        self._incidents = Incidents(log, mqtt.url, append, publisher, workers_ready)
        attempts = Attempts(store / "state" / "attempts.json")
        box, heard = self._mailbox, self._incidents.of_source
        base, mounts = configuration.folder, KnownMounts(store / "state" / "mounts.json")
        self._intake = Intake(settings.intake, base, clock, box.hint, heard, box.ring, attempts, mounts)
        self._pool: WorkerPool = WorkerPool(
            clock,
            processes=settings.worker.process_count(len(os.sched_getaffinity(0))),
            memory_mb=settings.worker.memory_limit_mb(settings.intake.file_mb_max),
            limit_s=settings.worker.time_limit_s,
            wake=box.ring,
            report=self._incidents.of_worker,
        )
        self._files = FilesAtWork(self._intake, self._pool, attempts, self._archive, clock, log, box.ring)
        self._recording = Recording(
            self._files,
            self._archive,
            clock,
            log,
            standing=lambda: Standing(self._memory, self._configuration, self._writer.seq),
            append=append,
            tell=lambda *measured: self._tell(*measured),
        )
        self._state_file = StateFile(store / "state" / "publisher.json")
        latches, beat_s = settings.decision.reject_latches, settings.line.heartbeat_s
        self._publisher: Publisher = Publisher(
            partial(MqttClient, mqtt, settings.prefix, configuration.folder, self._mailbox.mqtt),
            clock,
            initial(latches=latches, keep_alive_s=mqtt.keep_alive_s, beat_s=beat_s),
            live_s=settings.intake.live_s,
            report=self._incidents.of_connection,
        )
        self._line = Line(self._publisher, clock, log, lambda: self._disk.now, append, self._what_is_known)
        self._notary = Notary(self._publisher, clock, log, append, box.ring, settings.evidence.every_s)
        self._asked = CommandsAsked(store, clock, log, append, self._what_is_known, self._line)
        self._upkeep = Upkeep(clock, settings.drift, self._incidents.of_index)
        self._sparkplug = SparkplugSide(
            configuration, clock, box.ring, log, lambda: self._publisher.delivery, self._line.take_asked
        )
        # Empty until the journal is folded: what was wired above may ask for it before that.
        self._memory: Memory = Memory({}, None, live_s=0, latches=False)
        self._drift = new_drift_watch(configuration)

    def stop(self) -> None:
        """End the loop after the file at hand; safe in a signal handler."""
        self._stopping = True
        # The loop may be asleep until its next deadline, a second away.
        self._mailbox.ring()

    def reload(self) -> None:
        """Read recipes, layouts and certificates again; safe in a signal handler."""
        # Only a flag: a signal's handler interrupts the loop anywhere, also in the midst of an append.
        self._reload_wanted = True
        self._mailbox.ring()

    def run(self) -> int:
        """Start, work until stopped, stop. Returns the exit code; a failing disk ends it early.

        Raises ConfigError at the start, with the lamp on fault.
        """
        try:
            self._start()
            self._beat_at = self._house_at = self._clock.monotonic()
            while not self._stopping:
                self._turn()
            return self._end(None)
        except JournalError as error:
            return self._end(error)
        except ConfigError as error:
            # Found only with the journal open: a password that cannot be read, an older approval put back.
            self._end(error)
            raise
        except Exception as error:  # noqa: BLE001 - a mistake of ours must not leave the lamp as it was
            self._log.error("internal-error", exc_info=True)
            return self._end(AgentError(f"internal error {type(error).__name__}: {error}"))

    def _start(self) -> None:
        opened = open_journal(self._writer, self._configuration, self._intake.present(), self._state_file.path)
        self._memory, self._drift, recovered = opened.memory, opened.drift, opened.recovered
        opened.past.breathe = self._breathe
        self._upkeep.begin(opened.index, opened.past, opened.values, self._writer.folder, opened.resumed)
        # Behind the journal's lock as well: status file and metrics port belong to the agent that holds it.
        self._vitals.begin()
        self._files.start()  # behind the journal's lock: where another agent works, no worker is started
        self._asked.open(self._configuration.settings.store.requests_group)
        boot = self._memory.boot + 1
        in_force = files_before(self._archive, self._memory, self._configuration)
        manifest, configuration = bodies.configuration_body(self._configuration, self._machine, *in_force)
        # Archived before a record names them: a kill between the two must not make it irreproducible.
        for digest in self._archive.put_all((*(d.data for d in self._configuration.documents()), manifest)):
            self._archive.remember(digest)
        key, endorsement, no_key = find_signing_key(self._configuration, self._memory.known_as, self._log)
        started = bodies.start_body(boot, self._machine, self._configuration, this_build(), key, endorsement)
        # One append, one sync: an interrupted start leaves all of it on record or nothing.
        self._append([started, *recovered, configuration, *no_key])
        # Before delivery begins: the line must not see a measurement whose part's decision is still to come.
        self._complete()
        for (folder, name), seen in self._memory.looks.items():
            self._intake.remember(folder, name, *seen)
        # The folders have them from here on; twice, they would cost memory with every file of ten years.
        self._memory.looks.clear()
        self._log.info("started", boot=boot, seq=self._writer.seq, waiting=self._publisher.delivery.undelivered)
        memory = self._memory
        # Without its file, delivery goes on from the last checkpoint on record: some messages twice, none lost.
        state = opened.state or state_of(memory.checkpoint, memory.lamp)
        self._publisher.feed = Feed(JournalReader(self._writer.folder), self._publisher.compose)
        self._publisher.tell(
            delivery.StartDelivery,
            state.position,
            memory.cursor,
            lamp_of(state),
            frozenset(memory.answered),
            memory.last_disposition,
            boot,
            store=memory.known_as.hash,
            # Random: a copied store counts the same boots, and its two agents must recognise each other.
            run=uuid.uuid4().hex[:16],
        )
        self._sparkplug.start(self._writer.seq, self._publisher.delivery.store)
        self._notary.open(self._configuration, key, memory)
        for body in recovered:
            self._log.warning("journal-recovered", what=body.what, reason=body.reason)

    def _complete(self) -> None:
        """Write what must follow from measurements whose second record is not there.

        Both are written at once, but a full disk or a power cut can leave the first one alone.
        """
        now = self._clock.now().timestamp()
        # Only its outcome moves the gate: a failed verification left without one would leave it open.
        alone = self._memory.unverified
        if alone is not None and isinstance(alone.body, Measurement):
            self._append(artefact_entries(alone.body, self._writer.seq, self._memory, self._configuration, now))
        for state in list(self._memory.sets.values()):
            # Also sets that are whole: their disposition may be the record that the power cut took.
            if state.disposed is None or state.remeasured:
                entries = decision_entries(state, self._memory, self._configuration, now)
                if entries:
                    self._append(entries)
        self._watch_drift()

    def _watch_drift(self, records: Sequence[Record] = ()) -> None:
        """Fold new records, and put on record what began to drift: never before the lamp has it."""
        if self._drift is None:
            return
        for record in records:
            self._drift.apply(record)
        # Asked of the watch, so that a signal that a kill left unrecorded comes up again at the start.
        entries = self._drift.unreported_signals()
        if entries:
            for record in self._append(entries):
                self._drift.apply(record)
                if isinstance(record.body, DriftSignal):
                    self._log.warning("drift", reason=record.body.reason)

    def _turn(self) -> None:
        """One turn of the loop: look, hand out files, record, deliver, beat; sleep when nothing is left."""
        worked = self._work_once()
        now = self._beat_if_due()
        if now >= self._house_at:
            # From the loop: a thread would go on reporting a hung loop as alive to the service manager.
            self._notifier.tell("WATCHDOG=1")
            self._keep_house()
            self._asked.take()
            self._line.beat()
            self._sparkplug.beat()
            self._show_vitals()
            self._house_at = now + _HOUSE_S
        if self._reload_wanted:
            self._reload_wanted = False
            self._reload()
        # Upkeep takes what is left of a turn; only an index far behind, which memory pays for, may delay files.
        if not self._stopping and (not worked or self._upkeep.is_far_behind(self._writer.seq)):
            delivered = self._publisher.delivery.position
            if self._upkeep.turn(self._writer.seq, delivered, self._memory, self._drift) or worked:
                return
            others = self._files.next_deadline(), self._publisher.delivery.next_attempt, self._upkeep.due()
            due = min(self._beat_at, self._house_at, *others)
            self._mailbox.wait(due - self._clock.monotonic())

    def _beat_if_due(self) -> float:
        now = self._clock.monotonic()
        if now >= self._beat_at:
            self._publisher.tell(delivery.Beat)
            # From now, not from when it was due: after a stall no burst of old heartbeats may look like life.
            self._beat_at = now + self._configuration.settings.line.heartbeat_s
        return now

    def _breathe(self) -> None:
        # In the midst of a walk through the journal, which may take a minute once.
        self._notifier.tell("WATCHDOG=1")
        self._beat_if_due()

    def _work_once(self) -> bool:
        # Before anything is decided or shown: an acknowledgement or an announced part may already be waiting.
        self._drain()
        self._intake.scan_if_due()
        # Before the next file: an accept that rests on a piece of a file is withdrawn first.
        revoked = revocations(self._intake.grown(), self._memory, self._clock.now().timestamp())
        if revoked:
            self._append(revoked)
        self._files.collect()
        # Each turn, as a verification that was just recorded changes the uncertainty of what is judged next.
        self._files.use(rules_now(self._rules, self._memory, self._configuration), self._configuration)
        taken = self._files.submit(self._memory)  # before what is done is recorded: workers wait for nobody
        recorded = self._recording.record_ready()
        more = self._publisher.pump()
        self._sparkplug.turn(self._writer.seq)  # behind the plain topics, which nothing may hold up
        # After the pump, so that a position whose PUBACK has just come is saved in the same turn.
        self._save(busy=recorded and bool(self._files))
        self._notary.turn()
        # READY only when the agent's own lamp message came back: until then the line cannot see a reject.
        if self._publisher.delivery.ready and not self._announced_ready:
            self._announced_ready = True
            self._notifier.tell("READY=1")
        return taken or recorded or more

    def _drain(self) -> None:
        self._intake.hinted(self._mailbox.hints())
        events = self._mailbox.mqtt_events()
        messages = [message for event in events if (message := self._publisher.handle(event))]
        self._line.take(messages)
        self._notary.take(messages)

    def _save(self, *, busy: bool) -> None:
        """Note the delivery position; in the midst of a backlog not after each file: it takes two syncs."""
        now = self._clock.monotonic()
        if not busy or now >= self._save_at:
            self._save_at = now + _SAVE_EVERY_S
            self._save_state()

    def _save_state(self) -> None:
        stands = self._publisher.delivery
        state = state_of(stands.position, stands.lamp, end=self._writer.seq, head=self._writer.head)
        self._state_file.save(state)

    def _tell(self, file: FoundFile, records: list[Record], before: tuple[float, ...]) -> None:
        """Let the publisher see what is durable, and say where the time went."""
        journalled = self._clock.monotonic()
        # The lamp first: a log on a slow terminal or a full pipe may block for longer than the line can wait.
        self._publisher.pump()
        body = records[0].body
        assert isinstance(body, Measurement)
        self._log.info(
            "measured",
            name=file.record_name,
            seq=records[0].seq,
            disposition=body.disposition.value,
            reasons=body.reasons[:3],
            taken=file.taken,
            stages_ms=stages_ms((*before, journalled, self._clock.monotonic())),
        )
        self._watch_drift(records)

    def _keep_house(self) -> None:
        for entries in self._house.overdue_sets(self._memory, self._configuration):
            if entries:
                self._append(entries)
        # Before the disk is full, not after: then nothing could be put on record any more.
        for body in self._disk.look():
            self._append([body])
            self._log.warning(body.what, reason=body.reason)

    def _grown(self) -> Grown:
        return self._archive.grown + Grown(self._writer.grown_bytes)

    def _show_vitals(self) -> None:
        queue = QueueNow(self._intake.waiting_count(), len(self._files), len(self._memory.waiting_sets))
        status = self._vitals.show(
            self._memory,
            self._configuration,
            self._publisher.delivery,
            seq=self._writer.seq,
            queue=queue,
            disk=self._disk.now,
        )
        if self.watcher is not None:
            self.watcher(status)

    def _append(self, entries: Sequence[AnyBody]) -> list[Record]:
        """Write records, fold them into memory, and tell the publisher how far the journal goes."""
        records = self._writer.append(entries)
        for record in records:
            self._memory.apply(record)
            self._vitals.tally.apply(record)
        # Before the publisher has the records: a gate that they close must hold the lamp with them.
        self._line.show()
        self._publisher.appended(records, self._memory.decided)
        self._notary.appended(records, self._memory)
        if self._writer.seq - self._records_at_checkpoint >= _CHECKPOINT_EVERY:
            # Set before the append: what it sets off may append again.
            self._records_at_checkpoint = self._writer.seq
            # Past memory, tally and notary: to them a checkpoint is no news, and it is read at a start alone.
            checkpoint = self._writer.append([Checkpoint(published=self._publisher.delivery.position)])
            self._publisher.appended(checkpoint, self._memory.decided)
        return records

    def _what_is_known(self) -> tuple[Memory, StationConfiguration, int, str]:
        """What the line may ask for, and the journal's end."""
        return self._memory, self._configuration, self._writer.seq, self._writer.head

    def _reload(self) -> None:
        """Swap recipes, layouts and certificates when all of them are right; else keep the old ones."""
        if self._announced_ready:
            # The stamp separates this reload's READY from that of an earlier one (sd_notify(3)).
            self._notifier.tell(f"RELOADING=1\nMONOTONIC_USEC={int(self._clock.monotonic() * 1e6)}")
        try:
            fresh = load_configuration(self._configuration.path)
            # Folders, broker and store are opened once: half of a new agent.toml in force would be neither.
            if fresh.document.data != self._configuration.document.data:
                raise ConfigError(
                    fresh.path.name, "", "changed; a restart is needed for it, the old one stays in force"
                )
            check_drift(fresh)
            in_force = files_before(self._archive, self._memory, fresh)
        except ConfigError as error:
            # On record apart: a refused certificate closes the gate, and the journal must say why.
            of_certificate = error.file.startswith("artefacts/") or error.key == "uncertainty.artefact"
            self._append([ConfigurationRejected(reason=str(error)[:900], certificate=of_certificate)])
            self._log.error("configuration-rejected", reason=str(error))
        else:
            manifest, body = bodies.configuration_body(fresh, self._machine, *in_force)
            self._archive.put_all((*(d.data for d in fresh.documents()), manifest))
            # On record before it is in force: the journal must name the rules that a file is judged by.
            self._append([body])
            self._configuration, self._rules = fresh, Rulebook.of(fresh)
            self._log.info("configuration-reloaded", recipes=len(fresh.recipes))
        if self._announced_ready:
            self._notifier.tell("READY=1")

    def _end(self, error: AgentError | None) -> int:
        """Stop in order; with an error nothing more is written, and the lamp shows fault."""
        self._notifier.tell("STOPPING=1")
        # No new files from here on: what is read now could not be recorded any more.
        self._intake.close()
        if error is None:
            error = self._write_stop_record()
        # Behind the stop record, as long analyses end with it; their files are read again at the next start.
        self._files.close()
        self._sparkplug.stop()
        self._notary.close()
        if error is not None:
            events = {JournalError: "journal-failed", ConfigError: "configuration-rejected"}
            event = next((name for kind, name in events.items() if isinstance(error, kind)), "ended-by-mistake")
            self._log.error(event, reason=str(error), exit_code=error.exit_code)
        # Delivery ends last, so that the lamp says fault from the moment at which nobody writes any more.
        if not isinstance(error, JournalLockedError):  # then another agent works here, and the lamp is its own
            close_delivery(self._publisher, self._clock, self._drain_for, fault=error is not None)
            self._vitals.end("it was stopped in order" if error is None else str(error))
        # The lock goes last: an agent that starts now finds nobody who still writes state or lamp.
        self._writer.close()
        self._log.info("stopped", seq=self._writer.seq)
        return 0 if error is None else error.exit_code

    def _write_stop_record(self) -> JournalError | None:
        """Append what the workers have in hand and the stop record, save the state; the error if that fails."""
        try:
            # Files before delivery, and both before the stop record, which notes how far delivery came.
            self._finish_files()
            self._finish_delivery()
            self._notary.hear_last()
            self._append([Stop(published=self._publisher.delivery.position)])
            self._save_state()
            delivered = self._publisher.delivery.position
            # Behind the stop record, so that the snapshot is one of the journal's very end.
            self._upkeep.finish(self._writer.seq, delivered, self._memory, self._drift)
            self._notary.sign_last()
        except JournalError as error:
            return error
        return None

    def _finish_files(self) -> None:
        """Record what the workers have in hand, if they are done with it soon."""
        until = self._clock.monotonic() + _LAST_FILES_S
        self._files.collect()
        while self._files.in_hand() and self._clock.monotonic() < until:
            if not self._recording.record_next():
                # Also until a worker's own deadline: one that hangs is killed, and its attempt has failed.
                self._mailbox.wait(min(until, self._pool.next_deadline()) - self._clock.monotonic())
            self._files.collect()

    def _finish_delivery(self) -> None:
        """Wait for the acknowledgements of what is under way; the rest waits for the next start."""
        until = self._clock.monotonic() + _LAST_PUBACK_S
        self._drain()
        while self._publisher.delivery.unfinished and self._clock.monotonic() < until:
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
