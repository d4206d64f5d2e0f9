"""Random lives of an edge node: whatever happens between it, the broker and the host, every part arrives.

The broker loses what it has not answered for when a connection ends; the host hears nothing from the moment
when it dies, which the broker says up to ``GRACE_S`` later; the agent is killed and goes on from what it saved
a while ago. A host of its own checks every message as it is sent: numbers, births before data, names.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from sparkplug_world import DEVICE, HOST, World, kind_of

from edgeagent.rules.sparkplug import node_state as say
from edgeagent.rules.sparkplug.node_state import NodePhase

GRACE_S, SAVE_S = 10.0, 5.0
UP = (NodePhase.SUBSCRIBING, NodePhase.WAITING, NodePhase.BORN)


class StrictHost:
    """What a strict receiver demands of the messages of one session, in the order of sending."""

    def __init__(self) -> None:
        self.next: int | None = None
        self.named: dict[str, set[str]] = {}

    def check(self, send: say.Send) -> None:
        kind, who = kind_of(send), "/".join(send.topic.split("/")[3:])
        payload = send.payload
        names = {m.name for m in payload.metrics}
        if kind == "NDEATH":
            assert payload.seq is None
            self.next, self.named = None, {}
            return
        if kind == "NBIRTH":
            assert payload.seq == 0
            self.named = {}
        else:
            assert payload.seq == self.next, "payloads-sequence-num-incrementing"
        assert payload.seq is not None
        self.next = (payload.seq + 1) % 256
        if kind.endswith("BIRTH"):
            assert kind == "NBIRTH" or self.named, "payloads-dbirth-order"
            self.named[who] = names
        elif kind == "DDEATH":
            del self.named[who]
        else:
            assert names <= self.named[who], "operational-behavior-data-publish-dbirth"


class Life:
    """One agent, one broker, one primary host, and chance."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.world = World(host=HOST, grace_s=GRACE_S)
        self.strict = StrictHost()
        self.checked = 0
        self.in_flight: list[say.Send] = []
        self.heard: set[str] = set()
        self.parts: list[str] = []
        self.host_up, self.host_said, self.host_ms = True, True, 1
        self.offline_at: float | None = None
        self.saved = self.world.node
        self.save_at = 0.0
        self.lost = False

    def follow(self) -> None:
        """What was sent since: checked, and on its way to the broker."""
        for send in self.world.sent[self.checked :]:
            self.strict.check(send)
            self.in_flight.append(send)
        self.checked = len(self.world.sent)
        if any(isinstance(a, say.OpenSession) for a in self.world.actions):
            self.saved = replace(self.saved, bdseq=self.world.node.bdseq)
        self.world.actions.clear()
        if self.world.now >= self.save_at:
            self.saved, self.save_at = self.world.node, self.world.now + SAVE_S
        if self.offline_at is not None and self.world.now >= self.offline_at:
            self.offline_at, self.host_said = None, False
            self.say_state()

    def reach_broker(self, share: float = 1.0) -> None:
        """The first part of what is on its way reaches the broker, and the host if it lives."""
        count = round(len(self.in_flight) * share)
        arrived, self.in_flight = self.in_flight[:count], self.in_flight[count:]
        if self.host_up:
            self.heard |= {
                str(m.value) for s in arrived for m in s.payload.metrics if m.name == "Part/Serial" and m.value
            }

    def say_state(self) -> None:
        if self.world.node.phase in UP:
            self.world.host(self.host_said, self.host_ms)

    def part(self) -> None:
        serial = f"s{len(self.parts)}"
        self.parts.append(serial)
        self.world.part(serial, self.chance.choice((DEVICE, DEVICE, "gauge-2")))

    def cut(self) -> None:
        """The connection ends; some of what was not answered for is lost."""
        if self.world.node.phase in (*UP, NodePhase.CONNECTING):
            self.reach_broker(self.chance.random())
            self.in_flight.clear()
            self.strict = StrictHost()
            self.world.take(say.SessionEnded, "gone")

    def kill(self) -> None:
        self.reach_broker(self.chance.random())
        self.in_flight.clear()
        self.strict = StrictHost()
        fresh = World(host=HOST, grace_s=GRACE_S)
        kept = self.saved
        node = replace(fresh.node, bdseq=kept.bdseq, sent=kept.sent, read=kept.sent, folded=kept.folded)
        self.world.node = replace(node, own=kept.own, devices=kept.devices)
        behind = [e for e in self.world.journal if e.seq > kept.folded.seq]
        self.world.take(say.Recorded, tuple(behind))
        self.world.take(say.Begin)

    def connect(self) -> None:
        phase = self.world.node.phase
        if phase is NodePhase.CONNECTING:
            if self.chance.random() < 0.3:
                self.world.take(say.Unreached, "refused")
            else:
                self.world.take(say.LetIn)
                if self.chance.random() < 0.5:
                    self.say_state()
                    self.world.answer()
                else:
                    self.world.answer()
                    self.say_state()

    def answer(self) -> None:
        if self.world.node.open is not None:
            self.reach_broker()
            self.world.answer()

    def host_dies(self) -> None:
        if self.host_up:
            self.host_up = False
            self.offline_at = self.world.now + self.chance.uniform(0.0, GRACE_S * 0.8)

    def host_lives(self) -> None:
        if not self.host_up and self.offline_at is None:
            self.host_up = self.host_said = True
            self.host_ms += 1
            self.say_state()

    def folder(self) -> None:
        self.lost = not self.lost
        self.world.take(say.Stands, (), frozenset({DEVICE}) if self.lost else frozenset())

    def pass_time(self) -> None:
        self.world.tick(self.chance.choice((0.05, 0.3, 1.0, 3.0)))

    def live(self, steps: int) -> None:
        acts = {
            self.part: 8, self.pass_time: 12, self.answer: 8, self.connect: 6, self.cut: 1, self.kill: 0.7,
            self.host_dies: 0.7, self.host_lives: 1.5, self.folder: 0.6, self.world.ncmd: 0.7,
        }  # fmt: skip
        for act in self.chance.choices(list(acts), list(acts.values()), k=steps):
            act()
            self.follow()

    def rests(self) -> bool:
        """Whether everything arrived and the node knows it."""
        return self.heard >= set(self.parts) and self.world.node.sent.seq == len(self.world.journal)

    def come_to_rest(self) -> None:
        """Nothing bad happens any more, for 200 s at most."""
        if self.lost:
            self.folder()
        for _ in range(200):
            if self.rests():
                break
            self.host_lives()
            self.connect()
            self.world.tick(1.0)
            self.follow()
            self.answer()
            self.follow()


@pytest.mark.parametrize("block", range(8))
def test_every_part_arrives_and_every_message_is_in_order_whatever_happens(block):
    for seed in range(block * 25, block * 25 + 25):
        life = Life(seed)
        life.world.take(say.Begin)
        life.live(160)
        life.come_to_rest()
        assert life.heard >= set(life.parts), (
            f"seed {seed}: {sorted(set(life.parts) - life.heard)} never arrived"
        )
        assert life.world.node.sent.seq == len(life.world.journal), f"seed {seed}"
        assert len(life.parts) > 10
