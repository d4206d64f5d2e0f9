"""Travel of ISO 3408-3: a curve whose values are known, the tables, and bad traces.

Synthetic curve and its values: l = 0, 1, ..., 900 mm, e = 0.010 l + 2 sin(2 pi l/300) + 0.5 sin(2 pi l/10) µm,
lead 10 mm, computed by another hand. Tables: ``fixtures/travel_sources.md`` names each cell's source.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeagent.analysis.kinds import Request, find_kind, require_columns, travel
from edgeagent.analysis.travel.deviations import (
    mean_line,
    point_noise_um,
    spikes,
    widest_window,
)
from edgeagent.analysis.travel.grades import (
    DISPUTED_CELLS,
    GRADES,
    TRAVEL_300_UM,
    TRAVEL_TURN_UM,
    USEFUL_TRAVEL_MM,
    measurements_per_300,
    travel_limits,
)
from edgeagent.errors import ConfigError, TraceRangeError
from edgeagent.model import ScalarLimit, Trace, TraceHeader
from edgeagent.rules.verdicts import verdict

SOURCES = Path(__file__).parents[2] / "fixtures" / "travel_sources.md"
TRAVEL_MM = np.arange(901.0)
DEVIATION_UM = (
    0.010 * TRAVEL_MM + 2 * np.sin(2 * np.pi * TRAVEL_MM / 300) + 0.5 * np.sin(2 * np.pi * TRAVEL_MM / 10)
)


def make_trace(travel_mm=TRAVEL_MM, deviation_um=DEVIATION_UM, lead_mm=10.0):
    header = TraceHeader(
        kind="travel",
        feature="lead",
        measured_at=datetime(2026, 3, 2, tzinfo=UTC),
        part="X",
        serial="1",
        lead_mm=lead_mm,
    )
    return Trace(
        header, {"travel_mm": np.asarray(travel_mm, float), "deviation_um": np.asarray(deviation_um, float)}
    )


def analyse(trace, **options):
    return travel.analyse(trace, Request(thread=None, options=travel.TravelOptions(**options)))


def values(analysis):
    return {q.name: q.value for q in analysis.quantities}


def check(analysis, name):
    return next(c for c in analysis.quality if c.check == name)


def failed(analysis):
    return {c.check for c in analysis.quality if not c.ok}


def test_synthetic_curve_returns_its_known_values():
    found = analyse(make_trace())
    assert values(found) == {
        "mean_travel_deviation": pytest.approx(7.720815160541, abs=1e-11),
        "travel_variation": pytest.approx(5.581454990467, abs=1e-11),
        "travel_variation_300": pytest.approx(5.155060043981, abs=1e-11),
        "travel_variation_turn": pytest.approx(1.210746493342, abs=1e-11),
    }
    assert not failed(found)
    assert found.turns == pytest.approx(90.0)


def test_mean_line_of_the_synthetic_curve():
    line = mean_line(TRAVEL_MM, DEVIATION_UM)
    assert line.slope_um_per_mm == pytest.approx(0.008578683511712, abs=1e-14)
    assert float(line.at(0.0)) == pytest.approx(0.639592419730, abs=1e-11)


def test_windows_on_the_curve_as_recorded():
    # the same windows without taking the mean line away, known from the same source
    assert widest_window(TRAVEL_MM, DEVIATION_UM, 300.0).variation_um == pytest.approx(
        6.555040664577, abs=1e-11
    )
    assert widest_window(TRAVEL_MM, DEVIATION_UM, 10.0).variation_um == pytest.approx(1.262218594412, abs=1e-11)


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 80), st.floats(0.05, 1.0), st.integers(0, 2**32 - 1))
def test_widest_window_agrees_with_trying_every_start(points, share, seed):
    rng = np.random.default_rng(seed)
    axis = np.cumsum(rng.uniform(0.1, 2.0, points))
    curve = rng.normal(size=points)
    length = share * float(axis[-1] - axis[0])
    found = widest_window(axis, curve, length)
    best = 0.0
    for start in np.unique(np.concatenate([axis, axis - length, np.linspace(axis[0], axis[-1] - length, 50)])):
        if start < axis[0] - 1e-9 or start + length > axis[-1] + 1e-9:
            continue
        inside = curve[(axis >= start) & (axis <= start + length)]
        ends = np.interp([start, start + length], axis, curve)
        best = max(best, float(np.ptp(np.concatenate([inside, ends]))))
    assert found.variation_um == pytest.approx(best, abs=1e-7)
    assert found.end_mm - found.start_mm == pytest.approx(length)


def test_slope_uncertainty_agrees_with_the_scatter_of_many_noisy_curves():
    rng = np.random.default_rng(8)
    lines = [mean_line(TRAVEL_MM, rng.normal(size=901) * 0.5) for _ in range(400)]
    scatter = np.std([line.slope_um_per_mm for line in lines])
    stated = np.mean([line.slope_uncertainty_um_per_mm for line in lines])
    assert stated == pytest.approx(scatter, rel=0.15)  # 400 draws know a scatter to 3.5 %, four times that


def test_mean_line_of_the_guides_thermometer():
    # JCGM 100:2008, H.3, table H.6: correction b over temperature t; y2 = 0.00218, u = 0.00067, b(30) = -0.1494
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000
    line = mean_line(t, b)
    assert line.slope_um_per_mm == pytest.approx(0.002182697740, abs=1e-11)
    assert line.slope_uncertainty_um_per_mm == pytest.approx(0.000667938773, abs=1e-11)
    assert float(line.at(30.0)) == pytest.approx(-0.149376812732, abs=1e-11)


def test_point_noise_is_found_below_a_slow_curve():
    rng = np.random.default_rng(9)
    assert point_noise_um(DEVIATION_UM[:0]) == 0.0
    slow = 20 * np.sin(2 * np.pi * np.arange(20000) / 5000)
    assert point_noise_um(slow + rng.normal(size=20000) * 0.1) == pytest.approx(0.1, rel=0.05)


def test_direction_of_recording_does_not_matter():
    assert values(analyse(make_trace(TRAVEL_MM[::-1], DEVIATION_UM[::-1]))) == values(analyse(make_trace()))


def test_compensation_is_taken_off_the_mean_deviation_alone():
    plain, found = values(analyse(make_trace())), values(analyse(make_trace(), travel_compensation_um=5.0))
    assert found["mean_travel_deviation"] == pytest.approx(plain["mean_travel_deviation"] - 5.0, abs=1e-12)
    assert found["travel_variation"] == plain["travel_variation"]


def test_excess_and_window_give_the_same_useful_travel():
    by_excess = values(analyse(make_trace(), excess_mm=50.0))
    by_window = values(analyse(make_trace(), useful_start_mm=50.0, useful_end_mm=850.0))
    cut = values(analyse(make_trace(TRAVEL_MM[50:851], DEVIATION_UM[50:851])))
    assert by_excess == by_window == cut


def test_mean_deviation_is_over_the_useful_travel_that_the_recipe_names():
    # samples begin half a step inside the window; a straight lead error of 0.02 µm/mm over 800 mm is 16 µm
    travel_mm = np.arange(50.5, 850.0)
    found = values(analyse(make_trace(travel_mm, 0.02 * travel_mm), useful_start_mm=50.0, useful_end_mm=850.0))
    assert found["mean_travel_deviation"] == pytest.approx(16.0, abs=1e-9)


def test_short_useful_travel_has_no_value_for_300_mm_and_says_so():
    trace = make_trace(TRAVEL_MM[:251], DEVIATION_UM[:251])
    found = analyse(trace)
    assert values(found)["travel_variation_300"] is None
    assert "no value" in check(found, "window_300").note
    assert not failed(found)
    names = [x.characteristic for x in travel.grade_limits(3, trace, Request(None, travel.TravelOptions()))]
    assert "travel_variation_300" not in names


def test_too_few_samples_a_turn_give_no_value_for_the_turn():
    found = analyse(make_trace(TRAVEL_MM[::5], DEVIATION_UM[::5]))
    assert values(found)["travel_variation_turn"] is None
    assert values(found)["travel_variation"] is not None
    assert "too few" in check(found, "samples_per_turn").note


def test_unknown_lead_gives_no_value_for_the_turn():
    found = analyse(make_trace(lead_mm=None))
    assert values(found)["travel_variation_turn"] is None
    assert found.turns is None
    assert "no lead" in check(found, "samples_per_turn").note


def test_fewer_measurements_than_the_standard_asks_for_fails():
    # lead 10 mm, grade 3: 5 in 300 mm (DIN 69051-3)
    coarse = slice(None, None, 75)
    trace = make_trace(TRAVEL_MM[coarse], DEVIATION_UM[coarse])
    assert failed(analyse(trace, grade=3)) == {"measurements_per_300"}
    assert not failed(analyse(trace, grade=5))


@pytest.mark.parametrize("place", [0, 1, 455, 899, 900])
def test_spike_is_left_out_and_counted(place):
    spoilt = DEVIATION_UM.copy()
    spoilt[place] += 40.0
    found = analyse(make_trace(deviation_um=spoilt))
    assert check(found, "spikes").value == 1.0
    assert not failed(found)
    for name, value in values(analyse(make_trace())).items():
        assert values(found)[name] == pytest.approx(value, abs=0.02)


def test_many_spikes_fail_the_trace():
    spoilt = DEVIATION_UM.copy()
    spoilt[20::90] -= 30.0
    assert "spikes" in failed(analyse(make_trace(deviation_um=spoilt)))


def test_short_wave_on_a_part_of_a_long_travel_is_no_handful_of_spikes():
    travel_mm = np.arange(0.0, 900.0, 0.1)
    curve = 3.0 * np.sin(travel_mm / 90.0)
    burst = np.where((travel_mm > 400.0) & (travel_mm < 400.65), 8.0 * (-1.0) ** np.arange(9000), 0.0)
    assert "spikes" in failed(analyse(make_trace(travel_mm, curve + burst)))
    scattered = np.where(np.isin(np.arange(9000), [100, 101, 2000, 5000, 5001, 8000]), 40.0, 0.0)
    found = analyse(make_trace(travel_mm, curve + scattered))
    assert check(found, "spikes").value == 6.0
    assert not failed(found)


def test_clean_waves_of_the_thread_are_no_spikes():
    turn = np.arange(4000)
    for period in (8, 12.3, 50, 300, 1000):
        for phase in np.linspace(0, 6, 13):
            assert spikes(20 * np.sin(2 * np.pi * turn / period + phase)).size == 0


def test_noise_alone_has_no_spikes():
    rng = np.random.default_rng(12)
    assert sum(spikes(rng.normal(size=20000)).size for _ in range(20)) == 0


def test_missing_samples_are_left_out_and_too_many_fail():
    spoilt = DEVIATION_UM.copy()
    spoilt[100:110] = np.nan
    many = analyse(make_trace(deviation_um=spoilt))
    assert failed(many) == {"missing_samples", "widest_gap"}
    assert check(many, "missing_samples").value == pytest.approx(10 / 901)
    assert values(many)["travel_variation"] == pytest.approx(
        values(analyse(make_trace()))["travel_variation"], abs=0.1
    )


@pytest.mark.parametrize("reading_um", [1e308, -1e308, 1e155, 2e9])
def test_reading_that_is_none_leaves_no_values_and_says_so(reading_um):
    spoilt = DEVIATION_UM.copy()
    spoilt[100] = reading_um
    found = analyse(make_trace(deviation_um=spoilt))
    assert failed(found) == {"samples"}
    assert "no reading of a travel" in check(found, "samples").note
    assert set(values(found).values()) == {None}


def test_travel_that_goes_back_has_no_values():
    back = TRAVEL_MM.copy()
    back[300] = 298.5
    found = analyse(make_trace(back))
    assert failed(found) == {"monotonic_travel"}
    assert set(values(found).values()) == {None}
    assert set(values(found)) == set(travel.CHARACTERISTICS)


@pytest.mark.parametrize(
    ("travel_scale", "deviation_scale", "expected"),
    [
        (1e-3, 1, "travel_span"),
        (1e3, 1, "travel_span"),
        (1, 1e-3, "deviation_scale"),
        (1, 1e3, "deviation_scale"),
    ],
)
def test_columns_off_by_a_thousand_are_named(travel_scale, deviation_scale, expected):
    found = analyse(make_trace(TRAVEL_MM * travel_scale, DEVIATION_UM * deviation_scale))
    assert expected in failed(found)
    assert "column in" in check(found, expected).note


def test_trace_shorter_than_the_useful_travel_has_no_values():
    found = analyse(make_trace(), useful_start_mm=0.0, useful_end_mm=950.0)
    assert failed(found) == {"useful_travel"}
    assert set(values(found).values()) == {None}
    with pytest.raises(TraceRangeError, match="no useful travel"):
        travel.grade_limits(
            3, make_trace(), Request(None, travel.TravelOptions(useful_start_mm=0.0, useful_end_mm=950.0))
        )


@pytest.mark.parametrize("points", [0, 1, 2])
def test_trace_without_samples_has_no_values(points):
    found = analyse(make_trace(TRAVEL_MM[:points], DEVIATION_UM[:points]))
    assert "samples" in failed(found)
    assert set(values(found).values()) == {None}


def test_values_and_checks_are_finite_numbers():
    spoilt = DEVIATION_UM.copy()
    spoilt[5] = np.inf
    found = analyse(make_trace(deviation_um=spoilt))
    numbers = [q.value for q in found.quantities] + [n for c in found.quality for n in (c.value, c.allowed)]
    assert all(n is None or np.isfinite(n) for n in numbers)
    json.dumps(found.details, allow_nan=False)


def test_details_keep_the_extremes_in_two_thousand_points():
    rng = np.random.default_rng(10)
    travel_mm = np.linspace(0, 900, 30001)
    deviation_um = np.interp(travel_mm, TRAVEL_MM, DEVIATION_UM) + 0.05 * rng.normal(size=30001)
    found = analyse(make_trace(travel_mm, deviation_um))
    curve = found.details["curve"]
    assert len(curve["travel_mm"]) == len(curve["deviation_um"]) <= 2000
    low, high = found.details["band_um"]
    # The band is drawn as read; the value is less what 0.05 µm of noise lift it by.
    assert 0.05 < high - low - values(found)["travel_variation"] < 0.45
    start, end = found.details["mean_line"]["deviation_um"]
    about = np.array(curve["deviation_um"]) - np.interp(curve["travel_mm"], [0, 900], [start, end])
    assert np.ptp(about) == pytest.approx(high - low, abs=1e-9)
    assert [w["name"] for w in found.details["windows"]] == ["travel_variation_300", "travel_variation_turn"]


def test_recipe_keys_that_contradict_are_refused():
    for table in (
        {"useful_start_mm": 5.0},
        {"useful_start_mm": 5.0, "useful_end_mm": 5.0},
        {"useful_start_mm": 5.0, "useful_end_mm": 50.0, "excess_mm": 1.0},
        {"excess_mm": -1.0},
        {"grade": 11},
        {"unknown": 1},
    ):
        with pytest.raises(msgspec.ValidationError):
            msgspec.convert(table, travel.TravelOptions)


def test_kind_is_found_by_its_name():
    assert find_kind("travel") is travel
    require_columns(make_trace(), travel)


def table_of(title):
    section = SOURCES.read_text(encoding="utf-8").split(f"## {title}")[1].split("\n## ")[0]
    rows = [line for line in section.splitlines() if re.match(r"\| *[-v\d]", line)]
    cells = [[c.strip() for c in row.strip().strip("|").split("|")] for row in rows]
    return [row for row in cells if not set("".join(row)) <= {"-"}]


def number(text):
    return None if text == "-" else float(text)


def test_variation_in_300_mm_and_in_a_turn_are_those_of_the_sources():
    by_300, by_turn = (row[1:] for row in table_of("Any 300 mm"))
    assert [TRAVEL_300_UM[g] for g in GRADES] == [number(c) for c in by_300]
    assert [TRAVEL_TURN_UM.get(g) for g in GRADES] == [number(c) for c in by_turn]


def test_every_cell_by_useful_travel_is_that_of_the_sources():
    rows = table_of("Limit deviation ep")
    assert [number(row[1]) for row in rows] == list(USEFUL_TRAVEL_MM)
    cells = 0
    for row in rows:
        for column, grade in enumerate((0, 1, 3, 5)):
            ep, vup = number(row[2 + 2 * column]), number(row[3 + 2 * column])
            if ep is not None and vup is not None:
                for useful_mm in (float(row[1]), (number(row[0]) or 10.0) + 0.01):
                    limits = travel_limits(grade, useful_mm)
                    assert (limits.mean_um, limits.variation_um) == (ep, vup)
                    cells += 2
            else:
                symbol = "ep" if ep is None else "vup"
                with pytest.raises(TraceRangeError, match=f"no {symbol} for grade {grade} "):
                    travel_limits(grade, float(row[1]))
    assert cells == 2 * (8 + 12 + 13 + 17) * 2


@pytest.mark.parametrize(
    ("grade", "tolerances"),
    [
        # ISO 286-1 standard tolerances IT0, IT1, IT3, IT5 in µm by nominal size from 250-315 mm up
        (0, (4, 5, 6)),
        (1, (6, 7, 8)),
        (3, (12, 13, 15)),
        (5, (23, 25, 27, 32, 36, 40, 47, 55, 65, 78, 96)),
    ],
)
def test_limit_deviation_is_the_standard_tolerance_of_the_same_number(grade, tolerances):
    for useful_mm, tolerance in zip(USEFUL_TRAVEL_MM, tolerances, strict=False):
        assert travel_limits(grade, useful_mm).mean_um == tolerance


def test_disputed_cell_takes_the_stricter_value_and_is_marked():
    assert travel_limits(5, 900.0).variation_um == min(DISPUTED_CELLS[(5, 1000.0)]) == 34.0
    assert "Disputed: grade 5" in SOURCES.read_text(encoding="utf-8")


def test_published_example_at_900_mm():
    # public notes on lead accuracy: grade 3 at 900 mm, ep 21, v300p 12
    limits = travel_limits(3, 900.0)
    assert (limits.mean_um, limits.variation_300_um) == (21.0, 12.0)


@pytest.mark.parametrize("grade", [7, 10])
def test_transport_grades_grow_with_the_useful_travel(grade):
    limits = travel_limits(grade, 600.0)
    assert limits.mean_um == 2 * TRAVEL_300_UM[grade]
    assert limits.variation_um is None
    assert limits.variation_turn_um is None


def test_unknown_grade_is_a_configuration_error():
    with pytest.raises(ConfigError, match="allowed: 0, 1, 3, 5, 7, 10"):
        travel_limits(4, 500.0)
    with pytest.raises(TraceRangeError, match="above 0"):
        travel_limits(3, 0.0)


def test_grade_limits_hold_both_signs_of_the_mean_deviation():
    limits = {
        x.characteristic: x for x in travel.grade_limits(5, make_trace(), Request(None, travel.TravelOptions()))
    }
    assert (limits["mean_travel_deviation"].lower, limits["mean_travel_deviation"].upper) == (-40.0, 40.0)
    assert {name: x.upper for name, x in limits.items() if name != "mean_travel_deviation"} == {
        "travel_variation": 34.0,
        "travel_variation_300": 23.0,
        "travel_variation_turn": 8.0,
    }


def test_numbers_of_measurements_are_those_of_the_sources():
    for lead, *row in table_of("Least number"):
        for grade, cell in zip((1, 3, 5, 7, 9), row, strict=False):
            if cell != "-":
                assert measurements_per_300(float(lead), grade) == int(cell)
    # between the rows the smaller lead counts, between the columns the finer grade
    assert measurements_per_300(12.0, 3) == measurements_per_300(10.0, 3)
    assert measurements_per_300(1.0, 10) == measurements_per_300(2.5, 9)
    assert measurements_per_300(40.0, 1) == measurements_per_300(32.0, 1)
    assert measurements_per_300(10.0, None) == measurements_per_300(10.0, 0) == 10


@pytest.mark.parametrize(("step_mm", "noise_um"), [(1.0, 0.2), (0.25, 0.2), (0.05, 0.5)])
def test_white_noise_lifts_no_variation_and_its_uncertainty_covers_what_is_left(step_mm, noise_um):
    rng = np.random.default_rng(1)
    travel_mm = np.arange(0.0, 900.0 + step_mm / 2, step_mm)
    true = 3.0 * np.sin(2 * np.pi * travel_mm / 700.0) + np.sin(2 * np.pi * travel_mm / 10.0)
    clean = values(analyse(make_trace(travel_mm, true)))
    runs = [analyse(make_trace(travel_mm, true + rng.normal(0.0, noise_um, travel_mm.size))) for _ in range(20)]
    for name in ("travel_variation", "travel_variation_300", "travel_variation_turn"):
        found = np.array(
            [(q.value, q.standard_uncertainty) for r in runs for q in r.quantities if q.name == name]
        )
        assert found[:, 1].mean() > 0.8 * found[:, 0].std()
        # as read it would be 3 to 9 noises too much
        assert -0.5 * noise_um < found[:, 0].mean() - clean[name] < 1.5 * noise_um
        assert np.all(found[:, 0] > clean[name] - 2.0 * found[:, 1])


@pytest.mark.parametrize("lead_mm", [2.0, None])
def test_where_a_turn_has_few_samples_no_wave_of_the_thread_is_taken_off_as_noise(lead_mm):
    # two samples a turn: a once-per-turn wave comes and goes from sample to sample
    travel_mm = np.arange(0.0, 601.0, 1.0)
    wave = 2.0 * np.cos(np.pi * travel_mm / 1.0) * (1.0 + 1e-3 * np.random.default_rng(1).normal(size=601))
    found = values(analyse(make_trace(travel_mm, 3.0 * np.sin(travel_mm / 90.0) + wave, lead_mm=lead_mm)))
    assert found["travel_variation"] > 9.0


def test_turn_of_a_good_part_is_not_rejected_for_noise_that_ten_samples_a_turn_cannot_average():
    rng = np.random.default_rng(4)
    travel_mm = np.arange(0.0, 600.1, 1.0)
    true = 2.0 * np.sin(2 * np.pi * travel_mm / 500.0) + 0.8 * np.sin(2 * np.pi * travel_mm / 10.0)
    turns = []
    for _ in range(20):
        found = analyse(make_trace(travel_mm, true + rng.normal(0.0, 0.5, travel_mm.size)))
        turns += [
            (q.value, q.standard_uncertainty) for q in found.quantities if q.name == "travel_variation_turn"
        ]
    value, u = np.array(turns).T  # 1.73 µm as the thread has it, 4 as read
    assert 1.6 < value.mean() < 2.4
    assert np.all(value - 1.65 * u < 1.73 * 1.1)
    assert np.all(value + 1.65 * u > 1.73)


def test_good_parts_near_their_limit_are_not_rejected_for_their_noise():
    # Variation of 17 µm at a limit of 18: noise of 0.4 µm would add 2 to 3 µm to what is read.
    rng = np.random.default_rng(3)
    travel_mm = np.arange(0.0, 900.25, 0.25)
    true = 8.5 * np.sin(2 * np.pi * travel_mm / 600.0)
    limit = ScalarLimit(characteristic="travel_variation", upper=18.0)
    verdicts = []
    for _ in range(60):
        found = analyse(make_trace(travel_mm, true + rng.normal(0.0, 0.4, travel_mm.size)))
        q = next(q for q in found.quantities if q.name == "travel_variation")
        verdicts.append(str(verdict(q.value, q.standard_uncertainty, limit, "guarded")))
    assert "nonconforming" not in verdicts


def test_mean_travel_is_called_by_the_standards_letters_with_and_without_compensation():
    plain = check(analyse(make_trace()), "mean_travel")
    assert plain.ok
    assert "is e0a" in plain.note
    found = analyse(make_trace(), travel_compensation_um=5.0)
    named = check(found, "mean_travel")
    assert "is esa" in named.note
    assert named.value == pytest.approx(values(found)["mean_travel_deviation"] + 5.0)


def test_limit_of_transport_screws_is_marked_as_disputed_and_the_stricter_one_is_taken():
    for grade in (7, 10):
        assert travel_limits(grade, 600.0).mean_um == pytest.approx(2.0 * TRAVEL_300_UM[grade])
        assert "sources give" in check(analyse(make_trace(), grade=grade), "disputed_limit").note
    assert "disputed_limit" not in {c.check for c in analyse(make_trace(), grade=5).quality}
