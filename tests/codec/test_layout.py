"""Layouts: every way of writing an export that a layout can describe, and what is refused with which words.

All exports here are invented. The numbers expected are those that were written into the export.
"""

import math
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from edgeagent.codec.traces.delimited import claims, parse_with_layout
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.codec.traces.trace_text import parse_trace_text
from edgeagent.errors import ConfigError, TraceFormatError

HEAD = "Teil: KX-1\nSerie: 0007\n"
ROWS = ((0.0, 1.25), (90.5, -2.5), (181.0, 3.0))


def toml(text="", data="after = '^w'", columns=None, more="", top=""):
    """A layout with one thing changed at a time."""
    columns = columns or "[[column]]\nname='angle_deg'\nfield=1\n[[column]]\nname='deviation_um'\nfield=2\n"
    return f"""layout = "t"
{top}
[match]
names = ["*.asc"]
[text]
{text}
[data]
{data}
{columns}
{more}
[[header]]
key = "part"
pattern = '^Teil: (.+)$'
[[header]]
key = "serial"
pattern = '^Serie: (.+)$'
[constants]
kind = "spiral"
feature = "left-flank"
measured_at = 2026-03-02T09:41:07Z
"""


def read(layout_text, export, name="a.asc", encoding="utf-8"):
    data = export if isinstance(export, bytes) else export.encode(encoding)
    return parse_with_layout(parse_layout(layout_text.encode(), "layouts/t.toml"), name, data)


def export(delimiter=",", decimal=".", end="\n", tail="", rows=ROWS, names="w,a"):
    def number(value):
        return f"{value:g}".replace(".", decimal)

    lines = [*HEAD.splitlines(), names, *(delimiter.join(map(number, row)) + tail for row in rows)]
    return end.join(lines) + end


@pytest.mark.parametrize(
    ("word", "mark", "decimal"),
    [
        ("comma", ",", "."),
        ("semicolon", ";", ","),
        ("semicolon", ";", "."),
        ("tab", "\t", ","),
        ("blanks", "   ", "."),
        ("blanks", " ", ","),
        ("bar", "|", ","),
        ("bar", " | ", "."),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_decimal_marks_and_line_ends_give_the_written_numbers(word, mark, decimal, end):
    trace = read(toml(f"delimiter='{word}'\ndecimal='{decimal}'"), export(mark, decimal, end))
    np.testing.assert_array_equal(trace.columns["angle_deg"], [0.0, 90.5, 181.0])
    np.testing.assert_array_equal(trace.columns["deviation_um"], [1.25, -2.5, 3.0])
    assert (trace.header.part, trace.header.serial) == ("KX-1", "0007")


@pytest.mark.parametrize(
    ("encoding", "written", "bom"),
    [
        ("utf-8", "utf-8", b""),
        ("utf-8", "utf-8", b"\xef\xbb\xbf"),
        ("latin-1", "latin-1", b""),
        ("windows-1252", "windows-1252", b""),
        ("utf-16", "utf-16-le", b""),
        ("utf-16-le", "utf-16-le", b""),
        ("utf-16-be", "utf-16-be", b""),
        ("latin-1", "utf-16-be", b"\xfe\xff"),
        ("latin-1", "utf-16-le", b"\xff\xfe"),
        ("latin-1", "utf-8", b"\xef\xbb\xbf"),
    ],
)
def test_encodings_with_and_without_mark_give_the_same_header_and_numbers(encoding, written, bom):
    text = export(names="w [°],Abw [µm]").replace("KX-1", "Größe-1")
    layout = toml(f"encoding='{encoding}'", data="after = '^w \\[°\\],Abw'")
    trace = read(layout, bom + text.encode(written))
    assert trace.header.part == "Größe-1"
    np.testing.assert_array_equal(trace.columns["angle_deg"], [0.0, 90.5, 181.0])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le"])
def test_bytes_that_are_not_the_encoding_are_refused_with_their_place(encoding):
    data = b"Teil: K\xd6\xdf\nx"
    with pytest.raises(TraceFormatError, match=rf"(?i)not {encoding} text at byte \d+"):
        read(toml(f"encoding='{encoding}'"), data)


@pytest.mark.parametrize(
    ("name", "unit", "factor"),
    [
        ("angle_deg", "rad", math.degrees(1)),
        ("angle_deg", "rev", 360.0),
        ("angle_deg", "grad", 0.9),
        ("angle_deg", "arcmin", 1 / 60),
        ("deviation_um", "mm", 1000.0),
        ("deviation_um", "nm", 1e-3),
        ("deviation_um", "µm", 1.0),
        ("deviation_um", "inch", 25400.0),
        ("x_mm", "um", 1e-3),
    ],
)
def test_units_become_those_of_the_column_name(name, unit, factor):
    trace = read(toml(columns=f"[[column]]\nname='{name}'\nfield=2\nunit='{unit}'\n"), export())
    np.testing.assert_allclose(trace.columns[name], np.array([1.25, -2.5, 3.0]) * factor, rtol=1e-15)


def test_scale_and_offset_apply_before_the_unit():
    columns = "[[column]]\nname='deviation_um'\nfield=2\nunit='mm'\nscale=0.5\noffset=1.0\n"
    np.testing.assert_allclose(
        read(toml(columns=columns), export()).columns["deviation_um"], [1625, -250, 2500]
    )


def test_trailing_delimiter_and_blank_lines_before_and_after_the_rows_do_no_harm():
    text = export(tail=",").replace("w,a\n", "w,a\n\n  \n") + "\n\n"
    np.testing.assert_array_equal(read(toml(), text).columns["deviation_um"], [1.25, -2.5, 3.0])


def test_missing_words_become_nan_and_other_words_are_refused_with_their_line():
    text = export().replace("-2.5", "OVR")
    assert np.isnan(read(toml("missing=['ovr']"), text).columns["deviation_um"][1])
    with pytest.raises(TraceFormatError, match="line 5: 'OVR' is not a number"):
        read(toml(), text)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_until_ends_the_rows(end):
    text = export(end=end) + f"ENDE{end}Prüfer: x{end}"
    trace = read(toml(data="after='^w,a$'\nuntil='^ENDE$'"), text)
    assert trace.points == 3


def test_first_line_says_where_data_start():
    assert read(toml(data="first_line=4"), export()).points == 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (HEAD + "nothing here\n1,2\n", "no line starts the data; expected a line matching '\\^w'"),
        (HEAD + "w,a", "line 3: the file ends after its header"),
        (HEAD + "w,a\n", "line 4: no data where they should start"),
        (HEAD + "w,a\n1,2\n1,2,3\n", "line 5: 3 fields; expected 2 separated by ','"),
        (HEAD + "w,a\n1,2\n1,2.3.4\n", "line 5: '2.3.4' is not a number"),
        ("Serie: 1\nw,a\n1,2\n", "header part not found; expected a line matching"),
    ],
)
def test_complaints_name_the_line_and_what_was_expected(text, words):
    with pytest.raises(TraceFormatError, match=words):
        read(toml(), text)


def test_field_beyond_the_row_is_refused():
    with pytest.raises(TraceFormatError, match="2 fields a line; expected a field 3 for deviation_um"):
        read(toml(columns="[[column]]\nname='deviation_um'\nfield=3\n"), export())


def test_comma_as_delimiter_and_decimal_mark_is_refused_unless_quoted():
    layout = toml("delimiter='comma'\ndecimal=','")
    with pytest.raises(TraceFormatError, match="comma is both"):
        read(layout, HEAD + "w,a\n0,5,12,4\n")
    trace = read(layout, HEAD + 'w,a\n"0,5","12,4"\n"1,5","-2,25"\n')
    np.testing.assert_array_equal(trace.columns["angle_deg"], [0.5, 1.5])
    np.testing.assert_array_equal(trace.columns["deviation_um"], [12.4, -2.25])


def test_quoted_numbers_are_read():
    trace = read(toml(), HEAD + 'w,a\n"0.5","12.4"\n')
    assert trace.columns["deviation_um"][0] == 12.4


def test_angle_not_recorded_comes_from_points_a_turn_or_a_step():
    one = "[[column]]\nname='deviation_um'\nfield=1\n[[column]]\nname='angle_deg'\n"
    text = HEAD + "w\n" + "1\n" * 9
    np.testing.assert_allclose(
        read(toml(columns=one + "per_turn=4\n"), text).columns["angle_deg"], 90.0 * np.arange(9)
    )
    stepped = read(toml(columns=one + "step=0.1\nunit='rad'\n"), text).columns["angle_deg"]
    np.testing.assert_allclose(stepped, np.degrees(0.1 * np.arange(9)), rtol=1e-14)


def test_angle_that_begins_again_at_every_turn_is_joined():
    columns = "[[column]]\nname='angle_deg'\nfield=1\nunwrap=true\n[[column]]\nname='deviation_um'\nfield=2\n"
    text = HEAD + "w,a\n" + "".join(f"{(45 * k) % 360},1\n" for k in range(20))
    text = text.replace("315,1\n", "nan,1\n", 1)
    angle = read(toml(columns=columns), text).columns["angle_deg"]
    expected = 45.0 * np.arange(20)
    expected[7] = np.nan
    np.testing.assert_array_equal(angle, expected)


@pytest.mark.parametrize(("delimiter", "mark"), [("semicolon", " ; "), ("blanks", "  "), ("tab", "\t")])
def test_side_labels_of_another_language_are_translated(delimiter, mark):
    columns = "[[column]]\nname='side'\nfield=1\nwords={ o='top', u='bottom' }\n"
    columns += "[[column]]\nname='x_mm'\nfield=2\n[[column]]\nname='z_mm'\nfield=3\n"
    text = HEAD + "w\n" + "".join(mark.join(r) + "\n" for r in (("o", "0.5", "1"), ("u", "0.6", "2")))
    trace = read(toml(f"delimiter='{delimiter}'", columns=columns), text)
    np.testing.assert_array_equal(trace.columns["side"], [1.0, -1.0])
    np.testing.assert_array_equal(trace.columns["x_mm"], [0.5, 0.6])


@pytest.mark.parametrize(
    ("words", "labels"),
    [
        ("0='top', 1='bottom'", "01"),
        ("1='top', 2='bottom'", "12"),
        ("top='bottom', bottom='top'", ("bottom", "top")),
    ],
)
@pytest.mark.parametrize("field", [1, 3])
@pytest.mark.parametrize(("delimiter", "mark"), [("semicolon", ";"), ("blanks", " \t ")])
def test_words_of_the_sides_are_looked_for_in_their_own_field_alone(words, labels, field, delimiter, mark):
    """A gauge's reading of 0 or 1 is a reading, and what a station calls the top may be the bottom."""
    x, z = (2, 3) if field == 1 else (1, 2)
    columns = f"[[column]]\nname='side'\nfield={field}\nwords={{ {words} }}\n"
    columns += f"[[column]]\nname='x_mm'\nfield={x}\n[[column]]\nname='z_mm'\nfield={z}\n"
    rows = [[labels[0], "0", "1"], [labels[1], "1", "0"], [labels[0], "2", "2"]]
    if field == 3:
        rows = [[*row[1:], row[0]] for row in rows]
    text = HEAD + "w\n" + "".join(mark.join(row) + "\n" for row in rows)
    trace = read(toml(f"delimiter='{delimiter}'", columns=columns), text)
    np.testing.assert_array_equal(trace.columns["side"], [1.0, -1.0, 1.0])
    np.testing.assert_array_equal(trace.columns["x_mm"], [0.0, 1.0, 2.0])
    np.testing.assert_array_equal(trace.columns["z_mm"], [1.0, 0.0, 2.0])


def test_side_without_a_label_takes_none_from_the_next_field():
    columns = "[[column]]\nname='side'\nfield=1\nwords={ 1='top', 2='bottom' }\n"
    columns += "[[column]]\nname='x_mm'\nfield=2\n[[column]]\nname='z_mm'\nfield=3\n"
    trace = read(toml("delimiter='tab'", columns=columns), HEAD + "w\n1\t2\t3\n\t2\t1\n")
    np.testing.assert_array_equal(trace.columns["side"], [1.0, np.nan])
    np.testing.assert_array_equal(trace.columns["x_mm"], [2.0, 2.0])


@pytest.mark.parametrize("delimiter", ["semicolon", "blanks", "tab"])
@pytest.mark.parametrize("field", [1, 2])
def test_words_of_the_sides_are_looked_for_once_in_a_line_of_blanks(delimiter, field):
    """A pattern that tries each of 40,000 blanks as a beginning takes ten seconds."""
    columns = f"[[column]]\nname='side'\nfield={field}\nwords={{ o='top' }}\n"
    columns += "[[column]]\nname='x_mm'\nfield=3\n"
    text = HEAD + "w\n" + ";".join("o12") + "\n" + " " * 2_000_000 + "1\n"
    with pytest.raises(TraceFormatError):
        read(toml(f"delimiter='{delimiter}'", columns=columns), text)


def measured_at(pattern, head, rest=""):
    more = f"[[header]]\nkey='measured_at'\npattern={pattern}\n{rest}"
    text = toml(more=more).replace("measured_at = 2026-03-02T09:41:07Z\n", "")
    return read(text, HEAD + head + "w,a\n1,2\n").header.measured_at


def test_moment_with_its_format_and_offset():
    found = measured_at(
        "'^Datum: (.+)$'", "Datum: 02.03.2026 09:41:07\n", "format='%d.%m.%Y %H:%M:%S'\nutc_offset_h=1"
    )
    assert found == datetime(2026, 3, 2, 9, 41, 7, tzinfo=timezone(timedelta(hours=1)))
    assert measured_at("'^t=(.+)$'", "t=2026-03-02T09:41:07Z\n") == datetime(2026, 3, 2, 9, 41, 7, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("24.10.2026 12:00:00", (2026, 10, 24, 10, 0)),
        ("25.10.2026 12:00:00", (2026, 10, 25, 11, 0)),
        # Central European summer time ends on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC, remembered): half
        # past two comes twice, and the first one is taken.
        ("25.10.2026 02:30:00", (2026, 10, 25, 0, 30)),
        ("25.10.2026 03:00:00", (2026, 10, 25, 2, 0)),
    ],
)
def test_clock_that_changes_for_summer_is_read_by_its_zone(text, utc):
    rest = "format='%d.%m.%Y %H:%M:%S'\ntimezone='Europe/Berlin'"
    assert measured_at("'^D: (.+)$'", f"D: {text}\n", rest).astimezone(UTC) == datetime(*utc, tzinfo=UTC)


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        ("timezone='Europe/Nowhere'", "'Europe/Nowhere' is not in this machine's time zone database"),
        ("timezone='../etc/passwd'", "is not in this machine's time zone database"),
        ("timezone='Europe/Berlin'\nutc_offset_h=1", "exclude each other"),
    ],
)
def test_zone_that_cannot_be_meant_is_refused_when_the_layout_is_read(rest, words):
    more = f"[[header]]\nkey='measured_at'\npattern='^D: (.+)$'\n{rest}\n"
    with pytest.raises(ConfigError, match=words):
        parse_layout(toml(more=more).encode(), "t.toml")


def test_date_and_time_of_day_on_two_lines_are_joined():
    found = measured_at(
        r"'^Datum: (\S+)$[\s\S]*?^Zeit: (\S+)$'",
        "Datum: 02.03.2026\nGerät: G 1\nZeit: 09:41:07\n",
        "format='%d.%m.%Y %H:%M:%S'\nutc_offset_h=0",
    )
    assert found == datetime(2026, 3, 2, 9, 41, 7, tzinfo=UTC)


def test_moment_that_does_not_follow_its_format_is_refused():
    with pytest.raises(TraceFormatError, match=r"header measured_at: '31.02.2026'; expected %d.%m.%Y"):
        measured_at("'^D: (.+)$'", "D: 31.02.2026\n", "format='%d.%m.%Y'\nutc_offset_h=0")


def test_header_numbers_follow_the_decimal_mark_and_the_scale():
    more = "[[header]]\nkey='tip_radius_mm'\npattern='^Kugel: ([0-9,]+)'\nscale=0.5\n"
    text = export(";", ",").replace(HEAD, HEAD + "Kugel: 1,5 mm\n")
    assert read(toml("delimiter='semicolon'\ndecimal=','", more=more), text).header.tip_radius_mm == 0.75


def test_header_words_are_translated_and_others_refused():
    more = "[[header]]\nkey='sensing'\npattern='^R: (.+)$'\nwords={ Normale='normal' }\n"
    text = export().replace(HEAD, HEAD + "R: Normale\n")
    assert read(toml(more=more), text).header.sensing == "normal"
    with pytest.raises(TraceFormatError, match="header sensing: 'quer'; expected Normale"):
        read(toml(more=more), text.replace("Normale", "quer"))


def test_header_key_that_is_not_required_may_be_absent():
    more = "[[header]]\nkey='operator'\npattern='^P: (.+)$'\nrequired=false\n"
    assert read(toml(more=more), export()).header.operator is None


def test_fields_come_from_the_file_name():
    layout = toml(
        top=r"file_name = '^(?P<part>[^_]+)_(?P<serial>\d+)_(?P<measured_at>\d{8}-\d{6})'",
        more="[[header]]\nkey='measured_at'\nformat='%Y%m%d-%H%M%S'\nutc_offset_h=0\n",
    ).replace("measured_at = 2026-03-02T09:41:07Z\n", "")
    layout = layout.replace("pattern = '^Teil: (.+)$'", "").replace("pattern = '^Serie: (.+)$'", "")
    found = read(layout, export(), "in/KX-9_0815_20260302-094107.asc").header
    assert (found.part, found.serial) == ("KX-9", "0815")
    assert found.measured_at == datetime(2026, 3, 2, 9, 41, 7, tzinfo=UTC)
    with pytest.raises(TraceFormatError, match=r"file name 'x.asc'; expected a name matching"):
        read(layout, export(), "in/x.asc")


def test_layout_claims_by_name_and_by_first_lines():
    layout = parse_layout(
        toml().replace('["*.asc"]', "[\"*.asc\"]\ncontains='^Serie: 0007$'").encode(), "t.toml"
    )
    for end in ("\n", "\r\n"):
        assert claims(layout, "in/X.ASC", export(end=end).encode())
    first = parse_layout(toml().replace('["*.asc"]', "[\"*.asc\"]\ncontains='^Teil: '").encode(), "t.toml")
    for encoding in ("utf-8", "utf-8-sig", "utf-16"):
        assert claims(first, "X.asc", export().encode(encoding))
    assert not claims(layout, "in/X.txt", export().encode())
    assert not claims(layout, "in/X.asc", export().replace("0007", "0008").encode())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('kind = "spiral"', 'kind = "FILL IN"'), "line 24: constants.kind: must be filled in"),
        (("field=2", 'field="FILL IN"'), r"column\[1\].field: must be filled in"),
        (('feature = "left-flank"', "feature = 7"), "constants.feature: header feature: Expected `str`"),
        (('feature = "left-flank"', 'feature = ""'), "constants.feature: .*length >= 1"),
        (("measured_at = 2026-03-02T09:41:07Z", "measured_at = 'May'"), "constants.measured_at"),
        (("measured_at = 2026-03-02T09:41:07Z", "measured_at = 2026-03-02T09:41:07"), "no offset from UTC"),
        (("feature =", "tip_radius_mm = '1,5'\nfeature ="), "constants: '1,5' is not a number"),
        (("feature =", "artefact = 'A'\npart='P'\nfeature ="), "both a part and an artefact"),
        (('key = "part"', 'key = "prat"'), r"header\[0\].key: not a header key, did you mean 'part'"),
        (("'^Teil: (.+)$'", "'^Teil: .+$'"), r"header\[0\].pattern: needs a group"),
        (("'^Teil: (.+)$'", "'^Teil: (.+$'"), r"header\[0\].pattern: not a regular expression"),
        (("pattern = '^Teil: (.+)$'", ""), r"header\[0\].pattern: no pattern, and file_name has no group part"),
        (
            ("pattern = '^Teil: (.+)$'", "format='%d'"),
            "format, utc_offset_h and timezone belong to measured_at",
        ),
        (("after = '^w'", "after = '^w'\nfirst_line=3"), "give one of after and first_line"),
        (("after = '^w'", ""), "give one of after and first_line"),
        (("field=2", "field=2\nstep=0.1"), "give one of field, step and per_turn"),
        (("field=2", "per_turn=4"), "per_turn makes an angle_deg"),
        (("field=2", "field=2\nunwrap=true"), "unwrap joins the turns"),
        (("field=2", "field=2\nunit='deg'"), "unit 'deg'; allowed: m, cm, mm"),
        (("field=2", "field=2\nwords={a='top'}"), "words are for the labels of side"),
        (("field=2", "field=0"), r"column\[1\].field: Expected `int` >= 1"),
        (("'deviation_um'", "'angle_deg'"), "a column is named twice"),
        (
            ('layout = "t"', "layout = \"t\"\nfile_name='(?P<seriall>x)'"),
            "line 2: file_name: not a header key, did you mean 'serial'",
        ),
        (('layout = "t"', "layout = \"t\"\nfile_name='x'"), "file_name: needs named groups"),
        (("[text]", "[text]\ndelimitr='tab'"), "text.delimitr: unknown key, did you mean 'delimiter'"),
        (("[text]", "[text]\ndelimiter=';'"), "allowed: bar, blanks, comma, fixed, semicolon, tab"),
    ],
)
def test_mistake_in_a_layout_is_refused_naming_the_key(change, words):
    text = toml()
    assert change[0] in text
    with pytest.raises(ConfigError, match=words) as caught:
        parse_layout(text.replace(*change, 1).encode(), "layouts/t.toml")
    assert str(caught.value).startswith("layouts/t.toml")


def test_moment_without_offset_is_refused_by_the_layout_not_by_every_file():
    more = "[[header]]\nkey='measured_at'\npattern='^D: (.+)$'\nformat='%d.%m.%Y'\n"
    with pytest.raises(ConfigError, match="the format has no %z, so utc_offset_h or timezone must say"):
        parse_layout(toml(more=more).encode(), "t.toml")


def test_example_layout_of_the_configuration_reads_the_export_it_describes():
    path = Path(__file__).parents[2] / "config" / "layouts" / "rotary-export.toml"
    text = (
        "Teilenummer : KX-2005-R\nSeriennummer: 000412\nMerkmal: rechte Flanke\n"
        "Datum: 02.03.2026 09:41:07\nLaufbahndurchmesser: 19,2 mm\nWinkel;Abweichung\n0,0;0,001\n0,5;-0,002\n"
    )
    trace = parse_with_layout(
        parse_layout(path.read_bytes(), path.name), "rotary-1.asc", text.encode("latin-1")
    )
    assert trace.header.feature == "right-flank"
    assert trace.header.track_diameter_mm == 19.2
    assert trace.header.measured_at.utcoffset() == timedelta(hours=1)
    np.testing.assert_allclose(trace.columns["angle_deg"], [0.0, math.degrees(0.5)])
    np.testing.assert_allclose(trace.columns["deviation_um"], [1.0, -2.0])


def test_long_export_with_decimal_comma_gives_the_same_numbers_as_trace_text():
    angle = np.arange(54_000) * 0.02
    deviation = np.sin(np.radians(angle) * 7)
    rows = "".join(f"{a:.5f},{d:.6f}\n" for a, d in zip(angle, deviation, strict=True))
    plain = (
        '# trace=1\n# kind="spiral"\n# part="P"\n# serial="1"\n# feature="f"\n'
        f"# measured_at=2026-03-02T09:41:07Z\nangle_deg,deviation_um\n{rows}"
    ).encode()
    other = (HEAD + "w;a\n" + rows.replace(",", ";").replace(".", ",")).encode()
    layout = parse_layout(toml("delimiter='semicolon'\ndecimal=','").encode(), "t.toml")
    np.testing.assert_array_equal(
        parse_with_layout(layout, "a.asc", other).columns["deviation_um"],
        parse_trace_text(plain).columns["deviation_um"],
    )


@pytest.mark.parametrize(("unit", "factor"), [("N m", 1.0), ("N cm", 0.01), ("N mm", 0.001), ("mN m", 0.001)])
def test_a_torque_is_read_in_its_own_units(unit, factor):
    columns = f"[[column]]\nname='travel_mm'\nfield=1\n[[column]]\nname='torque_n_m'\nfield=2\nunit='{unit}'\n"
    trace = read(toml(columns=columns).replace('kind = "spiral"', 'kind = "torque"'), export())
    assert trace.columns["torque_n_m"] == pytest.approx([factor * row[1] for row in ROWS])


def test_a_torque_is_written_in_no_length():
    columns = "[[column]]\nname='torque_n_m'\nfield=2\nunit='mm'\n"
    with pytest.raises(ConfigError, match="N m, N cm, N mm, mN m"):
        parse_layout(toml(columns=columns).encode(), "layouts/t.toml")
