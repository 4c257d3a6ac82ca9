"""The store: runs are begun, records added, and nothing is ever changed."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import URL, Connection, Engine, func, insert, select

from db.column_types import time_of, time_text
from db.engine import engine_for, engine_to_read, reading, url_of, writing
from db.ledger import LedgerWriter, check_last_head
from db.process_identity import Process, is_alive, this_process
from db.queries import Queries
from db.record_rows import finding_rows, record_row
from db.record_rules import Attachment, WaveformData, refuse_unfit
from db.results import StoredRecord, StoredWaveform, Summary, YieldRow
from db.run_start import SERIES, Started, started_document, stopped_document
from db.schema import ready, refuse_other_revision
from db.signing import Head, KeyUse, SigningKey, read_or_make_key
from db.store_errors import StoreError, UnknownRecord
from db.tables import AttachmentRow, FindingRow, JobRow, MotorRow, RecordRow, RunRow, WaveformRow
from db.waveform_codec import CODEC, pack

__all__ = [
    "Attachment", "Begun", "Head", "Process", "Started", "Store", "StoreError", "Stored", "StoredRecord",
    "StoredWaveform", "Summary", "UnknownRecord", "WaveformData", "YieldRow",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Begun:
    """A run that may energise the bench now: its start is stored."""

    run_id: int
    """Position of its `started` entry."""
    number: str


@dataclass(frozen=True, slots=True)
class Stored:
    """What a record became."""

    number: str
    digest: str


class Store(Queries):
    """One store: a station's own file, or a database that stations share."""

    def __init__(self, engine: Engine, where: str, keys: Path | None) -> None:
        super().__init__(engine, where)
        self._key_folder = keys
        self._keys: dict[KeyUse, SigningKey] = {}

    @classmethod
    def open(cls, location: str | Path, *, keys: Path | None = None) -> Self:
        """Open, migrate and check a store.

        Parameters
        ----------
        location
            A path is an SQLite file, a text with `://` a database URL.
        keys
            Folder of this station's private signing keys; by default `keys` beside an SQLite file. A store on a
            server can be read without one.

        Raises
        ------
        StoreError
            It cannot be used; the message says why.
        """
        url = url_of(location)
        engine, where = engine_for(url), f"store {_shown(url)}"
        try:
            ready(engine, where)
            with reading(engine, where) as connection:
                check_last_head(connection, where)
        except BaseException:
            engine.dispose()
            raise
        beside = Path(url.database).parent / "keys" if url.get_backend_name() == "sqlite" and url.database else None
        return cls(engine, where, keys or beside)

    @classmethod
    def open_to_read(cls, location: str | Path) -> Self:
        """Open a store to read it as it is: nothing is made, migrated or changed, and no key is needed.

        Raises
        ------
        StoreError
            It is not there, is no store, or is of another schema than this program's.
        """
        url = url_of(location)
        engine, where = engine_to_read(url), f"store {_shown(url)}"
        try:
            refuse_other_revision(engine, where)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, where, None)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        """Return itself, to be closed at the end of the block."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()

    def begin_run(self, started: Started, process: Process | None = None) -> Begun:
        """Commit a `started` entry and give the run its number, unique and never used again.

        Parameters
        ----------
        process
            The process that runs it; by default this one.

        Raises
        ------
        StoreError
            It could not be stored, so nothing may be energised.
        """
        self._refuse_texts(started)
        series = SERIES[started.kind]
        with self.adding(started.kind, started.started_utc) as ledger:
            last = ledger.connection.scalar(select(func.max(RunRow.ordinal)).where(RunRow.series == series)) or 0
            number = f"{series}-{last + 1:06d}"
            document = started_document(started, number, process or this_process())
            self._refuse_unclosable(document)
            added = ledger.add(document)
            columns = ("kind", "stage", "job", "motor_serial", "motor_type", "station", "number")
            ledger.connection.execute(
                insert(RunRow).values(
                    position=added.position,
                    series=series,
                    ordinal=last + 1,
                    started_utc=time_of(document["started_utc"]),
                    **{column: document[column] for column in columns},
                )
            )
        return Begun(added.position, number)

    def add_record(
        self,
        number: str,
        document: Mapping[str, Any],
        waveforms: Sequence[WaveformData] = (),
        attachments: Sequence[Attachment] = (),
    ) -> Stored:
        """Store a record with its findings, waveforms and attachments in one transaction.

        Raises
        ------
        StoreError
            The run was not begun or has its record, the document does not fit the run, a waveform does not fit its
            digest, the document and what is given name different waveforms or attachments, something in it is no
            JSON (NaN), or the database refuses; then nothing of it is stored.
        """
        started = self.started(number)
        if started is None:
            raise StoreError(f"{self.where}: no run {number} was begun; allowed: the record of a run that was")
        try:
            refuse_unfit(document, started, waveforms, attachments)
            row, findings = record_row(document), finding_rows(document)
        except ValueError as error:
            raise StoreError(f"{self.where}: record {number} was not stored: {error}") from None
        packed = _waveform_rows(waveforms)
        with self.adding(document["kind"], row["ended_utc"]) as ledger:
            connection = ledger.connection
            if connection.scalar(select(RecordRow.position).where(RecordRow.number == number)) is not None:
                raise StoreError(f"{self.where}: run {number} has its record already; allowed: one record a run")
            added = ledger.add(document)
            connection.execute(insert(RecordRow).values(row | {"position": added.position}))
            if findings:
                connection.execute(insert(FindingRow), [f | {"record": added.position} for f in findings])
            _add_unknown(connection, WaveformRow, packed)
            _add_unknown(
                connection, AttachmentRow, {a.digest: {"digest": a.digest, "content": a.content} for a in attachments}
            )
        return Stored(number, added.digest)

    def close_dead_runs(
        self, now_utc: datetime, note: str, is_alive: Callable[[Process], bool] = is_alive
    ) -> list[str]:
        """Give a `stopped` record to every run that has none and whose process lives no more.

        Parameters
        ----------
        note
            Who closes it and when, for the record's reason to stop: "closed at the next start".

        Returns
        -------
        list of str
            Their numbers.
        """
        closed = []
        for started in self.open_runs():
            if not is_alive(Process.of_document(started["process"])):
                self._close(started["number"], stopped_document(started, now_utc, note))
                closed.append(started["number"])
        return closed

    def _close(self, number: str, document: Mapping[str, Any]) -> None:
        try:
            self.add_record(number, document)
        except StoreError:
            # Another process that starts at the same time may have closed it first; that is as good.
            if not self.find(number=number):
                raise

    def add_job(self, job: Mapping[str, Any], motor_serial: str, at_utc: datetime) -> None:
        """Enter a job (`number`, `work_order`, `customer`, `received_on`, ...); entered again, the latest counts.

        Raises
        ------
        StoreError
            It has no number, or the database refuses.
        """
        document = {**job, "format": "polemark-job-1", "motor_serial": motor_serial, "at_utc": time_text(at_utc)}
        with self.adding("production", at_utc) as ledger:
            position = ledger.add(document).position
            values = {name: job.get(name) for name in ("number", "customer", "received_on")}
            ledger.connection.execute(insert(JobRow).values(position=position, motor_serial=motor_serial, **values))

    def add_motor(self, motor: Mapping[str, Any], motor_type: str, at_utc: datetime) -> None:
        """Enter a motor (`serial`, `shop_tag`, `nameplate`, ...); entered again, the latest counts.

        Raises
        ------
        StoreError
            It has no serial number, or the database refuses.
        """
        document = {**motor, "format": "polemark-motor-1", "motor_type": motor_type, "at_utc": time_text(at_utc)}
        with self.adding("production", at_utc) as ledger:
            position = ledger.add(document).position
            values = {name: motor.get(name) for name in ("serial", "shop_tag")}
            ledger.connection.execute(insert(MotorRow).values(position=position, motor_type=motor_type, **values))

    def add_void(self, number: str, by: str, why: str, at_utc: datetime) -> None:
        """Mark a record as not counting; it stays readable.

        Raises
        ------
        UnknownRecord
            There is no such record.
        StoreError
            It is void already, or who or why is not said.
        """
        self._add_note("void", number, {"by": by, "why": why}, at_utc)

    def add_amendment(
        self, number: str, by: str, why: str, at_utc: datetime, *, what: str, before: Any = None, after: Any = None
    ) -> None:
        """Add to a record what it should have said; what it says stays readable.

        Parameters
        ----------
        what
            The part of the record that is amended.
        before, after
            What stands there, and what should; JSON values.

        Raises
        ------
        UnknownRecord
            There is no such record.
        StoreError
            Who or why is not said, or the database refuses.
        """
        self._add_note(
            "amendment", number, {"by": by, "why": why, "what": what, "before": before, "after": after}, at_utc
        )

    def _add_note(self, kind: str, number: str, content: Mapping[str, Any], at_utc: datetime) -> None:
        if not (content["by"].strip() and content["why"].strip()):
            raise StoreError(f"{self.where}: record {number}: a {kind} must say who and why")
        of_kind = self.record(number).document["kind"]
        with self.adding(of_kind, at_utc) as ledger:
            # Read again under the lock: another process may have voided it meanwhile.
            record = self._record(ledger.connection, number)
            if kind == "void" and record.void:
                raise StoreError(f"{self.where}: record {number} is void already")
            told = {
                "format": f"polemark-{kind}-1",
                "number": number,
                "record": record.digest,
                "at_utc": time_text(at_utc),
            }
            ledger.add({**told, **content})

    @contextmanager
    def adding(self, kind: str, at_utc: datetime) -> Iterator[LedgerWriter]:
        """Open the one way of writing: a transaction that ends with a signed head, or leaves nothing."""
        key = self._key(KeyUse.for_kind(kind))
        with writing(self.engine, self.where) as connection:
            ledger = LedgerWriter(connection, self.where, key, at_utc)
            yield ledger
            ledger.seal()

    def _key(self, use: KeyUse) -> SigningKey:
        if use not in self._keys:
            if self._key_folder is None:
                raise StoreError(
                    f"{self.where}: nothing can be added without this station's signing keys; name their folder"
                )
            self._keys[use] = read_or_make_key(self._key_folder, use)
        return self._keys[use]

    def _refuse_unclosable(self, started: Mapping[str, Any]) -> None:
        """Refuse a run that could not be closed: it may die at once, and its `stopped` record must then be storable."""
        closing = stopped_document(started, time_of(started["started_utc"]), "tried before it begins")
        try:
            refuse_unfit(closing, started, (), ())
        except ValueError as error:
            raise StoreError(f"{self.where}: a run cannot begin with these facts: {error}") from None

    def _refuse_texts(self, started: Started) -> None:
        if started.kind not in SERIES:
            raise StoreError(f"{self.where}: a run of kind {started.kind!r} cannot begin; allowed: {', '.join(SERIES)}")
        for name in ("station", "stage", "job", "motor_serial", "motor_type", "sequence_name", "bench"):
            text = getattr(started, name)
            if not (0 < len(text) <= 200 and text.isprintable()):
                raise StoreError(
                    f"{self.where}: a run cannot begin with {name} {text[:40]!r}; allowed: 1 to 200 printable characters"
                )


def _waveform_rows(waveforms: Sequence[WaveformData]) -> dict[str, dict[str, Any]]:
    """Pack waveforms before the lock is taken; equal samples have an equal digest, so they are stored once."""
    given = {w.digest: w.counts for w in waveforms}
    return {
        digest: {
            "digest": digest,
            "dtype": counts.dtype.name,
            "samples": counts.size,
            "codec": CODEC,
            "packed": pack(counts),
        }
        for digest, counts in given.items()
    }


def _add_unknown(
    connection: Connection, table: type[WaveformRow | AttachmentRow], rows: Mapping[str, Mapping[str, Any]]
) -> None:
    """Add the rows whose digest is not there yet."""
    known = set(connection.scalars(select(table.digest).where(table.digest.in_(rows))))
    unknown = [row for digest, row in rows.items() if digest not in known]
    if unknown:
        connection.execute(insert(table), unknown)


def _shown(url: URL) -> str:
    """Name a path as a path, and a URL without its password."""
    return str(url.database) if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)
