"""What a result holds is enough to judge it again: exactly as if its trace were analysed anew.

The full evaluation of the same bytes is the truth here; numbers and reasons must be the same to the last digit.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import msgspec
import numpy as np
import pytest
from field import ROOT, spiral_text

from edgeagent.codec.records.judged_from import JudgingRow, row_of
from edgeagent.codec.records.result import encode
from edgeagent.demo.gauge import trace_text
from edgeagent.demo.scenario import Act, GrooveShape
from edgeagent.judging.asking import rejudge
from edgeagent.judging.asking.rejudge import asked_of, judge_prepared, prepare
from edgeagent.judging.configuration import Document, recipe_from_documents
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.model import Disposition, Judgement, Verdict
from edgeagent.model.records import TraceIdentity
from edgeagent.store.configuration import load_configuration

RULES = Rulebook.of(load_configuration(ROOT / "config" / "agent.toml"))
PART = "\n[uncertainty]\nexpansion_per_k = 11.5e-6\ncorrect_temperature = true\n"
STUDY = '\n[uncertainty]\nrepeatability_dof = 30\n[uncertainty.repeatability]\n"roundness_total" = 0.2\n'


CURVE = '  [[measurement.limit]]\n  characteristic = "harmonic_amplitude"\n  points'
RIGHT = '[[measurement]]\nfeature = "right-flank"'


def limit_on(characteristic: str) -> str:
    return f'  [[measurement.limit]]\n  characteristic = "{characteristic}"\n  upper = 0.06\n\n'


def travel_text() -> str:
    """An invented travel trace with a slope, a wave and a jitter."""
    travel = np.arange(0.0, 460.0, 0.5)
    deviation = (
        0.02 * travel + 3.0 * np.sin(travel / 40.0) + np.random.default_rng(3).normal(0, 0.2, len(travel))
    )
    head = [
        "# trace = 1",
        '# kind = "travel"',
        '# part = "KX-2005-T"',
        '# serial = "1"',
        '# feature = "travel"',
    ]
    head += ["# measured_at = 2026-11-25T09:41:07Z", "# temperature_c = 21.5", "travel_mm,deviation_um"]
    return "\n".join([*head, *(f"{t:.3f},{d:.4f}" for t, d in zip(travel, deviation, strict=True))]) + "\n"


@cache
def text_of(kind: str) -> str:
    """An invented trace of a kind, with values near their limits."""
    if kind == "spiral":
        return spiral_text(points_per_turn=2400, waves_nm={2: 150.0, 37: 31.0})
    if kind == "circle":
        given = {"part": "HN-1610-R", "feature": "outside", "turns": 2, "points_per_turn": 1200}
        return spiral_text(kind="circle", waves_nm={2: 90.0, 20: 118.0}, **given)
    if kind == "axial":
        act = Act("a.txt", "profile", (), part="KX-2005-G", serial="1", groove=GrooveShape(47.8))
        return trace_text(act).decode()
    return travel_text() if kind == "travel" else travel_text().replace("# temperature_c = 21.5\n", "")


PARTS = {
    "spiral": "KX-2005-R",
    "circle": "HN-1610-R",
    "axial": "KX-2005-G",
    "travel": "KX-2005-T",
    "travel of unknown temperature": "KX-2005-T",
}


def edited(part: str, old: str = "", new: str = "", more: str = "") -> Rulebook:
    """The example rules with a part's recipe changed."""
    loaded = RULES.recipes[part]
    text = loaded.document.data.decode()
    assert old in text
    document = Document(loaded.document.name, (text.replace(old, new) + more).encode())
    return replace(RULES, recipes={**RULES.recipes, part: recipe_from_documents(document, loaded.files)})


def stated(**changes: object) -> Rulebook:
    assert RULES.uncertainty is not None
    return replace(RULES, uncertainty=replace(RULES.uncertainty, **changes))


@cache
def before(kind: str, rules: str = "") -> tuple[Evaluation, JudgingRow]:
    """A kind's trace as it was judged, and the row of its result; ``rules`` is added to the recipe."""
    book = edited(PARTS[kind], more=rules) if rules else RULES
    found = evaluate(f"{kind}.txt", text_of(kind).encode(), None, book)
    row = row_of(1, "0" * 64, encode(found.result))
    assert row is not None
    return found, msgspec.msgpack.decode(msgspec.msgpack.encode(row), type=JudgingRow)


def judged_again(kind: str, now: Rulebook, rules: str = "") -> Judgement | str:
    evaluation, row = before(kind, rules)
    book = edited(PARTS[kind], more=rules) if rules else RULES
    trace = msgspec.convert(evaluation.result["trace"], TraceIdentity)
    asked = asked_of(trace, book, now, evaluation.layout)
    if isinstance(asked, str):
        return asked
    ready = prepare(row, asked, now.rule, now.uncertainty, evaluation.uncertainty)
    return ready if isinstance(ready, str) else judge_prepared([ready])[0]


def said(judgement: Judgement) -> tuple[object, ...]:
    values = tuple(c for c in judgement.characteristics if c.verdict != Verdict.UNJUDGED)
    return judgement.disposition, judgement.reasons, values


CHANGES = {
    "nothing": ("spiral", lambda: RULES),
    "other rule": ("spiral", lambda: replace(RULES, rule="simple")),
    "capped risk": ("spiral", lambda: replace(RULES, rule="capped-risk risk=0.01 family=sidak")),
    "tighter curve": ("spiral", lambda: edited("KX-2005-R", "[20, 60.0]", "[20, 40.0]")),
    "tighter value": ("spiral", lambda: edited("KX-2005-R", "upper = 1.2\n  caution = 0.75", "upper = 0.3")),
    "limit on what has none": ("spiral", lambda: edited("KX-2005-R", CURVE, f"{limit_on('band_rms')}{CURVE}")),
    "limit on what is not there": (
        "spiral",
        lambda: edited("KX-2005-R", CURVE, f"{limit_on('band_velocity')}{CURVE}"),
    ),
    "gauge scale": ("spiral", lambda: stated(gauge_scale=0.08)),
    "tip": ("spiral", lambda: stated(tip_radius_mm=0.004)),
    "waves": ("spiral", lambda: stated(waves=((10.0, 0.01, 0.02), (200.0, 0.02, -0.05)))),
    "no budget": ("spiral", lambda: replace(RULES, uncertainty=None)),
    "study": ("spiral", lambda: edited("KX-2005-R", more=STUDY)),
    "circle": ("circle", lambda: stated(gauge_scale=0.02)),
    "circle curve": ("circle", lambda: edited("HN-1610-R", "nm = 120.0", "nm = 100.0")),
    "axial scale": ("axial", lambda: stated(length_scale=2e-3)),
    "axial limits": ("axial", lambda: edited("KX-2005-G", "upper = 48.0", "upper = 47.0")),
    "travel scale": ("travel", lambda: stated(length_scale=2e-5, gauge_scale=0.05)),
    "travel limit": (
        "travel",
        lambda: edited(
            "KX-2005-T", more='\n[[measurement.limit]]\ncharacteristic = "travel_variation"\nupper = 6.0\n'
        ),
    ),
    "travel temperature": ("travel", lambda: edited("KX-2005-T", more=PART)),
}


@pytest.mark.parametrize("change", CHANGES)
def test_result_is_judged_as_its_trace_would_be(change):
    kind, make = CHANGES[change]
    now = make()
    again = judged_again(kind, now)
    assert isinstance(again, Judgement), again
    assert said(again) == said(evaluate(f"{kind}.txt", text_of(kind).encode(), None, now).judgement)


def test_turn_is_one_of_as_many_where_no_limit_names_what_they_are_counted_by():
    # Three turns: 1.9 u over the limit rejects one value, not one of three (Sidak for a risk of 5 %: 2.12 u)
    whole = RULES.recipes["KX-2005-R"].document.data.decode()
    total = 'characteristic = "roundness_total"\n  upper = 1.2'

    def book(limit_um: float) -> Rulebook:
        peak = f'characteristic = "roundness_peak"\n  instance = "turn[2]"\n  upper = {limit_um!r}'
        text = whole.replace(total, peak, 1).replace("turns_min = 3", 'turns_min = 3\nturns = "each"', 1)
        return edited("KX-2005-R", whole, text)

    data = spiral_text(points_per_turn=3600, waves_nm={2: 150.0, 37: 5.0}).encode()
    was = evaluate("a.txt", data, None, book(5.0))
    row = row_of(1, "0" * 64, encode(was.result))
    (peak,) = (q for q in was.analysis.quantities if (q.name, q.instance) == ("roundness_peak", "turn[2]"))
    now = book(peak.value - 1.9 * peak.standard_uncertainty)
    asked = asked_of(msgspec.convert(was.result["trace"], TraceIdentity), book(5.0), now, was.layout)
    (again,) = judge_prepared([prepare(row, asked, now.rule, now.uncertainty, was.uncertainty)])
    assert again.disposition == Disposition.HOLD
    assert said(again) == said(evaluate("a.txt", data, None, now).judgement)


def test_values_that_were_brought_to_20_degrees_are_taken_back():
    again = judged_again("travel", RULES, PART)
    assert isinstance(again, Judgement)
    assert said(again) == said(before("travel")[0].judgement)
    assert said(again) != said(before("travel", PART)[0].judgement)


@pytest.mark.parametrize(
    ("kind", "make", "why"),
    [
        ("spiral", lambda: edited("KX-2005-R", "turns_min = 3", "turns_min = 2"), rejudge.ANOTHER_ANALYSIS),
        (
            "spiral",
            lambda: edited("KX-2005-R", "speed_rpm = 3000", "speed_rpm = 2000"),
            rejudge.ANOTHER_ANALYSIS,
        ),
        ("axial", lambda: replace(RULES, plane_offset_mm=0.2), rejudge.ANOTHER_ANALYSIS),
        ("travel", lambda: edited("KX-2005-T", "  grade = 3", "  grade = 1"), rejudge.ANOTHER_GRADE),
        ("spiral", lambda: stated(hysteresis_um=0.02), rejudge.ANOTHER_INFLUENCE),
        ("spiral", lambda: stated(pickup_nm=3.0), rejudge.ANOTHER_INFLUENCE),
        (
            "spiral",
            lambda: edited("KX-2005-R", RIGHT, f"[measurement.setup]\ntip_radius_mm = 0.005\n{RIGHT}"),
            rejudge.ANOTHER_SETUP,
        ),
    ],
)
def test_what_asks_for_another_analysis_is_not_judged_from_the_result(kind, make, why):
    assert judged_again(kind, make()) == why


def test_result_of_an_older_version_has_no_row():
    result = {k: v for k, v in before("spiral")[0].result.items() if k != "judged_from"}
    assert row_of(1, "0" * 64, encode(result)) is None


def test_result_whose_members_do_not_fit_each_other_is_refused():
    result = {**before("spiral")[0].result, "characteristics": []}
    with pytest.raises(ValueError, match="do not fit"):
        row_of(1, "0" * 64, encode(result))


def test_rows_with_as_many_harmonics_share_orders_that_nobody_can_change():
    data = encode(before("spiral")[0].result)
    one, other = (row_of(seq, "0" * 64, data).spectrum() for seq in (1, 2))
    assert one.upr is other.upr
    assert one.upr.tolist() == list(range(1, len(one.amplitude_nm) + 1))
    with pytest.raises(ValueError, match="read-only"):
        one.upr[0] = 2


def test_traces_that_are_one_family_are_counted_by_the_recipe_that_is_asked_for():
    evaluation, _ = before("spiral")
    trace = msgspec.convert(evaluation.result["trace"], TraceIdentity)
    whole = RULES.recipes["KX-2005-R"].document.data.decode()
    alone = edited("KX-2005-R", whole, whole.partition(RIGHT)[0])
    was, now = (asked_of(trace, RULES, book, evaluation.layout) for book in (RULES, alone))
    assert (was.traces, now.traces) == (2, 1)


def test_waves_between_whole_orders_are_one_family_with_the_whole_ones(monkeypatch):
    beside, judged = [], rejudge.judge_spectrum

    def noted(*given, **more):
        beside.append(more["beside"])
        return judged(*given, **more)

    monkeypatch.setattr(rejudge, "judge_spectrum", noted)
    again = judged_again("spiral", RULES)
    assert isinstance(again, Judgement)
    assert beside == [int(np.count_nonzero(np.isfinite(again.spectrum.upper_nm)))]
    assert beside[0] > 100


def test_influence_that_the_station_stated_before_and_states_still_is_judged_from_the_result():
    was_stated, now = stated(hysteresis_um=0.02), stated(hysteresis_um=0.02, gauge_scale=0.08)
    data = text_of("spiral").encode()
    was = evaluate("a.txt", data, None, was_stated)
    row = row_of(1, "0" * 64, encode(was.result))
    asked = asked_of(msgspec.convert(was.result["trace"], TraceIdentity), was_stated, now, was.layout)
    ready = prepare(row, asked, now.rule, now.uncertainty, was.uncertainty)
    assert not isinstance(ready, str), ready
    assert said(judge_prepared([ready])[0]) == said(evaluate("a.txt", data, None, now).judgement)


@pytest.mark.parametrize("rules", ["", PART], ids=["did not expand before", "expanded before"])
def test_part_of_unknown_temperature_is_held_where_the_recipe_asked_for_says_that_it_expands(rules):
    now = edited("KX-2005-T", more=PART)
    again = judged_again("travel of unknown temperature", now, rules)
    assert isinstance(again, Judgement)
    full = evaluate("t.txt", text_of("travel of unknown temperature").encode(), None, now).judgement
    assert said(again) == said(full)
    assert [r.code for r in full.reasons if r.code == "check-failed"] != []


def test_file_is_not_judged_from_its_result_where_another_layout_would_read_it():
    evaluation, _ = before("spiral")
    trace = msgspec.convert(evaluation.result["trace"], TraceIdentity)
    one, same, other = (
        replace(RULES, layouts={"x": (None, Document("x.toml", data))}) for data in (b"1", b"1", b"2")
    )
    assert not isinstance(asked_of(trace, one, same, "x"), str)
    for now in (other, RULES):
        assert asked_of(trace, one, now, "x") == rejudge.ANOTHER_LAYOUT
