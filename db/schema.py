"""The schema at opening: what the database is, migrating it when it is older, refusing what is not ours or not whole."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import URL, Connection, Engine, MetaData, inspect, text

from db.append_only import lost_triggers
from db.engine import engine_for, reading, use_write_ahead_log, writing
from db.store_errors import StoreError
from db.tables import Base

if TYPE_CHECKING:
    from alembic.config import Config

MIGRATIONS = Path(__file__).with_name("migrations")


@dataclass(frozen=True, slots=True)
class Schema:
    """One kind of database: its tables, the migrations that lead there, and the table that tells it from others."""

    named: str
    metadata: MetaData
    migrations: Path
    mark: str

    def newest_revision(self) -> str:
        """Return the revision that this program knows last; file names begin with it."""
        return max(path.name[:4] for path in (self.migrations / "versions").glob("[0-9]*_*.py"))


STORE = Schema("a polemark store", Base.metadata, MIGRATIONS, "entries")


def ready(engine: Engine, where: str, schema: Schema = STORE) -> None:
    """Bring a database to this program's schema and check that its rows are protected.

    Raises
    ------
    StoreError
        It is of a newer schema, is no store, or has lost its triggers.
    """
    with reading(engine, where) as connection:
        current = _revision(connection, where, schema)
    # Only now that it is known to be a store, or empty: another program's file keeps its own settings.
    with reading(engine, where) as connection:
        use_write_ahead_log(connection)
    if current != schema.newest_revision():
        with writing(engine, where) as connection:
            # Another process may have migrated while this one waited for the lock.
            if _revision(connection, where, schema) != schema.newest_revision():
                _upgrade(connection, schema)
    with reading(engine, where) as connection:
        lost = lost_triggers(connection, schema.metadata)
    if lost:
        raise StoreError(
            f"{where}: triggers that keep it append-only are missing or changed ({', '.join(lost)}); it is not used"
        )


def stored_revision(engine: Engine, where: str) -> str:
    """Return the revision of a store that is there.

    Raises
    ------
    StoreError
        It is newer than this program, or no store.
    """
    with reading(engine, where) as connection:
        current = _revision(connection, where, STORE)
    if current is None:
        raise StoreError(f"{where}: the database is empty; allowed: a polemark store")
    return current


def refuse_other_revision(engine: Engine, where: str) -> None:
    """Refuse to read a store of another schema than this program's.

    Raises
    ------
    StoreError
        It is newer or older, or no store.
    """
    current = stored_revision(engine, where)
    if current != STORE.newest_revision():
        raise StoreError(
            f"{where}: its schema ({current}) is older than this program's ({STORE.newest_revision()}); "
            "`polemark records` brings it up to date"
        )


def schema_problems(connection: Connection) -> Iterator[str]:
    """Say in what a store's schema is not the one this program would make: its revision, its tables, its triggers.

    On SQLite every object is compared by its text; on a server the triggers alone.
    """
    revisions = [str(row[0]) for row in connection.execute(text("SELECT version_num FROM alembic_version"))]
    if revisions != [STORE.newest_revision()]:
        said = ", ".join(revisions) or "none"
        yield f"its schema is of revision {said} and this program checks {STORE.newest_revision()}"
        return
    if connection.dialect.name == "sqlite":
        there, due = _objects(connection), _objects_due()
        yield from (f"the {kind} {name} of its schema is missing or changed" for kind, name, *_ in sorted(due - there))
        known = {(kind, name) for kind, name, *_ in due}
        surplus = sorted({(str(kind), str(name)) for kind, name, *_ in there - due} - known)
        yield from (f"the {kind} {name} does not belong to its schema" for kind, name in surplus)
    else:
        yield from (f"the trigger {name} is missing or changed" for name in lost_triggers(connection))


def _objects(connection: Connection) -> set[tuple[str, ...]]:
    return {tuple(row) for row in connection.execute(text("SELECT type, name, tbl_name, sql FROM sqlite_master"))}


@cache
def _objects_due() -> frozenset[tuple[str, ...]]:
    """Return the schema's objects as the migrations make them, in memory."""
    engine = engine_for(URL.create("sqlite"))
    try:
        with writing(engine, "a new store in memory") as connection:
            _upgrade(connection, STORE)
            return frozenset(_objects(connection))
    finally:
        engine.dispose()


def config_for(connection: Connection, schema: Schema = STORE) -> "Config":
    """Return the settings of the migrations for one connection; they come from the installed package, wherever it is."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(schema.migrations).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def _upgrade(connection: Connection, schema: Schema) -> None:
    # Alembic takes a while to import, and most openings do without.
    from alembic import command

    command.upgrade(config_for(connection, schema), "head")


def _revision(connection: Connection, where: str, schema: Schema) -> str | None:
    """Return the revision of a database of ours, or None for an empty database."""
    tables = inspect(connection).get_table_names()
    if not tables:
        return None
    if "alembic_version" not in tables or schema.mark not in tables:
        raise StoreError(f"{where}: the database holds other tables; allowed: {schema.named}, or an empty database")
    current = connection.scalar(text("SELECT version_num FROM alembic_version"))
    if current is None or str(current) > schema.newest_revision():
        raise StoreError(
            f"{where}: its schema ({current}) is newer than this program knows ({schema.newest_revision()}); use the newer program, nothing was changed"
        )
    return str(current)
