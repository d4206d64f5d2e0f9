"""The table of values says what journal and archive say, to the last bit, and is not believed against them."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from records import CHARACTERISTIC, body_of

from edgeagent.commands import shared_series
from edgeagent.commands.shared_series import SeriesFilter, collect_series
from edgeagent.report.period import gather_period
from edgeagent.report.period_series import NEWEST_MAX
from edgeagent.report.story.gather import Store
from edgeagent.store.archive import Archive
from edgeagent.store.index import lookup as index_lookup
from edgeagent.store.index.cache_file import open_for_writing
from edgeagent.store.index.index import IndexWriter
from edgeagent.store.index.index import path_of as index_of
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.values import lookup as values_lookup
from edgeagent.store.values.follow import begin_values
from edgeagent.store.values.lookup import ValueLookup
from edgeagent.store.values.table import FORMAT, SCHEMA, ValueTable, ValueWriter, path_of

START = datetime(2026, 3, 2, 10, tzinfo=UTC)
PARTS = 30


class Clock:
    """Ten minutes a record."""

    def __init__(self) -> None:
        self.at = START

    def now(self) -> datetime:
        self.at += timedelta(minutes=10)
        return self.at

    def monotonic(self) -> float:
        return 0.0


def characteristics(n: int) -> list[dict]:
    """Values with limits, one without a value, one that wanders, harmonics, one without limits."""
    rows = [
        {"value": 1.0 + n / 7, "verdict": "nonconforming" if n % 5 == 0 else "conforming", "caution": 0.9},
        {"name": "flank_form", "instance": "left", "value": None if n % 3 == 0 else n / 11, "lower": 0.1},
        {"name": "spurious_amplitude", "instance": f"{n}", "value": 0.3, "unit": "nm"},
        {"name": "harmonic_amplitude", "instance": f"{n}", "value": 9.0 + n, "unit": "nm", "upper": 30.0},
        {"name": "harmonic_amplitude", "instance": "99", "value": 3.0, "unit": "nm", "upper": 30.0},
        {"name": "tilt", "value": n / 3, "lower": None, "upper": None, "verdict": "unjudged"},
    ]
    return [{**CHARACTERISTIC, **row} for row in rows]


def measured(archive: Archive, n: int, feature: str, serial: str | None = None):
    result = archive.put(json.dumps({"spectrum": None, "characteristics": characteristics(n)}).encode())
    at = f"2026-03-02T{n % 24:02}:41:07+01:00"
    trace = {"serial": serial or f"s{n}", "feature": feature, "measured_at": at}
    more = {"quality_failed": [{}]} if n == 4 else {}
    source = {"name": f"{n}{feature}", "look": [n, 2, 3, 4]}
    said = {"source": source, "trace": trace, "result_sha256": result, **more}
    return body_of("measurement", said)


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> Path:
    """A store with parts of every disposition, some of them twice; its table is used although it is short."""
    monkeypatch.setattr(index_lookup, "LONG", 1)
    monkeypatch.setattr(values_lookup, "LONG", 1)
    archive = Archive(tmp_path / "archive")
    writer = JournalWriter(tmp_path / "journal", Clock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    writer.append([body_of("start")])
    for n in range(PARTS):
        for feature in ("left", "right"):
            writer.append([measured(archive, n, feature)])
        found = ("reject", "hold", "accept")[n % 3]
        if n not in (7, 21):
            writer.append(
                [body_of("disposition", {"serial": f"s{n}", "disposition": found, "reasons": ["why"]})]
            )
        if n % 10 == 3:
            writer.append([body_of("verification"), body_of("disposition", {"serial": f"s{n - 2}"})])
    writer.append([body_of("quarantine")])
    writer.close()
    return tmp_path


def index(store: Path, end: int = 10**9) -> None:
    """Make index and table, the latter up to a record."""
    indexed = IndexKeeper(IndexWriter.create(index_of(store)), store / "journal")
    while indexed.follow(1000):
        pass
    indexed.close()
    kept = begin_values(store, Archive(store / "archive").get)
    kept.follow(min(end, indexed.seq), 60.0)
    assert kept.commit()
    kept.close()


def seen(store: Path, since: datetime | None, until: datetime | None) -> dict:
    """All that a page says of a period, in a form that can be compared."""
    p = gather_period(Store(store), since, until, START)
    return {
        "counts": p.counts,
        "standing": {k: (r.seq, r.time, r.disposition) for k, r in p.standing.items()},
        "first": (p.first_decisions, p.accepted_at_first),
        "held": {k: r.seq for k, r in p.held.items()},
        "undecided": {k: {f: r.seq for f, r in files.items()} for k, files in p.undecided.items()},
        "reasons": p.reasons,
        "others": [[r.seq for r in some] for some in (p.verifications, p.quarantined, p.unknown)],
        "measured": (p.measurements, p.unread, p.first, p.final, p.last.seq),
        "series": {
            (s.subject, s.feature, s.name, s.instance, s.unit): (s.count, s.worst, s.points.tobytes())
            for s in p.series
        },
    }


@pytest.mark.parametrize("end", [10**9, 61])
@pytest.mark.parametrize("hours", [(None, None), (3, 11), (0, 8), (9, None), (100, None)])
def test_period_from_the_table_is_the_one_that_a_walk_gives(store, end, hours):
    since, until = (None if h is None else START + timedelta(hours=h) for h in hours)
    walked = seen(store, since, until)
    index(store, end)
    assert Store(store).values is not None
    assert seen(store, since, until) == walked
    assert walked["counts"] or hours[0] == 100


def observed(store: Path, **wanted) -> dict:
    series, unread = collect_series(store, SeriesFilter(**wanted))
    return {"unread": unread, **{s.key: list(s.found) for s in series}}


@pytest.mark.parametrize(
    "wanted",
    [
        {},
        {"characteristic": "flank_form"},
        {"characteristic": "spurious_amplitude"},
        {"characteristic": "spurious_amplitude[3]"},
        {"characteristic": "harmonic_amplitude[3]"},
        {"since": datetime(2026, 3, 2, 12, tzinfo=UTC)},
        {"part": "other"},
    ],
)
def test_trend_from_the_table_is_the_one_that_a_walk_gives(store, wanted):
    walked = observed(store, **wanted)
    index(store, 70)
    assert ValueLookup.open(store / "journal").position.seq == 70
    assert observed(store, **wanted) == walked
    assert len(walked) > 1 or wanted.get("part") or "harm" in wanted["characteristic"]


def test_result_that_the_archive_lost_is_asked_for_again_and_counted(store):
    archive = Archive(store / "archive")
    records = [r for r, _ in JournalReader(store / "journal").walk() if r.kind == "measurement"]
    lost = [archive.path_of(r.body.result_sha256) for r in records[:2]]  # both of the same content
    whole = lost[0].read_bytes()
    lost[0].unlink()
    walked = observed(store), seen(store, None, None)
    index(store)
    assert (observed(store), seen(store, None, None)) == walked
    assert walked[0]["unread"] == walked[1]["measured"][1] == 2
    lost[0].write_bytes(whole)
    assert observed(store)["unread"] == 0


def test_table_of_another_journal_is_dropped_and_made_anew(store):
    index(store)
    walked = observed(store)
    last = sorted((store / "journal").glob("*.jsonl"))[-1]
    lines = last.read_bytes().splitlines(keepends=True)
    last.write_bytes(b"".join(lines[:-1]))
    assert ValueLookup.open(store / "journal") is None, "the journal does not hold the table's position"
    assert observed(store) == walked, "only the quarantine was cut"
    kept = begin_values(store, Archive(store / "archive").get)
    assert kept.seq == 0
    kept.close()


def test_damaged_table_is_not_believed_and_the_journal_answers(store):
    walked = observed(store), seen(store, None, None)
    index(store)
    with sqlite3.connect(path_of(store)) as db:
        db.execute("update rows set data = x'00' where seq = 40")
    assert (observed(store), seen(store, None, None)) == walked
    path_of(store).write_bytes(b"no database" * 1000)
    assert Store(store).values is None
    index(store)
    assert (observed(store), seen(store, None, None)) == walked


def test_reader_keeps_the_service_from_committing_and_from_nothing_else(store):
    index(store, 40)
    reader = sqlite3.connect(f"{path_of(store).as_uri()}?mode=ro", uri=True)
    reading = reader.execute("select seq from rows")
    reading.fetchone()
    kept = begin_values(store, Archive(store / "archive").get)
    kept.follow(60, 60.0)
    assert not kept.commit()
    reading.close()
    reader.close()
    assert kept.commit()
    kept.close()
    assert ValueTable.open(path_of(store)).position.seq == 60


def test_user_who_may_only_read_can_open_it(store):
    index(store)
    path_of(store).chmod(0o444)
    path_of(store).parent.chmod(0o555)
    try:
        assert ValueTable.open(path_of(store)).held_at(None)
    finally:
        path_of(store).parent.chmod(0o755)


def test_service_waits_for_a_reader_no_longer_than_two_hundredths_of_a_second(tmp_path):
    db = open_for_writing(path_of(tmp_path), SCHEMA, FORMAT)
    assert db.execute("pragma busy_timeout").fetchone() == (20,)
    db.close()


class SetClock:
    """Shows the minutes that are given to it, one a record."""

    def __init__(self) -> None:
        self.minutes = 0

    def now(self) -> datetime:
        return START + timedelta(minutes=self.minutes)

    def monotonic(self) -> float:
        return 0.0


CLOCK_SET_BACK = [
    (0, "held-anew", None), (1, "held-anew", "hold"), (2, "late", None), (3, "ever-held", "hold"),
    (120, "held-anew", "accept"), (121, "late", "accept"), (122, "twice", None), (123, "first-late", "accept"),
    (30, "held-anew", "reject"), (31, "late", "reject"), (32, "twice", None), (33, "first-late", "reject"),
    (34, "ever-held", "hold"), (35, "behind", None), (36, "late", "hold"),
]  # fmt: skip
"""Minutes of the clock, which was set back by an hour and a half; serial; disposition, or a measurement."""


@pytest.mark.parametrize("end", [10**9, 9, 12])
@pytest.mark.parametrize("until_min", [None, 2, 31, 33, 60, 122, 150])
def test_what_stood_at_a_moment_is_told_by_the_order_of_records_where_the_clock_was_set_back(
    tmp_path, monkeypatch, end, until_min
):
    monkeypatch.setattr(index_lookup, "LONG", 1)
    monkeypatch.setattr(values_lookup, "LONG", 1)
    archive, clock = Archive(tmp_path / "archive"), SetClock()
    writer = JournalWriter(tmp_path / "journal", clock, segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    for n, (clock.minutes, serial, found) in enumerate(CLOCK_SET_BACK):
        said = {"serial": serial, "disposition": found, "reasons": ["why"]}
        writer.append([body_of("disposition", said) if found else measured(archive, n, "left", serial)])
    writer.close()
    until = None if until_min is None else START + timedelta(minutes=until_min)
    walked = seen(tmp_path, None, until)
    index(tmp_path, end)
    assert Store(tmp_path).values is not None
    asked = seen(tmp_path, None, until)
    for name in ("counts", "standing", "first", "held", "undecided"):
        assert asked[name] == walked[name], name


WRITING = """
import sys
from pathlib import Path
from edgeagent.store.archive import Archive
from edgeagent.store.values.follow import begin_values
store = Path(sys.argv[1])
kept = begin_values(store, Archive(store / "archive").get)
print("begun", flush=True)
while True:
    kept.follow(kept.seq + 1, 60.0)
    kept.commit()
"""


def test_kill_in_the_midst_of_writing_leaves_whole_records(store):
    walked = observed(store), seen(store, None, None)
    index(store, 1)
    for _ in range(3):
        child = subprocess.Popen([sys.executable, "-c", WRITING, str(store)], stdout=subprocess.PIPE)
        child.stdout.readline()
        time.sleep(0.02)
        os.kill(child.pid, signal.SIGKILL)
        child.wait()
        child.stdout.close()
    position = ValueWriter.create(path_of(store)).position
    assert position.seq > 1
    assert (observed(store), seen(store, None, None)) == walked


def test_picture_has_the_newest_points_and_the_page_counts_all(store, monkeypatch):
    monkeypatch.setattr("edgeagent.report.period_series.NEWEST_MAX", 5)
    index(store)
    p = gather_period(Store(store), None, None, START)
    (one,) = [s for s in p.series if (s.name, s.feature) == ("roundness_total", "left")]
    assert one.count == PARTS
    assert len(one.points) == 5 < NEWEST_MAX
    newest = sorted(range(PARTS), key=lambda n: n % 24)[-5:]
    assert one.points[:, 1].tolist() == [1.0 + n / 7 for n in newest]


def test_commands_ask_the_archive_for_what_no_row_has(store, monkeypatch):
    index(store)
    asked = []
    monkeypatch.setattr(shared_series, "archived_values", lambda body, *_: asked.append(body) or [])
    collect_series(store, SeriesFilter())
    assert asked == []
    collect_series(store, SeriesFilter("harmonic_amplitude[3]"))
    assert len(asked) == 2 * PARTS - 2
