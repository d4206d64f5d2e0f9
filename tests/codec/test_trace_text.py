"""Trace text: what the format promises, and words for a technician where a file breaks it."""

from __future__ import annotations

import contextlib
import random

import pytest
from field import spiral_text

from edgeagent.codec.traces.reader import read_trace
from edgeagent.codec.traces.trace_text import parse_trace_text
from edgeagent.errors import InputError, TraceFormatError

GOOD = spiral_text(points_per_turn=40, turns=1)


def changed(old: str, new: str) -> bytes:
    assert old in GOOD
    return GOOD.replace(old, new, 1).encode()


def test_header_and_columns_read_as_written():
    trace = parse_trace_text(GOOD.encode())
    header = trace.header
    assert (header.part, header.serial, header.feature, header.kind) == (
        "KX-2005-R",
        "000412",
        "left-flank",
        "spiral",
    )
    assert (header.tip_radius_mm, header.track_diameter_mm, header.sensing) == (0.005, 19.2, "normal")
    assert header.measured_at.isoformat() == "2026-11-25T09:41:07+00:00"
    assert trace.points == 40
    assert list(trace.columns) == ["angle_deg", "deviation_um"]


def test_byte_order_mark_windows_line_ends_and_a_missing_last_line_end_do_not_matter():
    plain = parse_trace_text(GOOD.encode())
    for data in (
        b"\xef\xbb\xbf" + GOOD.encode(),
        GOOD.replace("\n", "\r\n").encode(),
        GOOD.rstrip("\n").encode(),
    ):
        assert parse_trace_text(data).columns["deviation_um"].tolist() == plain.columns["deviation_um"].tolist()


def test_side_labels_become_codes():
    text = GOOD[: GOOD.index("angle_deg")].replace("spiral", "axial")
    trace = parse_trace_text((text + "side,x_mm,z_mm\ntop,1,2\nbottom,3,4\n").encode())
    assert trace.columns["side"].tolist() == [1.0, -1.0]


def test_unknown_header_keys_are_carried_along():
    trace = parse_trace_text(changed('# sensing = "normal"', '# shift_leader = "B"'))
    assert trace.header.extra == {"shift_leader": "B"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('# part = "KX-2005-R"\n', "", "header lacks part"),
        ('# serial = "000412"', "# serial = 412", "serial: Expected `str"),
        ('# serial = "000412"', '# artefact = "MW-03"', "both a part and an artefact"),
        ("09:41:07Z", "09:41:07", "no offset from UTC"),
        ("# trace = 1", "# trace = 2", "trace: Invalid enum value 2"),
        ('# sensing = "normal"', '# sensing = "sideways"', "sensing"),
        ("# tip_radius_mm = 0.005", "# tip_radius_mm = -1", "tip_radius_mm"),
        ("# track_diameter_mm = 19.2", "# track_diameter_mm = oops", "header is not TOML"),
        ('"KX-2005-R"', '"KX\\u001b[31m"', "control characters"),
        ("angle_deg,deviation_um", "angle_deg,angle_deg", "column names"),
    ],
)
def test_each_fault_of_the_header_has_its_sentence(old, new, words):
    with pytest.raises(TraceFormatError, match=words.replace("(", r"\(").replace("[", r"\[")):
        parse_trace_text(changed(old, new))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02" * 100, "no layout claims it"),
        (b"hello\n", "no layout claims it"),
        (b"# trace = 1\n", "ends after its header"),
        (GOOD[: GOOD.index("\n", GOOD.index("angle_deg")) + 1].encode(), "no rows"),
        (GOOD[: GOOD.index("\n", GOOD.index("angle_deg")) + 40].encode() + b"12", "1 fields"),
        (GOOD.encode("utf-16"), "no layout claims it"),
    ],
)
def test_empty_foreign_and_truncated_files_are_refused_in_words(data, words):
    with pytest.raises(InputError, match=words):
        read_trace("a.txt", data, None, {})


def test_damaged_bytes_give_a_trace_or_an_input_error_and_nothing_else():
    chance = random.Random(7)
    for _ in range(400):
        data = bytearray(GOOD.encode())
        for _ in range(chance.randint(1, 6)):
            place = chance.randrange(len(data))
            data[place : place + chance.randint(0, 3)] = chance.randbytes(chance.randint(0, 3))
        with contextlib.suppress(InputError):
            assert read_trace("a.txt", bytes(data), None, {}).trace.points > 0
