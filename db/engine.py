"""Connections: SQLite with everything safe switched on, or PostgreSQL; one writer at a time, readers beside it."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection

from db.store_errors import StoreError, told

BUSY_MS = 5000
_WRITES = "polemark_writes"
# Any number will do as long as it stays the same: it names the one lock of all writers.
_WRITER_LOCK = 7320615


def url_of(location: str | Path) -> URL:
    """Return the database URL: a path is an SQLite file, a text with `://` is a URL.

    Raises
    ------
    StoreError
        It is neither.
    """
    if "://" not in str(location):
        return URL.create("sqlite", database=str(location))
    with told("the store's address"):
        url = make_url(str(location))
    on_file = url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:")
    if not on_file and url.drivername != "postgresql+psycopg":
        raise StoreError(
            f"a store cannot be kept at {url.render_as_string()}; allowed: a path, sqlite:///FILE, postgresql+psycopg://HOST/DATABASE"
        )
    return url


def engine_for(url: URL) -> Engine:
    """Return an engine whose SQLite connections wait for each other, sync fully and heed foreign keys."""
    engine = create_engine(url)
    if url.get_backend_name() == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def engine_to_read(url: URL) -> Engine:
    """Return an engine that can change nothing; an SQLite file must be there."""
    if url.get_backend_name() != "sqlite":
        engine = create_engine(url)
        event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("SET TRANSACTION READ ONLY"))
        return engine
    path = Path(url.database or "")
    engine = create_engine(url, creator=lambda: file_to_read(path))
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "connect", _forbid_writing)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def file_to_read(path: Path) -> sqlite3.Connection:
    """Open an SQLite file that must be there, and may lie on a medium that is read only.

    Raises
    ------
    StoreError
        It lies on such a medium with a log, which cannot be read there.
    """
    # `rw` opens and never makes a file. Where nothing can be written, the log's index cannot be made; without a log
    # nobody else can be writing either.
    mode = "mode=rw" if os.access(path.parent, os.W_OK) else "immutable=1"
    log = path.with_name(f"{path.name}-wal")
    if mode == "immutable=1" and log.exists() and log.stat().st_size > 0:
        raise StoreError(
            f"{path} has a log ({log.name}) and lies where nothing can be written; copy both to a folder that can be"
        )
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?{mode}", uri=True, check_same_thread=False)


@contextmanager
def writing(engine: Engine, where: str) -> Iterator[Connection]:
    """Open a transaction as the only writer; it is committed at the end, or nothing of it stays.

    Raises
    ------
    StoreError
        The database refused.
    """
    with told(where), engine.execution_options(**{_WRITES: True}).begin() as connection:
        if connection.dialect.name == "postgresql":
            # Whatever the server is set to, a commit that is told of must be on its disk.
            connection.execute(text("SET LOCAL synchronous_commit = on"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _WRITER_LOCK})
        yield connection


@contextmanager
def reading(engine: Engine, where: str) -> Iterator[Connection]:
    """Open a transaction that reads one state of the store, whatever is added meanwhile, and stands in no writer's way.

    Raises
    ------
    StoreError
        The database refused.
    """
    with told(where), engine.connect() as connection:
        if connection.dialect.name == "postgresql":
            # Else each statement would see the commits of other stations since the one before.
            connection.execution_options(isolation_level="REPEATABLE READ")
        yield connection


def use_write_ahead_log(connection: Connection) -> None:
    """Switch an SQLite file to the write-ahead log; the file remembers it.

    Raises
    ------
    StoreError
        The file system cannot do it.
    """
    driver = connection.connection.driver_connection
    if connection.dialect.name != "sqlite" or driver is None:
        return
    mode = driver.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"the folder's file system allows no write-ahead log (it offers {mode}); allowed: a local disk"
        )


def _prepare_sqlite(connection: DBAPIConnection, _: object) -> None:
    # sqlite3 would begin transactions by itself, and not before the first change; `_begin_sqlite` does it instead.
    connection.isolation_level = None
    cursor = connection.cursor()
    pragmas = (f"busy_timeout = {BUSY_MS}", "synchronous = FULL", "foreign_keys = ON", "recursive_triggers = ON")
    for pragma in pragmas:
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _forbid_writing(connection: DBAPIConnection, _: object) -> None:
    cursor = connection.cursor()
    # The file may come from anywhere: nothing in its schema is trusted, and what is damaged is noticed early.
    for pragma in ("query_only = ON", "trusted_schema = OFF", "cell_size_check = ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # A writer takes the lock at once: a reader that turned writer half-way could be refused without waiting.
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get(_WRITES) else "BEGIN")
