"""Command ``replay``: everything computed again from the archive and compared with the journal."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from edgeagent.codec.plain_text import clean
from edgeagent.commands.shared_options import CONFIG
from edgeagent.commands.shared_output import json_line, show_progress
from edgeagent.store.configuration import load_configuration, load_recipes
from edgeagent.store.replay import ReplayReport, replay_store


@click.command()
@CONFIG
@click.option(
    "--recipes",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Ask what the recipes of this folder would have decided, and list the parts that flip.",
)
@click.option("--json", "as_json", is_flag=True, help="The whole outcome as one JSON object.")
def replay(config: Path, recipes: Path | None, as_json: bool) -> None:
    """Compute all archived sources again and compare with the journal, value by value.

    Files come out identical, within rounding, as another version of the program computes them, different, or
    with another verdict. Exit code 0 for the first three, else 1.

    \b
    Example:
      edgeagent replay --config config/agent.toml
    """
    configuration = load_configuration(config)
    report = replay_store(
        configuration.store,
        set_timeout_s=configuration.settings.decision.set_timeout_s,
        recipes=load_recipes(recipes) if recipes is not None else None,
        progress=lambda records: show_progress(records, "records"),
    )
    lines = [json_line(dataclasses.asdict(report))] if as_json else _lines(report, asked=recipes is not None)
    for line in lines:
        click.echo(line)
    sys.exit(0 if report.agrees else 1)


_VERSION_DIFFERENCES_SHOWN = 10


def _lines(report: ReplayReport, *, asked: bool) -> Iterator[str]:
    """A replay's outcome: other verdicts first, then other values, then what the program's version explains."""
    for words, found in (("another verdict: ", report.verdict_flips), ("", report.differences)):
        for difference in found:
            yield f"record {difference.seq}: {words}{clean(difference.subject)}: {clean(difference.what)}"
    if asked:
        for flip in report.flips:
            why = f" ({clean(flip.reasons[0])})" if flip.reasons else ""
            yield f"{clean(flip.part)} {clean(flip.serial)}: {flip.was} would be {flip.would_be}{why}"
        yield f"{report.files} files asked again: {len(report.flips)} parts flip"
        return
    for difference in report.version_differences[:_VERSION_DIFFERENCES_SHOWN]:
        where = f"record {difference.seq}: by another version"
        yield f"{where}: {clean(difference.subject)}: {clean(difference.what)}"
    other = f", {report.other_software} of them recorded by another version" if report.other_software else ""
    counts = [f"{report.identical} identical"]
    counts += [f"{report.within_rounding} equal within rounding"] if report.within_rounding else []
    counts += [f"{report.by_version} as another version computed them"] if report.by_version else []
    yield (
        f"{report.files} files computed again{other}: {', '.join(counts)}; "
        f"{report.dispositions} dispositions decided again, {len(report.verdict_flips)} other verdicts, "
        f"{len(report.differences)} differences"
    )
