"""Sentences that tell the result of a comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.house import BLOCKS
from deskhand.units import hertz, number

if TYPE_CHECKING:
    from deskhand.compare.result import AlignmentReport, CompareResult, ShapeReport

_SAME_DB: Final = -85.0
"""Residual against AFTER below which nothing was done: 14 bits. Common practice, no source."""
_LEVEL_DB: Final = 0.05
"""Smallest change of loudness that is told: half of a step of 0.1. Common practice, no source."""
_NEW_DB: Final = -50.0
"""Distortion against the level of AFTER from which it is told: 0.3 %. Common practice, no source."""
_NEW_BEHIND_DB: Final = -36.0
"""Distortion from which it is told behind a moving gain or a clock set right, which are not known finely enough to see below that. Common
practice, no source."""
_NEW_NOISE_DBFS: Final = -100.0
"""Noise in the pauses from which it is told. Common practice, no source."""
_WIDTH_DB: Final = 0.5
"""Smallest change of width that is told. Common practice, no source."""
_TAIL_SHARE: Final = 0.2
"""Smallest change of the decay that is told, as a share of it. Common practice, no source."""
_DELAY_SAMPLES: Final = 0.03
"""Smallest delay that is told: nine of ten in docs/validation-compare.md are found as
near."""
_UNEXPLAINED_DB: Final = 0.3
"""RMS that shapes may leave before the reader is sent to the curve. Common practice, no source."""
_LEGS: Final = {
    "both": "",
    "left": " on the left",
    "right": " on the right",
    "mid": " on the mid",
    "side": " on the side",
}


def shape_text(shape: ShapeReport) -> str:
    """One shape as people say it."""
    where = _LEGS[shape.on]
    if shape.slope_db_per_octave is not None:
        return f"{shape.block} at {hertz(shape.frequency_hz, 2)}, {number(shape.slope_db_per_octave, 0)} dB/oct{where}"
    sign = "+" if (shape.gain_db or 0.0) > 0 else ""
    gain = f"{sign}{number(shape.gain_db or 0.0, 1)} dB"
    side = BLOCKS[shape.block].acts
    if side is None:
        return f"{gain} at {hertz(shape.frequency_hz, 2)}, Q {number(shape.q or 0.0, 2)}{where}"
    return f"{gain} {side} {hertz(shape.frequency_hz, 2)}{where}"


def verdict(result: CompareResult) -> list[str]:
    """Sentences on what the processor did, most audible first; level apart from all else."""
    return [
        *_level_texts(result),
        *_alignment_texts(result.alignment, result.sample_rate_hz),
        *_tone_texts(result),
        *_dynamics_texts(result),
        *_addition_texts(result),
        *_space_texts(result),
    ]


def _level_texts(result: CompareResult) -> list[str]:
    """Sentences on loudness, and on a processor that did nothing else."""
    texts: list[str] = []
    alignment, change = result.alignment, result.loudness_change_lu
    louder_or_softer = change is not None and abs(change) >= _LEVEL_DB
    if change is not None and louder_or_softer:
        word = "louder" if change > 0 else "softer"
        texts.append(
            f"It got {number(abs(change), 1)} LU {word}: whoever compares the two by ear at these levels hears that first. All "
            "differences below are told at equal loudness."
        )
    if result.shapes or result.dynamics or (result.distortion_db or -200.0) >= _NEW_DB:
        return texts
    if louder_or_softer:
        texts.append("Nothing but level changed.")
    elif (
        (result.residual_db or 0.0) < _SAME_DB
        and alignment.polarity > 0
        and abs(alignment.delay_samples) < _DELAY_SAMPLES
    ):
        texts.append("The two are the same.")
    else:
        texts.append("Nothing that can be heard in one alone changed.")
    return texts


def _alignment_texts(alignment: AlignmentReport, sample_rate_hz: int) -> list[str]:
    """Sentences on polarity, delay and drift."""
    texts: list[str] = []
    if alignment.polarity < 0:
        texts.append(
            "It is upside down (polarity): nothing by itself, but against the same source elsewhere it cancels."
        )
    if abs(alignment.delay_samples) >= _DELAY_SAMPLES:
        time_ms = 1000.0 * alignment.delay_samples / sample_rate_hz
        later = "late" if alignment.delay_samples > 0 else "early"
        texts.append(
            f"It comes {number(abs(time_ms), 3)} ms {later} ({number(abs(alignment.delay_samples), 2)} samples)."
        )
    if alignment.drift_ppm:
        texts.append(
            f"The two recorders' clocks differ by {number(alignment.drift_ppm, 1)} parts in a million; that was taken out."
        )
    return texts


def _tone_texts(result: CompareResult) -> list[str]:
    """Sentences on the shapes, and on what they leave."""
    if not result.shapes:
        return []
    texts = ["Tone: " + "; ".join(shape_text(shape) for shape in result.shapes) + "."]
    if (result.shapes_rms_db or 0.0) > _UNEXPLAINED_DB:
        texts.append(
            f"These shapes leave {number(result.shapes_rms_db or 0.0, 1)} dB (RMS) unexplained: look at the curve itself."
        )
    return texts


def _dynamics_texts(result: CompareResult) -> list[str]:
    """Sentences on each gain that moves."""
    texts: list[str] = []
    for gain in result.dynamics:
        where = _LEGS[gain.on] or (" on both sides together" if result.channels == 2 else "")
        reduction = (
            f"{number(gain.reduction_db.median, 1)} dB typically, {number(gain.reduction_db.p95, 1)} dB at loud moments"
        )
        if gain.ratio is None:
            texts.append(f"Dynamics{where}: takes off {reduction}. {gain.note[:1].upper()}{gain.note[1:]}.")
            continue
        threshold = (
            f"above {number(gain.threshold_dbfs, 1)} dBFS"
            if gain.threshold_dbfs is not None
            else "above a threshold that cannot be told"
        )
        texts.append(
            f"Dynamics{where}: {number(gain.ratio, 1)} to 1 {threshold}, knee {number(gain.knee_db or 0.0, 0)} dB, attack "
            f"{number(gain.attack_ms or 0.0, 1)} ms, release {number(gain.release_ms or 0.0, 0)} ms; takes off {reduction}."
            + (f" Mind: {gain.note}." if gain.note else "")
        )
    return texts


def _addition_texts(result: CompareResult) -> list[str]:
    """Sentences on distortion and noise that were not there before."""
    texts: list[str] = []
    least_db = _NEW_BEHIND_DB if result.dynamics or result.alignment.drift_ppm else _NEW_DB
    if result.distortion_db is not None and result.distortion_db >= least_db:
        texts.append(
            f"Something is new in it, {number(-result.distortion_db, 0)} dB below its level: distortion, or what this model does not hold."
        )
    if result.noise_dbfs is not None and result.noise_dbfs > _NEW_NOISE_DBFS:
        texts.append(f"Its pauses hold noise of {number(result.noise_dbfs, 0)} dBFS that was not there before.")
    return texts


def _space_texts(result: CompareResult) -> list[str]:
    """Sentences on width and decay."""
    texts: list[str] = []
    before, after = result.before, result.after
    if (
        before.width_db is not None
        and after.width_db is not None
        and abs(after.width_db - before.width_db) >= _WIDTH_DB
    ):
        word = "wider" if after.width_db > before.width_db else "narrower"
        loss = ""
        if before.mono_loss_db is not None and after.mono_loss_db is not None:
            loss = f"; in mono it loses {number(-after.mono_loss_db, 1)} dB where it lost {number(-before.mono_loss_db, 1)}"
        texts.append(f"It is {number(abs(after.width_db - before.width_db), 1)} dB {word}{loss}.")
    if before.tail_s is not None and after.tail_s is not None and abs(after.tail_s / before.tail_s - 1.0) > _TAIL_SHARE:
        texts.append(f"Its notes die away in {number(after.tail_s, 2)} s where it was {number(before.tail_s, 2)} s.")
    return texts
