"""The tables: one append-only row of entries, and beside it what queries, waveforms and signatures need.

Whatever stands in a query table can be told again from the entries; the entries are what counts. Columns for words of
the station's own have a length, those for what people and makers name have none.
"""

from datetime import datetime

from sqlalchemy import ForeignKey, Index, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from db.column_types import Blob, UtcTime


class Base(DeclarativeBase):
    """All tables; constraints get stable names so that migrations can speak of them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class EntryRow(Base):
    """Everything that ever happened, in order: keys, jobs, started runs, records and what was said of them, people, approvals."""

    __tablename__ = "entries"

    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    """From 0 without gaps; the leaf's index in the ledger."""
    kind: Mapped[str] = mapped_column(String(20))
    subject: Mapped[str] = mapped_column(Text)
    """What it speaks of: the number of a record or job, a motor's serial number, a key's name."""
    at_utc: Mapped[datetime] = mapped_column(UtcTime)
    content: Mapped[bytes] = mapped_column(Blob)
    """RFC 8785 form of the document."""
    leaf: Mapped[bytes] = mapped_column(Blob)
    """RFC 6962 hash of the content, 32 bytes."""

    __table_args__ = (Index(None, "subject", "kind"), Index(None, "kind"))


class HeadRow(Base):
    """The signed root of the ledger after each transaction that added to it."""

    __tablename__ = "heads"

    size: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    root: Mapped[bytes] = mapped_column(Blob)
    peaks: Mapped[bytes] = mapped_column(Blob)
    """Roots of the full subtrees, so that the next entry need not read all earlier ones."""
    at_utc: Mapped[datetime] = mapped_column(UtcTime)
    key: Mapped[str] = mapped_column(ForeignKey("keys.name"))
    signature: Mapped[bytes] = mapped_column(Blob)


class KeyRow(Base):
    """Public keys; their private halves never enter the store."""

    __tablename__ = "keys"

    position: Mapped[int] = mapped_column(ForeignKey("entries.position"), primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(String(71), unique=True)
    use: Mapped[str] = mapped_column(String(40))
    public: Mapped[bytes] = mapped_column(Blob)


class JobRow(Base):
    """A job as received, once for each time it was entered; the latest counts."""

    __tablename__ = "jobs"

    position: Mapped[int] = mapped_column(ForeignKey("entries.position"), primary_key=True, autoincrement=False)
    number: Mapped[str] = mapped_column(Text, index=True)
    motor_serial: Mapped[str] = mapped_column(Text, index=True)
    customer: Mapped[str | None] = mapped_column(Text)
    received_on: Mapped[str | None] = mapped_column(Text)


class MotorRow(Base):
    """A motor, once for each time it was entered; the latest counts."""

    __tablename__ = "motors"

    position: Mapped[int] = mapped_column(ForeignKey("entries.position"), primary_key=True, autoincrement=False)
    serial: Mapped[str] = mapped_column(Text, index=True)
    shop_tag: Mapped[str | None] = mapped_column(Text, index=True)
    motor_type: Mapped[str] = mapped_column(Text)


class RunRow(Base):
    """A started run; its number is used once."""

    __tablename__ = "runs"

    position: Mapped[int] = mapped_column(ForeignKey("entries.position"), primary_key=True, autoincrement=False)
    number: Mapped[str] = mapped_column(String(40), unique=True)
    series: Mapped[str] = mapped_column(String(10))
    ordinal: Mapped[int]
    kind: Mapped[str] = mapped_column(String(20))
    stage: Mapped[str] = mapped_column(String(20))
    job: Mapped[str] = mapped_column(Text, index=True)
    motor_serial: Mapped[str] = mapped_column(Text, index=True)
    motor_type: Mapped[str] = mapped_column(Text)
    station: Mapped[str] = mapped_column(Text)
    started_utc: Mapped[datetime] = mapped_column(UtcTime, index=True)

    __table_args__ = (UniqueConstraint("series", "ordinal"),)


class RecordRow(Base):
    """A stored record, with what queries ask for."""

    __tablename__ = "records"

    position: Mapped[int] = mapped_column(ForeignKey("entries.position"), primary_key=True, autoincrement=False)
    number: Mapped[str] = mapped_column(ForeignKey("runs.number"), unique=True)
    outcome: Mapped[str] = mapped_column(String(20))
    conformity: Mapped[str | None] = mapped_column(String(20))
    """The worst of its findings; none where nothing was judged."""
    worst: Mapped[str] = mapped_column(Text)
    """Label of the worst finding."""
    disposition: Mapped[str | None] = mapped_column(String(40))
    """As proposed by the run."""
    ended_utc: Mapped[datetime] = mapped_column(UtcTime, index=True)


class FindingRow(Base):
    """One finding of a record, for queries."""

    __tablename__ = "findings"

    record: Mapped[int] = mapped_column(ForeignKey("records.position"), primary_key=True, autoincrement=False)
    ordinal: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(Text)
    value: Mapped[float | None]
    unit: Mapped[str] = mapped_column(Text)
    u: Mapped[float | None]
    lower: Mapped[float | None]
    upper: Mapped[float | None]
    conformity: Mapped[str | None] = mapped_column(String(20))

    __table_args__ = (Index(None, "name", "record"),)


class WaveformRow(Base):
    """Samples by digest, compressed without loss."""

    __tablename__ = "waveforms"

    digest: Mapped[str] = mapped_column(String(71), primary_key=True)
    dtype: Mapped[str] = mapped_column(String(5))
    samples: Mapped[int]
    codec: Mapped[str] = mapped_column(String(40))
    packed: Mapped[bytes] = mapped_column(Blob)


class AttachmentRow(Base):
    """Photographs, certificates and other files by digest; records say what they are called."""

    __tablename__ = "attachments"

    digest: Mapped[str] = mapped_column(String(71), primary_key=True)
    content: Mapped[bytes] = mapped_column(Blob)


class PasswordRow(Base):
    """Hashes of passwords: no evidence, so they may be written over, and no ledger, export or copy ever holds one."""

    __tablename__ = "passwords"

    name: Mapped[str] = mapped_column(Text, primary_key=True)
    hash: Mapped[str] = mapped_column(Text)
