"""Runs the feed past each voice: reads the stretches in which it is active, runs the chains again, measures its clearance."""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.chain.parts import blocks_settings
from deskhand.chain.run import Chain
from deskhand.chain.take import WithChains
from deskhand.house import ROLES, DelayBlock, PanBlock
from deskhand.measure.activity import stretches
from deskhand.mix.bus import in_the_mix, source_matrix
from deskhand.mix.clearance import (
    Clearance,
    FeedEnergies,
    FeedMeter,
    TrialPhrase,
    gather,
    hold,
    map_sides,
    measure_phrase,
    phrases,
)
from deskhand.mix.reused_feeds import reused_feeds

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence
    from concurrent.futures import Future
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock, HouseFile
    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import BlockSource
    from deskhand.mix.clearance import AudibilityLimits, PhraseShares
    from deskhand.reuse import KeptMeasurements

    Array = NDArray[np.float64]

PREROLL_S: Final = 1.0
"""Chains run this long before a phrase, so that filters and gains have settled. Common practice, no source."""
_PIECE_S: Final = 1.0
"""Seconds of all tracks that are in memory at once, before and after their chains. Common practice, no source."""
_JOIN_S: Final = 0.5
"""Shorter rests of a voice lie within a phrase. Common practice, no source."""
_AFTER_S: Final = 0.1
"""Read beyond a phrase: what look-ahead holds back of its end must come out of the chain. Common practice, no source."""
_SETTLE_S: Final = 0.2
"""Run through the band filters before a phrase; the narrowest, 160 Hz third-octave, rings for less. Common practice, no source."""


class _StretchReader(Protocol):
    """Recording that gives stretches of its tracks."""

    @property
    def sample_rate_hz(self) -> int: ...
    @property
    def duration_s(self) -> float: ...
    def stretch(self, tracks: Sequence[int], start_s: float, length_s: float) -> BlockSource: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedStrip:
    """One source of the feed: where it comes from, and what is done to it."""

    tracks: tuple[int, ...]
    blocks: tuple[ChainBlock, ...]
    matrix: NDArray[np.float64]
    """(2, channels) gains after the chain, to left and right."""


def lead_of(house: HouseFile) -> str | None:
    """Lead voice: the house's vocal, or its first lead vocal."""
    if house.vocal:
        return house.vocal.source
    return next((source.name for source in house.source if ROLES[source.role].leads), None)


def sings(house: HouseFile, voice: str) -> bool:
    """True for a voice that is heard in songs: what is muted there is not in its way."""
    return any(source.name == voice and not ROLES[source.role].speaks for source in house.source)


def voices_of(house: HouseFile) -> list[str]:
    """Sources whose words must be heard: the lead, then everyone who speaks."""
    lead = lead_of(house)
    spoken = [source.name for source in house.source if ROLES[source.role].speaks and source.name != lead]
    mixed = {source.name for source in house.source if in_the_mix(source)}
    return [name for name in (lead, *spoken) if name is not None and name in mixed]


def feed_strips(
    house: HouseFile,
    tracks: Mapping[str, tuple[int, ...]],
    blocks: Mapping[str, Sequence[ChainBlock]],
    *,
    in_song: bool = False,
) -> dict[str, FeedStrip]:
    """Strips of every source in the mix that the recording has whole; in a song without what is muted there."""
    strips = {}
    for source in house.source:
        recorded = tracks.get(source.name, ())
        if in_the_mix(source, in_song=in_song) and len(recorded) == len(source.tracks):
            own_blocks = tuple(blocks.get(source.name, ()))
            channels = 2 if any(isinstance(block, PanBlock) for block in own_blocks) else len(recorded)
            strips[source.name] = FeedStrip(
                tracks=recorded, blocks=own_blocks, matrix=source_matrix(channels, source.fader_db or 0.0)
            )
    return strips


def spans_of(playing: Activity) -> list[tuple[float, float]]:
    """Phrases of a voice that are looked at, in seconds of the take: (start, end) each, in order."""
    return phrases(stretches(playing.blocks, 0.1, join_s=_JOIN_S))


def _groups(wanted: Sequence[tuple[float, float]], preroll_s: float) -> list[list[tuple[float, float]]]:
    """Wanted stretches in groups whose chains run on from one to the next: a rest shorter than the preroll is run through."""
    groups: list[list[tuple[float, float]]] = []
    for span in wanted:
        if groups and span[0] - groups[-1][-1][1] < preroll_s:
            groups[-1].append(span)
        else:
            groups.append([span])
    return groups


def _processed_pieces(
    recording: _StretchReader,
    strips: Mapping[str, FeedStrip],
    stretch_s: tuple[float, float],
    folder: Path | None,
    pool: ThreadPoolExecutor,
) -> Iterator[dict[str, NDArray[np.float32]]]:
    """Pieces of a stretch after the chains, source to (channels, frames), in step with one another."""
    rate = recording.sample_rate_hz
    tracks = sorted({track for strip in strips.values() for track in strip.tracks})
    row_of = {track: row for row, track in enumerate(tracks)}
    chains = [
        (
            tuple(row_of[track] for track in strip.tracks),
            Chain(strip.blocks, channels=len(strip.tracks), sample_rate_hz=rate, folder=folder),
        )
        for strip in strips.values()
    ]
    begin_s, end_s = stretch_s
    processed = WithChains(recording.stretch(tracks, begin_s, end_s - begin_s), 0, chains)
    for piece in processed.blocks(round(_PIECE_S * rate), pool=pool):
        yield {name: piece.samples[rows[0] : rows[-1] + 1] for name, rows in zip(strips, processed.rows, strict=True)}


def _phrase_feed(
    meter: FeedMeter,
    buffers: Mapping[str, NDArray[np.float32]],
    start: int,
    frames: int,
    start_s: float,
    pool: ThreadPoolExecutor,
) -> FeedEnergies:
    """Feed of a phrase that begins at a frame of what is buffered."""
    # what lies before the phrase runs through the band filters too, so that they have settled
    settle = min(start, round(_SETTLE_S * meter.sample_rate_hz)) // meter.step * meter.step
    cut = {name: samples[:, start - settle : start + frames] for name, samples in buffers.items()}
    feed = meter.take(cut, start_s, pool=pool)
    settled = itemgetter(slice(settle // meter.step, None))
    return replace(feed, energies={name: map_sides(parts, settled) for name, parts in feed.energies.items()})


def _group_feeds(
    recording: _StretchReader,
    strips: Mapping[str, FeedStrip],
    group: Sequence[tuple[float, float]],
    preroll_s: float,
    folder: Path | None,
    pool: ThreadPoolExecutor,
) -> Iterator[FeedEnergies]:
    """Feed of each stretch of a group, through chains that run on from one to the next."""
    rate = recording.sample_rate_hz
    meter = FeedMeter(
        {name: strip.matrix for name, strip in strips.items()},
        rate,
        pairs=[name for name, strip in strips.items() if len(strip.tracks) == 2],
    )
    begin_s = max(0.0, group[0][0] - preroll_s)
    end_s = min(recording.duration_s, group[-1][1] + _AFTER_S)
    buffers: dict[str, NDArray[np.float32]] = {}
    first = round(begin_s * rate)  # frame of the take at which the buffers begin
    remaining = list(group)
    # nothing behind the last piece: what is left is then as long as it will be
    for pieces in chain(_processed_pieces(recording, strips, (begin_s, end_s), folder, pool), [None]):
        ended = pieces is None
        for name, piece in (pieces or {}).items():
            buffers[name] = np.concatenate([buffers[name], piece], axis=1) if name in buffers else piece
        ready = min((samples.shape[1] for samples in buffers.values()), default=0)
        while remaining:
            start = round(remaining[0][0] * rate) - first
            frames = round((remaining[0][1] - remaining[0][0]) * rate) // meter.step * meter.step
            if start + frames > ready and not ended:
                break
            frames = min(frames, (ready - start) // meter.step * meter.step)
            span = remaining.pop(0)
            if frames < meter.step:
                continue
            yield _phrase_feed(meter, buffers, start, frames, span[0], pool)
            end = start + frames
            buffers = {name: samples[:, end:] for name, samples in buffers.items()}
            first += end
            ready -= end
        if not remaining:
            return


def _feeds(
    recording: _StretchReader,
    strips: Mapping[str, FeedStrip],
    wanted: Sequence[tuple[float, float]],
    folder: Path | None,
    pool: ThreadPoolExecutor,
    reuse: KeptMeasurements | None = None,
) -> Iterator[FeedEnergies]:
    """Feed of each wanted stretch (in order, none overlapping); sources that were run before are not run again."""
    # what a delay holds back must have gone in before
    preroll_s = PREROLL_S + max(
        (sum(block.time_s for block in strip.blocks if isinstance(block, DelayBlock)) for strip in strips.values()),
        default=0.0,
    )
    groups = _groups(wanted, preroll_s)

    def run(names: Collection[str]) -> Iterator[FeedEnergies]:
        chosen = {name: strip for name, strip in strips.items() if name in names}
        for group in groups:
            yield from _group_feeds(recording, chosen, group, preroll_s, folder, pool)

    if reuse is None:
        yield from run(strips)
        return
    settings = {
        name: {
            "spans": list(wanted),
            "preroll": preroll_s,
            "tracks": strip.tracks,
            "blocks": blocks_settings(strip.blocks, folder),
            "matrix": strip.matrix.tolist(),
        }
        for name, strip in strips.items()
    }
    pairs = frozenset(name for name, strip in strips.items() if len(strip.tracks) == 2)
    yield from reused_feeds(settings, pairs, reuse, run)


def measure_voices(
    recording: _StretchReader,
    strips: Mapping[str, FeedStrip],
    playing: Mapping[str, Activity],
    voices: Sequence[str],
    *,
    offset_db: float,
    words: Mapping[str, AudibilityLimits] | None = None,
    folder: Path | None = None,
    threads: int = 2,
    with_costs: bool = True,
    reuse: KeptMeasurements | None = None,
) -> list[Clearance]:
    """Clearance of every voice that is active.

    Parameters
    ----------
    recording : Recording
    strips : mapping
        From `feed_strips`.
    playing : mapping
        Source to when it plays, bleed left out.
    voices : sequence of str
        Sources whose words must be heard.
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    words : mapping, optional
        Voice to the limits from which its words are clear and covered.
    folder : Path, optional
        Of the house file.
    threads : int
    with_costs : bool
        Work out as well what each source costs the voice, and what trims of middles would give.
    reuse : KeptMeasurements, optional
        Energies of an earlier run, and where those of this one are kept.
    """
    clearances = []
    with ThreadPoolExecutor(threads) as pool:
        for voice in voices:
            if voice not in strips or voice not in playing:
                continue
            spans = spans_of(playing[voice])
            maskers = [name for name in strips if name != voice]
            parts: list[PhraseShares] = []
            pending: deque[Future[PhraseShares]] = deque()
            # a phrase is one task: its steps are too short to be shared out, and no more feeds wait than there are threads
            for feed in _feeds(recording, strips, spans, folder, pool, reuse):
                if len(pending) == threads:
                    parts.append(pending.popleft().result())
                pending.append(pool.submit(measure_phrase, feed, voice, offset_db, with_costs=with_costs))
            parts += [phrase.result() for phrase in pending]
            clearance = gather(parts, voice, maskers, words=(words or {}).get(voice))
            if clearance is not None:
                clearances.append(clearance)
    return clearances


def hold_voice(
    recording: _StretchReader,
    strips: Mapping[str, FeedStrip],
    playing: Activity,
    voice: str,
    *,
    offset_db: float,
    folder: Path | None = None,
    threads: int = 2,
    reuse: KeptMeasurements | None = None,
) -> list[TrialPhrase]:
    """Phrases of one voice, kept so that other settings of everything else can be tried on them.

    Parameters
    ----------
    recording : Recording
    strips : mapping
        From `feed_strips`.
    playing : Activity
        When the voice is active, bleed left out.
    voice : str
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    folder : Path, optional
        Of the house file.
    threads : int
    reuse : KeptMeasurements, optional
        Energies of an earlier run, and where those of this one are kept.
    """
    spans = spans_of(playing)
    with ThreadPoolExecutor(threads) as pool:
        return [hold(feed, voice, offset_db) for feed in _feeds(recording, strips, spans, folder, pool, reuse)]


def hold_feeds(
    recording: _StretchReader,
    strips: Mapping[str, FeedStrip],
    spans: Sequence[tuple[float, float]],
    *,
    folder: Path | None = None,
    threads: int = 2,
) -> list[FeedEnergies]:
    """Feed of each wanted stretch, kept so that settings can be tried on it again and again without the audio.

    Parameters
    ----------
    recording : Recording
    strips : mapping
        From `feed_strips`.
    spans : sequence of (float, float)
        Start and end of each stretch in seconds, in order, none overlapping; of a voice, those of `spans_of`.
    folder : Path, optional
        Of the house file.
    threads : int

    Returns
    -------
    list of FeedEnergies, one for each stretch that the recording holds. Energies are of single precision, as they are measured: 150 s
    of 16 pairs take 52 MB, of single channels in the centre a third of it. For `deskhand.mix.clearance.with_settings` and
    `clearance_of`.
    """
    with ThreadPoolExecutor(threads) as pool:
        return [
            replace(
                feed,
                energies={
                    # a copy: a piece of an array would keep all of it
                    name: map_sides(parts, lambda part: part.astype(np.float32))
                    for name, parts in feed.energies.items()
                },
            )
            for feed in _feeds(recording, strips, spans, folder, pool)
        ]
