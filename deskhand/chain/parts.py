"""Parts of the figures of a take that are kept each by itself: recorded tracks, the output of each chain, the mix."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.chain.meter import MeterRecord, StageRecord
from deskhand.measure.between_tracks import leak_bins
from deskhand.measure.envelopes import LoudestMoments
from deskhand.measure.figures import Figures
from deskhand.measure.fingerprint import Fingerprint
from deskhand.measure.track_figures import (
    Event,
    GrowingTone,
    LeakFigures,
    Mute,
    NoiseBurst,
    PairFigures,
    SpectrumRun,
    TrackFigures,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock
    from deskhand.measure.grid import AnalysisGrid


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedPart:
    """Figures of all recorded tracks, and of what they have in common."""

    tracks: tuple[TrackFigures, ...]
    pairs: dict[tuple[int, int], PairFigures]
    leaks: dict[tuple[int, int], LeakFigures]
    loudest: dict[tuple[int, ...], LoudestMoments]
    gram: NDArray[np.float64]
    fingerprint: Fingerprint | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowsPart:
    """Figures of one or two rows: the output of a chain, or the mix."""

    tracks: tuple[TrackFigures, ...]
    pair: PairFigures | None
    loudest: tuple[LoudestMoments, ...]
    """Of each row, then of the pair."""
    meters: MeterRecord | None = None
    """Of a chain with meters."""


PART_TYPES: Final = (
    RecordedPart, RowsPart, TrackFigures, PairFigures, LeakFigures, LoudestMoments, Fingerprint, Event, NoiseBurst, Mute,
    GrowingTone, SpectrumRun, MeterRecord, StageRecord,
)  # fmt: skip
"""Dataclasses that kept parts are made of."""


NOTHING_RECORDED: Final = RecordedPart(
    tracks=(), pairs={}, leaks={}, loudest={}, gram=np.zeros((0, 0)), fingerprint=None
)
"""Part without tracks, for figures of the outputs of chains alone."""


def recorded_part(figures: Figures, count: int) -> RecordedPart:
    """Part of the first `count` tracks of figures."""
    return RecordedPart(
        tracks=figures.tracks[:count],
        pairs={pair: held for pair, held in figures.pairs.items() if max(pair) < count},
        leaks=figures.leaks,
        loudest={rows: held for rows, held in figures.loudest.items() if max(rows) < count},
        gram=figures.gram,
        fingerprint=figures.fingerprint,
    )


def rows_part(figures: Figures, rows: Sequence[int], meters: MeterRecord | None = None) -> RowsPart:
    """Part of one or two rows of figures."""
    pair = tuple(rows)
    loudest = [figures.loudest[row,] for row in rows]
    if len(pair) == 2:
        loudest.append(figures.loudest[pair])
    return RowsPart(
        tracks=tuple(figures.tracks[row] for row in rows),
        pair=figures.pairs[pair[0], pair[1]] if len(pair) == 2 else None,
        loudest=tuple(loudest),
        meters=meters,
    )


def joined_figures(grid: AnalysisGrid, recorded: RecordedPart, parts: Sequence[RowsPart], blocks: int) -> Figures:
    """Figures of the recorded tracks and, behind them, of the rows of each part."""
    tracks, pairs, loudest = list(recorded.tracks), dict(recorded.pairs), dict(recorded.loudest)
    for part in parts:
        rows = tuple(range(len(tracks), len(tracks) + len(part.tracks)))
        tracks += part.tracks
        loudest |= {(row,): moments for row, moments in zip(rows, part.loudest, strict=False)}
        if part.pair is not None:
            pairs[rows[0], rows[1]] = part.pair
            loudest[rows] = part.loudest[-1]
    return Figures(
        grid=grid,
        blocks=blocks,
        tracks=tuple(tracks),
        pairs=pairs,
        leaks=recorded.leaks,
        leak_bins=leak_bins(grid),
        loudest=loudest,
        gram=recorded.gram,
        fingerprint=recorded.fingerprint,
    )


def blocks_settings(blocks: Sequence[ChainBlock], folder: Path | None) -> list[dict[str, Any]]:
    """Settings of blocks as JSON holds them, with a digest of each curve's file.

    Parameters
    ----------
    blocks : sequence of ChainBlock
    folder : Path or None
        Folder of the house file.
    """
    settings = []
    for block in blocks:
        held: dict[str, Any] = asdict(block)
        file = held.get("file")
        if file is not None:
            try:
                held["content"] = hashlib.sha256(((folder or Path()) / file).read_bytes()).hexdigest()
            except OSError:
                held["content"] = None  # whoever builds the chain says so
        settings.append(held)
    return settings
