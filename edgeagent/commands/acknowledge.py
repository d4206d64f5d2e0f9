"""Command ``acknowledge``: acknowledge a reject, hold or quarantine from a terminal, on record."""

from __future__ import annotations

from pathlib import Path

import click

from edgeagent.codec.plain_text import clean
from edgeagent.commands.shared_asking import ask_service, require_short
from edgeagent.commands.shared_options import ANY_CONFIG, ONE_OBJECT, STORE, named_store
from edgeagent.commands.shared_output import json_line
from edgeagent.errors import AgentError, UsageError
from edgeagent.judging.requests import AcknowledgeRequest
from edgeagent.store.running.look import NO_AGENT, look


@click.command()
# 2**53: beyond it a JSON reader of another language would round the number and acknowledge another record.
@click.argument("seq", type=click.IntRange(1, 2**53))
@ANY_CONFIG
@STORE
@click.option("--who", required=True, help="Name of the person who acknowledges; goes on record.")
@click.option("--why", required=True, help="The reason; goes on record.")
@ONE_OBJECT
def acknowledge(seq: int, config: Path | None, store: Path | None, who: str, why: str, as_json: bool) -> None:
    """Acknowledge the reject, hold or quarantine in record SEQ, as the line's button does.

    `edgeagent status` names what waits. The running service writes it to the journal with name, reason and
    the operating system's user, whatever becomes of it; it clears the lamp if nothing else waits, and tells the
    line on acknowledge/result. Exit code 0 when it was acknowledged, 1 when nothing waited under that number or
    no service answered within ten seconds.

    \b
    Example:
      edgeagent acknowledge 412 --config agent.toml --who "A. N." --why "part taken out"
    """
    given = {"--who": who.strip(), "--why": why.strip()}
    # click takes an empty text for a given one; on record it would be an acknowledgement by nobody.
    missing = [name for name, value in given.items() if not value]
    if missing:
        raise UsageError(f"an acknowledgement needs {', '.join(missing)}")
    require_short(given)
    request = AcknowledgeRequest(seq, given["--who"], given["--why"])
    folder, undone = named_store(config, store), "nothing was acknowledged"
    found = look(folder)
    if found.code == NO_AGENT:  # nobody will answer: no need to wait for that
        raise AgentError(f"{clean(found.sentence)}; {undone}")
    answer = ask_service(folder, request, undone)
    if not answer.granted:
        raise AgentError(f"not acknowledged: {clean(answer.reason)}")
    done = {"acknowledged": seq, "record": answer.seq}
    click.echo(json_line(done) if as_json else f"acknowledged: record {seq}, by record {answer.seq}")
