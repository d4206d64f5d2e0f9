"""Which process wrote something, and whether it still runs: numbers of processes are used again."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import msgspec

from edgeagent.model.status import ProcessMark

_BYTES_MAX = 1024


def this_process() -> ProcessMark:
    """The mark of the calling process."""
    pid = os.getpid()
    return ProcessMark(pid, _began_ticks(pid) or 0, _machine(), _namespace(), socket.gethostname()[:64])


def runs(mark: ProcessMark) -> bool | None:
    """Whether that process is still there; None where it cannot be seen from here.

    It cannot of a process on another machine, or inside or outside a container.
    """
    # The number means something in its own namespace alone; `os.kill` there would ask about a stranger.
    if mark.host != socket.gethostname()[:64] or mark.namespace != _namespace():
        return None
    # Another start of the kernel: whatever has the number today is another process.
    if mark.machine and (machine := _machine()) and machine != mark.machine:
        return False
    began = _began_ticks(mark.pid)
    if began is not None:
        # A number that was given away again has another start. Marks without one come from where /proc was
        # hidden.
        return began == mark.began_ticks or (began >= 0 and not mark.began_ticks)
    try:
        os.kill(mark.pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass  # somebody else's, and its folder in /proc is hidden from us
    return True


def is_stopped(mark: ProcessMark) -> bool:
    """Whether that process is stopped, as by SIGSTOP or a debugger; False if /proc does not show it."""
    return runs(mark) is True and _state(mark.pid) in ("T", "t")


def write_mark(fd: int) -> None:
    """Write this process into an open file of its own, in place of what it held. Raises OSError."""
    # A shorter mark over a longer one would leave its end behind, which is no JSON.
    os.ftruncate(fd, 0)
    os.pwrite(fd, msgspec.json.encode(this_process()) + b"\n", 0)


def read_mark(path: Path) -> ProcessMark | None:
    """The process that wrote its mark into a file; None if there is no readable mark."""
    try:
        with path.open("rb") as file:
            return msgspec.json.decode(file.read(_BYTES_MAX), type=ProcessMark)
    except (OSError, ValueError):
        return None


def process_text(mark: ProcessMark) -> str:
    """Text such as "process 4711", with the host if it runs in another namespace or on another machine."""
    elsewhere = mark.namespace != _namespace() or mark.host != socket.gethostname()[:64]
    return f"process {mark.pid}" + (f" on {mark.host}" if elsewhere and mark.host else "")


def _began_ticks(pid: int) -> int | None:
    """Start time in clock ticks (proc(5)); None if /proc shows no such process, -1 for a zombie."""
    fields = _stat(pid)
    if fields is None:
        return None
    if len(fields) < 20 or fields[0] in "ZX":
        return -1
    return int(fields[19])


def _state(pid: int) -> str:
    fields = _stat(pid)
    return fields[0] if fields else ""


def _stat(pid: int) -> list[str] | None:
    """The fields behind a process's name: the first is its state."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    # From the last bracket: a process's name may hold blanks and brackets.
    return text.rpartition(")")[2].split()


def _machine() -> str:
    """The kernel's own start: after it all numbers of processes mean something else."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:  # hidden, as from a service with ProcSubset=pid
        return ""


def _namespace() -> str:
    try:
        return os.readlink("/proc/self/ns/pid")
    except OSError:
        return ""
