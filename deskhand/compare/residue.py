"""Distortion and noise: what response and moving gain leave of AFTER."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import AES17_OFFSET_DB, db_from_power, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.linear import JointEstimate

    Array = NDArray[np.float64]

_PAUSE_DB: Final = 60.0
"""Moments this far below the loud ones are pauses in which noise is looked for. Common practice, no source."""
_LEAST_PAUSE_S: Final = 0.5
"""Pauses that are needed, all together, for noise to be told. Common practice, no source."""
_PLAYING_DB: Final = 25.0
"""Moments less than this below the loud ones are those in which distortion is looked for. Common practice, no source."""
_DIGITAL_SILENCE: Final = 1e-16
"""Mean square of a residual that only rounding makes: -160 dB. Common practice, no source."""


def residue(joint: JointEstimate, after: Array, rate: int) -> tuple[float | None, float | None, dict[str, str]]:
    """(distortion against the level of AFTER in dB, noise in its pauses in dBFS, reasons for what is not measured).

    Parameters
    ----------
    joint : JointEstimate
    after : (legs, frames) array
        Stretch that the estimate was made on.
    rate : int
        Sample rate in Hz.
    """
    reasons: dict[str, str] = {}
    left = after - joint.predicted
    hop = rate // 50
    steps = left.shape[1] // hop
    left_power = np.mean(left[:, : steps * hop].reshape(left.shape[0], steps, hop) ** 2, axis=(0, 2))
    linear_power = np.mean(joint.linear[:, : steps * hop].reshape(left.shape[0], steps, hop) ** 2, axis=(0, 2))
    after_power = np.mean(after[:, : steps * hop].reshape(left.shape[0], steps, hop) ** 2, axis=(0, 2))
    loud = float(np.percentile(linear_power, 95))
    pause = linear_power < loud * power_from_db(-_PAUSE_DB)
    # a pause begins when what rang before it has died away
    pause &= np.concatenate([[False] * 5, pause[:-5]])
    noise = float(np.mean(left_power[pause])) if pause.sum() * hop >= _LEAST_PAUSE_S * rate else None
    noise_dbfs = None
    if noise is None:
        reasons["noise_dbfs"] = "BEFORE has no pause of half a second"
    elif noise > _DIGITAL_SILENCE:
        noise_dbfs = round(float(db_from_power(noise)) + AES17_OFFSET_DB, 1)
    else:
        reasons["noise_dbfs"] = "its pauses are digital silence"
    playing = linear_power > loud * power_from_db(-_PLAYING_DB)
    distortion = max(float(np.mean(left_power[playing])) - (noise or 0.0), 1e-30)
    distortion_db = round(float(db_from_power(distortion / max(float(np.mean(after_power[playing])), 1e-30))), 1)
    return distortion_db, noise_dbfs, reasons
