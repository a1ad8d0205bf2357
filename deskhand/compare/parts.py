"""Parts of a comparison's result: alignment, what an explanation holds, gains for the chain and for the picture, readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.chain.blocks import to_mid_side
from deskhand.compare.account import as_our_block, describe_law
from deskhand.compare.bend import describe_bend
from deskhand.compare.laws import settings
from deskhand.compare.movement import describe_slow
from deskhand.compare.result import AlignmentReport, JumpReport
from deskhand.compare.sides import link_of
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.recording.held import held_recording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.compare.align import TimeAlignment
    from deskhand.compare.dynamics import Dynamics
    from deskhand.compare.explanation import Explanation
    from deskhand.compare.linear import JointEstimate
    from deskhand.compare.model import LegModel
    from deskhand.compare.result import ShapeReport
    from deskhand.compare.rival import Competition
    from deskhand.compare.search import LawFit
    from deskhand.compare.sides import LegLaws
    from deskhand.measure.readings import Readings

    Array = NDArray[np.float64]

_SINE_DB: Final = 3.0103
"""Peak of a sine over its RMS, by which levels in dBFS lie above mean squares (AES17-2020, 3.12.1)."""
_LEVEL_OPEN_DB: Final = 1.0
"""Gain that may lie on either side of a detector from which its threshold is not told. Common practice, no source."""
_MAINS_HZ: Final = 50.0
"""Mains frequency at which the readings look for hum first; 60 Hz is looked at as well."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedPair:
    """Both recordings, aligned, and how they lay."""

    before: Array
    after: Array
    rate: int
    alignment: TimeAlignment
    names: tuple[str, str]
    shared: tuple[float, float] | None
    """Beginning and end, in seconds of BEFORE, of what the two share; None where that is all."""


def details(chosen: Explanation, competition: Competition, rate: int) -> dict[str, Any]:
    """Fields of the result that tell what the chosen explanation holds beside tone and dynamics."""
    return {
        "saturation": None
        if chosen.bend is None
        else describe_bend(
            chosen.bend,
            competition.before if chosen.bend_input is None else chosen.bend_input,
            competition.after if chosen.bend_output is None else chosen.bend_output,
            rate,
        ),
        "reverb": None if chosen.space is None else chosen.space.reverb,
        "echoes": () if chosen.space is None else chosen.space.echoes,
        "modulation": chosen.modulation,
        "addition": chosen.addition,
        "gain_movement": None if chosen.slow is None else describe_slow(chosen.slow, rate),
    }


def alignment_report(pair: AlignedPair, delay_samples: float, gain_db: float) -> AlignmentReport:
    """Alignment as the result has it; `delay_samples` is what the response holds beside its filters."""
    alignment = pair.alignment
    return AlignmentReport(
        delay_samples=round(alignment.delay_samples + delay_samples, 3),
        polarity=alignment.polarity,
        gain_db=round(gain_db, 3),
        drift_ppm=round(alignment.drift_ppm, 2),
        same_performance=True,
        used_from_s=None if pair.shared is None else round(pair.shared[0], 2),
        used_to_s=None if pair.shared is None else round(pair.shared[1], 2),
        jumps=tuple(
            JumpReport(after_s=jump.after_s, until_s=jump.until_s, gone_s=jump.gone_s) for jump in alignment.jumps
        ),
    )


def side_gain_db(model: LegModel, flat_db: Sequence[float]) -> float | None:
    """Gain of the sides against the middle's."""
    return round(flat_db[1] - flat_db[0], 2) if model.legs == ("mid", "side") and not model.joint.moves else None


def law_account(
    chosen: Explanation, competition: Competition, flat_db: float, rate: int, shapes: Sequence[ShapeReport]
) -> Dynamics:
    """Level-dependent gain of an explanation in settings, with its place and its link.

    Parameters
    ----------
    chosen : Explanation
        One that holds a law.
    competition : Competition
    flat_db : float
        Gain that all frequencies share.
    rate : int
        Sample rate in Hz.
    shapes : sequence of ShapeReport
        Tone beside it.
    """
    assert chosen.law is not None
    toned = chosen.model.startswith("tone")
    link = (
        link_of(chosen.before, competition.after, rate) if competition.before.shape[0] == 2 and not toned else "linked"
    )
    # behind a tone its detector hears the flat gain as well
    heard_db = flat_db if toned and not chosen.gain_first else 0.0
    # a saturation behind it makes a ceiling that is none of its own
    bent_later = chosen.bend_input is not None and chosen.bend_output is competition.after
    return describe_law(
        chosen.law,
        chosen.bend_input if bent_later and chosen.bend_input is not None else competition.after,
        heard_db,
        detector="" if link == "cannot be told" else "linked",
        order=chosen.order,
        level_open=_level_open(chosen, shapes) if toned else "",
        other_threshold_dbfs=_other_threshold_dbfs(chosen, flat_db),
    )


def _other_threshold_dbfs(chosen: Explanation, flat_db: float) -> float | None:
    """Threshold with the gain on the other side of the tone; None where its place is known."""
    if chosen.other_law is None:
        return None
    return settings(chosen.other_law.values)["threshold_dbfs"] - (flat_db if chosen.gain_first else 0.0)


def _level_open(chosen: Explanation, shapes: Sequence[ShapeReport]) -> str:
    """Reason for which the level at the detector of a gain beside a tone is not known; empty where it is."""
    shelf_db = max((abs(shape.gain_db or 0.0) for shape in shapes if shape.block.endswith("shelf")), default=0.0)
    if (not chosen.gain_first or chosen.order == "cannot be told") and shelf_db > _LEVEL_OPEN_DB:
        return "a shelf and the opposite shelf with another gain behind them are one response, so the level at its detector is open"
    return ""


def leg_accounts(legs: LegLaws, after: Array) -> list[Dynamics]:
    """Level-dependent gains of two legs in settings; a leg whose gain stands still is left out."""
    detector = "dual" if legs.legs[0] == "left" else "mid-side"
    signals = after if detector == "dual" else to_mid_side(after)
    return [
        describe_law(legs.laws[leg], signals[leg : leg + 1], 0.0, on=legs.legs[leg], detector=detector)
        for leg in legs.active
    ]


def _as_our_block(law: LawFit, dynamics: Dynamics) -> list[Dynamics]:
    """Moving gain as our block has it: fitted again where the unit smooths elsewhere."""
    if dynamics.kind != "compressor":
        return [dynamics]
    ours = as_our_block(law)
    turned = settings(ours.values)
    return [
        replace(
            dynamics, threshold_dbfs=round(turned["threshold_dbfs"] - dynamics.makeup_db + law.makeup_db, 2), ratio=round(turned["ratio"], 3), knee_db=round(turned["knee_db"], 1),
            attack_ms=round(turned["attack_ms"], 2), release_ms=round(turned["release_ms"], 1), makeup_db=round(ours.makeup_db - law.makeup_db, 2),
        )
    ]  # fmt: skip


def our_blocks(chosen: Explanation, dynamics: Sequence[Dynamics]) -> list[Dynamics]:
    """Moving gains of an explanation as our blocks have them, fitted again leg by leg where the unit smooths elsewhere.

    Parameters
    ----------
    chosen : Explanation
    dynamics : sequence of Dynamics
        Its moving gains, in settings.
    """
    if chosen.legs is not None:
        laws = [chosen.legs.laws[leg] for leg in chosen.legs.active]
    else:
        laws = [] if chosen.law is None else [chosen.law]
    if len(laws) != len(dynamics):
        return list(dynamics)
    return [ours for law, gain in zip(laws, dynamics, strict=True) for ours in _as_our_block(law, gain)]


def drawn_joint(model: LegModel, chosen: Explanation | None, makeup_db: float) -> JointEstimate:
    """Estimate with the gain over time that is drawn: the measured one, where a level-dependent gain was chosen."""
    if chosen is not None and chosen.legs is not None:
        rows = [law.bench.reading for law in chosen.legs.laws]
        return replace(
            model.joint,
            gain_db=np.stack([row.gain_db for row in rows]),
            level_db=np.stack([row.level_db for row in rows]) - _SINE_DB,
            moves=True,
        )
    if chosen is None or chosen.law is None:
        return model.joint
    reading = chosen.law.bench.reading
    # behind a tone the reading holds its flat gain: the make-up gain is counted in front of the detector
    flat_db = makeup_db - chosen.law.makeup_db
    return replace(
        model.joint,
        gain_db=reading.gain_db[None] + flat_db,
        level_db=reading.level_db[None] - _SINE_DB - flat_db,
        moves=True,
    )


def readings(signal: Array, rate: int) -> Readings:
    """Readings of (channels, frames), as `check` has them."""
    channels = signal.shape[0]
    names = ("left", "right")[:channels]
    recording = held_recording(signal.astype(np.float32), names, rate)
    figures = measure_figures(recording, channels, pairs=[(0, 1)] if channels == 2 else [], threads=2)
    return read_source(figures, tuple(range(channels)), strikes=False, mains_hz=_MAINS_HZ).readings
