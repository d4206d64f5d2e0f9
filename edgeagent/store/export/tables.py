"""Parts, values and checks as flat rows, for customers, courts and databases: columns, units, meanings.

One row a decision, one a value and one a quality check. Times are UTC. What a column means stands beside it and
goes out with the data.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

import msgspec

from edgeagent.codec.records.archived_result import ArchivedResult
from edgeagent.codec.records.record import Record
from edgeagent.model.records import Measurement, PartDisposition, given

# Only what every format can hold without loss: each form has one cell in CSV, one type in JSON and in Parquet.
Form = Literal["text", "integer", "number", "flag", "time"]
Row = tuple[Any, ...]
"""One value a column: str, int, float, bool, an aware datetime in UTC, or None for nothing."""


@dataclass(frozen=True, slots=True)
class ExportColumn:
    """A column: ``unit`` is empty for what has none, or where another column states it row by row."""

    name: str
    form: Form
    meaning: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class ExportedTable:
    """A table by its name, and its columns in order."""

    name: str
    meaning: str
    columns: tuple[ExportColumn, ...]


# First in every table and under the same name: the way back to the journal, and the key that joins the tables.
_RECORD = (
    ExportColumn("record", "integer", "number of the journal record that says it"),
    ExportColumn("time", "time", "when that record was written"),
)
_TRACE = (
    ExportColumn("part", "text", "part number; empty for a reference artefact"),
    ExportColumn("serial", "text", "serial number; empty for a reference artefact"),
    ExportColumn("artefact", "text", "identity of the reference artefact; empty for a part"),
    ExportColumn("feature", "text", "which trace of the part"),
    ExportColumn("kind", "text", "kind of trace"),
    ExportColumn("instrument", "text", "measuring instrument"),
    # Beside the record's time: hours lie between the two where files waited for the agent.
    ExportColumn("measured_at", "time", "when it was measured, as the trace says"),
)

PARTS = ExportedTable(
    "parts",
    "one row a decision on a part; of a part that was decided again the greatest record holds",
    (
        *_RECORD,
        # Without `_TRACE`: a decision may rest on several traces, which `measurements` names.
        ExportColumn("part", "text", "part number"),
        ExportColumn("serial", "text", "serial number"),
        ExportColumn("disposition", "text", "accept, reject or hold"),
        ExportColumn("reasons", "text", "why, in words, separated by '; '"),
        ExportColumn("gate", "text", "why the closed gate holds it; empty where it does not"),
        ExportColumn("withdrawn", "text", "why an acceptance was taken back; empty where it was not"),
        ExportColumn("replaces", "integer", "record of the decision that this one takes the place of"),
        ExportColumn("remeasured", "text", "features that were measured again, separated by '; '"),
        ExportColumn("missing", "text", "features that were not measured in time, separated by '; '"),
        ExportColumn("features", "text", "features decided on, separated by '; '"),
        ExportColumn("measurements", "text", "records of their measurements, separated by '; '"),
        ExportColumn("settled_at", "time", "when the last of their files was complete"),
        ExportColumn("decided_after", "number", "from then until the record was written", "s"),
    ),
)
VALUES = ExportedTable(
    "values",
    "one row a characteristic of each measurement, with its limits and its uncertainty",
    (
        *_RECORD,
        *_TRACE,
        # One row a value, not one column a characteristic: a new kind of trace must change nobody's schema.
        ExportColumn("characteristic", "text", "name of the characteristic"),
        ExportColumn(
            "instance", "text", "which one of its kind: order, groove, band; empty where there is only one"
        ),
        ExportColumn(
            "value", "number", "the value, in the unit of its row; empty where it could not be computed"
        ),
        # By the row, since micrometres, degrees and counts stand in the same column.
        ExportColumn("unit", "text", "unit of value, uncertainty and limits"),
        ExportColumn(
            "expanded_uncertainty", "number", "expanded uncertainty, coverage factor 2; empty where not known"
        ),
        ExportColumn("lower", "number", "lower limit; empty where there is none"),
        ExportColumn("upper", "number", "upper limit; empty where there is none"),
        ExportColumn(
            "caution", "number", "from here on a value is cautioned; empty where that is not asked for"
        ),
        ExportColumn("caution_lower", "number", "below here a value is cautioned; empty where one bound does"),
        ExportColumn("verdict", "text", "conforming, caution, inconclusive, nonconforming or unjudged"),
        ExportColumn(
            "conformance_probability",
            "number",
            "probability that the limits are met; empty where not known",
            "1",
        ),
        ExportColumn("disposition", "text", "disposition of the whole trace"),
        # Repeated in every row: a single row taken out of the table still says by what it was judged.
        ExportColumn("rule", "text", "decision rule"),
        ExportColumn("recipe_revision", "text", "revision of the recipe"),
        ExportColumn("recipe_sha256", "text", "SHA-256 of the recipe"),
        ExportColumn("software", "text", "version of the program that computed it"),
        ExportColumn("values_version", "integer", "version of what the values mean"),
        ExportColumn("source", "text", "name of the file"),
        ExportColumn("source_sha256", "text", "SHA-256 of the file"),
        ExportColumn("result_sha256", "text", "SHA-256 of the archived result"),
    ),
)
CHECKS = ExportedTable(
    "checks",
    "one row a quality check of each measurement",
    (
        *_RECORD,
        *_TRACE,
        ExportColumn("check", "text", "name of the check"),
        ExportColumn("ok", "flag", "whether it passed"),
        ExportColumn("value", "number", "what was found, in the unit of its row"),
        ExportColumn("allowed", "number", "what is allowed, in the unit of its row"),
        ExportColumn("unit", "text", "unit of value and allowed; empty where they are counts or nothing"),
        ExportColumn("note", "text", "what it says"),
    ),
)
TABLES = (PARTS, VALUES, CHECKS)


def part_row(record: Record, body: PartDisposition) -> Row:
    """The row of a part's decision."""
    written = utc(record.time)
    return (
        record.seq,
        written,
        body.part,
        body.serial,
        body.disposition.value,
        # The sentences as they were shown then: made anew from their codes they could read otherwise.
        _join(body.reasons),
        given(body.gate, None),
        given(body.withdrawn, None),
        given(body.replaces, None),
        _join(given(body.remeasured, ())),
        _join(body.missing),
        # Both in the order of the sources: the n-th feature is that of the n-th measurement.
        _join([source.feature for source in body.sources]),
        _join([str(source.seq) for source in body.sources]),
        datetime.fromtimestamp(body.settled_at, UTC),
        # Both times have microseconds; the digits behind them come from the difference of two large numbers.
        round(written.timestamp() - body.settled_at, 6),
    )


def value_rows(record: Record, body: Measurement, result: ArchivedResult) -> Iterator[Row]:
    """The rows of a measurement's characteristics, all of them, as the archived result holds them."""
    head = _head(record, body)
    recipe = body.recipe
    tail = (
        body.disposition.value,
        body.rule,
        # A trace without a recipe is measured and held all the same.
        None if recipe is None else recipe.revision,
        None if recipe is None else recipe.sha256,
        body.software.version,
        # Records that state no version of the values are from before there was a second one.
        given(body.software.values, 1),
        body.source.name,
        body.source.sha256,
        body.result_sha256,
    )
    # Not those of the record, whose size is bounded: it holds the twelve that matter most.
    for one in result.characteristics:
        yield (
            *head,
            one.name,
            one.instance,
            one.value,
            one.unit,
            one.expanded_uncertainty,
            one.lower,
            one.upper,
            one.caution,
            given(one.caution_lower, None),
            one.verdict.value,
            given(one.conformance_probability, None),
            *tail,
        )


def check_rows(record: Record, body: Measurement, result: ArchivedResult) -> Iterator[Row]:
    """The rows of a measurement's quality checks."""
    head = _head(record, body)
    for check in result.quality:
        yield (*head, check.check, check.ok, check.value, check.allowed, check.unit, check.note)


def _head(record: Record, body: Measurement) -> Row:
    trace = body.trace
    return (
        record.seq,
        utc(record.time),
        given(trace.part, None),
        given(trace.serial, None),
        trace.of_artefact,
        trace.feature,
        trace.kind,
        body.instrument,
        utc(trace.measured_at),
    )


def utc(moment: str) -> datetime:
    """An RFC 3339 time in UTC."""
    # Records without an offset are refused at reading: here they would be taken for the machine's local time.
    return datetime.fromisoformat(moment).astimezone(UTC)


def _join(texts: Sequence[str]) -> str | None:
    # Nothing rather than an empty text: databases tell the two apart, and a CSV cell could not.
    return "; ".join(texts) or None


def describe_tables(tables: Sequence[ExportedTable] = TABLES) -> list[dict[str, Any]]:
    """The tables as JSON values: what they and their columns mean."""
    found: list[dict[str, Any]] = msgspec.to_builtins(list(tables))
    return found
