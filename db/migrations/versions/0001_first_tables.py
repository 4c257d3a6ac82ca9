"""First tables: entries, runs, records, findings, waveforms, attachments."""

from alembic import op
import sqlalchemy as sa

from db.append_only import protect
from db.column_types import UtcTime

revision = '0001'
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('attachments',
    sa.Column('digest', sa.String(length=71), nullable=False),
    sa.Column('name', sa.String(length=200), nullable=False),
    sa.Column('media_type', sa.String(length=100), nullable=False),
    sa.Column('content', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('digest', name=op.f('pk_attachments'))
    )
    op.create_table('entries',
    sa.Column('position', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('kind', sa.String(length=20), nullable=False),
    sa.Column('number', sa.String(length=40), nullable=False),
    sa.Column('at_utc', UtcTime(length=32), nullable=False),
    sa.Column('content', sa.LargeBinary(), nullable=False),
    sa.Column('digest', sa.String(length=71), nullable=False),
    sa.PrimaryKeyConstraint('position', name=op.f('pk_entries'))
    )
    with op.batch_alter_table('entries', schema=None) as batch_op:
        batch_op.create_index('ix_entries_number_kind', ['number', 'kind'], unique=False)

    op.create_table('runs',
    sa.Column('number', sa.String(length=40), nullable=False),
    sa.Column('series', sa.String(length=10), nullable=False),
    sa.Column('serial_in_series', sa.Integer(), nullable=False),
    sa.Column('kind', sa.String(length=20), nullable=False),
    sa.Column('stage', sa.String(length=20), nullable=False),
    sa.Column('job', sa.String(length=80), nullable=False),
    sa.Column('motor_serial', sa.String(length=80), nullable=False),
    sa.Column('motor_type', sa.String(length=80), nullable=False),
    sa.Column('station', sa.String(length=80), nullable=False),
    sa.Column('process', sa.String(length=80), nullable=False),
    sa.Column('started_utc', UtcTime(length=32), nullable=False),
    sa.PrimaryKeyConstraint('number', name=op.f('pk_runs')),
    sa.UniqueConstraint('series', 'serial_in_series', name=op.f('uq_runs_series'))
    )
    with op.batch_alter_table('runs', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_runs_job'), ['job'], unique=False)
        batch_op.create_index(batch_op.f('ix_runs_motor_serial'), ['motor_serial'], unique=False)
        batch_op.create_index(batch_op.f('ix_runs_started_utc'), ['started_utc'], unique=False)

    op.create_table('waveforms',
    sa.Column('digest', sa.String(length=71), nullable=False),
    sa.Column('samples', sa.Integer(), nullable=False),
    sa.Column('width', sa.Integer(), nullable=False),
    sa.Column('codec', sa.String(length=40), nullable=False),
    sa.Column('packed', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('digest', name=op.f('pk_waveforms'))
    )
    op.create_table('records',
    sa.Column('number', sa.String(length=40), nullable=False),
    sa.Column('position', sa.Integer(), nullable=False),
    sa.Column('outcome', sa.String(length=20), nullable=False),
    sa.Column('conformity', sa.String(length=20), nullable=True),
    sa.Column('disposition', sa.String(length=40), nullable=True),
    sa.Column('worst', sa.Text(), nullable=False),
    sa.Column('ended_utc', UtcTime(length=32), nullable=False),
    sa.ForeignKeyConstraint(['number'], ['runs.number'], name=op.f('fk_records_number_runs')),
    sa.ForeignKeyConstraint(['position'], ['entries.position'], name=op.f('fk_records_position_entries')),
    sa.PrimaryKeyConstraint('number', name=op.f('pk_records')),
    sa.UniqueConstraint('position', name=op.f('uq_records_position'))
    )
    with op.batch_alter_table('records', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_records_ended_utc'), ['ended_utc'], unique=False)

    op.create_table('findings',
    sa.Column('number', sa.String(length=40), nullable=False),
    sa.Column('name', sa.String(length=60), nullable=False),
    sa.Column('value', sa.Double(), nullable=True),
    sa.Column('unit', sa.String(length=20), nullable=False),
    sa.Column('u', sa.Double(), nullable=True),
    sa.Column('lower', sa.Double(), nullable=True),
    sa.Column('upper', sa.Double(), nullable=True),
    sa.Column('conformity', sa.String(length=20), nullable=True),
    sa.ForeignKeyConstraint(['number'], ['records.number'], name=op.f('fk_findings_number_records')),
    sa.PrimaryKeyConstraint('number', 'name', name=op.f('pk_findings'))
    )
    with op.batch_alter_table('findings', schema=None) as batch_op:
        batch_op.create_index('ix_findings_name_conformity', ['name', 'conformity'], unique=False)

    protect(op.get_bind())
