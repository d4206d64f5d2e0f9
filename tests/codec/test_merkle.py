"""The hash tree against published vectors, the definition of RFC 9162 itself, and paths that somebody bent.

Vectors: transparency-dev/merkle, testonly/constants.go and log_verifier_test.go (seen), which are those of the
reference implementation of RFC 6962.
"""

from __future__ import annotations

import hashlib
import random

import pytest

from edgeagent.codec.evidence.merkle import (
    BLOCK,
    EMPTY_ROOT,
    Frontier,
    ProofError,
    Tree,
    check_consistency,
    check_inclusion,
    leaf_hash,
    node_hash,
)

LEAVES = [bytes.fromhex(h) for h in
          ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")]  # fmt: skip  # noqa: E501
ROOTS = [bytes.fromhex(h) for h in (
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
)]  # fmt: skip
NODES = {name: bytes.fromhex(h) for name, h in {
    "0,0": "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "0,1": "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
    "0,4": "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    "1,1": "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
    "1,2": "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
    "1,3": "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
    "2,0": "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "2,1": "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
}.items()}  # fmt: skip
"""Complete subtrees of the vectors' tree, as level and place."""
INCLUSION = [
    (0, 1, []),
    (0, 8, ["0,1", "1,1", "2,1"]),
    (5, 8, ["0,4", "1,3", "2,0"]),
    (2, 3, ["1,0"]),
    (1, 5, ["0,0", "1,1", "0,4"]),
]
CONSISTENCY = [
    (1, 1, []),
    (1, 8, ["0,1", "1,1", "2,1"]),
    (6, 8, ["1,2", "1,3", "2,0"]),
    (2, 5, ["1,1", "0,4"]),
    (6, 7, None),
]
NODES["1,0"] = ROOTS[2]


def definition(leaves: list[bytes]) -> bytes:
    """MTH as section 2.1.1 defines it."""
    if len(leaves) < 2:
        return leaf_hash(leaves[0]) if leaves else EMPTY_ROOT
    k = 1
    while 2 * k < len(leaves):
        k *= 2
    return node_hash(definition(leaves[:k]), definition(leaves[k:]))


def tree_of(leaves: list[bytes]) -> Tree:
    tree = Tree(lambda begin, end: b"".join(leaves[begin:end]))
    for leaf in leaves:
        tree.append(leaf)
    return tree


@pytest.fixture(scope="module")
def grown() -> tuple[Tree, list[bytes], list[bytes]]:
    """A tree of several blocks, its leaves and the root at each size."""
    leaves = [hashlib.sha256(b"%d" % i).digest() for i in range(4 * BLOCK + 37)]
    frontier, roots = Frontier(), [EMPTY_ROOT]
    for leaf in leaves:
        frontier.append(leaf)
        roots.append(frontier.root())
    return tree_of(leaves), leaves, roots


def test_roots_are_the_published_ones():
    frontier, found = Frontier(), [Frontier().root()]
    for leaf in LEAVES:
        frontier.append(leaf)
        found.append(frontier.root())
    assert found == ROOTS
    assert [tree_of(LEAVES[:n]).root() for n in range(9)] == ROOTS


@pytest.mark.parametrize(("index", "size", "path"), INCLUSION)
def test_inclusion_paths_are_the_published_ones(index, size, path):
    expected = [NODES[name] for name in path]
    assert tree_of(LEAVES).inclusion_path(index, size) == expected
    check_inclusion(leaf_hash(LEAVES[index]), index, size, expected, ROOTS[size])


@pytest.mark.parametrize(("old", "size", "path"), CONSISTENCY)
def test_consistency_paths_are_the_published_ones(old, size, path):
    found = tree_of(LEAVES).consistency_path(old, size)
    if path is not None:
        assert found == [NODES[name] for name in path]
    check_consistency(old, size, found, ROOTS[old], ROOTS[size])


def test_tree_of_blocks_agrees_with_the_definition_at_every_edge(grown):
    tree, leaves, roots = grown
    edges = {n for k in range(5) for n in (BLOCK * k - 1, BLOCK * k, BLOCK * k + 1)} | {len(leaves)}
    for size in sorted(e for e in edges if e >= 0):
        assert tree.root(size) == roots[size] == definition(leaves[:size])


def test_every_path_of_a_tree_of_blocks_leads_to_its_root(grown):
    tree, leaves, roots = grown
    chance = random.Random(3)
    for _ in range(600):
        size = chance.randint(1, len(leaves))
        index, old = chance.randrange(size), chance.randint(1, size)
        check_inclusion(leaf_hash(leaves[index]), index, size, tree.inclusion_path(index, size), roots[size])
        check_consistency(old, size, tree.consistency_path(old, size), roots[old], roots[size])


def test_paths_that_were_bent_in_any_way_are_refused(grown):
    tree, leaves, roots = grown
    chance = random.Random(4)
    for _ in range(200):
        size = chance.randint(3, len(leaves))
        index, old = chance.randrange(size), chance.randint(1, size - 1)
        path, between = tree.inclusion_path(index, size), tree.consistency_path(old, size)
        leaf = leaf_hash(leaves[index])
        for bent in (
            path[:-1],
            [*path, path[-1]],
            [*path[:-1], leaf],
            path[::-1] if len(set(path)) > 1 else [],
        ):
            if bent != path:
                with pytest.raises(ProofError):
                    check_inclusion(leaf, index, size, bent, roots[size])
        with pytest.raises(ProofError):
            check_inclusion(leaf_hash(b"another"), index, size, path, roots[size])
        with pytest.raises(ProofError):
            check_inclusion(leaf, size, size, path, roots[size])
        for bent in (between[:-1], [*between, leaf], [leaf, *between]):
            with pytest.raises(ProofError):
                check_consistency(old, size, bent, roots[old], roots[size])
        with pytest.raises(ProofError):
            check_consistency(old, size, between, roots[old - 1], roots[size])
        with pytest.raises(ProofError):
            check_consistency(old, size, between, roots[old], roots[size - 1])


def test_inner_node_cannot_be_passed_off_as_a_leaf():
    inner = ROOTS[2]
    assert leaf_hash(LEAVES[0] + LEAVES[1]) != inner
    with pytest.raises(ProofError):
        check_inclusion(leaf_hash(inner), 0, 1, [], inner)


def test_smaller_tree_never_continues_a_larger_one_and_equal_ones_must_be_equal():
    with pytest.raises(ProofError):
        check_consistency(5, 4, [], ROOTS[5], ROOTS[4])
    with pytest.raises(ProofError):
        check_consistency(4, 4, [], ROOTS[4], ROOTS[5])
    with pytest.raises(ProofError):
        check_consistency(0, 4, [ROOTS[1]], EMPTY_ROOT, ROOTS[4])
    check_consistency(0, 4, [], EMPTY_ROOT, ROOTS[4])
    check_consistency(4, 4, [], ROOTS[4], ROOTS[4])


@pytest.mark.parametrize(
    "ask", [lambda t: t.root(9), lambda t: t.inclusion_path(8, 8), lambda t: t.consistency_path(0, 8)]
)
def test_tree_is_not_asked_for_what_it_has_not(ask):
    with pytest.raises(ValueError, match="no such leaf or tree"):
        ask(tree_of(LEAVES))


def test_leaves_that_cannot_be_read_again_end_in_an_error(grown):
    _, leaves, _ = grown
    tree = Tree(lambda _begin, _end: b"")
    for leaf in leaves:
        tree.append(leaf)
    assert tree.root()  # needs none of them
    with pytest.raises(ProofError, match="cannot be read"):
        tree.inclusion_path(3, len(leaves))
