"""What a comparison found, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.units import hertz, number

if TYPE_CHECKING:
    from deskhand.compare.result import CompareResult, NamedShape

_SAME_DB: Final = -85.0
_LEVEL_DB: Final = 0.05
_NEW_DB: Final = -50.0
_NEW_BEHIND_DB: Final = -36.0
_WIDTH_DB: Final = 0.5
_DELAY_SAMPLES: Final = 0.03
_LEGS: Final = {
    "both": "",
    "left": " on the left",
    "right": " on the right",
    "mid": " on the middle",
    "side": " on the sides",
}


def shape_text(one: NamedShape) -> str:
    """One shape as people say it."""
    where = _LEGS[one.on]
    if one.slope_db_per_octave is not None:
        return f"{one.block} at {hertz(one.frequency_hz, 2)}, {number(one.slope_db_per_octave, 0)} dB/oct{where}"
    sign = "+" if (one.gain_db or 0.0) > 0 else ""
    gain = f"{sign}{number(one.gain_db or 0.0, 1)} dB"
    if one.block == "bell":
        return f"{gain} at {hertz(one.frequency_hz, 2)}, Q {number(one.q or 0.0, 2)}{where}"
    side = "below" if one.block == "low-shelf" else "above"
    return f"{gain} {side} {hertz(one.frequency_hz, 2)}{where}"


def verdict(result: CompareResult) -> list[str]:
    """What the processor did, most audible first; level apart from all the rest."""
    out: list[str] = []
    lies, change = result.alignment, result.loudness_change_lu
    nothing = not result.shapes and not result.dynamics
    if change is not None and abs(change) >= _LEVEL_DB:
        word = "louder" if change > 0 else "softer"
        out.append(
            f"It got {number(abs(change), 1)} LU {word}: whoever compares the two by ear at these levels hears that first. All "
            "differences below are told at equal loudness."
        )
    plain = nothing and (result.distortion_db or -200.0) < _NEW_DB
    if plain:
        if change is not None and abs(change) >= _LEVEL_DB:
            out.append("Nothing but level changed.")
        elif (result.residual_db or 0.0) < _SAME_DB and lies.polarity > 0 and abs(lies.delay_samples) < _DELAY_SAMPLES:
            out.append("The two are the same.")
        else:
            out.append("Nothing that can be heard in one alone changed.")
    if lies.polarity < 0:
        out.append("It is upside down (polarity): nothing by itself, but against the same source elsewhere it cancels.")
    if abs(lies.delay_samples) >= _DELAY_SAMPLES:
        time_ms = 1000.0 * lies.delay_samples / result.sample_rate_hz
        later = "late" if lies.delay_samples > 0 else "early"
        out.append(f"It comes {number(abs(time_ms), 3)} ms {later} ({number(abs(lies.delay_samples), 2)} samples).")
    if lies.drift_ppm:
        out.append(
            f"The two recorders' clocks differ by {number(lies.drift_ppm, 1)} parts in a million; that was taken out."
        )
    if result.shapes:
        out.append("Tone: " + "; ".join(shape_text(one) for one in result.shapes) + ".")
        if (result.shapes_rms_db or 0.0) > 0.3:
            out.append(
                f"These shapes leave {number(result.shapes_rms_db or 0.0, 1)} dB (RMS) unexplained: look at the curve itself."
            )
    for one in result.dynamics:
        where = _LEGS[one.on] or (" on both sides together" if result.channels == 2 else "")
        taken = (
            f"{number(one.reduction_db.median, 1)} dB typically, {number(one.reduction_db.p95, 1)} dB at loud moments"
        )
        if one.ratio is None:
            out.append(f"Dynamics{where}: takes off {taken}. {one.note[:1].upper()}{one.note[1:]}.")
            continue
        threshold = (
            f"above {number(one.threshold_dbfs, 1)} dBFS"
            if one.threshold_dbfs is not None
            else "above a threshold that cannot be told"
        )
        out.append(
            f"Dynamics{where}: {number(one.ratio, 1)} to 1 {threshold}, knee {number(one.knee_db or 0.0, 0)} dB, attack "
            f"{number(one.attack_ms or 0.0, 1)} ms, release {number(one.release_ms or 0.0, 0)} ms; takes off {taken}."
            + (f" Mind: {one.note}." if one.note else "")
        )
    # a moving gain, or a clock set right, is not known finely enough to see below that
    least_db = _NEW_BEHIND_DB if result.dynamics or lies.drift_ppm else _NEW_DB
    if result.distortion_db is not None and result.distortion_db >= least_db:
        out.append(
            f"Something is new in it, {number(-result.distortion_db, 0)} dB below its level: distortion, or what this model does not hold."
        )
    if result.noise_dbfs is not None and result.noise_dbfs > -100.0:
        out.append(f"Its pauses hold noise of {number(result.noise_dbfs, 0)} dBFS that was not there before.")
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
        out.append(f"It is {number(abs(after.width_db - before.width_db), 1)} dB {word}{loss}.")
    if before.tail_s is not None and after.tail_s is not None and abs(after.tail_s / before.tail_s - 1.0) > 0.2:
        out.append(f"Its notes die away in {number(after.tail_s, 2)} s where it was {number(before.tail_s, 2)} s.")
    return out
