"""The readings of a source: the sum of the measurements of its one or two tracks."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure import notes
from deskhand.measure import stereo as st
from deskhand.measure.activity import Activity, activity, window_levels
from deskhand.measure.hum import Hum, find_hum
from deskhand.measure.loudness import integrated_lufs, loudness_range_lu, lufs
from deskhand.measure.sounds import Sound, find_sounds
from deskhand.measure.spread import draws, half_width, half_width_of_median, spread
from deskhand.measure.tone import LISTENING_DBA, as_heard, tilt_db_per_octave, tone_db
from deskhand.units import AES17_OFFSET_DB, db_from_amplitude, db_from_power, finite

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.figures import Figures, TrackFigures

_SHARES: Final = (10, 25, 50, 75, 90)
LEAST_ACTIVE_S: Final = 3.0
"""A level from less playing than this is not judged. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Everything measured of one source at one place in its chain. None: see `not_measured`."""

    active_fraction: float
    """Share of the take in which the source plays."""
    level_dbfs: float | None
    """Median of the active 300 ms RMS windows (AES17); for a source that strikes, of the windows with a hit."""
    loud_dbfs: float | None
    """95th percentile of the same windows."""
    rms_dbfs: float | None
    """RMS of the whole stretch (AES17), playing or not."""
    peak_dbfs: float | None
    """Largest sample."""
    true_peak_dbtp: float | None
    """Largest value between samples, four times oversampled (ITU-R BS.1770-5 Annex 2)."""
    loudness_lufs: float | None
    """Integrated, gated (ITU-R BS.1770-5); of a pair, both sides together."""
    loudness_range_lu: float | None
    """EBU Tech 3342."""
    momentary_max_lufs: float | None
    """The loudest 400 ms (EBU Tech 3341), looked for every 10 ms."""
    short_term_max_lufs: float | None
    """The loudest 3 s (EBU Tech 3341)."""
    level_distribution_dbfs: dict[str, float] | None
    """Percentiles 10, 25, 50, 75, 90 of the active windows."""
    crest_db: float | None
    """Peak over RMS of the playing (AES17: a sine has 0 dB): the median over 3 s stretches."""
    tone_db: dict[str, float] | None
    """Third-octave levels of the playing; their power sum is 0 dB."""
    tilt_db_per_octave: float | None
    """Slope of a straight line through the octave levels from 63 Hz to 8 kHz; negative is dark."""
    sharpness_acum: float | None
    """DIN 45692, of the tone at the listening level: the room's, or 80 dB where none is stated."""
    loudness_sone: float | None
    """ISO 532-1 (stationary), of the tone at that level: how loud the ear finds it against others of the same LUFS."""
    loudness_n5_sone: float | None
    """ISO 532-1 (time-varying): exceeded in 5 % of its most telling 4 s, brought to that level."""
    harsh_sone: float | None
    """What of it lies between 2 and 5 kHz."""
    articulation_db: float | None
    """How far note onsets stand out at 2 to 8 kHz above what rings before and after them (median)."""
    tail_s: float | None
    """Seconds in which its notes die away by 60 dB, where they end freely: the observed decay."""
    tail_octave_s: dict[str, float] | None
    """The same in the octaves where it can be told."""
    noise_dbfs: float | None
    """RMS level of the quietest pauses (10th percentile of their windows)."""
    hum_db: float | None
    """Mains hum against the level."""
    level_dbfs_pm: float | None = None
    """Readings that end in pm say how sure the one before is: half the width of a 95 % interval."""
    loud_dbfs_pm: float | None = None
    loudness_lufs_pm: float | None = None
    crest_db_pm: float | None = None
    articulation_db_pm: float | None = None
    tail_s_pm: float | None = None
    width_db: float | None = None
    """Pairs: energy of the sides' difference against their sum."""
    balance_db: float | None = None
    """Pairs: right against left."""
    correlation: float | None = None
    """Pairs: -1 to 1."""
    mono_loss_db: float | None = None
    """Pairs: level of the mono sum against the mean of the sides."""
    delay_ms: float | None = None
    """Pairs: by how much the right comes later."""
    width_octave_db: dict[str, float] | None = None
    """Pairs: width in each octave."""
    mono_loss_octave_db: dict[str, float] | None = None
    """Pairs: mono loss in each octave."""
    width_db_pm: float | None = None
    balance_db_pm: float | None = None
    correlation_pm: float | None = None
    mono_loss_db_pm: float | None = None
    not_measured: dict[str, str] = field(default_factory=dict)
    """Name to reason, for what could not be measured."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceReading:
    """The readings of a source with what the findings need beside them."""

    readings: Readings
    activity: Activity
    tracks: tuple[int, ...]
    alignment: st.Alignment | None
    hums: tuple[Hum | None, ...]
    """One for each track."""
    mean_square: NDArray[np.float32]
    """(blocks,) mean over the sides."""
    sounds: tuple[Sound, ...]
    """The distinct sounds it uses, the most used first."""
    step_lu: float | None
    """Level step between the loudest and the quietest of them."""
    steady_noise: bool
    """Whether the pauses keep one level, as noise does: decays, quiet playing and digital silence do not."""

    def with_loud_moments(self, loudness_n5_sone: float | None) -> SourceReading:
        """The same with the loudness of its loud moments, which needs a second look at the audio."""
        why = dict(self.readings.not_measured)
        why["loudness_n5_sone"] = "it plays too little"
        if loudness_n5_sone is not None:
            del why["loudness_n5_sone"]
        read = replace(self.readings, loudness_n5_sone=loudness_n5_sone, not_measured=why)
        return replace(self, readings=read)


def _hum(part: TrackFigures, figures: Figures, mains_hz: float) -> Hum | None:
    """Hum at the house's mains, or at the other frequency when more of its lines are there."""
    here = find_hum(part, figures.grid, mains_hz=mains_hz)
    other = find_hum(part, figures.grid, mains_hz=110.0 - mains_hz)
    if other is None or (here is not None and len(here.lines_hz) >= len(other.lines_hz)):
        return here
    return other if len(other.lines_hz) > 1 else here


def _crests_db(mean_square: NDArray[np.float32], peak: NDArray[np.float32], blocks: NDArray[np.bool_]) -> list[float]:
    """Crest of each 3 s stretch in which the source plays for at least a second."""
    values = []
    for first in range(0, mean_square.size, 30):
        part = blocks[first : first + 30]
        if part.sum() < 10:
            continue
        power = float(mean_square[first : first + 30][part].mean(dtype=np.float64))
        top = float(peak[first : first + 30][part].max())
        if power > 0:
            values.append(db_from_amplitude(top) - db_from_power(power) - AES17_OFFSET_DB)
    return values


def source_mean_square(figures: Figures, tracks: tuple[int, ...]) -> NDArray[np.float32]:
    """(blocks,) mean square of a source: the mean over its sides."""
    parts = [figures.tracks[track].mean_square for track in tracks]
    return parts[0] if len(parts) == 1 else np.asarray(0.5 * (parts[0] + parts[1]))


def _while_playing(rows: NDArray[np.float32], column: int, playing: Activity, hop_s: float) -> NDArray[np.float32]:
    """Those of the rows whose time, in a column, lies in a block in which the source plays."""
    if not len(rows):
        return rows
    at = np.minimum((rows[:, column] / hop_s).astype(np.intp), playing.blocks.size - 1)
    return rows[playing.blocks[at]]


def read_source(
    figures: Figures,
    tracks: tuple[int, ...],
    *,
    strikes: bool,
    mains_hz: float,
    bleed: NDArray[np.floating] | None = None,
    level_dba: float = LISTENING_DBA,
    playing: Activity | None = None,
) -> SourceReading:
    """The readings of a source.

    Parameters
    ----------
    figures : Figures
        Of the whole recording; for a pair, measured with the pair named.
    tracks : one or two track positions
    strikes : bool
        Whether the source strikes.
    mains_hz : float
        50 or 60.
    bleed : (blocks,) array, optional
        What the other sources put into its microphones.
    level_dba : float
        At which it is listened to.
    playing : Activity, optional
        When it plays, known from the tap; sounds are then not looked for again.
    """
    parts = [figures.tracks[track] for track in tracks]
    mean_square = source_mean_square(figures, tracks)
    weighted = np.sum([part.weighted for part in parts], axis=0)
    peaks = np.max([part.peak for part in parts], axis=0)
    known = playing is not None
    if playing is None:
        playing = activity(mean_square, strikes=strikes, bleed=bleed)
    else:
        playing = replace(playing, level_dbfs=window_levels(mean_square).astype(np.float32))
    why: dict[str, str] = {}
    levels = playing.level_dbfs[playing.windows]
    level = float(np.median(levels)) if levels.size else None
    if level is None:
        why.update(dict.fromkeys(("level_dbfs", "loud_dbfs", "crest_db", "tone_db"), "it never plays"))
    tone_parts = [part.tone for part in parts]
    tone = tone_db(np.mean(tone_parts, axis=0), playing.blocks) if level is not None else None
    pauses = playing.level_dbfs[~playing.windows] if not strikes else np.empty(0)
    # a window that touches playing is no pause
    if not strikes and playing.windows.any():
        touched = np.convolve(playing.windows, np.ones(11))[5 : 5 + playing.windows.size] > 0
        pauses = playing.level_dbfs[~touched]
    pauses = pauses[np.isfinite(pauses)]  # digital silence is no noise floor
    noise = float(np.percentile(pauses, 10)) if pauses.size >= 10 else None
    steady = bool(pauses.size >= 30 and np.isfinite(pauses).all() and np.ptp(np.percentile(pauses, (10, 60))) < 3.0)
    if noise is None:
        why["noise_dbfs"] = "no level is a pause between hits" if strikes else "it has no pause of a second or more"
    # behind a chain, hum is what it is at the tap
    hums = (None,) * len(parts) if known else tuple(_hum(part, figures, mains_hz) for part in parts)
    heard = [hum.level_dbfs for hum in hums if hum is not None]
    hum_db = max(heard) - level if heard and level is not None else None
    if hum_db is None:
        why["hum_db"] = "it is told at the tap" if known else "no mains lines stand out"
        if level is None:
            why["hum_db"] = "it never plays"
    loudness = finite(integrated_lufs(weighted))
    if loudness is None:
        why["loudness_lufs"] = "nothing passes the gate at -70 LUFS"
    loudness_range = finite(loudness_range_lu(weighted))
    if loudness_range is None:
        why["loudness_range_lu"] = "shorter than 3 s, or silent"
    values: dict[str, float | dict[str, float] | None] = {}
    found: st.Alignment | None = None
    if len(tracks) == 2:
        values, found = _pair_values(figures, tracks, playing, why)
    values |= _spreads(figures, tracks, playing, weighted, levels)
    crests = _crests_db(mean_square, peaks[:-1], playing.blocks) if level is not None else []
    values["crest_db_pm"] = half_width_of_median(np.array(crests))
    loudest = figures.loudest[tracks]
    sone, harsh, sharpness = as_heard(tone, level_dba)
    tail, octaves, articulation = _notes(parts, playing, figures.grid.hop_s, why)
    values["articulation_db_pm"] = articulation[1]
    values["tail_s_pm"] = tail.tail_s_pm
    spread_of_levels = (
        {f"{share}": round(float(np.percentile(levels, share)), 2) for share in _SHARES} if levels.size else None
    )
    tilt = tilt_db_per_octave(tone) if tone is not None else None
    top = float(peaks.max())
    true_peak = max(top, *(part.true_peak for part in parts))
    overall = float(np.mean([part.overall for part in parts]))
    readings = Readings(
        active_fraction=round(playing.fraction, 4),
        level_dbfs=level,
        loud_dbfs=float(np.percentile(levels, 95)) if levels.size else None,
        rms_dbfs=finite(db_from_power(overall) + AES17_OFFSET_DB),
        peak_dbfs=finite(db_from_amplitude(top)),
        true_peak_dbtp=finite(db_from_amplitude(true_peak)),
        loudness_lufs=loudness,
        loudness_range_lu=loudness_range,
        momentary_max_lufs=finite(lufs(loudest.momentary)),
        short_term_max_lufs=finite(lufs(loudest.short_term)),
        level_distribution_dbfs=spread_of_levels,
        crest_db=float(np.median(crests)) if crests else None,
        tone_db=tone,
        tilt_db_per_octave=tilt,
        sharpness_acum=sharpness,
        loudness_sone=sone,
        loudness_n5_sone=None,
        harsh_sone=harsh,
        articulation_db=articulation[0],
        tail_s=tail.tail_s,
        tail_octave_s=octaves,
        noise_dbfs=noise if noise is None or np.isfinite(noise) else None,
        hum_db=hum_db,
        not_measured=why,
        **values,  # type: ignore[arg-type]
    )
    for name in ("rms_dbfs", "peak_dbfs", "true_peak_dbtp"):
        if getattr(readings, name) is None:
            why[name] = "digital silence"
    if readings.crest_db is None:
        why.setdefault("crest_db", "it plays for less than a second at a time")
    if readings.noise_dbfs is None:
        why.setdefault("noise_dbfs", "its pauses are digital silence")
    for item in fields(readings):
        base = item.name.removesuffix("_pm")
        if base != item.name and getattr(readings, item.name) is None and getattr(readings, base) is not None:
            why[item.name] = "it plays too little to tell how sure this is"
    if readings.momentary_max_lufs is None:
        why["momentary_max_lufs"] = "shorter than 0.4 s, or silent"
    if readings.short_term_max_lufs is None:
        why["short_term_max_lufs"] = "shorter than 3 s, or silent"
    if readings.tilt_db_per_octave is None:
        why["tilt_db_per_octave"] = "fewer than four octaves sound"
    if readings.tone_db is None:
        why.setdefault("tone_db", "it plays too little")
    why["loudness_n5_sone"] = "it is told of the recording as a whole"
    for name in ("sharpness_acum", "loudness_sone", "harsh_sone"):
        if getattr(readings, name) is None:
            why[name] = why.get("tone_db", "it is too soft to hear")
    if readings.level_distribution_dbfs is None:
        why["level_distribution_dbfs"] = "it never plays"
    sounds, step_lu = (
        ((), None)
        if strikes or known
        else find_sounds(figures, tracks, playing, lambda mask: finite(integrated_lufs(weighted[: mask.size][mask])))
    )
    return SourceReading(
        readings=readings,
        sounds=sounds,
        step_lu=step_lu,
        activity=playing,
        tracks=tracks,
        alignment=found,
        hums=hums,
        mean_square=mean_square,
        steady_noise=steady,
    )


def _notes(
    parts: list[TrackFigures], playing: Activity, hop_s: float, why: dict[str, str]
) -> tuple[notes.Tail, dict[str, float] | None, tuple[float | None, float | None]]:
    """Tail, tail in octaves, articulation with its uncertainty."""
    decays = _while_playing(notes.together([part.decays for part in parts], 4), 1, playing, hop_s)
    onsets = _while_playing(notes.together([part.onsets for part in parts], 2), 0, playing, hop_s)
    tail, octaves = notes.tails(decays)
    articulation = notes.articulation_db(onsets)
    if tail.tail_s is None:
        why["tail_s"] = tail.reason
    if octaves is None:
        why["tail_octave_s"] = "too few notes die away freely in any octave, or in too many ways"
    if articulation[0] is None:
        why["articulation_db"] = f"only {len(onsets)} notes begin clearly"
    return tail, octaves, articulation


def _spreads(
    figures: Figures,
    tracks: tuple[int, ...],
    playing: Activity,
    weighted: NDArray[np.float64],
    levels: NDArray[np.floating],
) -> dict[str, float | dict[str, float] | None]:
    """How sure the readings are that come from blocks."""
    step_s = figures.grid.hop_s
    out: dict[str, float | dict[str, float] | None] = {
        "level_dbfs_pm": spread(levels, lambda some: float(np.median(some)), step_s=step_s),
        "loud_dbfs_pm": spread(levels, lambda some: float(np.percentile(some, 95)), step_s=step_s),
        "loudness_lufs_pm": spread(weighted, integrated_lufs, step_s=step_s),
    }
    if len(tracks) == 2:
        left, right = (figures.tracks[track].mean_square for track in tracks)
        blocks = playing.blocks[: left.size]
        series = np.stack([left[blocks], right[blocks], figures.pairs[tracks[0], tracks[1]].product[blocks]])
        if series[:2].any():
            drawn = [st.stereo(*series[:, place]) for place in draws(series.shape[-1], step_s=step_s)]
            for name in ("width_db", "balance_db", "correlation", "mono_loss_db"):
                out[f"{name}_pm"] = half_width(np.array([getattr(one, name) for one in drawn]))
    return out


def _pair_values(
    figures: Figures, tracks: tuple[int, ...], playing: Activity, why: dict[str, str]
) -> tuple[dict[str, float | dict[str, float] | None], st.Alignment | None]:
    names = (
        "width_db", "balance_db", "correlation", "mono_loss_db", "delay_ms", "width_octave_db", "mono_loss_octave_db",
    )  # fmt: skip
    left, right = (figures.tracks[track].mean_square for track in tracks)
    blocks = playing.blocks[: left.size]
    if not blocks.any() or not left[blocks].any() or not right[blocks].any():
        reason = "it never plays" if not blocks.any() else "one side carries nothing"
        why.update(dict.fromkeys(names, reason))
        return dict.fromkeys(names), None
    pair = figures.pairs[tracks[0], tracks[1]]
    found = st.stereo(left[blocks], right[blocks], pair.product[blocks])
    place = st.alignment(pair, figures.grid)
    octaves = st.by_octave(pair, figures.grid)
    values: dict[str, float | dict[str, float] | None] = {
        "width_octave_db": octaves.width_db,
        "mono_loss_octave_db": octaves.mono_loss_db,
        "width_db": finite(found.width_db),
        "balance_db": finite(found.balance_db),
        "correlation": round(found.correlation, 6),
        "mono_loss_db": finite(found.mono_loss_db),
        "delay_ms": place.delay_s * 1000 if place.certainty > 0.2 else None,
    }
    if values["width_db"] is None:
        why["width_db"] = "the sides are identical" if found.width_db < 0 else "the sides are opposite"
    if values["mono_loss_db"] is None:
        why["mono_loss_db"] = "the sides cancel wholly"
    if values["delay_ms"] is None:
        why["delay_ms"] = "the sides have no common delay"
    return values, place
