"""Samples of every kind of file equal what an independent program wrote, to the word length.

In order: containers and words written by soundfile, the same by ffmpeg, by our own bytes after the published layouts
(WAVE, RF64, BW64, the long form of the format), rates, float values that no whole number holds.
"""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import soundfile

from deskhand.errors import RecordingError
from deskhand.recording import open_recording
from tests.support.writers import FLOAT, float_bytes, pcm_bytes, wave_bytes, words

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from tests.support.writers import Magic

RATES_HZ: Final = (44100, 48000, 88200, 96000, 192000)
CHANNELS: Final = 3
# 0.4 s is the least that is read; an odd count shows words that slip by one
FRAMES: Final = {rate_hz: rate_hz // 2 + 1 for rate_hz in RATES_HZ}
SOUNDFILE_FORMATS: Final = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC")
SUFFIX: Final = {"WAVEX": "wav", "RF64": "wav"}
needs_ffmpeg = pytest.mark.needs("ffmpeg")


def whole_numbers(path: Path, bits: int) -> NDArray[np.int64]:
    """All of a file as read by deskhand, back in words of `bits`; fails when a sample is no whole number of steps."""
    samples = open_recording(path).read()
    assert samples.dtype == np.float32
    scaled = samples.astype(np.float64) * 2.0 ** (bits - 1)
    assert np.array_equal(scaled, np.round(scaled))
    return scaled.astype(np.int64)


def as_library(whole: NDArray[np.int64], bits: int) -> NDArray[np.int32]:
    """Words at the top of 32 bits, frames first, as soundfile takes them; it keeps the upper bits as they are."""
    return np.ascontiguousarray((whole << (32 - bits)).astype(np.int32).T)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("container", SOUNDFILE_FORMATS)
def test_whole_numbers_written_by_soundfile(tmp_path: Path, container: str, bits: int) -> None:
    truth = words(np.random.default_rng(bits), channels=CHANNELS, frames=FRAMES[48000], bits=bits)
    path = tmp_path / f"take.{SUFFIX.get(container, container.lower())}"
    soundfile.write(path, as_library(truth, bits), 48000, subtype=f"PCM_{bits}", format=container)
    assert np.array_equal(whole_numbers(path, bits), truth)


@pytest.mark.parametrize("container", [name for name in SOUNDFILE_FORMATS if name != "FLAC"])
def test_32_bit_words_written_by_soundfile(tmp_path: Path, container: str) -> None:
    # FLAC of 32 bits is not written by every version of the library
    truth = words(np.random.default_rng(32), channels=CHANNELS, frames=FRAMES[48000], bits=32)
    path = tmp_path / f"take.{SUFFIX.get(container, container.lower())}"
    soundfile.write(path, as_library(truth, 32), 48000, subtype="PCM_32", format=container)
    # float32 has a mantissa of 24 bits: half of its last step, 2**-25 of full scale, is all that may be lost
    assert np.abs(open_recording(path).read() - truth / 2.0**31).max() <= 2.0**-25


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("container", [name for name in SOUNDFILE_FORMATS if name != "FLAC"])
def test_floats_written_by_soundfile(tmp_path: Path, container: str, subtype: str) -> None:
    truth = np.random.default_rng(7).normal(0.0, 1.0, (CHANNELS, FRAMES[48000]))
    # above full scale, as small as float32 can say without losing digits, nought
    truth[:, :3] = (3.9, 1.2e-38, 0.0)
    path = tmp_path / f"take.{SUFFIX.get(container, container.lower())}"
    soundfile.write(path, truth.T, 48000, subtype=subtype, format=container)
    # both halve to the nearest float32: equal to the bit
    assert np.array_equal(open_recording(path).read(), truth.astype(np.float32))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("container", SOUNDFILE_FORMATS)
def test_rates_written_by_soundfile(tmp_path: Path, container: str, rate_hz: int) -> None:
    truth = words(np.random.default_rng(rate_hz), channels=1, frames=FRAMES[rate_hz], bits=24)
    path = tmp_path / f"take.{SUFFIX.get(container, container.lower())}"
    soundfile.write(path, as_library(truth, 24), rate_hz, subtype="PCM_24", format=container)
    recording = open_recording(path)
    assert recording.sample_rate_hz == rate_hz
    assert recording.frames == FRAMES[rate_hz]
    assert recording.tracks[0].bits == 24
    assert np.array_equal(whole_numbers(path, 24), truth)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 32000, 384000])
def test_a_rate_that_cannot_be_measured_is_named(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "vox.wav"
    path.write_bytes(wave_bytes(bytes(2 * rate_hz), rate_hz=rate_hz))
    with pytest.raises(RecordingError, match=rf"^vox\.wav: sampled at {rate_hz} Hz; 44100 to 192000 Hz"):
        open_recording(path)


FFMPEG_KINDS: Final = [
    pytest.param("take.wav", ["-c:a", "pcm_s16le"], 16, id="wav-16"),
    pytest.param("take.wav", ["-c:a", "pcm_s24le"], 24, id="wav-24"),
    pytest.param("take.wav", ["-c:a", "pcm_s24le", "-rf64", "always"], 24, id="rf64-24"),
    pytest.param(
        "take.wav",
        ["-c:a", "pcm_s24le", "-write_bext", "1", "-metadata", "time_reference=3200000000"],
        24,
        id="bwf-24",
    ),
    pytest.param("take.w64", ["-c:a", "pcm_s24le"], 24, id="w64-24"),
    pytest.param("take.aiff", ["-c:a", "pcm_s24be"], 24, id="aiff-24"),
    pytest.param("take.aif", ["-c:a", "pcm_s16be"], 16, id="aif-16"),
    pytest.param("take.caf", ["-c:a", "pcm_s24be"], 24, id="caf-24-big-endian"),
    pytest.param("take.caf", ["-c:a", "pcm_s16le"], 16, id="caf-16-little-endian"),
    pytest.param("take.flac", ["-c:a", "flac", "-sample_fmt", "s32", "-bits_per_raw_sample", "24"], 24, id="flac-24"),
    pytest.param("take.flac", ["-c:a", "flac", "-sample_fmt", "s16"], 16, id="flac-16"),
]


def ffmpeg(arguments: list[str], data: bytes, path: Path) -> None:
    """Encode raw interleaved samples from standard input."""
    subprocess.run(
        ["ffmpeg", "-v", "error", "-bitexact", *arguments[:6], "-i", "pipe:0", *arguments[6:], str(path)],
        input=data,
        check=True,
    )


@needs_ffmpeg
@pytest.mark.parametrize(("name", "options", "bits"), FFMPEG_KINDS)
def test_whole_numbers_written_by_ffmpeg(tmp_path: Path, name: str, options: list[str], bits: int) -> None:
    truth = words(np.random.default_rng(bits), channels=2, frames=FRAMES[48000], bits=bits)
    raw = ["-f", "s16le"] if bits == 16 else ["-f", "s32le"]
    data = truth.T.astype("<i2").tobytes() if bits == 16 else (truth << 8).T.astype("<i4").tobytes()
    ffmpeg([*raw, "-ar", "48000", "-ac", "2", *options], data, tmp_path / name)
    assert np.array_equal(whole_numbers(tmp_path / name, bits), truth)


@needs_ffmpeg
@pytest.mark.parametrize(("codec", "bits"), [("pcm_f32le", 32), ("pcm_f64le", 64)])
# libsndfile 1.2.2 does not read the floats in W64 that ffmpeg writes; soundfile's own are tested above
@pytest.mark.parametrize("name", ["take.wav", "take.caf"])
def test_floats_written_by_ffmpeg(tmp_path: Path, name: str, codec: str, bits: int) -> None:
    truth = np.random.default_rng(bits).normal(0.0, 0.3, (2, FRAMES[48000]))
    raw = ["-f", f"f{bits}le", "-ar", "48000", "-ac", "2"]
    ffmpeg([*raw, "-c:a", codec], float_bytes(truth, bits), tmp_path / name)
    assert np.array_equal(open_recording(tmp_path / name).read(), truth.astype(np.float32))


MAGICS: Final = [
    pytest.param(b"RIFF", marks=pytest.mark.source("Microsoft Multimedia Programming Interface 1.0 (1991), WAVE")),
    pytest.param(b"RF64", marks=pytest.mark.source("EBU Tech 3306 v1.1 (2009), 3.4 <ds64>")),
    pytest.param(b"BW64", marks=pytest.mark.source("ITU-R BS.2088-1 (2019), Annex 1, 4.2 <ds64>")),
]


@pytest.mark.parametrize("extensible", [False, True], ids=["short-format", "long-format"])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("magic", MAGICS)
def test_whole_numbers_of_the_published_layouts(tmp_path: Path, magic: Magic, bits: int, *, extensible: bool) -> None:
    truth = words(np.random.default_rng(bits), channels=CHANNELS, frames=FRAMES[48000], bits=bits)
    path = tmp_path / "take.wav"
    data = pcm_bytes(truth, bits)
    path.write_bytes(wave_bytes(data, channels=CHANNELS, bits=bits, magic=magic, extensible=extensible))
    assert open_recording(path).notes == ()
    assert np.array_equal(whole_numbers(path, bits), truth)


@pytest.mark.parametrize("extensible", [False, True], ids=["short-format", "long-format"])
@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("magic", MAGICS)
def test_floats_of_the_published_layouts(tmp_path: Path, magic: Magic, bits: int, *, extensible: bool) -> None:
    truth = np.random.default_rng(bits).normal(0.0, 0.3, (CHANNELS, FRAMES[48000]))
    path = tmp_path / "take.wav"
    data = float_bytes(truth, bits)
    path.write_bytes(wave_bytes(data, channels=CHANNELS, bits=bits, tag=FLOAT, magic=magic, extensible=extensible))
    assert np.array_equal(open_recording(path).read(), truth.astype(np.float32))


def test_24_bit_words_in_4_bytes_are_not_read_as_3(tmp_path: Path) -> None:
    """Some exporters say 24 bits and keep 4 bytes a word (nBlockAlign): common practice, no source."""
    truth = words(np.random.default_rng(24), channels=1, frames=FRAMES[48000], bits=24)
    path = tmp_path / "take.wav"
    path.write_bytes(wave_bytes((truth << 8).astype("<i4").tobytes(), bits=24, block_align=4))
    try:
        samples = open_recording(path).read()
    except RecordingError as error:
        assert str(error).startswith("take.wav")  # noqa: PT017  (to refuse it by name is as good as to read it)
        return
    # the library takes such words as 32 bits or as 24: either scale is whole steps of 2**-23
    assert np.array_equal(samples, (truth / 2.0**23).astype(np.float32))


@pytest.mark.parametrize("subtype", ["PCM_U8", "ULAW"])
def test_other_codings_are_left_to_the_library(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.random.default_rng(8).normal(0.0, 0.2, 48000), 48000, subtype=subtype)
    theirs, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert np.array_equal(open_recording(path).read(), theirs.T)
