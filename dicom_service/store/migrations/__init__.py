"""The revisions of the tables, for alembic; `sesamoid` runs them when it opens an index."""
