"""Reading the store: records by what is known of them, their waveforms, jobs, motors, and the rows that yield is counted from."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Engine, Select, exists, func, select
from sqlalchemy.orm import InstrumentedAttribute

from db.canonical import digest_of
from db.engine import reading
from db.ledger import SAID_OF_RECORDS, latest_head, stored_document
from db.results import StoredEntry, StoredRecord, StoredWaveform, Summary, YieldRow
from db.signing import Head, KeyUse
from db.store_errors import StoreError, UnknownRecord
from db.tables import AttachmentRow, EntryRow, JobRow, MotorRow, RecordRow, RunRow, WaveformRow
from db.waveform_codec import unpack, waveform_digest

_ENTRY = (EntryRow.kind, EntryRow.subject, EntryRow.at_utc, EntryRow.position, EntryRow.content, EntryRow.leaf)
_VOID = exists().where(EntryRow.kind == "void", EntryRow.subject == RunRow.number)
_SUMMARY = (
    RunRow.number, RunRow.kind, RunRow.stage, RunRow.job, RunRow.motor_serial, RunRow.motor_type, RunRow.station,
    RunRow.started_utc, RecordRow.ended_utc, RecordRow.outcome, RecordRow.conformity, RecordRow.worst,
    RecordRow.disposition, _VOID.label("void"),
)  # fmt: skip


class Queries:
    """What can be asked of a store."""

    def __init__(self, engine: Engine, where: str) -> None:
        self.engine, self.where = engine, where

    def find(
        self,
        *,
        number: str | None = None,
        motor_serial: str | None = None,
        job: str | None = None,
        stage: str | None = None,
        motor_type: str | None = None,
        station: str | None = None,
        outcome: str | None = None,
        kinds: Sequence[str] | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> list[Summary]:
        """List the records that fit all that is given, the oldest first; voided ones are among them and say so.

        Parameters
        ----------
        since, until
            Bounds of the start; `until` itself is left out.
        """
        equal: dict[InstrumentedAttribute[str], str | None] = {
            RunRow.number: number, RunRow.motor_serial: motor_serial, RunRow.job: job, RunRow.stage: stage,
            RunRow.motor_type: motor_type, RunRow.station: station, RecordRow.outcome: outcome,
        }  # fmt: skip
        wanted: list[ColumnElement[bool]] = [column == value for column, value in equal.items() if value is not None]
        wanted += [] if kinds is None else [RunRow.kind.in_(kinds)]
        wanted += [] if since is None else [RunRow.started_utc >= since]
        wanted += [] if until is None else [RunRow.started_utc < until]
        with reading(self.engine, self.where) as connection:
            return _summaries(connection, _list(wanted))

    def latest_as_found(self, job: str, kind: str | None = None) -> StoredRecord | None:
        """Return the job's latest as-found record that is complete and not void; of one kind, if it is given."""
        return self._latest(job, "as-found", kind)

    def latest_as_left(self, job: str, kind: str | None = None) -> StoredRecord | None:
        """Return the job's latest as-left record that is complete and not void; of one kind, if it is given."""
        return self._latest(job, "as-left", kind)

    def _latest(self, job: str, stage: str, kind: str | None) -> StoredRecord | None:
        wanted = [RunRow.job == job, RunRow.stage == stage, RecordRow.outcome == "complete", ~_VOID]
        wanted += [] if kind is None else [RunRow.kind == kind]
        with reading(self.engine, self.where) as connection:
            found = _summaries(connection, _list(wanted, newest_first=True).limit(1))
            return self._record(connection, found[0].number) if found else None

    def yield_rows(self, *, stage: str = "as-left", include_simulated: bool = False) -> list[YieldRow]:
        """List what yield counts at a stage; simulated and training runs only where they are asked for."""
        wanted = [RunRow.stage == stage, ~_VOID]
        # An analysis of captures saved elsewhere is no run of this station, so no yield counts it.
        wanted += [RunRow.kind != "analysis"] if include_simulated else [RunRow.kind == "production"]
        with reading(self.engine, self.where) as connection:
            found = _summaries(connection, _list(wanted))
        return [
            YieldRow(
                s.number, s.kind, s.job, s.motor_serial, s.motor_type, s.station, _week(s.started_utc), s.outcome,
                s.conformity, s.disposition, s.started_utc,
            )
            for s in found
        ]  # fmt: skip

    def record(self, number: str, size: int | None = None) -> StoredRecord:
        """Return one record with what was said of it later.

        Parameters
        ----------
        size
            Take only the first `size` entries of the ledger into account, as an earlier sheet did.

        Raises
        ------
        UnknownRecord
            There is none of that number.
        StoreError
            Its content does not fit its digest.
        """
        with reading(self.engine, self.where) as connection:
            return self._record(connection, number, size)

    def _record(self, connection: Connection, number: str, size: int | None = None) -> StoredRecord:
        of_record = EntryRow.kind.in_(("record", *SAID_OF_RECORDS))
        entries = self._entries(connection, select(*_ENTRY).where(EntryRow.subject == number, of_record))
        record = next((e for e in entries if e.kind == "record"), None)
        if record is None:
            raise UnknownRecord(f"{self.where}: there is no record {number}; `polemark records` lists those there are")
        later = [e for e in entries if e.kind != "record" and (size is None or e.position < size)]
        notes = [{"kind": e.kind, **e.document} for e in later if e.kind in ("void", "amendment")]
        void = any(note["kind"] == "void" for note in notes)
        signatures, decisions = ([e.document for e in later if e.kind == kind] for kind in ("signature", "decision"))
        return StoredRecord(number, record.digest, record.position, record.document, void, notes, signatures, decisions)

    def started(self, number: str) -> Mapping[str, Any] | None:
        """Return the `started` entry of a run."""
        with reading(self.engine, self.where) as connection:
            run = select(*_ENTRY).where(EntryRow.subject == number, EntryRow.kind == "started")
            entries = self._entries(connection, run)
        return entries[0].document if entries else None

    def open_runs(self) -> list[Mapping[str, Any]]:
        """Return the `started` entries of runs that have no record, the oldest first."""
        runs = select(*_ENTRY).join(RunRow, RunRow.position == EntryRow.position)
        with reading(self.engine, self.where) as connection:
            entries = self._entries(connection, runs.where(~exists().where(RecordRow.number == RunRow.number)))
        return [entry.document for entry in entries]

    def entries(self, *kinds: str, subject: str | None = None) -> list[StoredEntry]:
        """Return the entries of some kinds in their order; those of one subject, if it is given."""
        with reading(self.engine, self.where) as connection:
            return self.entries_in(connection, *kinds, subject=subject)

    def entries_in(self, connection: Connection, *kinds: str, subject: str | None = None) -> list[StoredEntry]:
        """Return the same inside a transaction of the caller, who may hold the writers' lock."""
        query = select(*_ENTRY).where(EntryRow.kind.in_(kinds))
        return self._entries(connection, query if subject is None else query.where(EntryRow.subject == subject))

    def _entries(self, connection: Connection, query: Select[*tuple[Any, ...]]) -> list[StoredEntry]:
        """Read entries in their order, each checked against its digest before it is used."""
        rows = connection.execute(query.order_by(EntryRow.position)).all()
        return [StoredEntry(r.kind, r.position, digest_of(r.content), stored_document(self.where, r)) for r in rows]

    def job(self, number: str) -> Mapping[str, Any] | None:
        """Return a job as it was entered last."""
        return self._last(select(func.max(JobRow.position)).where(JobRow.number == number))

    def motor(self, serial: str) -> Mapping[str, Any] | None:
        """Return a motor as it was entered last, by its serial number or its shop tag."""
        named = (MotorRow.serial == serial) | (MotorRow.shop_tag == serial)
        return self._last(select(func.max(MotorRow.position)).where(named))

    def _last(self, position: Select[int]) -> Mapping[str, Any] | None:
        with reading(self.engine, self.where) as connection:
            entries = self._entries(connection, select(*_ENTRY).where(EntryRow.position == position.scalar_subquery()))
        return entries[0].document if entries else None

    def waveforms(self, number: str) -> list[StoredWaveform]:
        """Return a record's waveforms, in the order in which the record names them.

        Raises
        ------
        StoreError
            One is missing or damaged.
        """
        captures = self.record(number).document["captures"]
        digests = {w["digest"] for c in captures for w in c["waveforms"]}
        columns = (WaveformRow.digest, WaveformRow.packed, WaveformRow.samples, WaveformRow.dtype, WaveformRow.codec)
        with reading(self.engine, self.where) as connection:
            rows = connection.execute(select(*columns).where(WaveformRow.digest.in_(digests))).all()
        try:
            counts = {row.digest: unpack(row.packed, row.samples, row.dtype, row.codec) for row in rows}
        except ValueError as error:
            raise StoreError(f"{self.where}: record {number}: {error}") from None
        whole = {digest for digest in counts if waveform_digest(counts[digest]) == digest}
        if digests - whole:
            raise StoreError(
                f"{self.where}: record {number}: {len(digests - whole)} of {len(digests)} waveforms missing or not as their "
                "digest says; the store was changed, or is damaged"
            )
        return [
            StoredWaveform(
                w["digest"], c["index"], w["channel"], w["signal"], c["interval_s"], w["scale_v"], w["offset_v"],
                counts[w["digest"]],
            )
            for c in captures for w in c["waveforms"]
        ]  # fmt: skip

    def attachment(self, digest: str) -> bytes:
        """Return a file that a record names.

        Raises
        ------
        StoreError
            It is missing or damaged.
        """
        with reading(self.engine, self.where) as connection:
            content = connection.scalar(select(AttachmentRow.content).where(AttachmentRow.digest == digest))
        if content is None or digest_of(content) != digest:
            raise StoreError(f"{self.where}: the attachment {digest} is missing or damaged")
        return content

    def head(self, use: KeyUse | None = None) -> Head | None:
        """Return the latest signed head of the ledger, or the latest that a key of this use signed."""
        with reading(self.engine, self.where) as connection:
            return latest_head(connection, use)


def _list(wanted: Sequence[ColumnElement[bool]], *, newest_first: bool = False) -> Select[*tuple[Any, ...]]:
    order = RecordRow.position.desc() if newest_first else RecordRow.position
    return select(*_SUMMARY).join(RecordRow, RecordRow.number == RunRow.number).where(*wanted).order_by(order)


def _summaries(connection: Connection, query: Select[*tuple[Any, ...]]) -> list[Summary]:
    return [Summary(*row) for row in connection.execute(query)]


def _week(moment: datetime) -> str:
    year, week, _ = moment.isocalendar()
    return f"{year}-W{week:02d}"
