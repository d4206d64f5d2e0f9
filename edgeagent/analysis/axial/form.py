"""Form of the flanks after a Gaussian cut-off, and what the flanks' texture does to it and to the root.

Texture and noise are random: on the next piece of the same thread they differ. How much of them passes the
cut-off is seen from groove to groove: what all flanks of one name have in common is form (of wheel or tool),
what differs is chance. Taken by lot it gives draws for the peak-to-valley value (`extremes`), and its
autocovariance gives the variance of the two lines that meet at the root. With fewer than three grooves the
waves shorter than a quarter of the flank stand for it. Derived here; compared with the scatter over turned,
ground and honed flanks in tests/analysis/test_flank_form.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.axial.extremes import draw_places, range_uncertainty
from edgeagent.analysis.groove.arcs import DUST_FLOOR_MM, BoolArray
from edgeagent.analysis.groove.ball import line_weights
from edgeagent.analysis.texture.filters import gaussian_density, smoothing_matrix
from edgeagent.model import FloatArray, IntArray

# A cell's mean keeps 99.4 % of a wave as long as the cut-off, sin(pi/16)/(pi/16).
_CELLS_PER_CUTOFF = 16
# Fewer leave nothing to compare between grooves; more would make the smoothing matrix the longest step.
_CELLS = (24, 1024)
_FORM_WAVES = 3
"""An arc takes with it most of what has fewer waves on a flank."""
# What one or two flanks have on so few waves is form rather than texture: there is nothing to compare it with.
_OWN_WAVES = 4
_STANDING_SIGMAS = 8.0
"""Five for chance, three more since an arc without a stretch runs farther off it than one with it."""


@dataclass(frozen=True, slots=True)
class FlankForm:
    """Peak to valley of a flank's residual after the cut-off, its standard uncertainty, both um.

    ``doubt_um`` is what of it stands on points that may be dust.
    """

    value_um: float
    uncertainty_um: float
    doubt_um: float


def even_cells(length_mm: FloatArray, proud_um: FloatArray, count: int) -> FloatArray:
    """Means of a profile (n,) in ``count`` equal cells of its length; empty cells are bridged straight."""
    cell = cell_numbers(length_mm, count, (float(length_mm.min()), float(length_mm.max())))
    number = np.bincount(cell, minlength=count)
    total = np.bincount(cell, weights=proud_um, minlength=count)
    # Coarse traces leave cells without a sample; a cell is never empty of surface.
    filled = np.flatnonzero(number)
    return np.interp(np.arange(count), filled, total[filled] / number[filled])


def cell_count(length_mm: float, cutoff_mm: float) -> int:
    """Cells of a flank: sixteen to a cut-off, so that a cell's mean loses nothing that the filter keeps."""
    return int(np.clip(np.ceil(_CELLS_PER_CUTOFF * length_mm / cutoff_mm), *_CELLS))


def common_and_rest(profiles: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What grooves have in common, (cells,), and what differs from one to the next, (m, cells); um.

    Wave by wave, the mean of all grooves counts as common as far as its power exceeds what m waves of chance
    would leave in it, twice over (a Wiener filter): feed marks that begin anywhere have no common part. With
    fewer than three grooves nothing is common and waves shorter than a quarter of the flank are chance. Chance
    is scaled to the mean square of one groove's texture.
    """
    m, cells = profiles.shape
    waves = np.fft.rfft(profiles, axis=1)
    if m < 3:
        waves[:, : _OWN_WAVES + 1] = 0.0
        return np.zeros(cells), np.asarray(np.fft.irfft(waves, n=cells, axis=1))
    mean = waves.mean(axis=0)
    # m/(m - 1): the mean has taken a part of each groove's chance with it.
    chance = np.mean(np.square(np.abs(waves - mean)), axis=0) * (m / (m - 1.0))
    # A wave that no groove has gives 0/0: nothing common.
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(np.nan_to_num(1.0 - 2.0 * chance / (m * np.square(np.abs(mean)))), 0.0, 1.0)
    # Taking the mean off removes 1/m of the chance; with a share of 1 this restores it exactly.
    rest = (waves - share * mean) * np.sqrt(m / (m - share))
    return np.fft.irfft(share * mean, n=cells), np.asarray(np.fft.irfft(rest, n=cells, axis=1))


def about_own_arc(profiles: FloatArray, clean: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Profiles (m, cells) as read, and with doubtful points bridged, about the least-squares arc of the latter.

    The arc that leaves points out turns with what it happens to leave out; form is about all of the surface.
    Level, slope and bend are what an arc's place and radius change.
    """
    base = _arc_base(clean.shape[1])
    # Fitted to the cleaned profile, so that a grain does not bend the arc about which it is judged.
    arc = (clean @ base) @ base.T
    return profiles - arc, clean - arc


def _arc_base(cells: int) -> FloatArray:
    """Orthonormal level, slope and bend, (cells, 3)."""
    # About the middle, where 1, x and x² are nearly orthogonal already.
    along = np.linspace(-1.0, 1.0, cells)
    return np.asarray(np.linalg.qr(np.column_stack([np.ones(cells), along, along**2]))[0])


def outlying(profiles: FloatArray) -> BoolArray:
    """Cells (m, cells) that stand off what the grooves have in common farther than texture does.

    All of them where fewer than three grooves show nothing in common.
    """
    if len(profiles) < 3:
        return np.ones(profiles.shape, dtype=bool)
    # Median over the grooves: one that is dirty must not shift what they have in common.
    off = np.abs(profiles - np.median(profiles, axis=0))
    return np.asarray(off > max(_STANDING_SIGMAS * 1.4826 * float(np.median(off)), 1e3 * DUST_FLOOR_MM))


def cell_numbers(length_mm: FloatArray, count: int, span: tuple[float, float]) -> IntArray:
    """In which of ``count`` equal cells between the ends of ``span`` points lie, or lie nearest to."""
    share = (length_mm - span[0]) / (span[1] - span[0])
    return np.clip((count * share).astype(np.int64), 0, count - 1)


def flank_forms(
    profiles: FloatArray,
    clean: FloatArray,
    common: FloatArray,
    chance: FloatArray,
    cell_mm: float,
    cutoff_mm: float,
) -> list[FlankForm]:
    """Form of all left, or all right, flanks of a trace.

    Parameters
    ----------
    profiles, clean : shape (m, cells), um
        Residuals from the arcs in equal cells, proud positive; as read, and with doubtful points bridged.
    common, chance : shapes (cells,) and (any, cells), um
        From `common_and_rest`.
    cell_mm, cutoff_mm : mm
        Length of a cell, and the wavelength that the Gaussian filter halves.
    """
    cells = profiles.shape[1]
    # Below two cells the Gaussian's weights fall between the cells and would not be a Gaussian.
    keep = smoothing_matrix(cells, cell_mm, max(cutoff_mm, 2.0 * cell_mm))
    # Waves that pass the cut-off are seen well enough at every fourth cell.
    noise = (_draws(chance) @ keep.T)[:, ::4]
    # On the next groove another valley is the deepest: what all have in common says how much that matters.
    shared = range_uncertainty((keep @ common)[::4], noise) if len(clean) >= 3 else 0.0
    forms = []
    for read, sure in zip(profiles @ keep.T, clean @ keep.T, strict=True):
        value, own = float(np.ptp(read)), range_uncertainty(sure[::4], noise)
        forms.append(FlankForm(value, max(own, shared), abs(value - float(np.ptp(sure)))))
    return forms


def _draws(chance: FloatArray) -> FloatArray:
    """Texture of other grooves, (DRAWS, cells): profiles taken by lot, begun anywhere.

    So feed marks keep their height and honing its deep valleys, which a normal law would not. A profile goes on
    as its mirror image, without a step. Level, slope and bend go with the arc.
    """
    m, cells = chance.shape
    groove, shift = draw_places(m, 2 * cells)
    # Mirrored rather than repeated: a jump from the end to the begin would ring in the filter.
    endless = np.concatenate([chance, chance[:, ::-1]], axis=1)
    texture = endless[groove[:, None], (np.arange(cells) + shift[:, None]) % (2 * cells)]
    base = _arc_base(cells)
    return np.asarray(texture - (texture @ base) @ base.T)


def root_variance(chance: FloatArray, cell_mm: float, cutoff_mm: float) -> float:
    """Variance, um², of the root's height by texture alone: two lines read where they meet.

    ``chance`` (m, cells), um. Both sides are taken for one texture that goes on through the root.
    """
    cells = chance.shape[1]
    power = np.mean(np.square(np.abs(np.fft.rfft(chance, axis=1) / cells)), axis=0)
    # An arc takes the longest waves with it: they get the power of the next ones.
    power[:_FORM_WAVES] = power[_FORM_WAVES : _FORM_WAVES + 3].mean()
    count = min(max(int(np.ceil(cutoff_mm / cell_mm)), 2), cells // 2)
    away = (np.arange(count) + 0.5) * cell_mm
    one = line_weights(away, gaussian_density(away, cutoff_mm)) / 2.0
    # Both lines count half in the root (`ball.root_gap`); cells run through from one flank to the other.
    weight = np.concatenate([one[::-1], one])
    autocovariance = np.fft.irfft(power, n=cells) * cells
    # count is half of the cells at most, so that no lag wraps round the periodic autocovariance.
    lag = np.abs(np.arange(2 * count)[:, None] - np.arange(2 * count))
    return float(max(weight @ autocovariance[lag] @ weight, 0.0))


def bridged_points(length_mm: FloatArray, proud_um: FloatArray, bad: BoolArray) -> FloatArray:
    """A profile (n,) with some points replaced by a straight line between their neighbours."""
    good = ~bad
    if not np.any(bad) or np.count_nonzero(good) < 2:
        return proud_um
    order = np.argsort(length_mm[good])
    line = np.interp(length_mm, length_mm[good][order], proud_um[good][order])
    return np.where(bad, line, proud_um)
