"""Quantities that the limits of findings are compared with, as they are read of each input of a show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings import KINDS, Context
from deskhand.findings.context import role_of
from deskhand.findings.faults.pair import sameness
from deskhand.findings.faults.peaks import cut_blocks
from deskhand.measure.activity import stretches
from deskhand.measure.leak import find_leak
from deskhand.recording.held import held_recording
from deskhand.tasks.check import CheckOptions
from deskhand.tasks.check.measure import TakeInput, TakeReadings, measure
from deskhand.tasks.check.resolve import resolve
from deskhand.units import db_from_power, dbfs_from_mean_square
from tests.support.stage.effects import RATE_HZ
from tests.support.stage.season import date_of
from tests.support.stage.show import house_text

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import Source
    from deskhand.measure.figures import Event
    from deskhand.measure.readings import SourceReading
    from tests.support.stage.show import StageShow

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

Values = dict[str, float]
"""Limit, as "kind.limit", to what is compared with it."""

TIME_TOLERANCE_S: Final = 0.2
"""Two blocks of 100 ms."""
SAME_INSTANT_S: Final = 0.002
FULL_SCALE: Final = 0.98
"""As findings.faults.peaks has them."""
SIDE_GONE_BLOCKS: Final = round(KINDS["one-sided"]["side_gone_s"] * 10)
JOIN_S: Final = 1.5
"""Pauses that do not end a stretch in which a side is gone, as findings.faults.pair has them."""
NOTHING: Final = 1e-20
"""Mean square that stands in for digital silence."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredShow:
    """Show as the check measures it, before anything is kept."""

    readings: TakeReadings
    context: Context

    def source(self, name: str) -> Source:
        """Source of the house file."""
        return next(source for source in self.context.house.source if source.name == name)


def measured_show(show: StageShow, folder: Path) -> MeasuredShow:
    """Measure a show that nothing is kept before."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(house_text(show), "utf-8")
    samples = np.clip(np.array(list(show.tracks.values()), np.float32), -1.0, 1.0)
    recording = held_recording(samples, list(show.tracks), RATE_HZ)
    options = CheckOptions(date=date_of(show.week), players=show.players)
    setup = resolve(folder, None, recording, options)
    readings = measure(
        TakeInput(
            house=setup.house, recording=recording, matched=setup.matched, desk=setup.desk, folder=setup.folder,
            line_check=setup.is_line_check, threads=1,
        )
    )  # fmt: skip
    context = Context(
        house=setup.house, figures=readings.figures, tracks=recording.tracks, offset_s=0.0, readings=readings.before,
        line_check=setup.is_line_check, desk=setup.desk,
    )  # fmt: skip
    return MeasuredShow(readings=readings, context=context)


def values_of(show: MeasuredShow, name: str, moments_s: tuple[float, ...] = ()) -> Values:
    """All quantities of one input that can be read; of bursts at the moments at which they are planted, where any are."""
    reading = show.context.readings[name]
    values = stop_values(reading, show.context)
    if not reading.activity.windows.any():
        return values
    source = show.source(name)
    values |= peak_values(reading, show.context) | moment_values(source, reading, show.context, moments_s)
    values |= steady_values(source, reading, show.context)
    values |= leak_values(source, reading, show.context) | twin_values(reading, show.context)
    if len(reading.tracks) == 2:
        values |= pair_values(source, reading, show.context)
    return values | covered_values(show, name)


def stop_values(reading: SourceReading, context: Context) -> Values:
    """How an input stops, where it stays 10 dB quieter than ever before for some seconds to the end."""
    levels_dbfs = np.maximum(dbfs_from_mean_square(reading.mean_square.astype(np.float64)), -200.0)
    early_dbfs = levels_dbfs[: max(1, levels_dbfs.size // 4)]
    alive = np.flatnonzero(levels_dbfs >= early_dbfs.min() - 10.0)
    stop = int(alive[-1]) + 1
    before_dbfs, after_dbfs = levels_dbfs[max(0, stop - 3) : stop], levels_dbfs[stop + 1 : stop + 4]
    dead_s = (levels_dbfs.size - stop) * context.hop_s
    if not after_dbfs.size or stop <= early_dbfs.size:
        return {"silent.went_silent_s": 0.0}
    dying_dbfs = levels_dbfs[max(0, stop - 8) : stop]
    falls = bool((np.diff(dying_dbfs) < 0).all())
    return {
        "silent.went_silent_s": dead_s,
        "silent.at_once_db": float(before_dbfs.min() - after_dbfs.max()),
        "silent.dying_db": float(dying_dbfs[0] - dying_dbfs[-1]) if falls else 0.0,
    }


def peak_values(reading: SourceReading, context: Context) -> Values:
    """Peaks cut flat: how many, the share of long ones, and how near the top they lie; of the track with most."""
    rows = []
    for track in reading.tracks:
        figures = context.figures.tracks[track]
        top = float(figures.peak.max())
        cut = cut_blocks(track, context)
        count = int(figures.flats[cut].sum())
        long_share = float(figures.long_flats[cut].sum()) / count if count else 0.0
        told = top > FULL_SCALE or long_share >= KINDS["clipped"]["long_share"]
        rows.append((count if told else 0, count, long_share, top > FULL_SCALE, figures))
    told_count, count, long_share, full, figures = max(rows, key=lambda row: row[:2])
    values = {"clipped.few": float(told_count), "clipped.many": float(told_count)}
    flat = figures.flats > 0
    if flat.any():
        heights = np.repeat(figures.flat_level[flat], figures.flats[flat]) / float(figures.peak.max())
        values["clipped.at_the_top"] = float(np.median(heights))
    # at full scale nobody asks how long they are
    if count >= KINDS["clipped"]["few"] and not full:
        values["clipped.long_share"] = long_share
    return values


def moment_values(source: Source, reading: SourceReading, context: Context, moments_s: tuple[float, ...]) -> Values:
    """Dropouts, clicks and what comes over radio; of the side with most."""
    tracks = [context.figures.tracks[track] for track in reading.tracks]
    role = role_of(source)
    values = {"clicks.fix_count": float(max(_clicks_together(track, context) for track in reading.tracks))}
    values["dropout.together_tracks"] = float(
        max((_tracks_at(event, context) for track in tracks for event in track.dropouts), default=0)
    )
    if not role.on_radio:
        return values
    limit = "white_in_a_voice" if role.is_voice else "white"
    bursts = [burst for track in tracks for burst in track.bursts]
    heights = [
        max((burst.whiteness for burst in bursts if abs(burst.start_s - moment_s) < TIME_TOLERANCE_S), default=0.0)
        for moment_s in moments_s
    ]
    whiteness = min(heights) if heights else max((burst.whiteness for burst in bursts), default=0.0)
    values[f"wireless-hit.{limit}"] = whiteness
    hits = sum(burst.whiteness >= KINDS["wireless-hit"][limit] for burst in tracks[0].bursts)
    if role.is_voice:
        edges_s = [edge_s for track in tracks for event in track.dropouts for edge_s in (event.start_s, event.end_s)]
        mutes = [mute for mute in tracks[0].mutes if not any(abs(mute.start_s - edge_s) < 0.03 for edge_s in edges_s)]
        levels_dbfs = reading.activity.level_dbfs
        room_dbfs = float(np.percentile(levels_dbfs[np.isfinite(levels_dbfs)], 1))
        below_db = [room_dbfs - mute.level_dbfs for mute in mutes]
        values["wireless-hit.below_room_db"] = min(120.0, max(below_db, default=-200.0))
        hits += sum(depth_db > KINDS["wireless-hit"]["below_room_db"] for depth_db in below_db)
    return values | {"wireless-hit.fix_count": float(hits)}


def _tracks_at(event: Event, context: Context) -> int:
    """Number of tracks that drop out with an event."""
    return sum(
        any(abs(other.start_s - event.start_s) < KINDS["dropout"]["together_s"] for other in figures.dropouts)
        for figures in context.figures.tracks
    )


def _clicks_together(track: int, context: Context) -> int:
    """Most clicks that a track has at the same instants as another one."""
    clicks = context.figures.tracks[track].clicks
    return max(
        sum(any(abs(click.start_s - other.start_s) < SAME_INSTANT_S for other in figures.clicks) for click in clicks)
        for number, figures in enumerate(context.figures.tracks)
        if number != track
    )


def dropout_spread_s(context: Context, moments: int) -> float | None:
    """How far apart the starts lie with which the tracks tell dropouts that all have at once; None where fewer than two do."""
    starts_s = sorted(event.start_s for figures in context.figures.tracks for event in figures.dropouts)
    groups: list[list[float]] = []
    for start_s in starts_s:
        if groups and start_s - groups[-1][0] < 1.0:
            groups[-1].append(start_s)
        else:
            groups.append([start_s])
    spreads_s = [group[-1] - group[0] for group in groups if len(group) > 1][:moments]
    return max(spreads_s, default=None)


def steady_values(source: Source, reading: SourceReading, context: Context) -> Values:
    """Offset, mains hum and the noise of a line."""
    values = {
        f"dc.{limit}": max(abs(context.figures.tracks[track].mean) for track in reading.tracks)
        for limit in ("listen", "fix")
    }
    level_dbfs, noise_dbfs = reading.readings.level_dbfs, reading.readings.noise_dbfs
    hums_dbfs = [hum.level_dbfs for hum in reading.hums if hum is not None]
    if level_dbfs is not None:
        below_db = max(hums_dbfs, default=-200.0) - level_dbfs
        values |= {"hum.listen_db": below_db, "hum.fix_db": below_db, "hum.least_dbfs": max(hums_dbfs, default=-200.0)}
    if role_of(source).line and source.microphone is None and reading.steady_noise and noise_dbfs is not None:
        values["noise.listen_db"] = (level_dbfs or 0.0) - noise_dbfs
    return values


def leak_values(source: Source, reading: SourceReading, context: Context) -> Values:
    """Click that is heard in an input, against its level; where none stands out from chance, far below it."""
    origins = [
        context.readings[other.name].tracks[0]
        for other in context.house.source
        if role_of(other).metronome and other.name in context.readings
    ]
    level_dbfs = reading.readings.level_dbfs
    if not origins or level_dbfs is None or not role_of(source).in_a_mix:
        return {}
    leaks = [find_leak(context.figures, origins[0], track) for track in reading.tracks]
    below_db = max((leak.level_dbfs for leak in leaks if leak is not None), default=-200.0) - level_dbfs
    return {"in-the-mix.leak_listen_db": below_db, "in-the-mix.leak_fix_db": below_db}


def mix_leak_db(mix_dbfs: float, leak_dbfs: float | None) -> float:
    """Level of a click in a mix, against the mix; far below it where none stands out from chance."""
    return (-200.0 if leak_dbfs is None else leak_dbfs) - mix_dbfs


def twin_values(reading: SourceReading, context: Context) -> Values:
    """Largest correlation of the samples with a track of another input."""
    others = [track for other in context.readings.values() if other is not reading for track in other.tracks]
    return {
        "duplicate.same": max(
            abs(sameness(context.figures, track, other)) for track in reading.tracks for other in others
        )
    }


def pair_values(source: Source, reading: SourceReading, context: Context) -> Values:
    """Sides of a pair against each other."""
    powers = [context.figures.tracks[track].mean_square.astype(np.float64) + NOTHING for track in reading.tracks]
    playing = reading.activity.blocks[: powers[0].size]
    totals = [float(power[playing].sum()) for power in powers]
    apart_db = db_from_power(powers[0] / powers[1])
    one_sided_db = float(db_from_power(np.array(max(totals) / min(totals))))
    values = {"one-sided.one_sided_db": one_sided_db} | _gone_values(apart_db, playing, context.hop_s)
    level_dbfs, loss_db = reading.readings.level_dbfs, reading.readings.mono_loss_db
    if level_dbfs is not None and one_sided_db >= KINDS["one-sided"]["one_sided_db"]:
        values["one-sided.half_gone_db"] = context.house.nominal_dbfs(source) - level_dbfs
    if loss_db is not None:
        values["mono-loss.listen_db"] = max(loss_db, -60.0)
    delay = reading.alignment
    if delay is not None and not role_of(source).spaced and not source.unlike_sides and delay.certainty > 0.35:
        values["delay.least_ms"] = abs(delay.delay_s) * 1000
    return values


def _gone_values(apart_db: Array, playing: Mask, hop_s: float) -> Values:
    """How far a side goes down for 3 s of playing after it has played, and for how long it is down by the limit; either side."""
    deepest_db, longest_s = [], [0.0]
    for one_way_db in (apart_db, -apart_db):
        played = np.maximum.accumulate(playing & (one_way_db < KINDS["one-sided"]["one_sided_db"]))
        eligible_db = one_way_db[playing & played]
        if eligible_db.size >= SIDE_GONE_BLOCKS:
            windows = np.lib.stride_tricks.sliding_window_view(eligible_db, SIDE_GONE_BLOCKS)
            deepest_db.append(float(windows.min(axis=1).max()))
        gone = playing & played & (one_way_db > KINDS["one-sided"]["side_gone_db"])
        longest_s += [
            float(gone[round(begin_s / hop_s) : round(end_s / hop_s)].sum()) * hop_s
            for begin_s, end_s in stretches(gone, hop_s, join_s=JOIN_S)
        ]
    values = {"one-sided.side_gone_s": max(longest_s)}
    return values | ({"one-sided.side_gone_db": max(deepest_db)} if deepest_db else {})


def covered_values(show: MeasuredShow, name: str) -> Values:
    """Share of a voice's words that are covered."""
    voice = next((voice for voice in show.readings.voices if voice.source == name), None)
    total_s = sum(phrase.end_s - phrase.start_s for phrase in voice.phrases) if voice else 0.0
    if voice is None or total_s < 3.0:
        return {}
    covered_s = sum(phrase.end_s - phrase.start_s for phrase in voice.phrases if phrase.word == "covered")
    return {"vocal-covered.covered_share": covered_s / total_s}


def mix_values(show: MeasuredShow) -> Values:
    """Mono loss of the mix."""
    reading = show.readings.mix_reading
    loss_db = reading.readings.mono_loss_db if reading else None
    return {} if loss_db is None else {"mono-loss.mix_db": loss_db}
