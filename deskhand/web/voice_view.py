"""The voice's page: where its words are hard to hear, and everything that can be tried to give it room."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.mix.clearance import AudibilityLimits
from deskhand.report.page import voice_costs
from deskhand.report.pictures import voice_picture
from deskhand.report.terminal import voice_line
from deskhand.report.words import text
from deskhand.units import clock, number
from deskhand.web import render

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.mix.clearance import Clearance
    from deskhand.result import CheckResult
    from deskhand.web.hall import Hall, StoredCheck

_MOMENTS: Final = 12
"""Moments that are listed below the song. Common practice, no source."""


def voice_parts(result: CheckResult, voice: Clearance) -> dict[str, Any]:
    """Every part of the voice's page that follows what is tried."""
    shift = result.show.start_s
    end_s = max(shift + result.show.duration_s, shift + 1.0)
    return {
        "line": voice_line(voice),
        "near": text(
            "voice.near",
            **{side: number(getattr(voice.audible_pct, side), 0) for side in ("mono", "left", "right")},
        ),
        "pictures": {
            "mono": voice_picture(voice, shift, end_s),
            "left": voice_picture(voice, shift, end_s, "left"),
            "right": voice_picture(voice, shift, end_s, "right"),
        },
        "shares": {
            side: text("voice.share", pct=number(getattr(voice.audible_pct, side), 0))
            for side in ("mono", "left", "right")
        },
        "index": text("voice.index", pct=number(voice.clearance_pct.mono, 0)),
        "phrases": [
            {
                "at": phrase.start_s,
                "clock": clock(phrase.start_s),
                "word": text(f"voice.{phrase.word}"),
                "by": phrase.by or "",
                "pct": number(phrase.audible_pct, 0),
            }
            for phrase in voice.phrases
            if phrase.word != "clear"
        ][:_MOMENTS],
    }


def voice_page(
    hall: Hall,
    check: StoredCheck,
    voice: Clearance,
    *,
    strips: Sequence[tuple[str, bool]],
    others: Sequence[str],
) -> str:
    """HTML of a voice's page.

    Parameters
    ----------
    hall : Hall
    check : StoredCheck
    voice : Clearance
    strips : sequence of (str, bool)
        Sources of the mix beside it, and whether each is a pair.
    others : sequence of str
        Voices that have such a page too.
    """
    costs = {cost.source: cost for cost in voice.by_source}
    knees = {pair.source: pair.knee_db for pair in voice.room}
    hardest = min(voice.phrases, key=lambda phrase: phrase.audible_pct, default=None)
    order = sorted(strips, key=lambda strip: -costs[strip[0]].cost_pct if strip[0] in costs else 0.0)
    return render.page(
        "voice",
        **render.page_head(hall, check.shelf, check),
        voice=voice,
        parts=voice_parts(check.result, voice),
        costs=voice_costs(voice),
        others=others,
        rows=[
            {
                "name": name,
                "pair": pair,
                "cost": number(costs[name].cost_pct, 1) if name in costs else "–",
                "knee": None if knees.get(name) is None else number(knees[name] or 0.0, 0),
            }
            for name, pair in order
        ],
        begin_s=0.0 if hardest is None else hardest.start_s,
        learned_limits=voice.words != AudibilityLimits(),
        with_moves=voice.with_moves,
    )
