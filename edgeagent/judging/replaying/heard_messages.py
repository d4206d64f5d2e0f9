"""Messages that somebody recorded on the line, compared one by one with those that the records give.

A recording has one JSON object a line with ``topic`` and ``payload``, as ``mosquitto_sub -F %J`` and most
databases write it. Messages with a record's number are compared; the lamp's digit, heartbeats and states have
none.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from typing import Any, BinaryIO

import msgspec
import numpy as np

from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.judging.agreement import beyond_rounding
from edgeagent.judging.replaying.contradiction import Contradiction
from edgeagent.rules.line.outbox import messages

_TOPICS = {"measurement": "measurement", "disposition": "disposition", "decided": "disposition",
           "verification": "verification", "alarm": "alarm"}  # fmt: skip
"""Last part of a topic, and of the topic whose message it repeats."""
_AT_DELIVERY = frozenset({"boot", "store", "late", "age_s", "expires_at", "expires_beat", "holds"})
"""Members that depend on when a message was sent."""
_KIND = "message"
_LATE_S = 1e9
_LINE_BYTES_MAX = 1_000_000
"""A longer line is no message of a record, which has 8 kB at the most."""


class _Heard(msgspec.Struct, frozen=True):
    topic: str
    payload: msgspec.Raw


class HeardMessages:
    """Give each record once, in order, with the prefix of the topics by the configuration in force.

    The recording is read line by line, once at first and each message again with its record; 16 bytes of each
    are kept. Another station's messages are passed over: a message is this one's by its whole topic (that a
    bridge may have put something before), or by the hash of its record, whatever the topic was then.
    ``passed_over`` counts lines that are no messages of this station's records.
    """

    def __init__(self, recording: BinaryIO) -> None:
        self._recording = recording
        self._decoder = msgspec.json.Decoder(_Heard)
        self._prefixes: set[str] = set()
        self._applied = 0
        self.compared = self.passed_over = 0
        seqs, places = array("Q"), array("Q")
        place = recording.tell()
        while line := recording.readline(_LINE_BYTES_MAX):
            found = self._read(line)
            if found is None:
                self.passed_over += 1
            else:
                seqs.append(found[0])
                places.append(place)
            place += len(line)
        order = np.argsort(np.frombuffer(seqs, np.uint64), kind="stable") if seqs else np.empty(0, np.intp)
        self._seqs = np.array(seqs, np.uint64)[order]
        self._places = np.array(places, np.uint64)[order]

    def _read(self, line: bytes) -> tuple[int, str, str, dict[str, Any]] | None:
        """Number, prefix and kind of a record's message, and its payload; None for anything else."""
        try:
            found = self._decoder.decode(line)
            prefix, _, last = found.topic.rpartition("/")
            payload = msgspec.json.decode(found.payload, type=dict[str, Any] | str)
            if isinstance(payload, str):  # a database that keeps the payload's text
                payload = msgspec.json.decode(payload, type=dict[str, Any])
            seq, _ = int(payload["seq"]), str(payload["head"])
            return (seq, prefix, _TOPICS[last], payload) if 0 <= seq < 2**63 else None
        except (msgspec.MsgspecError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
            return None

    def apply(self, record: Record, live_s: float, prefix: str | None) -> Iterator[Contradiction]:
        """What was heard of a record otherwise than it says."""
        self._applied = record.seq
        if prefix is not None:
            self._prefixes.add(prefix)
        for place in self._of(record.seq):
            found = self._at(place)
            if found is None or not (self._is_own(found[1]) or found[3]["head"] == record.hash):
                self.passed_over += 1
            else:
                yield from self._compared(record, found[2], found[3], live_s)

    def _compared(
        self, record: Record, topic: str, payload: dict[str, Any], live_s: float
    ) -> Iterator[Contradiction]:
        derived = list(_derived(record, topic, live_s))
        if topic == "alarm" and not derived:
            self.passed_over += 1  # an alarm of the service's own that rests on this record
            return
        self.compared += 1
        unlike = [beyond_rounding(_lasting(payload), one) for one in derived]
        if not unlike:
            words = f"heard on the line, and a {record.kind} record sends none"
            yield Contradiction(record.seq, _KIND, topic, words)
        elif all(unlike):
            first = min(unlike, key=len)[0]
            words = f"heard with {first.where}: {first.recorded}, the record says {first.now}"
            yield Contradiction(record.seq, _KIND, topic, words)

    def _of(self, seq: int) -> list[int]:
        first, end = (int(np.searchsorted(self._seqs, np.uint64(seq), side)) for side in ("left", "right"))
        return [int(place) for place in self._places[first:end]]

    def _at(self, place: int) -> tuple[int, str, str, dict[str, Any]] | None:
        self._recording.seek(place)
        return self._read(self._recording.readline(_LINE_BYTES_MAX))

    def _is_own(self, prefix: str) -> bool:
        return any(prefix == own or prefix.endswith(f"/{own}") for own in self._prefixes)

    def contradictions_at_end(self) -> Iterator[Contradiction]:
        """Messages of records that the journal does not have."""
        beyond = (self._seqs == 0) | (self._seqs > np.uint64(self._applied))
        said = 0
        for seq, place in zip(self._seqs[beyond].tolist(), self._places[beyond].tolist(), strict=True):
            found = self._at(place)
            if found is None or not self._is_own(found[1]):
                self.passed_over += 1
            elif said != seq + 1:
                said = seq + 1
                yield Contradiction(
                    seq, _KIND, found[2], "heard on the line, and the journal has no such record"
                )


def _derived(record: Record, topic: str, live_s: float) -> Iterator[dict[str, Any]]:
    """A record's messages on a topic, sent in time and sent late, without what depends on that."""
    stamp = {"seq": record.seq, "head": record.hash, "time": record.time}
    settled = getattr(record.body, "settled_at", 0.0)
    for now in (settled, settled + live_s + _LATE_S):
        for message in messages(record.body, stamp, now=now, live_s=live_s):
            if message.topic == topic:
                yield _lasting(msgspec.json.decode(encode(message.payload)))


def _lasting(payload: dict[str, Any]) -> dict[str, Any]:
    late = payload.get("alarm", "").startswith("late-") if isinstance(payload.get("alarm"), str) else False
    # How late it was stands in the sentence of such an alarm
    left_out = _AT_DELIVERY | ({"reason"} if late else frozenset())
    return {name: value for name, value in payload.items() if name not in left_out}
