"""The service as a real process: what a file, a kill, a restart and a torn disk do to parts and lamp."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import time

import pytest
from field import spiral_text, wait_until
from records import line_of

from edgeagent.store.verify import verify_journal


def state_of(agent):
    return agent.store / "state" / "publisher.json"


def end_noted(agent, seq):
    """Whether the state file names record ``seq`` or a later one as the journal's end."""
    with contextlib.suppress(OSError, ValueError):
        return json.loads(state_of(agent).read_bytes())["end"] >= seq
    return False


def test_disposition_torn_from_its_measurement_is_decided_at_the_next_start(cell, circle_text):
    agent = cell.begin_alone()
    agent.drop("first.txt", circle_text("1"))
    agent.wait_event("measured")
    wait_until(lambda: end_noted(agent, 4))
    state = state_of(agent).read_bytes()
    agent.drop("second.txt", circle_text("2", seed=2))
    agent.wait_event("measured", 2)
    agent.kill()
    (segment,) = sorted((agent.store / "journal").glob("*.jsonl"))
    whole = segment.read_bytes()
    kinds = [json.loads(line)["kind"] for line in whole.splitlines()]
    assert kinds[-2:] == ["measurement", "disposition"]
    # A disk that ran full or lost power in the middle of the write that carries both records.
    segment.write_bytes(whole[:-40])
    state_of(agent).write_bytes(state)
    agent.start(wait=False)
    agent.wait_event("started")
    wait_until(lambda: len(agent.records("disposition")) == 2, 20)
    assert [r["body"]["serial"] for r in agent.records("disposition")] == ["1", "2"]
    assert len(agent.records("measurement")) == 2
    assert agent.records("recovery")[0]["body"]["what"] == "journal-tail-cut"
    agent.terminate()
    verify_journal(agent.store)


def test_failed_verification_torn_from_its_measurement_still_closes_the_gate(cell, circle_text):
    gate = {"verification": {"artefact": "MW-03", "max_age_h": 24}}
    agent = cell.begin_alone(gate)
    agent.drop("wave.txt", circle_text("", artefact="MW-03", amplitude_nm=0.0))
    agent.wait_event("measured")
    wait_until(lambda: end_noted(agent, 2))
    agent.kill()
    (segment,) = sorted((agent.store / "journal").glob("*.jsonl"))
    whole = segment.read_bytes()
    assert json.loads(whole.splitlines()[-1])["kind"] == "verification"
    segment.write_bytes(whole[:-40])
    state_of(agent).unlink()
    agent.start(wait=False)
    agent.wait_event("started")
    wait_until(lambda: agent.records("verification"), 20)
    (record,) = agent.records("verification")
    assert record["body"]["passed"] is False
    assert record["body"]["artefact"] == "MW-03"


def test_file_name_that_is_not_utf8_stops_neither_its_file_nor_the_next(cell, circle_text):
    agent = cell.begin_alone()
    odd = os.fsencode(agent.inbox) + b"/caf\xe9.txt"
    with open(odd, "wb") as file:
        file.write(circle_text("1").encode())
    agent.drop("next.txt", circle_text("2"))
    agent.wait_event("measured", 2)
    names = {r["body"]["source"]["name"] for r in agent.records("measurement")}
    assert names == {"caf\\xe9.txt", "next.txt"}
    agent.restart(wait=False)
    agent.wait_event("started")
    agent.drop("third.txt", circle_text("3"))
    agent.wait_event("measured")
    assert len(agent.records("measurement")) == 3


def alarms(listener, name=None):
    found = [m.json for m in listener.messages("alarm")]
    return [a for a in found if name is None or a["alarm"] == name]


BAD_FILES = {
    "empty.txt": b"",
    "binary.txt": bytes(range(256)) * 64,
    "foreign.txt": b"name;value\nsomething else;1\n",
    "header-only.txt": b'# trace = 1\n# kind = "spiral"\n',
    "broken-header.txt": b"# trace = 1\n# kind = \nangle_deg,deviation_um\n0,1\n",
    "newer-format.txt": b'# trace = 99\n# kind = "spiral"\nangle_deg,deviation_um\n0,1\n',
    "zeros.txt": b"\0" * 5000,
    "half-a-character.txt": b'# trace = 1\n# part = "\xc3',
    "endless-line.txt": b'# trace = 1\n# part = "' + b"x" * 200_000,
}


@pytest.mark.needs_mosquitto
def test_each_bad_file_is_one_quarantine_record_and_one_alarm_and_the_next_file_is_measured(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent({"intake.empty_s": 0.5, "intake.locked_s": 1.0, "intake.file_mb_max": 1.0})
    text = circle_text("1").encode()
    bad = {
        **BAD_FILES,
        "truncated.txt": text[: len(text) // 2 + 3],
        "no-rows.txt": text[:400].split(b"angle")[0],
    }
    for name, data in bad.items():
        (agent.inbox / name).write_bytes(data)
    with (agent.inbox / "huge.txt").open("wb") as huge:
        huge.truncate(5_000_000)
    os.mkfifo(agent.inbox / "pipe.txt")
    (agent.inbox / "link.txt").symlink_to("/etc/hostname")
    (agent.inbox / "folder.txt").mkdir()
    agent.drop("good.txt", circle_text("2"))
    names = {*bad, "huge.txt", "pipe.txt", "link.txt"}
    wait_until(lambda: len(agent.records("quarantine")) >= len(names))
    listener.wait(lambda of: len(alarms(of, "quarantine")) >= len(names))
    agent.drop("last.txt", circle_text("3"))
    listener.wait(lambda of: "3" in [m.json["serial"] for m in of.messages("disposition")])
    assert sorted(r["body"]["source"]["name"] for r in agent.records("quarantine")) == sorted(names)
    assert all(r["body"]["reason"] for r in agent.records("quarantine"))
    told = alarms(listener, "quarantine")
    assert sorted(a["source"]["name"] for a in told) == sorted(names)
    assert all(a["reason"].startswith(a["source"]["name"]) for a in told)
    assert {n: (agent.inbox / n).read_bytes() for n in bad} == bad
    assert [r["body"]["source"]["name"] for r in agent.records("measurement")] == ["good.txt", "last.txt"]
    agent.restart()
    agent.drop("again.txt", circle_text("4"))
    agent.wait_event("measured")
    assert len(agent.records("quarantine")) == len(names), "a restart tells nothing again"


def test_file_that_contradicts_its_recipe_is_held_and_never_accepted(cell, circle_text):
    agent = cell.begin_alone()
    agent.drop("unknown.txt", circle_text("1", part="NO-RECIPE"))
    agent.drop("feature.txt", circle_text("2", feature="inside"))
    agent.drop("kind.txt", circle_text("3", kind="spiral", turns=3))
    wait_until(lambda: len(agent.records("disposition")) == 3)
    assert {r["body"]["disposition"] for r in agent.records("disposition")} == {"hold"}
    assert all(r["body"]["reasons"] for r in agent.records("disposition"))


def test_same_name_and_content_is_done_once_and_new_content_is_measured_again(cell, circle_text):
    agent = cell.begin_alone({"intake.scan_s": 0.1})
    text = circle_text("1")
    path = agent.drop("a.txt", text)
    agent.wait_event("measured")
    path.write_text(text)
    os.utime(path)
    agent.drop("b.txt", circle_text("2"))
    agent.wait_event("measured", 2)
    agent.restart(wait=False)
    agent.wait_event("started")
    os.utime(path)
    path.unlink()
    path.write_text(text)
    agent.drop("c.txt", circle_text("3"))
    agent.wait_event("measured")
    path.write_text(circle_text("1", seed=9))
    agent.wait_event("measured", 2)
    names = [r["body"]["source"]["name"] for r in agent.records("measurement")]
    assert names == ["a.txt", "b.txt", "c.txt", "a.txt"]
    newest = agent.records("disposition")[-1]["body"]
    assert newest["remeasured"] == ["outside"]
    assert newest["replaces"] == agent.records("disposition")[0]["seq"]


def damaged_by(damage, whole):
    if damage == "torn":
        return whole[:20]
    if damage == "zeros":
        return b"\0" * len(whole)
    at = whole.index(b'"end":') + len(b'"end":')
    # Another number for the last record, as if the journal had been cut.
    return whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]


@pytest.mark.needs_mosquitto
@pytest.mark.parametrize("damage", ["gone", "torn", "zeros", "flipped bit"])
def test_lost_delivery_state_loses_no_disposition_and_keeps_order_and_acknowledgement(
    cell, circle_text, damage
):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent()
    agent.drop("bad.txt", circle_text("1", 6000.0))
    listener.wait_lamp("1")
    assert listener.publish("acknowledge", str(listener.wait_topic("disposition")[0].json["seq"])) == ""
    listener.wait_lamp("0")
    agent.drop("good.txt", circle_text("2"))
    listener.wait_topic("disposition", 2)
    agent.kill()
    state = state_of(agent)
    if damage == "gone":
        state.unlink()
    else:
        state.write_bytes(damaged_by(damage, state.read_bytes()))
    listener.wait_lamp("3")
    before = len(listener.messages())
    agent.start()
    wait_until(lambda: len(agent.records("recovery")) == 1)
    assert agent.records("recovery")[0]["body"]["what"] == "state-rebuilt"
    listener.wait(lambda of: len(of.messages("disposition")) >= 4)
    agent.drop("more.txt", circle_text("3"))
    listener.wait(lambda of: of.messages("disposition")[-1].json["serial"] == "3")
    again = listener.messages()[before:]
    listener.wait_lamp("0")
    assert b"1" not in {m.payload for m in again if m.topic == "lamp"}, (
        "what was acknowledged stays acknowledged"
    )
    seqs = [m.json["seq"] for m in again if m.topic == "disposition"]
    assert seqs == sorted(seqs)
    told = {m.json["seq"]: m.json["disposition"] for m in listener.messages("disposition")}
    assert told == {r["seq"]: r["body"]["disposition"] for r in agent.records("disposition")}


@pytest.mark.parametrize("way", ["end cut off", "torn below what was noted", "another end"])
def test_journal_that_was_rolled_back_is_refused_and_left_as_it_is(cell, circle_text, way):
    agent = cell.begin_alone()
    agent.drop("a.txt", circle_text("1"))
    agent.wait_event("measured")
    agent.terminate()
    (segment,) = sorted((agent.store / "journal").glob("*.jsonl"))
    lines = segment.read_bytes().splitlines(keepends=True)
    if way == "end cut off":
        changed = b"".join(lines[:-1])
    elif way == "torn below what was noted":
        changed = b"".join(lines)[:-30]
    else:
        last = json.loads(lines[-1])
        forged, _ = line_of(last["seq"], last["time"], last["kind"], last["prev"], {"published": 99})
        changed = b"".join([*lines[:-1], forged])
    segment.write_bytes(changed)
    agent.start(wait=False)
    assert agent.wait() == 22
    assert segment.read_bytes() == changed
    (failed,) = agent.events("journal-failed")
    assert "was written" in failed["reason"]


@pytest.mark.needs_mosquitto
def test_start_that_cannot_go_on_shows_fault_over_a_lamp_that_was_clear(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent()
    agent.drop("a.txt", circle_text("1"))
    agent.wait_event("measured")
    agent.terminate()
    (segment,) = sorted((agent.store / "journal").glob("*.jsonl"))
    segment.write_bytes(segment.read_bytes().replace(b'"kind":"start"', b'"kind":"stort"', 1))
    # As a broker would show it that lost its last minutes with the power.
    listener.publish("lamp", "0", retain=True)
    listener.wait_lamp("0")
    before = len(listener.messages("lamp"))
    agent.start(wait=False)
    assert agent.wait() == 22
    listener.wait_lamp("3")
    assert {m.payload for m in listener.messages("lamp")[before:]} == {b"3"}  # clear at no moment


@pytest.mark.needs_mosquitto
def test_clean_stop_shows_fault_and_is_the_last_thing_on_record(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent()
    agent.drop("a.txt", circle_text("1"))
    listener.wait_topic("disposition")
    assert agent.terminate() == 0
    listener.wait_lamp("3")
    assert agent.records()[-1]["kind"] == "stop"


def test_bad_recipe_at_a_reload_keeps_the_old_ones_and_a_good_one_is_taken(cell, circle_text):
    agent = cell.begin_alone()
    recipe = agent.folder / "recipes" / "HN-1610-R.toml"
    good = recipe.read_bytes()
    deep, long = b"x = " + b"[" * 500 + b"]" * 500, b"x = " + b"9" * 5000
    documents = (b"part = ", b"\xff\xfe\x00", good + b"\nno_such_key = 1\n", deep, long)
    for number, bad in enumerate(documents, 1):
        recipe.write_bytes(bad)
        agent.signal(signal.SIGHUP)
        agent.wait_event("configuration-rejected", number)
        agent.drop(f"{number}.txt", circle_text(str(number)))
        agent.wait_event("measured", number)
    assert {r["body"]["disposition"] for r in agent.records("disposition")} == {"accept"}
    tight = good.replace(b"upper = 3.0", b"upper = 0.01")
    assert tight != good
    recipe.write_bytes(tight)
    agent.signal(signal.SIGHUP)
    agent.wait_event("configuration-reloaded")
    agent.drop("last.txt", circle_text("9"))
    wait_until(lambda: len(agent.records("disposition")) == len(documents) + 1)
    assert agent.records("disposition")[-1]["body"]["disposition"] == "reject"
    assert [r["body"]["what"] for r in agent.records("recovery")].count("configuration-rejected") == len(
        documents
    )


def test_newcomer_goes_before_a_backlog(cell, circle_text):
    agent = cell.agent({"intake.settle_s": 0.05})
    for number in range(150):
        (agent.inbox / f"old-{number:03}.txt").write_text(circle_text(f"old-{number}", seed=number))
    agent.start(wait=False)
    agent.wait_event("measured", 5)
    agent.drop("live.txt", circle_text("live"))
    agent.wait_event("measured", 151)
    names = [r["body"]["source"]["name"] for r in agent.records("measurement")]
    assert len(set(names)) == 151
    assert names.index("live.txt") < 150, "the newcomer waited for the whole backlog"


@pytest.mark.needs_mosquitto
def test_set_that_ran_out_of_time_while_the_agent_was_down_is_late(cell):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent({"decision.set_timeout_s": 3.0, "intake.live_s": 1.0})
    agent.drop("left.txt", spiral_text())
    listener.wait_topic("measurement")
    agent.kill()
    listener.wait_lamp("3")
    time.sleep(6.0)  # the time of the set and of a live disposition pass
    agent.start()
    (told,) = listener.wait_topic("disposition")
    assert (told.json["disposition"], told.json.get("late")) == ("hold", True)
    listener.wait(lambda of: alarms(of, "late-hold"))
    listener.wait_topic("heartbeat", len(listener.messages("heartbeat")) + 1)
    assert listener.lamp == "0"


def mount(*command):
    return subprocess.run(["mount", *command], capture_output=True, check=False).returncode == 0


@pytest.mark.needs_mosquitto
@pytest.mark.needs_mount
def test_share_mounted_over_the_folder_is_followed_and_missed_when_it_goes(
    cell, circle_text, tmp_path, started
):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent({"intake.scan_s": 0.2})
    share = tmp_path / "share"
    share.mkdir()
    if not mount("--bind", os.fspath(share), os.fspath(agent.inbox)):
        pytest.skip("mount is refused here")
    started.callback(lambda: subprocess.run(["umount", "-l", agent.inbox], capture_output=True, check=False))
    agent.wait_event("watch-rebuilt")
    (share / "on-the-share.txt").write_text(circle_text("1"))
    listener.wait(lambda of: "1" in [m.json["serial"] for m in of.messages("disposition")])
    subprocess.run(["umount", agent.inbox], check=True)
    agent.wait_event("source-unavailable")
    listener.wait_lamp("3")
    assert mount("--bind", os.fspath(share), os.fspath(agent.inbox))
    agent.wait_event("source-available")
    (share / "back-again.txt").write_text(circle_text("2"))
    listener.wait(lambda of: "2" in [m.json["serial"] for m in of.messages("disposition")])
    assert len(agent.records("measurement")) == 2
