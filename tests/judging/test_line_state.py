"""How the agent stands, as the line is told: gate and until when, what waits, what is undelivered."""

from __future__ import annotations

from dataclasses import replace

import pytest
from judged_station import JudgedStation, configured, posix

import edgeagent
from edgeagent.codec.evidence.identities import JournalIdentity, KnownAs
from edgeagent.judging.configuration import Document, recipe_from_documents
from edgeagent.judging.line_state import line_state
from edgeagent.model.status import DiskNow
from edgeagent.rules.line.delivery import initial
from edgeagent.rules.line.lamp import Lamp, Waiting

RECIPE = '[[measurement]]\nfeature = "outside"\nkind = "circle"\nupr = [2, 50]\n'


def told(station, at_h, *, lamp=None, position=0, end=0, configuration=None, free_bytes=0):
    delivery = replace(initial(latches=True, keep_alive_s=5), lamp=lamp or Lamp(), position=position, end=end)
    disk = DiskNow(free_bytes // 1_000_000, 0.5, "room")
    return line_state(station.memory, configuration or station.configuration, delivery, posix(at_h), disk)


def test_open_gate_says_until_when_it_stays_open():
    station = JudgedStation()
    station.verify(1.0)
    assert told(station, 2.0)["gate"] == {"closed": False, "until": "2026-03-03T01:00:00.000000Z"}
    station.verify(3.0, instrument="gauge-2")
    assert told(station, 4.0)["gate"]["until"] == "2026-03-03T01:00:00.000000Z", "the first that runs out"
    station.verify(9.0)
    assert told(station, 10.0)["gate"]["until"] == "2026-03-03T03:00:00.000000Z"


def test_closed_gate_has_no_end_and_what_ran_out_is_no_end_either():
    station = JudgedStation()
    assert told(station, 1.0)["gate"] == {"closed": True, "until": None}
    station.verify(1.0)
    station.verify(20.0, instrument="gauge-2")
    assert told(station, 26.0)["gate"] == {"closed": True, "until": None}, "gauge-1 ran out"
    station.verify(27.0)
    station.verify(28.0, "reject", instrument="gauge-2")
    assert told(station, 29.0)["gate"] == {"closed": True, "until": None}


def test_verification_that_ran_out_long_ago_is_no_end_of_an_open_gate():
    station = JudgedStation()
    station.verify(0.0, instrument="retired")
    station.verify(200.0)
    assert told(station, 201.0)["gate"] == {"closed": False, "until": "2026-03-11T08:00:00.000000Z"}


@pytest.mark.parametrize("verification", ["", "# no age"])
def test_without_a_gate_it_is_open_and_never_ends(verification):
    station = JudgedStation(configured(verification=verification))
    assert told(station, 1.0)["gate"] == {"closed": False, "until": None}
    station.verify(1.0)
    assert told(station, 2.0)["gate"] == {"closed": False, "until": None}


def test_what_waits_is_counted_and_the_newest_fifty_are_named():
    waiting = tuple(Waiting(seq, "hold", "P", str(seq)) for seq in range(1, 61))
    lamp = Lamp(waiting=(*waiting, Waiting(61, "quarantine", file="inbox/a.txt")))
    found = told(JudgedStation(), 0.0, lamp=lamp)
    assert found["waiting_count"] == 61
    assert [w["seq"] for w in found["waiting"]] == list(range(12, 62))
    assert found["waiting"][0] == {"seq": 12, "what": "hold", "part": "P", "serial": "12"}
    assert found["waiting"][-1] == {"seq": 61, "what": "quarantine", "file": "inbox/a.txt"}


def test_lamp_faults_delivery_disk_and_recipes_are_told():
    recipes = {
        part: recipe_from_documents(
            Document(f"{part}.toml", f'part = "{part}"\nrevision = "B"\n{RECIPE}'.encode()), {}
        )
        for part in ("Q", "P")
    }
    lamp = Lamp(faults=frozenset({"disk", "broker"}), holding=frozenset({"gate-closed", "a"}))
    found = told(
        JudgedStation(), 0.0, lamp=lamp, position=3, end=10, free_bytes=12_345_999_999,
        configuration=replace(configured(), recipes=recipes),
    )  # fmt: skip
    assert (found["version"], found["lamp"], found["undelivered"]) == (edgeagent.__version__, 3, 7)
    assert (found["faults"], found["holding"]) == (["broker", "disk"], ["a", "gate-closed"])
    assert found["free_disk_mb"] == found["disk"]["free_mb"] == 12_345
    assert found["disk"]["level"] == "room"
    assert [(r["part"], r["revision"]) for r in found["recipes"]] == [("P", "B"), ("Q", "B")]
    assert found["recipes"][0]["sha256"] == recipes["P"].document.sha256


def test_state_says_whether_a_budget_stands_behind_the_uncertainties():
    assert told(JudgedStation(), 1.0)["uncertainty"] == "noise of this trace only"
    stated = JudgedStation(configured(more="[uncertainty]\ngauge_scale = 0.003\n"))
    assert told(stated, 1.0)["uncertainty"] == "budget"


def test_identities_that_ended_are_named_the_newest_eight_of_them():
    station = JudgedStation()
    for count, named in ((0, None), (1, None), (2, ["h0"]), (11, [f"h{n}" for n in range(2, 10)])):
        station.memory.known_as = KnownAs(tuple(JournalIdentity(f"h{n}", n) for n in range(count)))
        assert told(station, 1.0).get("formerly") == named
