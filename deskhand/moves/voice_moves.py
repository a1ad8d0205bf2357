"""Moves that give a voice room, written into the plans of those that give way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.house import ROLES, CompressorBlock, MidSideBlock, changed
from deskhand.moves.equaliser import Change, Shape
from deskhand.moves.move import Move, Setting, cautions, who_hears
from deskhand.moves.state import Plan
from deskhand.moves.text import sentence
from deskhand.moves.tone import with_changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import ChainBlock, Desk, HouseFile, Source
    from deskhand.moves.conduct import PlanningInput
    from deskhand.moves.giving import Bell, Giving
    from deskhand.moves.move import Hearer
    from deskhand.moves.space import Hand, Space
    from deskhand.moves.voice_limits import VoiceLimit

_FADER_ACTIONS: Final = {
    "back": "room-by-going-back", "voice": "room-by-own-fader", "fader": "room-by-fader", "group": "room-by-group",
}  # fmt: skip
"""Name of the sentences of a fader's move, by the kind of hand."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceRoom:
    """Room for a voice: the hands that make it, and how far its own fader may go up."""

    space: Space | None
    """None where nothing helps, or nothing is missing."""
    limit: VoiceLimit
    wanted_pct: float
    indexed: bool
    """True where the house asks for an index, not a share of what is audible."""


def planned_fader_db(source: Source, plan: Plan | None) -> float:
    """Fader of a source with the moves so far, in dB."""
    moves = [] if plan is None else plan.moves
    return next(
        (move.settings["fader"].after for move in reversed(moves) if "fader" in move.settings), source.fader_db or 0.0
    )


def faders_db(house: HouseFile, planned: Mapping[str, Plan]) -> dict[str, float]:
    """Source to its fader in decibels, for those whose fader is moved."""
    return {
        source.name: planned_fader_db(source, planned[source.name])
        for source in house.source
        if source.name in planned and any("fader" in move.settings for move in planned[source.name].moves)
    }


def add_moves(planning: PlanningInput, planned: dict[str, Plan], room: VoiceRoom, lead: str) -> None:
    """Write the hands that make room for the lead voice into the plans of the sources they are at."""
    space = room.space
    assert space is not None
    by_name = {source.name: source for source in planning.house.source}
    facts = {"before_pct": space.before_pct, "wanted_pct": space.wanted_pct}
    scale = "index" if room.indexed else "share"
    for hand in space.hands:
        for name in (lead,) if hand.kind == "voice" else hand.sources:
            source = by_name[name]
            standing = list(planning.blocks.get(name, ()))
            plan = planned.setdefault(name, _fresh_plan(planning, source, standing))
            plan.why.append(sentence("why", f"covered-by-{scale}", facts))
            plan.why.append(sentence("why", hand.kind, {"change_db": hand.change_db, "group": hand.group}))
            if hand.kind == "voice":
                plan.why.append(sentence("why", f"limit-{room.limit.reason}", {"up_db": room.limit.up_db}))
            _add_hand(planning.house.desk, plan, hand, source, standing)


def add_following(house: HouseFile, planned: Mapping[str, Plan], rises_db: Mapping[str, float]) -> None:
    """Write the faders that are set again by ear into the plans, behind the preamps that came down: what is written is what the next take is heard with.

    Parameters
    ----------
    house : HouseFile
    planned : mapping
        Source to its moves so far; those of the sources that are named gain one.
    rises_db : mapping
        Source to the rise of its fader in dB.
    """
    for source in house.source:
        up_db = rises_db.get(source.name, 0.0)
        if up_db:
            _add_fader(planned[source.name], up_db, source, action="fader-again")


def leave_levels(planning: PlanningInput, planned: dict[str, Plan], unused: Sequence[str]) -> None:
    """Take the moves out of the plans of microphones that nobody uses: what they pick up tells nothing of how they should be set."""
    by_name = {source.name: source for source in planning.house.source}
    for name in unused:
        if name in planned and planned[name].changed and not planned[name].at_source:
            planned[name] = _fresh_plan(planning, by_name[name], planning.blocks.get(name, ()))
            planned[name].left_over.append(sentence("why", "unused", {}))


def _fresh_plan(planning: PlanningInput, source: Source, standing: Sequence[ChainBlock]) -> Plan:
    """Plan of a source that nothing is planned for yet."""
    turned = planning.turned.get(source.name, ())
    return Plan(
        blocks=list(standing),
        at_desk=list(turned),
        skipped=len(source.chain) - (len(standing) - len(turned)),
    )


def _add_hand(desk: Desk, plan: Plan, hand: Hand, source: Source, standing: Sequence[ChainBlock]) -> None:
    """Write one hand into the plan of a source."""
    giving = hand.giving
    if hand.kind == "bell" and giving.bell is not None:
        _add_bell(desk, plan, giving, giving.bell, standing)
    elif hand.kind == "threshold":
        _add_threshold(desk, plan, giving, standing)
    elif hand.kind == "middle":
        _add_middle(desk, plan, giving, standing)
    elif hand.kind == "mute":
        _add_mute(plan, source)
    else:
        _add_fader(plan, hand.change_db, source, action=_FADER_ACTIONS[hand.kind], group=hand.group)


def _fader_hearers(source: Source) -> tuple[Hearer, ...]:
    """Hearers of a fader: the house and its stream, and the players where a send of theirs is after it."""
    follows = any(send.after_fader and send.mix not in source.effects for send in source.send)
    return ("house", "monitors", "stream") if follows else ("house", "stream")


def _add_fader(plan: Plan, change_db: float, source: Source, *, action: str, group: str = "") -> None:
    """Write a moved fader into the plan."""
    before_db = planned_fader_db(source, plan)
    hearers = _fader_hearers(source)
    plan.moves.append(
        Move(
            where="fader",
            block=None,
            index=None,
            on="both",
            settings={"fader": Setting(before=before_db, after=round(before_db + change_db, 4), unit="dB")},
            who_hears=hearers,
            action=action,
            facts={"change_db": change_db, "group": group},
            cautions=cautions(hearers, raises=change_db > 0, open_microphone=ROLES[source.role].open_microphone),
        )
    )


def _add_mute(plan: Plan, source: Source) -> None:
    """Write a mute for the songs into the plan."""
    plan.moves.append(
        Move(
            where="fader",
            block=None,
            index=None,
            on="both",
            settings={"mute": Setting(before=0.0, after=1.0, unit="1")},
            who_hears=_fader_hearers(source),
            action="room-by-mute-of-speech" if ROLES[source.role].speaks else "room-by-mute",
        )
    )


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
