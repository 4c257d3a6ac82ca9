"""The Merkle tree of RFC 6962 section 2.1: roots, proofs of inclusion and of consistency, and their checks. Pure."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

DIGEST_BYTES = 32


def leaf_hash(content: bytes) -> bytes:
    """Hash of a leaf: SHA-256 of 0x00 and the content."""
    return hashlib.sha256(b"\x00" + content).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of an inner node: SHA-256 of 0x01 and both children."""
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass(frozen=True, slots=True)
class Peaks:
    """A tree as the roots of its full subtrees, the largest first: all that is needed to add leaves and to tell the root."""

    size: int = 0
    hashes: tuple[bytes, ...] = ()

    @classmethod
    def of_bytes(cls, size: int, raw: bytes) -> "Peaks":
        """Read what `raw` wrote.

        Raises
        ------
        ValueError
            A tree of this size has another number of peaks.
        """
        if len(raw) != DIGEST_BYTES * size.bit_count():
            raise ValueError(f"a tree of {size} leaves has {size.bit_count()} peaks, got {len(raw)} bytes")
        return cls(size, tuple(raw[i : i + DIGEST_BYTES] for i in range(0, len(raw), DIGEST_BYTES)))

    @property
    def raw(self) -> bytes:
        """The peaks one after another."""
        return b"".join(self.hashes)

    def added(self, leaf: bytes) -> "Peaks":
        """Return the tree with one more leaf hash; equal neighbours merge, as ones carry in a binary counter."""
        hashes, full = list(self.hashes), self.size
        while full & 1:
            leaf = node_hash(hashes.pop(), leaf)
            full >>= 1
        return Peaks(self.size + 1, (*hashes, leaf))

    def root(self) -> bytes:
        """Return the tree's root; that of no leaves is the hash of nothing."""
        if not self.hashes:
            return hashlib.sha256(b"").digest()
        root = self.hashes[-1]
        for left in reversed(self.hashes[:-1]):
            root = node_hash(left, root)
        return root


def root_of(leaves: Sequence[bytes]) -> bytes:
    """Return the root over leaf hashes."""
    peaks = Peaks()
    for leaf in leaves:
        peaks = peaks.added(leaf)
    return peaks.root()


class Tree:
    """A tree with the hashes of its full subtrees, so that many proofs cost little more than one."""

    def __init__(self, leaves: Sequence[bytes]) -> None:
        # One list a level: entry i of level n covers the 2^n leaves from i * 2^n on.
        self._levels = [list(leaves)]
        while len(self._levels[-1]) > 1:
            below = self._levels[-1]
            self._levels.append([node_hash(*pair) for pair in zip(below[::2], below[1::2], strict=False)])

    def inclusion_path(self, index: int, size: int) -> list[bytes]:
        """Return the hashes that lead from leaf `index` to the root of the first `size` leaves (RFC 6962 section 2.1.1).

        The deepest comes first.

        Raises
        ------
        IndexError
            There is no such leaf below that root.
        """
        self._refuse_larger(size)
        if not 0 <= index < size:
            raise IndexError(f"there are {size} leaves, none has index {index}")
        path, start = [], 0
        while size > 1:
            split = _split(size)
            if index < start + split:
                path.append(self._over(start + split, size - split))
                size = split
            else:
                path.append(self._over(start, split))
                start, size = start + split, size - split
        return path[::-1]

    def consistency_path(self, first: int, size: int) -> list[bytes]:
        """Return the hashes that show that the first `first` leaves are what the first `size` grew from.

        As in RFC 6962 section 2.1.2.

        Raises
        ------
        IndexError
            The earlier tree is empty or larger than the later one.
        """
        self._refuse_larger(size)
        if not 0 < first <= size:
            raise IndexError(f"the earlier size must be within 1 to {size}, got {first}")
        path, start = [], 0
        while first < size:
            split = _split(size)
            if first <= split:
                path.append(self._over(start + split, size - split))
                size = split
            else:
                path.append(self._over(start, split))
                start, first, size = start + split, first - split, size - split
        # Where the earlier tree is itself the subtree that is left, the asker has its root already.
        return [*([self._over(start, size)] if start else []), *path[::-1]]

    def _over(self, start: int, size: int) -> bytes:
        """Return the root over `size` leaves from `start` on, where a subtree begins."""
        if size & (size - 1) == 0:
            return self._levels[size.bit_length() - 1][start // size]
        split = _split(size)
        return node_hash(self._over(start, split), self._over(start + split, size - split))

    def _refuse_larger(self, size: int) -> None:
        if size > len(self._levels[0]):
            raise IndexError(f"there are {len(self._levels[0])} leaves, fewer than {size}")


def _split(size: int) -> int:
    """Return the largest power of two below `size`."""
    split: int = 1 << ((size - 1).bit_length() - 1)
    return split


def inclusion_holds(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """Check a proof of inclusion (RFC 9162 section 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    at, last, found = index, size - 1, leaf
    for sibling in path:
        if last == 0:
            return False
        if at & 1 or at == last:
            found = node_hash(sibling, found)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            found = node_hash(found, sibling)
        at, last = at >> 1, last >> 1
    return last == 0 and found == root


def consistency_holds(first: int, second: int, path: Sequence[bytes], first_root: bytes, second_root: bytes) -> bool:
    """Check a proof of consistency (RFC 9162 section 2.1.4.2)."""
    if first == second:
        return not path and first_root == second_root
    if not 0 < first < second or not path:
        return False
    # A full earlier tree is a node of the later one, so the proof leaves its root out.
    steps = list(path) if first & (first - 1) else [first_root, *path]
    at, last = first - 1, second - 1
    while at & 1:
        at, last = at >> 1, last >> 1
    old = new = steps[0]
    for step in steps[1:]:
        if last == 0:
            return False
        if at & 1 or at == last:
            old, new = node_hash(step, old), node_hash(step, new)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            new = node_hash(new, step)
        at, last = at >> 1, last >> 1
    return last == 0 and old == first_root and new == second_root
