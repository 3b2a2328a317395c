"""The migrations of the casebook, for Alembic: `versions/` holds one module a revision, oldest 0001."""
