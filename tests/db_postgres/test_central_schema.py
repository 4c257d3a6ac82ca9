"""The central store's tables: models and migrations say the same, rows are only added, and no database is taken for another."""

import re
from pathlib import Path

import psycopg
import pytest
from alembic import command
from alembic.script import ScriptDirectory
from central_samples import ROOT, assert_copied_whole, copy, database_of, fill, plain
from private_postgres import Cluster

from db.append_only import UNPROTECTED
from db.central_store import CENTRAL, Central
from db.central_tables import CentralBase
from db.engine import writing
from db.schema import config_for
from db.store import Store, StoreError

TABLES = sorted(set(CentralBase.metadata.tables) - set(UNPROTECTED))
VERBS = {
    "UPDATE": "UPDATE {table} SET {column} = {column}",
    "DELETE": "DELETE FROM {table}",
    "TRUNCATE": "TRUNCATE {table} CASCADE",
    "upsert": "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT ON CONSTRAINT pk_{table} DO UPDATE SET {column} = excluded.{column}",
    "DELETE as a replica": "SET LOCAL session_replication_role = replica; DELETE FROM {table}",
}


@pytest.fixture
def filled(url: str, tmp_path: Path) -> str:
    fill(tmp_path / "one", "station-1", runs=3)
    copy(tmp_path / "one", url, "station-1")
    return url


def test_models_and_migrations_of_the_central_store_do_not_drift_apart(url: str) -> None:
    with Central.open(url) as central, writing(central.engine, "here") as connection:
        command.check(config_for(connection, CENTRAL))


def test_central_revisions_are_numbered_in_one_line_and_put_the_triggers_in_place() -> None:
    scripts = list(ScriptDirectory(str(CENTRAL.migrations)).walk_revisions())
    numbers = [script.revision for script in reversed(scripts)]
    assert numbers == [f"{i:04d}" for i in range(1, len(numbers) + 1)]
    assert CENTRAL.newest_revision() == numbers[-1]
    for path in [*map(Path, (s.path for s in scripts)), CENTRAL.migrations / "script.py.mako"]:
        assert path.read_text(encoding="utf-8").rstrip().endswith("    protect(op.get_bind())"), path.name


@pytest.mark.parametrize("verb", VERBS)
def test_every_central_table_refuses_every_way_of_changing_a_row(filled: str, verb: str) -> None:
    with psycopg.connect(plain(filled), autocommit=True) as connection:
        for table in TABLES:
            statement = VERBS[verb].format(table=table, column="name" if table == "central_stations" else "station")
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() > (0,)  # type: ignore[operator]  # noqa: S608
            with pytest.raises(psycopg.errors.RaiseException, match="append-only"):
                connection.execute(statement)


def test_a_trigger_of_the_central_store_that_is_gone_is_noticed_at_opening(filled: str) -> None:
    with psycopg.connect(plain(filled)) as connection:
        connection.execute("ALTER TABLE central_heads DISABLE TRIGGER central_heads_no_change")
    with pytest.raises(StoreError, match=r"missing or changed \(central_heads_no_change\)"):
        Central.open(filled)


def test_a_stations_store_and_a_central_store_are_not_taken_for_each_other(
    cluster: Cluster, url: str, tmp_path: Path
) -> None:
    Store.open(url, keys=tmp_path).close()
    with pytest.raises(StoreError, match="holds other tables; allowed: a central polemark store, or an empty database"):
        Central.open(url)
    other = cluster.new_database(f"central_{database_of(url)}")
    Central.open(other).close()
    with pytest.raises(StoreError, match="holds other tables; allowed: a polemark store, or an empty database"):
        Store.open(other)


def test_a_newer_central_schema_is_left_alone_and_said(filled: str) -> None:
    with psycopg.connect(plain(filled)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0999'")
    with pytest.raises(StoreError, match=r"its schema \(0999\) is newer than this program knows"):
        Central.open(filled)


def rights_in_the_guide(role: str) -> str:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    granted = re.findall(r"^    (GRANT .*?;)$", guide, re.MULTILINE | re.DOTALL)
    return "".join(statement.replace(" copier;", f" {role};") for statement in granted)


def test_a_station_copies_with_the_right_to_add_alone_and_can_neither_change_nor_unlock_a_row(
    cluster: Cluster, filled: str, tmp_path: Path
) -> None:
    role = f"copier_{database_of(filled)}"
    with psycopg.connect(plain(filled)) as connection:
        connection.execute(f"CREATE ROLE {role} LOGIN; {rights_in_the_guide(role)}")
    own = filled.replace("polemark@", f"{role}@")
    fill(tmp_path / "two", "station-2", runs=2, seed=2)
    copy(tmp_path / "two", own, "station-2")
    assert_copied_whole(tmp_path / "two", filled, "station-2")
    with psycopg.connect(plain(own), autocommit=True) as connection:
        for table in TABLES:
            for statement in (
                f"DELETE FROM {table}",  # noqa: S608
                f"ALTER TABLE {table} DISABLE TRIGGER ALL",
                f"DROP TRIGGER {table}_no_change ON {table}",
                f"TRUNCATE {table}",
            ):
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    connection.execute(statement)
