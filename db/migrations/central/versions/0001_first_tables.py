"""First tables: stations with their entries, signed heads and keys; runs, records, waveforms, attachments; sightings."""

import sqlalchemy as sa
from alembic import op

from db.append_only import protect
from db.column_types import Blob, UtcTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "central_stations",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("origin", Blob(), nullable=False),
        sa.Column("entered_utc", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_central_stations")),
        sa.UniqueConstraint("origin", name=op.f("uq_central_stations_origin")),
    )
    op.create_table(
        "central_attachments",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=71), nullable=False),
        sa.Column("content", Blob(), nullable=False),
        sa.ForeignKeyConstraint(["station"], ["central_stations.name"], name=op.f("fk_central_attachments_station")),
        sa.PrimaryKeyConstraint("station", "digest", name=op.f("pk_central_attachments")),
    )
    op.create_table(
        "central_entries",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("at_utc", UtcTime(), nullable=False),
        sa.Column("content", Blob(), nullable=False),
        sa.Column("leaf", Blob(), nullable=False),
        sa.ForeignKeyConstraint(["station"], ["central_stations.name"], name=op.f("fk_central_entries_station")),
        sa.PrimaryKeyConstraint("station", "position", name=op.f("pk_central_entries")),
    )
    op.create_index(op.f("ix_central_entries_subject_kind"), "central_entries", ["subject", "kind"], unique=False)
    op.create_table(
        "central_sightings",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("seen_utc", UtcTime(), nullable=False),
        sa.Column("entries_there", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["station"], ["central_stations.name"], name=op.f("fk_central_sightings_station")),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_central_sightings")),
    )
    op.create_table(
        "central_waveforms",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=71), nullable=False),
        sa.Column("dtype", sa.String(length=5), nullable=False),
        sa.Column("samples", sa.Integer(), nullable=False),
        sa.Column("codec", sa.String(length=40), nullable=False),
        sa.Column("packed", Blob(), nullable=False),
        sa.ForeignKeyConstraint(["station"], ["central_stations.name"], name=op.f("fk_central_waveforms_station")),
        sa.PrimaryKeyConstraint("station", "digest", name=op.f("pk_central_waveforms")),
    )
    op.create_table(
        "central_keys",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("name", sa.String(length=71), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("use", sa.String(length=40), nullable=False),
        sa.Column("public", Blob(), nullable=False),
        sa.ForeignKeyConstraint(
            ["station", "position"],
            ["central_entries.station", "central_entries.position"],
            name=op.f("fk_central_keys_station_position"),
        ),
        sa.PrimaryKeyConstraint("station", "name", name=op.f("pk_central_keys")),
    )
    op.create_table(
        "central_runs",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("stage", sa.String(length=20), nullable=False),
        sa.Column("job", sa.Text(), nullable=False),
        sa.Column("motor_serial", sa.Text(), nullable=False),
        sa.Column("motor_type", sa.Text(), nullable=False),
        sa.Column("started_utc", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["station", "position"],
            ["central_entries.station", "central_entries.position"],
            name=op.f("fk_central_runs_station_position"),
        ),
        sa.PrimaryKeyConstraint("station", "position", name=op.f("pk_central_runs")),
        sa.UniqueConstraint("station", "number", name=op.f("uq_central_runs_station_number")),
    )
    op.create_index(op.f("ix_central_runs_job"), "central_runs", ["job"], unique=False)
    op.create_index(op.f("ix_central_runs_motor_serial"), "central_runs", ["motor_serial"], unique=False)
    op.create_index(op.f("ix_central_runs_started_utc"), "central_runs", ["started_utc"], unique=False)
    op.create_table(
        "central_heads",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("root", Blob(), nullable=False),
        sa.Column("peaks", Blob(), nullable=False),
        sa.Column("at_utc", UtcTime(), nullable=False),
        sa.Column("key", sa.String(length=71), nullable=False),
        sa.Column("signature", Blob(), nullable=False),
        sa.Column("arrived_utc", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["station", "key"], ["central_keys.station", "central_keys.name"], name=op.f("fk_central_heads_station_key")
        ),
        sa.PrimaryKeyConstraint("station", "size", name=op.f("pk_central_heads")),
    )
    op.create_table(
        "central_records",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("conformity", sa.String(length=20), nullable=True),
        sa.Column("worst", sa.Text(), nullable=False),
        sa.Column("disposition", sa.String(length=40), nullable=True),
        sa.Column("ended_utc", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["station", "number"],
            ["central_runs.station", "central_runs.number"],
            name=op.f("fk_central_records_station_number"),
        ),
        sa.ForeignKeyConstraint(
            ["station", "position"],
            ["central_entries.station", "central_entries.position"],
            name=op.f("fk_central_records_station_position"),
        ),
        sa.PrimaryKeyConstraint("station", "position", name=op.f("pk_central_records")),
        sa.UniqueConstraint("station", "number", name=op.f("uq_central_records_station_number")),
    )
    protect(op.get_bind())
