"""Opening a database: SQLite with everything safe switched on, or PostgreSQL; migrated and checked before use."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine.interfaces import DBAPIConnection

from db.append_only import missing_triggers
from db.store_errors import StoreError, told

BUSY_MS = 5000
MIGRATIONS = Path(__file__).with_name("migrations")


def open_engine(location: str | Path) -> Engine:
    """Open a store: a path is an SQLite file, a text with `://` a database URL.

    Raises
    ------
    StoreError
        It cannot be opened, is of a newer schema, is no store, or has lost its triggers.
    """
    url = str(location) if "://" in str(location) else f"sqlite:///{location}"
    engine = create_engine(url)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_immediate)
    where = f"store {location}"
    try:
        with told(where), engine.begin() as connection:
            if engine.dialect.name == "postgresql":
                lock_writers(connection)
            _migrate(connection, where)
            _check(connection, where)
    except BaseException:
        engine.dispose()
        raise
    return engine


def lock_writers(connection: Connection) -> None:
    """Let one writer number entries at a time; SQLite does so by itself from `BEGIN IMMEDIATE` on."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(7320615)"))


def alembic_config(connection: Connection) -> Config:
    """Return the migrations' configuration for a connection."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def _prepare_sqlite(connection: DBAPIConnection, _: object) -> None:
    # sqlite3 would begin by itself, and deferred; `_begin_immediate` does it instead.
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "recursive_triggers = ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _migrate(connection: Connection, where: str) -> None:
    scripts = ScriptDirectory(str(MIGRATIONS))
    current = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in scripts.walk_revisions()}
    if current is None and inspect(connection).get_table_names():
        raise StoreError(f"{where}: the database holds other tables; allowed: a polemark store, or an empty one")
    if current is not None and current not in known:
        raise StoreError(f"{where}: its schema {current} is newer than this program; allowed: up to {scripts.get_current_head()}")
    if current != scripts.get_current_head():
        command.upgrade(alembic_config(connection), "head")


def _check(connection: Connection, where: str) -> None:
    lost = missing_triggers(connection)
    if lost:
        raise StoreError(f"{where}: append-only triggers are missing or changed: {', '.join(lost)}; the store is not trusted")
