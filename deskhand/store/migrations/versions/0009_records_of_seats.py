"""Records of seats: calibrations, levels, responses, background noise and the room."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add their table."""
    op.create_table(
        "seat_record",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("house", sa.Text, nullable=False),
        sa.Column("seat", sa.Text, nullable=False),
        sa.Column("microphone", sa.Text, nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("measured_at", sa.String(32), nullable=False),
        sa.Column("take_id", sa.Integer, nullable=True),
        sa.Column("version", sa.Integer, nullable=False, server_default="1"),
        sa.Column("content", sa.Text, nullable=False),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name=op.f("fk_seat_record_take_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seat_record")),
        comment="What was measured at a seat: a calibration, levels, a response, background noise, the room; JSON.",
    )
    op.create_index(op.f("ix_seat_record_take_id"), "seat_record", ["take_id"])


def downgrade() -> None:
    """Take it away."""
    op.drop_table("seat_record")
