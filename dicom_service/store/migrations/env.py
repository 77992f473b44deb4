"""What alembic runs: the revisions, in the transaction that it was given."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
