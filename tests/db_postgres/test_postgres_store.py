"""The store on PostgreSQL: same migrations, same promises."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from alembic import command
from killing import ROOT, Acknowledged, killing
from private_postgres import Cluster, private_cluster
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from store_samples import NOW, document, problems, started, store_record, waveform

from db import schema
from db.append_only import UNPROTECTED
from db.engine import engine_for, reading, url_of, writing
from db.record_rules import Attachment
from db.store import Store, StoreError
from db.tables import Base


@contextmanager
def opened_at(url: str, keys: Path) -> Iterator[Store]:
    with Store.open(url, keys=keys) as store:
        yield store


def fill(store: Store) -> None:
    """Put a row in every table."""
    start, wave, photo = started(), waveform(1), Attachment(b"photo")
    store.add_job({"number": "J-1"}, "S-1", NOW)
    store.add_motor({"serial": "S-1"}, "nb4-100", NOW)
    begun = store.begin_run(start)
    record = document(begun, start, [wave], attachments=[{"digest": photo.digest}])
    store.add_record(begun.number, record, [wave], [photo])


def test_models_and_migrations_do_not_drift_apart_on_postgresql(url: str, tmp_path: Path) -> None:
    with opened_at(url, tmp_path) as store, writing(store.engine, "here") as connection:
        command.check(schema.config_for(connection))


def test_a_record_comes_back_as_it_was_given(url: str, tmp_path: Path) -> None:
    start, waves = started(), [waveform(1), waveform(2, dtype="int16")]
    with opened_at(url, tmp_path) as store:
        begun = store.begin_run(start)
        given = document(begun, start, waves)
        stored = store.add_record(begun.number, given, waves)
        store.add_void(begun.number, "Kim Sample", "tried out", NOW)
    with opened_at(url, tmp_path) as store:
        found = store.record(begun.number)
        assert (found.document, found.digest, found.void) == (given, stored.digest, True)
        for back, wave in zip(store.waveforms(begun.number), waves, strict=True):
            assert np.array_equal(back.counts, wave.counts)
        assert store.find(since=NOW)[0].started_utc == NOW
    assert problems(url) == []


def test_the_same_records_make_the_same_digests_on_both_databases(url: str, tmp_path: Path) -> None:
    digests = []
    for location in (url, str(tmp_path / "records.db")):
        with opened_at(location, tmp_path / "keys") as store:
            digests.append([store_record(store, started(), [waveform(i)]).digest for i in range(3)])
    assert digests[0] == digests[1]


PROTECTED = sorted(set(Base.metadata.tables) - set(UNPROTECTED))
VERBS = {
    "UPDATE": "UPDATE {table} SET {column} = {column}",
    "DELETE": "DELETE FROM {table}",
    "TRUNCATE": "TRUNCATE {table} CASCADE",
    "upsert": "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT ON CONSTRAINT pk_{table} DO UPDATE SET {column} = excluded.{column}",
    "UPDATE as a replica": "SET LOCAL session_replication_role = replica; UPDATE {table} SET {column} = {column}",
    "DELETE as a replica": "SET LOCAL session_replication_role = replica; DELETE FROM {table}",
}  # fmt: skip


@pytest.mark.parametrize("verb", VERBS)
def test_every_table_refuses_every_way_of_changing_a_row(url: str, tmp_path: Path, verb: str) -> None:
    with opened_at(url, tmp_path) as store:
        fill(store)
        for name in PROTECTED:
            table = Base.metadata.tables[name]
            statement = VERBS[verb].format(table=name, column=f'"{next(iter(table.columns)).name}"')
            with store.engine.connect() as connection:
                assert connection.scalar(text(f"SELECT count(*) FROM {name}"))  # noqa: S608
                with pytest.raises(DBAPIError, match="append-only"):
                    connection.exec_driver_sql(statement)
    assert problems(url) == []


TAMPERING = [
    "DROP TRIGGER entries_no_change ON entries",
    "ALTER TABLE entries DISABLE TRIGGER entries_no_change",
    "ALTER TABLE entries ENABLE TRIGGER entries_no_change",
    "ALTER TABLE entries DISABLE TRIGGER ALL",
    "CREATE OR REPLACE FUNCTION polemark_append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NEW; END $$",
    "DROP TRIGGER entries_no_change ON entries; CREATE TRIGGER entries_no_change BEFORE DELETE ON entries FOR EACH ROW "
    "EXECUTE FUNCTION polemark_append_only(); ALTER TABLE entries ENABLE ALWAYS TRIGGER entries_no_change",
    "DROP TRIGGER entries_no_change ON entries; CREATE TRIGGER entries_no_change BEFORE UPDATE OR DELETE ON entries FOR EACH ROW "
    "WHEN (false) EXECUTE FUNCTION polemark_append_only(); ALTER TABLE entries ENABLE ALWAYS TRIGGER entries_no_change",
]  # fmt: skip


@pytest.mark.parametrize("statement", TAMPERING)
def test_a_trigger_that_is_gone_idle_or_changed_is_noticed_at_opening(url: str, tmp_path: Path, statement: str) -> None:
    with opened_at(url, tmp_path) as store, store.engine.begin() as connection:
        connection.exec_driver_sql(statement)
    with pytest.raises(
        StoreError, match=r"triggers that keep it append-only are missing or changed .*entries_no_change"
    ):
        Store.open(url)


def test_another_programs_database_is_left_as_it_is(url: str) -> None:
    engine = engine_for(url_of(url))
    with engine.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE recipes (name text)")
    with pytest.raises(
        StoreError, match="the database holds other tables; allowed: a polemark store, or an empty database"
    ):
        Store.open(url)
    with engine.connect() as connection:
        tables = connection.exec_driver_sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").scalar()
    engine.dispose()
    assert tables == 1


def test_a_newer_schema_is_left_alone_and_said(url: str, tmp_path: Path) -> None:
    with opened_at(url, tmp_path) as store, store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0999'")
    with pytest.raises(StoreError, match=r"its schema \(0999\) is newer than this program knows"):
        Store.open(url)


def test_one_reading_sees_one_state(url: str, tmp_path: Path) -> None:
    with opened_at(url, tmp_path) as store, reading(store.engine, "here") as connection:
        before = connection.exec_driver_sql("SELECT count(*) FROM entries").scalar()
        store_record(store, started())
        assert connection.exec_driver_sql("SELECT count(*) FROM entries").scalar() == before
        assert len(store.find()) == 1


WRITER = """
import sys
from pathlib import Path
from store_samples import started, store_record, waveform
from db.store import Store
with Store.open(sys.argv[1], keys=Path(sys.argv[2])) as store:
    for i in range(12):
        print(store_record(store, started(station=sys.argv[3]), [waveform(i)]).number)
"""


def test_stations_that_write_to_one_store_at_once_lose_and_double_nothing(url: str, tmp_path: Path) -> None:
    # The database is new, so they also migrate it at once.
    stations = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, url, str(tmp_path / name), name],
            env={"PYTHONPATH": f"{ROOT}:{ROOT / 'tests/support'}"}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for name in ("station-1", "station-2", "station-3")
    ]  # fmt: skip
    answers = [station.communicate(timeout=120) for station in stations]
    numbers = [number for out, _ in answers for number in out.split()]
    assert sorted(numbers) == [f"PM-{i:06d}" for i in range(1, 37)], answers
    with Store.open(url) as store:
        assert {len(store.find(station=name)) for name in ("station-1", "station-2", "station-3")} == {12}
    assert problems(url) == []


def test_every_acknowledged_record_is_whole_after_kill_9_of_the_writer(url: str, tmp_path: Path) -> None:
    told = Acknowledged()
    with killing(url, tmp_path / "keys", seed=21) as kill, opened_at(url, tmp_path / "keys") as store:
        for _ in range(12):
            kill.one_writer(told)
            store.close_dead_runs(NOW, "closed at the next start")
        for number, digest in told.stored.items():
            assert store.record(number).digest == digest
            assert len(store.waveforms(number)) == 2
        known = {summary.number for summary in store.find()}
    assert len(told.begun) == len(set(told.begun))
    assert set(told.begun) <= known
    assert told.stored
    assert problems(url) == []


def test_a_server_that_goes_away_is_said_and_what_was_stored_is_there_when_it_is_back(tmp_path: Path) -> None:
    with private_cluster() as own, opened_at(own.url(), tmp_path) as store:
        first = store_record(store, started(), [waveform(1)])
        own.stop()
        for _ in range(2):
            with pytest.raises(
                StoreError, match=r"the database server (went away|does not answer); nothing of this was stored"
            ):
                store.begin_run(started())
        own.start()
        assert store_record(store, started(), [waveform(2)]).number == "PM-000002"
        assert store.record(first.number).digest == first.digest
        assert problems(own.url()) == []


def test_a_password_is_not_shown(cluster: Cluster) -> None:
    address = f"postgresql+psycopg://polemark:hunter2@/nowhere?host={cluster.folder}"
    with pytest.raises(StoreError) as refused:
        Store.open(address)
    assert "hunter2" not in str(refused.value)
    assert 'database "nowhere" does not exist' in str(refused.value)


def test_a_store_on_a_server_can_be_read_without_keys_and_not_added_to(url: str) -> None:
    with Store.open(url) as store:
        assert store.find() == []
        with pytest.raises(
            StoreError, match="nothing can be added without this station's signing keys; name their folder"
        ):
            store.begin_run(started())


def test_missing_server_programs_are_said_with_the_package_that_has_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import private_postgres

    monkeypatch.setattr(private_postgres, "INSTALLED", tmp_path)
    with pytest.raises(private_postgres.ServerMissing, match="apt-get install postgresql"):
        private_postgres.programs()
