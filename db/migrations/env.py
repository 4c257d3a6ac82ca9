"""Runs migrations over the connection that the store hands in, or for a developer over `alembic -x url=FILE_OR_URL`."""

from alembic import context
from sqlalchemy import Connection

from db.engine import engine_for, url_of, writing
from db.tables import Base


def run(connection: Connection) -> None:
    context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True, compare_type=True)
    with context.begin_transaction():
        context.run_migrations()


handed_in = context.config.attributes.get("connection")
if handed_in is not None:
    run(handed_in)
else:
    location = context.get_x_argument(as_dictionary=True).get("url", "polemark-development.db")
    with writing(engine_for(url_of(location)), location) as connection:
        run(connection)
