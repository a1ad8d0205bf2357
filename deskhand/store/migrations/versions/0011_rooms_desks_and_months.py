"""Rooms and desks of takes, and months of readings and faults for questions over many houses."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add columns and tables; the months of what is kept already are counted by 0012."""
    op.add_column("take", sa.Column("room", sa.Text, nullable=False, server_default=sa.text("''")))
    op.add_column("take", sa.Column("desk", sa.Text, nullable=False, server_default=sa.text("''")))
    op.create_index(op.f("ix_take_house_date"), "take", ["house", "date"])
    op.create_table(
        "month_reading",
        sa.Column("metric", sa.String(48), nullable=False),
        sa.Column("phase", sa.String(16), nullable=False),
        sa.Column("house", sa.Text, nullable=False),
        sa.Column("room", sa.Text, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("month", sa.String(7), nullable=False),
        sa.Column("takes", sa.Integer, nullable=False),
        sa.Column("mean", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint(
            "metric", "phase", "house", "room", "source", "version", "month", name=op.f("pk_month_reading")
        ),
        sqlite_with_rowid=False,
        comment="Mean of a reading at the tap over the kept takes of a month; counted anew by each transaction that changes them.",
    )
    op.create_index(op.f("ix_month_reading_house"), "month_reading", ["house", "month"])
    op.create_table(
        "month_fault",
        sa.Column("house", sa.Text, nullable=False),
        sa.Column("room", sa.Text, nullable=False),
        sa.Column("phase", sa.String(16), nullable=False),
        sa.Column("month", sa.String(7), nullable=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("takes", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("house", "room", "phase", "month", "kind", name=op.f("pk_month_fault")),
        sqlite_with_rowid=False,
        comment="Kept takes of a month with a kind of fault; all of them where the kind is empty.",
    )


def downgrade() -> None:
    """Take them away."""
    op.drop_table("month_fault")
    op.drop_table("month_reading")
    op.drop_index(op.f("ix_take_house_date"), "take")
    op.drop_column("take", "desk")
    op.drop_column("take", "room")
