"""Stations' stores for tests of the central store, and the comparison of both row by row, with plain drivers."""

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import make_url
from store_samples import NOW, document, started, waveform

from db.central_copy import copy_parcel
from db.central_source import PARCEL_BYTES, Source
from db.central_store import Central
from db.record_rules import Attachment
from db.store import Store

ROOT = Path(__file__).resolve().parents[2]
# What is copied as it is, and the order in which it is compared.
COPIED = {
    "entries": ("position, kind, subject, at_utc, content, leaf", "position"),
    "heads": ("size, root, peaks, at_utc, key, signature", "size"),
    "keys": ("name, position, use, public", "position"),
    "waveforms": ("digest, dtype, samples, codec, packed", "digest"),
    "attachments": ("digest, content", "digest"),
    "records": ("position, number, outcome, conformity, worst, disposition, ended_utc", "position"),
    "runs": ("position, number, kind, stage, job, motor_serial, motor_type, started_utc", "position"),
}


def fill(folder: Path, station: str, runs: int = 6, seed: int = 1, samples: int = 500) -> None:
    """Add to a station's store: a job, a motor, runs with their records, waveforms and photographs, a void, an amendment."""
    folder.mkdir(exist_ok=True)
    with Store.open(folder / "records.db") as store:
        store.add_job({"number": f"J-{seed}"}, f"S-{seed}", NOW)
        store.add_motor({"serial": f"S-{seed}"}, "nb4-100", NOW)
        for i in range(runs):
            start = started(station=station, kind="simulated" if i % 3 == 2 else "production", job=f"J-{seed}")
            waves = [waveform(1000 * seed + 2 * i + k, samples) for k in (0, 1)]
            photo = Attachment(f"photograph {seed} {i}".encode())
            begun = store.begin_run(start)
            record = document(begun, start, waves, attachments=[{"digest": photo.digest}])
            store.add_record(begun.number, record, waves, [photo])
        store.add_void(begun.number, "Kim Sample", "tried out", NOW)
        store.add_amendment(begun.number, "Kim Sample", "misread", NOW, what="job", before=1, after=2)


def copy(folder: Path, url: str, station: str, accepted: tuple[str, ...] = ()) -> int:
    """Copy all that waits; return how many entries went over."""
    with Store.open(folder / "records.db") as store, Central.open(url) as central:
        source, copied = Source(store, station), 0
        while (progress := copy_parcel(source, central, accepted)).waiting:
            copied += progress.copied
        return copied + progress.copied


@contextmanager
def tampering(folder: Path) -> Iterator[sqlite3.Connection]:
    """Open a store as someone with full rights could: without its triggers, which are put back at the end."""
    with closing(sqlite3.connect(folder / "records.db")) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()


def at_station(folder: Path) -> dict[str, list[tuple[Any, ...]]]:
    with closing(sqlite3.connect(folder / "records.db")) as connection:
        return {
            table: connection.execute(f"SELECT {columns} FROM {table} ORDER BY {order}").fetchall()  # noqa: S608
            for table, (columns, order) in COPIED.items()
        }


def at_central(url: str, station: str) -> dict[str, list[tuple[Any, ...]]]:
    with psycopg.connect(plain(url)) as connection:
        return {
            table: connection.execute(
                f"SELECT {columns} FROM central_{table} WHERE station = %s ORDER BY {order}",  # noqa: S608
                [station],
            ).fetchall()
            for table, (columns, order) in COPIED.items()
        }


def assert_copied_whole(folder: Path, url: str, station: str) -> None:
    there, here = at_station(folder), at_central(url, station)
    for table in COPIED:
        assert here[table] == there[table], table
    assert there["entries"]


def counts(url: str) -> dict[str, int]:
    """Count the rows of every table at central, but for what is no evidence."""
    with psycopg.connect(plain(url)) as connection:
        tables = [*(f"central_{table}" for table in COPIED), "central_stations"]
        return {t: connection.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in tables}  # type: ignore[index]  # noqa: S608


def plain(url: str) -> str:
    return url.replace("+psycopg", "")


def database_of(url: str) -> str:
    name = make_url(url).database
    assert name is not None
    return name


PROGRAM = """
import sys
from db import central_source
central_source.PARCEL_BYTES = int(sys.argv[1])
from station.cli import main
main(["central", *sys.argv[2:]])
"""


def polemark(
    *arguments: str | Path, parcel_bytes: int = PARCEL_BYTES, folder: Path | None = None
) -> "subprocess.Popen[str]":
    """Start the command as a shell would."""
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(parcel_bytes), *map(str, arguments)],
        cwd=folder, env={"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
