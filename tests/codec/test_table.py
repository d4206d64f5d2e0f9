"""Numbers of a table: the fast way equals Python's own float, and a complaint names the line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.codec.traces.table import read_numbers
from edgeagent.errors import TraceFormatError

NUMBER = st.floats(allow_nan=False, allow_infinity=False, width=64)
FORMS = st.sampled_from(["{!r}", "{:.6f}", "{:.3e}", "{:+.4f}", "{:g}"])


@given(st.lists(st.tuples(NUMBER, NUMBER), min_size=1, max_size=30), FORMS, st.sampled_from(",;\t|"))
def test_every_number_is_what_python_reads(pairs, form, mark):
    cells = [[form.format(x) for x in pair] for pair in pairs]
    body = "\n".join(mark.join(row) for row in cells) + "\n"
    found = read_numbers(body.encode(), columns=2, delimiter=mark)
    expected = np.array([[float(c) for c in row] for row in cells])
    assert np.array_equal(found, expected)


@given(st.lists(st.tuples(NUMBER, NUMBER), min_size=1, max_size=20))
def test_decimal_comma_reads_the_same_numbers(pairs):
    body = "\n".join(f"{a:.7f};{b:.3f}" for a, b in pairs).replace(".", ",") + "\n"
    found = read_numbers(body.encode(), columns=2, delimiter=";", decimal=",")
    assert np.array_equal(found, [[float(f"{a:.7f}"), float(f"{b:.3f}")] for a, b in pairs])


@pytest.mark.parametrize(
    ("body", "line", "words"),
    [
        (b"1,2\n3\n4,5,6\n", 11, "1 fields"),
        (b"1,2\n3,4,5\n", 11, "3 fields"),
        (b"1,2\n1_000,3\n", 11, "'1_000' is not a number"),
        (b"1,2\n0x10,3\n", 11, "'0x10' is not a number"),
        (b"1,2\n3,abc\n", 11, "'abc' is not a number"),
        (b"1,2\n3,4\n5,\x00\n", 12, "is not a number"),
    ],
)
def test_complaint_names_line_and_what_was_expected(body, line, words):
    with pytest.raises(TraceFormatError, match=words) as caught:
        read_numbers(body, columns=2, first_line=10)
    assert caught.value.line == line
    assert caught.value.expected


def test_missing_samples_become_nan():
    found = read_numbers(b"1,2\n2,\n3,nan\n4,---\n5,6\n", columns=2)
    assert np.isnan(found[1:4, 1]).all()
    assert found[4].tolist() == [5.0, 6.0]


def test_windows_line_ends_and_blank_lines_at_the_end_do_not_matter():
    assert read_numbers(b"1,2\r\n3,4\r\n\r\n", columns=2).tolist() == [[1, 2], [3, 4]]


def test_runs_of_blanks_separate():
    assert read_numbers(b"  1   2\n 3 4  \n", columns=2, delimiter=" ").tolist() == [[1, 2], [3, 4]]


def test_last_line_cut_in_the_middle_of_its_number_is_noticed():
    rows = "\n".join(f"{i:.5f},{i / 7:.6f}" for i in range(40))
    assert len(read_numbers(rows.encode(), columns=2)) == 40
    with pytest.raises(TraceFormatError, match="cut off") as caught:
        read_numbers(rows[:-3].encode(), columns=2, first_line=5)
    assert caught.value.line == 44


def test_no_rows_are_no_table():
    with pytest.raises(TraceFormatError, match="no rows"):
        read_numbers(b"\n\n", columns=2)
