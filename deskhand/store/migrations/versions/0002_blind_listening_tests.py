"""Blind listening tests."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make their table."""
    op.create_table(
        "blind_test",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("house", sa.Text(), nullable=False),
        sa.Column("show", sa.Text(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("compared", sa.Text(), nullable=False),
        sa.Column("trials", sa.Integer(), nullable=False),
        sa.Column("right", sa.Integer(), nullable=False),
        sa.Column("p_value", sa.Double(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("said_at", sa.String(length=32), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_blind_test")),
        comment="A blind listening test: what against what, how many trials were told right, and by whom.",
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("blind_test")
