"""Why the lamp shows what it shows, in sentences for the person who looks."""

from __future__ import annotations

from collections import Counter

from edgeagent.rules.line.lamp import GATE_CLOSED, TABLE, UNDECIDED, Lamp

_FAULTS = {
    "starting": "the agent is starting",
    "stopped": "the agent has stopped",
    "delivery-behind": "messages to the line are behind the journal",
    "foreign-writer": "another agent or client writes below the same prefix",
    "mqtt-refused": "the broker refuses messages of the agent",
    "worker": "no worker process can be started",
}
_OF_FOLDER = {
    "source": "the export folder {} is not available",
    "unread": "a live file in {} waits too long to be read",
}
_HOLDING = {
    GATE_CLOSED: "the gate is closed: no verification of the reference artefact counts",
    UNDECIDED: "the part at the station is not decided",
}
_WAITING = {"reject": "reject", "hold": "hold", "quarantine": "quarantined file"}


def lamp_word(digit: int) -> str:
    """The word of a digit."""
    return next(word for known, word, _ in TABLE if known == digit)


def lamp_reasons(lamp: Lamp) -> tuple[str, ...]:
    """One sentence for each thing that keeps the lamp from clear, faults first; empty when it is clear."""
    faults = [_fault_words(name) for name in sorted(lamp.faults)]
    rejects = ["the last part was rejected"] if lamp.passing else []
    counts = Counter(w.what for w in lamp.waiting)
    waiting = [_count(counts[what], words) for what, words in _WAITING.items() if counts[what]]
    holding = [_HOLDING.get(name, name) for name in sorted(lamp.holding)]
    return (*faults, *rejects, *waiting, *holding)


def _fault_words(name: str) -> str:
    kind, _, about = name.partition(" ")
    if kind in _OF_FOLDER:
        return _OF_FOLDER[kind].format(about)
    return _FAULTS.get(name, name)


def _count(count: int, words: str) -> str:
    waits = "waits for its" if count == 1 else "wait for their"
    return f"{count} {words}{'' if count == 1 else 's'} {waits} acknowledgement"
