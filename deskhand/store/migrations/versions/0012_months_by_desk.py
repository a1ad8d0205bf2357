"""Months by desk: two desks that hear the same inputs are two courses."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_READING = ("metric", "phase", "house", "room", "desk", "source", "version", "month")
_FAULT = ("house", "room", "desk", "phase", "month", "kind")


def upgrade() -> None:
    """Make both tables anew, and count the months of what is kept already."""
    _drop()
    _make(with_desk=True)
    # an earlier change that made months leaves the counting to the newest one: the code counts today's tables
    from deskhand.store.months import rebuild_months

    rebuild_months(op.get_bind())


def downgrade() -> None:
    """Bring the desks of a room together: takes are added, means weighed by them."""
    for table, names, takes in (
        ("month_reading", _READING, "SUM(takes) AS takes, SUM(mean * takes) / SUM(takes) AS mean"),
        ("month_fault", _FAULT, "SUM(takes) AS takes"),
    ):
        keys = ", ".join(name for name in names if name != "desk")
        op.execute(f"CREATE TEMPORARY TABLE {table}_before AS SELECT {keys}, {takes} FROM {table} GROUP BY {keys}")  # noqa: S608 - names of our own tables
    _drop()
    _make(with_desk=False)
    for table, names, takes in (("month_reading", _READING, "takes, mean"), ("month_fault", _FAULT, "takes")):
        columns = ", ".join((*(name for name in names if name != "desk"), takes))
        op.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM {table}_before")  # noqa: S608 - as above
        op.execute(f"DROP TABLE {table}_before")


def _drop() -> None:
    op.drop_table("month_fault")
    op.drop_table("month_reading")


def _make(*, with_desk: bool) -> None:
    def desk() -> list[sa.Column[str]]:
        # a column belongs to one table
        return [sa.Column("desk", sa.Text, nullable=False)] if with_desk else []

    op.create_table(
        "month_reading",
        sa.Column("metric", sa.String(48), nullable=False),
        sa.Column("phase", sa.String(16), nullable=False),
        sa.Column("house", sa.Text, nullable=False),
        sa.Column("room", sa.Text, nullable=False),
        *desk(),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("month", sa.String(7), nullable=False),
        sa.Column("takes", sa.Integer, nullable=False),
        sa.Column("mean", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint(
            *(name for name in _READING if with_desk or name != "desk"), name=op.f("pk_month_reading")
        ),
        sqlite_with_rowid=False,
        comment="Mean of a reading at the tap over the kept takes of a month; counted anew by each transaction that changes them.",
    )
    op.create_index(op.f("ix_month_reading_house"), "month_reading", ["house", "month"])
    op.create_table(
        "month_fault",
        sa.Column("house", sa.Text, nullable=False),
        sa.Column("room", sa.Text, nullable=False),
        *desk(),
        sa.Column("phase", sa.String(16), nullable=False),
        sa.Column("month", sa.String(7), nullable=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("takes", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint(*(name for name in _FAULT if with_desk or name != "desk"), name=op.f("pk_month_fault")),
        sqlite_with_rowid=False,
        comment="Kept takes of a month with a kind of fault; all of them where the kind is empty.",
    )
