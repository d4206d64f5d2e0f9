"""Cells of comma-separated text: exact for a reader, harmless in a spreadsheet."""

from __future__ import annotations

import csv
import io
import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.codec.spreadsheet import csv_line, plain_cell, text_cell

FORMULAS = [
    "=1+1",
    "+1",
    "-1+2",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    " =1",
    "＝1",
    "－1",
    '=HYPERLINK("http://x")',
]


def read(line: str) -> list[str]:
    (row,) = csv.reader(io.StringIO(line, newline=""))
    return row


@pytest.mark.parametrize("text", FORMULAS)
def test_text_that_begins_like_a_formula_is_no_formula(text):
    (cell,) = read(text_cell(text) + "\r\n")
    assert cell == "'" + text


@pytest.mark.parametrize(
    "text", ["000412", "KX-2005-R", "a=b", "1-2", "", " ", "µm; „x“", 'say "x", y', "a\nb"]
)
def test_plain_text_is_what_a_reader_gets_back(text):
    assert read(csv_line([text, 1])) == [text, "1"]


def test_escape_can_be_undone():
    texts = ["=1", "'=1", "''=1", "x"]
    assert len({text_cell(text) for text in texts}) == len(texts)


@given(st.text(st.characters(codec="utf-8")))
def test_no_text_breaks_a_line_or_begins_a_formula(text):
    line = csv_line([text, 2.5, text])
    first, number, second = read(line)
    assert (number, first) == ("2.5", second)
    assert first.lstrip(" ")[:1] not in set("=+-@\t\r\n＝＋－＠") or not first
    assert "\0" not in line


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_number_is_exact_and_never_escaped(value):
    cell = plain_cell(value)
    assert float(cell) == value
    assert math.copysign(1, float(cell)) == math.copysign(1, value)


def test_nothing_is_not_the_empty_text():
    assert csv_line([None, "", True, False, 3]) == ',"",true,false,3\r\n'


def test_time_is_utc():
    assert plain_cell(datetime(2026, 3, 2, 9, 41, 7, 5, UTC)) == "2026-03-02T09:41:07.000005Z"
