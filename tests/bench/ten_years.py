"""What a start and the questions of a day cost after ten years, against the same store when it was young.

Run: python tests/bench/ten_years.py [files ...]
3300000 files are ten years of one cell; they take some 15 GB and twenty minutes of a core. Several numbers give
a table of growth with fitted exponents.

The journal is synthetic: one file is really measured, its records stand for all others, with values out of a
pool of 200 archived results; four traces a part, one verification in 200 files, one acknowledgement in 400. Of
100 parts two are rejected and one is held for good. Targets at 3,300,000 files: start to ready 2 s, records of
a serial 0.3 s, a part's report 2.5 s, a day's 5 s, a year's 30 s with 300 MB, the trend of a year 10 s, verify
at half the speed of sha256sum, and nothing that grows with the store. The machine may be shared: beside each
time stands the processor's.
"""

import functools
import hashlib
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
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from latency import RECIPE
from records import body_of

from edgeagent.codec.records.record import GENESIS, Record, decode_record, encode_body, utc_text
from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import encode_snapshot
from edgeagent.model import Disposition
from edgeagent.model.reasons import recorded_reason
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.store.archive import Archive
from edgeagent.store.index.cache_file import open_for_writing
from edgeagent.store.index.index import Index, IndexWriter, path_of, records_at
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader
from edgeagent.store.state import State, write_state
from edgeagent.store.values import follow
from edgeagent.store.values.follow import ValueKeeper
from edgeagent.store.values.rows import ValueRow, microseconds, recorded_us, row_of
from edgeagent.store.values.table import FORMAT, SCHEMA, ValueWriter
from edgeagent.store.values.table import path_of as values_of

SIZES = [int(a) for a in sys.argv[1:]] or [10_000, 100_000]
YEARS = 10
POOL = 200
LAST_RECORDS = 5000
"""Those that the snapshot is folded from: more than it keeps parts."""
SEGMENT_BYTES = 64_000_000
REFUSED = {0: "reject", 1: "reject", 2: "hold"}
"""Dispositions of the first parts of each hundred; the others are as the measured one."""


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


_TOKENS = {
    "name": "~name~", "sha256": "~sha256~", "result_sha256": "~result~", "serial": "~serial~",
    "feature": "~feature~", "measured_at": "2001-01-01T00:00:00+00:00", "look": 1234567890123,
}  # fmt: skip


def patterns_of(found: Measured) -> dict[str, bytes]:
    """The JSON of each sort of record, with tokens for what differs from file to file."""
    replace, m, t = msgspec.structs.replace, found.measurement, _TOKENS
    source = replace(m.source, name=t["name"], sha256=t["sha256"], look=(t["look"],) * 4)
    trace = replace(m.trace, serial=t["serial"], feature=t["feature"], measured_at=t["measured_at"])
    accepted = replace(found.disposition, serial=t["serial"])
    codes, why = (recorded_reason("an invented reason"),), ("an invented reason",)
    refused = replace(accepted, disposition=Disposition.REJECT, reasons=why, reason_codes=codes)
    bodies = {
        "measurement": replace(m, source=source, trace=trace, result_sha256=t["result_sha256"]),
        "accept": accepted,
        "reject": refused,
        "hold": replace(refused, disposition=Disposition.HOLD),
        "verification": body_of("verification", {"instrument": m.instrument}),
        "acknowledgement": body_of("acknowledgement", {"seq": t["look"]}),
    }
    return {name: encode_body(body) for name, body in bodies.items()}


def bodies_of(
    found: Measured, patterns: dict[str, bytes], n: int, at: bytes, seq: int
) -> Iterator[tuple[str, bytes]]:
    """Kind and JSON of the records of file ``n``, measured at ``at``; ``seq`` is the record before them."""
    tokens = {name: str(token).encode() for name, token in _TOKENS.items()}
    serial, number = f"{n // 4:07d}".encode(), str(n).encode()
    said = patterns["measurement"].replace(tokens["name"], f"{n:08d}.txt".encode())
    said = said.replace(tokens["sha256"], f"{n:064x}".encode()).replace(tokens["look"], number)
    said = said.replace(tokens["result_sha256"], found.results[n * 7919 % POOL].encode())
    said = said.replace(tokens["feature"], f"flank-{n % 4}".encode()).replace(tokens["measured_at"], at)
    yield "measurement", said.replace(tokens["serial"], serial)
    if n % 4 == 3:
        decided = REFUSED.get(n // 4 % 100, "accept")
        yield "disposition", patterns[decided].replace(tokens["serial"], serial)
    if n % 200 == 0:
        yield "verification", patterns["verification"]
    if n % 400 == 0:
        yield "acknowledgement", patterns["acknowledgement"].replace(tokens["look"], str(seq).encode())


def write_journal(found: Measured, files: int) -> tuple[int, str]:
    """The journal of so many files; its last record and its hash.

    Written by the definition of FORMAT.md, as the agent's own writer needs ten times as long.
    """
    folder, patterns = found.agent.store / "journal", patterns_of(found)
    step = timedelta(days=365.25 * YEARS) / files
    begun = datetime.now(UTC) - step * files
    seq, head, size, segment = 0, GENESIS, 0, None
    for n in range(files):
        at = begun + step * n
        for kind, body in bodies_of(found, patterns, n, at.isoformat(timespec="seconds").encode(), seq):
            seq += 1
            line = b'{"seq":%d,"time":"%s","kind":"%s","prev":"%s","body":%s' % (
                seq, utc_text(at).encode(), kind.encode(), head.encode(), body,
            )  # fmt: skip
            head = hashlib.sha256(line).hexdigest()
            if segment is None or size > SEGMENT_BYTES:
                if segment is not None:
                    segment.close()
                segment, size = (folder / f"{seq:012d}.jsonl").open("wb", buffering=1 << 20), 0
            size += segment.write(line + b',"hash":"%s"}\n' % head.encode())
    assert segment is not None
    segment.close()
    return seq, head


POOLED: dict[tuple[str, str], ValueRow] = {}


def pooled_row(record: Record, body: Measurement, fetch: Callable[[str], bytes]) -> ValueRow:
    """The row of a file, made from the one of the first file with its result."""
    key = body.result_sha256, body.trace.feature
    if key not in POOLED:
        POOLED[key] = row_of(record, body, fetch)
    at = recorded_us(record)
    text = body.trace.measured_at
    measured = microseconds(datetime.fromisoformat(text))
    serial = str(body.trace.serial)
    return replace(
        POOLED[key], seq=record.seq, recorded_us=at, measured_us=measured, measured_at=text, serial=serial
    )


def write_years(found: Measured, files: int) -> dict[str, float]:
    """A journal of so many files with index, snapshot and table of values; seconds that these took."""
    store = found.agent.store
    for folder in ("journal", "state", "evidence"):
        shutil.rmtree(store / folder)
        (store / folder).mkdir()
    began = time.process_time()
    seq, head = write_journal(found, files)
    took = {"journal": time.process_time() - began}
    began = time.process_time()
    writer = IndexWriter.create(path_of(store))
    writer.begin_bulk()
    keeper = IndexKeeper(writer, store / "journal")
    while keeper.follow(1024):
        pass
    writer.end_bulk()
    took["index"] = time.process_time() - began
    own = ValueKeeper(ValueWriter.create(values_of(store)), store / "journal", Archive(store / "archive").get)
    while own.seq < 5000:
        own.follow(5000, 10.0)
        own.commit()
    own.close()
    values_of(store).unlink()
    took["values of 5000"] = time.process_time() - began
    began = time.process_time()
    # Rows of the pool are made once: those of a real store take as long as the first 5000
    follow.row_of = pooled_row  # type: ignore[attr-defined]
    fetch = Archive(store / "archive").get
    began = time.process_time()
    table = open_for_writing(values_of(store), SCHEMA, FORMAT)
    table.execute("pragma synchronous = off")  # a disk that others use too would be what is measured
    table.execute("pragma cache_size = -64000")
    values = ValueKeeper(ValueWriter(table), store / "journal", fetch)
    while values.seq < seq:
        values.follow(seq, 10.0)
        values.commit()
    took["values"] = time.process_time() - began
    values.close()
    memory = Memory({}, None, live_s=60, latches=True, known_before=lambda _key: False)
    index = Index.open(path_of(store))
    assert index is not None
    for line in records_at(store / "journal", index.between(seq - LAST_RECORDS, seq)):
        memory.apply(decode_record(line))
    memory.forget_files()
    keeper.keep(encode_snapshot(memory, None, None))
    keeper.close()
    write_state(store / "state" / "publisher.json", State(seq, end=seq, head=head))
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
    yield "report of a day, 5 pages of parts", *report(*between, "--out", out)
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
                store, took = found.agent.store, write_years(found, files)
                journal = sum(p.stat().st_size for p in (store / "journal").iterdir()) / 1e6
                kept = [p.stat().st_size / 1e6 for p in (path_of(store), values_of(store))]
                sizes.append((files, journal, *kept, *took.values()))
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
    heads = [
        "files",
        "journal MB",
        "index MB",
        "values MB",
        "journal CPU s",
        "index CPU s",
        "CPU s of 5000 records' values",
        "of all by pool",
    ]
    print_table("what is on the disk, and what it took", heads, sizes)
    print(f"  peak of this run {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
