"""Conducts a comparison: two recordings in, what lies between them out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand import __version__
from deskhand.chain.blocks import from_mid_side, to_mid_side
from deskhand.chain.run import run
from deskhand.compare.align import Alignment, align, refined, shifted
from deskhand.compare.dynamics import Dynamics, described
from deskhand.compare.linear import Joint, Transfer, estimate, still
from deskhand.compare.result import Aligned, CompareResult, NamedShape, Point
from deskhand.compare.shapes import Described, describe, response_db
from deskhand.compare.words import verdict
from deskhand.errors import UsageError
from deskhand.house import make_block
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.recording import open_recording
from deskhand.recording.held import held_recording
from deskhand.units import AES17_OFFSET_DB, db_from_amplitude, db_from_power

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.measure.readings import Readings
    from deskhand.recording import Recording

    Array = NDArray[np.float64]

SCHEMA: Final = 1
MOST_S: Final = 600.0
_LEAST_S: Final = 3.0
_TRIED_S: Final = 16.0
"""Which legs are moved by what is found on so much of it."""
_LONG_S: Final = 60.0
"""Response and moving gain are found on so much of it."""
_STILL_S: Final = 180.0
_LONG_SEGMENT: Final = 65536
_SIMPLER_DB: Final = 1.5
"""A model that leaves no more than this above the best is the one, when it is simpler."""
_AS_GOOD_AS_ANY_DB: Final = -75.0
_LEGS_APART_DB: Final = 3.0
_NOTHING_SHARED_DB: Final = -2.0
_POINTS_PER_OCTAVE: Final = 12
_GRID_HZ: Final = 1000.0 * 2.0 ** (np.arange(-67, 52) / _POINTS_PER_OCTAVE)
"""21 Hz to 19 kHz, 1 kHz among them."""
_DB_PER_NEPER: Final = 20.0 / float(np.log(10.0))
_SAME_RESPONSE_DB: Final = 0.15
_SURE: Final = 1.96
_LEAST_SURE_DB, _LEAST_SURE_MOVING_DB = 0.025, 0.1
"""What `validations/compare.py` shows to be left beside chance; more where a gain moves."""
_SMEAR_HZ: Final = 90.0
_PAUSE_DB: Final = 60.0
_LEAST_PAUSE_S: Final = 0.5
_NO_DELAY_SAMPLES: Final = 0.005
_STRAIGHT_RAD: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """The result with what is drawn and heard."""

    result: CompareResult
    chain: list[dict[str, object]]
    """The nearest chain of our blocks, each with its keys as the house file has them."""
    before: Array
    """(channels, frames), and AFTER aligned to it."""
    after: Array
    joint: Joint | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Model:
    """Which legs, moved together or each by itself."""

    legs: tuple[str, ...]
    together: bool
    part: slice
    """The stretch it was found on."""
    joint: Joint


def _to_legs(signal: Array, legs: tuple[str, ...]) -> Array:
    """(legs, frames): left and right as they are, or middle and sides."""
    if legs == ("mid", "side"):
        return to_mid_side(signal)
    return signal


def _read(path: Path) -> Recording:
    found = open_recording(path)
    if len(found.tracks) > 2:
        raise UsageError(
            str(path), f"has {len(found.tracks)} tracks", "compare one track or a left/right pair at a time"
        )
    if found.duration_s < _LEAST_S:
        raise UsageError(str(path), f"is {found.duration_s:.1f} s long", "three seconds at least are needed")
    return found


def compare(before_path: Path, after_path: Path, *, progress: Callable[[float], None] | None = None) -> Compared:
    """What was done to a signal between two recordings of it.

    Parameters
    ----------
    before_path, after_path : Path
        One track or a pair each, of the same number of channels.
    progress : callable, optional
        Told the share done, 0 to 1.

    Raises
    ------
    UsageError, RecordingError
        One line each.
    """
    tell = progress or (lambda _share: None)
    one, other = _read(before_path), _read(after_path)
    if len(one.tracks) != len(other.tracks):
        raise UsageError(
            str(after_path),
            f"has {len(other.tracks)} tracks, {before_path} has {len(one.tracks)}",
            "compare like with like",
        )
    rate = one.sample_rate_hz
    before = one.excerpt(range(len(one.tracks)), 0.0, MOST_S).astype(np.float64)
    after = other.excerpt(range(len(other.tracks)), 0.0, MOST_S).astype(np.float64)
    if other.sample_rate_hz != rate:
        import soxr

        after = np.ascontiguousarray(soxr.resample(after.T, other.sample_rate_hz, rate, quality="VHQ").T)
    for path, signal in ((before_path, before), (after_path, after)):
        if not signal.any():
            raise UsageError(str(path), "is digital silence", "record it while the band plays")
    tell(0.05)
    lies = align(before, after, rate)
    tell(0.15)
    names = (str(before_path), str(after_path))
    if not lies.same_performance:
        return _strangers(before, after, rate, names)
    moved = shifted(after, lies.delay_samples, lies.drift_ppm, before.shape[1])
    if lies.drift_ppm:
        # with the drift nearly gone, what is left of it is found more finely
        lies = refined(lies, align(before, moved, rate, drifts=True))
        moved = shifted(after, lies.delay_samples, lies.drift_ppm, before.shape[1])
    moved = lies.polarity * moved
    # what one has and the other has not is no difference of the processor's
    first = max(0, int(np.ceil(-lies.delay_samples)))
    last = min(before.shape[1], int((after.shape[1] - lies.delay_samples) / (1.0 + 1e-6 * lies.drift_ppm)) - 64)
    if last - first < _LEAST_S * rate:
        raise UsageError(names[1], "shares less than three seconds with the other", "record both at the same time")
    before, moved = np.ascontiguousarray(before[:, first:last]), np.ascontiguousarray(moved[:, first:last])
    model = _chosen(before, moved, rate, tell)
    if model.joint.residual_db > _NOTHING_SHARED_DB:
        return _strangers(before, moved, rate, names)
    tell(0.6)
    return _finished(model, before, moved, rate, lies, names, tell)


def _strangers(before: Array, after: Array, rate: int, names: tuple[str, str]) -> Compared:
    """Two recordings that are not of one performance."""
    readings = [_readings(signal, rate) for signal in (before, after)]
    aligned = Aligned(delay_samples=0.0, polarity=1, gain_db=0.0, drift_ppm=0.0, same_performance=False)
    why = "the two are not the same performance"
    result = CompareResult(
        schema=SCHEMA, deskhand=__version__, before_file=names[0], after_file=names[1], sample_rate_hz=rate,
        duration_s=round(before.shape[1] / rate, 3), channels=before.shape[0], alignment=aligned, response=(), shapes=(),
        shapes_rms_db=None, dynamics=(), residual_db=None, distortion_db=None, noise_dbfs=None, loudness_change_lu=None,
        before=readings[0], after=readings[1], chain_residual_db=None,
        verdict=("The two are not the same performance: nothing of one is found in the other. Record before and after at the same time.",),
        not_measured=dict.fromkeys(("residual_db", "distortion_db", "noise_dbfs", "loudness_change_lu", "shapes_rms_db", "chain_residual_db"), why),
    )  # fmt: skip
    return Compared(result=result, chain=[], before=before, after=after, joint=None)


def _lively(signal: Array, rate: int, length_s: float) -> slice:
    """The stretch of a signal with the widest range of levels among those that play throughout."""
    frames = min(round(length_s * rate), signal.shape[1])
    hop = max(1, rate // 10)
    power = np.mean(signal[:, : signal.shape[1] // hop * hop].reshape(signal.shape[0], -1, hop) ** 2, axis=(0, 2))
    wide = max(1, frames // hop)
    starts = list(range(0, max(1, power.size - wide + 1), max(1, wide // 4)))
    best = max(starts, key=lambda at: float(np.percentile(power[at : at + wide], 30)))
    return slice(best * hop, best * hop + frames)


def _chosen(before: Array, after: Array, rate: int, tell: Callable[[float], None]) -> _Model:
    """The simplest model that leaves next to the least."""
    sides: tuple[str, ...] = ("left", "right") if before.shape[0] == 2 else ("left",)
    options = [(sides, True)]
    if before.shape[0] == 2:
        options += [(("mid", "side"), True), (sides, False), (("mid", "side"), False)]
    part = _lively(before, rate, _TRIED_S)
    tried = []
    for legs, together in options:
        here, there = _to_legs(before[:, part], legs), _to_legs(after[:, part], legs)
        if not _all_sound(here):
            continue
        found = estimate(here, there, rate, together=together, rounds=5)
        tried.append((found.residual_db, legs, together, still(found)))
        tell(0.15 + 0.08 * len(tried))
        if found.residual_db < _AS_GOOD_AS_ANY_DB:
            break
    least = min(one[0] for one in tried)
    _, legs, together, at_rest = next(one for one in tried if one[0] <= least + _SIMPLER_DB)
    if at_rest:
        return _resting(before, after, rate, sides)
    part = _lively(before, rate, _LONG_S)
    found = estimate(
        _to_legs(before[:, part], legs),
        _to_legs(after[:, part], legs),
        rate,
        together=together,
        segment=_LONG_SEGMENT // 2,
    )
    return _Model(legs=legs, together=together, part=part, joint=found)


def _all_sound(legs: Array) -> bool:
    """Whether every leg holds something: the sides of what is mono do not."""
    power = np.mean(legs**2, axis=1)
    return bool(power.min() > 1e-7 * power.max())


def _resting(before: Array, after: Array, rate: int, sides: tuple[str, ...]) -> _Model:
    """Nothing moves: left and right, or middle and sides when that explains clearly more."""
    part = _lively(before, rate, _STILL_S)

    def model(legs: tuple[str, ...]) -> _Model:
        here, there = _to_legs(before[:, part], legs), _to_legs(after[:, part], legs)
        found = estimate(here, there, rate, together=True, moving=False, segment=_LONG_SEGMENT)
        return _Model(legs=legs, together=True, part=part, joint=found)

    best = model(sides)
    if len(sides) == 2 and _all_sound(to_mid_side(before[:, part])):
        other = model(("mid", "side"))
        if other.joint.residual_db < best.joint.residual_db - _LEGS_APART_DB:
            return other
    return best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Curve:
    """The response of one leg on the grid."""

    hz: Array
    level_db: Array
    sure_db: Array
    phase_rad: Array


def _curve(transfer: Transfer, top_hz: float, least_sure_db: float) -> _Curve:
    """The response at the grid's frequencies, each over its twelfth of an octave, where the programme excites it."""
    spacing = transfer.frequency_hz[1]
    weight = np.where(transfer.excited, 1.0, 0.0) * transfer.coherence / np.maximum(1.0 - transfer.coherence, 1e-6)
    rows = []
    for hz in map(float, _GRID_HZ):
        if hz > top_hz:
            break
        low, high = hz * 2.0 ** (-0.5 / _POINTS_PER_OCTAVE), hz * 2.0 ** (0.5 / _POINTS_PER_OCTAVE)
        first, last = int(np.ceil(low / spacing)), int(np.floor(high / spacing))
        if last < first:
            first = last = round(hz / spacing)
        bins = slice(first, last + 1)
        if not transfer.excited[bins].any() or not weight[bins].any():
            continue
        share = weight[bins] / weight[bins].sum()
        response = transfer.response[bins]
        # magnitudes by their logarithm: a mean of turning phasors would be too small
        level = float(np.sum(share * db_from_amplitude(np.maximum(np.abs(response), 1e-9))))
        coherence = transfer.coherence[bins]
        # Bendat & Piersol, Random Data, 4th ed., table 9.6: standard error of a magnitude; neighbouring bins of a Hann window are two thirds one
        error = np.sqrt((1.0 - coherence) / np.maximum(2.0 * coherence * transfer.averages, 1e-12))
        count = max(1.0, (last - first + 1) / 1.5)
        sure = _SURE * _DB_PER_NEPER * float(np.sqrt(np.sum(share * error**2) / count))
        turn = float(np.angle(np.sum(share * response / np.maximum(np.abs(response), 1e-12))))
        # windows smear what is steep: more, the fewer bins there are to it
        smear = least_sure_db * (1.0 + (_SMEAR_HZ / hz) ** 2)
        rows.append((hz, level, float(np.hypot(1.2 * sure, smear)), turn))
    table = np.array(rows).T
    return _Curve(hz=table[0], level_db=table[1], sure_db=table[2], phase_rad=table[3])


def _held_back(transfer: Transfer, rate: int, found: Described) -> float | None:
    """Delay in samples beyond what a filter of this magnitude holds back at least (minimum phase, by the cepstrum).

    Where the programme holds nothing, the shapes that explain the rest tell the magnitude.
    """
    count = 2 * (transfer.response.size - 1)
    level = np.log(np.maximum(np.abs(transfer.response), 1e-9))
    known = np.flatnonzero(transfer.excited & (transfer.coherence > 0.5))
    if known.size < 16:
        return None
    named = response_db(found.shapes, np.maximum(transfer.frequency_hz, 1.0), rate, warped=found.warped) / _DB_PER_NEPER
    apart = np.interp(np.arange(level.size), known, (level - named)[known])
    # far from what is known, the shapes alone
    apart[: known[0]] = apart[known[0] + 1 : known[0] + 50].mean()
    apart[known[-1] :] = apart[known[-1] - 200 : known[-1]].mean()
    level = named + apart
    cepstrum = scipy.fft.irfft(level, count)
    fold = np.zeros(count)
    fold[0] = fold[count // 2] = 1.0
    fold[1 : count // 2] = 2.0
    least = np.imag(scipy.fft.rfft(cepstrum * fold))
    rest = np.exp(1j * (np.angle(transfer.response) - least))
    hz = transfer.frequency_hz
    inside = transfer.excited & (hz > 300.0) & (hz < min(12000.0, 0.4 * rate)) & (transfer.coherence > 0.8)
    if inside.sum() < 16:
        return None
    place = 2.0 * np.pi * np.arange(hz.size) / count
    weight = np.where(inside, transfer.coherence / np.maximum(1.0 - transfer.coherence, 1e-4), 0.0)
    weight = np.minimum(weight, 1e3)
    delay = 0.0
    turned = np.zeros(hz.size)
    for _ in range(6):
        turned = np.angle(rest * np.exp(1j * place * delay))
        delay -= float(np.sum(weight * place * turned) / np.sum(weight * place * place))
    left = float(np.sqrt(np.sum(weight * turned**2) / np.sum(weight)))
    # a phase that no delay straightens says nothing of one
    return delay if left < _STRAIGHT_RAD else None


def _finished(
    model: _Model,
    before: Array,
    after: Array,
    rate: int,
    lies: Alignment,
    names: tuple[str, str],
    tell: Callable[[float], None],
) -> Compared:
    joint = model.joint
    least_db = _LEAST_SURE_MOVING_DB if joint.moves else _LEAST_SURE_DB
    curves = [_curve(transfer, 0.46 * rate, least_db) for transfer in joint.transfers]
    groups = _alike(curves)
    shapes: list[NamedShape] = []
    flat: list[float] = [0.0] * len(curves)
    left: list[float] = []
    backs: list[float | None] = []
    for group in groups:
        curve = _mean(curves, group)
        found = describe(curve.hz, curve.level_db, curve.sure_db, rate)
        left.append(found.rms_db)
        backs += [_held_back(joint.transfers[leg], rate, found) for leg in group]
        on = "both" if len(group) == len(curves) else model.legs[group[0]]
        for leg in group:
            flat[leg] = found.gain_db
        shapes += [
            NamedShape(
                block=one.block, on=on, frequency_hz=round(one.frequency_hz, 1),
                gain_db=None if one.gain_db is None else round(one.gain_db, 2), q=None if one.q is None else round(one.q, 3),
                slope_db_per_octave=one.slope_db_per_octave,
            )
            for one in found.shapes
        ]  # fmt: skip
    told = [one for one in backs if one is not None]
    back = float(np.mean(told)) if told else 0.0
    back = 0.0 if abs(back) < _NO_DELAY_SAMPLES else back
    tell(0.75)
    moved = _moved(model, flat, rate)
    tell(0.92)
    makeup = max((one.makeup_db for one in moved), default=0.0) if model.together else 0.0
    gain_db = float(np.mean(flat)) + makeup
    distortion_db, noise_dbfs, missing = _residue(joint, _to_legs(after[:, model.part], model.legs), rate)
    readings = [_readings(signal, rate) for signal in (before, after)]
    change = None
    if readings[0].loudness_lufs is not None and readings[1].loudness_lufs is not None:
        change = round(readings[1].loudness_lufs - readings[0].loudness_lufs, 2)
    else:
        missing["loudness_change_lu"] = "nothing passes the gate at -70 LUFS"
    aligned = Aligned(
        delay_samples=round(lies.delay_samples + back, 3),
        polarity=lies.polarity,
        gain_db=round(gain_db, 3),
        drift_ppm=round(lies.drift_ppm, 2),
        same_performance=True,
    )
    chain = _chain(model, shapes, moved, flat, lies.polarity)
    result = CompareResult(
        schema=SCHEMA, deskhand=__version__, before_file=names[0], after_file=names[1], sample_rate_hz=rate,
        duration_s=round(before.shape[1] / rate, 3), channels=before.shape[0], alignment=aligned,
        response=tuple(_points(model, curves, back, rate)), shapes=tuple(shapes),
        shapes_rms_db=round(max(left), 3), dynamics=tuple(moved), residual_db=round(joint.residual_db, 1),
        distortion_db=distortion_db, noise_dbfs=noise_dbfs, loudness_change_lu=change, before=readings[0], after=readings[1],
        chain_residual_db=_chain_residual_db(chain, before, lies.polarity * after, rate, back), verdict=(), not_measured=missing,
    )  # fmt: skip
    result = replace(result, verdict=tuple(verdict(result)))
    tell(1.0)
    return Compared(result=result, chain=chain, before=before, after=after, joint=joint)


def _alike(curves: list[_Curve]) -> list[list[int]]:
    """Legs that have the same response are described together."""
    if len(curves) == 1:
        return [[0]]
    one, other = curves
    shared, mine, theirs = np.intersect1d(one.hz, other.hz, return_indices=True)
    if not shared.size:
        return [[0], [1]]
    apart = one.level_db[mine] - other.level_db[theirs]
    sure = np.sqrt(one.sure_db[mine] ** 2 + other.sure_db[theirs] ** 2)
    weight = 1.0 / (sure**2 + 0.05**2)
    rms = float(np.sqrt(np.sum(weight * apart**2) / np.sum(weight)))
    expected = float(np.sqrt(np.sum(weight * (0.5 * sure) ** 2) / np.sum(weight)))
    return [[0, 1]] if rms < _SAME_RESPONSE_DB + 2.0 * expected else [[0], [1]]


def _mean(curves: list[_Curve], group: list[int]) -> _Curve:
    if len(group) == 1:
        return curves[group[0]]
    one, other = (curves[leg] for leg in group)
    shared, mine, theirs = np.intersect1d(one.hz, other.hz, return_indices=True)
    weights = 1.0 / one.sure_db[mine] ** 2, 1.0 / other.sure_db[theirs] ** 2
    total = weights[0] + weights[1]
    return _Curve(
        hz=shared,
        level_db=(weights[0] * one.level_db[mine] + weights[1] * other.level_db[theirs]) / total,
        sure_db=np.asarray(1.0 / np.sqrt(total)),
        phase_rad=one.phase_rad[mine],
    )


def _points(model: _Model, curves: list[_Curve], back: float, rate: int) -> list[Point]:
    out = []
    for leg, curve in zip(model.legs, curves, strict=True):
        turned = curve.phase_rad + 2.0 * np.pi * curve.hz / rate * back
        turned = np.angle(np.exp(1j * turned))
        out += [
            Point(
                frequency_hz=round(float(hz), 2), magnitude_db=round(float(level), 3), low_db=round(float(level - sure), 3),
                high_db=round(float(level + sure), 3), phase_deg=round(float(np.degrees(phase)), 1), leg=leg,
            )
            for hz, level, sure, phase in zip(curve.hz, curve.level_db, curve.sure_db, turned, strict=True)
        ]  # fmt: skip
    return out


def _moved(model: _Model, flat: list[float], rate: int) -> list[Dynamics]:
    """Each gain that moves, in numbers."""
    joint = model.joint
    if not joint.moves:
        return []
    out = []
    pair = len(model.legs) == 2
    for row in range(joint.gain_db.shape[0]):
        legs = list(range(len(model.legs))) if model.together else [row]
        if not model.together and still(
            replace(joint, gain_db=joint.gain_db[row : row + 1], level_db=joint.level_db[row : row + 1])
        ):
            continue
        on = "both" if model.together else model.legs[row]
        detector = "linked" if model.together else "mid-side" if "mid" in model.legs else "dual"
        # its detector hears what stands before the flat gain
        heard = joint.linear[legs] / 10.0 ** (np.array([flat[leg] for leg in legs])[:, None] / 20.0)
        if model.together and pair and model.legs == ("mid", "side"):
            heard = from_mid_side(heard)
        out.append(described(heard, joint.gain_db[row], joint.level_db[row], rate, on=on, detector=detector))
    return out


def _residue(joint: Joint, after: Array, rate: int) -> tuple[float | None, float | None, dict[str, str]]:
    """(distortion_db, noise_dbfs, why not)."""
    why: dict[str, str] = {}
    left = after - joint.predicted
    hop = rate // 50
    steps = left.shape[1] // hop
    rest = np.mean(left[:, : steps * hop].reshape(left.shape[0], steps, hop) ** 2, axis=(0, 2))
    heard = np.mean(joint.linear[:, : steps * hop].reshape(left.shape[0], steps, hop) ** 2, axis=(0, 2))
    made = np.mean(after[:, : steps * hop].reshape(left.shape[0], steps, hop) ** 2, axis=(0, 2))
    loud = float(np.percentile(heard, 95))
    pause = heard < loud * 10.0 ** (-_PAUSE_DB / 10.0)
    # a pause begins when what rang before it has died away
    pause &= np.concatenate([[False] * 5, pause[:-5]])
    noise = float(np.mean(rest[pause])) if pause.sum() * hop >= _LEAST_PAUSE_S * rate else None
    noise_dbfs = None
    if noise is None:
        why["noise_dbfs"] = "BEFORE has no pause of half a second"
    elif noise > 1e-16:
        noise_dbfs = round(float(db_from_power(noise)) + AES17_OFFSET_DB, 1)
    else:
        why["noise_dbfs"] = "its pauses are digital silence"
    playing = heard > loud * 10.0 ** (-25.0 / 10.0)
    extra = max(float(np.mean(rest[playing])) - (noise or 0.0), 1e-30)
    return round(float(db_from_power(extra / max(float(np.mean(made[playing])), 1e-30))), 1), noise_dbfs, why


def _readings(signal: Array, rate: int) -> Readings:
    channels = signal.shape[0]
    names = ("left", "right")[:channels]
    recording = held_recording(signal.astype(np.float32), names, rate)
    figures = measure_figures(recording, channels, pairs=[(0, 1)] if channels == 2 else [], threads=2)
    return read_source(figures, tuple(range(channels)), strikes=False, mains_hz=50.0).readings


def _chain(
    model: _Model, shapes: list[NamedShape], moved: list[Dynamics], flat: list[float], polarity: int
) -> list[dict[str, object]]:
    """The nearest chain of our blocks: polarity, filters, what moves, the flat gain."""
    out: list[dict[str, object]] = [{"block": "polarity"}] if polarity < 0 else []
    for one in shapes:
        written: dict[str, object] = {"block": one.block}
        if one.on != "both":
            written["on"] = one.on
        written["frequency"] = f"{one.frequency_hz:g} Hz"
        if one.slope_db_per_octave is not None:
            written["slope"] = f"{one.slope_db_per_octave:g} dB/oct"
        else:
            written |= {"gain": f"{one.gain_db:g} dB", "q": one.q}
        out.append(written)
    for gain in moved:
        if gain.threshold_dbfs is None or gain.ratio is None:
            continue
        written = {"block": "compressor"}
        if gain.on != "both":
            written["on"] = gain.on
        written |= {
            "threshold": f"{gain.threshold_dbfs:g} dBFS", "ratio": gain.ratio, "knee": f"{gain.knee_db:g} dB",
            "attack": f"{gain.attack_ms:g} ms", "release": f"{gain.release_ms:g} ms", "senses": gain.senses,
            "makeup": f"{gain.makeup_db:g} dB",
        }  # fmt: skip
        out.append(written)
    if len({round(one, 2) for one in flat}) == 1:
        if abs(flat[0]) >= 0.01:
            out.append({"block": "trim", "gain": f"{flat[0]:.3f} dB"})
    else:
        out += [
            {"block": "trim", "on": leg, "gain": f"{one:.3f} dB"} for leg, one in zip(model.legs, flat, strict=True)
        ]
    return out


def _chain_residual_db(
    chain: list[dict[str, object]], before: Array, after: Array, rate: int, back: float
) -> float | None:
    """What the chain leaves of AFTER, over at most a minute."""
    part = _lively(before, rate, _LONG_S)
    here, there = before[:, part], after[:, part]
    made = run(here, [make_block(one) for one in chain], sample_rate_hz=rate) if chain else here
    if abs(back) > 1e-3:
        made = shifted(made, -back, 0.0, made.shape[1])
    edge = min(rate, here.shape[1] // 8)
    left = float(np.sum((there - made)[:, edge:-edge] ** 2))
    return round(float(db_from_power(max(left, 1e-30) / max(float(np.sum(there[:, edge:-edge] ** 2)), 1e-30))), 1)
