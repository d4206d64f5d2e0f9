"""How long everyday calls take, each beside something that the same machine does in the same run.

Run: python tests/bench/everyday.py   (needs Mosquitto). Targets: an export by layout at most 2 times
the trace text of the same numbers; a proposal for 54,000 rows, a report page and a stop below 2 s; the Gaussian
filter of 200,000 samples with a long cut-off at least 8 times faster than the direct sum.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from figures import median_ms, print_table

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from fixture_modules import load

from edgeagent.analysis.texture.filters import gaussian_smooth, gaussian_weights
from edgeagent.codec.proposals.layout import propose_layout
from edgeagent.codec.traces.delimited import parse_with_layout
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.codec.traces.trace_text import parse_trace_text
from edgeagent.report.write import write_part_report

POINTS = 54_000
LAYOUT = """layout = "t"
[match]
names = ["*.asc"]
[text]
delimiter = "semicolon"
decimal = ","
[data]
after = "^angle_deg"
[[column]]
name = "angle_deg"
field = 1
[[column]]
name = "deviation_um"
field = 2
[constants]
kind = "spiral"
part = "KX-1"
serial = "1"
feature = "left-flank"
measured_at = 2026-03-02T09:41:07Z
"""


def readers() -> list[tuple[str, float, float]]:
    """Trace text, the same numbers with decimal comma through a layout, and a proposal for them."""
    text = spiral_text(points_per_turn=POINTS // 3)
    rows = text[text.index("angle_deg") :]
    comma = ("Teil: KX-1\nSeriennummer: 1\n" + rows.replace(",", ";").replace(".", ",")).encode()
    layout = parse_layout(LAYOUT.encode(), "t.toml")
    plain_ms = median_ms(lambda: parse_trace_text(text.encode()))
    comma_ms = median_ms(lambda: parse_with_layout(layout, "a.asc", comma))
    proposal_ms = median_ms(lambda: propose_layout("x.txt", comma), 5)
    return [
        (f"trace text, {POINTS} points", plain_ms, 1.0),
        ("the same by a layout, decimal comma", comma_ms, comma_ms / plain_ms),
        ("a layout proposed for it", proposal_ms, proposal_ms / plain_ms),
    ]


def filters() -> list[tuple[str, float, float]]:
    """The Gaussian filter against the direct sum, which is timed for every 2,000th sample."""
    z = np.random.default_rng(7).normal(size=200_000)
    weights = gaussian_weights(1.0, 8000.0)
    half = weights.size // 2
    places = range(half, z.size - half, 2000)
    fast_ms = median_ms(lambda: gaussian_smooth(z, 1.0, 8000.0), 7)
    some_ms = median_ms(lambda: [weights @ z[k - half : k + half + 1] for k in places], 7)
    direct_ms = some_ms / len(places) * z.size
    return [
        ("filter, 200,000 samples, cut-off 8,000", fast_ms, 1.0),
        ("its direct sum", direct_ms, direct_ms / fast_ms),
    ]


def page_ms(base: Path) -> float:
    invented = load("invented_store", "report")
    station = invented.InventedStation(base, profile=True, max_age_h=24)
    invented.verify_gauge(station, seed=1)
    invented.measure_part(station, "000412", seed=2, profile={})
    station.close()
    return median_ms(lambda: write_part_report(station.store, None, "000412", base / "page.html"), 3)


def stop_ms(base: Path) -> float:
    def stopped(agent: Agent) -> float:
        agent.start()
        began = time.perf_counter()
        assert agent.terminate() == 0
        return 1000 * (time.perf_counter() - began)

    with Broker(base / "broker") as broker:
        agent = Agent(base / "agent", broker.port)
        return float(np.median([stopped(agent) for _ in range(5)]))


def within(make: Callable[[Path], float]) -> float:
    with tempfile.TemporaryDirectory(prefix="everyday-") as base:
        return make(Path(base))


if __name__ == "__main__":
    rows: list[tuple[str, float, float]] = [*readers(), *filters()]
    print_table("everyday calls, median", ("", "ms", "x the first of its kind"), rows)
    print_table(
        "once a part or a day", ("", "ms"), [("report page", within(page_ms)), ("stop", within(stop_ms))]
    )
