"""The end of a growing journal: its last records at first, then what is added. Opens files for reading only.

However long the journal is, only its end is read, so that neither the time to begin nor memory grow with it.
"""

from __future__ import annotations

from pathlib import Path

from edgeagent.codec.records.record import Place, Record, RecordError, decode_record
from edgeagent.errors import JournalCorruptError
from edgeagent.store.journal import JournalReader

# Some five hundred parts of two traces (11 KB of records each).
BYTES_AT_FIRST = 6_000_000
# Bounds the memory after a pause; the caller asks again until nothing is left.
_RECORDS_A_READ = 1000


class JournalTail:
    """Where reading has got to. ``began_at`` is the number of the first record that was read, 0 for none.

    ``trouble`` says in words why the journal cannot be read at the moment; it is tried again every time.
    """

    def __init__(self, folder: Path, *, bytes_at_first: int = BYTES_AT_FIRST) -> None:
        self._reader = JournalReader(folder)
        self._bytes = bytes_at_first
        self._place: Place | None = None
        self._last: tuple[int, str] | None = None
        self.began_at = 0
        self.trouble = ""

    def more(self) -> tuple[bool, list[Record]]:
        """Records that were not read yet; and whether these begin anew, because the journal is another one."""
        try:
            segments = self._reader.segments()
            if self._place is None or not self._still_there():
                return True, self._begin(segments)
            found = self._reader.read_from(self._place, _RECORDS_A_READ)
        except (JournalCorruptError, OSError) as error:
            # The board stays as it was: what it shows is still true, and the trouble stands beside it.
            self.trouble = str(error)
            return False, []
        self.trouble = ""
        if found:
            self._note(found[-1])
        return False, [record for record, _ in found]

    def _note(self, last: tuple[Record, Place]) -> None:
        record, self._place = last
        self._last = record.seq, record.hash

    def _still_there(self) -> bool:
        """Whether the record that was read last is still where it was: a store may have been exchanged."""
        assert self._place is not None
        path = self._reader.folder / self._place.segment
        try:
            with path.open("rb") as file:
                # Enough for the hash and what closes the line; the whole record would prove no more.
                begin = max(0, self._place.offset - 200)
                file.seek(begin)
                end = file.read(self._place.offset - begin)
        except OSError:
            return False
        head = self._last[1] if self._last else ""
        return len(end) == self._place.offset - begin and end.endswith(f'"{head}"}}\n'.encode())

    def _begin(self, segments: list[Path]) -> list[Record]:
        """The last records of the journal, without those that a broken line hides."""
        self._place, self._last, self.began_at, self.trouble = None, None, 0, ""
        wanted, found = self._bytes, list[Record]()
        last: tuple[Record, Place] | None = None
        for path in reversed(segments):
            records, end = _records_at_end(path, wanted)
            if records and last is None:
                last = records[-1], Place(path.name, end)
            found[:0] = records
            # By what the segment has, which may be less than was wanted of it.
            wanted -= path.stat().st_size
            if wanted <= 0:
                break
        # Only now: after an error in an older segment the next look must begin anew, not go on from here.
        if last is not None:
            self._note(last)
        self.began_at = found[0].seq if found else 0
        return found


def _records_at_end(path: Path, wanted: int) -> tuple[list[Record], int]:
    """The records in the last bytes of a segment, and where the last whole line ends."""
    with path.open("rb") as file:
        size = file.seek(0, 2)
        begin = max(0, size - wanted)
        file.seek(begin)
        data = file.read(size - begin)
    lines = data.split(b"\n")
    end = size - len(lines.pop())
    found = []
    # The first line has most likely lost its beginning.
    for line in lines[1:] if begin else lines:
        try:
            found.append(decode_record(line))
        except RecordError:
            continue
    return found, end
