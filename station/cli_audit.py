"""`polemark audit ...`: the subcommands for an auditor, and their options."""

from pathlib import Path

import click

from station.cli_options import DATA_HELP, FILE, FOLDER

HEAD_HELP = "A head kept elsewhere: a file, or the text size:root"


@click.group()
def audit() -> None:
    """Show that the records are whole, who made them and with what; nothing is ever changed."""


@audit.command()
@click.option("--head", "heads", multiple=True, metavar="HEAD", help=f"{HEAD_HELP} (repeatable).")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def verify(heads: tuple[str, ...], data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """Check the whole store, and that it grew from kept heads."""
    from station.audit_verify import verify_command

    return verify_command(data, heads, json_wanted=as_json)


@audit.command()
@click.argument("record")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def show(record: str, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """Show a record's place, history, instruments and proof."""
    from station.audit_show import show_command

    return show_command(data, record, json_wanted=as_json)


@audit.command()
@click.argument("records", nargs=-1)
@click.option("--from", "since", default=None, metavar="DAY", help="Records started from this day or time (UTC).")
@click.option("--to", "until", default=None, metavar="DAY", help="Records started up to this day or time (UTC).")
@click.option("--simulated", is_flag=True, help="With --from or --to: simulated and training records too.")
@click.option("--out", type=FILE, required=True, help="ZIP file to write; it must not exist.")
@click.option("--waveforms", type=click.Choice(["csv", "numpy"]), default="csv", show_default=True)
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
def export(
    records: tuple[str, ...],
    since: str | None,
    until: str | None,
    simulated: bool,  # noqa: FBT001
    out: Path,
    waveforms: str,
    data: Path | None,
) -> int:
    """Write RECORDS to a ZIP that anybody can check.

    It holds sheets, records, waveforms, proofs, and a script that checks all of it without polemark.
    """
    from station.audit_export import ExportWanted, export_command

    wanted = ExportWanted(records, since, until, simulated, out, waveforms)
    return export_command(data, wanted)


@audit.command()
@click.option("--from", "since", default=None, metavar="DAY", help="From this day or time (UTC).")
@click.option("--to", "until", default=None, metavar="DAY", help="Up to this day or time (UTC).")
@click.option("--subject", default=None, metavar="NAME", help="Only this record, motor (serial number) or job.")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def trail(since: str | None, until: str | None, subject: str | None, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """List who did what when."""
    from station.audit_trail import trail_command

    return trail_command(data, since, until, subject, json_wanted=as_json)


@audit.command("touched-by")
@click.argument("instrument")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def touched_by(instrument: str, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """List the records that INSTRUMENT took part in.

    INSTRUMENT is a serial number or a name; hand instruments count too.
    """
    from station.audit_trail import touched_by_command

    return touched_by_command(data, instrument, json_wanted=as_json)


@audit.command()
@click.option("--out", type=FILE, default=None, help="Write it to this file, to be kept away from the station.")
@click.option("--grown-from", default=None, metavar="HEAD", help="Prove growth from a kept head: a file or size:root.")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def head(out: Path | None, grown_from: str | None, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """Print or keep the latest head, or prove growth to it."""
    from station.audit_head import head_command

    return head_command(data, out, grown_from, json_wanted=as_json)


@audit.command()
@click.argument("proof", type=FILE)
@click.argument("entry", type=FILE, required=False)
@click.option("--head", default=None, metavar="HEAD", help=f"{HEAD_HELP}; the proof must end at it.")
def check(proof: Path, entry: Path | None, head: str | None) -> int:
    """Check a proof or a head without the store.

    For a proof of inclusion name the file of its ENTRY too, such as record.json.
    """
    from station.audit_head import check_command

    return check_command(proof, entry, head)


@audit.command()
@click.argument("record")
@click.option("--data", type=FOLDER, default=None, help=DATA_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def recompute(record: str, data: Path | None, as_json: bool) -> int:  # noqa: FBT001
    """Work a record's findings out again from its stored waveforms."""
    from station.audit_recompute import recompute_command

    return recompute_command(data, record, json_wanted=as_json)
