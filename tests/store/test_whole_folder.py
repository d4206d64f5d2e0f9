"""A new folder is whole, or nothing of it is there."""

from __future__ import annotations

import os

import pytest

from edgeagent.errors import AgentError, UsageError
from edgeagent.store.export.whole_folder import new_whole_folder


def test_folder_has_its_name_only_when_all_of_it_is_written(tmp_path):
    out = tmp_path / "deep" / "out"
    with new_whole_folder(out) as folder:
        (folder / "a").write_text("a")
        assert not out.exists()
    assert [path.name for path in out.parent.iterdir()] == ["out"]
    assert (out / "a").read_text() == "a"
    with pytest.raises(UsageError, match="exists already"), new_whole_folder(out):
        pass
    assert (out / "a").read_text() == "a"


def test_all_of_it_is_synced_before_it_has_its_name(tmp_path, monkeypatch):
    synced, real = [], os.fsync

    def note(fd: int) -> None:
        synced.append((os.fstat(fd).st_ino, (tmp_path / "out").exists()))
        real(fd)

    with new_whole_folder(tmp_path / "out") as folder:
        (folder / "site=a").mkdir()
        (folder / "site=a" / "part-00000.parquet").write_bytes(b"rows")
        monkeypatch.setattr(os, "fsync", note)
    out = tmp_path / "out"
    wanted = [out / "site=a" / "part-00000.parquet", out / "site=a", out, tmp_path]
    assert synced == [(path.stat().st_ino, path == tmp_path) for path in wanted]


@pytest.mark.parametrize(
    ("mistake", "raised"), [(OSError(28, "No space left on device"), AgentError), (KeyError("x"), KeyError)]
)
def test_nothing_is_left_after_an_error(tmp_path, mistake, raised):
    def write() -> None:
        with new_whole_folder(tmp_path / "out") as folder:
            (folder / "a").write_text("a")
            raise mistake

    with pytest.raises(raised) as told:
        write()
    assert list(tmp_path.iterdir()) == []
    if raised is AgentError:
        assert str(told.value).endswith("cannot be written: No space left on device; nothing was written")


def test_folder_whose_name_the_disk_does_not_keep_is_not_left_behind(tmp_path, monkeypatch):
    real = os.fsync

    def refuse(fd: int) -> None:
        if os.fstat(fd).st_ino == tmp_path.stat().st_ino:
            raise OSError(5, "Input/output error")
        real(fd)

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(AgentError, match="nothing was written"), new_whole_folder(tmp_path / "out") as folder:
        (folder / "a").write_text("a")
    assert list(tmp_path.iterdir()) == []


def test_place_where_no_folder_can_be_made_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(AgentError, match="cannot be written: Not a directory; nothing was written"),
        new_whole_folder(tmp_path / "file" / "out"),
    ):
        pass
