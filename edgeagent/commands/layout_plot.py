"""A trace drawn with characters: enough to see whether it was read the right way, for any terminal."""

from __future__ import annotations

import numpy as np

from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, FloatArray, Trace

_AXES = (("angle_deg", "deviation_um"), ("travel_mm", "deviation_um"), ("x_mm", "z_mm"))


def axes_of(trace: Trace) -> tuple[FloatArray, FloatArray, tuple[str, str]]:
    """What to draw over what, both of shape (n,), and their names; one side alone of an axial trace."""
    # In this order, as a spiral may have an axial column beside its angle.
    names = next(pair for pair in _AXES if set(pair) <= set(trace.columns))
    across, up = (trace.columns[name] for name in names)
    if "side" not in trace.columns:
        return across, up, names
    side = trace.columns["side"]
    # Both sides over each other would show two lines, neither of which could be recognised.
    top = bool(np.any(side == SIDE_TOP))
    shown = side == (SIDE_TOP if top else SIDE_BOTTOM)
    return across[shown], up[shown], (names[0], f"{names[1]} of the {'top' if top else 'bottom'} side")


def plot_trace(trace: Trace, *, width: int = 64, height: int = 12) -> list[str]:
    """The trace as lines of characters.

    Each character stands for the samples that fall into its cell: blank for none, then ``.``, ``:`` and ``#``
    by their share of the fullest cell. The scale of the ordinate is at the left, that of the abscissa below.
    """
    across, up, names = axes_of(trace)
    # Lost samples are NaN, of which no range can be made.
    seen = np.isfinite(across) & np.isfinite(up)
    if not np.any(seen):
        return ["  (no sample is a number)"]
    across, up = across[seen], up[seen]
    counts, _, _ = np.histogram2d(up, across, bins=(height, width), range=(_range(up), _range(across)))
    # One sample alone must show: an outlier is what a misread column looks like.
    shades = np.where(counts == 0, 0, 1 + np.minimum(2, (3 * counts / counts.max()).astype(int)))
    # A histogram's first row is the lowest, a terminal's the highest.
    rows = ["".join(" .:#"[s] for s in row) for row in shades[::-1]]
    top, bottom = f"{np.max(up):.4g}", f"{np.min(up):.4g}"
    labels = [top, *[""] * (height - 2), bottom]
    left = max(len(label) for label in labels) + 2
    lines = [f"  {names[1]}"]
    lines += [f"{label:>{left}} |{row}".rstrip() for label, row in zip(labels, rows, strict=True)]
    first, last = f"{np.min(across):.6g}", f"{np.max(across):.6g}"
    lines.append(" " * left + " +" + "-" * width)
    lines.append(" " * left + "  " + first + f"{last + ' ' + names[0]:>{width - len(first)}}")
    return lines


def _range(values: FloatArray) -> tuple[float, float]:
    low, high = float(np.min(values)), float(np.max(values))
    # A constant trace has a range, too, and lies in the middle of it.
    return (low, high) if high > low else (low - 0.5, high + 0.5)
