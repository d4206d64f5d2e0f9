"""The outside world for tests: a real broker, the service as a real process, a listener, invented traces.

Everything is started on 127.0.0.1 with free ports, ended by its context manager, and waited for by what it
does, never by how long it usually takes.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, TypeVar

import numpy as np
import paho.mqtt.client as mqtt
from fork_server import Forked, ForkServer
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

ROOT = Path(__file__).resolve().parent.parent
PREFIX = "edgeagent/plant-a/cell-3/gauge-1"
"""The prefix of the example configuration."""
FORKED_WITH = "PLANTED"
"""Environment of faults for workers, which a forked service obeys as a started one does (fork_server.py)."""
DEADLINE_S = 60.0
"""Only a machine in serious trouble needs this long; a test that waits so long has failed."""

T = TypeVar("T")


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def watches(pid: int) -> bool:
    """Whether a process watches anything by inotify (Linux)."""
    for entry in Path(f"/proc/{pid}/fdinfo").glob("*"):
        with contextlib.suppress(OSError):
            if "inotify wd:" in entry.read_text():
                return True
    return False


def wait_until(found: Callable[[], T], deadline_s: float = DEADLINE_S, what: str = "") -> T:
    """Poll until ``found`` returns something true and return it; AssertionError after the deadline."""
    until = time.monotonic() + deadline_s
    while True:
        value = found()
        if value:
            return value
        if time.monotonic() > until:
            raise AssertionError(f"{what or found} did not come true within {deadline_s} s")
        time.sleep(0.02)


class _Process:
    """One child process whose output goes to files, so that no full pipe can stop it."""

    def __init__(self, log: Path) -> None:
        self.log = log
        self.process: subprocess.Popen[bytes] | Forked | None = None

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def _launch(self, command: list[str], *, env: Mapping[str, str] | None = None) -> None:
        assert not self.alive, "already running"
        with self.log.open("ab") as out, self.log.with_suffix(".err").open("ab") as errors:
            self.process = self._begin(command, env, out, errors)

    def _begin(
        self, command: list[str], env: Mapping[str, str] | None, out: IO[bytes], errors: IO[bytes]
    ) -> subprocess.Popen[bytes] | Forked:
        return subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=out, stderr=errors, env=env, cwd=self.log.parent
        )

    def said(self) -> str:
        """All that it wrote, for an assertion's message."""
        texts = [
            p.read_text("utf-8", "replace") for p in (self.log, self.log.with_suffix(".err")) if p.exists()
        ]
        return "\n".join(texts)[-6000:]

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> int:
        """SIGKILL; returns the exit code."""
        return self._end(signal.SIGKILL)

    def terminate(self) -> int:
        """SIGTERM, and wait for the end; returns the exit code. AssertionError when it does not end."""
        return self._end(signal.SIGTERM)

    def freeze(self) -> None:
        """SIGSTOP: alive for the kernel, dead for everybody else."""
        self.signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self.signal(signal.SIGCONT)

    def wait(self, deadline_s: float = DEADLINE_S) -> int:
        """Wait for an end that comes by itself; returns the exit code."""
        assert self.process is not None
        try:
            return self.process.wait(deadline_s)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"still running after {deadline_s} s: {self.said()}") from None

    def _end(self, number: int) -> int:
        self.signal(number)
        return self.wait()

    def _clean_up(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


class Broker(_Process):
    """Mosquitto on a free port with persistence in ``folder``.

    ``config_lines`` are added to a configuration that lets anybody in unless they say otherwise;
    ``configuration`` replaces it altogether (its listener must then be on ``port``).
    """

    def __init__(
        self,
        folder: Path,
        config_lines: Iterable[str] = (),
        *,
        port: int | None = None,
        configuration: Path | None = None,
    ) -> None:
        self.folder = folder / "broker"
        self.folder.mkdir(parents=True, exist_ok=True)
        super().__init__(self.folder / "broker.log")
        self.port = port or free_port()
        self.database = self.folder / "mosquitto.db"
        self.configuration = configuration or self._write(tuple(config_lines))

    def _write(self, extra: tuple[str, ...]) -> Path:
        lines = [f"listener {self.port} 127.0.0.1"]
        if not any(line.startswith("allow_anonymous") for line in extra):
            lines.append("allow_anonymous true")
        lines += ["persistence true", f"persistence_location {self.folder}/", "autosave_interval 1"]
        if os.geteuid() == 0:
            lines.append("user root")  # else it changes to a user who may not write into the test's folder
        path = self.folder / "mosquitto.conf"
        path.write_text("\n".join((*lines, *extra)) + "\n", encoding="utf-8")
        return path

    def start(self, *, wait: bool = True) -> Broker:
        from programs import program  # a plugin of pytest, which must load it first

        self._launch([program("needs_mosquitto"), "-c", os.fspath(self.configuration)])
        if wait:
            wait_until(self._answers, what="the broker's port")
        return self

    def _answers(self) -> bool:
        assert self.alive, f"the broker ended: {self.said()}"
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
            return True
        return False

    def stop(self) -> int:
        """End it in order: it writes its database."""
        return self.terminate()

    def restart(self) -> Broker:
        """Stop in order if it still runs, and start on the same port."""
        if self.alive:
            self.stop()
        return self.start()

    def __enter__(self) -> Broker:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self._clean_up()


def copy_station(station: Path, to: Path) -> Path:
    """A copy of a station or store, without the empty ones of the archive's 256 folders; returns ``to``."""

    def empty(folder: str, names: list[str]) -> list[str]:
        if Path(folder).name != "archive":
            return []
        return [n for n in names if (at := Path(folder, n)).is_dir() and not any(at.iterdir())]

    return shutil.copytree(station, to, ignore=empty)


def write_toml(path: Path, tables: Mapping[str, Any]) -> None:
    """Write a mapping of tables as TOML: strings, numbers, booleans, lists of them, tables in tables."""
    path.write_text("\n".join(_toml_lines(tables, ())) + "\n", encoding="utf-8")


def _toml_lines(table: Mapping[str, Any], at: tuple[str, ...]) -> Iterator[str]:
    if at:
        yield f"[{'.'.join(at)}]"
    for key, value in table.items():
        if not isinstance(value, Mapping):
            yield f"{key} = {json.dumps(value)}"
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _toml_lines(value, (*at, key))


def with_changes(config: Path, changes: Mapping[str, Any]) -> None:
    """Set keys of an agent.toml by dotted name; None removes a key."""
    tables = tomllib.loads(config.read_text(encoding="utf-8"))
    for name, value in changes.items():
        *way, key = name.split(".")
        table = tables
        for step in way:
            table = table.setdefault(step, {})
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    write_toml(config, tables)


def run_command(
    *words: str, cwd: Path | None = None, timeout_s: float = DEADLINE_S
) -> subprocess.CompletedProcess[str]:
    """A command in a process of its own, with what it wrote; forked where there is a fork server."""
    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT)}
    with tempfile.TemporaryFile("w+b") as out, tempfile.TemporaryFile("w+b") as errors:
        process: subprocess.Popen[bytes] | Forked
        if Agent.fork_server is not None:
            process = Agent.fork_server.start(words, env=env, cwd=cwd or Path.cwd(), out=out, errors=errors)
        else:
            command = [sys.executable, "-m", "edgeagent", *words]
            process = subprocess.Popen(
                command, env=env, cwd=cwd, stdin=subprocess.DEVNULL, stdout=out, stderr=errors
            )
        try:
            code = process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise
        said = []
        for file in (out, errors):
            file.seek(0)
            said.append(file.read().decode("utf-8", "replace"))
    return subprocess.CompletedProcess(words, code, *said)


class Agent(_Process):
    """The service as a process, with a copy of the example configuration in ``folder``.

    ``port`` is the broker's. ``changes`` sets keys of agent.toml by dotted name, such as
    ``{"mqtt.user": "agent", "intake.settle_s": 0.1}``; None as value removes a key. ``env`` is added to the
    environment; ``launcher`` is put before the command. Entering the context starts the process and waits
    until it is ready. Where there is a ``fork_server``, the process is forked from it, unless its environment
    or a launcher says how it begins.
    """

    fork_server: ForkServer | None = None

    def __init__(
        self,
        folder: Path,
        port: int,
        *,
        changes: Mapping[str, Any] | None = None,
        env: Mapping[str, str] | None = None,
        launcher: Iterable[str] = (),
        wait: bool = True,
    ) -> None:
        self.folder = folder
        shutil.copytree(ROOT / "config", folder, dirs_exist_ok=True)
        super().__init__(folder / "agent.log")
        self.config = folder / "agent.toml"
        self.inbox = folder / "inbox"
        self.store = folder / "store"
        self.inbox.mkdir(exist_ok=True)
        self._env = dict(env or {})
        self._launcher = list(launcher)
        self._wait = wait
        self._log_from = 0
        with_changes(
            self.config, {"mqtt.url": f"mqtt://127.0.0.1:{port}", "intake.settle_s": 0.1, **(changes or {})}
        )

    def start(self, *, wait: bool = True) -> Agent:
        self._log_from = self.log.stat().st_size if self.log.exists() else 0
        env = {**os.environ, "PYTHONPATH": os.fspath(ROOT), **self._env}
        command = [sys.executable, "-m", "edgeagent", "run", "--config", os.fspath(self.config)]
        self._launch([*self._launcher, *command], env=env)
        if wait:
            self.wait_event("ready")
        return self

    def _begin(
        self, command: list[str], env: Mapping[str, str] | None, out: IO[bytes], errors: IO[bytes]
    ) -> subprocess.Popen[bytes] | Forked:
        if self.fork_server is None or self._launcher or (self._env and FORKED_WITH not in self._env):
            return super()._begin(command, env, out, errors)
        words, cwd = command[command.index("run") :], self.log.parent
        return self.fork_server.start(words, env=env or {}, cwd=cwd, out=out, errors=errors)

    def restart(self, *, wait: bool = True) -> Agent:
        """Stop in order if it still runs, and start again on the same folder."""
        if self.alive:
            self.terminate()
        return self.start(wait=wait)

    def events(self, name: str | None = None, *, all_runs: bool = False) -> list[dict[str, Any]]:
        """The whole lines of the event log so far, of this run unless ``all_runs``; one name or all."""
        if not self.log.exists():
            return []
        with self.log.open("rb") as log:
            log.seek(0 if all_runs else self._log_from)
            lines = log.read().split(b"\n")[:-1]
        found = [json.loads(line) for line in lines]
        return [event for event in found if name is None or event["event"] == name]

    def wait_event(self, name: str, count: int = 1, deadline_s: float = DEADLINE_S) -> list[dict[str, Any]]:
        """Wait until this run logged ``name`` so often; AssertionError when it ends or takes too long."""

        def seen() -> list[dict[str, Any]]:
            found = self.events(name)
            if len(found) < count:
                assert self.alive, f"the service ended before {name!r}: {self.said()}"
                return []
            return found

        try:
            return wait_until(seen, deadline_s, f"event {name!r} x {count}")
        except AssertionError as error:
            raise AssertionError(f"{error}\n{self.said()}") from None

    def drop(self, name: str, text: str) -> Path:
        """Put a whole file into the inbox at once, as a careful exporter does: by renaming it in."""
        waiting = self.folder / f"{name}.waiting"
        waiting.write_text(text, encoding="utf-8")
        return waiting.rename(self.inbox / name)

    def records(self, kind: str | None = None) -> list[dict[str, Any]]:
        """The journal's whole lines so far, parsed; one kind of record or all."""
        found: list[dict[str, Any]] = []
        for segment in sorted((self.store / "journal").glob("*.jsonl")):
            found += [json.loads(line) for line in segment.read_bytes().split(b"\n")[:-1]]
        return [record for record in found if kind is None or record["kind"] == kind]

    def __enter__(self) -> Agent:
        return self.start(wait=self._wait)

    def __exit__(self, *_: object) -> None:
        self._clean_up()


@dataclass(frozen=True, slots=True)
class Message:
    """One message as a listener got it; ``topic`` is below the prefix, ``at`` is monotonic seconds."""

    topic: str
    payload: bytes
    retain: bool
    at: float

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


def stop_loop(client: mqtt.Client) -> None:
    """End a client's thread; one that ends by itself while paho is about to join it is None by then."""
    with contextlib.suppress(AttributeError):
        client.loop_stop()


class Listener:
    """An MQTT 5 client that records everything below ``prefix`` and reconnects by itself.

    Its session outlives its connection, so that a broker's restart loses nothing for it. ``tls`` is an
    ssl.SSLContext. With ``wait=False`` entering does not wait for the subscription.
    """

    def __init__(
        self,
        port: int,
        prefix: str = PREFIX,
        *,
        host: str = "127.0.0.1",
        user: str | None = None,
        password: str | None = None,
        tls: Any = None,
        topics: Iterable[str] = ("#",),
        client_id: str | None = None,
        wait: bool = True,
    ) -> None:
        self.prefix = prefix
        self.refused: list[str] = []
        self.disconnections = 0
        self._messages: list[Message] = []
        self._changed = threading.Condition()
        self._subscribed = False
        self._acks: dict[int, str] = {}
        self._topics = [(f"{prefix}/{topic}", 1) for topic in topics]
        self._wait = wait
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or f"listener-{uuid.uuid4().hex[:12]}",
            protocol=mqtt.MQTTv5,
        )
        client.username_pw_set(user, password) if user is not None else None
        if tls is not None:
            client.tls_set_context(tls)
        client.reconnect_delay_set(1, 1)
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_message, client.on_publish = self._on_message, self._on_publish
        client.on_disconnect = self._on_disconnect
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        client.connect_async(host, port, keepalive=5, clean_start=False, properties=session)
        self._client = client

    def _on_connect(self, client: mqtt.Client, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        if reason.is_failure:
            with self._changed:
                self.refused.append(f"connect: {reason}")
                self._changed.notify_all()
        else:
            client.subscribe(self._topics)

    def _on_disconnect(self, _c: Any, _u: Any, _f: Any, _reason: Any, _p: Any) -> None:
        self.disconnections += 1

    def _on_subscribe(self, _c: Any, _u: Any, _mid: int, reasons: Any, _p: Any) -> None:
        with self._changed:
            self.refused += [f"subscribe: {reason}" for reason in reasons if reason.is_failure]
            self._subscribed = True
            self._changed.notify_all()

    def _on_message(self, _c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
        topic = message.topic.removeprefix(f"{self.prefix}/")
        with self._changed:
            self._messages.append(Message(topic, message.payload, message.retain, time.monotonic()))
            self._changed.notify_all()

    def _on_publish(self, _c: Any, _u: Any, mid: int, reason: Any, _p: Any) -> None:
        with self._changed:
            self._acks[mid] = "" if not reason.is_failure else str(reason)
            self._changed.notify_all()

    def messages(self, topic: str | None = None, *, live: bool = False) -> list[Message]:
        """All so far, in order of arrival; of one topic; ``live`` leaves out what the broker had retained."""
        with self._changed:
            found = list(self._messages)
        return [m for m in found if (topic is None or m.topic == topic) and not (live and m.retain)]

    @property
    def lamp(self) -> str | None:
        """The lamp's digit as last received, None before the first."""
        shown = self.messages("lamp")
        return shown[-1].payload.decode("ascii") if shown else None

    def wait(self, found: Callable[[Listener], T], deadline_s: float = DEADLINE_S) -> T:
        """Wait until ``found(self)`` is true and return its value; AssertionError after the deadline."""
        until = time.monotonic() + deadline_s
        while True:
            with self._changed:
                before = len(self._messages), len(self._acks), len(self.refused), self._subscribed
            value = found(self)
            if value:
                return value
            left = until - time.monotonic()
            if left <= 0:
                told = [(m.topic, m.payload[:80]) for m in self.messages() if m.topic != "heartbeat"][-12:]
                raise AssertionError(f"not received within {deadline_s} s; last {told}, refused {self.refused}")
            with self._changed:
                now = len(self._messages), len(self._acks), len(self.refused), self._subscribed
                if now == before:
                    self._changed.wait(min(left, 1.0))

    def wait_topic(self, topic: str, count: int = 1, deadline_s: float = DEADLINE_S) -> list[Message]:
        """Wait until so many messages of a topic have come."""

        def enough(listener: Listener) -> list[Message]:
            got = listener.messages(topic)
            return got if len(got) >= count else []

        return self.wait(enough, deadline_s)

    def wait_lamp(self, digit: str, deadline_s: float = DEADLINE_S) -> None:
        """Wait until the lamp shows ``digit``."""
        self.wait(lambda listener: listener.lamp == digit, deadline_s)

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> str:
        """Publish below the prefix at QoS 1 and wait for the answer: '' or the broker's words of refusal."""
        mid = self._client.publish(f"{self.prefix}/{topic}", payload, qos=1, retain=retain).mid
        self.wait(lambda listener: mid in listener._acks)
        return self._acks[mid]

    def __enter__(self) -> Listener:
        self._client.loop_start()
        if self._wait:
            self.wait(lambda listener: listener._subscribed or listener.refused)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        stop_loop(self._client)


def spiral_text(
    *,
    part: str = "KX-2005-R",
    serial: str = "000412",
    feature: str = "left-flank",
    kind: str = "spiral",
    artefact: str | None = None,
    turns: int = 3,
    points_per_turn: int = 3600,
    waves_nm: Mapping[int, float] | None = None,
    noise_nm: float = 5.0,
    seed: int = 0,
    measured_at: str = "2026-11-25T09:41:07Z",
    instrument: str = "gauge-1",
) -> str:
    """An invented spiral or circle in the project's own trace text.

    ``waves_nm`` maps undulations per revolution to amplitudes. A spiral has, as a real one, eccentricity, tilt
    and a slope that the analysis must take out. The same arguments give the same text.
    """
    angle_deg = np.arange(turns * points_per_turn) * (360.0 / points_per_turn)
    theta, turn = np.radians(angle_deg), angle_deg / 360.0
    deviation_um = 4.0 * np.cos(theta + 0.3)
    if kind == "spiral":
        deviation_um += 0.7 * turn * np.cos(theta + 1.0) + 1.3 * turn
    phi = theta
    if artefact:  # a cylinder that lies off centre is touched beside the gauge's line, and lower by e²/2R
        towards = np.exp(-0.3j) * 4e-3 + (np.exp(-1.0j) * 0.7e-3 * turn if kind == "spiral" else 0.0)
        aside = np.imag(np.exp(1j * theta) * np.conj(towards)) / (19.2 / 2 + 0.005)
        phi = theta + np.arcsin(aside)
        deviation_um -= 1e3 * (19.2 / 2 + 0.005) * (1 - np.sqrt(1 - aside**2))
    for upr, amplitude_nm in (waves_nm or {2: 150.0, 20: 20.0, 37: 10.0}).items():
        deviation_um += amplitude_nm * 1e-3 * np.cos(upr * phi + upr)
    deviation_um += np.random.default_rng(seed).normal(0.0, noise_nm * 1e-3, len(theta))
    who = [f'# artefact = "{artefact}"'] if artefact else [f'# part = "{part}"', f'# serial = "{serial}"']
    header = [
        *("# trace = 1", f'# kind = "{kind}"', *who, f'# feature = "{feature}"'),
        *(f"# measured_at = {measured_at}", f'# instrument = "{instrument}"', '# sensing = "normal"'),
        *("# tip_radius_mm = 0.005", "# track_diameter_mm = 19.2", "angle_deg,deviation_um"),
    ]
    rows = [f"{a:.5f},{d:.6f}" for a, d in zip(angle_deg.tolist(), deviation_um.tolist(), strict=True)]
    return "\n".join((*header, *rows)) + "\n"
