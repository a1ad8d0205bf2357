"""Turns of a line check: where each input plays by itself, and how its turn is set against those that were kept.

A turn is a sentence or a few bars that the same person says or plays every week. It differs from week to week by less than songs do, so
that turns are kept beside the readings of the take, as a set of their own, and judged by their own spread.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.model import LEAST_PLAYING_S
from deskhand.baseline.normal import Normal, _judge_number, _judge_tone, least_told_of
from deskhand.baseline.numbers import LEVEL, NOISE, TONE
from deskhand.baseline.role_priors import TURN
from deskhand.measure.activity import BLOCK_S

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.model import Baseline
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

LEAST_TURNS: Final = 3
"""Kept turns of an input from which on something is told of the next one (docs/validation-line-memory.md)."""
_CHANCES: Final = {TONE: 3e-4, LEVEL.name: 4e-3, NOISE.name: 1e-3}
"""Nominal chance that each number of a clean turn is told: so that something is told of about one input in 200
(docs/validation-line-memory.md; of the noise common practice, no source)."""
_LEAST_JND: Final = {TONE: 2.0, LEVEL.name: 3.0, NOISE.name: 2.0}
"""Just noticeable differences below which nothing is said of each number. Common practice, no source."""
_ABOVE_FLOOR_DB: Final = 12.0
"""An input sounds when it is so far above its own floor, as in a live line check (`deskhand.live.line`). Common practice, no source."""
_BELOW_LOUDEST_DB: Final = 15.0
"""An input that lies further below the loudest one hears it, as there. Common practice, no source."""
_LEAST_DBFS: Final = -62.0
"""Anything quieter is no playing, as there. Common practice, no source."""
_GAP_BLOCKS: Final = 15
"""Blocks of silence that end a turn: 1.5 s, as there. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnComparison:
    """Numbers of an input's turn against its kept turns."""

    kept: int
    """Kept turns of the input."""
    by_player: int
    """Turns among them by whoever plays now."""
    is_newcomer: bool
    """True where whoever plays is named, and never had a turn at this input that was kept."""
    normals: tuple[Normal, ...]
    changed: tuple[str, ...]
    """Names of the numbers that are not as always."""
    beyond_all: frozenset[str]
    """Names of those that lie beyond all kept turns."""


def compared_turn(baseline: Baseline, part: KeptPart, *, with_least_told: bool = True) -> TurnComparison | None:
    """Turn of an input set against its kept turns; None where none is kept, or it played too little.

    Parameters
    ----------
    baseline : Baseline
    part : KeptPart
        Readings of the turn, of the stage `TURN`.
    with_least_told : bool
        Work out the smallest changes that would be told as well, which takes longer than the rest.
    """
    past_parts = [past for past in baseline.parts.get((part.source, TURN), ()) if past.playing_s >= LEAST_PLAYING_S]
    if not past_parts or part.playing_s < LEAST_PLAYING_S:
        return None
    named = {past.player for past in past_parts if past.player is not None}
    is_newcomer = part.player is not None and bool(named) and part.player not in named
    numbers = [LEVEL, *([NOISE] if NOISE.is_watched_of(part.role) else [])]
    judged = [_judge_tone(baseline, part, ()), *(_judge_number(baseline, part, number) for number in numbers)]
    normals = [normal for normal in judged if normal is not None]
    tells = len(past_parts) >= LEAST_TURNS and not is_newcomer
    if tells and with_least_told:
        normals = [_with_least_told(baseline, part, normal) for normal in normals]
    changed = [normal for normal in normals if tells and _is_changed(normal)]
    return TurnComparison(
        kept=len(past_parts),
        by_player=sum(past.player == part.player for past in past_parts) if part.player is not None else 0,
        is_newcomer=is_newcomer,
        normals=tuple(normals),
        changed=tuple(normal.name for normal in changed),
        beyond_all=frozenset(normal.name for normal in changed if _is_beyond_all(normal, past_parts)),
    )


def _is_changed(normal: Normal) -> bool:
    """True where a number is improbable in a turn that is as always, and far enough off to be heard."""
    return normal.probability < _CHANCES[normal.name] and normal.noticeable >= _LEAST_JND[normal.name]


def _with_least_told(baseline: Baseline, part: KeptPart, normal: Normal) -> Normal:
    """Number with the smallest change of it that would be told."""
    least = least_told_of(baseline, part, normal, _CHANCES[normal.name], _LEAST_JND[normal.name])
    return replace(normal, least_told=least or None)


def _is_beyond_all(normal: Normal, past_parts: Sequence[KeptPart]) -> bool:
    """True for a level or a noise that lies beyond those of all kept turns."""
    metrics = {LEVEL.name: LEVEL.metric, NOISE.name: NOISE.metric}
    if normal.name not in metrics:
        return False
    kept = [past.values[metrics[normal.name]][0] for past in past_parts if metrics[normal.name] in past.values]
    return normal.measured < min(kept) or normal.measured > max(kept)


def turn_spans(levels_dbfs: Mapping[str, Array]) -> dict[str, tuple[float, float]]:
    """Source to its turn in seconds, (from, to): the longest stretch in which it sounds and no other input is much louder.

    Parameters
    ----------
    levels_dbfs : mapping of str to (blocks,) array
        Source to its levels in blocks of 100 ms, of a recorded line check.

    Returns
    -------
    dict
        Without the sources that never sound.
    """
    if not levels_dbfs:
        return {}
    loudest_dbfs = np.max(list(levels_dbfs.values()), axis=0)
    spans = {}
    for source, levels in levels_dbfs.items():
        finite = levels[np.isfinite(levels)]
        floor_dbfs = float(np.percentile(finite, 10)) if finite.size else 0.0
        sounds = (levels >= max(floor_dbfs + _ABOVE_FLOOR_DB, _LEAST_DBFS)) & (
            levels >= loudest_dbfs - _BELOW_LOUDEST_DB
        )
        blocks = np.flatnonzero(sounds)
        if not blocks.size:
            continue
        bouts = np.split(blocks, np.flatnonzero(np.diff(blocks) > _GAP_BLOCKS) + 1)
        longest = max(bouts, key=len)
        spans[source] = float(longest[0] * BLOCK_S), float((longest[-1] + 1) * BLOCK_S)
    return spans
