"""`polemark central`: copying to the central store, once or for ever, and asking it about all stations."""

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path

import click

from db.central_copy import Progress, copy_parcel
from db.central_errors import CentralAway
from db.central_queries import StationState, records, stations
from db.central_source import Source, station_named_in
from db.central_store import Central
from db.column_types import time_text
from db.results import Summary
from db.store import Store
from station.data_folder import DataFolder
from station.exit_codes import BadInput, ExitCode
from station.signals import StopSwitch, stop_switch

LONGEST_PAUSE_S = 60.0
_LOOK_S = 0.1
STATION_COLUMNS = ("station", "entries", "last head", "last seen", "waiting")
RECORD_COLUMNS = (
    "station", "number", "started", "motor", "type", "job", "stage", "outcome", "conformity", "proposed", "worst finding",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CopyOptions:
    """What `polemark central copy` was told."""

    address: str
    data: Path | None
    station: str | None
    accepted: tuple[str, ...]
    interval_s: float | None
    """None: once."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What records are asked for."""

    motor: str | None
    job: str | None
    stage: str | None
    station: str | None


def copy_command(options: CopyOptions) -> int:
    """Copy what waits; with an interval go on until Ctrl-C."""
    if options.station is not None and not (0 < len(options.station) <= 200 and options.station.isprintable()):
        raise BadInput(f"--station is {options.station[:40]!r}; allowed: 1 to 200 printable characters")
    with _local_store(options.data) as store, stop_switch() as stop:
        if options.interval_s is None:
            _copy_once(store, options, stop)
            return ExitCode.BENCH if stop.requested else ExitCode.DONE
        _follow(store, options, options.interval_s, stop)
    return ExitCode.DONE


def stations_command(address: str, data: Path | None, *, as_json: bool) -> int:
    """List the stations, and how far they are behind."""
    with Central.open(address) as central:
        found = stations(central)
    there = {} if data is None else _entries_in(data)
    rows = [_plain_station(state, there.get(state.station)) for state in found]
    rows += [_unknown_station(name, size) for name, size in there.items() if name not in {s.station for s in found}]
    if as_json:
        click.echo(json.dumps(rows, indent=2, ensure_ascii=False))
    elif not rows:
        click.echo("No stations: nothing was copied yet.")
    else:
        _print_table(STATION_COLUMNS, [_shown_station(row) for row in rows])
    return ExitCode.DONE


def records_command(address: str, asked: Asked, *, as_json: bool) -> int:
    """List records of all stations, the oldest first."""
    with Central.open(address) as central:
        found = records(central, motor_serial=asked.motor, job=asked.job, stage=asked.stage, station=asked.station)
    rows = [_record(summary) for summary in found]
    if as_json:
        plain = [dict(zip(RECORD_COLUMNS, row, strict=True)) for row in rows]
        click.echo(json.dumps(plain, indent=2, ensure_ascii=False))
    elif not rows:
        wanted = ", ".join(f"{name} {value}" for name, value in asdict(asked).items() if value)
        click.echo(f"No records{f' of {wanted}' if wanted else ''}.")
    else:
        _print_table(RECORD_COLUMNS, rows)
        click.echo(f"{len(rows)} records of {len({row[0] for row in rows})} stations.")
    return ExitCode.DONE


def _copy_once(store: Store, options: CopyOptions, stop: StopSwitch) -> None:
    source = _source(store, options)
    if source is None:
        click.echo("Nothing to copy: the store has no run yet.")
        return
    with Central.open(options.address) as central:
        copied, last = 0, Progress(0, 0, 0)
        for last in _steps(source, central, options, stop):
            copied += last.copied
    click.echo(f"{_copied(source, copied, last)}")


def _follow(store: Store, options: CopyOptions, interval_s: float, stop: StopSwitch) -> None:
    """Copy for ever: each failed try doubles the pause, and the first that succeeds makes it short again."""
    failed = 0
    source = None
    with ExitStack() as opened:
        central = None
        while not stop():
            source = source or _source(store, options)
            pause_s = interval_s
            try:
                if source is not None:
                    central = central or opened.enter_context(Central.open(options.address))
                    for progress in _steps(source, central, options, stop):
                        failed = 0
                        if progress.copied:
                            click.echo(_copied(source, progress.copied, progress))
            except CentralAway as away:
                failed += 1
                pause_s = min(2.0 ** (failed - 1), LONGEST_PAUSE_S)
                click.echo(f"{away}; next try in {pause_s:.0f} s", err=True)
            _wait(pause_s, stop)


def _steps(source: Source, central: Central, options: CopyOptions, stop: StopSwitch) -> Iterator[Progress]:
    """Copy parcel after parcel until nothing waits or the end is asked for."""
    while not stop():
        progress = copy_parcel(source, central, options.accepted)
        yield progress
        if not progress.waiting:
            return


def _wait(pause_s: float, stop: StopSwitch) -> None:
    due = time.monotonic() + pause_s
    while not stop() and (left := due - time.monotonic()) > 0:
        time.sleep(min(left, _LOOK_S))


def _source(store: Store, options: CopyOptions) -> Source | None:
    """Return the store under its station's name; None as long as nothing says it."""
    name = options.station or station_named_in(store)
    return None if name is None else Source(store, name)


def _local_store(data: Path | None) -> Store:
    folder = DataFolder.at(data)
    if not folder.database.exists():
        raise BadInput(f"there is no {folder.database}; allowed: the data folder of a station that has records")
    return folder.open_store()


def _entries_in(data: Path) -> dict[str, int]:
    with _local_store(data) as store:
        name = station_named_in(store)
        return {} if name is None else {name: Source(store, name).size()}


def _copied(source: Source, copied: int, progress: Progress) -> str:
    rest = f", {progress.waiting} wait" if progress.waiting else ""
    return f"Station {source.station}: {copied} entries copied; central holds {progress.held}{rest}."


def _plain_station(state: StationState, there: int | None) -> dict[str, object]:
    """Return one station for a script; without its own store, what waits is what it told when last seen."""
    return {
        "station": state.station,
        "entries": state.entries,
        "root": f"sha256:{state.root.hex()}",
        "head_utc": time_text(state.head_utc),
        "key": state.key,
        "seen_utc": time_text(state.seen_utc),
        "waiting": max(0, (state.entries_there if there is None else there) - state.entries),
        "compared": there is not None,
    }


def _unknown_station(name: str, there: int) -> dict[str, object]:
    nothing: dict[str, object] = dict.fromkeys(("root", "head_utc", "key", "seen_utc"))
    return {"station": name, "entries": 0, **nothing, "waiting": there, "compared": True}


def _shown_station(row: dict[str, object]) -> tuple[str, ...]:
    waiting = f"{row['waiting']} behind" if row["waiting"] else "up to date"
    shown = waiting if row["compared"] else f"{waiting} when last seen"
    return (
        str(row["station"]), str(row["entries"]), str(row["head_utc"] or "-"), str(row["seen_utc"] or "never"), shown,
    )  # fmt: skip


def _record(summary: Summary) -> tuple[str, ...]:
    return (
        summary.station, summary.number, summary.started_utc.strftime("%Y-%m-%d %H:%M:%SZ"), summary.motor_serial,
        summary.motor_type, summary.job, summary.stage, "void" if summary.void else summary.outcome,
        summary.conformity or "-", summary.disposition or "none",
        "-" if summary.conformity == "conforming" else summary.worst,
    )  # fmt: skip


def _print_table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    widths = [max(len(row[i]) for row in [columns, *rows]) for i in range(len(columns))]
    for row in [columns, *rows]:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
