"""The store: runs are begun, records added, and nothing is ever changed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import Connection, func, insert, select

from db.canonical import canonical_bytes, digest_of
from db.engine import lock_writers, open_engine
from db.process_identity import is_alive, this_process
from db.queries import Queries
from db.store_errors import StoreError, told
from db.tables import AttachmentRow, EntryRow, FindingRow, RecordRow, RunRow, WaveformRow
from db.waveform_codec import CODEC, Counts, pack, waveform_digest

SERIES = {"production": "PM", "simulated": "SIM", "training": "TRN"}
SEVERITY = ("nonconforming", "undecided", "not measured", "conforming")


@dataclass(frozen=True, slots=True)
class Started:
    """What is known when a run begins."""

    kind: str
    station: str
    stage: str
    job: str
    motor_serial: str
    motor_type: str
    sequence: str
    sequence_digest: str
    bench: str
    started_utc: datetime
    facts: Mapping[str, Any] = field(default_factory=dict)
    """What a record of a run that dies will need besides."""


@dataclass(frozen=True, slots=True, eq=False)
class WaveformData:
    """Samples of one channel with their digest."""

    digest: str
    counts: Counts


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that belongs to a record."""

    name: str
    media_type: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Stored:
    """What a record became."""

    number: str
    digest: str


class Store(Queries):
    """One station's store."""

    @classmethod
    def open(cls, location: str | Path) -> Self:
        """Open, migrate and check a store; a path is an SQLite file, a text with `://` a database URL.

        Raises
        ------
        StoreError
            It cannot be used; the message says why.
        """
        return cls(open_engine(location), str(location))

    def begin_run(self, started: Started) -> str:
        """Commit a `started` entry and return the run's number, unique and never used again.

        Raises
        ------
        StoreError
            It could not be stored, so nothing may be energised.
        """
        series = SERIES[started.kind]
        with told(self.where), self.engine.begin() as connection:
            lock_writers(connection)
            last = connection.scalar(select(func.max(RunRow.serial_in_series)).where(RunRow.series == series)) or 0
            number = f"{series}-{last + 1:06d}"
            process = this_process()
            connection.execute(
                insert(RunRow).values(
                    number=number,
                    series=series,
                    serial_in_series=last + 1,
                    kind=started.kind,
                    stage=started.stage,
                    job=started.job,
                    motor_serial=started.motor_serial,
                    motor_type=started.motor_type,
                    station=started.station,
                    process=process,
                    started_utc=started.started_utc,
                )
            )
            content = {
                "format": "polemark-started-1",
                "number": number,
                "kind": started.kind,
                "station": started.station,
                "stage": started.stage,
                "job": started.job,
                "motor_serial": started.motor_serial,
                "motor_type": started.motor_type,
                "sequence": started.sequence,
                "sequence_digest": started.sequence_digest,
                "bench": started.bench,
                "started_utc": _text(started.started_utc),
                "process": process,
                "facts": dict(started.facts),
            }
            self._append(connection, "started", number, started.started_utc, content)
        return number

    def add_record(
        self,
        document: Mapping[str, Any],
        waveforms: Sequence[WaveformData] = (),
        attachments: Sequence[Attachment] = (),
        *,
        ended_utc: datetime,
    ) -> Stored:
        """Store a record with its findings and waveforms in one transaction.

        Raises
        ------
        StoreError
            The run was not begun or has a record, a waveform does not fit its digest, the document names a waveform
            that is not given, or the database refuses; then nothing of it is stored.
        """
        number = str(document.get("number"))
        self._refuse_unfit(document, waveforms)
        with told(self.where), self.engine.begin() as connection:
            lock_writers(connection)
            if connection.scalar(select(RunRow.number).where(RunRow.number == number)) is None:
                raise StoreError(f"{self.where}: no run {number} was begun; allowed: a record of a begun run")
            if connection.scalar(select(RecordRow.number).where(RecordRow.number == number)) is not None:
                raise StoreError(f"{self.where}: run {number} has its record; allowed: one record a run")
            position, digest = self._append(connection, "record", number, ended_utc, document)
            self._add_columns(connection, document, position, ended_utc)
            self._add_waveforms(connection, waveforms)
            for a in attachments:
                self._add_if_new(connection, AttachmentRow, digest_of(a.content), name=a.name, media_type=a.media_type, content=a.content)
        return Stored(number, digest)

    def close_dead_runs(
        self,
        stopped_record: Callable[[Mapping[str, Any]], Mapping[str, Any]],
        now_utc: datetime,
        alive: Callable[[str], bool] = is_alive,
    ) -> list[str]:
        """Close runs that were begun, have no record, and whose process lives no more.

        Parameters
        ----------
        stopped_record
            Makes the record's document from the `started` entry's content.

        Returns
        -------
        list of str
            Their numbers.
        """
        closed = []
        for started in self.open_runs():
            if not alive(str(started["process"])):
                self.add_record(stopped_record(started), ended_utc=now_utc)
                closed.append(str(started["number"]))
        return closed

    def add_void(self, number: str, by: str, why: str, at_utc: datetime) -> None:
        """Mark a record as not counting; it stays readable.

        Raises
        ------
        StoreError
            There is no such record, or it is void already.
        """
        self._add_note("void", number, {"by": by, "why": why}, at_utc)

    def add_amendment(self, number: str, by: str, why: str, what: str, at_utc: datetime) -> None:
        """Add words to a record.

        Raises
        ------
        StoreError
            There is no such record.
        """
        self._add_note("amendment", number, {"by": by, "why": why, "what": what}, at_utc)

    def _add_note(self, kind: str, number: str, content: dict[str, str], at_utc: datetime) -> None:
        record = self.record(number)
        if kind == "void" and record.void:
            raise StoreError(f"{self.where}: record {number} is void already")
        with told(self.where), self.engine.begin() as connection:
            lock_writers(connection)
            entry = {"format": f"polemark-{kind}-1", "number": number, "record_digest": record.digest, "at_utc": _text(at_utc), **content}
            self._append(connection, kind, number, at_utc, entry)

    def _append(self, connection: Connection, kind: str, number: str, at_utc: datetime, content: Any) -> tuple[int, str]:
        try:
            raw = canonical_bytes(content)
        except ValueError as error:
            raise StoreError(f"{self.where}: {number}: {error}") from None
        last = connection.scalar(select(func.max(EntryRow.position)))
        position = 0 if last is None else last + 1
        digest = digest_of(raw)
        connection.execute(
            insert(EntryRow).values(position=position, kind=kind, number=number, at_utc=at_utc, content=raw, digest=digest)
        )
        return position, digest

    def _refuse_unfit(self, document: Mapping[str, Any], waveforms: Sequence[WaveformData]) -> None:
        for waveform in waveforms:
            if waveform_digest(waveform.counts) != waveform.digest:
                raise StoreError(f"{self.where}: a waveform does not fit its digest {waveform.digest}; nothing was stored")
        given = {w.digest for w in waveforms}
        named = {w["digest"] for c in document.get("captures", []) for w in c["waveforms"]}
        if named != given:
            raise StoreError(f"{self.where}: the record names {len(named)} waveforms and {len(given)} are given; nothing was stored")

    def _add_columns(self, connection: Connection, document: Mapping[str, Any], position: int, ended_utc: datetime) -> None:
        findings = document.get("findings", [])
        judged = [f for f in findings if f["conformity"] is not None]
        worst = min(judged, key=lambda f: SEVERITY.index(f["conformity"]), default=None)
        disposition = document.get("disposition") or {}
        connection.execute(
            insert(RecordRow).values(
                number=document["number"],
                position=position,
                outcome=document["outcome"],
                conformity=None if worst is None else worst["conformity"],
                disposition=disposition.get("proposed"),
                worst="" if worst is None else worst["label"],
                ended_utc=ended_utc,
            )
        )
        columns = ("name", "value", "unit", "u", "lower", "upper", "conformity")
        rows = [{"number": document["number"], **{c: f[c] for c in columns}} for f in findings]
        if rows:
            connection.execute(insert(FindingRow), rows)

    def _add_waveforms(self, connection: Connection, waveforms: Sequence[WaveformData]) -> None:
        for w in waveforms:
            size = {"samples": w.counts.size, "width": w.counts.itemsize}
            self._add_if_new(connection, WaveformRow, w.digest, codec=CODEC, packed=pack(w.counts), **size)

    def _add_if_new(self, connection: Connection, table: type[WaveformRow | AttachmentRow], digest: str, **columns: Any) -> None:
        """Equal content has an equal digest, so it is stored once."""
        if connection.scalar(select(table.digest).where(table.digest == digest)) is None:
            connection.execute(insert(table).values(digest=digest, **columns))


def _text(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"
