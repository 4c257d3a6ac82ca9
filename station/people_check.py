"""Who is there: the people of a run, and the owner of an account who signs, decides or approves."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

from db.people import MAINTAINER, TECHNICIAN, People, Person
from db.store import Store
from station.clearance import STATED, VERIFIED
from station.exit_codes import BadInput
from station.password_entry import password_of
from station.policy import Policy


def account_of(store: Store, name: str, what: str, *roles: str) -> Person:
    """Return an account that has one of the roles; that its owner is there is not proved yet.

    Raises
    ------
    NotAllowed
        There is no such account, it is retired, or its roles do not allow this.
    """
    person = People(store).person(name)
    person.demand(what, *roles)
    return person


def prove(store: Store, person: Person, file: Path | None, what: str) -> None:
    """Ask for the password of an account.

    Raises
    ------
    NotAllowed
        It is wrong.
    BadInput
        It could not be asked for.
    """
    People(store).verified(person.name, password_of(person.name, file), what, datetime.now(UTC))


def owner_of(store: Store, name: str, file: Path | None, what: str, *roles: str) -> Person:
    """Return an account that has one of the roles and whose owner has just proved to be there.

    Raises
    ------
    NotAllowed, BadInput
        As `account_of` and `prove` do; nobody types a password for what the roles do not allow.
    """
    person = account_of(store, name, what, *roles)
    prove(store, person, file, what)
    return person


def people_status(
    store: Store, policy: Policy, name: str | None, sequence: str, today: date, password: Callable[[str], str], *,
    training: bool,
) -> str:  # fmt: skip
    """Tell how a record may name its technician, after the checks that this demands.

    Until there are accounts, and where the policy says so, a name is stated. A training run is made to learn a sequence,
    so that the person need not be authorised for it yet.

    Parameters
    ----------
    password
        Called with the name when everything else allows the run.

    Raises
    ------
    NotAllowed, BadInput
        No name is given, there is no such account, it is not authorised for the sequence, or the password is wrong.
    """
    if policy.names == "stated" or not People(store).listed():
        return STATED
    if name is None:
        raise BadInput("who tests is not said; allowed: --technician NAME, with an account (`polemark people list`)")
    person = account_of(store, name, "run sequences", TECHNICIAN)
    if not training and not person.may_run(sequence, today):
        until = person.allowed_until.get(sequence)
        since = "was never authorised" if until is None else f"was authorised until {until.isoformat()}"
        raise BadInput(
            f"{name} {since} for the sequence {sequence}; allowed: a technician authorised for it "
            f"(`polemark people allow`, by a person of role quality or {MAINTAINER})"
        )
    People(store).verified(name, password(name), f"run {sequence}", datetime.now(UTC))
    return VERIFIED
