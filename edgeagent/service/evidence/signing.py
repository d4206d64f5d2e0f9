"""The thread that grows the hash tree, signs checkpoints and checks what others say they have seen."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from edgeagent.codec.evidence.checkpoints import TreeHead, read_tree_head, sign_checkpoint
from edgeagent.codec.evidence.identities import JournalIdentity
from edgeagent.codec.evidence.notes import LOG, NoteError, SignedNote, check_note, read_verifier_key
from edgeagent.codec.evidence.witnessing import WitnessDocument, document_of
from edgeagent.errors import AgentError, EvidenceError
from edgeagent.store.evidence.journal_tree import JournalTree
from edgeagent.store.evidence.kept import KeptCheckpoints
from edgeagent.store.evidence.keys import load_or_make_key

_SAVE_EVERY = 1000
"""Records after which the tree is kept anew."""
_WITNESSES_MAX = 16
"""Witnesses whose place is remembered: their names come from documents that anyone may publish."""


@dataclass(frozen=True, slots=True)
class CheckpointSigned:
    """A checkpoint was signed, or is to be handed on again with other paths."""

    size: int
    head: str
    document: WitnessDocument


@dataclass(frozen=True, slots=True)
class SeenMore:
    """Somebody has seen more of this journal than there is, or something else: it is an older copy."""

    reason: str


@dataclass(frozen=True, slots=True)
class SigningFailed:
    """No checkpoint can be signed or kept."""

    reason: str


Found = CheckpointSigned | SeenMore | SigningFailed


class SigningThread:
    """Owns tree, key and kept checkpoints. All public methods are for the loop's thread and never wait.

    ``wake`` is called from the thread when there is a result. ``key`` is the public key on record under
    this ``identity`` of the journal, which names those that signed before it.
    """

    def __init__(
        self, store: Path, key_path: Path, key: str, identity: JournalIdentity, wake: Callable[[], None]
    ) -> None:
        self._key_path, self._public, self._wake = key_path, key, wake
        # Also keys before a change: others kept checkpoints that those signed.
        self._own = {key, *identity.keys}
        self._endorsements = tuple(c.endorsement for c in identity.changes if c.endorsement)
        self._tree = JournalTree(store / "journal", store / "state" / "tree")
        self._kept = KeptCheckpoints(store)
        self._todo: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._found: SimpleQueue[Found] = SimpleQueue()
        self._asked = threading.Event()
        self._stands: dict[str, int] = {}
        self._older = False
        self._last: SignedNote | None = None
        self._saved = 0
        self._key: Any = None
        self._thread = threading.Thread(target=self._run, name="evidence", daemon=True)
        self._thread.start()

    def sign(self) -> None:
        """Sign the journal as far as it is then; several wishes at once are one."""
        if not self._asked.is_set():
            self._asked.set()
            self._todo.put(self._sign)

    def seen(self, note: SignedNote) -> None:
        """A checkpoint that somebody else kept, cosigned or not."""
        self._todo.put(lambda: self._compare(note))

    def seen_record(self, seq: int, head: str) -> None:
        """A record that somebody else saw of this store."""
        self._todo.put(lambda: self._compare_record(seq, head))

    def was_adopted(self) -> None:
        """Somebody else saw this journal adopted by a person: what goes on from it has another identity."""
        words = "the broker keeps a state of this store from after a person adopted it under a new identity"
        self._todo.put(lambda: self._seen_more(words))

    def found(self) -> list[Found]:
        """What came of it since the last call."""
        results = []
        while True:
            try:
                results.append(self._found.get_nowait())
            except Empty:
                return results

    def settle(self, seconds: float) -> None:
        """Wait until what was asked for so far is done; a disk that hangs is not waited for longer."""
        done = threading.Event()
        self._todo.put(done.set)
        if self._thread.is_alive():
            done.wait(seconds)

    def close(self, seconds: float) -> None:
        """Finish what was asked for, and end; a disk that hangs is left behind after so many seconds."""
        self._todo.put(self._save)
        self._todo.put(None)
        self._thread.join(seconds)

    def _run(self) -> None:
        try:
            self._key = load_or_make_key(self._key_path, self._public.partition("+")[0], LOG)
            if self._key.verifier.text != self._public:
                raise EvidenceError(f"{self._key_path}: not the key whose public half stands beside it")
            self._tree.open(self._key.verifier)
        except (AgentError, OSError) as error:
            self._fail(error)
            return
        while (task := self._todo.get()) is not None:
            try:
                task()
            except (AgentError, OSError, NoteError) as error:
                self._fail(error)

    def _fail(self, error: Exception) -> None:
        self._tell(SigningFailed(str(error)[:500]))

    def _tell(self, found: Found) -> None:
        self._found.put(found)
        self._wake()

    def _sign(self) -> None:
        # Before growing: a wish that comes during it may be about a record that this signature lacks.
        self._asked.clear()
        if self._older:
            return  # no checkpoint may contradict those that were signed before
        self._tree.grow()
        head = TreeHead(self._key.name, self._tree.size, self._tree.tree.root())
        # Nothing new: signing again would only wake every witness.
        if self._last is not None and self._last.text == head.text:
            return
        note = sign_checkpoint(head, self._key)
        # Durable before anybody gets it: after a crash we must know what we signed, or contradict it.
        self._kept.keep(note)
        self._last = note
        self._hand_on()
        if self._tree.size - self._saved >= _SAVE_EVERY:
            self._save()

    def _hand_on(self) -> None:
        if self._last is None:
            return
        size = read_tree_head(self._last.text).size
        # The newest first: where there are too many, those far behind can ask with their next document.
        stands = sorted({s for s in self._stands.values() if 0 < s < size}, reverse=True)
        paths = {s: self._tree.tree.consistency_path(s, size) for s in stands[:_WITNESSES_MAX]}
        head = self._tree.record_hash(size).hex()
        self._tell(CheckpointSigned(size, head, document_of(self._last, paths, self._endorsements)))

    def _save(self) -> None:
        # A tree is kept with the checkpoint of just its size, by which the next start trusts it.
        if self._last is not None and read_tree_head(self._last.text).size == self._tree.size:
            self._saved = self._tree.size
            self._tree.save(self._last)

    def _compare(self, note: SignedNote) -> None:
        """What others kept must be signed by our key, or it proves nothing; then it must be true."""
        try:
            head = read_tree_head(note.text)
        except NoteError:
            return
        # Anyone may publish on these topics; only a signature of ours makes it a word about this journal.
        if head.origin != self._key.name or not self._is_own(note):
            return
        witnesses = [s for s in note.signatures if s.name != self._key.name]
        who = f"witness {witnesses[0].name}" if witnesses else "somebody"
        if self._shorter(head.size):
            words = f"{who} has seen {head.size} records of this journal, but only {self._tree.size} are here"
            self._seen_more(words)
            return
        # The same number of records, and others: two journals went on from one copy.
        if self._tree.tree.root(head.size) != head.root:
            self._seen_more(f"{who} has seen other records than the first {head.size} that are here")
            return
        # Only a checkpoint that agrees with the tree shows where a witness stands.
        for witness in witnesses[:_WITNESSES_MAX]:
            self._note_stand(witness.name, head.size, note)

    def _is_own(self, note: SignedNote) -> bool:
        """Whether one of this journal's keys signed it, be it one that a restored store no longer has."""
        for text in self._own:
            try:
                check_note(note, read_verifier_key(text))
            except NoteError:
                continue
            return True
        return False

    def _note_stand(self, witness: str, size: int, note: SignedNote) -> None:
        before = self._stands.get(witness, 0)
        if size <= before or (witness not in self._stands and len(self._stands) >= _WITNESSES_MAX):
            return
        self._stands[witness] = size
        self._kept.keep_cosigned(note, witness)
        if self._last is not None and size < read_tree_head(self._last.text).size:
            self._hand_on()  # it stands behind: with the path from there it can follow

    def _compare_record(self, seq: int, head: str) -> None:
        if self._shorter(seq):
            words = f"the broker keeps a state of this store at record {seq}, but it ends at {self._tree.size}"
            self._seen_more(words)
        elif seq and self._tree.record_hash(seq).hex() != head:
            self._seen_more(f"the broker keeps a state of this store with another record {seq} than is here")

    def _seen_more(self, reason: str) -> None:
        self._older = True
        self._tell(SeenMore(reason))

    def _shorter(self, size: int) -> bool:
        if size > self._tree.size:
            self._tree.grow()
        return size > self._tree.size
