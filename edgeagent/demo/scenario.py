"""The demo's scenario: invented parts with built-in defects, and what each of them must become.

A day in cell-3 of plant-a, in a minute: shafts KX-2005-R are ground and measured on gauge-1. Nothing in here
is taken from a real part, person or company.
"""

from __future__ import annotations

from dataclasses import dataclass

AGENT_TOML = """# Written by the demo; everything in this folder is invented.
[station]
site = "plant-a"
cell = "cell-3"
name = "gauge-1"

[intake]
folders = ["inbox"]
settle_s = 0.3
live_s = 60
scan_s = 1.0

[store]
folder = "store"

[mqtt]
url = "mqtt://127.0.0.1:{port}"
prefix = "edgeagent/plant-a/cell-3/gauge-1"

[decision]
budget_required = true
rule = "guarded"
reject_latches = true
set_timeout_s = 8

[verification]
artefact = "MW-03"
max_age_h = 24

[uncertainty]
gauge_scale = 0.003
length_scale = 2e-6
tip_radius_mm = 0.0003
"""

SPIRAL_RECIPE = """# An invented ball-screw shaft.
part = "KX-2005-R"
revision = "B"

[thread]
member = "shaft"
hand = "right"
starts = 1
lead_mm = 5.0
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.535

[running]
speed_rpm = 3000
"""

SPIRAL_MEASUREMENT = """
[[measurement]]
feature = "{feature}"
kind = "spiral"
turns_min = 3
upr = [2, 500]
bands = [[2, 15], [16, 50], [51, 500]]

  [[measurement.limit]]
  characteristic = "roundness_total"
  upper = 1.2
  caution = 0.75

  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
  points = [[2, 300.0], [20, 60.0], [500, 3.0]]
  caution = 0.75
"""

AXIAL_RECIPE = """# An invented ball-screw shaft, measured through its grooves.
part = "KX-2005-G"
revision = "A"

[thread]
member = "shaft"
hand = "right"
starts = 1
lead_mm = 5.0
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.53

[[measurement]]
feature = "profile"
kind = "axial"

  [[measurement.limit]]
  characteristic = "contact_angle_left"
  lower = 42.0
  upper = 48.0

  [[measurement.limit]]
  characteristic = "contact_angle_right"
  lower = 42.0
  upper = 48.0

  [[measurement.limit]]
  characteristic = "pitch_deviation"
  lower = -4.0
  upper = 4.0

  [[measurement.limit]]
  characteristic = "ball_pitch_circle_diameter"
  lower = 20.74
  upper = 20.76
"""

CERTIFICATE = """# An invented multi-wave reference artefact.
artefact = "MW-03"
certificate = "C-2291"
valid_until = 2099-06-30

[[wave]]
upr = 36
amplitude_nm = 812.0
expanded_uncertainty_nm = 6.0

[[wave]]
upr = 180
amplitude_nm = 403.0
expanded_uncertainty_nm = 5.0

[accept]
en_max = 1.0
spurious_nm = 4.0
"""

Waves = tuple[tuple[int, float], ...]
"""Waves of a surface as (UPR, amplitude in nm)."""

GROOVED = "KX-2005-G"
"""Part number of the parts that are measured through their grooves."""

GOOD: Waves = ((2, 140.0), (3, 60.0), (5, 30.0), (20, 14.0), (37, 9.0), (111, 2.0))


@dataclass(frozen=True, slots=True)
class GrooveShape:
    """An axial trace's part: contact angle of both flanks and the lead that was really ground."""

    contact_angle_deg: float = 45.0
    lead_mm: float = 5.0


@dataclass(frozen=True, slots=True)
class Act:
    """One file that the gauge exports.

    ``manner`` is how it is written: ``slowly`` in chunks, ``renamed`` from a temporary name, ``at-once``,
    ``torn`` (half a file, later overwritten with the whole one).
    """

    name: str
    feature: str
    waves: Waves
    manner: str = "at-once"
    part: str | None = "KX-2005-R"
    serial: str | None = None
    artefact: str | None = None
    spike_um: float = 0.0
    clip_um: float | None = None
    seed: int = 0
    groove: GrooveShape | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """A part of the demo: its files, its built-in defect in words, and the disposition that this calls for.

    ``because`` is a word that must stand in the reasons; empty where an accept needs none. ``deciding`` are the
    numbers of its files that bring a disposition: the last one missing, the first that rejects.
    """

    serial: str
    defect: str
    expected: str
    because: str
    acts: tuple[Act, ...]
    part: str = "KX-2005-R"
    deciding: tuple[int, ...] = (2,)


def _pair(
    serial: str, left: Waves, right: Waves, *, manner: str = "at-once", **more: object
) -> tuple[Act, ...]:
    # The same noise in every run: what is expected of each part was tried with it.
    seed = int(serial)
    return (
        Act(f"{serial}-left.txt", "left-flank", left, manner, serial=serial, seed=seed, **more),  # type: ignore[arg-type]
        Act(f"{serial}-right.txt", "right-flank", right, manner, serial=serial, seed=seed + 500_000),
    )


def cases() -> tuple[Case, ...]:
    """All parts in the order in which they are measured, first act."""
    comb: Waves = (*GOOD, (96, 38.0), (192, 17.0), (288, 9.0))
    lobed: Waves = (*GOOD, (3, 560.0))
    near: Waves = (*GOOD[:3], (20, 52.0))
    return (
        Case("000501", "none", "accept", "", _pair("000501", GOOD, GOOD, manner="slowly")),
        Case(
            "000502",
            "wheel imbalance: waves at 96, 192, 288 UPR",
            "reject",
            "96 UPR",
            _pair("000502", GOOD, comb),
        ),
        Case(
            "000503", "20 UPR near its limit", "accept", "near", _pair("000503", near, GOOD, manner="renamed")
        ),
        Case(
            "000504",
            "three-lobed: roundness",
            "reject",
            "roundness total",
            _pair("000504", lobed, GOOD),
            deciding=(1,),
        ),
        Case("000505", "dust on the left flank", "hold", "spikes", _pair("000505", GOOD, GOOD, spike_um=3.0)),
        Case(
            "000506", "gauge at its stop", "hold", "gauge saturation", _pair("000506", GOOD, GOOD, clip_um=2.5)
        ),
        Case("000507", "file torn, then written whole", "accept", "", _torn("000507")),
        Case(
            "000508",
            "right flank never measured",
            "hold",
            "missing right-flank",
            _pair("000508", GOOD, GOOD)[:1],
            deciding=(),
        ),
        Case("000509", "no recipe", "hold", "no recipe", _play_unknown("000509"), "QQ-9999-L", (1,)),
        *_grooves(),
        Case(
            "000510",
            "rejected, reground, measured again",
            "accept",
            "re-measured",
            _reground("000510", comb),
            deciding=(1, 3),
        ),
    )


def _grooves() -> tuple[Case, ...]:
    """Parts that are measured through their grooves."""

    def case(serial: str, defect: str, expected: str, because: str, groove: GrooveShape) -> Case:
        act = Act(
            f"{serial}-profile.txt", "profile", (), part=GROOVED, serial=serial, seed=int(serial), groove=groove
        )
        return Case(serial, defect, expected, because, (act,), GROOVED, (1,))

    return (
        case("000521", "none", "accept", "", GrooveShape()),
        case("000522", "wheel dressed wrong: contact angle 50°", "reject", "contact angle", GrooveShape(50.0)),
        case("000523", "lead drive: 12 µm a pitch", "reject", "pitch deviation", GrooveShape(lead_mm=5.012)),
    )


def _torn(serial: str) -> tuple[Act, ...]:
    left, right = _pair(serial, GOOD, GOOD)
    return (
        Act(left.name, left.feature, left.waves, "torn", serial=serial, seed=left.seed),
        right,
    )


def _play_unknown(serial: str) -> tuple[Act, ...]:
    return (Act(f"{serial}.txt", "left-flank", GOOD, part="QQ-9999-L", serial=serial, seed=9),)


def _reground(serial: str, comb: Waves) -> tuple[Act, ...]:
    left, right = _pair(serial, comb, GOOD)
    again = Act(f"{serial}-left-2.txt", "left-flank", GOOD, serial=serial, seed=77)
    return left, right, again


def verification(name: str, scale: float, seed: int) -> Act:
    """The reference artefact as the gauge sees it; ``scale`` below 1 is a gauge that reads too small."""
    waves = ((36, 812.0 * scale), (180, 403.0 * scale))
    return Act(name, "waves", waves, part=None, artefact="MW-03", seed=seed)


def drift_acts() -> tuple[tuple[Act, Case], tuple[Act, Case]]:
    """Second act: the gauge reads less and less, and parts have a wave of 62 nm where 60 are allowed.

    While the artefact still passes, the wave is found. The verification fails when the gauge reads 1 % low,
    which would not hide the wave yet; by the time it reads 4 % low and the part looks good, the gate is closed.
    """
    return (
        (verification("MW-03-noon.txt", 0.9965, 12), _chatter("000511", 0.9965, "reject", "20 UPR", 1)),
        (verification("MW-03-evening.txt", 0.9895, 13), _chatter(WOULD_PASS, 0.96, "hold", "gate", 2)),
    )


WOULD_PASS = "000512"
"""A part that would be accepted wrongly if it were not for the gate."""


def _chatter(serial: str, scale: float, expected: str, because: str, deciding: int) -> Case:
    waves = tuple((upr, scale * nm) for upr, nm in (*GOOD[:3], (20, 62.0)))
    defect = f"62 nm at 20 UPR, gauge reads {100 * (1 - scale):.2g} % low"
    return Case(serial, defect, expected, because, _pair(serial, waves, GOOD), deciding=(deciding,))
