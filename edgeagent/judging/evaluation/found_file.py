"""A complete file as intake hands it out, and what records say of it."""

from __future__ import annotations

from dataclasses import dataclass

from edgeagent.errors import InputError
from edgeagent.rules.files.settling import Look


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A complete file, read once. ``settled_at`` is POSIX seconds; ``problem`` says why ``data`` is empty.

    ``taken`` and ``read`` are the monotonic times at which reading began and ended. ``entry`` is the name as
    the folder has it where that is no text (bytes that are not UTF-8) and ``name`` spells them out.
    ``sha256`` is that of ``data``, where it was read. ``whole`` is False while somebody may still be adding to
    the file: what does not read as a whole one then is not decided yet. ``unclosed_s`` is for how long its
    writer neither changed nor closed it, None where no writer is known to have it open. ``regular`` is False
    for a link, a pipe or a device. ``trace`` is the name of the trace that is meant where a file holds several.
    """

    folder: str
    name: str
    data: bytes
    side: bytes | None
    look: Look
    settled_at: float
    problem: InputError | None = None
    taken: float = 0.0
    read: float = 0.0
    entry: str = ""
    sha256: str | None = None
    whole: bool = True
    unclosed_s: float | None = None
    regular: bool = True
    trace: str = ""

    @property
    def record_name(self) -> str:
        """The name on record: the file's, or that of the trace where it holds several."""
        return self.trace or self.name
