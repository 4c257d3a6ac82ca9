"""The central store: many stations' ledgers in one PostgreSQL database, each taken parcel by parcel, exactly once."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Self

from sqlalchemy import Connection, Engine, create_engine, func, insert, select, text
from sqlalchemy.dialects.postgresql import insert as insert_or_update

from db.central_errors import HistoryRefused, reached
from db.central_parcel import Key, Parcel, grown
from db.central_tables import (
    CentralAttachmentRow,
    CentralBase,
    CentralEntryRow,
    CentralHeadRow,
    CentralKeyRow,
    CentralRecordRow,
    CentralRunRow,
    CentralSightingRow,
    CentralStationRow,
    CentralWaveformRow,
)
from db.column_types import time_of
from db.engine import url_of
from db.merkle import Peaks
from db.record_rows import record_row
from db.schema import MIGRATIONS, Schema, ready
from db.store_errors import StoreError

CENTRAL = Schema("a central polemark store", CentralBase.metadata, MIGRATIONS / "central", "central_stations")
PATIENCE_S = 60
# Any number will do as long as it stays the same: with a station's name it makes the lock of whoever copies that station.
_COPY_LOCK = 73206
# A network that swallows everything must end in an error. Whoever gives other values in the address is heeded.
_LINK = {
    "connect_timeout": "10", "tcp_user_timeout": "30000", "keepalives_idle": "15", "keepalives_interval": "5",
    "keepalives_count": "3", "application_name": "polemark central",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Held:
    """How far central has a station's ledger."""

    origin: bytes = b""
    size: int = 0
    root: bytes = b""
    peaks: Peaks = field(default_factory=Peaks)


class Central:
    """One central store."""

    def __init__(self, engine: Engine, where: str, patience_s: float) -> None:
        self.engine, self.where, self._patience_s = engine, where, patience_s

    @classmethod
    def open(cls, location: str, *, patience_s: float = PATIENCE_S) -> Self:
        """Open, migrate and check a central store.

        Parameters
        ----------
        location
            `postgresql+psycopg://HOST/DATABASE`.
        patience_s
            How long the server waits for a station that went silent in the middle, or for another that copies the same
            station [s].

        Raises
        ------
        CentralAway
            The server does not answer.
        StoreError
            It cannot be used; the message says why.
        """
        url = url_of(location)
        if url.get_backend_name() != "postgresql":
            raise StoreError(
                f"a central store cannot be kept at {url.render_as_string(hide_password=True)}; allowed: postgresql+psycopg://HOST/DATABASE"
            )
        where = f"central store {url.render_as_string(hide_password=True)}"
        engine = create_engine(url.set(query={**_LINK, **url.query}), pool_pre_ping=True)
        try:
            with reached(where):
                ready(engine, where, CENTRAL)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, where, patience_s)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        """Return itself, to be closed at the end of the block."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()

    def held(self, station: str) -> Held:
        """Return how far a station's ledger has been copied."""
        with reached(self.where), self.engine.connect() as connection:
            return _held(connection, station)

    def sight(self, station: str, entries_there: int) -> None:
        """Note that a station that has entries here was heard of and has nothing new."""
        with self._writing(station) as connection:
            _sight(connection, station, entries_there, _now(connection))

    def arrive(self, parcel: Parcel, accepted: Collection[str] = ()) -> int:
        """Take a parcel in one transaction, or nothing of it.

        Parameters
        ----------
        accepted
            Names of keys that someone answers for, see `Raises`.

        Returns
        -------
        int
            How many entries were added; none where another process was faster.

        Raises
        ------
        HistoryRefused
            The station's name belongs to another ledger or this ledger to another name, the parcel does not continue what
            is here, or it brings a second key of a use.
        CentralAway
            The server went away. Whether the parcel was taken is found by asking `held` again.
        """
        with self._writing(parcel.station) as connection:
            held = _held(connection, parcel.station)
            now = _now(connection)
            if held.size == 0:
                self._enter_station(connection, parcel, now)
            if held.size != parcel.first:
                return 0
            self._add(connection, held, parcel, accepted, now)
            _sight(connection, parcel.station, parcel.entries_there, now)
        return len(parcel.entries)

    @contextmanager
    def _writing(self, station: str) -> Iterator[Connection]:
        """Open a transaction as the only one that copies this station; other stations are not kept waiting."""
        with reached(self.where), self.engine.begin() as connection:
            # Whatever the server is set to, a commit that is told of must be on its disk.
            connection.execute(text("SET LOCAL synchronous_commit = on"))
            # Else a station that lost its power would keep the lock until the server's network gives up, hours later.
            for setting in ("idle_in_transaction_session_timeout", "lock_timeout"):
                connection.execute(text(f"SET LOCAL {setting} = {round(1000 * self._patience_s)}"))
            connection.execute(
                text("SELECT pg_advisory_xact_lock(:lock, hashtext(:station))"),
                {"lock": _COPY_LOCK, "station": station},
            )
            yield connection

    def _enter_station(self, connection: Connection, parcel: Parcel, now: datetime) -> None:
        other = connection.scalar(select(CentralStationRow.name).where(CentralStationRow.origin == parcel.origin))
        if other is not None:
            raise HistoryRefused(
                f"{self.where} holds this ledger as station {other}; allowed: that name, not {parcel.station}"
            )
        connection.execute(insert(CentralStationRow).values(name=parcel.station, origin=parcel.origin, entered_utc=now))

    def _add(
        self, connection: Connection, held: Held, parcel: Parcel, accepted: Collection[str], now: datetime
    ) -> None:
        station = parcel.station
        if held.size and (held.origin, held.root) != (parcel.origin, parcel.root):
            raise HistoryRefused(
                f"{self.where} holds another ledger as station {station}; each station needs a name of its own, nothing "
                "was copied"
            )
        columns = (CentralKeyRow.name, CentralKeyRow.use, CentralKeyRow.public, CentralKeyRow.position)
        keys = [Key(*row) for row in connection.execute(select(*columns).where(CentralKeyRow.station == station))]
        try:
            new = grown(held.peaks, {key.name: key for key in keys}, parcel)
            runs, records = _run_rows(parcel), _record_rows(parcel)
        except (ValueError, KeyError, TypeError) as error:
            raise HistoryRefused(f"{self.where}: station {station} was not taken on: {error}") from None
        self._refuse_second_key(station, keys, new, accepted)
        _insert(connection, CentralEntryRow, station, [_columns(CentralEntryRow, e) for e in parcel.entries])
        _insert(connection, CentralKeyRow, station, [_columns(CentralKeyRow, key) for key in new])
        _insert(
            connection,
            CentralHeadRow,
            station,
            [_columns(CentralHeadRow, head) | {"peaks": peaks, "arrived_utc": now} for head, peaks in parcel.heads],
        )
        _insert(connection, CentralRunRow, station, runs)
        _insert(connection, CentralRecordRow, station, records)
        _insert_unknown(connection, CentralWaveformRow, station, parcel.waveforms)
        _insert_unknown(connection, CentralAttachmentRow, station, parcel.attachments)

    def _refuse_second_key(
        self, station: str, keys: Sequence[Key], new: Sequence[Key], accepted: Collection[str]
    ) -> None:
        """Refuse a key beside one of the same use: anyone who copied a store could go on with it under a key of their own."""
        uses = {key.use for key in keys}
        for key in new:
            if key.use in uses and key.name not in accepted:
                raise HistoryRefused(
                    f"{self.where} knows another key of station {station} for {key.use}; if the station was given a new one, "
                    f"say so once with --accept-key {key.name}, nothing was copied from there on"
                )
            uses.add(key.use)


def _held(connection: Connection, station: str) -> Held:
    columns = (CentralStationRow.origin, CentralHeadRow.size, CentralHeadRow.root, CentralHeadRow.peaks)
    query = select(*columns).join(CentralHeadRow, CentralHeadRow.station == CentralStationRow.name)
    last = query.where(CentralStationRow.name == station).order_by(CentralHeadRow.size.desc()).limit(1)
    row = connection.execute(last).first()
    return Held() if row is None else Held(row.origin, row.size, row.root, Peaks.of_bytes(row.size, row.peaks))


def _now(connection: Connection) -> datetime:
    """Return the server's time, which is one for all stations."""
    now: datetime = connection.execute(select(func.clock_timestamp())).scalar_one()
    return now


def _sight(connection: Connection, station: str, entries_there: int, now: datetime) -> None:
    seen = {"seen_utc": now, "entries_there": entries_there}
    connection.execute(
        insert_or_update(CentralSightingRow)
        .values(station=station, **seen)
        .on_conflict_do_update(index_elements=["station"], set_=seen)
    )


def _columns(table: type[CentralBase], given: object) -> dict[str, Any]:
    """Take what a table keeps of an object whose attributes have the names of its columns."""
    return {c.name: getattr(given, c.name) for c in table.__table__.columns if hasattr(given, c.name)}


def _run_rows(parcel: Parcel) -> list[dict[str, Any]]:
    columns = ("number", "kind", "stage", "job", "motor_serial", "motor_type")
    return [
        {c: entry.document[c] for c in columns}
        | {"position": entry.position, "started_utc": time_of(entry.document["started_utc"])}
        for entry in parcel.entries
        if entry.kind == "started"
    ]


def _record_rows(parcel: Parcel) -> list[dict[str, Any]]:
    return [record_row(e.document) | {"position": e.position} for e in parcel.entries if e.kind == "record"]


def _insert(connection: Connection, table: type[CentralBase], station: str, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        connection.execute(insert(table), [{**row, "station": station} for row in rows])


def _insert_unknown(
    connection: Connection,
    table: type[CentralWaveformRow | CentralAttachmentRow],
    station: str,
    rows: Sequence[Mapping[str, Any]],
) -> None:
    """Add what the station has not sent before under the same digest."""
    digests = [row["digest"] for row in rows]
    known = set(connection.scalars(select(table.digest).where(table.station == station, table.digest.in_(digests))))
    _insert(connection, table, station, [row for row in rows if row["digest"] not in known])
