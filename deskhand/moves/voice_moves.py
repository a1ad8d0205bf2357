"""Moves that give a voice room, written into the plans of those that give way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.house import CompressorBlock, MidSideBlock, changed
from deskhand.moves.equaliser import Change, Shape
from deskhand.moves.move import Move, Setting, who_hears
from deskhand.moves.state import Plan
from deskhand.moves.tone import with_changes
from deskhand.units import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import ChainBlock, Desk
    from deskhand.moves.conduct import PlanningInput
    from deskhand.moves.giving import Bell, Giving
    from deskhand.moves.space import Space


def middle_compressor(
    blocks: Sequence[ChainBlock], standing: Sequence[ChainBlock]
) -> tuple[int, CompressorBlock] | None:
    """Compressor of a pair's middle that may follow the voice: one of the standing chain, with no reduction asked of it."""
    return next(
        (
            (position, block)
            for position, block in enumerate(blocks)
            if isinstance(block, CompressorBlock)
            and block.detector == "mid-side"
            and block.reduction_db is None
            and any(known is block for known in standing)
        ),
        None,
    )


def lowered(block: CompressorBlock, by_db: float) -> CompressorBlock:
    """Compressor with its middle's threshold lower, and its sides' as it was."""
    side_dbfs = block.threshold_dbfs if block.side_threshold_dbfs is None else block.side_threshold_dbfs
    return changed(
        block, threshold_dbfs=round(block.threshold_dbfs + by_db, 4), side_threshold_dbfs=round(side_dbfs, 4)
    )


def add_moves(planning: PlanningInput, planned: dict[str, Plan], space: Space) -> dict[str, float]:
    """Write who gives way into the plans.

    Returns
    -------
    dict
        Source to its fader in decibels, for those whose fader moves.
    """
    desk = planning.house.desk
    faders = {}
    for name, giving in space.giving.items():
        source = next(source for source in planning.house.source if source.name == name)
        standing = list(planning.blocks[name])
        if name not in planned:
            turned = planning.turned.get(name, ())
            planned[name] = Plan(
                blocks=list(standing),
                at_desk=list(turned),
                skipped=len(source.chain) - (len(standing) - len(turned)),
            )
        plan = planned[name]
        plan.why.append(
            f"the voice is covered ({number(space.before_pct, 0)} % where {number(space.wanted_pct, 0)} % are wanted): "
            "of all ways to give it room, the least change over all sources"
        )
        if giving.bell is not None:
            _add_bell(desk, plan, giving, giving.bell, standing)
        if giving.threshold_db:
            _add_threshold(desk, plan, giving, standing)
        if giving.middle_db:
            _add_middle(desk, plan, giving, standing)
        if giving.fader_db:
            before_db = source.fader_db or 0.0
            faders[name] = after_db = round(before_db + giving.fader_db, 4)
            plan.moves.append(
                Move(
                    where="fader",
                    block=None,
                    index=None,
                    on="both",
                    settings={"fader": Setting(before=before_db, after=after_db, unit="dB")},
                    who_hears=("house", "stream"),
                    action="room-by-fader",
                    facts={"change_db": giving.fader_db},
                )
            )
    return faders


def _index(plan: Plan, block: ChainBlock, standing: Sequence[ChainBlock]) -> int:
    """Index of a block of the standing chain in the house's chain."""
    written = [known for known in standing if all(known is not unwritten for unwritten in plan.at_desk)]
    return plan.skipped + next(position for position, known in enumerate(written) if known is block)


def _add_bell(desk: Desk, plan: Plan, giving: Giving, bell: Bell, standing: Sequence[ChainBlock]) -> None:
    """Write a bell into the plan: a new one, or one that is there deeper."""
    after_db = round(bell.gain_db + giving.bell_db, 4)
    index = None
    if bell.index is None:
        shape = Shape(kind="bell", frequency_hz=bell.frequency_hz, gain_db=after_db, q=bell.q)
        plan.blocks, new_blocks = with_changes(plan.blocks, [Change(index=None, before=None, after=shape)])
        if bell.on_middle:
            position = next(number for number, block in enumerate(plan.blocks) if block is new_blocks[0])
            new_blocks = [changed(new_blocks[0], on="mid")]
            plan.blocks[position] = new_blocks[0]
        plan.new_blocks += new_blocks
        settings = {
            "frequency": Setting(before=None, after=bell.frequency_hz, unit="Hz"),
            "gain": Setting(before=None, after=after_db, unit="dB"),
            "q": Setting(before=None, after=bell.q, unit="1"),
        }
        action = "room-by-new-bell-on-middle" if bell.on_middle else "room-by-new-bell"
    else:
        block = plan.blocks[bell.index]
        plan.blocks[bell.index] = changed(block, gain_db=after_db)
        index = _index(plan, block, standing)
        settings = {"gain": Setting(before=bell.gain_db, after=after_db, unit="dB")}
        action = "room-by-bell"
    plan.moves.append(
        Move(
            where="channel",
            block="bell",
            index=index,
            on="mid" if bell.on_middle else "both",
            settings=settings,
            who_hears=who_hears("bell", desk),
            action=action,
            facts={"change_db": giving.bell_db, "frequency_hz": bell.frequency_hz, "q": bell.q},
        )
    )


def _add_middle(desk: Desk, plan: Plan, giving: Giving, standing: Sequence[ChainBlock]) -> None:
    """Write a lower middle of a pair into the plan."""
    position, block = next(
        (position, block) for position, block in enumerate(plan.blocks) if isinstance(block, MidSideBlock)
    )
    after_db = round(block.mid_db + giving.middle_db, 4)
    plan.blocks[position] = changed(block, mid_db=after_db)
    plan.moves.append(
        Move(
            where="channel",
            block=block.block,
            index=_index(plan, block, standing),
            on="both",
            settings={"mid": Setting(before=block.mid_db, after=after_db, unit="dB")},
            who_hears=who_hears(block.block, desk),
            action="room-by-middle",
            facts={"change_db": giving.middle_db},
        )
    )


def _add_threshold(desk: Desk, plan: Plan, giving: Giving, standing: Sequence[ChainBlock]) -> None:
    """Write a lower threshold of a pair's middle into the plan."""
    compressor = middle_compressor(plan.blocks, standing)
    assert compressor is not None
    position, block = compressor
    lower = plan.blocks[position] = lowered(block, giving.threshold_db)
    settings = {"threshold": Setting(before=block.threshold_dbfs, after=lower.threshold_dbfs, unit="dBFS")}
    if block.side_threshold_dbfs is None:
        # the sides had the middle's: they keep it
        assert lower.side_threshold_dbfs is not None
        settings["side_threshold"] = Setting(before=None, after=lower.side_threshold_dbfs, unit="dBFS")
    plan.moves.append(
        Move(
            where="channel",
            block=block.block,
            index=_index(plan, block, standing),
            on=block.on,
            settings=settings,
            who_hears=who_hears(block.block, desk),
            action="room-by-threshold-of-middle",
        )
    )
