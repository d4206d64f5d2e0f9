"""A key names the one after it, and nobody else can."""

from __future__ import annotations

import msgspec
import pytest

from edgeagent.codec.evidence.endorsements import endorse, endorsed_key, followed_keys, is_endorsed
from edgeagent.codec.evidence.notes import LOG, NoteError, SigningKey, sign_note


def key(seed: int, name: str = "log/1") -> SigningKey:
    return SigningKey(name, LOG, bytes(range(seed, seed + 32)))


FIRST, SECOND, THIRD = key(0), key(1), key(2)


def test_keys_are_followed_one_after_the_other_from_the_one_that_is_trusted():
    notes = [endorse(SECOND.verifier, FIRST), endorse(THIRD.verifier, SECOND)]
    assert endorsed_key(notes[0]) == SECOND.verifier
    assert followed_keys([FIRST.verifier], notes) == (FIRST.verifier, SECOND.verifier, THIRD.verifier)
    assert followed_keys([SECOND.verifier], notes) == (SECOND.verifier, THIRD.verifier)
    assert followed_keys([FIRST.verifier], notes[1:]) == (FIRST.verifier,)


@pytest.mark.parametrize(
    "note",
    [
        "",
        "no note",
        endorse(SECOND.verifier, SECOND),  # by itself
        endorse(SECOND.verifier, THIRD),  # by a key that nobody trusts
        endorse(key(1, "log/2").verifier, FIRST),  # of another log
        endorse(THIRD.verifier, FIRST).replace(THIRD.verifier.text, SECOND.verifier.text),
        sign_note(f"another text\n{SECOND.verifier.text}\n", FIRST).whole,
    ],
)
def test_what_the_trusted_key_did_not_sign_for_its_own_log_is_no_endorsement(note):
    assert not is_endorsed(note, SECOND.verifier, FIRST.verifier)
    assert SECOND.verifier not in followed_keys([FIRST.verifier], [note])


def test_checkpoint_is_no_endorsement():
    with pytest.raises(NoteError):
        endorsed_key(sign_note(f"log/1\n3\n{'A' * 43}=\n", FIRST).whole)
    assert msgspec.json.decode(msgspec.json.encode(endorse(SECOND.verifier, FIRST)))
