"""Readings of a source: the sum of the measurements of its one or two tracks."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure import source_values as source
from deskhand.measure.activity import Activity, activity, window_levels
from deskhand.measure.loudness import integrated_lufs
from deskhand.measure.provider import SourceMaterial, provide, providers
from deskhand.measure.sounds import Sound, find_sounds
from deskhand.measure.tone import LISTENING_DBA, tone_db
from deskhand.units import finite

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from deskhand.measure.figures import Figures
    from deskhand.measure.hum import Hum
    from deskhand.measure.stereo import Alignment

LEAST_ACTIVE_S: Final = 3.0
"""A level from less playing than this is not judged. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Everything measured of one source at one place in its chain. None: see `not_measured`."""

    active_fraction: float
    """Share of the take in which the source plays."""
    level_dbfs: float | None
    """Median of the active 300 ms RMS windows (AES17); for a source that strikes, of the windows with a hit, by energy; for one that hears a
    whole kit, by energy too."""
    loud_dbfs: float | None
    """95th percentile of the active windows."""
    rms_dbfs: float | None
    """RMS of the whole stretch (AES17), playing or not."""
    peak_dbfs: float | None
    """Sample peak."""
    true_peak_dbtp: float | None
    """Largest value between samples, four times oversampled (ITU-R BS.1770-5 Annex 2)."""
    loudness_lufs: float | None
    """Integrated, gated (ITU-R BS.1770-5); of a pair, both sides together."""
    loudness_range_lu: float | None
    """Loudness range (EBU Tech 3342)."""
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
    """Part of that loudness between 2 and 5 kHz."""
    articulation_db: float | None
    """How far note onsets stand out at 2 to 8 kHz above what rings before and after them (median)."""
    tail_s: float | None
    """Seconds in which its notes die away by 60 dB, where they end freely: the observed decay."""
    tail_octave_s: dict[str, float] | None
    """Seconds for 60 dB in the octaves where they can be told."""
    noise_dbfs: float | None
    """RMS level of the quietest pauses (10th percentile of their windows)."""
    hum_db: float | None
    """Mains hum against the level."""
    passage_tone_db: dict[str, float] | None = None
    """Octave to its level as the ear weighs it, against the whole: the mean over passages of 20 s of playing."""
    passage_scatter_db2: dict[str, float] | None = None
    """Two octaves ("63 125") to the covariance of their levels between the passages."""
    passages: float | None = None
    """Passages that there were."""
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
    side_tone_db: dict[str, float] | None = None
    """Pairs: octave to the right side's tone less the left's, as the ear weighs them: the mean over passages of 20 s of playing."""
    side_scatter_db2: dict[str, float] | None = None
    """Pairs: two octaves ("63 125") to the covariance of these differences between the passages."""
    side_top_db: float | None = None
    not_measured: dict[str, str] = field(default_factory=dict)
    """Name to reason, for what could not be measured."""


_WITHOUT_FIELD: Final = {provider.name for provider in providers()} - {entry.name for entry in fields(Readings)}
if _WITHOUT_FIELD:
    raise TypeError(f"Readings has no field {', '.join(sorted(_WITHOUT_FIELD))}: a reading needs its line there")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceReading:
    """Readings of a source, and beside them the activity, hum and sounds that findings need."""

    readings: Readings
    activity: Activity
    tracks: tuple[int, ...]
    alignment: Alignment | None
    hums: tuple[Hum | None, ...]
    """One for each track."""
    mean_square: NDArray[np.float32]
    """(blocks,) mean over the sides."""
    sounds: tuple[Sound, ...]
    """The distinct sounds it uses, the most used first."""
    step_lu: float | None
    """Level step between the loudest and the quietest of them."""
    steady_noise: bool
    """True where the pauses keep one level, as noise does: decays, quiet playing and digital silence do not."""

    def with_loud_moments(self, loudness_n5_sone: float | None) -> SourceReading:
        """Reading with the loudness of the loud moments added, which needs a second look at the audio."""
        reasons = dict(self.readings.not_measured)
        reasons["loudness_n5_sone"] = "it plays too little"
        if loudness_n5_sone is not None:
            del reasons["loudness_n5_sone"]
        readings = replace(self.readings, loudness_n5_sone=loudness_n5_sone, not_measured=reasons)
        return replace(self, readings=readings)


def source_mean_square(figures: Figures, tracks: tuple[int, ...]) -> NDArray[np.float32]:
    """Mean square (blocks,) of a source: the mean over its sides."""
    parts = [figures.tracks[track].mean_square for track in tracks]
    return parts[0] if len(parts) == 1 else np.asarray(0.5 * (parts[0] + parts[1]))


def read_source(
    figures: Figures,
    tracks: tuple[int, ...],
    *,
    strikes: bool,
    mains_hz: float,
    by_cable: bool = False,
    parted: bool = True,
    bleed: NDArray[np.floating] | None = None,
    level_dba: float = LISTENING_DBA,
    playing: Activity | None = None,
) -> SourceReading:
    """Read a source of one or two tracks.

    Parameters
    ----------
    figures : Figures
        Figures of the whole recording; for a pair, measured with the pair named.
    tracks : one or two track positions
    strikes : bool
        True for a source that strikes.
    mains_hz : float
        50 or 60.
    by_cable : bool
        True for a source that hears nobody else.
    parted : bool
        False where the lower of two heaps of levels is playing too (`deskhand.measure.activity`).
    bleed : (blocks,) array, optional
        Mean square that the other sources put into its microphones.
    level_dba : float
        Level at which it is listened to.
    playing : Activity, optional
        Activity known from the tap; sounds are then not looked for again.
    """
    mean_square = source_mean_square(figures, tracks)
    behind_chain = playing is not None
    if playing is None:
        playing = activity(mean_square, strikes=strikes, by_cable=by_cable, parted=parted, bleed=bleed)
    else:
        playing = replace(playing, level_dbfs=window_levels(mean_square).astype(np.float32))
    weighted = np.sum([figures.tracks[track].weighted for track in tracks], axis=0)
    reading = _reading_without_sounds(
        figures, tracks, playing, mean_square, weighted, strikes, mains_hz, level_dba, behind_chain=behind_chain
    )
    if strikes or behind_chain:
        return reading
    sounds, step_lu = find_sounds(
        figures, tracks, playing, lambda mask: finite(integrated_lufs(weighted[: mask.size][mask]))
    )
    return replace(reading, sounds=sounds, step_lu=step_lu)


def _reading_without_sounds(
    figures: Figures,
    tracks: tuple[int, ...],
    playing: Activity,
    mean_square: NDArray[np.float32],
    weighted: NDArray[np.float64],
    strikes: bool,
    mains_hz: float,
    level_dba: float,
    *,
    behind_chain: bool,
) -> SourceReading:
    """Read a source whose activity is known; parameters as for `read_source`."""
    parts = [figures.tracks[track] for track in tracks]
    peaks = np.max([part.peak for part in parts], axis=0)
    reasons: dict[str, str] = {}
    levels = playing.level_dbfs[playing.windows]
    level_dbfs = playing.level_of(levels)
    if level_dbfs is None:
        reasons.update(dict.fromkeys(("level_dbfs", "loud_dbfs", "crest_db", "tone_db"), "it never plays"))
    noise, steady_noise = source.noise_values(playing, strikes=strikes, reasons=reasons)
    hum, hums = source.hum_values(
        parts, figures, mains_hz, level_dbfs=level_dbfs, behind_chain=behind_chain, reasons=reasons
    )
    loudness = source.loudness_values(weighted, figures.loudest[tracks], reasons)
    pair, alignment = source.pair_values(figures, tracks, playing, reasons) if len(tracks) == 2 else ({}, None)
    values = source.level_values(playing, levels) | noise | hum | loudness | pair
    values |= source.spread_values(figures, tracks, playing, weighted, levels) | source.peak_values(parts, peaks)
    plays = level_dbfs is not None
    values |= source.crest_values(mean_square, peaks[:-1], playing.blocks) if plays else {"crest_db": None}
    tone_power = np.mean([part.tone for part in parts], axis=0)
    tone = tone_db(tone_power, playing.blocks) if plays else None
    values |= source.tone_values(tone, level_dba) | source.passage_values(tone_power, playing, reasons)
    values |= source.note_values(parts, playing, figures.grid.hop_s, reasons)
    material = SourceMaterial(
        figures=figures,
        tracks=tracks,
        playing=playing,
        mean_square=mean_square,
        weighted=weighted,
        tone_db=tone,
        level_dbfs=level_dbfs,
        strikes=strikes,
        level_dba=level_dba,
        behind_chain=behind_chain,
    )
    provided = provide(material)
    readings = Readings(loudness_n5_sone=None, not_measured=reasons, **values, **provided.values)  # type: ignore[arg-type]
    _add_reasons(readings, provided.reasons)
    return SourceReading(
        readings=readings,
        sounds=(),
        step_lu=None,
        activity=playing,
        tracks=tracks,
        alignment=alignment,
        hums=hums,
        mean_square=mean_square,
        steady_noise=steady_noise,
    )


def _add_reasons(readings: Readings, provided: Mapping[str, str]) -> None:
    """Add the reasons that follow from the readings themselves, and those of provided ones, to `not_measured`."""
    reasons = readings.not_measured
    for name in ("rms_dbfs", "peak_dbfs", "true_peak_dbtp"):
        if getattr(readings, name) is None:
            reasons[name] = "digital silence"
    if readings.crest_db is None:
        reasons.setdefault("crest_db", "it plays for less than a second at a time")
    if readings.noise_dbfs is None:
        reasons.setdefault("noise_dbfs", "its pauses are digital silence")
    for reading_field in fields(readings):
        base = reading_field.name.removesuffix("_pm")
        if (
            base != reading_field.name
            and getattr(readings, reading_field.name) is None
            and getattr(readings, base) is not None
        ):
            reasons[reading_field.name] = "it plays too little to tell how sure this is"
    if readings.momentary_max_lufs is None:
        reasons["momentary_max_lufs"] = "shorter than 0.4 s, or silent"
    if readings.short_term_max_lufs is None:
        reasons["short_term_max_lufs"] = "shorter than 3 s, or silent"
    reasons.update(provided)
    if readings.tone_db is None:
        reasons.setdefault("tone_db", "it plays too little")
    reasons["loudness_n5_sone"] = "it is told of the recording as a whole"
    for name in ("sharpness_acum", "loudness_sone", "harsh_sone"):
        if getattr(readings, name) is None:
            reasons[name] = reasons.get("tone_db", "it is too soft to hear")
    if readings.level_distribution_dbfs is None:
        reasons["level_distribution_dbfs"] = "it never plays"
