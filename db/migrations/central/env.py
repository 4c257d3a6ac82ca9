"""Runs the central store's migrations over the connection that it hands in."""

from alembic import context

from db.central_tables import CentralBase

context.configure(
    connection=context.config.attributes["connection"], target_metadata=CentralBase.metadata, compare_type=True
)
with context.begin_transaction():
    context.run_migrations()
