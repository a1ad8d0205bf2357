"""Every container and coding that soundfile, ffmpeg, sox and our own bytes make: whole and cut, against another decoder.

In order: kinds that were once read wrong, a seeded part of all kinds (validations/encodings.py reads them all), the two tables
of companded words, FLAC whose length is open or whose end is gone.
"""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deskhand.dsp.unpack import byte_table
from deskhand.errors import RecordingError
from deskhand.recording import open_recording
from deskhand.recording.probe import probe
from tests.support.encodings import A_LAW, CHANNELS, MU_LAW, NotWritten, companded_levels, encodings, outcomes
from tests.support.hypotheses import examples
from tests.support.needs import require
from tests.support.writers import noise

if TYPE_CHECKING:
    from pathlib import Path

SECOND: Final = 48000
SEED: Final = 2026
SAMPLE: Final = 36
"""Of about 430 kinds: some seconds."""
ONCE_WRONG: Final = (
    ("bytes-W64-float-32-long", 2),
    ("bytes-WAV-A-law-long", 6),
    ("bytes-W64-mu-law-long", 6),
    ("bytes-WAV-12-in-16", 2),
    ("bytes-WAV-20-in-24", 1),
    ("bytes-WAV-24-in-32", 2),
    ("bytes-RF64-8-bit", 1),
    ("bytes-RIFX-24-bit", 6),
    ("bytes-AIFC-8-bit-raw", 2),
    ("bytes-CAF-24-in-32-little", 1),
    ("soundfile-WAV-IMA_ADPCM", 1),
    ("soundfile-W64-MS_ADPCM", 2),
    ("ffmpeg-W64-pcm_f32le", 2),
    ("ffmpeg-W64-pcm_alaw", 6),
    ("ffmpeg-FLAC-24-bit-streamed", 2),
    ("ffmpeg-FLAC-24-bit-variable", 6),
    ("sox-FLAC-16-bit-streamed", 1),
)
KINDS: Final = {kind.name: kind for kind in encodings()}


def _drawn() -> list[tuple[str, int]]:
    rng = np.random.default_rng(SEED)
    names = rng.choice(sorted(KINDS), SAMPLE, replace=False)
    return [(str(name), int(rng.choice(CHANNELS))) for name in names]


@pytest.mark.parametrize(("name", "channels"), ONCE_WRONG)
def test_kinds_that_were_read_wrong_or_cut_unsaid(tmp_path: Path, name: str, channels: int) -> None:
    if name not in KINDS:
        require("ffmpeg", "sox")
    results = list(outcomes(KINDS[name], channels, tmp_path))
    assert [(share, outcome) for share, _, outcome in results if outcome.verdict != "right"] == []


@pytest.mark.parametrize(("name", "channels"), _drawn())
def test_kinds_drawn_from_all(tmp_path: Path, name: str, channels: int) -> None:
    """Read right or refused in one line; what can be refused is listed in docs/validation-recordings.md."""
    for count in (channels, *CHANNELS):
        try:
            results = list(outcomes(KINDS[name], count, tmp_path))
        except NotWritten:  # some codings are of one or two channels only
            continue
        faults = [(share, outcome) for share, _, outcome in results if outcome.verdict not in ("right", "refused")]
        assert faults == []
        return
    require("ffmpeg", "sox")
    pytest.skip("no program here writes or decodes it")


@pytest.mark.source("ITU-T G.711 (1988), tables 1 and 2")
@pytest.mark.parametrize(("coding", "tag"), [("a-law", A_LAW), ("mu-law", MU_LAW)])
def test_companded_words(coding: str, tag: int) -> None:
    assert np.array_equal(byte_table(coding), companded_levels(tag).astype(np.float32))


def _flac(path: Path, *, seconds: float = 3.0, channels: int = 2) -> bytes:
    soundfile.write(path, noise(np.random.default_rng(3), seconds=seconds, channels=channels).T, SECOND, "PCM_24")
    return path.read_bytes()


def _without_length(data: bytes) -> bytes:
    """RFC 9639, 8.2: the count of samples is 36 bits from the middle of byte 21 of the file; 0 leaves it open."""
    return data[:21] + bytes([data[21] & 0xF0]) + bytes(4) + data[26:]


class TestFlac:
    @pytest.mark.source("RFC 9639 (2024), 8.2: a count of 0 means that it is not known")
    @pytest.mark.parametrize("tail", [b"", bytes(5000), b"TAG" + bytes(125)], ids=["none", "noughts", "id3v1"])
    def test_an_open_length_is_found(self, tmp_path: Path, tail: bytes) -> None:
        path = tmp_path / "vox.flac"
        whole = _flac(path)
        truth = open_recording(path).read()
        path.write_bytes(_without_length(whole) + tail)
        recording = open_recording(path)
        assert recording.notes == ()
        assert np.array_equal(recording.read(), truth)
        # from any place, as excerpts are read
        assert np.array_equal(recording.excerpt([1], 2.5, 0.3), truth[1:, 120_000:134_400])

    @pytest.mark.parametrize("is_open", [False, True], ids=["known", "open"])
    @pytest.mark.parametrize("lost", [1, 2, 100, 40_000, 300_000])
    def test_a_cut_one_is_read_to_its_last_whole_block(self, tmp_path: Path, lost: int, *, is_open: bool) -> None:
        path = tmp_path / "vox.flac"
        whole = _flac(path)
        truth = open_recording(path).read()
        path.write_bytes((_without_length(whole) if is_open else whole)[:-lost])
        recording = open_recording(path)
        [note] = recording.notes
        promise = "nothing" if is_open else "0:03"
        assert note.startswith(f"vox.flac: header promises {promise}, the file holds 0:0{int(recording.duration_s)}; ")
        read = recording.read()
        # noise of 24 bits hardly packs: what is lost in bytes is lost in frames, and a block of 4096
        assert read.shape[1] >= truth.shape[1] * (1 - lost / len(whole)) - 2 * 4096
        assert np.array_equal(read, truth[:, : read.shape[1]])

    def test_cut_between_two_blocks_is_said(self, tmp_path: Path) -> None:
        path = tmp_path / "vox.flac"
        whole = _without_length(_flac(path))
        path.write_bytes(whole[:-50])
        # the last whole block ends here
        end = probe(path).flac.end  # type: ignore[union-attr]
        path.write_bytes(whole[:end])
        assert len(open_recording(path).notes) == 1

    def test_nothing_behind_the_header_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "vox.flac"
        path.write_bytes(_flac(path)[:9000])
        with pytest.raises(RecordingError, match=r"^vox\.flac: the file ends before any whole block of audio; "):
            open_recording(path)

    def test_a_whole_one_is_read_without_looking_for_its_end(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = tmp_path / "vox.flac"
        _flac(path)

        def not_wanted(*_: object) -> None:
            raise AssertionError

        monkeypatch.setattr("deskhand.recording.probe.flac_extent", not_wanted)
        assert open_recording(path).notes == ()

    @pytest.mark.needs("ffmpeg")
    def test_one_written_to_a_pipe(self, tmp_path: Path) -> None:
        path, piped = tmp_path / "vox.flac", tmp_path / "piped.flac"
        _flac(path)
        command = ["ffmpeg", "-v", "error", "-i", str(path), "-c:a", "flac", "-f", "flac", "pipe:1"]
        piped.write_bytes(subprocess.run(command, capture_output=True, check=True).stdout)
        assert soundfile.info(piped).frames > 2**60, "the peer states a length after all"
        assert np.array_equal(open_recording(piped).read(), open_recording(path).read())


def test_a_coding_that_cannot_be_searched_is_read_from_any_place(tmp_path: Path) -> None:
    path = tmp_path / "vox.wav"
    soundfile.write(path, noise(np.random.default_rng(4), seconds=3.0)[0], SECOND, "GSM610")
    recording = open_recording(path)
    whole = recording.read()
    assert np.array_equal(whole[0, :144_000], soundfile.read(path, dtype="float32")[0][:144_000])
    assert np.array_equal(recording.excerpt([0], 2.0, 0.5), whole[:, 96_000:120_000])
    assert np.array_equal(open_recording(path, start_s=1.0).read(), whole[:, SECOND:])


@pytest.mark.parametrize("name", ["take.wav", "take.aiff"])
def test_a_header_that_leaves_the_length_open(tmp_path: Path, name: str) -> None:
    """A recorder that lost power: sizes are nought, audio follows."""
    path = tmp_path / name
    soundfile.write(path, noise(np.random.default_rng(5), seconds=1.0)[0], SECOND, "PCM_24")
    data = bytearray(path.read_bytes())
    start = data.index(b"data" if name == "take.wav" else b"SSND") + 4
    data[start : start + 4] = bytes(4)
    whole = open_recording(path).read()
    path.write_bytes(data)
    recording = open_recording(path)
    assert recording.notes[0].startswith(f"{name}: header promises nothing, the file holds 0:01; ")
    assert np.array_equal(recording.read(), whole)


_HEADS: Final = {
    name: name.split("-")[1].lower()
    for name in ("bytes-W64-24-bit-long", "bytes-AIFC-16-bit-sowt", "bytes-CAF-24-bit-big", "bytes-RIFX-8-bit")
}


@pytest.fixture(scope="module")
def whole_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole")
    samples = noise(np.random.default_rng(9), seconds=0.5, channels=2)
    contents = {}
    for name in _HEADS:
        path = folder / f"{name}.{KINDS[name].suffix}"
        KINDS[name].write(path, samples)
        contents[name] = path.read_bytes()
    soundfile.write(folder / "a.flac", samples.T, SECOND, "PCM_16")
    contents["flac"] = (folder / "a.flac").read_bytes()
    return contents


@pytest.mark.parametrize("name", [*_HEADS, "flac"])
@settings(max_examples=examples(30), deadline=None)
@given(changes=st.lists(st.tuples(st.integers(0, 150), st.integers(0, 255)), max_size=4), length=st.floats(0.0, 1.0))
@example(changes=[], length=1.0)
def test_a_changed_or_cut_header_is_read_or_refused_by_name(
    tmp_path_factory: pytest.TempPathFactory,
    whole_files: dict[str, bytes],
    name: str,
    changes: list[tuple[int, int]],
    length: float,
) -> None:
    data = bytearray(whole_files[name])
    for position, value in changes:
        data[position] = value
    path = tmp_path_factory.getbasetemp() / "fuzz.wav"
    path.write_bytes(data[: round(length * len(data))])
    try:
        samples = open_recording(path).read()
    except RecordingError as error:
        assert "fuzz.wav" in str(error)  # noqa: PT017  (not to fail is right as well)
        assert "\n" not in str(error)  # noqa: PT017
        return
    assert np.all(np.isfinite(samples))
