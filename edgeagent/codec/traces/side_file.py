"""The side file ``NAME.meta.toml`` of a profile file: its header keys, and whether they are what was written.

A side file is typed by hand or by a script, and one flipped bit in it changes every value of the trace. With
``sha256`` it belongs to that profile file alone; with ``checksum`` as its last line, nothing in it has changed
since that line was written.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from edgeagent.codec.limits import SIDE_FILE_BYTES_MAX
from edgeagent.codec.traces.header import FILL_IN, HEADER_KEYS, read_header_toml
from edgeagent.errors import TraceFormatError

_OWN_KEYS = ("side", "degrees_per_mm", "sha256", "checksum")
SIDE_FILE_KEYS = (*HEADER_KEYS, *_OWN_KEYS)
"""Keys of a side file that mean something; others are carried along."""
_LAST_LINE = re.compile(rb'^checksum[ \t]*=[ \t]*"([0-9a-f]{64})"\s*\Z', re.MULTILINE)
_NEAR = 0.85
"""Likeness from which an unknown key is a known one with a slip in it: one letter in ten."""


@dataclass(frozen=True, slots=True)
class SideFile:
    """What a side file says; ``sealed`` where its checksum proves that it says what was written."""

    table: Mapping[str, Any]
    sealed: bool

    @property
    def header(self) -> dict[str, Any]:
        """The keys that a header knows or carries along; ``trace = 1`` may be left out of a side file."""
        return {"trace": 1, **{k: v for k, v in self.table.items() if k not in _OWN_KEYS}}


def parse_side_file(side: bytes, data: bytes) -> SideFile:
    """A side file with its profile file's bytes ``data``.

    Raises TraceFormatError for a digest that does not fit, a key that is a known one but for a slip, or what
    is no TOML.
    """
    if len(side) > SIDE_FILE_BYTES_MAX:
        raise TraceFormatError(
            f"the side file has {len(side)} bytes", expected=f"at most {SIDE_FILE_BYTES_MAX} bytes"
        )
    try:
        # Editors on Windows put a byte order mark in front, which TOML does not know.
        text = side.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TraceFormatError(f"side file is not TOML: no UTF-8 text at byte {error.start}") from error
    table = read_header_toml(text, "side file")
    for key in table:
        # A mistyped tip_radius_mm would pass as a foreign key, and the part be measured without its tip.
        near = difflib.get_close_matches(key, SIDE_FILE_KEYS, 1, _NEAR) if key not in SIDE_FILE_KEYS else ()
        if near:
            raise TraceFormatError(
                f"side file: unknown key {key[:40]!r}", expected=f"{near[0]}, if it is meant"
            )
    unfilled = [key for key, value in table.items() if value == FILL_IN]
    if unfilled:
        raise TraceFormatError(
            f"side file: {', '.join(unfilled)[:200]} must be filled in", expected="a value for each of them"
        )
    if "sha256" in table and table["sha256"] != hashlib.sha256(data).hexdigest():
        raise TraceFormatError(
            "side file: sha256 is not that of the profile file", expected="the side file of this very profile"
        )
    return SideFile(table, _is_sealed(side, table))


def _is_sealed(side: bytes, table: Mapping[str, Any]) -> bool:
    if "checksum" not in table:
        return False
    # Over the bytes as they are, not the parsed table: a comment that changed is a file that changed.
    last = _LAST_LINE.search(side)
    if last is None:
        raise TraceFormatError(
            "side file: checksum cannot be used",
            expected="as the last line, with the SHA-256 of all bytes before it as 64 small hex digits",
        )
    if last[1].decode() != hashlib.sha256(side[: last.start()]).hexdigest():
        raise TraceFormatError(
            "side file: changed since its checksum was written", expected="an undamaged file, or none"
        )
    return True
