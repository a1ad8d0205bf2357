"""State of a source as moves are planned from it, and the plan as it grows."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from deskhand.house import BLOCKS, GainBlock, TrimBlock, make_block
from deskhand.moves.move import Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.baseline.predict import Predictive
    from deskhand.chain.nominal import NominalPoint
    from deskhand.findings import Finding
    from deskhand.house import ChainBlock, Desk, Source
    from deskhand.moves.move import Move, Remark

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceState:
    """A source as it is, and where it should be."""

    source: Source
    desk: Desk
    blocks: Sequence[ChainBlock]
    """Of its chain, those that lie after the tap."""
    skipped: int
    """How many blocks of the house's chain lie before the tap."""
    turned: Sequence[ChainBlock] = ()
    """Blocks that `blocks` begins with and no file holds: what was turned before the tap since the take was recorded."""
    excerpt: NDArray[np.float32]
    """(channels, frames) at the tap."""
    playing: NDArray[np.bool_]
    """(steps,) whether it plays in each 100 ms of the excerpt."""
    sample_rate_hz: int
    folder: Path | None
    findings: Sequence[Finding]
    before_tone_db: dict[str, float] | None
    """At the tap, over the whole take."""
    after_tone_db: dict[str, float] | None
    """After the chain, over the whole take; of the tap when there is no chain."""
    home: Predictive | None
    """Where the tone after the chain should be."""
    wanted_tone_db: Array | None
    """(31,) third-octave levels after the chain in the kept takes."""
    line_check: bool
    nominal_at: Callable[[Sequence[ChainBlock]], NominalPoint]
    """From a chain after the tap to the level and peaks behind its gains, over the whole take."""
    nominal_dbfs: float | None = -18.0
    """Level that it should have there; None where no level is judged."""
    level_listen_db: float = 2.0
    """How far from nominal it may be."""
    usual_balance_db: float = 0.0
    """By how much the chain raises the right against the left in the weeks that its usual balance comes from."""
    usual_fader_db: float | None = None
    """Its fader in the standing house file, where this week has a file of its own."""

    def index_of(self, block: ChainBlock) -> int | None:
        """Index of a block in the house's chain as it stands, by identity: moves may have put blocks in front of it."""
        following = self.blocks[len(self.turned) :]
        return next((position + self.skipped for position, standing in enumerate(following) if standing is block), None)

    def before_tap(self, kind: str, on: str) -> tuple[int, float] | None:
        """Index and gain of the house chain's gain of a kind that lies before the tap; None where there is none."""
        following = self.blocks[len(self.turned) :]
        return next(
            (
                (index, block.gain_db)
                for index, block in enumerate(self.source.chain)
                if isinstance(block, GainBlock | TrimBlock)
                and (block.block, block.on) == (kind, on)
                and all(block is not known for known in following)
            ),
            None,
        )

    def serious(self) -> dict[str, Finding]:
        """First finding of each kind that is more than a note."""
        by_kind: dict[str, Finding] = {}
        for finding in self.findings:
            if finding.severity != "note":
                by_kind.setdefault(finding.kind, finding)
        return by_kind


@dataclass(slots=True, kw_only=True)
class Plan:
    """Moves of a source, its chain with them, and the reasoning."""

    moves: list[Move] = field(default_factory=list)
    blocks: list[ChainBlock] = field(default_factory=list)
    """Its chain after the tap, with the moves."""
    new_blocks: list[ChainBlock] = field(default_factory=list)
    """Of those, the new ones that are saved, in the order of the moves that add them."""
    at_desk: list[ChainBlock] = field(default_factory=list)
    """Of those, the ones that no file holds: turned at the desk before the tap, or to be turned there."""
    skipped: int = 0
    """How many blocks of the house's chain lie before the tap."""
    why: list[Remark | str] = field(default_factory=list)
    """Readings and trials behind the moves, for whoever asks; a string is in words already."""
    left_over: list[Remark | str] = field(default_factory=list)
    """Problems that the moves do not mend."""
    answers: dict[str, tuple[str, float]] = field(default_factory=dict)
    """Id of a finding to the block and the change in dB that answer it: both say one number."""
    set_again: bool = False
    """Whether its fader and its sends are set again by ear, behind a preamp that comes down by more than the recording tells."""
    predicted_db: Array | None = None
    """(31,) third-octave levels after the chain as the moves should leave them."""

    def with_ids(self, source: str) -> list[Move]:
        """Moves with their ids (the source and what is turned, and a number where there are several) and the places of new blocks."""
        saved = [block for block in self.blocks if all(block is not unsaved for unsaved in self.at_desk)]
        places = iter(
            self.skipped + next(position for position, block in enumerate(saved) if block is new)
            for new in self.new_blocks
        )
        counts: Counter[str] = Counter()
        moves = []
        for move in self.moves:
            side = "" if move.on == "both" else f"-{move.on}"
            control = str(move.facts["finding"]).rpartition("/")[2] if "finding" in move.facts else move.control
            name = f"{source}/{control}{side}"
            counts[name] += 1
            number = f"-{counts[name]}" if counts[name] > 1 else ""
            position = next(places) if move.adds_block else None
            moves.append(replace(move, id=f"{name}{number}", place=position))
        return moves

    @property
    def changed(self) -> bool:
        """True where the chain is another one."""
        return any(move.block is not None for move in self.moves)

    @property
    def at_source(self) -> bool:
        """True where what arrives is not what should, and hands go to the rig or the patch first."""
        return any(move.where in ("rig", "patch") for move in self.moves)

    @property
    def own_input_first(self) -> bool:
        """True where nothing is turned for it, or at it for another, before what arrives is right."""
        return self.at_source or self.set_again


def equaliser_position(blocks: Sequence[ChainBlock]) -> int:
    """Index of the first block that is no gain, polarity or delay: where a new equaliser begins."""
    return next((position for position, block in enumerate(blocks) if BLOCKS[block.block].group != "gain"), len(blocks))


def turn_gain(state: SourceState, plan: Plan, kind: str, on: str, change_db: float) -> None:
    """Turn a gain in the plan's chain, by as much more where it is turned already, or put a new one in."""
    position = _position(plan.blocks, kind, on, state.turned)
    before_db = _gain_db(plan.blocks, position)
    turned = make_block({"block": kind, "gain": f"{round(before_db + change_db, 4):g} dB", "on": on})
    if position is not None:
        before = plan.blocks[position]
        plan.blocks[position] = turned
        for blocks in (plan.at_desk, plan.new_blocks):
            blocks[:] = [turned if block is before else block for block in blocks]
        return
    # one side's behind what both have
    plan.blocks.insert(0 if on == "both" else equaliser_position(plan.blocks), turned)
    # a preamp's change belongs to this moment: the next recording is made behind it; a gain before the tap is the file's own, which is
    # turned there, while the take does not hold the change yet
    unsaved = BLOCKS[kind].at_preamp or state.before_tap(kind, on) is not None
    (plan.at_desk if unsaved else plan.new_blocks).append(turned)


def turned_gain(state: SourceState, plan: Plan, kind: str, on: str) -> tuple[int | None, Setting]:
    """Index of a gain in the house's chain, None for a new one, and its setting from and to."""
    position = _position(state.blocks, kind, on, state.turned)
    after_db = _gain_db(plan.blocks, _position(plan.blocks, kind, on, state.turned))
    if position is not None:
        index = state.index_of(state.blocks[position])
        return index, Setting(before=_gain_db(state.blocks, position), after=after_db, unit="dB")
    earlier = None if BLOCKS[kind].at_preamp else state.before_tap(kind, on)
    if earlier is not None:
        index, written_db = earlier
        return index, Setting(before=written_db, after=round(written_db + after_db, 4), unit="dB")
    return None, Setting(before=0.0 if on == "both" else None, after=after_db, unit="dB")


def _position(blocks: Sequence[ChainBlock], kind: str, on: str, turned: Sequence[ChainBlock]) -> int | None:
    """Index of the first gain of a kind on these sides, without those that no file holds."""
    return next(
        (
            number
            for number, block in enumerate(blocks)
            if block.block == kind
            and getattr(block, "on", "both") == on
            and all(block is not unsaved for unsaved in turned)
        ),
        None,
    )


def _gain_db(blocks: Sequence[ChainBlock], position: int | None) -> float:
    """Gain of a block; 0 where there is none."""
    return 0.0 if position is None else float(blocks[position].gain_db)  # type: ignore[union-attr]
