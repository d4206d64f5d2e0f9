"""What a journal proves, on three levels: the chain is whole; a key signed it; a witness saw it.

Walks the chain from outside; needs no configuration and writes nothing. No file that lies beside the journal
counts for more than its signature does.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from edgeagent.codec.evidence.checkpoints import TreeHead, cosigned_at, read_tree_head
from edgeagent.codec.evidence.endorsements import followed_keys, is_endorsed
from edgeagent.codec.evidence.identities import KnownAs, with_record
from edgeagent.codec.evidence.merkle import Frontier
from edgeagent.codec.evidence.notes import (
    NoteError,
    SignedNote,
    VerifierKey,
    check_note,
    read_verifier_key,
)
from edgeagent.codec.records.record import decode_record, utc_text_of
from edgeagent.errors import JournalCorruptError
from edgeagent.store.evidence.kept import FOLDER, notes_in
from edgeagent.store.journal import JournalReader, record_total
from edgeagent.store.progress import Progress, no_progress
from edgeagent.store.state import read_state

_NAMED = frozenset({"start", "identity"})
"""Kinds of records that say who the journal is."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A key that signed the journal up to record ``up_to``, 0 for not at all.

    ``given`` says whether the key came from outside. One that the journal itself names proves only that nothing
    was changed by somebody without that key. ``through`` are the keys that it endorsed, one after the other,
    whose signatures count as its own.
    """

    key: str
    given: bool
    up_to: int
    why_not: str = ""
    through: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeyChanged:
    """From record ``seq`` on another key signs. ``endorsed`` says whether the key before it signed that.

    ``known`` says whether the new key needs no endorsement, as it was given from outside too and was not
    exchanged for another one before.
    """

    seq: int
    former: str
    new: str
    endorsed: bool
    known: bool


@dataclass(frozen=True, slots=True)
class Witnessed:
    """A witness that saw the journal up to record ``up_to`` at ``time`` (RFC 3339); 0 and '' for never."""

    key: str
    up_to: int
    time: str
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Adopted:
    """A person began a new identity with record ``seq``; ``lost`` is up to which record others had seen it.

    ``key`` is the key that signs from there on, empty before a start names one. ``known`` says whether it was
    given from outside: it has no predecessor that could endorse it.
    """

    seq: int
    who: str
    why: str
    lost: int
    key: str = ""
    known: bool = False


@dataclass(frozen=True, slots=True)
class Whole:
    """What a whole journal consists of, and who vouches for how much of it.

    ``seen`` counts the records that were seen on the line and are still there.
    """

    records: int
    segments: int
    first: str
    last: str
    head: str
    seen: int
    signed: tuple[Signed, ...] = ()
    witnessed: tuple[Witnessed, ...] = ()
    adopted: tuple[Adopted, ...] = ()
    changed: tuple[KeyChanged, ...] = ()

    @property
    def unendorsed(self) -> tuple[KeyChanged, ...]:
        """Changes to a key that neither its predecessor nor the auditor vouches for, where a key was given."""
        asked = any(s.given for s in self.signed)
        return tuple(c for c in self.changed if asked and not (c.endorsed or c.known))

    @property
    def unknown(self) -> tuple[Adopted, ...]:
        """Adoptions from which on a key signs that no given key vouches for, where a key was given."""
        asked = any(s.given for s in self.signed)
        return tuple(a for a in self.adopted if asked and a.key and not a.known)

    @property
    def as_asked(self) -> bool:
        """Whether every key that was given signed or witnessed something of it, and no other took its place."""
        vouched = all(s.up_to for s in self.signed if s.given) and all(w.up_to for w in self.witnessed)
        return vouched and not self.unendorsed and not self.unknown


@dataclass(slots=True)
class _Walked:
    """What one walk along the chain found."""

    records: int = 0
    first: str = ""
    last: str = ""
    head: str = ""
    place: tuple[str, int] = ("", 0)
    known: KnownAs = field(default_factory=KnownAs)
    roots: dict[int, bytes] = field(default_factory=dict)


def journal_folder(folder: Path) -> Path:
    """The journal's folder, given itself or the store that it lies in."""
    return folder / "journal" if (folder / "journal").is_dir() else folder


def verify_journal(
    folder: Path,
    seen: Sequence[tuple[int, str]] = (),
    *,
    keys: Sequence[VerifierKey] = (),
    witnesses: Sequence[VerifierKey] = (),
    checkpoints: Sequence[Path] = (),
    progress: Progress = no_progress,
) -> Whole:
    """Check every record, the chain, and every statement of others about it.

    ``seen`` are (seq, hash) pairs from MQTT messages, ``checkpoints`` files or folders with notes besides those
    that the store keeps. Raises JournalCorruptError with segment, line and reason of the first damage, or of
    what contradicts a right signature or what was seen.
    """
    journal = journal_folder(folder)
    # Sets, since two messages may state different heads of one record: then one of them cannot be right.
    wanted: dict[int, set[str]] = {}
    for seq, head in seen:
        wanted.setdefault(seq, set()).add(head)
    # Before the walk, as the checkpoints are: what a running agent notes later may name records behind its end.
    note = read_state(journal.parent / "state" / "publisher.json")
    # Unsigned, so that whoever cuts the journal can cut this too; it shows a lost end, not a clever one.
    if note is not None and note.end:
        wanted.setdefault(note.end, set()).add(note.head)
    heads = _heads([journal.parent / FOLDER, *checkpoints])
    walked = _walk_patiently(journal, wanted, {h.size for h, _ in heads}, progress)
    if not walked.records:
        raise JournalCorruptError(str(journal), 0, "there is no journal here")
    beyond = [seq for seq in wanted if seq > walked.records]
    if beyond:
        words = f"the journal ends at record {walked.records}, but record {max(beyond)} was written"
        raise JournalCorruptError(_last_segment(journal), 0, words)
    signed = [_signed(key, True, heads, walked) for key in keys]
    if not keys:
        named = [key for key in map(_named_key, walked.known.keys) if key is not None]
        signed = [_signed(key, False, heads, walked) for key in named]
    return Whole(
        walked.records,
        len(JournalReader(journal).segments()),
        walked.first,
        walked.last,
        walked.head,
        len({seq for seq, _ in seen}),
        tuple(signed),
        tuple(_witnessed(key, heads, walked) for key in witnesses),
        tuple(_adopted(heads, walked, keys)),
        tuple(_changed(walked, keys)),
    )


def _named_key(text: str) -> VerifierKey | None:
    try:
        return read_verifier_key(text)
    except NoteError:
        return None


def _is_signed(note: SignedNote, head: TreeHead, keys: Sequence[VerifierKey]) -> bool:
    """Whether one of these keys, under its own name, signed a checkpoint."""
    for key in keys:
        if key.name == head.origin:
            try:
                check_note(note, key)
            except NoteError:
                continue
            return True
    return False


def _last_segment(journal: Path) -> str:
    return JournalReader(journal).segments()[-1].name


def _heads(places: Iterable[Path]) -> list[tuple[TreeHead, SignedNote]]:
    """Every checkpoint of these places, the largest first. None of their signatures is checked yet."""
    found: dict[str, tuple[TreeHead, SignedNote]] = {}
    for place in places:
        for note in notes_in(place):
            try:
                found.setdefault(note.whole, (read_tree_head(note.text), note))
            except NoteError:
                continue
    # The largest first: one that agrees speaks for all before it, and spares checking their signatures.
    return sorted(found.values(), key=lambda pair: -pair[0].size)


def _walk_patiently(
    journal: Path, wanted: Mapping[int, set[str]], sizes: set[int], progress: Progress
) -> _Walked:
    for attempt in range(5):
        reader = JournalReader(journal)
        walked = _walk(reader, wanted, sizes, progress)
        if reader.tail is None:
            return walked
        tail = reader.tail
        if attempt < 4:
            time.sleep(0.05)  # a writer may be in the middle of this very line
    raise JournalCorruptError(tail.segment, tail.line, f"{tail.reason} (torn end)")


def _walk(
    reader: JournalReader, wanted: Mapping[int, set[str]], sizes: set[int], progress: Progress
) -> _Walked:
    found, frontier = _Walked(), Frontier()
    step, segment, number = None, "", 0
    steps = progress(reader.steps(), "records", record_total(reader.folder))
    for step, line, segment, number in steps:
        # At once: from the first record on that is another one, everything behind it is another history.
        if step.seq in wanted and wanted[step.seq] != {step.hash.decode()}:
            raise JournalCorruptError(
                segment, number, f"record {step.seq} is not the one that was published: hashes differ"
            )
        if step.seq == 1:
            found.first = step.time
        # Only these are decoded: of all others the hash is enough, which is most of the speed.
        if step.seq == 1 or step.kind in _NAMED:
            found.known = with_record(found.known, decode_record(line[:-1]))
        # Without checkpoints nobody asks for a root, and two hashes a record are saved.
        if sizes:
            frontier.append(bytes.fromhex(step.hash.decode()))
            # Roots while walking: a frontier cannot give those of earlier sizes, and all leaves would be 32
            # bytes a record.
            if step.seq in sizes:
                found.roots[step.seq] = frontier.root()
    if step is not None:
        found.records, found.last, found.head = step.seq, step.time, step.hash.decode()
        found.place = segment, number
    return found


def _agrees(head: TreeHead, walked: _Walked) -> bool | None:
    """Whether a checkpoint is one of this journal as it stands; None where it cannot be: the log is another's,
    or the records were lost before a person adopted what was left."""
    identity = walked.known.of(head.origin)
    if identity is None:
        return None
    # No root for a size beyond the end: that is not right either.
    right = walked.roots.get(head.size) == head.root
    if identity.last is not None and (head.size > identity.last or not right):
        return None  # lost with the former identity; the adoption says so
    return right


def _signed(
    key: VerifierKey, given: bool, heads: Sequence[tuple[TreeHead, SignedNote]], walked: _Walked
) -> Signed:
    """Up to where a key and those that it endorsed signed. Raises JournalCorruptError where one signed other
    records."""
    # Where no key is given each one that the journal names is listed by itself.
    endorsed = [c.endorsement for c in walked.known.changes] if given else []
    own, *through = [_signed_by(each, heads, walked) for each in followed_keys([key], endorsed)]
    up_to = max(up_to for up_to, _ in (own, *through))
    names = [key_text(each) for each in followed_keys([key], endorsed)[1:]]
    return Signed(key_text(key), given, up_to, "" if up_to else own[1], tuple(names))


def key_text(key: VerifierKey) -> str:
    """A key's name and id."""
    return f"{key.name}+{key.id.hex()}"


def _signed_by(
    key: VerifierKey, heads: Sequence[tuple[TreeHead, SignedNote]], walked: _Walked
) -> tuple[int, str]:
    """Up to where one key signed while it was in force, and why not where it did not."""
    up_to, why_not = 0, "there is no checkpoint of this key"
    for head, note in heads:
        agrees = _agrees(head, walked)
        # What agrees below a size that is proved adds nothing; what contradicts must be found at any size.
        if note.of(key) is None or (agrees and up_to):
            continue
        try:
            check_note(note, key)
        except NoteError:
            why_not = f"the signature under {head.size} records is wrong"
            continue
        if agrees is None:
            why_not = "what it signed is another journal's" if not up_to else ""
        elif not agrees:
            raise _contradicted(head, walked, f"{key_text(key)} signed")
        elif _in_force(key, head, walked):
            up_to = head.size
        else:
            why_not = f"it signed {head.size} records, of which the journal names another key"
    return up_to, why_not


def _in_force(key: VerifierKey, head: TreeHead, walked: _Walked) -> bool:
    """Whether the journal names this key for the last of so many records, by the identity of the checkpoint."""
    identity = walked.known.of(head.origin)
    # A checkpoint's text and its signature each bear a name: a stolen key of an identity that ended could sign
    # under the name of the one after it. Starts name the key before it signs, so that nothing right is missed.
    if identity is None or key.text not in identity.keys:
        return False
    # A retired key that was stolen must not sign for records written after it was exchanged.
    before = [change for change in identity.changes if change.seq <= head.size]
    return key.text == (before[-1].new if before else identity.keys[0])


def _changed(walked: _Walked, given: Sequence[VerifierKey]) -> Iterable[KeyChanged]:
    """Each change of the key, and who vouches for it."""
    for change in walked.known.changes:
        former, new = _named_key(change.former), _named_key(change.new)
        if former is not None and new is not None:
            endorsed = is_endorsed(change.endorsement, new, former)
            # An exchange makes a new key: an auditor who brings a retired one does so for what it signed then,
            # and whoever stole it must not begin with it again.
            is_back = any(change.new in (c.former, c.new) for c in walked.known.changes if c.seq < change.seq)
            yield KeyChanged(
                change.seq, key_text(former), key_text(new), endorsed, new in given and not is_back
            )


def _witnessed(key: VerifierKey, heads: Sequence[tuple[TreeHead, SignedNote]], walked: _Walked) -> Witnessed:
    """Up to where a witness saw it, and when it first said so. Raises JournalCorruptError as above."""
    name, up_to, at, why_not = key_text(key), 0, 0, "there is no checkpoint that it cosigned"
    for head, note in heads:
        agrees = _agrees(head, walked)
        # Of the same size more than one may be there: the earliest time counts below.
        if note.of(key) is None or (agrees and head.size < up_to):
            continue
        try:
            posix_s = cosigned_at(note, key)
        except NoteError:
            why_not = f"the cosignature under {head.size} records is wrong"
            continue
        if agrees is None:
            why_not = "what it witnessed is another journal's"
        elif agrees:
            at = posix_s if head.size > up_to else min(at, posix_s)
            up_to = head.size
        else:
            raise _contradicted(head, walked, f"{name} witnessed")
    return Witnessed(name, up_to, utc_text_of(at) if up_to else "", "" if up_to else why_not)


def _contradicted(head: TreeHead, walked: _Walked, who: str) -> JournalCorruptError:
    segment, _ = walked.place
    if head.size > walked.records:
        words = f"the journal ends at record {walked.records}, but {who} {head.size} records"
    else:
        words = f"the first {head.size} records are not those that {who}: the history was changed"
    return JournalCorruptError(segment, 0, words)


def _adopted(
    heads: Sequence[tuple[TreeHead, SignedNote]], walked: _Walked, given: Sequence[VerifierKey]
) -> Iterable[Adopted]:
    """Each adoption, with what others had seen of the former identity."""
    for before, after in zip(walked.known.identities, walked.known.identities[1:], strict=False):
        assert after.adopted is not None
        keys = [key for key in map(_named_key, before.keys) if key is not None]
        # By the former identity's own keys alone: anybody can write a checkpoint that claims more records.
        lost = max(
            (h.size for h, n in heads if _agrees(h, walked) is None and _is_signed(n, h, keys)), default=0
        )
        first = _named_key(after.keys[0]) if after.keys else None
        text = key_text(first) if first is not None else ""
        yield Adopted(after.first, after.adopted.who, after.adopted.why, lost, text, first in given)
