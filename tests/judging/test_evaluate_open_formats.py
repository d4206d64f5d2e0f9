"""X3P and SMD files with their side files, and travel by grade, from the bytes to the result. Invented parts.

The X3P file of other software: ``fixtures/x3p/SOURCES.md``. Permissible travel values: ISO 3408-3, grade 3,
useful travel over 400 up to 500 mm, as ``fixtures/travel_sources.md`` has them with the source of each cell.
"""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from edgeagent.cli import main
from edgeagent.demo import thread_surface as section
from edgeagent.errors import TraceFormatError, TraceRangeError
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.store.configuration import load_configuration

ROOT = Path(__file__).resolve().parents[2]
FOREIGN = ROOT / "fixtures" / "x3p" / "profile_int16_binary.x3p"
SIDE = """
kind = "{kind}"
part = "{part}"
serial = "000731"
feature = "{feature}"
measured_at = 2026-03-02T09:41:07Z
remark = "invented data"
{more}
"""


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    """A copy of the example configuration."""
    folder = tmp_path_factory.mktemp("open") / "config"
    shutil.copytree(ROOT / "config", folder)
    return folder


@pytest.fixture(scope="module")
def rules(station):
    return Rulebook.of(load_configuration(station / "agent.toml"))


def sealed(side):
    """With the checksum that lets its numbers be believed."""
    return side + b'checksum = "' + hashlib.sha256(side).hexdigest().encode() + b'"\n'


def side_file(kind, part, feature, more="") -> bytes:
    return SIDE.format(kind=kind, part=part, feature=feature, more=more).encode()


def smd(step_mm: float, heights_um) -> bytes:
    """A profile as SMD text, lines and checksum as ISO 5436-2 describes them (from memory)."""
    lines = [
        b"ISO 5436 - 2000\0invented\0",
        b"PRF\0 0 ISO0000\0",
        f"CX\0I\0{len(heights_um)}\0mm\0{1.0}\0D\0{step_mm!r}".encode(),
        f"CZ\0A\0{len(heights_um)}\0um\0{1.0}\0D".encode(),
        b"\x03",
        b"DATE -\0",
        b"\x03",
        *(repr(float(h)).encode() for h in heights_um),
        b"\x03",
    ]
    body = b"".join(line + b"\r\n" for line in lines)
    return body + str(sum(body) % 65535).encode() + b"\r\n\x03\r\n\x1a"


def x3p(step_mm: float, z_mm) -> bytes:
    """A profile as X3P with heights in metres as text."""

    def axis(name, kind, increment):
        return (
            f"<{name}><AxisType>{kind}</AxisType><DataType>D</DataType>"
            f"<Increment>{increment!r}</Increment><Offset>0</Offset></{name}>"
        )

    axes = axis("CX", "I", step_mm / 1e3) + axis("CY", "I", 1.0) + axis("CZ", "A", 1.0)
    points = "".join(f"<Datum>{float(z) / 1e3!r}</Datum>" for z in z_mm)
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2">'
        "<Record1><Revision>ISO5436 - 2000</Revision><FeatureType>PRF</FeatureType>"
        f"<Axes>{axes}</Axes></Record1>"
        f"<Record3><MatrixDimension><SizeX>{len(z_mm)}</SizeX><SizeY>1</SizeY><SizeZ>1</SizeZ></MatrixDimension>"
        f"<DataList>{points}</DataList></Record3>"
        "<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></p:ISO5436_2>"
    ).encode()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("main.xml", text)
        digest = hashlib.md5(text, usedforsecurity=False).hexdigest()
        archive.writestr("md5checksum.hex", f"{digest} *main.xml\r\n")
    return out.getvalue()


@pytest.fixture(scope="module")
def groove_heights():
    """One side of an invented thread at even steps, mm."""
    built = section.section(
        section.Part(),
        section.Cut(x_end_mm=18.0, spacing_mm=0.004, tip_radius_mm=0.02, sides=(1.0,)),
        nodes=500,
    )
    return built.z_mm


def travel_curve(slope_um_per_m=10.0, wave_um=2.0):
    """Nominal travel of 490 mm in steps of 0.5 mm: a slope and a wave of one turn."""
    travel = np.arange(981) * 0.5
    return slope_um_per_m * travel / 1e3 + wave_um * np.sin(2 * np.pi * travel / 5.0)


def named(result, name):
    return {c["instance"]: c for c in result["characteristics"] if c["name"] == name}


TRAVEL_SIDE = side_file("travel", "KX-2005-T", "travel")
UNSEALED = side_file("axial", "KX-2005-G", "profile", 'side = "top"\ntip_radius_mm = 0.02')
AXIAL_SIDE = sealed(UNSEALED)


@pytest.mark.parametrize("suffix", ["x3p", "smd"])
def test_axial_profile_of_one_side_is_measured_and_held_for_what_it_cannot_tell(rules, groove_heights, suffix):
    data = x3p(0.004, groove_heights) if suffix == "x3p" else smd(0.004, groove_heights * 1e3)
    result = evaluate(f"a/000731.{suffix}", data, AXIAL_SIDE, rules).result
    assert result["trace"]["points"] == groove_heights.size
    assert result["source"]["side_sha256"] == hashlib.sha256(AXIAL_SIDE).hexdigest()
    angles = [c["value"] for c in named(result, "contact_angle_left").values()]
    assert len(angles) == 4
    assert max(abs(a - 45.0) for a in angles) < 0.01
    assert result["disposition"] == "hold"
    assert result["reasons"] == ["ball pitch circle diameter: no value, though the recipe limits it"]


def test_both_formats_of_the_same_profile_give_the_same_numbers(rules, groove_heights):
    text = evaluate("a.smd", smd(0.004, groove_heights * 1e3), AXIAL_SIDE, rules).result["characteristics"]
    packed = evaluate("a.x3p", x3p(0.004, groove_heights), AXIAL_SIDE, rules).result["characteristics"]
    for a, b in zip(text, packed, strict=True):
        assert (a["name"], a["instance"], a["verdict"]) == (b["name"], b["instance"], b["verdict"])
        if a["value"] is not None and a["unit"] in ("mm", "deg"):
            assert a["value"] == pytest.approx(b["value"], rel=1e-8)


@pytest.mark.parametrize("suffix", ["x3p", "smd"])
def test_travel_is_judged_by_the_permissible_values_of_its_grade(rules, suffix):
    curve = travel_curve()
    data = x3p(0.5, curve / 1e3) if suffix == "x3p" else smd(0.5, curve)
    result = evaluate(f"t.{suffix}", data, TRAVEL_SIDE, rules).result
    # 20 mm of excess at both ends leave 450 mm. Grade 3 over 400 up to 500 mm: ep 15, vup 13, v300p 12, v2pip 6
    limits = {
        "mean_travel_deviation": (-15.0, 15.0),
        "travel_variation": (None, 13.0),
        "travel_variation_300": (None, 12.0),
        "travel_variation_turn": (None, 6.0),
    }
    for name, (lower, upper) in limits.items():
        (found,) = named(result, name).values()
        assert (found["lower"], found["upper"]) == (lower, upper), name
        assert found["verdict"] == "conforming"
    # closed form: 10 um/m over 0.45 m, and twice the amplitude of the wave; its slope in a fit over 90 whole
    # turns is 6 A / (pi n) at most
    assert named(result, "mean_travel_deviation")[""]["value"] == pytest.approx(4.5, abs=6 * 2 / (np.pi * 90))
    assert named(result, "travel_variation_turn")[""]["value"] == pytest.approx(4.0, rel=0.06)
    assert result["disposition"] == "accept"


@pytest.mark.parametrize(
    ("change", "name"),
    [({"slope_um_per_m": 40.0}, "mean_travel_deviation"), ({"wave_um": 4.0}, "travel_variation_turn")],
)
def test_travel_beyond_its_grade_is_rejected_for_that_value(rules, change, name):
    result = evaluate("t.smd", smd(0.5, travel_curve(**change)), TRAVEL_SIDE, rules).result
    assert result["disposition"] == "reject"
    bad = [c["name"] for c in result["characteristics"] if c["verdict"] == "nonconforming"]
    assert bad == [name]
    assert result["reasons"][0].startswith(f"{name.replace('_', ' ')} = ")


def test_file_that_other_software_wrote_is_read_with_its_side_file(rules):
    side = side_file("axial", "KX-2005-G", "profile", 'side = "top"\ntip_radius_mm = 0.002')
    # A sine of 1 um, peak to valley 2.3 um with its second wave: the file is read, and said to show no groove.
    with pytest.raises(TraceRangeError, match=r"varies by 0\.00229\d* mm only, .* or no groove was traced"):
        evaluate("p.x3p", FOREIGN.read_bytes(), side, rules)
    travel = evaluate("p.x3p", FOREIGN.read_bytes(), TRAVEL_SIDE, rules).result
    assert travel["trace"]["points"] == 256
    assert travel["disposition"] == "hold"
    assert any(r.startswith("travel span: the travel column spans 0.51 mm") for r in travel["reasons"])


@pytest.mark.parametrize(
    ("side", "words"),
    [
        (None, r"side file with the header is missing; expected t\.smd\.meta\.toml beside it"),
        (b"kind = travel", "side file is not TOML"),
        (b"\xff\xfe", "side file is not TOML"),
        (b"", "header"),
        (TRAVEL_SIDE.replace(b'"travel"\npart', b'"groove"\npart'), "side file: kind is 'groove'"),
        (TRAVEL_SIDE.replace(b"T09:41:07Z", b"T09:41:07"), "no offset from UTC"),
        (TRAVEL_SIDE + b"tip_radius_mm = -1.0\n", "tip_radius_mm"),
        (UNSEALED.replace(b'side = "top"', b""), "side file: side is None"),
        (UNSEALED.replace(b'"top"', b'"left"'), "side file: side is 'left'"),
        (side_file("circle", "KX-2005-T", "travel"), "nothing turns the profile's length into an angle"),
    ],
)
def test_side_file_that_cannot_be_used_is_refused_in_a_sentence(rules, side, words):
    with pytest.raises(TraceFormatError, match=words):
        evaluate("t.smd", smd(0.5, travel_curve()), side, rules)


def test_feature_that_the_recipe_lacks_is_held(rules):
    side = side_file("travel", "KX-2005-T", "lead-test")
    result = evaluate("t.smd", smd(0.5, travel_curve()), side, rules).result
    assert result["disposition"] == "hold"
    assert result["reasons"][0].startswith("feature lead-test is not in the recipe of KX-2005-T")


def test_damaged_profile_is_refused_whatever_its_side_file_says(rules):
    good = smd(0.5, travel_curve())
    with pytest.raises(TraceFormatError, match="checksum"):
        evaluate("t.smd", good.replace(b"\r\n0.0\r\n", b"\r\n0.5\r\n", 1), TRAVEL_SIDE, rules)
    packed = x3p(0.5, travel_curve() / 1e3)
    with pytest.raises(TraceFormatError):
        evaluate("t.x3p", packed[: len(packed) // 2], TRAVEL_SIDE, rules)


def test_inspect_finds_the_side_file_and_says_when_it_is_missing(station, tmp_path):
    for name in ("with.smd", "without.smd"):
        (tmp_path / name).write_bytes(smd(0.5, travel_curve()))
    (tmp_path / "with.smd.meta.toml").write_bytes(TRAVEL_SIDE)
    arguments = ["inspect", str(tmp_path / "with.smd"), "--config", str(station / "agent.toml"), "--json"]
    found = CliRunner().invoke(main, arguments)
    assert found.exit_code == 0
    assert json.loads(found.stdout)["disposition"] == "accept"
    arguments[1] = str(tmp_path / "without.smd")
    missing = CliRunner().invoke(main, arguments)
    assert missing.exit_code == 1
    assert missing.stdout == ""
    assert "expected without.smd.meta.toml beside it" in missing.stderr


def test_example_recipes_are_accepted_by_check(station):
    result = CliRunner().invoke(main, ["check", "--config", str(station / "agent.toml")])
    assert result.exit_code == 0
    assert "KX-2005-G revision A" in result.stdout
    assert "travel (travel): limits of grade 3" in result.stdout
