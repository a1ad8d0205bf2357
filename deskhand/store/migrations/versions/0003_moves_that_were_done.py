"""Moves that a person did or declined."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make their table."""
    op.create_table(
        "desk_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("house", sa.Text(), nullable=False),
        sa.Column("show", sa.Text(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=True),
        sa.Column("take", sa.String(length=64), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("move", sa.Text(), nullable=False),
        sa.Column("place", sa.String(length=16), nullable=False),
        sa.Column("block", sa.String(length=24), nullable=True),
        sa.Column("side", sa.String(length=8), nullable=False),
        sa.Column("settings", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("level_dbfs", sa.Double(), nullable=True),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("said_at", sa.String(length=32), nullable=False),
        sa.Column("taken_back_at", sa.String(length=32), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_desk_change")),
        comment="A move that a person did or declined, and the take in which it was asked for.",
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("desk_change")
