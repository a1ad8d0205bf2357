"""Faults between the two sides of a pair, between microphones of one instrument, and between inputs that are the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering, role_of
from deskhand.findings.faults.pick_ups import delay_instead, late_pick_up, polarity_severity, sum_facts
from deskhand.findings.kinds import KINDS
from deskhand.house import PolarityBlock
from deskhand.measure.activity import stretches
from deskhand.measure.mono_sums import MonoSums, mono_sums
from deskhand.measure.stereo import DELAY_LEAST_S, MonoFlip, alignment, mono_flip
from deskhand.units import db_from_power, dbfs_from_mean_square, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.findings.finding import Finding, Severity
    from deskhand.house import Source
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading

_SAME: Final = KINDS["duplicate"]["same"]
_ONE_SIDED: Final = KINDS["one-sided"]
_MONO_LOSS_DB: Final = KINDS["mono-loss"]["listen_db"]
_LOWS_HZ: Final = 500.0
"""Between microphones of one drum only what lies below is alike: above, a head's modes differ over its width. Common practice, no
source."""
_NEARLY_SAME: Final = 0.999 * _SAME
"""Correlation from which two tracks are looked at one by one: rounding of all at once must not decide. Arithmetic."""
_NEVER_DB: Final = 60.0
"""A side this far down carries nothing but the converter's noise. Common practice, no source."""
_JOIN_S: Final = 1.5
"""Pauses up to this length do not end a stretch in which a side is gone. Common practice, no source."""
_MOST_OF_IT: Final = 0.9
"""A side gone for more than this share of the playing is gone throughout. Common practice, no source."""
_NOTHING: Final = 1e-20
"""Mean square that stands in for digital silence: 200 dB below full scale, far below any converter."""


def pair(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """A side that is gone, sides that are the same, work against each other, come late, or vanish in mono."""
    gathering = Gathering(source.name, earlier)
    if len(reading.tracks) != 2:
        return gathering.new
    names = [context.tracks[track].name for track in reading.tracks]
    if _one_sided(source, reading, names, context, gathering):
        return gathering.new
    role = role_of(source)
    same = sameness(context.figures, *reading.tracks)
    if same > _SAME:
        gathering.add(
            "duplicate",
            "note" if role.finished or role.strikes else "listen",
            "sides",
            advice=("second-output",),
            metric="correlation",
            measured=round(same, 4),
            unit="1",
        )
        return gathering.new
    if _polarity(source, reading, same, context, gathering):
        return gathering.new
    _mono_loss(source, reading, context, gathering)
    delay = reading.alignment
    if source.unlike_sides:
        late_pick_up(_sums_of(context, reading), names, gathering, at="")
    elif delay is not None and not role.spaced and delay.delayed:
        later = names[1] if delay.delay_s > 0 else names[0]
        gathering.add(
            "delay",
            _late_severity(source, _sums_of(context, reading)),
            "late",
            advice=("second-conversion",),
            facts={"late_ms": abs(delay.delay_s) * 1000},
            metric="delay_ms",
            measured=round(delay.delay_s * 1000, 3),
            low=-1000 * DELAY_LEAST_S,
            high=1000 * DELAY_LEAST_S,
            unit="ms",
            track=later,
        )
    return gathering.new


def sameness(figures: Figures, left: int, right: int) -> float:
    """Correlation of two tracks, from samples taken of every second; 1 for the same signal, -1 for one inverted."""
    scale = float(np.sqrt(figures.gram[left, left] * figures.gram[right, right]))
    return float(figures.gram[left, right]) / scale if scale > 0 else 0.0


def flipped_mono_loss(figures: Figures, tracks: Sequence[int], blocks: NDArray[np.bool_]) -> MonoFlip:
    """Mono loss of two tracks, as they are and with one of them flipped.

    Parameters
    ----------
    figures : Figures
        Measured with the two named as a pair.
    tracks : sequence of int
        The two, in that order.
    blocks : (blocks,) array of bool
        In which they play.
    """
    first, second = tracks
    left, right = (figures.tracks[track].mean_square for track in tracks)
    playing = blocks[: left.size]
    return mono_flip(
        left[playing], right[playing], figures.pairs[first, second].product[playing], step_s=figures.grid.hop_s
    )


def flip_words(flip: MonoFlip) -> str:
    """Mono loss as it is and flipped, in words."""
    as_it_is, flipped = (
        f"{number(-loss_db, 1)} dB" if np.isfinite(loss_db) else phrase("everything")
        for loss_db in (flip.loss_db, flip.flipped_loss_db)
    )
    return phrase("mono loses {as_it_is} as it is, {flipped} with one reversed", as_it_is=as_it_is, flipped=flipped)


def loss_number(loss_db: float) -> float | None:
    """Mono loss for the data; None where nothing is left."""
    return round(loss_db, 1) if np.isfinite(loss_db) else None


def _reverses(source: Source, side: str) -> bool:
    """True where the source's chain reverses the polarity of a side."""
    blocks = [block for block in source.chain if isinstance(block, PolarityBlock) and block.on in (side, "both")]
    return len(blocks) % 2 == 1


def _late_severity(source: Source, sums: MonoSums) -> Severity:
    """Severity of a side that comes late: two microphones may stand so, and what costs the mono sum nothing is no matter."""
    costs = sums.delay_serves and sums.gained_by_delay_db >= KINDS["delay"]["pick_ups_gain_db"]
    return "listen" if costs and source.by_cable else "note"


def _sums_of(context: Context, reading: SourceReading) -> MonoSums:
    """Mono sums of a pair's sides."""
    left, right = reading.tracks
    return mono_sums(context.figures.pairs[left, right], context.figures.grid)


def _polarity(source: Source, reading: SourceReading, same: float, context: Context, gathering: Gathering) -> bool:
    """Polarity of one side reversed, where mono gains by a flip; True where it, or a delay in its place, is said."""
    delay = reading.alignment
    opposite = delay is not None and delay.opposite and not delay.only_late
    reversed_by_chain = _reverses(source, "left") != _reverses(source, "right")
    if not (same < -_SAME or opposite) or (reversed_by_chain and context.before_chain(source)):
        return False
    flip = flipped_mono_loss(context.figures, reading.tracks, reading.activity.blocks)
    # where the two only differ in what they pick up, a flip moves the loss to other notes
    if not flip.sure:
        return False
    names = [context.tracks[track].name for track in reading.tracks]
    sums = _sums_of(context, reading)
    unlike = source.unlike_sides or sums.unlike
    if unlike and delay_instead(sums):
        late_pick_up(sums, names, gathering, at="")
        return gathering.has("delay")
    role = role_of(source)
    # two room microphones may well hear low notes opposite
    spaced: Severity = "listen" if role.shaped else "note"
    gathering.add(
        "polarity",
        spaced if role.spaced else polarity_severity(flip, unlike=unlike, said=source.unlike_sides),
        "sides",
        advice=("reverse-polarity",),
        facts={"flip_words": flip_words(flip), "inverted": names[1], **sum_facts(sums)},
        metric="mono_loss_db",
        measured=loss_number(flip.loss_db),
        expected=loss_number(flip.flipped_loss_db),
        unit="dB",
        track=names[1],
        other=names[0],
    )
    return True


def _mono_loss(source: Source, reading: SourceReading, context: Context, gathering: Gathering) -> None:
    """Level that vanishes in mono, after the polarity switch of the chain."""
    point, tap_loss_db = context.nominal(source), reading.readings.mono_loss_db
    loss_db = point.mono_loss_db
    if loss_db is None or loss_db >= _MONO_LOSS_DB:
        return
    by_switch = point.reversed_side and tap_loss_db is not None and tap_loss_db > loss_db
    gathering.add(
        "mono-loss",
        "listen",
        "switch" if by_switch else "source",
        advice=("take-switch-out",) if by_switch else ("narrow-at-rig",),
        facts={"loss_db": -loss_db, **({"tap_loss_db": -(tap_loss_db or 0.0)} if by_switch else {})},
        metric="mono_loss_db",
        measured=round(loss_db, 1),
        low=_MONO_LOSS_DB,
        unit="dB",
    )


def _one_sided(
    source: Source, reading: SourceReading, names: Sequence[str], context: Context, gathering: Gathering
) -> bool:
    """One side gone or far down, throughout or for a while; True where throughout."""
    powers = [context.figures.tracks[track].mean_square.astype(np.float64) for track in reading.tracks]
    playing = reading.activity.blocks[: powers[0].size]
    totals = [float(power[playing].sum()) for power in powers]
    if not sum(totals):
        return False
    weak = int(totals[1] < totals[0])
    apart_db = db_from_power((powers[1 - weak] + _NOTHING) / (powers[weak] + _NOTHING))
    overall_db = float(
        dbfs_from_mean_square(np.array(totals[1 - weak])) - dbfs_from_mean_square(np.array(totals[weak]))
    )
    spans, mostly = _gone_spans(apart_db, playing, context.hop_s)
    if not spans and overall_db < _ONE_SIDED["one_sided_db"]:
        # the louder of the two may be the one that went
        weak = 1 - weak
        spans, mostly = _gone_spans(-apart_db, playing, context.hop_s)
    partly = bool(spans) and not (mostly and overall_db >= _ONE_SIDED["one_sided_db"])
    if overall_db >= _ONE_SIDED["one_sided_db"] and not partly:
        silent = not powers[weak][playing].any() or overall_db > _NEVER_DB
        gathering.add(
            "one-sided",
            "fix",
            "silent" if silent else "quieter",
            advice=("mute-and-check-cable-patch",),
            facts={} if silent else {"apart_db": overall_db},
            metric="balance_db",
            measured=None if silent else round(overall_db if weak == 0 else -overall_db, 1),
            low=-_ONE_SIDED["one_sided_db"],
            high=_ONE_SIDED["one_sided_db"],
            unit="dB",
            track=names[weak],
            other=names[1 - weak],
        )
        return True
    if partly:
        at_s = tuple(
            (round(begin_s + context.offset_s, 2), round(end_s + context.offset_s, 2)) for begin_s, end_s in spans
        )
        gathering.add(
            "one-sided",
            "note" if role_of(source).finished else "fix",
            "for-a-while",
            advice=("mute-and-check-cable-patch",),
            facts={"begin_s": at_s[0][0], "gone_s": sum(end_s - begin_s for begin_s, end_s in spans)},
            metric="balance_db",
            unit="dB",
            track=names[weak],
            other=names[1 - weak],
            at_s=at_s,
        )
    return False


def _gone_spans(
    apart_db: NDArray[np.float64], playing: NDArray[np.bool_], hop_s: float
) -> tuple[list[tuple[float, float]], bool]:
    """Stretches in which a side is gone, and whether it is far down for most of the playing."""
    # a side that has not played yet has not gone away
    has_played = np.maximum.accumulate(playing & (apart_db < _ONE_SIDED["one_sided_db"]))
    gone = playing & has_played & (apart_db > _ONE_SIDED["side_gone_db"])
    spans = [
        (begin_s, end_s)
        for begin_s, end_s in stretches(gone, hop_s, join_s=_JOIN_S)
        if gone[round(begin_s / hop_s) : round(end_s / hop_s)].sum() * hop_s >= _ONE_SIDED["side_gone_s"]
    ]
    # a side that is some 30 dB down throughout is gone for stretches only, and far down all along
    down = playing & (apart_db > _ONE_SIDED["one_sided_db"])
    return spans, bool(down.sum() >= _MOST_OF_IT * playing.sum())


def duplicates(context: Context, by_source: Mapping[str, Sequence[Finding]]) -> dict[str, list[Finding]]:
    """Tracks of different sources that carry the same signal; each pair is said once at either source."""
    sources = [source for source in context.house.source if source.name in context.readings]
    gatherings = {source.name: Gathering(source.name, by_source.get(source.name, ())) for source in sources}
    playing = [source for source in sources if context.readings[source.name].activity.windows.any()]
    same = _same_tracks(context.figures, [context.readings[source.name].tracks for source in playing])
    reported: set[tuple[str, tuple[str, str]]] = set()
    for first_index, second_index in same:
        first, second = playing[first_index], playing[second_index]
        for first_track in context.readings[first.name].tracks:
            for second_track in context.readings[second.name].tracks:
                if first_track == second_track or abs(sameness(context.figures, first_track, second_track)) <= _SAME:
                    continue
                names = (context.tracks[first_track].name, context.tracks[second_track].name)
                for source, track, partner in ((first, names[0], second), (second, names[1], first)):
                    if (source.name, names) in reported:
                        continue
                    reported.add((source.name, names))
                    gatherings[source.name].add(
                        "duplicate",
                        "fix",
                        "tracks",
                        advice=("patched-twice",),
                        facts={"first": names[0], "second": names[1]},
                        track=track,
                        other=partner.name,
                        measured=1.0,
                        unit="1",
                    )
    return {name: gathering.new for name, gathering in gatherings.items()}


def _same_tracks(figures: Figures, rows: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    """Two of the sources, by index, that have a track which is the same in both, all tracks compared in one go.

    Parameters
    ----------
    figures : Figures
    rows : sequence of tracks
        Of each source.
    """
    tracks = np.array([track for source_rows in rows for track in source_rows], int)
    if not tracks.size:
        return []
    owner = np.repeat(np.arange(len(rows)), [len(source_rows) for source_rows in rows])
    products = figures.gram[np.ix_(tracks, tracks)]
    power = np.diag(products)
    scale = np.sqrt(np.outer(power, power))
    alike = (np.abs(products) > _NEARLY_SAME * scale) & (owner[:, None] < owner[None, :])
    return sorted({(int(owner[first]), int(owner[second])) for first, second in np.argwhere(alike)})


def microphones(
    groups: Sequence[tuple[str, str]], context: Context, by_source: Mapping[str, Sequence[Finding]]
) -> dict[str, list[Finding]]:
    """Polarity between several microphones of one instrument, said at the second of each two."""
    gatherings: dict[str, Gathering] = {}
    for first, second in groups:
        if first not in context.readings or second not in context.readings:
            continue
        readings = context.readings[first], context.readings[second]
        tracks = readings[0].tracks[0], readings[1].tracks[0]
        if not all(reading.activity.windows.any() for reading in readings):
            continue
        if abs(sameness(context.figures, *tracks)) > _SAME:
            continue
        gathering = gatherings.setdefault(second, Gathering(second, by_source.get(second, ())))
        sums = mono_sums(context.figures.pairs[tracks], context.figures.grid)
        blocks = readings[0].activity.blocks | readings[1].activity.blocks
        if not _microphones_opposed((first, second), tracks, sums, blocks, context, gathering):
            late_pick_up(sums, (first, second), gathering, at=second)
    return {name: gathering.new for name, gathering in gatherings.items()}


def _microphones_opposed(
    names: tuple[str, str],
    tracks: tuple[int, int],
    sums: MonoSums,
    blocks: NDArray[np.bool_],
    context: Context,
    gathering: Gathering,
) -> bool:
    """Polarity of the second of two inputs of one instrument, where a flip lowers the mono loss of all of it; True where it is said."""
    pair_figures, grid = context.figures.pairs[tracks], context.figures.grid
    if not alignment(pair_figures, grid, top_hz=_LOWS_HZ).opposite or alignment(pair_figures, grid).only_late:
        return False
    # the lows may cancel and the others add up: what a flip does to all of it decides
    flip = flipped_mono_loss(context.figures, tracks, blocks)
    sources = [next(source for source in context.house.source if source.name == name) for name in names]
    before = context.before_chain(sources[1])
    if not flip.sure or (before and _reverses(sources[0], "both") != _reverses(sources[1], "both")):
        return False
    if sums.unlike and delay_instead(sums):
        return False
    severity = polarity_severity(flip, unlike=sums.unlike, said=False)
    gathering.add(
        "polarity",
        # above and below a drum is opposite by nature: many a desk reverses one already
        "listen" if before and severity == "fix" else severity,
        "microphones",
        advice=("reverse-polarity-unless",) if before else ("reverse-polarity",),
        facts={"flip_words": flip_words(flip), "inverted": names[1], **sum_facts(sums)},
        metric="mono_loss_db",
        measured=loss_number(flip.loss_db),
        expected=loss_number(flip.flipped_loss_db),
        unit="dB",
        other=names[0],
    )
    return True
