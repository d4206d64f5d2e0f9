"""Bodies of records: what a file was, what a part's decision shows first, and that every body fits its line."""

from __future__ import annotations

from dataclasses import replace

import pytest
from field import ROOT, spiral_text
from judged_station import configured
from msgspec import UNSET, structs
from records import body_of

from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import LINE_BYTES_MAX, encode_body, encode_record
from edgeagent.errors import TraceFormatError, TraceShapeError
from edgeagent.judging import bodies
from edgeagent.judging.configuration import Document
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.model import Disposition, QualityCheck
from edgeagent.model.reasons import Code, reason
from edgeagent.model.records import Outcome, PartSource
from edgeagent.rules.files.settling import Look
from edgeagent.rules.part_set import FeatureResult, PartDecision, PartSet, with_measurement
from edgeagent.store.configuration import load_configuration
from edgeagent.store.machine import this_machine

FILE = FoundFile("inbox", "a.txt", b"data", None, Look(4, 20, 30, 7), 5.0)


def test_source_tells_name_content_and_how_the_file_looked():
    source = bodies.source_of(FILE)
    assert (source.name, source.folder, source.bytes, source.look) == ("a.txt", "inbox", 4, (4, 20, 30, 7))
    assert (source.sha256, source.side_sha256, source.unclosed_s) == (digest_of(b"data"), UNSET, UNSET)


def test_digest_that_is_known_already_is_not_taken_again():
    known = FoundFile(**{**fields(FILE), "sha256": "ab" * 32})
    assert bodies.source_of(known).sha256 == "ab" * 32


def test_side_file_and_open_writer_are_told_where_there_are_any():
    source = bodies.source_of(FoundFile(**{**fields(FILE), "side": b"side", "unclosed_s": 61.0}))
    assert (source.side_sha256, source.unclosed_s) == (digest_of(b"side"), 61.0)


def test_file_that_could_not_be_read_has_no_digest_and_an_empty_one_that_of_nothing():
    unread = FoundFile(**{**fields(FILE), "data": b"", "problem": TraceShapeError("locked")})
    assert bodies.source_of(unread).sha256 is None
    assert bodies.source_of(FoundFile(**{**fields(FILE), "data": b""})).sha256 == digest_of(b"")
    half = FoundFile(**{**fields(FILE), "problem": TraceShapeError("half")})
    assert bodies.source_of(half).sha256 == digest_of(b"data")


def test_file_of_which_nothing_else_is_known_is_a_whole_regular_one_that_nobody_has_open():
    assert (FILE.regular, FILE.whole, FILE.unclosed_s, FILE.problem) == (True, True, None, None)
    assert (FILE.taken, FILE.read, FILE.record_name) == (0.0, 0.0, "a.txt")


def fields(file):
    return {name: getattr(file, name) for name in file.__dataclass_fields__}


def judged(name, verdict):
    listed = [{"name": name, "verdict": verdict}]
    return body_of("disposition", {"characteristics": listed}).characteristics[0]


def test_part_s_decision_shows_the_most_urgent_values_first_and_eight_at_the_most():
    verdicts = ["unjudged", "conforming", "caution", "inconclusive", "nonconforming"]
    state = PartSet("P", "1")
    for feature in ("left", "right"):
        key = tuple(judged(f"{feature}-{verdict}", verdict) for verdict in verdicts)
        source = PartSource(feature=feature, name="a", sha256="b", instrument="g", seq=1)
        result = FeatureResult(feature, 1, Disposition.REJECT, (), source, key, 5.0, 1.0)
        state = with_measurement(state, result, ("left", "right"), 5.0)
    why = reason(Code.MORE, count=1)
    body = bodies.disposition_body(state, PartDecision(Disposition.REJECT, (why,), 5.0), None)
    assert [c.name for c in body.characteristics] == [
        "left-nonconforming", "right-nonconforming", "left-inconclusive", "right-inconclusive",
        "left-caution", "right-caution", "left-conforming", "right-conforming",
    ]  # fmt: skip
    assert (body.reasons, body.reason_codes, body.settled_at) == (("and 1 more",), (why,), 5.0)
    assert [s.feature for s in body.sources] == ["left", "right"]
    assert (body.gate, body.replaces, body.remeasured, body.missing) == (UNSET, UNSET, UNSET, ())


def fits(body):
    line, _ = encode_record(10**9, "2026-03-02T10:00:00.000000Z", "0" * 64, body)
    return len(line) <= LINE_BYTES_MAX


def long_disposition(characteristics=8, reasons=12, sources=40, text=100):
    codes = [{"code": "recorded", "values": {"text": "x" * text}}] * reasons
    source = {"feature": "f" * text, "name": "n" * text, "sha256": "ab" * 32, "instrument": "g", "seq": 1}
    members = {
        "characteristics": [{"name": "roundness_total"}] * characteristics,
        "reasons": ["x" * text] * reasons,
        "reason_codes": codes,
        "sources": [source] * sources,
    }
    return body_of("disposition", members)


def test_body_that_fits_its_line_stays_as_it_is():
    body = long_disposition(sources=2)
    assert bodies.fit_to_line(body) is body


@pytest.mark.parametrize("text", [200, 500, 1000, 3000, 10_000])
@pytest.mark.parametrize("sources", [1, 5, 40, 500])
def test_every_body_is_cut_until_its_line_holds_it(sources, text):
    body = bodies.fit_to_line(long_disposition(sources=sources, text=text))
    assert fits(body)
    assert len(body.reasons) == len(body.reason_codes)
    assert (body.part, body.serial, body.disposition) == ("P", "1", "accept")


def test_lists_are_cut_in_turn_and_no_further_than_need_be():
    room = LINE_BYTES_MAX - 400
    counts = []
    for text in range(0, 12_000, 200):
        body = bodies.fit_to_line(long_disposition(sources=40, text=text))
        counts.append((len(body.characteristics), len(body.reasons), len(body.sources)))
        assert len(encode_body(body)) <= room
    stages = list(dict.fromkeys(counts))
    allowed = [(8, 12, 40), (6, 12, 40), (6, 6, 40), (2, 6, 40), (2, 3, 40), (2, 3, 8), (2, 3, 3)]
    assert stages == [stage for stage in allowed if stage in stages], "values and reasons go before sources"
    assert stages[0] == (8, 12, 40)
    assert stages[-1] == (2, 3, 3)


def test_half_of_the_reasons_stay_where_that_is_enough():
    counts = {
        len(bodies.fit_to_line(long_disposition(sources=1, text=text)).reasons) for text in range(0, 8000, 100)
    }
    assert counts == {12, 6, 3}


def test_texts_that_a_file_brought_along_are_cut_last_and_short_words_never():
    body = bodies.fit_to_line(long_disposition(sources=3, text=20_000))
    assert fits(body)
    assert {len(text) for text in body.reasons} == {121} or {len(text) for text in body.reasons} == {41}
    assert all(text.endswith("…") for text in body.reasons)
    assert {s.sha256 for s in body.sources} == {"ab" * 32}


def test_text_of_128_characters_stays_whole_beside_one_that_is_cut():
    members = {"reasons": ["x" * 20_000, "y" * 128, "z" * 129], "reason_codes": []}
    body = bodies.fit_to_line(body_of("disposition", members))
    assert fits(body)
    assert [len(text) for text in body.reasons] == [121, 128, 121]


@pytest.mark.parametrize("count", [1, 3, 40])
def test_names_of_four_bytes_a_character_leave_a_line_that_fits(count):
    name = "\N{GRINNING FACE}" * 128
    source = {"feature": name, "name": name[:63], "sha256": "ab" * 32, "instrument": name, "seq": 1}
    members = {
        "part": name,
        "serial": name,
        "sources": [source] * count,
        "remeasured": [name] * count,
        "missing": [name] * count,
        "characteristics": [{"name": "roundness_total", "feature": name}] * count,
        "reasons": [name * 4] * count,
        "reason_codes": [{"code": "unknown-feature", "values": {"asked": name, "part": name}}] * count,
    }
    body = bodies.fit_to_line(body_of("disposition", members))
    assert fits(body)
    assert (body.part, body.serial) == (name, name), "who the part is must never be cut"


def test_worst_value_first_reason_and_one_source_stay_however_long_names_are():
    name = "𝄞" * 128  # four bytes a character, and short enough never to be cut
    value = {"name": name, "instance": name, "unit": name}
    source = {"feature": name, "name": name, "sha256": "ab" * 32, "instrument": name, "seq": 1}
    lists = {"reasons": [name] * 12, "reason_codes": [], "missing": [name] * 12, "remeasured": [name] * 12}
    body = bodies.fit_to_line(
        body_of("disposition", {"characteristics": [value] * 8, "sources": [source] * 9, **lists})
    )
    assert fits(body)
    counts = [
        len(getattr(body, each)) for each in ("characteristics", "remeasured", "missing", "reasons", "sources")
    ]
    assert counts == [1, 3, 3, 1, 1]


def test_own_source_of_a_record_is_never_cut():
    name = "n" * 250
    codes = [{"code": "recorded", "values": {"text": "x" * 20_000}}] * 3
    members = {"source": {"name": name}, "reasons": ["x" * 20_000] * 3, "reason_codes": codes}
    body = bodies.fit_to_line(body_of("measurement", members))
    assert fits(body)
    assert body.source.name == name


def test_quarantine_names_file_line_and_what_was_expected():
    error = TraceFormatError("3 fields", line=7, expected="2 fields")
    body = bodies.quarantine_body(bodies.source_of(FILE), error, 5.0)
    assert body.reason.startswith("a.txt: ")
    assert (body.error, body.line, body.expected, body.settled_at) == ("TraceFormatError", 7, "2 fields", 5.0)
    other = bodies.quarantine_body(bodies.source_of(FILE), TraceShapeError("x" * 5000), 5.0)
    assert (other.error, other.line, other.expected) == ("TraceShapeError", UNSET, UNSET)
    assert len(other.reason) == 1000
    long = bodies.quarantine_body(bodies.source_of(FILE), TraceFormatError("x", expected="y" * 5000), 5.0)
    assert len(long.expected) == 300


def test_reason_of_a_quarantine_can_be_shown_and_its_source_keeps_the_name():
    file = replace(FILE, name="a\u202e\x1b[2J.txt")
    body = bodies.quarantine_body(bodies.source_of(file), TraceFormatError("no \u200bnumber"), 5.0)
    assert body.source.name == file.name
    assert body.reason == "a??[2J.txt: no ?number"


def test_reasons_of_a_certificate_name_its_file():
    wave = reason(Code.WAVE_ELSEWHERE, certificate="C", wave=1, upr=2, elsewhere="fine")
    other = reason(Code.MORE, count=1)
    named = bodies.named_by_file((wave, other), "MW-03.toml")
    assert named == (wave.with_values(file="MW-03.toml"), other)


def test_replaced_disposition_names_the_one_before_and_what_was_measured_again():
    state = PartSet("P", "1", disposed=Disposition.HOLD, disposed_seq=7, remeasured=("left",))
    gate = reason(Code.GATE_FAILED, instrument="g", seq=3)
    body = bodies.disposition_body(with_one_result(state), PartDecision(Disposition.HOLD, (gate,), 5.0), gate)
    assert (body.replaces, body.remeasured) == (7, ("left",))
    assert (body.gate_reason, body.gate) == (gate, "gate: the last verification of g failed (record 3)")


def with_one_result(state):
    source = PartSource(feature="left", name="a", sha256="b", instrument="g", seq=1)
    result = FeatureResult("left", 1, Disposition.ACCEPT, (), source, (), 5.0, 1.0)
    return with_measurement(state, result, ("left",), 5.0)


def test_start_says_when_no_budget_stands_behind_the_uncertainties():
    assert bodies.start_body(1, this_machine(), configured(), "").uncertainty == "noise of this trace only"
    stated = configured(more="[uncertainty]\ngauge_scale = 0.003\n")
    assert bodies.start_body(1, this_machine(), stated, "").uncertainty is UNSET


STATION = load_configuration(ROOT / "config" / "agent.toml")
RULES = Rulebook.of(STATION)
WAVES = {36: 812.0, 180: 403.0}


def measured(text, configuration=STATION):
    evaluation = evaluate("a.txt", text.encode(), None, RULES)
    return evaluation, bodies.measurement_body(
        5.0, bodies.source_of(FILE), evaluation, configuration, "cd" * 32, 6.0
    )


def test_measurement_of_a_part_names_recipe_and_the_twelve_values_that_matter_most():
    over = dict.fromkeys(range(40, 60), 90.0)
    evaluation, body = measured(spiral_text(waves_nm=over))
    assert len(evaluation.judgement.characteristics) > 12
    assert [c.verdict for c in body.characteristics] == ["nonconforming"] * 12
    assert (body.layout, body.certificate_sha256, body.errors_nm) == (None, None, UNSET)
    assert body.recipe.part == "KX-2005-R"
    assert (body.settled_at, body.decided_at, body.result_sha256) == (5.0, 6.0, "cd" * 32)


def test_measurement_names_twelve_failed_checks_and_no_more():
    evaluation, _ = measured(spiral_text())
    failed = tuple(QualityCheck(f"check_{n}", n == 3, None, None, "", f"note {n}") for n in range(15))
    doubted = replace(evaluation, analysis=replace(evaluation.analysis, quality=failed))
    body = bodies.measurement_body(5.0, bodies.source_of(FILE), doubted, STATION, "cd" * 32, 6.0)
    names = [f"check_{n}" for n in range(15) if n != 3][:12]
    assert [(c.check, c.note) for c in body.quality_failed] == [(n, f"note {n[6:]}") for n in names]


def test_header_keys_that_nobody_knows_are_carried_along_into_the_record():
    known = spiral_text()
    more = known.replace("# trace = 1\n", '# trace = 1\n# customer = "C7"\n# batch = 12\n', 1)
    _, body = measured(more)
    assert {key: bytes(raw) for key, raw in body.trace.extra.items()} == {"customer": b'"C7"', "batch": b'"12"'}
    assert measured(known)[1].trace.extra is UNSET
    long = structs.replace(body, reasons=tuple(f"{n}: {'x' * 9000}" for n in range(12)), reason_codes=UNSET)
    assert bodies.fit_to_line(long).trace.serial == body.trace.serial


def test_layout_that_read_a_file_is_named_with_its_digest():
    evaluation, _ = measured(spiral_text())
    document = Document("x.toml", b"layout")
    configuration = replace(STATION, layouts={"x": (None, document)})
    by_layout = replace(evaluation, layout="x")
    source = bodies.source_of(FILE)
    body = bodies.measurement_body(5.0, source, by_layout, configuration, "cd" * 32, 6.0)
    assert (body.layout.name, body.layout.sha256) == ("x", document.sha256)


def verified(body, outcome):
    more = {"certificate": "C-2291", "valid_until": None, "counted_from": None, "new": True}
    return bodies.verification_body(body, outcome, (), **more)


def test_measurement_of_an_artefact_carries_certificate_errors_and_waves_that_are_missing():
    given = {"artefact": "MW-03", "feature": "waves", "kind": "circle", "turns": 2}
    _, body = measured(spiral_text(waves_nm=WAVES, **given))
    assert body.certificate_sha256 == STATION.certificates["MW-03"][1].sha256
    assert set(body.errors_nm) == {"36", "180"}
    assert body.missing_upr is UNSET
    _, lost = measured(spiral_text(waves_nm={36: 812.0}, **given))
    assert lost.missing_upr == (180,)
    assert (lost.incomplete, lost.partial) == (True, True)
    begun = verified(lost, Outcome.LOST)
    assert (begun.missing_upr, begun.incomplete, begun.partial) == ((180,), True, True)
    whole = verified(body, Outcome.PASSED)
    assert (whole.missing_upr, whole.incomplete, whole.partial) == (UNSET, UNSET, UNSET)
