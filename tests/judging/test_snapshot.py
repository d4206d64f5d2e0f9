"""A fold that continues from a snapshot knows what one knows that read everything."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from records import line_of, record_of

from edgeagent.codec.configuration.settings import Drift, Watched
from edgeagent.codec.records.record import GENESIS, Place, decode_record
from edgeagent.judging.drift import DriftWatch
from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import MemorySnapshot, decode_snapshot, encode_snapshot, restore
from edgeagent.store.journal import JournalReader

FOLDER = Path(__file__).parent.parent.parent / "fixtures" / "journals" / "0.1.0"
JOURNALS = sorted(FOLDER.glob("*.jsonl"))
NOT_IN_IT = {
    "_present": "the folders at the start",
    "_live_s": "a setting", "_latches": "a setting", "_known_before": "the index itself",
    "_done": "in the index", "looks": "in the index",
    "waiting_sets": "follows from the sets", "set_back_s": "told at once",
    "lamp": "in the publisher's state", "checkpoint": "in the publisher's state",
    "position": "in the publisher's state", "cursor": "follows from the position",
    "last_disposition": "in the index", "unverified": "no snapshot is taken while there is one",
    "recall": "the index itself", "has_forgotten": "so it has, behind a snapshot",
    "answered": "none once everything is delivered", "_undelivered": "none once everything is delivered",
}  # fmt: skip


def fresh(position: int | None = None, known=None) -> Memory:
    return Memory({}, position, live_s=60.0, latches=True, known_before=known)


def walked(journal: Path, tmp_path: Path):
    shutil.copy(journal, tmp_path / "00000001.jsonl")
    return list(JournalReader(tmp_path).walk())


@pytest.mark.parametrize("journal", JOURNALS, ids=lambda p: p.stem)
def test_fold_continued_at_any_record_equals_the_whole_fold(journal, tmp_path):
    records = walked(journal, tmp_path)
    whole = fresh(len(records))
    for record, place in records:
        whole.visit(record, place)
    end = encode_snapshot(whole, None, None)
    before = fresh(len(records))
    cuts = 0
    for cut, (record, place) in enumerate(records, 1):
        before.visit(record, place)
        taken = encode_snapshot(before, None, None)
        if taken is None:
            assert before.unverified is not None
            continue
        cuts += 1
        snapshot = decode_snapshot(taken, None)
        assert snapshot is not None
        continued = fresh(len(records), before.known)
        restore(snapshot, continued, None)
        for later, at in records[cut:]:
            continued.visit(later, at)
        assert encode_snapshot(continued, None, None) == end, cut
        assert continued.waiting_sets == whole.waiting_sets
        assert continued.unverified == whole.unverified
        assert all(continued.known(key) for key in whole._done)
    assert cuts > 1


def test_everything_that_a_fold_knows_is_in_the_snapshot_or_kept_elsewhere():
    members = set(MemorySnapshot.__struct_fields__) - {"drift", "drift_mark"}
    assert set(vars(fresh())) == members | set(NOT_IN_IT)
    assert not members & set(NOT_IN_IT)


def test_snapshot_of_another_version_or_cut_short_is_not_read():
    data = encode_snapshot(fresh(), None, None)
    assert decode_snapshot(data, None) is not None
    assert decode_snapshot(b"x" + data[1:], None) is None
    assert decode_snapshot(data[:-3], None) is None
    assert decode_snapshot(b"", None) is None


def test_fold_goes_on_from_a_snapshot_behind_a_verification_too_noisy_to_tell():
    good = {"passed": True, "outcome": "passed", "errors_nm": {"36": 1.0}}
    noisy = {"passed": False, "outcome": "inconclusive", "source": {"sha256": "cd" * 32}}
    whole, continued = fresh(), fresh()
    for seq, body in enumerate((good, noisy), 1):
        whole.apply(record_of("verification", body, seq=seq))
    taken = encode_snapshot(whole, None, None)
    restore(decode_snapshot(taken, None), continued, None)
    assert encode_snapshot(continued, None, None) == taken
    assert continued.verified["gauge-1"].passed
    assert len(continued.verifying) == 2, "a copy of it is known as one"


def test_fold_behind_a_snapshot_asks_for_parts_that_were_forgotten_before_it():
    asked = []
    memory = Memory({}, None, live_s=60.0, latches=True, recall=lambda *part: asked.append(part) or ())
    memory.apply(record_of("measurement", seq=8))
    assert asked == [], "it has seen everything"
    restore(decode_snapshot(encode_snapshot(fresh(), None, None), None), memory, None)
    memory.apply(record_of("measurement", {"trace": {"part": "P", "serial": "2"}}, seq=9))
    assert [(part, serial, before) for part, serial, _, before in asked] == [("P", "2", 9)]


def test_no_snapshot_is_taken_between_an_artefacts_trace_and_its_verification():
    memory = fresh()
    trace = {"artefact": "MW-03", "kind": "spiral"}
    memory.apply(record_of("measurement", {"trace": trace}))
    assert encode_snapshot(memory, None, None) is None


WATCHED = Drift(watch=(Watched(characteristic="roundness_total", part="P"),), minimum=3, grow_to=5)


def measured(seq: int, value: float):
    return record_of("measurement", {"characteristics": [{"value": value}]}, seq=seq)


def test_drift_charts_continue_where_they_stood_and_not_for_other_settings():
    values = [1.0, 1.1, 0.9, 1.0, 1.05, 3.0, 3.1, 3.2, 1.0]
    for cut in range(len(values) + 1):
        whole, first, second = (DriftWatch(WATCHED, lambda _digest: b"") for _ in range(3))
        for seq, value in enumerate(values, 1):
            whole.apply(measured(seq, value))
            if seq <= cut:
                first.apply(measured(seq, value))
        data = encode_snapshot(fresh(), first, WATCHED)
        snapshot = decode_snapshot(data, WATCHED)
        restore(snapshot, fresh(), second)
        for seq, value in enumerate(values[cut:], cut + 1):
            second.apply(measured(seq, value))
        assert second.state() == whole.state()
        other = Drift(watch=WATCHED.watch, minimum=4)
        assert decode_snapshot(data, other) is None
        assert decode_snapshot(data, None) is None
    assert whole.state().monitors


def test_record_of_no_known_kind_does_not_keep_a_snapshot_from_being_taken():
    line, _ = line_of(1, "2026-03-02T10:00:00.000000Z", "of-tomorrow", GENESIS, {"x": 1})
    memory = fresh()
    memory.visit(decode_record(line[:-1]), Place("00000001.jsonl", len(line)))
    assert encode_snapshot(memory, None, None) is not None
