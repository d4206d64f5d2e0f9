"""A witness cosigns a log that only grows, and nothing else, whatever the log hands it."""

from __future__ import annotations

import hashlib

import msgspec
import pytest

from edgeagent.codec.evidence.checkpoints import TreeHead, cosigned_at, sign_checkpoint
from edgeagent.codec.evidence.endorsements import endorse
from edgeagent.codec.evidence.merkle import Tree
from edgeagent.codec.evidence.notes import LOG, WITNESS, NoteError, SigningKey
from edgeagent.codec.evidence.witnessing import (
    Refusal,
    WitnessDocument,
    WitnessRefusedError,
    consider,
    cosign_accepted,
    document_of,
    head_to_remember,
    read_document,
)
from edgeagent.codec.records.result import encode

KEY = SigningKey("edgeagent/gauge", LOG, bytes(range(32)))
WITNESS_KEY = SigningKey("witness/office", WITNESS, bytes(range(1, 33)))


def tree_of(count: int, salt: str = "") -> Tree:
    leaves = [hashlib.sha256(f"{salt if i >= 5 else ''}{i}".encode()).digest() for i in range(count)]
    tree = Tree(lambda begin, end: b"".join(leaves[begin:end]))
    for leaf in leaves:
        tree.append(leaf)
    return tree


def document(count: int, *, since: int = 0, salt: str = "", key: SigningKey = KEY) -> WitnessDocument:
    tree = tree_of(count, salt)
    note = sign_checkpoint(TreeHead(key.name, count, tree.root()), key)
    return document_of(note, {since: tree.consistency_path(since, count)} if since else {})


def known_after(count: int) -> dict:
    accepted = consider(document(count), [KEY.verifier], {})
    return {KEY.name: head_to_remember(accepted.head, cosign_accepted(accepted, WITNESS_KEY, 5))}


def refused(found: WitnessDocument, count: int) -> Refusal:
    with pytest.raises(WitnessRefusedError) as caught:
        consider(found, [KEY.verifier], known_after(count))
    return caught.value.refusal


def test_first_checkpoint_is_taken_and_a_larger_one_with_its_path_follows():
    accepted = consider(document(9, since=6), [KEY.verifier], known_after(6))
    assert accepted.grown
    assert cosigned_at(cosign_accepted(accepted, WITNESS_KEY, 77), WITNESS_KEY.verifier) == 77


def test_same_checkpoint_again_is_nothing_new():
    assert consider(document(6), [KEY.verifier], known_after(6)).grown is False


def test_larger_checkpoint_waits_for_the_path_from_where_the_witness_stands():
    assert refused(document(9), 6) == Refusal.NO_PATH
    assert refused(document(9, since=4), 6) == Refusal.NO_PATH


def test_another_history_of_the_same_or_of_more_records_is_a_fork():
    assert refused(document(6, salt="x"), 6) == Refusal.FORK
    assert refused(document(9, since=6, salt="x"), 6) == Refusal.FORK
    other = document(9, since=6)
    bent = WitnessDocument(document(9, salt="x").checkpoint, other.consistency)
    assert refused(bent, 6) == Refusal.FORK


def test_fewer_records_than_before_are_refused():
    assert refused(document(5), 6) == Refusal.BEHIND


def test_unknown_key_wrong_signature_and_other_origin_are_not_cosigned():
    other = SigningKey(KEY.name, LOG, bytes(32))
    assert refused(document(9, since=6, key=other), 6) == Refusal.NOT_OURS
    good = document(9, since=6)
    bent = WitnessDocument(good.checkpoint.replace("\n9\n", "\n8\n"), good.consistency)
    assert refused(bent, 6) == Refusal.NOT_OURS
    assert refused(WitnessDocument("no note"), 6) == Refusal.NOT_OURS
    # A log that was given to the witness must not speak for another one
    named = sign_checkpoint(TreeHead("edgeagent/other", 3, bytes(32)), KEY)
    assert refused(document_of(named, {}), 6) == Refusal.NOT_OURS


@pytest.mark.parametrize("path", [("AAAA",), ("no base64!",), (), ("A" * 44,) * 70])
def test_malformed_path_is_a_fork_until_a_right_one_comes(path):
    good = document(9, since=6)
    bent = WitnessDocument(good.checkpoint, (type(good.consistency[0])(6, path),))
    assert refused(bent, 6) == Refusal.FORK


def test_document_reads_back_and_what_is_none_is_refused():
    good = document(9, since=6)
    assert read_document(encode(good)) == good
    for data in (b"", b"\xff", b"[" * 9999, b"{}", b'{"checkpoint":5}', b" " * 300_000):
        with pytest.raises(NoteError):
            read_document(data)


def test_witness_follows_from_its_log_s_key_to_one_that_it_endorsed():
    new = SigningKey(KEY.name, LOG, bytes(range(3, 35)))
    first = consider(document(3), [KEY.verifier], {})
    known = {KEY.name: head_to_remember(first.head, first.note)}
    exchanged = document(5, since=3, key=new)
    with pytest.raises(WitnessRefusedError, match="not signed by a key"):
        consider(exchanged, [KEY.verifier], known)
    endorsed = msgspec.structs.replace(exchanged, endorsements=(endorse(new.verifier, KEY),))
    assert consider(read_document(encode(endorsed)), [KEY.verifier], known).head.size == 5
