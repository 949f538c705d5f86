"""Run by Alembic: uses the connection and the transaction it was given."""

from alembic import context

from ringland.history.schema import METADATA

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=METADATA,
    render_as_batch=True,
    transactional_ddl=True,
)
context.run_migrations()
