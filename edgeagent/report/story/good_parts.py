"""The last good part of a part number, for a report to compare with.

A part counts as good while nothing rejected or held it after it was accepted: not before the part that is
reported, and not since. So no report shows a part beside it as good that a later measurement proved bad.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from edgeagent.codec.records.record import Record
from edgeagent.model import Disposition
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.report.story.typed_record import PartKey, TypedRecord, typed_record
from edgeagent.store.index.lookup import Lookup

GOOD_MAX = 8
"""Good parts of a part number that are kept in case the newest of them is rejected or held later."""
_OPEN_MAX, _BACK_MAX = 2000, 4000
"""Parts whose files are kept while nothing accepted them, and records that are looked at for a good part."""


@dataclass(frozen=True, slots=True)
class GoodFiles:
    """The files that an accepted part was accepted by; ``seq`` is the record that accepted it, 0 for none."""

    seq: int = 0
    serial: str = ""
    files: tuple[TypedRecord[Measurement], ...] = ()


class GoodParts:
    """The last accepted parts of each part number, as a walk through the journal meets them."""

    def __init__(self) -> None:
        self._open: OrderedDict[PartKey, dict[str, TypedRecord[Measurement]]] = OrderedDict()
        self._good: dict[str, tuple[GoodFiles, ...]] = {}
        self._doubted: dict[PartKey, int] = {}

    def fold(self, record: Record) -> None:
        """Take in one record."""
        match record.body:
            case Measurement() as body if body.trace.of_artefact is None:
                key = body.trace.of_part
                self._open.setdefault(key, {})[body.trace.feature] = typed_record(record, body)
                self._open.move_to_end(key)
                if len(self._open) > _OPEN_MAX:
                    # The part measured longest ago: it has most likely been given up.
                    self._open.popitem(last=False)
            case PartDisposition() as body:
                # Whatever is decided of it now: an earlier acceptance of this serial no longer speaks for it.
                kept = tuple(g for g in self._good.get(body.part, ()) if g.serial != body.serial)
                if body.disposition == Disposition.ACCEPT:
                    files = tuple(self._open.get((body.part, body.serial), {}).values())
                    kept = (GoodFiles(record.seq, body.serial, files), *kept)[:GOOD_MAX]
                else:
                    self._doubted[body.part, body.serial] = record.seq
                self._good[body.part] = kept

    def before(self, key: PartKey) -> tuple[GoodFiles, ...]:
        """The good parts so far that are others of the same number, the newest first."""
        return tuple(g for g in self._good.get(key[0], ()) if g.serial != key[1] and g.files)

    def last_good(self, part: str, candidates: Sequence[GoodFiles]) -> GoodFiles:
        """The first of them that nothing rejected or held up to the end of the walk."""
        # Later doubts count too: the walk has been to the end when this is asked.
        kept = (g for g in candidates if self._doubted.get((part, g.serial), 0) < g.seq)
        return next(kept, GoodFiles())


def look_back(lookup: Lookup, key: PartKey, seq: int) -> GoodFiles:
    """The last good part of the same number before a record, if it is not too long ago."""
    # The part itself is no company for comparison.
    seen = {key[1]}
    tried = 0
    for record in islice(lookup.backwards(seq), _BACK_MAX):
        body = record.body
        if not isinstance(body, PartDisposition) or body.part != key[0] or body.serial in seen:
            continue
        seen.add(body.serial)  # what was decided last of a part counts
        if body.disposition != Disposition.ACCEPT:
            continue
        found = _standing(lookup, record, body)
        if found is not None:
            return found
        tried += 1
        if tried == GOOD_MAX:
            break
    return GoodFiles()


def _standing(lookup: Lookup, accepted: Record, body: PartDisposition) -> GoodFiles | None:
    """The files of an accepted part; None where it was rejected or held since, or files are missing."""
    files: dict[int, TypedRecord[Measurement]] = {}
    wanted = {source.seq for source in body.sources}
    for record in lookup.of_serial(body.serial):
        match record.body:
            case Measurement() as measured if record.seq in wanted:
                files[record.seq] = typed_record(record, measured)
            case PartDisposition() as later if record.seq > accepted.seq:
                same = (later.part, later.serial) == (body.part, body.serial)
                if same and later.disposition != Disposition.ACCEPT:
                    return None
    whole = files and len(files) == len(wanted)
    return GoodFiles(accepted.seq, body.serial, tuple(files.values())) if whole else None
