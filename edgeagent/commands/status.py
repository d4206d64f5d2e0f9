"""Command ``status``: how the running agent stands, from another terminal."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import msgspec

from edgeagent.codec.plain_text import clean, count_text
from edgeagent.commands.shared_options import ANY_CONFIG, ONE_OBJECT, STORE, named_store
from edgeagent.commands.shared_output import json_line
from edgeagent.model.status import AgentStatus, DiskNow, PartNow, ProcessMark
from edgeagent.rules.disk import days_text
from edgeagent.store.journal import writer_of
from edgeagent.store.running.process import is_stopped, runs, spoken
from edgeagent.store.running.status_file import STALE_S, age_s, read_status

READY, NOT_READY, NO_AGENT = 0, 1, 3
"""Exit codes: a part could be accepted now; the agent runs but would not accept one; no agent runs."""


@dataclass(frozen=True, slots=True)
class Found:
    """What is known of an agent from outside: exit code, one sentence, what it wrote last, how old that is."""

    code: int
    sentence: str
    age_s: float | None
    status: AgentStatus | None


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


def look(store: Path) -> Found:
    """What can be said of the agent of a store. Claims nothing that what it wrote last cannot carry."""
    said = read_status(store)
    holder = writer_of(store / "journal")
    if said is None or (holder is not None and holder != said.process and runs(holder)):
        return _without_word(store, holder)  # a start that reads its journal has not said anything yet
    if said.phase == "stopped":
        return Found(NO_AGENT, f"no agent runs: {said.lamp.why[0]}", age_s(said), said)
    age, alive, who = age_s(said), runs(said.process), spoken(said.process)
    if age is None or alive is False:
        words = f"no agent runs: {who} ended without a word, last heard of at {said.written_at}"
        return Found(NO_AGENT, words, age, said)
    if age > STALE_S and alive is None:
        words = f"no word for {age:.0f} s from {who}, which cannot be asked from here"
        return Found(NO_AGENT, f"no agent runs, as far as can be seen: {words}", age, said)
    if is_stopped(said.process):
        return Found(NOT_READY, f"{who} stands still: it was stopped by a signal", age, said)
    if age > STALE_S:
        words = f"{who} is there, but has said nothing for {age:.0f} s: it hangs or is stopped"
        return Found(NOT_READY, words, age, said)
    if said.not_accepting:
        return Found(NOT_READY, f"running, but no part is accepted: {said.not_accepting[0]}", age, said)
    return Found(READY, "running, a good part would be accepted now", age, said)


def _without_word(store: Path, holder: ProcessMark | None) -> Found:
    """What the journal's lock says where the agent has not written its status."""
    if holder is not None and runs(holder):
        words = f"{spoken(holder)} holds the journal and has not said yet how it stands: it starts"
        return Found(NOT_READY, words, None, None)
    return Found(NO_AGENT, f"no agent runs with the store {store}", None, None)


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
    if found.code == NO_AGENT or (found.age_s or 0.0) > STALE_S:
        lines.append(f"What it said last, at {said.written_at}:")
    lamp = said.lamp
    why = f": {'; '.join(lamp.why)}" if lamp.why else ""
    rows = [("lamp", f"{lamp.digit} {lamp.word}{why}")]
    rows += [("waits", _waiting(one)) for one in lamp.waiting[-10:]]
    if said.gate is not None:
        until = f", until {said.gate.until}" if said.gate.until else ""
        rows.append(("gate", "closed" if said.gate.closed else f"open{until}"))
    if said.queue is not None:
        queue = said.queue
        rows.append(
            (
                "queue",
                f"{count_text(queue.files, 'file')} to read, {queue.analysing} being analysed; "
                f"{count_text(queue.open_parts, 'part')} not whole yet",
            )
        )
    if said.broker is not None:
        how = "ready" if said.broker.ready else "connected" if said.broker.connected else "away"
        undelivered = count_text(said.broker.undelivered, "record")
        rows.append(("broker", f"{how}, {undelivered} to deliver ({said.broker.url})"))
    if said.disk is not None:
        rows.append(("disk", _disk(said.disk)))
    rows += [("parts", _part(one)) for one in reversed(said.last_parts[-5:])]
    rows.append(
        (
            "agent",
            f"{spoken(said.process)}, version {said.version}, started {said.started_at}, "
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
    words = f"{disk.level}: {disk.free_mb:,} MB free, {100 * disk.free_share:.0f} %"
    if disk.grown_per_day_mb is not None:
        words += f"; the store grows {disk.grown_per_day_mb:,.0f} MB a day"
    return words if disk.days_left is None else f"{words}, enough for {days_text(disk.days_left)}"


def _part(one: PartNow) -> str:
    why = f": {one.reason}" if one.reason and one.disposition != "accept" else ""
    return f"{one.time[11:19]} {one.part} {one.serial} {one.disposition}{why}"
