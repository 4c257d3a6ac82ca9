"""Ed25519 keys (RFC 8032): one for production records, another for simulated and training records; and signed heads."""

import contextlib
import os
import stat
import tempfile
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Self

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key

from db.canonical import canonical_bytes, digest_of
from db.column_types import time_of, time_text
from db.store_errors import StoreError

MESSAGE_FORMAT = "polemark-head-1"


class KeyUse(StrEnum):
    """What a key signs; nothing that was simulated or practised is ever signed as production."""

    PRODUCTION = "production"
    PRACTICE = "simulated and training"

    @classmethod
    def for_kind(cls, kind: str) -> Self:
        """Return the use that belongs to a run's kind; an analysis is real, though its captures come from elsewhere."""
        return cls("production" if kind in ("production", "analysis") else "simulated and training")


_FILES = {KeyUse.PRODUCTION: "production-key.pem", KeyUse.PRACTICE: "practice-key.pem"}


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key with its use."""

    use: KeyUse
    private: Ed25519PrivateKey

    @property
    def public(self) -> bytes:
        """The public key's 32 bytes."""
        return self.private.public_key().public_bytes_raw()

    @property
    def name(self) -> str:
        """The digest of the public key, by which heads name it."""
        return digest_of(self.public)


@dataclass(frozen=True, slots=True)
class Head:
    """The ledger at one size: its root, signed."""

    size: int
    root: bytes
    at_utc: datetime
    key: str
    signature: bytes

    def message(self) -> bytes:
        """Return what is signed."""
        return head_message(self.size, self.root, self.at_utc, self.key)


def head_message(size: int, root: bytes, at_utc: datetime, key: str) -> bytes:
    """Return the RFC 8785 form of a head without its signature."""
    head = {
        "format": MESSAGE_FORMAT,
        "size": size,
        "root": f"sha256:{root.hex()}",
        "at_utc": time_text(at_utc),
        "key": key,
    }
    return canonical_bytes(head)


def sign_head(key: SigningKey, size: int, root: bytes, at_utc: datetime) -> Head:
    """Sign the ledger's root at a size; the head's time is kept as it is signed, to the millisecond."""
    signed_utc = time_of(time_text(at_utc))
    return Head(size, root, signed_utc, key.name, key.private.sign(head_message(size, root, signed_utc, key.name)))


def head_holds(head: Head, public: bytes) -> bool:
    """Tell whether a head is signed by the owner of a public key."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(head.signature, head.message())
    except (InvalidSignature, ValueError):
        return False
    return digest_of(public) == head.key


def read_or_make_key(folder: Path, use: KeyUse) -> SigningKey:
    """Return the key of a use from its folder; the first time, make it.

    Raises
    ------
    StoreError
        The file cannot be made or read, can be read by others, or holds no Ed25519 key.
    """
    path = folder / _FILES[use]
    try:
        if not path.exists():
            _make(path)
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            raise StoreError(f"the private key {path} may be read by others (mode {mode:04o}); allowed: mode 0600")
        private = load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise StoreError(f"the private key {path} cannot be made or read: {error.strerror}") from None
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise StoreError(
            f"the file {path} holds no private key; restore it from its backup, or move it away to begin a new one"
        ) from None
    if not isinstance(private, Ed25519PrivateKey):
        raise StoreError(f"the private key {path} is of another sort; allowed: Ed25519")
    return SigningKey(use, private)


def _make(path: Path) -> None:
    """Write a new key so that it is there whole or not at all; if another process was faster, its key stands."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    pem = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    # A temporary file of this function has mode 0600 from its first moment.
    descriptor, part = tempfile.mkstemp(dir=path.parent, prefix=path.stem)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileExistsError):
            os.link(part, path)
    finally:
        Path(part).unlink()
