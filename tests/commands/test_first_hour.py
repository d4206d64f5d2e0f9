"""The commands of the first hour, as a user calls them. Exports are invented (fixtures/exports)."""

import json
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from edgeagent.cli import main
from edgeagent.commands.layout_plot import plot_trace
from edgeagent.model import Trace

ROOT = Path(__file__).resolve().parents[2]
EXPORTS = ROOT / "fixtures" / "exports"
THREAD = ["--part", "KX-9", "--member", "shaft", "--hand", "right", "--lead-mm", "5", "--ball-mm", "3.175",
          "--ball-circle-mm", "20.75"]  # fmt: skip
AGENT = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[intake]\nfolders = ["inbox"]\n'


def call(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture
def station(tmp_path):
    """A configuration folder without recipes and layouts."""
    for name in ("inbox", "layouts", "recipes"):
        (tmp_path / name).mkdir()
    (tmp_path / "agent.toml").write_text(AGENT)
    return tmp_path


def test_layout_goes_to_stdout_alone_and_what_was_found_to_stderr():
    result = call("layout", EXPORTS / "verlauf-links.asc")
    assert result.exit_code == 0
    assert result.stdout.startswith("# Proposed from one export")
    assert "[[column]]" in result.stdout
    assert "Not sure:" in result.stderr
    assert "The trace it would read:" in result.stderr
    assert "deviation_um" in result.stderr


def test_proposed_layout_is_refused_by_check_until_it_is_filled_in_and_then_reads_the_file(station):
    out = station / "layouts" / "new.toml"
    result = call("layout", EXPORTS / "verlauf-links.asc", "--out", out)
    assert result.exit_code == 0
    assert "To fill in before use (2):" in result.stdout
    refused = call("check", "--config", station / "agent.toml")
    assert refused.exit_code == 2
    assert refused.stderr.startswith("edgeagent: layouts/new.toml: line ")
    assert "must be filled in" in refused.stderr
    text = out.read_text(encoding="utf-8")
    out.write_text(
        text.replace('utc_offset_h = "FILL IN"', "utc_offset_h = 1").replace('"FILL IN"  #', '"normal"  #'),
        encoding="utf-8",
    )
    assert call("check", "--config", station / "agent.toml").exit_code == 0
    recipe = [*THREAD[:1], "KX-2005-R", *THREAD[2:], "--out", station / "recipes" / "r.toml"]
    assert call("recipe", *recipe).exit_code == 0
    shutil.copy(EXPORTS / "verlauf-links.asc", station / "a.asc")
    found = call("inspect", station / "a.asc", "--config", station / "agent.toml", "--json")
    assert found.exit_code == 0, found.stderr
    trace = json.loads(found.stdout)["trace"]
    assert (trace["part"], trace["serial"], trace["feature"]) == ("KX-2005-R", "000412", "left-flank")
    assert trace["points"] == 480
    assert abs(trace["turns"] - 2) < 0.01


def test_existing_file_is_kept(tmp_path):
    out = tmp_path / "x.toml"
    out.write_text("mine")
    for arguments in (["layout", EXPORTS / "profil.asc"], ["recipe", *THREAD]):
        result = call(*arguments, "--out", out)
        assert result.exit_code == 2
        assert result.stderr.count("\n") == 1
        assert "--force replaces it" in result.stderr
        assert out.read_text() == "mine"
        assert call(*arguments, "--out", out, "--force").exit_code == 0
        assert out.read_text() != "mine"
        out.write_text("mine")


def test_json_is_one_object_and_nothing_else():
    result = call("layout", EXPORTS / "run17.prn", "--json")
    found = json.loads(result.stdout)
    assert result.stderr == ""
    assert found["complete"] is False
    assert {"key", "why"} == set(found["fill_in"][0])
    assert any(not f["sure"] for f in found["findings"])


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"", "the file is empty"), (b"\0\1\2" * 300, "not text"), (b"hello\n", "no table of numbers was found")],
)
def test_file_without_a_table_ends_in_one_line_and_exit_code_1(tmp_path, data, words):
    path = tmp_path / "x.txt"
    path.write_bytes(data)
    result = call("layout", path)
    assert result.exit_code == 1
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""


def test_file_that_cannot_be_read_or_written_ends_in_one_line(tmp_path):
    missing = call("layout", tmp_path / "none.txt")
    assert (missing.exit_code, missing.stderr.count("\n")) == (1, 1)
    assert "none.txt: cannot be read" in missing.stderr
    unwritable = call("layout", EXPORTS / "profil.asc", "--out", tmp_path / "no" / "folder.toml")
    assert (unwritable.exit_code, unwritable.stderr.count("\n")) == (1, 1)
    assert "cannot be written" in unwritable.stderr


def test_picture_is_drawn(tmp_path):
    result = call("layout", EXPORTS / "lead_000413.tsv", "--picture", tmp_path / "x.png")
    assert result.exit_code == 0
    assert (tmp_path / "x.png").read_bytes().startswith(b"\x89PNG")


def test_picture_without_the_extra_is_one_line(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    result = call("layout", EXPORTS / "lead_000413.tsv", "--picture", tmp_path / "x.png")
    assert result.exit_code == 1
    assert result.stderr == 'edgeagent: --picture needs the extra "report": pip install "edgeagent[report]"\n'


def test_recipe_is_printed_and_can_be_checked(station):
    printed = call("recipe", *THREAD, "--feature", "left-flank:spiral", "--feature", "lead:travel")
    assert printed.exit_code == 0
    (station / "recipes" / "r.toml").write_text(printed.stdout, encoding="utf-8")
    checked = call("check", "--config", station / "agent.toml")
    assert checked.exit_code == 0, checked.stderr
    assert "KX-9 revision proposed" in checked.stdout
    assert "lead (travel): limits of grade 5" in checked.stdout


@pytest.mark.parametrize("feature", ["left-flank", ":spiral", "a:helix", "a:"])
def test_feature_that_is_no_name_and_kind_is_wrong_usage(feature):
    result = call("recipe", *THREAD, "--feature", feature)
    assert result.exit_code == 2
    assert "NAME:KIND" in result.stderr


def test_impossible_thread_is_wrong_usage_and_unusual_thread_is_remarked():
    impossible = call("recipe", *THREAD[:-1], "3")
    assert impossible.exit_code == 2
    assert "ball_diameter_mm must be smaller than ball_pitch_circle_mm" in impossible.stderr
    unusual = call("recipe", *THREAD, "--starts", "4")
    assert unusual.exit_code == 0
    assert "look again: the ball is not smaller than the pitch" in unusual.stderr


def test_help_of_both_commands_has_an_example():
    for command in ("layout", "recipe"):
        assert f"edgeagent {command} " in call(command, "--help").stdout.split("Example:")[1]


def trace_of(columns):
    """A trace without a header, which the plot does not look at."""
    return Trace(None, columns)


def test_plot_puts_a_straight_line_on_the_diagonal():
    ramp = np.arange(1000.0)
    lines = plot_trace(trace_of({"angle_deg": ramp, "deviation_um": ramp}), width=20, height=10)
    rows = [line.split("|")[1] for line in lines if "|" in line]
    assert [len(row.rstrip()) for row in rows] == [20 - 2 * k for k in range(10)]
    assert [len(row) - len(row.lstrip()) for row in rows] == [18 - 2 * k for k in range(10)]
    assert lines[1].split("|")[0].strip() == "999"
    assert lines[-1].split() == ["0", "999", "angle_deg"]


def test_plot_of_an_axial_trace_shows_one_side():
    x = np.tile(np.arange(10.0), 2)
    trace = trace_of(
        {"side": np.repeat([1.0, -1.0], 10), "x_mm": x, "z_mm": np.where(np.arange(20) < 10, x, -x)}
    )
    lines = plot_trace(trace, width=10, height=10)
    assert lines[0].strip() == "z_mm of the top side"
    assert (lines[1].split("|")[0].strip(), lines[10].split("|")[0].strip()) == ("9", "0")


def test_plot_bears_missing_samples_and_constant_values():
    flat = plot_trace(trace_of({"angle_deg": np.arange(9.0), "deviation_um": np.full(9, 2.0)}))
    assert any("#" in line for line in flat)
    none = plot_trace(trace_of({"angle_deg": np.arange(9.0), "deviation_um": np.full(9, np.nan)}))
    assert none == ["  (no sample is a number)"]


X3P = ROOT / "fixtures" / "x3p" / "profile_int16_binary.x3p"


def test_profile_of_an_open_format_gets_its_side_file_proposed(station):
    profile = station / "a.x3p"
    shutil.copy(X3P, profile)
    side = station / "a.x3p.meta.toml"
    made = call("layout", profile, "--kind", "axial", "--out", side)
    assert made.exit_code == 0
    assert "a.x3p.meta.toml beside it" in made.stdout
    refused = call("inspect", profile, "--config", station / "agent.toml")
    assert refused.exit_code == 1
    assert (
        "part, serial, feature, measured_at, tip_radius_mm, side, tip_corrected must be filled in"
        in refused.stderr
    )
    answers = {"measured_at": "2026-03-02T09:41:07Z", "tip_radius_mm": "0.005", "tip_corrected": "false",
               "side": '"top"'}  # fmt: skip
    lines = [
        f"{line.split(' = ')[0]} = {answers.get(line.split(' = ')[0], chr(34) + 'x' + chr(34))}"
        if "FILL IN" in line and line[0] != "#"
        else line
        for line in side.read_text(encoding="utf-8").splitlines()
    ]
    side.write_text("\n".join(lines), encoding="utf-8")
    told = call("inspect", profile, "--config", station / "agent.toml", "--json")
    assert json.loads(told.stdout)["trace"]["kind"] == "axial", told.stderr


def test_side_file_without_a_kind_lists_the_keys_of_all_kinds():
    told = call("layout", X3P)
    assert told.exit_code == 0
    assert "side = " in told.stdout
    assert "track_diameter_mm = " in told.stdout
    assert "X3P" in told.stderr


def test_check_names_every_place_to_fill_in_at_once(station):
    call("layout", EXPORTS / "run17.prn", "--out", station / "layouts" / "new.toml")
    refused = call("check", "--config", station / "agent.toml")
    assert refused.stderr.count("\n") == 1
    for place in ("unit of deviation_um", "constants.part", "constants.serial", "constants.measured_at"):
        assert place in refused.stderr


def test_inspect_shows_the_first_rows_as_read_beside_those_as_written(station):
    out = station / "layouts" / "new.toml"
    call("layout", EXPORTS / "roundness_77-031.csv", "--out", out)
    shutil.copy(EXPORTS / "roundness_77-031.csv", station / "a.csv")
    told = call("inspect", station / "a.csv", "--config", station / "agent.toml")
    written = (EXPORTS / "roundness_77-031.csv").read_text(encoding="utf-8").splitlines()[7:10]
    assert "first rows as written (from line 8)" in told.stdout
    for row in written:
        assert row in told.stdout
    assert told.stdout.index(written[0]) < told.stdout.index("as read by layout")
    assert "angle_deg" in told.stdout.split("as read by layout")[1]


def test_inspect_shows_the_rows_of_each_trace_as_written(station):
    rows = [f"{flank};{k};{k % 7 + (flank == 'R') * 10}.5" for flank in "LR" for k in range(20_000)]
    head = ["Part;P", "Serial;1", "Measured at;2026-03-27T09:41:07+01:00", "Sensing;normal",
            "Points per turn;360", "Flank;Angle [deg];Deviation [um]"]  # fmt: skip
    (station / "a.flanks").write_text("\n".join([*head, *rows, ""]), encoding="utf-8")
    call("layout", station / "a.flanks", "--kind", "spiral", "--out", station / "layouts" / "n.toml")
    told = call("inspect", station / "a.flanks", "--config", station / "agent.toml").stdout
    assert "first rows as written (from line 20007)" in told
    assert "R;0;10.5" in told.split("(from line 20007)")[1]


def test_inspect_tells_every_trace_of_a_file(station):
    rows = [f"{flank};{k};{np.cos(np.radians(k)):.4f}" for flank in "LR" for k in range(360)]
    head = ["Part;P", "Serial;1", "Measured at;2026-03-27T09:41:07+01:00", "Sensing;normal",
            "Flank;Angle [deg];Deviation [um]"]  # fmt: skip
    (station / "a.flanks").write_text("\n".join([*head, *rows, ""]), encoding="utf-8")
    assert (
        call(
            "layout", station / "a.flanks", "--kind", "spiral", "--out", station / "layouts" / "n.toml"
        ).exit_code
        == 0
    )
    told = call("inspect", station / "a.flanks", "--config", station / "agent.toml", "--json")
    found = [json.loads(line)["trace"]["feature"] for line in told.stdout.splitlines()]
    assert found == ["left-flank", "right-flank"], told.stderr
    one = call("inspect", station / "a.flanks#right-flank", "--config", station / "agent.toml", "--json")
    assert json.loads(one.stdout)["trace"]["feature"] == "right-flank"


def test_check_names_what_is_to_be_filled_in_of_all_layouts_at_once(station):
    for name in ("run17.prn", "LM1204-31.out"):
        call("layout", EXPORTS / name, "--out", station / "layouts" / f"{name}.toml")
    refused = call("check", "--config", station / "agent.toml").stderr
    assert "constants.sensing in layouts/run17.prn.toml" in refused
    assert "layouts/LM1204-31.out.toml: line" in refused


LIMITS = """
part = "P"
revision = "1"
[uncertainty]
repeatability = {{ roundness_total = 0.5, eccentricity = 0.1, "harmonic_amplitude[8-15]" = 3.0 }}
[[measurement]]
feature = "outside"
kind = "circle"
{}
"""


@pytest.mark.parametrize(
    ("limit", "sentence"),
    [
        ("characteristic='roundness_total'\nupper=0.0", "no value can pass its upper limit 0"),
        ("characteristic='roundness_total'\nlower=-1.0\nupper=2.0", "its lower limit -1 limits nothing"),
        # 1.65 u of ISO 14253-1: 1.65 x 0.5 um is more than 0.8 um, less than 0.9 um
        ("characteristic='roundness_total'\nupper=0.8", "leaves nothing below its limit 0.8"),
        ("characteristic='roundness_total'\nupper=0.9", ""),
        # twice 1.65 x 0.1 um between two limits
        ("characteristic='eccentricity'\nlower=1.0\nupper=1.3", "leaves nothing between its limits"),
        ("characteristic='eccentricity'\nlower=1.0\nupper=1.4", ""),
        # 1.65 x 3 nm at 8 to 15 UPR; straight in log-log the limit at 15 UPR is 4 (10/15)^(ln 4 / ln 5) nm
        ("characteristic='harmonic_amplitude'\npoints=[[10,4.0],[50,1.0]]", "below its limit 2.8209 nm"),
        ("characteristic='harmonic_amplitude'\npoints=[[2,100.0],[50,5.0]]", ""),
    ],
)
def test_check_says_which_limits_nothing_can_meet(station, limit, sentence):
    text = LIMITS.format(f"[[measurement.limit]]\n{limit}")
    (station / "recipes" / "P.toml").write_text(text, encoding="utf-8")
    told = call("check", "--config", station / "agent.toml", "--json")
    assert told.exit_code == 0, told.stderr
    doubts = json.loads(told.stdout)["doubts"]
    assert [d for d in doubts if d.startswith("P outside")] == [d for d in doubts if sentence and sentence in d]
    assert any(sentence in d for d in doubts) or not sentence
