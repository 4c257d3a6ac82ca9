"""Accounts on PostgreSQL, and a central copy that holds what people did and no hash of a password."""

from datetime import date
from pathlib import Path

import psycopg
import pytest
from central_samples import assert_copied_whole, copy
from people_samples import PASSWORDS, ROLES, add_people, stored_as_left
from sqlalchemy import make_url
from store_samples import NOW, opened, problems

from db.decisions import decide, sign
from db.people import People
from db.store import Store
from db.store_errors import NotAllowed

TOM, QUINN = "Tom Example", "Quinn Example"


def test_accounts_passwords_and_decisions_work_on_postgresql_as_on_sqlite(url: str, tmp_path: Path) -> None:
    with Store.open(url, keys=tmp_path) as store:
        people = add_people(store)
        people.allow(TOM, "as-left", date(2027, 6, 30), QUINN, NOW)
        number = stored_as_left(store)
        sign(store, number, people.verified(TOM, PASSWORDS[TOM], "sign", NOW), "tested", NOW)
        decide(store, number, people.verified(QUINN, PASSWORDS[QUINN], "decide", NOW), "release", "conforms", None, NOW)
        people.set_password(TOM, "another one of his", TOM, NOW)
        with pytest.raises(NotAllowed, match="the password of Tom Example is wrong"):
            people.verified(TOM, PASSWORDS[TOM], "sign", NOW)
    with Store.open(url, keys=tmp_path) as store:
        assert [p.name for p in People(store).listed()] == list(ROLES)
        record = store.record(number)
        assert ([s["by"] for s in record.signatures], [d["by"] for d in record.decisions]) == ([TOM], [QUINN])
    assert problems(url) == []


def test_central_gets_what_people_did_and_no_hash(url: str, tmp_path: Path) -> None:
    folder = tmp_path / "station-1"
    folder.mkdir()
    with opened(folder) as store:
        people = add_people(store)
        number = stored_as_left(store)
        sign(store, number, people.person(TOM), "tested", NOW)
    assert copy(folder, url, "station-1") > len(ROLES)
    assert_copied_whole(folder, url, "station-1")
    with psycopg.connect(make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)) as central:
        kinds = {row[0] for row in central.execute("SELECT kind FROM central_entries")}
        assert {"person", "signature"} <= kinds
        tables = [row[0] for row in central.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")]
        assert "central_entries" in tables
        for table in tables:
            rows = str(central.execute(f"SELECT t::text FROM {table} t").fetchall())  # noqa: S608
            assert "argon2" not in rows
            assert b"argon2".hex() not in rows
