"""Random true histories: parts, artefacts, releases and set-back clocks, of which a replay says nothing."""

from __future__ import annotations

import random

import pytest
from judged_station import JudgedStation, configured, posix
from msgspec import UNSET
from test_rederive import rederived, with_body

from edgeagent.judging.part_decisions import open_reason
from edgeagent.judging.release import take_up
from edgeagent.judging.requests import Asker, Handed, ReleaseRequest


def release(station: JudgedStation, handed: Handed, hours: float) -> None:
    """What becomes of a request to release a part."""
    memory, configuration, now = station.memory, station.configuration, posix(hours)
    taken = take_up(
        "request",
        lambda: handed,
        memory,
        lambda state: open_reason(state, memory, configuration, now),
        waits=lambda _seq: False,
        now=now,
        live_s=60.0,
        two_persons=configuration.settings.release.two_persons,
    )
    station.append(taken.entries, hours)


def random_history(seed: int) -> JudgedStation:
    """Some thirty happenings, files under old names and files measured before others among them."""
    chance = random.Random(seed)
    two_persons = f"[release]\ntwo_persons = {str(seed % 3 == 0).lower()}\n"
    station = JudgedStation(configured(f"max_age_h = {chance.choice([3, 24])}", more=two_persons))
    hours = 2.0
    for number in range(30):
        hours += chance.choice([0.001, 0.01, 0.3, 1.0])
        measured, serial = hours + chance.choice([0, 0, 0, -0.2, -1.5]), str(chance.randint(1, 6))
        found = chance.choice(["accept", "accept", "reject", "hold"])
        name = f"{chance.randint(0, 5 * number)}.txt"
        match chance.choices(["part", "artefact", "time", "release"], [5, 3, 1, 2])[0]:
            case "part":
                required = chance.choice([["outside"], ["outside", "inside"]])
                more = {"disposition": found, "required": required, "name": name}
                station.part(serial, measured, at_h=hours, feature=chance.choice(required), **more)
            case "artefact":
                lost = {"missing_upr": [180], "incomplete": True, "partial": number % 2 == 0}
                more = chance.choice([{}, {}, lost, {"too_noisy": True}, {"artefact": "XX-1"}])
                station.verify(measured, found, at_h=hours, name=name, **more)
            case "time" if station.memory.part_set("P", serial).results:
                hours += 1.0
                station.time_out(serial, hours)
            case "release":
                request = ReleaseRequest("P", serial, chance.choice("AB"), "why")
                release(station, Handed(request, Asker(number % 2, "")), hours)
            case _:
                pass
    for state in list(station.memory.sets.values()):
        station.time_out(state.serial, hours + 1.0)
    return station


@pytest.mark.parametrize("seed", range(20))
def test_true_history_contradicts_itself_nowhere(seed):
    station = random_history(seed)
    assert len(station.records) > 30
    assert rederived(station, station.records) == []


def test_release_by_two_persons_whose_logins_are_not_on_record_follows_from_their_names():
    """As journals of earlier versions have it."""
    station = JudgedStation(configured(more="[release]\ntwo_persons = true\n"))
    station.part("1", 2.0)
    station.verify(3.0)
    for hours, (who, uid) in enumerate((("A. N.", 1), ("B. N.", 2)), 4):
        release(station, Handed(ReleaseRequest("P", "1", who, "verified since"), Asker(uid, "")), hours)
    assert station.memory.part_set("P", "1").disposed == "accept"
    records = [
        with_body(r, uid=UNSET, user=UNSET) if r.kind == "acknowledgement" else r for r in station.records
    ]
    assert rederived(station, records) == []
