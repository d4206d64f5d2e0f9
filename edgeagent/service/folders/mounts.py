"""Where a folder is mounted, as the kernel says. Everything in here may hang with the share it asks about."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

# Beginnings, as kinds come with a version or a helper's name: nfs4, fuse.sshfs.
_REMOTE = ("cifs", "smb", "nfs", "fuse", "9p", "vboxsf", "afs", "ceph", "glusterfs")


@dataclass(frozen=True, slots=True)
class Mount:
    """The mount that a path lies on: the folder it is mounted at, and the kind of its file system."""

    point: str
    kind: str

    @property
    def remote(self) -> bool:
        """Whether other hosts write to it: inotify sees nothing of what they do."""
        return self.kind.startswith(_REMOTE)


def mount_of(path: Path) -> Mount | None:
    """The mount that a path lies on; None where the system does not say (no /proc)."""
    try:
        lines = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return None
    # The real path, as mountinfo names no symbolic link.
    best, real = None, os.path.realpath(path)
    for line in lines:
        fields = line.split(" ")
        # A hyphen of its own ends the optional fields (proc_pid_mountinfo(5)).
        if " - " not in line or len(fields) < 5:
            continue
        point = _unescape(fields[4])
        # With the slash: /data2 does not lie below /data.
        inside = real == point or real.startswith(point.rstrip("/") + "/")
        # Of two mounts at the same place the later line is the one on top.
        if inside and (best is None or len(point) >= len(best.point)):
            best = Mount(point, line.split(" - ", 1)[1].split(" ", 1)[0])
    return best


def _unescape(field: str) -> str:
    """A path of mountinfo, in which the kernel writes space, tab, newline and backslash in octal."""
    # The backslash last, or what it is spelt as would be read a second time.
    for code, character in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        field = field.replace(code, character)
    return field
