"""`polemark approve` and `polemark approved`: which files are in use."""

import json
from datetime import UTC, datetime

import click

from db.approvals import Approval, approvals, approve
from db.people import MAINTAINER, QUALITY
from station.approval_files import config_file
from station.data_folder import DataFolder
from station.decide_command import Signer
from station.exit_codes import ExitCode
from station.people_check import owner_of


def approve_command(signer: Signer, named: str, note: str | None) -> int:
    """Approve a file as it is now."""
    file = config_file(named)
    with signer.folder.open_store() as store:
        person = owner_of(store, signer.name, signer.password_file, "approve files", QUALITY, MAINTAINER)
        approve(store, file, person.name, note, datetime.now(UTC))
    revision = f" revision {file.revision}" if file.revision else ""
    click.echo(f"The {file.kind} {file.name}{revision} is approved: {file.digest}")
    return ExitCode.DONE


def approved_command(folder: DataFolder, *, as_json: bool) -> int:
    """List the files in use, each as it was approved last."""
    with folder.open_store() as store:
        found = approvals(store)
    if as_json:
        click.echo(json.dumps([_plain(a) for a in found], indent=2, ensure_ascii=False))
    elif not found:
        click.echo("Nothing is approved yet: polemark approve FILE --as NAME")
    else:
        click.echo("\n".join(_line(a) for a in found))
    return ExitCode.DONE


def _line(approval: Approval) -> str:
    file = approval.file
    revision = f" revision {file.revision}" if file.revision else ""
    note = f"  {approval.note}" if approval.note else ""
    return f"{file.kind} {file.name}{revision}  {file.digest}  by {approval.by}, {approval.at_utc}{note}"


def _plain(approval: Approval) -> dict[str, object]:
    file = approval.file
    return {
        "kind": file.kind, "name": file.name, "revision": file.revision, "digest": file.digest, "by": approval.by,
        "note": approval.note, "at_utc": approval.at_utc,
    }  # fmt: skip
