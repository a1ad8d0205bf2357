"""Two unlike pick-ups of one instrument (DI and microphone, near and far): delay told from polarity, and how they add up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.kinds import KINDS
from deskhand.units import hertz, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.context import Gathering
    from deskhand.findings.finding import Fact, Severity
    from deskhand.measure.mono_sums import MonoSums, OctaveSum
    from deskhand.measure.stereo import MonoFlip

_DELAY: Final = KINDS["delay"]
_POLARITY: Final = KINDS["polarity"]
_OCTAVES_TOLD: Final = 2
"""Octaves told in the sentence, of those with most power; the data has all. Common practice, no source."""
_NOTHING_DB: Final = -60.0
"""Level that stands in the data for a sum of which nothing is left: below any pause. Common practice, no source."""


def polarity_severity(flip: MonoFlip, *, unlike: bool, said: bool) -> Severity:
    """Severity of a polarity that a flip would mend: between unlike pick-ups a flip moves the loss from some notes to others."""
    gain_db = flip.flipped_loss_db - flip.loss_db
    if not unlike or (gain_db >= _POLARITY["unlike_fix_db"] and not said):
        return "fix"
    return "listen" if gain_db >= _POLARITY["unlike_listen_db"] else "note"


def delay_instead(sums: MonoSums) -> bool:
    """True where lining two pick-ups up in time does more for their sum than a flip."""
    return sums.delay_serves and sums.delayed_db - sums.flipped_db >= _POLARITY["flip_least_db"]


def sum_facts(sums: MonoSums) -> dict[str, Fact]:
    """Sums of two tracks by octave, for the data: as they are, with one flipped, with the earlier one delayed."""
    octaves = sums.octaves.values()
    facts: dict[str, Fact] = {
        "octaves_hz": [float(nominal_hz) for nominal_hz in sums.octaves],
        "octave_share_db": [octave.share_db for octave in octaves],
        "sum_db": [_told_db(octave.plain_db) for octave in octaves],
        "sum_flipped_db": [_told_db(octave.flipped_db) for octave in octaves],
    }
    if sums.delay_s:
        facts["lining_up_ms"] = 1000.0 * sums.delay_s
        facts["sum_delayed_db"] = [_told_db(octave.delayed_db) for octave in octaves]
    return facts


def late_pick_up(sums: MonoSums, names: Sequence[str], gathering: Gathering, *, at: str) -> None:
    """Add the delay that lines two pick-ups up, where their sum gains noticeably by it and more than by a flip.

    Parameters
    ----------
    sums : MonoSums
    names : (first, second)
        In the order of the sums.
    gathering : Gathering
    at : str
        Which of the two it is said at, where they are inputs of their own; "" for the sides of a pair.
    """
    if not sums.delay_serves or sums.gained_by_delay_db < _DELAY["pick_ups_gain_db"]:
        return
    earlier, later = names if sums.delay_s > 0 else (names[1], names[0])
    gathering.add(
        "delay",
        "listen" if sums.plain_db <= _DELAY["pick_ups_loss_db"] else "note",
        "pick-ups",
        advice=("delay-earlier",),
        facts={
            "late_ms": 1000.0 * abs(sums.delay_s),
            "earlier": earlier,
            "later": later,
            "sum_words": sum_words(sums, earlier),
            **sum_facts(sums),
        },
        metric="delay_ms",
        measured=round(1000.0 * sums.delay_s, 3),
        low=-_DELAY["least_ms"],
        high=_DELAY["least_ms"],
        unit="ms",
        track=later if not at else None,
        other=earlier if not at or at == later else later,
    )


def sum_words(sums: MonoSums, earlier: str) -> str:
    """Mono loss as it is, flipped and lined up, in words, with the octaves that hold most."""
    plain, flipped, delayed = (_loss(loss_db) for loss_db in (sums.plain_db, sums.flipped_db, sums.delayed_db))
    whole = phrase(
        "mono loses {plain} as it is, {flipped} with one reversed, {delayed} with {earlier} delayed",
        plain=plain,
        flipped=flipped,
        delayed=delayed,
        earlier=earlier,
    )
    loudest = sorted(sums.octaves, key=lambda nominal_hz: -sums.octaves[nominal_hz].share_db)[:_OCTAVES_TOLD]
    octaves = phrase(" and ").join(
        f"{hertz(float(nominal_hz))} ({_three(sums.octaves[nominal_hz])})" for nominal_hz in sorted(loudest, key=float)
    )
    return phrase("{whole}; in the loudest octaves, {octaves}", whole=whole, octaves=octaves)


def _three(octave: OctaveSum) -> str:
    """Losses of an octave, in the order of the sentence."""
    return ", ".join(_loss(loss_db) for loss_db in (octave.plain_db, octave.flipped_db, octave.delayed_db))


def _loss(level_db: float) -> str:
    return f"{number(-level_db, 1)} dB" if np.isfinite(level_db) else phrase("everything")


def _told_db(level_db: float) -> float:
    return max(level_db, _NOTHING_DB)
