"""Sparkplug B payloads from their bytes alone, by the protobuf wire format, without protobuf and without ours.

Field numbers are those of the Sparkplug Specification 3.0.0, 6.4.1; wire types those of the protobuf encoding
(varint, 64 bit, length-delimited, 32 bit). `read_payload` also refuses what a strict receiver would: unknown
fields, more than one value, text that is not UTF-8. `write_command` makes what a host sends.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

VARINT, FIXED64, BYTES, FIXED32 = 0, 1, 2, 5
DOUBLE, FLOAT, BOOL, TEXT, INT = "double", "float", "bool", "text", "int"
METRIC_VALUES = {10: INT, 11: INT, 12: FLOAT, 13: DOUBLE, 14: BOOL, 15: TEXT}
PROPERTY_VALUES = {3: INT, 4: INT, 5: FLOAT, 6: DOUBLE, 7: BOOL, 8: TEXT}
WIRE = {INT: VARINT, BOOL: VARINT, DOUBLE: FIXED64, FLOAT: FIXED32, TEXT: BYTES}


@dataclass
class WireMetric:
    name: str | None = None
    timestamp: int | None = None
    datatype: int | None = None
    is_historical: bool | None = None
    is_null: bool | None = None
    value: Any = None
    value_field: int | None = None
    properties: dict[str, Any] = field(default_factory=dict)
    property_types: dict[str, int] = field(default_factory=dict)


@dataclass
class WirePayload:
    timestamp: int | None = None
    seq: int | None = None
    metrics: list[WireMetric] = field(default_factory=list)

    def __getitem__(self, name: str) -> WireMetric:
        (found,) = [m for m in self.metrics if m.name == name]
        return found

    @property
    def names(self) -> list[str | None]:
        return [m.name for m in self.metrics]


def varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not byte & 0x80:
            return value, at
        assert shift < 70, "a varint of more than ten bytes"


def fields(data: bytes) -> Iterator[tuple[int, int, Any]]:
    """Field number, wire type and value (bytes for length-delimited ones) of each field in turn."""
    at = 0
    while at < len(data):
        key, at = varint(data, at)
        number, wire = key >> 3, key & 7
        if wire == VARINT:
            value, at = varint(data, at)
        elif wire == BYTES:
            size, at = varint(data, at)
            assert at + size <= len(data), "a field longer than its message"
            value, at = data[at : at + size], at + size
        else:
            size = {FIXED64: 8, FIXED32: 4}[wire]
            value, at = data[at : at + size], at + size
        yield number, wire, value


def scalar(kind: str, wire: int, value: Any) -> Any:
    assert wire == WIRE[kind]
    if kind == TEXT:
        return value.decode("utf-8")
    if kind == BOOL:
        assert value in (0, 1)
        return bool(value)
    return value if kind == INT else struct.unpack("<d" if kind == DOUBLE else "<f", value)[0]


def signed(value: int, datatype: int | None) -> int:
    """Signed types (1 to 4: Int8 to Int64) travel as two's complement."""
    bits = {1: 8, 2: 16, 3: 32, 4: 64}.get(datatype or 0, 0)
    return value - 2**bits if bits and value >= 2 ** (bits - 1) else value


def read_property(data: bytes) -> tuple[int, Any]:
    kind, value, null = None, None, False
    for number, wire, found in fields(data):
        if number == 1:
            kind = scalar(INT, wire, found)
        elif number == 2:
            null = scalar(BOOL, wire, found)
        else:
            assert value is None, "two values of one property"
            value = scalar(PROPERTY_VALUES[number], wire, found)
    assert kind is not None
    assert (value is None) == null
    return kind, signed(value, kind) if type(value) is int else value


def read_metric(data: bytes) -> WireMetric:
    metric, keys, values = WireMetric(), [], []
    plain = {1: ("name", TEXT), 3: ("timestamp", INT), 4: ("datatype", INT)}
    plain |= {5: ("is_historical", BOOL), 7: ("is_null", BOOL)}
    for number, wire, found in fields(data):
        if number in plain:
            name, kind = plain[number]
            setattr(metric, name, scalar(kind, wire, found))
        elif number == 9:
            for inner, inner_wire, each in fields(found):
                assert inner_wire == BYTES
                assert inner in (1, 2)
                keys.append(each.decode()) if inner == 1 else values.append(read_property(each))
        else:
            assert metric.value_field is None, "two values of one metric"
            metric.value_field = number
            metric.value = scalar(METRIC_VALUES[number], wire, found)
    assert len(keys) == len(values), "tck-id-payloads-propertyset-keys-array-size"
    metric.properties = {key: value for key, (_, value) in zip(keys, values, strict=True)}
    metric.property_types = {key: kind for key, (kind, _) in zip(keys, values, strict=True)}
    if type(metric.value) is int:
        metric.value = signed(metric.value, metric.datatype)
    return metric


def read_payload(data: bytes) -> WirePayload:
    payload = WirePayload()
    for number, wire, found in fields(data):
        if number == 1:
            payload.timestamp = scalar(INT, wire, found)
        elif number == 3:
            payload.seq = scalar(INT, wire, found)
        else:
            assert (number, wire) == (2, BYTES), f"field {number} is not expected"
            payload.metrics.append(read_metric(found))
    return payload


def written(number: int, wire: int, value: int | bytes) -> bytes:
    def plain(rest: int) -> bytes:
        out = bytearray()
        while rest > 0x7F:
            out.append(rest & 0x7F | 0x80)
            rest >>= 7
        return bytes((*out, rest))

    key = plain(number << 3 | wire)
    if wire == BYTES:
        assert isinstance(value, bytes)
        return key + plain(len(value)) + value
    return key + (value if isinstance(value, bytes) else plain(value))


def write_command(name: str, value: bool | int | str, *, at_ms: int = 1, datatype: int | None = None) -> bytes:
    """A payload with one metric, as a host writes it: its time, no sequence number."""
    number, wire = (
        (14, VARINT) if isinstance(value, bool) else (15, BYTES) if isinstance(value, str) else (11, VARINT)
    )
    carried = value.encode() if isinstance(value, str) else int(value) % 2**64
    kind = written(4, VARINT, datatype) if datatype is not None else b""
    metric = written(1, BYTES, name.encode()) + kind + written(number, wire, carried)
    return written(1, VARINT, at_ms) + written(2, BYTES, metric)
