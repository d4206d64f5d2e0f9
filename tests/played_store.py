"""A station's store made in this process: files evaluated, archived and put on record as the service does it.

No broker, no service, no inbox: for replays, what-ifs and benches that need a store, not a running agent. The
configuration is the example one without its gate; parts are invented.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from field import ROOT, with_changes

from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.judging import bodies
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import artefact_entries, part_entries
from edgeagent.judging.rules_now import rules_now
from edgeagent.model.records import AnyBody, Source
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import StationConfiguration, files_in_force, load_configuration
from edgeagent.store.journal import JournalWriter
from edgeagent.store.machine import this_machine

BEGIN = datetime(2026, 11, 25, 10, tzinfo=UTC)
"""A little later than `field.spiral_text` says by default that it was measured."""


class PlayedStation:
    """A station in ``folder``; ``changes`` as for `field.Agent`. Each file takes ``step`` of the clock."""

    def __init__(
        self, folder: Path, changes: Mapping[str, Any] | None = None, *, step: timedelta = timedelta(minutes=5)
    ) -> None:
        self.folder, self.config = folder, folder / "agent.toml"
        shutil.copytree(ROOT / "config", folder)
        with_changes(self.config, {"verification": None, **(changes or {})})
        self.store = folder / "store"
        self._time, self._step = BEGIN, step
        self._archive = Archive(self.store / "archive")
        self._writer = JournalWriter(self.store / "journal", self, segment_bytes=64_000_000)
        self.memory = Memory({}, None, live_s=60.0, latches=True)
        self._writer.open(self.memory.visit)
        self.configure()

    def now(self) -> datetime:
        """The clock's time."""
        return self._time

    def monotonic(self) -> float:
        """The same in seconds."""
        return self._time.timestamp()

    def configure(self) -> StationConfiguration:
        """Read the configuration folder and put it on record."""
        found = self.configuration = load_configuration(self.config)
        self._rules = Rulebook.of(found)
        machine = this_machine()
        in_force = files_in_force(self._archive, self.memory.manifest)
        manifest, body = bodies.configuration_body(found, machine, *in_force)
        self._archive.put_all((manifest, *(d.data for d in found.documents())))
        self._append([bodies.start_body(1, machine, found), body])
        return found

    def measure(self, name: str, text: str) -> list[Record]:
        """Evaluate one file and record what follows from it."""
        self._time += self._step
        data, at = text.encode(), self._time.timestamp()
        rules = rules_now(self._rules, self.memory, self.configuration)
        found = evaluate(name, data, None, rules)
        result = encode(found.result)
        self._archive.put_all((data, result))
        source = Source(
            name=name, folder="inbox", sha256=digest_of(data), bytes=len(data), look=(len(data), 0, 0, 0)
        )
        body = bodies.measurement_body(at, source, found, self.configuration, digest_of(result), at)
        follow = part_entries if body.trace.of_artefact is None else artefact_entries
        return self._append([body, *follow(body, self._writer.seq + 1, self.memory, self.configuration, at)])

    def extend(self, batches: Iterable[list[AnyBody]]) -> None:
        """Write records that stand for more parts, without folding them: the station ends with that."""
        writer = JournalWriter(self.store / "journal", self, segment_bytes=64_000_000)
        writer.open(lambda _record, _place: None)
        for batch in batches:
            self._time += self._step
            writer.append(batch)
        writer.close()

    def _append(self, entries: list[AnyBody]) -> list[Record]:
        written = self._writer.append(entries)
        for record in written:
            self.memory.apply(record)
        return written

    def close(self) -> None:
        """Give the journal's lock back."""
        self._writer.close()

    def __enter__(self) -> PlayedStation:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def files_of(store: Path) -> Iterator[Path]:
    """Every object of a store's archive."""
    yield from (path for _, path in Archive(store / "archive").objects())
