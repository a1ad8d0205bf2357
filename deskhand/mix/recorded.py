"""Recorded mix, what the desk sent to the stream or the recorder, against the loudness that the house wants there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.house.targets import LoudnessTarget
    from deskhand.measure.readings import Readings

Verdict = Literal["within", "too loud", "too soft", "peaks too high"]
_PEAK_TOLERANCE_DB: Final = 0.3
"""Uncertainty of a true-peak reading: EBU R 128 (v5.0, 2023)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedMix:
    """Loudness of the desk's own mix against its target."""

    target: str
    low_lufs: float
    high_lufs: float
    most_dbtp: float
    """Highest true peak that the target allows."""
    loudness_lufs: float
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    turn_db: float
    """Change of the level that goes to it which brings it to the middle of the target, or its peaks under the limit; 0 where it is within."""
    verdict: Verdict
    text: str


def recorded_mix(target: LoudnessTarget, readings: Readings) -> RecordedMix | None:
    """Verdict on a recorded mix; None where it is silent.

    Parameters
    ----------
    target : LoudnessTarget
    readings : Readings
        Of the tracks that hold it.

    References
    ----------
    EBU R 128, Loudness normalisation and permitted maximum level of audio signals, v5.0, 2023, and its supplement 2.
    """
    loudness_lufs, peak_dbtp = readings.loudness_lufs, readings.true_peak_dbtp
    if loudness_lufs is None:
        return None
    peaks_over = peak_dbtp is not None and peak_dbtp > target.peak_dbtp + _PEAK_TOLERANCE_DB
    verdict: Verdict = "within"
    turn_db = 0.0
    # rounded as it is printed, so that what reads as within is
    if round(loudness_lufs, 1) > target.high_lufs:
        verdict, turn_db = "too loud", target.middle_lufs - loudness_lufs
    elif round(loudness_lufs, 1) < target.low_lufs:
        verdict, turn_db = "too soft", target.middle_lufs - loudness_lufs
    elif peaks_over and peak_dbtp is not None:
        verdict, turn_db = "peaks too high", target.peak_dbtp - peak_dbtp
    return RecordedMix(
        target=target.name,
        low_lufs=target.low_lufs,
        high_lufs=target.high_lufs,
        most_dbtp=target.peak_dbtp,
        loudness_lufs=loudness_lufs,
        loudness_range_lu=readings.loudness_range_lu,
        true_peak_dbtp=peak_dbtp,
        turn_db=round(turn_db, 1),
        verdict=verdict,
        text=_text(target, loudness_lufs, peak_dbtp, verdict, turn_db),
    )


def _text(
    target: LoudnessTarget, loudness_lufs: float, peak_dbtp: float | None, verdict: Verdict, turn_db: float
) -> str:
    """Verdict as a sentence, with what to do."""
    asked = phrase(
        "{name} ({low:1} to {high:1} LUFS, peaks up to {peak:1} dBTP)",
        name=target.name,
        low=target.low_lufs,
        high=target.high_lufs,
        peak=target.peak_dbtp,
    )
    text = f"{number(loudness_lufs, 1)} LUFS"
    if peak_dbtp is not None:
        text += phrase(", peaks {peak:1} dBTP", peak=peak_dbtp)
    if verdict == "within":
        return phrase("{text}: within {asked}", text=text, asked=asked)
    way = phrase("up by {turn_db:1} dB" if turn_db > 0 else "down by {turn_db:1} dB", turn_db=abs(turn_db))
    turn = phrase("turn the feed to the stream or the recorder {way}, not the faders", way=way)
    if verdict == "too soft" and peak_dbtp is not None and peak_dbtp + turn_db > target.peak_dbtp:
        over_db = number(peak_dbtp + turn_db - target.peak_dbtp, 1)
        turn += phrase(
            "; its peaks would then lie {over_db} dB too high: use a limiter on the feed, or stay below",
            over_db=over_db,
        )
    return phrase("{text}: {verdict} for {asked}; {turn}", text=text, verdict=phrase(verdict), asked=asked, turn=turn)
