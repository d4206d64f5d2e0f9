"""When is an export folder there, and when is it only the empty place where a share used to be?"""

from __future__ import annotations


def mount_lost(before: str | None, now: str | None) -> bool:
    """Whether a folder that lay on a mounted file system lies on the one below it.

    ``before`` and ``now`` are the folders at which its file system is mounted, None where the system does not
    say. Another file system at the same place, or one mounted deeper, is no loss: the path leads to a mount.
    """
    if before is None or now is None:
        return False
    # A path's file system can only be mounted at the path or above it: a shorter place is one that lies above.
    return len(now) < len(before)


def unavailable_reason(before: str | None, now: str | None, marker: str | None) -> str | None:
    """Why a folder that can be listed is unavailable all the same; None when it is not.

    ``marker`` is the name of a marker file that should be in the folder and is not.
    """
    # First, since it needs no marker: an unmounted share leaves an empty folder that lists without an error.
    if mount_lost(before, now):
        return f"nothing is mounted at {before} any more"
    if marker is not None:
        return f"the marker file {marker} is missing: is the share mounted?"
    return None
