"""The shipped broker configuration with a real broker and the real service: who may do what, what is told."""

from __future__ import annotations

import os
import re
import ssl
import subprocess
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from field import PREFIX, ROOT, Agent, Broker, Listener, free_port, spiral_text
from sparkplug_host import Host
from sparkplug_wire import write_command

pytestmark = [pytest.mark.needs_mosquitto, pytest.mark.needs_openssl]

DEPLOY = ROOT / "deploy" / "mosquitto"
USERS = ("edgeagent", "plc", "observer", "database", "visitor")
"""The four users that the shipped ACL knows, and one that the broker knows but the ACL does not."""


def password_of(user: str) -> str:
    return f"invented-{user}"


@dataclass
class Cell:
    """The shipped configuration installed below a folder, with the ports of the machine's choice."""

    folder: Path
    tls: Path
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)

    def install(self, *, certificates_for_clients: bool = False) -> Broker:
        etc = self.folder / "etc"
        etc.mkdir()
        (etc / "tls").symlink_to(self.tls)
        broker_folder = self.folder / "broker"
        broker_folder.mkdir()
        text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
        places = {
            "/etc/mosquitto/": f"{etc}/",
            "/var/lib/mosquitto/": f"{broker_folder}/",
            "\nlistener 1883 127.0.0.1\n": f"\nlistener {self.port} 127.0.0.1\n",
            "\nlistener 8883\n": f"\nlistener {self.tls_port} 127.0.0.1\n",
        }
        if certificates_for_clients:
            for option in ("require_certificate", "use_identity_as_username"):
                places[f"\n#{option} true\n"] = f"\n{option} true\n"
        for shipped, here in places.items():
            assert shipped in text
            text = text.replace(shipped, here)
        if os.geteuid() == 0:
            text += "user root\n"
        configuration = etc / "mosquitto.conf"
        configuration.write_text(text, encoding="utf-8")
        self.write_acl((DEPLOY / "acl").read_text(encoding="utf-8"))
        for user in USERS:
            self._add_user(etc / "passwords", user)
        return Broker(self.folder, port=self.port, configuration=configuration)

    def write_acl(self, text: str) -> None:
        path = self.folder / "etc" / "acl"
        path.write_text(text, encoding="utf-8")
        path.chmod(0o600)

    @staticmethod
    def _add_user(path: Path, user: str) -> None:
        path.touch(mode=0o600)
        command = ["mosquitto_passwd", "-b", os.fspath(path), user, password_of(user)]
        subprocess.run(command, check=True, capture_output=True)

    def agent(
        self,
        changes: dict[str, Any] | None = None,
        *,
        user: str = "edgeagent",
        folder: str = "agent",
        wait: bool = True,
    ) -> Agent:
        secret = self.folder / "mqtt-password"
        secret.write_text(password_of(user) + "\n", encoding="utf-8")
        settings = {"mqtt.user": user, "mqtt.password_file": os.fspath(secret), **(changes or {})}
        return Agent(self.folder / folder, self.port, changes=settings, wait=wait)

    def listener(self, user: str, **more: Any) -> Listener:
        return Listener(self.port, user=user, password=password_of(user), **more)


@pytest.fixture(scope="session")
def trial_tls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tls")
    subprocess.run([DEPLOY / "make-trial-certificates", folder], check=True, capture_output=True)
    return folder


@pytest.fixture
def cell(tmp_path: Path, trial_tls: Path) -> Cell:
    return Cell(tmp_path, trial_tls)


def circle(serial: str, amplitude_nm: float = 20.0) -> str:
    """An invented nut's roundness plane; from some 3000 nm on it is a reject."""
    waves = {2: 150.0, 3: amplitude_nm}
    return spiral_text(kind="circle", part="HN-1610-R", serial=serial, feature="outside", waves_nm=waves)


def test_nobody_comes_in_without_the_right_password(cell: Cell) -> None:
    with cell.install():
        with Listener(cell.port) as anonymous:
            assert "Not authorized" in anonymous.refused[0]
        with Listener(cell.port, user="plc", password="guessed") as guesser:
            assert "Not authorized" in guesser.refused[0]
        with cell.listener("plc") as plc:
            assert plc.refused == []


def test_each_topic_has_one_writer(cell: Cell) -> None:
    outputs = (
        *("lamp", "heartbeat", "disposition", "decided", "measurement", "verification", "alarm", "state"),
        *("checkpoint", "station", "station/text", "acknowledge/result"),
    )
    inputs = ("acknowledge", "state/request", "expect", "expect/text")
    with cell.install(), ExitStack() as stack:
        users = {user: stack.enter_context(cell.listener(user)) for user in USERS}
        for topic in (*outputs, *inputs, "anything/else"):
            allowed = {user for user, client in users.items() if client.publish(topic, "x") == ""}
            if topic in outputs:
                assert allowed == {"edgeagent"}, topic
            elif topic in inputs:
                assert allowed == {"plc"}, topic
            else:
                assert allowed == set()


def test_agent_may_not_write_below_another_prefix(cell: Cell) -> None:
    with cell.install(), cell.listener("edgeagent", prefix=f"{PREFIX}-2") as elsewhere:
        assert "Not authorized" in elsewhere.publish("lamp", "0")


def test_plc_and_observer_see_everything_and_a_third_user_nothing(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    plc, observer, visitor = (started.enter_context(cell.listener(u)) for u in ("plc", "observer", "visitor"))
    agent = started.enter_context(cell.agent())
    agent.drop("a.txt", circle("1"))
    for client in (plc, observer):
        client.wait_topic("disposition")
        client.wait_topic("heartbeat", 2)
        client.wait_lamp("0")
    assert visitor.messages() == []


def test_acknowledgement_by_the_plc_releases_the_latched_reject(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent())
    agent.drop("bad.txt", circle("1", 6000.0))
    plc.wait_lamp("1")
    assert plc.publish("acknowledge", str(plc.wait_topic("disposition")[0].json["seq"])) == ""
    plc.wait_lamp("0")
    assert agent.records("acknowledgement")[0]["body"]["matched"] is True


def beats_during(listener: Listener, count: int) -> None:
    before = len(listener.messages("heartbeat"))
    listener.wait_topic("heartbeat", before + count)


def test_reader_cannot_throw_the_agent_out_by_taking_its_client_id(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent())
    store = plc.wait_topic("state")[-1].json["store"]
    taken = f"edgeagent-{PREFIX.replace('/', '-')}-{store[:12]}"
    for thief in ("observer", "database"):
        with cell.listener(thief, client_id=taken) as reader:
            assert reader.refused == []
            beats_during(plc, 3)
    assert len(agent.events("mqtt-connected")) == 1
    assert plc.lamp == "0"


def test_user_is_let_in_once_and_by_its_name_alone(cell: Cell, started: ExitStack) -> None:
    """The other side of it: that is why every reader needs a user of its own."""
    started.enter_context(cell.install())
    first = started.enter_context(cell.listener("observer"))
    second = started.enter_context(cell.listener("observer"))
    third = started.enter_context(cell.listener("database"))
    agent = started.enter_context(cell.agent())
    beats_during(third, 3)
    assert first.disconnections + second.disconnections > 0
    assert len(agent.events("mqtt-connected")) == 1


def rejected(cell: Cell, folder: str, serials: Sequence[str], plc: Listener) -> tuple[Agent, list[int]]:
    """An agent with a store of its own below the same prefix, and its rejects' records."""
    agent = cell.agent(folder=folder)
    agent.start()
    for serial in serials:
        seen = len(plc.messages("disposition"))
        agent.drop(f"{serial}.txt", circle(serial, 6000.0))
        plc.wait_topic("disposition", seen + 1)
    plc.wait_lamp("1")
    return agent, [r["seq"] for r in agent.records("disposition")]


def test_acknowledgement_that_was_kept_for_one_store_is_not_inherited_by_another(
    cell: Cell, started: ExitStack
) -> None:
    """All stores of one user have one session at this broker, and their records the same numbers."""
    started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    old, mine = rejected(cell, "old", ["1"], plc)
    started.callback(old.kill)
    old.terminate()
    plc.wait_lamp("3")
    assert plc.publish("acknowledge", str(mine[0])) == ""  # kept for the old store's agent

    new, other = rejected(cell, "new", ["2"], plc)
    started.callback(new.kill)
    assert mine == other, "one number, two parts: else this test shows nothing"
    beats_during(plc, 2)
    assert (plc.lamp, new.records("acknowledgement")) == ("1", []), "a clean start under a new identity"
    new.terminate()
    plc.wait_lamp("3")
    assert plc.publish("acknowledge", str(other[0])) == ""  # kept for the new store's agent

    old.start()  # not its first start: it asks for what the broker kept
    old.wait_event("acknowledgements-of-another-store")
    beats_during(plc, 2)
    assert (plc.lamp, old.records("acknowledgement")) == ("1", [])
    assert plc.publish("acknowledge", str(mine[0])) == ""
    plc.wait_lamp("0")


def test_acknowledgement_that_was_kept_for_this_store_is_taken_at_its_next_start(
    cell: Cell, started: ExitStack
) -> None:
    started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    agent, (seq,) = rejected(cell, "agent", ["1"], plc)
    started.callback(agent.kill)
    agent.terminate()
    assert plc.publish("acknowledge", str(seq)) == ""
    agent.start()
    plc.wait_lamp("0")
    assert [r["body"]["matched"] for r in agent.records("acknowledgement")] == [True]


def acl_without(*lines: str) -> str:
    """The shipped ACL without some of the agent's rights."""
    text = (DEPLOY / "acl").read_text(encoding="utf-8")
    for line in lines:
        assert f"\n{line}\n" in text
        text = text.replace(f"\n{line}\n", "\n", 1)
    return text


def test_refused_disposition_is_an_alarm_and_a_lasting_fault(cell: Cell, started: ExitStack) -> None:
    broker = started.enter_context(cell.install())
    cell.write_acl(acl_without(f"topic write {PREFIX}/disposition"))
    broker.restart()
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent())
    plc.wait_lamp("0")
    agent.drop("a.txt", circle("1"))
    (refusal,) = agent.wait_event("publish-refused")
    assert f"{PREFIX}/disposition: Not authorized" in refusal["reason"]
    alarm = plc.wait_topic("alarm")[0].json
    assert alarm["alarm"] == "publish-refused"
    plc.wait_lamp("3")
    assert [r["body"]["what"] for r in agent.records("recovery")] == ["publish-refused"]
    assert plc.messages("disposition") == []

    broker.restart()  # a new connection is a new attempt, and ends the same way
    agent.wait_event("ready", 2)
    beats = len(plc.messages("heartbeat"))
    plc.wait_topic("heartbeat", beats + 2)
    assert len(agent.events("publish-refused")) == 1, "the same refusal is told and recorded once"
    first_fault = next(i for i, m in enumerate(plc.messages("lamp")) if m.payload == b"3")
    assert {m.payload for m in plc.messages("lamp")[first_fault:]} == {b"3"}


def test_disposition_is_delivered_once_the_right_is_given(cell: Cell, started: ExitStack) -> None:
    broker = started.enter_context(cell.install())
    cell.write_acl(acl_without(f"topic write {PREFIX}/disposition"))
    broker.restart()
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent())
    agent.drop("a.txt", circle("1"))
    agent.wait_event("publish-refused")
    plc.wait_lamp("3")
    cell.write_acl(acl_without())
    broker.restart()
    assert plc.wait_topic("disposition")[0].json["serial"] == "1"
    plc.wait_lamp("0")


def test_agent_that_may_write_nothing_says_so_and_is_never_ready(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent(user="visitor", wait=False))
    (refusal, *_) = agent.wait_event("publish-refused")
    assert "Not authorized" in refusal["reason"]
    agent.drop("a.txt", circle("1"))
    agent.wait_event("measured")
    assert agent.events("ready") == []
    assert plc.messages() == []


def test_wrong_password_of_the_agent_is_told_with_the_broker_s_words(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    agent = cell.agent(wait=False)
    (cell.folder / "mqtt-password").write_text("guessed\n", encoding="utf-8")
    started.enter_context(agent)
    (refusal, *_) = agent.wait_event("connection-refused")
    assert "Not authorized" in refusal["reason"]
    assert agent.events("ready") == []


def test_tls_with_trial_certificates_reaches_from_file_to_lamp(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    trusted = ssl.create_default_context(cafile=os.fspath(cell.tls / "ca.crt"))
    secret = password_of("plc")
    plc = Listener(cell.tls_port, host="localhost", user="plc", password=secret, tls=trusted)
    started.enter_context(plc)
    url = f"mqtts://localhost:{cell.tls_port}"
    agent = cell.agent({"mqtt.url": url, "mqtt.tls.ca": os.fspath(cell.tls / "ca.crt")})
    started.enter_context(agent)
    plc.wait_lamp("0")
    agent.drop("bad.txt", circle("1", 6000.0))
    plc.wait_lamp("1")


def test_client_certificates_stand_for_the_users_of_the_acl(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install(certificates_for_clients=True))
    trusted = ssl.create_default_context(cafile=os.fspath(cell.tls / "ca.crt"))
    trusted.load_cert_chain(cell.tls / "plc.crt", cell.tls / "plc.key")
    plc = started.enter_context(Listener(cell.tls_port, host="localhost", tls=trusted))
    files = {key: f"{cell.tls}/{name}" for key, name in (("ca", "ca.crt"), ("key", "edgeagent.key"))}
    changes = {
        "mqtt.url": f"mqtts://localhost:{cell.tls_port}",
        "mqtt.tls": {**files, "certificate": f"{cell.tls}/edgeagent.crt"},
        "mqtt.user": None,
        "mqtt.password_file": None,
    }
    started.enter_context(cell.agent(changes))
    plc.wait_lamp("0")
    assert "Not authorized" in plc.publish("lamp", "0")
    assert plc.publish("acknowledge", "1") == ""


def test_foreign_certificate_is_refused_and_told_until_the_authority_is_right(
    cell: Cell, started: ExitStack, tmp_path: Path
) -> None:
    started.enter_context(cell.install())
    foreign = tmp_path / "foreign"
    subprocess.run([DEPLOY / "make-trial-certificates", foreign], check=True, capture_output=True)
    changes = {
        "mqtt.url": f"mqtts://localhost:{cell.tls_port}",
        "mqtt.tls.ca": os.fspath(foreign / "ca.crt"),
    }
    agent = started.enter_context(cell.agent(changes, wait=False))
    (told, *_) = agent.wait_event("connection-failed")
    assert "certificate" in told["reason"]
    assert agent.events("mqtt-connected") == []
    (foreign / "ca.crt").write_bytes((cell.tls / "ca.crt").read_bytes())
    agent.wait_event("ready")
    assert len(agent.events("connection-failed")) == 1, "the same reason is told once"


def test_password_exchanged_while_running_is_used_at_the_next_connection(
    cell: Cell, started: ExitStack
) -> None:
    broker = started.enter_context(cell.install())
    agent = started.enter_context(cell.agent())
    secret = cell.folder / "mqtt-password"
    secret.rename(cell.folder / "away")
    broker.restart()
    (told,) = agent.wait_event("connection-failed")
    assert "password_file" in told["reason"]
    (cell.folder / "away").rename(secret)
    agent.wait_event("ready", 2)


def test_retained_acknowledgement_acknowledges_nothing(cell: Cell, started: ExitStack) -> None:
    broker = started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent())
    agent.drop("bad.txt", circle("1", 6000.0))
    plc.wait_lamp("1")
    seq = plc.wait_topic("disposition")[0].json["seq"]
    agent.terminate()
    assert plc.publish("acknowledge", str(seq), retain=True) == ""
    broker.restart()
    agent.start()
    beats = len(plc.messages("heartbeat"))
    plc.wait_topic("heartbeat", beats + 2)
    assert plc.lamp == "1"
    assert agent.records("acknowledgement") == []


def test_killed_agent_leaves_the_retained_lamp_on_fault(cell: Cell, started: ExitStack) -> None:
    started.enter_context(cell.install())
    plc = started.enter_context(cell.listener("plc"))
    agent = started.enter_context(cell.agent())
    plc.wait_lamp("0")
    agent.kill()
    plc.wait_lamp("3")
    with cell.listener("observer") as late_comer:
        (retained,) = late_comer.wait_topic("lamp")
    assert (retained.payload, retained.retain) == (b"3", True)


def set_aside(database: Path) -> str:
    """Run the drop-in's script as the broker's unit would; returns what it said."""
    command = [os.fspath(DEPLOY / "set-aside-damaged-database"), os.fspath(database)]
    ran = subprocess.run(command, check=True, capture_output=True, text=True)
    return ran.stderr


def stopped_with_lamp(cell: Cell) -> Broker:
    """A broker that was stopped in order after an agent's life: its database holds the retained lamp."""
    broker = cell.install()
    with broker:
        with cell.agent() as agent:
            agent.terminate()
        broker.stop()
    assert b"/lamp" in broker.database.read_bytes()
    return broker


@pytest.mark.parametrize("damage", ["zeroed", "cut"])
def test_broker_starts_again_after_damage_to_its_database(cell: Cell, started: ExitStack, damage: str) -> None:
    broker = stopped_with_lamp(cell)
    whole = broker.database.read_bytes()
    damaged = bytes(len(whole)) if damage == "zeroed" else whole[: len(whole) // 2]
    broker.database.write_bytes(damaged)
    assert broker.start(wait=False).wait() != 0, "the broker reads it: this is no damage"

    said = set_aside(broker.database)
    (aside,) = broker.folder.glob("mosquitto.db.damaged-*")
    assert os.fspath(aside) in said
    assert aside.read_bytes() == damaged
    started.enter_context(broker)
    plc = started.enter_context(cell.listener("plc"))
    started.enter_context(cell.agent())
    plc.wait_lamp("0")


def test_whole_database_is_left_alone(cell: Cell, started: ExitStack) -> None:
    broker = stopped_with_lamp(cell)
    whole = broker.database.read_bytes()
    assert set_aside(broker.database) == ""
    assert broker.database.read_bytes() == whole
    started.enter_context(broker)
    plc = started.enter_context(cell.listener("plc"))
    assert plc.wait_topic("lamp")[0].payload == b"3"


def test_database_is_left_alone_when_the_broker_fails_for_another_reason(tmp_path: Path) -> None:
    database = tmp_path / "mosquitto.db"
    database.write_bytes(bytes(100))
    script = os.fspath(DEPLOY / "set-aside-damaged-database")
    ran = subprocess.run([script, os.fspath(database), "false"], check=True, capture_output=True, text=True)
    assert "does not start even without its database" in ran.stderr
    assert database.read_bytes() == bytes(100)


def test_script_leaves_no_broker_and_no_folder_behind(tmp_path: Path) -> None:
    database, trials = tmp_path / "mosquitto.db", tmp_path / "trials"
    database.write_bytes(bytes(100))
    trials.mkdir()
    script = os.fspath(DEPLOY / "set-aside-damaged-database")
    environment = {**os.environ, "TMPDIR": os.fspath(trials)}
    subprocess.run([script, os.fspath(database)], check=True, capture_output=True, env=environment)
    assert not database.exists()
    assert list(trials.iterdir()) == []
    commands = [p.read_bytes() for p in Path("/proc").glob("[0-9]*/cmdline") if p.exists()]
    assert not any(os.fsencode(trials) in command for command in commands)


def test_second_run_of_the_certificate_script_changes_nothing(trial_tls: Path) -> None:
    before = {p.name: p.read_bytes() for p in trial_tls.iterdir()}
    subprocess.run([DEPLOY / "make-trial-certificates", trial_tls], check=True, capture_output=True)
    assert {p.name: p.read_bytes() for p in trial_tls.iterdir()} == before
    assert all((trial_tls / f"{name}.key").stat().st_mode & 0o077 == 0 for name in ("ca", "server", "plc"))


def sparkplug_acl() -> str:
    """The shipped ACL with its Sparkplug lines taken out of the comment."""
    text = (DEPLOY / "acl").read_text(encoding="utf-8")
    head, mark, tail = text.partition("# Sparkplug B (")
    return head + mark + re.sub(r"^#(user|topic) ", r"\1 ", tail, flags=re.M)


def test_sparkplug_rights_suffice_for_both_sides_and_the_host_alone_commands(
    cell: Cell, started: ExitStack
) -> None:
    broker = cell.install()
    for user in ("scada", "sparkplug"):
        cell._add_user(cell.folder / "etc" / "passwords", user)
    secret = cell.folder / "sparkplug-password"
    secret.write_text(password_of("sparkplug"), encoding="utf-8")
    login = {"user": "sparkplug", "password_file": os.fspath(secret)}
    cell.write_acl(sparkplug_acl())
    started.enter_context(broker)
    plc = started.enter_context(cell.listener("plc"))
    host = Host(cell.port, "scada", user="scada", password=password_of("scada"))
    started.enter_context(host)
    agent = started.enter_context(cell.agent({"mqtt.sparkplug": {"primary_host": "scada", **login}}))
    host.wait_kind("DBIRTH")
    agent.drop("bad.txt", circle("1", 6000.0))
    number = plc.wait_topic("disposition")[0].json["seq"]
    plc.wait_lamp("1")
    command = write_command("Nothing", 1)
    for user in ("observer", "visitor"):
        with cell.listener(user, prefix="spBv1.0/plant-a") as writer:
            assert "Not authorized" in writer.publish("NCMD/cell-3.gauge-1", command)
            assert "Not authorized" in writer.publish("DCMD/cell-3.gauge-1/gauge-1", command)
    host.command("DCMD", "Acknowledge", number)
    plc.wait_lamp("0")
    agent.kill()
    host.wait_kind("NDEATH")
    assert host.faults == []
