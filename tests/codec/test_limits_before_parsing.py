"""Small files that ask for much: refused by size, depth or count before they are parsed, in a sentence."""

from __future__ import annotations

import hashlib
import io
import tomllib
import zipfile
from pathlib import Path

import numpy as np
import pytest

from edgeagent.codec import limits, toml_reader
from edgeagent.codec.configuration.recipe import parse_recipe, referenced_files
from edgeagent.codec.configuration.schema import toml_table
from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.codec.limits import HEADER_BYTES_MAX, NESTING_MAX, POINTS_MAX, TURNS_MAX
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.codec.traces.reader import read_trace
from edgeagent.errors import ConfigError, InputError, TraceFormatError, TraceIncompleteError, TraceRangeError
from edgeagent.judging.configuration import describe_kind

HEADER = b"""# trace = 1
# kind = "spiral"
# part = "KX-2005-R"
# serial = "000412"
# feature = "left-flank"
# measured_at = 2026-03-02T09:41:07Z
"""
SIDE = b"""kind = "spiral"
part = "KX-2005-R"
serial = "000412"
feature = "left-flank"
measured_at = 2026-03-02T09:41:07Z
track_diameter_mm = 19.2
"""


def rows(count: int, turns: float) -> bytes:
    angle_deg = np.arange(count) * 360.0 * turns / count
    return b"angle_deg,deviation_um\n" + b"".join(b"%.4f,%d\n" % (a, k % 7) for k, a in enumerate(angle_deg))


def trace(more: bytes = b"", body: bytes | None = None) -> bytes:
    return HEADER + more + (rows(2000, 3) if body is None else body)


def read(data: bytes, name: str = "a.txt", side: bytes | None = None):
    return read_trace(name, data, side, {}).trace


def complaint(data: bytes, name: str = "a.txt", side: bytes | None = None) -> str:
    """The one line that a file is refused with."""
    with pytest.raises(InputError) as caught:
        read(data, name, side)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400
    return str(caught.value)


def binary_profile(points: int) -> bytes:
    """An X3P profile of 16-bit heights that are nearly all zero, as a packer likes them."""
    data = b"\x01" + bytes(2 * points - 1)

    def axis(name, kind, dtype, increment):
        return (
            f"<{name}><AxisType>{kind}</AxisType><DataType>{dtype}</DataType>"
            f"<Increment>{increment}</Increment><Offset>0</Offset></{name}>"
        )

    axes = axis("CX", "I", "D", 1e-6) + axis("CY", "I", "D", 1) + axis("CZ", "A", "I", 1e-9)
    text = (
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>invented</Revision>'
        f"<FeatureType>PRF</FeatureType><Axes>{axes}</Axes></Record1><Record3><MatrixDimension>"
        f"<SizeX>{points}</SizeX><SizeY>1</SizeY><SizeZ>1</SizeZ></MatrixDimension><DataLink>"
        "<PointDataLink>data.bin</PointDataLink><MD5ChecksumPointData>"
        f"{hashlib.md5(data, usedforsecurity=False).hexdigest()}</MD5ChecksumPointData></DataLink></Record3>"
        "<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></p:ISO5436_2>"
    ).encode()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("main.xml", text)
        archive.writestr("data.bin", data)
        archive.writestr("md5checksum.hex", hashlib.md5(text, usedforsecurity=False).hexdigest())
    return out.getvalue()


def test_good_companion_is_read():
    assert read(trace(b"# points = 2000\n# order = 'A-1'\n")).points == 2000
    assert read(trace(b"# x = " + b"[" * NESTING_MAX + b"]" * NESTING_MAX + b"\n")).points == 2000
    assert read(binary_profile(5000), "a.x3p", SIDE).points == 5000


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (b"# " + b".".join([b"a"] * 14_000) + b" = 1\n", "a key of too many names; expected at most 16"),
        (b"# [" + b".".join([b"a"] * 20_000) + b"]\n", "a key of too many names; expected at most 16"),
        (b"# [" + b".".join([b"a"] * 120_000) + b"]\n", f"too long; expected at most {HEADER_BYTES_MAX} bytes"),
        (b"# x = " + b"[" * 500 + b"]" * 500 + b"\n", "nested too deep; expected at most 16 deep"),
        (b"# x = " + b"{a = " * 500 + b"1" + b"}" * 500 + b"\n", "nested too deep"),
        (b"".join(b"# k%d = 1\n" % k for k in range(100_000)), "the header does not end"),
        (b"# x = " + b"9" * 5000 + b"\n", "a number of 5000 digits; expected at most 40"),
        (b"# lead_mm = 0x" + b"f" * 5000 + b"\n", "digits; expected at most 40"),
    ],
)
def test_header_that_would_choke_its_parser_is_refused_before_it(more, words, monkeypatch):
    monkeypatch.setattr(tomllib, "loads", lambda _: pytest.fail("the parser was called"))
    assert words in complaint(trace(more))
    side = SIDE + b"".join(line[2:] + b"\n" for line in more.splitlines())
    assert complaint(binary_profile(100), "a.x3p", side)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (b"".join(b"# k%d = 1\n" % k for k in range(300)), "the header has 306 keys; expected at most 200"),
        (b"# lead_mm = 0x" + b"f" * 20 + b"\n", "a whole number of more than 64 bits at lead_mm"),
        (b"# lead_mm = 5e-324\n", "5e-324, too small for a number, at lead_mm"),
    ],
)
def test_header_with_what_no_value_can_hold_is_refused(more, words):
    assert words in complaint(trace(more))


@pytest.mark.parametrize(
    "text", ["'{}'", '"{}"', '"\\"{}"', "'''{}'''", '"""\n{}"""', "1 # {}", "['''{}''', '']"]
)
def test_brackets_in_texts_and_comments_are_no_depth(text):
    assert "x" in toml_table(f"x = {text}".replace("{}", 30 * "[").encode(), "f.toml")
    with pytest.raises(ConfigError, match="nested too deep"):
        toml_table((f"x = {text}\n".replace("{}", "[") + f"y = {30 * '['}").encode(), "f.toml")


@pytest.mark.parametrize("turns", [TURNS_MAX + 2, 9700])
def test_trace_of_hundreds_of_turns_is_asked_for_its_unit(turns):
    assert f"covers {turns} turns; allowed: up to {TURNS_MAX}" in complaint(trace(body=rows(20_000, turns)))
    assert read(trace(body=rows(20_000, TURNS_MAX))).points == 20_000


@pytest.mark.parametrize("form", [b"%de-322", b"%de300", b"%de-9"])
def test_angle_that_is_no_angle_is_refused(form):
    body = b"angle_deg,deviation_um\n" + b"".join(form % k + b",%d\n" % (k % 7) for k in range(900))
    with pytest.raises(TraceRangeError, match=r"angle_deg (covers|reaches)"):
        read(trace(body=body))


def test_too_many_points_are_refused_before_they_are_parsed(monkeypatch):
    monkeypatch.setattr("edgeagent.codec.traces.table.json_numbers", lambda _: pytest.fail("parsed"))
    body = b"angle_deg,deviation_um\n" + b"1,2\n" * (POINTS_MAX + 1)
    assert f"{POINTS_MAX + 1} points; expected at most {POINTS_MAX}" in complaint(trace(body=body))


def test_profile_that_announces_millions_of_points_is_not_unpacked():
    assert "16000000 points; expected at most 2000000" in complaint(binary_profile(16_000_000), "a.x3p", SIDE)


def test_line_of_a_million_columns_is_refused():
    names = b",".join(b"c%d" % k for k in range(1_000_000))
    assert "too many columns; expected at most 64" in complaint(trace(body=names + b"\n1\n"))


@pytest.mark.parametrize("digits", ["١٢٣", "1_000", "１２", "²", "0x10"])
def test_digits_of_other_scripts_and_underscores_are_no_numbers(digits):
    body = f"angle_deg,deviation_um\n0,1\n{digits},2\n".encode()
    with pytest.raises(TraceFormatError, match="is not a number"):
        read(trace(body=body))
    smd = [
        "ISO 5436 - 2000\0invented\0", "PRF\0 0 ISO0000\0", "CX\0I\0003\0mm\0001.0\0D\0000.1",
        "CZ\0A\0003\0um\0001.0\0D", "\x03", "DATE -\0", "\x03", "1.0", digits, "2.0", "\x03",
    ]  # fmt: skip
    content = "\r\n".join(smd).encode("utf-8") + b"\r\n"
    content += b"%d\r\n\x03\r\n" % (sum(content) % 65535)
    with pytest.raises(TraceFormatError, match="expected a number"):
        read(content, "a.smd", SIDE)


@pytest.mark.parametrize("year", ["0001", "1969", "2200", "9999"])
def test_year_that_no_clock_shows_is_refused(year):
    data = trace().replace(b"2026-03-02T09:41:07Z", year.encode() + b"-01-01T00:00:00+23:59")
    assert f"the year {int(year)}; expected 1970 to 2199" in complaint(data)


def test_fewer_rows_than_declared_is_an_incomplete_file():
    with pytest.raises(
        TraceIncompleteError, match="not complete: 1999 rows, but the header declares 2000 points"
    ):
        read(trace(b"# points = 2000\n", rows(1999, 3)))
    with pytest.raises(TraceFormatError, match="2001 rows, but the header declares 2000 points") as caught:
        read(trace(b"# points = 2000\n", rows(2001, 3)))
    assert not isinstance(caught.value, TraceIncompleteError)


def test_file_cut_anywhere_is_incomplete_or_refused_where_it_declares_its_points():
    whole = trace(b"# points = 2000\n")
    for cut in (*range(150, 240, 7), 1000, 20_000, len(whole) - 30, len(whole) - 3):
        with pytest.raises(TraceFormatError):
            read(whole[:cut])
    with pytest.raises(TraceIncompleteError):
        read(whole[: len(whole) - 30])
    with pytest.raises(TraceIncompleteError):
        read(HEADER)


def test_text_without_an_end_is_stepped_over_once():
    """Else 60 kB of a header in which thousands of texts seem to begin takes half a minute to be refused."""
    assert len(list(toml_reader._TOKEN.finditer('\\"""\n' * 1000))) == 1


BAD_DOCUMENTS = {
    "500 nested brackets": b"x = " + b"[" * 500 + b"]" * 500,
    "a key of 14,000 names": b".".join([b"a"] * 14_000) + b" = 1",
    "5,000 digits": b"x = " + b"7" * 5000,
    "5,000 hex digits": b"x = 0x" + b"f" * 5000,
    "a subnormal number": b"x = 5e-324",
    "2 MB": b"# " + b"x" * 2_000_000,
}


@pytest.mark.parametrize("document", BAD_DOCUMENTS.values(), ids=BAD_DOCUMENTS)
@pytest.mark.parametrize(
    "parse",
    [
        parse_settings,
        parse_layout,
        referenced_files,
        lambda data, file: parse_recipe(data, file, {}, describe_kind),
    ],
    ids=["settings", "layout", "referenced files", "recipe"],
)
def test_document_that_would_choke_its_parser_is_one_line_of_complaint(parse, document):
    with pytest.raises(ConfigError) as caught:
        parse(document, "f.toml")
    assert str(caught.value).startswith("f.toml: ")
    assert "allowed: " in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


def sealed(side: bytes) -> bytes:
    return side + b'checksum = "' + hashlib.sha256(side).hexdigest().encode() + b'"\n'


def test_side_file_with_checksum_is_read_or_refused_whichever_bit_flips():
    profile, side = binary_profile(100), sealed(SIDE + b"tip_radius_mm = 0.005\n")
    good = read_trace("a.x3p", profile, side, {})
    assert good.side is not None
    assert good.side.sealed
    assert not read_trace("a.x3p", profile, SIDE, {}).side.sealed
    for bit in range(8 * len(side)):
        damaged = bytearray(side)
        damaged[bit // 8] ^= 1 << bit % 8
        try:
            found = read_trace("a.x3p", profile, bytes(damaged), {})
        except InputError:
            continue
        assert found.trace.header == good.trace.header, bit  # a flip that turned the checksum into a comment
        assert np.array_equal(found.trace.columns["angle_deg"], good.trace.columns["angle_deg"])


def test_side_file_with_digest_belongs_to_one_profile():
    profile = binary_profile(100)
    side = SIDE + b'sha256 = "' + hashlib.sha256(profile).hexdigest().encode() + b'"\n'
    assert read(profile, "a.x3p", side).points == 100
    with pytest.raises(TraceFormatError, match="sha256 is not that of the profile file"):
        read(binary_profile(101), "a.x3p", side)


def test_key_with_a_slip_in_a_side_file_is_refused_and_a_foreign_one_carried_along():
    with pytest.raises(TraceFormatError, match="unknown key 'tip_radius_nm'; expected tip_radius_mm"):
        read(binary_profile(100), "a.x3p", SIDE + b"tip_radius_nm = 0.005\n")
    assert read(binary_profile(100), "a.x3p", SIDE + b'batch = "7"\n').header.extra == {"batch": "7"}


def test_configuration_readme_states_the_limits():
    text = (Path(__file__).resolve().parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    for figure in (POINTS_MAX, HEADER_BYTES_MAX, limits.CONFIGURATION_BYTES_MAX):
        assert f"{figure:,}" in text
    for words in (
        f"| {TURNS_MAX};",
        f"| {limits.COLUMNS_MAX} |",
        f"{limits.HEADER_KEYS_MAX} keys",
        f"{NESTING_MAX} brackets deep, {limits.KEY_PARTS_MAX} names in a key, {limits.DIGITS_MAX} digits",
        f"{limits.YEAR_MIN} to {limits.YEAR_MAX - 1}",
    ):
        assert words in text
    assert limits.SIDE_FILE_BYTES_MAX == HEADER_BYTES_MAX
