"""`polemark people`: accounts, roles and authorisations."""

import json
from datetime import UTC, date, datetime
from pathlib import Path

import click

from db.people import MAINTAINER, QUALITY, ROLES, People, Person
from db.store import Store
from station.data_folder import DataFolder
from station.exit_codes import BadInput, ExitCode
from station.find_files import FileKind, find_file
from station.password_entry import new_password_of
from station.people_check import owner_of
from station.sequence_model import Sequence

NEW_PASSWORD = "--new-password-file"  # noqa: S105 - the name of an option


def add_command(
    folder: DataFolder, name: str, roles: tuple[str, ...], by: str | None, files: tuple[Path | None, Path | None]
) -> int:
    """Add an account; the first needs nobody to add it and is a maintainer's.

    Parameters
    ----------
    files
        Where the password of `by` is read from, and the new one.
    """
    with folder.open_store() as store:
        people = People(store)
        if people.listed():
            by = _owner(store, by, files[0], "add people", MAINTAINER).name
        elif by is not None:
            raise BadInput("there are no accounts yet; allowed: the first maintainer, added without --as")
        password = new_password_of(name, files[1], option=NEW_PASSWORD)
        people.add(name, roles or (MAINTAINER,), password, by, datetime.now(UTC))
        click.echo(_line(people.person(name)))
    return ExitCode.DONE


def list_command(folder: DataFolder, *, as_json: bool) -> int:
    """List everybody who ever had an account."""
    with folder.open_store() as store:
        people = People(store).listed()
    if as_json:
        click.echo(json.dumps([_plain(p) for p in people], indent=2, ensure_ascii=False))
    elif not people:
        click.echo("No accounts: names are stated, not verified. The first maintainer: polemark people add NAME")
    else:
        click.echo("\n".join(_line(p) for p in people))
    return ExitCode.DONE


def retire_command(folder: DataFolder, name: str, by: str | None, file: Path | None) -> int:
    """Close an account for good."""
    with folder.open_store() as store:
        owner = _owner(store, by, file, "retire people", MAINTAINER)
        People(store).retire(name, owner.name, datetime.now(UTC))
    click.echo(f"The account of {name} is retired; what it signed stays.")
    return ExitCode.DONE


def allow_command(folder: DataFolder, name: str, sequence: str, until: str, by: str | None, file: Path | None) -> int:
    """Authorise a technician for a sequence."""
    try:
        day = date.fromisoformat(until)
    except ValueError:
        raise BadInput(f"--until is {until!r}; allowed: a date such as 2027-06-30") from None
    known = Sequence.read(find_file(FileKind.SEQUENCE, sequence)).name
    with folder.open_store() as store:
        owner = _owner(store, by, file, "authorise people", QUALITY, MAINTAINER)
        People(store).allow(name, known, day, owner.name, datetime.now(UTC))
    click.echo(f"{name} may run {known} until {day.isoformat()}.")
    return ExitCode.DONE


def password_command(folder: DataFolder, name: str, by: str | None, files: tuple[Path | None, Path | None]) -> int:
    """Change a password: its owner's own, or as a maintainer that of somebody who forgot it."""
    with folder.open_store() as store:
        roles = ROLES if by in (None, name) else (MAINTAINER,)
        owner = _owner(store, by or name, files[0], "change a password", *roles)
        password = new_password_of(name, files[1], option=NEW_PASSWORD)
        People(store).set_password(name, password, owner.name, datetime.now(UTC))
    click.echo(f"The password of {name} is changed.")
    return ExitCode.DONE


def _owner(store: Store, by: str | None, file: Path | None, what: str, *roles: str) -> Person:
    if by is None:
        raise BadInput(f"who is to {what} is not said; allowed: --as NAME, a person of role {' or '.join(roles)}")
    return owner_of(store, by, file, what, *roles)


def _line(person: Person) -> str:
    allowed = ", ".join(f"{name} until {until.isoformat()}" for name, until in sorted(person.allowed_until.items()))
    state = "" if person.active else "  retired"
    return f"{person.name}: {', '.join(person.roles)}{state}" + (f"  may run {allowed}" if allowed else "")


def _plain(person: Person) -> dict[str, object]:
    until = {name: day.isoformat() for name, day in sorted(person.allowed_until.items())}
    return {"name": person.name, "roles": list(person.roles), "active": person.active, "allowed_until": until}
