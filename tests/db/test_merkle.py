"""The Merkle tree against the published vectors of RFC 6962 trees, and its proofs against each other."""

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from db.merkle import (
    Peaks,
    Tree,
    consistency_holds,
    inclusion_holds,
    leaf_hash,
    node_hash,
    root_of,
)

# The leaves and roots of the reference implementations' test data (transparency-dev/merkle, package testonly).
LEAVES = [
    leaf_hash(bytes.fromhex(leaf))
    for leaf in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]
ROOTS = {
    2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    3: "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    4: "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    7: "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}


def test_hashes_of_leaves_and_nodes() -> None:
    # RFC 6962 section 2.1; leaf and node values from the same test data.
    assert leaf_hash(b"").hex() == "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
    assert leaf_hash(b"L123456").hex() == "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    assert node_hash(b"N123", b"N456").hex() == "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"


def test_the_tree_of_nothing_is_the_hash_of_nothing() -> None:
    assert root_of([]) == hashlib.sha256(b"").digest()


@pytest.mark.parametrize(("size", "root"), ROOTS.items())
def test_published_roots(size: int, root: str) -> None:
    assert root_of(LEAVES[:size]).hex() == root


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 200))
def test_peaks_grow_one_leaf_at_a_time_to_the_tree_that_the_definition_gives(size: int) -> None:
    leaves = [leaf_hash(str(i).encode()) for i in range(size)]

    def by_definition(part: list[bytes]) -> bytes:
        # RFC 6962 section 2.1, word by word: split at the largest power of two below the size.
        if len(part) < 2:
            return part[0] if part else hashlib.sha256(b"").digest()
        split = max(2**i for i in range(9) if 2**i < len(part))
        return node_hash(by_definition(part[:split]), by_definition(part[split:]))

    peaks = Peaks()
    for leaf in leaves:
        peaks = peaks.added(leaf)
    assert peaks.root() == by_definition(leaves)
    assert Peaks.of_bytes(size, peaks.raw) == peaks


def test_peaks_of_a_wrong_length_are_refused() -> None:
    with pytest.raises(ValueError, match="a tree of 3 leaves has 2 peaks, got 32 bytes"):
        Peaks.of_bytes(3, bytes(32))


TREES = st.integers(1, 70).flatmap(lambda size: st.tuples(st.just(size), st.integers(0, size - 1)))


@settings(deadline=None, max_examples=150)
@given(TREES, st.data())
def test_an_inclusion_proof_holds_and_no_other_does(tree: tuple[int, int], data: st.DataObject) -> None:
    size, index = tree
    leaves = [leaf_hash(str(i).encode()) for i in range(size)]
    root, path = root_of(leaves), Tree(leaves).inclusion_path(index, len(leaves))
    assert len(path) <= (size - 1).bit_length()
    assert inclusion_holds(leaves[index], index, size, path, root)
    assert not inclusion_holds(leaf_hash(b"another"), index, size, path, root)
    assert not inclusion_holds(leaves[index], index, size, [*path, bytes(32)], root)
    other = data.draw(st.integers(-1, size + 1).filter(lambda i: i != index))
    assert not inclusion_holds(leaves[index], other, size, path, root)
    if path:
        spoilt = data.draw(st.integers(0, len(path) - 1))
        assert not inclusion_holds(leaves[index], index, size, [*path[:spoilt], bytes(32), *path[spoilt + 1 :]], root)
        assert not inclusion_holds(leaves[index], index, size, path[:-1], root)


@settings(deadline=None, max_examples=150)
@given(TREES)
def test_a_consistency_proof_holds_and_not_for_a_tree_that_was_changed(tree: tuple[int, int]) -> None:
    second, first = tree[0], tree[1] + 1
    leaves = [leaf_hash(str(i).encode()) for i in range(second)]
    path = Tree(leaves).consistency_path(first, len(leaves))
    roots = root_of(leaves[:first]), root_of(leaves)
    assert consistency_holds(first, second, path, *roots)
    changed = [leaf_hash(b"changed"), *leaves[1:]]
    assert not consistency_holds(first, second, path, root_of(changed[:first]), roots[1])
    if first < second:
        # Neither does the changed tree's own proof connect it to the earlier root.
        assert not consistency_holds(
            first, second, Tree(changed).consistency_path(first, len(changed)), roots[0], root_of(changed)
        )
        assert not consistency_holds(first, second, path[:-1], *roots)
        assert not consistency_holds(first, second, [*path, bytes(32)], *roots)


@settings(deadline=None, max_examples=150)
@given(TREES, st.integers(0, 40))
def test_a_tree_that_grew_on_proves_what_was_true_of_it_earlier(tree: tuple[int, int], grown: int) -> None:
    size, index = tree
    leaves = [leaf_hash(str(i).encode()) for i in range(size + grown)]
    whole, root = Tree(leaves), root_of(leaves[:size])
    assert inclusion_holds(leaves[index], index, size, whole.inclusion_path(index, size), root)
    path = whole.consistency_path(index + 1, size)
    assert consistency_holds(index + 1, size, path, root_of(leaves[: index + 1]), root)


def test_proofs_that_cannot_be_are_refused() -> None:
    for ask in (Tree(LEAVES).inclusion_path, Tree(LEAVES).consistency_path):
        with pytest.raises(IndexError, match="there are 8 leaves, fewer than 9"):
            ask(1, 9)
    with pytest.raises(IndexError, match="there are 8 leaves, none has index 8"):
        Tree(LEAVES).inclusion_path(8, len(LEAVES))
    for first in (0, 9):
        with pytest.raises(IndexError, match=f"within 1 to 8, got {first}"):
            Tree(LEAVES).consistency_path(first, len(LEAVES))
    assert not consistency_holds(0, 8, [bytes(32)], root_of([]), root_of(LEAVES))
