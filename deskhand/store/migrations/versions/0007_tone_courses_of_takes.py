"""Courses of the sources' tones in kept takes, by which a passage is compared with itself."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add their column; what was kept before has none."""
    op.add_column("fingerprint", sa.Column("tones", sa.LargeBinary(), nullable=True))


def downgrade() -> None:
    """Take it away."""
    with op.batch_alter_table("fingerprint") as table:
        table.drop_column("tones")
