"""Command ``release``: list the parts held only for the gate, and ask the service to release one."""

from __future__ import annotations

import dataclasses
import os
import shlex
from pathlib import Path

import click

from edgeagent.codec.plain_text import clean
from edgeagent.commands.shared_asking import ask_service, require_short
from edgeagent.commands.shared_options import CONFIG
from edgeagent.commands.shared_output import json_line
from edgeagent.errors import AgentError, UsageError
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import open_reason
from edgeagent.judging.release import HeldPart, held_parts
from edgeagent.judging.requests import ReleaseRequest
from edgeagent.model.records import PartDisposition
from edgeagent.rules.sentences import plain_sentence, sentence
from edgeagent.store.clock import SystemClock
from edgeagent.store.configuration import StationConfiguration, load_configuration
from edgeagent.store.journal import JournalReader


@click.command()
@CONFIG
@click.option("--list", "wants_list", is_flag=True, help="List the parts that are held only for the gate.")
@click.option("--part", help="Part number of the part to release.")
@click.option("--serial", help="Its serial.")
@click.option("--who", help="Name of the person who releases it; goes on record.")
@click.option("--why", help="The reason; goes on record.")
@click.option("--json", "as_json", is_flag=True, help="The list as one JSON array.")
def release(
    config: Path,
    wants_list: bool,
    part: str | None,
    serial: str | None,
    who: str | None,
    why: str | None,
    as_json: bool,
) -> None:
    """Release a part that was held only because the gate was closed.

    Without a part it lists them: since when and why each is held, and what to do. A verification of the
    part's instrument must have passed since, and the part no longer stand at the line. The running service
    writes the release to the journal, with name and reason, and every refusal too. The lamp does not change.
    Exit code 0 when the part is released.

    \b
    Example:
      edgeagent release --config agent.toml --list
      edgeagent release --config agent.toml --part KX-2005-R --serial 000511 --who "A. N." --why "gauge fine"
    """

    given = {"--part": part, "--serial": serial, "--who": who, "--why": why}
    configuration = load_configuration(config)
    if wants_list or not any(given.values()):
        if any(given.values()):
            raise UsageError(f"--list goes without {', '.join(k for k, v in given.items() if v)}")
        held = find_held(configuration)
        if as_json:
            click.echo(json_line([_as_object(each) for each in held]))
            return
        for line in _list_lines(held, config):
            click.echo(line)
        return
    missing = [name for name, value in given.items() if not (value or "").strip()]
    if missing:
        raise UsageError(f"a release needs {', '.join(missing)}")
    click.echo(_ask(configuration, str(part), str(serial), str(who).strip(), str(why).strip()))


def _as_object(held: HeldPart) -> dict[str, object]:
    refusal = None if held.refusal is None else sentence(held.refusal)
    return {**dataclasses.asdict(held), "refusal": refusal}


def find_held(configuration: StationConfiguration) -> list[HeldPart]:
    """Parts held only for the gate, from the journal alone; the service need not run."""
    memory = Memory({}, None, live_s=0, latches=False)
    folder = configuration.store / "journal"
    if not folder.is_dir():
        return []
    gate_reasons: dict[int, tuple[str, str]] = {}
    # From the first record: what a part waits for is a fold over all that was measured of it.
    for record, place in JournalReader(folder).walk():
        memory.visit(record, place)
        if isinstance(record.body, PartDisposition) and (gate := record.body.gate_reason) is not None:
            # Noted on the way: memory keeps a part's state, not the words of the record that holds it.
            gate_reasons[record.seq] = record.time, plain_sentence(gate)
    now = SystemClock().now().timestamp()
    held = held_parts(
        memory,
        lambda state: open_reason(state, memory, configuration, now),
        now=now,
        live_s=configuration.settings.intake.live_s,
    )
    return [dataclasses.replace(h, held_at=gate_reasons[h.seq][0], why=gate_reasons[h.seq][1]) for h in held]


def _list_lines(held: list[HeldPart], config: Path) -> list[str]:
    if not held:
        return ["No part is held only for the gate."]
    ready = [h for h in held if h.refusal is None]
    lines = [f"{_parts(len(held))} held only for the gate; {len(ready) or 'none'} may be released now:"]
    for h in held:
        lines += [
            clean(f"{h.part} {h.serial} (record {h.seq}): {_readiness(h)}"),
            clean(f"    held since {h.held_at[:16].replace('T', ' ')} UTC: {h.why}"),
        ]
    if ready:
        # Cleaned: part and serial are texts of a file, and a terminal would obey what stands in them.
        part, serial = shlex.quote(clean(ready[0].part)), shlex.quote(clean(ready[0].serial))
        lines += [
            "To release one, after making sure that it was measured well, for example:",
            f"    edgeagent release --config {shlex.quote(os.fspath(config))} --part {part} --serial {serial} "
            '--who "YOUR NAME" --why "YOUR REASON"',
        ]
    if len(ready) < len(held):
        lines.append(
            "What may not be released yet: verify its instrument with the artefact, or measure it again."
        )
    return lines


def _parts(count: int) -> str:
    return "1 part is" if count == 1 else f"{count} parts are"


def _readiness(held: HeldPart) -> str:
    if held.refusal is None:
        return "may be released"
    return f"not yet: {plain_sentence(held.refusal)}"


def _ask(configuration: StationConfiguration, part: str, serial: str, who: str, why: str) -> str:
    """Hand the request in and wait for the service's answer; returns what to say of a release.

    Raises AgentError where it was refused or not answered, UsageError for texts too long.
    """
    require_short({"--part": part, "--serial": serial, "--who": who, "--why": why})
    answer = ask_service(configuration.store, ReleaseRequest(part, serial, who, why), "nothing was released")
    if not answer.granted:
        raise AgentError(f"not released: {clean(answer.reason)}")
    return f"released: {part} {serial}, record {answer.seq}; the lamp does not change"
