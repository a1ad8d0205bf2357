"""Values of the readings of a source by their names; what cannot be measured gets its reason."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure import notes
from deskhand.measure import stereo as st
from deskhand.measure.hum import Hum, find_hum_of_either_mains
from deskhand.measure.loudness import integrated_lufs, loudness_range_lu, lufs
from deskhand.measure.passages import PASSAGE_S, passage_tones, side_tones
from deskhand.measure.spread import draws, half_width, half_width_of_median, spread, spread_by_rows
from deskhand.measure.tone import as_heard
from deskhand.units import AES17_OFFSET_DB, db_from_amplitude, db_from_power, finite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import Figures, LoudestMoments, TrackFigures

    Values = dict[str, float | dict[str, float] | None]
    Reasons = dict[str, str]
    """Name of a reading to the reason why it could not be measured."""

_SHARES: Final = (10, 25, 50, 75, 90)
"""Percentiles of the level distribution. Common practice, no source."""
_LOUD_SHARE: Final = 95
"""Percentile of the loud moments: one window in twenty is louder. Common practice, no source."""
_NOISE_SHARE: Final = 10
"""Percentile of the pauses that is the noise. Common practice, no source."""
_CREST_BLOCKS: Final = 30
"""Blocks of 100 ms (3 s) in a stretch whose crest is read. Common practice, no source."""
_LEAST_CREST_BLOCKS: Final = 10
"""Blocks of playing (1 s) from which such a stretch counts. Common practice, no source."""
_PAUSE_WINDOWS: Final = 11
"""Windows of a pause lie at least half of this (0.5 s) from playing. Common practice, no source."""
_LEAST_PAUSE_WINDOWS: Final = 10
"""Pauses (1 s) from which noise is read. Common practice, no source."""
_LEAST_STEADY_WINDOWS: Final = 30
"""Pauses (3 s) from which noise is steady or not. Common practice, no source."""
_STEADY_DB: Final = 3.0
"""Range of the quieter pauses up to which noise is steady. Common practice, no source."""
_LEAST_CERTAINTY: Final = 0.2
"""Certainty from which two sides have a common delay. Common practice, no source."""


def level_values(playing: Activity, levels: NDArray[np.floating]) -> Values:
    """Activity and levels, from the (windows,) levels of the active windows."""
    distribution = (
        {f"{share}": round(float(np.percentile(levels, share)), 2) for share in _SHARES} if levels.size else None
    )
    return {
        "active_fraction": round(playing.fraction, 4),
        "level_dbfs": playing.level_of(levels),
        "loud_dbfs": float(np.percentile(levels, _LOUD_SHARE)) if levels.size else None,
        "level_distribution_dbfs": distribution,
    }


def peak_values(parts: Sequence[TrackFigures], peaks: NDArray[np.floating]) -> Values:
    """Level of the whole take, sample peak and true peak, from the figures of the sides and their (blocks + 1,) peaks."""
    top = float(peaks.max())
    true_peak = max(top, *(part.true_peak for part in parts))
    overall = float(np.mean([part.overall for part in parts]))
    return {
        "rms_dbfs": finite(db_from_power(overall) + AES17_OFFSET_DB),
        "peak_dbfs": finite(db_from_amplitude(top)),
        "true_peak_dbtp": finite(db_from_amplitude(true_peak)),
    }


def noise_values(playing: Activity, *, strikes: bool, reasons: Reasons) -> tuple[Values, bool]:
    """Noise in the pauses, and True where the pauses keep one level, as noise does."""
    pauses = playing.level_dbfs[~playing.windows] if not strikes else np.empty(0)
    # a window that touches playing is no pause
    if not strikes and playing.windows.any():
        half = _PAUSE_WINDOWS // 2
        touched = np.convolve(playing.windows, np.ones(_PAUSE_WINDOWS))[half : half + playing.windows.size] > 0
        pauses = playing.level_dbfs[~touched]
    pauses = pauses[np.isfinite(pauses)]  # digital silence is no noise floor
    noise_dbfs = float(np.percentile(pauses, _NOISE_SHARE)) if pauses.size >= _LEAST_PAUSE_WINDOWS else None
    steady = bool(
        pauses.size >= _LEAST_STEADY_WINDOWS
        and np.isfinite(pauses).all()
        and np.ptp(np.percentile(pauses, (10, 60))) < _STEADY_DB
    )
    if noise_dbfs is None:
        reasons["noise_dbfs"] = "no level is a pause between hits" if strikes else "it has no pause of a second or more"
    return {"noise_dbfs": noise_dbfs if noise_dbfs is None or np.isfinite(noise_dbfs) else None}, steady


def hum_values(
    parts: Sequence[TrackFigures],
    figures: Figures,
    mains_hz: float,
    *,
    level_dbfs: float | None,
    behind_chain: bool,
    reasons: Reasons,
) -> tuple[Values, tuple[Hum | None, ...]]:
    """Mains hum against the level, and the hum of each side."""
    # behind a chain, hum is what it is at the tap
    hums = (
        (None,) * len(parts)
        if behind_chain
        else tuple(find_hum_of_either_mains(part, figures.grid, mains_hz=mains_hz) for part in parts)
    )
    hum_levels_dbfs = [hum.level_dbfs for hum in hums if hum is not None]
    hum_db = max(hum_levels_dbfs) - level_dbfs if hum_levels_dbfs and level_dbfs is not None else None
    if hum_db is None:
        reasons["hum_db"] = "it is told at the tap" if behind_chain else "no mains lines stand out"
        if level_dbfs is None:
            reasons["hum_db"] = "it never plays"
    return {"hum_db": hum_db}, hums


def loudness_values(weighted: NDArray[np.floating], loudest: LoudestMoments, reasons: Reasons) -> Values:
    """Loudness, loudness range and loudest moments, from (blocks,) K-weighted mean squares summed over the sides."""
    values: Values = {
        "loudness_lufs": finite(integrated_lufs(weighted)),
        "loudness_range_lu": finite(loudness_range_lu(weighted)),
        "momentary_max_lufs": finite(lufs(loudest.momentary)),
        "short_term_max_lufs": finite(lufs(loudest.short_term)),
    }
    if values["loudness_lufs"] is None:
        reasons["loudness_lufs"] = "nothing passes the gate at -70 LUFS"
    if values["loudness_range_lu"] is None:
        reasons["loudness_range_lu"] = "shorter than 3 s, or silent"
    return values


def tone_values(tone: dict[str, float] | None, level_dba: float) -> Values:
    """Tone, and its loudness, harshness and sharpness at a listening level."""
    loudness_sone, harsh_sone, sharpness_acum = as_heard(tone, level_dba)
    return {
        "tone_db": tone,
        "loudness_sone": loudness_sone,
        "harsh_sone": harsh_sone,
        "sharpness_acum": sharpness_acum,
    }


def passage_values(tone: NDArray[np.floating], playing: Activity, reasons: Reasons) -> Values:
    """Tone passage by passage, from (seconds, 31) third-octave power."""
    tones = passage_tones(tone, playing.blocks)
    if tones is None:
        reasons.update(dict.fromkeys(("passage_tone_db", "passage_scatter_db2", "passages"), "it never plays"))
        return {}
    if not tones.scatter_db2:
        reasons["passage_scatter_db2"] = f"it plays less than two passages of {PASSAGE_S} s"
    return {
        "passage_tone_db": tones.tone_db,
        "passage_scatter_db2": tones.scatter_db2 or None,
        "passages": tones.passages,
    }


def side_values(parts: Sequence[TrackFigures], playing: Activity, reasons: Reasons) -> Values:
    """Tones of a pair's sides against each other, passage by passage."""
    tones = side_tones(parts[0].tone, parts[1].tone, playing.blocks)
    if tones is None:
        reasons.update(dict.fromkeys(("side_tone_db", "side_scatter_db2"), "a side carries nothing while it plays"))
        return {}
    if not tones.scatter_db2:
        reasons["side_scatter_db2"] = f"it plays less than two passages of {PASSAGE_S} s"
    return {"side_tone_db": tones.tone_db, "side_scatter_db2": tones.scatter_db2 or None}


def crest_values(mean_square: NDArray[np.float32], peak: NDArray[np.float32], blocks: NDArray[np.bool_]) -> Values:
    """Crest of the playing and its uncertainty: median over stretches of 3 s in which it plays for at least a second."""
    crests = []
    for first in range(0, mean_square.size, _CREST_BLOCKS):
        active = blocks[first : first + _CREST_BLOCKS]
        if active.sum() < _LEAST_CREST_BLOCKS:
            continue
        power = float(mean_square[first : first + _CREST_BLOCKS][active].mean(dtype=np.float64))
        top = float(peak[first : first + _CREST_BLOCKS][active].max())
        if power > 0:
            crests.append(db_from_amplitude(top) - db_from_power(power) - AES17_OFFSET_DB)
    return {
        "crest_db": float(np.median(crests)) if crests else None,
        "crest_db_pm": half_width_of_median(np.array(crests)),
    }


def _while_playing(rows: NDArray[np.float32], column: int, playing: Activity, hop_s: float) -> NDArray[np.float32]:
    """Those of the rows whose time, in a column, lies in a block in which the source plays."""
    if not len(rows):
        return rows
    block = np.minimum((rows[:, column] / hop_s).astype(np.intp), playing.blocks.size - 1)
    return rows[playing.blocks[block]]


def note_values(parts: Sequence[TrackFigures], playing: Activity, hop_s: float, reasons: Reasons) -> Values:
    """Tail, tail in octaves and articulation, with their uncertainty."""
    decays = _while_playing(notes.together([part.decays for part in parts], 4), 1, playing, hop_s)
    onsets = _while_playing(notes.together([part.onsets for part in parts], 2), 0, playing, hop_s)
    tail, octaves = notes.tails(decays)
    articulation_db, articulation_db_pm = notes.articulation_db(onsets)
    if tail.tail_s is None:
        reasons["tail_s"] = tail.reason
    if octaves is None:
        reasons["tail_octave_s"] = "too few notes die away freely in any octave, or in too many ways"
    if articulation_db is None:
        reasons["articulation_db"] = f"only {len(onsets)} notes begin clearly"
    return {
        "tail_s": tail.tail_s,
        "tail_s_pm": tail.tail_s_pm,
        "tail_octave_s": octaves,
        "articulation_db": articulation_db,
        "articulation_db_pm": articulation_db_pm,
    }


def spread_values(
    figures: Figures,
    tracks: tuple[int, ...],
    playing: Activity,
    weighted: NDArray[np.float64],
    levels: NDArray[np.floating],
) -> Values:
    """Uncertainty of the readings that come from blocks."""
    step_s = figures.grid.hop_s
    values: Values = {
        # the median is what `level_of` gives by this rule
        "level_dbfs_pm": spread_by_rows(levels, partial(np.median, axis=-1), step_s=step_s)
        if playing.level_rule == "playing"
        else spread(levels, lambda drawn: playing.level_of(drawn) or 0.0, step_s=step_s),
        "loud_dbfs_pm": spread_by_rows(levels, partial(np.percentile, q=_LOUD_SHARE, axis=-1), step_s=step_s),
        "loudness_lufs_pm": spread(weighted, integrated_lufs, step_s=step_s),
    }
    if len(tracks) == 2:
        left, right = (figures.tracks[track].mean_square for track in tracks)
        blocks = playing.blocks[: left.size]
        series = np.stack([left[blocks], right[blocks], figures.pairs[tracks[0], tracks[1]].product[blocks]])
        if series[:2].any():
            drawn_figures = [st.stereo(*series[:, draw]) for draw in draws(series.shape[-1], step_s=step_s)]
            for name in ("width_db", "balance_db", "correlation", "mono_loss_db"):
                values[f"{name}_pm"] = half_width(np.array([getattr(stereo, name) for stereo in drawn_figures]))
    return values


def pair_values(
    figures: Figures, tracks: tuple[int, ...], playing: Activity, reasons: Reasons
) -> tuple[Values, st.Alignment | None]:
    """Stereo readings of a pair, and its alignment; no alignment where a side carries nothing."""
    names = (
        "width_db", "balance_db", "correlation", "mono_loss_db", "delay_ms", "width_octave_db", "mono_loss_octave_db",
        "side_tone_db", "side_scatter_db2",
    )  # fmt: skip
    left, right = (figures.tracks[track].mean_square for track in tracks)
    blocks = playing.blocks[: left.size]
    if not blocks.any() or not left[blocks].any() or not right[blocks].any():
        reason = "it never plays" if not blocks.any() else "one side carries nothing"
        reasons.update(dict.fromkeys(names, reason))
        return dict.fromkeys(names), None
    pair = figures.pairs[tracks[0], tracks[1]]
    stereo = st.stereo(left[blocks], right[blocks], pair.product[blocks])
    alignment = st.alignment(pair, figures.grid)
    octaves = st.by_octave(pair, figures.grid)
    values: Values = {
        "width_octave_db": octaves.width_db,
        "mono_loss_octave_db": octaves.mono_loss_db,
        "width_db": finite(stereo.width_db),
        "balance_db": finite(stereo.balance_db),
        "correlation": round(stereo.correlation, 6),
        "mono_loss_db": finite(stereo.mono_loss_db),
        "delay_ms": alignment.delay_s * 1000 if alignment.certainty > _LEAST_CERTAINTY else None,
    }
    if values["width_db"] is None:
        reasons["width_db"] = "the sides are identical" if stereo.width_db < 0 else "the sides are opposite"
    if values["mono_loss_db"] is None:
        reasons["mono_loss_db"] = "the sides cancel wholly"
    if values["delay_ms"] is None:
        reasons["delay_ms"] = "the sides have no common delay"
    return values | side_values([figures.tracks[track] for track in tracks], playing, reasons), alignment
