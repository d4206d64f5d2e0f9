"""How many digits a value, its limit and its uncertainty are written with. Pure.

Digits follow the stated uncertainty: two of it are written, and the value to the same place (JCGM 100:2008,
7.2.6). Noise of the trace alone says less than that: then, and where no uncertainty is known, a value has no
more decimals than three significant digits of it or of its largest limit need, or one more than its limits are
written with. A value is never rounded onto a limit it differs from, and never to its other side; that may take
more decimals, nine at the most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

_DIGITS_UNSTATED = 3
_DECIMALS_MAX = 9


@dataclass(frozen=True, slots=True)
class Written:
    """A value and its limits as texts, in the order in which the limits were given; "" for one that is None."""

    value: str
    limits: tuple[str, ...]


def decimals_of(
    value: float,
    uncertainty: float | None,
    limits: Sequence[float | None] = (),
    *,
    noise_only: bool = False,
) -> int:
    """Decimals of a value with this expanded uncertainty, 0 to 9."""
    known = [limit for limit in limits if limit is not None]
    size = max([abs(value), *(abs(limit) for limit in known)])
    stated = uncertainty is not None and uncertainty > 0 and math.isfinite(uncertainty)
    # Two significant digits of u: log10 of 0.012 is -1.9, its floor -2, so three decimals.
    wanted = 1 - math.floor(math.log10(uncertainty)) if stated and uncertainty is not None else _DECIMALS_MAX
    if (noise_only or not stated) and size > 0:
        # One more than the limit has, so that a value beside its limit can be seen to differ from it.
        short = [_decimals_in(text) + 1 for text in map(_as_written, known) if text]
        wanted = min(wanted, max([_DIGITS_UNSTATED - 1 - math.floor(math.log10(size)), *short]))
    elif not stated:
        wanted = 1
    return min(max(wanted, 0), _DECIMALS_MAX)


def written(
    value: float,
    uncertainty: float | None = None,
    limits: Sequence[float | None] = (),
    *,
    noise_only: bool = False,
) -> Written:
    """Texts of a value and its limits: a limit as the recipe writes it, an interpolated one as the value."""
    decimals = decimals_of(value, uncertainty, limits, noise_only=noise_only)
    # Ends at _DECIMALS_MAX, beyond which a difference is one of rounding.
    while True:
        text = f"{value:.{decimals}f}"
        bounds = tuple("" if x is None else limit_digits(x, decimals) for x in limits)
        if decimals >= _DECIMALS_MAX or all(
            limit is None or _order(value, limit) == _order(float(text), float(bound))
            for limit, bound in zip(limits, bounds, strict=True)
        ):
            return Written(text, bounds)
        decimals += 1


def limit_digits(limit: float, decimals: int | None = None) -> str:
    """A limit as the recipe writes it; one that was interpolated with ``decimals``, or with four digits."""
    text = _as_written(limit)
    if text:
        return text
    own = 3 - math.floor(math.log10(abs(limit)))
    return f"{limit:.{max(own if decimals is None else decimals, 0)}f}"


def _as_written(limit: float) -> str:
    """A limit of at most six digits; "" for one that has more, since it comes out of a curve."""
    text = f"{limit:.6g}"
    # No recipe writes more than six digits: more of them come from interpolation.
    if not math.isclose(float(text), limit, rel_tol=1e-9):
        return ""
    return text if "e" not in text else f"{limit:.{_DECIMALS_MAX}f}".rstrip("0").rstrip(".")


def _decimals_in(text: str) -> int:
    return len(text.partition(".")[2])


def _order(a: float, b: float) -> int:
    return (a > b) - (a < b)
