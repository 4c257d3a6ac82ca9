"""What can be asked of a central store: its stations, and records over all of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, func, select
from sqlalchemy.orm import InstrumentedAttribute

from db.central_errors import reached
from db.central_store import Central
from db.central_tables import (
    CentralEntryRow,
    CentralHeadRow,
    CentralRecordRow,
    CentralRunRow,
    CentralSightingRow,
    CentralStationRow,
)
from db.results import Summary

_VOID = exists().where(
    CentralEntryRow.station == CentralRunRow.station,
    CentralEntryRow.subject == CentralRunRow.number,
    CentralEntryRow.kind == "void",
)
_SUMMARY = (
    CentralRunRow.number, CentralRunRow.kind, CentralRunRow.stage, CentralRunRow.job, CentralRunRow.motor_serial,
    CentralRunRow.motor_type, CentralRunRow.station, CentralRunRow.started_utc, CentralRecordRow.ended_utc,
    CentralRecordRow.outcome, CentralRecordRow.conformity, CentralRecordRow.worst, CentralRecordRow.disposition,
    _VOID.label("void"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StationState:
    """One station as central sees it."""

    station: str
    entries: int
    root: bytes
    """Root of the ledger at the last head."""
    head_utc: datetime
    key: str
    """The key that signed it."""
    seen_utc: datetime
    """When the station was last heard of, by the server's clock."""
    entries_there: int
    """How many entries it then had."""


def stations(central: Central) -> list[StationState]:
    """List the stations by name."""
    last = (
        select(CentralHeadRow.station, func.max(CentralHeadRow.size).label("size"))
        .group_by(CentralHeadRow.station)
        .subquery()
    )
    query = (
        select(
            CentralStationRow.name, CentralHeadRow.size, CentralHeadRow.root, CentralHeadRow.at_utc, CentralHeadRow.key,
            CentralSightingRow.seen_utc, CentralSightingRow.entries_there,
        )
        .join(last, last.c.station == CentralStationRow.name)
        .join(CentralHeadRow, (CentralHeadRow.station == last.c.station) & (CentralHeadRow.size == last.c.size))
        .join(CentralSightingRow, CentralSightingRow.station == CentralStationRow.name)
        .order_by(CentralStationRow.name)
    )  # fmt: skip
    with reached(central.where), central.engine.connect() as connection:
        return [StationState(*row) for row in connection.execute(query)]


def records(
    central: Central,
    *,
    motor_serial: str | None = None,
    job: str | None = None,
    stage: str | None = None,
    station: str | None = None,
) -> Sequence[Summary]:
    """List the records of all stations that fit all that is given, the oldest first; `station` is central's name of it."""
    equal: dict[InstrumentedAttribute[str], str | None] = {
        CentralRunRow.motor_serial: motor_serial, CentralRunRow.job: job, CentralRunRow.stage: stage,
        CentralRunRow.station: station,
    }  # fmt: skip
    wanted: list[ColumnElement[bool]] = [column == value for column, value in equal.items() if value is not None]
    same = (CentralRecordRow.station == CentralRunRow.station) & (CentralRecordRow.number == CentralRunRow.number)
    order = (CentralRunRow.started_utc, CentralRunRow.station, CentralRunRow.position)
    query: Select[*tuple[Any, ...]] = select(*_SUMMARY).join(CentralRecordRow, same).where(*wanted).order_by(*order)
    with reached(central.where), central.engine.connect() as connection:
        return [Summary(*row) for row in connection.execute(query)]
