"""Nearest chain of our blocks to what a processor did."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.run import run
from deskhand.compare.align import shifted
from deskhand.compare.model import LONG_S, lively
from deskhand.house import make_block
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.compare.dynamics import Dynamics
    from deskhand.compare.explanation import Explanation
    from deskhand.compare.model import LegModel
    from deskhand.compare.result import ShapeReport

    Array = NDArray[np.float64]

_LEAST_TRIM_DB: Final = 0.01
"""A smaller gain is no block. Common practice, no source."""
_MOST_DRIVE_DB: Final = 24.0
"""Highest drive that is tried. Common practice, no source."""
_NO_DELAY_SAMPLES: Final = 1e-3
"""A smaller delay is not taken out. Common practice, no source."""


def nearest_chain(
    model: LegModel,
    shapes: Sequence[ShapeReport],
    dynamics: Sequence[Dynamics],
    flat_db: Sequence[float],
    polarity: int,
    explanation: Explanation | None = None,
) -> list[dict[str, object]]:
    """Nearest chain of our blocks, with their keys as the house file has them, in the order in which they were found to act, the flat gain last.

    Parameters
    ----------
    model : LegModel
    shapes : sequence of ShapeReport
    dynamics : sequence of Dynamics
        Gains that move.
    flat_db : sequence of float
        Gain of each leg that all frequencies share.
    polarity : int
        1, or -1 where AFTER is upside down.
    explanation : Explanation, optional
        What holds a saturation.
    """
    blocks: list[dict[str, object]] = [{"block": "polarity"}] if polarity < 0 else []
    filters: list[dict[str, object]] = []
    for shape in shapes:
        written: dict[str, object] = {"block": shape.block}
        if shape.on != "both":
            written["on"] = shape.on
        written["frequency"] = f"{shape.frequency_hz:g} Hz"
        if shape.slope_db_per_octave is not None:
            written["slope"] = f"{shape.slope_db_per_octave:g} dB/oct"
        else:
            written |= {"gain": f"{shape.gain_db:g} dB", "q": shape.q}
        filters.append(written)
    bend: list[dict[str, object]] = []
    if explanation is not None and explanation.bend is not None:
        bend = [{"block": "saturation", "drive": f"{_drive_db(explanation):g} dB"}]
    gains = [written for gain in dynamics for written in _gain_blocks(gain)]
    if explanation is not None and explanation.model.startswith("level-dependent"):
        blocks += [*gains, *bend, *filters]
    elif explanation is not None and explanation.gain_first:
        blocks += [*gains, *filters, *bend]
    else:
        bent_first = explanation is not None and explanation.model.startswith("saturation")
        blocks += [*bend, *filters, *gains] if bent_first else [*filters, *bend, *gains]
    if len({round(gain_db, 2) for gain_db in flat_db}) == 1:
        if abs(flat_db[0]) >= _LEAST_TRIM_DB:
            blocks.append({"block": "trim", "gain": f"{flat_db[0]:.3f} dB"})
    else:
        blocks += [
            {"block": "trim", "on": leg, "gain": f"{gain_db:.3f} dB"}
            for leg, gain_db in zip(model.legs, flat_db, strict=True)
        ]
    return blocks


def _gain_blocks(gain: Dynamics) -> list[dict[str, object]]:
    """Moving gain as our blocks have it; none where its threshold or ratio is not known."""
    if gain.kind != "compressor":
        return _gate_or_limiter(gain)
    if gain.threshold_dbfs is None or gain.ratio is None:
        return []
    written: dict[str, object] = {"block": "compressor"}
    if gain.on != "both":
        written["on"] = gain.on
    return [
        written
        | {
            "threshold": f"{gain.threshold_dbfs:g} dBFS", "ratio": gain.ratio, "knee": f"{gain.knee_db:g} dB",
            "attack": f"{gain.attack_ms:g} ms", "release": f"{gain.release_ms:g} ms", "senses": gain.senses,
            "makeup": f"{gain.makeup_db:g} dB",
        }
    ]  # fmt: skip


def _gate_or_limiter(gain: Dynamics) -> list[dict[str, object]]:
    """Gate or limiter as our blocks have it; none where its threshold is not known."""
    if gain.threshold_dbfs is None or gain.kind == "upward compressor":
        # no block of ours lifts what is soft
        return []
    release = "" if gain.release_ms is None else f"{gain.release_ms:g} ms"
    if gain.kind == "limiter":
        block: dict[str, object] = {"block": "limiter", "ceiling": f"{gain.threshold_dbfs:g} dBFS"}
        return [block | ({"release": release} if release else {})]
    if gain.range_db is None:
        return []
    block = {
        "block": "gate",
        "threshold": f"{gain.threshold_dbfs:g} dBFS",
        "range": f"{-gain.range_db:g} dB",
        "hold": "0 ms",
        "hysteresis": "0 dB",
    }
    if gain.attack_ms is not None:
        block["attack"] = f"{gain.attack_ms:g} ms"
    return [block | ({"release": release} if release else {})]


def _drive_db(explanation: Explanation) -> float:
    """Drive of our saturation whose curve is nearest to a bend, gain apart."""
    assert explanation.bend is not None
    wave = explanation.bend.knots[-1] * np.sin(2.0 * np.pi * np.arange(2048) / 64.0)
    wanted = explanation.bend.through(wave)

    def left(drive_db: float) -> float:
        ours = run(
            wave[None], [make_block({"block": "saturation", "drive": f"{drive_db:g} dB"})], sample_rate_hz=48000
        )[0]
        return float(np.sum((wanted - ours * np.sum(wanted * ours) / max(float(np.sum(ours**2)), 1e-30)) ** 2))

    return float(min(np.arange(0.0, _MOST_DRIVE_DB + 0.1, 1.0), key=left))


def chain_residual_db(
    chain: Sequence[dict[str, object]], before: Array, after: Array, rate: int, delay_samples: float
) -> float | None:
    """Level of what a chain leaves of AFTER, against AFTER, over at most a minute.

    Parameters
    ----------
    chain : sequence of dict
        Blocks as the house file has them.
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate : int
        Sample rate in Hz.
    delay_samples : float
        Delay that is left between them.
    """
    part = lively(before, rate, LONG_S)
    before_part, after_part = before[:, part], after[:, part]
    blocks = [make_block(block) for block in chain]
    through = run(before_part, blocks, sample_rate_hz=rate) if blocks else before_part
    if abs(delay_samples) > _NO_DELAY_SAMPLES:
        through = shifted(through, -delay_samples, 0.0, through.shape[1])
    edge = min(rate, before_part.shape[1] // 8)
    left = float(np.sum((after_part - through)[:, edge:-edge] ** 2))
    power = float(np.sum(after_part[:, edge:-edge] ** 2))
    return round(float(db_from_power(max(left, 1e-30) / max(power, 1e-30))), 1)
