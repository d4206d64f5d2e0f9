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

    Exit code 0 when everything came out as recorded, else 1.

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
    sys.exit(1 if report.differences else 0)


def _lines(report: ReplayReport, *, asked: bool) -> Iterator[str]:
    """A replay's outcome, differences or flips first."""
    for difference in report.differences:
        yield f"record {difference.seq}: {clean(difference.subject)}: {clean(difference.what)}"
    if asked:
        for flip in report.flips:
            why = f" ({clean(flip.reasons[0])})" if flip.reasons else ""
            yield f"{clean(flip.part)} {clean(flip.serial)}: {flip.was} would be {flip.would_be}{why}"
        yield f"{report.files} files asked again: {len(report.flips)} parts flip"
        return
    other = f", {report.other_software} of them with other software" if report.other_software else ""
    yield (
        f"{report.files} files computed again{other}: {report.identical} identical, "
        f"{report.dispositions} dispositions decided again, {len(report.differences)} differences"
    )
