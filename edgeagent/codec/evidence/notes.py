"""Signed notes as C2SP signed-note defines them, with Ed25519 keys (RFC 8032).

A note is a text, a blank line and one or more lines of signature: an em dash, the key's name, and base64 of the
key's id and the signature. Two types of key are known: of logs (1) and of witnesses, whose signature carries a
time (4, C2SP tlog-cosignature).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

LOG, WITNESS = 1, 4
"""Types of keys: what signs checkpoints, and what cosigns them."""
NOTE_BYTES_MAX = 64_000
_SIGNATURES_MAX = 100
_DASH = "\u2014 "
_PRIVATE = "PRIVATE+KEY+"


class NoteError(ValueError):
    """Not a signed note or a key, or a signature that is wrong; the text says which."""


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """A public key (32 bytes) with the name that stands in signatures. ``type`` is LOG or WITNESS."""

    name: str
    type: int
    public: bytes

    @property
    def id(self) -> bytes:
        """The first four bytes of the SHA-256 of name, line feed, type and public key."""
        return hashlib.sha256(self.name.encode() + b"\n" + bytes([self.type]) + self.public).digest()[:4]

    @property
    def text(self) -> str:
        """The key as one line: name, id in hex and base64 of type and public key, with plus signs between."""
        coded = base64.b64encode(bytes([self.type]) + self.public).decode()
        return f"{self.name}+{self.id.hex()}+{coded}"


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key: the 32 bytes of its seed, with name and type. Its text is a secret."""

    name: str
    type: int
    seed: bytes

    @property
    def verifier(self) -> VerifierKey:
        """The public half."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        public = Ed25519PrivateKey.from_private_bytes(self.seed).public_key()
        return VerifierKey(self.name, self.type, public.public_bytes_raw())

    @property
    def text(self) -> str:
        """The key as one line, to be kept where only its owner reads."""
        coded = base64.b64encode(bytes([self.type]) + self.seed).decode()
        return f"{_PRIVATE}{self.name}+{self.verifier.id.hex()}+{coded}"

    def sign(self, data: bytes) -> bytes:
        """The 64 bytes of an Ed25519 signature."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return Ed25519PrivateKey.from_private_bytes(self.seed).sign(data)


@dataclass(frozen=True, slots=True)
class NoteSignature:
    """One line of signature: whose, and the bytes behind the key's id."""

    name: str
    key_id: bytes
    data: bytes

    @property
    def line(self) -> str:
        """The line with its line feed."""
        return f"{_DASH}{self.name} {base64.b64encode(self.key_id + self.data).decode()}\n"


@dataclass(frozen=True, slots=True)
class SignedNote:
    """A text that ends in a line feed, and its signatures. None of them is checked yet."""

    text: str
    signatures: tuple[NoteSignature, ...]

    @property
    def whole(self) -> str:
        """The note as it is written."""
        return self.text + "\n" + "".join(s.line for s in self.signatures)

    def of(self, key: VerifierKey) -> NoteSignature | None:
        """The first signature that says it is of this key; None where there is none. It may be wrong."""
        return next((s for s in self.signatures if (s.name, s.key_id) == (key.name, key.id)), None)


def is_key_name(name: str) -> bool:
    """Whether this may be a key's name: not empty, no white space of any script, no plus sign."""
    return bool(name) and not any(
        c == "+" or c.isspace() or unicodedata.category(c) in ("Cc", "Zs", "Zl", "Zp") for c in name
    )


def read_note(data: bytes) -> SignedNote:
    """A note from its bytes; signatures are not checked. Raises NoteError."""
    if len(data) > NOTE_BYTES_MAX:
        raise NoteError("longer than a note may be")
    try:
        whole = data.decode("utf-8")
    except UnicodeDecodeError:
        raise NoteError("not UTF-8") from None
    # Control characters could show a person another text than the one that is signed.
    if any(ord(c) < 0x20 and c != "\n" for c in whole):
        raise NoteError("holds control characters")
    # The last blank line: a text may have blank lines of its own.
    cut = whole.rfind("\n\n")
    if cut < 0 or not whole.endswith("\n"):
        raise NoteError("has no lines of signature behind a blank line")
    lines = whole[cut + 2 :].split("\n")[:-1]
    # Bounded, since each one may be checked.
    if not 0 < len(lines) <= _SIGNATURES_MAX:
        raise NoteError(f"has {len(lines)} signatures")
    return SignedNote(whole[: cut + 1], tuple(map(_read_signature, lines)))


def _read_signature(line: str) -> NoteSignature:
    name, _, coded = line.removeprefix(_DASH).partition(" ")
    if not line.startswith(_DASH) or not is_key_name(name):
        raise NoteError(f"a line of signature is {line[:60]!r}")
    data = _decode(coded)
    # Four bytes are the key's id.
    if len(data) < 5:
        raise NoteError("a signature is too short")
    return NoteSignature(name, data[:4], data[4:])


def read_verifier_key(text: str) -> VerifierKey:
    """A public key from its line. Raises NoteError."""
    name, key_type, public, key_id = _read_key(text.strip())
    key = VerifierKey(name, key_type, public)
    if key.id != key_id:
        raise NoteError("the key's id is not that of its name and bytes")
    return key


def read_signing_key(text: str) -> SigningKey:
    """A private key from its line. Raises NoteError."""
    text = text.strip()
    if not text.startswith(_PRIVATE):
        raise NoteError("not a private key")
    name, key_type, seed, key_id = _read_key(text.removeprefix(_PRIVATE))
    key = SigningKey(name, key_type, seed)
    if key.verifier.id != key_id:
        raise NoteError("the key's id is not that of its name and bytes")
    return key


def _read_key(text: str) -> tuple[str, int, bytes, bytes]:
    """Name, type, 32 bytes and id. Base64 may hold plus signs, the rest must not."""
    # By the first two plus signs: base64 behind them may hold more.
    name, plus, rest = text.partition("+")
    key_id, more, coded = rest.partition("+")
    if not plus or not more or not is_key_name(name) or len(key_id) != 8:
        raise NoteError("a key is name+id+base64")
    data = _decode(coded)
    if len(data) != 33 or data[0] not in (LOG, WITNESS):
        raise NoteError("not a key of a known type")
    try:
        return name, data[0], data[1:], bytes.fromhex(key_id)
    except ValueError:
        raise NoteError("a key's id is eight hex digits") from None


def _decode(coded: str) -> bytes:
    try:
        data = base64.b64decode(coded, validate=True)
    except (binascii.Error, ValueError):
        raise NoteError("not base64") from None
    # Two texts that decode to the same bytes would be two notes with one signature.
    if base64.b64encode(data).decode() != coded:
        raise NoteError("not base64 as it must be written")
    return data


def check_bytes(key: VerifierKey, signature: bytes, data: bytes) -> None:
    """Check an Ed25519 signature. Raises NoteError."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(key.public).verify(signature, data)
    # ValueError where 32 bytes are no point of the curve.
    except (InvalidSignature, ValueError):
        raise NoteError(f"the signature of {key.name} is wrong") from None


def sign_note(text: str, key: SigningKey) -> SignedNote:
    """A note with one signature of a log's key. Raises NoteError for a text that no note may have."""
    if not text.endswith("\n") or any(ord(c) < 0x20 and c != "\n" for c in text):
        raise NoteError("a note's text ends in a line feed and holds no other control characters")
    signature = NoteSignature(key.name, key.verifier.id, key.sign(text.encode()))
    return SignedNote(text, (signature,))


def check_note(note: SignedNote, key: VerifierKey) -> None:
    """Check that a log's key signed the note. Raises NoteError where it did not, or not this text."""
    found = note.of(key)
    if key.type != LOG or found is None:
        raise NoteError(f"not signed by {key.name}+{key.id.hex()}")
    check_bytes(key, found.data, note.text.encode())


def with_signatures(note: SignedNote, more: Sequence[NoteSignature]) -> SignedNote:
    """The note with further signatures; of one key the last stays."""
    kept = {(s.name, s.key_id): s for s in (*note.signatures, *more)}
    return SignedNote(note.text, tuple(kept.values()))
