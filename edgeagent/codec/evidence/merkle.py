"""The hash tree over the journal's records: RFC 9162, section 2.1, with SHA-256.

A leaf's data are the 32 bytes of a record's stored ``hash``. A leaf is hashed behind a zero byte and an inner
node behind a one byte, so that neither can be taken for the other.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from itertools import pairwise

BLOCK = 256
"""Leaves that are hashed to one node each time they are full; only nodes from there on up are kept."""
_HEIGHT = 8
EMPTY_ROOT = hashlib.sha256(b"").digest()
"""Root of a tree without leaves."""

ReadLeaves = Callable[[int, int], bytes]
"""Data of the leaves from the first index up to the second, 32 bytes each, one behind the other."""


class ProofError(ValueError):
    """A path does not lead from what it is said to begin with to the root that it must end in."""


def leaf_hash(data: bytes) -> bytes:
    """Hash of a leaf with these data."""
    return hashlib.sha256(b"\0" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of the node above two others."""
    return hashlib.sha256(b"\1" + left + right).digest()


def root_of(nodes: Sequence[bytes]) -> bytes:
    """Root over node hashes of one level, of which the last subtree may be incomplete (section 2.1.1)."""
    level = list(nodes)
    if not level:
        return EMPTY_ROOT
    while len(level) > 1:
        above = [node_hash(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)]
        # A node without a neighbour goes up as it is, which makes the RFC's split at a power of two.
        level = above + level[len(level) & ~1 :]
    return level[0]


class Frontier:
    """A tree of which only the roots of complete subtrees are kept: a leaf or the root cost log n steps."""

    def __init__(self) -> None:
        self.size = 0
        self._peaks: list[bytes] = []

    def append(self, data: bytes) -> None:
        """Add a leaf."""
        # leaf_hash and node_hash written out, since it runs for each of millions of records.
        node, size = hashlib.sha256(b"\0" + data).digest(), self.size
        # The binary digits of the size say which complete subtrees stand on the right.
        while size & 1:
            node = hashlib.sha256(b"\1" + self._peaks.pop() + node).digest()
            size >>= 1
        self._peaks.append(node)
        self.size += 1

    def root(self) -> bytes:
        """Root over all leaves so far."""
        if not self._peaks:
            return EMPTY_ROOT
        node = self._peaks[-1]
        for peak in self._peaks[-2::-1]:
            node = node_hash(peak, node)
        return node


class Tree:
    """A growing tree that proves: inclusion of a leaf, consistency of an older tree with a newer one.

    Leaves of full blocks are not kept but asked of ``read`` when a proof needs them, so that ten million
    records take some three megabytes.
    """

    def __init__(self, read: ReadLeaves) -> None:
        self._read = read
        self._levels: list[list[bytes]] = [[]]
        self._open: list[bytes] = []

    @classmethod
    def kept(cls, read: ReadLeaves, levels: Sequence[Sequence[bytes]], leaves: Sequence[bytes]) -> Tree:
        """The tree that ``parts`` gave. Raises ValueError for what is none."""
        tree = cls(read)
        counts = [len(level) for level in levels]
        # Each level must have half of the one below, else a node was lost or added.
        halves = all(above == below // 2 for below, above in pairwise(counts))
        if not counts or not halves or (counts[-1] > 1) or len(leaves) >= BLOCK:
            raise ValueError("not the parts of a tree")
        tree._levels, tree._open = [list(level) for level in levels], list(leaves)
        return tree

    def parts(self) -> tuple[list[list[bytes]], list[bytes]]:
        """Nodes of full blocks by level, and the hashes of the leaves behind them."""
        return [list(level) for level in self._levels], list(self._open)

    @property
    def size(self) -> int:
        """Leaves so far."""
        return BLOCK * len(self._levels[0]) + len(self._open)

    def append(self, data: bytes) -> None:
        """Add a leaf."""
        self._open.append(leaf_hash(data))
        if len(self._open) < BLOCK:
            return
        node, height = root_of(self._open), 0
        self._open.clear()
        while True:
            if height == len(self._levels):
                self._levels.append([])
            level = self._levels[height]
            level.append(node)
            if len(level) % 2:
                return
            node, height = node_hash(level[-2], level[-1]), height + 1

    def root(self, size: int | None = None) -> bytes:
        """Root over the first ``size`` leaves (section 2.1.1). Raises ValueError beyond the tree."""
        size = self.size if size is None else size
        self._check(0 <= size <= self.size)
        return self._node(0, size) if size else EMPTY_ROOT

    def inclusion_path(self, index: int, size: int) -> list[bytes]:
        """Path of a leaf, counted from 0, in the tree of the first ``size`` leaves (section 2.1.3.1)."""
        self._check(0 <= index < size <= self.size)
        path: list[bytes] = []
        begin, end = 0, size
        while end - begin > 1:
            middle = begin + _split(end - begin)
            if index < middle:
                path.append(self._node(middle, end))
                end = middle
            else:
                path.append(self._node(begin, middle))
                begin = middle
        return path[::-1]

    def consistency_path(self, old: int, size: int) -> list[bytes]:
        """What proves that the first ``old`` leaves are those of the tree then (section 2.1.4.1)."""
        self._check(0 < old <= size <= self.size)
        path: list[bytes] = []
        begin, end, whole = 0, size, True
        while old != end:
            middle = begin + _split(end - begin)
            if old <= middle:
                path.append(self._node(middle, end))
                end = middle
            else:
                path.append(self._node(begin, middle))
                begin, whole = middle, False
        return path[::-1] if whole else [self._node(begin, end), *path[::-1]]

    def _node(self, begin: int, end: int) -> bytes:
        """Root over the leaves from ``begin`` on up to ``end``, where a subtree begins."""
        count = end - begin
        # A complete subtree at its own place is kept as one node.
        if count & (count - 1) == 0 and count >= BLOCK and begin % count == 0:
            height = count.bit_length() - 1 - _HEIGHT
            return self._levels[height][begin // count]
        if count > BLOCK:
            middle = begin + _split(count)
            return node_hash(self._node(begin, middle), self._node(middle, end))
        kept = BLOCK * len(self._levels[0])
        if begin >= kept:
            return root_of(self._open[begin - kept : end - kept])
        data = self._read(begin, end)
        # The journal may have been cut since: a proof over fewer leaves would be a wrong one.
        if len(data) != 32 * count:
            raise ProofError(f"leaves {begin} to {end} cannot be read")
        return root_of([leaf_hash(data[i : i + 32]) for i in range(0, len(data), 32)])

    @staticmethod
    def _check(right: bool) -> None:
        if not right:
            raise ValueError("no such leaf or tree")


def _split(count: int) -> int:
    """The largest power of two below a count of two or more."""
    return 1 << ((count - 1).bit_length() - 1)


def check_inclusion(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> None:
    """Check that the leaf with this hash has this index in the tree (section 2.1.3.2). Raises ProofError."""
    if not 0 <= index < size:
        raise ProofError(f"leaf {index} is not in a tree of {size}")
    at, last, node = index, size - 1, leaf
    for sibling in path:
        if last == 0:
            raise ProofError("the path is too long")
        if at & 1 or at == last:
            node = node_hash(sibling, node)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            node = node_hash(node, sibling)
        at, last = at >> 1, last >> 1
    if last or node != root:
        raise ProofError("the path does not end in the root")


def check_consistency(old: int, size: int, path: Sequence[bytes], old_root: bytes, root: bytes) -> None:
    """Check that a tree of ``size`` leaves continues that of ``old`` (section 2.1.4.2). Raises ProofError.

    A tree without leaves is continued by any other and needs no path.
    """
    if old > size:
        raise ProofError(f"a tree of {size} leaves does not continue one of {old}")
    if old in (0, size):
        if path or (old and old_root != root) or (not old and old_root != EMPTY_ROOT):
            raise ProofError("the roots differ, or there is a path where none belongs")
        return
    nodes = list(path) if old & (old - 1) else [old_root, *path]
    if not nodes:
        raise ProofError("there is no path")
    at, last = old - 1, size - 1
    while at & 1:
        at, last = at >> 1, last >> 1
    before = after = nodes[0]
    for node in nodes[1:]:
        if last == 0:
            raise ProofError("the path is too long")
        if at & 1 or at == last:
            before, after = node_hash(node, before), node_hash(node, after)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            after = node_hash(after, node)
        at, last = at >> 1, last >> 1
    if last or before != old_root or after != root:
        raise ProofError("the newer tree does not continue the older one")
