"""Commands ``journal verify`` and ``journal show``: is the journal whole, and what does it say."""

from __future__ import annotations

import dataclasses
import re
import sys
from datetime import datetime
from pathlib import Path

import click

from edgeagent.codec.plain_text import count_text
from edgeagent.commands.journal_lines import RecordFilter, record_lines
from edgeagent.commands.shared_options import with_offset
from edgeagent.commands.shared_output import json_line
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.store.verify import verify_journal


@click.group()
def journal() -> None:
    """Check and read the journal."""


@journal.command("verify")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--seen",
    multiple=True,
    metavar="SEQ:HEAD",
    help="A record number and hash from an MQTT message; the journal must still hold it. May be repeated.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of sentences.")
def journal_verify(folder: Path, seen: tuple[str, ...], as_json: bool) -> None:
    """Check every record and the chain of the journal in FOLDER (the store or its journal folder).

    Exit code 0 when it is whole, else 1 with the first bad segment, line and reason. Needs no
    configuration.

    \b
    Example:
      edgeagent journal verify store
    """
    try:
        whole = verify_journal(folder, tuple(_anchor(s) for s in seen))
    except JournalCorruptError as error:
        if as_json:
            found = {"whole": False, "segment": error.segment, "line": error.line, "reason": error.reason}
            click.echo(json_line(found))
        click.echo(f"edgeagent: not whole: {error}", err=True)
        sys.exit(1)
    if as_json:
        click.echo(json_line({"whole": True, **dataclasses.asdict(whole)}))
        return
    click.echo(
        f"whole: {count_text(whole.records, 'record')} in {count_text(whole.segments, 'segment')}, "
        f"{whole.first} to {whole.last}; {whole.anchored}"
    )
    click.echo(f"head {whole.records}:{whole.head}")


@journal.command("show")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--part", help="Only records of this part number.")
@click.option("--serial", help="Only records of this serial.")
@click.option("--kind", help="Only records of this kind.")
@click.option("--since", type=click.DateTime(), help="Only records from this time on (UTC).")
@click.option("--until", type=click.DateTime(), help="Only records before this time (UTC).")
@click.option("--json", "as_json", is_flag=True, help="The records as they stand, one a line.")
def journal_show(
    folder: Path, part: str | None, serial: str | None, kind: str | None, since: datetime | None,
    until: datetime | None, as_json: bool,
) -> None:  # fmt: skip
    """Print the records of the journal in FOLDER for a reader.

    \b
    Example:
      edgeagent journal show store --serial 000412
    """
    wanted = RecordFilter(part, serial, kind, with_offset(since), with_offset(until))
    for line in record_lines(folder, wanted, as_json=as_json):
        click.echo(line)


def _anchor(text: str) -> tuple[int, str]:
    seq, _, head = text.partition(":")
    # No journal counts beyond 18 digits, and endless ones would take the conversion minutes
    if not re.fullmatch("[0-9]{1,18}", seq) or not re.fullmatch("[0-9a-f]{64}", head):
        raise UsageError(f"--seen {text!r}: expected a record number, a colon and 64 hex digits")
    return int(seq), head
