"""What all commands write with: JSON lines and new files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from edgeagent.codec.records.result import encode
from edgeagent.errors import AgentError, UsageError
from edgeagent.store.files import write_synced


def json_line(value: Any) -> str:
    """A value as one line of JSON."""
    return encode(value).decode()


def refuse_existing(out: Path | None, *, force: bool = False, offer: str = "") -> None:
    """Raise UsageError where the file to be written is there already, unless ``force`` asks to replace it."""
    # A person may have corrected it since: a second call must not undo an hour of work
    if out is not None and out.exists() and not force:
        raise UsageError(f"{out} exists already; it is kept as it is{offer}")


def write_new(out: Path, text: str) -> None:
    """Write a text in one step. Raises AgentError."""
    try:
        write_synced(out, text.encode("utf-8"))
    except OSError as error:
        raise AgentError(f"{out}: cannot be written: {error.strerror}") from error
