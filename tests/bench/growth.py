"""How cost grows: points, grooves and records against time, with the fitted power of each table.

    OMP_NUM_THREADS=1 python tests/bench/growth.py [points] [grooves] [records]

Processor time of this process, so that others on the machine do not count; least of some calls. A power of 1
is in proportion, at most 1.1 is wanted; it is fitted over the upper half of a table, where what every call
costs anyway does not hide it. ``off`` is how far a line lies from a constant plus a share of the size. Invented
parts.
A file may hold 2,000,000 points; beyond that the analysis is called with an array of its own.
"""

from __future__ import annotations

import datetime
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from figures import print_table

sys.path.insert(0, str(Path(__file__).parents[1]))
from evaluate_speed import analysis
from records import body_of

from edgeagent.analysis.kinds import Request, axial, travel
from edgeagent.demo.thread_surface import Cut, Part, section, with_noise
from edgeagent.judging.memory import Memory
from edgeagent.model import Thread, Trace, TraceHeader
from edgeagent.store.archive import Archive
from edgeagent.store.clock import SystemClock
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.values.follow import begin_values
from edgeagent.store.verify import verify_journal

PART = Part()
THREAD = Thread(
    member="shaft",
    hand="right",
    starts=1,
    lead_mm=5.0,
    ball_diameter_mm=3.175,
    ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0,
    track_conformity=0.53,
)
POINTS = (1_000, 3_000, 10_000, 30_000, 100_000, 300_000, 1_000_000, 3_000_000)
GROOVES = (3, 10, 30, 100, 200, 400)
RECORDS = (1_000, 10_000, 100_000, 1_000_000)


def header(kind: str) -> TraceHeader:
    at = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    return TraceHeader(
        kind=kind, feature="x", measured_at=at, part="DEMO", serial="1", tip_radius_mm=0.02, lead_mm=5.0
    )


def best_ms(call: Callable[[], object]) -> float:
    """Least processor time of up to five calls, ms; long ones are called once or twice."""
    spent: list[float] = []
    while len(spent) < 5 and sum(spent) < 5.0:
        began = time.process_time()
        call()
        spent.append(time.process_time() - began)
    return 1e3 * min(spent)


def spiral_ms(points: int) -> float:
    """Three turns, with as many orders as so few points carry."""
    return best_ms(analysis(points / 3, 3.0, 0.0, max(min(points // 30, 500), 10)))


def axial_ms(grooves: float, points_a_side: int) -> float:
    end = 5.0 * grooves - 2.4
    cut = Cut(x_start_mm=-2.4, x_end_mm=end, spacing_mm=(end + 2.4) / points_a_side, tip_radius_mm=0.02)
    trace = Trace(header("axial"), with_noise(section(PART, cut, nodes=300), 20.0, 1).columns())
    return best_ms(lambda: axial.analyse(trace, Request(THREAD, axial.Options())))


def travel_ms(points: int) -> float:
    at = np.linspace(0.0, 900.0, points)
    noise = np.random.default_rng(1).normal(0.0, 0.2, points)
    trace = Trace(header("travel"), {"travel_mm": at, "deviation_um": 3.0 * np.sin(at / 100.0) + noise})
    return best_ms(lambda: travel.analyse(trace, Request(None, travel.TravelOptions())))


def exponent_of(sizes: Sequence[int], took: Sequence[float]) -> float:
    """The fitted power of the size over the upper half."""
    upper = len(sizes) // 2 - 1
    return float(np.polyfit(np.log(sizes[upper:]), np.log(took[upper:]), 1)[0])


def table(title: str, what: str, sizes: Sequence[int], took: Sequence[float]) -> None:
    """Times with a fit of a constant and a share of the size."""
    design = np.column_stack([np.ones(len(sizes)), sizes])
    weight = 1.0 / np.array(took)
    trend = design @ np.linalg.lstsq(design * weight[:, None], np.array(took) * weight, rcond=None)[0]
    off = [max(t / f, f / t) for t, f in zip(took, trend.tolist(), strict=True)]
    rows = [[s, t, f"{o:.2f}"] for s, t, o in zip(sizes, took, off, strict=True)]
    title = f"{title}: power {exponent_of(sizes, took):.2f}, worst {max(off):.2f} times off the line"
    print_table(title, (what, "ms", "off"), rows)
    sys.stdout.flush()


def measured(n: int):
    source = {"name": f"{n}.txt", "sha256": f"{n:064x}", "look": [n, 2, 3, 4]}
    trace = {"part": "P", "serial": f"{n // 4}", "feature": f"{n % 4}"}
    return body_of(
        "measurement", {"source": source, "trace": trace, "characteristics": [{"value": 1.0 + n % 7}]}
    )


def records_ms(store: Path, count: int) -> dict[str, float]:
    """What is done with all records of a journal: each thing once, in ms."""
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=64_000_000)
    writer.open(lambda _r, _p: None)
    spent: dict[str, float] = {}
    began = time.process_time()
    for first in range(0, count, 1000):
        bodies = [measured(n) for n in range(first, min(first + 1000, count))]
        made = time.process_time()
        writer.append(bodies)
        spent["append"] = spent.get("append", 0.0) + time.process_time() - made
    writer.close()

    def timed(name: str, call: Callable[[], object]) -> None:
        nonlocal began
        began = time.process_time()
        call()
        spent[name] = time.process_time() - began

    def fold() -> None:
        memory = Memory({}, None, live_s=60, latches=True)
        for record, place in JournalReader(store / "journal").walk():
            memory.visit(record, place)

    def index() -> None:
        made = IndexWriter.create(path_of(store))
        made.begin_bulk()
        keeper = IndexKeeper(made, store / "journal")
        while keeper.follow(1024):
            pass
        made.end_bulk()
        keeper.close()

    def values() -> None:
        keeper = begin_values(store, Archive(store / "archive").get)
        assert keeper is not None
        while keeper.seq < count:
            keeper.follow(count, 10.0)
            keeper.commit()
        keeper.close()

    timed("verify", lambda: verify_journal(store / "journal"))
    timed("fold", fold)
    timed("index", index)
    timed("values, results gone", values)
    return {name: 1e3 * seconds for name, seconds in spent.items()}


def main() -> None:
    asked = sys.argv[1:] or ["points", "grooves", "records"]
    if "points" in asked:
        table("spiral, 3 turns", "points", POINTS, [spiral_ms(n) for n in POINTS])
        some = (3_000, 10_000, 30_000, 99_991, 100_000, 300_000, 1_000_000)
        table("axial, 10 grooves a side, points a side", "points", some, [axial_ms(10, n) for n in some])
        longer = POINTS[1:]  # with fewer there is no variation in a turn
        table("travel", "points", longer, [travel_ms(n) for n in longer])
    if "grooves" in asked:
        title = "axial, 2,500 points a groove"
        table(title, "grooves", GROOVES, [axial_ms(g, 2500 * g) for g in GROOVES])
    if "records" in asked:
        base = Path(tempfile.mkdtemp(prefix="growth-"))
        try:
            found = {}
            for count in RECORDS:
                found[count] = records_ms(base / str(count), count)
                shutil.rmtree(base / str(count))
            for name in found[RECORDS[0]]:
                table(f"{name}", "records", RECORDS, [found[count][name] for count in RECORDS])
        finally:
            shutil.rmtree(base)


if __name__ == "__main__":
    main()
