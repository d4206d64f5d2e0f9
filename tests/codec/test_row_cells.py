"""Cells that are no plain numbers yet: what a layout says of them, what is refused. Exports invented."""

import numpy as np
import pytest

from edgeagent.codec.traces.delimited import parse_with_layout, rows_as_written, trace_names
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, TraceFormatError, TraceIncompleteError

ANGLES, READINGS = [0.0, 90.5, 181.0], [1234.25, -2.5, 3.0]


def layout(text="", columns=("", ""), more="", feature='feature = "left-flank"', fields=(1, 2)):
    """A layout with one thing changed at a time."""
    return parse_layout(
        f"""layout = "t"
[match]
names = ["*.asc"]
[text]
{text}
[data]
first_line = 2
[[column]]
name = "angle_deg"
field = {fields[0]}
{columns[0]}
[[column]]
name = "deviation_um"
field = {fields[1]}
{columns[1]}
{more}
[constants]
kind = "spiral"
part = "KX-1"
serial = "7"
measured_at = 2026-03-02T09:41:07Z
{feature}
""".encode(),
        "layouts/t.toml",
    )


def read(made, *rows, name="a.asc", encoding="utf-8", end="\n"):
    return parse_with_layout(made, name, ("\n".join(["head", *rows]) + end).encode(encoding))


def assert_reads(trace, angles=ANGLES, readings=READINGS):
    np.testing.assert_array_equal(trace.columns["angle_deg"], angles)
    np.testing.assert_array_equal(trace.columns["deviation_um"], readings)


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ("delimiter='semicolon'\nthousands=','", ["0;1,234.25", "90.5;-2.5", "181;3.0"]),
        ("delimiter='semicolon'\ndecimal=','\nthousands='.'", ["0;1.234,25", "90,5;-2,5", "181;3"]),
        ("delimiter='tab'\ndecimal=','\nthousands=' '", ["0\t1 234,25", "90,5\t-2,5", "181\t3"]),
        ("delimiter='tab'\ndecimal=','\nthousands=' '", ["0\t1\u202f234,25", "90,5\t-2,5", "181\t3"]),
        ("delimiter='bar'\nthousands=\"'\"", ["0|1'234.25", "90.5|-2.5", "181|3"]),
        ("delimiter='comma'\nthousands=','", ['0,"1,234.25"', '"90.5",-2.5', "181,3"]),
    ],
)
def test_grouped_digits_give_the_number(text, rows):
    assert_reads(read(layout(text), *rows))


@pytest.mark.parametrize("cell", ["1,23", "12,34.5", "1234,567", ",123", "1,2345", "1,234,56"])
def test_group_that_is_none_is_no_number(cell):
    with pytest.raises(TraceFormatError, match=r"line 2: .* is not a number"):
        read(layout("delimiter='semicolon'\nthousands=','"), f"0;{cell}", "1;2", "2;3")


def test_cell_of_more_characters_than_can_be_cut_is_refused_with_its_line():
    made = layout("delimiter='semicolon'\nthousands=','")
    with pytest.raises(TraceFormatError, match="line 3: the line cannot be cut"):
        read(made, "0;1", f'"{"1" * 200_000}";1', "2;3")


def test_unit_behind_each_number_is_taken_off_and_another_one_refused():
    made = layout("delimiter='semicolon'", ("suffix='deg'", "suffix='µm'"))
    assert_reads(read(made, "0 deg;1234.25 µm", "90.5deg;-2.5 µm", "181 deg;3.0µm"))
    with pytest.raises(
        TraceFormatError, match=r"line 3: '-2.5 nm' in the field of deviation_um; expected a number"
    ):
        read(made, "0 deg;1 µm", "1 deg;-2.5 nm", "2 deg;3 µm")
    with pytest.raises(TraceFormatError, match=r"line 3: '-2.5'"):
        read(made, "0 deg;1 µm", "1 deg;-2.5", "2 deg;3 µm")
    with pytest.raises(TraceIncompleteError, match="last line is cut off"):
        read(made, "0 deg;1 µm", "1 deg;-2.5 µm", "2 deg;3", end="")


def test_lost_sample_needs_no_unit():
    made = layout("delimiter='semicolon'\nmissing=['OVR']", ("suffix='deg'", "suffix='um'"))
    found = read(made, "0 deg;OVR", "1 deg;", "2 deg;3 um").columns["deviation_um"]
    np.testing.assert_array_equal(np.isnan(found), [True, True, False])


def test_fields_that_touch_are_cut_by_their_widths():
    made = layout("delimiter='fixed'\nwidths=[8, 10]")
    assert_reads(read(made, "    0.00 1234.2500", "   90.50   -2.5000", "  181.00    3.0000"))
    assert_reads(read(made, "00000.0001234.2500", "00090.50-0002.5000", "00181.00000003.000"))
    with pytest.raises(TraceFormatError, match=r"line 3: 20 characters; expected at most 18"):
        read(made, "    0.00    3.0000", "    0.00      3.0000", "    0.00    3.0000")
    with pytest.raises(TraceFormatError, match=r"line 2"):
        read(made, "    0.00 1 3.0000", "    0.00    3.0000")


@pytest.mark.parametrize(
    ("encoding", "text"),
    [("cp932", "角度"), ("gb18030", "偏差单位"), ("windows-1250", "odchyłka"), ("windows-1251", "угол"),
     ("mac-roman", "Prüfer °")],
)  # fmt: skip
def test_code_pages_of_other_languages_are_read(encoding, text):
    more = f"[[header]]\nkey='operator'\npattern='^({text})$'\n"
    data = f"{text}\n0,1234.25\n90.5,-2.5\n181,3\n".encode(encoding)
    trace = parse_with_layout(layout(f"encoding='{encoding}'", more=more), "a.asc", data)
    assert trace.header.operator == text
    assert_reads(trace)


ROWS = ("L;0;1234.25", "R;0;5", "L;90.5;-2.5", "R;90.5;6", "L;181;3", "R;181;7")
BY_ROWS = "[traces]\nfield=1\nfeatures={L='left-flank', R='right-flank'}"


def by_rows(more=BY_ROWS, **options):
    return layout("delimiter='semicolon'", more=more, feature="", fields=(2, 3), **options)


def test_rows_of_one_file_belong_to_the_trace_that_its_layout_names():
    made = by_rows()
    assert trace_names(made, "x/a.asc") == ("x/a.asc#left-flank", "x/a.asc#right-flank")
    left, right = (read(made, *ROWS, name=name) for name in trace_names(made, "a.asc"))
    assert (left.header.feature, right.header.feature) == ("left-flank", "right-flank")
    assert_reads(left)
    assert_reads(right, readings=[5.0, 6.0, 7.0])


def test_numbers_that_are_equal_name_the_same_trace():
    made = by_rows("[traces]\nfield=1\nfeatures={'10'='plane-10', '20.0'='plane-20'}")
    rows = [row.replace("L", "10.000").replace("R", "2e1") for row in ROWS]
    assert_reads(read(made, *rows, name="a.asc#plane-10"))


def test_value_that_no_feature_is_given_for_and_a_trace_without_rows_are_refused():
    with pytest.raises(
        TraceFormatError, match=r"line 8: field 1 holds 'X', which traces.features does not name"
    ):
        read(by_rows(), *ROWS, "X;1;1", name="a.asc#left-flank")
    with pytest.raises(TraceFormatError, match="no rows of right-flank"):
        read(by_rows(), *ROWS[::2], name="a.asc#left-flank")


def test_file_of_several_traces_without_the_name_of_one_is_refused():
    with pytest.raises(
        TraceFormatError, match=r"several traces; expected the name of one: a.asc#left-flank, a.asc#r"
    ):
        read(by_rows(), *ROWS)


def test_fields_of_one_file_belong_to_the_trace_that_its_layout_names():
    more = "[traces]\nfields={left-flank=2, right-flank=3}"
    made = layout("delimiter='semicolon'", more=more, feature="")
    rows = ["0;1234.25;5", "90.5;-2.5;6", "181;3;7"]
    assert_reads(read(made, *rows, name="a.asc#left-flank"))
    assert_reads(read(made, *rows, name="a.asc#right-flank"), readings=[5.0, 6.0, 7.0])


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[traces]\nfield=1", "give either field and features, or fields"),
        ("[traces]\nfeatures={L='a'}", "give either field and features, or fields"),
        ("[traces]\nfield=1\nfeatures={L='a', R='a'}", "each trace needs a feature"),
        ("[traces]\nfields={a=2, b=2}", "each feature a field"),
        ("[traces]\nfields={a=2}\nof='z_mm'", "is no column that has a field"),
        ("[traces]\nfield=1\nfeatures={L='a b'}", "regex"),
    ],
)
def test_mistake_in_traces_is_refused(more, words):
    with pytest.raises(ConfigError, match=words):
        layout(more=more, feature="")


def test_feature_beside_traces_is_refused():
    with pytest.raises(ConfigError, match="no other feature can be given"):
        layout(more=BY_ROWS)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("delimiter='fixed'", "widths belong to delimiter fixed"),
        ("widths=[3]", "widths belong to delimiter fixed"),
        ("thousands='.'", "must not be the same sign"),
        ("delimiter='blanks'\nthousands=' '", "blanks cannot both"),
    ],
)
def test_text_that_contradicts_itself_is_refused(text, words):
    with pytest.raises(ConfigError, match=words):
        layout(text)


def test_first_rows_as_written_are_those_of_each_trace_of_the_file():
    data = ("head\n\n" + "\n".join(ROWS)).encode()
    assert rows_as_written(by_rows(), data, 2, "left-flank") == ([ROWS[0], ROWS[2]], 3)
    assert rows_as_written(by_rows(), data, 2, "right-flank") == ([ROWS[1], ROWS[3]], 4)
