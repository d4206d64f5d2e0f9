"""An export folder that is no longer the share it was: unavailable, never empty. With real mounts."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from field import wait_until
from mounts import mounted, unmounted
from test_watch import Watcher

from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.errors import ConfigError
from edgeagent.service.folders.mounts import mount_of
from edgeagent.store.known_mounts import KnownMounts


@pytest.fixture
def share(tmp_path) -> Iterator[tuple[Path, ExitStack]]:
    """The inbox of a watcher to be, with a file system of its own mounted over it."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    with ExitStack() as stack:
        stack.enter_context(mounted(inbox))
        yield inbox, stack


@pytest.fixture
def watcher(share) -> Iterator[Watcher]:
    made = Watcher(share[0].parent)
    try:
        made.turn()
        made.finds("before.txt")
        yield made
    finally:
        made.intake.close()


def test_unmounted_folder_is_unavailable_and_not_empty(watcher):
    unmounted(watcher.inbox)
    watcher.until(watcher.intake.unavailable)
    (lost,) = watcher.told("source-unavailable")
    assert "nothing is mounted at" in lost["reason"]
    # What lies in the folder beneath the mount was never exported.
    (watcher.inbox / "beneath.part").write_bytes(b"not on the share")
    (watcher.inbox / "beneath.part").rename(watcher.inbox / "beneath.txt")
    for _ in range(40):
        watcher.turn()
    assert watcher.names() == ["before.txt"]


def test_any_remount_ends_the_fault_and_files_are_found_again(watcher, share):
    _, stack = share
    unmounted(watcher.inbox)
    watcher.until(watcher.intake.unavailable)
    stack.enter_context(mounted(watcher.inbox))  # another file system at the same place
    watcher.until(lambda: not watcher.intake.unavailable())
    watcher.finds("after.txt")
    assert len(watcher.told("source-available")) == 1


def test_file_system_exchanged_between_two_scans_is_no_loss(watcher, share):
    _, stack = share
    unmounted(watcher.inbox)
    stack.enter_context(mounted(watcher.inbox))
    watcher.until(lambda: watcher.told("watch-rebuilt"))
    watcher.finds("after.txt")
    assert watcher.told("source-unavailable") == []


def test_folder_within_a_mount_is_lost_with_it(tmp_path):
    outer = tmp_path / "inbox"
    (outer / "gauge").mkdir(parents=True)
    with mounted(outer):
        (outer / "gauge").mkdir()
        made = Watcher(outer, folder="gauge")
        try:
            made.turn()
            made.finds("before.txt")
            unmounted(outer)
            made.until(made.intake.unavailable)
            assert str(outer) in made.told("source-unavailable")[0]["reason"]
        finally:
            made.intake.close()


def test_bind_mount_of_the_same_file_system_is_seen_to_go(tmp_path):
    inbox, elsewhere = tmp_path / "inbox", tmp_path / "elsewhere"
    inbox.mkdir()
    elsewhere.mkdir()
    with mounted(inbox, bind=elsewhere):
        made = Watcher(tmp_path)
        try:
            made.turn()
            made.finds("before.txt")
            unmounted(inbox)
            made.until(made.intake.unavailable)
        finally:
            made.intake.close()


def test_folder_that_was_never_a_mount_point_needs_none(tmp_path):
    made = Watcher(tmp_path)
    try:
        made.turn()
        made.finds("before.txt")
        assert made.intake.unavailable() == ()
    finally:
        made.intake.close()


def test_mount_point_with_a_space_in_its_name_is_read_right(tmp_path):
    place = tmp_path / "with space"
    place.mkdir()
    with mounted(place):
        mount = mount_of(place)
        assert mount is not None
        assert (mount.point, mount.kind, mount.remote) == (str(place), "tmpfs", False)
    mount = mount_of(place)
    assert mount is not None
    assert mount.point != str(place)


def test_missing_marker_is_unavailable_until_it_is_there(tmp_path):
    made = Watcher(tmp_path, marker="share.marker")
    try:
        (made.inbox / "early.txt").write_bytes(b"in the empty place")
        made.until(made.intake.unavailable)
        assert "share.marker" in made.told("source-unavailable")[0]["reason"]
        (made.inbox / "share.marker").touch()
        made.until(lambda: not made.intake.unavailable())
        made.finds("after.txt")
        assert "share.marker" not in made.names()
        (made.inbox / "share.marker").unlink()
        made.until(made.intake.unavailable)
        assert len(made.told("source-unavailable")) == 2
    finally:
        made.intake.close()


@pytest.mark.needs_mosquitto
def test_unmounted_folder_shows_fault_and_its_mount_clears(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent({"intake.scan_s": 0.2})
    with ExitStack() as stack:
        stack.enter_context(mounted(agent.inbox))
        stack.callback(agent._clean_up)
        agent.start()
        (agent.inbox / "first.txt").write_text(circle_text("1"), encoding="utf-8")
        line.wait_topic("disposition")
        line.wait_lamp("0")
        unmounted(agent.inbox)
        line.wait_lamp("3")
        assert line.wait_topic("alarm")[0].json["alarm"] == "source-unavailable"
        stack.enter_context(mounted(agent.inbox))
        line.wait_lamp("0")
        (agent.inbox / "second.txt").write_text(circle_text("2", seed=2), encoding="utf-8")
        line.wait_topic("disposition", 2)
        wait_until(lambda: len(agent.records("disposition")) == 2)
        agent.terminate()


@pytest.mark.needs_mosquitto
def test_share_that_is_missing_after_a_restart_is_missed_until_it_is_there(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent({"intake.scan_s": 0.2})
    with ExitStack() as stack:
        stack.enter_context(mounted(agent.inbox))
        stack.callback(agent._clean_up)
        agent.start()
        (agent.inbox / "first.txt").write_text(circle_text("1"), encoding="utf-8")
        line.wait_topic("disposition")
        agent.terminate()
        unmounted(agent.inbox)
        agent.start()  # as after a power cut, when the share does not come back with the machine
        agent.wait_event("source-unavailable")
        line.wait_lamp("3")
        stack.enter_context(mounted(agent.inbox))
        agent.wait_event("source-available")
        line.wait_lamp("0")
        agent.terminate()


def test_known_mounts_outlive_a_restart_and_damage_is_taken_as_none(tmp_path):
    path = tmp_path / "state" / "mounts.json"
    known = KnownMounts(path)
    assert known.get("inbox") is None
    known.note("inbox", "/srv/share")
    known.note("inbox", "/srv/share")
    assert KnownMounts(path).get("inbox") == "/srv/share"
    path.write_bytes(path.read_bytes()[:-3])
    assert KnownMounts(path).get("inbox") is None


def test_wrong_marker_is_refused():
    text = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[intake]\nmarker = "up/there"\n'
    with pytest.raises(ConfigError, match="marker"):
        parse_settings(text.encode(), "agent.toml")
