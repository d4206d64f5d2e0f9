"""Travel curve of a ball screw: its mean line, and its widest variation within windows of any length."""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, inf, sqrt

import numpy as np

from edgeagent.analysis.travel.white_noise import Scatter, rounding_of
from edgeagent.errors import TraceShapeError
from edgeagent.model import FloatArray, IntArray

POINTS_PER_TURN_MIN = 8.0
"""Fewer samples a turn lose over 8 % of a once-per-turn wave (1 - cos(pi/8)); our own choice."""

# Any number does; fixed, so that a replay draws the same noise.
_SEED = 3408
# The lift is a mean of so many: known to a quarter of its scatter, which counts in full beside it.
_DRAWS = 16
# More cells cost time only: noise within a cell is drawn by its extremes.
_CELLS = 1000
_STANDS_OUT = 3.0
"""One term in 400 of noise alone passes."""
_DOUBT, _DOUBT_FEW = (0.3, 1 / 1.65), 15.0
"""Standard uncertainty of a lift, as a share of it: n samples show whiteness to 15/sqrt(n), within bounds.

At most so much that the variation as read is a guard band away: then no part is accepted that is outside as
read, even if all of the scatter was a wave (chosen by simulation, NUMERICS.md).
"""
# Uniform draws of 53 bits reach no farther for cells of up to some 1,000 samples.
_QUANTILE = np.linspace(-5.0, 9.0, 1401)
_TAIL = -np.log([0.5 * erfc(z / sqrt(2.0)) for z in _QUANTILE.tolist()])
"""Minus the logarithm of the normal law's tail beyond each quantile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanLine:
    """Least-squares line of the deviation over the travel, from the first to the last sample.

    `slope_uncertainty_um_per_mm` is the slope's standard uncertainty from the scatter about the line.
    """

    start_mm: float
    end_mm: float
    start_um: float
    slope_um_per_mm: float
    slope_uncertainty_um_per_mm: float

    def at(self, travel_mm: FloatArray | float) -> FloatArray:
        """Deviation of the mean travel, µm, at any travel; shape of `travel_mm`."""
        return np.asarray(self.start_um + self.slope_um_per_mm * (travel_mm - self.start_mm), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Widest variation within windows of one length, and where it was found."""

    variation_um: float
    start_mm: float
    end_mm: float


def mean_line(travel_mm: FloatArray, deviation_um: FloatArray) -> MeanLine:
    """Mean actual travel: the least-squares line of all samples, each counting the same.

    Parameters
    ----------
    travel_mm : ndarray of float64, shape (n,)
        Rising, n at least 3.
    deviation_um : ndarray of float64, shape (n,)

    Returns
    -------
    MeanLine

    Raises
    ------
    TraceShapeError
        Fewer than 3 samples, or no travel between them.

    Notes
    -----
    ISO 3408-3 / JIS B 1192: the mean travel is the least-squares straight line of the actual travel. The
    uncertainty takes the whole scatter about the line as independent from sample to sample. Waves of the lead
    count in it, so it is an upper bound for the gauge's noise; a scale error of the gauge or a wrong
    temperature leaves no mark in the trace and is not in it.
    """
    if travel_mm.size < 3 or not travel_mm[-1] > travel_mm[0]:
        raise TraceShapeError(f"a mean travel needs 3 samples along a travel; found {travel_mm.size}")
    # Centred: a travel of metres squared would take the digits of a slope of micrometres.
    centre_mm, centre_um = float(travel_mm.mean()), float(deviation_um.mean())
    arm_mm = travel_mm - centre_mm
    spread = float(arm_mm @ arm_mm)
    slope = float(arm_mm @ (deviation_um - centre_um)) / spread
    residual_um = deviation_um - centre_um - slope * arm_mm
    scatter_um = float(np.sqrt(residual_um @ residual_um / (travel_mm.size - 2)))
    return MeanLine(
        start_mm=float(travel_mm[0]),
        end_mm=float(travel_mm[-1]),
        start_um=centre_um + slope * (float(travel_mm[0]) - centre_mm),
        slope_um_per_mm=slope,
        slope_uncertainty_um_per_mm=scatter_um / float(np.sqrt(spread)),
    )


def widest_window(travel_mm: FloatArray, residual_um: FloatArray, length_mm: float) -> Window | None:
    """Largest peak-to-valley of a curve within any stretch of one length.

    Parameters
    ----------
    travel_mm, residual_um : ndarray of float64, shape (n,)
        Curve over strictly rising travel, straight between the samples; spacing may vary.
    length_mm : float
        Length of the window, above 0.

    Returns
    -------
    Window or None
        None when the curve is shorter than the window.

    Notes
    -----
    The largest variation of a curve of straight pieces is found with one end of the window on a sample. So all
    windows that begin on a sample and all that end on one are tried, with the value at the other end taken
    from the straight piece there: O(n log n), 100,000 samples in some 20 ms.
    """
    span_mm = float(travel_mm[-1] - travel_mm[0])
    slack_mm = 1e-9 * max(span_mm, length_mm)  # a window may miss the last sample by rounding
    if span_mm < length_mm - slack_mm:
        return None
    best = Window(variation_um=-1.0, start_mm=0.0, end_mm=0.0)
    for forward in (True, False):
        # Mirrored, windows that end on a sample are windows that begin on one.
        axis, curve = (travel_mm, residual_um) if forward else (-travel_mm[::-1], residual_um[::-1])
        end_mm = axis + length_mm
        first = np.flatnonzero(end_mm <= axis[-1] + slack_mm)
        last = np.searchsorted(axis, end_mm[first] + slack_mm, side="right") - 1
        at_end = np.interp(end_mm[first], axis, curve)
        high = np.maximum(_range_max(curve, first, last), at_end)
        low = np.minimum(-_range_max(-curve, first, last), at_end)
        widest = int(np.argmax(high - low))
        if float(high[widest] - low[widest]) > best.variation_um:
            near, far = float(axis[first[widest]]), float(end_mm[first[widest]])
            best = Window(
                variation_um=float(high[widest] - low[widest]),
                start_mm=near if forward else -far,
                end_mm=far if forward else -near,
            )
    return best


def _range_max(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Largest of ``values[first[i] : last[i] + 1]`` for each i, by maxima over stretches of powers of two."""
    level = np.frexp((last - first + 1).astype(np.float64))[1] - 1  # floor of the binary logarithm
    found = np.empty(first.size)
    stretch = values
    for power in range(int(level.max()) + 1):
        here = np.flatnonzero(level == power)
        # Two overlapping stretches of a power of two cover any range; overlap does not change a maximum.
        found[here] = np.maximum(stretch[first[here]], stretch[last[here] - (1 << power) + 1])
        half = 1 << power
        if stretch.size > half:
            stretch = np.maximum(stretch[:-half], stretch[half:])
    return found


def points_per_turn(travel_mm: FloatArray, lead_mm: float) -> float:
    """Steps of a rising travel (n,) in one lead, on average; infinite without travel."""
    span_mm = float(travel_mm[-1] - travel_mm[0])
    return lead_mm * (travel_mm.size - 1) / span_mm if span_mm > 0.0 else inf


def point_noise_um(deviation_um: FloatArray) -> float:
    """Standard deviation of a single sample, robustly, from second differences; 0 below 4 samples.

    What bends slowly from sample to sample drops out; waves of a few samples' length count in full. The factor
    1.4826 turns the median of absolute values into a standard deviation for normal noise, and sqrt(6) is what
    the weights 1, -2, 1 do to it.
    """
    if deviation_um.size < 4:
        return 0.0
    bend = np.diff(deviation_um, 2)
    return float(1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0))


def other_noise_um(deviation_um: FloatArray, scatter: Scatter) -> float:
    """Standard deviation of a sample by what is not white: rounding, and short waves, which count as noise."""
    white_um = scatter.noise if scatter.is_white else 0.0
    # What scatters beyond the white noise; the latter is in the lift's own uncertainty.
    short = max(point_noise_um(deviation_um) ** 2 - white_um**2, 0.0)
    return float(np.sqrt(short + rounding_of(deviation_um) ** 2))


def noise_lift(residual_um: FloatArray, scatter: Scatter, *, window_share: float | None) -> tuple[float, float]:
    """By how much white noise lifts a variation on average, and the standard uncertainty that it leaves, µm.

    Of a scatter that is no white noise nothing is taken off: the true variation then lies anywhere from that as
    read down to what noise would leave of it, and even that, with its scatter, is within 1.65 uncertainties.
    """
    lift_um, scatter_um = _lift(residual_um, scatter.noise, window_share)
    if not scatter.is_white:
        return 0.0, lift_um / 1.65 + scatter_um
    doubt = float(np.clip(_DOUBT_FEW / np.sqrt(residual_um.size), *_DOUBT))
    return lift_um, float(np.hypot(scatter_um, doubt * lift_um))


def _lift(residual_um: FloatArray, noise_um: float, window_share: float | None) -> tuple[float, float]:
    """Mean by which white noise lifts a variation, and the variation's standard deviation, µm.

    ``window_share`` is the window's length over the curve's, 1 for all of it; None asks for the largest
    departure from the mean instead. Fresh noise is added to the curve as far as that stands out of the
    noise (`_calm`): what that makes of its variation on average is the lift. Samples are taken to lie evenly;
    of each stretch of a long curve only its highest and lowest noise is drawn (its distribution: derived here).
    """
    if noise_um == 0.0:
        return 0.0, 0.0
    calm = _calm(residual_um, noise_um)
    cells = min(calm.size, _CELLS)
    each = calm.size // cells
    level = calm[: cells * each].reshape(cells, each).mean(axis=1)
    reach = 0 if window_share is None else int(np.clip(round(window_share * cells), 1, cells))
    random = np.random.RandomState(_SEED)
    lifted = np.array(
        [_variation_of(level, *_extreme_noise(random, cells, each, noise_um), reach) for _ in range(_DRAWS)]
    )
    lift = float(lifted.mean()) - _variation_of(level, np.zeros(cells), np.zeros(cells), reach)
    # A mean of few draws may fall below 0, where no noise lowers a variation.
    return max(lift, 0.0), float(lifted.std(ddof=1))


def _calm(residual_um: FloatArray, noise_um: float) -> FloatArray:
    """The waves of a curve that stand three standard deviations above white noise, shape (n,).

    In the orthonormal cosine transform, which goes on as a mirror image, noise has the same standard deviation
    in every term.
    """
    # Loaded here: the agent itself only asks this kind for its names, and its start must not wait for it.
    from scipy.fft import dct, idct

    waves = dct(residual_um, norm="ortho")
    # What is weaker is noise for the most part: kept, the curve would have its noise twice.
    waves[np.abs(waves) < _STANDS_OUT * noise_um] = 0.0
    found: FloatArray = idct(waves, norm="ortho")
    return found


def _variation_of(level: FloatArray, up: FloatArray, down: FloatArray, reach: int) -> float:
    """Largest variation within ``reach`` cells; for 0 the largest departure from the mean of all."""
    if reach:
        return _widest(level, up, down, reach)
    mean = float(level.mean())
    return float(max(np.max(level + up) - mean, mean - np.min(level - down)))


def _widest(level: FloatArray, up: FloatArray, down: FloatArray, reach: int) -> float:
    """Largest variation within ``reach`` neighbouring cells that span level - down to level + up."""
    first = np.arange(level.size - reach + 1)
    high = _range_max(level + up, first, first + reach - 1)
    low = -_range_max(down - level, first, first + reach - 1)
    return float(np.max(high - low))


def _extreme_noise(
    random: np.random.RandomState, cells: int, each: int, noise_um: float
) -> tuple[FloatArray, FloatArray]:
    """Largest and smallest (turned) of ``each`` normal values, for every cell."""
    if each == 1:
        noise = random.normal(0.0, noise_um, cells)
        return noise, -noise
    # The largest of m values exceeds z with the probability 1 - (1 - Q(z))^m.
    # In logarithms: for many samples 1 - U^(1/m) is so near to 0 that a difference would lose it.
    beyond = -np.log(-np.expm1(np.log(random.uniform(size=(2, cells))) / each))
    up, down = noise_um * np.interp(beyond, _TAIL, _QUANTILE)
    return up, down


def spikes(deviation_um: FloatArray, *, factor: float = 10.0, floor_um: float = 0.5) -> IntArray:
    """Numbers of samples that stand off their neighbours.

    A sample counts as a spike when it is further than `factor` times the noise of a point, and than `floor_um`,
    from the median of the five samples around it; up to two spoilt samples in a row are found. An end sample is
    compared with the straight line through the two sound samples next to it. Waves of 8 samples and more
    throughout the trace are never spikes: their crests are off by at most 4.7 times the noise that their bend
    is taken for. The factor and the floor are common practice, not a standard's.
    """
    z = deviation_um
    if z.size < 6:
        return np.empty(0, dtype=np.int64)
    # Mirrored through the end point, so that a slope goes on there and its last sample stands off nothing.
    around = np.median(
        np.lib.stride_tricks.sliding_window_view(np.pad(z, 2, mode="reflect", reflect_type="odd"), 5), axis=1
    )
    limit = max(factor * point_noise_um(z), floor_um)
    spoilt = np.abs(z - around) > limit
    for height, mark in ((z, spoilt), (z[::-1], spoilt[::-1])):
        near = np.flatnonzero(~mark[1:6])[:2] + 1
        # The median of five does not see an end sample: the line through two sound neighbours stands for it.
        if near.size == 2:
            slope = (height[near[1]] - height[near[0]]) / (near[1] - near[0])
            mark[0] = abs(height[0] - height[near[0]] + slope * near[0]) > limit
    return np.flatnonzero(spoilt).astype(np.int64)
