"""What evaluating a spiral trace costs: by length, order and jitter, against the arithmetic it cannot do
without.

    OMP_NUM_THREADS=1 python tests/bench/evaluate_speed.py

First table: every shape of a trace as a ratio to the first one. Second: evaluation against reading the file,
one real FFT and one pass of sine and cosine, without a recipe and with one whose thread asks for the
corrections of a real surface. Third: where evaluation spends its time, stage by stage, each without the stages
inside it. Times are processor time, the least of calls that take turns, so that a machine that others use tells
nearly the same. `growth.py` shows how it grows with the number of points.
"""

from __future__ import annotations

import contextlib
import importlib
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from figures import print_table

sys.path.insert(0, str(Path(__file__).parents[1]))
from eccentric_part import EccentricTrack, waves

from edgeagent.analysis.kinds import Request, spiral
from edgeagent.codec.traces.reader import read_trace
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model import Thread, Trace, TraceHeader
from edgeagent.store.configuration import load_configuration

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
SURFACE = waves({2: (0.6, 0.3), 18: (0.08, -1.0), 200: (0.01, 2.0)})
STAGES = {
    "text to numbers": "codec.traces.json_numbers:json_numbers",
    "rows and columns": "codec.traces.table:read_numbers",
    "header, format, bounds": "codec.traces.reader:read_trace",
    "digest of the file": "codec.records.digest:digest_of",
    "samples, checks before the fit": "analysis.around.fitting:clean analysis.around.fitting:run_checks "
    "analysis.around.trace_checks:checks_before_fit",
    "sine and cosine": "analysis.waves.trigonometric:TrigonometricSums.circle",
    "where an eccentric part is touched": "analysis.track.eccentric:EccentricContact.touch",
    "samples to a grid": "analysis.waves.trigonometric:TrigonometricSums.__init__",
    "trigonometric sums": "analysis.waves.trigonometric:TrigonometricSums.sums",
    "harmonics' equations": "analysis.waves.least_squares:solve_toeplitz",
    "slope and tilt": "analysis.waves.least_squares:alignment_terms "
    "analysis.waves.joint_fit:alignment_columns analysis.waves.least_squares:combine",
    "model at the samples": "analysis.waves.trigonometric:TrigonometricSums.evaluate",
    "waves between whole orders": "analysis.waves.orders:significant analysis.waves.orders:find_orders",
    "noise between the lines": "analysis.waves.noise:noise_between analysis.waves.noise:lines_between",
    "level of the noise": "analysis.waves.level:fit_level",
    "spikes and scatter": "analysis.around.fitting:fit_trace analysis.around.quality:robust_scatter_um",
    "rest of the fit": "analysis.waves.harmonics:fit_harmonics",
    "roundness": "analysis.around.roundness:roundness analysis.around.roundness:extremes",
    "lift by noise": "analysis.around.roundness:noise_lift",
    "each turn": "analysis.around.turns:turn_roundness",
    "rest of the analysis": "analysis.kinds.spiral:analyse",
    "judging": "rules.decision:judge",
    "result object": "codec.records.result:result_object",
}
"""What the stage table tells apart: each stage with the functions whose own time it is."""
STATION = """[station]
site = "bench"
cell = "bench"
name = "bench"
[intake]
folders = ["inbox"]
[store]
folder = "store"
[mqtt]
url = "mqtt://127.0.0.1:1883"
prefix = "bench"
[decision]
rule = "guarded"
"""
RECIPE = """part = "P"
revision = "bench"
[thread]
member = "shaft"
hand = "right"
starts = 1
lead_mm = 5.0
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.535
[[measurement]]
feature = "left-flank"
kind = "spiral"
upr = [2, 500]
  [[measurement.limit]]
  characteristic = "roundness_total"
  upper = 1.2
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
  points = [[2, 800.0], [20, 160.0], [500, 30.0]]
"""
HEAD = """# trace = 1
# kind = "spiral"
# part = "P"
# serial = "1"
# feature = "left-flank"
# measured_at = 2026-03-02T09:41:07Z
# tip_radius_mm = 0.005
angle_deg,deviation_um
"""


def samples(per_turn: float, turns: float, jitter: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Angles in deg, as a file holds them, and readings in µm of an eccentric part with 2 nm of noise."""
    rng = np.random.default_rng(1)
    count = round(turns * per_turn)
    angle_deg = np.round((np.arange(count) + rng.uniform(-jitter, jitter, count)) * 360 / per_turn, 5)
    theta = np.radians(angle_deg)
    track = EccentricTrack()
    reading = track.reading_um(theta, SURFACE, np.full(count, track.offset_mm(4.0 + 0j)))
    return angle_deg, np.round(reading + 1.3 * theta / (2 * np.pi) + rng.normal(0, 0.002, count), 6)


def cpu_ms(calls: Mapping[str, Callable[[], object]], repeats: int = 15) -> dict[str, float]:
    """Least processor time of each call in ms; they take turns, after one warm-up."""
    times: dict[str, list[float]] = {name: [] for name in calls}
    for round_number in range(repeats + 1):
        for name, call in calls.items():
            began = time.process_time()
            call()
            if round_number:
                times[name].append(time.process_time() - began)
    return {name: 1000 * min(found) for name, found in times.items()}


def analysis(per_turn: float, turns: float, jitter: float, upr: int) -> Callable[[], object]:
    angle_deg, reading = samples(per_turn, turns, jitter)
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=datetime(2026, 3, 2, tzinfo=UTC), part="P", serial="1",
        tip_radius_mm=0.005,
    )  # fmt: skip
    trace = Trace(header, {"angle_deg": angle_deg, "deviation_um": reading})
    request = Request(THREAD, spiral.Options(upr=(2, upr)), float(upr))
    return lambda: spiral.analyse(trace, request)


def shapes() -> None:
    given = (
        ("3 x 18,000, 500 UPR", 18_000, 3, 0.0, 500),
        ("3 x 18,000, 1,500 UPR", 18_000, 3, 0.0, 1500),
        ("3 x 17,989 (prime), 500 UPR", 17_989, 3, 0.0, 500),
        ("3 x 18,000, 30 % jitter", 18_000, 3, 0.3, 500),
        ("3.4 x 18,000, 500 UPR", 18_000, 3.4, 0.0, 500),
        ("3 x 17,500.3, 500 UPR", 17_500.3, 3, 0.0, 500),
        ("3 x 4,001, 500 UPR", 4_001, 3, 0.0, 500),
    )
    found = cpu_ms({name: analysis(*shape) for name, *shape in given})
    best = found[given[0][0]]
    rows = [(n, found[n], found[n] / best, found[n] / (given_n * t) * 54_000) for n, given_n, t, *_ in given]
    print_table("Analysis by shape", ("trace", "ms", "to the first", "ms per 54,000 points"), rows)


def one_file() -> bytes:
    """A trace of 3 x 18,000 points as text."""
    angle_deg, reading = samples(18_000, 3)
    rows = "\n".join(f"{a:.5f},{y:.6f}" for a, y in zip(angle_deg.tolist(), reading.tolist(), strict=True))
    return (HEAD + rows + "\n").encode()


def rulebook(folder: Path) -> Rulebook:
    """A station's rules with one recipe of a thread; ``folder`` is written to."""
    (folder / "recipes").mkdir()
    (folder / "inbox").mkdir()
    (folder / "agent.toml").write_text(STATION)
    (folder / "recipes" / "P.toml").write_text(RECIPE)
    return Rulebook.of(load_configuration(folder / "agent.toml"))


def against_floor(data: bytes, rules: Mapping[str, Rulebook]) -> None:
    angle_deg, reading = samples(18_000, 3)
    theta = np.radians(angle_deg)
    calls: dict[str, Callable[[], object]] = {
        "parse": lambda: read_trace("a.txt", data, None, {}),
        "rfft": lambda: np.fft.rfft(reading),
        "sin, cos": lambda: (np.sin(theta), np.cos(theta)),
    }
    evaluations = {name: partial(evaluate, "a.txt", data, None, book) for name, book in rules.items()}
    found = cpu_ms(calls | evaluations, 30)
    parts = [found[name] for name in calls]
    print_table(
        "Evaluation of 3 x 18,000 points to 500 UPR",
        ("", *calls, "sum", "evaluate", "ratio"),
        [(name, *parts, sum(parts), found[name], found[name] / sum(parts)) for name in rules],
    )


class Stages:
    """Time that named functions take without those among them that they call."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._inside: list[float] = []

    def timed(self, stage: str, function: Callable[..., object]) -> Callable[..., object]:
        """The function, its time added to that of a stage."""

        def call(*given: object, **named: object) -> object:
            began = time.perf_counter()
            self._inside.append(0.0)
            try:
                return function(*given, **named)
            finally:
                took = time.perf_counter() - began
                self.spent[stage] = self.spent.get(stage, 0.0) + took - self._inside.pop()
                if self._inside:
                    self._inside[-1] += took

        return call


@contextlib.contextmanager
def timed_stages() -> Iterator[Stages]:
    """All functions of STAGES timed, wherever they were imported to."""
    stages, undo = Stages(), []
    modules = [m for name, m in list(sys.modules.items()) if name.startswith("edgeagent.")]
    for stage, names in STAGES.items():
        for name in names.split():
            module, _, path = name.partition(":")
            owner: Any = importlib.import_module(f"edgeagent.{module}")
            *classes, last = path.split(".")
            for part in classes:
                owner = getattr(owner, part)
            function = getattr(owner, last)
            timed = stages.timed(stage, function)
            holders = [owner] if classes else [m for m in modules if getattr(m, last, None) is function]
            for holder in holders:
                undo.append((holder, last, function))
                setattr(holder, last, timed)
    try:
        yield stages
    finally:
        for holder, last, function in undo:
            setattr(holder, last, function)


def stage_table(data: bytes, rules: Mapping[str, Rulebook], repeats: int = 40) -> None:
    least: dict[str, dict[str, float]] = {}
    for name, book in rules.items():
        evaluate("a.txt", data, None, book)
        with timed_stages() as stages:
            for _ in range(repeats):
                stages.spent.clear()
                stages.timed("what is left", evaluate)("a.txt", data, None, book)
                for stage, spent in stages.spent.items():
                    row = least.setdefault(stage, {})
                    row[name] = min(row.get(name, np.inf), 1000 * spent)
    order = [*STAGES, "what is left"]
    rows = [(stage, *(least[stage].get(name, 0.0) for name in rules)) for stage in order if stage in least]
    sums = ("sum", *(sum(row[k] for row in rows) for k in range(1, len(rules) + 1)))
    print_table("Where evaluation spends its time, ms", ("stage", *rules), [*rows, sums])


if __name__ == "__main__":
    shapes()
    with tempfile.TemporaryDirectory() as folder:
        books = {"no recipe": Rulebook("guarded", {}, {}, {}), "recipe with a thread": rulebook(Path(folder))}
    against_floor(one_file(), books)
    stage_table(one_file(), books)
