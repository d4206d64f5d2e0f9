"""Profile roughness and waviness: height parameters on either side of one cut-off, after the S-filter.

**Uncertainty.** How much a value would differ on the next piece of the same surface shows in the sections of
this one (type A, JCGM 100, 4.2): of n sections a mean has s/sqrt(n), with n - 1 degrees of freedom, and what is
computed from means has its jackknife, which is the same for a mean. A height over the whole length has the
scatter s of the heights of single sections. Waves reach beyond a section of one cut-off, so waviness is cut
into pieces of two. One section has no scatter: None. NUMERICS.md states how well this agrees with the scatter
over surfaces of known texture.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from edgeagent.analysis.texture.filters import Ends, end_samples, gaussian_smooth
from edgeagent.errors import TooFewSectionsError, TraceRangeError, TraceShapeError
from edgeagent.model import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Roughness:
    """Height parameters of the roughness profile (ISO 21920-2).

    `ra_um`, `rq_um`, `rsk`, `rku` and the total height `rt_um` are taken over the evaluation length, `rz_um` is
    the mean of the heights of `section_count` sections. `rsk` and `rku` are None for a profile without
    roughness, where they have no value. `u_...` are the standard uncertainties from the scatter between
    sections, with `section_count` - 1 degrees of freedom; None for a single section.
    """

    ra_um: float
    rq_um: float
    rz_um: float
    rt_um: float
    rsk: float | None
    rku: float | None
    section_count: int
    evaluation_length_mm: float
    u_ra_um: float | None = None
    u_rq_um: float | None = None
    u_rz_um: float | None = None
    u_rt_um: float | None = None
    u_rsk: float | None = None
    u_rku: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Waviness:
    """Height parameters of the waviness profile over the evaluation length (ISO 21920-2, from memory).

    `wa_um` and `wq_um` are the mean amount and the root mean square of the heights about the form that was
    removed, `wt_um` is the total height. `u_...` are the standard uncertainties from the scatter between the
    `piece_count` pieces of at least two cut-offs, with one degree of freedom less; None for a single piece.
    """

    wa_um: float
    wq_um: float
    wt_um: float
    evaluation_length_mm: float
    piece_count: int = 1
    u_wa_um: float | None = None
    u_wq_um: float | None = None
    u_wt_um: float | None = None


WAVES_AT_LEAST = 2.0
"""Least length of a waviness profile in cut-offs: taking the form away eats a wave as long as the profile, so a
profile of one cut-off holds nothing but remains of its form (our own choice)."""


def roughness_profile(
    z_um: FloatArray,
    spacing_mm: float,
    *,
    lambda_c_mm: float,
    lambda_s_mm: float | None = None,
    ends: Ends = "regression",
) -> FloatArray:
    """Roughness profile: what the S-filter keeps of the heights, less their long waves.

    Parameters
    ----------
    z_um : ndarray of float64, shape (n,), µm
        Heights at equal steps along the surface, form removed, all finite.
    spacing_mm : float
        Sample spacing.
    lambda_c_mm : float
        Cut-off of the L-filter (nesting index Nic).
    lambda_s_mm : float, optional
        Cut-off of the S-filter (nesting index Nis), at least two spacings; None for no S-filter.
    ends : {"regression", "discard"}
        Of the L-filter, as in `gaussian_smooth`; the S-filter always keeps the ends.

    Returns
    -------
    ndarray of float64, shape (n,), µm; with "discard" one cut-off shorter at each end.

    Raises
    ------
    TraceRangeError
        A cut-off that the samples cannot hold, or that is no length; a sample that is not finite.
    TraceShapeError
        Too few samples.

    Notes
    -----
    ISO 21920-2 with the filters of ISO 16610-21.
    """
    z_um, long_wave = _split_waves(z_um, spacing_mm, lambda_c_mm, lambda_s_mm, ends)
    return z_um - long_wave


def waviness_profile(
    z_um: FloatArray,
    spacing_mm: float,
    *,
    lambda_c_mm: float,
    lambda_s_mm: float | None = None,
    ends: Ends = "regression",
) -> FloatArray:
    """Waviness profile: the long waves that `roughness_profile` takes away.

    Parameters, shapes and errors as there; the two profiles add up to what the S-filter keeps.
    """
    return _split_waves(z_um, spacing_mm, lambda_c_mm, lambda_s_mm, ends)[1]


def _split_waves(
    z_um: FloatArray, spacing_mm: float, lambda_c_mm: float, lambda_s_mm: float | None, ends: Ends
) -> tuple[FloatArray, FloatArray]:
    """What the S-filter keeps, and the long waves of it; both without the samples lost at the ends."""
    if lambda_s_mm is not None:
        if lambda_s_mm < 2.0 * spacing_mm:
            raise TraceRangeError(
                f"S-filter of {lambda_s_mm * 1e3:.4g} µm is shorter than two spacings of "
                f"{spacing_mm * 1e3:.4g} µm: the samples cannot hold it"
            )
        if lambda_s_mm >= lambda_c_mm:
            raise TraceRangeError(
                f"S-filter of {lambda_s_mm:.4g} mm is not below the L-filter of {lambda_c_mm:.4g} mm"
            )
        z_um = gaussian_smooth(z_um, spacing_mm, lambda_s_mm)
    long_wave = gaussian_smooth(z_um, spacing_mm, lambda_c_mm, ends=ends)
    # 0 with "regression"; then both profiles already have the same samples.
    lost = (len(z_um) - len(long_wave)) // 2
    return np.asarray(z_um[lost : len(z_um) - lost], dtype=np.float64), long_wave


def roughness(
    z_um: FloatArray,
    spacing_mm: float,
    *,
    lambda_c_mm: float,
    lambda_s_mm: float | None = None,
    section_count: int | None = None,
    ends: Ends = "regression",
) -> Roughness:
    """Ra, Rq, Rz, Rt, Rsk and Rku of an evenly spaced profile.

    Parameters
    ----------
    z_um : ndarray of float64, shape (n,), µm
        Heights at equal steps along the surface, form removed, all finite; n samples are n spacings long.
    spacing_mm : float
        Sample spacing.
    lambda_c_mm : float
        Cut-off of the L-filter, which is also the section length.
    lambda_s_mm : float, optional
        Cut-off of the S-filter, at least two spacings; None for no S-filter.
    section_count : int, optional
        Number of sections, 1 and up; None takes every whole section that there is. Unused length is left at
        both ends alike.
    ends : {"regression", "discard"}
        With "discard" one cut-off at each end is lost to the L-filter, with "regression" none.

    Returns
    -------
    Roughness

    Raises
    ------
    TooFewSectionsError
        The profile is shorter than one section, or than the sections asked for; the message names both lengths.
    TraceRangeError, TraceShapeError
        As in `roughness_profile`.

    Notes
    -----
    ISO 21920-2: Ra, Rq, Rsk and Rku over the evaluation length (not averaged over sections), Rz the mean of the
    section heights, Rt the total height over the evaluation length.
    """
    found = evaluate_profile(
        z_um,
        spacing_mm,
        lambda_c_mm=lambda_c_mm,
        lambda_s_mm=lambda_s_mm,
        section_count=section_count,
        ends=ends,
    )
    return height_parameters(found)


@dataclass(frozen=True, slots=True)
class EvaluatedProfile:
    """A roughness profile with its sections; ``primary_um`` is what the S-filter kept, of the same shape (n,).

    ``sections`` are their borders as sample numbers, one more than there are sections; ``rounding_um`` is the
    height below which the profile is the rounding of its own subtraction.
    """

    profile_um: FloatArray
    primary_um: FloatArray
    sections: list[int]
    section_mm: float
    spacing_mm: float
    rounding_um: float

    @property
    def section_count(self) -> int:
        """Number of sections."""
        return len(self.sections) - 1

    @property
    def used(self) -> FloatArray:
        """The profile over its sections."""
        return self.profile_um[self.sections[0] : self.sections[-1]]


def evaluate_profile(
    z_um: FloatArray,
    spacing_mm: float,
    *,
    lambda_c_mm: float,
    lambda_s_mm: float | None = None,
    section_count: int | None = None,
    ends: Ends = "regression",
) -> EvaluatedProfile:
    """The roughness profile that parameters are taken from; see `roughness` for parameters and errors."""
    z_um = np.asarray(z_um, dtype=np.float64)
    if z_um.ndim != 1:
        raise TraceShapeError(f"a roughness profile is one row of samples; found shape {z_um.shape}")
    if section_count is not None and section_count < 1:
        raise TraceRangeError(f"{section_count} roughness sections asked for; at least 1")
    lost = end_samples(spacing_mm, lambda_c_mm) if ends == "discard" else 0
    sections = _sections(z_um.size - 2 * lost, spacing_mm, lambda_c_mm, section_count, lost)
    primary, long_wave = _split_waves(z_um, spacing_mm, lambda_c_mm, lambda_s_mm, ends)
    # below this the profile is the rounding of its own subtraction, and its shape means nothing
    rounding_um = 16.0 * float(np.finfo(np.float64).eps * np.max(np.abs(z_um)))
    return EvaluatedProfile(primary - long_wave, primary, sections, lambda_c_mm, spacing_mm, rounding_um)


def waviness(
    z_um: FloatArray,
    spacing_mm: float,
    *,
    lambda_c_mm: float,
    lambda_s_mm: float | None = None,
    ends: Ends = "regression",
    profile_um: FloatArray | None = None,
) -> Waviness:
    """Wa, Wq and Wt of an evenly spaced profile: its waves longer than the cut-off.

    Parameters
    ----------
    z_um : ndarray of float64, shape (n,), µm
        Heights at equal steps along the surface, form removed, all finite; n samples are n spacings long. No
        level is taken away again: the form that was removed is the reference.
    spacing_mm, lambda_c_mm, lambda_s_mm, ends :
        As in `roughness`.
    profile_um : ndarray of float64, optional
        The waviness profile of all of this where it is known already.

    Returns
    -------
    Waviness
        Over all of the profile; with "discard" less one cut-off at each end.

    Raises
    ------
    TooFewSectionsError
        The profile is shorter than `WAVES_AT_LEAST` cut-offs; the message names both lengths.
    TraceRangeError, TraceShapeError
        As in `roughness_profile`.

    Notes
    -----
    ISO 21920-2 (from memory: the W-parameters are defined as the R-parameters, on the profile that a filter of
    the roughness' cut-off leaves). Waves longer than about half the profile are lost with its form.
    """
    z_um = np.asarray(z_um, dtype=np.float64)
    if z_um.ndim != 1:
        raise TraceShapeError(f"a waviness profile is one row of samples; found shape {z_um.shape}")
    lost = end_samples(spacing_mm, lambda_c_mm) if ends == "discard" else 0
    length_mm = max(z_um.size - 2 * lost, 0) * spacing_mm
    if length_mm < WAVES_AT_LEAST * lambda_c_mm * (1.0 - 1e-9):
        raise TooFewSectionsError(
            f"profile is {length_mm:.4g} mm long; waves longer than the cut-off of {lambda_c_mm:.4g} mm need "
            f"{WAVES_AT_LEAST * lambda_c_mm:.4g} mm"
        )
    profile = profile_um
    if profile is None:
        profile = waviness_profile(
            z_um, spacing_mm, lambda_c_mm=lambda_c_mm, lambda_s_mm=lambda_s_mm, ends=ends
        )
    pieces = max(int(length_mm / (WAVES_AT_LEAST * lambda_c_mm) * (1.0 + 1e-9)), 1)
    borders = [int(b) for b in np.rint(np.linspace(0, profile.size, pieces + 1))]
    u_wa, u_wq, _, _ = _scatter_of_means(profile, borders)
    return Waviness(
        wa_um=float(np.mean(np.abs(profile))),
        wq_um=float(np.sqrt(np.mean(profile**2))),
        wt_um=float(np.ptp(profile)),
        evaluation_length_mm=length_mm,
        piece_count=pieces,
        u_wa_um=u_wa,
        u_wq_um=u_wq,
        # A total height is no mean of the pieces: it scatters as the height of a single one does.
        u_wt_um=_deviation([float(np.ptp(profile[a:b])) for a, b in pairwise(borders)]),
    )


def height_parameters(found: EvaluatedProfile) -> Roughness:
    """Ra, Rq, Rz, Rt, Rsk and Rku of a roughness profile."""
    profile, sections, section_mm = found.profile_um, found.sections, found.section_mm
    heights = [float(np.ptp(profile[a:b])) for a, b in pairwise(sections)]
    used = found.used
    rq = float(np.sqrt(np.mean(used**2)))
    flat = rq <= found.rounding_um
    # Divided first: skewness and kurtosis then are plain means, and a flat profile divides by 1.
    shape = used / (1.0 if flat else rq)
    twice = shape * shape
    single = _deviation(heights)
    u_ra, u_rq, u_rsk, u_rku = _scatter_of_means(profile, sections)
    return Roughness(
        ra_um=float(np.mean(np.abs(used))),
        rq_um=rq,
        rz_um=float(np.mean(heights)),
        rt_um=float(np.ptp(used)),
        rsk=None if flat else float(np.mean(twice * shape)),
        rku=None if flat else float(np.mean(twice * twice)),
        section_count=len(heights),
        evaluation_length_mm=len(heights) * section_mm,
        u_ra_um=u_ra,
        u_rq_um=u_rq,
        u_rz_um=None if single is None else float(single / np.sqrt(len(heights))),
        u_rt_um=single,
        u_rsk=None if flat else u_rsk,
        u_rku=None if flat else u_rku,
    )


def _deviation(values: list[float]) -> float | None:
    """Standard deviation of a sample; None for a single value."""
    return float(np.std(values, ddof=1)) if len(values) > 1 else None


def _scatter_of_means(profile: FloatArray, borders: list[int]) -> tuple[float | None, ...]:
    """Standard uncertainties of mean amount, RMS, skewness and kurtosis from the sections between ``borders``.

    The jackknife: each value is computed anew with every section left out in turn.
    """
    count = len(borders) - 1
    if count < 2:
        return None, None, None, None
    used = profile[borders[0] : borders[-1]]
    start = np.array(borders[:-1]) - borders[0]
    twice = used * used  # products: a general power takes ten times as long
    powers = np.stack((np.abs(used), twice, twice * used, twice * twice))
    sums = np.add.reduceat(powers, start, axis=1)
    length = np.diff(np.append(start, used.size)).astype(np.float64)
    size, amount, square, cube, fourth = (s.sum() - s for s in (length, *sums))
    rms = np.sqrt(square / size)
    # All but one section may be flat; its ratio then is 0/0 and counts as 0.
    safe = np.where(rms > 0, rms, 1.0)
    without = (amount / size, rms, cube / size / safe**3, fourth / size / safe**4)
    return tuple(float(np.sqrt((count - 1) * np.mean((v - v.mean()) ** 2))) for v in without)


def _sections(samples: int, spacing_mm: float, lambda_c_mm: float, wanted: int | None, lost: int) -> list[int]:
    """Borders of the sections as sample numbers of the profile, centred; one more than there are sections."""
    available_mm = max(samples, 0) * spacing_mm
    # Samples times spacing misses a whole number of sections by rounding; without slack a section would be
    # lost.
    whole = int(np.floor(available_mm / lambda_c_mm * (1.0 + 1e-9)))
    count = wanted if wanted is not None else max(whole, 1)
    if whole < count:
        ends = f" after {lost * spacing_mm:.4g} mm lost at each end" if lost else ""
        raise TooFewSectionsError(
            f"profile is {available_mm:.4g} mm long{ends}; {count} section(s) of {lambda_c_mm:.4g} mm "
            f"need {count * lambda_c_mm:.4g} mm"
        )
    # In the middle, where the filter's ends reach least.
    start = (available_mm - count * lambda_c_mm) / 2.0
    borders = np.rint((start + lambda_c_mm * np.arange(count + 1)) / spacing_mm).astype(np.int64)
    return [int(b) for b in np.clip(borders, 0, samples)]
