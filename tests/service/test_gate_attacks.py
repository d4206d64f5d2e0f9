"""The running service against everything that might make its gate open when it must not.

Times are minutes before the test's start, as the instrument's clock says; files arrive in the order of calls.
"""

from __future__ import annotations

import os
import re
import signal
import time
from datetime import UTC, datetime, timedelta
from itertools import count

import pytest
from click.testing import CliRunner
from field import spiral_text, wait_until

from edgeagent.cli import main
from edgeagent.store.verify import verify_journal

CERTIFIED = {36: 812.0, 180: 403.0}
SECOND = """artefact = "MW-04"
certificate = "C-2"
valid_until = 2999-12-31
[[wave]]
upr = 20
amplitude_nm = 500.0
expanded_uncertainty_nm = 5.0
"""
TWO_PLANES = """part = "TP-2"
revision = "A"
[[measurement]]
feature = "upper"
kind = "circle"
upr = [2, 100]
  [[measurement.limit]]
  characteristic = "roundness_total"
  upper = 5.0
[[measurement]]
feature = "lower"
kind = "circle"
upr = [2, 100]
  [[measurement.limit]]
  characteristic = "roundness_total"
  upper = 5.0
"""


class Station:
    """An agent with the gate on; every call drops a file and waits for what it leads to."""

    def __init__(self, cell, **changes):
        gate = {"verification": {"artefact": "MW-03", "max_age_h": 24}, "intake.live_s": 0.5}
        self.agent = cell.agent(gate | changes)
        self.certificate = self.agent.folder / "artefacts" / "MW-03.toml"
        self.write(self.certificate.read_text(encoding="utf-8").replace("2027-06-30", "2999-12-31"))
        (self.agent.folder / "artefacts" / "MW-04.toml").write_text(SECOND, encoding="utf-8")
        (self.agent.folder / "recipes" / "TP-2.toml").write_text(TWO_PLANES, encoding="utf-8")
        self.now = datetime.now(UTC)
        self._number = count(1)
        self.agent.start(wait=False)
        self.agent.wait_event("started")

    def write(self, certificate):
        self.certificate.write_text(certificate, encoding="utf-8")

    def reload(self):
        done = len(self.agent.records("configuration")) + len(self.agent.records("recovery"))
        self.agent.signal(signal.SIGHUP)
        wait_until(
            lambda: len(self.agent.records("configuration")) + len(self.agent.records("recovery")) > done
        )

    def drop(self, kind, text, name=None):
        """The record of this kind that the file leads to."""
        before = len(self.agent.records(kind))
        self.agent.drop(name or f"{next(self._number)}.txt", text)
        return wait_until(lambda: self.agent.records(kind)[before:], what=f"a {kind}")[-1]

    def stamped(self, minutes_ago, instrument, **more):
        at = (self.now - timedelta(minutes=minutes_ago)).isoformat()
        seed = next(self._number)
        text = spiral_text(
            kind="circle", turns=2, points_per_turn=1800, measured_at=at, seed=seed, noise_nm=3.0,
            instrument=instrument or "gauge-1", **more,
        )  # fmt: skip
        return text if instrument else text.replace('# instrument = "gauge-1"\n', "")

    def verification(self, minutes_ago, scale=1.0, instrument="gauge-1", artefact="MW-03", waves=CERTIFIED):
        waves = {upr: scale * nm for upr, nm in waves.items()}
        return self.stamped(minutes_ago, instrument, artefact=artefact, feature="waves", waves_nm=waves)

    def verify(self, minutes_ago, scale=1.0, **more):
        return self.drop("verification", self.verification(minutes_ago, scale, **more))["body"]

    def part(self, minutes_ago, instrument="gauge-1", serial=None, part="HN-1610-R", feature="outside"):
        serial = serial or f"S{next(self._number)}"
        waves = {2: 150.0, 3: 20.0}
        return self.stamped(
            minutes_ago, instrument, part=part, serial=serial, feature=feature, waves_nm=waves
        )  # fmt: skip

    def judge(self, minutes_ago, instrument="gauge-1"):
        return self.drop("disposition", self.part(minutes_ago, instrument))["body"]

    def plane(self, feature, minutes_ago, serial, instrument="gauge-1"):
        return self.part(minutes_ago, instrument, serial, "TP-2", feature)


def accepted(body):
    return body["disposition"] == "accept" and "gate" not in body


def held(body, words):
    assert body["disposition"] == "hold", body
    assert words in body["gate"], body["gate"]
    assert body["reasons"][0] == body["gate"]
    return True


@pytest.fixture
def station(cell):
    return Station(cell)


def test_verification_of_one_instrument_opens_no_gate_for_another(station):
    assert station.verify(60, instrument="gauge-2")["passed"]
    assert held(station.judge(5), "gauge-1 has never been verified")
    assert accepted(station.judge(5, "gauge-2"))
    assert held(station.judge(5, None), "gauge-1 has never been verified"), "no name: the station's"
    assert station.verify(55, instrument=None)["instrument"] == "gauge-1"
    assert accepted(station.judge(5))
    assert accepted(station.judge(4, None))
    assert not station.verify(3, 0.9, instrument="gauge-2")["passed"]
    assert accepted(station.judge(2))
    assert held(station.judge(1, "gauge-2"), "the last verification of gauge-2 failed")
    assert held(station.judge(1, "Gauge-1"), "Gauge-1 has never been verified")


def test_part_measured_by_two_instruments_needs_both_of_them_verified(station):
    assert station.verify(60)["passed"]
    station.drop("measurement", station.plane("upper", 10, "1"))
    body = station.drop("disposition", station.plane("lower", 9, "1", "gauge-2"))["body"]
    assert held(body, "gauge-2 has never been verified")
    assert station.verify(8, instrument="gauge-2")["passed"]
    station.drop("measurement", station.plane("upper", 7, "2"))
    assert accepted(station.drop("disposition", station.plane("lower", 6, "2", "gauge-2"))["body"])
    assert not station.verify(5, 0.9)["passed"]
    station.drop("measurement", station.plane("lower", 4, "3", "gauge-2"))
    body = station.drop("disposition", station.plane("upper", 3, "3"))["body"]
    assert held(body, "the last verification of gauge-1 failed")


def test_part_is_judged_by_the_verifications_around_its_measurement_whenever_it_arrives(station):
    first = station.verify(60)
    assert first["passed"]
    assert accepted(station.judge(40))
    station.verify(30, 0.9)
    failed = station.agent.records("verification")[-1]["seq"]
    assert held(station.judge(35), f"the last verification of gauge-1 failed (record {failed})")
    assert station.verify(20)["passed"]
    for _ in range(2):
        assert accepted(station.judge(65)), "the first verification passed afterwards"
        assert held(station.judge(31), f"before a failed verification of gauge-1 (record {failed})")
        assert held(station.judge(25), f"after a failed verification of gauge-1 (record {failed})")
        assert accepted(station.judge(10))
        station.agent.kill()
        station.agent.start(wait=False)
        station.agent.wait_event("started")


def test_part_whose_traces_lie_on_both_sides_of_a_failed_verification_is_held(station):
    assert station.verify(60)["passed"]
    assert not station.verify(50, 0.9)["passed"]
    station.drop("measurement", station.plane("upper", 45, "1"))
    assert station.verify(40)["passed"]
    body = station.drop("disposition", station.plane("lower", 30, "1"))["body"]
    assert held(body, "upper was measured after a failed verification")
    again = station.drop("disposition", station.plane("upper", 20, "1"))["body"]
    assert accepted(again), "measured again it is covered"
    assert again["remeasured"] == ["upper"]


def test_held_part_is_not_accepted_by_copying_one_of_its_traces(station):
    old = station.plane("upper", 45, "1")
    station.drop("measurement", old)
    station.drop("disposition", station.plane("lower", 44, "1"))
    assert station.verify(40)["passed"]
    for _ in range(2):
        assert held(station.drop("disposition", old)["body"], "upper is a copy of what was held")
    assert accepted(station.drop("disposition", station.plane("upper", 30, "1"))["body"])


def test_verification_that_was_measured_before_a_failed_one_does_not_reopen_the_gate(station):
    passed = station.verification(33)
    assert station.drop("verification", passed)["body"]["passed"]
    failed = station.verify(30, 0.9)
    assert not failed["passed"]
    copy = station.drop("verification", passed, "copy.txt")["body"]
    assert (copy["passed"], copy["counts"], copy["valid_until"]) == (False, False, None)
    assert "the file is a copy of that of record" in copy["reasons"][0]
    assert (len(failed["errors_nm"]), copy["errors_nm"]) == (2, {}), "nor are its errors the last ones found"
    assert held(station.judge(5), "the last verification of gauge-1 failed")
    late = station.verify(31)
    number = station.agent.records("verification")[1]["seq"]
    assert (late["passed"], late["counts"]) == (False, False)
    assert late["reasons"] == [f"it was measured before the failed verification of record {number}"]
    assert held(station.judge(5), "the last verification of gauge-1 failed")
    assert station.verify(4)["passed"]
    assert accepted(station.judge(3))


def test_artefact_file_that_is_touched_or_written_again_makes_no_verification_younger(cell):
    station = Station(cell, **{"verification.max_age_h": 1.0})
    text = station.verification(70)
    assert station.drop("verification", text, "wave.txt")["body"]["passed"]
    assert held(station.judge(1), "old, allowed are 1 h")
    file = station.agent.inbox / "wave.txt"
    os.utime(file)
    file.unlink()
    station.agent.drop("wave.txt", text)
    assert not station.drop("verification", text, "again.txt")["body"]["passed"]
    assert len(station.agent.records("verification")) == 2
    assert held(station.judge(1), "old, allowed are 1 h")
    station.agent.restart(wait=False)
    station.agent.wait_event("started")
    assert held(station.judge(1), "old, allowed are 1 h")
    assert len(station.agent.records("verification")) == 2


def test_verifications_whose_clocks_disagree_are_said_and_close_the_gate(station):
    assert station.verify(60)["passed"]
    assert accepted(station.judge(50))
    back = station.verify(180)
    assert (back["passed"], back["valid_until"]) == (False, None)
    name = station.agent.records("verification")[-1]["body"]["source"]["name"]
    words = f"{name}: header measured_at: it was measured 2.0 h before the one that was recorded earlier"
    assert back["reasons"][0] == words
    assert held(station.judge(40), "clocks of the verifications of gauge-1 disagree")
    assert station.verify(170)["passed"], "it agrees with the one before"
    ahead = station.verify(-60)
    assert not ahead["passed"]
    assert "header measured_at: it was measured 1.0 h after it was recorded" in ahead["reasons"][0]
    assert held(station.judge(1), "clocks of the verifications of gauge-1 disagree")


def test_trace_from_the_future_is_held(station):
    assert station.verify(60)["passed"]
    body = station.judge(-30)
    assert held(body, "clocks disagree: outside was measured ")
    assert 20 < float(re.search(r"([\d.]+) min after it was decided", body["gate"])[1]) <= 30
    assert accepted(station.judge(-1)), "a minute is nothing"


def test_certificate_that_is_changed_or_taken_away_closes_the_gate_until_verified_again(station):
    assert station.verify(60)["passed"]
    old = station.certificate.read_text(encoding="utf-8")
    station.write(old.replace("amplitude_nm = 812.0", "amplitude_nm = 780.0"))
    station.reload()
    assert held(station.judge(10), "the certificate of artefact MW-03 was changed since gauge-1 was verified")
    station.agent.restart(wait=False)
    station.agent.wait_event("started")
    assert held(station.judge(9), "the certificate of artefact MW-03 was changed since gauge-1 was verified")
    assert not station.verify(8)["passed"], "by the new certificate the gauge is wrong"
    station.certificate.unlink()
    station.reload()
    assert held(station.judge(7), "there is no certificate for artefact MW-03")
    none = station.verify(6)
    assert (none["passed"], none["reasons"][0]) == (False, "no certificate for artefact MW-03")
    station.write(old)
    station.reload()
    assert held(station.judge(5), "the last verification of gauge-1 failed")
    assert station.verify(4)["passed"]
    assert accepted(station.judge(3))


def test_certificate_that_a_reload_refuses_closes_the_gate_until_it_is_right_again(station):
    assert station.verify(60)["passed"]
    good = station.certificate.read_text(encoding="utf-8")
    line = good.count("\n", 0, good.index("upr = 180")) + 1
    station.write(good.replace("upr = 180", "upr = 36"))
    station.reload()
    told = f"artefacts/MW-03.toml: line {line}: wave[1].upr: certified by wave[0] already"
    assert told in station.agent.records("recovery")[-1]["body"]["reason"]
    assert held(station.judge(10), f"a certificate was refused: {told}")
    assert station.verify(9)["passed"], "the one in force still judges"
    assert held(station.judge(8), "a certificate was refused")
    station.write(good)
    station.reload()
    assert accepted(station.judge(7))
    station.agent.terminate()
    station.write(good.replace("expanded_uncertainty_nm = 6.0", "expanded_uncertainty_nm = 0"))
    station.agent.start(wait=False)
    assert station.agent.wait() == 2
    assert "wave[0].expanded_uncertainty_nm: Expected `float` > 0.0; found 0" in station.agent.said()


def test_mistake_in_a_recipe_at_a_reload_leaves_the_gate_open(station):
    assert station.verify(60)["passed"]
    (station.agent.folder / "recipes" / "TP-2.toml").write_text("part = 1", encoding="utf-8")
    station.reload()
    assert station.agent.records("recovery")[-1]["body"]["what"] == "configuration-rejected"
    assert accepted(station.judge(10))


def test_another_artefact_opens_nothing_and_closes_the_gate_only_when_it_fails(station):
    other = {"artefact": "MW-04", "waves": {20: 500.0}}
    body = station.verify(60, **other)
    assert (body["passed"], body["counts"]) == (False, False)
    assert body["reasons"][0] == "[verification] asks for artefact MW-03, this is MW-04"
    assert held(station.judge(50), "gauge-1 has never been verified with artefact MW-03")
    assert station.verify(40)["passed"]
    assert not station.verify(35, **other)["passed"]
    assert not station.verify(34, artefact="MW-77", waves={20: 500.0})["passed"]
    assert accepted(station.judge(30)), "nothing was found wrong with the instrument"
    assert not station.verify(20, 0.9, **other)["passed"]
    assert held(station.judge(10), "the last verification of gauge-1 failed")


def test_failed_verification_names_the_parts_accepted_since_the_last_one_that_passed(station):
    assert station.verify(60)["passed"]
    for number, minutes in enumerate((58, 50, 49, 48, 47, 46, 45)):
        station.drop("disposition", station.part(minutes, serial=f"P{number}"))
    station.drop("disposition", station.part(44, "gauge-2", serial="other"))
    assert station.verify(55)["passed"]
    bad = station.verify(40, 0.9)
    told = bad["reasons"][-1]
    assert told.startswith("accepted since the verification of record ")
    assert told.endswith("to be looked at again: HN-1610-R P6, HN-1610-R P5, HN-1610-R P4, HN-1610-R P3, "
                         "HN-1610-R P2, and 1 more"), told  # fmt: skip
    assert station.verify(30)["reasons"] == []


def test_instrument_that_tells_only_the_day_is_judged_by_the_order_of_arrival(cell):
    station = Station(cell, **{"verification.max_age_h": 48.0})  # a day may end while this runs
    day = (
        station.now - datetime(station.now.year, station.now.month, station.now.day, tzinfo=UTC)
    ) / timedelta(minutes=1)
    assert held(station.judge(day), "gauge-1 has never been verified")
    assert station.verify(day)["passed"]
    first = station.drop("disposition", station.part(day, serial="first"))["body"]
    assert accepted(first)
    assert not station.verify(day, 0.9)["passed"]
    assert held(station.judge(day), "the last verification of gauge-1 failed")
    assert station.verify(day)["passed"]
    assert accepted(station.judge(day))
    assert outcomes(station)["first"] == "accept", "it was on record before the failed one"


def outcomes(station):
    """The last disposition of every part."""
    return {r["body"]["serial"]: r["body"]["disposition"] for r in station.agent.records("disposition")}


def test_parts_and_verifications_of_one_batch_end_the_same_in_whatever_order_they_are_read(station):
    station.agent.terminate()
    files = {
        "passed": station.verification(60),
        "before": station.part(61, serial="before"),
        "after": station.part(50, serial="after"),
        "failed": station.verification(52, 0.9),
        "cleaned": station.verification(40),
        "covered": station.part(30, serial="covered"),
        "late": station.part(51, serial="late"),
    }
    for number, (name, text) in enumerate(files.items()):
        station.agent.drop(f"{number}-{name}.txt", text)
        time.sleep(0.02)
    station.agent.start(wait=False)
    wait_until(lambda: len(station.agent.records("measurement")) == len(files))
    wanted = {"before": "accept", "after": "hold", "covered": "accept", "late": "hold"}
    wait_until(lambda: outcomes(station) == wanted, what="the outcomes of the batch")
    withdrawn = [r["body"] for r in station.agent.records("disposition") if r["body"]["serial"] == "after"][-1]
    assert held(withdrawn, "outside was measured after a failed verification of gauge-1 (record ")


def test_part_accepted_before_the_failed_verification_was_read_is_held_again(station):
    assert station.verify(60)["passed"]
    assert accepted(station.drop("disposition", station.part(50, serial="good"))["body"])
    first = station.drop("disposition", station.part(30, serial="wrong"))
    assert accepted(first["body"])
    assert accepted(station.drop("disposition", station.part(20, "gauge-2", serial="other"))["body"]) is False
    station.verify(40, 0.9)
    (failed, again) = station.agent.records()[-2:]
    assert (failed["kind"], again["kind"]) == ("verification", "disposition")
    assert held(again["body"], f"after a failed verification of gauge-1 (record {failed['seq']})")
    assert again["body"]["replaces"] == first["seq"]
    assert outcomes(station) == {"good": "accept", "wrong": "hold", "other": "hold"}
    assert station.verify(10)["passed"]
    station.agent.restart(wait=False)
    station.agent.wait_event("started")
    assert outcomes(station)["wrong"] == "hold"
    wanted = ("--part", "HN-1610-R", "--serial", "wrong", "--who", "A. N.", "--why", "measured by hand as well")
    wait_until(lambda: command(station.agent, "release", *wanted) == 0)
    assert outcomes(station)["wrong"] == "accept"
    station.agent.terminate()
    assert command(station.agent, "replay") == 0
    verify_journal(station.agent.store)


def test_verification_that_a_crash_left_out_withdraws_what_it_would_have_withdrawn(station):
    assert station.verify(60)["passed"]
    assert accepted(station.judge(30))
    station.verify(40, 0.9)
    station.agent.kill()
    (segment,) = sorted((station.agent.store / "journal").glob("*.jsonl"))
    lines = segment.read_bytes().splitlines(keepends=True)
    segment.write_bytes(b"".join(lines[:-2]))  # the artefact's measurement is the last record
    (station.agent.store / "state" / "publisher.json").unlink(missing_ok=True)
    station.agent.start(wait=False)
    again = wait_until(lambda: station.agent.records("disposition")[1:])[0]["body"]
    failed = station.agent.records("verification")[-1]
    assert failed["body"]["passed"] is False
    assert held(again, f"after a failed verification of gauge-1 (record {failed['seq']})")


def test_part_that_the_gate_holds_does_not_flip_where_the_recipes_are_the_same(station):
    assert held(station.judge(5), "gauge-1 has never been verified")
    station.agent.terminate()
    recipes = os.fspath(station.agent.folder / "recipes")
    words = ["replay", "--config", os.fspath(station.agent.config), "--recipes", recipes]
    assert CliRunner().invoke(main, words).output == "1 file asked again: nothing differs\n"
    recipe = station.agent.folder / "recipes" / "HN-1610-R.toml"
    strict = re.sub(r"upper = .*", "upper = 1e-3", recipe.read_text(encoding="utf-8"))
    recipe.write_text(strict, encoding="utf-8")
    assert "hold would be reject" in CliRunner().invoke(main, words).output


def command(agent, name, *words):
    return CliRunner().invoke(main, [name, "--config", os.fspath(agent.config), *words]).exit_code


BANDS = """artefact = "MW-03"
certificate = "C-1"
valid_until = 2999-12-31
[[wave]]
upr = 36
amplitude_nm = 812.0
expanded_uncertainty_nm = 6.0
feature = "low"
[[wave]]
upr = 180
amplitude_nm = 403.0
expanded_uncertainty_nm = 5.0
feature = "high"
"""


def test_failed_set_of_files_is_measured_again_as_a_whole(cell):
    station = Station(cell)
    station.write(BANDS)
    station.reload()

    def band(feature, minutes_ago, scale=1.0):
        waves = {"low": {36: 812.0 * scale}, "high": {180: 403.0 * scale}}[feature]
        text = station.stamped(minutes_ago, "gauge-1", artefact="MW-03", feature=feature, waves_nm=waves)
        return station.drop("verification", text)["body"]

    assert not band("high", 60)["passed"]
    assert band("low", 59)["passed"]
    assert accepted(station.judge(50))
    assert not band("low", 40, 0.9)["passed"]
    assert not band("low", 36)["passed"], "the other band was seen before the gauge was put right"
    assert not band("high", 41)["passed"], "and still was, though its file came later"
    assert held(station.judge(20), "gauge-1")
    assert not band("low", 18)["passed"]
    assert band("high", 17)["passed"]
    assert accepted(station.judge(10))


def test_trace_too_coarse_for_a_certified_wave_closes_the_gate_although_all_waves_passed_before(station):
    assert station.verify(60)["passed"]
    at = (station.now - timedelta(minutes=30)).isoformat()
    coarse = spiral_text(
        kind="circle", turns=3, points_per_turn=300, artefact="MW-03", feature="waves", waves_nm={36: 812.0},
        measured_at=at, noise_nm=2.0,
    )  # fmt: skip
    told = station.drop("verification", coarse)["body"]
    assert not told["passed"]
    assert "wave[1].upr: 180 UPR lies above the trace's range of 120 UPR" in told["reasons"][0]
    assert held(station.judge(20), "the last verification of gauge-1 lacks certified waves")
    assert station.verify(10)["passed"]
    assert accepted(station.judge(5))


def test_failed_verification_names_what_was_put_on_record_since_the_pass_whatever_its_clock_said(station):
    assert station.verify(60)["passed"]
    assert accepted(station.drop("disposition", station.part(600, serial="slow-clock"))["body"])
    told = station.verify(30, 0.9)
    assert not told["passed"]
    assert told["reasons"][-1].endswith("to be looked at again: HN-1610-R slow-clock")


def test_files_that_waited_are_read_in_the_order_in_which_they_were_written_whatever_their_names(station):
    station.agent.terminate()
    files = [("m.txt", station.verification(60)), ("a.txt", station.part(50, serial="covered")),
             ("z.txt", station.verification(40, 0.9)), ("b.txt", station.part(30, serial="after")),
             ("k.txt", station.verification(20)), ("c.txt", station.part(10, serial="again"))]  # fmt: skip
    for number, (name, text) in enumerate(files):
        station.agent.drop(name, text)
        written = station.now.timestamp() - 3600 + 60 * number
        os.utime(station.agent.inbox / name, (written, written))
    station.agent.start(wait=False)
    wait_until(lambda: len(station.agent.records("measurement")) == len(files))
    assert [r["body"]["source"]["name"] for r in station.agent.records("measurement")] == [n for n, _ in files]
    wait_until(lambda: outcomes(station) == {"covered": "accept", "after": "hold", "again": "accept"})
    assert len(station.agent.records("disposition")) == 3, "nothing is told and then taken back"


def test_one_file_for_each_band_passes_together_although_the_certificate_names_no_feature(station):
    low, high = {36: 812.0}, {180: 403.0}
    first = station.drop("verification", station.verification(60, waves=low))["body"]
    assert (first["passed"], first["incomplete"], first["partial"]) == (False, True, True)
    assert "wave[1].upr: 180 UPR is missing" in first["reasons"][0]
    assert held(station.judge(59), "gauge-1 lacks certified waves")
    second = station.drop("verification", station.verification(55, waves=high))["body"]
    assert (second["passed"], second["incomplete"]) == (True, False)
    assert accepted(station.judge(50))
    # The next round renews it file by file; one that is wrong closes the gate, and both are measured again.
    assert station.drop("verification", station.verification(40, waves=low))["body"]["passed"]
    assert not station.drop("verification", station.verification(35, 0.9, waves=high))["body"]["passed"]
    assert held(station.judge(30), "the last verification of gauge-1 failed")
    assert not station.drop("verification", station.verification(25, waves=high))["body"]["passed"]
    assert station.drop("verification", station.verification(20, waves=low))["body"]["passed"]
    assert accepted(station.judge(10))
    station.agent.kill()
    station.agent.start(wait=False)
    station.agent.wait_event("started")
    assert accepted(station.judge(9))


def test_gauge_that_has_lost_a_wave_is_not_helped_by_a_file_that_showed_all_of_them(station):
    assert station.verify(60)["passed"]
    lost = station.drop("verification", station.verification(50, waves={36: 812.0}))["body"]
    assert (lost["passed"], lost["partial"]) == (False, True)
    assert held(station.judge(40), "gauge-1 lacks certified waves")
    assert not station.drop("verification", station.verification(30, waves={36: 812.0}))["body"]["passed"]
    assert held(station.judge(20), "gauge-1 lacks certified waves")
    assert station.verify(10)["passed"]
    assert accepted(station.judge(5))
