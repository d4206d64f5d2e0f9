"""Command ``replay``: everything computed again from the archive and compared with the journal."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

import click

from edgeagent.codec.plain_text import clean, count_text
from edgeagent.codec.records.record import Record
from edgeagent.commands.replay_mark import ReplayMark
from edgeagent.commands.shared_options import ANY_CONFIG, JOBS, SEALED, ShareType, with_offset
from edgeagent.commands.shared_output import json_line
from edgeagent.commands.shared_progress import show_progress
from edgeagent.commands.shared_stores import (
    PARQUET,
    SCHEDULER,
    StationName,
    computing,
    month_of,
    partitioned,
    station_of,
    station_row,
)
from edgeagent.errors import UsageError
from edgeagent.judging.replaying.heard_messages import HeardMessages
from edgeagent.model.records import Measurement
from edgeagent.store.configuration import load_configuration, load_recipes
from edgeagent.store.replay import Range, replay_store
from edgeagent.store.replaying.outcomes import FileOutcome, ReplayReport
from edgeagent.store.replaying.places import StorePlace, journal_of

if TYPE_CHECKING:
    from edgeagent.store.export.partitioned import PartitionedRows


@click.command()
@ANY_CONFIG
@click.option("--store", "root", help="The store's folder or URL; no configuration is needed.")
@click.option(
    "--recipes",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Ask what these recipes would have decided; list the parts whose decision would change.",
)
@click.option("--since", type=click.DateTime(), help="Compute only files recorded from this time on (UTC).")
@click.option("--part", help="Compute only files of this part number or serial.")
@click.option("--sample", type=ShareType(), default=1.0, help="Compute only this share of the files, as 1%.")
@click.option(
    "--resume",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Note here how far it came, and go on from there; the file is made, and removed when all is done.",
)
@SEALED
@click.option(
    "--messages",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Messages recorded on the line, a JSON object a line with topic and payload: compare each.",
)
@JOBS
@SCHEDULER
@PARQUET
@click.option("--json", "as_json", is_flag=True, help="The whole outcome as one JSON object.")
def replay(
    config: Path | None,
    root: str | None,
    recipes: Path | None,
    since: datetime | None,
    part: str | None,
    sample: float,
    resume: Path | None,
    sealed: tuple[Path, ...],
    messages: Path | None,
    jobs: int | None,
    scheduler: str | None,
    parquet: Path | None,
    as_json: bool,
) -> None:
    """Compute archived sources again, derive all decisions anew, and compare with the journal.

    Files come out identical, within rounding, as another version of the program computes them, different, or
    with another verdict. Every disposition, hold, release and verification is derived again from the records
    before it, whichever files are chosen. Exit code 0 when nothing speaks of a change, else 1.

    \b
    Example:
      edgeagent replay --config config/agent.toml --sample 1%
    """
    if recipes is not None:
        share = None if sample == 1.0 else sample
        _refuse_chosen(since=since, part=part, sample=share, resume=resume, messages=messages, parquet=parquet)
    place = StorePlace.of(_root(config, root), sealed)
    with (
        journal_of(place) as store,
        computing(scheduler, jobs) as executor,
        partitioned(parquet, "replayed") as rows,
        _opened(messages) as recording,
    ):
        mark = ReplayMark(resume, store)
        table = _OutcomeRows(place, rows)

        def compared(record: Record, file: FileOutcome, found: ReplayReport) -> None:
            mark.note(record, found)
            table.add(record, file)

        report = replay_store(
            store,
            executor=executor,
            recipes=load_recipes(recipes) if recipes is not None else None,
            progress=show_progress,
            wanted=Range(since=with_offset(since), part=part, sample=sample, done=mark.done),
            heard=None if recording is None else HeardMessages(recording),
            place=place,
            compared=compared,
        )
    # Only when all of it was compared: an interruption leaves the note for the next call.
    mark.finish()
    lines = [json_line(dataclasses.asdict(report))] if as_json else _lines(report, asked=recipes is not None)
    for line in lines:
        click.echo(line)
    sys.exit(0 if report.agrees else 1)


def _refuse_chosen(**chosen: object) -> None:
    """Raise UsageError for options of a comparison: ``--recipes`` asks of every file, and compares nothing."""
    named = [f"--{name}" for name, value in chosen.items() if value is not None]
    # Not passed over: an exit code of 0 would read as if what was asked for had been looked at.
    if named:
        raise UsageError(f"--recipes asks of all files: it goes without {', '.join(named)}")


def _opened(path: Path | None) -> AbstractContextManager[BinaryIO | None]:
    try:
        return nullcontext() if path is None else path.open("rb")
    except OSError as error:
        raise UsageError(f"--messages {path}: {error.strerror}") from error


def _root(config: Path | None, root: str | None) -> str | Path:
    if (config is None) == (root is None):
        raise UsageError("say one of --config and --store")
    return root if root is not None else load_configuration(cast(Path, config)).store


class _OutcomeRows:
    """Outcomes as rows of a partitioned table, None for none."""

    def __init__(self, place: StorePlace, rows: PartitionedRows | None) -> None:
        self._rows = rows
        self._place = place
        # Read once for each configuration on record, not for each of its thousands of files.
        self._stations: dict[str | None, StationName] = {None: StationName()}

    def add(self, record: Record, file: FileOutcome) -> None:
        """One file."""
        body = record.body
        if self._rows is None or not isinstance(body, Measurement):
            return
        if file.agent_sha256 not in self._stations:
            found = station_of(self._place, str(file.agent_sha256))
            self._stations[file.agent_sha256] = found or StationName()
        station, trace = self._stations[file.agent_sha256], body.trace
        moment, month = month_of(trace.measured_at)
        outcome = "failed" if file.agreement is None else file.agreement.name.lower()
        now = None if file.now is None else file.now.disposition.value
        head = station_row(station, record.seq, moment, trace, body.instrument)
        row = (*head, outcome, body.disposition.value, now, body.source.name, body.source.sha256)
        self._rows.add(station.site, None if trace.of_artefact is not None else trace.of_part[0], month, row)


NOTHING_DIFFERS = "nothing differs"
_VERSION_DIFFERENCES_SHOWN = 10
"""Of what another version computed otherwise: one change of a formula touches every file alike."""
_ORPHANS_SHOWN = 5


def _lines(report: ReplayReport, *, asked: bool) -> Iterator[str]:
    """A replay's outcome: other verdicts first, then other values, then what the program's version explains."""
    for one in report.contradictions:
        yield f"record {one.seq}: {one.kind}: {clean(one.subject)}: {clean(one.what)}"
    for words, found in (
        ("another verdict: ", report.verdict_flips),
        ("", report.differences),
        ("missing: ", report.missing),
        ("unknown: ", report.unknown),
    ):
        for difference in found:
            yield f"record {difference.seq}: {words}{clean(difference.subject)}: {clean(difference.what)}"
    if asked:
        for flip in report.flips:
            why = f" ({clean(flip.reasons[0])})" if flip.reasons else ""
            yield f"{clean(flip.part)} {clean(flip.serial)}: {flip.was} would be {flip.would_be}{why}"
        changed = f"the decision of {count_text(len(report.flips), 'part')} would change"
        yield f"{count_text(report.files, 'file')} asked again: {changed if report.flips else NOTHING_DIFFERS}"
        return
    for difference in report.version_differences[:_VERSION_DIFFERENCES_SHOWN]:
        where = f"record {difference.seq}: by another version"
        yield f"{where}: {clean(difference.subject)}: {clean(difference.what)}"
    other = f", {report.other_software} of them recorded by another version" if report.other_software else ""
    counts = [f"{report.identical} identical"]
    counts += [f"{report.within_rounding} equal within rounding"] if report.within_rounding else []
    counts += [f"{report.by_version} as another version computed them"] if report.by_version else []
    yield (
        f"{count_text(report.files, 'file')} computed again{other}: {', '.join(counts)}; "
        f"{count_text(report.dispositions, 'disposition')} decided again: {_found(report)}"
    )
    yield from _remarks(report)


def _found(report: ReplayReport) -> str:
    verdicts = len(report.verdict_flips) + len(report.contradictions)
    if not verdicts and not report.differences:
        return NOTHING_DIFFERS
    return f"{count_text(verdicts, 'other verdict')}, {count_text(len(report.differences), 'difference')}"


def _remarks(report: ReplayReport) -> Iterator[str]:
    """What was left out, and what nobody asked for."""
    if report.messages or report.passed_over:
        over = f"; {count_text(report.passed_over, 'line')} passed over" if report.passed_over else ""
        yield f"{count_text(report.messages, 'message')} heard on the line compared with the records{over}"
    if report.skipped:
        yield f"{count_text(report.skipped, 'file')} not computed again, as asked: their records stood for them"
    if report.missing:
        yield f"{count_text(len(report.missing), 'content')} that records name are in no archive"
    if report.unknown:
        yield f"{count_text(len(report.unknown), 'content')} sealed before that went on record, and not at hand"
    if report.not_at_hand:
        yield f"{count_text(report.not_at_hand, 'file')} sealed away: their records stood for them"
    if report.sealed_away:
        yield f"{count_text(report.sealed_away, 'content')} lie in sealed files that are not at hand (--sealed)"
    if report.orphans:
        named = ", ".join(digest[:12] for digest in report.orphans[:_ORPHANS_SHOWN])
        more = " …" if len(report.orphans) > _ORPHANS_SHOWN else ""
        yield f"{count_text(len(report.orphans), 'content')} that no record names: {named}{more}"
