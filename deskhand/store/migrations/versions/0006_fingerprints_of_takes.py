"""Fingerprints of kept takes, by which their songs are known again, and the names of those songs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make their table; what was kept before has none."""
    op.create_table(
        "fingerprint",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.Column("songs", sa.Text(), nullable=False, server_default="[]"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name=op.f("fk_fingerprint_take_id")),
        sa.PrimaryKeyConstraint("take_id", name=op.f("pk_fingerprint")),
        comment="Chroma of a kept take's band and voices, packed, and where its songs begin.",
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("fingerprint")
