"""A chain's bells against another program's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.chain.run import run
from tests.support import material
from tests.support.chain import made, read

if TYPE_CHECKING:
    from pathlib import Path

RATE_HZ: Final = 44100


def by(program: str, sound: np.ndarray, folder: Path, *effect: str) -> np.ndarray:
    """What sox or ffmpeg makes of a sound, through 32-bit float files."""
    source, target = folder / "in.wav", folder / "out.wav"
    soundfile.write(source, sound.T, RATE_HZ, "FLOAT")
    if program == "sox":
        material.run_tool("sox", "-D", source, "-e", "floating-point", "-b", "32", target, *effect)
    else:
        material.run_tool(
            "ffmpeg", "-v", "error", "-nostdin", "-y", "-i", source, "-af", effect[0], "-c:a", "pcm_f32le", target
        )
    return read(target)[0]


def off_prototype_db(response: np.ndarray, setting: tuple[float, float, float], at_hz: np.ndarray) -> float:
    """The worst difference of an impulse response's magnitude from the Audio EQ Cookbook's bell."""
    corner_hz, gain_db, q = setting
    a = 10.0 ** (gain_db / 40.0)
    _, analogue = ss.freqs([1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0], worN=at_hz / corner_hz)
    _, found = ss.freqz(response, worN=at_hz, fs=RATE_HZ)
    return float(np.abs(20.0 * np.log10(np.abs(found) / np.abs(analogue))).max())


def bell_errors_db(setting: tuple[float, float, float], folder: Path) -> tuple[float, float, float]:
    """Of ours, sox and ffmpeg at one setting."""
    corner_hz, gain_db, q = setting
    impulse = np.zeros((1, 16384))
    impulse[0, 0] = 0.25
    at_hz = np.geomspace(20.0, 20000.0, 300)
    block = made("bell", frequency=f"{corner_hz} Hz", gain=f"{gain_db} dB", q=q)
    responses = (
        run(impulse, [block], sample_rate_hz=RATE_HZ),
        by("sox", impulse, folder, "equalizer", f"{corner_hz}", f"{q}q", f"{gain_db}"),
        by("ffmpeg", impulse, folder, f"equalizer=f={corner_hz}:t=q:w={q}:g={gain_db}:r=f64"),
    )
    ours, sox, ffmpeg = (off_prototype_db(4.0 * response[0, :16384], setting, at_hz) for response in responses)
    return ours, sox, ffmpeg
