"""Key files: made once, for their owner's eyes, and refused where they are not."""

from __future__ import annotations

import pytest

from edgeagent.codec.evidence.notes import LOG, WITNESS
from edgeagent.errors import EvidenceError
from edgeagent.store.evidence.keys import load_or_make_key, load_verifier_key


def test_key_is_made_once_with_its_public_half_beside_it(tmp_path):
    path = tmp_path / "keys" / "log.key"
    key = load_or_make_key(path, "log/1", LOG)
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_or_make_key(path, "another name", LOG) == key
    assert load_verifier_key(path.with_name("log.key.pub"), LOG) == key.verifier
    assert load_or_make_key(tmp_path / "other.key", "log/1", LOG).seed != key.seed


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_private_key_that_others_may_read_is_refused(tmp_path, mode):
    load_or_make_key(tmp_path / "key", "log", LOG)
    (tmp_path / "key").chmod(mode)
    with pytest.raises(EvidenceError, match=r"others can read it: chmod 600"):
        load_or_make_key(tmp_path / "key", "log", LOG)


@pytest.mark.parametrize("content", [b"", b"\xff", b"PRIVATE+KEY+a+00000000+AAAA", b"x" * 10_000])
def test_file_that_is_no_key_is_refused(tmp_path, content):
    (tmp_path / "key").write_bytes(content)
    (tmp_path / "key").chmod(0o600)
    with pytest.raises(EvidenceError):
        load_or_make_key(tmp_path / "key", "log", LOG)
    with pytest.raises(EvidenceError):
        load_verifier_key(tmp_path / "key", LOG)


def test_key_of_another_type_is_refused(tmp_path):
    load_or_make_key(tmp_path / "key", "w", WITNESS)
    with pytest.raises(EvidenceError, match="another type"):
        load_or_make_key(tmp_path / "key", "w", LOG)
    with pytest.raises(EvidenceError, match="another type"):
        load_verifier_key(tmp_path / "key.pub", LOG)


def test_folder_that_cannot_be_written_is_an_error_in_words(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(EvidenceError, match="no key could be made"):
        load_or_make_key(tmp_path / "file" / "key", "log", LOG)
