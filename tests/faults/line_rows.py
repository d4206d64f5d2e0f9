"""What the line gets in each situation in which it once could be misled: messages of a real broker, row by row.

Run: python tests/faults/line_rows.py [tree]   (Mosquitto; 2 minutes). With the folder of another version of
the project the same is done to that one's agent: its log beside ours shows what became different.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent.parent.parent)]
import paho.mqtt.client as mqtt
from field import PREFIX, ROOT, Agent, Broker, Listener, spiral_text, with_changes
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

QUICK = {"intake.settle_s": 0.05, "verification": None}
TREE = Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else ROOT


def part(serial: str, amplitude_nm: float = 20.0, minute: int = 41) -> str:
    """A nut's roundness plane; 4000 nm are a reject."""
    given: dict[str, Any] = {"kind": "circle", "part": "HN-1610-R", "feature": "outside", "turns": 2}
    waves = {2: 150.0, 3: amplitude_nm}
    return spiral_text(
        serial=serial, waves_nm=waves, points_per_turn=1800, measured_at=f"2026-11-25T09:{minute}:07Z", **given
    )


def agent_of(folder: Path, port: int, changes: dict[str, Any] | None = None) -> Agent:
    """An agent of the tree with the tree's own example configuration."""
    shutil.copytree(TREE / "config", folder)
    agent = Agent(folder, port, env={"PYTHONPATH": str(TREE)}, wait=False)
    shutil.copytree(TREE / "config", folder, dirs_exist_ok=True)
    with_changes(agent.config, {"mqtt.url": f"mqtt://127.0.0.1:{port}", **QUICK, **(changes or {})})
    return agent


@contextlib.contextmanager
def cell(changes: dict[str, Any] | None = None) -> Iterator[tuple[Broker, Listener, Agent, ExitStack]]:
    """A broker, a listener that keeps everything, and an agent that is ready."""
    folder = Path(tempfile.mkdtemp(prefix="rows-"))
    with ExitStack() as begun:
        broker = begun.enter_context(Broker(folder))
        line = begun.enter_context(Listener(broker.port))
        agent = agent_of(folder / "agent", broker.port, changes)
        begun.callback(agent._clean_up)
        agent.start()
        yield broker, line, agent, begun
    shutil.rmtree(folder)


def say(text: str) -> None:
    print(f"    {text}", flush=True)


def lamps(line: Listener, since: float = 0.0) -> str:
    """The lamp's messages with how long each stood, in seconds."""
    shown = [m for m in line.messages("lamp") if m.at >= since]
    ends = [m.at for m in shown[1:]] + [time.monotonic()]
    return " ".join(f"{m.payload.decode()} ({end - m.at:.1f} s)" for m, end in zip(shown, ends, strict=True))


def kept_session(port: int, name: str, topics: list[str], seconds: float) -> list[Any]:
    """What a client with a session of its own gets within so many seconds; the session stays behind it."""
    got: list[Any] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
    client.on_message = lambda _c, _u, message: got.append(message)
    keep = Properties(PacketTypes.CONNECT)
    keep.SessionExpiryInterval = 3600
    client.connect("127.0.0.1", port, clean_start=False, properties=keep)
    client.loop_start()
    client.subscribe([(f"{PREFIX}/{topic}", 1) for topic in topics])
    time.sleep(seconds)
    client.disconnect()
    client.loop_stop()
    return got


def old_accept() -> None:
    """A controller's kept session gets an accept after its time, when the serial is there again unmeasured."""
    with cell({"intake.live_s": 4.0}) as (broker, line, agent, _):
        name = uuid.uuid4().hex[:8]
        kept_session(broker.port, name, ["disposition"], 0.5)
        agent.drop("1.txt", part("000412"))
        (told,) = line.wait_topic("disposition")
        say(f"told live: {_brief(told.json)}")
        time.sleep(8.0)
        for message in kept_session(broker.port, name, ["disposition"], 1.0) or [None]:
            if message is None:
                say("8 s later the session gets: nothing")
            else:
                say(
                    f"8 s later, {'retained' if message.retain else 'live'}: "
                    f"{_brief(json.loads(message.payload))}"
                )


def _brief(said: dict[str, Any]) -> str:
    names = ("seq", "serial", "disposition", "late", "expires_at", "expires_beat")
    return json.dumps({k: said[k] for k in names if k in said})


def queued_heartbeats() -> None:
    """A kept session comes back after the agent died."""
    with cell() as (broker, _line, agent, _):
        name = uuid.uuid4().hex[:8]
        kept_session(broker.port, name, ["heartbeat"], 0.5)
        time.sleep(8.0)
        agent.kill()
        got = [m for m in kept_session(broker.port, name, ["heartbeat"], 2.0) if not m.retain]
        say(f"heartbeats of a dead agent that the queue delivers: {[m.payload.decode() for m in got]}")


def two_agents() -> None:
    """A copied agent.toml: two agents on one prefix, one with a reject, the other with a good part."""
    with cell() as (broker, line, agent, begun):
        second = agent_of(agent.folder.parent / "copy", broker.port)
        begun.callback(second._clean_up)
        at = time.monotonic()
        second.start(wait=False)
        time.sleep(5.0)
        agent.drop("1.txt", part("1", 4000.0))
        time.sleep(2.0)
        second.drop("2.txt", part("2"))
        time.sleep(8.0)
        say(f"lamp over 15 s: {lamps(line, at)}")
        alarms = {m.json["alarm"]: m.json["reason"] for m in line.messages("alarm")}
        say(f"alarms: {json.dumps(alarms)}")


def older_database() -> None:
    """The broker comes back with a database from before a reject that nobody acknowledged."""
    with cell() as (broker, line, agent, _):
        agent.drop("0.txt", part("0"))
        line.wait_topic("disposition")
        line.wait_lamp("0")
        time.sleep(1.5)
        broker.kill()
        shutil.copy(broker.database, broker.database.with_suffix(".older"))
        broker.start()
        line.wait(lambda of: of.lamp == "0")
        agent.drop("1.txt", part("1", 4000.0))
        line.wait_lamp("1", 30)
        broker.kill()
        shutil.copy(broker.database.with_suffix(".older"), broker.database)
        broker.start()
        with Listener(broker.port) as newcomer:
            time.sleep(6.0)
            say(f"a newcomer's lamp, the first one from the database: {lamps(newcomer)}")
            for topic in ("lamp", "state", "heartbeat"):
                first = next((m for m in newcomer.messages(topic) if not m.retain), None)
                if first is None:
                    say(f"no live {topic}")
                else:
                    begun = newcomer.messages()[0].at
                    say(f"first live {topic} after {first.at - begun:.2f} s: {first.payload[:100]!r}")


def acknowledgements() -> None:
    """Acknowledged while the agent is down; a hold behind which the next part is accepted; measured again."""
    with cell() as (broker, line, agent, _):
        agent.drop("0.txt", part("0"))
        line.wait_topic("disposition")
        agent.restart()
        agent.drop("1.txt", part("1", 4000.0))
        number = line.wait(
            lambda of: [m.json["seq"] for m in of.messages("disposition") if m.json["serial"] == "1"]
        )
        line.wait_lamp("1")
        agent.kill()
        line.publish("acknowledge", str(number[0]))
        agent.start()
        time.sleep(2.0)
        say(f"a reject acknowledged while the agent was down; after its start: lamp {line.lamp}")
        say(f"answers: {[m.json.get('result') for m in line.messages('acknowledge/result')]}")
        agent.drop("h.txt", part("5").replace("HN-1610-R", "NO-RECIPE"))
        line.wait(lambda of: any(m.json["serial"] == "5" for m in of.messages("disposition")))
        agent.drop("2.txt", part("2"))
        line.wait(lambda of: any(m.json["serial"] == "2" for m in of.messages("disposition")))
        time.sleep(1.5)
        say(f"a hold that nobody acknowledged, then an accept of another part: lamp {line.lamp}")
        with Listener(broker.port, topics=["state"]) as rebooted:
            time.sleep(1.0)
            states = rebooted.messages("state")
            waiting = states[0].json["waiting"] if states else "no such topic"
            say(f"a controller that was off learns what waits: {json.dumps(waiting)}")
        agent.drop("3.txt", part("3", 4000.0))
        line.wait_lamp("1")
        agent.drop("3again.txt", part("3", minute=51))
        time.sleep(2.0)
        say(f"a rejected part, measured again and accepted: lamp {line.lamp}")


def never_verified() -> None:
    """The gate was never opened; a live export cannot be read."""
    gate = {"verification": {"artefact": "MW-03", "max_age_h": 24}}
    with cell(gate) as (_, line, _agent, _begun):
        time.sleep(2.0)
        say(f"gate never opened: lamp {line.lamp}")
    with cell() as (_, line, agent, _):
        agent.drop("junk.txt", "no trace")
        line.wait_topic("alarm")
        time.sleep(1.0)
        say(f"an export that cannot be read: lamp {line.lamp}")


def failing_start() -> None:
    """A start over a latched reject, and one whose journal is damaged."""
    with cell() as (_, line, agent, _):
        agent.drop("1.txt", part("1", 4000.0))
        line.wait_lamp("1")
        agent.kill()
        line.wait_lamp("3")
        at = time.monotonic()
        agent.start()
        time.sleep(1.0)
        say(f"a start over a latched reject: lamp {lamps(line, at)}")
        agent.kill()
        time.sleep(0.5)
        segment = next((agent.store / "journal").glob("*.jsonl"))
        data = bytearray(segment.read_bytes())
        data[200] ^= 1
        segment.write_bytes(data)
        at = time.monotonic()
        agent.start(wait=False)
        code = agent.wait()
        time.sleep(0.5)
        say(f"a start on a damaged journal, exit {code}: lamp {lamps(line, at)}; now {line.lamp}")


ROWS: tuple[Callable[[], None], ...] = (
    *(old_accept, queued_heartbeats, two_agents, older_database, acknowledgements),
    *(never_verified, failing_start),
)

if __name__ == "__main__":
    for number, row in enumerate(ROWS, 1):
        print(f"  {number}. {(row.__doc__ or '').splitlines()[0]}", flush=True)
        try:
            row()
        except AssertionError as error:
            say(f"did not come about: {str(error).splitlines()[0][:160]}")
