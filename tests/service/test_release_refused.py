"""Every refused release is on record, whatever was asked and by whatever file, and changes nothing else."""

from __future__ import annotations

import json
import os
import pwd
import re
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner
from field import spiral_text, wait_until

from edgeagent.cli import main
from edgeagent.codec.records.record import GENESIS, encode_record
from edgeagent.judging.release import refusal_entry
from edgeagent.judging.requests import Asker, Handed, ReleaseRequest
from edgeagent.model.reasons import Code, reason
from edgeagent.store.verify import verify_journal

GATE = {"verification": {"artefact": "MW-03", "max_age_h": 24}, "intake.live_s": 0.5}
WORDS = ("--who", "A. N.", "--why", "the gauge was cleaned")


def station(cell, changes=GATE, *, ready=False):
    agent = cell.agent(changes)
    path = agent.folder / "artefacts" / "MW-03.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("2027-06-30", "2999-12-31"), encoding="utf-8")
    agent.start(wait=ready)
    agent.wait_event("started")
    return agent


def command(agent, name, *words):
    found = CliRunner().invoke(main, [*name.split(), "--config", os.fspath(agent.config), *words])
    return found.exit_code, found.output


def ask(agent, serial, part="HN-1610-R", words=WORDS):
    return command(agent, "release", "--part", part, "--serial", serial, *words)


def refusals(agent):
    found = [r["body"] for r in agent.records("acknowledgement")]
    return [body for body in found if body.get("what") == "release-refused"]


def artefact(minutes_ago, scale=1.0):
    at = (datetime.now(UTC) - timedelta(minutes=minutes_ago)).isoformat()
    waves = {36: 812.0 * scale, 180: 403.0 * scale}
    return spiral_text(artefact="MW-03", feature="waves", waves_nm=waves, measured_at=at)


def test_refused_release_says_on_record_who_wanted_what_and_why_not(cell, circle_text):
    agent = station(cell)
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))
    code, said = ask(agent, "1")
    assert code == 1
    reason = "HN-1610-R 1: gate: gauge-1 has never been verified with artefact MW-03"
    assert f"not released: {reason}" in said
    (body,) = refusals(agent)
    assert body == {
        "seq": 0,
        "who": "A. N.",
        "matched": False,
        "user": pwd.getpwuid(os.getuid()).pw_name,
        "uid": os.getuid(),
        "what": "release-refused",
        "part": "HN-1610-R",
        "serial": "1",
        "why": "the gauge was cleaned",
        "reason": reason,
        "reason_code": {
            "code": "gate-never-verified",
            "values": {"instrument": "gauge-1", "artefact": "MW-03"},
        },
    }
    agent.terminate()
    verify_journal(agent.store)
    assert command(agent, "replay")[0] == 0
    shown = CliRunner().invoke(
        main, ["journal", "show", os.fspath(agent.store), "--serial", "1", "--kind", "acknowledgement"]
    )
    (line,) = shown.output.splitlines()
    assert line.endswith(f"release of HN-1610-R 1 asked for by A. N. (user {body['user']}), refused: {reason}")


def test_refused_release_of_a_rejected_part_leaves_its_lamp_latched_over_a_restart(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = station(cell, {**GATE, "intake.live_s": 600}, ready=True)
    agent.drop("1.txt", circle_text("1", amplitude_nm=4000.0))
    listener.wait_lamp("1")
    assert "is not held for the gate" in ask(agent, "1")[1]
    assert len(refusals(agent)) == 1
    listener.wait(lambda it: len(it.messages("heartbeat")) > 2)
    assert listener.lamp == "1"
    agent.kill()
    (agent.store / "state" / "publisher.json").unlink()
    agent.start()
    listener.wait(lambda it: len([m for m in it.messages("lamp") if m.payload == b"1"]) >= 2)
    assert listener.lamp == "1"
    assert [m for m in listener.messages("alarm") if "release" in m.json["alarm"]] == []


def test_whatever_lies_in_the_folder_leads_to_one_record_and_one_answer(cell):
    agent = station(cell)
    folder = agent.store / "requests"
    wait_until(folder.is_dir)
    long = dict.fromkeys(("part", "serial", "who", "why"), "\x01" * 200)
    files = {
        "bytes": b"\xff",
        "half": b'{"part": "X"}',
        "nested": b"[" * 3000,
        "large": b"x" * 5000,
        "empty": b"",
        "lone": b'{"part": "\\ud800", "serial": "1", "who": "w", "why": "y"}',
        "unknown": b'{"part": "X", "serial": "1", "who": "w", "why": "y", "also": 1}',
        "too-long": json.dumps({**long, "who": "w" * 201}).encode()[:4000],
        "controls": json.dumps(long).encode()[:4096],
    }
    for name, data in files.items():
        (folder / f"{name}.request").write_bytes(data)
    (folder / "link.request").symlink_to("/etc/hostname")
    (folder / "place.request").mkdir()
    (folder / "place.request" / "in-the-way").touch()
    with open(os.fsencode(folder) + b"/caf\xe9.request", "wb") as odd:
        odd.write(b"no")
    count = len(files) + 3
    wait_until(lambda: len(refusals(agent)) >= count)
    wait_until(lambda: len([p for p in folder.iterdir() if p.suffix == ".answer"]) == count)
    beats = len(agent.events())
    agent.drop("1.txt", spiral_text(part="HN-1610-R", kind="circle", feature="outside"))
    wait_until(lambda: agent.records("disposition"))
    wait_until(lambda: ask(agent, "9")[0] == 1)
    assert len(refusals(agent)) == count + 1, "what cannot be taken away is not asked again and again"
    assert len(agent.events()) >= beats
    reasons = {body.get("request"): body["reason"] for body in refusals(agent)}
    assert all("not a request" in reasons[f"{name}.request"] for name in ("bytes", "half", "nested", "large"))
    assert max(len(json.dumps(r, ensure_ascii=False).encode()) for r in agent.records()) < 8192
    agent.terminate()
    verify_journal(agent.store)


def test_flood_of_requests_is_one_record_each_and_keeps_no_part_waiting(cell, circle_text):
    agent = station(cell)
    folder = agent.store / "requests"
    wait_until(folder.is_dir)
    agent.freeze()
    request = {"part": "X", "serial": "1", "who": "w", "why": "y"}
    for number in range(150):
        (folder / f"{number:04}.request").write_text(json.dumps(request), encoding="utf-8")
    agent.drop("1.txt", circle_text("1"))
    agent.thaw()
    wait_until(lambda: len(refusals(agent)) >= 150)
    (part,) = wait_until(lambda: agent.records("disposition"))
    assert part["seq"] < agent.records("acknowledgement")[-1]["seq"], "it did not wait for the flood to end"
    wait_until(lambda: not list(folder.glob("*.request")))
    assert len(refusals(agent)) == 150


def test_record_of_a_refusal_fits_whatever_the_texts_are():
    longest = ReleaseRequest("\U0001f600" * 200, "\x01" * 200, "\x01" * 200, "\U0001f600" * 200)
    why = reason(Code.HELD_FOR_MORE, others=["\U0001f600" * 100] * 3)
    handed = Handed(longest, Asker(2**32 - 2, "\U0001f600" * 200))
    body = refusal_entry("x" * 250 + ".request", handed, "\x01" * 500, why)
    line, _ = encode_record(1, "2026-03-02T10:00:00.000000Z", GENESIS, body)
    assert len(line) < 8192
    body = refusal_entry("\udce9" * 250, None, "not a request", reason(Code.NOT_A_REQUEST))
    assert body.request == "?" * 100


def test_verification_that_fails_before_the_request_is_taken_up_refuses_it(cell, circle_text):
    agent = station(cell)
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))
    agent.drop("good.txt", artefact(10))
    wait_until(lambda: len(agent.records("verification")) == 1)
    wait_until(lambda: "1 may be released now" in command(agent, "release")[1])
    agent.freeze()
    agent.drop("bad.txt", artefact(1, 0.9))
    folder = agent.store / "requests"
    wait_until(folder.is_dir)
    request = {"part": "HN-1610-R", "serial": "1", "who": "w", "why": "the list said so"}
    (folder / "a.request").write_text(json.dumps(request), encoding="utf-8")
    agent.thaw()
    wait_until(lambda: len(agent.records("verification")) == 2)
    wait_until(lambda: list(folder.glob("*.answer")))
    released = [r for r in agent.records("disposition") if r["body"]["disposition"] == "accept"]
    failed = next(r["seq"] for r in agent.records("verification") if not r["body"]["passed"])
    assert all(r["seq"] < failed for r in released), "never after the failed verification is on record"
    assert bool(released) != bool(refusals(agent)), "one outcome"
    assert "none may be released now" in command(agent, "release")[1] or released


def test_list_tells_what_to_do_and_why_each_part_is_held(cell, circle_text):
    agent = station(cell)
    assert command(agent, "release") == (0, "No part is held only for the gate.\n")
    at = (datetime.now(UTC) - timedelta(minutes=30)).isoformat()
    agent.drop("1.txt", circle_text("it's 1", measured_at=at))
    wait_until(lambda: len(agent.records("disposition")) == 1)
    code, said = command(agent, "release")
    assert code == 0
    assert said.splitlines() == [
        "1 part is held only for the gate; none may be released now:",
        "HN-1610-R it's 1 (record 4): not yet: gauge-1 has never been verified with artefact MW-03",
        f"    held since {agent.records('disposition')[0]['time'][:16].replace('T', ' ')} UTC: "
        "gauge-1 has never been verified with artefact MW-03",
        "What may not be released yet: verify its instrument with the artefact, or measure it again.",
    ]
    agent.drop("bad.txt", artefact(25, 0.9))
    wait_until(lambda: agent.records("verification"))
    agent.drop("2.txt", circle_text("2", measured_at=(datetime.now(UTC) - timedelta(minutes=20)).isoformat()))
    wait_until(lambda: len(agent.records("disposition")) == 2)
    agent.drop("good.txt", artefact(10))
    wait_until(lambda: len(agent.records("verification")) == 2)
    ready = "2 parts are held only for the gate; 2 may be released now:\n"
    wait_until(lambda: command(agent, "release", "--list")[1].startswith(ready))
    said = command(agent, "release", "--list")[1]
    why = f"the last verification of gauge-1 failed (record {agent.records('verification')[0]['seq']})"
    assert f"UTC: {why}\n" in said
    example = f"    edgeagent release --config {agent.config} --part HN-1610-R --serial 'it'\"'\"'s 1' --who "
    assert example in said
    (first, second) = json.loads(command(agent, "release", "--list", "--json")[1])
    assert (first["serial"], first["refusal"], second["serial"]) == ("it's 1", None, "2")
    assert second["why"] == why
    wait_until(lambda: ask(agent, "2")[0] == 0)
    assert "1 part is held only for the gate; 1 may be released now" in command(agent, "release")[1]


@pytest.mark.parametrize("name", ["part", "serial", "who", "why"])
def test_text_that_is_too_long_is_wrong_usage_and_no_request(cell, name):
    agent = cell.agent(GATE)
    words = {"part": "X", "serial": "1", "who": "w", "why": "y", name: "w" * 201}
    given = [word for key, value in words.items() for word in (f"--{key}", value)]
    code, said = command(agent, "release", *given)
    assert (code, f"--{name}: at most 200 characters" in said) == (2, True)
    assert not (agent.store / "requests").exists()


def test_request_of_a_command_that_was_killed_releases_nothing_later(cell, circle_text):
    agent = station(cell)
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))
    agent.drop("good.txt", artefact(10))
    wait_until(lambda: len(agent.records("verification")) == 1)
    folder = agent.store / "requests"
    wait_until(folder.is_dir)
    request = {"part": "HN-1610-R", "serial": "1", "who": "w", "why": "y"}
    for number, moved_s in enumerate((-600, 600)):  # the clock may have been set back since
        path = folder / f".{number}"
        path.write_text(json.dumps(request), encoding="utf-8")
        written = path.stat().st_mtime + moved_s
        os.utime(path, (written, written))
        path.rename(folder / f"{number}.request")
    wait_until(lambda: len(refusals(agent)) == 2)
    said = [body["reason"] for body in refusals(agent)]
    assert re.search(r"HN-1610-R 1: the request is \d+ s old", said[0])
    assert re.search(r"HN-1610-R 1: the request is dated \d+ s ahead of the clock", said[1])
    wait_until(lambda: ask(agent, "1")[0] == 0)
    (told,) = [r["body"] for r in agent.records("acknowledgement") if r["body"].get("what") == "release"]
    assert (told["part"], told["serial"]) == ("HN-1610-R", "1"), "found by part and serial in the journal"
