"""Audio files as a target: what is read is what an independent decoder reads, or it is refused, or the note says what is amiss."""

from __future__ import annotations

import functools
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from deskhand.recording import open_recording
from tests.support.encodings import FFMPEG, NotWritten, by_bytes, by_ffmpeg, by_soundfile, by_sox, signal
from tests.support.writers import bext_chunk, ixml_chunk, wave_bytes

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from deskhand.recording.take import Recording
    from tests.support.encodings import Encoding

    Signal = NDArray[np.float64]

SECONDS: Final = 0.45
"""A little above what can be measured, so that a file is small."""
RATE_HZ: Final = 48000
LEVEL_TOLERANCE_DB: Final = 0.01
LENGTH_TOLERANCE: Final = 0.01
"""Share of the frames by which readers may differ: damage near a file's end."""
LEAST_DBFS: Final = -80.0
"""Below it a hundredth of a dB is the rounding of 16 bits."""
MOST_SAMPLES: Final = 1 << 24
"""Longer recordings are opened and not read."""


class Wrong(AssertionError):
    """What must not come of any input."""


def _seeds_of(kinds: Iterable[Encoding], folder: Path) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    sounds = {channels: signal(channels)[:, : round(SECONDS * RATE_HZ)] for channels in (1, 2)}
    for kind in kinds:
        channels = 1 + len(found) % 2
        path = folder / f"seed.{kind.suffix}"
        with suppress(NotWritten):
            kind.write(path, sounds[channels])
            found.append((f".{kind.suffix}", path.read_bytes()))
        path.unlink(missing_ok=True)
    return found


def _described() -> tuple[str, bytes]:
    """A polyphonic file with all that recorders write beside the sound."""
    data = (0.1 * np.random.default_rng(1).standard_normal(2 * 21600) * 2**15).astype("<i2").tobytes()
    names = {1: "kick", 2: "vox"}
    return ".wav", wave_bytes(data, channels=2, before=[bext_chunk(48000 * 3600)], after=[ixml_chunk(names)])


@functools.cache
def seeds(folder: Path, *, by_programs: bool) -> tuple[tuple[str, bytes], ...]:
    """Suffix and bytes of a short file of each container and coding; `by_programs` those of ffmpeg and sox as well."""
    kinds = [*by_bytes(), *by_soundfile()]
    if by_programs:
        kinds += [*by_ffmpeg(), *by_sox()]
    return (_described(), *_seeds_of(kinds, folder))


def _levels_db(samples: NDArray[np.floating]) -> Signal:
    """Level of each channel of (frames, channels), in dB below full scale."""
    if not samples.size:
        return np.full(samples.shape[-1], -np.inf)
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(np.mean(samples.astype(np.float64) ** 2, axis=0)))


def _agree(one: NDArray[np.floating], other: NDArray[np.floating]) -> bool:
    """True where levels of (frames, channels) agree within a hundredth of a dB, as far as either is above the least."""
    levels = np.maximum(_levels_db(one), LEAST_DBFS), np.maximum(_levels_db(other), LEAST_DBFS)
    return bool(np.all(np.abs(levels[0] - levels[1]) <= LEVEL_TOLERANCE_DB))


def _by_library(path: Path) -> tuple[Signal, int] | None:
    """(frames, channels) and rate as libsndfile reads them."""
    try:
        with soundfile.SoundFile(path) as file:
            if file.frames * file.channels > MOST_SAMPLES:
                return None
            return file.read(always_2d=True), file.samplerate
    except (soundfile.SoundFileError, TypeError, ValueError, OverflowError):
        return None


def _by_ffmpeg(path: Path, channels: int) -> Signal | None:
    """(frames, channels) as ffmpeg reads them; None where it says a word about the file."""
    command = [str(FFMPEG), "-v", "error", "-xerror", "-i", str(path), "-f", "f64le", "-c:a", "pcm_f64le", "-"]
    with suppress(subprocess.TimeoutExpired):
        done = subprocess.run(command, capture_output=True, check=False, timeout=20)
        if not done.returncode and not done.stderr and len(done.stdout) % (8 * channels) == 0:
            return np.frombuffer(done.stdout).reshape(-1, channels)
    return None


def _is_told(recording: Recording) -> bool:
    """True where a note says that the file is not as it was written."""
    return bool(recording.notes)


def judge(path: Path) -> None:
    """Read a file and set it against two decoders.

    Raises
    ------
    Wrong
        Both decoders agree with each other, nothing is noted, and deskhand read something else.
    DeskhandError
        It is refused.
    """
    recording = open_recording(path)
    channels = len(recording.tracks)
    if recording.frames * channels > MOST_SAMPLES:
        return
    read = recording.read().T
    if not np.isfinite(read).all():
        raise Wrong("values that are no numbers were read")
    peer = _by_library(path)
    if peer is None or _is_told(recording) or not FFMPEG:
        return
    samples, rate_hz = peer
    same_shape = samples.shape[1] == channels and rate_hz == recording.sample_rate_hz
    # some readers go on behind the end that the header states, to the end of the file
    both = min(len(samples), len(read))
    if (
        same_shape
        and abs(len(samples) - len(read)) <= LENGTH_TOLERANCE * len(read)
        and _agree(read[:both], samples[:both])
    ):
        return
    # the library may be the one that is wrong
    second = _by_ffmpeg(path, samples.shape[1])
    if (
        second is None
        or abs(len(second) - len(samples)) > LENGTH_TOLERANCE * len(samples)
        or not _agree(second, samples)
    ):
        return
    raise Wrong(
        f"read {read.shape} at {recording.sample_rate_hz} Hz, {np.round(_levels_db(read), 2)} dB; two decoders read {samples.shape}"
        f" at {rate_hz} Hz, {np.round(_levels_db(samples), 2)} dB"
    )
