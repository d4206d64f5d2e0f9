"""When a file on a real disk is taken: once, whole, and not before its writer is done."""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from field import wait_until

from edgeagent.codec.configuration.settings import IntakeSettings as Settings
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.service.folders.disk import move_aside, see
from edgeagent.service.intake import Intake
from edgeagent.service.mailbox import Mailbox
from edgeagent.store.clock import SystemClock

PATIENCE_S = 20.0
SETTLE_S = 0.15
WRITER_SETTLE_S = 0.8
"""Ten times what the slow writers of these tests pause."""
CLOCKS_S = 0.01
"""By how much clock and monotonic time may drift apart meanwhile."""


class Desk:
    """An intake with its mailbox, turned by the test the way the service loop turns it."""

    def __init__(self, base: Path, **given: Any) -> None:
        self.inbox = base / "inbox"
        self.inbox.mkdir(exist_ok=True)
        wanted = {"settle_s": SETTLE_S, "scan_s": 0.1, "empty_s": 0.5, "locked_s": 0.5, **given}
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.mailbox = Mailbox()
        self.found: list[FoundFile] = []
        self.defers: Callable[[FoundFile], bool] = lambda _file: False
        self.intake = Intake(
            Settings(**wanted), base, SystemClock(), self.mailbox.hint, lambda e, d: self.events.append((e, d))
        )

    def turn(self) -> None:
        self.intake.hinted(self.mailbox.hints())
        self.intake.scan_if_due()
        file = self.intake.take()
        if file is not None:
            self.found.append(file)
            (self.intake.defer if self.defers(file) else self.intake.finished)(file)
        else:
            self.mailbox.wait(0.01)

    def begin(self) -> None:
        """Go on until the folder is watched: what comes from then on is live."""
        self.until(lambda: self.intake._folders["inbox"].available)

    def until(self, true: Callable[[], Any]) -> None:
        limit = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < limit, f"found {self.names()}, events {self.events}"
            self.turn()

    def rest(self, seconds: float = 2 * SETTLE_S) -> None:
        """Go on turning for a while, to see that nothing more comes."""
        limit = time.monotonic() + seconds
        while time.monotonic() < limit:
            self.turn()

    def names(self) -> list[str]:
        return [f.name for f in self.found]


@contextmanager
def desk_of(base: Path, **given: Any) -> Iterator[Desk]:
    desk = Desk(base, **given)
    try:
        yield desk
    finally:
        desk.intake.close()


@pytest.fixture(params=["native", "polling"])
def desk(tmp_path, request) -> Iterator[Desk]:
    with desk_of(tmp_path, observer=request.param) as made:
        made.begin()
        yield made


@pytest.fixture(params=["native", "polling"])
def patient_desk(tmp_path, request) -> Iterator[Desk]:
    with desk_of(tmp_path, observer=request.param, settle_s=WRITER_SETTLE_S) as made:
        made.begin()
        yield made


def in_background(work: Callable[[], None], desk: Desk, done: Callable[[], Any]) -> None:
    writer = threading.Thread(target=work)
    writer.start()
    desk.until(done)
    writer.join()


def test_slow_writer_is_waited_for(patient_desk):
    data = os.urandom(4000)

    def write() -> None:
        with (patient_desk.inbox / "a.txt").open("wb", buffering=0) as file:
            for start in range(0, len(data), 500):
                file.write(data[start : start + 500])
                time.sleep(0.08)

    in_background(write, patient_desk, lambda: patient_desk.found)
    patient_desk.rest()
    assert [f.data for f in patient_desk.found] == [data]


def test_copier_that_closes_and_reopens_is_waited_for(patient_desk):
    def write() -> None:
        for number in range(6):
            with (patient_desk.inbox / "a.txt").open("ab") as file:
                file.write(b"%d" % number * 100)
            time.sleep(0.08)

    in_background(write, patient_desk, lambda: patient_desk.found)
    patient_desk.rest()
    assert [f.data for f in patient_desk.found] == [b"".join(b"%d" % n * 100 for n in range(6))]


def test_file_of_full_size_from_the_first_moment_is_waited_for(patient_desk):
    path = patient_desk.inbox / "a.txt"

    def write() -> None:
        with path.open("wb", buffering=0) as file:
            os.posix_fallocate(file.fileno(), 0, 3000)
            for start in range(0, 3000, 500):
                os.pwrite(file.fileno(), b"x" * 500, start)
                time.sleep(0.08)

    in_background(write, patient_desk, lambda: patient_desk.found)
    patient_desk.rest()
    assert [f.data for f in patient_desk.found] == [b"x" * 3000]


def test_rename_inside_the_folder_settles_at_once(tmp_path):
    with desk_of(tmp_path, settle_s=3600.0, scan_s=0.05) as desk:
        desk.begin()
        (desk.inbox / "a.txt.part").write_bytes(b"whole")
        desk.rest(0.2)
        (desk.inbox / "a.txt.part").rename(desk.inbox / "a.txt")
        desk.until(lambda: desk.found)
    assert [(f.name, f.data) for f in desk.found] == [("a.txt", b"whole")]


def test_file_written_on_after_its_rename_is_waited_for(tmp_path):
    with desk_of(tmp_path, settle_s=0.05) as desk:
        desk.begin()
        with (desk.inbox / "a.part").open("ab", buffering=0) as file:
            file.write(b"half")
            (desk.inbox / "a.part").rename(desk.inbox / "a.txt")
            file.write(b" and more")
            wait_until(lambda: any(h.name == "a.txt" and h.writing for h in list(desk.mailbox._hints)), 10)
            desk.rest(0.5)
            assert desk.names() == []
            file.write(b" to come")
        desk.until(lambda: desk.found)
    assert [f.data for f in desk.found] == [b"half and more to come"]


@pytest.mark.parametrize("way", ["rename", "link"])
def test_file_brought_in_whole_from_outside_is_taken_once(desk, tmp_path, way):
    outside = tmp_path / "outside.txt"
    outside.write_bytes(b"whole")
    (outside.rename if way == "rename" else desk_link(outside))(desk.inbox / "a.txt")
    desk.until(lambda: desk.found)
    desk.rest()
    assert [(f.name, f.data) for f in desk.found] == [("a.txt", b"whole")]


def desk_link(path: Path) -> Callable[[Path], None]:
    return lambda target: os.link(path, target)


def test_file_written_over_in_place_is_a_new_one_even_with_the_same_size(desk):
    path = desk.inbox / "a.txt"
    path.write_bytes(b"first")
    desk.until(lambda: len(desk.found) == 1)
    path.write_bytes(b"other")
    desk.until(lambda: len(desk.found) == 2)
    desk.rest()
    assert [f.data for f in desk.found] == [b"first", b"other"]


def test_file_deleted_and_made_again_is_a_new_one(desk):
    path = desk.inbox / "a.txt"
    path.write_bytes(b"first")
    desk.until(lambda: len(desk.found) == 1)
    path.unlink()
    path.write_bytes(b"again")
    desk.until(lambda: len(desk.found) == 2)
    assert desk.found[1].data == b"again"


@pytest.mark.parametrize("name", [".a.txt", "a.txt.part", "A.TMP", "~a.txt", "a.txt~", "a.filepart"])
def test_temporary_names_are_left_alone(desk, name):
    (desk.inbox / name).write_bytes(b"not yet")
    (desk.inbox / "z.txt").write_bytes(b"whole")
    desk.until(lambda: desk.found)
    desk.rest()
    assert desk.names() == ["z.txt"]


def test_patterns_of_the_configuration_replace_the_ordinary_ones(tmp_path):
    with desk_of(tmp_path, ignore=("*.busy",)) as desk:
        (desk.inbox / "a.busy").write_bytes(b"no")
        (desk.inbox / "b.part").write_bytes(b"yes")
        desk.until(lambda: desk.found)
        desk.rest()
        assert desk.names() == ["b.part"]


def test_close_is_trusted_where_the_configuration_says_so(tmp_path):
    with desk_of(tmp_path, settle_s=0.0, scan_s=3600.0) as desk:
        desk.begin()
        (desk.inbox / "a.txt").write_bytes(b"whole")
        desk.until(lambda: desk.found)
    assert desk.found[0].data == b"whole"


def test_files_with_times_of_long_ago_and_of_the_future_are_taken(desk):
    for name, moment in (("old.txt", 0), ("new.txt", 4_000_000_000)):
        (desk.inbox / name).write_bytes(b"x")
        os.utime(desk.inbox / name, (moment, moment))
    desk.until(lambda: len(desk.found) == 2)


def test_reading_the_folder_makes_no_work(desk):
    (desk.inbox / "a.txt").write_bytes(b"x")
    desk.until(lambda: desk.found)
    for _ in range(5):
        (desk.inbox / "a.txt").read_bytes()
        os.listdir(desk.inbox)
    desk.rest()
    assert len(desk.found) == 1
    assert desk.intake.waiting_count() == 0


def test_what_is_no_file_is_told_once_and_blocks_nobody(desk, tmp_path):
    os.mkfifo(desk.inbox / "pipe.txt")
    (tmp_path / "secret.txt").write_bytes(b"secret")
    (desk.inbox / "link.txt").symlink_to(tmp_path / "secret.txt")
    (desk.inbox / "dangling.txt").symlink_to(tmp_path / "nowhere")
    (desk.inbox / "folder.txt").mkdir()
    (desk.inbox / "z.txt").write_bytes(b"whole")
    desk.until(lambda: len(desk.found) == 4)
    desk.rest()
    problems = {f.name: str(f.problem) for f in desk.found if f.problem}
    assert sorted(problems) == ["dangling.txt", "link.txt", "pipe.txt"]
    assert all(p.startswith("not a regular file") for p in problems.values())
    assert all(f.data == b"" for f in desk.found if f.problem)
    assert desk.names().count("z.txt") == 1


def test_empty_file_is_given_time_and_then_told(tmp_path):
    with desk_of(tmp_path, empty_s=1.0) as desk:
        desk.begin()
        began = time.monotonic()
        (desk.inbox / "a.txt").touch()
        desk.until(lambda: desk.found)
        assert time.monotonic() - began >= 1.0
        assert desk.found[0].data == b""
        (desk.inbox / "a.txt").write_bytes(b"now")
        desk.until(lambda: len(desk.found) == 2)
        assert desk.found[1].data == b"now"


def test_file_too_large_is_told_and_not_read(tmp_path):
    with desk_of(tmp_path, file_mb_max=1.0) as desk:
        with (desk.inbox / "a.txt").open("wb") as file:
            file.truncate(10**12)  # a hole, no blocks
        desk.until(lambda: desk.found)
    assert "1000000 MB" in str(desk.found[0].problem)
    assert desk.found[0].data == b""


@pytest.mark.parametrize("opens_again", [True, False])
def test_locked_file_is_tried_again_and_told_when_it_stays_locked(tmp_path, monkeypatch, opens_again):
    shut = threading.Event()
    shut.set()
    tries = []
    real = os.open

    def guarded(path, *more, **named):
        if str(path).endswith("a.txt") and shut.is_set():
            tries.append(time.monotonic())
            raise PermissionError(13, "Permission denied")
        return real(path, *more, **named)

    with desk_of(tmp_path) as desk:
        (desk.inbox / "a.txt").write_bytes(b"whole")
        monkeypatch.setattr(os, "open", guarded)
        if opens_again:
            desk.until(lambda: len(tries) >= 2)
            shut.clear()
            desk.until(lambda: desk.found)
            assert desk.found[0].data == b"whole"
        else:
            desk.until(lambda: desk.found)
            assert "Permission denied" in str(desk.found[0].problem)
            assert 2 <= len(tries) <= 12, "pauses grow"
        desk.rest()
        assert len(desk.found) == 1


def test_file_that_changes_while_it_is_read_is_read_again(tmp_path, monkeypatch):
    with desk_of(tmp_path) as desk:
        path = desk.inbox / "a.txt"
        path.write_bytes(b"first")
        real, touched = os.read, []

        def meddling(fd, size):
            if not touched and os.readlink(f"/proc/self/fd/{fd}").endswith("a.txt"):
                touched.append(True)
                path.write_bytes(b"later")
            return real(fd, size)

        monkeypatch.setattr(os, "read", meddling)
        desk.until(lambda: desk.found)
        assert touched
        assert [f.data for f in desk.found] == [b"later"]


def test_newcomers_go_before_what_was_there_at_the_start(tmp_path):
    with desk_of(tmp_path) as desk:
        for number in range(300):
            (desk.inbox / f"old-{number:03}.txt").write_bytes(b"x")
        desk.until(lambda: len(desk.found) == 20)
        (desk.inbox / "live.txt").write_bytes(b"x")
        while desk.intake.waiting_count() < 281:
            desk.intake.hinted(desk.mailbox.hints())
        time.sleep(2 * SETTLE_S)  # it settles while the loop is busy; the backlog is held up for so long
        before = len(desk.found)
        desk.until(lambda: "live.txt" in desk.names())
        assert desk.names().index("live.txt") <= before + 3
        desk.until(lambda: len(desk.found) == 301)
        assert len(set(desk.names())) == 301


def test_waiting_files_are_queued_once_however_often_the_folder_is_scanned(tmp_path):
    with desk_of(tmp_path, settle_s=3600.0, scan_s=0.05) as desk:
        for number in range(50):
            (desk.inbox / f"{number}.txt").write_bytes(b"x")
        desk.rest(1.0)
        (folder,) = desk.intake._folders.values()
        assert len(folder._order) == len(folder._order._pending) == 50
        assert desk.intake.waiting_count() == 50


def test_lateness_counts_from_settling_and_not_from_the_turn_in_the_queue(tmp_path):
    with desk_of(tmp_path) as desk:
        desk.begin()
        folder = desk.intake._folders["inbox"]
        began = time.time()
        (desk.inbox / "a.txt").write_bytes(b"x")

        def seen_whole() -> bool:
            known = (folder._waiting.get("a.txt"), folder._handed.get("a.txt"))
            return any(w is not None and w.closed for w in known)

        limit = time.monotonic() + PATIENCE_S
        while not seen_whole():
            assert time.monotonic() < limit
            desk.intake.hinted(desk.mailbox.hints())
            desk.mailbox.wait(0.01)
        noticed = time.time()
        time.sleep(SETTLE_S + 1.0)  # the loop is busy with something else
        desk.until(lambda: desk.found)
        settled_at = desk.found[0].settled_at - SETTLE_S
        assert began - CLOCKS_S <= settled_at <= noticed + CLOCKS_S


def test_backlog_counts_from_its_last_change_on_disk(tmp_path):
    base = tmp_path
    (base / "inbox").mkdir()
    (base / "inbox" / "a.txt").write_bytes(b"x")
    written_at = (base / "inbox" / "a.txt").stat().st_ctime
    time.sleep(1.0)
    with desk_of(base) as desk:
        desk.until(lambda: desk.found)
        assert abs(desk.found[0].settled_at - (written_at + SETTLE_S)) < 0.05


def test_side_file_that_comes_late_is_waited_for(tmp_path):
    with desk_of(tmp_path, locked_s=30.0) as desk:
        desk.begin()
        (desk.inbox / "a.x3p").write_bytes(b"profile")
        desk.rest()
        assert desk.names() == []
        (desk.inbox / "a.x3p.meta.toml").write_bytes(b"header")
        desk.until(lambda: desk.found)
        desk.rest()
        assert [(f.name, f.data, f.side) for f in desk.found] == [("a.x3p", b"profile", b"header")]


def test_side_file_corrected_afterwards_makes_a_new_measurement(desk):
    (desk.inbox / "a.x3p.meta.toml").write_bytes(b"wrong")
    (desk.inbox / "a.x3p").write_bytes(b"profile")
    desk.until(lambda: desk.found)
    (desk.inbox / "a.x3p.meta.toml").write_bytes(b"right")
    desk.until(lambda: len(desk.found) == 2)
    assert [f.side for f in desk.found] == [b"wrong", b"right"]


def test_side_file_that_never_comes_is_not_waited_for_for_ever(tmp_path):
    with desk_of(tmp_path, locked_s=0.6) as desk:
        (desk.inbox / "a.smd").write_bytes(b"profile")
        desk.until(lambda: desk.found)
        assert (desk.found[0].data, desk.found[0].side) == (b"profile", None)


def test_name_that_is_no_text_is_spelt_out(tmp_path):
    with desk_of(tmp_path, move_to="done") as desk:
        (tmp_path / "inbox" / os.fsdecode(b"\xff\xe9.txt")).write_bytes(b"x")
        desk.until(lambda: desk.found)
        desk.rest()
        desk.until(lambda: os.listdir(tmp_path / "done"))
        assert desk.names() == ["\\xff\\xe9.txt"]
        assert os.listdir(os.fsencode(tmp_path / "done")) == [b"\xff\xe9.txt"]


def test_finished_files_are_moved_only_when_the_configuration_says_so_and_never_over_another(tmp_path):
    (tmp_path / "done").mkdir()
    (tmp_path / "done" / "a.txt").write_bytes(b"earlier")
    with desk_of(tmp_path, move_to="done") as desk:
        (desk.inbox / "a.txt").write_bytes(b"later")
        desk.until(lambda: desk.found)
        desk.until(lambda: list(desk.inbox.iterdir()) == [])
    contents = {p.read_bytes() for p in (tmp_path / "done").iterdir()}
    assert contents == {b"earlier", b"later"}


def test_file_is_never_changed(desk):
    path = desk.inbox / "a.txt"
    path.write_bytes(b"as exported")
    before = path.stat()
    desk.until(lambda: desk.found)
    desk.rest(0.3)
    after = path.stat()
    assert hashlib.sha256(path.read_bytes()).digest() == hashlib.sha256(b"as exported").digest()
    assert (before.st_mtime_ns, before.st_ctime_ns, before.st_ino) == (
        after.st_mtime_ns,
        after.st_ctime_ns,
        after.st_ino,
    )


def test_sparse_side_file_of_three_gigabytes_is_refused_unread(desk):
    with (desk.inbox / "a.x3p.meta.toml").open("wb") as file:
        file.truncate(3_000_000_000)
    (desk.inbox / "a.x3p").write_bytes(b"profile")
    (desk.inbox / "b.txt").write_bytes(b"good")
    desk.until(lambda: len(desk.found) == 2)
    found = {f.name: f for f in desk.found}
    assert "the side file has 3000000000 bytes; expected at most 65536" in str(found["a.x3p"].problem)
    assert (found["a.x3p"].data, found["a.x3p"].side) == (b"", None)
    assert found["b.txt"].data == b"good"


def test_deferred_file_is_read_again_when_its_time_is_up_and_settles_then(tmp_path):
    with desk_of(tmp_path, observer="polling", unclosed_s=2.0) as desk:
        desk.defers = lambda file: not file.whole
        desk.until(lambda: desk.intake._folders["inbox"].available)
        (desk.inbox / "a.txt").write_bytes(b"a piece")
        desk.until(lambda: len(desk.found) == 2)
        first, last = desk.found
        assert (first.whole, last.whole) == (False, True)
        assert abs((last.settled_at - first.settled_at) - (2.0 - SETTLE_S)) < 0.2
        desk.rest()
        assert len(desk.found) == 2


def test_deferred_file_is_read_again_when_it_grew(tmp_path):
    with desk_of(tmp_path, observer="polling", unclosed_s=3600.0) as desk:
        desk.defers = lambda file: file.data != b"a piece and the rest"
        desk.until(lambda: desk.intake._folders["inbox"].available)
        (desk.inbox / "a.txt").write_bytes(b"a piece")
        desk.until(lambda: len(desk.found) == 1)
        desk.rest()
        assert len(desk.found) == 1
        with (desk.inbox / "a.txt").open("ab") as file:
            file.write(b" and the rest")
        desk.until(lambda: len(desk.found) == 2)
    assert [f.data for f in desk.found] == [b"a piece", b"a piece and the rest"]


def test_finished_file_that_grows_is_reported_once_with_what_was_decided(desk):
    path = desk.inbox / "a.txt"
    path.write_bytes(b"half")
    desk.until(lambda: len(desk.found) == 1)
    with path.open("ab") as file:
        file.write(b" and half")
    grown: list[tuple[str, str]] = []
    desk.until(lambda: grown.extend(desk.intake.grown()) or len(desk.found) == 2)
    assert grown == [("a.txt", hashlib.sha256(b"half").hexdigest())]
    path.write_bytes(b"something else that is longer")
    desk.until(lambda: grown.extend(desk.intake.grown()) or len(desk.found) == 3)
    assert len(grown) == 1


def test_file_of_the_same_name_and_time_is_moved_beside_the_earlier_ones(tmp_path):
    source, done = tmp_path / "a.txt", tmp_path / "done"
    for content in ("first", "second", "third", "fourth"):
        source.write_text(content)
        os.utime(source, ns=(10**18, 10**18))
        look = see(source).look
        assert look is not None
        assert move_aside(source, look, done, with_side=False) is None
    assert sorted(path.read_text() for path in done.iterdir()) == ["first", "fourth", "second", "third"]


def test_file_is_not_moved_onto_a_link_that_leads_nowhere(tmp_path):
    source, done = tmp_path / "a.txt", tmp_path / "done"
    done.mkdir()
    (done / "a.txt").symlink_to("gone")
    source.write_text("first")
    look = see(source).look
    assert look is not None
    assert move_aside(source, look, done, with_side=False) is None
    assert (done / "a.txt").is_symlink()
