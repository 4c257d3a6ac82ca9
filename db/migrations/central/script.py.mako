"""${message}"""

import sqlalchemy as sa
from alembic import op

from db.append_only import protect

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = ${repr(branch_labels)}
depends_on = ${repr(depends_on)}


def upgrade() -> None:
    ${upgrades if upgrades else "pass"}
    # Rebuilding a table drops its triggers without a word, so every migration puts them in place anew.
    protect(op.get_bind())
