"""Rows are only ever added, whoever holds the file: tried with plain sqlite3, which has none of the store's settings."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import Column, Text
from store_samples import NOW, document, opened, started, waveform

from db.append_only import UNPROTECTED, lost_triggers, protect
from db.engine import engine_for, reading, url_of, writing
from db.record_rules import Attachment
from db.store import Store, StoreError
from db.tables import Base

TABLES = sorted(set(Base.metadata.tables) - set(UNPROTECTED))
KEYS = {
    "attachments": "digest", "entries": "position", "findings": "record, ordinal", "heads": "size", "jobs": "position",
    "keys": "name", "motors": "position", "records": "number", "runs": "series, ordinal", "waveforms": "digest",
}  # fmt: skip


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with a row in every table."""
    folder = tmp_path_factory.mktemp("full")
    start, wave, photo = started(), waveform(1), Attachment(b"photo")
    with opened(folder) as store:
        store.add_job({"number": "J-1"}, "S-1", NOW)
        store.add_motor({"serial": "S-1"}, "nb4-100", NOW)
        begun = store.begin_run(start)
        record = document(begun, start, [wave], attachments=[{"digest": photo.digest}])
        store.add_record(begun.number, record, [wave], [photo])
    return folder / "records.db"


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


def columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]


VERBS = {
    "UPDATE": "UPDATE {table} SET {column} = {column}",
    "UPDATE OR REPLACE": "UPDATE OR REPLACE {table} SET {column} = {column}",
    "DELETE": "DELETE FROM {table}",
    "upsert": "INSERT INTO {table} SELECT * FROM {table} WHERE true ON CONFLICT({keys}) DO UPDATE SET {column} = excluded.{column}",
    "INSERT OR REPLACE": "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
    "REPLACE": "REPLACE INTO {table} SELECT * FROM {table}",
    "INSERT OR REPLACE by row number": "INSERT OR REPLACE INTO {table}(rowid, {all}) SELECT rowid, {fresh} FROM {table}",
}


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("table", TABLES)
def test_every_table_refuses_every_way_of_changing_a_row(full: Path, table: str, verb: str) -> None:
    before = dump(full)
    with closing(sqlite3.connect(full)) as connection:
        assert connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 0  # noqa: S608
        names = columns(connection, table)
        # For the last verb every text key gets a value that is not there, so that only the row number is in the way.
        fresh = ", ".join(f"{n} || 'x'" if n in ("digest", "number", "name") else n for n in names)
        statement = VERBS[verb].format(
            table=table, column=names[0], keys=KEYS[table], all=", ".join(names), fresh=fresh
        )
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(statement)
    assert dump(full) == before


def test_a_unique_value_in_the_way_of_a_new_row_is_not_replaced(full: Path) -> None:
    before = dump(full)
    with closing(sqlite3.connect(full)) as connection, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        # A new position, so only the unique number stands in the way.
        connection.execute(
            "INSERT OR REPLACE INTO runs SELECT position + 1000, number, series, ordinal + 1000, kind, stage, job, "
            "motor_serial, motor_type, station, started_utc FROM runs"
        )
    assert dump(full) == before


def test_a_new_row_is_still_taken(full: Path) -> None:
    with closing(sqlite3.connect(full)) as connection:
        connection.execute("INSERT INTO attachments VALUES ('sha256:11', x'00')")
        connection.rollback()


TAMPERING = {
    "dropped": "DROP TRIGGER {name}",
    "made idle": "DROP TRIGGER {name}; CREATE TRIGGER {name} BEFORE {event} ON {table} WHEN 0 BEGIN SELECT RAISE(ABORT, "
    "'append-only: rows are added, never changed'); END",
    "table dropped": "DROP TABLE {table}",
}


@pytest.mark.parametrize("way", TAMPERING)
@pytest.mark.parametrize(("table", "event"), [("entries", "UPDATE"), ("waveforms", "DELETE"), ("findings", "INSERT")])
def test_a_trigger_that_is_gone_or_idle_is_noticed_at_opening(tmp_path: Path, table: str, event: str, way: str) -> None:
    with opened(tmp_path):
        pass
    name = f"{table}_no_{'replace' if event == 'INSERT' else event.lower()}"
    with closing(sqlite3.connect(tmp_path / "records.db")) as connection:
        connection.executescript(
            "PRAGMA foreign_keys = OFF;" + TAMPERING[way].format(name=name, table=table, event=event)
        )
    with pytest.raises(StoreError) as refused:
        Store.open(tmp_path / "records.db")
    if (way, table) == ("table dropped", "entries"):
        assert "the database holds other tables; allowed: a polemark store" in str(refused.value)
    else:
        assert "triggers that keep it append-only are missing or changed (" in str(refused.value)
        assert name in str(refused.value)


def test_a_migration_that_rebuilds_a_table_gets_its_triggers_back(tmp_path: Path) -> None:
    engine = engine_for(url_of(tmp_path / "records.db"))
    with opened(tmp_path):
        pass
    with writing(engine, "here") as connection:
        operations = Operations(MigrationContext.configure(connection))
        # Every migration ends with `protect`; without it a rebuild leaves the table open.
        with operations.batch_alter_table("attachments", recreate="always") as batch:
            batch.add_column(Column("note", Text))
        lost = lost_triggers(connection)
        assert lost == ["attachments_no_delete", "attachments_no_replace", "attachments_no_update"]
        protect(connection)
    with reading(engine, "here") as connection:
        assert lost_triggers(connection) == []
    engine.dispose()


def test_every_migration_ends_by_putting_the_triggers_in_place() -> None:
    from db.schema import MIGRATIONS

    scripts = [*(MIGRATIONS / "versions").glob("*.py"), MIGRATIONS / "script.py.mako"]
    assert len(scripts) > 1
    for script in scripts:
        assert script.read_text(encoding="utf-8").rstrip().endswith("    protect(op.get_bind())"), script.name
