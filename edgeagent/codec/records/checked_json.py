"""A JSON object whose last member ``check`` is the SHA-256 of the bytes before ``,"check":``.

A bit that the disk turned over then reads as damage, and not as another number.
"""

from __future__ import annotations

import hashlib

_MARK, _END = b',"check":"', b'"}'


def add_check(data: bytes) -> bytes:
    """An object of at least one member, with its checksum as the last one."""
    # Without the closing brace, which goes behind the checksum: the file stays one JSON object.
    head = data[:-1]
    return head + _MARK + _digest(head) + _END


def has_check(data: bytes) -> bool:
    """Whether a checksum stands in it, right or wrong."""
    return _MARK in data


def remove_check(data: bytes) -> bytes:
    """The object as `add_check` was given it. Raises ValueError where the checksum is missing or wrong."""
    # From the end: a text in it may hold the mark too.
    head, _, stated = data.rpartition(_MARK)
    if stated != _digest(head) + _END:
        raise ValueError("its checksum is not that of its content")
    return head + b"}"


def _digest(head: bytes) -> bytes:
    return hashlib.sha256(head).hexdigest().encode()
