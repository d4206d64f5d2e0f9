"""Numbers of a table: the fast way equals Python's own float, and a complaint names the line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.codec.traces.json_numbers import json_numbers, json_numbers_portable
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


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_one_number_a_line_needs_no_delimiter_and_bears_no_second_number(delimiter):
    assert read_numbers(b"1.5\n2\n\n", columns=1, delimiter=delimiter).tolist() == [[1.5], [2.0]]
    for body in (b"1,5\n2\n", b"1,5\n\n", b"1;5\n2\n"):
        with pytest.raises(TraceFormatError):
            read_numbers(body, columns=1, delimiter=delimiter)


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


JSON_NUMBER = st.one_of(
    NUMBER.map(repr),
    st.from_regex(r"-?(0|[1-9][0-9]{0,24})(\.[0-9]{1,30})?([eE][+-]?[0-9]{1,3})?", fullmatch=True),
)


@given(st.lists(JSON_NUMBER, min_size=1, max_size=30))
def test_accelerator_and_portable_reader_give_the_same_bits(texts):
    text = f"[{','.join(texts)}]".encode()
    portable, quick = json_numbers_portable(text), json_numbers(text)
    if quick is not None:
        assert portable.tobytes() == quick.tobytes()
    if portable is not None:  # a whole number of -0 has no sign
        assert np.array_equal(portable, [float(t) for t in texts])


@pytest.mark.parametrize(
    "text", [b"[1,[2]]", b"[[1],2]", b'[1,"2"]', b"[1,null]", b"[1,{}]", b"{}", b"1", b"[1,"]
)
def test_what_is_no_flat_array_of_numbers_is_read_by_neither(text):
    assert json_numbers(text) is None
    assert json_numbers_portable(text) is None


def test_table_reads_the_same_bits_without_the_accelerator(monkeypatch):
    random = np.random.default_rng(7)
    rows = random.standard_normal((5000, 3)) * 10.0 ** random.integers(-9, 9, (5000, 3))
    body = "".join(f"{a!r},{b:.6f},{c:.3e}\n" for a, b, c in rows.tolist()).encode()
    quick = read_numbers(body, columns=3)
    monkeypatch.setattr("edgeagent.codec.traces.json_numbers._simdjson", None)
    assert read_numbers(body, columns=3).tobytes() == quick.tobytes()


def test_table_with_a_lost_sample_reads_all_other_rows_as_before():
    lines = [f"{k * 0.01:.4f},{k % 17:.6f}\n" for k in range(40_000)]
    whole = read_numbers("".join(lines).encode(), columns=2)
    lines[31_234] = "312.3400,---\n"
    found = read_numbers("".join(lines).encode(), columns=2)
    assert np.flatnonzero(np.isnan(found[:, 1])).tolist() == [31_234]
    whole[31_234, 1] = found[31_234, 1] = 0.0
    assert np.array_equal(found, whole)


def test_complaint_far_into_a_table_names_its_line():
    body = b"1,2\n" * 50_000 + b"3,x\n" + b"1,2\n" * 50_000
    with pytest.raises(TraceFormatError) as caught:
        read_numbers(body, columns=2, first_line=10)
    assert caught.value.line == 50_010
