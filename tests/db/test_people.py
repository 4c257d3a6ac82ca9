"""Accounts are entries of the ledger, passwords are not; who may do what is told from the entries."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from store_samples import opened, problems

from db.people import People, Person
from db.store import Store
from db.store_errors import NotAllowed, StoreError

NOW = datetime(2026, 3, 25, 8, 0, tzinfo=UTC)
WORDS = "four words of spelt"


def with_people(store: Store) -> People:
    people = People(store)
    people.add("Mara Example", ["maintainer"], WORDS, None, NOW)
    people.add("Tom Example", ["technician"], WORDS + "!", "Mara Example", NOW)
    people.add("Quinn Example", ["quality"], WORDS + "?", "Mara Example", NOW)
    return people


def test_accounts_are_told_from_the_entries_in_a_store_opened_again(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = with_people(store)
        people.allow("Tom Example", "as-left", date(2026, 6, 30), "Quinn Example", NOW)
        people.retire("Quinn Example", "Mara Example", NOW)
    with opened(tmp_path) as store:
        assert People(store).listed() == [
            Person("Mara Example", ("maintainer",), active=True),
            Person("Tom Example", ("technician",), active=True, allowed_until={"as-left": date(2026, 6, 30)}),
            Person("Quinn Example", ("quality",), active=False),
        ]
    assert problems(tmp_path / "records.db") == []


def test_an_authorisation_holds_on_its_last_day_and_for_its_sequence_alone(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = with_people(store)
        people.allow("Tom Example", "as-left", date(2026, 6, 30), "Mara Example", NOW)
        tom = people.person("Tom Example")
        assert tom.may_run("as-left", date(2026, 6, 30))
        assert not tom.may_run("as-left", date(2026, 7, 1))
        assert not tom.may_run("as-found", date(2026, 6, 30))
        people.allow("Tom Example", "as-left", date(2026, 3, 1), "Mara Example", NOW)
        assert not people.person("Tom Example").may_run("as-left", date(2026, 6, 1))


def test_a_password_and_its_hash_are_in_no_entry_and_the_hash_is_argon2id(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        with_people(store)
    with closing(sqlite3.connect(tmp_path / "records.db")) as connection:
        contents = b"".join(row[0] for row in connection.execute("SELECT content FROM entries"))
        hashes = [row[0] for row in connection.execute("SELECT hash FROM passwords")]
    assert len(hashes) == 3
    # The second recommended option of RFC 9106, section 4: Argon2id, 2^16 KiB, 3 passes, 4 lanes; version 0x13 is 19.
    assert all(h.startswith("$argon2id$v=19$m=65536,t=3,p=4$") for h in hashes)
    for secret in (WORDS.encode(), b"argon2", *(h.encode() for h in hashes)):
        assert secret not in contents


def test_a_password_is_verified_whichever_way_its_letters_are_composed(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = People(store)
        # One letter against letter and accent, Unicode Standard Annex 15, figure 3: U+00E9 is U+0065 U+0301.
        people.add("Mara", ["maintainer"], "caf\u00e9 au lait", None, NOW)
        assert people.verified("Mara", "cafe\u0301 au lait", "sign", NOW).name == "Mara"


def test_a_wrong_password_is_refused_and_entered_and_the_store_stays_whole(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = with_people(store)
        with pytest.raises(NotAllowed, match="the password of Tom Example is wrong; nothing was done"):
            people.verified("Tom Example", WORDS, "sign as tested", NOW)
        refusals = [e.document for e in store.entries("refusal")]
        assert [(r["name"], r["by"], r["what"], r["why"]) for r in refusals] == [
            ("Tom Example", "not verified", "sign as tested", "wrong password")
        ]
        assert WORDS not in str(refusals)
    assert problems(tmp_path / "records.db") == []


def test_a_changed_password_takes_the_place_of_the_old_one_and_that_it_changed_is_entered(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = with_people(store)
        people.set_password("Tom Example", "another one of mine", "Tom Example", NOW)
        people.set_password("Quinn Example", "forgotten, so renewed", "Mara Example", NOW)
        assert people.verified("Tom Example", "another one of mine", "run", NOW).name == "Tom Example"
        assert people.verified("Quinn Example", "forgotten, so renewed", "run", NOW).name == "Quinn Example"
        with pytest.raises(NotAllowed, match="is wrong"):
            people.verified("Tom Example", WORDS + "!", "run", NOW)
        assert [(e.document["name"], e.document["by"]) for e in store.entries("password")] == [
            ("Tom Example", "Tom Example"), ("Quinn Example", "Mara Example"),
        ]  # fmt: skip


def test_an_account_without_a_hash_lets_nobody_in(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = with_people(store)
        with closing(sqlite3.connect(tmp_path / "records.db")) as connection, connection:
            connection.execute("DELETE FROM passwords WHERE name = 'Tom Example'")
            connection.execute("UPDATE passwords SET hash = 'nonsense' WHERE name = 'Quinn Example'")
        for name in ("Tom Example", "Quinn Example"):
            with pytest.raises(NotAllowed, match="is wrong"):
                people.verified(name, WORDS, "run", NOW)


REFUSED: dict[str, tuple[Callable[[People], object], str]] = {
    "added by nobody": (
        lambda p: p.add("New", ["auditor"], WORDS, None, NOW), "there is no account of nobody; allowed: one that"),
    "added by a stranger": (
        lambda p: p.add("New", ["auditor"], WORDS, "Stranger", NOW), "there is no account of Stranger; allowed: one that"),
    "added by quality": (
        lambda p: p.add("New", ["auditor"], WORDS, "Quinn Example", NOW),
        r"Quinn Example \(quality\) may not add people; allowed: a person of role maintainer"),
    "a name again, in capitals": (
        lambda p: p.add("TOM EXAMPLE", ["auditor"], WORDS, "Mara Example", NOW),
        "there is an account of Tom Example already, and no name is used twice; allowed: another name"),
    "no role": (lambda p: p.add("New", [], WORDS, "Mara Example", NOW), "the role '' is unknown; allowed: technician"),
    "another role": (
        lambda p: p.add("New", ["boss"], WORDS, "Mara Example", NOW), "the role 'boss' is unknown; allowed: technician"),
    "a short password": (
        lambda p: p.add("New", ["auditor"], "1234567", "Mara Example", NOW),
        "the password has 7 characters; allowed: 8 to 256"),
    "a password with half a character": (
        lambda p: p.set_password("Tom Example", "long enough \udce9", "Tom Example", NOW),
        "the password holds what is no printable character"),
    "half a character as the password": (
        lambda p: p.verified("Tom Example", "long enough \udce9", "run", NOW), "the password of Tom Example is wrong"),
    "a long password": (
        lambda p: p.set_password("Tom Example", "x" * 257, "Tom Example", NOW),
        "the password has 257 characters; allowed: 8 to 256"),
    "a name with a space at its end": (
        lambda p: p.add("New ", ["auditor"], WORDS, "Mara Example", NOW), "the name 'New ' cannot be an account's"),
    "a name that turns the line round": (
        lambda p: p.add("N\u202eew", ["auditor"], WORDS, "Mara Example", NOW), "cannot be an account's"),
    "retired by a technician": (
        lambda p: p.retire("Quinn Example", "Tom Example", NOW), "may not retire people; allowed: a person of role maint"),
    "the last maintainer": (
        lambda p: p.retire("Mara Example", "Mara Example", NOW),
        "Mara Example is the last maintainer; allowed: add another one first"),
    "authorised by a technician": (
        lambda p: p.allow("Tom Example", "as-left", date(2027, 1, 1), "Tom Example", NOW), "may not authorise people"),
    "an authorised auditor": (
        lambda p: p.allow("Quinn Example", "as-left", date(2027, 1, 1), "Mara Example", NOW),
        r"Quinn Example \(quality\) may not run sequences; allowed: a person of role technician"),
    "somebody else's password": (
        lambda p: p.set_password("Tom Example", WORDS, "Quinn Example", NOW), "may not change the passwords of others"),
}  # fmt: skip


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store with three people, which no refusal changes."""
    with opened(tmp_path_factory.mktemp("settled")) as store:
        with_people(store)
        yield store


@pytest.mark.parametrize("way", REFUSED)
def test_what_is_not_allowed_is_refused_in_one_sentence_and_changes_nobody(settled: Store, way: str) -> None:
    act, sentence = REFUSED[way]
    people = People(settled)
    before, entries = people.listed(), [e.position for e in settled.entries("person", "permission", "password")]
    with pytest.raises(NotAllowed, match=sentence):
        act(people)
    assert people.listed() == before
    assert [e.position for e in settled.entries("person", "permission", "password")] == entries


def test_the_first_account_is_a_maintainers_and_a_retired_one_does_nothing_more(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        people = People(store)
        with pytest.raises(NotAllowed, match="the first account is that of a maintainer, not of quality"):
            people.add("Quinn", ["quality"], WORDS, None, NOW)
        assert people.listed() == []
        people.add("Mara", ["maintainer", "technician"], WORDS, None, NOW)
        people.add("Max", ["maintainer"], WORDS, "Mara", NOW)
        people.allow("Mara", "as-left", date(2027, 1, 1), "Max", NOW)
        people.retire("Mara", "Max", NOW + timedelta(days=1))
        assert not people.person("Mara").may_run("as-left", date(2026, 6, 1))
        for act in (
            lambda: people.verified("Mara", WORDS, "run", NOW),
            lambda: people.add("New", ["auditor"], WORDS, "Mara", NOW),
            lambda: people.allow("Mara", "as-left", date(2027, 1, 1), "Max", NOW),
            lambda: people.set_password("Mara", WORDS, "Max", NOW),
        ):
            with pytest.raises(NotAllowed, match="the account of Mara is retired; allowed: an account in use"):
                act()
        with pytest.raises(NotAllowed, match="the account of Mara is retired already"):
            people.retire("Mara", "Max", NOW)


@pytest.mark.parametrize(
    "said",
    [
        {"format": "polemark-person-1", "name": "Eve"},
        {"format": "polemark-person-1", "name": "Eve", "change": "added", "roles": 7},
        {"format": "polemark-permission-1", "name": "Stranger", "sequence": "as-left", "until": "2027-01-01"},
        {"format": "polemark-permission-1", "name": "Mara Example", "sequence": "as-left", "until": "soon"},
    ],
)
def test_an_entry_that_is_signed_and_yet_of_no_form_ends_with_a_sentence(tmp_path: Path, said: dict[str, Any]) -> None:
    with opened(tmp_path) as store:
        with_people(store)
        with store.adding("production", NOW) as ledger:
            position = ledger.add(said | {"at_utc": "2026-03-25T08:00:00.000Z"}).position
        with pytest.raises(
            StoreError, match=f"entry {position} is no (person|permission) .* the store was changed, or is"
        ):
            People(store).listed()


def test_a_store_of_the_first_schema_gets_its_table_of_passwords_and_keeps_its_records(tmp_path: Path) -> None:
    from alembic import command

    from db.engine import engine_for, url_of, writing
    from db.schema import config_for

    engine = engine_for(url_of(tmp_path / "records.db"))
    with writing(engine, "here") as connection:
        command.upgrade(config_for(connection), "0001")
    engine.dispose()
    with opened(tmp_path) as store:
        with_people(store)
    with closing(sqlite3.connect(tmp_path / "records.db")) as connection:
        assert connection.execute("SELECT count(*) FROM passwords").fetchone() == (3,)
        # That table alone may be written over.
        assert connection.execute("UPDATE passwords SET hash = 'x'").rowcount == 3
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute("UPDATE entries SET kind = 'x'")
