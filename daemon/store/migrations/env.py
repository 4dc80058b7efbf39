"""What Alembic runs: apply the scripts on the connection that the caller handed over, in its transaction."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    render_as_batch=True,  # SQLite cannot alter most things in place: Alembic rebuilds the table
    transactional_ddl=True,  # ours is, because we begin transactions ourselves: all scripts apply, or none
)
with context.begin_transaction():
    context.run_migrations()
