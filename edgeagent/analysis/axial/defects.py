"""What of a flank's points is land, what is the flank's own form, and what may be dust.

The arc leaves out points that no noise explains. They are part of what was read all the same, so nothing that
is left out of the fit is left out of the judgement:

- beyond the flank's end, where the material falls away for good, is the land (or the relief of the root): it is
  no flank, and counted apart;
- what repeats at the same place of the same flank on several grooves was cut by the tool: it is form;
- what differs from the other grooves no more than texture does is texture;
- a dip narrower than two fifths of the cut-off is texture, as honing leaves it: dust never lies below the
  surface. A single sample that lies deep is a fault of the reading;
- the rest may be dust or a real defect, and one trace does not tell which: it stays doubtful, and the part is
  held.

Derived here; thresholds decided here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.groove.arcs import DUST_FLOOR_MM, Arc, BoolArray
from edgeagent.model import FloatArray

TEXTURE_SHARE = 0.4
"""Of the form's cut-off: a dip that is narrower at half its depth passes for texture."""
_SPIKE_UM = 3.0
"""A dip so deep is wider than a sample wherever a tip has followed it."""
_EDGE_MARGIN_MM = 0.03
"""A tip turning about the flank's end leaves the arc so far before it, at the most."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Neighbouring points that the arc leaves out: ``first`` to ``last`` (not included) of a flank's points.

    ``height_um`` is their largest residual, positive where material stands proud; ``angle_deg`` is where they
    first and last reach half of it, ``width_mm`` and ``samples`` the longest run above half.
    """

    first: int
    last: int
    height_um: float
    angle_deg: tuple[float, float]
    width_mm: float
    samples: int


def flank_points(
    arc: Arc, angle_deg: FloatArray, edges_deg: tuple[float, float], edge_noise_mm: float
) -> BoolArray:
    """Which of a flank's points (n,) lie between its ends, burrs included.

    ``angle_deg`` (n,) counts from the root, ``edges_deg`` are the flank's ends, ``edge_noise_mm`` how far off
    the arc the ends were looked for. Beyond an end only material that stands proud still counts: a burr.
    """
    beyond = (angle_deg < edges_deg[0]) | (angle_deg > edges_deg[1])
    # The tip's turning takes a length along the arc, whatever the arc's radius is.
    margin = np.degrees(_EDGE_MARGIN_MM / arc.radius_mm)
    near = (angle_deg < edges_deg[0] + margin) | (angle_deg > edges_deg[1] - margin)
    # The residual is negative where material stands proud.
    land = beyond & (arc.residual_mm > -DUST_FLOOR_MM)
    # Only where land follows: without one the zone ends on the flank, and what the arc leaves out there may be
    # dust.
    turning = near & ~arc.kept & (np.abs(arc.residual_mm) < edge_noise_mm)
    return np.asarray(~land & ~(turning if np.any(land) else land))


def left_out_stretches(arc: Arc, angle_deg: FloatArray, surface: BoolArray) -> tuple[Stretch, ...]:
    """Runs of points of the flank that its arc leaves out, where they leave it by more than the dust floor."""
    out = surface & ~arc.kept
    # False at both ends closes a run that reaches the end of the zone; borders then come in pairs.
    border = np.flatnonzero(np.diff(np.concatenate([[False], out, [False]]).astype(np.int8)))
    found = []
    for first, last in zip(border[::2].tolist(), border[1::2].tolist(), strict=True):
        proud = -arc.residual_mm[first:last]
        top = float(proud[np.argmax(np.abs(proud))])
        # These are the skirts that the arc's choice adds to a run (`arcs`): form and texture, to be judged as
        # such.
        if abs(top) <= DUST_FLOOR_MM:
            continue
        # At half its height, as a grain is measured: skirts would make each dip wider than texture.
        high = proud * np.sign(top) >= abs(top) / 2.0
        seen = angle_deg[first:last]
        samples = longest_run(high)
        # Mean step times samples: a run is one step wider than its first and last sample are apart.
        width = float(np.radians(np.ptp(seen))) * arc.radius_mm * samples / seen.size
        reach = float(seen[high].min()), float(seen[high].max())
        found.append(Stretch(first, last, top * 1e3, reach, width, samples))
    return tuple(found)


def longest_run(flags: BoolArray) -> int:
    """Length of the longest run of True."""
    border = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return int((border[1::2] - border[::2]).max(initial=0))


def doubtful_stretches(
    flanks: Sequence[tuple[Stretch, ...]],
    *,
    starts: int,
    cutoff_mm: float,
) -> list[tuple[Stretch, ...]]:
    """Of each flank's stretches those that may be dust; ``flanks`` are those of one name."""
    needed = _grooves_needed(len(flanks), starts)
    found = []
    for i, own in enumerate(flanks):
        others = [stretches for j, stretches in enumerate(flanks) if j != i]
        found.append(
            tuple(
                s
                for s in own
                # 1 for the groove itself; a groove counts once, however many of its stretches lie there.
                if 1 + sum(any(_same_place(s, o) for o in other) for other in others) < needed
                and not _is_texture(s, cutoff_mm)
            )
        )
    return found


def _grooves_needed(count: int, starts: int) -> float:
    """On how many grooves a stretch must recur to be form: half of those of one start, at least three.

    Two specks of a few degrees meet by chance on two of many flanks in some 15 %; one groove shows no form.
    """
    if count < 2:
        return float("inf")
    return min(float(count), max(3.0, float(np.ceil(count / (2.0 * starts)))))


def _same_place(a: Stretch, b: Stretch) -> bool:
    overlap = min(a.angle_deg[1], b.angle_deg[1]) - max(a.angle_deg[0], b.angle_deg[0])
    return a.height_um * b.height_um > 0.0 and overlap >= 0.0


def _is_texture(s: Stretch, cutoff_mm: float) -> bool:
    narrow = s.height_um < 0.0 and s.width_mm <= TEXTURE_SHARE * cutoff_mm
    # One sample alone: nothing that a tip has followed is narrower than the tip, so a deep one is an electrical
    # fault.
    return narrow and (s.samples > 1 or s.height_um > -_SPIKE_UM)
