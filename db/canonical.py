"""The one form of a document that digests are made of: RFC 8785."""

import hashlib
from typing import Any

import rfc8785


def canonical_bytes(document: Any) -> bytes:
    """Return a document's RFC 8785 form.

    Raises
    ------
    ValueError
        It holds what JSON cannot say, such as NaN, or an integer beyond 2^53.
    """
    try:
        return rfc8785.dumps(document)
    except rfc8785.CanonicalizationError as error:
        raise ValueError(f"the document has no canonical form: {error}") from None


def digest_of(content: bytes) -> str:
    """Return `sha256:` and the hexadecimal SHA-256 of bytes."""
    return "sha256:" + hashlib.sha256(content).hexdigest()
