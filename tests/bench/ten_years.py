"""What a start and the questions of a day cost after ten years, against the same store when it was young.

Run: python tests/bench/ten_years.py [files] [young files]
3300000 files are ten years of one cell; they take some 12 GB and half an hour to write.

The journal is synthetic: one file is really measured, its records and archived objects stand for all others,
four traces a part, with a verification each 200 files and an acknowledgement each 400. Targets: start to ready
2 s, records of a serial 0.3 s, a part's report 2.5 s, and nothing that grows with the store.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from latency import RECIPE
from records import body_of

from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import encode_snapshot
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.state import State, write_state

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
YOUNG = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
YEARS = 10
BATCH = 2000


class PastClock:
    """A clock that counts through ten years, one file at a time."""

    def __init__(self, files: int) -> None:
        self.step = timedelta(days=365.25 * YEARS) / files
        self.time = datetime.now(UTC) - self.step * files

    def now(self) -> datetime:
        return self.time

    def monotonic(self) -> float:
        return 0.0


def measure_one(folder: Path, port: int) -> tuple[Measurement, PartDisposition, Agent]:
    """The records of one part that an agent really measured."""
    agent = Agent(folder, port, changes={"intake.settle_s": 0})
    (agent.folder / "recipes" / "KX-2005-R.toml").write_text(RECIPE)
    with agent:
        agent.drop("one.txt", spiral_text(serial="one", points_per_turn=6000))
        agent.wait_event("measured", 1)
    (agent.inbox / "one.txt").unlink()
    walked = [r for r, _ in JournalReader(agent.store / "journal").walk()]
    measurement = next(r.body for r in walked if isinstance(r.body, Measurement))
    disposition = next(r.body for r in walked if isinstance(r.body, PartDisposition))
    return measurement, disposition, agent


def write_years(store: Path, measurement: Measurement, disposition: PartDisposition, files: int) -> float:
    """A journal of so many files, its index and snapshot; seconds that the index took."""
    shutil.rmtree(store / "journal")
    shutil.rmtree(store / "state")
    clock = PastClock(files)
    writer = JournalWriter(store / "journal", clock, segment_bytes=64_000_000)
    writer.open(lambda _r, _p: None)
    memory = Memory({}, None, live_s=60, latches=True, known_before=lambda _key: False)
    replace = msgspec.structs.replace
    for first in range(0, files, BATCH):
        bodies = []
        clock.time += clock.step * BATCH
        for n in range(first, min(first + BATCH, files)):
            name = f"{n:08d}.txt"
            source = replace(measurement.source, name=name, sha256=f"{n:064x}", look=(n, n, n, n))
            trace = replace(measurement.trace, serial=f"{n // 4:07d}", feature=f"flank-{n % 4}")
            bodies.append(replace(measurement, source=source, trace=trace))
            if n % 4 == 3:
                bodies.append(replace(disposition, serial=f"{n // 4:07d}"))
            if n % 200 == 0:
                bodies.append(body_of("verification", {"instrument": measurement.instrument}))
            if n % 400 == 0:
                bodies.append(body_of("acknowledgement", {"seq": writer.seq + 1}))
        for record in writer.append(bodies):
            memory.apply(record)
        memory.forget_files()
    began = time.perf_counter()
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    while keeper.follow(1024):
        pass
    took = time.perf_counter() - began
    keeper.keep(encode_snapshot(memory, None, None))
    keeper.close()
    write_state(store / "state" / "publisher.json", State(writer.seq, end=writer.seq, head=writer.head))
    writer.close()
    return took


def asked(*words: str) -> tuple[float, float]:
    """Seconds and peak memory in MB of one command."""
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-m", "edgeagent", *words], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    assert status == 0, words
    return time.perf_counter() - began, usage.ru_maxrss / 1024


def questions(agent: Agent, files: int) -> list[tuple[str, float, float]]:
    """Rows of question, seconds, MB."""
    store, rows = agent.store, []
    began = time.perf_counter()
    agent.start()
    rows.append(("start to ready", time.perf_counter() - began, resident_mb(agent.pid)))
    agent.terminate()
    serial = f"{files // 8:07d}"
    out = str(agent.folder / "page.html")
    day = (datetime.now(UTC) - timedelta(days=365)).strftime("%Y-%m-%dT%H:%M:%S")
    next_day = (datetime.now(UTC) - timedelta(days=364)).strftime("%Y-%m-%dT%H:%M:%S")
    rows.append(("help alone (imports)", *asked("--help")))
    rows.append(("journal show --serial", *asked("journal", "show", str(store), "--serial", serial)))
    rows.append(
        ("journal show of one day", *asked("journal", "show", str(store), "--since", day, "--until", next_day))
    )
    rows.append(("report of a part", *asked("report", "--store", str(store), "--serial", serial, "--out", out)))
    return rows


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="ten-years-"))
    columns, sizes = {}, []
    try:
        with Broker(base / "broker") as broker:
            for files in (YOUNG, FILES):
                found = measure_one(base / f"agent-{files}", broker.port)
                took = write_years(found[2].store, found[0], found[1], files)
                columns[files] = questions(found[2], files)
                size = sum(p.stat().st_size for p in (found[2].store / "journal").iterdir())
                index = path_of(found[2].store).stat().st_size
                sizes.append((files, size / 1e6, index / 1e6, took, files / took))
    finally:
        shutil.rmtree(base)
    rows = [
        (what, *(figure for files in columns for figure in columns[files][k][1:]))
        for k, (what, _, _) in enumerate(columns[FILES])
    ]
    heads = ("", *(f"{unit}, {files} files" for files in columns for unit in ("s", "MB")))
    print_table("questions to a young store and to an old one", heads, rows)
    print_table("what is on the disk", ("files", "journal MB", "index MB", "index s", "files/s"), sizes)
    print(f"  peak of this run {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
