"""Versions of the numbers, and what a kept take holds beside them: its recording's digest, its stretch, what is left out of it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_OF_TAKE = ("start_s", "digest", "left_out", "faults", "measured_at", "replaced_by", "restored_by", "restored_at")


def upgrade() -> None:
    """Add the columns; what was kept before is of version 1."""
    # added as they are: in a copy of the table, as batches make it, SQLite's table without row numbers would become another
    op.add_column("take", sa.Column("start_s", sa.Double(), nullable=True))
    op.add_column("take", sa.Column("digest", sa.String(length=64), nullable=True))
    op.add_column("take", sa.Column("left_out", sa.Text(), nullable=False, server_default="[]"))
    op.add_column("take", sa.Column("faults", sa.Text(), nullable=False, server_default="[]"))
    op.add_column("take", sa.Column("measured_at", sa.String(length=32), nullable=True))
    op.add_column("take", sa.Column("replaced_by", sa.Integer(), nullable=True))
    op.add_column("take", sa.Column("restored_by", sa.Text(), nullable=True))
    op.add_column("take", sa.Column("restored_at", sa.String(length=32), nullable=True))
    op.add_column("value", sa.Column("version", sa.Integer(), nullable=False, server_default="1"))
    op.add_column("dismissal", sa.Column("version", sa.Integer(), nullable=False, server_default="1"))


def downgrade() -> None:
    """Take them away."""
    op.drop_column("dismissal", "version")
    op.drop_column("value", "version")
    for name in reversed(_OF_TAKE):
        op.drop_column("take", name)
