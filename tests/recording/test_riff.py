"""The chunk walker: what stands round the audio, headers that were never finished, and files that are nonsense.

In order: other chunks before and after the data, time reference and track names, unfinished and wrong sizes, other
containers cut short, hypothesis on the walker.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from deskhand.errors import RecordingError
from deskhand.recording import open_recording
from deskhand.recording.probe import probe
from deskhand.recording.riff import read_riff
from tests.support.hypotheses import examples
from tests.support.writers import (
    LONG,
    bext_chunk,
    chunk,
    float_bytes,
    fmt_chunk,
    ixml_chunk,
    noise,
    pcm_bytes,
    wave_bytes,
    words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tests.support.writers import Magic

SECOND: Final = 48000


@pytest.fixture
def truth(rng: np.random.Generator) -> NDArray[np.int64]:
    """One channel of 24-bit words, an odd count: 3 bytes each make the data odd and the chunk padded."""
    return words(rng, channels=1, frames=SECOND + 1, bits=24)


def read_words(path: Path) -> NDArray[np.float64]:
    return open_recording(path).read().astype(np.float64) * 2.0**23


TEXT: Final = chunk(b"LIST", b"INFOICMT" + struct.pack("<I", 6) + b"notes\0")
CHUNKS_BEFORE: Final = {
    "none": (),
    "filler": (chunk(b"JUNK", bytes(1000)),),
    "odd-filler": (chunk(b"JUNK", bytes(27)),),
    "bext-and-ixml": (bext_chunk(0), ixml_chunk({1: "vox"})),
    "own-of-a-recorder": (chunk(b"zq7 ", b"odd"),),
}
CHUNKS_AFTER: Final = {
    "none": (),
    "text": (TEXT,),
    "ixml-odd": (ixml_chunk({1: "lead vox"}), TEXT),
    # 12 bytes of body and 8 of header are seven words of 24 bits, less one byte: read as audio they would be a click
    "own-of-a-recorder": (chunk(b"zq7 ", bytes(range(100, 112))),),
    "own-of-a-recorder-odd": (chunk(b"Mark", b"at bar 3!"), TEXT),
    "own-before-known": (chunk(b"zq7 ", bytes(11)), ixml_chunk({1: "vox"}), TEXT),
    # common practice, no source: several writers leave the last pad byte out
    "text-without-pad": (chunk(b"LIST", b"INFO" + b"abc", padded=False),),
}


@pytest.mark.source(
    "Microsoft Multimedia Programming Interface 1.0 (1991): unknown chunks are passed over, odd ones padded"
)
@pytest.mark.parametrize("after", CHUNKS_AFTER.values(), ids=CHUNKS_AFTER.keys())
@pytest.mark.parametrize("before", CHUNKS_BEFORE.values(), ids=CHUNKS_BEFORE.keys())
def test_other_chunks_are_no_audio(
    tmp_path: Path, truth: NDArray[np.int64], before: Sequence[bytes], after: Sequence[bytes]
) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(wave_bytes(pcm_bytes(truth, 24), bits=24, before=before, after=after))
    recording = open_recording(path)
    assert recording.notes == ()
    assert recording.frames == truth.shape[1]
    assert np.array_equal(read_words(path), truth)


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_chunks_after_long_data(tmp_path: Path, truth: NDArray[np.int64], magic: Magic) -> None:
    path = tmp_path / "take.wav"
    after = (ixml_chunk({1: "lead vox"}), chunk(b"axml", b"<a/>"))
    path.write_bytes(wave_bytes(pcm_bytes(truth, 24), bits=24, magic=magic, after=after))
    recording = open_recording(path)
    assert recording.tracks[0].name == "lead vox"
    assert recording.notes == ()
    assert np.array_equal(read_words(path), truth)


def test_odd_data_without_its_pad_byte(tmp_path: Path, truth: NDArray[np.int64]) -> None:
    """Some recorders forget the pad: what follows is still no audio (common practice, no source)."""
    path = tmp_path / "take.wav"
    path.write_bytes(wave_bytes(pcm_bytes(truth, 24), bits=24, after=(TEXT,), padded=False))
    assert np.array_equal(read_words(path), truth)


@pytest.mark.source("EBU Tech 3285 v2 (2011), 2.3 bext: TimeReferenceLow, TimeReferenceHigh")
@pytest.mark.parametrize("time_reference", [0, 1, 48000 * 66600, 2**32 + 7])
def test_time_reference(tmp_path: Path, time_reference: int) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(wave_bytes(bytes(2 * SECOND), before=(bext_chunk(time_reference),)))
    assert probe(path).time_reference == time_reference


def test_track_names_of_a_polyphonic_file(tmp_path: Path, rng: np.random.Generator) -> None:
    names = {1: "Kick in", 2: "01 Sn top", 4: "Pno & Keys <L>", 5: "Großer Chor"}
    path = tmp_path / "20260301_183000.wav"
    data = pcm_bytes(words(rng, channels=5, frames=SECOND, bits=16), 16)
    path.write_bytes(wave_bytes(data, channels=5, after=(ixml_chunk(names),)))
    found = [track.name for track in open_recording(path).tracks]
    assert found == ["Kick in", "Sn top", "channel 3", "Pno & Keys <L>", "Großer Chor"]


@pytest.mark.parametrize(
    "names",
    [
        pytest.param({9: "beyond"}, id="no-such-channel"),
        pytest.param({0: "nought"}, id="channel-nought"),
        pytest.param({}, id="none"),
    ],
)
def test_track_names_that_fit_no_channel_are_passed_over(tmp_path: Path, names: dict[int, str]) -> None:
    path = tmp_path / "vox.wav"
    path.write_bytes(wave_bytes(bytes(2 * SECOND), after=(ixml_chunk(names),)))
    assert [track.name for track in open_recording(path).tracks] == ["vox"]


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(b"<BWFXML><TRACK_LIST>", id="cut"),
        pytest.param(b"", id="empty"),
        pytest.param(bytes(64), id="zeros"),
        pytest.param(b'<?xml version="1.0" encoding="no-such-code"?><a/>', id="unknown-encoding"),
        pytest.param(b'<?xml version="1.0" encoding="utf-7"?><a/>', id="encoding-of-many-bytes"),
        pytest.param(b"<a>" * 50_000, id="deep"),
        pytest.param("<TRACK><INTERLEAVE_INDEX>²</INTERLEAVE_INDEX><NAME>x</NAME></TRACK>".encode(), id="superscript"),
        pytest.param(
            b"<TRACK><INTERLEAVE_INDEX>" + b"9" * 5000 + b"</INTERLEAVE_INDEX><NAME>x</NAME></TRACK>", id="huge-number"
        ),
        pytest.param(
            b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">'
            b'<!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;&c;&c;">]><TRACK><NAME>&d;</NAME></TRACK>',
            id="entities",
        ),
    ],
)
def test_track_names_that_are_nonsense_never_stop_the_reading(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "vox.wav"
    path.write_bytes(wave_bytes(bytes(2 * SECOND), after=(chunk(b"iXML", text),)))
    assert open_recording(path).frames == SECOND


# what the header says of the data: what the reader must make of it
UNFINISHED: Final = [
    pytest.param(0, "nothing", id="zero"),
    pytest.param(LONG, "nothing", id="unknown"),
    pytest.param(3 * SECOND * 60, "1:00", id="too-large"),
    pytest.param(3 * SECOND // 2, "0:00", id="stale"),
    # the last word of a header that was written every few seconds: no whole frame
    pytest.param(3 * SECOND - 7, "0:00", id="stale-odd"),
]


@pytest.mark.parametrize(("said", "promised"), UNFINISHED)
def test_an_unfinished_file_is_read_as_far_as_it_goes(
    tmp_path: Path, truth: NDArray[np.int64], said: int, promised: str
) -> None:
    path = tmp_path / "07 vox.wav"
    # a mono track of random words: no four of them spell the name of a chunk
    path.write_bytes(wave_bytes(pcm_bytes(truth, 24), bits=24, data_size=said, padded=False))
    recording = open_recording(path)
    assert recording.frames == truth.shape[1]
    [note] = recording.notes
    assert note.startswith(f"07 vox.wav: header promises {promised}, the file holds 0:01; read as far as it goes")
    assert np.array_equal(read_words(path), truth)


@pytest.mark.parametrize("said", [0, LONG, 2**62, 3 * SECOND // 2, 2**64 - 1])
@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_an_unfinished_long_file_is_read_as_far_as_it_goes(
    tmp_path: Path, truth: NDArray[np.int64], magic: Magic, said: int
) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(wave_bytes(pcm_bytes(truth, 24), bits=24, magic=magic, long_size=said, padded=False))
    recording = open_recording(path)
    assert len(recording.notes) == 1
    assert recording.notes[0].startswith("take.wav: header promises")
    assert np.array_equal(read_words(path), truth)


def test_silence_at_the_end_of_an_unfinished_file_is_not_taken_for_a_chunk(tmp_path: Path) -> None:
    samples = np.zeros((1, 2 * SECOND))
    path = tmp_path / "take.wav"
    path.write_bytes(wave_bytes(float_bytes(samples, 32), bits=32, tag=3, data_size=4 * SECOND, padded=False))
    recording = open_recording(path)
    assert recording.frames == 2 * SECOND
    assert len(recording.notes) == 1


@pytest.mark.parametrize("lost", [1, 2, 3, 1000, 3 * SECOND // 3])
def test_a_copy_cut_short_loses_only_its_end(tmp_path: Path, truth: NDArray[np.int64], lost: int) -> None:
    path = tmp_path / "take.wav"
    whole = wave_bytes(pcm_bytes(truth, 24), bits=24, padded=False)
    path.write_bytes(whole[:-lost])
    recording = open_recording(path)
    held = truth.shape[1] - -(-lost // 3)
    assert recording.frames == held
    assert len(recording.notes) == 1
    assert np.array_equal(read_words(path), truth[:, :held])


@pytest.mark.parametrize("suffix", ["aiff", "caf", "w64", "flac"])
def test_other_containers_cut_short_are_said(tmp_path: Path, rng: np.random.Generator, suffix: str) -> None:
    """Half of the file gone: read as far as it goes, with a note."""
    path = tmp_path / f"take.{suffix}"
    samples = noise(rng, seconds=4.0)[0]
    soundfile.write(path, samples, SECOND, subtype="PCM_24")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    recording = open_recording(path)
    read = recording.read()[0]
    assert len(recording.notes) == 1
    assert recording.notes[0].startswith(f"take.{suffix}: header promises 0:04, the file holds 0:0")
    # a header of at most 4 kB may be counted as audio: 1365 words of 3 bytes; of FLAC, a block of 4096 frames that is cut is lost
    assert read.size == pytest.approx(2 * SECOND, abs=1400 + (4096 if suffix == "flac" else 0))
    # 24-bit words: half a step
    assert np.abs(read - samples[: read.size]).max() <= 2.0**-23


def _head(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return struct.pack("<4sI", b"RIFF", len(body)) + body


FMT: Final = fmt_chunk(channels=1, rate_hz=SECOND, bits=16)
BROKEN: Final = [
    pytest.param(_head(), "says how the audio is stored", id="no-chunk"),
    pytest.param(_head(FMT), "ends before any audio", id="no-data"),
    pytest.param(_head(chunk(b"data", bytes(96000))), "says how the audio is stored", id="no-format"),
    pytest.param(_head(FMT)[:30], "says how the audio is stored", id="cut-in-format"),
    pytest.param(_head(FMT, chunk(b"data", b"")), "holds no audio", id="no-sample"),
    pytest.param(_head(FMT, chunk(b"data", b"\1")), "holds no audio", id="half-a-sample"),
    pytest.param(wave_bytes(bytes(96000), channels=0), "0 channels", id="no-channel"),
    pytest.param(wave_bytes(bytes(96000), rate_hz=0), "0 Hz", id="no-rate"),
    pytest.param(_head(FMT, bext_chunk(1)[:200]), "ends before any audio", id="cut-in-bext"),
    pytest.param(_head(FMT, ixml_chunk({1: "vox"})[:60]), "ends before any audio", id="cut-in-names"),
    pytest.param(
        b"RF64\xff\xff\xff\xffWAVE" + chunk(b"ds64", bytes(28))[:20], "says how the audio is stored", id="cut-in-ds64"
    ),
]


@pytest.mark.parametrize(("data", "said"), BROKEN)
def test_a_file_that_is_no_recording_is_named(tmp_path: Path, data: bytes, said: str) -> None:
    path = tmp_path / "broken.wav"
    path.write_bytes(data)
    with pytest.raises(RecordingError, match=said) as caught:
        open_recording(path)
    assert str(caught.value).startswith("broken.wav: ")
    assert "\n" not in str(caught.value)


def walk(data: bytes) -> None:
    """The walker on bytes; figures it gives must lie inside the file."""
    try:
        found = read_riff(io.BytesIO(data), Path("fuzz.wav"))
    except RecordingError as error:
        assert str(error).startswith("fuzz.wav: ")  # noqa: PT017  (not to fail is right as well)
        return
    assert found.channels >= 1
    assert found.sample_rate_hz >= 1
    assert 0 <= found.data_start <= len(data)
    if found.words is not None:
        assert found.frames is not None
        assert found.frames * found.channels * found.words.word_bytes <= len(data) - found.data_start


GOOD: Final = wave_bytes(
    bytes(600),
    bits=24,
    channels=2,
    magic=b"RF64",
    before=(bext_chunk(77), chunk(b"JUNK", bytes(3))),
    after=(ixml_chunk({1: "vox", 2: "gtr"}), TEXT),
)
quick = settings(max_examples=examples(400), deadline=None, suppress_health_check=[HealthCheck.too_slow])


@quick
@given(st.binary(max_size=400))
def test_random_bytes_never_surprise_the_walker(data: bytes) -> None:
    walk(data)
    walk(b"RIFF\0\0\0\0WAVE" + data)


NAMES: Final = (b"fmt ", b"data", b"ds64", b"bext", b"iXML", b"LIST", b"JUNK", b"zq7 ")


@quick
@given(
    st.lists(
        st.tuples(
            st.sampled_from(NAMES),
            st.binary(max_size=80),
            st.one_of(st.none(), st.integers(0, 2**32 - 1), st.integers(0, 800)),
        ),
        max_size=8,
    )
)
@example([(b"ds64", b"", 28)])
@example([(b"fmt ", FMT[8:], None), (b"bext", b"short", 602)])
def test_random_chunks_never_surprise_the_walker(parts: list[tuple[bytes, bytes, int | None]]) -> None:
    walk(_head(*(chunk(name, body, size=size) for name, body, size in parts)))


@quick
@given(
    st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)), max_size=12),
    st.integers(0, len(GOOD)),
)
@example([], len(GOOD))
def test_a_changed_or_cut_header_never_surprises_the_walker(changes: list[tuple[int, int]], length: int) -> None:
    data = bytearray(GOOD)
    for place, value in changes:
        data[place] = value
    walk(bytes(data[:length]))


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.tuples(st.integers(0, 120), st.integers(0, 255)), min_size=1, max_size=4))
def test_a_changed_header_is_read_or_refused_by_name(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, int]]
) -> None:
    """The same through the front door: the library that takes what the walker leaves may not surprise either."""
    data = bytearray(wave_bytes(bytes(2 * 24000)))
    for place, value in changes:
        data[place] = value
    path = tmp_path_factory.getbasetemp() / "fuzz.wav"
    path.write_bytes(data)
    try:
        samples = open_recording(path).read()
    except RecordingError as error:
        assert "fuzz.wav" in str(error)  # noqa: PT017  (not to fail is right as well)
        return
    assert np.all(np.isfinite(samples))
