"""Run by alembic through ``app.db.schema``, which hands over an open connection inside a transaction."""

from alembic import context

from app.db.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata(),
    render_as_batch=True,
    compare_type=True,
)
context.run_migrations()
