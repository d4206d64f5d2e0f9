"""What journal records become as Sparkplug metrics."""

from __future__ import annotations

import pytest
from records import body_of

from edgeagent.model.sparkplug import DataType
from edgeagent.rules.sparkplug.record_metrics import EVERY_DEVICE, NODE, metrics_of


def found(kind, **members):
    ((device, metrics),) = metrics_of(body_of(kind, members), 12, 5000)
    return device, {m.name: m for m in metrics}


def test_value_carries_unit_limits_uncertainty_and_quality():
    """payloads-propertyset-quality-value-type, payloads-propertyset-quality-value-value."""
    one = {"value": 1.0, "lower": None, "upper": 1.2, "expanded_uncertainty": 0.1, "unit": "um"}
    device, metrics = found("measurement", characteristics=[one], instrument="gauge/1")
    assert device == "gauge%2F1"
    value = metrics["Values/left-flank/roundness_total"]
    assert (value.datatype, value.value, value.at_ms) == (DataType.DOUBLE, 1.0, 5000)
    properties = {p.key: (p.datatype, p.value) for p in value.properties}
    assert properties == {
        "unit": (DataType.STRING, "um"),
        "verdict": (DataType.STRING, "conforming"),
        "lower": (DataType.DOUBLE, None),
        "upper": (DataType.DOUBLE, 1.2),
        "expanded_uncertainty": (DataType.DOUBLE, 0.1),
        "Quality": (DataType.INT32, 192),
    }
    assert metrics["Measurement/Record"].value == 12
    assert metrics["Measurement/Serial"].value == "1"
    assert metrics["Measurement/Measured at"].value == 1772444467000


def test_value_that_could_not_be_computed_is_null_and_of_bad_quality():
    _, metrics = found("measurement", characteristics=[{"value": None, "verdict": "inconclusive"}])
    value = metrics["Values/left-flank/roundness_total"]
    assert value.value is None
    assert {p.key: p.value for p in value.properties}["Quality"] == 0


def test_of_many_undulations_the_worst_stands_under_one_name():
    def wave(instance, value, upper, verdict):
        more = {"instance": instance, "value": value, "upper": upper, "verdict": verdict, "unit": "nm"}
        return {"name": "harmonic_amplitude", **more}

    waves = [
        wave("37", 20.0, 10.0, "nonconforming"),
        wave("74", 90.0, 9.0, "nonconforming"),
        wave("5", 900.0, 1.0, "conforming"),
    ]
    _, metrics = found("measurement", characteristics=waves)
    names = [n for n in metrics if n.startswith("Values/")]
    assert names == ["Values/left-flank/harmonic_amplitude"]
    value = metrics[names[0]]
    assert (value.value, {p.key: p.value for p in value.properties}["instance"]) == (90.0, "74")


def test_grooves_and_bands_have_names_of_their_own():
    pairs = [("contact_angle_left", "top[1]"), ("contact_angle_left", "top[2]"), ("band_rms", "2-15")]
    listed = [{"name": name, "instance": instance} for name, instance in pairs]
    _, metrics = found("measurement", characteristics=listed)
    assert [n for n in metrics if n.startswith("Values/")] == [
        f"Values/left-flank/{name}[{instance}]" for name, instance in pairs
    ]


def test_disposition_belongs_to_the_instrument_that_measured_last():
    source = {"feature": "f", "name": "a", "sha256": None}
    sources = [{**source, "instrument": "b", "seq": 9}, {**source, "instrument": "a", "seq": 3}]
    device, metrics = found("disposition", sources=sources, disposition="reject", reasons=["x", "y"])
    assert device == "b"
    texts = {n: m.value for n, m in metrics.items()}
    assert texts == {
        "Part/Part": "P",
        "Part/Serial": "1",
        "Part/Disposition": "reject",
        "Part/Reasons": "x; y",
        "Part/Record": 12,
    }


def test_disposition_without_any_source_says_nothing():
    assert metrics_of(body_of("disposition", {"sources": []}), 1, 1) == ()


def test_artefact_s_values_stand_in_its_verification():
    trace = {"artefact": "MW-03"}
    _, measured = found("measurement", trace=trace, characteristics=[{}])
    assert not [n for n in measured if n.startswith("Values/")]
    assert measured["Measurement/Artefact"].value == "MW-03"
    _, verified = found("verification", characteristics=[{}])
    assert "Values/MW-03/roundness_total" in verified
    assert verified["Verification/Outcome"].value == "passed"


@pytest.mark.parametrize(("kind", "what"), [("quarantine", "quarantine"), ("recovery", "x")])
def test_alarms_are_the_node_s_own(kind, what):
    device, metrics = found(kind)
    assert device is NODE
    assert metrics["Alarm/What"].value == what


def test_acknowledgement_concerns_every_device():
    assert found("acknowledgement")[0] == EVERY_DEVICE


@pytest.mark.parametrize("kind", ["start", "stop", "checkpoint", "configuration"])
def test_records_of_the_agent_s_own_say_nothing(kind):
    assert metrics_of(body_of(kind), 1, 1) == ()


def test_text_that_a_file_brought_along_is_bounded():
    _, metrics = found("recovery", reason="x" * 5000)
    assert len(metrics["Alarm/Reason"].value) == 300
