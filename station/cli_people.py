"""The commands of people, signatures, decisions and approvals."""

from pathlib import Path
from typing import Any

import click

from station.cli_options import DATA_HELP, FOLDER

PASSWORD_FILE = click.Path(dir_okay=False, allow_dash=True, path_type=Path)
DATA = click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
PASSWORD = click.option(
    "--password-file", type=PASSWORD_FILE, default=None, metavar="FILE",
    help="Read the password from the first line of a file (mode 0600), of - or of /dev/fd/N, instead of asking for it.",
)  # fmt: skip
NEW_PASSWORD = click.option(
    "--new-password-file", type=PASSWORD_FILE, default=None, metavar="FILE", help="The same for the new password."
)
BY = click.option("--as", "by", default=None, metavar="NAME", help="Who does this; the password is asked for.")
AS = click.option("--as", "name", required=True, metavar="NAME", help="Who does this; the password is asked for.")
ROLE = click.Choice(["technician", "quality", "auditor", "maintainer"])
DISPOSITION = click.Choice(
    ["release", "release under concession", "rework", "quarantine", "scrap", "return unrepaired"]
)


@click.group()
def people() -> None:
    """Accounts of people: their roles, and which sequences they may run until when."""


@people.command("add")
@click.argument("name")
@click.option("--role", "roles", type=ROLE, multiple=True, help="Repeatable. The first account is a maintainer's.")
@BY
@PASSWORD
@NEW_PASSWORD
@DATA
def add(
    name: str, roles: tuple[str, ...], by: str | None, password_file: Path | None, new_password_file: Path | None,
    data: Path | None,
) -> int:  # fmt: skip
    """Add an account; the first one needs nobody, every other a maintainer."""
    from station.data_folder import DataFolder
    from station.people_command import add_command

    return add_command(DataFolder.at(data), name, roles, by, (password_file, new_password_file))


@people.command("list")
@DATA
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def list_(data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """List everybody who ever had an account."""
    from station.data_folder import DataFolder
    from station.people_command import list_command

    return list_command(DataFolder.at(data), as_json=as_json)


@people.command("retire")
@click.argument("name")
@BY
@PASSWORD
@DATA
def retire(name: str, by: str | None, password_file: Path | None, data: Path | None) -> int:
    """Close an account for good; what it signed stays. A maintainer does it."""
    from station.data_folder import DataFolder
    from station.people_command import retire_command

    return retire_command(DataFolder.at(data), name, by, password_file)


@people.command("allow")
@click.argument("name")
@click.option("--sequence", required=True, metavar="S", help="A shipped name or a YAML file.")
@click.option(
    "--until", required=True, metavar="DATE", help="The last day, such as 2027-06-30; a day gone by takes it back."
)
@BY
@PASSWORD
@DATA
def allow(
    name: str, sequence: str, until: str, by: str | None, password_file: Path | None, data: Path | None
) -> int:  # fmt: skip
    """Authorise a technician for a sequence. A person of role quality or maintainer does it."""
    from station.data_folder import DataFolder
    from station.people_command import allow_command

    return allow_command(DataFolder.at(data), name, sequence, until, by, password_file)


@people.command("password")
@click.argument("name")
@BY
@PASSWORD
@NEW_PASSWORD
@DATA
def password(
    name: str, by: str | None, password_file: Path | None, new_password_file: Path | None, data: Path | None
) -> int:
    """Change your own password, or as a maintainer that of somebody else."""
    from station.data_folder import DataFolder
    from station.people_command import password_command

    return password_command(DataFolder.at(data), name, by, (password_file, new_password_file))


@click.command()
@click.argument("record")
@AS
@click.option("--meaning", required=True, type=click.Choice(["tested", "reviewed", "released"]))
@PASSWORD
@DATA
def sign(record: str, name: str, meaning: str, password_file: Path | None, data: Path | None) -> int:
    """Sign RECORD (its number); the password is asked for again."""
    from station.decide_command import Signer, sign_command

    return sign_command(Signer(name, data, password_file), record, meaning)


@click.command()
@click.argument("record")
@AS
@click.option("--disposition", required=True, type=DISPOSITION)
@click.option("--reason", required=True, metavar="TEXT", help="Why, for the record.")
@click.option("--concession-by", default=None, metavar="NAME", help="Who granted the concession.")
@click.option("--concession-for", default=None, metavar="TEXT", help="What it was granted for.")
@PASSWORD
@DATA
def decide(record: str, name: str, password_file: Path | None, data: Path | None, **text: Any) -> int:
    """Decide what becomes of the motor of RECORD (its number). A person of role quality does it."""
    from station.decide_command import DecisionText, Signer, decide_command

    return decide_command(Signer(name, data, password_file), record, DecisionText(**text))


@click.command()
@click.option("--motor", required=True, metavar="SERIAL")
@click.option("--job", required=True, metavar="JOB")
@AS
@click.option("--reason", required=True, metavar="TEXT", help="Why, for the ledger.")
@PASSWORD
@DATA
def unlock(motor: str, job: str, name: str, reason: str, password_file: Path | None, data: Path | None) -> int:
    """Let a motor be run again after too many retests. A person of role quality does it."""
    from station.decide_command import Signer, unlock_command

    return unlock_command(Signer(name, data, password_file), motor, job, reason)


@click.command()
@click.argument("file")
@AS
@click.option("--note", default=None, metavar="TEXT", help="What was checked.")
@PASSWORD
@DATA
def approve(file: str, name: str, note: str | None, password_file: Path | None, data: Path | None) -> int:
    """Approve FILE as it is: a sequence, motor type, adapter or bench, by path or shipped name, or `interlocks`."""
    from station.approval_command import approve_command
    from station.decide_command import Signer

    return approve_command(Signer(name, data, password_file), file, note)


@click.command()
@DATA
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def approved(data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """List the files in use, each as it was approved last."""
    from station.approval_command import approved_command
    from station.data_folder import DataFolder

    return approved_command(DataFolder.at(data), as_json=as_json)


COMMANDS = (people, sign, decide, unlock, approve, approved)
