"""Triggers that let rows be added and nothing else, on SQLite and on PostgreSQL; put in place anew by every migration.

On SQLite the text of every trigger is compared, on PostgreSQL what it fires at, whether it fires, and what it runs.
"""

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, MetaData, Table, UniqueConstraint, inspect, text

from db.tables import Base

WHY = "append-only: rows are added, never changed"
# None is evidence: the schema's number, hashes of passwords, and at the central store when a station was last heard of.
UNPROTECTED = ("alembic_version", "passwords", "central_sightings")
_FUNCTION = "polemark_append_only"
_BODY = f" BEGIN RAISE EXCEPTION '{WHY}'; END "
# pg_trigger.tgtype, from PostgreSQL's catalogue: 1 row, 2 before, 8 delete, 16 update, 32 truncate.
_SERVER_TRIGGERS = {"no_change": ("UPDATE OR DELETE", "ROW", 27), "no_truncate": ("TRUNCATE", "STATEMENT", 34)}

Keys = Sequence[Sequence[str]]


def protect(connection: Connection) -> None:
    """Create the triggers of every table that the database now has; those that are there are replaced."""
    inspector = inspect(connection)
    server = connection.dialect.name == "postgresql"
    if server:
        connection.execute(
            text(f"CREATE OR REPLACE FUNCTION {_FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $${_BODY}$$")
        )
    for name in inspector.get_table_names():
        if name in UNPROTECTED:
            continue
        unique = [u["column_names"] for u in inspector.get_unique_constraints(name)]
        keys = [inspector.get_pk_constraint(name)["constrained_columns"], *unique]
        for statement in _on_server(name) if server else _on_sqlite(name, keys):
            connection.execute(text(statement))


def lost_triggers(connection: Connection, metadata: MetaData = Base.metadata) -> list[str]:
    """Return the triggers that should be there and are not, or are not as they should be."""
    tables = [table for table in metadata.tables.values() if table.name not in UNPROTECTED]
    if connection.dialect.name == "postgresql":
        wanted: Mapping[str, object] = {
            f"{t.name}_{name}": (t.name, tgtype, "A", _BODY, None)
            for t in tables
            for name, (_, _, tgtype) in _SERVER_TRIGGERS.items()
        }
        there: Mapping[str, object] = _there_on_server(connection)
    else:
        wanted = {
            _name_in(sql): sql for t in tables for sql in _on_sqlite(t.name, _keys(t)) if sql.startswith("CREATE")
        }
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
        there = {row.name: row.sql for row in rows}
    return sorted(name for name in wanted if there.get(name) != wanted[name])


def _there_on_server(connection: Connection) -> dict[str, object]:
    rows = connection.execute(
        text(
            "SELECT t.tgname, c.relname, t.tgtype, t.tgenabled, p.prosrc, t.tgqual FROM pg_trigger t "
            "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
            "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace"
        )
    )
    return {r.tgname: (r.relname, r.tgtype, _plain(r.tgenabled), r.prosrc, r.tgqual) for r in rows}


def _plain(char: str | bytes) -> str:
    """PostgreSQL's one-byte character type comes as bytes from some drivers."""
    return char.decode() if isinstance(char, bytes) else char


def _keys(table: Table) -> Keys:
    unique = [[c.name for c in u.columns] for u in table.constraints if isinstance(u, UniqueConstraint)]
    return [[c.name for c in table.primary_key.columns], *unique]


def _on_sqlite(table: str, keys: Keys) -> list[str]:
    # INSERT OR REPLACE deletes the row in its way without asking the delete trigger, so a row that is there is refused
    # beforehand; the hidden row number counts as a key, for it can be given too.
    same = [" AND ".join(f"{column} = NEW.{column}" for column in key) for key in sorted(map(list, keys))]
    found = " OR ".join(["rowid = NEW.rowid", *(f"({s})" for s in same)])
    there = f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {found}) "  # noqa: S608 - the names are those of our own tables
    statements = []
    for name, event, when in (
        ("no_update", "UPDATE", ""),
        ("no_delete", "DELETE", ""),
        ("no_replace", "INSERT", there),
    ):
        statements.append(f"DROP TRIGGER IF EXISTS {table}_{name}")
        statements.append(
            f"CREATE TRIGGER {table}_{name} BEFORE {event} ON {table} {when}BEGIN SELECT RAISE(ABORT, '{WHY}'); END"
        )
    return statements


def _name_in(create: str) -> str:
    return create.split()[2]


def _on_server(table: str) -> list[str]:
    statements = []
    for name, (events, level, _) in _SERVER_TRIGGERS.items():
        trigger = f"{table}_{name}"
        statements += [
            f"CREATE OR REPLACE TRIGGER {trigger} BEFORE {events} ON {table} FOR EACH {level} EXECUTE FUNCTION {_FUNCTION}()",
            # ALWAYS: it fires for replication roles too.
            f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {trigger}",
        ]
    return statements
