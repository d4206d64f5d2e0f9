"""Commands pair, speed and align as a person calls them, and what inspect says of peaks. Parts are invented."""

from __future__ import annotations

import json

import click
import numpy as np
import pytest
from click.testing import CliRunner
from groove_motion import Track

from edgeagent.cli import CommandGroup, main
from edgeagent.commands.align import align
from edgeagent.commands.pair import pair
from edgeagent.commands.speed import speed

PER_TURN = 900
TRACK = Track()
AGENT = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[intake]\nfolders = ["inbox"]\n'
THREAD = """[thread]
member = "shaft"
hand = "right"
starts = 1
lead_mm = 5.0
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.535
"""
RUNNING = """[running]
speed_rpm = [1500, 3000]
resonances_hz = [[1027, 30]]
wheel_rpm = 2220
work_rpm = 60
"""
MEASUREMENTS = """
[[measurement]]
feature = "left-flank"
kind = "spiral"
upr = [2, 100]
turns_min = 3
velocity_bands_hz = [[50, 300], [300, 1400]]
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
  power = { upr = 20, nm = 200.0, exponent = -1.0 }
[[measurement]]
feature = "right-flank"
kind = "spiral"
upr = [2, 100]
[[measurement]]
feature = "seat"
kind = "circle"
upr = [2, 50]
"""
SHIFT = 4.0 * np.exp(1j * np.radians(191.5))
TILT = 0.060 * np.exp(1j * np.radians(57.3))


@click.group(cls=CommandGroup)
def tools():
    """The commands with the error lines that the program gives them."""


for command in (pair, align, speed):
    tools.add_command(command)


def call(*arguments, group=tools):
    return CliRunner().invoke(group, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture
def station(tmp_path):
    """A configuration folder with one recipe."""
    for name in ("inbox", "recipes"):
        (tmp_path / name).mkdir()
    (tmp_path / "agent.toml").write_text(AGENT)
    write_recipe(tmp_path)
    return tmp_path


def write_recipe(station, text=THREAD + RUNNING + MEASUREMENTS):
    (station / "recipes" / "P-1.toml").write_text('part = "P-1"\nrevision = "A"\n' + text)


def write(station, name, angle_rad, reading_um, axial_mm=None, **header):
    """A trace text file of part P-1 in the station's folder."""
    keys = {"kind": "spiral", "part": "P-1", "serial": "1", "sensing": "normal"} | header
    lines = ["# trace = 1", "# measured_at = 2026-03-02T09:41:07Z", "# tip_radius_mm = 0.005"]
    lines += [f'# {key} = "{value}"' for key, value in keys.items()]
    columns, names = [np.degrees(angle_rad), reading_um], "angle_deg,deviation_um"
    if axial_mm is not None:
        columns, names = [*columns, axial_mm], f"{names},axial_mm"
    rows = [",".join(f"{v:.8f}" for v in row) for row in np.stack(columns, axis=1).tolist()]
    path = station / name
    path.write_text("\n".join([*lines, names, *rows]) + "\n")
    return path


def flank(
    station,
    side,
    *,
    radial=None,
    axial=None,
    shift=SHIFT,
    tilt=TILT,
    name=None,
    turned_rad=0.0,
    turns=3,
    start_rad=0.0,
    noise_um=0.001,
    recorded=None,
    track=TRACK,
    **header,
):
    """A flank of the track: clamped off the axis and leaning, its groove moved along radius and axis in nm."""
    angle = start_rad + np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)
    rotation = np.array([0.0, -tilt.imag, tilt.real])

    def moved(theta, point):
        a = sum(1e-3 * c * np.cos(n * theta) for n, c in (radial or {}).items()) + 0 * theta
        b = sum(1e-3 * c * np.cos(n * theta) for n, c in (axial or {}).items()) + 0 * theta
        wave = np.stack((b, a * np.cos(theta), a * np.sin(theta)), axis=-1)
        return wave + np.array([0.0, shift.real, shift.imag]) + np.cross(rotation, point)

    reading = track.reading(angle + turned_rad, side, moved)
    reading += np.random.default_rng(len(side)).normal(0, noise_um, len(angle))
    point, _ = track.contact(angle - track.lag(side), side)
    shown = angle if recorded is None else angle - angle[0] + recorded
    return write(station, name or f"{side}.txt", shown, reading, feature=header.pop("feature", f"{side}-flank"),
                 axial_mm=point[:, 0] if recorded is not None else None, **header)  # fmt: skip


def both(station, **more):
    return flank(station, "left", **more), flank(station, "right", **more)


# ---------------------------------------------------------------- pair


@pytest.mark.parametrize("plane", ["axial", "normal"])
def test_pair_tells_radial_from_axial_motion_of_a_leaning_part(station, plane):
    files = both(station, radial={37: 60.0, 5: 200.0}, axial={12: 150.0})
    result = call("pair", *files, "--config", station / "agent.toml", "--json", "--plane", plane)
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    (check,) = found["quality"]
    assert check["ok"], check["note"]
    radial, axial = found["motion"]["radial_nm"], found["motion"]["axial_nm"]
    # the axial plane sees the waves of both flanks turned against each other by twice 0.43 deg per UPR
    within = 0.5 if plane == "normal" else 20.0
    assert radial[36] == pytest.approx(60.0, abs=within)
    assert radial[4] == pytest.approx(200.0, abs=within)
    assert axial[11] == pytest.approx(150.0, abs=within)
    if plane == "normal":
        assert max(axial[36], axial[4], radial[11]) < 0.5
    said = {int(s.split(" UPR")[0]): s for s in found["sentences"]}
    assert "both flanks together" in said[37]
    assert "fits the turning of the wheel" in said[37]
    assert "lead drive" in said[12]


def test_pair_where_one_ball_touches_both_flanks_follows_the_hand_of_the_thread(station):
    write_recipe(station, (THREAD + RUNNING + MEASUREMENTS).replace('hand = "right"', 'hand = "left"'))
    files = both(station, radial={37: 60.0}, axial={12: 150.0}, track=Track(turning=-1))
    result = call("pair", *files, "--config", station / "agent.toml", "--json", "--plane", "normal")
    motion = json.loads(result.stdout)["motion"]
    assert motion["radial_nm"][36] == pytest.approx(60.0, abs=0.5)
    assert motion["axial_nm"][11] == pytest.approx(150.0, abs=0.5)
    assert max(motion["axial_nm"][36], motion["radial_nm"][11]) < 0.5


def test_pair_prints_a_table_and_says_when_the_angle_is_not_shared(station):
    left = flank(station, "left", radial={37: 60.0})
    right = flank(station, "right", radial={37: 60.0}, turned_rad=np.radians(30.0))
    result = call("pair", left, right, "--config", station / "agent.toml")
    assert result.exit_code == 0
    assert "shared angle: NO" in result.stdout
    assert "turned by -30" in result.stdout
    assert "compared in one plane through the axis" in result.stdout
    assert "37   " in result.stdout
    good = call("pair", left, flank(station, "right", radial={37: 60.0}), "--config", station / "agent.toml")
    assert "shared angle: yes" in good.stdout


@pytest.mark.parametrize("recorded", [None, 0.3])
def test_pair_of_a_leaning_part_may_begin_elsewhere_and_cover_other_turns(station, recorded):
    """1 mrad of lean moves the axis by 5 um a turn. The right flank begins 1.7 rad and two turns later.

    With ``recorded`` both files count from 0.3 rad on, so that only axial_mm tells the turns apart.
    """
    turn = 2 * np.pi
    more = {"radial": {37: 60.0}, "tilt": 1.0 * np.exp(1j), "recorded": recorded}
    left = flank(station, "left", start_rad=0.3, **more)
    begins = 2 * turn + (0.3 if recorded is not None else 2.0)
    right = flank(station, "right", turns=5, start_rad=begins, **more)
    found = json.loads(call("pair", left, right, "--config", station / "agent.toml", "--json").stdout)
    (check,) = found["quality"]
    assert check["ok"], check["note"]
    assert check["value"] < 0.01
    assert found["verdicts"][0] == {"upr": 37, "motion": "radial", "doubt": ""}


@pytest.mark.parametrize(
    ("turned_deg", "says", "last_sure"),
    [
        (0.1, "yes", 37),
        (1.0, "proved only as far as 11 UPR", 5),
        (5.0, "proved only as far as 2 UPR", 0),
        (20.0, "NO", 0),
    ],
)
def test_pair_says_how_far_up_a_turned_datum_is_still_proved(station, turned_deg, says, last_sure):
    left = flank(station, "left", radial={5: 300.0, 37: 60.0})
    right = flank(station, "right", radial={5: 300.0, 37: 60.0}, turned_rad=np.radians(turned_deg))
    command = ("pair", left, right, "--config", station / "agent.toml")
    text = call(*command).stdout
    assert f"shared angle: {says}: eccentricity" in text
    whole = json.loads(call(*command, "--json").stdout)
    assert whole["quality"][0]["ok"] is (turned_deg <= 0.1)
    found = {v["upr"]: v for v in whole["verdicts"]}
    assert {n: v["motion"] for n, v in found.items() if n in (5, 37)} == {
        n: "radial" if n <= last_sure else "unsure" for n in (5, 37)
    }


def test_pair_without_eccentricity_says_that_nothing_proves_the_angle(station):
    files = both(station, radial={37: 60.0}, shift=0j, tilt=0j)
    command = ("pair", *files, "--config", station / "agent.toml")
    text = call(*command).stdout
    assert "shared angle: NOT PROVED" in text
    assert "too small to tell" in text
    assert "unsure where from, the shared angle is not proved this far up" in text
    vouched = call(*command, "--one-clamping").stdout
    assert "shared angle: yes, as you vouch" in vouched
    assert "both flanks together" in vouched


def test_vouching_for_one_clamping_does_not_silence_a_contradiction(station):
    left = flank(station, "left", radial={37: 60.0})
    right = flank(station, "right", radial={37: 60.0}, turned_rad=np.radians(20.0))
    text = call("pair", left, right, "--config", station / "agent.toml", "--one-clamping").stdout
    assert "shared angle: NO" in text
    assert "unsure where from" in text


def test_pair_counts_the_gauges_scale_once_for_both_flanks(station):
    files = both(station, radial={37: 60.0})
    command = ("pair", *files, "--config", station / "agent.toml", "--json", "--plane", "normal")
    plain = json.loads(call(*command).stdout)["motion"]
    (station / "agent.toml").write_text(AGENT + "[uncertainty]\ngauge_scale = 0.02\n")
    wide = json.loads(call(*command).stdout)["motion"]
    assert wide["radial_u_nm"][36] == pytest.approx(np.hypot(plain["radial_u_nm"][36], 0.02 * 60.0), rel=0.01)
    assert wide["axial_u_nm"][36] == pytest.approx(plain["axial_u_nm"][36], rel=0.05)


def test_pair_of_single_turns_says_that_they_do_not_tell_the_tilt(station):
    files = both(station, radial={37: 60.0}, turns=1, kind="spiral")
    result = call("pair", *files, "--config", station / "agent.toml")
    assert result.exit_code == 0, result.stderr
    assert "shared angle: NOT PROVED: a circle or a single turn does not tell the tilt" in result.stdout


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"serial": "2"}, "serial 1 and 2: not two flanks of one part"),
        ({"part": "P-2"}, "part P-1 and P-2"),
        ({"feature": "left-flank"}, "both traces are of feature left-flank"),
        ({"kind": "circle"}, "kind spiral and circle"),
    ],
)
def test_pair_refuses_what_is_not_two_flanks_of_one_part(station, change, complaint):
    files = flank(station, "left"), flank(station, "right", **change)
    result = call("pair", *files, "--config", station / "agent.toml")
    assert result.exit_code == 2
    assert complaint in result.stderr
    assert result.stderr.count("\n") == 1


def test_pair_notices_swapped_flanks_missing_files_and_missing_recipes(station):
    left, right = both(station)
    swapped = call("pair", right, left, "--config", station / "agent.toml")
    assert (swapped.exit_code, swapped.stdout) == (2, "")
    assert "turn them round" in swapped.stderr
    gone = call("pair", left, station / "gone.txt", "--config", station / "agent.toml")
    assert gone.exit_code == 1
    assert "gone.txt: No such file" in gone.stderr
    (station / "bad.txt").write_text("# trace = 1\nnothing\n")
    assert call("pair", left, station / "bad.txt", "--config", station / "agent.toml").exit_code == 1
    (station / "recipes" / "P-1.toml").unlink()
    blind = call("pair", left, right, "--config", station / "agent.toml")
    assert blind.exit_code == 1
    assert "no recipe with a [thread] for part P-1" in blind.stderr


# ---------------------------------------------------------------- align


def directed(found, what):
    return found[what] * np.exp(1j * np.radians(found[f"{what.split('_')[0]}_direction_deg"]))


@pytest.mark.parametrize("side", ["left", "right"])
def test_align_tells_shift_and_tilt_from_one_spiral(station, side):
    file = flank(station, side, radial={5: 200.0})
    point, _ = TRACK.contact(np.array([(3 * PER_TURN - 1) * np.pi / PER_TURN - TRACK.lag(side)]), side)
    result = call(
        "align", file, "--height-mm", point[0, 0], "--pivot-mm", 0, "--config", station / "agent.toml", "--json"
    )
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    assert directed(found, "shift_um") == pytest.approx(SHIFT, abs=5 * found["u_shift_um"])
    assert directed(found, "tilt_urad") == pytest.approx(1000 * TILT, abs=5 * found["u_tilt_urad"])
    assert found["u_shift_um"] < 0.01


def test_align_tells_shift_and_tilt_from_circles_at_two_heights_in_one_line(station):
    angle = np.arange(PER_TURN) * (2 * np.pi / PER_TURN)
    files = []
    for height in (10.0, 70.0):
        off = SHIFT + TILT * height
        reading = off.real * np.cos(angle) + off.imag * np.sin(angle) + 0.3 * np.cos(3 * angle)
        reading += np.random.default_rng(1).normal(0, 0.002, PER_TURN)
        files.append(write(station, f"{height:g}.txt", angle, reading, feature="seat", kind="circle"))
    heights = ("--height-mm", 10, "--height-mm", 70, "--pivot-mm", 0)
    result = call("align", *files, *heights, "--config", station / "agent.toml")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.count("\n") == 1
    assert result.stdout.startswith("Turn to angle 191.5 deg and push the part 4.00 ±")
    assert "turn to angle 57.3 deg and lean the part's upper end (greater height) 60.0 ±" in result.stdout
    assert "at height 0 mm" in result.stdout
    alone = call("align", files[0], "--config", station / "agent.toml")
    assert "at the trace's middle" in alone.stdout
    assert "tells nothing of the tilt" in alone.stdout


def test_align_says_what_it_took_for_granted(station):
    file = flank(station, "left")
    said = call("align", file, "--config", station / "agent.toml").stdout
    assert "at the trace's middle" in said
    assert "(Heights taken to grow with the angle, as the right hand says.)" in said
    known = flank(station, "left", recorded=0.0, name="recorded.txt")
    assert "taken to grow" not in call("align", known, "--config", station / "agent.toml").stdout
    (station / "recipes" / "P-1.toml").write_text(
        (station / "recipes" / "P-1.toml").read_text().replace('"left-flank"', '"groove"')
    )
    blind = flank(station, "left", feature="groove", name="blind.txt")
    assert (
        "(groove names no left or right flank: directions off by up to 4.4 deg.)"
        in call("align", blind, "--config", station / "agent.toml").stdout
    )
    twice = call("align", file, file, "--height-mm", 1, "--height-mm", 20, "--config", station / "agent.toml")
    assert (twice.exit_code, twice.stderr.count("\n")) == (2, 1)
    assert "given twice" in twice.stderr


def test_align_asks_for_heights_of_several_files_and_for_one_part(station):
    left, right = both(station)
    config = ("--config", station / "agent.toml")
    assert "several files need --height-mm" in call("align", left, right, *config).stderr
    assert "2 files and 1 times" in call("align", left, right, "--height-mm", 3, *config).stderr
    other = flank(station, "left", serial="2", name="other.txt")
    heights = ("--height-mm", 3, "--height-mm", 30)
    assert "not of one part" in call("align", left, other, *heights, *config).stderr
    assert call("align", left, right, *config).exit_code == 2


def test_align_without_a_thread_says_so(station):
    left = flank(station, "left")
    (station / "recipes" / "P-1.toml").unlink()
    result = call("align", left, "--config", station / "agent.toml")
    assert result.exit_code == 1
    assert "needs a recipe with a [thread]" in result.stderr


@pytest.mark.parametrize(
    "numbers", [("--height-mm", "nan"), ("--height-mm", "5", "--pivot-mm", "inf"), ("--pivot-mm", "nan")]
)
def test_align_refuses_heights_that_are_no_numbers(station, numbers):
    result = call("align", flank(station, "left"), *numbers, "--config", station / "agent.toml")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "edgeagent: --height-mm and --pivot-mm must be finite numbers\n"


@pytest.mark.parametrize("command", ["pair", "speed", "align"])
def test_artefact_traces_and_parts_without_recipe_are_refused_by_name(station, command):
    part = flank(station, "left", part="P-9")
    artefact = station / "wave.txt"
    artefact.write_text(part.read_text().replace('part = "P-9"\n# serial = "1"', 'artefact = "MW-1"'))
    for file, name in ((artefact, "artefact MW-1"), (part, "part P-9")):
        files = (file, flank(station, "right", part="P-9")) if command == "pair" else (file,)
        result = call(command, *files, "--config", station / "agent.toml")
        assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
        assert f"{file.name}" in result.stderr
        assert name in result.stderr


def test_what_comes_of_a_trace_that_failed_its_checks_says_so(station):
    left, right = both(station, radial={37: 60.0})
    lines = left.read_text().splitlines()
    for at in range(500, 540):
        angle, _ = lines[at].split(",")
        lines[at] = f"{angle},{25.0 + at % 7}"
    left.write_text("\n".join(lines) + "\n")
    config = ("--config", station / "agent.toml")
    words = "left.txt failed its checks, do not rely on it: "
    for result in (
        call("pair", left, right, *config),
        call("speed", left, *config),
        call("align", left, *config),
    ):
        assert result.exit_code == 0, result.stderr
        assert words in result.stdout
        assert "spikes" in result.stdout
    assert json.loads(call("speed", left, *config, "--json").stdout)["unfit"][0].startswith(words)
    assert json.loads(call("pair", left, right, *config, "--json").stdout)["unfit"][0].startswith(words)


# ---------------------------------------------------------------- speed and inspect


def test_speed_lists_judged_harmonics_with_frequency_and_resonance(station):
    file = flank(station, "left", radial={37: 60.0})
    result = call("speed", file, "--config", station / "agent.toml", "--json")
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    rows = {h["upr"]: h for h in found["harmonics"]}
    gamma = 3.175 * np.cos(np.radians(45)) * np.cos(np.arctan(5 / (np.pi * 20.75))) / 20.75
    assert found["gamma"] == pytest.approx(gamma, rel=1e-12)
    assert min(rows), max(rows) == (2, 100)
    assert rows[37]["high_hz"] == pytest.approx(37 * 50 * (1 + gamma) / 2)
    assert rows[37]["low_hz"] == pytest.approx(37 * 25 * (1 + gamma) / 2)
    assert rows[37]["velocity_um_s"] == pytest.approx(
        2e-3 * np.pi * rows[37]["high_hz"] * rows[37]["amplitude_nm"], rel=1e-12
    )
    for upr, row in rows.items():  # 1027 ± 15 Hz anywhere between the two speeds
        assert bool(row["resonances_hz"]) == (row["low_hz"] <= 1042 and row["high_hz"] >= 1012), upr
    assert found["balls_touch"]
    text = call("speed", file, "--config", station / "agent.toml")
    assert "waves of the shaft at 1500 to 3000 rpm" in text.stdout
    assert "1027 Hz" in text.stdout
    assert len([line for line in text.stdout.splitlines() if line.endswith((" -", "1027 Hz"))]) <= 24
    whole = call("speed", file, "--config", station / "agent.toml", "--all")
    assert len([line for line in whole.stdout.splitlines() if line.endswith(("  -", "  1027 Hz"))]) == 99
    assert "37 UPR" in text.stdout


def turns_text(station, turns, waves_um):
    """A left flank of some turns, with waves that need not close in one."""
    angle = np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)
    reading = 0.4 * np.cos(angle) + np.random.default_rng(1).normal(0, 0.002, len(angle))
    reading += sum(a * np.cos(upr * angle + 0.4) for upr, a in waves_um.items())
    return write(station, f"turns-{turns}.txt", angle, reading, feature="left-flank", kind="spiral")


def test_speed_shows_waves_between_whole_orders_with_their_limit(station):
    file = turns_text(station, 3, {37 + 1 / 3: 0.060})
    found = json.loads(call("speed", file, "--config", station / "agent.toml", "--json").stdout)
    (wave,) = found["orders"]
    assert wave["upr"] == pytest.approx(37 + 1 / 3, abs=1e-3)
    assert wave["amplitude_nm"] == pytest.approx(60.0, abs=0.5)
    assert 0 < wave["noise_nm"] < 0.2
    assert wave["upper_nm"] == pytest.approx(200 * 20 / (37 + 1 / 3), rel=1e-4)
    whole = found["harmonics"][0]
    per_upr = whole["high_hz"] / whole["upr"]
    assert wave["high_hz"] == pytest.approx(wave["upr"] * per_upr)
    assert wave["resonances_hz"] == [1027.0]
    text = call("speed", file, "--config", station / "agent.toml").stdout
    below = text.split("waves between whole orders:")[1]
    assert "37.33" in below.split("\n\n")[0]
    quiet = turns_text(station, 3, {37: 0.060})
    assert json.loads(call("speed", quiet, "--config", station / "agent.toml", "--json").stdout)["orders"] == []
    single = turns_text(station, 1, {37 + 1 / 3: 0.060})
    told = call("speed", single, "--config", station / "agent.toml")
    assert "a single turn cannot show waves between whole orders" in told.stdout
    as_json = call("speed", single, "--config", station / "agent.toml", "--json")
    assert json.loads(as_json.stdout)["orders"] is None


def test_speed_needs_a_speed_in_the_recipe(station):
    write_recipe(station, THREAD + MEASUREMENTS.replace("velocity_bands_hz = [[50, 300], [300, 1400]]", ""))
    result = call("speed", flank(station, "left"), "--config", station / "agent.toml")
    assert result.exit_code == 1
    assert "no speed_rpm in [running]" in result.stderr


def test_inspect_says_below_the_table_what_stands_out(station):
    file = flank(station, "left", radial={37: 60.0, 74: 20.0})
    text = call("inspect", file, "--config", station / "agent.toml", group=main)
    assert text.exit_code == 0
    below = text.stdout.split("what stands out of the spectrum")[1]
    assert "37 UPR" in below
    assert "which fits the wheel's 37 Hz" in below
    found = json.loads(call("inspect", file, "--config", station / "agent.toml", "--json", group=main).stdout)
    assert found["details"]["peaks"][0]["upr"] == [37]
    bands = {c["instance"]: c["value"] for c in found["characteristics"] if c["name"] == "band_velocity"}
    assert set(bands) == {"50-300", "300-1400"}
    assert bands["300-1400"] > 10 * bands["50-300"]


def test_inspect_says_of_a_circle_what_stands_out_but_not_how_it_moves_a_ball(station):
    angle = np.arange(PER_TURN) * (2 * np.pi / PER_TURN)
    reading = 4.0 * np.cos(angle) + 0.060 * np.cos(37 * angle)
    reading += np.random.default_rng(1).normal(0, 0.002, PER_TURN)
    file = write(station, "seat.txt", angle, reading, feature="seat", kind="circle")
    text = call("inspect", file, "--config", station / "agent.toml", group=main).stdout
    below = text.split("what stands out of the spectrum")[1]
    assert "37 UPR" in below
    assert "37 Hz while ground" in below
    assert "moves a ball" not in below


def test_check_accepts_running_with_all_its_keys(station):
    assert call("check", "--config", station / "agent.toml", group=main).exit_code == 0
