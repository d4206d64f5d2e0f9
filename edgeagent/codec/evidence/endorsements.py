"""A key that takes the place of another, and the note by which the former key says so.

The note's text names the new public key by its line; it is signed by the key before it. Whoever trusts the
former key follows to the new one, without asking the machine on which both were made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from edgeagent.codec.evidence.notes import (
    NoteError,
    SigningKey,
    VerifierKey,
    check_note,
    read_note,
    read_verifier_key,
    sign_note,
)

_FIRST = "edgeagent key endorsement"


def endorse(new: VerifierKey, former: SigningKey) -> str:
    """The note by which ``former`` names ``new`` as the key that signs in its place."""
    return sign_note(f"{_FIRST}\n{new.text}\n", former).whole


def endorsed_key(text: str) -> VerifierKey:
    """The key that an endorsement names; nothing is checked yet. Raises NoteError."""
    first, _, rest = read_note(text.encode()).text.partition("\n")
    if first != _FIRST:
        raise NoteError("no endorsement of a key")
    return read_verifier_key(rest)


def is_endorsed(text: str, new: VerifierKey, former: VerifierKey) -> bool:
    """Whether ``former`` signed this endorsement of ``new``, and both are keys of one log."""
    try:
        check_note(read_note(text.encode()), former)
        # The name is the log's origin: a key of another log may not be brought in by an endorsement.
        return endorsed_key(text) == new and new.name == former.name
    except NoteError:
        return False


def followed_keys(keys: Sequence[VerifierKey], endorsements: Iterable[str]) -> tuple[VerifierKey, ...]:
    """These keys and those that they name, one after the other, in the order of the endorsements."""
    found = list(keys)
    for text in endorsements:
        try:
            new = endorsed_key(text)
        except NoteError:
            continue
        # One pass is enough, since each key is endorsed by one before it.
        if new not in found and any(is_endorsed(text, new, key) for key in found):
            found.append(new)
    return tuple(found)
