"""An edge node without I/O: the machine, a journal in memory, and what went out, in order."""

from __future__ import annotations

import json
from typing import Any

from records import body_of

from edgeagent.model.sparkplug import DataType, Metric, Payload
from edgeagent.rules.sparkplug import node_state as say
from edgeagent.rules.sparkplug.node import step
from edgeagent.rules.sparkplug.node_values import with_basics
from edgeagent.rules.sparkplug.record_metrics import metrics_of
from edgeagent.rules.sparkplug.topics import Names

GROUP, NODE, HOST, DEVICE = "plant-a", "cell-3.gauge-1", "scada", "gauge-1"
RECORD_MS = 1_700_000_000_000
"""Time of record 0; each record is a second later."""


class World:
    """Drives the machine as the service does; ``sent`` are all messages, ``actions`` what it asked for."""

    def __init__(self, host: str | None = None, grace_s: float = 0.0, bdseq: int = -1) -> None:
        self.node = with_basics(say.Node(Names(GROUP, NODE, host), DEVICE, grace_s, bdseq=bdseq))
        self.now = 100.0
        self.journal: list[say.JournalEntry] = []
        self.sent: list[say.Send] = []
        self.actions: list[say.Action] = []
        self.connects: list[int] = []
        self.read_limit: int | None = None

    @property
    def now_ms(self) -> int:
        return RECORD_MS + int(self.now * 1000)

    def take(self, kind: Any, *members: Any) -> list[say.Action]:
        """Give one event; what it asked for. Reads are answered at once, as the service does."""
        self.node, actions = step(self.node, kind(self.now, self.now_ms, *members))
        self.actions += actions
        self.sent += [a for a in actions if isinstance(a, say.Send)]
        self.connects += [a.bdseq for a in actions if isinstance(a, say.OpenSession)]
        for action in actions:
            if isinstance(action, say.ReadJournal):
                behind = [e for e in self.journal if e.seq > action.after.seq][: action.count]
                self.take(say.Remembered, tuple(behind))
        return list(actions)

    def answer(self) -> None:
        """The broker answers the last subscription that waits for it."""
        self.take(say.Subscribed, self.node.ticket)

    def connect(self) -> None:
        """From a pause or the start to the answered subscription."""
        if self.node.phase == say.NodePhase.IDLE:
            self.take(say.Begin)
        if self.node.phase == say.NodePhase.PAUSING:
            self.now = max(self.now, self.node.due)
            self.take(say.NodeTick)
        assert self.node.phase == say.NodePhase.CONNECTING
        self.take(say.LetIn)
        self.answer()

    def host(self, online: bool, at_ms: int = 1, host: str = HOST) -> list[say.Action]:
        payload = json.dumps({"online": online, "timestamp": at_ms}).encode()
        return self.take(say.StateSaid, f"spBv1.0/STATE/{host}", payload)

    def tick(self, seconds: float = 0.0) -> list[say.Action]:
        self.now += seconds
        return self.take(say.NodeTick)

    def settle(self, seconds: float = 3.0) -> None:
        """Time passes, and the broker answers what it is asked."""
        for _ in range(int(seconds / 0.5)):
            self.tick(0.5)
            if self.node.open is not None:
                self.answer()

    def record(self, kind: str, members: dict[str, Any] | None = None) -> say.JournalEntry:
        """A new record in the journal, told to the machine."""
        entry = self.write(kind, members)
        self.take(say.Recorded, (entry,))
        return entry

    def write(self, kind: str, members: dict[str, Any] | None = None) -> say.JournalEntry:
        seq = len(self.journal) + 1
        found = metrics_of(body_of(kind, members), seq, RECORD_MS + 1000 * seq)
        entry = say.JournalEntry(seq, f"place {seq}", found)
        self.journal.append(entry)
        return entry

    def part(self, serial: str, instrument: str = DEVICE) -> say.JournalEntry:
        source = {"feature": "outside", "name": "a", "sha256": None, "instrument": instrument, "seq": 1}
        return self.record("disposition", {"serial": serial, "sources": [source]})

    def command(self, topic: str, name: str, value: Any, *, retained: bool = False) -> list[say.Action]:
        payload = Payload((Metric(name, None, value, 0),), 1)
        return self.take(say.Commanded, topic, payload, retained)

    def ncmd(self, name: str = "Node Control/Rebirth", value: Any = True) -> list[say.Action]:
        return self.command(f"spBv1.0/{GROUP}/NCMD/{NODE}", name, value)

    def dcmd(self, value: Any, name: str = "Acknowledge", device: str = DEVICE) -> list[say.Action]:
        return self.command(f"spBv1.0/{GROUP}/DCMD/{NODE}/{device}", name, value)

    def kinds(self) -> list[str]:
        return [kind_of(s) for s in self.sent]

    def forget(self) -> None:
        """Only what comes from here on counts."""
        self.sent.clear()
        self.actions.clear()


def kind_of(send: say.Send) -> str:
    return send.topic.split("/")[2]


def serials(sends: list[say.Send]) -> list[tuple[str, bool, int]]:
    """Serial, whether historical, and time of each part in data messages."""
    return [
        (str(m.value), m.historical, m.at_ms)
        for s in sends
        if kind_of(s) == "DDATA"
        for m in s.payload.metrics
        if m.name == "Part/Serial"
    ]


def lamp(value: int, at_ms: int = 5) -> Metric:
    return Metric("Lamp", DataType.INT32, value, at_ms)
