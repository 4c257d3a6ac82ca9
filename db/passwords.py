"""Passwords: hashed by Argon2id (RFC 9106), kept beside the ledger, and never handed out."""

import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Connection, delete, insert, select

from db.store_errors import NotAllowed
from db.tables import PasswordRow

SHORTEST = 8
"""Characters, as NIST SP 800-63B asks at least of a password that a person chooses (from memory)."""
LONGEST = 256
"""A hash of a password without end would keep the station busy."""


def hash_of(password: str) -> str:
    """Return the hash of a new password.

    Raises
    ------
    NotAllowed
        It is too short or too long, or holds what cannot be typed again.
    """
    text = _composed(password)
    if not text.isprintable():
        raise NotAllowed(
            "the password holds what is no printable character; allowed: letters, digits, signs and spaces"
        )
    if not SHORTEST <= len(text) <= LONGEST:
        raise NotAllowed(f"the password has {len(text)} characters; allowed: {SHORTEST} to {LONGEST}")
    return PasswordHasher().hash(text)


def put(connection: Connection, name: str, hashed: str) -> None:
    """Keep a person's hash; one that was there is written over."""
    connection.execute(delete(PasswordRow).where(PasswordRow.name == name))
    connection.execute(insert(PasswordRow).values(name=name, hash=hashed))


def fits(connection: Connection, name: str, password: str) -> bool:
    """Tell whether a password is the one of a person."""
    hashed = connection.scalar(select(PasswordRow.hash).where(PasswordRow.name == name))
    try:
        return hashed is not None and PasswordHasher().verify(hashed, _composed(password))
    except (VerificationError, InvalidHashError, UnicodeEncodeError):
        return False


def _composed(password: str) -> str:
    """Write a letter with its accent in one way, whatever the keyboard sends (RFC 8265, section 4.2: NFC)."""
    return unicodedata.normalize("NFC", password)
