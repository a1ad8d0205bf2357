"""The tables of the first version."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make them."""
    op.create_table(
        "dismissal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("house", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("metric", sa.String(length=48), nullable=True),
        sa.Column("show", sa.Text(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=True),
        sa.Column("for_good", sa.Integer(), nullable=False),
        sa.Column("measured", sa.Double(), nullable=True),
        sa.Column("part_values", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("said_at", sa.String(length=32), nullable=False),
        sa.Column("taken_back_at", sa.String(length=32), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dismissal")),
        comment="A finding that a person does not want to hear of: in one show, or for good.",
    )
    op.create_table(
        "take",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("house", sa.Text(), nullable=False),
        sa.Column("show", sa.Text(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=True),
        sa.Column("phase", sa.String(length=16), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("sample_rate_hz", sa.Integer(), nullable=False),
        sa.Column("recording", sa.Text(), nullable=False),
        sa.Column("house_hash", sa.String(length=64), nullable=False),
        sa.Column("deskhand", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("kept_by", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.String(length=32), nullable=False),
        sa.Column("forgotten_by", sa.Text(), nullable=True),
        sa.Column("forgotten_at", sa.String(length=32), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_take")),
        comment="A take that was kept. Nothing is deleted: what is forgotten says by whom and when.",
    )
    op.create_table(
        "part",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("stage", sa.String(length=8), nullable=False),
        sa.Column("sound", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=24), nullable=False),
        sa.Column("player", sa.Text(), nullable=True),
        sa.Column("tap", sa.String(length=16), nullable=False),
        sa.Column("chain", sa.String(length=64), nullable=True),
        sa.Column("playing_s", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name=op.f("fk_part_take_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part")),
        sa.UniqueConstraint("take_id", "source", "stage", "sound", name=op.f("uq_part_take_id")),
        comment="What was read of a source at a place: tap, after, one of its sounds (from 1), the feed, or the mix.",
    )
    with op.batch_alter_table("part", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_part_source"), ["source"], unique=False)

    op.create_table(
        "value",
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("metric", sa.String(length=48), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("pm", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["part_id"], ["part.id"], name=op.f("fk_value_part_id")),
        sa.PrimaryKeyConstraint("part_id", "metric", name=op.f("pk_value")),
        comment="One number, by the name it has in the result; a band after a dot (tone_db.1000).",
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    """Take them away."""
    op.drop_table("value")
    with op.batch_alter_table("part", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_part_source"))

    op.drop_table("part")
    op.drop_table("take")
    op.drop_table("dismissal")
