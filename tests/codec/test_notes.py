"""Signed notes against the values of their specification's first implementation, and notes that somebody bent.

Values of PeterNeumann and EnochRoot: golang.org/x/mod, sumdb/note/note_test.go (seen).
"""

from __future__ import annotations

import pytest

from edgeagent.codec.evidence.notes import (
    LOG,
    NoteError,
    SigningKey,
    check_note,
    read_note,
    read_signing_key,
    read_verifier_key,
    sign_note,
    with_signatures,
)

PETER = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
PETERS = "PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
ENOCH = "EnochRoot+af0cfe78+ATtqJ7zOtqQtYqOo0CpvDXNlMhV3HeJDpjrASKGLWdop"
TEXT = "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n"
BY_PETER = "— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"  # noqa: E501
BY_ENOCH = (
    "— EnochRoot rwz+eBzmZa0SO3NbfRGzPCpDckykFXSdeX+MNtCOXm2/5n2tiOHp+vAF1aGrQ5ovTG01oOTGwnWLox33WWd1RvMc+QQ=\n"
)


def opened(whole: str, *keys: str) -> None:
    note = read_note(whole.encode())
    for key in keys:
        check_note(note, read_verifier_key(key))


def test_published_key_signs_the_published_note_byte_for_byte():
    key = read_signing_key(PETERS)
    assert key.verifier.text == PETER
    assert key.text == PETERS
    assert sign_note(TEXT, key).whole == f"{TEXT}\n{BY_PETER}"


def test_published_notes_open_with_each_and_with_both_keys():
    opened(f"{TEXT}\n{BY_PETER}", PETER)
    opened(f"{TEXT}\n{BY_PETER}{BY_ENOCH}", PETER)
    opened(f"{TEXT}\n{BY_PETER}{BY_ENOCH}", PETER, ENOCH)


@pytest.mark.parametrize(
    "whole",
    [
        TEXT,
        TEXT + "\n",
        f"{TEXT}\n{BY_PETER}"[:-1],
        f"\x01{TEXT}\n{BY_PETER}",
        f"{TEXT}\n— Bad Name x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=",  # noqa: E501
        f"{TEXT}\n{BY_PETER}Unexpected line.\n",
        f"{TEXT}\n" + BY_PETER * 101,
        f"{TEXT}\n{BY_PETER[:60]}ABCD{BY_PETER[60:]}",
        f"{TEXT}\n{BY_ENOCH}",
        f"{TEXT.replace('cryptography', 'Cryptography')}\n{BY_PETER}",
        "x" * 70_000,
    ],
)  # fmt: skip
def test_published_and_further_bad_notes_do_not_open(whole):
    with pytest.raises(NoteError):
        opened(whole, PETER)


def test_note_that_is_not_utf_8_does_not_open():
    with pytest.raises(NoteError, match="UTF-8"):
        read_note(b"\xff" + f"{TEXT}\n{BY_PETER}".encode())


def test_no_part_of_a_key_and_no_changed_byte_is_taken_for_it():
    for good, read in ((PETER, read_verifier_key), (PETERS, read_signing_key)):
        read(good)
        for i in range(len(good)):
            for bent in (good[:i], good[i + 1 :], good[:i] + chr(ord(good[i]) + 1) + good[i + 1 :]):
                with pytest.raises(NoteError):
                    read(bent)


@pytest.mark.parametrize(
    "key",
    [
        "PeterNeumann+cc469956+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TWBADKEY==",
        "PeterNeumann+173116ae+ZRpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
    ],
)
def test_published_bad_keys_are_refused(key):
    with pytest.raises(NoteError):
        read_verifier_key(key)


@pytest.mark.parametrize("text", ["no line feed at its end", "a\ttab\n", ""])
def test_text_that_no_note_may_have_is_not_signed(text):
    with pytest.raises(NoteError):
        sign_note(text, SigningKey("a", LOG, b"7" * 32))


def test_second_signature_of_a_key_takes_the_place_of_the_first():
    note = read_note(f"{TEXT}\n{BY_PETER}".encode())
    more = read_note(f"{TEXT}\n{BY_PETER}{BY_ENOCH}".encode())
    assert with_signatures(note, more.signatures).whole == more.whole


def test_text_with_blank_lines_is_cut_at_the_last_one():
    key = SigningKey("a", LOG, b"7" * 32)
    note = sign_note("one\n\ntwo\n", key)
    assert read_note(note.whole.encode()) == note
    check_note(note, key.verifier)
