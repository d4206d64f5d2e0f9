"""Run a program under the system call rules of a systemd unit, without systemd.

    python confined.py UNIT PROGRAM [ARGUMENT...]

Reads SystemCallFilter= and MemoryDenyWriteExecute= of the unit, expands the groups with systemd-analyze(1), and
loads the filter with libseccomp, as the service manager does. Calls outside the filter fail with EPERM.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from pathlib import Path

_ALLOW, _ERRNO_EPERM = 0x7FFF0000, 0x00050000 | 1
_MASKED_EQUAL = 7
_WRITE, _EXECUTE = 2, 4
_NR_SCMP_ERROR = -1


class _Comparison(ctypes.Structure):
    """struct scmp_arg_cmp of seccomp.h."""

    _fields_ = (
        ("arg", ctypes.c_uint),
        ("op", ctypes.c_int),
        ("mask", ctypes.c_uint64),
        ("value", ctypes.c_uint64),
    )


def settings(unit: Path, key: str) -> list[str]:
    """The values of one key of the unit, in order."""
    lines = unit.read_text(encoding="utf-8").splitlines()
    return [line.partition("=")[2].strip() for line in lines if line.startswith(f"{key}=")]


def group(name: str) -> set[str]:
    """The system calls of a group such as @system-service, groups in it expanded."""
    ran = subprocess.run(
        ["systemd-analyze", "syscall-filter", name], check=True, capture_output=True, text=True
    )
    words = [line.strip() for line in ran.stdout.splitlines()[1:]]
    calls = {word for word in words if word and word[0] not in "#@"}
    return calls.union(*(group(word) for word in words if word.startswith("@")))


def allowed_calls(unit: Path) -> set[str]:
    """What the unit's SystemCallFilter= lines leave: first a list that allows, then lists that take away."""
    allowed: set[str] = set()
    for value in settings(unit, "SystemCallFilter"):
        names: set[str] = set()
        for word in value.removeprefix("~").split():
            names |= group(word) if word.startswith("@") else {word}
        allowed = allowed - names if value.startswith("~") else allowed | names
    return allowed | group("@default") | {"execve"}


def confine(calls: set[str], *, deny_write_execute: bool) -> None:
    """Load the filter into this process; it stays over exec and is inherited."""
    library = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    library.seccomp_init.restype = ctypes.c_void_p
    rules = ctypes.c_void_p(library.seccomp_init(ctypes.c_uint32(_ERRNO_EPERM)))
    for name in sorted(calls):
        number = library.seccomp_syscall_resolve_name(name.encode())
        if number == _NR_SCMP_ERROR:
            continue  # newer than this library
        for comparison in _memory_rules(name) if deny_write_execute else [()]:
            array = (_Comparison * len(comparison))(*comparison)
            failed = library.seccomp_rule_add_array(
                rules, ctypes.c_uint32(_ALLOW), ctypes.c_int(number), ctypes.c_uint(len(comparison)), array
            )
            if failed:
                raise OSError(-failed, f"no rule for {name}: {os.strerror(-failed)}")
    failed = library.seccomp_load(rules)
    if failed:
        raise OSError(-failed, f"filter not loaded: {os.strerror(-failed)}")


def _memory_rules(name: str) -> list[tuple[_Comparison, ...]]:
    """What MemoryDenyWriteExecute= leaves of a call: a list of conditions, each of which allows it."""
    if name == "mmap":
        both = _WRITE | _EXECUTE
        return [(_Comparison(2, _MASKED_EQUAL, both, bits),) for bits in (0, _WRITE, _EXECUTE)]
    if name in ("mprotect", "pkey_mprotect"):
        return [(_Comparison(2, _MASKED_EQUAL, _EXECUTE, 0),)]
    if name == "shmat":
        return [(_Comparison(2, _MASKED_EQUAL, 0o100000, 0),)]
    return [()]


def main() -> None:
    unit, program = Path(sys.argv[1]), sys.argv[2:]
    calls = allowed_calls(unit)
    confine(calls, deny_write_execute=settings(unit, "MemoryDenyWriteExecute") == ["yes"])
    os.execv(program[0], program)


if __name__ == "__main__":
    main()
