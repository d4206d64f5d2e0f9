"""A file that was read, as the folder hands it out: when it settled, and whether it is known to be whole."""

from __future__ import annotations

from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.rules.files.settling import Look, Patience, UnsettledFile, settles_at, whole
from edgeagent.service.folders import disk
from edgeagent.service.folders.disk import Content
from edgeagent.store.clock import Clock


def hand_out(
    content: Content,
    waiting: UnsettledFile,
    taken: tuple[float, float],
    *,
    folder: str,
    patience: Patience,
    clock: Clock,
    deferred: bool,
    at_start: bool,
) -> FoundFile:
    """The file with its times; ``taken`` are the monotonic times at which reading began and ended.

    ``deferred``: it was handed out before and was not whole. ``at_start``: it lay there when the agent started.
    """
    began, ended = taken
    unclosed_s = patience.unclosed_s
    # What was read before, and was not whole, settles when its time is up.
    settles, quiet_s = settles_at(waiting, patience), patience.settle_s
    if deferred and not (waiting.closed or waiting.renamed):
        settles, quiet_s = waiting.since_s + unclosed_s, unclosed_s
    # It may have settled long ago and waited behind others: its lateness counts from then.
    settled_at = clock.now().timestamp() - (clock.monotonic() - min(began, settles))
    if at_start:
        # Nobody watched: by the folder's own clock it settled when it was last changed. Not mtime, which a copy
        # keeps from its original.
        settled_at = min(settled_at, content.look.ctime_ns / 1e9 + quiet_s)
    return FoundFile(
        folder=folder,
        name=disk.spell_out(content.name),
        data=content.data,
        side=content.side,
        look=content.look,
        settled_at=settled_at,
        problem=content.problem,
        taken=began,
        read=ended,
        entry=content.name,
        sha256=content.sha256,
        # No watch saw the close of what lay there at the start: its age stands in for it.
        whole=whole(waiting, began, patience) or (at_start and age_s(clock, content.look) > unclosed_s),
        unclosed_s=unclosed_s if waiting.writing else None,
        regular=content.regular,
    )


def age_s(clock: Clock, look: Look) -> float:
    """How long ago a file was changed, by the clock of whoever keeps the folder."""
    return clock.now().timestamp() - max(look.mtime_ns, look.ctime_ns) / 1e9
