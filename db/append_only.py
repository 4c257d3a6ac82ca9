"""Triggers that let rows be added and nothing else, on SQLite and on PostgreSQL; put in place anew by every migration."""

from sqlalchemy import Connection, Table, text

from db.tables import APPEND_ONLY, Base

WHY = "append-only: rows are added, never changed"


def protect(connection: Connection, tables: tuple[str, ...] = APPEND_ONLY) -> None:
    """Create the triggers of every table that has none or lost them."""
    for name in tables:
        for statement in _statements(connection.dialect.name, Base.metadata.tables[name]):
            connection.execute(text(statement))


def missing_triggers(connection: Connection) -> list[str]:
    """Return the triggers that should be there and are not, or are not as they should be."""
    wanted = {t for name in APPEND_ONLY for t in _names(connection.dialect.name, name)}
    if connection.dialect.name == "sqlite":
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
        there = {row.name for row in rows if WHY in (row.sql or "")}
    else:
        rows = connection.execute(text("SELECT tgname AS name FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'"))
        there = {row.name for row in rows}
    return sorted(wanted - there)


def _names(dialect: str, table: str) -> list[str]:
    kinds = ("no_update", "no_delete", "no_replace") if dialect == "sqlite" else ("append_only", "no_truncate")
    return [f"{table}_{kind}" for kind in kinds]


def _statements(dialect: str, table: Table) -> list[str]:
    name = table.name
    if dialect == "sqlite":
        # INSERT OR REPLACE deletes without asking the delete trigger, so a row that is there is refused beforehand.
        same = " OR ".join(_same_keys(table))
        return [
            f"CREATE TRIGGER IF NOT EXISTS {name}_no_update BEFORE UPDATE ON {name} BEGIN SELECT RAISE(ABORT, '{WHY}'); END",
            f"CREATE TRIGGER IF NOT EXISTS {name}_no_delete BEFORE DELETE ON {name} BEGIN SELECT RAISE(ABORT, '{WHY}'); END",
            f"CREATE TRIGGER IF NOT EXISTS {name}_no_replace BEFORE INSERT ON {name} "
            f"WHEN EXISTS (SELECT 1 FROM {name} WHERE {same}) BEGIN SELECT RAISE(ABORT, '{WHY}'); END",
        ]
    return [
        "CREATE OR REPLACE FUNCTION polemark_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{WHY}'; END $$",
        f"CREATE OR REPLACE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE ON {name} "
        "FOR EACH ROW EXECUTE FUNCTION polemark_append_only()",
        f"CREATE OR REPLACE TRIGGER {name}_no_truncate BEFORE TRUNCATE ON {name} "
        "FOR EACH STATEMENT EXECUTE FUNCTION polemark_append_only()",
    ]


def _same_keys(table: Table) -> list[str]:
    from sqlalchemy import UniqueConstraint

    keys = [[c.name for c in table.primary_key.columns]]
    keys += [[c.name for c in u.columns] for u in table.constraints if isinstance(u, UniqueConstraint)]
    return ["(" + " AND ".join(f"{column} = NEW.{column}" for column in key) + ")" for key in keys]
