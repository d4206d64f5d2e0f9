"""Drift on record: which series begin to signal, once each, whatever happens in between. Invented values."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime

import pytest
from field import ROOT
from msgspec import UNSET
from records import body_of

from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import GENESIS, Record, encode_record
from edgeagent.codec.records.result import encode
from edgeagent.errors import ConfigError, JournalCorruptError
from edgeagent.judging.drift import DriftWatch, Observation, SeriesKey, applies, check_watched, drift_signal
from edgeagent.rules.control_charts import Baseline, ChartPlan, Monitor
from edgeagent.rules.line.outbox import messages

STATION = '[station]\nsite = "a"\ncell = "b"\nname = "gauge-1"\n'
INDIVIDUALS = 'characteristic = "roundness_total"\nchart = "individuals"'
USUAL = [1.00, 1.02, 0.98, 1.01, 0.99, 1.00, 1.02, 0.98]


def settings(watch, drift="minimum = 8"):
    text = f"{STATION}[drift]\n{drift}\n[[drift.watch]]\n{watch}\n"
    return parse_settings(text.encode(), "agent.toml").drift


class Results:
    """Archived results in memory, which notes what it was asked for."""

    def __init__(self):
        self.held, self.asked = {}, []

    def put(self, data):
        self.held[digest_of(data)] = data
        return digest_of(data)

    def get(self, digest):
        self.asked.append(digest)
        if digest not in self.held:
            raise JournalCorruptError("archive", 0, "missing")
        return self.held[digest]


class Journal:
    """Records of invented measurements and their results in memory."""

    def __init__(self):
        self.archive = Results()
        self.records: list[Record] = []

    def append(self, kind, body):
        head = self.records[-1].hash if self.records else GENESIS
        seq = len(self.records) + 1
        _, record = encode_record(seq, "2026-03-02T09:00:00.000000Z", head, body_of(kind, body))
        self.records.append(record)
        return record

    def measure(
        self, value, *, name="roundness_total", instance="", listed=True, failed=(), at="09:41", **trace
    ):
        c = {"name": name, "instance": instance, "value": value, "unit": "um", "lower": None, "upper": 1.5}
        digest = self.archive.put(encode({"characteristics": [c], "spectrum": {"upr": [1, 2, 3]}}))
        who = {"part": "KX-1", "serial": str(len(self.records)), "feature": "left-flank", **trace}
        return self.append(
            "measurement",
            {
                "trace": {**who, "measured_at": f"2026-03-02T{at}:00Z"},
                "instrument": trace.get("instrument", "gauge-1"),
                "result_sha256": digest,
                "quality_failed": [{"check": f} for f in failed],
                "characteristics": [c] if listed else [],
            },
        )


@pytest.fixture
def journal():
    return Journal()


def told(watch, records):
    """What is told while records come in one by one, as the service does it: number of the record and body."""
    found = []
    for record in records:
        watch.apply(record)
        for body in watch.unreported_signals():
            found.append((record.seq, body))
            _, telling = encode_record(10_000, record.time, GENESIS, body)
            watch.apply(telling)
    return found


def test_shift_is_told_once_while_it_lasts_and_again_after_it_was_gone(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    values = [*USUAL, 1.0, 1.5, 1.5, 1.0, 1.5]
    found = told(watch, [journal.measure(v) for v in values])
    assert [seq for seq, _ in found] == [10, 13]
    body = found[0][1]
    assert body.what == "drift"
    assert body.side == "rising"
    assert body.value == 1.5
    assert "roundness_total of KX-1 left-flank on gauge-1 is rising" in body.reason


def test_drift_becomes_an_alarm_message(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    ((_, body),) = told(watch, [journal.measure(v) for v in [*USUAL, 2.0]])
    (sent,) = messages(body, {"seq": 1}, now=0.0, live_s=60.0)
    assert (sent.topic, sent.payload["alarm"]) == ("alarm", "drift")
    assert sent.payload["part"] == "KX-1"
    assert "rising" in sent.payload["reason"]


@pytest.mark.parametrize("chart", ["ewma", "cusum"])
def test_creeping_value_is_told_before_it_reaches_its_limit(journal, chart):
    watch = DriftWatch(settings(f'characteristic = "roundness_total"\nchart = "{chart}"'), journal.archive.get)
    creeping = [1.0 + 0.005 * i for i in range(100)]
    found = told(watch, [journal.measure(v) for v in [*USUAL, *creeping]])
    assert len(found) == 1
    assert found[0][1].value < 1.1 < 1.5


def test_series_of_another_instrument_or_feature_are_kept_apart(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    records = []
    for value in USUAL:
        records.append(journal.measure(value))
        records.append(journal.measure(value + 3.0, instrument="gauge-2"))
        records.append(journal.measure(value + 6.0, feature="right-flank"))
    assert told(watch, records) == []
    ((_, body),) = told(watch, [journal.measure(1.0, instrument="gauge-2")])
    assert (body.instrument, body.side) == ("gauge-2", "falling")


def test_value_that_the_record_does_not_list_comes_from_the_archived_result(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    found = told(watch, [journal.measure(v, listed=False) for v in [*USUAL, 2.0]])
    assert len(found) == 1


def test_archive_is_asked_only_for_what_the_record_does_not_say(journal):
    few = settings('characteristic = "roundness_total"\nchart = "individuals"')
    told(DriftWatch(few, journal.archive.get), [journal.measure(1.0)])
    assert journal.archive.asked == []
    more = settings(
        'characteristic = "roundness_total"\n[[drift.watch]]\ncharacteristic = "harmonic_amplitude[2]"'
    )
    records = [journal.measure(1.0)]
    told(DriftWatch(more, journal.archive.get), records)
    assert journal.archive.asked == [records[0].body.result_sha256]


def test_result_that_the_archive_lost_leaves_its_value_out(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    records = [journal.measure(v, listed=False) for v in [*USUAL, 2.0]]
    del journal.archive.held[records[-1].body.result_sha256]
    assert told(watch, records) == []


def test_trace_that_failed_a_check_is_left_out(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    records = [journal.measure(v) for v in USUAL] + [journal.measure(9.0, failed=("spikes",))]
    assert told(watch, records) == []


def test_values_from_before_the_wanted_time_are_left_out(journal):
    drift = settings(
        'characteristic = "roundness_total"\nchart = "individuals"', "minimum = 8\nsince = 2026-03-02T09:30:00Z"
    )
    assert drift.since == datetime.fromisoformat("2026-03-02T09:30:00Z")
    watch = DriftWatch(drift, journal.archive.get)
    old = [journal.measure(5.0 + 0.1 * (i % 2), at="09:00") for i in range(20)]
    assert told(watch, [*old, *(journal.measure(v) for v in USUAL)]) == []
    assert len(told(watch, [journal.measure(2.0)])) == 1


@pytest.mark.parametrize(
    ("name", "instance", "asked"),
    [
        ("residual_noise", "{}", "residual_noise"),
        ("side_band_amplitude", "{}", "side_band_amplitude"),
        ("resonance_amplitude", "{}@1200", "resonance_amplitude[@1200]"),
        ("resonance_amplitude", "{}@1200", "resonance_amplitude"),
    ],
)
def test_worst_of_several_is_one_series_wherever_it_was_found(journal, name, instance, asked):
    watch = DriftWatch(settings(f'characteristic = "{asked}"\nchart = "individuals"'), journal.archive.get)
    records = [
        journal.measure(value, name=name, instance=instance.format(37 + number))
        for number, value in enumerate([*USUAL, 5.0])
    ]
    ((_, body),) = told(watch, records)
    assert body.values == 9
    assert body.characteristic == (f"{name}[@1200]" if "@" in instance else name)


def test_watch_of_its_own_since_begins_anew_alone(journal):
    watch = DriftWatch(
        settings(
            'characteristic = "roundness_total"\nchart = "individuals"\ninstrument = "gauge-1"\n'
            'since = 2026-03-02T09:30:00Z\n[[drift.watch]]\ncharacteristic = "roundness_total"\n'
            'chart = "individuals"'
        ),
        journal.archive.get,
    )
    records = []
    for value in USUAL:
        records.append(journal.measure(value, at="09:00"))
        records.append(journal.measure(value, at="09:00", instrument="gauge-2"))
    assert told(watch, records) == []
    later = [journal.measure(5.0, instrument=name) for name in ("gauge-1", "gauge-2")]
    assert [body.instrument for _, body in told(watch, later)] == ["gauge-2"]


def test_watch_of_one_part_is_fed_by_that_part_whatever_its_serial_and_by_no_other(journal):
    watch = DriftWatch(settings(f'part = "KX-1"\n{INDIVIDUALS}'), journal.archive.get)
    values = [*USUAL, 5.0]
    assert told(watch, [journal.measure(v, part="KX-2", serial="KX-1") for v in values]) == []
    ((_, body),) = told(watch, [journal.measure(v) for v in values])
    assert (body.part, body.values) == ("KX-1", 9)


def test_series_that_two_watches_fit_is_fed_once_by_the_first(journal):
    watch = DriftWatch(
        settings(
            'characteristic = "roundness_total"\nchart = "individuals"\nfeature = "left-flank"\n'
            'limit_sigma = 50\n[[drift.watch]]\ncharacteristic = "roundness_total"\nchart = "individuals"'
        ),
        journal.archive.get,
    )
    assert told(watch, [journal.measure(v) for v in [*USUAL, 1.3]]) == []
    right = [journal.measure(v, feature="right-flank") for v in [*USUAL, 1.3]]
    ((_, body),) = told(watch, right)
    assert (body.feature, body.values) == ("right-flank", 9)


def test_worn_tip_shows_as_falling_amplitude_at_high_upr_only(journal):
    watch = DriftWatch(
        settings('characteristic = "amplitude_error"\nupr_min = 100\nside = "falling"\nchart = "ewma"'),
        journal.archive.get,
    )
    records = []
    for step in range(40):
        for upr, wear in (("36", 0.0), ("180", 0.2)):
            error = USUAL[step % 8] - 1 - wear * max(0, step - 10)
            who = {"artefact": "MW-03", "part": None, "feature": "wave"}
            records.append(journal.measure(error, name="amplitude_error", instance=upr, **who))
    found = told(watch, records)
    assert [body.characteristic for _, body in found] == ["amplitude_error[180]"]
    assert "stylus tip" in found[0][1].reason
    assert found[0][1].artefact == "MW-03"


def test_harmonic_is_watched_by_the_spectrum_and_not_by_where_it_is_listed(journal):
    watch = DriftWatch(
        settings('characteristic = "harmonic_amplitude[2]"\nchart = "individuals"'), journal.archive.get
    )
    records = []
    for number, value in enumerate([*USUAL, 2.0]):
        record = journal.measure(90.0, name="harmonic_amplitude", instance="3")
        spectrum = {"upr": [1, 2], "amplitude_nm": [50.0, value], "upper_nm": [None, 60.0]}
        digest = journal.archive.put(encode({"characteristics": [], "spectrum": spectrum}))
        records.append(journal.append("measurement", {**json.loads(record.raw), "result_sha256": digest}))
        assert record.seq == 2 * number + 1
    ((_, body),) = told(watch, records)
    assert (body.characteristic, body.value) == ("harmonic_amplitude[2]", 2.0)


def test_signal_that_was_not_told_before_a_stop_is_told_after_it(journal):
    drift = settings('characteristic = "roundness_total"\nchart = "individuals"')
    records = [journal.measure(v) for v in [*USUAL, 2.0]]
    fresh = DriftWatch(drift, journal.archive.get)
    for record in records:
        fresh.apply(record)
    assert len(fresh.unreported_signals()) == 1
    _, told_record = encode_record(10_000, records[-1].time, GENESIS, fresh.unreported_signals()[0])
    again = DriftWatch(drift, journal.archive.get)
    for record in [*records, told_record, journal.measure(2.0)]:
        again.apply(record)
    assert again.unreported_signals() == []


def test_signal_that_passed_untold_is_not_told_any_more(journal):
    watch = DriftWatch(
        settings('characteristic = "roundness_total"\nchart = "individuals"'), journal.archive.get
    )
    for value in [*USUAL, 2.0, 1.0]:
        watch.apply(journal.measure(value))
    assert watch.unreported_signals() == []


def test_characteristic_that_does_not_exist_is_refused_with_its_neighbour():
    with pytest.raises(ConfigError, match="did you mean 'roundness_total'"):
        check_watched(settings('characteristic = "roundnes_total"'), "agent.toml")
    with pytest.raises(ConfigError, match="one harmonic makes a series"):
        check_watched(settings('characteristic = "harmonic_amplitude"'), "agent.toml")
    for right in ("en_number[36]", "harmonic_amplitude[37]", "contact_angle_left[top[1]]"):
        check_watched(settings(f'characteristic = "{right}"'), "agent.toml")


def test_part_or_artefact_that_nothing_is_known_of_is_refused():
    for key, complaint in (("part", "no recipe"), ("artefact", "no certificate")):
        watched = settings(f'characteristic = "roundness_total"\n{key} = "KX-1"')
        with pytest.raises(ConfigError, match=complaint) as caught:
            check_watched(watched, "agent.toml", {"HN-1"}, {"MW-03"})
        assert f"drift.watch[0].{key}" in str(caught.value)
        check_watched(watched, "agent.toml", {"KX-1"}, {"KX-1"})


@pytest.mark.parametrize(
    ("watch", "named"),
    [
        ('characteristic = "roundness_total"\nchart = "shewhart"', "chart"),
        ('characteristic = "roundness_total"\nweight = 1.5', "weight"),
        ('characteristic = "roundness_total"\nsigma = 0.1', "centre and sigma"),
        ('characteristic = "roundness_total"\nhead_start = 1.0', "head_start"),
        ('characteristic = "roundness_total"\npart = "A"\nartefact = "B"', "exclude"),
        ('chart = "ewma"', "characteristic"),
    ],
)
def test_wrong_watch_is_refused_by_its_key(watch, named):
    with pytest.raises(ConfigError, match=named):
        settings(watch)


def test_service_without_drift_loads_none_of_it():
    asked = (
        "import sys, edgeagent.service.loop; print([m for m in sys.modules if 'drift' in m or 'chart' in m])"
    )
    found = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, cwd=ROOT)
    assert found.stdout.strip() == "[]"


def test_service_tells_a_drift_once_over_a_restart(cell, circle_text):
    agent = cell.agent()
    with agent.config.open("a", encoding="utf-8") as file:
        file.write(
            '[drift]\nminimum = 4\n[[drift.watch]]\ncharacteristic = "roundness_total"\nchart = "individuals"\n'
        )
    agent.start(wait=False)
    for number, amplitude in enumerate([20.0, 40.0, 30.0, 50.0, 400.0]):
        agent.drop(f"{number}.txt", circle_text(str(number), amplitude, seed=number))
        agent.wait_event("measured", number + 1)
    agent.wait_event("drift")
    agent.restart(wait=False)
    agent.wait_event("started")
    agent.drop("last.txt", circle_text("9", 400.0, seed=9))
    agent.wait_event("measured")
    agent.terminate()
    drifts = [r["body"] for r in agent.records("recovery") if r["body"]["what"] == "drift"]
    assert [(d["characteristic"], d["side"], d["part"]) for d in drifts] == [
        ("roundness_total", "rising", "HN-1610-R")
    ]
    assert json.dumps(drifts)
    assert drifts[0]["measurement"] == agent.records("measurement")[4]["seq"]


def key(label="amplitude_error[36]", **changes):
    given = {"subject": "MW-03", "artefact": True, "feature": "waves", "instrument": "g", **changes}
    return SeriesKey(label=label, **given)


@pytest.mark.parametrize(
    ("watch", "label", "wanted"),
    [
        ('characteristic = "amplitude_error"\nupr_min = 100', "amplitude_error[100]", True),
        ('characteristic = "amplitude_error"\nupr_min = 100', "amplitude_error[99]", False),
        ('characteristic = "amplitude_error"\nupr_min = 100', "amplitude_error[coarse]", False),
        ('characteristic = "amplitude_error"\nupr_min = 100', "amplitude_error", False),
        ('characteristic = "amplitude_error"', "amplitude_error[36]", True),
        ('characteristic = "amplitude_error"', "amplitude_error", True),
        ('characteristic = "amplitude_error[36]"', "amplitude_error[36]", True),
        ('characteristic = "amplitude_error[36]"', "amplitude_error[37]", False),
        ('characteristic = "en_number"', "amplitude_error[36]", False),
    ],
)
def test_watch_asks_for_the_series_of_its_characteristic_and_range(watch, label, wanted):
    (watched,) = settings(watch).watch
    assert applies(watched, key(label)) is wanted


@pytest.mark.parametrize(
    ("label", "artefact", "signalling", "tip"),
    [
        ("amplitude_error[180]", True, "falling", True),
        ("amplitude_error[180]", True, "rising", False),
        ("amplitude_error[180]", False, "falling", False),
        ("en_number[180]", True, "falling", False),
    ],
)
def test_falling_amplitudes_of_an_artefact_point_to_the_stylus_tip_and_nothing_else_does(
    label, artefact, signalling, tip
):
    found = Observation(
        key(label, artefact=artefact), 7, "2026-03-02T09:41:07Z", "1", "", 1.0, "nm", None, None
    )
    state = Monitor(baseline=Baseline(2.0, 0.5, 25), count=40, statistic=1.0, limit=1.5, signalling=signalling)
    signal = drift_signal(found, state, ChartPlan(chart="ewma"))
    assert ("stylus tip" in signal.reason) is tip
    assert (signal.side, signal.chart, signal.measurement, signal.values) == (signalling, "ewma", 7, 40)
    assert (signal.part is UNSET, signal.artefact is UNSET) == (artefact, not artefact)
