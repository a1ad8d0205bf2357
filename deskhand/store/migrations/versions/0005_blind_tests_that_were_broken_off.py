"""Blind listening tests that were broken off, and how many there were before."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; what was kept before was answered to its end."""
    op.add_column("blind_test", sa.Column("answered", sa.Integer(), nullable=True))
    op.add_column("blind_test", sa.Column("earlier", sa.Integer(), nullable=False, server_default="0"))


def downgrade() -> None:
    """Take them away."""
    op.drop_column("blind_test", "earlier")
    op.drop_column("blind_test", "answered")
