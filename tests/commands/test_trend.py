"""The command that shows how characteristics behaved, on an invented store."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import pytest
from click.testing import CliRunner
from records import body_of

from edgeagent.cli import main
from edgeagent.codec.records.result import encode
from edgeagent.commands.trend import trend
from edgeagent.errors import AgentError
from edgeagent.judging.drift import Observation, SeriesKey
from edgeagent.judging.studies.trend import Series, trend_of
from edgeagent.store.archive import Archive
from edgeagent.store.clock import SystemClock
from edgeagent.store.journal import JournalWriter

# NIST/SEMATECH e-Handbook 6.3.2.2, as public test suites quote it
HANDBOOK = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def characteristic(name, value, instance="", unit="um", lower=None, upper=None):
    return {"name": name, "instance": instance, "value": value, "unit": unit, "lower": lower, "upper": upper}


class Store:
    def __init__(self, folder):
        self.folder = folder / "store"
        self.archive = Archive(self.folder / "archive")
        self.entries = []
        self.moment = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)

    def measure(self, *characteristics, failed=(), spectrum=None, instrument="gauge-1", **trace):
        result = {"schema": "edgeagent.result/1", "characteristics": characteristics, "spectrum": spectrum}
        self.moment += timedelta(hours=1)
        who = {"part": "KX-1", "serial": str(len(self.entries)), "feature": "left-flank", **trace}
        body = {
            "trace": {**who, "measured_at": self.moment.isoformat().replace("+00:00", "Z")},
            "instrument": instrument,
            "result_sha256": self.archive.put(encode(result)),
            "quality_failed": [{"check": f, "note": ""} for f in failed],
            "characteristics": [],
        }
        self.entries.append(body_of("measurement", body))

    def written(self):
        writer = JournalWriter(self.folder / "journal", SystemClock(), segment_bytes=10**7)
        writer.open(lambda *_: None)
        writer.append(self.entries)
        writer.close()
        return str(self.folder)


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path)


def run(*args):
    found = CliRunner().invoke(trend, args)
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found


def objects(*args):
    return [json.loads(line) for line in run(*args, "--json").stdout.splitlines()]


def shuffled(number, count):
    """Value ``number`` of ``count`` that are normal about 1.0 with sigma 0.02, in no order."""
    share = (number * 7 % count + 0.5) / count if count % 7 else (number * 11 % count + 0.5) / count
    return 1.0 + 0.02 * NormalDist().inv_cdf(share)


def test_series_of_the_handbook_is_charted_as_published(store):
    for value in HANDBOOK:
        store.measure(characteristic("roundness_total", value, lower=40.0, upper=60.0))
    (found,) = objects("--store", store.written())
    # NIST/SEMATECH e-Handbook 6.3.2.2
    assert found["individuals"]["upper"][0] == pytest.approx(55.80408983, abs=1e-8)
    assert found["individuals"]["lower"][0] == pytest.approx(45.81591017, abs=1e-8)
    assert found["baseline"]["centre"] == pytest.approx(50.81)
    assert [v["value"] for v in found["values"]] == HANDBOOK
    assert found["capability"]["if_normal"]["pp"] == pytest.approx(20 / 6 / 2.033852393, abs=1e-8)
    assert found["provisional"] is True


def test_text_shows_values_limits_signals_and_capability(store):
    for number in range(30):
        store.measure(characteristic("roundness_total", shuffled(number, 30), upper=1.5))
    store.measure(characteristic("roundness_total", 1.4, upper=1.5))
    text = run("--store", store.written(), "--characteristic", "roundness_total").stdout
    assert "roundness_total of KX-1 left-flank on gauge-1: 31 values" in text
    assert "individuals" in text
    assert "1 signal rising at value 31 (record 31)" in text
    assert "P indices    control not shown: individuals signals, first rising at value 31" in text
    assert "Ppk" in text
    assert "Cpk" not in text
    assert "X" in text
    assert text.count("o") > 31
    assert "provisional" not in text


def test_overview_names_each_series_once(store):
    for number in range(4):
        store.measure(
            characteristic("roundness_total", 1.0 + number), characteristic("tilt", 5.0, unit="um/turn")
        )
        store.measure(characteristic("roundness_total", 2.0 + number), instrument="gauge-2")
    lines = run("--store", store.written()).stdout.splitlines()
    assert len(lines) == 4
    assert lines[0].startswith("characteristic")
    assert any("gauge-2" in line for line in lines)
    assert any("all the same" in line for line in lines if line.startswith("tilt"))


def test_overview_tells_capability_and_what_signals_now(store):
    for number in range(40):
        worn = 0.0 if number < 30 else 0.5
        store.measure(
            characteristic("roundness_total", shuffled(number, 40), upper=1.12),
            characteristic("tilt", 1 + 0.02 * (number % 3) - worn, upper=5.0),
        )
    head, roundness, tilt = run("--store", store.written()).stdout.splitlines()
    assert "capability" in head
    # Cpk from its definition: forty values with mean 1.0 and standard deviation 0.0199
    assert "Cpk 2.0" in roundness.split("um")[1]
    assert "none" in roundness
    assert "no distribution fits" in tilt
    assert "individuals 10, falling now" in tilt


def test_series_that_was_constant_at_first_is_charted_from_where_it_is_not(store):
    for number in range(40):
        store.measure(characteristic("roundness_total", 1.0 if number < 30 else 1.0 + 0.1 * (number % 2)))
    (found,) = objects("--store", store.written())
    assert found["reason"] == ""
    assert found["baseline"]["count"] >= 32


def test_usual_series_is_judged_by_more_than_its_first_values(store):
    # Ten values that happen to lie close together, then usual ones with three times the spread
    for number in range(110):
        spread = 0.01 if number < 10 else 0.03
        store.measure(characteristic("roundness_total", 1 + spread * ((number * 7) % 5 - 2)))
    folder = store.written()
    (found,) = objects("--store", folder, "--minimum", "10")
    assert found["baseline"]["count"] == 100
    assert found["individuals"]["signals"] == []


def test_neighbours_that_agree_are_named(store):
    for number in range(40):
        store.measure(
            characteristic("roundness_total", 1 + 0.1 * math.sin(number / 4)),
            characteristic("tilt", 1 + 0.02 * (number % 3), upper=2.0),
        )
    folder = store.written()
    assert "neighbours agree" in run("--store", folder, "--characteristic", "roundness_total").stdout
    assert "neighbours agree" not in run("--store", folder, "--characteristic", "tilt").stdout


def test_harmonic_comes_from_the_spectrum_of_every_part(store):
    # A result lists a harmonic only where it is near its limit: here once, out of six
    for number in range(6):
        amplitudes = [100.0, 50.0 + number, None]
        spectrum = {"upr": [1, 2, 3], "amplitude_nm": amplitudes, "upper_nm": [None, 60.0, 60.0]}
        listed = [characteristic("harmonic_amplitude", 55.0, "2", "nm")] if number == 5 else []
        store.measure(*listed, spectrum=spectrum)
    folder = store.written()
    (found,) = objects("--store", folder, "--characteristic", "harmonic_amplitude[2]")
    assert [v["value"] for v in found["values"]] == [50.0, 51.0, 52.0, 53.0, 54.0, 55.0]
    assert found["upper"] == 60.0
    with pytest.raises(AgentError, match="no value"):
        run("--store", folder, "--characteristic", "harmonic_amplitude[3]")
    with pytest.raises(AgentError, match="say which one"):
        run("--store", folder, "--characteristic", "harmonic_amplitude")


def test_worst_spurious_wave_is_one_series_wherever_it_lies(store):
    for number in range(4):
        store.measure(
            characteristic("spurious_amplitude", 1.0 + number, str(100 + number), "nm"),
            part=None, artefact="MW-03", feature="wave",
        )  # fmt: skip
    (found,) = objects("--store", store.written(), "--part", "MW-03")
    assert (found["label"], len(found["values"]), found["artefact"]) == ("spurious_amplitude", 4, True)


def test_filters_and_failed_checks_leave_values_out(store):
    store.measure(characteristic("roundness_total", 1.0))
    store.measure(characteristic("roundness_total", 9.0), failed=("spikes",))
    store.measure(characteristic("roundness_total", 2.0), part="KX-2")
    store.measure(characteristic("roundness_total", 3.0))
    folder = store.written()
    (found,) = objects("--store", folder, "--part", "KX-1")
    assert [v["value"] for v in found["values"]] == [1.0, 3.0]
    (later,) = objects("--store", folder, "--since", "2026-03-02T10:00:00")
    assert [v["value"] for v in later["values"]] == [3.0]
    with pytest.raises(AgentError, match="no value"):
        run("--store", folder, "--instrument", "gauge-9")


def test_lost_results_are_counted_on_stderr(store):
    for value in (1.0, 2.0, 3.0):
        store.measure(characteristic("roundness_total", value))
    folder = store.written()
    store.archive.path_of(store.entries[1].result_sha256).unlink()
    found = run("--store", folder, "--json")
    assert "1 results could not be read" in found.stderr
    assert len(json.loads(found.stdout)["values"]) == 2


@pytest.mark.parametrize(("name", "magic"), [("p.png", b"\x89PNG"), ("p.svg", b"<?xml")])
def test_picture_is_drawn(store, tmp_path, name, magic):
    for number in range(30):
        store.measure(characteristic("roundness_total", 1 + 0.02 * (number % 3) + (number == 29)))
    path = tmp_path / name
    run("--store", store.written(), "--picture", str(path))
    assert path.read_bytes().startswith(magic)


def test_picture_of_too_many_series_is_refused(store, tmp_path):
    for value in (1.0, 2.0):
        store.measure(*(characteristic(f"c{i}", value) for i in range(9)))
    with pytest.raises(AgentError, match="8 series at most"):
        run("--store", store.written(), "--picture", str(tmp_path / "p.png"))


def test_configuration_names_store_and_watched_charts(store, tmp_path):
    for number in range(12):
        store.measure(characteristic("roundness_total", 1 + 0.02 * (number % 3) + (number == 11)))
    store.written()
    config = tmp_path / "agent.toml"
    config.write_text(
        '[station]\nsite = "a"\ncell = "b"\nname = "gauge-1"\n[drift]\nminimum = 8\n'
        '[[drift.watch]]\ncharacteristic = "roundness_total"\nchart = "individuals"\nside = "rising"\n'
    )
    text = run("--config", str(config), "--characteristic", "roundness_total").stdout
    assert "watched by individuals (rising): is rising" in text
    assert "11 values in control" in text


def test_store_and_configuration_exclude_each_other(tmp_path):
    with pytest.raises(AgentError, match="say one of"):
        run("--store", str(tmp_path), "--config", str(tmp_path))
    with pytest.raises(AgentError, match="no journal here") as caught:
        run("--store", str(tmp_path / "nothing"))
    assert caught.value.exit_code == 2


def test_help_has_an_example():
    assert "edgeagent trend --store" in run("--help").stdout


def series(*values, upper=3.0):
    key = SeriesKey("KX-1", False, "left-flank", "gauge-1", "roundness_total")
    found = [Observation(key, 0, "2026-03-02T09:41:07Z", "1", "", v, "um", None, upper) for v in values]
    return Series(key, tuple(found))


def test_capability_needs_a_limit_and_values_that_differ():
    some = tuple(1.0 + 0.01 * (n % 4) for n in range(10))
    assert trend_of(series(*some), 25).capability is not None
    assert trend_of(series(*some, upper=None), 25).capability is None
    assert trend_of(series(*(10 * [1.0])), 25).capability is None


def test_limits_of_the_newest_value_are_those_that_count():
    values = tuple(1.0 + 0.01 * (n % 4) for n in range(10))
    whole = series(*values)
    for changed, judged in ((0, True), (8, True), (9, False)):
        found = list(whole.found)
        found[changed] = replace(found[changed], upper=None)
        assert (trend_of(replace(whole, found=tuple(found)), 25).capability is not None) is judged
        for absurd in ({"upper": 1e200}, {"lower": -1e200}):
            found[changed] = replace(whole.found[changed], **absurd)
            assert (trend_of(replace(whole, found=tuple(found)), 25).baseline is not None) is judged


def test_few_values_have_no_capability():
    # two that lie close together by chance would have an index of a million
    for values in ((1.0, 1.0 + 1e-12), tuple(1.0 + 0.01 * n for n in range(9))):
        assert trend_of(series(*values), 25).capability is None


def skewed(count, seed=4):
    """Lognormal values, and the upper limit at which their true Cpk is 1.33 (percentiles in closed form)."""
    drawn = random.Random(seed)
    upper = 1 + 1.33 * (math.exp(0.5 * 2.99998) - 1)
    return tuple(drawn.lognormvariate(0.0, 0.5) for _ in range(count)), upper


def test_process_in_control_has_c_indices_and_any_other_p_indices():
    steady = tuple(shuffled(n, 40) for n in range(40))
    cases = {
        "no chart signals in 40 values": steady,
        "control is shown from 25 values on, these are 20": steady[:20],
        "individuals signals, first rising at value 41": (*steady, 1.2),
        "ewma signals": (*steady, *(v + 0.03 for v in steady[:15])),
        "neighbours agree": tuple(1 + 0.02 * math.sin(n / 3) + 0.002 * (n * 7 % 5) for n in range(40)),
    }
    for reason, values in cases.items():
        found = trend_of(series(*values, upper=1.3), 25).capability
        assert reason in found.reason
        assert found.in_control == reason.startswith("no chart")
        assert found.letter == ("C" if found.in_control else "P")


def test_json_and_text_name_the_indices_by_control(store):
    for number in range(40):
        store.measure(
            characteristic("roundness_total", shuffled(number, 40), lower=0.9, upper=1.1),
            characteristic("tilt", shuffled(number, 40) + 0.03 * (number >= 30), lower=0.9, upper=1.1),
        )
    folder = store.written()
    roundness, tilt = sorted(objects("--store", folder), key=lambda o: o["label"])
    assert (roundness["schema"], roundness["label"]) == ("edgeagent.trend/2", "roundness_total")
    for found, own, other in ((roundness, "c", "p"), (tilt, "p", "c")):
        capable = found["capability"]
        assert capable["index"] == own.upper()
        for where in (capable, capable["if_normal"]):
            assert where[own + "pk_bounds"][0] < where[own + "pk"] < where[own + "pk_bounds"][1]
            assert where[own + "p"] >= where[own + "pk"]
            assert [where[other + k] for k in ("p", "pk", "p_bounds", "pk_bounds")] == [None] * 4
    text = run("--store", folder, "--characteristic", "roundness_total").stdout
    assert "C indices    shown in control: no chart signals in 40 values" in text
    assert "Ppk" not in text
    assert "values pass as normal" in text


def test_skewed_values_are_judged_by_percentiles_and_the_normal_index_is_refused_beside_it(store):
    values, upper = skewed(120)
    for value in values:
        store.measure(characteristic("roundness_total", value, upper=upper))
    folder = store.written()
    (found,) = objects("--store", folder)
    capable = found["capability"]
    assert capable["passes_as_normal"] is False
    name = capable["index"].lower() + "pk"
    assert capable["percentiles"]["distribution"] == "lognormal"
    assert capable[name + "_bounds"][0] < 1.33 < capable[name + "_bounds"][1]
    assert capable["if_normal"][name + "_bounds"][0] > 1.33
    text = run("--store", folder, "--characteristic", "roundness_total").stdout
    assert "lognormal distribution" in text
    assert "the values are not normal (Shapiro-Wilk p < 0.001)" in text


def test_values_that_no_distribution_has_show_how_many_are_needed(store):
    for number in range(40):
        store.measure(
            characteristic("roundness_total", 1.0 + (number * 7 % 3 > 0) + 0.01 * (number % 5), upper=9.0)
        )
    folder = store.written()
    text = run("--store", folder, "--characteristic", "roundness_total").stdout
    assert "none: no distribution fits, and ranks alone need 3244 values" in text
    (found,) = objects("--store", folder)
    capable = found["capability"]
    assert capable["percentiles"] is None
    assert (capable["cpk"], capable["ppk"]) == (None, None)


def test_watched_chart_that_signals_takes_control_away(store, tmp_path):
    for number in range(40):
        store.measure(characteristic("roundness_total", shuffled(number, 40) + 0.01 * (number > 35), upper=1.3))
    store.written()
    config = tmp_path / "agent.toml"
    config.write_text(
        '[station]\nsite = "a"\ncell = "b"\nname = "gauge-1"\n[drift]\nminimum = 25\n'
        '[[drift.watch]]\ncharacteristic = "roundness_total"\nchart = "individuals"\nlimit_sigma = 0.1\n'
    )
    (found,) = objects("--config", str(config))
    assert "watched individuals is" in found["capability"]["reason"]
    assert found["capability"]["index"] == "P"


def test_picture_names_the_index(store, tmp_path):
    for number in range(40):
        store.measure(characteristic("roundness_total", shuffled(number, 40), upper=1.12))
    path = tmp_path / "p.svg"
    run("--store", store.written(), "--picture", str(path))
    # text of an SVG is drawn as outlines below a comment that says it
    assert "Cpk 2.0" in path.read_text(encoding="utf-8")


def spread_of(big, at):
    draw = random.Random(1)
    values = [draw.gauss(1.0, 0.1) for _ in range(40)]
    if at is None:
        return [big * (-1) ** n * draw.random() for n in range(40)]
    values[at] = big
    return values


@pytest.mark.parametrize("at", [0, 39, None])
@pytest.mark.parametrize("big", [1e300, -1e300, 1.7e308, 1e160, 5e-324, 1e-160])
def test_absurd_values_and_limits_never_end_the_command(store, big, at):
    """Doubles reach from 5e-324 to 1.8e308 (IEEE 754); their squares do not."""
    for value in spread_of(big, at):
        store.measure(characteristic("roundness_total", value, lower=-1e300 if at == 0 else None, upper=1.0))
    folder = store.written()
    for words in (["--characteristic", "roundness_total"], [], ["--json"]):
        found = CliRunner().invoke(trend, ["--store", folder, *words])
        assert found.exception is None
    reason = json.loads(found.stdout.splitlines()[0])["reason"]
    assert ("no quantity" in reason) == (abs(big) > 1e100 or at == 0)


def test_list_of_stores_that_is_no_text_is_named(tmp_path):
    (tmp_path / "stores.txt").write_bytes("é\n".encode("latin-1"))
    found = CliRunner().invoke(main, ["trend", "--stores", str(tmp_path / "stores.txt")])
    assert found.exit_code == 2
    assert found.stderr == f"edgeagent: --stores {tmp_path / 'stores.txt'}: is not UTF-8\n"
