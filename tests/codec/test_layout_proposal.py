"""Proposed layouts: right without a hint, or the doubt is said; never wrong with confidence.

The exports are invented (fixtures/make_exports.py); the truth is what was written into them.
"""

import hashlib
import re
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from fixture_modules import load

from edgeagent.codec.configuration.toml_text import plain, toml_value
from edgeagent.codec.proposals.layout import propose_layout
from edgeagent.codec.traces.delimited import claims, parse_with_layout
from edgeagent.codec.traces.header import FILL_IN
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError, TraceFormatError

ROOT = Path(__file__).resolve().parents[2]
bench = load("layout_proposals", ROOT / "tests" / "bench")
made = bench.exports()


def proposal_of(make, **options):
    export = make()
    return export, propose_layout(export.name, export.data, **options)


def doubts(proposal):
    return {f.what for f in proposal.findings if not f.sure}


def table(head, columns, delimiter=";", decimal=",", digits=5):
    """An export with header lines and columns of numbers or texts."""
    cells = [
        [c if isinstance(c, str) else f"{c:.{digits}f}".replace(".", decimal) for c in column]
        for column in columns
    ]
    return "\n".join([*head, *(delimiter.join(row) for row in zip(*cells, strict=True))]).encode() + b"\n"


ANGLE = np.arange(720) * 1.0
DEVIATION = made.waves(ANGLE, 3)
KNOWN = ["Teil: KX-1", "Seriennummer: 0007", "Merkmal: linke Flanke"]


@pytest.mark.parametrize("make", made.TEN, ids=lambda make: make.__name__)
def test_export_is_proposed_right_without_a_hint_or_the_doubt_is_said(make):
    export, proposal = proposal_of(make)
    aspects = bench.judged(proposal, export)
    assert bench.verdict(aspects, export.doubts) == "right", aspects


@pytest.mark.parametrize("make", made.TEN, ids=lambda make: make.__name__)
def test_committed_export_is_what_its_maker_writes(make):
    export = make()
    stored = (ROOT / "fixtures" / "exports" / export.name).read_bytes()
    assert stored == export.data
    digest = hashlib.sha256(stored).hexdigest()
    assert digest in (ROOT / "fixtures" / "exports" / "README.md").read_text(encoding="utf-8")


def test_exports_by_chance_are_never_proposed_wrong_with_confidence():
    wrong = {}
    for seed in range(2000, 2060):
        export = made.by_chance(seed)
        aspects = bench.judged(propose_layout(export.name, export.data), export)
        wrong |= {(seed, a): v for a, v in aspects.items() if v == "wrong"}
    assert wrong == {}


@pytest.mark.parametrize("make", made.TEN, ids=lambda make: make.__name__)
def test_proposal_is_refused_until_each_place_is_filled_in_and_then_reads_the_export(make):
    export, proposal = proposal_of(make)
    text = proposal.toml
    answers = {
        "kind": export.kind, "part": "P", "serial": "1", "feature": "f", "sensing": "normal",
        "measured_at": datetime(2026, 1, 1, tzinfo=UTC).isoformat(), "utc_offset_h": 0, "format": None,
        "field": None, "unit": None,
    }  # fmt: skip
    trial = tomllib.loads(proposal.trial)
    for place, _ in proposal.fill_in:
        with pytest.raises(ConfigError, match="must be filled in"):
            parse_layout(text.encode(), "layouts/new.toml")
        section, _, key = place.rpartition(": ")
        value = answers[key]
        if value is None:  # take the likelier one
            name = section.split(" ")[1]
            value = next(t for t in trial[section.split(" ")[0]] if name in (t.get("name"), t.get("key")))[key]
        text = re.sub(
            rf'(?m)^{key} = "{FILL_IN}"', lambda _m, k=key, v=value: f"{k} = {toml_value(v)}", text, count=1
        )
    layout = parse_layout(text.encode(), "layouts/new.toml")
    assert claims(layout, export.name, export.data)
    trace = parse_with_layout(layout, export.name, export.data)
    assert trace.points == len(next(iter(export.columns.values())))
    for name, wanted in export.columns.items():
        np.testing.assert_allclose(trace.columns[name], wanted, rtol=0, atol=2e-3 * np.nanmax(np.abs(wanted)))


def test_offset_left_open_is_the_only_thing_to_fill_in_of_a_complete_german_header():
    _, proposal = proposal_of(made.axial)
    assert [key for key, _ in proposal.fill_in] == ["header measured_at: utc_offset_h"]
    filled = proposal.toml.replace(f'"{FILL_IN}"', "1")
    trace = parse_with_layout(parse_layout(filled.encode(), "t"), "profil.asc", made.axial().data)
    assert trace.header.measured_at.utcoffset() == timedelta(hours=1)


def test_kind_asked_for_is_taken():
    export, proposal = proposal_of(made.nameless, kind="circle")
    assert proposal.trace.header.kind == "circle"
    assert not any("kind" in key for key, _ in proposal.fill_in)
    assert "kind" not in doubts(proposal)


def test_layout_that_relies_on_a_header_value_does_not_claim_a_file_with_another():
    export, proposal = proposal_of(made.italian)
    layout = parse_layout(proposal.trial.encode(), "t")
    assert claims(layout, export.name, export.data)
    assert not claims(
        layout, export.name, export.data.replace(b"Punti per giro | 360", b"Punti per giro | 720")
    )
    assert not claims(
        layout, export.name, export.data.replace(b"Punti per giro | 360", b"Punti per giro | 3600")
    )
    assert not claims(
        layout, export.name, export.data.replace(b"Punti per giro | 360", b"Punti per giro | 360.5")
    )


def test_layout_does_not_read_a_file_whose_columns_have_another_unit():
    export, proposal = proposal_of(made.french)
    layout = parse_layout(proposal.trial.encode(), "t")
    other = export.data.decode("utf-16").replace("[µm]", "[mm]").encode("utf-16")
    with pytest.raises(TraceFormatError, match="no line starts the data"):
        parse_with_layout(layout, export.name, other)


@pytest.mark.parametrize(
    ("head", "columns", "what"),
    [
        (["Winkel [°];Abw 1 [µm];Abw 2 [µm]"], (ANGLE, DEVIATION, DEVIATION), "deviation"),
        (["Winkel [°];roh;glatt"], (ANGLE, DEVIATION, DEVIATION), "deviation"),
        (["Winkel [°];Abw"], (ANGLE, DEVIATION), "unit of the deviation"),
        (["Winkel [°];Abw [V]"], (ANGLE, DEVIATION), "unit of the deviation"),
        (["Winkel [°];Abw [?m]"], (ANGLE, DEVIATION), "unit of the deviation"),
        (["Winkel [°];Abw [m]"], (ANGLE, DEVIATION), "unit of the deviation"),
        (["Einheit: m", "Winkel [°];Abw"], (ANGLE, DEVIATION), "unit of the deviation"),
        (["Einheit: mm", "Winkel [°];Abw"], (ANGLE, DEVIATION), "unit of the deviation"),
        (["Winkel [°];Abw [µm]"], (np.radians(ANGLE), DEVIATION), "unit of the angle"),
        (["Winkel [°];Abw [µm]"], (ANGLE / 50, DEVIATION), "unit of the angle"),
        (["Winkel;Abw [µm]"], (ANGLE * 1.017, DEVIATION), "unit of the angle"),
        (["Winkel [grad];Abw [µm]"], (ANGLE * 1.017, DEVIATION), "unit of the angle"),
        (["Winkel;Abw [µm]"], (ANGLE * 5.0, DEVIATION), "unit of the angle"),
        (["Winkel [°];Abw [µm]"], (ANGLE[::-1], DEVIATION), "direction of the angle"),
        (["a;b"], ([str(k) for k in range(720)], DEVIATION), "angle"),
        (["Position;Abw [µm]"], (ANGLE / 2, DEVIATION), "kind"),
        (["X;Z"], (ANGLE / 2, DEVIATION), "kind"),
        ([], (ANGLE / 2, DEVIATION), "angle"),
        (["Schritt: 0,5", "Abw [µm]"], (DEVIATION,), "unit of the angle"),
        (["Abw [µm]"], (DEVIATION,), "angle"),
        (["Umdrehungen: 2", "Abw [µm]"], (DEVIATION,), "angle"),
        (["Rundheit", "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION), "kind"),
        (["Winkel [°];Abw [µm]"], (ANGLE, DEVIATION), "kind"),
        (["Winkel [°];Abw [µm]"], (ANGLE, [*DEVIATION[:-1], "9999,99"]), "missing samples"),
        (["Tastspitzenradius: 5", "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION), "tip_radius_mm"),
        (["Datum: 02/03/26", "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION), "measured_at"),
        (["Datum: 02/03/2026 09:41Z", "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION), "measured_at"),
        (["Datum: 02.03.2026", "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION), "measured_at"),
        (["Punkte gesamt: 720"], (ANGLE, DEVIATION), "data start"),
    ],
)  # fmt: skip
def test_what_the_file_does_not_tell_is_said_to_be_unsure(head, columns, what):
    flank = KNOWN[:2] if "kind" in what else KNOWN
    proposal = propose_layout("x.txt", table([*flank, *head], columns))
    assert what in doubts(proposal), [f for f in proposal.findings if f.what == what]


def test_number_of_pieces_is_no_part_number_with_confidence():
    assert "part" in doubts(
        propose_layout("x.txt", table(["Teil: 5", "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION)))
    )


def test_header_number_with_another_decimal_mark_than_the_table_is_left_out_and_said():
    head = [*KNOWN, "Tastspitzenradius: 0.005 mm", "Winkel [°];Abw [µm]"]
    proposal = propose_layout("x.txt", table(head, (ANGLE, DEVIATION)))
    assert proposal.trace.header.tip_radius_mm is None
    assert "tip_radius_mm" in doubts(proposal)


def test_prose_above_the_rows_names_no_column_and_no_part():
    head = ["Part of the series was measured twice", "Measured values follow"]
    columns = ([str(k) for k in range(50)], np.arange(50) * 0.1, np.arange(50) ** 0.5)
    proposal = propose_layout("x.txt", table(head, columns, delimiter=" ", decimal="."))
    assert {"deviation", "part"} <= doubts(proposal)


@pytest.mark.parametrize(
    ("line", "moment", "doubt"),
    [
        ("Measured at: 2026-03-02T09:41:07Z", "2026-03-02 09:41:07", False),
        ("Measured at: 2026-03-02 09:41:07.25+01:00", "2026-03-02 09:41:07.250000", False),
        ("Date: 2026-03-02 09:41 UTC", "2026-03-02 09:41:00", False),
        ("Datum: 02.03.2026 09:41:07 MEZ", "2026-03-02 09:41:07", False),
        ("Datum: 02.03.2026, 09:41:07", "2026-03-02 09:41:07", True),
        ("Datum = 2.3.26 / Uhr 9:41", "2026-03-02 09:41:00", True),
        ("Date: 25/12/2026 09:41 PM", "2026-12-25 21:41:00", True),
        ("Date: 12/25/2026 09:41 PM", "2026-12-25 21:41:00", True),
        ("Date: 02 Mar 2026 09:41:07 +0100", "2026-03-02 09:41:07", False),
        ("Date: 20260302 09:41:07,5 GMT", "2026-03-02 09:41:07.500000", False),
        ("Date: 2026/03/02", "2026-03-02 00:00:00", True),
    ],
)
def test_moment_is_read_and_doubted_where_offset_or_order_are_not_told(line, moment, doubt):
    proposal = propose_layout("x.txt", table([*KNOWN, line, "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION)))
    assert str(proposal.trace.header.measured_at.replace(tzinfo=None)) == moment
    assert ("measured_at" in doubts(proposal)) is doubt


@pytest.mark.parametrize(
    "line", ["Date: 31.31.2026 10:00", "Date: 02 Maj 2026 10:00", "Date: yesterday", "Date: 1772444467"]
)
def test_moment_that_cannot_be_read_is_left_open(line):
    proposal = propose_layout("x.txt", table([*KNOWN, line, "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION)))
    assert "measured_at" in doubts(proposal)
    assert "constants: measured_at" in dict(proposal.fill_in)


@pytest.mark.parametrize(
    "head",
    [
        ["Part No.: KX-1", "S/N: 0007"], ["# Part No. = KX-1", "# S/N = 0007"], ["Part No.\tKX-1", "S/N\t0007"],
        ["Part No.      KX-1", "S/N           0007"], ["Part KX-1", "SN 0007"], ["Part;KX-1;;", "SN;0007;;"],
        ['"Part No.";"KX-1"', '"S/N";"0007"'], ["// Part number:KX-1", "// Serial number:0007"],
        ["Part [-]: KX-1", "Serial (text): 0007"],
    ],
)  # fmt: skip
def test_header_entries_of_many_styles_are_read(head):
    trace = propose_layout("x.txt", table([*head, "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION))).trace
    assert (trace.header.part, trace.header.serial) == ("KX-1", "0007")


def test_text_of_an_entry_ends_at_a_tab():
    head = ["Part:\tKX-1\trev B", "Serial:\t7", "Winkel [°];Abw [µm]"]
    assert propose_layout("x.txt", table(head, (ANGLE, DEVIATION))).trace.header.part == "KX-1"


def test_axial_trace_without_sides_is_one_side_and_said():
    x = np.arange(300) * 0.02
    data = table([*KNOWN, "Z [µm];X [mm]"], (1000 * np.cos(x), x))
    proposal = propose_layout("x.txt", data, kind="axial")
    np.testing.assert_allclose(proposal.trace.columns["x_mm"], x, atol=1e-5)
    np.testing.assert_allclose(proposal.trace.columns["z_mm"], np.cos(x), atol=1e-5)
    assert set(proposal.trace.columns["side"]) == {1.0}
    assert "side" in doubts(proposal)
    assert {"column side: offset", "constants: tip_radius_mm"} <= set(dict(proposal.fill_in))


def test_nameless_columns_of_a_travel_are_guessed_and_doubted():
    travel = np.arange(300) * 0.7
    proposal = propose_layout("x.txt", table([], (travel, made.waves(travel, 1))), kind="travel")
    np.testing.assert_allclose(proposal.trace.columns["travel_mm"], travel, atol=1e-5)
    assert {"travel", "unit of the travel", "unit of the deviation"} <= doubts(proposal)


def test_direction_of_sensing_is_asked_for_where_it_matters():
    data = table([*KNOWN, "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION))
    for kind, asked in (("spiral", True), ("circle", False)):
        fill_in = dict(propose_layout("x.txt", data, kind=kind).fill_in)
        assert ("constants: sensing" in fill_in) is asked


def test_two_lines_that_could_both_be_the_serial_are_doubted():
    head = [*KNOWN, "S/N: 0008", "Winkel [°];Abw [µm]"]
    assert "serial" in doubts(propose_layout("x.txt", table(head, (ANGLE, DEVIATION))))


def test_lost_sample_at_the_end_is_a_row():
    values = ["nan", *DEVIATION[1:-1], "nan"]
    assert propose_layout("x.txt", table([*KNOWN, "Abw [µm]"], (values,))).trace.points == 720


def test_second_table_is_said():
    one = table([*KNOWN, "Winkel [°];Abw [µm]"], (ANGLE, DEVIATION))
    two = table(["", "rechte Flanke"], (ANGLE[:300], DEVIATION[:300]))
    proposal = propose_layout("x.txt", one + two)
    assert proposal.trace.points == 720
    assert "table" in doubts(proposal)


def test_stand_in_for_lost_samples_is_not_a_deviation():
    values = [*DEVIATION[:-1], "-999.9"]
    proposal = propose_layout("x.txt", table([*KNOWN, "Angle (deg);Dev (µm)"], (ANGLE, values), decimal="."))
    deviation = proposal.trace.columns["deviation_um"]
    assert np.isnan(deviation[-1])
    assert np.all(np.isfinite(deviation[:-1]))


def test_one_column_of_comma_numbers_may_be_two_columns_of_integers():
    rows = b"\n".join(b"%d,%02d" % (k % 7, (k * 13) % 100) for k in range(100))
    proposal = propose_layout("x.txt", rows)
    assert "decimal mark" in doubts(proposal)
    assert ("text: decimal" in dict(proposal.fill_in)) is True


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b" \r\n", "the file is empty"),
        (b"PK\x03\x04" + bytes(200), "the file is not text"),
        (b"Hello\nworld\n", "no table of numbers was found"),
        (b"1;2\n3;4\n", "no table of numbers was found"),
        (b"\n".join(b"%d,%03d,%d,%02d" % (k // 7, k, k % 3, k) for k in range(50)), "line 1: the comma seems"),
    ],
)  # fmt: skip
def test_file_that_no_layout_can_describe_is_refused_with_the_reason(data, words):
    with pytest.raises(TraceFormatError, match=words):
        propose_layout("x.txt", data)


@pytest.mark.parametrize(
    ("encoding", "said", "sure"),
    [
        ("utf-8", "utf-8", True), ("utf-8-sig", "utf-8", True), ("utf-16", "utf-16-le", True),
        ("utf-16-le", "utf-16-le", True), ("utf-16-be", "utf-16-be", True), ("latin-1", "latin-1", True),
        ("cp437", "windows-1252", False), ("cp850", "windows-1252", False), ("iso8859-5", "latin-1", False),
    ],
)  # fmt: skip
def test_encoding_is_told_by_mark_or_content_and_other_code_pages_are_doubted(encoding, said, sure):
    word = "Прибор" if encoding == "iso8859-5" else "Gerät"
    data = table([*KNOWN, f"{word}: G1", "Winkel;Abw"], (ANGLE, DEVIATION)).decode().encode(encoding)
    finding = next(f for f in propose_layout("x.txt", data).findings if f.what == "encoding")
    assert (finding.value, finding.sure) == (said, sure)


def test_hostile_text_stays_text():
    head = ["Teil: <b>'\"\x1b[31m", "Seriennummer: '''\\", "Merkmal: a\x07b", "Winkel [°];Abw [µm]"]
    proposal = propose_layout("'\"\x1b]0;x\n.txt", table(head, (ANGLE, DEVIATION)))
    assert all(c.isprintable() or c == "\n" for c in proposal.toml)
    assert all(f.value.isprintable() and f.why.isprintable() for f in proposal.findings)


@pytest.mark.parametrize(
    "value", ["plain", 'q"\\d', "it's \\d", "a\nb\x1b", "µ \U0001f600", "'\"\\", "\\ud8\x7f"]
)
def test_toml_text_is_read_back_as_it_was(value):
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value
    assert tomllib.loads(f"x = {toml_value({value: [value, 0.1, 1e-6, True, 3]})}")["x"] == {
        value: [value, 0.1, 1e-6, True, 3]
    }


def test_toml_text_keeps_a_sign_that_is_not_printable_readable_for_a_parser():
    tag = "\U000e0001"  # beyond the basic plane
    assert tomllib.loads(f"x = {toml_value(f'a{tag}b')}")["x"] == "a?b"


def test_plain_text_is_one_line_and_short():
    assert plain("a\x1b[1m\tb\n" + "x" * 100, 10) == "a?[1m b x…"


def test_long_export_is_proposed_with_all_its_points():
    angle = np.arange(54_000) * 0.02
    data = table([*KNOWN, "Winkel [°];Abw [µm]"], (angle, made.waves(angle, 1)))
    assert propose_layout("x.txt", data).trace.points == 54_000


def torque_export(names, values):
    travel = np.concatenate((np.arange(0, 300, 0.5), np.arange(300, 0, -0.5)))
    rows = "\n".join(f"{t:.2f};{m:.4f}" for t, m in zip(travel, values(travel), strict=True))
    return f"Part: KX-1\nSerial: 7\nDate: 2026-03-02 09:41\n{names}\n{rows}\n".encode()


def test_travel_and_torque_are_proposed_as_such_and_read():
    data = torque_export("Travel [mm];Torque [Nm]", lambda t: 0.25 + 0.01 * np.sin(t))
    proposal = propose_layout("KX-1.txt", data)
    found = {f.what: f for f in proposal.findings}
    assert found["kind"].value == "torque"
    assert found["kind"].sure
    assert found["unit of the torque"].sure
    (trace,) = proposal.traces
    assert list(trace.columns) == ["travel_mm", "torque_n_m"]
    assert trace.columns["torque_n_m"][:3] == pytest.approx([0.25, 0.2548, 0.2584], abs=1e-4)


def test_a_torque_in_an_unknown_unit_is_left_open():
    proposal = propose_layout("KX-1.txt", torque_export("Weg [mm];Drehmoment", lambda t: 25 + np.sin(t)))
    assert "unit of the torque" in doubts(proposal)
    assert not [f for f in proposal.findings if f.what == "kind" and f.value != "torque"]


@pytest.mark.parametrize(("turns", "words"), [(1, "1 whole turn only in"), (3, "3 whole turns only in")])
def test_one_turn_is_counted_in_the_singular(turns, words):
    angle = np.arange(720 * turns) * 0.5
    proposal = propose_layout("a.csv", table([*KNOWN, "Winkel;Abw [µm]"], (angle, made.waves(angle, 3))))
    assert any(words in finding.why for finding in proposal.findings)
    counted = next(f.value for f in proposal.findings if f.what == "turns and points")
    assert counted == f"{turns} turn{'s' * (turns > 1)}, 720 points a turn"
