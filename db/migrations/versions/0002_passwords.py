"""Hashes of passwords, the one table of a store that may be written over."""

import sqlalchemy as sa
from alembic import op

from db.append_only import protect

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "passwords",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_passwords")),
    )
    protect(op.get_bind())
