"""Makes room for the lead voice: the fewest hands, as moves at each source, proved by running the feed past the voice again."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from deskhand.findings import KINDS
from deskhand.house import ROLES, BellBlock, HighShelfBlock, LowShelfBlock, MidSideBlock
from deskhand.mix.bus import source_matrix
from deskhand.mix.clearance import ClearanceWithMoves, hold_source
from deskhand.mix.voices import feed_strips, hold_feeds, hold_voice, measure_voices, sings, spans_of
from deskhand.moves.following import following_db
from deskhand.moves.giving import BELL_QS, BELLS_HZ, STEP_DB, Abilities, Bell, PhraseOfSource
from deskhand.moves.space import RoomLimits, make_space
from deskhand.moves.voice_limits import FeedLevels, back_db, groups_of, unused_microphones, voice_limit
from deskhand.moves.voice_moves import (
    VoiceRoom,
    add_following,
    add_moves,
    faders_db,
    leave_levels,
    lowered,
    middle_compressor,
    planned_fader_db,
)
from deskhand.moves.voice_text import voice_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import ChainBlock, Desk, Source
    from deskhand.measure.activity import Activity
    from deskhand.mix.clearance import Clearance, TrialPhrase
    from deskhand.mix.clearance import FeedEnergies as HeldFeed
    from deskhand.mix.voices import FeedStrip
    from deskhand.moves.conduct import PlanningInput
    from deskhand.moves.space import Space
    from deskhand.moves.state import Plan

FEED_MONO_LOSS_DB: Final = -3.0
"""Room for the voice is not bought with more mono loss of the feed than this. Common practice, no source."""
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
    levels: FeedLevels = field(default_factory=FeedLevels)


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
    unused = unused_microphones(planning, lead.source, _strips(planning, feed, planned), feed.playing)
    leave_levels(planning, planned, [name for name, all_of_take in unused.items() if all_of_take])
    strips = _strips(planning, feed, planned)
    if not covered and not any(planned[name].changed for name in planned if name in strips):
        return None
    rises_db = _rises_db(planning, feed, planned)
    add_following(planning.house, planned, rises_db)
    lead_plan = planned.get(lead.source)
    # what arrives wrong at the voice itself is mended first: nobody is turned for it
    own_input_first = lead_plan is not None and lead_plan.own_input_first
    room = None
    if covered and not own_input_first:
        room = _room(planning, feed, _strips(planning, feed, planned), planned, lead, list(unused))
        if room.space is not None:
            add_moves(planning, planned, room, lead.source)
    after = _measured_again(planning, feed, planned, room, lead)
    if after is None:
        return None
    text = voice_text(
        lead,
        after,
        room,
        covered=covered,
        own_input_first=own_input_first,
        fader_up_db=rises_db.get(lead.source, 0.0),
    )
    return _outcome(after, None if room is None else room.space, lead.source, text)


def _outcome(after: Clearance, space: Space | None, lead: str, text: str) -> ClearanceWithMoves:
    """Clearance with the moves, and what was moved for it."""
    return ClearanceWithMoves(
        clearance_pct=after.clearance_pct,
        audible_pct=after.audible_pct,
        wanted_pct=None if space is None else round(space.wanted_pct, 1),
        gives_way=() if space is None else tuple(_moved_sources(space, lead)),
        change_db=None if space is None else round(space.change_db, 2),
        plain_db=None if space is None or space.plain_db is None else round(space.plain_db * space.sounding, 2),
        hands=0 if space is None else len(space.hands),
        voice_up_db=None if space is None else space.settings.voice_db,
        muted=()
        if space is None
        else tuple(name for hand in space.hands if hand.kind == "mute" for name in hand.sources),
        text=text,
    )


def _rises_db(planning: PlanningInput, feed: VoiceFeed, planned: Mapping[str, Plan]) -> dict[str, float]:
    """Source to the rise of its fader that is set again by ear, in whole decibels, so that it is as loud in the feed as it was."""
    assert feed.lead is not None
    rises_db = following_db(
        planning.recording,
        _strips(planning, feed, {}),
        _strips(planning, feed, planned),
        # where no fader is written down nothing is told of it
        [
            source.name
            for source in planning.house.source
            if source.fader_db is not None and source.name in planned and planned[source.name].set_again
        ],
        {source.name: planned_fader_db(source, planned.get(source.name)) for source in planning.house.source},
        spans_of(feed.playing[feed.lead.source]),
        folder=planning.folder,
        threads=planning.threads,
    )
    return {name: float(round(up_db)) for name, up_db in rises_db.items()}


def _strips(planning: PlanningInput, feed: VoiceFeed, planned: Mapping[str, Plan]) -> dict[str, FeedStrip]:
    """Strips of the feed that the lead voice is heard in, with the moves so far."""
    assert feed.lead is not None
    in_song = sings(planning.house, feed.lead.source)
    strips = feed_strips(planning.house, feed.tracks, _blocks(feed, planned), in_song=in_song)
    return strips_with_faders(strips, faders_db(planning.house, planned))


def _moved_sources(space: Space, lead: str) -> list[str]:
    """Sources that are moved, in the order of the hands; the voice where its own fader is."""
    names = [name for hand in space.hands for name in ((lead,) if hand.kind == "voice" else hand.sources)]
    return list(dict.fromkeys(names))


def _measured_again(
    planning: PlanningInput, feed: VoiceFeed, planned: Mapping[str, Plan], room: VoiceRoom | None, lead: Clearance
) -> Clearance | None:
    """Clearance of the lead voice with all moves, its feed run again; None where it is heard no more."""
    strips = _strips(planning, feed, planned)
    if room is not None and room.space is not None:
        muted = {name for name, giving in room.space.settings.giving.items() if giving.muted}
        strips = {name: strip for name, strip in strips.items() if name not in muted}
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
        reuse=planning.reuse,
    )
    return again[0] if again else None


def _room(
    planning: PlanningInput,
    feed: VoiceFeed,
    strips: Mapping[str, FeedStrip],
    planned: Mapping[str, Plan],
    lead: Clearance,
    unused: Sequence[str],
) -> VoiceRoom:
    """Fewest hands that make the lead voice as clear as wanted, and what keeps its own fader where it is."""
    held = hold_voice(
        planning.recording,
        strips,
        feed.playing[lead.source],
        lead.source,
        offset_db=feed.offset_db,
        folder=planning.folder,
        threads=planning.threads,
        reuse=planning.reuse,
    )
    vocal = planning.house.vocal
    asked_pct = vocal.clearance_pct if vocal is not None and vocal.source == lead.source else None
    able = _abilities(planning, strips, planned, lead.source)
    limit = voice_limit(planning, lead.source, strips, feed.levels, held)
    wanted_pct = lead.words.clear_pct if asked_pct is None else asked_pct
    space = make_space(
        held,
        _with_thresholds(planning, feed, strips, planned, able, held),
        RoomLimits(
            wanted_pct=wanted_pct,
            indexed=asked_pct is not None,
            mono_loss_limit_db=FEED_MONO_LOSS_DB,
            back_db=back_db(planning, able, planned),
            unused=unused,
            groups=groups_of(planning.house, strips, able),
            voice_up_db=limit.up_db,
            voice_step_db=_in_steps(planning.house.desk.trim_step_db),
        ),
    )
    return VoiceRoom(space=space, limit=limit, wanted_pct=wanted_pct, indexed=asked_pct is not None)


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
        # the talk is set by itself: nobody who speaks is turned down for a song
        if ROLES[source.role].speaks:
            continue
        plan = planned.get(source.name)
        # what arrives wrong is mended first: nothing is turned for it
        if plan is not None and plan.own_input_first:
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
