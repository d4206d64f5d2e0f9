"""Where a stylus touches a part that is off centre, and what that adds to its reading.

A gauge that reads at the spindle angle θ touches a part whose axis lies e beside the spindle's, towards the
angle a, at the part's own angle

    φ = θ + asin((e/R) sin(θ - a)),    at the distance  e cos(θ - a) + sqrt(R² - e² sin²(θ - a)),

R the radius of the tip's centre (law of sines and of cosines in the triangle of both axes and the tip). A
thread of p mm per rad lies p (φ - θ) further along the axis there. Both displacements of the section, radial u
and axial x, move the gauge along its own direction D alone. On a straight flank of normal N the normal
displacement is N·(u, x); a concave flank of radius ρ (less the tip's) moves along itself by d = T·(u, x) - (D·T
/ D·N) N·(u, x), T the flank's direction in the section, and adds ρ - sqrt(ρ² - d²). All derived here; against
an exact ball that touches an exact groove in tests/analysis/test_eccentric.py.

The once-per-turn motion that a trace shows, normal to the surface, is g e with the gain g = N_r + i N_x p/R
(complex numbers are vectors towards angles of the trace), and grows with e: that tells e. The rim of a part
that leans wobbles along the axis besides, by its lean times R, which a flank reads in the same way. It is not
taken out of e, since growth may come from a bent part or from the machine's axes as well; it counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.waves.trigonometric import ComplexArray
from edgeagent.model import FloatArray

RELATIVE_DOUBT = 0.03
"""Relative standard uncertainty of e/R: e is the reading over the cosine of a contact angle that lies within 3°
of its nominal value (rectangular: 1.7°, 3 % at 45°)."""
SECOND_ORDER_DOUBT = 0.12
"""That of the second order: e squared with the slope of the flank, for the same contact angle at 45°."""
_CHUNK = 8192
"""Samples whose touch is computed at a time: they stay in the processor's cache."""
_SERIES = 4e-6
"""Square of e/R up to which three terms of the arc sine leave nothing: 15/336 of its third power beside 1."""
_OFFSET_MAX = 0.1
"""Largest e/R that is taken out; beyond, the part is not clamped but lies."""


@dataclass(frozen=True, slots=True)
class Motion:
    """How the part's axis lies, in µm as complex vectors towards angles of the trace.

    ``offset_um`` at the middle of the trace, ``growth_um`` by which it grows in a turn.
    """

    offset_um: complex = 0j
    growth_um: complex = 0j


@dataclass(frozen=True, slots=True)
class Touch:
    """Where and how each sample touches; arrays of shape (n,).

    ``angle_rad`` is φ with its cosine and sine, ``extra_um`` the reading of the part as a rigid body beyond
    the waves of one turn in φ that the harmonic fit takes for it.
    """

    angle_rad: FloatArray
    cosine: FloatArray
    sine: FloatArray
    extra_um: FloatArray


@dataclass(frozen=True, slots=True)
class EccentricContact:
    """Geometry of a contact: lengths in µm, directions in the section (outward radius, axis).

    ``normal`` and ``along`` are N and T as (radial, axial) parts, ``rise_um`` p per rad, signed by how height
    goes with the angle. ``slip`` is D·T / D·N, ``factor`` what turns readings into displacements along N.
    ``arc_um`` is ρ, None for a straight flank. ``axial_unknown`` is the size of N's axial part
    where its sign is not known (`normal` then has none); ``taken_out`` is False where all that eccentricity
    does only counts.
    """

    radius_um: float
    normal: tuple[float, float]
    along: tuple[float, float] = (0.0, 0.0)
    rise_um: float = 0.0
    slip: float = 0.0
    factor: float = 1.0
    arc_um: float | None = None
    axial_unknown: float = 0.0
    taken_out: bool = True

    @property
    def gain(self) -> complex:
        """Once-per-turn motion normal to the surface over the offset of the axis."""
        return complex(self.normal[0], self.normal[1] * self.rise_um / self.radius_um)

    def motion(self, middle_um: complex, growth_um: complex) -> Motion | None:
        """The part's motion from the reading's once-per-turn vector at the middle and its growth in a turn.

        None for an offset of more than a tenth of the radius.
        """
        offset, growth = self.factor * middle_um / self.gain, self.factor * growth_um / self.gain
        return Motion(offset, growth) if abs(offset) < _OFFSET_MAX * self.radius_um else None

    def first_motion(self, coefficient: ComplexArray, growth_um: complex) -> Motion | None:
        """The motion from harmonics over the spindle's angle, in which 2 UPR leans on the once-per-turn motion.

        Over φ the first harmonic is larger by c_2 e/R (see ``moved``), and so it grows.
        """
        first = self.motion(2 * complex(np.conj(coefficient[1])), growth_um)
        if first is None or len(coefficient) < 3:
            return first
        # What 2 UPR lends to 1 UPR when the angle is counted by the part instead of by the spindle.
        share = complex(coefficient[2]) / self.radius_um
        middle = 2 * complex(np.conj(coefficient[1] + share * first.offset_um))
        return self.motion(middle, growth_um + 2 * complex(np.conj(share * first.growth_um)))

    def touch(
        self,
        motion: Motion,
        angle_rad: FloatArray,
        turn: FloatArray,
        circle: tuple[FloatArray, FloatArray] | None = None,
    ) -> Touch:
        """Where samples at spindle angles touch; ``turn`` counts turns from the trace's middle, shape (n,).

        ``circle`` are cosine and sine of the angles where they are known already.
        """
        cos, sin = circle or (np.cos(angle_rad), np.sin(angle_rad))
        # One array, written in place: temporaries of the whole trace would leave the cache.
        found = np.empty((4, len(angle_rad)))
        for begin in range(0, len(angle_rad), _CHUNK):
            some = slice(begin, begin + _CHUNK)
            self._touch_some(motion, angle_rad[some], turn[some], cos[some], sin[some], found[:, some])
        return Touch(*found)

    def _touch_some(
        self,
        motion: Motion,
        angle_rad: FloatArray,
        turn: FloatArray,
        cos: FloatArray,
        sin: FloatArray,
        found: FloatArray,
    ) -> None:
        """The four arrays of `touch` for some samples, into ``found``, shape (4, n)."""
        x_um = motion.offset_um.real + motion.growth_um.real * turn
        y_um = motion.offset_um.imag + motion.growth_um.imag * turn
        towards = x_um * cos + y_um * sin
        aside = (x_um * sin - y_um * cos) / self.radius_um
        square = aside * aside
        # Cheaper than the library's arc sine, for a part that is centred within 0.2 % of its radius.
        if float(square.max()) < _SERIES:
            shift = aside * (1 + square * (1 / 6 + square * 0.075))  # the arc sine
        else:
            shift = np.arcsin(aside)
        # The law of cosines less R, so arranged that R, some 1e4 µm, is not added to nanometres.
        radial = towards - self.radius_um * (1 - np.sqrt(1 - square))
        along_normal = self.normal[0] * radial + (self.normal[1] * self.rise_um) * shift
        if self.arc_um is not None:
            slide = self.along[0] * radial + (self.along[1] * self.rise_um) * shift - self.slip * along_normal
            slide *= slide
            # ρ - sqrt(ρ² - d²), without the difference of two nearly equal numbers.
            along_normal += slide / (self.arc_um + np.sqrt(self.arc_um**2 - slide))
        np.add(angle_rad, shift, out=found[0])
        found[1], found[2] = _turn_by(cos, sin, shift)
        # The fit over φ has its own first harmonic and tilt: what they take must not be subtracted twice.
        first, more = self.gain * motion.offset_um, self.gain * motion.growth_um
        along_normal -= (first.real + more.real * turn) * found[1]
        along_normal -= (first.imag + more.imag * turn) * found[2]
        np.divide(along_normal, self.factor, out=found[3])

    def move_harmonics(
        self, coefficient: ComplexArray, before: Motion, after: Motion, middle_um: complex
    ) -> ComplexArray:
        """Harmonics that were fitted with the motion ``before``, as they are with the nearby motion ``after``.

        ``middle_um`` is the reading's once-per-turn vector that the fit found. The profile turns by the
        difference of φ, which mixes neighbouring orders (first order), and takes over or gives back what the
        rigid body reads otherwise.
        """
        change = after.offset_um - before.offset_um
        order = np.arange(len(coefficient))
        slope = order * coefficient
        # 1 UPR is the motion itself, which is being exchanged; a mean does not turn.
        slope[:2] = 0
        up, down = np.zeros_like(slope), np.zeros_like(slope)
        up[1:], down[:-1] = slope[:-1], slope[1:]
        result: ComplexArray = coefficient - (np.conj(change) * up - change * down) / (2 * self.radius_um)
        # The rigid part falls by e/R from order to order: 32 places hold all of it without aliasing.
        angle = 2 * np.pi * np.arange(32) / 32
        turn = np.zeros(32)
        old, new = self.touch(before, angle, turn), self.touch(after, angle, turn)
        seen = middle_um.real * old.cosine + middle_um.imag * old.sine + old.extra_um
        true = middle_um.real * new.cosine + middle_um.imag * new.sine + new.extra_um
        rest = np.fft.rfft(seen - true) / 32
        rest[1] = 0
        count = min(len(coefficient), 4)
        result[:count] += rest[:count]
        return result

    def doubtful_um2(self, coefficient: ComplexArray, motion: Motion) -> FloatArray:
        """Variance of each amplitude for what is not known of φ and of the second order, in µm², shape (N +
        1,).

        A relative error of e/R moves the side bands of each wave; the sum over both neighbours counts for one
        phase of two. Where nothing is taken out all of both is unknown.
        """
        size_um = abs(motion.offset_um)
        off, second = RELATIVE_DOUBT * size_um, SECOND_ORDER_DOUBT * self.second_order_um(motion)
        if not self.taken_out:
            off, second = size_um, self.second_order_um(motion)
        if self.rise_um:
            axial = abs(self.normal[1]) or self.axial_unknown
            rim_um = abs(motion.growth_um) * self.radius_um / (2 * np.pi * abs(self.rise_um))
            # A tip touches in the plane normal to the helix: there φ turns by cos² of the lead angle as much.
            steep = (self.rise_um / self.radius_um) ** 2
            off = math.hypot(off, size_um * steep / (1.0 + steep))
            # Without its sign the axial part turns the direction of e by this much.
            aside = self.axial_unknown * abs(self.rise_um) / (self.radius_um * abs(self.gain))
            off = math.hypot(off, axial * rim_um / abs(self.gain), aside * size_um)
            if self.arc_um is not None:
                # e cos² and rim cos² along the flank: what both together add to that of e alone.
                slide, wobble = (
                    abs(self.along[0]) * (size_um + off),
                    abs(self.along[1] or self.normal[0]) * rim_um,
                )
                second = math.hypot(second, wobble * (2 * slide + wobble) / (4 * self.arc_um))
        found = side_bands_um2(coefficient, off / self.radius_um)
        if len(found) > 2:
            found[2] += (second / self.factor) ** 2
        return found

    def second_order_um(self, motion: Motion) -> float:
        """Amplitude at 2 UPR that the rigid part adds, normal to the surface."""
        angle = 2 * np.pi * np.arange(16) / 16
        extra = self.touch(Motion(motion.offset_um), angle, np.zeros(16)).extra_um
        return float(2 * np.abs(np.fft.rfft(extra)[2]) / 16 * self.factor)


def side_bands_um2(coefficient: ComplexArray, shift_rad: float) -> FloatArray:
    """Variance of amplitudes for angles that are off by ``shift_rad`` once a turn, in µm², shape (N + 1,).

    A wave of order n keeps J_0(x) and leaves J_m(x) at n ± m, x = n times ``shift_rad``; (x/2)^m / m! bounds
    J_m, and so do 0.59, 0.49 and 0.44.
    """
    square = (2 * np.abs(coefficient)) ** 2
    # Side bands of 1 UPR are the second order, which counts by itself; a mean has none.
    square[:2] = 0
    x = np.arange(len(coefficient)) * shift_rad
    # What a wave loses itself: 1 - J_0(x) is at most x²/4, and all of it at the most.
    found: FloatArray = np.minimum(x**2 / 4, 1.0) ** 2 * square
    for m, (most, factorial) in enumerate(((0.59, 1), (0.49, 2), (0.44, 6)), 1):
        spread = np.minimum((x / 2) ** m / factorial, most) ** 2 * square / 2
        found[m:] += spread[:-m]
        found[:-m] += spread[m:]
    return found


def _turn_by(cos: FloatArray, sin: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cosine and sine of an angle plus a small one, by the series of the small one to its eighth power."""
    square = shift * shift
    # Shifts stay about 0.1 rad (_OFFSET_MAX) at the most, where the first term left out is 0.1^8/8!, 2e-13.
    c = 1 - square / 2 * (1 - square / 12 * (1 - square / 30))
    s = shift * (1 - square / 6 * (1 - square / 20 * (1 - square / 42)))
    return cos * c - sin * s, sin * c + cos * s
