"""Sentences that tell the result of a comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.compare.behaviours import LEAST_DELAY_SAMPLES, LEAST_WIDTH_DB
from deskhand.compare.words_effects import dynamics_text, effect_texts
from deskhand.house import BLOCKS
from deskhand.units import clock, hertz, number

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
_UNEXPLAINED_DB: Final = 0.3
"""RMS that shapes may leave before the reader is sent to the curve. Common practice, no source."""
_EXPLAINED: Final = frozenset(
    {
        "saturation",
        "reverb",
        "echo",
        "tremolo",
        "chorus",
        "gain movement",
        "noise",
        "hum",
        "compressor",
        "upward compressor",
        "limiter",
        "gate",
    }
)
"""Behaviours whose models say themselves what they leave."""
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
        *[dynamics_text(gain, _LEGS[gain.on], pair=result.channels == 2) for gain in result.dynamics],
        *effect_texts(result),
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
    silent = {"polarity", "delay", "drift", "cut"}
    if set(result.behaviours) - silent or _is_new(result):
        return texts
    if louder_or_softer:
        texts.append("Nothing but level changed.")
    elif (
        (result.residual_db or 0.0) < _SAME_DB
        and alignment.polarity > 0
        and abs(alignment.delay_samples) < LEAST_DELAY_SAMPLES
    ):
        texts.append("The two are the same.")
    else:
        texts.append("Nothing that can be heard in one alone changed.")
    return texts


def _is_new(result: CompareResult) -> bool:
    """True where something is left that no model holds."""
    if set(result.behaviours) & _EXPLAINED or result.distortion_db is None:
        return False
    least_db = _NEW_BEHIND_DB if result.dynamics or result.alignment.drift_ppm else _NEW_DB
    return result.distortion_db >= least_db


def _alignment_texts(alignment: AlignmentReport, sample_rate_hz: int) -> list[str]:
    """Sentences on polarity, delay and drift."""
    texts: list[str] = []
    if alignment.polarity < 0:
        texts.append(
            "It is upside down (polarity): nothing by itself, but against the same source elsewhere it cancels."
        )
    if alignment.used_from_s is not None and alignment.used_to_s is not None:
        texts.append(
            f"Only {clock(alignment.used_from_s)} to {clock(alignment.used_to_s)} of BEFORE is told of: the rest is not in AFTER, or not at the same delay."
        )
    texts += [
        f"Between {clock(jump.after_s)} and {clock(jump.until_s)} of BEFORE, {number(abs(jump.gone_s), 1)} s "
        + ("are missing in AFTER: a cut." if jump.gone_s > 0 else "are put into AFTER.")
        for jump in alignment.jumps
    ]
    if abs(alignment.delay_samples) >= LEAST_DELAY_SAMPLES and alignment.used_from_s is None:
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


def _addition_texts(result: CompareResult) -> list[str]:
    """Sentences on distortion and noise that were not there before, and on doubt."""
    texts: list[str] = []
    if result.doubt:
        texts.append(f"{result.doubt[:1].upper()}{result.doubt[1:]}.")
    if _is_new(result):
        texts.append(
            f"Something is new in it, {number(-(result.distortion_db or 0.0), 0)} dB below its level: distortion, or what this model does not hold."
        )
    if (
        result.addition is None
        and not result.reverb
        and not result.echoes
        and result.noise_dbfs is not None
        and result.noise_dbfs > _NEW_NOISE_DBFS
    ):
        texts.append(f"Its pauses hold noise of {number(result.noise_dbfs, 0)} dBFS that was not there before.")
    return texts


def _space_texts(result: CompareResult) -> list[str]:
    """Sentences on width and decay."""
    texts: list[str] = []
    before, after = result.before, result.after
    if result.side_gain_db is not None and abs(result.side_gain_db) >= LEAST_WIDTH_DB:
        sign = "+" if result.side_gain_db > 0 else ""
        texts.append(f"Its sides got {sign}{number(result.side_gain_db, 1)} dB against the middle.")
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
