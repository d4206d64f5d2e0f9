"""What the journal says of the line, derived again: what waited, what was acknowledged, how far delivery was.

Each record's messages follow from the record (``rules.line.outbox``), and the lamp from them one by one. On
record are the acknowledgements that found something waiting, notes of how far delivery was, and beside the
journal the agent's own note of what still waits.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from edgeagent.codec.records.record import Record
from edgeagent.judging.replaying.contradiction import Contradiction
from edgeagent.model.records import (
    Acknowledgement,
    Checkpoint,
    Measurement,
    PartDisposition,
    Quarantine,
    Release,
    ReleaseRefusal,
    Stop,
)
from edgeagent.rules.line.lamp import Lamp, Waiting

KIND = "lamp"


class LineDerivation:
    """Give each record once, in order, with the lamp as it was before it.

    ``noted`` is what waits by the agent's own note; ``delivered`` how far delivery was by it, None without one.
    """

    def __init__(self, noted: Collection[Waiting] = (), delivered: int | None = None) -> None:
        self._noted = {one.seq: one for one in noted}
        self._delivered = delivered
        self._found: set[int] = set()
        self._answering: tuple[str, Lamp] | None = None
        self._published = 0

    def apply(self, record: Record, lamp: Lamp) -> Iterator[Contradiction]:
        """What a record says otherwise than the lamp was."""
        body = record.body
        if record.seq in self._noted and _waits_as(record, self._noted[record.seq]):
            self._found.add(record.seq)
        if isinstance(body, Acknowledgement) and not isinstance(body, Release | ReleaseRefusal):
            # Those of one moment were matched against what waited before the first of them
            if self._answering is None or self._answering[0] != record.time:
                self._answering = record.time, lamp
            if body.matched and not self._answering[1].waits(body.seq):
                words = f"acknowledges record {body.seq} as waiting, which did not wait"
                yield Contradiction(record.seq, KIND, body.who, words)
            return
        self._answering = None
        if isinstance(body, Checkpoint | Stop):
            if body.published >= record.seq:
                words = f"says that record {body.published} was delivered before it was written"
                yield Contradiction(record.seq, KIND, "delivery", words)
            elif body.published < self._published:
                words = f"says that {body.published} records were delivered, after {self._published} were"
                yield Contradiction(record.seq, KIND, "delivery", words)
            self._published = max(self._published, body.published)

    def ended(self, lamp: Lamp, end: int) -> Iterator[Contradiction]:
        """What the agent's own note says otherwise than the journal, whose last record is ``end``."""
        if self._delivered is None:
            return
        for waiting in lamp.waiting:
            if waiting.what == "reject" and waiting.seq <= self._delivered and waiting.seq not in self._noted:
                words = "the lamp must hold it until it is acknowledged, and the agent's note does not know it"
                yield Contradiction(waiting.seq, KIND, f"{waiting.part} {waiting.serial}", words)
        for seq, noted in self._noted.items():
            if seq not in self._found:
                words = f"waits by the agent's note ({noted.what}), and no such record does"
                yield Contradiction(seq, KIND, f"{noted.part} {noted.serial}".strip() or noted.file, words)
        if not self._published <= self._delivered <= end:
            words = f"delivered up to {self._delivered} by the agent's note, not {self._published} to {end}"
            yield Contradiction(end, KIND, "delivery", words)


def _waits_as(record: Record, noted: Waiting) -> bool:
    """Whether a record is one that waits as noted. Notes of versions before name no part."""
    body = record.body
    if isinstance(body, PartDisposition):
        named = (noted.part, noted.serial) in ((body.part, body.serial), ("", ""))
        return noted.what == body.disposition.value and named
    return isinstance(body, Quarantine | Measurement) and noted.what == "quarantine"
