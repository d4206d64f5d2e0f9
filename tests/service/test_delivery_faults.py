"""Delivery through a bad network and beside other writers, with a real broker: never silent, never clear."""

from __future__ import annotations

import json
import struct
import threading
import time
from itertools import pairwise

import paho.mqtt.client as mqtt
import pytest
from field import PREFIX, stop_loop
from mqtt_proxy import PUBACK, PUBLISH, MqttProxy
from paho.mqtt.enums import CallbackAPIVersion

pytestmark = pytest.mark.needs_mosquitto
QUICK = {"intake.settle_s": 0.05}


@pytest.fixture
def proxied(cell, started):
    """A cell whose agent reaches the broker through the proxy only: (proxy, listener, agent)."""
    cell.begin_broker()
    proxy = started.enter_context(MqttProxy(cell.broker.port))
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "mqtt.url": f"mqtt://127.0.0.1:{proxy.port}"})
    return proxy, line, agent


def lose_answer_to(proxy, topic: str) -> None:
    """Lose the broker's PUBACK of the next message on a topic, and nothing else."""
    seen: list[int] = []

    def is_message(kind: int, packet: bytes) -> bool:
        if kind == PUBLISH and packet[0] & 6 and f"{PREFIX}/{topic}".encode() in packet and not seen:
            at = packet.index(PREFIX.encode()) + len(f"{PREFIX}/{topic}")
            seen.append(struct.unpack(">H", packet[at : at + 2])[0])
        return False

    def is_its_answer(kind: int, packet: bytes) -> bool:
        is_message(kind, packet)
        return kind == PUBACK and bool(seen) and struct.unpack(">H", packet[2:4])[0] == seen[0]

    proxy.drop(is_its_answer)


def test_one_lost_puback_is_a_fault_within_seconds_and_silences_nothing(proxied, circle_text):
    proxy, line, agent = proxied
    agent.drop("1.txt", circle_text("1"))
    line.wait_topic("disposition")
    lose_answer_to(proxy, "measurement")
    agent.drop("2.txt", circle_text("2"))
    agent.wait_event("measured", 2)
    line.wait_lamp("3", 15)
    agent.drop("3.txt", circle_text("3", 4000.0))
    (given_up,) = agent.wait_event("mqtt-unacknowledged")
    assert given_up["topic"] == "measurement"
    line.wait(lambda of: "3" in [m.json["serial"] for m in of.messages("disposition")])
    line.wait_lamp("1")
    serials = {m.json["seq"]: m.json["serial"] for m in line.messages("disposition")}
    assert [serials[seq] for seq in sorted(serials)] == ["1", "2", "3"]
    assert len(proxy.dropped) == 1


def test_reject_shows_at_once_while_an_earlier_message_waits_for_its_answer(proxied, circle_text):
    proxy, line, agent = proxied
    proxy.drop(lambda kind, _: kind == PUBACK, 10_000)  # nothing is acknowledged from here on
    for serial in range(1, 12):  # more messages than may be under way
        agent.drop(f"{serial}.txt", circle_text(str(serial), turns=1))
    agent.wait_event("measured", 11)
    agent.drop("bad.txt", circle_text("99", 4000.0))
    agent.wait_event("measured", 12)
    line.wait(lambda of: {m.payload for m in of.messages("lamp")} & {b"1", b"3"}, 10)


def test_black_hole_ends_in_a_new_session_that_makes_up_for_it(proxied, circle_text):
    proxy, line, agent = proxied
    proxy.black_hole = True
    agent.drop("1.txt", circle_text("1", 4000.0))
    agent.wait_event("measured")
    line.wait_lamp("3", 30)  # by the will, in the name of an agent that the broker does not hear
    proxy.black_hole = False
    agent.wait_event("ready", 2)
    line.wait_lamp("1")
    line.wait(lambda of: {m.json["serial"] for m in of.messages("disposition")} == {"1"})


@pytest.mark.parametrize("keep_alive_s", [5, 60])
def test_broker_that_never_answers_the_connection_is_reported(cell, started, keep_alive_s):
    cell.begin_broker()
    proxy = started.enter_context(MqttProxy(cell.broker.port))
    proxy.black_hole = True
    changes = {"mqtt.url": f"mqtt://127.0.0.1:{proxy.port}", "mqtt.keep_alive_s": keep_alive_s}
    agent = cell.agent({**QUICK, **changes}).start(wait=False)
    (failed,) = agent.wait_event("connection-failed")
    assert "no answer to the connection" in failed["reason"]
    proxy.black_hole = False
    agent.wait_event("ready")


def test_slow_network_delays_and_is_no_fault(proxied, circle_text):
    proxy, line, agent = proxied
    proxy.delay_s = 0.3
    before = len(line.messages("lamp"))
    for serial in "12345":
        agent.drop(f"{serial}.txt", circle_text(serial))
    line.wait(lambda of: len({m.json["seq"] for m in of.messages("disposition")}) == 5)
    line.wait_topic("heartbeat", len(line.messages("heartbeat")) + 2)
    assert {m.payload for m in line.messages("lamp")[before:]} <= {b"0"}


def test_foreign_digit_on_the_lamp_is_put_right_on_record_and_a_fault_until_it_is_over(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")
    line.publish("lamp", "0", retain=True)
    line.wait_lamp("3")
    alarm = line.wait(lambda of: [m.json for m in of.messages("alarm") if m.json["alarm"] == "foreign-writer"])
    assert "'0'" in alarm[0]["reason"]
    line.wait_lamp("1", 30)
    assert [r["body"]["what"] for r in agent.records("recovery")] == ["foreign-writer"]


def test_writer_that_goes_on_keeps_the_fault_with_one_alarm_and_few_corrections(cell):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    until = time.monotonic() + 4.0
    before, sent = len(line.messages("lamp")), 0
    while time.monotonic() < until:
        line.publish("lamp", "0")
        sent += 1
    line.wait_lamp("3")
    corrections = [m.payload for m in line.messages("lamp")[before:]].count(b"3")
    assert sent > 50
    assert corrections <= 6
    assert len(agent.events("foreign-writer")) == 1


def test_retained_remains_of_another_writer_are_not_foreign(cell):
    cell.begin_broker()
    line = cell.begin_listener()
    line.publish("lamp", "0", retain=True)
    agent = cell.begin_agent(QUICK)
    line.wait_topic("heartbeat", 2)
    assert agent.events("foreign-writer") == []
    assert line.lamp == "0"


class Flood:
    """A second client that sends as fast as it can."""

    def __init__(self, port: int) -> None:
        self.sent = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.max_inflight_messages_set(1000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def acknowledge(self, payloads: list[str]) -> None:
        self.send("acknowledge", payloads)

    def send(self, topic: str, payloads: list[str]) -> None:
        for payload in payloads:
            message = self._client.publish(f"{PREFIX}/{topic}", payload, qos=1)
        message.wait_for_publish(60)

    def close(self) -> None:
        self._client.disconnect()
        stop_loop(self._client)


def test_burst_of_ten_thousand_acknowledgements_keeps_no_reject_off_the_lamp(cell, circle_text, started):
    cell.broker = type(cell.broker)(cell.folder, ["max_queued_messages 20000", "max_inflight_messages 0"])
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    flood = Flood(cell.broker.port)
    started.callback(flood.close)
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")
    first = line.wait_topic("disposition")[0].json["seq"]
    flood.acknowledge(["rubbish", "5", "²"] * 3333 + [str(first)])
    line.wait_lamp("0")
    agent.drop("2.txt", circle_text("2", 4000.0))
    agent.wait_event("measured", 2)
    line.wait_lamp("1")
    recorded = agent.records("acknowledgement")
    assert len(recorded) <= 12
    assert [r["body"]["seq"] for r in recorded if r["body"]["matched"]] == [first]
    beats = line.wait(lambda of: len(m := of.messages("heartbeat")) > 1 and [beat.at for beat in m])
    assert max(b - a for a, b in pairwise(beats)) < 15.0  # a beat a second, on a machine that is busy, too


RUBBISH = ["", "{", "[]", "null", '{"part": "P"}', '{"part": 3, "serial": 4, "nonce": 5}', "x" * 4000]


def test_flood_of_announcements_is_counted_and_a_good_one_among_them_is_answered(cell, circle_text, started):
    cell.broker = type(cell.broker)(cell.folder, ["max_queued_messages 20000", "max_inflight_messages 0"])
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "line.handshake": True})
    flood = Flood(cell.broker.port)
    started.callback(flood.close)
    before = len(agent.records())
    good = json.dumps({"part": "HN-1610-R", "serial": "7", "nonce": "n-1"})
    for topic in ("expect", "expect/text"):
        flood.send(topic, RUBBISH * 300)
    flood.send("expect", [*RUBBISH * 150, good, *RUBBISH * 150])
    line.wait(lambda of: any(m.json["nonce"] == "n-1" for m in of.messages("station")))
    line.wait(lambda of: of.messages("station")[-1].json["nonce"] == "")
    assert line.lamp == "2", "what is at the station now was not said"
    flood.send("expect", [good])
    line.wait(lambda of: of.messages("station")[-1].json["nonce"] == "n-1")
    agent.drop("7.txt", circle_text("7"))
    line.wait(lambda of: of.messages("station")[-1].json["disposition"] == "accept")
    line.wait_lamp("0")
    assert len(agent.records()) - before == 2, "a measurement and a disposition"
    told = agent.events("expect-refused")
    assert 1 <= len(told) <= 2
    beats = line.wait(lambda of: len(m := of.messages("heartbeat")) > 1 and [beat.at for beat in m])
    assert max(b - a for a, b in pairwise(beats)) < 15.0  # a beat a second, on a machine that is busy, too
    assert len(line.messages("station")) < 500
