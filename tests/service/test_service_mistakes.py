"""Mistakes of our own: one outcome on record, the next file on time, the lamp on fault at the end."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from field import free_port, write_toml

from edgeagent.errors import ConfigError, JournalWriteError
from edgeagent.model.records import Stop
from edgeagent.service import loop
from edgeagent.service.loop import Service
from edgeagent.store.clock import SystemClock
from edgeagent.store.configuration import load_configuration
from edgeagent.store.journal import JournalReader

CONFIG = Path(__file__).parent.parent.parent / "config"


class Log:
    """Takes every event, so that a test can look at them."""

    def __init__(self) -> None:
        self.events: list[str] = []

    def __getattr__(self, _level: str):
        return lambda event, **_details: self.events.append(event)


@pytest.fixture
def log() -> Log:
    return Log()


@pytest.fixture
def service(tmp_path, log, monkeypatch) -> Service:
    """A service on real folders without a broker: what it writes is what counts here."""
    shutil.copytree(CONFIG, tmp_path / "station")
    (tmp_path / "station" / "inbox").mkdir()
    tables = {
        "station": {"site": "plant-a", "cell": "cell-3", "name": "gauge-1"},
        "intake": {"settle_s": 0.0, "scan_s": 0.05},
        "mqtt": {"url": f"mqtt://127.0.0.1:{free_port()}"},
    }
    write_toml(tmp_path / "station" / "agent.toml", tables)
    made = Service(load_configuration(tmp_path / "station" / "agent.toml"), SystemClock(), log)
    monkeypatch.setattr(made._publisher, "_connect", lambda: None)
    return made


def kinds(service: Service) -> list[str]:
    folder = service._configuration.store / "journal"
    return [record.kind for record, _ in JournalReader(folder).walk()]


def drop(service: Service, circle_text, *serials: str) -> None:
    for serial in serials:
        (service._configuration.folder / "inbox" / f"{serial}.txt").write_text(circle_text(serial))


def stop_after(service: Service, monkeypatch, records: int) -> None:
    """End the loop once the journal holds so many records."""
    turn = service._turn

    def counted() -> None:
        if service._writer.seq >= records:
            service.stop()
        turn()

    monkeypatch.setattr(service, "_turn", counted)


def test_mistake_in_one_file_is_quarantined_and_the_next_is_measured(service, log, circle_text, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent / "planted"))
    drop(service, circle_text, "mistake-1", "2")
    stop_after(service, monkeypatch, 5)
    assert service.run() == 0
    assert kinds(service).count("quarantine") == 1
    assert kinds(service).count("measurement") == 1
    assert "internal-error" in log.events


def test_mistake_after_the_record_never_quarantines_what_was_measured(service, log, circle_text, monkeypatch):
    def failing(*_more) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(service, "_tell", failing)
    drop(service, circle_text, "1")
    assert service.run() == 1
    assert kinds(service).count("measurement") == 1
    assert "quarantine" not in kinds(service)
    assert "ended-by-mistake" in log.events


def test_mistake_outside_a_file_ends_in_order_with_the_lamp_on_fault(service, log, monkeypatch):
    faults = []
    monkeypatch.setattr(loop, "close_delivery", lambda *_, fault: faults.append(fault))
    monkeypatch.setattr(service._intake, "scan_if_due", lambda: int("planted"))
    assert service.run() == 1
    assert faults == [True]
    assert log.events[-1] == "stopped"
    assert "stop" not in kinds(service)


def test_disk_that_fails_while_stopping_is_not_a_clean_end(service, log, monkeypatch):
    real = service._append

    def failing(entries):
        if isinstance(entries[0], Stop):
            raise JournalWriteError("planted")
        return real(entries)

    monkeypatch.setattr(service, "_append", failing)
    stop_after(service, monkeypatch, 1)
    assert service.run() == 23
    assert "journal-failed" in log.events
    assert "stop" not in kinds(service)


def test_configuration_that_proves_wrong_at_the_start_is_refused_as_such_with_the_lamp_on_fault(
    service, log, monkeypatch
):
    def refusing(*_more):
        raise ConfigError("agent.toml", "mqtt.password_file", "No such file or directory")

    faults = []
    monkeypatch.setattr(loop, "close_delivery", lambda *_, fault: faults.append(fault))
    monkeypatch.setattr(service._publisher, "tell", refusing)
    with pytest.raises(ConfigError):
        service.run()
    assert faults == [True]
    assert "configuration-rejected" in log.events
    assert "internal-error" not in log.events


def test_reload_without_a_recipe_that_drift_watches_is_refused_as_the_next_start_would(
    service, log, monkeypatch
):
    agent = service._configuration.path
    service._intake.close()  # only its folder is needed
    watch = '[[drift.watch]]\ncharacteristic = "roundness_total"\npart = "HN-1610-R"\n'
    agent.write_text(f"{agent.read_text()}\n{watch}")
    watching = Service(load_configuration(agent), SystemClock(), log)
    monkeypatch.setattr(watching._publisher, "_connect", lambda: None)
    (agent.parent / "recipes" / "HN-1610-R.toml").unlink()
    watching.reload()
    turn = watching._turn
    monkeypatch.setattr(watching, "_turn", lambda: (turn(), watching.stop()))
    assert watching.run() == 0
    assert "configuration-rejected" in log.events
    assert "configuration-reloaded" not in log.events
