"""Fingerprints: frames and their times, gain, bytes and what is damaged in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.measure import fingerprint as fp
from deskhand.measure.figures import measure_figures

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

RATE: Final = 3000


def read(sums: NDArray[np.float32]) -> fp.Fingerprint:
    """Fingerprint of (2, samples) sums."""
    reader = fp.FingerprintReader(float(RATE))
    for start in range(0, sums.shape[1], RATE):
        reader.take(sums[:, start : start + RATE])
    return reader.fingerprint()


def note(hz: float, length_s: float) -> NDArray[np.float32]:
    return np.sin(2 * np.pi * hz * np.arange(round(length_s * RATE)) / RATE).astype(np.float32)


@pytest.fixture
def two_notes() -> NDArray[np.float32]:
    """Band: C4 for 10 s, then G4 for 10 s; voice: nothing, then E4."""
    band = np.concatenate([note(261.63, 10.0), note(392.0, 10.0)])
    voice = np.concatenate([np.zeros(10 * RATE, np.float32), note(329.63, 10.0)])
    return np.stack([band, voice])


def test_frames_tell_what_plays_and_when(two_notes: NDArray[np.float32]) -> None:
    """Known truth: pitch classes 0, 7 and 4; sines are 3 dB below the full scale of a mean square."""
    print_ = read(two_notes)
    assert print_.frames == pytest.approx(20.0 / fp.STEP_S, abs=1)
    strongest = print_.chroma[fp.BAND].argmax(axis=1)
    change_s = np.flatnonzero(strongest == 7)[0] * fp.STEP_S
    assert change_s == pytest.approx(10.0, abs=fp.STEP_S)
    assert set(strongest[2:18]) == {0}
    assert set(strongest[23:]) == {7}
    assert set(print_.chroma[fp.VOICE, 23:].argmax(axis=1)) == {4}
    assert print_.level_db[fp.VOICE, :18].max() == pytest.approx(-100.0, abs=1e-3)
    np.testing.assert_allclose(print_.level_db[:, 24:], -3.01, atol=0.05)


def test_gain_moves_the_level_alone(two_notes: NDArray[np.float32]) -> None:
    plain, louder = read(two_notes), read(two_notes * np.float32(4.0))
    np.testing.assert_array_equal(plain.chroma[fp.BAND], louder.chroma[fp.BAND])
    np.testing.assert_allclose(louder.level_db[fp.BAND] - plain.level_db[fp.BAND], 12.04, atol=0.01)


def test_bytes_and_back(rng: np.random.Generator) -> None:
    print_ = read(rng.normal(0.0, 0.1, (2, 60 * RATE + 1234)).astype(np.float32))
    packed = print_.packed()
    assert len(packed) < 2000  # noise packs worst; music takes 1.3 kB a minute
    again = fp.unpacked(packed)
    np.testing.assert_array_equal(again.chroma, print_.chroma)
    np.testing.assert_allclose(again.level_db, print_.level_db, atol=0.26)
    assert again.packed() == packed


@pytest.mark.parametrize("frames", [0, 1, 700, 2999, 3000, 3001])
def test_short_takes(frames: int) -> None:
    print_ = read(np.ones((2, frames), np.float32))
    assert print_.frames <= 3
    assert fp.unpacked(print_.packed()).frames == print_.frames


def test_damaged_bytes(two_notes: NDArray[np.float32]) -> None:
    packed = read(two_notes).packed()
    for damaged in (b"", b"\x09" + packed[1:], packed[:-3], packed[:1] + b"abc"):
        with pytest.raises(ValueError, match="fingerprint"):
            fp.unpacked(damaged)


@dataclass(frozen=True)
class Block:
    samples: NDArray[np.float32]


@dataclass(frozen=True)
class Recording:
    """Samples in memory, handed over in blocks of any length."""

    samples: NDArray[np.float32]
    sample_rate_hz: int

    @property
    def frames(self) -> int:
        return self.samples.shape[1]

    def blocks(self, frames: int, *, pool: object = None) -> Iterator[Block]:
        for start in range(0, self.frames, 7 * frames // 5):
            yield Block(self.samples[:, start : start + 7 * frames // 5])


@pytest.mark.source("scipy.signal.resample_poly")
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_the_pass_reads_what_the_sums_hold(rng: np.random.Generator, rate_hz: int) -> None:
    """Five tracks of notes in two groups, summed by their gains and decimated by scipy: the frames are the same to a step or two."""
    time_s = np.arange(12 * rate_hz) / rate_hz
    tracks = np.stack(
        [
            np.concatenate([np.sin(2 * np.pi * hz * time_s[: 2 * rate_hz]) for hz in rng.uniform(90.0, 900.0, 6)])
            for _ in range(5)
        ]
    ).astype(np.float32)
    gains = np.array([[1.0, 0.5, 0.0, 2.0, 1.0], [0.0, 0.0, 0.0, 2.0, 1.0]], np.float32)
    figures = [
        measure_figures(Recording(tracks, rate_hz), 5, note_gains=gains, threads=threads).fingerprint
        for threads in (1, 3)
    ]
    assert figures[0] is not None
    assert figures[1] is not None
    assert figures[0].packed() == figures[1].packed()
    expected = read(ss.resample_poly(gains @ tracks, RATE, rate_hz, axis=1).astype(np.float32))
    # the decimators differ by a delay of some milliseconds, which is felt where notes change
    differences = np.abs(figures[0].chroma.astype(int) - expected.chroma[:, : figures[0].frames])
    assert np.percentile(differences, 90) <= 1
    levels_db = np.abs(figures[0].level_db - expected.level_db[:, : figures[0].frames])
    assert np.percentile(levels_db, 90) < 1.0


def test_without_gains_there_is_none() -> None:
    samples = np.zeros((1, 48000), np.float32)
    assert measure_figures(Recording(samples, 48000), 1).fingerprint is None
