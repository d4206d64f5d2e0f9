"""What agent and worker say to each other: small messages on a socket, contents in memory that both see.

A message is one packet of MessagePack. The agent writes configuration, file and side file behind one another
into shared memory for files; the worker writes the encoded result into another one. There are two of each, so
that a worker has its next file beside it while it is at one.
"""

from __future__ import annotations

import os
from typing import TypeVar

import msgspec

from edgeagent.model.records import Source

PACKET_MAX = 128 * 1024
"""Bytes of the longest message; a journal record's body has a sixteenth of it."""
SLOTS = 2
"""Files that a worker has at once: the one that it is at, and the next."""
_PIECE = 1 << 30
"""Bytes of one write: Linux writes at most 2 GiB at once (write(2))."""


class Job(msgspec.Struct, frozen=True):
    """One file to be analysed. The byte counts say what lies in the shared memory, None for no side file.

    ``configuration_bytes`` is 0 where the worker knows the configuration from an earlier job; ``slot`` says
    which of the shared memories are used.
    """

    number: int
    name: str
    source: Source
    settled_at: float
    configuration_bytes: int
    data_bytes: int
    side_bytes: int | None
    slot: int = 0


class Ready(msgspec.Struct, frozen=True, tag="ready"):
    """The worker has everything loaded; ``memory_mb`` is the limit in force."""

    memory_mb: float


class JobDone(msgspec.Struct, frozen=True, tag="done"):
    """One file's outcome: the kind and body of its record, and the size of its result where there is one.

    ``seconds`` is what the analysis took, ``failed_checks`` the quality checks that the trace does not
    pass, None where there is no trace, ``mistake`` the traceback of an error of ours, for the log.
    """

    number: int
    kind: str
    body: bytes
    result_bytes: int
    seconds: float
    failed_checks: tuple[str, ...] | None
    mistake: str = ""


class TooLarge(msgspec.Struct, frozen=True, tag="too-large"):
    """The memory did not suffice for the file; the worker ends after this."""

    number: int


Answer = Ready | JobDone | TooLarge

T = TypeVar("T")


def pack(message: Job | Answer) -> bytes:
    """A message as one packet."""
    return msgspec.msgpack.encode(message)


def put(fd: int, data: bytes, offset: int) -> int:
    """Write into shared memory; returns where the next content begins. Raises OSError."""
    view, written = memoryview(data), 0
    while written < len(data):
        written += os.pwrite(fd, view[written : written + _PIECE], offset + written)
    return offset + written


def get(fd: int, size: int, offset: int = 0) -> bytes:
    """Read from shared memory. Raises OSError where there is less than is asked for."""
    data = os.pread(fd, size, offset)
    # Less than was announced is damage; to evaluate it would judge a part by half of its trace.
    if len(data) != size:
        raise OSError(f"{len(data)} bytes of {size} in the shared memory")
    return data
