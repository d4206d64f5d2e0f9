"""The name of a content: its SHA-256."""

from __future__ import annotations

import hashlib


def digest_of(data: bytes) -> str:
    """SHA-256 in hex (FIPS 180-4): the name by which the archive keeps this content."""
    return hashlib.sha256(data).hexdigest()
