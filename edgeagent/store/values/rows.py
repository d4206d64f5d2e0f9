"""One measurement as a row of numbers, and rows as columns again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import msgspec
import numpy as np
import numpy.typing as npt

from edgeagent.codec.records.record import Record
from edgeagent.errors import JournalCorruptError
from edgeagent.judging.studies.series_names import HARMONICS, series_instance
from edgeagent.model import Verdict
from edgeagent.model.records import JudgedValue, Measurement, given

Floats = npt.NDArray[np.float64]
VERDICTS = (
    Verdict.CONFORMING,
    Verdict.CAUTION,
    Verdict.INCONCLUSIVE,
    Verdict.NONCONFORMING,
    Verdict.UNJUDGED,
)
"""A verdict's number in a row is its place here."""
_CODES = {verdict: code for code, verdict in enumerate(VERDICTS)}
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_WIDTH = 17
"""Bytes of a value in a row: value and expanded uncertainty as doubles, the verdict's number."""


class ValueForm(msgspec.Struct, frozen=True):
    """What the rows of one trace have in common: whose they are, and (name, instance, unit) of each value.

    ``subject`` is a part number, or an artefact where ``artefact`` is set. Of harmonics the first one alone is
    in a row, the worst of its trace, with an empty instance.
    """

    subject: str
    artefact: bool
    feature: str
    instrument: str
    values: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class ValueRow:
    """The values of one measurement.

    Times are microseconds since 1970 (UTC), ``measured_at`` as the trace says it. ``sound`` is False where the
    trace failed a quality check. ``read`` is False where the archive did not have the result: the row then
    holds the few values of the record itself. ``form``, ``limits`` (lower, upper, caution and lower caution of
    each value) and ``data`` are packed.
    """

    seq: int
    recorded_us: int
    measured_us: int
    measured_at: str
    serial: str
    operator: str
    sound: bool
    read: bool
    form: bytes
    limits: bytes
    data: bytes


@dataclass(frozen=True, slots=True)
class ValueColumns:
    """Rows of one form and one set of limits: ``value``, ``spread``, ``verdict`` are (rows, values).

    ``bounds`` is (values, 4): lower, upper, caution, lower caution. NaN stands for what there is not.
    """

    form: ValueForm
    bounds: Floats
    value: Floats
    spread: Floats
    verdict: npt.NDArray[np.uint8]


class _Judged(msgspec.Struct, frozen=True):
    """As much of an archived result as a row needs; the rest is skipped unread."""

    characteristics: tuple[JudgedValue, ...]


_DECODER = msgspec.json.Decoder(_Judged)
_FORM_DECODER = msgspec.msgpack.Decoder(ValueForm)


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970 (UTC) of a moment with offset."""
    return (moment - _EPOCH) // _MICROSECOND


def moment_of(us: int) -> datetime:
    """The moment of so many microseconds since 1970."""
    return _EPOCH + us * _MICROSECOND


def recorded_us(record: Record) -> int:
    """When a record was written. Raises JournalCorruptError."""
    try:
        return microseconds(datetime.fromisoformat(record.time))
    except ValueError as error:
        raise JournalCorruptError(f"record {record.seq}", 0, f"its time {record.time!r} is no time") from error


def row_of(record: Record, body: Measurement, fetch: Callable[[str], bytes]) -> ValueRow:
    """The row of a measurement; ``fetch`` gives the archive's content and raises JournalCorruptError."""
    read = True
    try:
        listed = _DECODER.decode(fetch(body.result_sha256)).characteristics
    except (JournalCorruptError, msgspec.DecodeError):
        listed, read = body.characteristics, False
    # Archived results list harmonics by their share of the limit: the first is the worst, the others stay in
    # the archive.
    first = next((c for c in listed if c.name == HARMONICS), None)
    kept = [c for c in listed if c.name != HARMONICS or c is first]
    trace, artefact = body.trace, body.trace.of_artefact
    form = ValueForm(
        artefact if artefact is not None else trace.of_part[0],
        artefact is not None,
        trace.feature,
        body.instrument,
        tuple((c.name, "" if c is first else series_instance(c.name, c.instance), c.unit) for c in kept),
    )
    bounds = [(c.lower, c.upper, c.caution, given(c.caution_lower, None)) for c in kept]
    numbers = [(c.value, c.expanded_uncertainty) for c in kept]
    return ValueRow(
        record.seq,
        recorded_us(record),
        microseconds(datetime.fromisoformat(trace.measured_at)),
        trace.measured_at,
        given(trace.serial, None) or "",
        given(trace.operator, ""),
        not body.quality_failed,
        read,
        msgspec.msgpack.encode(form),
        # Little-endian by name, so that a copied store reads the same on any machine; None becomes NaN.
        np.array(bounds, dtype="<f8").tobytes(),
        # Values, then uncertainties, then verdicts: each is one stretch of memory when rows are read as
        # columns.
        np.array(numbers, dtype="<f8").T.tobytes() + bytes(_CODES[c.verdict] for c in kept),
    )


def form_of(packed: bytes) -> ValueForm:
    """The form of a row. Raises ValueError for bytes that are none."""
    try:
        return _FORM_DECODER.decode(packed)
    except msgspec.MsgspecError as error:
        raise ValueError(f"no form of values: {error}") from error


def columns_of(form: ValueForm, limits: bytes, data: list[bytes]) -> ValueColumns:
    """Rows of one form and one set of limits as columns. Raises ValueError where their lengths do not fit."""
    many, rows = len(form.values), len(data)
    # Before numpy takes the bytes apart: a damaged row would give numbers of other values.
    if len(limits) != 32 * many or any(len(each) != _WIDTH * many for each in data):
        raise ValueError("a row of values does not fit its form")
    table = np.frombuffer(b"".join(data), dtype=np.uint8).reshape(rows, _WIDTH * many)
    numbers = np.ascontiguousarray(table[:, : 16 * many]).view("<f8").reshape(rows, 2, many)
    bounds = np.frombuffer(limits, dtype="<f8").reshape(many, 4)
    return ValueColumns(form, bounds, numbers[:, 0], numbers[:, 1], table[:, 16 * many :])
