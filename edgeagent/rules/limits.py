"""Limits of a measurement, looked up for a value or for a whole spectrum."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from edgeagent.model import CurveLimit, FloatArray, ScalarLimit, Spectrum


def highest_judged_upr(curves: Sequence[CurveLimit]) -> float | None:
    """The highest UPR at which a curve judges; None without curves."""
    return max((float(c.upr[-1]) for c in curves), default=None)


def is_turn(instance: str | None) -> bool:
    """Whether an instance names one turn of a trace: ``turn[2]``."""
    return (instance or "").startswith("turn[")


def curve_at(curves: Sequence[CurveLimit], upr: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Upper limit and caution limit in nm at each UPR, NaN where nothing is judged; shape of ``upr``.

    Straight lines in log-log between a curve's points; of several curves the tightest counts.
    """
    upper = np.full(len(upr), np.nan)
    caution = np.full(len(upr), np.nan)
    for curve in curves:
        inside = (upr >= curve.upr[0]) & (upr <= curve.upr[-1])
        place = np.log(upr[inside])
        knots = np.log(curve.upr)
        # fmin, not minimum: where only one of two curves judges, its limit must survive the other's NaN.
        upper[inside] = np.fmin(upper[inside], np.exp(np.interp(place, knots, np.log(curve.upper_nm))))
        if curve.caution_nm is not None:
            line = np.exp(np.interp(place, knots, np.log(curve.caution_nm)))
            caution[inside] = np.fmin(caution[inside], line)
    return upper, caution


def scalar_limits(limits: Sequence[ScalarLimit], name: str, instance: str) -> ScalarLimit | None:
    """The limits of one value, all that apply drawn together; None when there are none.

    Limits without an instance apply to every instance; the tighter of two bounds counts.
    """
    fitting = [x for x in limits if x.characteristic == name and x.instance in (None, instance)]
    if not fitting:
        return None
    lowers = [x.lower for x in fitting if x.lower is not None]
    uppers = [x.upper for x in fitting if x.upper is not None]
    cautions = [x.caution for x in fitting if x.caution is not None]
    return ScalarLimit(
        characteristic=name,
        instance=instance,
        lower=max(lowers, default=None),
        upper=min(uppers, default=None),
        caution=min(cautions, default=None),
    )


def caution_bounds(limit: ScalarLimit) -> tuple[float | None, float | None]:
    """Lower and upper bound of the values that need no caution; None where there is no such bound.

    With both limits the share is one of half the tolerance about its middle. With one limit it is a share
    of that limit for positive limits (``upper * share``, ``lower / share``) and mirrors it for negative.
    """
    share, lower, upper = limit.caution, limit.lower, limit.upper
    if share is None:
        return None, None
    if lower is not None and upper is not None:
        middle, half = (lower + upper) / 2, (upper - lower) / 2
        return middle - share * half, middle + share * half
    if upper is not None:
        # A share of a negative limit must lie on its safe side, which dividing does and multiplying does not.
        return None, upper * share if upper >= 0 else upper / share
    assert lower is not None
    return lower / share if lower >= 0 else lower * share, None


_NO_WAVES = (np.zeros(0), np.zeros(0))


class LimitLookup:
    """Limits by which many traces are judged: each is looked up once, a curve once for all of its orders."""

    def __init__(self, scalar: Sequence[ScalarLimit], curves: Sequence[CurveLimit]) -> None:
        self._scalar, self._curves = scalar, curves
        self._found: dict[tuple[str, str], tuple[ScalarLimit | None, float | None, float | None]] = {}
        self._at: dict[int, tuple[FloatArray, FloatArray]] = {}

    def scalar(self, name: str, instance: str) -> tuple[ScalarLimit | None, float | None, float | None]:
        """What `scalar_limits` says of one value, and its `caution_bounds`."""
        found = self._found.get((name, instance))
        if found is None:
            limit = scalar_limits(self._scalar, name, instance)
            found = self._found[name, instance] = (
                limit,
                *((None, None) if limit is None else caution_bounds(limit)),
            )
        return found

    def curves_at(self, spectrum: Spectrum) -> tuple[FloatArray, FloatArray]:
        """What `curve_at` says for the orders of a spectrum."""
        upr, count = spectrum.upr, len(spectrum.upr)
        if not count:
            return _NO_WAVES
        # Waves between whole orders are others in every trace: nothing of them is worth keeping.
        if upr[0] != 1 or upr[-1] != count or upr.dtype.kind != "i":
            return curve_at(self._curves, upr.astype(np.float64))
        if count not in self._at:
            self._at[count] = curve_at(self._curves, upr.astype(np.float64))
        return self._at[count]

    def judged(self, spectrum: Spectrum) -> int:
        """How many of its orders have a limit."""
        return int(np.count_nonzero(np.isfinite(self.curves_at(spectrum)[0]))) if len(spectrum.upr) else 0
