"""What can go wrong with the store, each as one sentence."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError, SQLAlchemyError


class StoreError(RuntimeError):
    """The records cannot be read or written; the message is one clear sentence."""


_SENTENCES = (
    ("database or disk is full", "the disk is full: nothing was stored, earlier records are intact"),
    ("disk i/o error", "the disk reports an error or is full: nothing was stored, earlier records are intact"),
    ("readonly database", "the store is read-only; allowed: a folder that may be written"),
    ("unable to open database file", "the store cannot be opened; allowed: a folder that may be read and written"),
    ("database is locked", "the store is locked by another process; nothing was stored"),
    ("malformed", "the store is damaged; restore it from a backup before going on"),
    ("not a database", "the file is no polemark store; allowed: a store, or a new file"),
    ("append-only", "the store refuses to change what is stored: rows are only ever added"),
    ("connection refused", "the database server does not answer"),
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
    except (OperationalError, IntegrityError, DatabaseError) as error:
        raise StoreError(f"{where}: {_sentence(str(error.orig))}") from error
    except SQLAlchemyError as error:
        raise StoreError(f"{where}: {_first_line(str(error))}") from error


def _sentence(said: str) -> str:
    return next((sentence for part, sentence in _SENTENCES if part in said.lower()), _first_line(said))


def _first_line(text: str) -> str:
    return text.strip().split("\n", 1)[0]
