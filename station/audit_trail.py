"""`polemark audit trail` and `polemark audit touched-by`: who did what when, and what an instrument took part in."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from db.audit_reading import Entry, records_saying, trail
from db.store import Store, StoreError
from station.audit_show import entry_document
from station.audit_store import as_json, counted, moment, shown, store_to_read, time_shown
from station.audit_words import calibration_words, instrument_rows, who_and_what
from station.exit_codes import BadInput, ExitCode


def trail_command(
    data: Path | None, since: str | None, until: str | None, subject: str | None, *, json_wanted: bool
) -> int:
    """Print the entries of the ledger in their order."""
    bounds = moment(since, "--from"), moment(until, "--to", whole_day=True)
    with store_to_read(data) as store:
        entries = trail(store, *bounds, subject)
        if json_wanted:
            click.echo(as_json([entry_document(entry) for entry in entries]))
            return ExitCode.DONE
        count = 0
        for count, entry in enumerate(entries, start=1):  # noqa: B007 - counted for the last line
            who, what = who_and_what(entry)
            click.echo(shown(f"{entry.position:>6}  {time_shown(entry.at_utc)}  {who}: {what}"))
    click.echo(f"{counted(count, 'entry')}. Times are those of the station's clock; people are stated, not verified.")
    return ExitCode.DONE


def touched_by_command(data: Path | None, instrument: str, *, json_wanted: bool) -> int:
    """Print every record that an instrument took part in."""
    wanted = instrument.strip()
    if not wanted:
        raise BadInput("the instrument is empty; allowed: a serial number or a name")
    with store_to_read(data) as store:
        said = records_saying(store, wanted.split()[-1])
        rows = [row for entry in said for row in _rows(store, entry, wanted.casefold())]
    if json_wanted:
        click.echo(as_json(rows))
        return ExitCode.DONE
    for row in rows:
        serial = f", serial {row['serial']}" if row["serial"] else ""
        click.echo(
            shown(
                f"{row['number']}  {row['started_utc'][:10]}  {row['stage']} of motor {row['motor']}, job {row['job']}: "
                f"{row['name']}{serial} as {row['role']}, {calibration_words(row)}"
            )
        )
    numbers = {row["number"] for row in rows}
    overdue = {row["number"] for row in rows if row["overdue_on_the_day"]}
    unknown = {row["number"] for row in rows if row["calibration_due"] is None}
    if not rows:
        click.echo(shown(f"No record names an instrument {wanted}, neither as serial number nor as name."))
    else:
        click.echo(
            f"{counted(len(numbers), 'record')}; calibration overdue on the day in {len(overdue)}, not stated in {len(unknown)}."
        )
    return ExitCode.DONE


def _rows(store: Store, entry: Entry, wanted: str) -> list[dict[str, Any]]:
    """Return what a record has of an instrument."""
    try:
        return [_row(entry.document, found) for found in instrument_rows(entry.document) if _is(found, wanted)]
    except (KeyError, TypeError, AttributeError):
        raise StoreError(
            f"{store.where}: record {entry.subject} is not of the form of a record; the store was changed, or is damaged"
        ) from None


def _is(found: Mapping[str, Any], wanted: str) -> bool:
    """Tell whether an instrument is meant: by its serial number, its whole name, or one word of a hand instrument's name."""
    names = [str(found["serial"] or ""), found["name"]]
    if found["role"] == "hand instrument":
        names += found["name"].split()
    return wanted in [name.casefold() for name in names]


def _row(record: Mapping[str, Any], found: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "number": record["number"],
        "started_utc": record["started_utc"],
        "stage": record["stage"],
        "motor": record["motor"]["serial"],
        "job": record["job"]["number"],
        **found,
    }
