"""How the agent of a store stands, seen from outside: what it wrote last, whether its process runs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from edgeagent.model.status import AgentStatus, ProcessMark
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


def look(store: Path) -> Found:
    """What can be said of the agent of a store. Claims nothing that what it wrote last cannot carry."""
    said = read_status(store)
    holder = writer_of(store / "journal")
    # The lock is taken before anything is read, the status written only after: of the two the lock is newer.
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
    # Asked before the age: for the first three seconds a stopped process looks like one that works.
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
