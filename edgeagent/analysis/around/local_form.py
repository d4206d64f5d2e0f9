"""A dent or a bump that one turn alone has: surface of that turn, neither dust nor noise.

In the residual of the mean surface it stands as one smooth run of samples far off the profile. It is left out
of the fit, so that slope, tilt and noise are those of the rest, and its mean over the turns is given back to
the mean surface. A drift at the beginning or the end of a trace looks alike; it stays in the residual.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeagent.model import FloatArray

_SAMPLES_MIN = 6
"""Fewer samples in a row may be a grain or a disturbance of the gauge, however smooth they look."""
_UNDULATIONS_MIN = 0.5
"""A run shorter than half an undulation at the band's end is no form that the band judges."""
_GRAIN_RAD = 0.05
"""A shorter run that stands out of the material may be a grain under the tip: half a millimetre on a track of
10 mm radius (a choice of ours). No grain makes a dent."""
_ROUGHNESS_MAX = 0.15
"""Scatter between neighbours (from second differences) of a smooth run, as a share of its height."""
# Three turns, less what the count of turns may lack by rounding.
_TELLING_TURNS = 2.999
# Second differences of a run of a few samples scatter: so much is still noise.
_NOISES = 3.0
_MARGIN = 0.15
"""Of its length a run is widened by this share on each side, since its ends lie in the noise."""
_TURN_SHARE_MAX = 0.45
"""More than this of a turn is no local form."""
# Shorter than the shortest run that is taken for form, which it must not smear away.
_SMOOTHED = 5


def local_form(
    residual_um: FloatArray,
    kept: NDArray[np.bool_],
    form: NDArray[np.bool_],
    scatter_um: float,
    factor: float,
    *,
    points_per_turn: float,
    upr: float,
    turns: float,
) -> slice | None:
    """The smooth run of samples around the largest residual; None where that is none.

    Arrays of shape (n,), in the order of the samples; ``kept`` were fitted, ``form`` are such runs already,
    which may be widened. ``scatter_um`` is the robust scatter of the residual and
    ``factor`` the number of them from which on a sample is far off, ``upr`` the end of the judged band.
    Two ``turns`` do not tell a bump in one from a dent in the other.
    """
    # Samples that were left out already would be found again and again.
    size = np.where(kept, np.abs(residual_um), 0.0)
    peak = int(np.argmax(size))
    if size[peak] <= factor * scatter_um:
        return None
    first, last = _run_around(residual_um, peak, scatter_um)
    length = last - first + 2 - _SMOOTHED  # the running mean widens it
    least = max(_SAMPLES_MIN, _UNDULATIONS_MIN * points_per_turn / upr)
    if length < least or length > _TURN_SHARE_MAX * points_per_turn:
        return None
    grain = _GRAIN_RAD * points_per_turn / (2 * np.pi)
    if length < grain and (residual_um[peak] > 0 or turns < _TELLING_TURNS):
        return None
    run = residual_um[first : last + 1]
    # Weights 1, -2, 1 give independent readings sqrt(6) times their scatter.
    rough = float(np.sqrt(np.mean(np.diff(run, 2) ** 2) / 6.0))
    if rough > max(_NOISES * scatter_um, _ROUGHNESS_MAX * float(size[peak])):
        return None
    margin = int(np.ceil(_MARGIN * length))
    first, last = first - margin, last + margin
    # At the trace's ends a warm-up looks alike; beside dust the run's length is not its own.
    if first <= 0 or last >= len(residual_um) - 1 or not np.all((kept | form)[first : last + 1]):
        return None
    return slice(first, last + 1)


def _run_around(residual_um: FloatArray, peak: int, scatter_um: float) -> tuple[int, int]:
    """First and last sample of the run of one sign around ``peak`` that the smoothed residual shows."""
    kernel = np.ones(_SMOOTHED) / _SMOOTHED
    smooth = np.convolve(residual_um, kernel, mode="same") * np.sign(residual_um[peak])
    # Two standard deviations of a mean of five.
    inside = smooth > 2.0 * scatter_um / np.sqrt(_SMOOTHED)
    # A single high sample may vanish in the mean; a run has to have its own peak.
    inside[peak] = True
    outside = np.flatnonzero(~inside)
    at = int(np.searchsorted(outside, peak))
    first = int(outside[at - 1]) + 1 if at > 0 else 0
    last = int(outside[at]) - 1 if at < len(outside) else len(residual_um) - 1
    return first, last
