"""Sparkplug B 3.0 as values: metrics and payloads, before they are bytes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class DataType(IntEnum):
    """The specification's data types (6.4.16) that this agent writes or reads."""

    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13
    TEXT = 14


MetricValue = bool | int | float | str | None


@dataclass(frozen=True, slots=True)
class MetricProperty:
    """One entry of a metric's property set; a value of None is null."""

    key: str
    datatype: DataType
    value: MetricValue


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric: ``at_ms`` is the time of its value in milliseconds since 1970 UTC, 0 for none.

    A value of None is null. ``historical`` values do not take the place of the present one at the receiver.
    ``datatype`` is None where a message does not say it (commands).
    """

    name: str
    datatype: DataType | None
    value: MetricValue
    at_ms: int
    historical: bool = False
    properties: tuple[MetricProperty, ...] = ()


@dataclass(frozen=True, slots=True)
class Payload:
    """What one message carries. ``seq`` and ``at_ms`` are None where the message must not or need not say them.

    ``birth`` messages name each metric's datatype, data messages need not.
    """

    metrics: tuple[Metric, ...]
    at_ms: int | None = None
    seq: int | None = None
    birth: bool = False
