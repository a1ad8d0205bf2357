"""One look at a recording of one source: findings, and the plan that follows from them."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.nominal import nominal_point
from deskhand.desk import DeskState
from deskhand.findings import Context, judge, say
from deskhand.house import ROLES, make_block, parse_house, with_edits
from deskhand.measure.readings import read_source
from deskhand.moves.level import agreed
from deskhand.moves.plan import plan
from deskhand.moves.state import SourceState
from deskhand.moves.text import with_sentences
from deskhand.moves.week import edit_of
from deskhand.recording import Track
from tests.support.feed import figures_of
from tests.support.signals import RATE_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.house import HouseFile
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading
    from deskhand.moves.state import Plan

    Array = NDArray[np.float64]


def house_text(role: str, keys: str = "", *, sides: int = 1, chain: str = "", desk: str = "") -> str:
    tracks = '["l", "r"]' if sides == 2 else '["l"]'
    return (
        f'[house]\nname = "Tern Street Hall"\n[desk]\n{desk}\n[[source]]\nname = "source"\nrole = "{role}"\n'
        f"tracks = {tracks}\n{keys}\n{chain}"
    )


@functools.lru_cache(maxsize=16)
def _measured(samples: bytes, sides: int, strikes: bool) -> tuple[Figures, SourceReading]:
    """Figures and readings of a source: looked at with other settings, it is not measured again."""
    rows = np.frombuffer(samples, np.float32).reshape(sides, -1)
    figures = figures_of(rows, pairs=[(0, 1)] if sides == 2 else [])
    return figures, read_source(figures, tuple(range(sides)), strikes=strikes, mains_hz=50.0)


class Check:
    """One look at a recording of one source: its findings, with the plan that follows from them."""

    def __init__(
        self, samples: Array, text: str, *, line_check: bool = False, standing: str | None = None, done_db: float = 0.0
    ) -> None:
        rows = np.asarray(np.atleast_2d(samples), np.float32)
        self.house: HouseFile = parse_house(text, Path("house.toml"))
        (self.source,) = self.house.source
        usual = self.source if standing is None else parse_house(standing, Path("house.toml")).source[0]
        figures, self.reading = _measured(rows.tobytes(), len(rows), ROLES[self.source.role].strikes)
        tracks = [
            Track(name=name, number=n + 1, file="show.wav", channel=n + 1, bits=24, held=((0, rows.shape[1]),))
            for n, name in enumerate("lr"[: len(rows)])
        ]
        # what was ticked as done at the preamp since this take was recorded
        turned = (make_block({"block": "gain", "gain": f"{done_db:g} dB"}),) if done_db else ()
        standing_blocks = {} if standing is None else {"source": usual.chain}
        context = Context(
            house=self.house, figures=figures, tracks=tracks, offset_s=0.0, readings={"source": self.reading},
            line_check=line_check, desk=DeskState(tap="preamp", standing=standing_blocks, since={"source": turned}),
        )  # fmt: skip
        self.findings: list[Finding] = judge(context, absent={}, similar={})["source"]
        if done_db:
            self.findings = [
                replace(finding, severity="note", dismissed="done")
                if finding.kind in ("clipped", "headroom")
                else finding
                for finding in self.findings
            ]
        self.state = SourceState(
            source=self.source, desk=self.house.desk, blocks=[*turned, *self.source.chain], skipped=0, turned=turned, excerpt=rows,
            playing=self.reading.activity.blocks, sample_rate_hz=RATE_HZ, folder=None, findings=self.findings,
            before_tone_db=self.reading.readings.tone_db, after_tone_db=None, home=None, wanted_tone_db=None,
            line_check=line_check,
            nominal_at=lambda blocks: nominal_point(blocks, self.reading, figures, standing=[*turned, *usual.chain]),
            nominal_dbfs=self.house.nominal_dbfs(self.source),
            level_listen_db=self.house.level_limits_db(self.source)[0],
            usual_fader_db=None if standing is None else usual.fader_db,
        )  # fmt: skip
        self.plan: Plan = plan(self.state)

    @property
    def texts(self) -> list[str]:
        """Moves as people read them, in order."""
        return [with_sentences(move, self.findings).text for move in self.plan.moves]

    @property
    def sentences(self) -> list[str]:
        """Findings as people read them."""
        return [say(agreed(finding, self.plan)) for finding in self.findings]

    def week(self, text: str) -> str:
        """House file with what is saved of the moves."""
        return with_edits(text, {"source": edit_of(self.plan.with_ids("source"))})
