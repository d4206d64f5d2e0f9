"""Journal records as lines for a reader."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import msgspec
from msgspec import UNSET

from edgeagent.codec.plain_text import clean, count_text
from edgeagent.codec.records.record import Place, Record
from edgeagent.codec.records.result import encode
from edgeagent.model.records import (
    Acknowledgement,
    Adoption,
    AnyBody,
    Checkpoint,
    ConfigurationRead,
    Identity,
    Measurement,
    PartDisposition,
    PersonalAcknowledgement,
    Quarantine,
    Recovery,
    Release,
    ReleaseRefusal,
    Sealing,
    Start,
    Stop,
    Unknown,
    Verification,
    given,
    reasons_of,
)
from edgeagent.model.subject import subject_of
from edgeagent.rules.sentences import sentences
from edgeagent.store.index.lookup import records_for
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder

_FOLLOWED_MAX, _FOLLOW_EVERY_S = 500, 0.3
"""Records read at once; seconds between two looks, shorter than a person would notice."""

_DIFFERENCES_SHOWN = 5
"""Of what changed in the configuration: the line is for a reader, the record has all of it."""


@dataclass(frozen=True, slots=True)
class RecordFilter:
    """Which records are asked for; None takes all. ``since`` is included, ``until`` not; both with offset.

    A record that this version does not know is of no part: it is shown where no part or serial is asked for.
    """

    part: str | None = None
    serial: str | None = None
    kind: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def takes(self, record: Record) -> bool:
        """Whether a record fits."""
        part, serial = subject_of(record.body)
        if self.kind not in (None, record.kind) or self.part not in (None, part):
            return False
        if self.serial not in (None, serial):
            return False
        moment = datetime.fromisoformat(record.time)
        return (self.since is None or moment >= self.since) and (self.until is None or moment < self.until)


def record_lines(folder: Path, wanted: RecordFilter, *, as_json: bool = False) -> Iterator[str]:
    """Records that fit, one line each. Raises JournalCorruptError where the journal is damaged.

    Of a long journal, asked for by serial or time, only the records that can fit are read and checked.
    """
    for record in records_for(journal_folder(folder), wanted.serial, wanted.since, wanted.until):
        if wanted.takes(record):
            yield _json_line(record) if as_json else short_line(record)


def followed_lines(folder: Path, wanted: RecordFilter, *, as_json: bool = False) -> Iterator[str]:
    """The records that fit, and then those that come, as they are written; without end."""
    reader = JournalReader(journal_folder(folder))
    segments = reader.segments()
    # Taken before the look-up: what is written during it is then in one of the two, or in both.
    place = Place(segments[-1].name, _whole_bytes(segments[-1])) if segments else None
    seq = 0
    for record in records_for(reader.folder, wanted.serial, wanted.since, wanted.until):
        if wanted.takes(record):
            seq = record.seq
            yield _json_line(record) if as_json else short_line(record)
    while True:
        found = reader.read_from(place, _FOLLOWED_MAX)
        for record, _ in found:
            # What was in both is shown once.
            if record.seq > seq and wanted.takes(record):
                yield _json_line(record) if as_json else short_line(record)
        if found:
            place = found[-1][1]
        else:
            time.sleep(_FOLLOW_EVERY_S)


def _whole_bytes(segment: Path) -> int:
    """Where the last whole line of a segment ends."""
    return segment.read_bytes().rfind(b"\n") + 1


def _json_line(record: Record) -> str:
    """The record as it stands on disk, its body byte for byte."""
    members = {"seq": record.seq, "time": record.time, "kind": record.kind, "prev": record.prev}
    return encode({**members, "body": msgspec.Raw(record.raw), "hash": record.hash}).decode()


def short_line(record: Record) -> str:
    """A record in one line: number, time, kind and words."""
    return f"{record.seq:>7}  {record.time[:23]}Z  {record.kind:<15}  {clean(_words(record.body))}"


def _words(body: AnyBody) -> str:
    """One record in words, but for its number, time and kind."""
    match body:
        case Measurement() | PartDisposition() | Verification():
            return _decision_words(body)
        case Quarantine():
            return body.reason
        case Acknowledgement():
            return _acknowledgement_words(body)
        case Recovery():
            return f"{body.what}: {body.reason}"
        case Start():
            stated = f", {given(body.build, '')}" if given(body.build, "") else ""
            stated += f", uncertainty: {body.uncertainty}" if body.uncertainty else ""
            return f"boot {body.boot}, software {body.version}{stated}"
        case ConfigurationRead():
            counts = (body.recipes, "recipe"), (body.layouts, "layout"), (body.artefacts, "artefact")
            listed = f"{', '.join(count_text(*each) for each in counts)}, rule {body.rule}"
            return f"{listed}{_changed_words(body)}"
        case Adoption():
            return f"adopted by {body.who} ({body.user}): {body.why}"
        case Sealing():
            return (
                f"records {body.first} to {body.last}: {count_text(body.contents, 'content')} taken out into "
                f"{body.file}, root {body.root}"
            )
        case Identity():
            return body.what
        case Stop() | Checkpoint():
            return f"delivered up to {body.published}"
        case Unknown():
            return bytes(body.body).decode("utf-8", "replace")


def _changed_words(body: ConfigurationRead) -> str:
    """Which recipes are new or other than before, and who answers for that."""
    changed = given(body.changed, ())
    words = [
        f"{a.part} revision {a.revision}" + (f" approved by {a.by}: {a.reason}" if a.by else ", nobody named")
        for a in changed[:3]
    ]
    more = given(body.changed_count, 0) - len(words)
    said = f"; changed: {'; '.join(words)}" + (f"; and {more} more" if more > 0 else "") if words else ""
    differences = given(body.differences, ())
    rest = (
        f"; and {len(differences) - _DIFFERENCES_SHOWN} more" if len(differences) > _DIFFERENCES_SHOWN else ""
    )
    return f"{said}; {'; '.join(differences[:_DIFFERENCES_SHOWN])}{rest}" if differences else said


def _decision_words(body: Measurement | PartDisposition | Verification) -> str:
    reasons = sentences(reasons_of(body))
    match body:
        case Measurement(trace=trace):
            who = trace.of_artefact or " ".join(trace.of_part)
            what = f"{who} {trace.feature} from {body.source.name}: {body.disposition.value}"
        case PartDisposition():
            # In capitals: among its files' lines the part's own must catch the eye
            what = f"{body.part} {body.serial}: {body.disposition.value.upper()}"
            return f"{what}: {'; '.join(reasons[:2])}" if reasons else what
        case Verification():
            what = f"{body.instrument} with {body.artefact}: {body.outcome.value}"
    return f"{what}: {reasons[0]}" if reasons else what


def _acknowledgement_words(body: Acknowledgement) -> str:
    by = body.who
    if body.uid is not UNSET:
        by += f" (user {given(body.user, '') or body.uid})"
    match body:
        case Release():
            return f"release of record {body.seq} by {by}: {body.why}"
        case ReleaseRefusal(part=str() as part, serial=str() as serial):
            return f"release of {part} {serial} asked for by {by}, refused: {body.reason}"
        case ReleaseRefusal():
            return f"release asked for by {by}, refused: {body.reason}"
        case PersonalAcknowledgement():
            return f"record {body.seq} by {by}: {body.why}" + ("" if body.matched else " (nothing waited)")
    return f"record {body.seq} by {by}" + ("" if body.matched else " (nothing was latched)")
