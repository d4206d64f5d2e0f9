"""Key files: one line each. A private key is made once, readable by its owner alone."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from edgeagent.codec.evidence.endorsements import endorse, endorsed_key
from edgeagent.codec.evidence.identities import KnownAs, origin_of
from edgeagent.codec.evidence.notes import (
    LOG,
    NoteError,
    SigningKey,
    VerifierKey,
    read_signing_key,
    read_verifier_key,
)
from edgeagent.codec.records.record import RecordError, decode_record
from edgeagent.errors import EvidenceError, JournalCorruptError
from edgeagent.model.records import Start
from edgeagent.store.files import make_folder, read_at_most, write_synced
from edgeagent.store.journal import JournalReader

# A key is one line of some hundred bytes; a device or a log under its name must not fill the memory.
_BYTES_MAX = 4096
PUBLIC = ".pub"
"""A private key's file with this behind it holds its public half."""
ENDORSEMENT = ".endorsement"
"""With this behind it, the note by which the key before it names it."""


def load_verifier_key(path: Path, key_type: int) -> VerifierKey:
    """A public key. Raises EvidenceError."""
    try:
        key = read_verifier_key(_text(path))
    except NoteError as error:
        raise EvidenceError(f"{path}: no public key: {error}") from error
    if key.type != key_type:
        raise EvidenceError(f"{path}: a key of another type")
    return key


def load_or_make_key(path: Path, name: str, key_type: int) -> SigningKey:
    """The private key of a file; where there is none, a new one (mode 0600) with its public half beside it.

    Raises EvidenceError for a file that cannot be read or written, is no key, or that others may read.
    """
    if not path.exists():
        key = SigningKey(name, key_type, os.urandom(32))
        try:
            make_folder(path.parent)
            # The public half first: a power cut in between leaves no private key, and the next call makes both
            # anew.
            write_synced(path.with_name(path.name + PUBLIC), f"{key.verifier.text}\n".encode())
            write_synced(path, f"{key.text}\n".encode(), mode=0o600)
        except (OSError, NoteError) as error:
            raise EvidenceError(f"{path}: no key could be made: {error}") from error
        return key
    try:
        mode = path.stat().st_mode & 0o777
        key = read_signing_key(_text(path))
    except (OSError, NoteError) as error:
        raise EvidenceError(f"{path}: no private key: {error}") from error
    # Whoever read it once can sign as this log for ever: said before it is used, not after.
    if mode & 0o077:
        raise EvidenceError(f"{path} has mode {mode:04o}, so others can read it: chmod 600")
    if key.type != key_type:
        raise EvidenceError(f"{path}: a private key of another type")
    return key


def rotate_key(path: Path, journal: Path) -> tuple[VerifierKey, VerifierKey]:
    """Make a new key in the place of that in ``path``, named by an endorsement beside it; the old one is gone.

    Returns the old and the new public key. What was interrupted is finished by another call. Raises
    EvidenceError, also where the last start of the journal does not name the key yet: the one that it names
    could not endorse another one any more.
    """
    if not path.exists():
        raise EvidenceError(f"{path}: there is no key to exchange: the first start makes one")
    former = load_or_make_key(path, "", LOG)
    public, fresh = path.with_name(path.name + PUBLIC), path.with_name(path.name + ".new")
    new = SigningKey(former.name, LOG, os.urandom(32))
    try:
        # The public half is written last: where it differs, the exchange before was cut off just there.
        if public.exists() and load_verifier_key(public, LOG) != former.verifier:
            write_synced(public, f"{former.verifier.text}\n".encode())  # the last call ended before this
            raise EvidenceError(f"{path}: an earlier exchange is finished now; call again for another one")
        # A second exchange would overwrite the note by which the first one is believed, before any record holds
        # it.
        if path.with_name(path.name + ENDORSEMENT).exists() and not _is_on_record(former.verifier, journal):
            raise EvidenceError(f"{path}: exchanged already; the next start puts that on record")
        # Durable beside the old one, so that no power cut leaves the station without a key.
        write_synced(fresh, f"{new.text}\n".encode(), mode=0o600)
        # While the old key still exists: nothing else can sign this note.
        write_synced(path.with_name(path.name + ENDORSEMENT), endorse(new.verifier, former).encode())
        fresh.replace(path)
        write_synced(public, f"{new.verifier.text}\n".encode())
    except OSError as error:
        raise EvidenceError(f"{path}: no key could be exchanged: {error.strerror}") from error
    return former.verifier, new.verifier


def _is_on_record(key: VerifierKey, journal: Path) -> bool:
    """Whether the last start of a journal names this key. Raises EvidenceError."""
    mark = f'"kind":"{Start.KIND}"'.encode()
    try:
        for segment in reversed(JournalReader(journal).segments()):
            # The kind stands behind number and time, within 60 bytes: a body that quotes this text is none.
            starts = [line for line in segment.read_bytes().splitlines() if mark in line[:200]]
            if starts:
                body = decode_record(starts[-1]).body
                return isinstance(body, Start) and body.key == key.text
    except (OSError, RecordError, JournalCorruptError) as error:
        raise EvidenceError(f"{journal}: cannot be read: {error}") from error
    return False


def endorsement_of(path: Path, key: str, known: KnownAs) -> str:
    """The endorsement beside a key's file for the start's record; empty where the key is no new one.

    One of another key, or that cannot be read, counts as none: the record then has no endorsement, which
    verification reports.
    """
    former = known.identities[-1].key if known.identities else ""
    # Also for a journal's first key, which has none before it.
    if former in ("", key):
        return ""
    try:
        text = read_at_most(path.with_name(path.name + ENDORSEMENT), _BYTES_MAX).decode("utf-8")
        return text if endorsed_key(text).text == key else ""
    except (OSError, UnicodeDecodeError, NoteError):
        return ""


def key_of_store(path: Path, known: KnownAs, names: Sequence[str]) -> str:
    """The public key (its line) that signs this journal's checkpoints from now on, made where there is none.

    A key that was exchanged keeps its name, as the log goes on; under a new identity of the journal the key is
    a new one, and the old one is set aside. Raises EvidenceError.
    """
    # A name of an identity that ended must not come back: checkpoints of two histories would bear the same one.
    former = {origin for identity in known.identities[:-1] for origin in identity.origins}
    public = path.with_name(path.name + PUBLIC)
    if path.exists() and public.exists():
        key = load_verifier_key(public, LOG)
        if key.name not in former:
            return key.text
        try:
            for each in (path, public):
                # Set aside, not removed: it is the only proof of which key signed until then.
                each.rename(each.with_name(f"{each.name}-{key.id.hex()}"))
        except OSError as error:
            raise EvidenceError(f"{path}: the former key cannot be set aside: {error.strerror}") from error
    origins = known.identities[-1].origins if known.identities else ()
    # A log that exchanges its key keeps its name; digits drawn by chance keep two stations of one name apart.
    name = origins[-1] if origins else origin_of(names, os.urandom(8).hex())
    key = load_or_make_key(path, name, LOG).verifier
    # Lost or never copied: the start record needs it, and so does every auditor.
    if not public.exists():
        try:
            write_synced(public, f"{key.text}\n".encode())
        except OSError as error:
            raise EvidenceError(f"{public}: cannot be written: {error.strerror}") from error
    return key.text


def _text(path: Path) -> str:
    try:
        return read_at_most(path, _BYTES_MAX).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        words = error.strerror if isinstance(error, OSError) else "not UTF-8"
        raise EvidenceError(f"{path}: cannot be read: {words}") from error
