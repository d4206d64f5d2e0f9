"""When a file is given up: what became of the attempts to read and to analyse it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

FAILURES_MAX = 2
"""So many failures of its own and a file is given up: one may be bad luck, two are the file's."""
INTERRUPTIONS_MAX = 5
"""So many ends of the agent while a worker had the file count like failures of its own.

A worker that fails does not take the agent with it, so an agent that ends meanwhile was most likely stopped by
somebody or by the power. A file that meets this again and again may still be the cause.
"""


class Cause(Enum):
    """How an attempt ended without a result."""

    READING = "reading"
    """The agent itself ended while it read the file."""
    INTERRUPTED = "interrupted"
    """The agent ended while a worker had the file."""
    MEMORY = "memory"
    TIME = "time"
    DIED = "died"
    GARBLED = "garbled"
    """The worker's answer was none."""


@dataclass(frozen=True, slots=True)
class Failure:
    """One attempt that failed: its cause, and what a person should know of it."""

    cause: Cause
    words: str


def given_up(failures: Sequence[Failure]) -> bool:
    """Whether there is to be no further attempt on a file with these failures."""
    # Counted apart: a stop or a power cut says little of the file.
    interrupted = sum(f.cause is Cause.INTERRUPTED for f in failures)
    return len(failures) - interrupted >= FAILURES_MAX or interrupted >= INTERRUPTIONS_MAX


def reason_of(failures: Sequence[Failure]) -> str:
    """Why a file was given up, in one sentence."""
    times: dict[str, int] = {}
    for failure in failures:
        times[failure.words] = times.get(failure.words, 0) + 1
    failures_text = "; ".join(
        words if count == 1 else f"{words} ({count} times)" for words, count in times.items()
    )
    return f"no result after {len(failures)} attempts: {failures_text}"
