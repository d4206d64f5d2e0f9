"""Command ``report``: one self-contained page on a part, a file or a period."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from edgeagent.commands.shared_options import STORE
from edgeagent.commands.shared_output import json_line
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import UsageError
from edgeagent.report import write
from edgeagent.report.printing import print_pdf
from edgeagent.report.words import printable
from edgeagent.store.configuration import load_configuration


@click.command()
@STORE
@click.option(
    "--config", type=click.Path(path_type=Path), help="The station's agent.toml, which names the store."
)
@click.option("--serial", help="A page on the part with this serial.")
@click.option("--part", help="Its part number, where several have this serial.")
@click.option("--file", "file", help="A page on one file, by the name that intake gave it.")
@click.option(
    "--since",
    type=click.DateTime(),
    metavar="TIME",
    help="A page on the period from this time on, such as 2026-03-02 or 2026-03-02T06:00:00 (UTC).",
)
@click.option(
    "--until", type=click.DateTime(), metavar="TIME", help="The period's end (UTC); the last record by default."
)
@click.option(
    "--part-pages",
    type=click.IntRange(0),
    default=5,
    show_default=True,
    help="How many parts of a period get pages, half a second each: rejected and held ones first.",
)
@click.option("--out", type=click.Path(path_type=Path), help="The page's path; report-….html here by default.")
@click.option(
    "--zone",
    metavar="NAME",
    help="Time zone beside UTC, such as Europe/Berlin; by default the station's, else this computer's.",
)
@click.option("--pdf", is_flag=True, help="Also print the page to A4 beside it, as .pdf; needs Chromium.")
@click.option("--json", "as_json", is_flag=True, help="The page's path and size as one JSON object.")
def report(
    store: Path | None,
    config: Path | None,
    serial: str | None,
    part: str | None,
    file: str | None,
    since: datetime | None,
    until: datetime | None,
    part_pages: int,
    out: Path | None,
    zone: str | None,
    pdf: bool,
    as_json: bool,
) -> None:
    """Write a self-contained HTML report of a part, a file or a period, and print its path.

    A period's page comes with a folder of pages on its parts. Needs the extra "report".

    \b
    Example:
      edgeagent report --store store --serial 000412
    """
    folder = _store(store, config)
    # Not by truth: an empty serial is one that was asked for, and is to be refused as unknown.
    if [serial is not None, file is not None, since is not None].count(True) != 1:
        raise UsageError("say one of --serial, --file and --since")
    if part is not None and serial is None:
        raise UsageError("--part goes with --serial")
    if until is not None and since is None:
        raise UsageError("--until goes with --since")
    if pdf and out is not None and out.suffix.lower() == ".pdf":
        raise UsageError(
            f"--out {printable(out)} names the HTML page; with --pdf the printed page is written beside it: "
            f"say --out {printable(out.with_suffix('.html'))}"
        )
    if serial is not None:
        written = write.write_part_report(folder, part, serial, out, zone=zone, progress=show_progress)
    elif file is not None:
        written = write.write_file_report(folder, file, out, zone=zone, progress=show_progress)
    else:
        written = write.write_period_report(
            folder,
            out,
            since,
            until=until,
            part_pages=part_pages,
            zone=zone,
            progress=show_progress,
        )
    if pdf:
        written_pdf = print_pdf(written)
    if as_json:
        found: dict[str, object] = {"report": str(written), "bytes": written.stat().st_size}
        click.echo(json_line(found | ({"pdf": str(written_pdf)} if pdf else {})))
        return
    click.echo(written)
    if pdf:
        click.echo(written_pdf)


def _store(store: Path | None, config: Path | None) -> Path:
    if (store is None) == (config is None):
        raise UsageError("say one of --store and --config")
    if store is not None:
        return store
    assert config is not None
    return load_configuration(config).store
