"""Comparison of two recordings, in front of a processor and behind it, step by step."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand import __version__
from deskhand.chain.blocks import from_mid_side
from deskhand.compare.align import align, refined, shifted
from deskhand.compare.behaviours import behaviours
from deskhand.compare.curve import (
    response_points,
)
from deskhand.compare.dynamics import Dynamics, describe_gain
from deskhand.compare.explanation import TONE_WORTH_DB
from deskhand.compare.impulse import level_left_db
from deskhand.compare.linear import JointEstimate, still
from deskhand.compare.model import LegModel, choose_model, lively, resting_model, to_legs
from deskhand.compare.nearest import chain_residual_db, nearest_chain
from deskhand.compare.parts import (
    AlignedPair,
    alignment_report,
    details,
    drawn_joint,
    law_account,
    leg_accounts,
    our_blocks,
    readings,
    side_gain_db,
)
from deskhand.compare.remainder import remainder
from deskhand.compare.residue import residue
from deskhand.compare.result import AlignmentReport, CompareResult
from deskhand.compare.rival import explain
from deskhand.compare.sides import legs_apart
from deskhand.compare.space import TOP_HZ
from deskhand.compare.tone import find_tone, gain_alone
from deskhand.compare.words import verdict
from deskhand.errors import UsageError
from deskhand.recording import open_recording

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.compare.explanation import Explanation
    from deskhand.compare.rival import Competition
    from deskhand.compare.tone import Tone
    from deskhand.recording import Recording

    Array = NDArray[np.float64]

SCHEMA: Final = 2
"""Version of the contract of `--json`."""
MOST_S: Final = 600.0
"""Longest stretch of a recording that is looked at: docs/compare.md tells it. Common practice, no source."""
_WHOLE_WORTH_DB: Final = 1.0
"""Decibels less that parts of a sample must leave: processors delay by whole ones. Common practice, no source."""
_WHOLE_S: Final = 45.0
"""Beginning that this is asked of: longer than the cases of `validations/compare_cases.py`."""
_ALL_BUT_S: Final = 1.0
"""Less than this that is not shared is not told: nobody stops two recorders at one moment. Common practice, no source."""
_LEAST_S: Final = 3.0
"""Shortest recording that is compared: docs/compare.md tells it. Common practice, no source."""
_DROWNED_DB: Final = -0.5
"""Residual above which BEFORE is a tenth of AFTER at most, and no frequency tells anything: another performance with a little of it.
Common practice, no source."""
_LEAST_SHARED_S: Final = 2.0
"""Shortest stretch beside a cut that is described. Common practice, no source."""
_EXPLAINED_S: Final = 24.0
"""Stretch on which explanations compete: as long as the cases of `validations/compare_cases.py`."""
_HOLDS_DB: Final = -50.0
"""Residual of a linear part with which it holds throughout a recording. Common practice, no source."""
_LEGS_ASKED_DB: Final = -25.0
"""Residual of the chosen explanation above which legs with gains of their own are tried. Common practice, no source."""
_LEGS_WORTH_DB: Final = 6.0
"""Decibels by which those must leave less: their gain is read at every moment, not modelled. Common practice, no source."""
_OWN_DELAY_SAMPLES: Final = 2.0
"""Delay beside a moving gain or late sound up to which it is taken for theirs. Common practice, no source."""
_LEAST_BESIDE_LATE_DB: Final = 1.5
"""Smallest gain of a shape that is told beside late sound, which lies on the response. The study `validations/compare_cases.py`."""
_WITHOUT_TONE: Final = frozenset(
    {
        "level-dependent gain",
        "saturation",
        "level-dependent gain and saturation",
        "saturation and level-dependent gain",
        "gain movement",
        "tremolo",
        "moving delay",
    }
)
"""Explanations that hold no response: one beside them was tried and was not worth its parameters, or there was nothing left for it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Result of a comparison with what is drawn and heard."""

    result: CompareResult
    chain: list[dict[str, object]]
    """Nearest chain of our blocks, each with its keys as the house file has them."""
    before: Array
    """(channels, frames)."""
    after: Array
    """(channels, frames), aligned to `before`."""
    joint: JointEstimate | None
    """Response and moving gain; None for recordings that are not of one performance."""
    left: Array | None = None
    """(channels, frames) of what is left of `after` in the stretch that was explained, silent outside it."""


def _read(path: Path) -> Recording:
    """Open a recording that can be compared."""
    recording = open_recording(path)
    if len(recording.tracks) > 2:
        raise UsageError(
            str(path), f"has {len(recording.tracks)} tracks", "compare one track or a left/right pair at a time"
        )
    if recording.duration_s < _LEAST_S:
        raise UsageError(str(path), f"is {recording.duration_s:.1f} s long", "three seconds at least are needed")
    return recording


def _read_pair(before_path: Path, after_path: Path) -> tuple[Array, Array, int]:
    """((channels, frames) of BEFORE, the same of AFTER, sample rate of both in Hz)."""
    before_recording, after_recording = _read(before_path), _read(after_path)
    if len(before_recording.tracks) != len(after_recording.tracks):
        raise UsageError(
            str(after_path),
            f"has {len(after_recording.tracks)} tracks, {before_path} has {len(before_recording.tracks)}",
            "compare like with like",
        )
    rate = before_recording.sample_rate_hz
    channels = range(len(before_recording.tracks))
    before = before_recording.excerpt(channels, 0.0, MOST_S).astype(np.float64)
    after = after_recording.excerpt(channels, 0.0, MOST_S).astype(np.float64)
    if after_recording.sample_rate_hz != rate:
        import soxr

        after = np.ascontiguousarray(soxr.resample(after.T, after_recording.sample_rate_hz, rate, quality="VHQ").T)
    for path, signal in ((before_path, before), (after_path, after)):
        if not signal.any():
            raise UsageError(str(path), "is digital silence", "record it while the band plays")
    return before, after, rate


def compare(before_path: Path, after_path: Path, *, progress: Callable[[float], None] | None = None) -> Comparison:
    """Compare two recordings of one signal, in front of a processor and behind it.

    Parameters
    ----------
    before_path, after_path : Path
        Recordings of one track or a pair each, of the same number of channels.
    progress : callable, optional
        Told the share done, 0 to 1.

    Raises
    ------
    UsageError, RecordingError
        One line each.
    """
    tell = progress or (lambda _share: None)
    before, after, rate = _read_pair(before_path, after_path)
    tell(0.05)
    alignment = align(before, after, rate)
    tell(0.15)
    names = (str(before_path), str(after_path))
    if not alignment.same_performance:
        return _unrelated(before, after, rate, names)
    moved = shifted(after, alignment.delay_samples, alignment.drift_ppm, before.shape[1])
    if alignment.drift_ppm:
        # with the drift nearly gone, what is left of it is found more finely
        alignment = refined(alignment, align(before, moved, rate, drifts=True))
        moved = shifted(after, alignment.delay_samples, alignment.drift_ppm, before.shape[1])
    elif _is_whole(before, after, rate, alignment.delay_samples):
        alignment = replace(alignment, delay_samples=float(round(alignment.delay_samples)))
        moved = shifted(after, alignment.delay_samples, 0.0, before.shape[1])
    moved = alignment.polarity * moved
    # what one has and the other has not is no difference of the processor's
    first = max(0, int(np.ceil(-alignment.delay_samples)))
    after_end = int((after.shape[1] - alignment.delay_samples) / (1.0 + 1e-6 * alignment.drift_ppm))
    last = min(before.shape[1], after_end - 64)
    if alignment.used is not None:
        first, last = max(first, alignment.used[0]), min(last, alignment.used[1])
    shared = (first / rate, last / rate) if last - first < before.shape[1] - _ALL_BUT_S * rate else None
    if last - first < _LEAST_SHARED_S * rate:
        raise UsageError(names[1], "shares less than two seconds with the other", "record both at the same time")
    before, moved = np.ascontiguousarray(before[:, first:last]), np.ascontiguousarray(moved[:, first:last])
    part = lively(before, rate, _EXPLAINED_S)
    competition = replace(explain(before[:, part], moved[:, part], rate, tell), first=part.start)
    model = _model(competition, before, moved, rate, tell)
    if part.stop - part.start < before.shape[1] and competition.chosen.model == "linear":
        worst = _worst_part(model, before, moved, rate)
        if worst is not None:
            competition = replace(explain(before[:, worst], moved[:, worst], rate, tell), first=worst.start)
            model = _model(competition, before, moved, rate, tell)
    tell(0.6)
    pair = AlignedPair(before=before, after=moved, rate=rate, alignment=alignment, names=names, shared=shared)
    return _comparison(model, competition, pair, tell)


def _is_whole(before: Array, after: Array, rate: int, delay_samples: float) -> bool:
    """True where whole samples of delay leave about as little as parts of one: what bends a signal moves a correlation's peak."""
    before = before[:, : round(_WHOLE_S * rate)]
    near = [shifted(after, delay, 0.0, before.shape[1]) for delay in (float(round(delay_samples)), delay_samples)]
    gains = [float(np.sum(before * moved) / max(float(np.sum(moved**2)), 1e-30)) for moved in near]
    whole_db, parted_db = (level_left_db(before, gain * moved) for gain, moved in zip(gains, near, strict=True))
    return whole_db < parted_db + _WHOLE_WORTH_DB


def _model(competition: Competition, before: Array, after: Array, rate: int, tell: Callable[[float], None]) -> LegModel:
    """Linear part that the chosen explanation leaves; or moving gains of legs by themselves, where those explain clearly more."""
    chosen = competition.chosen
    sides: tuple[str, ...] = ("left", "right") if before.shape[0] == 2 else ("left",)
    resting = resting_model(
        *((before, after) if chosen.model == "linear" else (chosen.before, chosen.after)), rate, sides
    )
    in_front = competition.filtered if chosen.model.startswith(("tone", "linear")) else competition.before
    if (
        len(sides) == 2
        and chosen.residual_db > _LEGS_ASKED_DB
        and chosen.modulation is None
        and legs_apart(in_front, competition.after, rate)
    ):
        legs = choose_model(before, after, rate, tell)
        if legs.joint.moves and not legs.together and legs.joint.residual_db < chosen.residual_db - _LEGS_WORTH_DB:
            return legs
    return resting


def _worst_part(model: LegModel, before: Array, after: Array, rate: int) -> slice | None:
    """Stretch in which a linear part that was found elsewhere leaves most; None where it holds throughout."""
    if model.joint.residual_db < _HOLDS_DB:
        return None
    left = np.sum((to_legs(after[:, model.part], model.legs) - model.joint.predicted) ** 2, axis=0)
    second = left[: left.size // rate * rate].reshape(-1, rate).sum(axis=1)
    length = round(_EXPLAINED_S)
    total = np.convolve(second, np.ones(min(length, second.size)), "valid")
    first = model.part.start + int(np.argmax(total)) * rate
    return slice(first, min(first + length * rate, before.shape[1]))


def _unrelated(before: Array, after: Array, rate: int, names: tuple[str, str]) -> Comparison:
    """Comparison of two recordings that are not of one performance."""
    both_readings = [readings(signal, rate) for signal in (before, after)]
    alignment = AlignmentReport(delay_samples=0.0, polarity=1, gain_db=0.0, drift_ppm=0.0, same_performance=False)
    why = "the two are not the same performance"
    result = CompareResult(
        schema=SCHEMA, deskhand=__version__, before_file=names[0], after_file=names[1], sample_rate_hz=rate,
        duration_s=round(before.shape[1] / rate, 3), channels=before.shape[0], alignment=alignment, response=(), shapes=(),
        shapes_rms_db=None, dynamics=(), residual_db=None, distortion_db=None, noise_dbfs=None, loudness_change_lu=None,
        before=both_readings[0], after=both_readings[1], chain_residual_db=None,
        verdict=("The two are not the same performance: nothing of one is found in the other. Record before and after at the same time.",),
        not_measured=dict.fromkeys(("residual_db", "distortion_db", "noise_dbfs", "loudness_change_lu", "shapes_rms_db", "chain_residual_db"), why),
    )  # fmt: skip
    return Comparison(result=result, chain=[], before=before, after=after, joint=None)


def _told_beside(tone: Tone, chosen: Explanation) -> Tone:
    """Tone as it is told beside an explanation: without what is only what that leaves on a response."""
    if chosen.model in _WITHOUT_TONE or chosen.legs is not None:
        tone = replace(tone, shapes=[], rms_db=0.0)
    if not chosen.model.startswith("linear") and abs(tone.delay_samples) < _OWN_DELAY_SAMPLES:
        # late sound and moving gains turn the phase a little: that is no delay
        tone = replace(tone, delay_samples=0.0)
    if chosen.space is not None:
        told = chosen.space.tone_db >= TONE_WORTH_DB
        tone = replace(
            tone,
            shapes=[shape for shape in tone.shapes if told and abs(shape.gain_db or 99.0) >= _LEAST_BESIDE_LATE_DB],
        )
    return tone


def _comparison(
    model: LegModel, competition: Competition, pair: AlignedPair, tell: Callable[[float], None]
) -> Comparison:
    """Comparison in numbers and words, from the explanation that was chosen and the linear part that it leaves."""
    rate, before, after = pair.rate, pair.before, pair.after
    # legs with gains of their own are described without the rest of the competition
    chosen = None if model.joint.moves else competition.chosen
    tone = find_tone(model, rate, TOP_HZ if chosen is not None and chosen.space is not None else np.inf)
    if tone is None:
        if not pair.alignment.sure or competition.chosen.residual_db > _DROWNED_DB:
            # two that were aligned by chance, or one that another performance drowns
            return _unrelated(before, after, rate, pair.names)
        tone = gain_alone(model, before)
    if chosen is not None:
        tone = _told_beside(tone, chosen)
    tell(0.75)
    flat_db = float(np.mean(tone.flat_db))
    dynamics = _dynamics(model, tone.flat_db, rate)
    if chosen is not None and chosen.law is not None:
        dynamics = [law_account(chosen, competition, flat_db, rate, tone.shapes)]
    elif chosen is not None and chosen.legs is not None:
        dynamics = leg_accounts(chosen.legs, competition.after)
    tell(0.92)
    linear_after = after if chosen is None or chosen.model == "linear" else chosen.after
    distortion_db, noise_dbfs, missing = residue(model.joint, to_legs(linear_after[:, model.part], model.legs), rate)
    both_readings = [readings(signal, rate) for signal in (before, after)]
    change_lu = None
    if both_readings[0].loudness_lufs is not None and both_readings[1].loudness_lufs is not None:
        change_lu = round(both_readings[1].loudness_lufs - both_readings[0].loudness_lufs, 2)
    else:
        missing["loudness_change_lu"] = "nothing passes the gate at -70 LUFS"
    # what is undone on AFTER holds no make-up gain: the linear part that is left does
    makeup_db = max((gain.makeup_db for gain in dynamics), default=0.0) if model.joint.moves and model.together else 0.0
    our_gains = dynamics if chosen is None else our_blocks(chosen, dynamics)
    chain = nearest_chain(model, tone.shapes, our_gains, tone.flat_db, pair.alignment.polarity, chosen)
    left_db = chain_residual_db(chain, before, pair.alignment.polarity * after, rate, tone.delay_samples)
    result = CompareResult(
        schema=SCHEMA, deskhand=__version__, before_file=pair.names[0], after_file=pair.names[1], sample_rate_hz=rate,
        duration_s=round(before.shape[1] / rate, 3), channels=before.shape[0],
        alignment=alignment_report(pair, tone.delay_samples, flat_db + makeup_db),
        response=tuple(response_points(model.legs[: len(tone.curves)], tone.curves, tone.delay_samples, rate)), shapes=tuple(tone.shapes),
        shapes_rms_db=round(tone.rms_db, 3), dynamics=tuple(dynamics), residual_db=round(model.joint.residual_db, 1),
        distortion_db=distortion_db, noise_dbfs=noise_dbfs, loudness_change_lu=change_lu, before=both_readings[0], after=both_readings[1],
        chain_residual_db=left_db, verdict=(), not_measured=missing, flat_gain_db=round(flat_db, 3), side_gain_db=side_gain_db(model, tone.flat_db),
        rivals=() if chosen is None else competition.rivals, doubt="" if chosen is None else competition.doubt,
        left_db=round(model.joint.residual_db if chosen is None else chosen.residual_db, 1),
        **({} if chosen is None else details(chosen, competition, rate)),
    )  # fmt: skip
    result = replace(result, behaviours=behaviours(result))
    result = replace(result, verdict=tuple(verdict(result)))
    tell(1.0)
    joint = drawn_joint(model, chosen, dynamics[0].makeup_db if dynamics else 0.0)
    left = remainder(model, competition, after)
    return Comparison(result=result, chain=chain, before=before, after=after, joint=joint, left=left)


def _dynamics(model: LegModel, flat_db: Sequence[float], rate: int) -> list[Dynamics]:
    """Gains that move, in numbers."""
    joint = model.joint
    if not joint.moves:
        return []
    dynamics = []
    pair = len(model.legs) == 2
    for row in range(joint.gain_db.shape[0]):
        legs = list(range(len(model.legs))) if model.together else [row]
        if not model.together and still(
            replace(joint, gain_db=joint.gain_db[row : row + 1], level_db=joint.level_db[row : row + 1])
        ):
            continue
        on = "both" if model.together else model.legs[row]
        detector = "linked" if model.together else "mid-side" if "mid" in model.legs else "dual"
        # its detector listens in front of the flat gain
        side_chain = joint.linear[legs] / 10.0 ** (np.array([flat_db[leg] for leg in legs])[:, None] / 20.0)
        if model.together and pair and model.legs == ("mid", "side"):
            side_chain = from_mid_side(side_chain)
        dynamics.append(
            describe_gain(side_chain, joint.gain_db[row], joint.level_db[row], rate, on=on, detector=detector)
        )
    return dynamics
