"""Makes room for the lead voice: who gives way, as moves at each source, proved by running the feed past the voice again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.findings import KINDS
from deskhand.house import BellBlock, HighShelfBlock, LowShelfBlock, MidSideBlock
from deskhand.mix.bus import source_matrix
from deskhand.mix.clearance import ClearanceWithMoves, hold_source
from deskhand.mix.voices import feed_strips, hold_feeds, hold_voice, measure_voices, spans_of
from deskhand.moves.giving import BELL_QS, BELLS_HZ, STEP_DB, Abilities, Bell, PhraseOfSource
from deskhand.moves.space import Space, make_space
from deskhand.moves.voice_moves import add_moves, lowered, middle_compressor
from deskhand.units import number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import ChainBlock, Desk, Source
    from deskhand.measure.activity import Activity
    from deskhand.mix.clearance import Clearance, TrialPhrase
    from deskhand.mix.clearance import FeedEnergies as HeldFeed
    from deskhand.mix.voices import FeedStrip
    from deskhand.moves.conduct import PlanningInput
    from deskhand.moves.state import Plan

FEED_MONO_LOSS_DB: Final = -3.0
"""Room for the voice is not bought with more mono loss of the feed than this. Common practice, no source."""
_NEAR_PCT: Final = 1.0
"""Clearance run again that may be missing: a percent is what is shown. Arithmetic."""
_MANY: Final = 4
"""Sources that give way from which a simpler way is named. Common practice, no source."""
_LOST_DB: Final = 0.3
"""Mono loss that is named: less is not heard. Common practice, no source."""
_LOWER_DB: Final = (-1.0, -2.0, -3.0, -4.0, -5.0, -6.0)
"""Changes of the threshold of a pair's middle that are tried. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VoiceFeed:
    """Feed that the lead voice is heard in."""

    tracks: Mapping[str, tuple[int, ...]]
    """Source to its tracks, without the desk's own mix."""
    blocks: Mapping[str, Sequence[ChainBlock]]
    """Source to the blocks that were run."""
    lead: Clearance | None
    offset_db: float
    """Sound pressure level in dB of a feed with a mean square of 1."""
    playing: Mapping[str, Activity]


def _in_steps(step_db: float) -> float:
    """A step of half a decibel, or the next that the knob has."""
    return step_db * max(1, round(STEP_DB / step_db)) if step_db > 0 else STEP_DB


def abilities(source: Source, desk: Desk, blocks: Sequence[ChainBlock], standing: Sequence[ChainBlock]) -> Abilities:
    """Knobs that can be turned at a source so that a voice is heard.

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
    in_use = [
        (position, block)
        for position, block in enumerate(blocks)
        if isinstance(block, BellBlock | LowShelfBlock | HighShelfBlock)
    ]
    bells = [
        Bell(frequency_hz=block.frequency_hz, q=block.q, index=position, gain_db=block.gain_db)
        for position, block in in_use
        if isinstance(block, BellBlock)
        and block.on == "both"
        and BELLS_HZ[0] <= block.frequency_hz <= BELLS_HZ[-1]
        and any(known is block for known in standing)
    ]
    if len(in_use) < equaliser.bells:
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


def make_way(planning: PlanningInput, feed: VoiceFeed, planned: dict[str, Plan]) -> ClearanceWithMoves | None:
    """Add what gives the lead voice room to the moves of each source, and prove it.

    Parameters
    ----------
    planning : PlanningInput
    feed : VoiceFeed
    planned : dict
        Source to its moves so far; gains moves, and sources.

    Returns
    -------
    ClearanceWithMoves or None
        None when nothing that is moved is heard with the voice.
    """
    lead = feed.lead
    if lead is None or lead.source not in feed.playing:
        return None
    covered = any(
        KINDS[finding.kind].answered_by == "room for the voice" and finding.severity != "note"
        for finding in planning.findings.get(lead.source, ())
    )
    vocal = planning.house.vocal
    asked_pct = vocal.clearance_pct if vocal is not None and vocal.source == lead.source else None
    strips = feed_strips(planning.house, feed.tracks, _blocks(feed, planned))
    if not covered and not any(planned[name].changed for name in planned if name in strips):
        return None
    space = _space(planning, feed, strips, planned, lead, asked_pct) if covered else None
    faders = {} if space is None else add_moves(planning, planned, space)
    strips = strips_with_faders(feed_strips(planning.house, feed.tracks, _blocks(feed, planned)), faders)
    again = measure_voices(
        planning.recording,
        strips,
        feed.playing,
        [lead.source],
        offset_db=feed.offset_db,
        words={lead.source: lead.words},
        folder=planning.folder,
        threads=planning.threads,
        with_costs=False,
    )
    if not again:
        return None
    after = again[0]
    return ClearanceWithMoves(
        clearance_pct=after.clearance_pct,
        audible_pct=after.audible_pct,
        wanted_pct=None if space is None else round(space.wanted_pct, 1),
        gives_way=() if space is None else tuple(space.giving),
        change_db=None if space is None else round(space.change_db, 2),
        plain_db=None if space is None or space.plain_db is None else round(space.plain_db, 2),
        text=_text(lead, after, space, indexed=asked_pct is not None, covered=covered),
    )


def _space(
    planning: PlanningInput,
    feed: VoiceFeed,
    strips: Mapping[str, FeedStrip],
    planned: Mapping[str, Plan],
    lead: Clearance,
    asked_pct: float | None,
) -> Space | None:
    """Least change of all others that makes the lead voice as clear as wanted."""
    held = hold_voice(
        planning.recording,
        strips,
        feed.playing[lead.source],
        lead.source,
        offset_db=feed.offset_db,
        folder=planning.folder,
        threads=planning.threads,
    )
    able = _abilities(planning, strips, planned, lead.source)
    return make_space(
        held,
        _with_thresholds(planning, feed, strips, planned, able, held),
        wanted_pct=lead.words.clear_pct if asked_pct is None else asked_pct,
        indexed=asked_pct is not None,
        mono_loss_limit_db=FEED_MONO_LOSS_DB,
    )


def _blocks(feed: VoiceFeed, planned: Mapping[str, Plan]) -> dict[str, Sequence[ChainBlock]]:
    """Source to the blocks that are run, with the moves so far."""
    return {**feed.blocks, **{name: plan.blocks for name, plan in planned.items() if plan.changed}}


def _abilities(
    planning: PlanningInput, strips: Mapping[str, FeedStrip], planned: Mapping[str, Plan], lead: str
) -> dict[str, Abilities]:
    """Source to its knobs, for those heard beside the voice."""
    able = {}
    for source in planning.house.source:
        if source.name == lead or source.name not in strips or source.name not in planning.blocks:
            continue
        plan = planned.get(source.name)
        # what arrives wrong is mended first: nothing is turned for it
        if plan is not None and plan.at_source:
            continue
        standing = planning.blocks[source.name]
        blocks = plan.blocks if plan is not None else standing
        able[source.name] = abilities(source, planning.house.desk, blocks, standing)
    return able


def _phrase_of(phrase: HeldFeed, name: str, offset_db: float) -> PhraseOfSource:
    """Source in one phrase."""
    noise, middle, side = hold_source(phrase, name, offset_db)
    return PhraseOfSource(noise=noise, middle=middle, side=side)


def _with_thresholds(
    planning: PlanningInput,
    feed: VoiceFeed,
    strips: Mapping[str, FeedStrip],
    planned: Mapping[str, Plan],
    able: dict[str, Abilities],
    held: Sequence[TrialPhrase],
) -> dict[str, Abilities]:
    """Abilities with what lowering the threshold of a pair's middle does, run on each phrase."""
    assert feed.lead is not None
    spans = spans_of(feed.playing[feed.lead.source])
    with_thresholds = dict(able)
    for name, knobs in able.items():
        if len(strips[name].tracks) != 2:
            continue
        standing = planning.blocks[name]
        blocks = planned[name].blocks if name in planned else standing
        compressor = middle_compressor(blocks, standing)
        if compressor is None:
            continue
        position, block = compressor
        thresholds: dict[float, list[PhraseOfSource]] = {}
        for by_db in _LOWER_DB:
            tried = [*blocks[:position], lowered(block, by_db), *blocks[position + 1 :]]
            feeds = hold_feeds(
                planning.recording,
                {name: replace(strips[name], blocks=tuple(tried))},
                spans,
                folder=planning.folder,
                threads=planning.threads,
            )
            several = [_phrase_of(each, name, feed.offset_db) for each in feeds]
            # a chain that comes late enough to lose the last phrase of a take cannot be set against the others
            if [len(each.noise) for each in several] != [each.noise.shape[1] for each in held]:
                break
            thresholds[by_db] = several
        with_thresholds[name] = replace(knobs, thresholds=thresholds)
    return with_thresholds


def strips_with_faders(strips: Mapping[str, FeedStrip], faders: Mapping[str, float]) -> dict[str, FeedStrip]:
    """Strips with other faders, in decibels."""
    return {
        name: replace(strip, matrix=source_matrix(strip.matrix.shape[1], faders[name])) if name in faders else strip
        for name, strip in strips.items()
    }


def _text(lead: Clearance, after: Clearance, space: Space | None, *, indexed: bool, covered: bool) -> str:
    """Result of the moves for the voice, in words."""
    before_pct, after_pct = (
        (clearance.clearance_pct.mono, clearance.audible_pct.mono)[not indexed] for clearance in (lead, after)
    )
    change = f"from {number(before_pct, 0)} to {number(after_pct, 0)} %"
    told = f"speech intelligibility index {change}" if indexed else f"{change} audible"
    if space is None:
        if covered:
            return f"{told}; nothing more can be turned down for it"
        return told
    who = ", ".join(space.giving)
    # many hands for one fader: what everybody would do is said too
    alike_db = None if space.plain_db is None or not space.sounding else space.plain_db / space.sounding
    simpler = (
        f" (or, simpler: everything else down by {number(alike_db, 1)} dB together)"
        if alike_db is not None and len(space.giving) > _MANY
        else ""
    )
    reached = after_pct >= space.wanted_pct - _NEAR_PCT
    shortfall = (
        ""
        if reached
        else f"; {number(space.wanted_pct, 0)} % is not reached: the stage is too loud for it, or too many play at once"
    )
    loss = (
        ""
        if space.mono_loss_after_db > space.mono_loss_before_db - _LOST_DB
        else f"; in mono the feed loses {number(-space.mono_loss_after_db, 1)} dB, where it was {number(-space.mono_loss_before_db, 1)}"
    )
    return f"{told} when {who} {'give' if len(space.giving) > 1 else 'gives'} way{simpler}{shortfall}{loss}"
