"""Turns of line checks: what a live line check kept of an input at its tap was its turn, and is kept as one too."""

from __future__ import annotations

from alembic import op
from sqlalchemy import text

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_PARTS = """
    INSERT INTO part (take_id, source, stage, sound, role, player, tap, chain, playing_s)
    SELECT part.take_id, part.source, 'turn', 0, part.role, part.player, part.tap, NULL, part.playing_s
    FROM part JOIN take ON take.id = part.take_id
    WHERE take.phase = 'line-check' AND take.recording = 'live' AND part.stage = 'tap' AND part.sound = 0
"""
_VALUES = """
    INSERT INTO value (part_id, metric, value, pm, version)
    SELECT turn.id, value.metric, value.value, value.pm, value.version
    FROM part AS turn
    JOIN part AS tap ON tap.take_id = turn.take_id AND tap.source = turn.source AND tap.stage = 'tap' AND tap.sound = 0
    JOIN value ON value.part_id = tap.id
    WHERE turn.stage = 'turn' AND (
        value.metric IN ('level_dbfs', 'noise_dbfs', 'passages')
        OR value.metric LIKE 'tone_db.%' OR value.metric LIKE 'passage_tone_db.%'
    )
"""


def upgrade() -> None:
    """Copy them; a recorded line check holds more than the turns at its taps, and is left as it is."""
    op.execute(text(_PARTS))
    op.execute(text(_VALUES))


def downgrade() -> None:
    """Take the turns away."""
    op.execute(text("DELETE FROM value WHERE part_id IN (SELECT id FROM part WHERE stage = 'turn')"))
    op.execute(text("DELETE FROM part WHERE stage = 'turn'"))
