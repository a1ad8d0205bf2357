"""Room for a voice: mids, faders and mutes of everything else, tried on the phrases that the check looked at."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.chain.run import Chain
from deskhand.errors import UsageError
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.mix.bus import level_offset_db
from deskhand.mix.clearance import clearance_of, shifted, with_settings
from deskhand.mix.voices import PREROLL_S, feed_strips, hold_feeds, sings
from deskhand.recording.held import held_recording
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from deskhand.mix.clearance import Clearance, FeedEnergies
    from deskhand.mix.voices import FeedStrip
    from deskhand.result import CheckResult
    from deskhand.web.tries import HouseRecording

MOST_DOWN_DB: Final = 24.0
"""Largest change that is tried, up or down. Common practice, no source."""
MOMENT_S: Final = 8.0
"""Length of the mix that is heard around a moment: two phrases. Common practice, no source."""
_MAINS_HZ: Final = 50.0
"""Mains frequency where hum is not looked at: any will do (IEC 60038)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MixChanges:
    """Changes of the mix that are tried: mids, faders and mutes of sources."""

    mid_down_db: Mapping[str, float] = field(default_factory=dict)
    """Pair to the dB by which its mid is turned down."""
    fader_db: Mapping[str, float] = field(default_factory=dict)
    """Source to the change of its fader in dB."""
    muted: frozenset[str] = frozenset()

    @classmethod
    def of(cls, data: Any) -> MixChanges:
        """Changes as the page sends them.

        Raises
        ------
        UsageError
            It is something else.
        """
        try:
            changes = cls(
                mid_down_db={str(name): float(value) for name, value in dict(data.get("mid_down_db", {})).items()},
                fader_db={str(name): float(value) for name, value in dict(data.get("fader_db", {})).items()},
                muted=frozenset(str(name) for name in data.get("muted", [])),
            )
        except (AttributeError, TypeError, ValueError, OverflowError) as error:
            raise UsageError("the settings", "are not numbers in dB", 'write them like "3 dB"') from error
        for name, value in (*changes.mid_down_db.items(), *changes.fader_db.items()):
            if not -MOST_DOWN_DB <= value <= MOST_DOWN_DB:
                raise UsageError(name, f"is {value:g} dB", f"stay within {MOST_DOWN_DB:g} dB")
        return changes


def strips_of(opened: HouseRecording, voice: str) -> dict[str, FeedStrip]:
    """Sources that are in the feed of a recording while a voice is heard, with the blocks that are still to come."""
    blocks = {source.name: opened.desk.blocks(source) for source in opened.house.source}
    return feed_strips(opened.house, opened.tracks(), blocks, in_song=sings(opened.house, voice))


class VoicePhrases:
    """The phrases of one voice, held, on which changes of the mix are tried.

    Parameters
    ----------
    opened : HouseRecording
    result : CheckResult
        That found the phrases.
    voice : str

    Raises
    ------
    UsageError
        The voice is not active, or not in the mix.
    """

    def __init__(self, opened: HouseRecording, result: CheckResult, voice: str) -> None:
        voices = [clearance for clearance in (result.vocal, *result.voices) if clearance is not None]
        checked = next((clearance for clearance in voices if clearance.source == voice), None)
        loudness = result.mix.loudness_lufs if result.mix else None
        if checked is None or loudness is None:
            raise UsageError(f'"{voice}"', "is not active in this recording, or has no fader", "check it again")
        self._checked = checked
        self._offset_db = level_offset_db(opened.house.room, loudness)
        self._from_s = opened.recording.start_s
        self.strips = strips_of(opened, voice)
        if voice not in self.strips:
            raise UsageError(f'"{voice}"', "is not in the mix", "write its fader in the house file")
        spans = [(phrase.start_s - self._from_s, phrase.end_s - self._from_s) for phrase in checked.phrases]
        self._feeds: list[FeedEnergies] = hold_feeds(opened.recording, self.strips, spans, folder=opened.folder)
        self.voice = voice

    def require_in_feed(self, changes: MixChanges) -> None:
        """Refuse changes of what is not in the feed.

        Raises
        ------
        UsageError
            A source that is not, the mid or the mute of the voice, or the mid of one that is no pair.
        """
        not_fader = {*changes.mid_down_db, *changes.muted}
        for name in (*not_fader, *changes.fader_db):
            if name not in self.strips or (name == self.voice and name in not_fader):
                raise UsageError(f'"{name}"', "cannot be turned here", "choose another source of the mix")
        for name in changes.mid_down_db:
            if len(self.strips[name].tracks) != 2:
                raise UsageError(f'"{name}"', "has no mid", "turn its fader")

    def with_changes(self, changes: MixChanges) -> Clearance:
        """Clearance of the voice in the changed mix."""
        self.require_in_feed(changes)
        feeds = [
            with_settings(feed, mid_down_db=changes.mid_down_db, fader_db=changes.fader_db, muted=changes.muted)
            for feed in self._feeds
        ]
        clearance = clearance_of(feeds, self.voice, offset_db=self._offset_db, words=self._checked.words)
        # who covers a phrase is not asked again: whoever did, and is still heard, is named
        named = [
            replace(phrase, by=old.by if phrase.word != "clear" and old.by not in changes.muted else None)
            for phrase, old in zip(clearance.phrases, self._checked.phrases, strict=True)
        ]
        return shifted(replace(clearance, phrases=tuple(named)), self._from_s)


def mix_around(
    opened: HouseRecording,
    strips: Mapping[str, FeedStrip],
    changes: MixChanges,
    start_s: float,
    length_s: float = MOMENT_S,
) -> NDArray[np.float32]:
    """(2, frames) of the mix around a moment of the recording, with changes."""
    rate = opened.recording.sample_rate_hz
    begin_s = max(0.0, min(start_s, opened.recording.duration_s - length_s))
    before_s = min(begin_s, PREROLL_S)
    tracks = sorted({track for strip in strips.values() for track in strip.tracks})
    row_of = {track: row for row, track in enumerate(tracks)}
    samples = opened.recording.excerpt(tracks, begin_s - before_s, before_s + length_s)
    skip = round(before_s * rate)

    def rendered(name: str) -> NDArray[np.float64]:
        strip = strips[name]
        chain = Chain(strip.blocks, channels=len(strip.tracks), sample_rate_hz=rate, folder=opened.folder, source=name)
        rows = samples[[row_of[track] for track in strip.tracks]].astype(np.float64)
        processed = np.concatenate([chain.aligned(rows), chain.rest(rows.shape[0])], axis=1)[:, skip:]
        stereo = strip.matrix @ processed
        down_db = changes.mid_down_db.get(name, 0.0)
        if down_db:
            mid, side = 0.5 * (stereo[0] + stereo[1]), 0.5 * (stereo[0] - stereo[1])
            mid = mid * amplitude_from_db(-down_db)
            stereo = np.stack([mid + side, mid - side])
        return np.asarray(stereo * amplitude_from_db(changes.fader_db.get(name, 0.0)))

    with ThreadPoolExecutor(2) as pool:
        parts = pool.map(rendered, [name for name in strips if name not in changes.muted])
        total = np.zeros((2, samples.shape[1] - skip))
        for part in parts:
            total += part
    return total.astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchLoudness:
    """Loudness and true peak of a stretch (ITU-R BS.1770-5)."""

    loudness_lufs: float | None
    true_peak_dbtp: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixStretch:
    """A stretch of the mix, to be heard."""

    id: str
    audio: NDArray[np.float32]
    """(2, frames): left and right."""
    readings: StretchLoudness


def loudness_of(audio: NDArray[np.float32], sample_rate_hz: int) -> StretchLoudness:
    """Loudness and true peak of (2, frames) (ITU-R BS.1770-5)."""
    held = held_recording(audio, ["left", "right"], sample_rate_hz)
    figures = measure_figures(held, 2, pairs=[(0, 1)])
    readings = read_source(figures, (0, 1), strikes=False, mains_hz=_MAINS_HZ).readings
    return StretchLoudness(loudness_lufs=readings.loudness_lufs, true_peak_dbtp=readings.true_peak_dbtp)
