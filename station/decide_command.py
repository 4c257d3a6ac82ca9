"""`polemark sign`, `polemark decide` and `polemark unlock`: what people answer for, each with their password."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import click

from db.decisions import decide, sign
from db.record_rules import MEANINGS
from db.retests import unlock
from db.store import Store
from station.data_folder import DataFolder
from station.deciding_rules import CONCESSION, refuse_decision, refuse_signature, roles_for
from station.exit_codes import BadInput, ExitCode
from station.people_check import account_of, owner_of, prove
from station.policy import read_policy
from station.sheet_command import write_sheet


@dataclass(frozen=True, slots=True)
class Signer:
    """Who acts, where, and how the password comes."""

    name: str
    data: Path | None
    password_file: Path | None

    @property
    def folder(self) -> DataFolder:
        """The data folder."""
        return DataFolder.at(self.data)


@dataclass(frozen=True, slots=True)
class DecisionText:
    """A decision as it was typed."""

    disposition: str
    reason: str
    concession_by: str | None
    concession_for: str | None

    @property
    def concession(self) -> Mapping[str, str] | None:
        """The concession as the entry holds it."""
        if self.disposition != CONCESSION:
            return None
        return {"by": str(self.concession_by), "for_what": str(self.concession_for)}


def sign_command(signer: Signer, number: str, meaning: str) -> int:
    """Sign a record and write its sheet again."""
    policy = read_policy(signer.folder.path)
    with signer.folder.open_store() as store:
        record = store.record(number)
        what = f"sign as {meaning}"
        person = account_of(store, signer.name, what, *roles_for(meaning, policy))
        refuse_signature(record, person, meaning, policy)
        click.echo(f"{person.name} signs record {number} {record.digest} as {meaning}: {MEANINGS[meaning]}")
        prove(store, person, signer.password_file, what)
        sign(store, number, person, meaning, datetime.now(UTC))
        _tell(store, signer.folder, number, f"{number} is signed as {meaning} by {person.name}.")
    return ExitCode.DONE


def decide_command(signer: Signer, number: str, text: DecisionText) -> int:
    """Decide what becomes of a record's motor and write the sheet again."""
    policy = read_policy(signer.folder.path)
    with signer.folder.open_store() as store:
        record = store.record(number)
        person = account_of(store, signer.name, "decide", *policy.deciding_roles)
        refuse_decision(store, record, person, text.disposition, (text.concession_by, text.concession_for), policy)
        proposed = record.document["disposition"]["proposed"] or "nothing"
        click.echo(
            f"{person.name} decides on record {number} {record.digest}: proposed {proposed}, decided {text.disposition}."
        )
        prove(store, person, signer.password_file, "decide")
        decide(store, number, person, text.disposition, text.reason, text.concession, datetime.now(UTC))
        _tell(store, signer.folder, number, f"{number}: {text.disposition}, decided by {person.name}.")
    return ExitCode.DONE


def unlock_command(signer: Signer, motor: str, job: str, reason: str) -> int:
    """Let a motor be run again that was run too often without rework."""
    policy = read_policy(signer.folder.path)
    with signer.folder.open_store() as store:
        if not store.find(motor_serial=motor, job=job):
            raise BadInput(
                f"there is no record of motor {motor} in job {job}; `polemark records` lists those there are"
            )
        person = owner_of(store, signer.name, signer.password_file, "unlock a motor", *policy.deciding_roles)
        unlock(store, job, motor, person, reason, datetime.now(UTC))
    click.echo(f"Motor {motor} of job {job} may be run again.")
    return ExitCode.DONE


def _tell(store: Store, folder: DataFolder, number: str, sentence: str) -> None:
    sheet = write_sheet(store, folder, number)
    click.echo(f"{sentence} Sheet: {sheet}")
