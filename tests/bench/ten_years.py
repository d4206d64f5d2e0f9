"""What a start and the questions of a day cost after ten years, against the same store when it was young.

Run: python tests/bench/ten_years.py [files ...]
3300000 files are ten years of one cell; they take some 15 GB and an hour to write. Several numbers give a table
of growth with fitted exponents.

The journal is synthetic: one file is really measured, its records stand for all others, with values out of a
pool of 200 archived results; four traces a part, one verification in 200 files, one acknowledgement in 400. Of
100 parts two are rejected and one is held for good. Targets at 3,300,000 files: start to ready 2 s, records of
a serial 0.3 s, a part's report 2.5 s, a day's 5 s, a year's 30 s with 300 MB, the trend of a year 10 s, verify
at half the speed of sha256sum, and nothing that grows with the store. The machine may be shared: beside each
time stands the processor's.
"""

import functools
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from latency import RECIPE
from records import body_of

from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import encode_snapshot
from edgeagent.model import Disposition
from edgeagent.model.reasons import recorded_reason
from edgeagent.model.records import AnyBody, Measurement, PartDisposition
from edgeagent.store.archive import Archive
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.state import State, write_state
from edgeagent.store.values.follow import ValueKeeper
from edgeagent.store.values.table import ValueWriter
from edgeagent.store.values.table import path_of as values_of

SIZES = [int(a) for a in sys.argv[1:]] or [10_000, 100_000]
YEARS = 10
POOL = 200
REFUSED = {0: Disposition.REJECT, 1: Disposition.REJECT, 2: Disposition.HOLD}
"""Dispositions of the first parts of each hundred; the others are as the measured one."""


class PastClock:
    """A clock that counts through ten years, one file at a time."""

    def __init__(self, files: int) -> None:
        self.step = timedelta(days=365.25 * YEARS) / files
        self.time = datetime.now(UTC) - self.step * files

    def now(self) -> datetime:
        return self.time

    def monotonic(self) -> float:
        return 0.0


@dataclass(frozen=True)
class Measured:
    """The records of one part that an agent really measured, and the pool of results made from its result."""

    agent: Agent
    measurement: Measurement
    disposition: PartDisposition
    results: Sequence[str]


def measure_one(folder: Path, port: int) -> Measured:
    """Measure one part and make the pool."""
    agent = Agent(folder, port, changes={"intake.settle_s": 0})
    (agent.folder / "recipes" / "KX-2005-R.toml").write_text(RECIPE)
    with agent:
        agent.drop("one.txt", spiral_text(serial="one", points_per_turn=6000))
        agent.wait_event("measured", 1)
    (agent.inbox / "one.txt").unlink()
    walked = [r for r, _ in JournalReader(agent.store / "journal").walk()]
    measurement = next(r.body for r in walked if isinstance(r.body, Measurement))
    disposition = next(r.body for r in walked if isinstance(r.body, PartDisposition))
    archive, draw = Archive(agent.store / "archive"), random.Random(1)
    result = json.loads(archive.get(measurement.result_sha256))
    pool = []
    for _ in range(POOL):
        for c in result["characteristics"]:
            c["value"] = None if c["value"] is None else c["value"] * draw.gauss(1.0, 0.01)
        pool.append(archive.put(json.dumps(result).encode()))
    return Measured(agent, measurement, disposition, pool)


def bodies_of(found: Measured, n: int, at: datetime, seq: int) -> Iterator[AnyBody]:
    """The records of file ``n``; ``seq`` is the last record before them."""
    replace, m, serial = msgspec.structs.replace, found.measurement, f"{n // 4:07d}"
    source = replace(m.source, name=f"{n:08d}.txt", sha256=f"{n:064x}", look=(n, n, n, n))
    trace = replace(m.trace, serial=serial, feature=f"flank-{n % 4}", measured_at=at.isoformat())
    result = found.results[n * 7919 % POOL]
    yield replace(m, source=source, trace=trace, result_sha256=result)
    if n % 4 == 3:
        decided = replace(found.disposition, serial=serial)
        refused = REFUSED.get(n // 4 % 100)
        if refused is not None:
            codes = (recorded_reason("an invented reason"),)
            decided = replace(decided, disposition=refused, reasons=("an invented reason",), reason_codes=codes)
        yield decided
    if n % 200 == 0:
        yield body_of("verification", {"instrument": m.instrument})
    if n % 400 == 0:
        yield body_of("acknowledgement", {"seq": seq})


def write_years(found: Measured, files: int) -> dict[str, float]:
    """A journal of so many files with index, snapshot and table of values; seconds that these took."""
    store = found.agent.store
    shutil.rmtree(store / "journal")
    shutil.rmtree(store / "state")
    shutil.rmtree(store / "evidence")
    clock = PastClock(files)
    writer = JournalWriter(store / "journal", clock, segment_bytes=64_000_000)
    writer.open(lambda _r, _p: None)
    memory = Memory({}, None, live_s=60, latches=True, known_before=lambda _key: False)
    batch = -(-files // (366 * YEARS * 2))  # written at once: those of half a day, with one time
    for first in range(0, files, batch):
        begun, bodies = clock.time, list[AnyBody]()
        last = min(first + batch, files)
        for n in range(first, last):
            bodies += bodies_of(found, n, begun + clock.step * (n - first), writer.seq + 1)
        clock.time += clock.step * (last - first)
        for record in writer.append(bodies):
            memory.apply(record)
        memory.forget_files()
    took = {}
    began = time.process_time()
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    while keeper.follow(1024):
        pass
    took["index"] = time.process_time() - began
    # The pool's contents are read once: each file's own is what a rebuilding costs more
    fetch = functools.cache(Archive(store / "archive").get)
    began = time.process_time()
    values = ValueKeeper(ValueWriter.create(values_of(store)), store / "journal", fetch)
    while values.seq < writer.seq:
        values.follow(writer.seq, 10.0)
        values.commit()
    took["values"] = time.process_time() - began
    values.close()
    keeper.keep(encode_snapshot(memory, None, None))
    keeper.close()
    write_state(store / "state" / "publisher.json", State(writer.seq, end=writer.seq, head=writer.head))
    writer.close()
    return took


def asked(*words: str, command: Sequence[str] = ()) -> tuple[float, float, float]:
    """Seconds, seconds of the processor and peak memory in MB of one command."""
    began = time.perf_counter()
    whole = [*(command or (sys.executable, "-m", "edgeagent")), *words]
    process = subprocess.Popen(whole, stdout=subprocess.DEVNULL)
    ended, peak_kb = 0, 0
    while not ended:
        # The system's own peak would be that of this process, from which the other was forked
        status_lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
        peak_kb = max([peak_kb, *(int(line.split()[1]) for line in status_lines if line.startswith("VmHWM"))])
        time.sleep(0.005)
        ended, status, usage = os.wait4(process.pid, os.WNOHANG)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime, peak_kb / 1024


def questions(found: Measured, files: int) -> Iterator[tuple[str, float, float, float]]:
    """Rows of question, seconds, seconds of the processor, MB."""
    agent, store = found.agent, str(found.agent.store)
    began = time.perf_counter()
    agent.start()
    ready = time.perf_counter() - began
    spent = sum(int(t) for t in Path(f"/proc/{agent.pid}/stat").read_text().rsplit(")")[1].split()[11:13])
    yield "start to ready", ready, spent / os.sysconf("SC_CLK_TCK"), resident_mb(agent.pid)
    agent.terminate()
    serial, out = f"{files // 8:07d}", str(agent.folder / "page.html")
    part = found.disposition.part

    def day(back: int) -> str:
        return (datetime.now(UTC) - timedelta(days=back)).strftime("%Y-%m-%dT%H:%M:%S")

    report: Callable[..., tuple[float, float, float]] = functools.partial(asked, "report", "--store", store)
    yield "help alone (imports)", *asked("--help")
    yield "journal show --serial", *asked("journal", "show", store, "--serial", serial)
    between = ("--since", day(365), "--until", day(364))
    yield "journal show of one day", *asked("journal", "show", store, *between)
    yield "report of a part", *report("--serial", serial, "--out", out)
    yield "report of a day, no pages of parts", *report(*between, "--part-pages", "0", "--out", out)
    yield "report of a day, 60 pages of parts", *report(*between, "--out", out)
    year = ("--since", day(366), "--until", day(1))
    yield "report of a year, no pages of parts", *report(*year, "--part-pages", "0", "--out", out)
    trend = ("trend", "--store", store, "--since", day(365))
    name = ("--characteristic", "roundness_total", "--part", part)
    yield "trend of a year, one characteristic", *asked(*trend, *name)
    yield "trend of a year, all series", *asked(*trend)
    yield "journal verify", *asked("journal", "verify", store)
    segments = [str(p) for p in sorted((found.agent.store / "journal").glob("*.jsonl"))]
    yield "sha256sum of the journal", *asked(*segments, command=("sha256sum",))


def exponent(sizes: Sequence[int], figures: Sequence[float]) -> str:
    """The fitted power of the size by which a figure grows."""
    if len(sizes) < 2:
        return ""
    return f"{float(np.polyfit(np.log(sizes), np.log(np.maximum(figures, 1e-3)), 1)[0]):.2f}"


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="ten-years-"))
    columns: dict[int, list[tuple[str, float, float, float]]] = {}
    sizes = []
    try:
        with Broker(base / "broker") as broker:
            for files in SIZES:
                found = measure_one(base / f"agent-{files}", broker.port)
                store, began = found.agent.store, time.process_time()
                took = write_years(found, files)
                written = time.process_time() - began - sum(took.values())
                journal = sum(p.stat().st_size for p in (store / "journal").iterdir()) / 1e6
                kept = [p.stat().st_size / 1e6 for p in (path_of(store), values_of(store))]
                sizes.append((files, journal, *kept, written, took["index"], took["values"]))
                for row in questions(found, files):
                    columns.setdefault(files, []).append(row)
                    print(files, *row, flush=True)
                shutil.rmtree(found.agent.folder)
    finally:
        shutil.rmtree(base)
    heads = [
        "",
        *(f"{unit}, {files}" for files in SIZES for unit in ("s", "CPU s", "MB")),
        "power of CPU",
        "of MB",
    ]
    rows = []
    for k, (what, *_) in enumerate(columns[SIZES[-1]]):
        figures = [columns[files][k][1:] for files in SIZES]
        powers = (exponent(SIZES, [f[i] for f in figures]) for i in (1, 2))
        rows.append((what, *(f for three in figures for f in three), *powers))
    print_table("questions to a store, the younger first", heads, rows)
    heads = ["files", "journal MB", "index MB", "values MB", "journal CPU s", "index CPU s", "values CPU s"]
    print_table("what is on the disk, and what it took", heads, sizes)
    print(f"  peak of this run {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
