"""Command ``whatif``: what other limits, another rule or other uncertainties would have decided."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from edgeagent.codec.plain_text import clean, count_text
from edgeagent.codec.spreadsheet import csv_line
from edgeagent.commands.shared_options import CONFIG, JOBS, SEALED, with_offset
from edgeagent.commands.shared_output import json_line, refuse_existing, write_new
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import UsageError
from edgeagent.judging.agreement import Agreement
from edgeagent.judging.asking.parts import PartFlip
from edgeagent.rules.sentences import sentences
from edgeagent.store.configuration import load_configuration, load_recipes
from edgeagent.store.replaying.computing_process import collect_seldom
from edgeagent.store.replaying.executors import LocalExecutor
from edgeagent.store.replaying.judged import Question
from edgeagent.store.replaying.places import StorePlace, journal_of
from edgeagent.store.replaying.what_if import SAMPLE_FILES, WhatIfReport, question_of, what_if

SCHEMA = "edgeagent.whatif/1"
_FLIPS_SHOWN = 20
"""Parts on the terminal: the whole list is for a table (--out)."""
_COLUMNS = ("part", "serial", "was", "would_be", "reasons", "measurements")


@click.command()
@CONFIG
@click.option(
    "--recipes",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Judge by the recipes of this folder; rule and uncertainties stay as they were for each file.",
)
@click.option(
    "--to",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Judge by this agent.toml with the folders beside it: recipes, rule, uncertainties.",
)
@click.option("--since", type=click.DateTime(), help="Only parts with a file recorded from this time on (UTC).")
@click.option("--part", help="Only files of this part number or serial.")
@click.option(
    "--check",
    type=click.IntRange(0),
    default=SAMPLE_FILES,
    show_default=True,
    help="Files that are drawn by chance and also computed in full, to compare.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="List the parts whose decision would change (CSV).",
)
@click.option(
    "--side",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep cached results here instead of cache/judging in the store; they may be deleted at any time.",
)
@SEALED
@JOBS
@click.option("--json", "as_json", is_flag=True, help="The whole outcome as one JSON object.")
def whatif(
    config: Path, recipes: Path | None, to: Path | None, since: datetime | None, part: str | None, check: int,
    out: Path | None, side: Path | None, sealed: tuple[Path, ...], jobs: int | None, as_json: bool,
) -> None:  # fmt: skip
    """Say what other limits, another rule or other uncertainties would have made of files and parts on record.

    Files are judged from their archived results; those that would be analysed in another way are computed in
    full, and counted. Parts are decided again from all of their files; what the gate held stays held. A sample
    is computed in full each time and must come out the same. Exit code 1 where it does not, or where a file
    could not be judged.

    \b
    Example:
      edgeagent whatif --config config/agent.toml --recipes drafts --out flips.csv
    """
    if (recipes is None) == (to is None):
        raise UsageError("say one of --recipes and --to")
    # Before an hour of work, not behind it.
    refuse_existing(out)
    store = load_configuration(config).store
    whole = load_configuration(to) if to is not None else None
    question = Question(load_recipes(recipes)) if recipes is not None else None
    if question is None:
        assert whole is not None
        question = question_of(whole)
    collect_seldom()
    with journal_of(StorePlace.of(store)) as folder, LocalExecutor(jobs) as executor:
        report = what_if(
            folder,
            question,
            whole=whole,
            executor=executor,
            progress=show_progress,
            since=with_offset(since),
            part=part,
            sample=check,
            # In the store, since it is about its files; deleted, it only costs the reading again.
            side=side or store / "cache" / "judging",
            sealed=sealed,
        )
    if out is not None:
        write_new(out, "".join(map(csv_line, (_COLUMNS, *map(_row, report.flips)))))
    for line in [json_line(_as_object(report))] if as_json else _lines(report, out):
        click.echo(line)
    sys.exit(0 if report.holds else 1)


def _row(flip: PartFlip) -> tuple[str, ...]:
    reasons, seqs = "; ".join(sentences(flip.reasons)), "; ".join(map(str, flip.measured))
    return flip.part, flip.serial, flip.was.value, flip.would_be.value, reasons, seqs


def _lines(report: WhatIfReport, out: Path | None) -> Iterator[str]:
    """The outcome for a terminal: what could not be judged first, then parts, then how it was found."""
    for one in report.failures:
        yield f"record {one.seq}: {clean(one.subject)}: not judged: {clean(one.what)}"
    if report.failed:
        yield (
            f"{count_text(report.failed, 'file')} could not be judged: nothing is said of "
            f"{count_text(report.unknown, 'part')}"
        )
    for flip in report.flips[:_FLIPS_SHOWN]:
        found = sentences(flip.reasons[:1])
        why = f" ({clean(found[0])})" if found else ""
        yield f"{clean(flip.part)} {clean(flip.serial)}: {flip.was} would be {flip.would_be}{why}"
    more = len(report.flips) - _FLIPS_SHOWN
    if more > 0:
        yield f"and {count_text(more, 'part')} more" + ("; --out FILE lists all" if out is None else "")
    total = sum(report.parts.values())
    for (was, would_be), count in sorted(report.parts.items()):
        if was != would_be:
            yield f"{was} -> {would_be}: {count_text(count, 'part')}"
    yield f"{len(report.flips)} of {count_text(total, 'part')} would have been decided otherwise"
    yield (
        f"{count_text(report.files, 'file')}: {report.from_results} judged from archived results, "
        f"{sum(report.in_full.values())} computed in full"
    )
    for why, count in report.in_full.most_common():
        yield f"  {count} because {clean(why)}"
    yield from _sample_lines(report)
    if not report.kept:
        yield "cached results cannot be written: archived results were read anew; --side names another folder"
    if out is not None:
        yield f"{count_text(len(report.flips), 'part')} listed in {out}"


def _sample_lines(report: WhatIfReport) -> Iterator[str]:
    """What the comparison with full computations showed."""
    count, by_version = len(report.sample), 0
    for one in report.sample:
        by_version += one.agreement == Agreement.OTHER_PROGRAM
    for one in report.unlike:
        unlike = clean("; ".join(one.differences))
        yield f"record {one.seq}: {clean(one.name)}: otherwise when computed in full: {unlike}"
    same = count - by_version - len(report.unlike)
    if count:
        other = f", {by_version} as another version of the program computes them" if by_version else ""
        yield f"{same} of {count_text(count, 'file')} drawn by chance come out the same in full{other}"
    # One file drawn by chance that differs stands for all that were not drawn.
    if report.unlike:
        yield "do not rely on this answer: `edgeagent replay --recipes` computes every file in full"


def _as_object(report: WhatIfReport) -> dict[str, Any]:
    """The outcome as JSON values."""
    return {
        "schema": SCHEMA,
        "files": report.files,
        "from_results": report.from_results,
        "in_full": dict(report.in_full),
        "failed": report.failed,
        "failures": [{"seq": f.seq, "subject": f.subject, "what": f.what} for f in report.failures],
        "unknown_parts": report.unknown,
        "parts": [
            {"was": was.value, "would_be": now.value, "count": count}
            for (was, now), count in sorted(report.parts.items())
        ],
        "flips": [dict(zip(_COLUMNS, _row(f), strict=True)) for f in report.flips],
        "sample": [
            {
                "seq": s.seq,
                "name": s.name,
                "agreement": s.agreement.name.lower(),
                "differences": list(s.differences),
            }
            for s in report.sample
        ],
        "holds": report.holds,
    }
