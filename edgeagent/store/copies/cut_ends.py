"""What was cut off a journal's end: its bytes in quarantine, and one ``recovery`` record that says so.

Bytes are kept before the cut and recorded behind it. A kill may come between any two of these steps, so that
each start looks for kept bytes without their record: their name says where in the journal they stood, and the
record can only lie behind that place.
"""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import Place
from edgeagent.model.records import TailCut
from edgeagent.store.files import make_folder, write_synced
from edgeagent.store.journal import JournalReader

_NAME = re.compile(r"journal-tail-[0-9a-f]{16}-at-([0-9]{1,15})-in-([^/]+\.jsonl)")
# The record is among the first behind the cut but for a start by an older version: little is read at once.
_AT_ONCE = 500


def keep_end(quarantine: Path, place: Place, data: bytes) -> None:
    """Keep the bytes that are about to be cut off behind ``place``, durably. Raises OSError."""
    make_folder(quarantine)
    # By place and content: a start that is cut off and repeated keeps one copy, not one for each attempt.
    write_synced(quarantine / f"{_settled(data)}-at-{place.offset}-in-{place.segment}", data)


def cuts_to_record(quarantine: Path, journal: JournalReader) -> list[TailCut]:
    """The records that must follow: of every kept end that no record behind its place names.

    Only once the journal is whole: what is kept and not cut yet is cut first. Bytes that the disk does not give
    back are tried again at the next start. Raises JournalCorruptError.
    """
    found: list[TailCut] = []
    with contextlib.suppress(OSError):
        for path in sorted(quarantine.iterdir()):
            named = _NAME.fullmatch(path.name)
            if named is None:
                continue
            # One by one: a file that cannot be read must keep neither the others nor the start.
            with contextlib.suppress(OSError):
                place, data = Place(named[2], int(named[1])), path.read_bytes()
                if not _is_recorded(digest_of(data), place, journal):
                    found.append(_body(place, data, journal))
                    continue
                # Not at once after the record: a later start needs no look for it any more.
                path.rename(quarantine / _settled(data))
    return found


def _body(place: Place, data: bytes, journal: JournalReader) -> TailCut:
    """Raises OSError."""
    lines = (journal.folder / place.segment).read_bytes()[: place.offset].count(b"\n")
    reason = f"{place.segment}: line {lines + 1}: the journal ended within it"
    return TailCut(reason=reason, bytes=len(data), sha256=digest_of(data))


def _settled(data: bytes) -> str:
    """Name of a kept end once its record is there."""
    return f"journal-tail-{digest_of(data)[:16]}"


def _is_recorded(digest: str, place: Place, journal: JournalReader) -> bool:
    while records := journal.read_from(place, _AT_ONCE):
        if any(isinstance(r.body, TailCut) and r.body.sha256 == digest for r, _ in records):
            return True
        place = records[-1][1]
    return False
