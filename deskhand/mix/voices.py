"""Runs the feed past each voice: reads the stretches in which it is active, runs the chains again, measures its clearance."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.chain.run import Chain
from deskhand.measure.activity import stretches
from deskhand.mix.bus import in_the_mix, source_matrix
from deskhand.mix.clearance import Clearance, FeedMeter, Held, each, gather, hold, measure_phrase, phrases

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock, HouseFile
    from deskhand.measure.activity import Activity
    from deskhand.mix.clearance import Feed, Words

PREROLL_S: Final = 1.0
"""Chains run this long before a phrase, so that filters and gains have settled."""
_PIECE_S: Final = 4.0
_JOIN_S: Final = 0.5
_AFTER_S: Final = 0.1


class _Recording(Protocol):
    @property
    def sample_rate_hz(self) -> int: ...
    @property
    def duration_s(self) -> float: ...
    def excerpt(self, tracks: Sequence[int], start_s: float, length_s: float) -> NDArray[np.float32]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedStrip:
    """One source of the feed: where it comes from, and what is done to it."""

    tracks: tuple[int, ...]
    blocks: tuple[ChainBlock, ...]
    matrix: NDArray[np.float64]
    """(2, channels) behind the chain, to left and right."""


def lead_of(house: HouseFile) -> str | None:
    """The house's vocal, or its first lead vocal."""
    if house.vocal:
        return house.vocal.source
    return next((source.name for source in house.source if source.role == "lead vocal"), None)


def voices_of(house: HouseFile) -> list[str]:
    """The sources whose words must be heard: the lead, then everyone who speaks."""
    lead = lead_of(house)
    spoken = [source.name for source in house.source if source.role == "speech" and source.name != lead]
    heard = {source.name for source in house.source if in_the_mix(source)}
    return [name for name in (lead, *spoken) if name is not None and name in heard]


def feed_strips(
    house: HouseFile, tracks: Mapping[str, tuple[int, ...]], blocks: Mapping[str, Sequence[ChainBlock]]
) -> dict[str, FeedStrip]:
    """The strips of every source in the mix that the recording has whole."""
    out = {}
    for source in house.source:
        own = tracks.get(source.name, ())
        if in_the_mix(source) and len(own) == len(source.tracks):
            chain = tuple(blocks.get(source.name, ()))
            channels = 2 if any(block.block == "pan" for block in chain) else len(own)
            out[source.name] = FeedStrip(
                tracks=own, blocks=chain, matrix=source_matrix(channels, source.fader_db or 0.0)
            )
    return out


def spans_of(playing: Activity) -> list[tuple[float, float]]:
    """The phrases of a voice that are looked at, in seconds of the take: (start, end) each, in order."""
    return phrases(stretches(playing.blocks, 0.1, join_s=_JOIN_S))


def _feeds(
    recording: _Recording,
    strips: Mapping[str, FeedStrip],
    wanted: Sequence[tuple[float, float]],
    folder: Path | None,
    pool: ThreadPoolExecutor,
) -> Iterator[Feed]:
    """The feed of each wanted stretch (in order, none overlapping)."""
    rate = recording.sample_rate_hz
    tracks = sorted({track for strip in strips.values() for track in strip.tracks})
    place = {track: at for at, track in enumerate(tracks)}
    # what a delay holds back must have gone in before
    preroll_s = PREROLL_S + max(
        (sum(block.time_s for block in strip.blocks if block.block == "delay") for strip in strips.values()),
        default=0.0,
    )
    groups: list[list[tuple[float, float]]] = []
    for span in wanted:
        if groups and span[0] - groups[-1][-1][1] < preroll_s:
            groups[-1].append(span)
        else:
            groups.append([span])
    for group in groups:
        chains = {
            name: Chain(strip.blocks, channels=len(strip.tracks), sample_rate_hz=rate, folder=folder)
            for name, strip in strips.items()
        }
        meter = FeedMeter(
            {name: strip.matrix for name, strip in strips.items()},
            rate,
            pairs=[name for name, strip in strips.items() if len(strip.tracks) == 2],
        )
        begin_s = max(0.0, group[0][0] - preroll_s)
        end_s = min(recording.duration_s, group[-1][1] + _AFTER_S)
        held: dict[str, NDArray[np.float64]] = {name: np.empty((chain.channels, 0)) for name, chain in chains.items()}
        first = round(begin_s * rate)  # frame of the take at which what is held begins
        at_s = begin_s
        left = list(group)
        while left:
            length_s = min(_PIECE_S, end_s - at_s)
            samples = (
                recording.excerpt(tracks, at_s, length_s) if length_s > 0 else np.empty((len(tracks), 0), np.float32)
            )
            at_s += length_s

            def through(
                name: str, samples: NDArray[np.float32] = samples, chains: dict[str, Chain] = chains
            ) -> NDArray[np.float64]:
                rows = samples[[place[track] for track in strips[name].tracks]].astype(np.float64)
                return chains[name].aligned(rows) if rows.shape[1] else chains[name].rest(rows.shape[0])

            for name, made in zip(strips, pool.map(through, strips), strict=True):
                held[name] = np.concatenate([held[name], made], axis=1)
            ready = min((part.shape[1] for part in held.values()), default=0)
            while left:
                start = round(left[0][0] * rate) - first
                frames = round((left[0][1] - left[0][0]) * rate) // meter.step * meter.step
                if start + frames > ready and length_s > 0:
                    break
                frames = min(frames, (ready - start) // meter.step * meter.step)
                span = left.pop(0)
                if frames < meter.step:
                    continue
                # what lies before the phrase runs through the band filters too, so that they have settled
                settle = min(start, round(0.2 * rate)) // meter.step * meter.step
                cut = {name: part[:, start - settle : start + frames] for name, part in held.items()}
                feed = meter.take(cut, span[0], pool=pool)
                skip = settle // meter.step
                later = itemgetter(slice(skip, None))
                yield type(feed)(
                    start_s=span[0],
                    energies={name: each(parts, later) for name, parts in feed.energies.items()},
                    pairs=feed.pairs,
                )
                used = start + frames
                held = {name: part[:, used:] for name, part in held.items()}
                first += used
                ready -= used


def measure_voices(
    recording: _Recording,
    strips: Mapping[str, FeedStrip],
    playing: Mapping[str, Activity],
    voices: Sequence[str],
    *,
    offset_db: float,
    words: Mapping[str, Words] | None = None,
    folder: Path | None = None,
    threads: int = 2,
    with_costs: bool = True,
) -> list[Clearance]:
    """The clearance of every voice that is active.

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
        Voice to where its words are clear and covered.
    folder : Path, optional
        Of the house file.
    threads : int
    with_costs : bool
        Whether who costs what is asked as well, and what middles would give.
    """
    found = []
    with ThreadPoolExecutor(threads) as pool:
        for voice in voices:
            if voice not in strips or voice not in playing:
                continue
            spans = spans_of(playing[voice])
            others = [name for name in strips if name != voice]
            parts = [
                measure_phrase(feed, voice, offset_db, pool=pool, with_costs=with_costs)
                for feed in _feeds(recording, strips, spans, folder, pool)
            ]
            clearance = gather(parts, voice, others, words=(words or {}).get(voice))
            if clearance is not None:
                found.append(clearance)
    return found


def hold_voice(
    recording: _Recording,
    strips: Mapping[str, FeedStrip],
    playing: Activity,
    voice: str,
    *,
    offset_db: float,
    folder: Path | None = None,
    threads: int = 2,
) -> list[Held]:
    """The phrases of one voice, kept so that other settings of everything else can be tried on them.

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
    """
    spans = spans_of(playing)
    with ThreadPoolExecutor(threads) as pool:
        return [hold(feed, voice, offset_db) for feed in _feeds(recording, strips, spans, folder, pool)]


def hold_feeds(
    recording: _Recording,
    strips: Mapping[str, FeedStrip],
    spans: Sequence[tuple[float, float]],
    *,
    folder: Path | None = None,
    threads: int = 2,
) -> list[Feed]:
    """The feed of each wanted stretch, kept so that settings can be tried on it again and again without the audio.

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
    list of Feed, one for each stretch that the recording holds. Energies are of single precision, as they are measured: 150 s
    of 16 pairs take 52 MB, of single channels in the centre a third of it. For `deskhand.mix.clearance.with_settings` and
    `clearance_of`.
    """
    with ThreadPoolExecutor(threads) as pool:
        return [
            replace(
                feed,
                energies={
                    # a copy: a piece of an array would keep all of it
                    name: each(parts, lambda part: part.astype(np.float32))
                    for name, parts in feed.energies.items()
                },
            )
            for feed in _feeds(recording, strips, spans, folder, pool)
        ]
