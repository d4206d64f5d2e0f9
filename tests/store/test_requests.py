"""The folder of requests: whose it is, who asked, and what is no request at all."""

from __future__ import annotations

import json
import os
import stat
import threading
import time

import msgspec
import pytest

from edgeagent.judging.requests import (
    TEXT_MAX,
    AcknowledgeRequest,
    Asker,
    ReleaseRequest,
    RequestRefusedError,
)
from edgeagent.store.requests import MODE, RequestFolder, decode_request
from edgeagent.store.running.system_user import PATIENCE_S, UserNames

RELEASE = ReleaseRequest(part="P", serial="1", who="A. N.", why="seen")
ACKNOWLEDGE = AcknowledgeRequest(seq=7, who="A. N.", why="in the red bin")
NAMES = {0: "root", 1007: "asmith"}
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can make files of other users")


def folder_in(tmp_path, names=NAMES):
    made = RequestFolder(tmp_path / "store", lambda uid: names.get(uid, ""))
    assert made.own(None) is None
    return made


def mode_of(path):
    return stat.S_IMODE(path.stat().st_mode)


def refused(folder, path, now=None):
    with pytest.raises(RequestRefusedError) as caught:
        folder.read(path, time.time() if now is None else now)
    return caught.value


def test_folder_is_for_its_owner_and_one_group_whatever_the_umask(tmp_path):
    before = os.umask(0o077)
    try:
        made = folder_in(tmp_path)
    finally:
        os.umask(before)
    assert mode_of(made.folder) == MODE == 0o2770


def test_rights_that_somebody_widened_are_taken_away_at_the_next_start(tmp_path):
    made = folder_in(tmp_path)
    made.folder.chmod(0o777)
    assert made.own(None) is None
    assert mode_of(made.folder) == MODE


def test_folder_of_another_user_is_told(tmp_path, monkeypatch):
    made = folder_in(tmp_path, {os.getuid(): "somebody"})
    monkeypatch.setattr(os, "geteuid", lambda: 4711)
    assert "belongs to somebody and not to the agent's user" in made.own(None)


def test_sandbox_that_forbids_handing_the_group_on_still_takes_the_rights_of_others(tmp_path, monkeypatch):
    made = folder_in(tmp_path)
    made.folder.chmod(0o777)
    real = os.chmod

    def chmod(path, mode):
        if mode & stat.S_ISGID:
            raise PermissionError(1, "not in this sandbox")
        real(path, mode)

    monkeypatch.setattr(os, "chmod", chmod)
    assert made.own(None) is None
    assert mode_of(made.folder) & 0o777 == 0o770


def test_group_that_is_not_there_is_told(tmp_path):
    assert "there is no group no-such-group" in folder_in(tmp_path).own("no-such-group")


def test_link_in_the_folder_s_place_is_told(tmp_path):
    (tmp_path / "store").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "store" / "requests").symlink_to(tmp_path / "elsewhere")
    assert "is no folder" in RequestFolder(tmp_path / "store").own(None)


@as_root
def test_folder_goes_to_the_group_that_is_named_and_so_does_what_is_made_in_it(tmp_path):
    made = RequestFolder(tmp_path / "store")
    assert made.own("daemon") is None
    path = made.put(RELEASE)
    assert path.stat().st_gid == made.folder.stat().st_gid != os.getgid()
    assert mode_of(path) == 0o640, "the service reads it by its group"


@pytest.mark.parametrize("request_", [RELEASE, ACKNOWLEDGE])
def test_request_comes_back_with_who_asked(tmp_path, request_):
    made = folder_in(tmp_path, {os.getuid(): "me"})
    path = made.put(request_)
    assert made.waiting() == [path]
    handed = made.read(path, time.time())
    assert (handed.request, handed.asker) == (request_, Asker(os.getuid(), "me"))


@as_root
def test_user_is_the_file_s_owner_whatever_the_request_says(tmp_path):
    made = folder_in(tmp_path)
    path = made.put(RELEASE)
    os.chown(path, 1007, -1)
    assert made.read(path, time.time()).asker == Asker(1007, "asmith")
    os.chown(path, 60321, -1)
    assert made.read(path, time.time()).asker == Asker(60321, "")


def test_link_shows_another_owner_than_who_made_it_and_is_refused(tmp_path):
    made = folder_in(tmp_path)
    there = tmp_path / "there"
    there.write_bytes(msgspec.json.encode(RELEASE))
    soft, hard = made.folder / "soft.request", made.folder / "hard.request"
    soft.symlink_to(there)
    os.link(there, hard)
    assert refused(made, soft).reason.code == "not-a-request"
    assert refused(made, hard).reason.code == "not-a-request"
    there.unlink()
    assert made.read(hard, time.time()).request == RELEASE, "a file of its own again"


def test_pipe_and_folder_are_refused_at_once(tmp_path):
    made = folder_in(tmp_path)
    os.mkfifo(made.folder / "pipe.request")
    (made.folder / "place.request").mkdir()
    for path in made.waiting():
        assert refused(made, path).reason.code == "not-a-request"


def test_request_from_a_folder_where_everybody_may_write_is_refused(tmp_path):
    made = folder_in(tmp_path)
    path = made.put(RELEASE)
    made.folder.chmod(0o777)
    error = refused(made, path)
    assert (error.reason.code, error.handed) == ("requests-unguarded", None)
    made.folder.chmod(MODE)
    assert made.read(path, time.time()).request == RELEASE


@pytest.mark.parametrize(
    ("request_", "words"), [(RELEASE, "P 1: the request is "), (ACKNOWLEDGE, "record 7: the request is ")]
)
def test_old_request_is_refused_and_says_what_it_was(tmp_path, request_, words):
    made = folder_in(tmp_path)
    error = refused(made, made.put(request_), time.time() + 600)
    assert str(error).startswith(words)
    assert error.handed is not None
    assert error.handed.request == request_


@pytest.mark.parametrize(
    ("request_", "words"), [(RELEASE, "P 1: the request is "), (ACKNOWLEDGE, "record 7: the request is ")]
)
def test_request_dated_ahead_of_the_clock_is_refused_and_one_by_less_than_a_minute_taken(
    tmp_path, request_, words
):
    made = folder_in(tmp_path)
    path = made.put(request_)
    os.utime(path, (2000.0, 2000.0))
    error = refused(made, path, 1939.0)
    assert str(error) == f"{words}dated 61 s ahead of the clock: ask again"
    assert error.reason.code == "request-ahead"
    assert error.handed is not None
    assert error.handed.request == request_
    assert made.read(path, 1941.0).request == request_


def test_request_without_a_kind_is_one_for_release_and_an_unknown_kind_is_none():
    plain = {"part": "P", "serial": "1", "who": "A. N.", "why": "seen"}
    assert decode_request(json.dumps(plain).encode()) == RELEASE
    for odd in ({**plain, "what": "delete"}, {**plain, "what": "acknowledge"}, {**plain, "what": 1}):
        with pytest.raises(msgspec.DecodeError):
            decode_request(json.dumps(odd).encode())


@pytest.mark.parametrize("seq", [0, -1, 10**15, 1.5, True, "7", None])
def test_record_to_acknowledge_is_a_number_from_one(seq):
    with pytest.raises(msgspec.DecodeError):
        decode_request(json.dumps({"what": "acknowledge", "seq": seq, "who": "w", "why": "y"}).encode())


def test_what_killed_commands_left_is_swept_when_it_is_old(tmp_path):
    made = folder_in(tmp_path)
    for name in (".half", "a.answer", "b.request"):
        (made.folder / name).write_bytes(b"x")
        os.utime(made.folder / name, (1, 1))
    (made.folder / "new.answer").write_bytes(b"x")
    (made.folder / "ahead.answer").write_bytes(b"x")
    os.utime(made.folder / "ahead.answer", (time.time() + 1e6, time.time() + 1e6))
    made.own(None)
    assert sorted(p.name for p in made.folder.iterdir()) == ["b.request", "new.answer"]


def test_name_of_a_user_is_looked_up_once():
    asked = []
    names = UserNames(lambda uid: asked.append(uid) or NAMES[uid])
    assert [names(1007), names(1007), names(5), names(0)] == ["asmith", "asmith", "", "root"]
    assert asked == [1007, 5, 0]


def test_directory_server_that_does_not_answer_keeps_nobody_waiting_twice():
    answers = threading.Event()
    names = UserNames(lambda uid: answers.wait() and NAMES[uid])
    began = time.monotonic()
    assert [names(1007) for _ in range(20)] == [""] * 20
    assert time.monotonic() - began < 10 * PATIENCE_S, "not once a request"
    answers.set()
    names._asking.join()
    assert names(1007) == "asmith"


@pytest.mark.parametrize("kind", ["release", "acknowledge"])
def test_text_of_200_characters_is_taken_and_a_longer_or_an_empty_one_or_an_unknown_key_is_none(kind):
    good = {"release": {"part": "P", "serial": "1"}, "acknowledge": {"seq": 7}}[kind]
    good = {"what": kind, "who": "A. N.", "why": "w" * 200, **good}
    assert decode_request(json.dumps(good).encode()).why == "w" * TEXT_MAX
    for wrong in ({"why": "w" * 201}, {"why": ""}, {"note": "x"}):
        with pytest.raises(msgspec.DecodeError):
            decode_request(json.dumps({**good, **wrong}).encode())
