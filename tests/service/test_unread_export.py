"""An export that cannot be read holds the lamp until somebody acknowledges it or a good one takes its place."""

from __future__ import annotations

import os
import time

import pytest
from field import wait_until

pytestmark = pytest.mark.needs_mosquitto
FAST = {"intake.scan_s": 0.2, "intake.empty_s": 0.2, "intake.unclosed_s": 0.5}
"""Found before the folder was watched, an empty file has no close that was seen, and waits for one."""
JUNK = "no trace at all\n"


def station(cell, changes=None):
    cell.begin_broker()
    line = cell.begin_listener()
    return cell.begin_agent({**FAST, **(changes or {})}), line


def empty(agent):
    agent.drop("bad.txt", "")


def junk(agent):
    agent.drop("bad.txt", JUNK)


def too_large(agent):
    with (agent.inbox / "bad.txt").open("wb") as file:
        file.truncate(40_000_000)


@pytest.mark.parametrize("make", [empty, junk, too_large])
def test_unreadable_export_holds_through_good_parts_until_it_is_acknowledged(cell, circle_text, make):
    agent, line = station(cell)
    line.wait_lamp("0")
    make(agent)
    line.wait_lamp("2")
    (alarm,) = line.wait_topic("alarm")
    assert alarm.json["alarm"] == "quarantine"
    assert alarm.json["holds"] is True
    agent.drop("good.txt", circle_text("1"))
    line.wait_topic("disposition")
    line.publish("acknowledge", str(alarm.json["seq"] + 1000))
    wait_until(lambda: agent.records("acknowledgement"))
    assert line.lamp == "2"
    line.publish("acknowledge", str(alarm.json["seq"]))
    line.wait_lamp("0")
    assert agent.records("acknowledgement")[-1]["body"]["matched"] is True


def test_good_export_under_the_same_name_releases_the_lamp(cell, circle_text):
    agent, line = station(cell)
    junk(agent)
    line.wait_lamp("2")
    agent.drop("other.txt", circle_text("1"))
    line.wait_topic("disposition")
    assert line.lamp == "2"
    agent.drop("bad.txt", circle_text("2", seed=2))
    line.wait_lamp("0")


def test_another_bad_export_under_the_same_name_is_acknowledged_by_its_own_number(cell):
    agent, line = station(cell)
    junk(agent)
    line.wait_topic("alarm")
    agent.drop("bad.txt", JUNK * 2)
    first, second = line.wait_topic("alarm", 2)
    line.publish("acknowledge", str(first.json["seq"]))
    wait_until(lambda: agent.records("acknowledgement"))
    assert line.lamp == "2"
    line.publish("acknowledge", str(second.json["seq"]))
    line.wait_lamp("0")


def test_hold_outlives_a_restart_and_its_acknowledgement_too(cell):
    agent, line = station(cell)
    junk(agent)
    line.wait_lamp("2")
    agent.kill()
    line.wait_lamp("3")
    agent.start()
    line.wait_lamp("2")
    line.publish("acknowledge", str(line.wait_topic("alarm")[0].json["seq"]))
    line.wait_lamp("0")
    agent.terminate()
    line.wait_lamp("3")
    agent.start()
    line.wait_lamp("0")


def test_what_is_no_export_is_an_alarm_alone(cell, circle_text, tmp_path):
    agent, line = station(cell)
    line.wait_lamp("0")
    agent.drop("drawing.pdf", "%PDF-1.7")
    agent.drop("gauge.log", "ready")
    (tmp_path / "elsewhere.txt").write_text(circle_text("9"))
    (agent.inbox / "link.txt").symlink_to(tmp_path / "elsewhere.txt")
    os.mkfifo(agent.inbox / "pipe.txt")
    told = line.wait_topic("alarm", 4)
    agent.drop("good.txt", circle_text("1"))
    line.wait_topic("disposition")
    assert line.lamp == "0"
    assert not any(m.json["holds"] for m in told)


def test_configuration_says_what_should_be_an_export(cell):
    agent, line = station(cell, {"intake.files": ["*.gauge"]})
    junk(agent)
    line.wait_topic("alarm")
    agent.drop("bad.gauge", JUNK)
    line.wait_topic("alarm", 2)
    line.wait_lamp("2")
    assert [m.json["holds"] for m in line.messages("alarm")] == [False, True]


def test_old_export_that_cannot_be_read_is_an_alarm_alone(cell):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent({**FAST, "intake.live_s": 0.5, "intake.unclosed_s": 1.0})
    agent.drop("bad.txt", JUNK)
    written_at = os.stat(agent.inbox / "bad.txt").st_ctime
    wait_until(lambda: time.time() - written_at > 2.0)
    agent.start()
    (alarm,) = line.wait_topic("alarm")
    assert alarm.json["holds"] is False
    line.wait_lamp("0")
