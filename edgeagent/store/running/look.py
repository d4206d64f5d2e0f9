"""How the agent of a store stands, seen from outside: what it wrote last, whether its process runs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from edgeagent.model.status import AgentStatus, ProcessMark
from edgeagent.store.journal import writer_of
from edgeagent.store.running.process import is_stopped, process_text, runs
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
    """State of the agent of a store, as far as its last status and its process prove it."""
    status = read_status(store)
    holder = writer_of(store / "journal")
    # The lock is taken before anything is read, the status written only after: of the two the lock is newer.
    if status is None or (holder is not None and holder != status.process and runs(holder)):
        return _without_status(store, holder)  # a start that reads its journal has written none yet
    if status.phase == "stopped":
        return Found(NO_AGENT, f"no agent runs: {status.lamp.why[0]}", age_s(status), status)
    age, alive, who = age_s(status), runs(status.process), process_text(status.process)
    if age is None or alive is False:
        words = f"no agent runs: {who} ended without a stop record; its last status is of {status.written_at}"
        return Found(NO_AGENT, words, age, status)
    if age > STALE_S and alive is None:
        words = f"no status for {age:.0f} s from {who}, which is not visible from here"
        return Found(NO_AGENT, f"no agent runs, as far as can be seen: {words}", age, status)
    # Asked before the age: for the first three seconds a stopped process looks like one that works.
    if is_stopped(status.process):
        return Found(NOT_READY, f"{who} is stopped by a signal", age, status)
    if age > STALE_S:
        words = f"{who} runs, but has written no status for {age:.0f} s: it hangs"
        return Found(NOT_READY, words, age, status)
    if status.not_accepting:
        return Found(NOT_READY, f"running, but no part is accepted: {status.not_accepting[0]}", age, status)
    return Found(READY, "running, a good part would be accepted now", age, status)


def _without_status(store: Path, holder: ProcessMark | None) -> Found:
    """What the journal's lock says where the agent has not written its status."""
    if holder is not None and runs(holder):
        words = f"{process_text(holder)} holds the journal and has written no status yet: it is starting"
        return Found(NOT_READY, words, None, None)
    return Found(NO_AGENT, f"no agent runs with the store {store}", None, None)
