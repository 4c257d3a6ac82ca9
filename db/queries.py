"""Reading the store: records by what is known of them, their waveforms, and the rows that yield is counted from."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Engine, select

from db.canonical import digest_of
from db.store_errors import StoreError, told
from db.tables import EntryRow, RecordRow, RunRow, WaveformRow
from db.waveform_codec import Counts, unpack


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """A record as it is stored, with what was added to it since."""

    number: str
    digest: str
    document: Mapping[str, Any]
    void: bool
    amendments: Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Summary:
    """One line of a list of records."""

    number: str
    kind: str
    stage: str
    job: str
    motor_serial: str
    motor_type: str
    station: str
    started_utc: datetime
    outcome: str
    conformity: str | None
    disposition: str | None
    worst: str
    void: bool


class Queries:
    """What can be asked of a store."""

    def __init__(self, engine: Engine, where: str) -> None:
        self.engine, self.where = engine, f"store {where}"

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def find(
        self,
        *,
        motor_serial: str | None = None,
        job: str | None = None,
        stage: str | None = None,
        kinds: Sequence[str] | None = None,
    ) -> list[Summary]:
        """List records, the oldest first."""
        wanted: list[ColumnElement[bool]] = []
        if motor_serial is not None:
            wanted.append(RunRow.motor_serial == motor_serial)
        if job is not None:
            wanted.append(RunRow.job == job)
        if stage is not None:
            wanted.append(RunRow.stage == stage)
        if kinds is not None:
            wanted.append(RunRow.kind.in_(kinds))
        void = select(EntryRow.number).where(EntryRow.kind == "void")
        with told(self.where), self.engine.connect() as connection:
            voided = set(connection.scalars(void))
            rows = connection.execute(
                select(
                    RunRow.number, RunRow.kind, RunRow.stage, RunRow.job, RunRow.motor_serial, RunRow.motor_type,
                    RunRow.station, RunRow.started_utc, RecordRow.outcome, RecordRow.conformity, RecordRow.disposition,
                    RecordRow.worst,
                )
                .join(RecordRow, RecordRow.number == RunRow.number)
                .where(*wanted)
                .order_by(RecordRow.position)
            ).all()  # fmt: skip
        return [Summary(**row._mapping, void=row.number in voided) for row in rows]

    def record(self, number: str) -> StoredRecord:
        """Return one record.

        Raises
        ------
        StoreError
            There is none of that number, or its content does not fit its digest.
        """
        with told(self.where), self.engine.connect() as connection:
            entries = connection.execute(
                select(EntryRow.kind, EntryRow.content, EntryRow.digest)
                .where(EntryRow.number == number)
                .order_by(EntryRow.position)
            ).all()
        record = next((e for e in entries if e.kind == "record"), None)
        if record is None:
            raise StoreError(f"{self.where}: there is no record {number}; `polemark records` lists those there are")
        if digest_of(record.content) != record.digest:
            raise StoreError(f"{self.where}: record {number} does not fit its digest: the store was changed or is damaged")
        notes = [{"kind": e.kind, **json.loads(e.content)} for e in entries if e.kind in ("void", "amendment")]
        return StoredRecord(number, record.digest, json.loads(record.content), any(n["kind"] == "void" for n in notes), notes)

    def latest(self, job: str, stage: str) -> StoredRecord | None:
        """Return the latest complete record of a job's stage that is not void."""
        usable = [s for s in self.find(job=job, stage=stage) if s.outcome == "complete" and not s.void]
        return self.record(usable[-1].number) if usable else None

    def latest_of_job(self, job: str) -> StoredRecord | None:
        """Return the latest record of a job, whatever became of it."""
        found = self.find(job=job)
        return self.record(found[-1].number) if found else None

    def open_runs(self) -> list[Mapping[str, Any]]:
        """Return the `started` entries of runs that have no record."""
        with told(self.where), self.engine.connect() as connection:
            contents = connection.scalars(
                select(EntryRow.content)
                .where(EntryRow.kind == "started", EntryRow.number.not_in(select(RecordRow.number)))
                .order_by(EntryRow.position)
            ).all()
        return [json.loads(content) for content in contents]

    def waveforms(self, number: str) -> dict[str, Counts]:
        """Return a record's waveforms by digest.

        Raises
        ------
        StoreError
            One is missing or damaged.
        """
        document = self.record(number).document
        digests = {w["digest"] for c in document["captures"] for w in c["waveforms"]}
        with told(self.where), self.engine.connect() as connection:
            rows = connection.execute(
                select(WaveformRow.digest, WaveformRow.packed, WaveformRow.samples, WaveformRow.width).where(
                    WaveformRow.digest.in_(digests)
                )
            ).all()
        lost = digests - {row.digest for row in rows}
        if lost:
            raise StoreError(f"{self.where}: record {number} lacks {len(lost)} waveforms: the store was changed or is damaged")
        try:
            return {row.digest: unpack(row.packed, row.samples, row.width) for row in rows}
        except ValueError as error:
            raise StoreError(f"{self.where}: record {number}: {error}") from None
