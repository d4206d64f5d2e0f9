"""How a column of an unknown export runs: its step, its range, whether it begins again at every turn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.model import FloatArray

TURN = {"deg": 360.0, "rad": 2 * np.pi, "grad": 400.0, "rev": 1.0, "arcmin": 21600.0}
"""One turn in each unit of angle."""
# Beyond these an angle in another unit is likelier than so long or so sparse a trace (our own choice).
TURNS_MAX = 60.0
POINTS_A_TURN = (20.0, 2e6)


@dataclass(frozen=True, slots=True)
class Shape:
    """How a column runs: ``saw`` when it grows and falls back by nearly its range at every turn."""

    step: float
    span: float
    rising: bool
    falling: bool
    saw: bool
    even: bool
    counter: bool
    constant: bool


def shape_of(values: FloatArray) -> Shape:
    """How the finite samples of a column run, shape (n,)."""
    finite = values[np.isfinite(values)]
    if len(finite) < 3:
        return Shape(0.0, 0.0, False, False, False, False, False, True)
    steps = np.diff(finite)
    # The median, which lost samples and the falls of a saw do not move.
    step = float(np.median(steps))
    low, high = float(np.min(finite)), float(np.max(finite))
    rising, falling = bool(np.all(steps > 0)), bool(np.all(steps < 0))
    drops = steps < -0.5 * (high - low) if step > 0 else steps > 0.5 * (high - low)
    # A fall in more than one step of fifty would be turns of less than fifty points.
    saw = bool(step != 0 and 0 < np.count_nonzero(drops) <= 0.02 * len(steps)
               and np.all((steps[~drops] > 0) if step > 0 else (steps[~drops] < 0)))  # fmt: skip
    kept = steps[~drops] if saw else steps
    # Steps of rounded numbers differ by up to one of their last digit.
    resolution = max(1e-12 * max(abs(low), abs(high)), _last_digit(finite))
    # All but one in a hundred: a gap makes one step that is longer.
    even = bool(step != 0 and np.percentile(np.abs(kept - step), 99) <= 0.05 * abs(step) + 1.01 * resolution)
    if even and not saw:
        places = np.flatnonzero(np.isfinite(values))
        # Over the whole range the rounding of single steps does not count.
        step = float(finite[-1] - finite[0]) / float(places[-1] - places[0])
    counter = bool(np.all(steps == 1.0) and finite[0] in (0.0, 1.0))
    span = high - low if saw else abs(float(finite[-1] - finite[0]))
    return Shape(abs(step), span, rising, falling or (saw and step < 0), saw, even, counter, low == high)


def _last_digit(values: FloatArray) -> float:
    """The value of the last decimal place in use."""
    sample = values[:200]
    if np.max(np.abs(sample), initial=0.0) > 1e12:  # no decimal place of such a number is left in a float64
        return 0.0
    return next(
        (10.0**-k for k in range(10) if np.allclose(sample * 10**k, np.round(sample * 10**k), atol=1e-6)), 0.0
    )


def whole_turns_in(shape: Shape) -> tuple[str, ...]:
    """Units in which the column covers whole turns, to half a step."""
    if not shape.even or shape.step <= 0:
        return ()
    found = []
    for unit, turn in TURN.items():
        points = turn / shape.step
        if not POINTS_A_TURN[0] <= points <= POINTS_A_TURN[1]:
            continue
        # The last sample may close the turn, or be one step short of it.
        for span in (shape.span, shape.span + shape.step):
            whole = round(span / turn)
            limit = 1 if shape.saw else TURNS_MAX
            if 1 <= whole <= limit and abs(span - whole * turn) <= 0.51 * shape.step:
                found.append(unit)
                break
    return tuple(found)
