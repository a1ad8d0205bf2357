"""Makes room for the lead voice: who gives way, as moves at each source, proved by running the feed past the voice again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.house import BellBlock, CompressorBlock, HighShelfBlock, LowShelfBlock, MidSideBlock, changed
from deskhand.mix.bus import source_matrix
from deskhand.mix.clearance import WithMoves, hold_one
from deskhand.mix.voices import feed_strips, hold_feeds, hold_voice, measure_voices, spans_of
from deskhand.moves.equaliser import Change, Shape
from deskhand.moves.move import Move, Setting, signed, who_hears
from deskhand.moves.plan import Plan, with_changes
from deskhand.moves.space import BELL_QS, BELLS_HZ, Abilities, Bell, Giving, Other, Space, make_space
from deskhand.units import hertz, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import ChainBlock, Desk, Source
    from deskhand.measure.activity import Activity
    from deskhand.mix.clearance import Clearance, Held
    from deskhand.mix.clearance import Feed as HeldFeed
    from deskhand.mix.voices import FeedStrip
    from deskhand.moves.conduct import Taken

FEED_MONO_LOSS_DB: Final = -3.0
"""Room for the voice is not bought with more mono loss of the feed than this. Common practice, no source."""
_STEP_DB: Final = 0.5
_NEAR_PCT: Final = 1.0
_MANY: Final = 4
_LOWER_DB: Final = (-1.0, -2.0, -3.0, -4.0, -5.0, -6.0)
"""By how much the threshold of a pair's middle is tried lower."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feed:
    """What a check knows of the feed."""

    tracks: Mapping[str, tuple[int, ...]]
    """Source to its tracks, without the desk's own mix."""
    blocks: Mapping[str, Sequence[ChainBlock]]
    """Source to the blocks that were run."""
    lead: Clearance | None
    offset_db: float
    playing: Mapping[str, Activity]


def _in_steps(step_db: float) -> float:
    """A step of half a decibel, or the next that the knob has."""
    return step_db * max(1, round(_STEP_DB / step_db)) if step_db > 0 else _STEP_DB


def abilities(source: Source, desk: Desk, blocks: Sequence[ChainBlock], standing: Sequence[ChainBlock]) -> Abilities:
    """What can be turned at a source so that a voice is heard.

    Parameters
    ----------
    source : Source
    desk : Desk
    blocks : sequence of blocks
        Its chain with the moves so far.
    standing : sequence of blocks
        Its chain as it stands: what a move has changed already is not changed again.
    """
    equaliser = desk.equaliser
    pair = len(source.tracks) == 2
    there = [
        (at, block) for at, block in enumerate(blocks) if isinstance(block, BellBlock | LowShelfBlock | HighShelfBlock)
    ]
    bells = [
        Bell(frequency_hz=block.frequency_hz, q=block.q, index=at, gain_db=block.gain_db)
        for at, block in there
        if isinstance(block, BellBlock)
        and block.on == "both"
        and BELLS_HZ[0] <= block.frequency_hz <= BELLS_HZ[-1]
        and any(one is block for one in standing)
    ]
    if len(there) < equaliser.bells:
        qs = (
            sorted({min(equaliser.q, key=lambda have: abs(have - wanted)) for wanted in BELL_QS}) if equaliser.q else []
        )
        for on_middle in (False, True) if pair and equaliser.mid_side else (False,):
            bells += [Bell(frequency_hz=hz, q=q, on_middle=on_middle) for hz in BELLS_HZ for q in qs]
    return Abilities(
        fader=source.fader_db is not None,
        middle=pair and any(isinstance(block, MidSideBlock) for block in standing),
        bells=tuple(bells) if equaliser.gain_step_db > 0 else (),
        fader_step_db=_in_steps(desk.trim_step_db),
        bell_step_db=_in_steps(equaliser.gain_step_db),
    )


def make_way(taken: Taken, feed: Feed, planned: dict[str, Plan]) -> WithMoves | None:
    """Add what gives the lead voice room to the moves of each source, and prove it.

    Parameters
    ----------
    taken : Taken
    feed : Feed
    planned : dict
        Source to its moves so far; gains moves, and sources.

    Returns
    -------
    WithMoves or None
        None when nothing that is moved is heard with the voice.
    """
    lead = feed.lead
    if lead is None or lead.source not in feed.playing:
        return None
    covered = any(
        finding.kind == "vocal-covered" and finding.severity != "note"
        for finding in taken.findings.get(lead.source, ())
    )
    vocal = taken.house.vocal
    asked_pct = vocal.clearance_pct if vocal is not None and vocal.source == lead.source else None
    faders: dict[str, float] = {}
    heard = feed_strips(taken.house, feed.tracks, _blocks(feed, planned))
    if not covered and not any(planned[name].changed for name in planned if name in heard):
        return None
    found = None
    if covered:
        held = hold_voice(
            taken.recording,
            heard,
            feed.playing[lead.source],
            lead.source,
            offset_db=feed.offset_db,
            folder=taken.folder,
            threads=taken.threads,
        )
        found = make_space(
            held,
            _with_thresholds(taken, feed, heard, planned, _abilities(taken, heard, planned, lead.source), held),
            wanted_pct=lead.words.clear_pct if asked_pct is None else asked_pct,
            indexed=asked_pct is not None,
            mono_loss_limit_db=FEED_MONO_LOSS_DB,
        )
        if found is not None:
            faders = _add_moves(taken, planned, found)
    strips = _with_faders(feed_strips(taken.house, feed.tracks, _blocks(feed, planned)), faders)
    again = measure_voices(
        taken.recording,
        strips,
        feed.playing,
        [lead.source],
        offset_db=feed.offset_db,
        words={lead.source: lead.words},
        folder=taken.folder,
        threads=taken.threads,
        with_costs=False,
    )
    if not again:
        return None
    after = again[0]
    return WithMoves(
        clearance_pct=after.clearance_pct,
        audible_pct=after.audible_pct,
        wanted_pct=None if found is None else round(found.wanted_pct, 1),
        gives_way=() if found is None else tuple(found.giving),
        change_db=None if found is None else round(found.change_db, 2),
        plain_db=None if found is None or found.plain_db is None else round(found.plain_db, 2),
        text=_text(lead, after, found, indexed=asked_pct is not None, covered=covered),
    )


def _blocks(feed: Feed, planned: Mapping[str, Plan]) -> dict[str, Sequence[ChainBlock]]:
    return {**feed.blocks, **{name: one.blocks for name, one in planned.items() if one.changed}}


def _abilities(
    taken: Taken, heard: Mapping[str, FeedStrip], planned: Mapping[str, Plan], lead: str
) -> dict[str, Abilities]:
    out = {}
    for source in taken.house.source:
        if source.name == lead or source.name not in heard or source.name not in taken.blocks:
            continue
        plan = planned.get(source.name)
        # what arrives wrong is mended first: nothing is turned for it
        if plan is not None and any(move.where in ("rig", "patch") for move in plan.moves):
            continue
        standing = taken.blocks[source.name]
        blocks = plan.blocks if plan is not None else standing
        out[source.name] = abilities(source, taken.house.desk, blocks, standing)
    return out


def _middle_compressor(
    blocks: Sequence[ChainBlock], standing: Sequence[ChainBlock]
) -> tuple[int, CompressorBlock] | None:
    """The compressor of a pair's middle that may follow the voice: one of the standing chain, with no reduction asked of it."""
    return next(
        (
            (at, block)
            for at, block in enumerate(blocks)
            if isinstance(block, CompressorBlock)
            and block.detector == "mid-side"
            and block.reduction_db is None
            and any(one is block for one in standing)
        ),
        None,
    )


def _lowered(block: CompressorBlock, by_db: float) -> CompressorBlock:
    """Its middle's threshold lower; its sides' as it was."""
    side_dbfs = block.threshold_dbfs if block.side_threshold_dbfs is None else block.side_threshold_dbfs
    return changed(
        block, threshold_dbfs=round(block.threshold_dbfs + by_db, 4), side_threshold_dbfs=round(side_dbfs, 4)
    )


def _other(phrase: HeldFeed, name: str, offset_db: float) -> Other:
    noise, middle, side = hold_one(phrase, name, offset_db)
    return Other(noise=noise, middle=middle, side=side)


def _with_thresholds(
    taken: Taken,
    feed: Feed,
    heard: Mapping[str, FeedStrip],
    planned: Mapping[str, Plan],
    able: dict[str, Abilities],
    held: Sequence[Held],
) -> dict[str, Abilities]:
    """The abilities with what lowering the threshold of a pair's middle does, run on each phrase."""
    assert feed.lead is not None
    spans = spans_of(feed.playing[feed.lead.source])
    out = dict(able)
    for name, one in able.items():
        if len(heard[name].tracks) != 2:
            continue
        standing = taken.blocks[name]
        blocks = planned[name].blocks if name in planned else standing
        found = _middle_compressor(blocks, standing)
        if found is None:
            continue
        at, block = found
        thresholds: dict[float, list[Other]] = {}
        for by_db in _LOWER_DB:
            tried = [*blocks[:at], _lowered(block, by_db), *blocks[at + 1 :]]
            feeds = hold_feeds(
                taken.recording,
                {name: replace(heard[name], blocks=tuple(tried))},
                spans,
                folder=taken.folder,
                threads=taken.threads,
            )
            several = [_other(each, name, feed.offset_db) for each in feeds]
            # a chain that comes late enough to lose the last phrase of a take cannot be set against the others
            if [len(each.noise) for each in several] != [each.noise.shape[1] for each in held]:
                break
            thresholds[by_db] = several
        out[name] = replace(one, thresholds=thresholds)
    return out


def _with_faders(strips: Mapping[str, FeedStrip], faders: Mapping[str, float]) -> dict[str, FeedStrip]:
    """The strips with other faders, in decibels."""
    return {
        name: replace(strip, matrix=source_matrix(strip.matrix.shape[1], faders[name])) if name in faders else strip
        for name, strip in strips.items()
    }


def _add_moves(taken: Taken, planned: dict[str, Plan], found: Space) -> dict[str, float]:
    """Write who gives way into the plans; the faders as they are then."""
    faders = {}
    for name, giving in found.giving.items():
        source = next(one for one in taken.house.source if one.name == name)
        standing = list(taken.blocks[name])
        if name not in planned:
            planned[name] = Plan(blocks=list(standing), skipped=len(source.chain) - len(standing))
        plan = planned[name]
        plan.why.append(
            f"the voice is covered ({number(found.before_pct, 0)} % where {number(found.wanted_pct, 0)} % are wanted): "
            "of all ways to give it room, the least change over all sources"
        )
        if giving.bell is not None:
            _bell_move(taken.house.desk, plan, giving, giving.bell, standing)
        if giving.threshold_db:
            _threshold_move(taken.house.desk, plan, giving, standing)
        if giving.middle_db:
            _middle_move(taken.house.desk, plan, giving, standing)
        if giving.fader_db:
            old_db = source.fader_db or 0.0
            faders[name] = new_db = round(old_db + giving.fader_db, 4)
            plan.moves.append(
                Move(
                    where="fader",
                    block=None,
                    index=None,
                    on="both",
                    settings={"fader": Setting(before=old_db, after=new_db, unit="dB")},
                    effect=f"{signed(giving.fader_db)} of it in the feed, for the voice",
                    who_hears=("house", "stream"),
                    undo=f"fader back to {signed(old_db)}",
                    text=f"fader from {signed(old_db)} to {signed(new_db)}, to give the voice room",
                )
            )
    return faders


def _place(plan: Plan, block: ChainBlock, standing: Sequence[ChainBlock]) -> int:
    """Where a block of the standing chain lies in the house's chain."""
    return plan.skipped + next(place for place, one in enumerate(standing) if one is block)


def _bell_move(desk: Desk, plan: Plan, giving: Giving, bell: Bell, standing: Sequence[ChainBlock]) -> None:
    new_db = round(bell.gain_db + giving.bell_db, 4)
    shape = Shape(kind="bell", frequency_hz=bell.frequency_hz, gain_db=new_db, q=bell.q)
    told, was = (
        f"{signed(gain_db)} at {hertz(bell.frequency_hz, 2)}, Q {number(bell.q, 2)}"
        for gain_db in (new_db, bell.gain_db)
    )
    if bell.index is None:
        plan.blocks, made = with_changes(plan.blocks, [Change(index=None, before=None, after=shape)])
        if bell.on_middle:
            at = next(place for place, one in enumerate(plan.blocks) if one is made[0])
            made = [changed(made[0], on="mid")]
            plan.blocks[at] = made[0]
        plan.made += made
        index = None
        settings = {
            "frequency": Setting(before=None, after=bell.frequency_hz, unit="Hz"),
            "gain": Setting(before=None, after=new_db, unit="dB"),
            "q": Setting(before=None, after=bell.q, unit="1"),
        }
        undo, text = "take it out", f"new bell{' on its middle' if bell.on_middle else ''}: {told}"
    else:
        block = plan.blocks[bell.index]
        plan.blocks[bell.index] = changed(block, gain_db=new_db)
        index = _place(plan, block, standing)
        settings = {"gain": Setting(before=bell.gain_db, after=new_db, unit="dB")}
        undo, text = f"set it back to {was}", f"bell from {was} to {told}"
    plan.moves.append(
        Move(
            where="channel",
            block="bell",
            index=index,
            on="mid" if bell.on_middle else "both",
            settings=settings,
            effect=f"{signed(giving.bell_db)} around {hertz(bell.frequency_hz, 2)}, for the voice",
            who_hears=who_hears("bell", desk),
            undo=undo,
            text=f"{text}, to give the voice room",
        )
    )


def _middle_move(desk: Desk, plan: Plan, giving: Giving, standing: Sequence[ChainBlock]) -> None:
    at, block = next((at, one) for at, one in enumerate(plan.blocks) if isinstance(one, MidSideBlock))
    new_db = round(block.mid_db + giving.middle_db, 4)
    plan.blocks[at] = changed(block, mid_db=new_db)
    plan.moves.append(
        Move(
            where="channel",
            block="mid-side",
            index=_place(plan, block, standing),
            on="both",
            settings={"mid": Setting(before=block.mid_db, after=new_db, unit="dB")},
            effect=f"{signed(giving.middle_db)} of its middle, for the voice; its sides stay",
            who_hears=who_hears("mid-side", desk),
            undo=f"its middle back to {signed(block.mid_db)}",
            text=f"its middle from {signed(block.mid_db)} to {signed(new_db)}, to give the voice room",
        )
    )


def _threshold_move(desk: Desk, plan: Plan, giving: Giving, standing: Sequence[ChainBlock]) -> None:
    found = _middle_compressor(plan.blocks, standing)
    assert found is not None
    at, block = found
    lower = plan.blocks[at] = _lowered(block, giving.threshold_db)
    settings = {"threshold": Setting(before=block.threshold_dbfs, after=lower.threshold_dbfs, unit="dBFS")}
    if block.side_threshold_dbfs is None:
        # the sides had the middle's: they keep it
        assert lower.side_threshold_dbfs is not None
        settings["side_threshold"] = Setting(before=None, after=lower.side_threshold_dbfs, unit="dBFS")
    plan.moves.append(
        Move(
            where="channel",
            block="compressor",
            index=_place(plan, block, standing),
            on=block.on,
            settings=settings,
            effect="its middle gives way while it is loud, for the voice; its sides stay",
            who_hears=who_hears("compressor", desk),
            undo=f"its middle's threshold back to {number(block.threshold_dbfs, 1)} dBFS",
            text=f"threshold of its middle's compressor from {number(block.threshold_dbfs, 1)} to "
            f"{number(lower.threshold_dbfs, 1)} dBFS, to give the voice room",
        )
    )


def _text(lead: Clearance, after: Clearance, found: Space | None, *, indexed: bool, covered: bool) -> str:
    """What comes of the moves, in words."""
    before_pct, after_pct = ((one.clearance_pct.mono, one.audible_pct.mono)[not indexed] for one in (lead, after))
    change = f"from {number(before_pct, 0)} to {number(after_pct, 0)} %"
    told = f"speech intelligibility index {change}" if indexed else f"{change} audible"
    if found is None:
        if covered:
            return f"{told}; nothing more can be turned down for it"
        return told
    who = ", ".join(found.giving)
    # many hands for one fader: what everybody would do is said too
    alike_db = None if found.plain_db is None or not found.sounding else found.plain_db / found.sounding
    simpler = (
        f" (or, simpler: everything else down by {number(alike_db, 1)} dB together)"
        if alike_db is not None and len(found.giving) > _MANY
        else ""
    )
    reached = after_pct >= found.wanted_pct - _NEAR_PCT
    rest = (
        ""
        if reached
        else f"; {number(found.wanted_pct, 0)} % is not reached: the stage is too loud for it, or too many play at once"
    )
    loss = (
        ""
        if found.mono_loss_after_db > found.mono_loss_before_db - 0.3
        else f"; in mono the feed loses {number(-found.mono_loss_after_db, 1)} dB, where it was {number(-found.mono_loss_before_db, 1)}"
    )
    return f"{told} when {who} {'give' if len(found.giving) > 1 else 'gives'} way{simpler}{rest}{loss}"
