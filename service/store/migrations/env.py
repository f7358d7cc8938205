"""Run by Alembic: applies the changes over the connection that `service.store.upgrading` hands in."""

from alembic import context

from service.store.schema import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    compare_type=True,
    # SQLite can hardly alter a table: Alembic copies it then.
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
