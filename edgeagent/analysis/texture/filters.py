"""Gaussian profile filters: of the closed profile in undulations per revolution, of the open one in length.

The long-wave part of a profile is what a Gaussian weighting function leaves of it; what is taken away is the
short-wave part, ``z - gaussian_smooth(z, ...)``. Both filters transmit half of the amplitude at their cut-off.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from edgeagent.errors import TraceRangeError, TraceShapeError
from edgeagent.model import FloatArray

Ends = Literal["discard", "regression"]

ALPHA = float(np.sqrt(np.log(2.0) / np.pi))
"""Constant of the Gaussian weighting function, 0.4697..., from a transmission of one half at the cut-off."""

REACH = 1.0
"""Half width of the weighting function in cut-offs; the area beyond it is 9.5e-8 of the whole."""

_SAMPLED_FROM = 8.0
"""Samples per cut-off from which plain samples of the weighting function have the right transmission."""

_SHORT_HALF_WIDTH = 48
"""Half width in samples of the weights made for fewer samples per cut-off."""

_DIRECT_LIMIT = 64
"""Kernel length up to which summing directly is quicker than the Fourier transform."""


def gaussian_transmission(upr: FloatArray | float, cutoff_upr: float) -> FloatArray:
    """Long-wave transmission of the closed-profile Gaussian filter, ``2 ** -((n / nc) ** 2)``.

    Parameters
    ----------
    upr : float or ndarray, any shape
        Undulations per revolution, 0 and up.
    cutoff_upr : float
        Cut-off in undulations per revolution, above 0; transmitted by one half.

    Returns
    -------
    ndarray of float64, shape of `upr`
        Amplitude ratio, 0 to 1. The short-wave filter transmits the rest to 1.

    Raises
    ------
    TraceRangeError
        The cut-off is not a positive number.

    Notes
    -----
    ISO 16610-21 (weighting function), ISO 12181-2 (closed profile). The weighting function wraps around, so a
    closed profile has no ends and this factor on each harmonic is the whole filter.
    """
    if not np.isfinite(cutoff_upr) or cutoff_upr <= 0.0:
        raise TraceRangeError(f"cut-off of {cutoff_upr} UPR; it must be above 0")
    ratio = np.asarray(upr, dtype=np.float64) / cutoff_upr
    return np.asarray(np.exp2(-(ratio**2)), dtype=np.float64)


def open_transmission(wavelength: FloatArray | float, cutoff: float) -> FloatArray:
    """Long-wave transmission of the open-profile Gaussian filter, ``2 ** -((cutoff / wavelength) ** 2)``.

    Parameters
    ----------
    wavelength : float or ndarray, any shape
        Wavelengths, above 0.
    cutoff : float
        Cut-off wavelength in the same unit, above 0.

    Returns
    -------
    ndarray of float64, shape of `wavelength`
        Amplitude ratio, 0 to 1.

    Notes
    -----
    ISO 16610-21.
    """
    ratio = cutoff / np.asarray(wavelength, dtype=np.float64)
    return np.asarray(np.exp2(-(ratio**2)), dtype=np.float64)


def gaussian_weights(spacing: float, cutoff: float) -> FloatArray:
    """Weights of the open-profile Gaussian filter at whole steps of the spacing.

    Parameters
    ----------
    spacing, cutoff : float
        Sample spacing and cut-off wavelength in one unit; the cut-off is at least two spacings.

    Returns
    -------
    ndarray of float64, shape (2 * end_samples(spacing, cutoff) + 1,)
        Symmetric about the middle, sum 1.

    Raises
    ------
    TraceRangeError
        Spacing or cut-off not positive, or the cut-off shorter than two spacings.

    Notes
    -----
    From 8 samples per cut-off on: the samples of ISO 16610-21's weighting function, cut at one cut-off from
    the middle. With fewer samples those would transmit too much (73 % instead of 50 % at a cut-off of 2.4
    spacings), so the weights are then the Fourier coefficients of the nominal transmission up to the shortest
    wavelength that the samples hold (derived here). Measured against the nominal transmission: within 0.002 %
    from 8 samples per cut-off, within 0.3 % below (the largest at the shortest wavelength).
    """

    half = end_samples(spacing, cutoff)
    if cutoff / spacing >= _SAMPLED_FROM:
        step = np.arange(-half, half + 1, dtype=np.float64) * (spacing / (ALPHA * cutoff))
        weights = np.exp(-np.pi * step**2)
    else:
        # A grid so fine that the series has died away before it wraps round.
        frequency = np.fft.rfftfreq(64 * half)
        series = np.fft.irfft(np.exp2(-((frequency * cutoff / spacing) ** 2)))
        weights = np.concatenate([series[half:0:-1], series[: half + 1]])
    # Sum 1: cutting the bell at one cut-off must not lower the mean by 1e-7.
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def end_samples(spacing: float, cutoff: float) -> int:
    """Samples at each end of a profile that the full weighting function does not reach.

    This many are lost at each end with ``ends="discard"``, and are regressed with ``ends="regression"``: one
    cut-off, at least 48 samples where there are fewer than 8 to a cut-off.

    Raises TraceRangeError: spacing or cut-off not positive, or the cut-off shorter than two spacings.
    """
    if not (np.isfinite(spacing) and np.isfinite(cutoff)) or spacing <= 0.0 or cutoff <= 0.0:
        raise TraceRangeError(f"cut-off {cutoff} at a spacing of {spacing}; both must be above 0")
    if cutoff < 2.0 * spacing:
        raise TraceRangeError(
            f"cut-off {cutoff:.6g} is shorter than two spacings of {spacing:.6g}: the samples cannot hold it"
        )
    # The 1e-9 keeps a quotient that rounding left above a whole number from adding a sample.
    half = int(np.ceil(REACH * cutoff / spacing - 1e-9))
    return half if cutoff / spacing >= _SAMPLED_FROM else max(half, _SHORT_HALF_WIDTH)


def gaussian_smooth(
    z: FloatArray, spacing: float, cutoff: float, *, ends: Ends = "regression", order: int = 1
) -> FloatArray:
    """Long-wave part of an open profile after the Gaussian filter.

    Parameters
    ----------
    z : ndarray of float64, shape (n,), any unit
        Heights at equal steps, all finite.
    spacing, cutoff : float
        Sample spacing and cut-off wavelength in one unit; the cut-off is at least two spacings.
    ends : {"regression", "discard"}
        "regression": all n samples come back; within one cut-off of an end the weighted local polynomial of
        `order` replaces the weighted mean. "discard": only the samples that the full weighting function
        reaches come back, ``end_samples(spacing, cutoff)`` fewer at each end.
    order : {1, 0}
        Order of the local polynomial at the ends; 1 leaves a straight slope untouched up to the last sample,
        0 is calmer where the profile has none.

    Returns
    -------
    ndarray of float64, shape (n,) or (n - 2 * end_samples(spacing, cutoff),)
        Unit of `z`.

    Raises
    ------
    TraceShapeError
        `z` is not one-dimensional, has fewer than two samples, or is too short for "discard".
    TraceRangeError
        A sample is not finite (the message gives its number); spacing or cut-off not usable.

    Notes
    -----
    ISO 16610-21 for the filter, ISO 16610-28 for the ends (regression of order 0 and 1; away from the ends both
    are the plain filter, because the weights are symmetric). Agrees with direct summation within 1e-9 of the
    profile's height (tests/analysis/test_filters.py).
    """
    z = np.asarray(z, dtype=np.float64)
    if ends not in ("discard", "regression") or order not in (0, 1):
        raise ValueError(f"ends {ends!r} with order {order!r}")
    if z.ndim != 1 or z.size < 2:
        raise TraceShapeError(f"a profile filter needs a row of at least 2 samples; found shape {z.shape}")
    bad = np.flatnonzero(~np.isfinite(z))
    if bad.size:
        raise TraceRangeError(f"sample {bad[0]} is not finite ({bad.size} of {z.size})")
    weights = gaussian_weights(spacing, cutoff)
    half = weights.size // 2
    if ends == "discard" and z.size <= 2 * half:
        raise TraceShapeError(
            f"profile of {z.size} samples is shorter than the two ends of {half} samples "
            f"that a cut-off of {cutoff:.6g} at a spacing of {spacing:.6g} discards"
        )
    level = float(z.mean())  # what is left is small, which keeps the transform's rounding small
    rest = z - level
    if ends == "discard":
        return _sum_around(rest, weights)[half : z.size - half] + level
    return _regress(rest, weights, order) + level


def gaussian_density(away: FloatArray, cutoff: float) -> FloatArray:
    """The weighting function of ISO 16610-21 at distances from its middle, 1 there; shape of ``away``."""
    return np.asarray(np.exp(-np.pi * np.square(away / (ALPHA * cutoff))))


def smoothing_matrix(size: int, spacing: float, cutoff: float) -> FloatArray:
    """`gaussian_smooth` with its straight ends as a matrix, for many short profiles of one length.

    Shape (size, size); row i holds the weights of the samples in the smooth profile's sample i. Parameters,
    errors and source as there; the two agree within rounding (tests/analysis/test_filters.py).
    """
    weights = gaussian_weights(spacing, cutoff)
    half = weights.size // 2
    step = (np.arange(size) - np.arange(size)[:, None]).astype(np.float64)
    near = np.where(np.abs(step) <= half, weights[np.clip(step.astype(np.int64) + half, 0, 2 * half)], 0.0)
    zeroth, first, second = (np.sum(near * step**p, axis=1, keepdims=True) for p in range(3))
    return np.asarray(near * (second - first * step) / (zeroth * second - first**2))


def _sum_around(z: FloatArray, weights: FloatArray) -> FloatArray:
    """``sum_j weights[j + m] * z[i + j]`` for every i, samples outside counting as zero; shape of z."""
    found: FloatArray = _sums_around(z[None, :], weights[None, :])[0, 0]
    return found


def _sums_around(z: FloatArray, weights: FloatArray) -> FloatArray:
    """The sums of several rows with several weights, shapes (r, n) and (k, 2m + 1); shape (r, k, n).

    All transforms of one length are made at once: of short rows most of the time goes into calling.
    """
    from scipy.fft import next_fast_len  # not at start: most parts need the closed filter alone

    size, half = z.shape[1], weights.shape[1] // 2
    if weights.shape[1] <= _DIRECT_LIMIT:
        rows = [[np.convolve(row, w[::-1])[half : half + size] for w in weights] for row in z]
        return np.array(rows)
    # Room for the kernel at the end, so that the product does not wrap round into the begin.
    length = int(next_fast_len(size + 2 * half, real=True))
    product = np.fft.rfft(z, length)[:, None] * np.fft.rfft(weights[:, ::-1], length)
    found: FloatArray = np.fft.irfft(product, length)[:, :, half : half + size]
    return found


def _regress(z: FloatArray, weights: FloatArray, order: int) -> FloatArray:
    """Weighted local polynomial of order 0 or 1 at every sample; the plain sum where no end is near."""
    half = weights.size // 2
    smooth = _sum_around(z, weights).copy()
    count, part = min(half, z.size), np.stack((z[: 2 * half], z[::-1][: 2 * half]))
    if part.shape[1] < count + half:  # both ends in reach of one another: regress all of it at once
        part, count = np.stack((z, z[::-1])), z.size
    first, last = _local_fit(part, weights, count, order)
    smooth[:count] = first
    smooth[z.size - count :] = last[::-1]
    return smooth


def _end_moments(weights: FloatArray, size: int, count: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sums of w, w*j and w*j**2 over the samples that are there, for samples 0 to count - 1 of ``size``."""
    half = weights.size // 2
    step = np.arange(-half, half + 1, dtype=np.float64)
    index = np.arange(count)
    # Weights are counted from 0 at -half; near an end the first of them have no sample.
    low = half - np.minimum(index, half)
    high = half + np.minimum(size - 1 - index, half) + 1
    sums = [np.concatenate([[0.0], np.cumsum(weights * step**p)]) for p in range(3)]
    zeroth, first, second = (s[high] - s[low] for s in sums)
    return zeroth, first, second


def _local_fit(z: FloatArray, weights: FloatArray, count: int, order: int) -> FloatArray:
    """The polynomial at the first ``count`` samples of each row of z, shape (r, n); shape (r, count)."""
    half = weights.size // 2
    zeroth, first, second = _end_moments(weights, z.shape[1], count)
    if order == 0:
        found: FloatArray = _sums_around(z, weights[None, :])[:, 0, :count] / zeroth
        return found
    step = np.arange(-half, half + 1, dtype=np.float64)
    sums = _sums_around(z, np.stack((weights, weights * step)))
    value, slope = sums[:, 0, :count], sums[:, 1, :count]
    # Cramer's rule for the line's value at the sample itself, 2 x 2.
    return np.asarray((second * value - first * slope) / (zeroth * second - first**2))
