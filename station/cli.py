"""The `polemark` command: every subcommand, its options, and the exit code it ends with.

Heavy imports stand inside the commands, so that `--help` answers at once.
"""

import json
import sys
from pathlib import Path
from typing import Any, NoReturn

import click

from station.cli_audit import HEAD_HELP, audit
from station.cli_central import central
from station.cli_options import DATA_HELP, FILE, FOLDER
from station.cli_people import COMMANDS, PASSWORD
from station.exit_codes import BadInput, ExitCode


def main(args: list[str] | None = None) -> NoReturn:
    """Run one command; every expected error becomes a sentence on stderr and an exit code."""
    from station.guarding import guarded

    sys.exit(guarded(lambda: cli.main(args=args, prog_name="polemark", standalone_mode=False)))


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="polemark", message="%(prog)s %(version)s")
def cli() -> None:
    """Test station for rebuilt brushless servo motors: feedback timing, counts, windings, and evidence by serial number."""
    try:
        from safety.own_room import assert_own_safety
    except ModuleNotFoundError:
        raise BadInput(
            "the package `safety` found here is not this station's own; allowed: polemark in an environment of its own"
        ) from None
    assert_own_safety()


@cli.command()
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--motors", "motors", type=FILE, default=None, help="Another invented rebuild line (YAML).")
@click.option("--only", multiple=True, metavar="SERIAL", help="Only these motors of the line (repeatable).")
def demo(data: Path | None, motors: Path | None, only: tuple[str, ...]) -> int:
    """Run an invented rebuild line on the simulated bench: as found, setting, as left."""
    from station.demo import run_demo

    return run_demo(data, motors, only)


@cli.command()
@click.argument("files", nargs=-1, required=True, type=FILE, metavar="FILE...")
@click.option("--page", type=FILE, default=None, help="Write the page, headed ANALYSIS, NOT A RECORD, to this file.")
@click.option("--motor", "serial", default=None, metavar="SERIAL", help="With --job and --stage: make it a record.")
@click.option("--job", default=None, metavar="JOB", help="Job number of the record.")
@click.option("--stage", default=None, type=click.Choice(["as-found", "as-left"]), help="Stage of the record.")
@click.option("--technician", default=None, metavar="NAME", help="Who took the captures; stated, not verified.")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print every finding by its name as JSON.")
def analyse(**options: Any) -> int:
    """Measure on captures that any scope has saved: a description (YAML), or captures with captures.yaml beside them."""
    from station.analyse_command import AnalyseOptions, analyse_command

    return analyse_command(AnalyseOptions(**options))


@cli.command()
@click.argument("sequence")
@click.option("--motor", "serial", required=True, metavar="SERIAL", help="Serial number of the motor, or its shop tag.")
@click.option("--type", "type_name", required=True, metavar="TYPE", help="Motor type: a shipped name or a YAML file.")
@click.option("--job", required=True, metavar="JOB", help="Job number: one customer order for one motor.")
@click.option("--bench", type=FILE, default=None, help="Bench file; without it a simulated bench is started.")
@click.option("--technician", default=None, metavar="NAME", help="Who tests; with accounts the password is asked for.")
@PASSWORD
@click.option(
    "--retest-reason",
    type=click.Choice(["connection", "fixture", "rework done"]),
    default=None,
    help="Why the motor goes through a stage again.",
)
@click.option("--answers", type=FILE, default=None, help="Answers for an unattended run (YAML, step name: answer).")
@click.option("--training", is_flag=True, help="Mark the record TRAINING; it counts nowhere.")
@click.option("--reset", "reset_by", default=None, metavar="NAME", help="Who resets a trip that an earlier run left.")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def run(**options: Any) -> int:
    """Run SEQUENCE (a shipped name or a YAML file) on one motor."""
    from station.run_command import RunOptions, run_command

    return run_command(RunOptions(**options))


@cli.command()
@click.argument("sequence")
@click.option(
    "--type",
    "type_name",
    default=None,
    metavar="TYPE",
    help="Check against this motor type (default: every shipped one it serves).",
)
@click.option("--bench", type=FILE, default=None, help="Check against this bench file (default: the simulated one).")
@click.option("--json", "as_json", is_flag=True, help="Print problems as JSON.")
def validate(sequence: str, type_name: str | None, bench: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """Check SEQUENCE whole, without touching a bench."""
    from station.validate_command import validate_command

    return validate_command(sequence, type_name, bench, as_json=as_json)


@cli.command()
@click.argument(
    "kind", type=click.Choice(["sequence", "motor-type", "adapter", "bench", "captures"]), default="sequence"
)
@click.option("--out", type=FILE, default=None, help="Write to this file instead of the screen.")
def schema(kind: str, out: Path | None) -> int:
    """Write the JSON Schema of a kind of YAML file, for editors."""
    from station.schema import json_schema

    text = json.dumps(json_schema(kind), indent=2, ensure_ascii=False) + "\n"
    if out is None:
        click.echo(text, nl=False)
    else:
        _write_text(out, text)
    return ExitCode.DONE


@cli.command()
@click.option("--motor", default=None, metavar="SERIAL", help="Only this motor.")
@click.option("--job", default=None, metavar="JOB", help="Only this job.")
@click.option("--stage", default=None, type=click.Choice(["as-found", "setting", "as-left", "station-check"]))
@click.option(
    "--where", multiple=True, metavar="FIELD=VALUE", help="Only where this holds, as conformity=undecided (repeatable)."
)
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@click.option("--csv", "as_csv", is_flag=True, help="Print as CSV (RFC 4180).")
def records(data: Path | None, **wanted: Any) -> int:
    """List the records of a motor, a job, or all."""
    from station.records_command import RecordsWanted, records_command

    return records_command(data, RecordsWanted(**wanted))


@cli.command()
@click.argument("record")
@click.option("--out", type=FILE, default=None, help="Where to write it (default: the data folder's sheets).")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
def sheet(record: str, out: Path | None, data: Path | None) -> int:
    """Render the test sheet of one RECORD (its number) again."""
    from station.records_command import sheet_command

    return sheet_command(record, out, data)


@cli.command("yield")
@click.option(
    "--by", type=click.Choice(["type", "week", "station"]), default=None, help="One line per type, week or station."
)
@click.option(
    "--simulated/--no-simulated",
    default=None,
    help="Count simulated and training runs too (default: only if there are no others).",
)
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def yield_(by: str | None, simulated: bool | None, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """First-pass yield with sample size and interval."""
    from station.yield_command import yield_command

    return yield_command(data, by=by, simulated=simulated, as_json=as_json)


cli.add_command(audit)


@cli.command()
@click.argument("file", type=FILE)
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
def backup(file: Path, data: Path | None) -> int:
    """Copy the store to FILE while the station goes on; the copy is checked and never overwrites."""
    from station.backup_command import backup_command

    return backup_command(file, data)


@cli.command()
@click.argument("file", type=FILE)
@click.option("--data", type=FOLDER, required=True, help="Folder to put it into; it must hold no store.")
@click.option("--head", "heads", multiple=True, metavar="HEAD", help=f"{HEAD_HELP}; the copy must have grown from it.")
def restore(file: Path, data: Path, heads: tuple[str, ...]) -> int:
    """Put the backup FILE into a data folder, after it was checked whole."""
    from station.backup_command import restore_command

    return restore_command(file, data, heads)


@cli.group()
def bench() -> None:
    """Check a bench, or start a simulated one."""


@bench.command("check")
@click.option(
    "--bench", "bench_path", type=FILE, default=None, help="Bench file (default: a simulated bench is started)."
)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def bench_check(bench_path: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """Open every instrument, compare identities, bring all to rest and read every input."""
    from station.bench_command import check_command

    return check_command(bench_path, as_json=as_json)


@bench.command("simulate")
@click.option("--motors", type=FILE, default=None, help="Motors on the bench (default: the shipped rebuild line).")
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Switch a fault on (repeatable).")
@click.option("--clock", type=click.Choice(["stepped", "scaled"]), default="scaled", show_default=True)
@click.option(
    "--factor",
    type=click.FloatRange(1, 5),
    default=1.0,
    show_default=True,
    help="Bench seconds per real second, scaled clock.",
)
@click.option("--out", type=FILE, default=Path("simulated-bench.yaml"), show_default=True, help="Bench file to write.")
def bench_simulate(motors: Path | None, faults: tuple[str, ...], clock: str, factor: float, out: Path) -> int:
    """Start a simulated bench and keep it until Ctrl-C."""
    from station.bench_command import simulate_command

    return simulate_command(motors, faults, clock, factor, out)


cli.add_command(central)
for command in COMMANDS:
    cli.add_command(command)


def _write_text(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror}; allowed: a path in a writable folder") from None


if __name__ == "__main__":
    main()
