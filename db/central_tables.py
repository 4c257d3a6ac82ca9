"""The tables of a central store: what every station's ledger holds, each row with the station's name.

A station's entries keep their positions, its heads their signatures, so a ledger can be checked here as it can at the station.
"""

from datetime import datetime

from sqlalchemy import ForeignKey, ForeignKeyConstraint, Index, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from db.column_types import Blob, UtcTime
from db.tables import Base


class CentralBase(DeclarativeBase):
    """All tables of a central store."""

    metadata = MetaData(naming_convention=Base.metadata.naming_convention)


class CentralStationRow(CentralBase):
    """A station, entered with the first of its entries; the name belongs to that ledger for good."""

    __tablename__ = "central_stations"

    name: Mapped[str] = mapped_column(Text, primary_key=True)
    origin: Mapped[bytes] = mapped_column(Blob, unique=True)
    """Leaf hash of entry 0, by which one ledger is told from every other."""
    entered_utc: Mapped[datetime] = mapped_column(UtcTime)


class CentralEntryRow(CentralBase):
    """An entry as the station has it."""

    __tablename__ = "central_entries"

    station: Mapped[str] = mapped_column(ForeignKey("central_stations.name"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(String(20))
    subject: Mapped[str] = mapped_column(Text)
    at_utc: Mapped[datetime] = mapped_column(UtcTime)
    content: Mapped[bytes] = mapped_column(Blob)
    leaf: Mapped[bytes] = mapped_column(Blob)

    __table_args__ = (Index(None, "subject", "kind"),)


class CentralKeyRow(CentralBase):
    """A station's public key."""

    __tablename__ = "central_keys"

    station: Mapped[str] = mapped_column(Text, primary_key=True)
    name: Mapped[str] = mapped_column(String(71), primary_key=True)
    position: Mapped[int]
    use: Mapped[str] = mapped_column(String(40))
    public: Mapped[bytes] = mapped_column(Blob)

    __table_args__ = (
        ForeignKeyConstraint(["station", "position"], ["central_entries.station", "central_entries.position"]),
    )


class CentralHeadRow(CentralBase):
    """A signed head; the largest says how far the station's ledger has been copied."""

    __tablename__ = "central_heads"

    station: Mapped[str] = mapped_column(Text, primary_key=True)
    size: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    root: Mapped[bytes] = mapped_column(Blob)
    peaks: Mapped[bytes] = mapped_column(Blob)
    at_utc: Mapped[datetime] = mapped_column(UtcTime)
    key: Mapped[str] = mapped_column(String(71))
    signature: Mapped[bytes] = mapped_column(Blob)
    arrived_utc: Mapped[datetime] = mapped_column(UtcTime)
    """By the clock of the central server, one for all stations."""

    __table_args__ = (ForeignKeyConstraint(["station", "key"], ["central_keys.station", "central_keys.name"]),)


class CentralRunRow(CentralBase):
    """A started run, for queries."""

    __tablename__ = "central_runs"

    station: Mapped[str] = mapped_column(Text, primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    number: Mapped[str] = mapped_column(String(40))
    kind: Mapped[str] = mapped_column(String(20))
    stage: Mapped[str] = mapped_column(String(20))
    job: Mapped[str] = mapped_column(Text, index=True)
    motor_serial: Mapped[str] = mapped_column(Text, index=True)
    motor_type: Mapped[str] = mapped_column(Text)
    started_utc: Mapped[datetime] = mapped_column(UtcTime, index=True)

    __table_args__ = (
        UniqueConstraint("station", "number"),
        ForeignKeyConstraint(["station", "position"], ["central_entries.station", "central_entries.position"]),
    )


class CentralRecordRow(CentralBase):
    """A record, for queries."""

    __tablename__ = "central_records"

    station: Mapped[str] = mapped_column(Text, primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    number: Mapped[str] = mapped_column(String(40))
    outcome: Mapped[str] = mapped_column(String(20))
    conformity: Mapped[str | None] = mapped_column(String(20))
    worst: Mapped[str] = mapped_column(Text)
    disposition: Mapped[str | None] = mapped_column(String(40))
    ended_utc: Mapped[datetime] = mapped_column(UtcTime)

    __table_args__ = (
        UniqueConstraint("station", "number"),
        ForeignKeyConstraint(["station", "position"], ["central_entries.station", "central_entries.position"]),
        ForeignKeyConstraint(["station", "number"], ["central_runs.station", "central_runs.number"]),
    )


class CentralWaveformRow(CentralBase):
    """A station's samples by digest, packed as the station packed them."""

    __tablename__ = "central_waveforms"

    station: Mapped[str] = mapped_column(ForeignKey("central_stations.name"), primary_key=True)
    digest: Mapped[str] = mapped_column(String(71), primary_key=True)
    dtype: Mapped[str] = mapped_column(String(5))
    samples: Mapped[int]
    codec: Mapped[str] = mapped_column(String(40))
    packed: Mapped[bytes] = mapped_column(Blob)


class CentralAttachmentRow(CentralBase):
    """A station's files by digest."""

    __tablename__ = "central_attachments"

    station: Mapped[str] = mapped_column(ForeignKey("central_stations.name"), primary_key=True)
    digest: Mapped[str] = mapped_column(String(71), primary_key=True)
    content: Mapped[bytes] = mapped_column(Blob)


class CentralSightingRow(CentralBase):
    """When a station was last heard of and how many entries it then had; written over each time, for it is no evidence."""

    __tablename__ = "central_sightings"

    station: Mapped[str] = mapped_column(ForeignKey("central_stations.name"), primary_key=True)
    seen_utc: Mapped[datetime] = mapped_column(UtcTime)
    entries_there: Mapped[int]
