"""Notes and jobs that are handed over from one evening to the next."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add their table."""
    op.create_table(
        "handover",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("house", sa.Text, nullable=False),
        sa.Column("date", sa.String(10), nullable=True),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("is_job", sa.Integer, nullable=False),
        sa.Column("said_by", sa.Text, nullable=False),
        sa.Column("said_at", sa.String(32), nullable=False),
        sa.Column("done_by", sa.Text, nullable=True),
        sa.Column("done_at", sa.String(32), nullable=True),
        sa.Column("taken_back_at", sa.String(32), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handover")),
        comment="A note or a job that somebody left for the next evening. Nothing is deleted.",
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("handover")
