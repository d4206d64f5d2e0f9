"""Which part a record is about."""

from __future__ import annotations

from edgeagent.model.records import (
    AnyBody,
    DriftSignal,
    Measurement,
    PartDisposition,
    Release,
    ReleaseRefusal,
    given,
)


def subject_of(body: AnyBody) -> tuple[str | None, str | None]:
    """Part number and serial that a record is about, each None where it names none."""
    match body:
        case Measurement():
            return given(body.trace.part, None), given(body.trace.serial, None)
        case PartDisposition() | Release():
            return body.part, body.serial
        case ReleaseRefusal():
            return given(body.part, None), given(body.serial, None)
        case DriftSignal():
            # A series is of all parts of a number, of no single serial.
            return given(body.part, None), None
    return None, None
