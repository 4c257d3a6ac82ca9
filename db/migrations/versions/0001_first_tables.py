"""First tables: entries with their signed heads and keys, jobs, motors, runs, records, findings, waveforms, attachments."""

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
        "attachments",
        sa.Column("digest", sa.String(length=71), nullable=False),
        sa.Column("content", Blob(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_attachments")),
    )
    op.create_table(
        "entries",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("at_utc", UtcTime(), nullable=False),
        sa.Column("content", Blob(), nullable=False),
        sa.Column("leaf", Blob(), nullable=False),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_entries")),
    )
    op.create_index(op.f("ix_entries_kind"), "entries", ["kind"], unique=False)
    op.create_index(op.f("ix_entries_subject_kind"), "entries", ["subject", "kind"], unique=False)
    op.create_table(
        "waveforms",
        sa.Column("digest", sa.String(length=71), nullable=False),
        sa.Column("dtype", sa.String(length=5), nullable=False),
        sa.Column("samples", sa.Integer(), nullable=False),
        sa.Column("codec", sa.String(length=40), nullable=False),
        sa.Column("packed", Blob(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_waveforms")),
    )
    op.create_table(
        "jobs",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("motor_serial", sa.Text(), nullable=False),
        sa.Column("customer", sa.Text(), nullable=True),
        sa.Column("received_on", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["position"], ["entries.position"], name=op.f("fk_jobs_position")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_jobs")),
    )
    op.create_index(op.f("ix_jobs_motor_serial"), "jobs", ["motor_serial"], unique=False)
    op.create_index(op.f("ix_jobs_number"), "jobs", ["number"], unique=False)
    op.create_table(
        "keys",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(length=71), nullable=False),
        sa.Column("use", sa.String(length=40), nullable=False),
        sa.Column("public", Blob(), nullable=False),
        sa.ForeignKeyConstraint(["position"], ["entries.position"], name=op.f("fk_keys_position")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_keys")),
        sa.UniqueConstraint("name", name=op.f("uq_keys_name")),
    )
    op.create_table(
        "motors",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("shop_tag", sa.Text(), nullable=True),
        sa.Column("motor_type", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["position"], ["entries.position"], name=op.f("fk_motors_position")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_motors")),
    )
    op.create_index(op.f("ix_motors_serial"), "motors", ["serial"], unique=False)
    op.create_index(op.f("ix_motors_shop_tag"), "motors", ["shop_tag"], unique=False)
    op.create_table(
        "runs",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("series", sa.String(length=10), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("stage", sa.String(length=20), nullable=False),
        sa.Column("job", sa.Text(), nullable=False),
        sa.Column("motor_serial", sa.Text(), nullable=False),
        sa.Column("motor_type", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("started_utc", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(["position"], ["entries.position"], name=op.f("fk_runs_position")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_runs")),
        sa.UniqueConstraint("number", name=op.f("uq_runs_number")),
        sa.UniqueConstraint("series", "ordinal", name=op.f("uq_runs_series_ordinal")),
    )
    op.create_index(op.f("ix_runs_job"), "runs", ["job"], unique=False)
    op.create_index(op.f("ix_runs_motor_serial"), "runs", ["motor_serial"], unique=False)
    op.create_index(op.f("ix_runs_started_utc"), "runs", ["started_utc"], unique=False)
    op.create_table(
        "heads",
        sa.Column("size", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("root", Blob(), nullable=False),
        sa.Column("peaks", Blob(), nullable=False),
        sa.Column("at_utc", UtcTime(), nullable=False),
        sa.Column("key", sa.String(length=71), nullable=False),
        sa.Column("signature", Blob(), nullable=False),
        sa.ForeignKeyConstraint(["key"], ["keys.name"], name=op.f("fk_heads_key")),
        sa.PrimaryKeyConstraint("size", name=op.f("pk_heads")),
    )
    op.create_table(
        "records",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("conformity", sa.String(length=20), nullable=True),
        sa.Column("worst", sa.Text(), nullable=False),
        sa.Column("disposition", sa.String(length=40), nullable=True),
        sa.Column("ended_utc", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(["number"], ["runs.number"], name=op.f("fk_records_number")),
        sa.ForeignKeyConstraint(["position"], ["entries.position"], name=op.f("fk_records_position")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_records")),
        sa.UniqueConstraint("number", name=op.f("uq_records_number")),
    )
    op.create_index(op.f("ix_records_ended_utc"), "records", ["ended_utc"], unique=False)
    op.create_table(
        "findings",
        sa.Column("record", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ordinal", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.Column("lower", sa.Double(), nullable=True),
        sa.Column("upper", sa.Double(), nullable=True),
        sa.Column("conformity", sa.String(length=20), nullable=True),
        sa.ForeignKeyConstraint(["record"], ["records.position"], name=op.f("fk_findings_record")),
        sa.PrimaryKeyConstraint("record", "ordinal", name=op.f("pk_findings")),
    )
    op.create_index(op.f("ix_findings_name_record"), "findings", ["name", "record"], unique=False)
    protect(op.get_bind())
