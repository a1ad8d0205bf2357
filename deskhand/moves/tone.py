"""Equaliser moves of a source: found on its spectrum, proved by running them through its chain."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.numbers import NOTHING_DB, TONE_JND_DB
from deskhand.chain.run import WhatIf
from deskhand.dsp.spectrum import exact_hz
from deskhand.findings import KINDS
from deskhand.house import BLOCKS, ROLES, BellBlock, HighPassBlock, HighShelfBlock, LowShelfBlock, make_block
from deskhand.measure.passages import OCTAVES_HZ, tone_of
from deskhand.measure.tone import levels_db
from deskhand.moves import equaliser as eq
from deskhand.moves.fewest import fewest
from deskhand.moves.fine import brought_to, fine_power
from deskhand.moves.move import Move, Remark, Setting, cautions, who_hears
from deskhand.moves.state import equaliser_position

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.predict import Predictive
    from deskhand.house import ChainBlock
    from deskhand.moves.state import Plan, SourceState

    Array = NDArray[np.float64]

HOME: Final = 0.05
"""Probability from which a tone is within the range that holds 95 % of clean takes."""
MOST_TONE_MOVES: Final = 4
"""Equaliser moves of one source at most: as many as a person sets before doors. Common practice, no source."""
MOST_BOOST_DB: Final = 6.0
"""Boosts at most: more takes headroom and invites feedback. Common practice, no source."""
MOST_WIDE_CUT_DB: Final = 6.0
"""Wide cuts at most: what lacks or has more than this over octaves is another microphone or sound. Common practice, no source."""
_WIDE_Q: Final = 1.0
"""Bells up to this Q, an octave and a half wide, are wide; shelves always are. Common practice, no source."""
_ROUNDS: Final = 3
"""Searches at most where dynamics make something else of the moves. Common practice, no source."""
_HALF_WEIGHT_DB: Final = 1.0
"""Spread of an octave from take to take at which it counts half. Common practice, no source."""
_AGREES_DB: Final = 0.3
"""Difference between predicted and run, RMS, below which the prediction stands. Common practice, no source."""
_FOR_SURE_DB: Final = eq.WORTH_DB
"""Gain of the run moves from which they are asked for: the same as for a further change."""
_BELOW_LOUDEST_DB: Final = 25.0
"""Third-octaves this far below the loudest are no note of the source. Common practice, no source."""
_LOWEST_NOTE_HZ: Final = 40.0
"""Lowest note where no tone is known: the low E of a bass guitar is 41 Hz."""


def is_home(home: Predictive, tone_db: Array) -> bool:
    """True for a tone within its normal range, and for one whose octaves all lie nearer than can be heard: of steady sources the range is narrower.

    Parameters
    ----------
    home : Predictive
    tone_db : (8,) array
    """
    off_db = tone_db - home.location
    furthest_db = float(np.abs(off_db - np.median(off_db)).max())
    return furthest_db < TONE_JND_DB or home.tail(tone_db) >= HOME


def lowest_note_hz(tone_db: dict[str, float] | None) -> float:
    """The lowest third-octave within 25 dB of the loudest: no high-pass goes into it."""
    if not tone_db:
        return _LOWEST_NOTE_HZ
    loudest = max(tone_db.values())
    return min(float(band) for band, level in tone_db.items() if level > loudest - _BELOW_LOUDEST_DB)


def levels_of(tone_db: Mapping[str, float]) -> Array:
    """(31,) third-octave levels of a tone reading; -200 dB where nothing sounds."""
    return np.maximum(levels_db(tone_db), NOTHING_DB)


def _shapes(blocks: Sequence[ChainBlock]) -> list[tuple[int, eq.Shape]]:
    """Bells, shelves and high-passes of a chain that a move may set, with their positions."""
    shapes = []
    for position, block in enumerate(blocks):
        if getattr(block, "on", "both") != "both":
            continue
        if isinstance(block, BellBlock | LowShelfBlock | HighShelfBlock):
            shape = eq.Shape(kind=block.block, frequency_hz=block.frequency_hz, gain_db=block.gain_db, q=block.q)
            shapes.append((position, shape))
        elif isinstance(block, HighPassBlock) and block.shape == "butterworth":
            shape = eq.Shape(
                kind="high-pass", frequency_hz=block.frequency_hz, slope_db_per_octave=block.slope_db_per_octave
            )
            shapes.append((position, shape))
    return shapes


def _block(shape: eq.Shape) -> ChainBlock:
    """Block of the house file that does what a shape does."""
    written: dict[str, object] = {"block": shape.kind, "frequency": f"{shape.frequency_hz:g} Hz"}
    if shape.kind == "high-pass":
        return make_block(written | {"slope": f"{shape.slope_db_per_octave:g} dB/oct"})
    return make_block(written | {"gain": f"{shape.gain_db:g} dB", "q": shape.q})


def with_changes(
    blocks: Sequence[ChainBlock], changes: Sequence[eq.Change]
) -> tuple[list[ChainBlock], list[ChainBlock]]:
    """Chain with changes of its equaliser, and the new blocks in the order of the changes.

    New ones go behind the last block of the equaliser, or in front; a high-pass goes in front of all but gains and delays.
    """
    chain = list(blocks)
    for change in changes:
        if change.index is not None:
            chain[change.index] = _block(change.after)
    new_blocks = []
    for change in changes:
        if change.index is None:
            block = _block(change.after)
            shaped = [position for position, known in enumerate(chain) if BLOCKS[known.block].shapes_tone]
            in_front = change.after.kind == "high-pass" or not shaped
            chain.insert(equaliser_position(chain) if in_front else shaped[-1] + 1, block)
            new_blocks.append(block)
    return chain, new_blocks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ToneSearch:
    """Tone of a source, the wanted one, and the chain to prove changes with."""

    state: SourceState
    home: Predictive
    grid: eq.Grid
    task: eq.Task
    what_if: WhatIf
    as_is: Array
    """(fine,) power of the excerpt after its chain."""
    whole: Array
    """(31,) third-octave levels of the whole take after its chain."""

    def is_home(self, band_levels_db: Array) -> bool:
        """True where a tone is within the normal range, or nobody hears what is left."""
        return is_home(self.home, tone_of(band_levels_db))

    def rms_db(self, changes: Sequence[eq.Change]) -> float:
        """Weighted RMS of what is off with changes, as predicted."""
        return float(eq.rms_db(eq.band_levels_db(eq.applied(self.task.power, changes)), self.task))


def _search_of(
    state: SourceState, plan: Plan, home: Predictive, wanted_db: Array, tone_db: dict[str, float], *, boosts: bool
) -> _ToneSearch:
    """Spectra, weights and grid of a source's desk; without boosts where nothing is to be raised."""
    equaliser = state.desk.equaliser
    grid = eq.desk_grid(
        gain_step_db=equaliser.gain_step_db,
        gain_max_db=equaliser.gain_max_db,
        frequency_step_octave=equaliser.frequency_step_octave,
        qs=equaliser.q,
        bells=equaliser.bells,
        lowest_note_hz=lowest_note_hz(state.before_tone_db),
        most_boost_db=MOST_BOOST_DB if boosts else 0.0,
    )
    what_if = WhatIf(state.excerpt, plan.blocks, sample_rate_hz=state.sample_rate_hz, folder=state.folder)
    as_is = fine_power(what_if.run(plan.blocks), state.sample_rate_hz)
    # the detail of the excerpt, the levels of the whole take
    whole = levels_of(tone_db)
    power = brought_to(as_is, whole)
    # where this source differs from song to song anyway, a difference says little
    spread_db = np.sqrt(np.diag(home.scale))
    by_band = np.interp(np.log2(exact_hz()), np.log2(np.array(OCTAVES_HZ)), spread_db)
    weight = eq.matters(power) / (1.0 + (by_band / _HALF_WEIGHT_DB) ** 2)
    task = eq.Task(power=power, wanted_db=wanted_db, weight=weight, blocks=tuple(_shapes(plan.blocks)))
    return _ToneSearch(
        state=state, home=home, grid=grid, task=task, what_if=what_if, as_is=as_is, whole=whole
    )  # fmt: skip


def plan_tone(state: SourceState, plan: Plan) -> None:
    """Add the fewest changes of the equaliser that bring the tone after the chain home."""
    finding = next(
        (
            finding
            for finding in state.findings
            if KINDS[finding.kind].answered_by == "equaliser" and finding.severity == "listen"
        ),
        None,
    )
    if finding is None or state.home is None or state.wanted_tone_db is None or state.after_tone_db is None:
        return
    # too much of something is taken down where it is: nobody signs a boost of all the rest for it
    boosts = finding.what != "more"
    search = _search_of(state, plan, state.home, state.wanted_tone_db, state.after_tone_db, boosts=boosts)
    start_db = float(eq.rms_db(search.whole, search.task))
    lists = fewest(search.task, search.grid, search.is_home, most=MOST_TONE_MOVES)
    if not lists:
        plan.why.append(Remark(name="tone-is-normal" if search.is_home(search.whole) else "no-tone-change-helps"))
        return
    for count, changes in enumerate(lists, 1):
        levels_after_db = eq.band_levels_db(eq.applied(search.task.power, changes.changes))
        facts = {"count": float(count), "off_db": start_db, "off_after_db": changes.rms_db}
        plan.why.append(Remark(name="tone-home" if search.is_home(levels_after_db) else "tone-not-home", facts=facts))
    chosen, levels_after_db = _proved(search, plan, lists[-1])
    left_db = float(eq.rms_db(levels_after_db, search.task))
    if left_db > start_db - _FOR_SURE_DB:
        plan.why.append(Remark(name="no-tone-change-is-sure"))
        return
    deepest_db = max((_wide_cut_db(change) for change in chosen.changes), default=0.0)
    if deepest_db > MOST_WIDE_CUT_DB:
        plan.why.append(Remark(name="wide-cut", facts={"cut_db": deepest_db}))
        plan.left_over.append(Remark(name="other-sound", facts={"off_db": start_db}))
        return
    plan.predicted_db = levels_after_db
    _add_moves(search, plan, chosen, start_db)
    if not search.is_home(levels_after_db):
        plan.left_over.append(Remark(name="tone-stays", facts={"off_db": left_db}))


def _wide_cut_db(change: eq.Change) -> float:
    """Decibels by which a change turns octaves down, 0 for a boost, a narrow bell or a high-pass."""
    shape = change.after
    if shape.kind == "high-pass" or (shape.kind == "bell" and shape.q > _WIDE_Q):
        return 0.0
    return max(0.0, (change.before.gain_db if change.before else 0.0) - shape.gain_db)


def _add_moves(search: _ToneSearch, plan: Plan, chosen: eq.ChangeList, start_db: float) -> None:
    """Write the changes into the plan, what helps most first, so that stopping early still helps."""
    order: list[eq.Change] = []
    left = list(chosen.changes)
    while left:
        best = min(left, key=lambda change: search.rms_db([*order, change]))
        order.append(best)
        left.remove(best)
    for count, change in enumerate(order, 1):
        plan.moves.append(_tone_move(search.state, change, start_db, search.rms_db(order[:count]), plan.blocks))
    plan.blocks, new_blocks = with_changes(plan.blocks, order)
    plan.new_blocks += new_blocks


def _proved(search: _ToneSearch, plan: Plan, predicted: eq.ChangeList) -> tuple[eq.ChangeList, Array]:
    """Run the changes through the chain; where dynamics make something else of them, search again from what came out."""
    task = search.task
    before = eq.band_levels_db(search.as_is)
    best: tuple[float, eq.ChangeList, Array] | None = None
    chosen, shifted = predicted, task
    for _ in range(_ROUNDS):
        run = search.what_if.run(with_changes(plan.blocks, chosen.changes)[0])
        levels = search.whole + eq.band_levels_db(fine_power(run, search.state.sample_rate_hz)) - before
        off_rms_db = float(eq.rms_db(levels, task))
        if best is None or off_rms_db < best[0]:
            best = (off_rms_db, chosen, levels)
        foreseen = eq.band_levels_db(eq.applied(task.power, chosen.changes))
        miss = eq.off_db(levels, replace(task, wanted_db=foreseen))
        if float(np.sqrt((miss**2 * task.weight).sum() / max(float(task.weight.sum()), 1e-9))) < _AGREES_DB:
            break
        shifted = replace(shifted, wanted_db=shifted.wanted_db - miss)
        again = fewest(shifted, search.grid, lambda _levels: False, most=len(predicted.changes))
        if not again or again[-1].changes == chosen.changes:
            break
        chosen = again[-1]
    assert best is not None
    plan.why.append(Remark(name="tone-run", facts={"off_db": best[0]}))
    return best[1], best[2]


def _tone_move(
    state: SourceState, change: eq.Change, start_db: float, after_db: float, blocks: Sequence[ChainBlock]
) -> Move:
    """Move of one change of the equaliser."""
    after, before = change.after, change.before
    is_high_pass = after.kind == "high-pass"
    first_pass = is_high_pass and (
        change.index is None or not any(isinstance(block, HighPassBlock) for block in blocks[: change.index])
    )
    hearers = who_hears(after.kind, state.desk, first_high_pass=first_pass)
    settings = {
        "frequency": Setting(before=before.frequency_hz if before else None, after=after.frequency_hz, unit="Hz")
    }
    if is_high_pass:
        settings["slope"] = Setting(
            before=before.slope_db_per_octave if before else None, after=after.slope_db_per_octave, unit="dB/oct"
        )
    else:
        settings["gain"] = Setting(before=before.gain_db if before else None, after=after.gain_db, unit="dB")
        settings["q"] = Setting(before=before.q if before else None, after=after.q, unit="1")
    raises = not is_high_pass and after.gain_db > (before.gain_db if before else 0.0)
    action = "high-pass" if is_high_pass else "bell-or-shelf"
    return Move(
        where="channel",
        block=after.kind,
        index=None if change.index is None else state.index_of(blocks[change.index]),
        on="both",
        settings=settings,
        who_hears=hearers,
        action=action if before else f"new-{action}",
        facts={"off_db": start_db, "off_after_db": after_db},
        cautions=cautions(hearers, raises=raises, open_microphone=ROLES[state.source.role].open_microphone),
    )
