"""Result of feed and seat, as `check` hands it on: delays, levels by octave with what is certain, the comparison, and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.seat.arrivals import speed_of_sound_m_s
from deskhand.seat.feed import OCTAVES_HZ
from deskhand.seat.feed_weeks import LEAST_KEPT
from deskhand.units import hertz, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.seat.background import BackgroundNoise
    from deskhand.seat.feed import FeedResponse, Side, SideResponse
    from deskhand.seat.feed_weeks import FeedChange, FeedVerdict, NotJudged

_REASONS: Final[Mapping[NotJudged, str]] = {
    "no recorded mix": "not compared with the feed: the recording holds no main mix; record it, and name its tracks as mix under [desk]",
    "line check": "not compared with the feed: in a line check nothing plays long enough over the loudspeakers",
    "too little music": "not compared with the feed: that takes 20 s of music in the recorded mix, and sound at this seat that goes with it",
    "too few kept weeks": "is something broken since last month? That can be told from {least} kept weeks with this seat on; {kept} so far",
    "sides not apart in the kept weeks": "cannot tell the loudspeakers apart: in the kept weeks the mix was too narrow, or the room too loud",
    "sides not apart tonight": "cannot tell the loudspeakers apart tonight: the mix is too narrow, or the room too loud",
}
"""Reason why something is not told, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SideAtSeat:
    """One loudspeaker side, or both fed alike, at one seat."""

    delay_ms: float | None
    """From the recorded mix to the direct sound, processors and air together."""
    level_db: float | None
    """Mean of the certain octaves from 500 Hz to 2 kHz, seat against feed, both as recorded."""
    octaves_db: dict[str, float]
    """Nominal mid-band frequency to the early response in dB, where it is certain."""
    octaves_pm_db: dict[str, float]
    """Half of its 95 % band."""
    arrivals_ms: tuple[float, ...]
    """Arrivals that stand out, the first among them: another loudspeaker, or a bare wall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseAtSeat:
    """Background noise while the feed was silent."""

    octaves_db: dict[str, float]
    """In dB re 20 uPa where the seat is calibrated, else in dB of a mean square of 1."""
    level_dba: float
    calibrated: bool
    nc: int | None
    """Lowest NC curve that no octave is above; null without calibration, or above NC-70."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedAtSeat:
    """Recorded main mix as one seat gets it, against the kept weeks."""

    seat: str
    left: SideAtSeat | None
    """Null where the mix is of one track, or nothing was told."""
    right: SideAtSeat | None
    both: SideAtSeat | None
    between_sides_db: dict[str, float]
    """Left against right by octave in which both are certain."""
    against_kept_db: dict[str, float]
    """Change of left against right since the kept weeks by octave, where it is known."""
    kept: int
    """Kept weeks with this seat."""
    noise: NoiseAtSeat | None
    lines: tuple[str, ...]
    """Sentences for people."""


def feed_at_seat(
    seat: str,
    response: FeedResponse | None,
    verdict: FeedVerdict,
    *,
    kept: int,
    noise: BackgroundNoise | None = None,
    temperature_c: float = 20.0,
) -> FeedAtSeat:
    """Result of one seat, with its sentences.

    Parameters
    ----------
    seat : str
    response : FeedResponse or None
        None where nothing was told; the verdict has the reason.
    verdict : FeedVerdict
    kept : int
        Kept weeks with this seat.
    noise : BackgroundNoise, optional
    temperature_c : float
        Of the air in the room.
    """
    sides = {} if response is None else {side: _side(row) for side, row in response.sides.items()}
    lines = [] if response is None else [*_delay_lines(response, temperature_c), *_octave_lines(response)]
    lines += _verdict_lines(verdict, kept)
    if noise is not None:
        lines.append(_noise_line(noise))
    return FeedAtSeat(
        seat=seat,
        left=sides.get("left"),
        right=sides.get("right"),
        both=sides.get("both"),
        between_sides_db={}
        if response is None
        else {str(hz): round(value, 2) for hz, value in response.between_sides_db.items()},
        against_kept_db={str(hz): round(value, 2) for hz, value in verdict.octaves_db.items()},
        kept=kept,
        noise=None if noise is None else _noise(noise),
        lines=tuple(lines),
    )


def _side(row: SideResponse) -> SideAtSeat:
    """Side as the result has it."""
    certain = {hz: octave for hz, octave in row.octaves.items() if octave.certain}
    return SideAtSeat(
        delay_ms=row.delay_ms,
        level_db=row.level_db,
        octaves_db={str(hz): octave.level_db for hz, octave in certain.items() if octave.level_db is not None},
        octaves_pm_db={str(hz): octave.pm_db for hz, octave in certain.items() if octave.pm_db is not None},
        arrivals_ms=tuple(arrival.delay_ms for arrival in row.arrivals),
    )


def _noise(noise: BackgroundNoise) -> NoiseAtSeat:
    """Noise as the result has it."""
    return NoiseAtSeat(
        octaves_db={str(hz): level_db for hz, level_db in noise.octaves_db.items()},
        level_dba=noise.level_dba,
        calibrated=noise.calibrated,
        nc=noise.nc,
    )


def _delay_lines(response: FeedResponse, temperature_c: float) -> list[str]:
    """Lines on the arrival of the sound, in ms and metres."""
    metres_per_ms = speed_of_sound_m_s(temperature_c) / 1000.0
    words = {side: phrase(word) for side, word in {"left": "left", "right": "right", "both": "both sides"}.items()}
    told: list[Side] = ["left", "right"] if "left" in response.sides else ["both"]
    times = [
        f"{words[side]} {number(delay_ms, 1)} ms ({number(delay_ms * metres_per_ms, 1)} m)"
        for side in told
        if (delay_ms := response.sides[side].delay_ms) is not None
    ]
    if not times:
        return []
    lines = [
        phrase(
            "after the recorded mix: {times}; the metres hold at {temperature:1} °C where nothing else delays",
            times=", ".join(times),
            temperature=temperature_c,
        )
    ]
    first, *later = response.sides["both"].arrivals or (None,)
    if first is not None and later:
        apart_ms = [arrival.delay_ms - first.delay_ms for arrival in later]
        listed = ", ".join(f"{number(ms, 1)} ms ({number(ms * metres_per_ms, 1)} m)" for ms in apart_ms)
        lines.append(
            phrase("nearly as loud, and later by {listed}: another loudspeaker, or a bare wall", listed=listed)
        )
    return lines


def _octave_lines(response: FeedResponse) -> list[str]:
    """Left against right by octave, and where that cannot be told."""
    difference_db = response.between_sides_db
    if not difference_db:
        return []
    told = ", ".join(
        f"{hertz(float(hz))} {'+' if value > 0 else ''}{number(value, 1)}" for hz, value in difference_db.items()
    )
    left_out = [hertz(float(hz)) for hz in OCTAVES_HZ if hz not in difference_db]
    uncertain = phrase("; not certain at {octaves}", octaves=", ".join(left_out)) if left_out else ""
    return [phrase("left against right in dB: {told}{uncertain}", told=told, uncertain=uncertain)]


def _verdict_lines(verdict: FeedVerdict, kept: int) -> list[str]:
    """Comparison with the kept weeks."""
    if verdict.not_judged:
        return [phrase(_REASONS[verdict.not_judged], least=LEAST_KEPT, kept=kept)]
    alike = next((change for change in verdict.changes if change.kind in ("both duller", "both brighter")), None)
    if alike is not None:
        return [_both_line(alike)]
    if not verdict.changes:
        return [phrase("loudspeakers as in {kept} kept weeks, left against right", kept=kept)]
    return []


def _both_line(change: FeedChange) -> str:
    """Both sides changed alike: no loudspeaker by itself."""
    way = phrase("less" if (change.change_db or 0.0) < 0.0 else "more")
    return phrase(
        "both sides {change:0} dB {way} above {above:hertz} than in the kept weeks: the air, how full the room is, the microphone or an equaliser; no single loudspeaker does that",
        change=abs(change.change_db or 0.0),
        way=way,
        above=change.above_hz or 0.0,
    )


def _noise_line(noise: BackgroundNoise) -> str:
    """Background noise in words."""
    if not noise.calibrated:
        return phrase("background noise was read, but this seat is not calibrated: no level is told")
    curve = phrase("within NC-{nc}", nc=noise.nc) if noise.nc is not None else phrase("above NC-70")
    return phrase("background noise with nothing playing: {level:0} dBA, {curve}", level=noise.level_dba, curve=curve)
