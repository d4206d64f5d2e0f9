"""SMD (ISO 5436-2): a file built by another hand, and damaged ones."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.codec.traces.smd import parse_smd
from edgeagent.errors import TraceFormatError

X_AXIS = b"CX\0I\0005\0mm\0001.0\0D\0005.0E-004"
Z_AXIS = b"CZ\0A\0005\0um\0001.0\0D"
HEIGHTS = (b"1.0", b"-2.0", b"3.5", b"0.25", b"-1.5")


def build(*, kind=b"PRF", axes=(X_AXIS, Z_AXIS), heights=HEIGHTS, end=b"\r\n", checksum=None):
    lines = [
        b"ISO 5436 - 2000\0test\0",
        kind + b"\0 0 ISO0000\0",
        *axes,
        b"\x03",
        b"DATE -\0",
        b"\x03",
        *heights,
        b"\x03",
    ]
    body = b"".join(line + end for line in lines)
    number = sum(body) % 65535 if checksum is None else checksum
    return body + str(number).encode() + end + b"\x03" + end + b"\x1a"


def test_vector_with_its_checksum_and_digest():
    # built once by another hand from the format's description: 129 bytes summed, checksum 5373, 139 in all
    data = build()
    assert len(data) == 139
    assert b"\r\n5373\r\n" in data
    assert (
        hashlib.sha256(data).hexdigest() == "7259c77c0a8fccd613b9a987ae5a18f7eb37ea305db78b3f589bec64024e22ae"
    )
    profile = parse_smd(data)
    assert profile.x_mm == pytest.approx([0.0, 5e-4, 1e-3, 1.5e-3, 2e-3], abs=1e-18)
    assert profile.z_mm == pytest.approx([1e-3, -2e-3, 3.5e-3, 0.25e-3, -1.5e-3], abs=1e-18)
    assert profile.name == "test"
    assert profile.metadata == {"DATE": "-"}


def test_blanks_between_fields_and_plain_line_ends_are_read():
    data = build(axes=(X_AXIS.replace(b"\0", b" "), Z_AXIS.replace(b"\0", b" ")), end=b"\n")
    np.testing.assert_array_equal(parse_smd(data).z_mm, parse_smd(build()).z_mm)


@pytest.mark.parametrize(("unit", "factor"), [(b"m", 1e3), (b"mm", 1.0), (b"um", 1e-3), (b"nm", 1e-6)])
def test_units_and_scale(unit, factor):
    x_axis = b"CX\0I\0005\0" + unit + b"\0002.0\0D\0000.25"
    z_axis = b"CZ\0A\0005\0" + unit + b"\0004.0\0D"
    profile = parse_smd(build(axes=(x_axis, z_axis)))
    assert profile.x_mm[1] == pytest.approx(0.5 * factor)
    assert profile.z_mm[2] == pytest.approx(14.0 * factor)


def test_sample_that_was_not_measured_is_nan():
    found = parse_smd(build(heights=(b"1.0", b"BAD", b"3.5", b"0.25", b"-1.5"))).z_mm
    assert np.isnan(found).tolist() == [False, True, False, False, False]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": b"SUR"}, "line 2: the file is a surface"),
        ({"kind": b"ABC"}, "line 2: the file is of type 'ABC'"),
        ({"axes": (X_AXIS,)}, "no axis CZ"),
        ({"axes": (Z_AXIS,)}, "no axis CX"),
        ({"axes": (X_AXIS.replace(b"I", b"A"), Z_AXIS)}, "line 3: axis CX reads"),
        ({"axes": (X_AXIS, Z_AXIS.replace(b"\0A", b"\0I"))}, "line 4: axis CZ reads"),
        ({"axes": (X_AXIS.replace(b"mm", b"in"), Z_AXIS)}, "line 3: axis CX has the unit 'in'"),
        ({"axes": (X_AXIS.replace(b"5.0E", b"-5.0E"), Z_AXIS)}, "line 3: the step along x"),
        ({"axes": (X_AXIS.replace(b"5.0E-004", b"nan"), Z_AXIS)}, "line 3: increment of CX"),
        ({"axes": (X_AXIS.replace(b"\0005\0", b"\0x\0"), Z_AXIS)}, "line 3: axis CX has 'x' points"),
        ({"axes": (X_AXIS.replace(b"\0005\0", b"\0006\0"), Z_AXIS)}, "5 heights, but axis CX announces 6"),
        ({"heights": HEIGHTS[:4]}, "4 heights, but axis CX announces 5"),
        ({"heights": (*HEIGHTS[:4], b"1,5")}, "line 12: a height is '1,5'"),
        ({"heights": (*HEIGHTS[:4], b"inf")}, "line 12: a height is 'inf'"),
        ({"checksum": 5372}, "line 14: the file was changed or damaged: its checksum says 5372"),
        ({"checksum": "many"}, "line 14: the checksum is 'many'"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(change, words):
    with pytest.raises(TraceFormatError) as caught:
        parse_smd(build(**change))
    assert words in str(caught.value)


def test_any_changed_byte_before_the_checksum_is_noticed():
    data = build()
    for place in range(129):
        spoilt = bytearray(data)
        spoilt[place] ^= 0x01
        with pytest.raises(TraceFormatError):
            parse_smd(bytes(spoilt))


def test_file_cut_anywhere_before_its_last_mark_is_refused():
    data = build()
    for length in range(data.rindex(b"\x03")):
        with pytest.raises(TraceFormatError):
            parse_smd(data[:length])


@given(st.binary(max_size=300))
def test_foreign_bytes_are_refused(data):
    with pytest.raises(TraceFormatError):
        parse_smd(data)


@given(st.binary(max_size=200))
def test_foreign_bytes_behind_the_right_beginning_are_refused(data):
    with pytest.raises(TraceFormatError):
        parse_smd(b"ISO 5436 - 2000\0" + data)
