"""Changes of the tables, in order; run by Alembic."""
