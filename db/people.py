"""People and what they may do: every change is an entry, and what counts is told from the entries, the latest last."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from db import passwords
from db.column_types import time_text
from db.engine import reading
from db.results import StoredEntry
from db.store import Store
from db.store_errors import NotAllowed, understood

TECHNICIAN, QUALITY, AUDITOR, MAINTAINER = ROLES = ("technician", "quality", "auditor", "maintainer")
LONGEST_NAME = 80
UNPROVED = "not verified"
"""Who tried a wrong password: nobody knows."""


@dataclass(frozen=True, slots=True)
class Person:
    """An account as it stands now."""

    name: str
    roles: tuple[str, ...]
    active: bool
    allowed_until: Mapping[str, date] = field(default_factory=dict)
    """The last day on which the person may run a sequence, by its name."""

    def demand(self, what: str, *roles: str) -> None:
        """Refuse what the person's roles do not allow.

        Raises
        ------
        NotAllowed
            The person has none of the roles, or the account is retired.
        """
        if not self.active:
            raise NotAllowed(f"the account of {self.name} is retired; allowed: an account in use")
        if not set(roles) & set(self.roles):
            raise NotAllowed(
                f"{self.name} ({', '.join(self.roles)}) may not {what}; allowed: a person of role {' or '.join(roles)}"
            )

    def may_run(self, sequence: str, on: date) -> bool:
        """Tell whether the person is authorised for a sequence on a day."""
        return self.active and TECHNICIAN in self.roles and self.allowed_until.get(sequence, date.min) >= on


class People:
    """The accounts of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def listed(self) -> list[Person]:
        """List everybody who ever had an account, in the order in which they came."""
        return list(_people(self._store.entries("person", "permission")).values())

    def person(self, name: str) -> Person:
        """Return one account.

        Raises
        ------
        NotAllowed
            There is none of that name.
        """
        return _named({p.name: p for p in self.listed()}, name)

    def add(self, name: str, roles: Sequence[str], password: str, by: str | None, at_utc: datetime) -> None:
        """Add an account; the first is a maintainer's and adds itself.

        Parameters
        ----------
        by
            The maintainer who adds it; none for the first.

        Raises
        ------
        NotAllowed
            The name is taken or unfit, a role is unknown, the password is too short, or `by` is no maintainer.
        """
        _refuse_unfit(name, roles)
        hashed = passwords.hash_of(password)
        with self._store.adding("production", at_utc) as ledger:
            known = self._known(ledger.connection)
            if not known and MAINTAINER not in roles:
                raise NotAllowed(f"the first account is that of a maintainer, not of {' and '.join(roles)}")
            if known:
                _named(known, by).demand("add people", MAINTAINER)
            taken = next((other for other in known if other.casefold() == name.casefold()), None)
            if taken is not None:
                raise NotAllowed(
                    f"there is an account of {taken} already, and no name is used twice; allowed: another name"
                )
            ledger.add(
                _entry("person", name, by or name, at_utc)
                | {"change": "added", "roles": [r for r in ROLES if r in roles]}
            )
            passwords.put(ledger.connection, name, hashed)

    def retire(self, name: str, by: str, at_utc: datetime) -> None:
        """Close an account for good; what it signed stays.

        Raises
        ------
        NotAllowed
            There is no such account, it is retired already, it is the last maintainer's, or `by` is no maintainer.
        """
        with self._store.adding("production", at_utc) as ledger:
            known = self._known(ledger.connection)
            _named(known, by).demand("retire people", MAINTAINER)
            person = _named(known, name)
            if not person.active:
                raise NotAllowed(f"the account of {name} is retired already")
            others = [p for p in known.values() if p.active and MAINTAINER in p.roles and p.name != name]
            if not others:
                raise NotAllowed(f"{name} is the last maintainer; allowed: add another one first")
            ledger.add(_entry("person", name, by, at_utc) | {"change": "retired", "roles": list(person.roles)})

    def allow(self, name: str, sequence: str, until: date, by: str, at_utc: datetime) -> None:
        """Authorise a technician for a sequence up to a day, that day included; a day gone by takes it back.

        Raises
        ------
        NotAllowed
            There is no such account, it is retired or no technician's, or `by` is neither quality nor maintainer.
        """
        with self._store.adding("production", at_utc) as ledger:
            known = self._known(ledger.connection)
            _named(known, by).demand("authorise people", QUALITY, MAINTAINER)
            _named(known, name).demand("run sequences", TECHNICIAN)
            ledger.add(_entry("permission", name, by, at_utc) | {"sequence": sequence, "until": until.isoformat()})

    def set_password(self, name: str, password: str, by: str, at_utc: datetime) -> None:
        """Give an account another password; that it was changed is an entry, the password is not.

        Raises
        ------
        NotAllowed
            There is no such account, it is retired, the password is too short, or `by` is neither its owner nor a maintainer.
        """
        hashed = passwords.hash_of(password)
        with self._store.adding("production", at_utc) as ledger:
            known = self._known(ledger.connection)
            if by != name:
                _named(known, by).demand("change the passwords of others", MAINTAINER)
            _named(known, name).demand("have a password", *ROLES)
            ledger.add(_entry("password", name, by, at_utc))
            passwords.put(ledger.connection, name, hashed)

    def verified(self, name: str, password: str, what: str, at_utc: datetime) -> Person:
        """Return an account whose owner has proved to be there; a wrong password is an entry.

        Parameters
        ----------
        what
            What the person is about to do, for the entry: "run as-found".

        Raises
        ------
        NotAllowed
            There is no such account, it is retired, or the password is wrong.
        """
        person = self.person(name)
        person.demand(what, *ROLES)
        with reading(self._store.engine, self._store.where) as connection:
            fits = passwords.fits(connection, name, password)
        if not fits:
            with self._store.adding("production", at_utc) as ledger:
                ledger.add(_entry("refusal", name, UNPROVED, at_utc) | {"what": what, "why": "wrong password"})
            raise NotAllowed(
                f"the password of {name} is wrong; nothing was done, and the attempt is entered in the ledger"
            )
        return person

    def _known(self, connection: Connection) -> dict[str, Person]:
        return _people(self._store.entries_in(connection, "person", "permission"))


def _people(entries: Sequence[StoredEntry]) -> dict[str, Person]:
    """Tell everybody's account from the entries, in their order."""
    known: dict[str, Person] = {}
    for entry in entries:
        with understood(entry.kind, entry.position):
            said = entry.document
            known[said["name"]] = _changed(known.get(said["name"]), entry.kind, said)
    return known


def _changed(person: Person | None, kind: str, said: Mapping[str, Any]) -> Person:
    """Return an account as an entry leaves it."""
    if kind == "person" and said["change"] == "added":
        return Person(said["name"], tuple(said["roles"]), active=True)
    if person is None:
        raise ValueError(f"there is no account of {said['name']} before it")
    if kind == "person":
        return replace(person, active=False)
    return replace(person, allowed_until={**person.allowed_until, said["sequence"]: date.fromisoformat(said["until"])})


def _named(known: Mapping[str, Person], name: str | None) -> Person:
    if name is None or name not in known:
        raise NotAllowed(f"there is no account of {name or 'nobody'}; allowed: one that `polemark people list` shows")
    return known[name]


def _entry(kind: str, name: str, by: str, at_utc: datetime) -> dict[str, Any]:
    return {"format": f"polemark-{kind}-1", "name": name, "by": by, "at_utc": time_text(at_utc)}


def _refuse_unfit(name: str, roles: Sequence[str]) -> None:
    if not (0 < len(name) <= LONGEST_NAME and name.isprintable() and name == name.strip()):
        raise NotAllowed(
            f"the name {name[:40]!r} cannot be an account's; allowed: 1 to {LONGEST_NAME} printable characters, none of them "
            "a space at either end"
        )
    unknown = [role for role in roles if role not in ROLES]
    if unknown or not roles:
        raise NotAllowed(f"the role {unknown[0] if unknown else ''!r} is unknown; allowed: {', '.join(ROLES)}")
