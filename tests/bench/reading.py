"""Reading a 54,000-point trace against the fastest of numpy, pandas, polars and pyarrow, in the same run.

Run: python tests/bench/reading.py   (needs the extra 'bench'). Target: at most 2 times the fastest.
"""

import io
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.csv as pc
from figures import median_ms, print_table

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import spiral_text

from edgeagent.codec.traces.table import read_numbers
from edgeagent.codec.traces.trace_text import parse_trace_text

text = spiral_text(points_per_turn=18000).encode()
body = text[text.index(b"angle_deg") :]
rows = body[body.index(b"\n") + 1 :]

readers = {
    "numpy.loadtxt": lambda: np.loadtxt(io.StringIO(rows.decode()), delimiter=","),
    "pandas.read_csv": lambda: pd.read_csv(io.BytesIO(body)).to_numpy(),
    "polars.read_csv": lambda: pl.read_csv(io.BytesIO(body)).to_numpy(),
    "pyarrow.csv": lambda: [c.to_numpy() for c in pc.read_csv(pa.BufferReader(body)).columns],
    "edgeagent table": lambda: read_numbers(rows, columns=2),
    "edgeagent whole trace": lambda: parse_trace_text(text),
}
ours = read_numbers(rows, columns=2)
assert np.array_equal(ours, np.loadtxt(io.StringIO(rows.decode()), delimiter=","))
times = {name: median_ms(call, 25) for name, call in readers.items()}
fastest = min(v for k, v in times.items() if not k.startswith("edgeagent"))
print_table(
    f"reading {len(ours)} points, {len(body) / 1e6:.2f} MB",
    ("reader", "median ms", "x fastest"),
    [(k, v, v / fastest) for k, v in times.items()],
)
