"""State of a source as moves are planned from it, and the plan as it grows."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from deskhand.house import BLOCKS, GainBlock, TrimBlock, make_block

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.baseline.predict import Predictive
    from deskhand.chain.nominal import NominalPoint
    from deskhand.findings import Finding
    from deskhand.house import ChainBlock, Desk, Source
    from deskhand.moves.move import Move

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
    level_dbfs: float | None = None
    """After the gain and trim of its chain, over the whole take."""
    nominal_dbfs: float = -18.0
    level_listen_db: float = 2.0
    """How far from nominal it may be."""
    nominal: NominalPoint | None = None
    """After the gain, trim and polarity that its chain holds already; None: there is nothing of them."""
    usual_balance_db: float = 0.0
    """By how much the chain raises the right against the left in the weeks that its usual balance comes from."""

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
    why: list[str] = field(default_factory=list)
    """Readings and trials behind the moves, in words, for whoever asks."""
    left_over: list[str] = field(default_factory=list)
    """Problems that the moves do not mend, in words."""
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


def behind_gains(blocks: Sequence[ChainBlock]) -> int:
    """Index of the first block that is no gain, polarity or delay: where a new equaliser begins."""
    return next((position for position, block in enumerate(blocks) if BLOCKS[block.block].group != "gain"), len(blocks))


def turn_gain(state: SourceState, plan: Plan, kind: str, on: str, change_db: float) -> tuple[int | None, float, float]:
    """Turn a gain in the plan's chain, or put a new one in.

    Returns
    -------
    (index, before_db, after_db)
        Its index in the house's chain, None for a new one, and what it was and is.
    """
    position = next(
        (
            number
            for number, block in enumerate(plan.blocks)
            if block.block == kind
            and getattr(block, "on", "both") == on
            and all(block is not turned for turned in state.turned)
        ),
        None,
    )
    earlier = state.before_tap(kind, on) if position is None and not BLOCKS[kind].at_preamp else None
    if earlier is not None:
        # the file's own gain is turned; the take does not hold the change yet
        file_index, written_db = earlier
        added = make_block({"block": kind, "gain": f"{change_db:g} dB", "on": on})
        plan.blocks.insert(0, added)
        plan.at_desk.append(added)
        return file_index, written_db, round(written_db + change_db, 4)
    before_db = plan.blocks[position].gain_db if position is not None else 0.0  # type: ignore[union-attr]
    after_db = round(before_db + change_db, 4)
    turned = make_block({"block": kind, "gain": f"{after_db:g} dB", "on": on})
    if position is not None:
        index = state.index_of(plan.blocks[position])
        plan.blocks[position] = turned
        return index, before_db, after_db
    # one side's behind what both have
    plan.blocks.insert(0 if on == "both" else behind_gains(plan.blocks), turned)
    # the preamp's change belongs to this moment: the next recording is made behind it
    (plan.at_desk if BLOCKS[kind].at_preamp else plan.new_blocks).append(turned)
    return None, before_db, after_db
