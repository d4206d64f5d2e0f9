"""Numbers for Prometheus, read back by its own client's parser, from the file and over HTTP."""

from __future__ import annotations

import re
import socket
import time
import urllib.request
from pathlib import Path

import msgspec
import pytest
from field import free_port, wait_until
from prometheus_client.parser import text_string_to_metric_families

from edgeagent.codec.configuration.settings import MetricsSettings
from edgeagent.judging.status.agent_status import Moment, Writer, stopped_status
from edgeagent.judging.status.tally import COUNTED
from edgeagent.model.status import BrokerNow, DiskNow, GateNow, QueueNow, VerificationNow
from edgeagent.service.telling.metrics import LOCAL, Metrics
from edgeagent.store.running.process import this_process

STATION = {"station": 'plant "a"/cell-3/gauge\\1'}


def status(**more):
    base = stopped_status("", Writer(this_process(), 1_772_444_400.0), Moment(1_772_444_467.5, 1.0))
    given = {
        "phase": "running",
        "not_accepting": (),
        "seq": 41,
        "gate": GateNow(False, "2026-03-03T09:41:07.000000Z"),
        "queue": QueueNow(5, 2, 3),
        "broker": BrokerNow("mqtt://127.0.0.1", True, True, 7),
        "disk": DiskNow(12_345, 0.25, "warning", 86.4, 2.0),
        "verifications": (VerificationNow("gauge-1", True, "2026-03-02T09:41:07.000000Z"),),
        "since_start": {
            **dict.fromkeys(COUNTED, 0),
            "measured": 12,
            "accept": 9,
            "recorded_s": 6.5,
            "verifications_inconclusive": 2,
            "verifications_incomplete": 3,
        },
        **more,
    }
    return msgspec.structs.replace(base, **given)


def parsed(text: str) -> dict[tuple, float]:
    """Every sample by its name and labels."""
    return {
        (s.name, *sorted((k, v) for k, v in s.labels.items() if k != "station")): s.value
        for family in text_string_to_metric_families(text)
        for s in family.samples
    }


def shown(tmp_path: Path, **more) -> tuple[str, dict[tuple, float]]:
    metrics = Metrics(MetricsSettings(textfile="a.prom"), tmp_path, STATION["station"], lambda *_: None)
    metrics.show(status(**more))
    text = (tmp_path / "a.prom").read_text(encoding="utf-8")
    return text, parsed(text)


def test_every_number_of_the_status_is_there_in_base_units(tmp_path):
    _, found = shown(tmp_path)
    assert found["edgeagent_running",] == found["edgeagent_could_accept",] == 1
    assert found["edgeagent_lamp_digit",] == 3
    assert found["edgeagent_start_time_seconds",] == 1_772_444_400.0
    assert found["edgeagent_status_time_seconds",] == 1_772_444_467.5
    assert found["edgeagent_disk_free_bytes",] == 12_345e6
    assert found["edgeagent_disk_free_ratio",] == 0.25
    assert (found["edgeagent_disk_warning",], found["edgeagent_disk_alarm",]) == (1, 0)
    assert found["edgeagent_store_growth_bytes_per_second",] == pytest.approx(1000.0)
    assert found["edgeagent_disk_full_in_seconds",] == pytest.approx(172_800.0)
    assert found["edgeagent_files_waiting",] == 5
    assert found["edgeagent_undelivered_records",] == 7
    assert found["edgeagent_verification_passed", ("instrument", "gauge-1")] == 1
    assert found["edgeagent_files_total", ("result", "measured")] == 12
    assert found["edgeagent_verifications_total", ("result", "inconclusive")] == 2
    assert found["edgeagent_verifications_total", ("result", "incomplete")] == 3
    assert found["edgeagent_verifications_total", ("result", "failed")] == 0
    assert found["edgeagent_parts_total", ("disposition", "accept")] == 9
    assert found["edgeagent_parts_total", ("disposition", "hold")] == 0, "a counter is there before it counts"
    assert found["edgeagent_file_recorded_seconds_sum",] == 6.5
    assert found["edgeagent_file_recorded_seconds_count",] == 12


def test_names_follow_the_convention_and_every_sample_names_its_station(tmp_path):
    text, _ = shown(tmp_path)
    for family in text_string_to_metric_families(text):
        assert re.fullmatch(r"edgeagent_[a-z_]+", family.name)
        assert family.documentation.endswith(".")
        assert family.type in ("gauge", "counter", "summary"), family.name
        for sample in family.samples:
            assert sample.labels["station"] == STATION["station"]
            if family.type == "counter":
                assert sample.name.endswith("_total")
            else:
                assert not sample.name.endswith("_total")
        assert not re.search(r"_(ms|mb|kb|percent|minutes|hours|days|share)(_|$)", family.name), "base units"


def test_what_is_not_known_is_left_out_and_never_a_zero(tmp_path):
    _, found = shown(tmp_path, disk=None, gate=None, queue=None, broker=None, since_start={})
    names = {key[0] for key in found}
    assert not [n for n in names if "disk" in n or "gate" in n or n.endswith("_total")]
    assert "edgeagent_lamp_digit" in names


def test_folder_that_cannot_be_written_is_told_once_and_again_after_it_worked(tmp_path):
    said = []
    folder = tmp_path / "gone"
    metrics = Metrics(MetricsSettings(textfile="gone/a.prom"), tmp_path, "s", lambda *about: said.append(about))
    metrics.show(status())
    metrics.show(status())
    assert [event for event, _ in said] == ["metrics-failed"]
    folder.mkdir()
    metrics.show(status())
    (folder / "a.prom").unlink()
    folder.rmdir()
    metrics.show(status())
    assert len(said) == 2
    assert not list(tmp_path.rglob("*.tmp"))


def read(port: int) -> str:
    with urllib.request.urlopen(f"http://{LOCAL}:{port}/metrics", timeout=10) as answer:
        assert answer.headers["Content-Type"].startswith("text/plain")
        return answer.read().decode()


def test_used_port_is_told_and_keeps_nothing_from_its_work(tmp_path):
    said = []
    with socket.create_server((LOCAL, 0)) as taken:
        port = taken.getsockname()[1]
        metrics = Metrics(MetricsSettings(port=port), tmp_path, "s", lambda *about: said.append(about))
        metrics.show(status())
        metrics.close()
    assert said[0][0] == "metrics-failed"
    assert str(port) in said[0][1]["reason"]


def listening_on(port: int) -> set[str]:
    """Local addresses, in hexadecimal, on which somebody listens at a port (proc(5), state 0A)."""
    tables = [Path(f"/proc/net/{name}").read_text() for name in ("tcp", "tcp6")]
    rows = [line.split() for table in tables for line in table.splitlines()[1:]]
    ends = [row[1].split(":") for row in rows if row[3] == "0A"]
    return {address for address, number in ends if int(number, 16) == port}


@pytest.mark.needs_mosquitto
def test_running_agent_is_scraped_over_http_and_from_its_file_until_it_has_stopped(cell, circle_text):
    cell.begin_broker()
    port = free_port()
    agent = cell.begin_agent({"intake.settle_s": 0.05, "metrics": {"textfile": "agent.prom", "port": port}})
    for serial, amplitude_nm in (("1", 20.0), ("2", 4000.0)):
        agent.drop(f"{serial}.txt", circle_text(serial, amplitude_nm))
    rejected = ("edgeagent_parts_total", ("disposition", "reject"))
    over_http = wait_until(lambda: (f := parsed(read(port))) and f.get(rejected) and f)
    assert over_http["edgeagent_parts_total", ("disposition", "accept")] == 1
    assert over_http["edgeagent_files_total", ("result", "measured")] == 2
    assert 0.0 < over_http["edgeagent_file_recorded_seconds_sum",] < 60.0
    assert over_http["edgeagent_lamp_digit",] == 1
    path = agent.folder / "agent.prom"
    assert path.stat().st_mode & 0o444 == 0o444, "the node exporter is another user"
    at = parsed(path.read_text(encoding="utf-8"))["edgeagent_status_time_seconds",]
    assert abs(time.time() - at) < 30.0
    assert listening_on(port) == {"0100007F"}, "nobody else on the network may ask"
    agent.terminate()
    stopped = parsed(path.read_text(encoding="utf-8"))
    assert (stopped["edgeagent_running",], stopped["edgeagent_lamp_digit",]) == (0, 3)


def test_metrics_without_their_extra_are_an_error_that_says_how_to_get_it(cell):
    agent = cell.agent({"metrics": {"textfile": "agent.prom"}})
    (agent.folder / "prometheus_client.py").write_text("raise ImportError('hidden by a test')\n")
    agent._env["PYTHONPATH"] = f"{agent.folder}:{Path(__file__).parent.parent.parent}"
    agent.start(wait=False)
    assert agent.wait() == 2
    assert "pip install 'edgeagent[metrics]'" in agent.said()
