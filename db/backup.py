"""Copies of a store: taken while it is written to, checked before they count, and never put over another store."""

import errno
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from db.engine import engine_to_read, file_to_read, url_of
from db.proofs import KeptHead
from db.schema import STORE, stored_revision
from db.store import Store
from db.store_check import Checked, check_store
from db.store_errors import StoreError, told

# What SQLite lays beside its file.
_BESIDE = ("", "-wal", "-shm", "-journal")


class UnsoundCopy(StoreError):  # noqa: N818 - it names what is wrong, as the sentence does
    """A copy that was not put in place, with what is wrong with it."""

    def __init__(self, sentence: str, problems: Sequence[str]) -> None:
        super().__init__(sentence)
        self.problems = problems


def back_up(source: Path, copy: Path) -> Checked:
    """Copy a store to one file, in the state it has at one moment, whatever is written meanwhile.

    Raises
    ------
    FileExistsError
        There is a file of that name already.
    StoreError
        The store cannot be read, the copy cannot be written, or it is not sound.
    """
    with _part_of(copy) as part:
        _copy(source, part)
        with told(f"copy {part}"), closing(sqlite3.connect(part)) as connection:
            # One file and no log, so that it can lie on any medium.
            connection.execute("PRAGMA journal_mode = DELETE")
        checked = _sound(part, f"store {source}", ())
        _put_in_place(part, copy)
    return checked


def restore(copy: Path, target: Path, kept: Sequence[KeptHead] = ()) -> Checked:
    """Put a copy where no store is, after it was checked, and brought to this program's schema if it is older.

    Parameters
    ----------
    kept
        Heads that were kept outside the store; the copy must have grown from each of them.

    Raises
    ------
    FileExistsError
        There is a store already, or what is left of one.
    StoreError
        The copy is damaged, is no store, or did not grow from the heads; nothing was put in place.
    """
    refuse_what_is_there(target)
    with _part_of(target) as part:
        _copy(copy, part)
        _migrate(part, f"copy {copy}")
        checked = _sound(part, f"copy {copy}", kept)
        _put_in_place(part, target)
    return checked


def refuse_what_is_there(target: Path) -> None:
    """Refuse a place where a store is, or what is left of one.

    Raises
    ------
    FileExistsError
        Its name.
    """
    for end in _BESIDE:
        there = target.with_name(target.name + end)
        if there.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(there))


def _copy(source: Path, part: Path) -> None:
    with told(f"store {source}"), closing(file_to_read(source)) as store, closing(sqlite3.connect(part)) as copy:
        # In one step: what is committed meanwhile is left out, and nobody waits.
        store.backup(copy, pages=-1)
    shutil.copymode(source, part)


def _migrate(part: Path, where: str) -> None:
    """Bring a copy to this program's schema; an empty database is no copy of anything."""
    engine = engine_to_read(url_of(part))
    try:
        older = stored_revision(engine, where) != STORE.newest_revision()
    finally:
        engine.dispose()
    if older:
        Store.open(part).close()


def _sound(part: Path, where: str, kept: Sequence[KeptHead]) -> Checked:
    engine = engine_to_read(url_of(part))
    try:
        checked = check_store(engine, str(part), kept)
    finally:
        engine.dispose()
    if checked.problems:
        raise UnsoundCopy(f"{where}: it is not sound, nothing was written", checked.problems)
    return checked


@contextmanager
def _part_of(final: Path) -> Iterator[Path]:
    """Give the name of a new file beside the final one; whatever is left of it goes at the end.

    Raises
    ------
    StoreError
        It cannot be written there.
    """
    if final.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final))
    try:
        descriptor, name = tempfile.mkstemp(dir=final.parent, prefix=f"{final.name}-part-")
        os.close(descriptor)
    except OSError as error:
        raise StoreError(f"{final} cannot be written: {error.strerror}; allowed: a path in a writable folder") from None
    part = Path(name)
    try:
        yield part
    finally:
        for end in _BESIDE:
            with suppress(OSError):
                part.with_name(part.name + end).unlink(missing_ok=True)


def _put_in_place(part: Path, final: Path) -> None:
    """Move a file that is whole on the disk to a name that nothing has."""
    with part.open("rb") as file:
        os.fsync(file.fileno())
    try:
        os.link(part, final)
    except FileExistsError:
        raise
    except OSError:
        # A medium without links, such as a memory stick.
        if final.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final)) from None
        part.replace(final)
    descriptor = os.open(final.parent, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
