"""`polemark records` and `polemark sheet`: finding records and rendering their sheets again."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from db.results import Summary
from db.run_start import SERIES
from station.data_folder import DataFolder
from station.exit_codes import BadInput, ExitCode
from station.sheet_command import sheet_html, write_sheet
from station.sheet_parts import DISPOSITIONS
from station.wording import listed

# What `--where` asks of, with the values that are allowed where they are few.
FIELDS: Mapping[str, Sequence[str]] = {
    "number": (), "kind": tuple(SERIES), "motor": (), "type": (), "job": (),
    "stage": ("as-found", "setting", "as-left", "station-check"), "station": (), "outcome": ("complete", "stopped"),
    "conformity": ("conforming", "nonconforming", "undecided", "not measured", "none"),
    "proposed": (*DISPOSITIONS, "none"), "void": ("yes", "no"),
}  # fmt: skip
COLUMNS = ("number", "started", "motor", "type", "job", "stage", "outcome", "conformity", "proposed", "worst finding")


@dataclass(frozen=True, slots=True)
class RecordsWanted:
    """What is asked for, and how it is printed."""

    motor: str | None = None
    job: str | None = None
    stage: str | None = None
    where: tuple[str, ...] = ()
    as_json: bool = False
    as_csv: bool = False


def records_command(data: Path | None, wanted: RecordsWanted) -> int:
    """List records, the oldest first."""
    if wanted.as_json and wanted.as_csv:
        raise BadInput("--json and --csv were given; allowed: one of them")
    fields = [_field(said) for said in wanted.where]
    with DataFolder.at(data).open_store() as store:
        found = store.find(motor_serial=wanted.motor, job=wanted.job, stage=wanted.stage)
    rows = [_row(s) for s in found if all(_values(s)[field] == value for field, value in fields)]
    if wanted.as_json:
        click.echo(json.dumps([dict(zip(COLUMNS, row, strict=True)) for row in rows], indent=2, ensure_ascii=False))
    elif wanted.as_csv:
        click.echo(_csv(rows), nl=False)
    else:
        _print(rows, wanted)
    return ExitCode.DONE


def _print(rows: Sequence[tuple[str, ...]], wanted: RecordsWanted) -> None:
    if not rows:
        given = (("motor", wanted.motor), ("job", wanted.job), ("stage", wanted.stage))
        asked = ", ".join([*(f"{k} {v}" for k, v in given if v), *wanted.where])
        click.echo(f"No records{f' of {asked}' if asked else ''}.")
        return
    widths = [max(len(row[i]) for row in [COLUMNS, *rows]) for i in range(len(COLUMNS))]
    for row in [COLUMNS, *rows]:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    click.echo(f"{len(rows)} records. One sheet: polemark sheet NUMBER")


def _csv(rows: Sequence[tuple[str, ...]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([COLUMNS, *rows])
    return text.getvalue()


def _field(said: str) -> tuple[str, str]:
    """Read `FIELD=VALUE`."""
    field, equals, value = said.partition("=")
    if not equals or field not in FIELDS:
        raise BadInput(f"--where has {said!r}; allowed: FIELD=VALUE, with a FIELD of {listed(FIELDS)}")
    if FIELDS[field] and value not in FIELDS[field]:
        raise BadInput(f"--where has {field} {value!r}; allowed: {listed(FIELDS[field])}")
    return field, value


def _values(summary: Summary) -> dict[str, str]:
    """Return what `--where` compares."""
    return {
        "number": summary.number, "kind": summary.kind, "motor": summary.motor_serial, "type": summary.motor_type,
        "job": summary.job, "stage": summary.stage, "station": summary.station, "outcome": summary.outcome,
        "conformity": summary.conformity or "none", "proposed": summary.disposition or "none",
        "void": "yes" if summary.void else "no",
    }  # fmt: skip


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
