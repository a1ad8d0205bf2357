"""Runs the migrations on the connection that `history.py` holds, inside its transaction."""

from __future__ import annotations

from alembic import context

from deskhand.store.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
)
context.run_migrations()
