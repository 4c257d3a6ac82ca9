"""The one form of a document that digests are made of: RFC 8785."""

import hashlib
from typing import Any

import rfc8785


def canonical_bytes(document: Any) -> bytes:
    """Return a document's RFC 8785 form.

    Raises
    ------
    ValueError
        It holds what JSON cannot say, such as NaN, an integer beyond 2^53 or half a surrogate pair.
    """
    try:
        return rfc8785.dumps(document)
    except (rfc8785.CanonicalizationError, UnicodeError, RecursionError) as error:
        raise ValueError(f"the document has no canonical form ({error})") from None


def digest_of(content: bytes) -> str:
    """Return `sha256:` and the SHA-256 of bytes in hexadecimal (FIPS 180-4)."""
    return "sha256:" + hashlib.sha256(content).hexdigest()
