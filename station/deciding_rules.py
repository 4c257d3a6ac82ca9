"""Who may sign and decide what about a record; the dispositions themselves are those of its sheet."""

from collections.abc import Collection

from db.column_types import time_of
from db.people import QUALITY, TECHNICIAN, Person
from db.record_rules import RELEASES
from db.results import StoredRecord
from db.store import Store
from station.exit_codes import BadInput
from station.policy import Policy
from station.sheet_parts import may_be_decided
from station.wording import listed

CONCESSION = "release under concession"
NOT_STATED = "not stated"


def roles_for(meaning: str, policy: Policy) -> tuple[str, ...]:
    """Return the roles that may sign with a meaning."""
    return {"tested": (TECHNICIAN,), "reviewed": (QUALITY,)}.get(meaning, policy.deciding_roles)


def refuse_signature(record: StoredRecord, person: Person, meaning: str, policy: Policy) -> None:
    """Refuse a signature that would say what is not so.

    Raises
    ------
    BadInput
        Another person ran the test, nothing was decided that could be released, or tester and releaser are one.
    """
    if meaning == "tested":
        named = [p["name"] for p in record.document["people"] if p["role"] == "technician" and p["name"] != NOT_STATED]
        if named and not _among(person.name, named):
            raise BadInput(
                f"record {record.number} was run by {listed(named)}, not by {person.name}; allowed: who ran it"
            )
        if released_by(record) == person.name:
            _refuse_tester(record, person, policy)
    if meaning == "released":
        if released_by(record) is None:
            raise BadInput(
                f"record {record.number} has no decision to release its motor; allowed: a release first decided "
                "(`polemark decide`)"
            )
        _refuse_unknown_or_own_test(record, person, policy)


def refuse_decision(
    store: Store,
    record: StoredRecord,
    person: Person,
    disposition: str,
    concession: Collection[str | None],
    policy: Policy,
) -> None:
    """Refuse a decision that the record, its job or its people do not allow.

    Parameters
    ----------
    concession
        By whom it was granted, and for what.

    Raises
    ------
    BadInput
        What stands against it, and what is allowed.
    """
    allowed = may_be_decided(record.document)
    if disposition not in allowed:
        raise BadInput(f"record {record.number} cannot lead to {disposition!r}; allowed: {listed(map(repr, allowed))}")
    if disposition == CONCESSION and not all(text and text.strip() for text in concession):
        raise BadInput(
            f"{CONCESSION!r} needs who granted it and for what; allowed: --concession-by and --concession-for"
        )
    if disposition != CONCESSION and any(text is not None for text in concession):
        raise BadInput(f"a concession belongs to {CONCESSION!r} alone; allowed: {disposition!r} without one")
    if disposition in RELEASES:
        _refuse_outdated(store, record)
        _refuse_unknown_or_own_test(record, person, policy)


def released_by(record: StoredRecord) -> str | None:
    """Return who decided to release the motor, if that is the decision that holds."""
    last = record.decisions[-1] if record.decisions else None
    return str(last["by"]) if last is not None and last["disposition"] in RELEASES else None


def _refuse_outdated(store: Store, record: StoredRecord) -> None:
    """Refuse a release by a proof after which the motor was set or proved again."""
    document = record.document
    later = [
        s
        for s in store.find(
            job=document["job"]["number"], motor_serial=document["motor"]["serial"], kinds=["production"]
        )
        if s.started_utc > time_of(document["started_utc"])
        and not s.void
        and (s.stage == "setting" or (s.stage == "as-left" and s.outcome == "complete"))
    ]
    if later:
        raise BadInput(
            f"the motor of record {record.number} was run again after it ({later[-1].stage}, record {later[-1].number}); "
            "allowed: a release by its latest proof as left"
        )


def _refuse_unknown_or_own_test(record: StoredRecord, person: Person, policy: Policy) -> None:
    testers = [p["name"] for p in record.document["people"] if p["role"] == "technician" and p["name"] != NOT_STATED]
    testers += [s["by"] for s in record.signatures if s["meaning"] == "tested"]
    if not testers and not policy.releaser_may_be_tester:
        raise BadInput(
            f"nobody is named as the tester of record {record.number}; allowed: first the signature of who tested "
            "(`polemark sign --meaning tested`)"
        )
    if _among(person.name, testers):
        _refuse_tester(record, person, policy)


def _refuse_tester(record: StoredRecord, person: Person, policy: Policy) -> None:
    if not policy.releaser_may_be_tester:
        raise BadInput(
            f"{person.name} would both test and release by record {record.number}; allowed: another person, or "
            "`releaser_may_be_tester: true` in policy.yaml"
        )


def _among(name: str, names: Collection[str]) -> bool:
    return name.casefold() in {other.casefold() for other in names}
