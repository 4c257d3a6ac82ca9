"""The tables: one append-only row of entries, and beside it what queries and waveforms need."""

from datetime import datetime

from sqlalchemy import ForeignKey, Index, LargeBinary, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from db.column_types import UtcTime


class Base(DeclarativeBase):
    """All tables; constraints get stable names so that migrations can speak of them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class EntryRow(Base):
    """Everything that ever happened, in order: started runs, records, voids, amendments."""

    __tablename__ = "entries"

    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(String(20))
    number: Mapped[str] = mapped_column(String(40))
    """The record number that the entry speaks of."""
    at_utc: Mapped[datetime] = mapped_column(UtcTime)
    content: Mapped[bytes] = mapped_column(LargeBinary)
    """RFC 8785 form."""
    digest: Mapped[str] = mapped_column(String(71))

    __table_args__ = (Index("ix_entries_number_kind", "number", "kind"),)


class RunRow(Base):
    """A started run; its number is used once."""

    __tablename__ = "runs"

    number: Mapped[str] = mapped_column(String(40), primary_key=True)
    series: Mapped[str] = mapped_column(String(10))
    serial_in_series: Mapped[int]
    kind: Mapped[str] = mapped_column(String(20))
    stage: Mapped[str] = mapped_column(String(20))
    job: Mapped[str] = mapped_column(String(80), index=True)
    motor_serial: Mapped[str] = mapped_column(String(80), index=True)
    motor_type: Mapped[str] = mapped_column(String(80))
    station: Mapped[str] = mapped_column(String(80))
    process: Mapped[str] = mapped_column(String(80))
    """Process id and start time of the writer, to tell a run that goes on from one that died."""
    started_utc: Mapped[datetime] = mapped_column(UtcTime, index=True)

    __table_args__ = (UniqueConstraint("series", "serial_in_series"),)


class RecordRow(Base):
    """A stored record, with what queries ask for."""

    __tablename__ = "records"

    number: Mapped[str] = mapped_column(ForeignKey("runs.number"), primary_key=True)
    position: Mapped[int] = mapped_column(ForeignKey("entries.position"), unique=True)
    outcome: Mapped[str] = mapped_column(String(20))
    conformity: Mapped[str | None] = mapped_column(String(20))
    disposition: Mapped[str | None] = mapped_column(String(40))
    worst: Mapped[str] = mapped_column(Text)
    ended_utc: Mapped[datetime] = mapped_column(UtcTime, index=True)


class FindingRow(Base):
    """One finding of a record, for queries; the record itself is what counts."""

    __tablename__ = "findings"

    number: Mapped[str] = mapped_column(ForeignKey("records.number"), primary_key=True)
    name: Mapped[str] = mapped_column(String(60), primary_key=True)
    value: Mapped[float | None]
    unit: Mapped[str] = mapped_column(String(20))
    u: Mapped[float | None]
    lower: Mapped[float | None]
    upper: Mapped[float | None]
    conformity: Mapped[str | None] = mapped_column(String(20))

    __table_args__ = (Index("ix_findings_name_conformity", "name", "conformity"),)


class WaveformRow(Base):
    """Samples by digest, compressed without loss."""

    __tablename__ = "waveforms"

    digest: Mapped[str] = mapped_column(String(71), primary_key=True)
    samples: Mapped[int]
    width: Mapped[int]
    codec: Mapped[str] = mapped_column(String(40))
    packed: Mapped[bytes] = mapped_column(LargeBinary)


class AttachmentRow(Base):
    """Photographs, certificates and other files by digest."""

    __tablename__ = "attachments"

    digest: Mapped[str] = mapped_column(String(71), primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    media_type: Mapped[str] = mapped_column(String(100))
    content: Mapped[bytes] = mapped_column(LargeBinary)


APPEND_ONLY = tuple(sorted(Base.metadata.tables))
"""Rows are only ever added, in every table."""
