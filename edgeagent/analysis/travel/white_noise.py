"""Whether the scatter of a curve from sample to sample is white noise of the gauge, and how much of it.

White noise lifts every variation, and what it lifts may be taken off. A short wave of the part may not. Both
scatter from sample to sample, so the scatter counts as noise only if it looks white and normal in every view of
it; what stands out of it as a line is the part's, whatever its period. NUMERICS.md derives the bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.waves.trigonometric import ComplexArray, TrigonometricSums
from edgeagent.model import FloatArray

BoolArray = NDArray[np.bool_]

SAMPLES_MIN = 40
"""Below this no view of the scatter can tell a wave from noise."""
_LONG = 16
"""Waves of more samples belong to the curve: noise is looked for among shorter ones."""
_LINE_SHARE = 0.02
"""Expected share of false ones among the lines that stand out; a false one costs nothing."""
_CHANCE = 1e-3
"""Powers that stand out alone, or Kolmogorov's bound, do so by chance in so many curves of white noise."""
_KOLMOGOROV = 1.95
"""Kolmogorov's bound c for that chance, 2 exp(-2 c²)."""
_TABLE_FROM = 128
"""Samples of seven short spectra."""
_LINE_ALL_ALONG = 3.0
"""Frequencies whose middle power is so many times the level have a line all along."""
_ROUNDING = 1e-12
"""Of the largest reading: less is the rounding of numbers."""
_EVEN = 0.1
"""In steps: samples no farther off even places show a wave of two samples as the line that it is."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of the white noise in each sample, and whether the scatter is that and nothing else.

    Where ``is_white`` is false, ``noise`` is the most that may be noise. Unit: that of the readings.
    """

    noise: float
    is_white: bool


def scatter_of(place: FloatArray, reading: FloatArray) -> Scatter:
    """White noise of readings (n,), finite, in the order of rising ``place`` (n,).

    Views of the scatter, each of which fails for white noise once in 1,000 or 2,000 curves: powers of the
    spectrum of all samples less its lines grow evenly with frequency and are exponential; those of short
    spectra grow evenly with the place, and none stands out alone; the readings less lines and long waves have
    the fourth moment of normal ones; in uneven places no line stands out over the true places either. Raises
    nothing; below 40 samples ``is_white`` is false. Derived in NUMERICS.md.
    """
    size = float(np.max(np.abs(reading), initial=0.0))
    # Second differences of fewer leave a single value or none.
    if reading.size < 4 or not size > 0.0 or not place[-1] > place[0]:
        return Scatter(0.0, False)
    found = _scatter_of(place, reading / size)  # squares of any reading stay within the numbers' range
    return Scatter(found.noise * size, found.is_white)


def _scatter_of(place: FloatArray, reading: FloatArray) -> Scatter:
    by_order = [_of_differences(reading, order) for order in (2, 4, 6, 8) if reading.size >= order + 2]
    # The largest: of few samples each is off by a third and more, and what is below the noise rejects by it.
    if reading.size < SAMPLES_MIN:
        return Scatter(max(by_order), False)
    # The least of all orders: waves raise some of them, white noise none in particular.
    least = min(by_order)
    whole = _ShortWaves.of(reading - reading.mean())
    # Readings are of size 1 here, powers are squares.
    if not (whole.level > _ROUNDING**2 and whole.is_white()):
        return Scatter(min(least, whole.floor or least), False)
    # The cheap view first; the search over uneven places takes the longest.
    is_white = _is_normal(whole.inside) and _is_white_along(reading, whole.level)
    if is_white and not _is_even(place):
        is_white = _has_no_line(place, whole)
    return Scatter(float(np.sqrt(whole.level)), is_white)


def rounding_of(reading: FloatArray) -> float:
    """Standard deviation of the rounding error of readings (n,); 0 where they lie on no grid.

    The grid's step q is the smallest difference of readings, if all readings are whole numbers of it apart; the
    error is even over q, q/sqrt(12) (JCGM 100, F.2.2.1, from memory).
    """
    size = float(np.max(np.abs(reading), initial=0.0))
    if not size > 0.0:
        return 0.0
    values = np.unique(reading / size)
    steps = np.diff(values)
    step = float(np.min(steps, where=steps > _ROUNDING, initial=np.inf))
    apart = (values - values[0]) / step
    # A hundredth of a step: decimal readings as binary numbers miss their grid by rounding.
    on_grid = step < np.inf and np.all(np.abs(apart - np.rint(apart)) < 0.01)
    return size * step / float(np.sqrt(12.0)) if on_grid else 0.0


def _of_differences(reading: FloatArray, order: int) -> float:
    """Standard deviation of a sample by differences of one order, from their median.

    The factors are that of the normal law and the weights' root sum of squares.
    """
    bend = np.abs(np.diff(reading, order))
    return float(1.4826 * np.median(bend) / np.sqrt(comb(2 * order, order)))


@dataclass(frozen=True, slots=True)
class _ShortWaves:
    """Spectrum of all samples, tapered over a quarter at each end.

    ``power`` (m,) are ordinates that have the variance of white noise for their mean, from ``_LONG`` samples
    a wave to two; ``noisy`` (m,) those beside no line; ``level`` is the mean of these, ``floor`` what their
    median says, as a standard deviation. ``left`` (n,) is the tapered curve less lines and longer waves,
    ``taper`` (n,) its taper.
    """

    power: FloatArray
    noisy: BoolArray
    level: float
    floor: float
    left: FloatArray
    taper: FloatArray

    @staticmethod
    def of(reading: FloatArray) -> _ShortWaves:
        """For readings (n,) about 0."""
        n = reading.size
        end = np.minimum(np.arange(n) + 0.5, n - np.arange(n) - 0.5) / (0.25 * n)
        taper = 0.5 - 0.5 * np.cos(np.pi * np.minimum(end, 1.0))
        lines = np.fft.rfft(reading * taper)
        # Not below the sixth line: the taper spreads trend and bend into those before it.
        first = max(-(-n // _LONG), 6)
        power = _powers(lines[first:], taper)
        noisy = _beside_lines(power)
        level = float(np.mean(power[noisy])) if np.any(noisy) else 0.0
        floor = float(np.sqrt(np.median(power[noisy]) / np.log(2.0))) if np.any(noisy) else 0.0
        lines[:first] = 0.0
        lines[first:][~noisy] = 0.0
        return _ShortWaves(power, noisy, level, floor, np.fft.irfft(lines, n), taper)

    @property
    def inside(self) -> FloatArray:
        """What is left where the taper hardly touches it."""
        # Divided by less, the noise near the ends would be raised above that of the middle.
        kept = self.taper > 0.7
        return np.asarray(self.left[kept] / self.taper[kept], dtype=np.float64)

    def is_white(self) -> bool:
        """Whether the powers beside lines are alike at all frequencies, and exponential."""
        count = int(np.count_nonzero(self.noisy))
        # Where most ordinates are lines there is no noise left to be called white.
        if 2 * count < self.noisy.size:
            return False
        widened = _widening(self.taper)
        power = self.power[self.noisy] / self.level
        exponential = float(np.mean(power**2)) < 2.0 + 10.0 * np.sqrt(widened / count)
        return exponential and _grows_evenly(power, count / widened)


def _powers(lines: ComplexArray, taper: FloatArray) -> FloatArray:
    """Powers of spectral lines along the last axis; that of two samples a wave, which has no phase, halved."""
    power = np.asarray(np.abs(lines) ** 2 / np.sum(taper**2), dtype=np.float64)
    if taper.size % 2 == 0:
        power[..., -1] /= 2.0
    return power


def _widening(taper: FloatArray) -> float:
    """By how much neighbouring powers' likeness raises the variance of their mean."""
    return float(taper.size * np.sum(taper**4) / np.sum(taper**2) ** 2)


def _beside_lines(power: FloatArray) -> BoolArray:
    """Ordinates that no line touches, shape of ``power`` (m,).

    The k largest of m are lines where the k-th exceeds the level ln(m/(k q)) times (the rule of Benjamini and
    Hochberg, from memory, for exponential powers): several lines are found that would hide one another.
    """
    # The median of an exponential variable is ln 2 of its mean; lines hardly move it.
    level = float(np.median(power)) / np.log(2.0)
    falling = np.sort(power)[::-1]
    bound = level * np.log(power.size / (_LINE_SHARE * np.arange(1, power.size + 1)))
    found = np.flatnonzero(falling > bound)
    if not found.size:
        return np.ones(power.size, dtype=np.bool_)
    line = power >= falling[found[-1]]
    # Two neighbours on each side hold what the taper spreads of a line.
    return np.convolve(line, np.ones(5), mode="same") < 0.5


def _grows_evenly(power: FloatArray, count: float) -> bool:
    """Whether the running sum of powers stays as near to a straight line as ``count`` exponential ones do."""
    running, total = np.cumsum(power), float(np.sum(power))
    off = np.abs(running - total * np.arange(1, power.size + 1) / power.size)
    return bool(np.max(off) < _KOLMOGOROV / np.sqrt(count) * total)


def _is_normal(left: FloatArray) -> bool:
    """Whether the fourth moment is that of normal values, 3: a wave has 1.5, rounding 1.8, a burst more."""
    square = left**2
    ratio = np.log(float(np.mean(square**2)) / float(np.mean(square)) ** 2 / 3.0)
    spread = np.sqrt(24.0 / left.size) / 3.0
    return bool(-3.0 * spread < ratio < 5.0 * spread)


def _is_white_along(reading: FloatArray, level: float) -> bool:
    """Whether the scatter is the same all along the places, by spectra of short pieces.

    A line that most pieces show is not asked about; one that a few show is a wave on a part of the places.
    """
    if reading.size < _TABLE_FROM:
        return True
    # A power of two near 2.6 sqrt(n): about as many pieces as lines, so that place and frequency are seen
    # alike.
    length = 1 << round(np.log2(2.6 * np.sqrt(reading.size)))
    pieces = np.lib.stride_tricks.sliding_window_view(reading, length)[:: length // 2]
    # Squared sine: pieces overlap by half, and each sample counts the same in all of them.
    taper = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    lines = np.fft.rfft((pieces - pieces.mean(axis=1, keepdims=True)) * taper)
    power = _powers(lines[:, max(length // _LONG, 4) :], taper) / level
    usual = np.median(power, axis=0) / np.log(2.0)
    # At least the level: a frequency quieter than the rest in most pieces must not make an alarm of noise.
    if np.any(power > np.maximum(usual, 1.0) * np.log(power.size / _CHANCE)):
        return False
    noisy = power[:, usual < _LINE_ALL_ALONG]
    return not noisy.size or _grows_evenly(noisy.sum(axis=1), noisy.size / _widening(taper))


def _is_even(place: FloatArray) -> bool:
    step = (place[-1] - place[0]) / (place.size - 1)
    return bool(np.ptp(place - step * np.arange(place.size)) <= _EVEN * step)


def _has_no_line(place: FloatArray, whole: _ShortWaves) -> bool:
    """Whether no wave down to a mean step's length stands out over uneven places."""
    span = float(place[-1] - place[0])
    # Orders count waves over the whole travel; as many as there are samples reach down to a mean step.
    sums = TrigonometricSums(2.0 * np.pi * (place - place[0]) / span, place.size)
    power = np.abs(sums.sums(whole.left, place.size, remainder=1e-6)) ** 2 / np.sum(whole.taper**2)
    return bool(np.max(power) < whole.level * np.log(place.size / _CHANCE))
