"""The commands of `polemark central`."""

from pathlib import Path

import click

from station.cli_options import DATA_HELP, FOLDER

ADDRESS = "postgresql+psycopg://HOST/DATABASE"
ENVIRONMENT = "POLEMARK_CENTRAL"
AT_HELP = f"The central store (default: ${ENVIRONMENT})."


@click.group()
def central() -> None:
    """Copy this station's records to a central store, and ask it about all stations."""


@central.command("copy")
@click.option("--to", "address", envvar=ENVIRONMENT, required=True, metavar=ADDRESS, help=AT_HELP)
@click.option("--follow", is_flag=True, help="Go on copying until Ctrl-C; a network that is gone is waited for.")
@click.option(
    "--interval", "interval_s", type=click.FloatRange(min=0.1), default=10.0, show_default=True, metavar="SECONDS",
    help="With --follow: pause between two looks for something new.",
)  # fmt: skip
@click.option("--station", default=None, metavar="NAME", help="Name at central (default: what the first run says).")
@click.option(
    "--accept-key", "accepted", multiple=True, metavar="KEY",
    help="Accept that the station was given this new signing key (repeatable).",
)  # fmt: skip
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
def copy(
    address: str, follow: bool, interval_s: float, station: str | None, accepted: tuple[str, ...], data: Path | None  # noqa: FBT001
) -> int:  # fmt: skip
    """Copy what central does not have yet: in order, each entry once, whatever was cut in between."""
    from station.central_command import CopyOptions, copy_command

    return copy_command(CopyOptions(address, data, station, accepted, interval_s if follow else None))


@central.command("stations")
@click.option("--at", "address", envvar=ENVIRONMENT, required=True, metavar=ADDRESS, help=AT_HELP)
@click.option("--data", type=FOLDER, default=None, help="Compare with this station's own data folder.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def stations(address: str, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """List every station: entries copied, last signed head, last seen, what waits to be copied."""
    from station.central_command import stations_command

    return stations_command(address, data, as_json=as_json)


@central.command("records")
@click.option("--at", "address", envvar=ENVIRONMENT, required=True, metavar=ADDRESS, help=AT_HELP)
@click.option("--motor", default=None, metavar="SERIAL", help="Only this motor.")
@click.option("--job", default=None, metavar="JOB", help="Only this job.")
@click.option("--stage", default=None, type=click.Choice(["as-found", "setting", "as-left", "station-check"]))
@click.option("--station", default=None, metavar="NAME", help="Only this station.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def records(
    address: str, motor: str | None, job: str | None, stage: str | None, station: str | None, as_json: bool  # noqa: FBT001
) -> int:  # fmt: skip
    """List the records of all stations."""
    from station.central_command import Asked, records_command

    return records_command(address, Asked(motor, job, stage, station), as_json=as_json)
