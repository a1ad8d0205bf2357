"""Sentences on dynamics, saturation, late sound, movement and noise, each with the ends between which its settings lie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.units import hertz, number

if TYPE_CHECKING:
    from deskhand.compare.dynamics import Dynamics
    from deskhand.compare.interval import Interval
    from deskhand.compare.result import CompareResult


def _ends(interval: Interval | None, digits: int) -> str:
    """Ends of an interval in brackets; nothing where there is none."""
    return "" if interval is None else f" ({number(interval.low, digits)} to {number(interval.high, digits)})"


_ORDERS: Final = {
    "": "",
    "first": " It comes before the tone: its detector hears what comes in.",
    "second": " It comes after the tone: its detector hears that.",
    "cannot be told": " Whether it comes before or after the tone cannot be told.",
}


_BELOW: Final = frozenset({"gate", "upward compressor"})
"""Kinds that act below their threshold."""


def _limiter_parts(gain: Dynamics) -> list[str]:
    """Settings of a limiter."""
    parts = []
    if gain.threshold_dbfs is not None:
        parts.append(
            f"lets no peak pass {number(gain.threshold_dbfs, 1)} dBFS{_ends(gain.intervals.get('threshold_dbfs'), 1)}"
        )
    if gain.look_ahead_ms:
        parts.append(f"looks about {number(gain.look_ahead_ms, 0)} ms ahead")
    return parts


def _below_parts(gain: Dynamics) -> list[str]:
    """Settings of what acts below its threshold: a gate, or an upward compressor."""
    word, before_ratio, behind_ratio = (
        ("closes", "1 to ", "") if gain.kind == "gate" else ("lifts what is", "", " to 1")
    )
    parts = []
    if gain.threshold_dbfs is not None:
        parts.append(
            f"{word} below {number(gain.threshold_dbfs, 1)} dBFS{_ends(gain.intervals.get('threshold_dbfs'), 1)}"
        )
    if gain.ratio is not None:
        parts.append(f"{before_ratio}{number(gain.ratio, 1)}{behind_ratio}{_ends(gain.intervals.get('ratio'), 1)}")
    return parts


def _compressor_parts(gain: Dynamics) -> list[str]:
    """Settings of a compressor."""
    ratio = (
        f"{number(gain.ratio, 1)} to 1{_ends(gain.intervals.get('ratio'), 1)}"
        if gain.ratio is not None
        else "by a ratio that cannot be told"
    )
    threshold = (
        f"above {number(gain.threshold_dbfs, 1)} dBFS{_ends(gain.intervals.get('threshold_dbfs'), 1)}"
        if gain.threshold_dbfs is not None
        else "above a threshold that cannot be told"
    )
    parts = [f"{ratio} {threshold}"]
    if gain.knee_db is not None:
        parts.append(f"knee {number(gain.knee_db, 0)} dB")
    if gain.blend is not None:
        parts.append(f"{number(100.0 * gain.blend, 0)} % of it compressed, the rest beside it untouched (parallel)")
    return parts


def _amount_text(gain: Dynamics) -> str:
    """Decibels that a moving gain takes off, or lifts."""
    most = (
        ""
        if gain.range_db is None
        else f"{number(gain.range_db, 1)} dB at most{_ends(gain.intervals.get('range_db'), 1)}"
    )
    if gain.kind == "upward compressor":
        return f"lifts soft moments by {number(-gain.reduction_db.p95, 1)} dB" + (f", by {most}" if most else "")
    if gain.kind == "gate":
        return f"takes off {most}" if most else f"takes off {number(gain.reduction_db.p95, 1)} dB in soft moments"
    return f"takes off {number(gain.reduction_db.median, 1)} dB typically, {number(gain.reduction_db.p95, 1)} dB at loud moments"


def dynamics_text(gain: Dynamics, where: str, *, pair: bool) -> str:
    """One moving gain as people say it.

    Parameters
    ----------
    gain : Dynamics
    where : str
        Legs that it acts on, in words.
    pair : bool
        True where there are two channels.
    """
    if pair and not where:
        where = (
            " on both sides together" if gain.detector else " on both sides (too alike to tell one detector from two)"
        )
    if gain.kind == "limiter":
        parts = _limiter_parts(gain)
    else:
        parts = _below_parts(gain) if gain.kind in _BELOW else _compressor_parts(gain)
    if gain.attack_ms is not None:
        parts.append(f"attack {number(gain.attack_ms, 1)} ms{_ends(gain.intervals.get('attack_ms'), 1)}")
    if gain.release_ms is not None:
        parts.append(f"release {number(gain.release_ms, 0)} ms{_ends(gain.intervals.get('release_ms'), 0)}")
    note = _ORDERS[gain.order] + (f" Mind: {gain.note}." if gain.note else "")
    return f"{gain.kind.capitalize()}{where}: {', '.join([*parts, _amount_text(gain)])}.{note}"


def effect_texts(result: CompareResult) -> list[str]:
    """Sentences on saturation, late sound, movement and noise."""
    return [*_saturation_texts(result), *_late_texts(result), *_movement_texts(result), *_added_texts(result)]


def _saturation_texts(result: CompareResult) -> list[str]:
    saturation = result.saturation
    if saturation is None:
        return []
    halves = ", the two halves of the wave differently" if saturation.uneven else ""
    return [
        (
            f"Saturation: the highest peaks get {number(saturation.squash_db, 1)} dB less gain than soft samples"
            f"{_ends(saturation.squash_interval_db, 1)}{halves}; harmonics of the loudest sine {number(-saturation.harmonics_db, 0)} dB below it."
        )
    ]


def _late_texts(result: CompareResult) -> list[str]:
    texts: list[str] = []
    reverb = result.reverb
    if reverb is not None:
        decay = (
            "dies away in a time that cannot be told"
            if reverb.decay_s is None
            else f"dies away by 60 dB in {number(reverb.decay_s, 2)} s{_ends(reverb.decay_interval_s, 2)}"
        )
        note = f" Mind: {reverb.note}." if reverb.note else ""
        texts.append(
            f"Reverb: {decay}, {number(reverb.pre_delay_ms, 0)} ms after the direct sound, {number(-reverb.wet_db, 1)} dB below it"
            f"{_ends(reverb.wet_interval_db, 1)}.{note}"
        )
    if result.echoes:
        repeats = "; ".join(
            f"{number(echo.time_ms, 1)} ms, {number(-echo.level_db, 1)} dB below" for echo in result.echoes
        )
        texts.append(f"Echo after {repeats}.")
    return texts


def _movement_texts(result: CompareResult) -> list[str]:
    texts: list[str] = []
    modulation, ride = result.modulation, result.gain_movement
    if modulation is not None and modulation.kind == "tremolo":
        texts.append(
            f"Tremolo: {number(modulation.rate_hz, 2)} times a second, {number(modulation.depth_db or 0.0, 1)} dB between loud and soft."
        )
    if modulation is not None and modulation.kind == "chorus":
        texts.append(
            f"Chorus: a second, delayed sound whose delay moves by {number(modulation.depth_ms or 0.0, 1)} ms, about {number(modulation.rate_hz, 1)} times a second. It is told and not taken out: what is told beside it is not sure."
        )
    if ride is not None:
        texts.append(
            f"Its gain moves by itself, as by a hand on the fader: between {number(ride.lowest_db, 1)} and {number(ride.highest_db, 1)} dB, whatever the level."
        )
    return texts


def _added_texts(result: CompareResult) -> list[str]:
    addition = result.addition
    if addition is None:
        return []
    if addition.hum_dbfs is None or addition.mains_hz is None:
        return [
            f"Noise of {number(addition.noise_dbfs, 1)} dBFS{_ends(addition.noise_interval_dbfs, 1)} was added, steady through soft and loud."
        ]
    lines = ", ".join(
        f"{hertz(line.frequency_hz, 0)} {number(line.level_dbfs, 0)} dBFS"
        for line in sorted(addition.lines, key=lambda line: -line.level_dbfs)[:4]
    )
    return [
        f"Hum of {number(addition.hum_dbfs, 1)} dBFS{_ends(addition.hum_interval_dbfs, 1)} was added, mains of {number(addition.mains_hz, 2)} Hz: {lines}."
    ]
