"""Messages that somebody recorded on the line, compared one by one with those that the records give.

A recording has one JSON object a line with ``topic`` and ``payload``, as ``mosquitto_sub -F %J`` and most
databases write it. Messages with a record's number are compared; the lamp's digit, heartbeats and states have
none.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

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


class _Heard(msgspec.Struct, frozen=True):
    topic: str
    payload: msgspec.Raw


class HeardMessages:
    """Give each record once, in order. ``passed_over`` counts lines that are no messages of records."""

    def __init__(self, lines: Iterable[bytes]) -> None:
        self._heard: dict[int, list[tuple[str, dict[str, Any]]]] = defaultdict(list)
        self.compared = self.passed_over = 0
        decoder = msgspec.json.Decoder(_Heard)
        for line in lines:
            try:
                found = decoder.decode(line)
                topic = _TOPICS[found.topic.rpartition("/")[2]]
                payload = msgspec.json.decode(found.payload, type=dict[str, Any] | str)
                if isinstance(payload, str):  # a database that keeps the payload's text
                    payload = msgspec.json.decode(payload, type=dict[str, Any])
                seq, _ = int(payload["seq"]), str(payload["head"])
            except (msgspec.MsgspecError, ValueError, KeyError, TypeError):
                self.passed_over += 1
                continue
            self._heard[seq].append((topic, payload))

    def apply(self, record: Record, live_s: float) -> Iterator[Contradiction]:
        """What was heard of a record otherwise than it says."""
        for topic, payload in self._heard.pop(record.seq, ()):
            if topic == "alarm" and not any(True for _ in _derived(record, topic, live_s)):
                self.passed_over += 1  # an alarm of the service's own that rests on this record
                continue
            self.compared += 1
            unlike = [
                beyond_rounding(_lasting(payload), derived) for derived in _derived(record, topic, live_s)
            ]
            if not unlike:
                words = f"heard on the line, and a {record.kind} record sends none"
                yield Contradiction(record.seq, _KIND, topic, words)
            elif all(unlike):
                first = min(unlike, key=len)[0]
                words = f"heard with {first.where}: {first.recorded}, the record says {first.now}"
                yield Contradiction(record.seq, _KIND, topic, words)

    def contradictions_at_end(self) -> Iterator[Contradiction]:
        """Messages of records that the journal does not have."""
        for seq, heard in sorted(self._heard.items()):
            yield Contradiction(
                seq, _KIND, heard[0][0], "heard on the line, and the journal has no such record"
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
