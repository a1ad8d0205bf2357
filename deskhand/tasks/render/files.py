"""Audio on its way to a file: gathered and metered while it comes, written whole or not at all."""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand import __version__
from deskhand.chain.meter import Meters
from deskhand.files import replace_synced
from deskhand.leftovers import unfinished_prefix
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import ExitStack

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

BLOCK_S: Final = 1.0
"""Audio handled at a time: bounds the memory, and no result depends on it."""
_LARGEST_BYTES: Final = 3_900_000_000
"""Audio that still fits a RIFF file, whose length field has 32 bits (4.29 GB), with room for its other chunks."""
_BAD: Final = re.compile(r'[\\/:*?"<>|\x00-\x1f]+')


class GatheredSound:
    """Audio to be written, gathered in a raw temporary file while it is measured."""

    def __init__(self, name: str, channels: int, rate_hz: int, folder: Path, stack: ExitStack) -> None:
        self.name = name
        self.channels = channels
        self.rate_hz = rate_hz
        self.frames = 0
        self._meters = Meters([name], [channels], [0], [False], rate_hz)
        self.meter = self._meters.stages[0]
        self._file = tempfile.TemporaryFile(dir=folder, prefix=unfinished_prefix())  # noqa: SIM115 - closed by the stack
        stack.enter_context(self._file)

    def take(self, signal: Array) -> None:
        """Append (channels, frames)."""
        self._meters.take([signal], [None])
        self.frames += signal.shape[1]
        self._file.write(np.ascontiguousarray(signal.T, np.float32).tobytes())

    def finish(self) -> None:
        """End the measuring: nothing comes after."""
        self._meters.finish()

    @property
    def loudness_lufs(self) -> float:
        """Integrated loudness; -inf for silence."""
        return self.meter.loudness_lufs()

    @property
    def true_peak_dbtp(self) -> float:
        """True peak; -inf for silence."""
        return float(db_from_amplitude(self.meter.true_peak()))

    def blocks(self) -> list[tuple[int, int]]:
        """(first, count) frames of each stretch."""
        step = round(BLOCK_S * self.rate_hz)
        return [(first, min(step, self.frames - first)) for first in range(0, self.frames, step)]

    def read(self, first: int, count: int) -> NDArray[np.float32]:
        """(frames, channels) as gathered."""
        self._file.seek(4 * self.channels * first)
        data = self._file.read(4 * self.channels * count)
        return np.frombuffer(data, np.float32).reshape(-1, self.channels)


def file_name(source: str, what: str) -> str:
    """File name that any system takes."""
    stem = _BAD.sub("-", f"{source} {what}").strip(" .")
    return f"{stem}.wav"


def write_wave(
    path: Path,
    parts: Sequence[tuple[GatheredSound, float]],
    *,
    float_files: bool,
    comment: str,
) -> str:
    """Write the sum of sounds times gains; a file appears whole or not at all.

    Parameters
    ----------
    path : Path
    parts : sequence of (GatheredSound, gain)
    float_files : bool
        32-bit float instead of 24-bit integer.
    comment : str
        Text of the file's comment.

    Returns
    -------
    str
        What had to be done otherwise, in words; empty where nothing had.
    """
    import soundfile

    sound = parts[0][0]
    top = max((part.meter.true_peak() * abs(gain) for part, gain in parts), default=0.0)
    note = ""
    if len(parts) > 1:
        top = sum(part.meter.true_peak() * abs(gain) for part, gain in parts)
    as_float = float_files
    if not as_float and top >= 1.0 and _peak(parts) >= 1.0:
        as_float, note = True, "passes full scale: written as float"
    size = sound.frames * sound.channels * (4 if as_float else 3)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=unfinished_prefix(), suffix=".wav")
    os.close(handle)
    try:
        with soundfile.SoundFile(
            temporary,
            "w",
            samplerate=sound.rate_hz,
            channels=sound.channels,
            format="RF64" if size > _LARGEST_BYTES else "WAV",
            subtype="FLOAT" if as_float else "PCM_24",
        ) as wave:
            wave.title = path.stem
            wave.software = f"deskhand {__version__}"
            wave.comment = comment
            for first, count in sound.blocks():
                wave.write(summed(parts, first, count))
        Path(temporary).chmod(0o644)
        replace_synced(Path(temporary), path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return note


def summed(parts: Sequence[tuple[GatheredSound, float]], first: int, count: int) -> NDArray[np.float64]:
    """(frames, channels) sum of sounds times gains."""
    sound, gain = parts[0]
    total = gain * sound.read(first, count).astype(np.float64)
    for sound, gain in parts[1:]:
        total += gain * sound.read(first, count)
    return np.asarray(total)


def _peak(parts: Sequence[tuple[GatheredSound, float]]) -> float:
    """Sample peak of the sum, as an amplitude."""
    sound = parts[0][0]
    return max(
        (float(np.abs(summed(parts, first, count)).max(initial=0.0)) for first, count in sound.blocks()), default=0.0
    )
