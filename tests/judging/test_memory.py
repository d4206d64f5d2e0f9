"""What the service remembers of a part, folded from records. Parts are invented."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import datetime
from itertools import count

import pytest
from field import ROOT
from records import TIME, body_of, record_of

from edgeagent.errors import ConfigError
from edgeagent.judging.memory import Memory, feature_result, file_key
from edgeagent.model import Disposition
from edgeagent.model.records import Unknown
from edgeagent.rules.files.settling import Look
from edgeagent.rules.part_set import decide
from edgeagent.rules.sentences import sentences
from edgeagent.store.configuration import load_configuration

RECORDED_AT = datetime.fromisoformat(TIME).timestamp()


class Fold:
    """A memory, and the records that are folded into it."""

    def __init__(self):
        self.memory = Memory({}, None, live_s=0.0, latches=False)
        self._number = count(1)

    def record(self, kind, body):
        number = next(self._number)
        self.memory.apply(record_of(kind, body, seq=number))

    def measure(self, serial, disposition="accept", sha256="a", feature="outside"):
        self.record(
            "measurement",
            {
                "trace": {
                    "part": "P-1", "serial": serial, "feature": feature,
                    "measured_at": "2026-03-02T09:41:07+00:00",
                },
                "source": {"folder": "inbox", "name": "x.txt", "sha256": sha256, "look": [1, 2, 3, 4]},
                "instrument": "gauge-1", "required": ["outside"], "characteristics": [],
                "disposition": disposition, "reasons": ["dust"] if disposition == "hold" else [],
                "settled_at": 1.0, "decided_at": 2.0,
            },
        )  # fmt: skip

    def dispose(self, serial, disposition, gate=None):
        more = {} if gate is None else {"gate": gate}
        self.record(
            "disposition",
            {"part": "P-1", "serial": serial, "disposition": disposition, "settled_at": 1.0, **more},
        )


@pytest.fixture
def fold():
    """One part that the gate holds, and after it more parts than memory keeps."""
    fold = Fold()
    fold.measure("held")
    fold.dispose("held", "hold", "gate: closed")
    for number in range(600):
        fold.measure(str(number))
        fold.dispose(str(number), "accept")
    assert ("P-1", "held") not in fold.memory.sets
    assert len(fold.memory.sets) < 600
    return fold


def test_copy_is_known_as_one_however_long_the_gate_holds_its_part(fold):
    fold.measure("held")
    assert fold.memory.part_set("P-1", "held").results["outside"].copied
    fold.measure("held", sha256="b")
    assert not fold.memory.part_set("P-1", "held").results["outside"].copied


def test_part_that_is_released_late_is_decided_anew_when_it_is_measured_again(fold):
    fold.dispose("held", "accept")
    assert fold.memory.gated == {}
    fold.measure("held", "hold", sha256="b")
    decision = decide(fold.memory.part_set("P-1", "held"), 2.0, 900.0)
    assert decision.disposition == Disposition.HOLD
    assert sentences(decision.reasons) == ("outside: dust", "re-measured: outside")


@pytest.mark.parametrize(
    ("file", "text", "closes"),
    [
        ("artefacts/MW-03.toml", None, True),
        ("artefacts/MW-03.toml", "artefact = 3", True),
        ("recipes/KX-2005-R.toml", "part = 3", False),
    ],
)
def test_reload_that_leaves_a_certificate_out_is_remembered_until_one_succeeds(tmp_path, file, text, closes):
    shutil.copytree(ROOT / "config", tmp_path / "config")
    agent = tmp_path / "config" / "agent.toml"
    agent.write_text(agent.read_text().replace('# artefact = "NAME"', 'artefact = "MW-03"'), encoding="utf-8")
    path = tmp_path / "config" / file
    path.unlink()
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        load_configuration(tmp_path / "config" / "agent.toml")
    fold = Fold()
    fold.record("recovery", {"what": "configuration-rejected", "reason": str(refused.value)})
    assert (fold.memory.certificate_refused is not None) is closes
    fold.record("configuration", {})
    assert fold.memory.certificate_refused is None


def visited(position, *records, live_s=60.0, latches=True):
    """A memory that has read these records from disk, given as (kind, members)."""
    memory = Memory({}, position, live_s=live_s, latches=latches)
    for seq, (kind, members) in enumerate(records, 1):
        memory.visit(record_of(kind, members, seq=seq), f"place {seq}")
    return memory


def decided(serial, disposition="accept", settled_at=RECORDED_AT):
    return "disposition", {"part": "P", "serial": serial, "disposition": disposition, "settled_at": settled_at}


def test_fold_of_a_verification_too_noisy_to_tell_leaves_everything_it_knows_of_the_instrument():
    fold = Fold()
    passed = {"passed": True, "outcome": "passed", "errors_nm": {"36": 1.0}}
    fold.record("verification", passed)
    memory = fold.memory
    before = dict(memory.verifications), {k: dict(v) for k, v in memory.sightings.items()}
    noisy = {"passed": False, "outcome": "inconclusive", "measured_at": "2026-03-02T09:51:07+00:00"}
    fold.record("verification", {**noisy, "errors_nm": {"36": 9.0}, "source": {"sha256": "cd" * 32}})
    assert (dict(memory.verifications), {k: dict(v) for k, v in memory.sightings.items()}) == before
    assert memory.verified["gauge-1"].passed
    assert memory.verified["gauge-1"].seq == 1
    # a clock that ran back is no noise: nothing counts until it is mended
    fold.record("verification", {**noisy, "measured_at": "2026-03-02T07:51:07+00:00"})
    assert (memory.verified["gauge-1"].passed, memory.verified["gauge-1"].doubt.code) == (False, "clock-back")


def test_memory_of_an_empty_journal_knows_nothing():
    memory = visited(None)
    assert (memory.boot, memory.decided, memory.checkpoint) == (0, 0, 0)
    assert (memory.last_disposition, memory.cursor, memory.answered) == (None, None, set())


def test_newest_disposition_is_remembered_by_its_number_and_the_start_by_its_boot():
    memory = visited(None, ("start", {"boot": 7}), decided("1"), decided("2"), ("stop", {}))
    assert (memory.boot, memory.decided) == (7, 3)


def test_last_disposition_that_the_line_has_is_the_newest_up_to_the_position():
    records = [decided("1"), decided("2"), ("checkpoint", {"published": 0}), decided("3")]
    for position, seq in ((1, 1), (2, 2), (3, 2), (4, 4)):
        memory = visited(position, *records)
        assert memory.last_disposition.seq == seq
        assert memory.cursor == f"place {position}"
    assert visited(0, *records).last_disposition is None


def test_where_the_position_is_lost_the_journal_s_own_notes_stand_in_for_it():
    records = [decided("1"), decided("2"), ("checkpoint", {"published": 1}), decided("3")]
    memory = visited(None, *records)
    assert (memory.checkpoint, memory.last_disposition.seq) == (1, 1)
    memory = visited(None, *records, ("stop", {"published": 4}), ("checkpoint", {"published": 2}))
    assert (memory.checkpoint, memory.last_disposition.seq) == (4, 4), "notes never go back"
    memory = visited(None, *records, ("checkpoint", {"published": 2}), ("checkpoint", {"published": 3}))
    assert memory.last_disposition.seq == 2


def test_acknowledgements_behind_the_position_are_remembered():
    records = [decided("1", "hold"), decided("2", "hold"), decided("3", "hold")]
    records += [("acknowledgement", {"seq": seq, "matched": seq != 3}) for seq in (1, 2, 3)]
    assert visited(1, *records).answered == {2}
    assert visited(0, *records).answered == {1, 2}
    assert visited(None, *records).answered == {1, 2}
    assert visited(None, *records, ("checkpoint", {"published": 1})).answered == {2}
    assert visited(None, *records, ("checkpoint", {"published": 2})).answered == set()


@pytest.mark.parametrize(("late_s", "value"), [(0.0, 1), (59.0, 1), (60.0, 1), (60.1, 0), (500.0, 0)])
def test_lamp_takes_over_what_reached_the_line_in_time(late_s, value):
    memory = visited(None, decided("1", "reject", RECORDED_AT - late_s))
    assert memory.lamp.value == value


def test_acknowledged_reject_shows_no_longer_and_one_that_does_not_latch_until_the_next_part():
    reject, answer = decided("1", "reject"), ("acknowledgement", {"seq": 1})
    assert visited(None, reject, answer).lamp.value == 0
    assert visited(None, reject, decided("2")).lamp.value == 1
    assert visited(None, reject, decided("2"), latches=False).lamp.value == 0


def test_record_of_a_later_version_changes_nothing():
    memory = visited(None, decided("1"))
    memory.visit(replace(record_of("stop", seq=2), body=Unknown(kind="new", body=b"{}")), "place 2")
    assert memory.decided == 1


def unreadable(name, settled_at=RECORDED_AT - 1.0):
    return "quarantine", {"source": {"name": name, "folder": "inbox", "sha256": name}, "settled_at": settled_at}


def test_unreadable_live_file_waits_after_a_restart_until_a_file_of_its_name_was_measured():
    found = unreadable("a.txt"), unreadable("b.txt"), unreadable("old.txt", RECORDED_AT - 61.0)
    waiting = visited(None, *found).lamp.waiting
    assert [(w.seq, w.what, w.file) for w in waiting] == [
        *((1, "quarantine", "inbox/a.txt"), (2, "quarantine", "inbox/b.txt"))
    ]
    good = "measurement", {"source": {"name": "a.txt", "folder": "inbox", "sha256": "good"}}
    assert [w.seq for w in visited(None, *found, good).lamp.waiting] == [2]
    answer = "acknowledgement", {"seq": 2, "who": "line", "matched": True}
    assert visited(None, *found, good, answer).lamp.value == 0


def test_clock_that_was_set_back_is_noticed_by_how_much():
    memory = Memory({}, None, live_s=60.0, latches=True)
    assert (memory.set_back_s, memory.recorded_at) == (0.0, "")
    for seq, (second, back) in enumerate(((30, 0.0), (40, 0.0), (15, 25.0), (20, 25.0)), 1):
        memory.apply(record_of("start", seq=seq, time=f"2026-03-02T10:00:{second}.000000Z"))
        assert memory.set_back_s == back


def test_journal_is_known_by_its_first_record_and_by_the_keys_of_its_starts():
    memory = Memory({}, None, live_s=60.0, latches=True)
    first = record_of("measurement", seq=1)
    memory.apply(first)
    assert (memory.known_as.hash, memory.known_as.keys) == (first.hash, ())
    memory.apply(record_of("start", {"key": "k1"}, seq=2))
    memory.apply(record_of("measurement", seq=3))
    assert (memory.known_as.hash, memory.known_as.keys) == (first.hash, ("k1",))


def test_rejects_that_nobody_acknowledged_wait_up_to_the_position():
    memory = visited(None, decided("1", "reject"), decided("2", "hold"), decided("3", "reject"))
    assert [[w.seq for w in memory.waiting_rejects(position)] for position in (0, 1, 2, 3)] == [
        [],
        [1],
        [1],
        [1, 3],
    ]


def test_file_is_known_by_its_record_or_by_whoever_has_the_records_before():
    source = {"folder": "inbox", "name": "a.txt", "sha256": "ab", "look": [1, 2, 3, 4]}
    key, other = (file_key("inbox", name, "ab", None, None) for name in ("a.txt", "b.txt"))
    alone = Memory({}, None, live_s=60.0, latches=True)
    beside = Memory({}, None, live_s=60.0, latches=True, known_before=lambda key: key == b"old")
    for memory in (alone, beside):
        memory.apply(record_of("measurement", {"source": source}))
        assert (memory.known(key), memory.known(other), memory.known(b"old")) == (True, False, memory is beside)
        memory.forget_files()
    assert (alone.known(key), beside.known(key)) == (True, False), "nobody else has the records of the first"


@pytest.mark.parametrize(("values", "stands"), [("accept", "hold"), ("hold", "hold"), ("reject", "reject")])
def test_file_that_its_writer_has_open_proves_nothing_good_of_its_part(values, stands):
    source = {"name": "a.txt", "folder": "inbox", "unclosed_s": 61.0}
    result = feature_result(7, body_of("measurement", {"source": source, "disposition": values}))
    assert result.disposition == stands
    assert ([r.code for r in result.reasons][:1] == ["unclosed"]) is (values == "accept")


class Forgetful(Fold):
    """A memory of two finished parts, which asks for the records of others: what it asked for is kept."""

    def __init__(self, monkeypatch, *records):
        monkeypatch.setattr("edgeagent.judging.memory._SETS_MAX", 2)
        super().__init__()
        self.asked = []
        self.memory = Memory({}, None, live_s=0.0, latches=False, recall=self.recall)
        self.records = records

    def recall(self, part, serial, content, before):
        self.asked.append((part, serial, content, before))
        return self.records

    def finish(self, serial, disposition="accept", sha256="a"):
        self.measure(serial, disposition, sha256)
        self.dispose(serial, disposition)

    def stands(self, serial):
        result = self.memory.part_set("P-1", serial).results["outside"]
        return result.seq, result.disposition


def rejected(seq, serial="1", **members):
    """A record of a part that was rejected by file "a", as a forgotten part's are."""
    trace = {"part": "P-1", "serial": serial, "feature": "outside", "measured_at": "2026-03-02T09:41:07+00:00"}
    source = {"folder": "inbox", "name": "x.txt", "sha256": "a"}
    return record_of(
        "measurement", {"trace": trace, "source": source, "disposition": "reject", **members}, seq=seq
    )


def test_copy_of_a_part_whose_records_can_be_found_is_asked_for(monkeypatch):
    # What is no measurement, another part's and an artefact's say nothing of it
    others = (
        record_of("disposition", seq=3),
        rejected(4, "9"),
        rejected(5, trace={"artefact": "MW-03", **WAVES}),
    )
    fold = Forgetful(monkeypatch, rejected(1), *others)
    fold.finish("1", "reject")
    for serial in "23":
        fold.finish(serial)
    fold.measure("1", "accept")
    assert (fold.stands("1"), fold.asked) == ((1, "reject"), [("P-1", "1", "a ", 7)])


WAVES = {"feature": "waves", "measured_at": "2026-03-02T09:41:07+00:00"}


def test_records_that_did_not_decide_the_content_change_nothing(monkeypatch):
    fold = Forgetful(monkeypatch, rejected(1, "9"))
    for serial in "123":
        fold.finish(serial)
    fold.measure("1", "accept")
    assert (fold.stands("1"), len(fold.asked)) == ((7, "accept"), 1)


def test_nobody_is_asked_for_an_unread_file_nor_for_a_content_that_is_known(monkeypatch):
    fold = Forgetful(monkeypatch)
    for serial in "123":
        fold.finish(serial)
    fold.measure("3")
    fold.measure("1", sha256=None)
    assert fold.asked == []


def test_part_that_was_forgotten_twice_is_asked_for_with_all_that_was_recorded_of_it(monkeypatch):
    # Good again under a second content, and forgotten; its copy must not stand without the reject before.
    good = {"disposition": "accept", "source": {"folder": "inbox", "name": "y.txt", "sha256": "b"}}
    fold = Forgetful(monkeypatch, rejected(1), rejected(7, **good))
    fold.finish("1", "reject")
    for serial in "23":
        fold.finish(serial)
    fold.finish("1", "accept", "b")
    for serial in "45":
        fold.finish(serial)
    fold.measure("1", "accept", "b")
    assert (fold.stands("1"), fold.asked[-1][2:]) == ((1, "reject"), ("b ", 13))


def test_first_request_of_two_persons_is_remembered_with_its_login_or_as_one_without():
    asked = {
        "what": "release-refused",
        "part": "P",
        "serial": "1",
        "seq": 0,
        "matched": False,
        "reason": "second",
    }
    code = {"code": "second-person-needed", "values": {}}
    for login, uid in (({"uid": 7}, 7), ({}, -1)):
        memory = visited(None, ("acknowledgement", {**asked, "reason_code": code, **login}))
        assert memory.proposed == {("P", "1"): ("line", uid)}


def test_newest_files_of_verifications_are_known_as_copies(monkeypatch):
    monkeypatch.setattr("edgeagent.judging.memory._FILES_MAX", 2)
    memory = visited(None, *(("verification", {"source": {"name": "a", "sha256": n}}) for n in "abc"))
    assert [sha256 for sha256, _ in memory.verifying] == ["b", "c"]


def test_look_of_a_file_is_remembered_while_it_is_in_its_folder():
    memory = Memory({"inbox": frozenset({"a.txt"})}, None, live_s=60.0, latches=True)
    for seq, name in enumerate(("a.txt", "b.txt"), 1):
        source = {"folder": "inbox", "name": name, "sha256": name, "look": [seq, 2, 3, 4]}
        memory.visit(record_of("measurement", {"source": source}, seq=seq), "place")
    assert memory.looks == {("inbox", "a.txt"): (Look(1, 2, 3, 4), "a.txt")}
