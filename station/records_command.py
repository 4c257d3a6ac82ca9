"""`polemark records` and `polemark sheet`: finding records and rendering their sheets again."""

import json
from pathlib import Path

import click

from db.results import Summary
from station.data_folder import DataFolder
from station.exit_codes import BadInput, ExitCode
from station.sheet_command import sheet_html, write_sheet

COLUMNS = ("number", "started", "motor", "type", "job", "stage", "outcome", "conformity", "proposed", "worst finding")


def records_command(data: Path | None, *, motor: str | None, job: str | None, stage: str | None, as_json: bool) -> int:
    """List records, the oldest first."""
    with DataFolder.at(data).open_store() as store:
        found = store.find(motor_serial=motor, job=job, stage=stage)
    rows = [_row(s) for s in found]
    if as_json:
        click.echo(json.dumps([dict(zip(COLUMNS, row, strict=True)) for row in rows], indent=2, ensure_ascii=False))
        return ExitCode.DONE
    if not rows:
        asked = ", ".join(f"{k} {v}" for k, v in (("motor", motor), ("job", job), ("stage", stage)) if v)
        click.echo(f"No records{f' of {asked}' if asked else ''}.")
        return ExitCode.DONE
    widths = [max(len(row[i]) for row in [COLUMNS, *rows]) for i in range(len(COLUMNS))]
    for row in [COLUMNS, *rows]:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    click.echo(f"{len(rows)} records. One sheet: polemark sheet NUMBER")
    return ExitCode.DONE


def sheet_command(number: str, out: Path | None, data: Path | None) -> int:
    """Render one sheet and say where it is."""
    folder = DataFolder.at(data)
    with folder.open_store() as store:
        if out is None:
            click.echo(str(write_sheet(store, folder, number)))
            return ExitCode.DONE
        html = sheet_html(store, number)
    try:
        out.write_text(html, encoding="utf-8", newline="\n")
    except OSError as error:
        raise BadInput(f"{out} cannot be written: {error.strerror}; allowed: a path in a writable folder") from None
    click.echo(str(out))
    return ExitCode.DONE


def _row(summary: Summary) -> tuple[str, ...]:
    return (
        summary.number,
        summary.started_utc.strftime("%Y-%m-%d %H:%M:%SZ"),
        summary.motor_serial,
        summary.motor_type,
        summary.job,
        summary.stage,
        "void" if summary.void else summary.outcome,
        summary.conformity or "-",
        summary.disposition or "none",
        "-" if summary.conformity == "conforming" else summary.worst,
    )
