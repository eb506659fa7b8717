"""Alembic's entry: the caller brings the connection and its transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
