"""Sparkplug payloads: bytes that another decoder reads, and commands from anybody."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sparkplug_schema import compiled_schema
from sparkplug_wire import BYTES, read_payload, write_command, written

from edgeagent.codec.sparkplug.payload import PAYLOAD_BYTES_MAX, decode_payload, encode_payload
from edgeagent.codec.sparkplug.schema_bytes import SCHEMA
from edgeagent.model.sparkplug import DataType, Metric, MetricProperty, Payload


def test_schema_bytes_are_what_the_compiler_makes_of_the_schema():
    assert compiled_schema() == SCHEMA


def test_birth_reads_the_same_for_a_decoder_that_is_not_ours():
    properties = (
        MetricProperty("unit", DataType.STRING, "µm"),
        MetricProperty("lower", DataType.DOUBLE, None),
        MetricProperty("Quality", DataType.INT32, 192),
    )
    metrics = (
        Metric("Values/left-flank/roundness_total", DataType.DOUBLE, 0.1, 1000, True, properties),
        Metric("Lamp", DataType.INT32, -3, 1001),
        Metric("bdSeq", DataType.INT64, 255, 1002),
        Metric("Node Control/Rebirth", DataType.BOOLEAN, False, 1003),
        Metric("Faults", DataType.STRING, "", 1004),
        Metric("Measured at", DataType.DATETIME, 2**41, 1005),
        Metric("Empty", DataType.DOUBLE, None, 1006),
    )
    found = read_payload(encode_payload(Payload(metrics, 5000, 7, birth=True)))
    assert (found.timestamp, found.seq) == (5000, 7)
    assert [(m.name, m.datatype, m.timestamp) for m in found.metrics] == [
        (m.name, m.datatype, m.at_ms) for m in metrics
    ]
    assert [m.value for m in found.metrics] == [m.value for m in metrics]
    assert [m.value_field for m in found.metrics] == [13, 10, 11, 14, 15, 11, None]
    assert [m.is_null for m in found.metrics] == [None] * 6 + [True]
    assert found.metrics[0].is_historical
    assert found.metrics[0].properties == {"unit": "µm", "lower": None, "Quality": 192}
    assert found.metrics[0].property_types == {"unit": 12, "lower": 10, "Quality": 3}


def test_data_leaves_the_datatype_out():
    """tck-id-payloads-metric-datatype-not-req."""
    found = read_payload(encode_payload(Payload((Metric("Lamp", DataType.INT32, 1, 5),), 6, 0)))
    assert (found["Lamp"].datatype, found["Lamp"].value, found.seq) == (None, 1, 0)


@pytest.mark.parametrize(("value", "datatype"), [(True, 11), (412, 4), ("text", 12), (-1, 4)])
def test_command_of_a_host_is_read(value, datatype):
    found = decode_payload(write_command("Acknowledge", value, datatype=datatype))
    assert found is not None
    assert [(m.name, m.value) for m in found.metrics] == [("Acknowledge", value)]
    assert found.seq is None


@pytest.mark.parametrize(
    "data",
    [
        b"\xff" * 20,
        written(2, BYTES, b"\x0a\xff"),
        write_command("x", "y" * PAYLOAD_BYTES_MAX),
        write_command("x", True) * 101,
    ],
    ids=["rubbish", "torn", "long", "many"],
)
def test_what_is_no_command_is_none(data):
    assert decode_payload(data) is None


@given(st.binary(max_size=300))
def test_any_bytes_are_a_payload_or_none_and_never_an_exception(data):
    found = decode_payload(data)
    for metric in found.metrics if found is not None else ():
        assert isinstance(metric.name, str)
        assert metric.value is None or isinstance(metric.value, bool | int | float | str)


@given(st.integers(0, 5), st.binary(min_size=1, max_size=40))
def test_name_that_is_no_text_harms_nothing(number, name):
    metric = written(1, BYTES, name) + written(14, 0, number % 2)
    decode_payload(written(2, BYTES, metric))


@given(st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False), st.text())
def test_every_value_survives_for_another_decoder(whole, real, text):
    metrics = (
        Metric("whole", DataType.INT64, whole, 1),
        Metric("real", DataType.DOUBLE, real, 1),
        Metric("text", DataType.STRING, text, 1),
    )
    found = read_payload(encode_payload(Payload(metrics, 1, 1, birth=True)))
    assert [m.value for m in found.metrics] == [whole, real, text]
