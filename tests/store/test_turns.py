"""Turns in histories of an earlier version: what a live line check kept at its taps becomes turns, recorded ones are left as they are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import sqlalchemy as sa

from deskhand.store import KeptPart
from deskhand.store.engine import MIGRATIONS
from tests.support.folders import TAKE, opened


def test_live_line_checks_of_before_hold_turns(tmp_path: Path) -> None:
    from alembic import command
    from alembic.config import Config

    url = f"sqlite:///{tmp_path}/history.sqlite"
    history = opened(url)
    tap = KeptPart(
        source="bass", stage="tap", role="bass", tap="preamp", playing_s=6.0, player="Ana",
        values={"level_dbfs": (-18.0, 0.5), "tone_db.1000": (-30.0, None), "crest_db": (14.0, None)},
    )  # fmt: skip
    live = replace(TAKE, phase="line-check", recording="live", parts=(tap,), versions={"tone_db.": 2})
    history.keep(live)
    history.keep(replace(live, date="2026-03-08", recording="line-check-2026-03-08"))
    history.keep(replace(live, date="2026-03-15", phase="rehearsal"))
    history.close()
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0006")
    engine.dispose()
    again = opened(url)
    rows = again.parts(
        house=TAKE.house, phase="line-check", metrics=("level_dbfs", "tone_db.", "crest_db"), most=9, stages=("turn",)
    )
    assert [(take.date, part.source, part.player, part.playing_s) for take, part in rows] == [
        ("2026-03-01", "bass", "Ana", 6.0)
    ]
    assert rows[0][1].values == {"level_dbfs": (-18.0, 0.5), "tone_db.1000": (-30.0, None)}
    assert not again.parts(house=TAKE.house, phase="rehearsal", metrics=("level_dbfs",), most=9, stages=("turn",))
    with sa.create_engine(url).connect() as connection:
        versions = (
            connection.execute(sa.text("SELECT DISTINCT version FROM value WHERE metric = 'tone_db.1000'"))
            .scalars()
            .all()
        )
    assert versions == [2]
