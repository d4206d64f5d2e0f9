"""Command ``status``: how the running agent stands, from another terminal."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click
import msgspec

from edgeagent.codec.plain_text import clean, count_text
from edgeagent.commands.shared_options import ANY_CONFIG, ONE_OBJECT, STORE, named_store
from edgeagent.commands.shared_output import json_line
from edgeagent.model.status import DiskNow, OpenPartNow, PartNow
from edgeagent.rules.disk import room_text
from edgeagent.store.running.look import NO_AGENT, READY, Found, look
from edgeagent.store.running.process import process_text
from edgeagent.store.running.status_file import STALE_S


@click.command()
@ANY_CONFIG
@STORE
@ONE_OBJECT
def status(config: Path | None, store: Path | None, as_json: bool) -> None:
    """Say how the running agent stands: lamp and why, queue, last parts, gate, disk, broker.

    Reads what the agent writes once a second into its store, and asks the kernel whether that agent still runs.
    Exit code 0: a good part would be accepted now. 1: the agent runs, but would not accept one, or hangs.
    3: no agent runs.

    \b
    Example:
      edgeagent status --config /etc/edgeagent/agent.toml
    """
    found = look(named_store(config, store))
    click.echo(json_line(as_object(found)) if as_json else "\n".join(in_words(found)))
    sys.exit(found.code)


def as_object(found: Found) -> dict[str, Any]:
    """All of it as JSON values; `status` is null where the agent said nothing."""
    return {
        "schema": "edgeagent.status/1",
        "exit": found.code,
        "running": found.code != NO_AGENT,
        "could_accept": found.code == READY,
        "sentence": found.sentence,
        "age_s": None if found.age_s is None else round(found.age_s, 3),
        "status": msgspec.to_builtins(found.status),
    }


def in_words(found: Found) -> list[str]:
    """All of it for a person. What an agent said that no longer runs, or hangs, is given as that."""
    said = found.status
    lines = [clean(found.sentence)]
    if said is None:
        return lines
    # An old lamp read as today's would be a false accept by hand.
    if found.code == NO_AGENT or (found.age_s or 0.0) > STALE_S:
        lines.append(f"What it said last, at {said.written_at}:")
    lamp = said.lamp
    why = f": {'; '.join(lamp.why)}" if lamp.why else ""
    rows = [("lamp", f"{lamp.digit} {lamp.word}{why}")]
    rows += [("waits", _waiting(one)) for one in reversed(lamp.waiting)]
    if lamp.waiting_count > len(lamp.waiting):
        older = lamp.waiting_count - len(lamp.waiting)
        rows.append(("waits", f"and {older} older ones; they are named when newer ones are acknowledged"))
    if said.gate is not None:
        until = f", until {said.gate.until}" if said.gate.until else ""
        rows.append(("gate", "closed" if said.gate.closed else f"open{until}"))
    if said.queue is not None:
        queue = said.queue
        rows.append(
            (
                "queue",
                f"{count_text(queue.files, 'file')} to read, {queue.analysing} being analysed; "
                f"{count_text(queue.open_parts, 'part')} incomplete",
            )
        )
    if said.broker is not None:
        how = "ready" if said.broker.ready else "connected" if said.broker.connected else "not connected"
        undelivered = count_text(said.broker.undelivered, "record")
        rows.append(("broker", f"{how}, {undelivered} to deliver ({said.broker.url})"))
    if said.disk is not None:
        rows.append(("disk", _disk(said.disk)))
    rows += [("open", _open_part(one)) for one in said.open_parts[:5]]
    rows += [("parts", _part(one)) for one in reversed(said.last_parts[-5:])]
    rows.append(
        (
            "agent",
            f"{process_text(said.process)}, version {said.version}, started {said.started_at}, "
            f"start {said.boot}, record {said.seq}",
        )
    )
    before = ""
    for name, words in rows:
        lines.append(f"  {name if name != before else '':<7} {clean(words)}")
        before = name
    return lines


def _waiting(one: Any) -> str:
    about = one.file or f"{one.part} {one.serial}"
    return f"record {one.seq}: {one.what} {about}"


def _disk(disk: DiskNow) -> str:
    words = room_text(disk.level, disk.free_mb, disk.free_share, disk.days_left)
    grown = disk.grown_per_day_mb
    return words if grown is None else f"{words}; the store grows by {grown:,.0f} MB a day"


def _open_part(one: OpenPartNow) -> str:
    what = f"missing {', '.join(one.missing)}" if one.missing else "was measured again"
    return f"{one.part} {one.serial} {what}, since {one.since[11:19]}"


def _part(one: PartNow) -> str:
    why = f": {one.reason}" if one.reason and one.disposition != "accept" else ""
    return f"{one.time[11:19]} {one.part} {one.serial} {one.disposition}{why}"
