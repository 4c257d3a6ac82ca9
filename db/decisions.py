"""Signatures on records and decisions about their motors: entries that name the record's digest and change nothing."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from db.column_types import time_text
from db.people import Person
from db.record_rules import MEANINGS, RELEASES
from db.store import Store
from db.store_errors import NotAllowed


def sign(store: Store, number: str, person: Person, meaning: str, at_utc: datetime) -> None:
    """Enter a signature.

    Parameters
    ----------
    person
        Who has just proved to be there.
    meaning
        One of `MEANINGS`.

    Raises
    ------
    UnknownRecord
        There is no such record.
    NotAllowed
        The record is void, or the person has signed it with this meaning before.
    """
    content = {"meaning": meaning, "statement": MEANINGS[meaning]}
    _add(store, "signature", number, person, content, at_utc)


def decide(
    store: Store,
    number: str,
    person: Person,
    disposition: str,
    why: str,
    concession: Mapping[str, str] | None,
    at_utc: datetime,
) -> None:
    """Enter a decision about the motor of a record; the proposal stays, and of several decisions the latest holds.

    Parameters
    ----------
    concession
        `by` whom and `for_what`, for a release under concession.

    Raises
    ------
    UnknownRecord
        There is no such record.
    NotAllowed
        The record is void, no reason is given, or nothing real was tested and it is to be released.
    """
    if not why.strip():
        raise NotAllowed(f"a decision on record {number} needs its reason")
    content = {"disposition": disposition, "why": why, "concession": None if concession is None else dict(concession)}
    _add(store, "decision", number, person, content, at_utc)


def _add(store: Store, kind: str, number: str, person: Person, content: Mapping[str, Any], at_utc: datetime) -> None:
    of_kind = store.record(number).document["kind"]
    if content.get("disposition") in RELEASES and of_kind != "production":
        raise NotAllowed(f"record {number} is of a {of_kind} run; it can never release a motor")
    with store.adding(of_kind, at_utc) as ledger:
        about = store.entries_in(ledger.connection, "record", "void", kind, subject=number)
        if any(e.kind == "void" for e in about):
            raise NotAllowed(f"record {number} is void; allowed: a record that counts")
        same = (person.name, content.get("meaning"))
        if kind == "signature" and same in {(e.document.get("by"), e.document.get("meaning")) for e in about}:
            raise NotAllowed(f"{person.name} has signed record {number} as {content['meaning']} already")
        record = next(e for e in about if e.kind == "record")
        said = {
            "format": f"polemark-{kind}-1",
            "number": number,
            "record": record.digest,
            "by": person.name,
            "roles": list(person.roles),
            "at_utc": time_text(at_utc),
        }
        ledger.add({**said, **content})
