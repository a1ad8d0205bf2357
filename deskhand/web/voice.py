"""What if: room for a voice. Middles, faders and mutes of everything else, tried on the phrases that the check looked at."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.chain.run import Chain, still_to_come
from deskhand.errors import UsageError
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.mix.bus import level_offset_db
from deskhand.mix.clearance import clearance_of, shifted, with_settings
from deskhand.mix.voices import PREROLL_S, feed_strips, hold_feeds
from deskhand.recording.held import held_recording
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from deskhand.mix.clearance import Clearance, FeedEnergies
    from deskhand.mix.voices import FeedStrip
    from deskhand.result import CheckResult
    from deskhand.web.tries import Desk

MOST_DOWN_DB: Final = 24.0
MOMENT_S: Final = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What is tried."""

    mid_down_db: Mapping[str, float] = field(default_factory=dict)
    """Pairs whose middle is turned down, by how much."""
    fader_db: Mapping[str, float] = field(default_factory=dict)
    """Change of faders."""
    muted: frozenset[str] = frozenset()

    @classmethod
    def of(cls, data: Any) -> Settings:
        """From what the page sends.

        Raises
        ------
        UsageError
            It is something else.
        """
        try:
            made = cls(
                mid_down_db={str(name): float(value) for name, value in dict(data.get("mid_down_db", {})).items()},
                fader_db={str(name): float(value) for name, value in dict(data.get("fader_db", {})).items()},
                muted=frozenset(str(name) for name in data.get("muted", [])),
            )
        except (AttributeError, TypeError, ValueError, OverflowError) as error:
            raise UsageError("the settings", "are not numbers in dB", 'write them like "3 dB"') from error
        for name, value in (*made.mid_down_db.items(), *made.fader_db.items()):
            if not -MOST_DOWN_DB <= value <= MOST_DOWN_DB:
                raise UsageError(name, f"is {value:g} dB", f"stay within {MOST_DOWN_DB:g} dB")
        return made


def strips_of(desk: Desk) -> dict[str, FeedStrip]:
    """What is in the feed of a recording, behind the blocks that are still to come."""
    blocks = {source.name: still_to_come(source.chain, desk.tap_of(source)) for source in desk.house.source}
    return feed_strips(desk.house, desk.tracks(), blocks)


class Room:
    """The phrases of one voice, held.

    Parameters
    ----------
    desk : Desk
    result : CheckResult
        That found the phrases.
    voice : str
    """

    def __init__(self, desk: Desk, result: CheckResult, voice: str) -> None:
        told = next((one for one in (result.vocal, *result.voices) if one is not None and one.source == voice), None)
        loudness = result.mix.loudness_lufs if result.mix else None
        if told is None or loudness is None:
            raise UsageError(f'"{voice}"', "is not active in this recording, or has no fader", "check it again")
        self._desk = desk
        self._told = told
        self._offset_db = level_offset_db(desk.house.room, loudness)
        self._from_s = desk.recording.start_s
        self.strips = strips_of(desk)
        if voice not in self.strips:
            raise UsageError(f'"{voice}"', "is not in the mix", "write its fader in the house file")
        spans = [(one.start_s - self._from_s, one.end_s - self._from_s) for one in told.phrases]
        self._feeds: list[FeedEnergies] = hold_feeds(desk.recording, self.strips, spans, folder=desk.folder)
        self.voice = voice

    def names(self, settings: Settings) -> None:
        """Refuse what is not in the feed.

        Raises
        ------
        UsageError
            A source that is not, or the middle of one that is no pair.
        """
        for name in (*settings.mid_down_db, *settings.fader_db, *settings.muted):
            if name not in self.strips or name == self.voice:
                raise UsageError(f'"{name}"', "cannot be turned here", "choose another source of the mix")
        for name in settings.mid_down_db:
            if len(self.strips[name].tracks) != 2:
                raise UsageError(f'"{name}"', "has no middle", "turn its fader")

    def tried(self, settings: Settings) -> Clearance:
        """How the voice is heard with them."""
        self.names(settings)
        feeds = [
            with_settings(feed, mid_down_db=settings.mid_down_db, fader_db=settings.fader_db, muted=settings.muted)
            for feed in self._feeds
        ]
        found = clearance_of(feeds, self.voice, offset_db=self._offset_db, words=self._told.words)
        # who covers a phrase is not asked again: whoever did, and is still heard, is named
        named = [
            replace(one, by=old.by if one.word != "clear" and old.by not in settings.muted else None)
            for one, old in zip(found.phrases, self._told.phrases, strict=True)
        ]
        return shifted(replace(found, phrases=tuple(named)), self._from_s)


def mix_around(
    desk: Desk, strips: Mapping[str, FeedStrip], settings: Settings, start_s: float, length_s: float = MOMENT_S
) -> NDArray[np.float32]:
    """(2, frames) of the mix at a moment of the recording, with other settings."""
    rate = desk.recording.sample_rate_hz
    begin_s = max(0.0, min(start_s, desk.recording.duration_s - length_s))
    before_s = min(begin_s, PREROLL_S)
    tracks = sorted({track for strip in strips.values() for track in strip.tracks})
    place = {track: at for at, track in enumerate(tracks)}
    samples = desk.recording.excerpt(tracks, begin_s - before_s, before_s + length_s)
    skip = round(before_s * rate)

    def one(name: str) -> NDArray[np.float64]:
        strip = strips[name]
        chain = Chain(strip.blocks, channels=len(strip.tracks), sample_rate_hz=rate, folder=desk.folder, source=name)
        rows = samples[[place[track] for track in strip.tracks]].astype(np.float64)
        out = np.concatenate([chain.aligned(rows), chain.rest(rows.shape[0])], axis=1)[:, skip:]
        both = strip.matrix @ out
        down_db = settings.mid_down_db.get(name, 0.0)
        if down_db:
            middle, side = 0.5 * (both[0] + both[1]), 0.5 * (both[0] - both[1])
            middle = middle * amplitude_from_db(-down_db)
            both = np.stack([middle + side, middle - side])
        return np.asarray(both * amplitude_from_db(settings.fader_db.get(name, 0.0)))

    with ThreadPoolExecutor(2) as pool:
        parts = pool.map(one, [name for name in strips if name not in settings.muted])
        total = np.zeros((2, samples.shape[1] - skip))
        for part in parts:
            total += part
    return total.astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """Loudness and true peak of a stretch."""

    loudness_lufs: float | None
    true_peak_dbtp: float | None


def heard(audio: NDArray[np.float32], sample_rate_hz: int) -> Heard:
    """What (2, frames) read (ITU-R BS.1770-5)."""
    held = held_recording(audio, ["left", "right"], sample_rate_hz)
    figures = measure_figures(held, 2, pairs=[(0, 1)])
    read = read_source(figures, (0, 1), strikes=False, mains_hz=50.0).readings
    return Heard(loudness_lufs=read.loudness_lufs, true_peak_dbtp=read.true_peak_dbtp)
