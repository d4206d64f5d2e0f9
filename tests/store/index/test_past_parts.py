"""A copy of what was decided of a part never improves it, however long ago: service and replay agree."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from records import body_of

from edgeagent.codec.records.record import Place, decode_record
from edgeagent.judging import memory as judging_memory
from edgeagent.judging.memory import Memory
from edgeagent.model import Disposition
from edgeagent.rules.part_set import decide
from edgeagent.store.clock import SystemClock
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.past import Past
from edgeagent.store.index.past_parts import MeasurementPlaces, NotedKeys, WalkedParts
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter

REQUIRED = ["left", "right"]
KEPT = 4
END = 1000
"""A record behind all that the tests write."""


def measured(serial: str, feature: str, content: str, disposition: str, name: str = "a.txt"):
    return body_of(
        "measurement",
        {
            "source": {"name": name, "sha256": (content * 64)[:64]},
            "trace": {"part": "P", "serial": serial, "feature": feature},
            "required": REQUIRED,
            "disposition": disposition,
        },
    )


def decided(serial: str, disposition: str):
    return body_of("disposition", {"serial": serial, "disposition": disposition})


def others(count: int, first: int = 0) -> Iterator:
    for n in range(first, first + count):
        yield from (measured(f"o{n}", feature, f"{n:04}{feature}", "accept") for feature in REQUIRED)
        yield decided(f"o{n}", "accept")


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> Path:
    """A part that was rejected for a second, bad trace of its left flank, and more parts than memory keeps."""
    monkeypatch.setattr(judging_memory, "_SETS_MAX", KEPT)
    writer = JournalWriter(tmp_path / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    writer.append([*others(2)])
    writer.append([measured("x", "left", "a", "accept"), measured("x", "left", "b", "reject", "b.txt")])
    writer.append([measured("x", "right", "c", "accept"), decided("x", "reject"), *others(2 * KEPT, 2)])
    writer.close()
    return tmp_path


def folded(store: Path, recall) -> Memory:
    memory = Memory({}, None, live_s=60, latches=True, recall=recall)
    for record, _ in JournalReader(store / "journal").walk():
        memory.visit(record, Place("", 0))
    return memory


def by_index(store: Path) -> Memory:
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    while keeper.follow(1000):
        pass
    keeper.close()
    index = IndexWriter.create(path_of(store))
    return folded(
        store, Past(store / "journal", index, WalkedParts(store / "journal", behind=index.position)).recall
    )


def by_walk(store: Path) -> Memory:
    return folded(store, WalkedParts(store / "journal").recall)


def by_index_that_is_behind(store: Path) -> Memory:
    """The part's reject is in the index, what came later is not."""
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    keeper.follow(8)
    walked = WalkedParts(store / "journal", behind=keeper.position)
    return folded(store, Past(store / "journal", keeper._index, walked).recall)


@pytest.mark.parametrize("known", [by_index, by_walk, by_index_that_is_behind])
def test_copies_of_a_forgotten_part_bring_its_reject_back(store, known):
    memory = known(store)
    assert ("P", "x") not in memory.sets
    copy = measured("x", "left", "a", "accept", "copy.txt")
    state = memory.set_with(1000, copy, 5.0)
    assert state.results["left"].disposition == Disposition.REJECT
    assert "right" not in state.results, "the serial may be another part's by now"
    assert decide(state, 6.0, 3600.0).disposition == Disposition.REJECT
    right_alone = memory.set_with(1000, measured("x", "right", "c", "accept", "copy.txt"), 5.0)
    assert decide(right_alone, 6.0, 3600.0).disposition == Disposition.REJECT


@pytest.mark.parametrize("known", [by_index, by_walk, by_index_that_is_behind])
def test_copy_that_follows_a_new_measurement_improves_nothing(store, known):
    memory = known(store)
    new = measured("x", "right", "d", "accept", "new.txt")
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    (record,) = writer.append([new])
    writer.close()
    assert decide(memory.set_with(record.seq, new, 5.0), 6.0, 3600.0) is None, "it is waited for the left one"
    memory.visit(record, Place("", 0))
    state = memory.set_with(record.seq + 1, measured("x", "left", "a", "accept", "copy.txt"), 7.0)
    assert decide(state, 8.0, 3600.0).disposition == Disposition.REJECT
    fresh = memory.set_with(record.seq + 1, measured("x", "left", "e", "accept", "new2.txt"), 7.0)
    assert decide(fresh, 8.0, 3600.0).disposition == Disposition.ACCEPT, "the part was mended and measured anew"


def test_another_part_with_the_serial_and_another_recipe_are_no_copies(store):
    memory = by_index(store)
    other = body_of(
        "measurement",
        {
            "source": {"name": "q", "sha256": "a" * 64},
            "trace": {"part": "Q", "serial": "x", "feature": "left"},
            "required": ["left"],
        },
    )
    assert decide(memory.set_with(1000, other, 5.0), 6.0, 3600.0).disposition == Disposition.ACCEPT


def test_decided_contents_are_found_in_whatever_order_they_came(monkeypatch):
    monkeypatch.setattr("edgeagent.store.index.past_parts._PENDING_MAX", 7)
    contents = NotedKeys()
    for n in range(40):
        contents.add(2**63 - n * 7919)
    assert all(contents.holds(2**63 - n * 7919) for n in range(40))
    assert not any(contents.holds(2**63 - n * 7919 - 1) for n in range(40))


def test_places_of_a_serial_come_in_the_order_of_the_journal(monkeypatch):
    monkeypatch.setattr("edgeagent.store.index.past_parts._PENDING_MAX", 7)
    places = MeasurementPlaces()
    for n in range(40):
        places.add(f"s{n % 3}", f"{n // 20}.jsonl", 10 * n, n)
    found = [(p.segment, p.start, p.size) for p in places.of("s1")]
    assert found == [(f"{n // 20}.jsonl", 10 * n, n) for n in range(1, 40, 3)]
    assert list(places.of("s3")) == []


@pytest.fixture
def often(tmp_path: Path, monkeypatch) -> tuple[Path, list[bytes]]:
    """A part that was measured 40 times, other parts, and every line that is decoded from here on."""
    monkeypatch.setattr(judging_memory, "_SETS_MAX", KEPT)
    writer = JournalWriter(tmp_path / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    again = [measured("x", "left", f"{n:02}ab", "accept", f"{n}.txt") for n in range(40)]
    held = [measured(f"h{n}", "left", f"{n:04}held", "hold") for n in range(20)]
    ended = [decided(f"h{n}", "hold") for n in range(20)]
    writer.append([*again, measured("x", "right", "c", "accept"), decided("x", "accept")])
    writer.append([*held, *ended, *others(30)])
    writer.close()
    decoded: list[bytes] = []

    def decode(line: bytes):
        decoded.append(line)
        return decode_record(line)

    for module in ("edgeagent.store.index.past", "edgeagent.store.index.past_parts", "edgeagent.store.journal"):
        monkeypatch.setattr(f"{module}.decode_record", decode)
    return tmp_path, decoded


@pytest.mark.parametrize("known", [by_index, by_walk, by_index_that_is_behind])
def test_new_content_of_an_old_part_reads_no_record_of_it(often, known):
    store, decoded = often
    memory = known(store)
    decoded.clear()
    state = memory.set_with(END, measured("x", "left", "new", "accept", "new.txt"), 5.0)
    assert (len(decoded), len(state.results)) == (0, 1)
    memory.set_with(END, measured("x", "left", "07ab", "accept", "copy.txt"), 5.0)
    assert len(decoded) == 41, "the part's measurements alone"


def test_many_old_files_that_come_again_take_one_walk(often):
    store, decoded = often
    memory = by_walk(store)
    decoded.clear()
    for n in range(20):
        copy = measured(f"h{n}", "left", f"{n:04}held", "accept", "copy.txt")
        assert memory.set_with(END, copy, 5.0).results["left"].disposition == Disposition.HOLD
    assert len(decoded) == 20, "the one measurement of each part"


@pytest.mark.parametrize("known", [by_index, by_walk, by_index_that_is_behind])
def test_reject_that_the_index_has_not_yet_stands_beside_what_it_has(store, known):
    memory = known(store)
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    bad = [measured("o0", "right", "bad", "reject", "bad.txt"), decided("o0", "reject")]
    for record in writer.append([*bad, *others(9, 50)]):
        memory.apply(record)
    writer.close()
    assert ("P", "o0") not in memory.sets
    state = memory.set_with(END, measured("o0", "left", "0000left", "accept", "copy.txt"), 5.0)
    assert [(f, r.disposition) for f, r in sorted(state.results.items())] == [
        ("left", Disposition.ACCEPT),
        ("right", Disposition.REJECT),
    ]


def test_measurement_that_nobody_gave_is_found_in_the_journal(store):
    memory = by_walk(store)
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    bad = [measured("x", "left", "d", "reject", "d.txt"), measured("x", "right", "e", "accept")]
    for record in writer.append([*bad, decided("x", "reject"), *others(9, 50)]):
        memory.apply(record)
    writer.close()
    assert ("P", "x") not in memory.sets
    copy = memory.set_with(writer.seq + 1, measured("x", "right", "e", "accept", "copy.txt"), 5.0)
    assert decide(copy, 6.0, 3600.0).disposition == Disposition.REJECT
