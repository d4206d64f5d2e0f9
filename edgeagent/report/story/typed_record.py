"""Journal records whose body is of one kind, and the part that a record is about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeAlias, TypeVar

from edgeagent.codec.records.record import Record
from edgeagent.model.records import Body, Measurement, PartDisposition

B = TypeVar("B", bound=Body, covariant=True)
K = TypeVar("K", bound=Body)
PartKey: TypeAlias = tuple[str, str]
"""Part number and serial."""


@dataclass(frozen=True, slots=True)
class TypedRecord(Generic[B]):
    """A journal record of one kind."""

    seq: int
    time: str
    hash: str
    body: B


def typed_record(record: Record, body: K) -> TypedRecord[K]:
    """A record whose body was found to be of that kind."""
    return TypedRecord(record.seq, record.time, record.hash, body)


def part_of(record: Record) -> PartKey | None:
    """The part that a measurement or disposition is about; None for all other records."""
    match record.body:
        case Measurement() as body:
            return body.trace.of_part
        case PartDisposition() as body:
            return body.part, body.serial
    return None
