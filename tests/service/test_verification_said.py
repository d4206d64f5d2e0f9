"""What is wrong with a verification is said in the journal and to the line, and it never counts as passed."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner
from field import spiral_text, wait_until

from edgeagent.cli import main

CERTIFIED = {36: 812.0, 180: 403.0}
NAMED = "artefacts/MW-03.toml: certificate C-2291"
GATE = {"verification": {"artefact": "MW-03", "max_age_h": 24}}


def artefact(minutes_ago=1.0, waves=CERTIFIED, **more):
    at = (datetime.now(UTC) - timedelta(minutes=minutes_ago)).isoformat()
    given = {"artefact": "MW-03", "feature": "waves", "kind": "circle", "turns": 2, "points_per_turn": 1800}
    return spiral_text(waves_nm=waves, measured_at=at, **given | more)


def certificate(agent, old="2027-06-30", new="2999-12-31"):
    path = agent.folder / "artefacts" / "MW-03.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture
def station(cell):
    """An agent with the gate on, a broker and a listener."""
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.agent(GATE)
    certificate(agent)
    agent.start()
    return agent, listener


def told(agent, listener, name, text):
    """The verification's record, and what the line was told of it; the two agree."""
    before = len(agent.records("verification"))
    agent.drop(name, text)
    (record,) = wait_until(lambda: agent.records("verification")[before:])
    message = listener.wait(
        lambda it: [m for m in it.messages("verification") if m.json["seq"] == record["seq"]]
    )[0]
    body = record["body"]
    for key in ("artefact", "instrument", "passed", "reasons", "measured_at", "valid_until", "certificate"):
        assert message.json.get(key) == body.get(key), key
    return body


def alarms(listener):
    return [m.json for m in listener.messages("alarm") if m.json["alarm"].startswith("verification-")]


def held_for(agent, listener, circle_text, serial, words):
    now = datetime.now(UTC).isoformat()
    agent.drop(f"part-{serial}.txt", circle_text(serial, measured_at=now))
    message = listener.wait(
        lambda it: [m.json for m in it.messages("disposition") if m.json["serial"] == serial]
    )[0]
    listener.wait_lamp("2")
    assert message["disposition"] == "hold"
    assert words in message["reasons"][0]
    closed = listener.wait(
        lambda it: [m.json for m in it.messages("alarm") if m.json["alarm"] == "gate-closed"]
    )[0]
    assert (closed["serial"], f"gate: {closed['reason']}") == (serial, message["reasons"][0])


def test_passed_verification_says_until_when_it_holds_and_by_which_certificate(station, circle_text):
    agent, listener = station
    body = told(agent, listener, "good.txt", artefact())
    assert (body["passed"], body["reasons"], body["certificate"]) == (True, [], "C-2291")
    age = datetime.fromisoformat(body["valid_until"]) - datetime.fromisoformat(body["measured_at"])
    assert age == timedelta(hours=24)
    assert alarms(listener) == []
    agent.drop("part.txt", circle_text("1", measured_at=datetime.now(UTC).isoformat()))
    listener.wait(lambda it: [m for m in it.messages("disposition") if m.json["disposition"] == "accept"])
    assert listener.lamp == "0"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (lambda: artefact(artefact="MW-04"), "[verification] asks for artefact MW-03, this is MW-04"),
        (
            lambda: artefact(noise_nm=400.0),
            "trace uncertainty: too noisy to tell whether the instrument is right: the wave of ",
        ),
        (
            lambda: artefact(points_per_turn=300),
            f"{NAMED}: wave[1].upr: 180 UPR lies above the trace's range of 120 UPR",
        ),
        (lambda: artefact(waves={36: 812.0}), f"{NAMED}: wave[1].upr: 180 UPR is missing: "),
        (lambda: artefact(waves={36: 812.0, 180: 403.0, 90: 9.0}), "spurious amplitude at 90 UPR = 9"),
        (lambda: artefact(waves={36: 812.0, 180: 403.0, 37: 9.0}), "side band amplitude at 37 UPR = 8.8"),
    ],
    ids=["wrong-artefact", "noisy-trace", "above-nyquist", "wave-missing", "spurious-wave", "side-band"],
)  # fmt: skip
def test_what_is_wrong_is_said_and_not_passed(station, circle_text, text, words):
    agent, listener = station
    body = told(agent, listener, "artefact.txt", text())
    assert (body["passed"], body["valid_until"]) == (False, None)
    assert any(reason.startswith(words) for reason in body["reasons"]), body["reasons"]
    alarm = listener.wait(alarms)[0]
    assert words in alarm["reason"]
    held_for(agent, listener, circle_text, "1", "gate: ")


def accepted(agent, listener, circle_text, serial):
    agent.drop(f"part-{serial}.txt", circle_text(serial, measured_at=datetime.now(UTC).isoformat()))
    message = listener.wait(
        lambda it: [m.json for m in it.messages("disposition") if m.json["serial"] == serial]
    )[0]
    return message["disposition"] == "accept"


def test_trace_too_noisy_to_tell_is_said_and_changes_nothing_but_one_that_is_wrong_all_the_same_does(
    station, cell, circle_text
):
    agent, listener = station
    assert told(agent, listener, "good.txt", artefact(minutes_ago=3))["outcome"] == "passed"
    assert accepted(agent, listener, circle_text, "1")
    body = told(agent, listener, "noisy.txt", artefact(minutes_ago=2, noise_nm=400.0))
    assert (body["outcome"], body["passed"], body["valid_until"]) == ("inconclusive", False, None)
    assert not any("accepted since" in reason for reason in body["reasons"])
    (alarm,) = listener.wait(alarms)
    assert alarm["alarm"] == "verification-inconclusive"
    assert "too noisy to tell whether the instrument is right" in alarm["reason"]
    assert accepted(agent, listener, circle_text, "2")
    later = cell.begin_listener()
    kept = later.wait(lambda it: [m.json for m in it.messages("verification") if m.retain])
    assert [m["outcome"] for m in kept] == ["passed"], "who asks later hears of the one that counts"
    store = os.fspath(agent.folder / "store")
    shown = CliRunner().invoke(main, ["journal", "show", store, "--kind", "verification"])
    assert "gauge-1 with MW-03: inconclusive: trace uncertainty: too noisy to tell" in shown.output
    wrong = artefact(waves={36: 870.0, 180: 430.0}, noise_nm=400.0)
    assert told(agent, listener, "wrong.txt", wrong)["outcome"] == "failed"
    held_for(agent, listener, circle_text, "3", "the last verification of gauge-1 failed")


def test_inspect_shows_how_well_the_trace_knows_the_waves(cell):
    agent = cell.agent(GATE)
    certificate(agent)
    file = agent.folder / "noisy.txt"
    file.write_text(artefact(noise_nm=400.0), encoding="utf-8")
    found = CliRunner().invoke(main, ["inspect", os.fspath(file), "--config", os.fspath(agent.config)])
    assert found.exit_code == 0
    (line,) = [x for x in found.output.splitlines() if x.split()[:1] == ["trace_uncertainty"]]
    assert line.split()[1] == "NO"
    assert float(line.split()[2]) > float(line.split()[3]) == 1.0


def test_expired_certificate_is_said_and_not_passed(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.agent(GATE)
    ended = (datetime.now(UTC) - timedelta(days=2)).date()  # two days: a minute ago may be yesterday
    certificate(agent, new=ended.isoformat())
    agent.start()
    body = told(agent, listener, "artefact.txt", artefact())
    assert body["passed"] is False
    assert body["reasons"] == [f"certificate C-2291 was valid until {ended}"]
    held_for(agent, listener, circle_text, "1", "the last verification of gauge-1 failed")


def test_verification_made_on_the_last_day_of_its_certificate_holds_until_its_age_runs_out(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.agent({"verification": {"artefact": "MW-03", "max_age_h": 48}})
    yesterday = (datetime.now(UTC) - timedelta(days=1)).date()
    certificate(agent, new=yesterday.isoformat())
    agent.start()
    end = datetime(yesterday.year, yesterday.month, yesterday.day, 23, 59, tzinfo=UTC)
    minutes_ago = (datetime.now(UTC) - end).total_seconds() / 60
    assert told(agent, listener, "artefact.txt", artefact(minutes_ago))["passed"]
    agent.drop("part.txt", circle_text("1", measured_at=datetime.now(UTC).isoformat()))
    listener.wait(lambda it: [m for m in it.messages("disposition") if m.json["disposition"] == "accept"])


def test_verification_whose_age_ran_out_is_said_and_holds_parts(station, circle_text):
    agent, listener = station
    body = told(agent, listener, "artefact.txt", artefact(minutes_ago=24 * 60 + 30))
    assert body["passed"] is True
    assert datetime.fromisoformat(body["valid_until"]) < datetime.now(UTC)
    held_for(agent, listener, circle_text, "1", "the verification of gauge-1 is 24.5 h old, allowed are 24 h")


def test_artefact_without_certificate_is_said_and_not_passed(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.agent({"verification": {"artefact": "MW-30", "max_age_h": 24}}).start()
    body = told(agent, listener, "artefact.txt", artefact(artefact="MW-30"))
    assert (body["passed"], body["reasons"][0]) == (False, "no certificate for artefact MW-30")
    held_for(agent, listener, circle_text, "1", "there is no certificate for artefact MW-30")


@pytest.mark.parametrize("upr", [901, 1_000_000, 10**15])
def test_wave_far_above_what_any_trace_shows_passes_nothing(cell, upr):
    agent = cell.agent(GATE)
    certificate(agent)
    certificate(agent, "upr = 180", f"upr = {upr}")
    agent.start(wait=False)
    agent.drop("artefact.txt", artefact(waves={36: 812.0}))
    (record,) = wait_until(lambda: agent.records("verification"))
    assert record["body"]["passed"] is False
    words = f"{NAMED}: wave[1].upr: {upr} UPR lies above the trace's range of 720 UPR"
    assert record["body"]["reasons"] == [words]
