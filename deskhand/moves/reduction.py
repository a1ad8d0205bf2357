"""Threshold moves: where a compressor takes off what the house wants, found by running it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.run import Chain, WhatIf
from deskhand.house import CompressorBlock, changed
from deskhand.moves.move import Move, Remark, Setting, who_hears

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from deskhand.moves.state import Plan, SourceState

    Array = NDArray[np.float64]

STEP_DB: Final = 0.5
"""Step of a threshold. Common practice, no source."""
LOWEST_DBFS, HIGHEST_DBFS = -60.0, 0.0
"""Range of a threshold: full scale, and what lies under most stages' noise. Common practice, no source."""
_PIECE: Final = 1 << 15
"""Frames run at a time: bounds the memory, and no result depends on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """Threshold as it should be, and what it then takes off."""

    threshold_dbfs: float
    reduction_db: float
    """Median of what it then takes off while the source plays."""
    reached: bool
    """True where that lies in the wanted range; no threshold reaches it otherwise."""


def solve(reduction_at: Callable[[float], float], low_db: float, high_db: float) -> Threshold:
    """The threshold whose median reduction comes nearest to the middle of a range.

    Parameters
    ----------
    reduction_at : callable
        From a threshold in dBFS to the median reduction in dB, by running; it falls as the threshold rises.
    low_db, high_db : float
        The wanted range.

    Notes
    -----
    A lower threshold never takes off less, so halving the interval finds the middle; steps of half a decibel are at most half a
    decibel of reduction apart.
    """
    wanted = 0.5 * (low_db + high_db)
    low, high = round(LOWEST_DBFS / STEP_DB), round(HIGHEST_DBFS / STEP_DB)
    known: dict[int, float] = {}

    def reduction_of(step: int) -> float:
        if step not in known:
            known[step] = reduction_at(step * STEP_DB)
        return known[step]

    while high - low > 1:
        middle = (low + high) // 2
        if reduction_of(middle) >= wanted:
            low = middle
        else:
            high = middle
    best = min((low, high), key=lambda step: abs(reduction_of(step) - wanted))
    reduction = reduction_of(best)
    return Threshold(threshold_dbfs=best * STEP_DB, reduction_db=reduction, reached=low_db <= reduction <= high_db)


def plan_reduction(state: SourceState, plan: Plan) -> None:
    """Add thresholds for compressors that take off another amount than the house wants."""
    wanted = [
        (position, block)
        for position, block in enumerate(plan.blocks)
        if isinstance(block, CompressorBlock) and block.reduction_db is not None
    ]
    is_off = any(finding.metric == "reduction_db" for finding in state.findings)
    if not wanted or not (is_off or plan.changed):
        return
    for position, block in wanted:
        assert block.reduction_db is not None
        low_db, high_db = block.reduction_db
        before = plan.blocks[:position]
        what_if = WhatIf(state.excerpt, before, sample_rate_hz=state.sample_rate_hz, folder=state.folder)
        going_in = what_if.run(before).astype(np.float64)

        def reduction_at(threshold_dbfs: float, block: CompressorBlock = block, going_in: Array = going_in) -> float:
            return reduction_db(
                going_in, changed(block, threshold_dbfs=threshold_dbfs), state.sample_rate_hz, state.playing
            )

        current_db = reduction_at(block.threshold_dbfs)
        if low_db <= current_db <= high_db:
            continue
        _add_move(state, plan, position, block, current_db, solve(reduction_at, low_db, high_db))


def reduction_db(signal: Array, block: CompressorBlock, sample_rate_hz: int, playing: NDArray[np.bool_]) -> float:
    """Median gain reduction of a compressor on (channels, frames) while the source plays, over 100 ms each."""
    chain = Chain([block], channels=signal.shape[0], sample_rate_hz=sample_rate_hz, metered=True)
    for first in range(0, signal.shape[1], _PIECE):
        chain.process(signal[:, first : first + _PIECE])
    chain.rest(signal.shape[0])
    trace = chain.meters[0].trace_db()
    if trace is None:
        return 0.0
    mask = playing[: trace.size]
    while_playing = trace[: mask.size][mask]
    return float(np.median(while_playing)) if while_playing.size else 0.0


def _add_move(
    state: SourceState, plan: Plan, position: int, block: CompressorBlock, current_db: float, solved: Threshold
) -> None:
    """Write a threshold into the plan, or say that none reaches the wanted range."""
    assert block.reduction_db is not None
    low_db, high_db = block.reduction_db
    facts: dict[str, float | str] = {
        "low_db": low_db,
        "high_db": high_db,
        "reduction_db": current_db,
        "nearest_db": solved.reduction_db,
        "threshold_dbfs": solved.threshold_dbfs,
        "step_db": STEP_DB,
    }
    if not solved.reached:
        plan.left_over.append(Remark(name="no-threshold", facts=facts))
        return
    plan.blocks[position] = changed(block, threshold_dbfs=solved.threshold_dbfs)
    plan.moves.append(
        Move(
            where="channel",
            block=block.block,
            index=state.index_of(block),
            on=block.on,
            settings={"threshold": Setting(before=block.threshold_dbfs, after=solved.threshold_dbfs, unit="dBFS")},
            who_hears=who_hears(block.block, state.desk),
            action="threshold",
            facts={"reduction_db": current_db, "reduction_after_db": solved.reduction_db},
        )
    )
    plan.why.append(Remark(name="threshold", facts=facts))
