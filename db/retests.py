"""Runs of one stage on one motor within a job: the first, the retests after it, and who unlocked the motor."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from db.column_types import time_text
from db.people import Person
from db.store import Store
from db.store_errors import NotAllowed


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """A run that counts: complete and not void."""

    number: str
    stage: str
    reason: str | None
    """Why it was run again; none for a first run."""
    before_unlock: bool
    """The motor was unlocked after it."""


def earlier_runs(store: Store, job: str, motor_serial: str, kind: str) -> Sequence[EarlierRun]:
    """List the complete runs of a kind that are not void, of one motor within a job, the oldest first."""
    found = store.find(job=job, motor_serial=motor_serial, kinds=[kind], outcome="complete")
    records = [store.record(s.number) for s in found if not s.void]
    unlocks = [e.position for e in store.entries("unlock", subject=motor_serial) if e.document.get("job") == job]
    last = max(unlocks, default=-1)
    return [
        EarlierRun(r.number, r.document["stage"], _reason(r.document.get("retest")), r.position < last) for r in records
    ]


def unlock(store: Store, job: str, motor_serial: str, person: Person, why: str, at_utc: datetime) -> None:
    """Enter that a motor may be run again.

    Raises
    ------
    NotAllowed
        No reason is given.
    """
    if not why.strip():
        raise NotAllowed("unlocking a motor needs its reason")
    document = {
        "format": "polemark-unlock-1", "motor_serial": motor_serial, "job": job, "by": person.name,
        "roles": list(person.roles), "why": why, "at_utc": time_text(at_utc),
    }  # fmt: skip
    with store.adding("production", at_utc) as ledger:
        ledger.add(document)


def _reason(retest: Any) -> str | None:
    return None if retest is None else str(retest["reason"])
