"""The archive: content by its digest, durable, checked whenever it is read. Digests are hashlib's SHA-256."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from types import SimpleNamespace

import pytest
import zstandard

from edgeagent.codec.records.digest import digest_of
from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.store.archive import Archive


def test_digest_is_the_published_one_of_abc():
    # FIPS 180-4 example: SHA-256("abc"), as published with the standard's examples (NIST CSRC).
    assert digest_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_content_comes_back_under_its_digest_and_cannot_be_written_over(tmp_path):
    archive = Archive(tmp_path / "archive")
    data = bytes(range(256)) * 100
    digest = archive.put(data)
    assert digest == hashlib.sha256(data).hexdigest()
    assert archive.get(digest) == data
    path = tmp_path / "archive" / digest[:2] / f"{digest}.zst"
    assert stat.S_IMODE(path.stat().st_mode) == 0o444
    assert [p for p in (tmp_path / "archive").rglob("*") if p.is_file()] == [path]
    assert path.stat().st_size < len(data) / 10
    assert list(archive.objects()) == [(digest, path)]


def test_object_is_read_by_another_program_of_the_standard(tmp_path):
    archive = Archive(tmp_path)
    data = b"angle_deg,deviation_um\n" * 999
    path = archive.path_of(archive.put(data))
    # libzstd through its own streaming interface, as the command zstd -d reads it
    reader = zstandard.ZstdDecompressor().stream_reader(path.open("rb"))
    with reader:
        assert reader.read() == data


def test_object_of_an_older_version_is_read_where_it_lies_and_not_stored_again(tmp_path):
    digest = digest_of(b"an old trace")
    (tmp_path / digest).write_bytes(b"an old trace")
    archive = Archive(tmp_path)
    assert archive.get(digest) == b"an old trace"
    assert archive.put(b"an old trace") == digest
    assert [d for d, _ in archive.objects()] == [digest]
    assert not archive.path_of(digest).exists()


def test_object_that_says_it_holds_more_than_any_is_not_unpacked(tmp_path):
    archive = Archive(tmp_path)
    digest = digest_of(b"x")
    path = archive.path_of(digest)
    path.parent.mkdir()
    huge = bytearray(zstandard.ZstdCompressor().compress(b"x" * 70_000))
    huge[5:9] = (2**32 - 1).to_bytes(4, "little")
    path.write_bytes(huge)
    with pytest.raises(JournalCorruptError, match="it was changed"):
        archive.get(digest)
    path.write_bytes(zstandard.ZstdCompressor(write_content_size=False).compress(b"x"))
    with pytest.raises(JournalCorruptError, match="does not say how long"):
        archive.get(digest)


def test_what_was_taken_out_of_the_folder_is_fetched_from_elsewhere_and_checked_all_the_same(tmp_path):
    kept = {digest_of(b"cold"): b"cold", digest_of(b"bent"): b"Bent"}
    elsewhere = SimpleNamespace(get=kept.get, knows=kept.__contains__)
    archive = Archive(tmp_path, elsewhere)
    assert archive.get(digest_of(b"cold")) == b"cold"
    with pytest.raises(JournalCorruptError, match="does not fit its name"):
        archive.get(digest_of(b"bent"))
    with pytest.raises(JournalCorruptError, match="cannot be read"):
        archive.get(digest_of(b"nowhere"))


def test_same_content_is_stored_once(tmp_path):
    archive = Archive(tmp_path)
    first = archive.put(b"trace")
    inode = archive.path_of(first).stat().st_ino
    assert archive.put_all((b"trace", b"result", b"trace"))[0] == first
    assert archive.path_of(first).stat().st_ino == inode
    assert len(list(archive.objects())) == 2


def test_content_of_the_wrong_size_is_replaced_by_the_right_one(tmp_path):
    archive = Archive(tmp_path)
    digest = digest_of(b"trace")
    (tmp_path / digest).write_bytes(b"tra")
    archive.put(b"trace")
    assert archive.get(digest) == b"trace"


@pytest.mark.parametrize("damage", ["flipped", "cut", "removed"])
def test_damaged_content_is_named(tmp_path, damage):
    archive = Archive(tmp_path)
    digest = archive.put(b"a trace of some length")
    path = archive.path_of(digest)
    path.chmod(0o644)
    if damage == "removed":
        path.unlink()
    else:
        data = bytearray(path.read_bytes())
        if damage == "flipped":
            data[5] ^= 1
        path.write_bytes(data if damage == "flipped" else data[:-1])
    with pytest.raises(JournalCorruptError, match=digest):
        archive.get(digest)


@pytest.mark.parametrize("name", ["../journal/lock", "", "A" * 64, "0" * 63])
def test_only_digests_are_looked_up(tmp_path, name):
    with pytest.raises(JournalCorruptError, match="not a digest"):
        Archive(tmp_path).get(name)


@pytest.mark.parametrize("call", ["write", "fsync", "rename"])
def test_disk_that_refuses_leaves_no_content_under_a_digest_that_is_not_whole(tmp_path, monkeypatch, call):
    archive = Archive(tmp_path)
    archive.put(b"earlier")

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(os, call, refuse)
        with pytest.raises(JournalWriteError, match="No space left"):
            archive.put(b"new content")
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [archive.path_of(digest_of(b"earlier"))]


def test_names_made_by_a_killed_predecessor_are_synced_before_they_are_relied_on(tmp_path, monkeypatch):
    (tmp_path / digest_of(b"left behind")).write_bytes(b"left behind")
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(os.fstat(fd).st_ino), real(fd))[1])
    archive = Archive(tmp_path)
    archive.put(b"left behind")
    assert tmp_path.stat().st_ino in synced
    synced.clear()
    archive.put(b"left behind")
    assert synced == []


def test_each_folder_of_a_killed_predecessor_is_synced_not_that_of_the_first_content_alone(
    tmp_path, monkeypatch
):
    before = Archive(tmp_path)
    contents = [b"recipe", b"trace"]
    folders = [before.path_of(before.put(data)).parent for data in contents]
    assert folders[0] != folders[1]
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(os.fstat(fd).st_ino), real(fd))[1])
    archive = Archive(tmp_path)
    for data, folder in zip(contents, folders, strict=True):
        archive.put(data)
        assert synced == [folder.stat().st_ino]
        synced.clear()


def test_name_whose_sync_failed_is_synced_again_by_whoever_finds_it(tmp_path, monkeypatch):
    archive = Archive(tmp_path)
    folder = archive.path_of(archive.put(b"earlier")).parent
    fresh = next(data for n in range(10_000) if digest_of(data := b"%d" % n)[:2] == folder.name)
    inode, real = folder.stat().st_ino, os.fsync

    def refuse(fd: int) -> None:
        if os.fstat(fd).st_ino == inode:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(fd)

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", refuse)
        with pytest.raises(JournalWriteError):
            archive.put(fresh)
    synced = []
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(os.fstat(fd).st_ino), real(fd))[1])
    archive.put(fresh)
    assert synced == [inode]
