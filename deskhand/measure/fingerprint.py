"""Fingerprint of a take: chroma and level of the whole band and of its voices, twice a second, by which a song is known again."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import chroma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]

BAND: Final = 0
"""Row of everything that holds notes."""
VOICE: Final = 1
"""Row of the voices alone: songs that share a loop of chords differ in what is sung."""
STEP_S: Final = 0.5
"""Time from frame to frame: an eighth to a quarter note at usual tempi. Common practice, no source."""
VERSION: Final = 1
"""Version of the definition: fingerprints of another are not compared with."""
_FRAMES_A_CHUNK: Final = 4
"""Windows a chunk of a second: two are stored, each the mean of three."""
_MEAN_OF_THREE: Final = (0.25, 0.5, 0.25)
"""Weights of the windows of a stored frame: a Hann window, so that nothing above half the rate of frames is left. Common practice, no source."""
_STEPS: Final = 15
"""Steps of a stored chroma: four bits a pitch class."""
_LOWEST_DB: Final = -100.0
"""Level that is stored as silence, of inputs at their nominal level; Common practice, no source."""
_LEVEL_STEPS_A_DB: Final = 2.0
"""Steps of a stored level: half a decibel. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fingerprint:
    """Chroma and level of the band and of its voices."""

    chroma: NDArray[np.uint8]
    """(2, frames, 12) the band and the voices, from 0, the weakest pitch class of a frame, to 15, the strongest."""
    level_db: Array32
    """(2, frames) level of the sum, of inputs at their nominal level."""

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.level_db.shape[1])

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames * STEP_S

    def packed(self) -> bytes:
        """Bytes of a fingerprint as the history keeps them: about 1.3 kB a minute."""
        pairs = self.chroma[..., 0::2] << 4 | self.chroma[..., 1::2]
        levels = np.round((self.level_db - _LOWEST_DB) * _LEVEL_STEPS_A_DB)
        rows = np.concatenate([pairs, np.clip(levels, 0, 255).astype(np.uint8)[..., None]], axis=2)
        # a pitch class after the other: neighbours in time are alike
        return bytes([VERSION]) + zlib.compress(np.ascontiguousarray(rows.transpose(0, 2, 1)).tobytes(), 9)


def unpacked(packed: bytes) -> Fingerprint:
    """Fingerprint from its bytes.

    Raises
    ------
    ValueError
        They are no fingerprint of this version.
    """
    if not packed or packed[0] != VERSION:
        raise ValueError("no fingerprint of this version")
    try:
        data = np.frombuffer(zlib.decompress(packed[1:]), np.uint8)
    except zlib.error as error:
        raise ValueError("a damaged fingerprint") from error
    columns = chroma.CLASSES // 2 + 1
    if data.size % (2 * columns):
        raise ValueError("a damaged fingerprint")
    rows = data.reshape(2, columns, -1).transpose(0, 2, 1)
    classes = np.stack([rows[..., :-1] >> 4, rows[..., :-1] & _STEPS], axis=-1).reshape(2, -1, chroma.CLASSES)
    level_db = (rows[..., -1] / _LEVEL_STEPS_A_DB + _LOWEST_DB).astype(np.float32)
    return Fingerprint(chroma=classes, level_db=level_db)


class FingerprintReader:
    """Reads a fingerprint from the sums of the inputs, chunk by chunk of a second.

    Parameters
    ----------
    rate_hz : float
        Rate of the decimated signals, about 3 kHz.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._held = np.zeros((2, chroma.WINDOW), np.float32)
        self._frames: list[Array32] = []
        self._powers: list[Array32] = []

    def take(self, sums: Array32) -> None:
        """Read a chunk (2, samples): the band and the voices; only the last may be shorter than a second."""
        samples = sums.shape[1]
        held = np.concatenate([self._held, sums], axis=1)
        if samples >= _FRAMES_A_CHUNK:
            # what is missing of a last chunk is the end of the take
            count = min(_FRAMES_A_CHUNK, max(1, round(samples * _FRAMES_A_CHUNK / self._rate_hz)))
            ends = [chroma.WINDOW + samples * (number + 1) // count for number in range(count)]
            windows = np.stack([held[:, end - chroma.WINDOW : end] for end in ends], axis=1)
            self._powers.append(np.mean(windows**2, axis=2))
            flat = chroma.chroma(windows.reshape(-1, chroma.WINDOW), self._rate_hz)
            self._frames.append(flat.reshape(2, count, chroma.CLASSES))
        self._held = held[:, -chroma.WINDOW :]

    def fingerprint(self) -> Fingerprint:
        """Fingerprint of everything that was read."""
        if not self._frames:
            return Fingerprint(chroma=np.zeros((2, 0, chroma.CLASSES), np.uint8), level_db=np.zeros((2, 0), np.float32))
        frames, powers = np.concatenate(self._frames, axis=1), np.concatenate(self._powers, axis=1)
        size = np.linalg.norm(frames, axis=2, keepdims=True)
        frames = _every_second(frames / np.maximum(size, np.float32(1e-12)))
        level_db = 10.0 * np.log10(_every_second(powers[..., None])[..., 0] + 10.0 ** (_LOWEST_DB / 10.0))
        low, high = frames.min(axis=2, keepdims=True), frames.max(axis=2, keepdims=True)
        steps = np.round((frames - low) / np.maximum(high - low, np.float32(1e-12)) * _STEPS)
        return Fingerprint(chroma=steps.astype(np.uint8), level_db=level_db.astype(np.float32))


def _every_second(frames: Array32) -> Array32:
    """Every second frame of (2, frames, columns), each the weighted mean of three."""
    padded = np.pad(frames, ((0, 0), (1, 1), (0, 0)), mode="edge")
    before, middle, after = _MEAN_OF_THREE
    return np.asarray(before * padded[:, :-2:2] + middle * padded[:, 1:-1:2] + after * padded[:, 2::2], np.float32)
