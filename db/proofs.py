"""Proofs that are checked without the store: a record lies in a signed head, a head grew from an earlier one.

Each is a short JSON document. What a proof says of a head is what was signed, so it is worth as much as the public key,
or the head kept earlier, that it is held against.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self

from db.column_types import time_of, time_text
from db.merkle import DIGEST_BYTES, Tree, consistency_holds, inclusion_holds, leaf_hash
from db.signing import MESSAGE_FORMAT, Head, head_holds

HEAD_FORMAT = "polemark-signed-head-1"
INCLUSION_FORMAT = "polemark-inclusion-1"
CONSISTENCY_FORMAT = "polemark-consistency-1"
_KEPT = re.compile(r"([0-9]{1,15}):(?:sha256:)?([0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class KeptHead:
    """A head as somebody outside the station kept it: at least its size and root."""

    size: int
    root: bytes
    signed: "SignedHead | None" = None

    @classmethod
    def of_text(cls, text: str) -> Self:
        """Read `size:root` as it is printed; the root in hexadecimal, with or without `sha256:`.

        Raises
        ------
        ValueError
            It is not of that form.
        """
        found = _KEPT.fullmatch(text.strip().lower())
        if found is None or int(found[1]) == 0:
            raise ValueError("a kept head is written size:root, the root in 64 hexadecimal digits")
        return cls(int(found[1]), bytes.fromhex(found[2]))

    @classmethod
    def of_document(cls, document: Any) -> Self:
        """Read a signed head, the message of one, or the head out of a proof.

        Raises
        ------
        ValueError
            It is neither, or the head is not signed by the key that it names.
        """
        if isinstance(document, Mapping) and document.get("format") == MESSAGE_FORMAT:
            return cls(_number(document, "size"), _digest(document, "root"))
        signed = SignedHead.of_document(document)
        if not signed.holds():
            raise ValueError(f"the head of size {signed.head.size} is not signed by the key it names")
        return cls(signed.head.size, signed.head.root, signed)


@dataclass(frozen=True, slots=True)
class SignedHead:
    """A head together with the public key that its signature is checked with."""

    head: Head
    use: str
    public: bytes

    def holds(self) -> bool:
        """Tell whether the owner of the key signed it."""
        return head_holds(self.head, self.public)

    def text(self) -> str:
        """Return `size:root`, short enough to be printed and typed."""
        return head_text(self.head)

    def document(self) -> dict[str, Any]:
        """Return it as a document."""
        return {
            "format": HEAD_FORMAT,
            "size": self.head.size,
            "root": f"sha256:{self.head.root.hex()}",
            "at_utc": time_text(self.head.at_utc),
            "key": self.head.key,
            "use": self.use,
            "public": self.public.hex(),
            "signature": self.head.signature.hex(),
        }

    @classmethod
    def of_document(cls, document: Any) -> Self:
        """Read what `document` wrote.

        Raises
        ------
        ValueError
            It is none, or lacks something.
        """
        if isinstance(document, Mapping) and isinstance(document.get("head"), Mapping):
            document = document["head"]
        said = _of_format(document, HEAD_FORMAT)
        head = Head(
            _number(said, "size"),
            _digest(said, "root"),
            _moment(said, "at_utc"),
            _text(said, "key"),
            _hexadecimal(said, "signature"),
        )
        return cls(head, _text(said, "use"), _hexadecimal(said, "public"))


@dataclass(frozen=True, slots=True)
class InclusionProof:
    """Shows that an entry stands at a position below a signed head (RFC 6962 section 2.1.1)."""

    position: int
    path: tuple[bytes, ...]
    signed: SignedHead

    def holds(self, content: bytes) -> bool:
        """Check it for the entry's content, its signature too."""
        head = self.signed.head
        below = inclusion_holds(leaf_hash(content), self.position, head.size, self.path, head.root)
        return below and self.signed.holds()

    def document(self) -> dict[str, Any]:
        """Return it as a document."""
        return {
            "format": INCLUSION_FORMAT,
            "position": self.position,
            "path": [node.hex() for node in self.path],
            "head": self.signed.document(),
        }

    @classmethod
    def of_document(cls, document: Any) -> Self:
        """Read what `document` wrote.

        Raises
        ------
        ValueError
            It is none, or lacks something.
        """
        said = _of_format(document, INCLUSION_FORMAT)
        return cls(_number(said, "position"), _path(said), SignedHead.of_document(said))


@dataclass(frozen=True, slots=True)
class ConsistencyProof:
    """Shows that the ledger under a head only grew from an earlier one (RFC 6962 section 2.1.2)."""

    first_size: int
    first_root: bytes
    path: tuple[bytes, ...]
    signed: SignedHead

    def holds(self) -> bool:
        """Check it, the later head's signature too."""
        head = self.signed.head
        grown = consistency_holds(self.first_size, head.size, self.path, self.first_root, head.root)
        return grown and self.signed.holds()

    def document(self) -> dict[str, Any]:
        """Return it as a document."""
        return {
            "format": CONSISTENCY_FORMAT,
            "first_size": self.first_size,
            "first_root": f"sha256:{self.first_root.hex()}",
            "path": [node.hex() for node in self.path],
            "head": self.signed.document(),
        }

    @classmethod
    def of_document(cls, document: Any) -> Self:
        """Read what `document` wrote.

        Raises
        ------
        ValueError
            It is none, or lacks something.
        """
        said = _of_format(document, CONSISTENCY_FORMAT)
        return cls(_number(said, "first_size"), _digest(said, "first_root"), _path(said), SignedHead.of_document(said))


def head_text(head: Head) -> str:
    """Return a head as `size:root`."""
    return f"{head.size}:{head.root.hex()}"


def prove_inclusion(tree: Tree, position: int, signed: SignedHead) -> InclusionProof:
    """Prove an entry of a ledger under a head.

    Raises
    ------
    IndexError
        The head does not cover that entry, or covers more than the tree.
    """
    return InclusionProof(position, tuple(tree.inclusion_path(position, signed.head.size)), signed)


def prove_growth(tree: Tree, first: KeptHead, signed: SignedHead) -> ConsistencyProof:
    """Prove that a ledger grew from an earlier head to a signed one.

    Raises
    ------
    IndexError
        The earlier head covers more entries than the signed one.
    ValueError
        It did not grow from it: no proof exists.
    """
    path = tuple(tree.consistency_path(first.size, signed.head.size))
    proof = ConsistencyProof(first.size, first.root, path, signed)
    if not proof.holds():
        raise ValueError(f"the ledger did not grow from the head of size {first.size} that is given")
    return proof


def _of_format(document: Any, due: str) -> Mapping[str, Any]:
    if not isinstance(document, Mapping) or document.get("format") != due:
        said = document.get("format") if isinstance(document, Mapping) else type(document).__name__
        raise ValueError(f"its format is {said!r}; allowed: {due}")
    return document


def _number(said: Mapping[str, Any], name: str) -> int:
    value = said.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError(f"its {name} is {value!r}; allowed: a whole number")
    return value


def _text(said: Mapping[str, Any], name: str) -> str:
    value = said.get(name)
    if not isinstance(value, str):
        raise ValueError(f"its {name} is {value!r}; allowed: text")  # noqa: TRY004 - a fault of the file, not of a caller
    return value


def _moment(said: Mapping[str, Any], name: str) -> datetime:
    try:
        return time_of(_text(said, name))
    except ValueError:
        raise ValueError(f"its {name} is {said.get(name)!r}; allowed: a UTC time") from None


def _hexadecimal(said: Mapping[str, Any], name: str) -> bytes:
    try:
        return bytes.fromhex(_text(said, name))
    except ValueError:
        raise ValueError(f"its {name} is {said.get(name)!r}; allowed: hexadecimal digits") from None


def _digest(said: Mapping[str, Any], name: str) -> bytes:
    found = re.fullmatch(r"sha256:([0-9a-f]{64})", _text(said, name))
    if found is None:
        raise ValueError(f"its {name} is {said.get(name)!r}; allowed: sha256: and 64 hexadecimal digits")
    return bytes.fromhex(found[1])


def _path(said: Mapping[str, Any]) -> tuple[bytes, ...]:
    nodes = said.get("path")
    if not isinstance(nodes, list) or not all(isinstance(n, str) and re.fullmatch("[0-9a-f]{64}", n) for n in nodes):
        raise ValueError(f"its path is wrong; allowed: a list of digests of {2 * DIGEST_BYTES} hexadecimal digits")
    return tuple(bytes.fromhex(n) for n in nodes)
