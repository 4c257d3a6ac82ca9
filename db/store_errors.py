"""What can go wrong with the store, each as one sentence.

StoreError
├── UnknownRecord    a record was asked for by a number that is not there: the asker's mistake, not the store's
└── NotAllowed       a person may not do this, or what is asked breaks a rule: the asker's mistake too
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError


class StoreError(RuntimeError):
    """The records cannot be read or written; the message is one clear sentence."""


class UnknownRecord(StoreError):  # noqa: N818 - it names what is wrong, as the sentence does
    """There is no record of the number asked for."""


class NotAllowed(StoreError):  # noqa: N818 - it names what is wrong, as the sentence does
    """A person may not do what is asked, or it breaks a rule for people, signatures and decisions."""


class DamagedValueError(ValueError):
    """A value came out of the database that nothing of ours can have put there."""


_DAMAGED = "the file is damaged; restore it from a backup and keep the damaged one"
_SENTENCES = (
    ("database or disk is full", "the disk is full: nothing of this was stored, earlier records are intact"),
    ("no space left on device", "the disk is full: nothing of this was stored, earlier records are intact"),
    ("disk i/o error", "the disk reports an error or is full: nothing of this was stored, earlier records are intact"),
    ("readonly database", "it may only be read; allowed: a file and folder that may be written"),
    ("unable to open database file", "it cannot be opened; allowed: a folder that exists and may be read and written"),
    (
        "database is locked",
        "another process holds it locked; nothing of this was stored, try again when that process has ended",
    ),
    ("malformed", _DAMAGED),
    ("could not decode to utf-8", _DAMAGED),
    ("not a database", "the file is no polemark store; allowed: a store, or a file that does not exist yet"),
    ("append-only", "it refuses to change what is stored: rows are only ever added"),
    ("connection refused", "the database server does not answer; nothing of this was stored"),
    ("no such file or directory", "the database server does not answer; nothing of this was stored"),
    ("server closed the connection", "the database server went away; nothing of this was stored"),
    ("terminating connection", "the database server went away; nothing of this was stored"),
)


@contextmanager
def told(where: str) -> Iterator[None]:
    """Turn a database's error into a sentence.

    Raises
    ------
    StoreError
        Whatever the database raised, with where the store is.
    """
    try:
        yield
    except (UnicodeDecodeError, DamagedValueError) as error:
        # SQLite quotes damaged text even in what it says is wrong.
        raise StoreError(f"{where}: {_DAMAGED}") from error
    except DBAPIError as error:
        raise StoreError(f"{where}: {_sentence(str(error.orig))}") from error
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise StoreError(f"{where}: {_sentence(str(error))}") from error


@contextmanager
def understood(kind: str, position: int) -> Iterator[None]:
    """Turn an entry that is signed and yet not of its kind's form into a sentence.

    Raises
    ------
    StoreError
        It lacks something, or what stands there is of another sort.
    """
    try:
        yield
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise StoreError(
            f"entry {position} is no {kind} ({type(error).__name__}: {error}); the store was changed, or is damaged"
        ) from None


def _sentence(said: str) -> str:
    return next((sentence for part, sentence in _SENTENCES if part in said.lower()), said.strip().split("\n", 1)[0])
