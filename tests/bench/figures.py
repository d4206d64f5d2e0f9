"""Small helpers of the benchmarks: medians, tables, resident memory. Every figure comes from the same run."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from pathlib import Path


def median_ms(call: Callable[[], object], repeats: int = 15) -> float:
    """Median time of a call in ms after one warm-up."""
    call()
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return 1000 * statistics.median(times)


def print_table(title: str, heads: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """A plain table on stdout."""
    cells = [[str(c) if not isinstance(c, float) else f"{c:.2f}" for c in row] for row in (heads, *rows)]
    widths = [max(len(r[i]) for r in cells) for i in range(len(heads))]
    print(f"\n{title}")
    for row in cells:
        print("  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)))


def resident_mb(pid: int) -> float:
    """Resident memory of a process in MB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise AssertionError("no VmRSS")
