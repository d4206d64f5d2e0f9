"""Sparkplug B payloads to bytes and back (Sparkplug Specification 3.0.0, section 6.4).

Built from the compiled schema with whatever protobuf is installed, so that no generated module has to match its
version. Signed integers travel as two's complement in unsigned fields (6.4.17).
"""

from __future__ import annotations

from typing import Any

from google.protobuf import descriptor_pool, message_factory
from google.protobuf.message import DecodeError

from edgeagent.codec.sparkplug.schema_bytes import SCHEMA
from edgeagent.model.sparkplug import DataType, Metric, MetricValue, Payload

PAYLOAD_BYTES_MAX = 4096
"""A longer command is refused before it is decoded."""
METRICS_MAX = 100
_INTS = {DataType.INT8: 8, DataType.INT16: 16, DataType.INT32: 32, DataType.INT64: 64}
_LONG = (DataType.INT64, DataType.UINT64, DataType.DATETIME)


def _message_class() -> Any:
    # A pool of our own: another user of the same schema in this process does not meet it.
    pool = descriptor_pool.DescriptorPool()
    pool.AddSerializedFile(SCHEMA)
    found = pool.FindMessageTypeByName("org.eclipse.tahu.protobuf.Payload")
    return message_factory.GetMessageClass(found)


_PAYLOAD: Any = _message_class()


def encode_payload(payload: Payload) -> bytes:
    """The protobuf bytes of a payload."""
    message = _PAYLOAD()
    if payload.at_ms is not None:
        message.timestamp = payload.at_ms
    if payload.seq is not None:
        message.seq = payload.seq
    for metric in payload.metrics:
        added = message.metrics.add(name=metric.name)
        # 0 stands for no time; a protobuf field that is set to 0 would be 1970.
        if metric.at_ms:
            added.timestamp = metric.at_ms
        # Data messages leave it out: the birth has said it, and each byte goes out with every value.
        if payload.birth and metric.datatype is not None:
            added.datatype = int(metric.datatype)
        if metric.historical:
            added.is_historical = True
        _set_value(added, metric.datatype, metric.value)
        for entry in metric.properties:
            added.properties.keys.append(entry.key)
            value = added.properties.values.add(type=int(entry.datatype))
            _set_value(value, entry.datatype, entry.value)
    return bytes(message.SerializeToString())


def _set_value(target: Any, datatype: DataType | None, value: MetricValue) -> None:
    if value is None:
        target.is_null = True
    # Before the numbers: True is an int.
    elif isinstance(value, bool):
        target.boolean_value = value
    elif isinstance(value, str):
        target.string_value = value
    elif datatype == DataType.FLOAT:
        target.float_value = value
    elif datatype == DataType.DOUBLE:
        target.double_value = value
    elif datatype in _LONG:
        # Two's complement in a field without sign.
        target.long_value = int(value) & (2**64 - 1)
    else:
        target.int_value = int(value) & (2**32 - 1)


def decode_payload(data: bytes) -> Payload | None:
    """The payload of a command; None for what is none, or is longer than a command may be."""
    if len(data) > PAYLOAD_BYTES_MAX:
        return None
    message = _PAYLOAD()
    try:
        message.ParseFromString(data)
    except (DecodeError, RecursionError):
        return None
    # A few kilobytes can hold thousands of empty metrics, each with work to do.
    if len(message.metrics) > METRICS_MAX:
        return None
    metrics = tuple(_metric(found) for found in message.metrics)
    return Payload(
        metrics,
        at_ms=message.timestamp if message.HasField("timestamp") else None,
        seq=message.seq if message.HasField("seq") else None,
    )


def _metric(found: Any) -> Metric:
    # A type of a later specification: the value is read by its field, without sign.
    known = found.datatype in DataType._value2member_map_
    datatype = DataType(found.datatype) if found.HasField("datatype") and known else None
    return Metric(found.name, datatype, _value(found, datatype), found.timestamp, found.is_historical)


def _value(found: Any, datatype: DataType | None) -> MetricValue:
    which = found.WhichOneof("value")
    if found.is_null or which is None:
        return None
    value: Any = getattr(found, which)
    if which in ("int_value", "long_value"):
        bits = _INTS.get(datatype, 0) if datatype is not None else 0
        return int(value) - 2**bits if bits and value >> (bits - 1) & 1 else int(value)
    return value if isinstance(value, bool | float | str) else None
