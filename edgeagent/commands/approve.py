"""Command ``approve``: sign a recipe or a certificate, for stations that ask for it."""

from __future__ import annotations

from pathlib import Path

import click

from edgeagent.codec.configuration.recipe import referenced_files
from edgeagent.codec.evidence.approvals import SUFFIX
from edgeagent.codec.evidence.approvals import approve as sign_approval
from edgeagent.codec.evidence.notes import LOG
from edgeagent.codec.limits import CONFIGURATION_BYTES_MAX
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import utc_text
from edgeagent.errors import AgentError
from edgeagent.store.clock import SystemClock
from edgeagent.store.evidence.keys import load_or_make_key
from edgeagent.store.files import read_at_most, write_synced


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--key",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="Your private key; made where there is none, with the public one beside it.",
)
@click.option("--name", default="approver", show_default=True, help="Your name in a key that is made.")
def approve(file: Path, key: Path, name: str) -> None:
    """Approve FILE, a recipe with its tables of limits or a certificate, by a signature beside it.

    A station that names your public key in [evidence] approvers takes no recipe or certificate that nobody
    approved as it is. Any later change needs a new approval, and so does a step back to an earlier one.

    \b
    Example:
      edgeagent approve config/recipes/KX-2005-R.toml --key ~/approver.key
    """
    try:
        data = read_at_most(file, CONFIGURATION_BYTES_MAX)
        # A table of limits decides as much as its recipe: without a signature it could be exchanged.
        names = referenced_files(data, file.name) if file.parent.name != "artefacts" else ()
        files = {file.name: data} | {n: read_at_most(file.parent / n, CONFIGURATION_BYTES_MAX) for n in names}
        signing, at = load_or_make_key(key, name, LOG), utc_text(SystemClock().now())
        note = sign_approval({n: digest_of(d) for n, d in files.items()}, signing, at)
        write_synced(file.with_name(file.name + SUFFIX), note)
    except OSError as error:
        raise AgentError(f"{error.filename}: {error.strerror}") from error
    click.echo(f"approved: {', '.join(files)}")
