"""Is a journal whole? Walks the chain from outside; needs no configuration and writes nothing."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from edgeagent.errors import JournalCorruptError
from edgeagent.store.journal import JournalReader
from edgeagent.store.state import read_state


@dataclass(frozen=True, slots=True)
class Whole:
    """What a whole journal consists of."""

    records: int
    segments: int
    first: str
    last: str
    head: str
    anchored: str


def journal_folder(folder: Path) -> Path:
    """The journal's folder, given itself or the store that it lies in."""
    return folder / "journal" if (folder / "journal").is_dir() else folder


def verify_journal(folder: Path, anchors: tuple[tuple[int, str], ...] = ()) -> Whole:
    """Check every record, the chain, and that the journal still holds what others have seen of it.

    ``anchors`` are (seq, hash) pairs from MQTT messages. Without them the store's own note of the last
    record, if there is one, tells whether the end was cut off. Raises JournalCorruptError with segment,
    line and reason of the first damage.
    """
    journal = journal_folder(folder)
    wanted: dict[int, set[str]] = {}
    for seen, hash_seen in anchors:
        wanted.setdefault(seen, set()).add(hash_seen)
    note = read_state(journal.parent / "state" / "publisher.json")
    if note is not None and note.end:
        wanted.setdefault(note.end, set()).add(note.head)
    for attempt in range(5):
        reader = JournalReader(journal)
        open_anchors = dict(wanted)
        count, first, last, head = 0, "", "", ""
        segment, line = "", 0
        for record, place in reader.walk():
            segment, line = place.segment, line + 1 if place.segment == segment else 1
            count, last, head = record.seq, record.time, record.hash
            first = first or record.time
            if open_anchors.pop(record.seq, {record.hash}) != {record.hash}:
                raise JournalCorruptError(
                    segment, line, f"record {record.seq} is not the one that was published: hashes differ"
                )
        if reader.tail is None:
            break
        if attempt == 4:
            tail = reader.tail
            raise JournalCorruptError(tail.segment, tail.line, f"{tail.reason} (torn end)")
        time.sleep(0.05)  # a writer may be in the middle of this very line
    if not count:
        raise JournalCorruptError(str(journal), 0, "there is no journal here")
    if open_anchors:
        seq = max(open_anchors)
        raise JournalCorruptError(
            reader.segments()[-1].name, 0, f"the journal ends at record {count}, but record {seq} was written"
        )
    anchored = "its end is anchored" if wanted else "its end is not anchored: a cut end would not show"
    return Whole(count, len(reader.segments()), first, last, head, anchored)
