"""A folder or a file laid out on one time line.

In order: which files are tracks and in which order, split takes, tracks that started at different times, different
lengths, different rates, a stretch of the recording, blocks of any size, files that change or vanish while they are
read, files left open, excerpts of many sources.
"""

from __future__ import annotations

import math
import os
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.errors import RecordingError, UsageError
from deskhand.recording import Recording, open_recording
from deskhand.recording.names import key
from tests.support.hypotheses import examples
from tests.support.writers import FLOAT, float_bytes, noise, sine, wave_bytes, write_by_library, write_wave

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    from deskhand.recording import AudioBlock

RATE_HZ: Final = 48000


def as_read(samples: NDArray[np.floating]) -> NDArray[np.float32]:
    """What 24-bit words hold of samples."""
    return (np.round(np.atleast_2d(samples) * 2**23) / 2**23).astype(np.float32)


def track_names(recording: Recording) -> list[str]:
    return [track.name for track in recording.tracks]


class TestTracks:
    def test_order_is_by_number_not_by_letter(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = {name: noise(rng, seconds=0.5) for name in ("10 bass", "2 snare", "1 kick", "overheads")}
        for name, one in samples.items():
            write_wave(tmp_path / f"{name}.wav", one)
        recording = open_recording(tmp_path)
        assert track_names(recording) == ["kick", "snare", "bass", "overheads"]
        assert [track.number for track in recording.tracks] == [1, 2, 3, 4]
        expected = np.concatenate([as_read(samples[name]) for name in ("1 kick", "2 snare", "10 bass", "overheads")])
        assert np.array_equal(recording.read(), expected)

    def test_stereo_files_are_two_tracks_with_sides(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=0.5, channels=2)
        write_wave(tmp_path / "03 keys.wav", samples)
        write_wave(tmp_path / "04 vox.wav", samples[:1])
        recording = open_recording(tmp_path)
        assert track_names(recording) == ["keys L", "keys R", "vox"]
        assert [(track.file, track.channel) for track in recording.tracks[:2]] == [
            ("03 keys.wav", 1),
            ("03 keys.wav", 2),
        ]
        assert np.array_equal(recording.read()[:2], as_read(samples))

    def test_channels_of_one_polyphonic_file_are_numbered(self, tmp_path: Path, rng: np.random.Generator) -> None:
        write_wave(tmp_path / "20260301_183000.wav", noise(rng, seconds=0.5, channels=5))
        recording = open_recording(tmp_path / "20260301_183000.wav")
        assert track_names(recording) == [f"channel {number}" for number in range(1, 6)]

    def test_polyphonic_files_side_by_side_keep_their_names(self, tmp_path: Path, rng: np.random.Generator) -> None:
        write_wave(tmp_path / "stage a.wav", noise(rng, seconds=0.5, channels=3))
        write_wave(tmp_path / "stage b.wav", noise(rng, seconds=0.5, channels=3))
        names = track_names(open_recording(tmp_path))
        assert names == ["stage a 1", "stage a 2", "stage a 3", "stage b 1", "stage b 2", "stage b 3"]

    def test_what_is_no_audio_is_passed_over(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=0.5)
        write_wave(tmp_path / "vox.wav", samples)
        write_wave(tmp_path / "._vox.wav", samples)
        (tmp_path / "._gtr.wav").write_bytes(b"\0\5\x16\7 made by a file system, not audio")
        (tmp_path / "notes.txt").write_text("bring the spare cable")
        (tmp_path / "desktop.ini").write_text("")
        (tmp_path / "old.wav").mkdir()
        os.mkfifo(tmp_path / "pipe.wav")
        (tmp_path / "gone.wav").symlink_to(tmp_path / "no such file.wav")
        recording = open_recording(tmp_path)
        assert track_names(recording) == ["vox"]
        assert recording.notes == ()

    def test_a_wave_file_by_another_name_is_read_and_said(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=0.5)
        write_wave(tmp_path / "vox.txt", samples)
        write_wave(tmp_path / "gtr.wav", samples)
        recording = open_recording(tmp_path)
        assert track_names(recording) == ["gtr", "vox"]
        assert recording.notes == ("vox.txt: is a WAV file in spite of its name; read",)

    def test_same_names_are_told_apart(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=0.5)
        for name in ("01 vox", "02 vox", "03 Vox", "04 vox 2"):
            write_wave(tmp_path / f"{name}.wav", samples)
        names = track_names(open_recording(tmp_path))
        assert names[0] == "vox"
        assert len({key(name) for name in names}) == 4, names

    @pytest.mark.parametrize("names", [("Бас", "Гитара", "Вокал"), ("ギター", "ベース", "歌"), ("🎸", "🥁", "🎤")])
    def test_names_of_any_script_stay_as_they_are(
        self, tmp_path: Path, rng: np.random.Generator, names: tuple[str, ...]
    ) -> None:
        for number, name in enumerate(names, 1):
            write_wave(tmp_path / f"{number:02d} {name}.wav", noise(rng, seconds=0.5))
        assert track_names(open_recording(tmp_path)) == list(names)

    @settings(max_examples=examples(40), deadline=None)
    @given(
        st.lists(
            st.sampled_from(["vox", "1 vox", "vox 2", "Vox", "vox (2)", "2", "02", "vox 2 2"]), max_size=5, unique=True
        )
    )
    def test_no_two_tracks_are_one_to_the_house_file(
        self, tmp_path_factory: pytest.TempPathFactory, stems: list[str]
    ) -> None:
        folder = tmp_path_factory.mktemp("names")
        data = wave_bytes(bytes(2 * RATE_HZ // 2))
        for stem in ["gtr", *stems]:
            (folder / f"{stem}.wav").write_bytes(data)
        names = track_names(open_recording(folder))
        assert len({key(name) for name in names}) == len(stems) + 1, names


class TestSplitTakes:
    """Recorders begin a new file every 2 or 4 GB, because the size in a WAV header is a 32-bit word."""

    @pytest.mark.parametrize(
        "pattern", ["kick_{:03d}", "kick{:04d}", "kick part {}", "kick_pt{:02d}", "03 kick (part {})", "{:03d}"]
    )
    def test_parts_follow_by_number(self, tmp_path: Path, rng: np.random.Generator, pattern: str) -> None:
        parts = [noise(rng, seconds=seconds) for seconds in (1.0, 1.0, 0.6)]
        for number, part in enumerate(parts, 1):
            write_wave(tmp_path / f"{pattern.format(number)}.wav", part)
        recording = open_recording(tmp_path)
        assert len(recording.tracks) == 1
        assert np.array_equal(recording.read(), as_read(np.concatenate(parts, axis=1)))
        assert [note for note in recording.notes if "3 parts joined (0:02)" in note] == list(recording.notes)
        assert recording.tracks[0].held == ((0, 48000), (48000, 96000), (96000, 124800))

    def test_part_10_comes_after_part_9(self, tmp_path: Path, rng: np.random.Generator) -> None:
        parts = [noise(rng, seconds=0.1) for _ in range(11)]
        for number, part in enumerate(parts, 1):
            write_wave(tmp_path / f"vox part {number}.wav", part)
        assert np.array_equal(open_recording(tmp_path).read(), as_read(np.concatenate(parts, axis=1)))

    def test_one_part_given_brings_the_others(self, tmp_path: Path, rng: np.random.Generator) -> None:
        parts = [noise(rng, seconds=seconds, channels=4) for seconds in (1.0, 0.7)]
        for number, part in enumerate(parts, 1):
            write_wave(tmp_path / f"R_{number:04d}.wav", part)
        write_wave(tmp_path / "other.wav", parts[0])
        for given_part in ("R_0001.wav", "R_0002.wav"):
            recording = open_recording(tmp_path / given_part)
            assert len(recording.tracks) == 4
            assert np.array_equal(recording.read(), as_read(np.concatenate(parts, axis=1)))

    def test_parts_follow_by_time_reference(self, tmp_path: Path, rng: np.random.Generator) -> None:
        parts = [noise(rng, seconds=1.0) for _ in range(3)]
        for number, part in enumerate(parts, 1):
            write_wave(tmp_path / f"vox {number}.wav", part, time_reference=10**9 + (number - 1) * RATE_HZ)
        recording = open_recording(tmp_path)
        assert np.array_equal(recording.read(), as_read(np.concatenate(parts, axis=1)))
        assert recording.notes == ("vox: 3 parts joined (0:03)",)

    @pytest.mark.parametrize("stamp", [None, 0, 48000 * 66600])
    def test_players_are_no_parts(self, tmp_path: Path, rng: np.random.Generator, stamp: int | None) -> None:
        samples = noise(rng, seconds=1.0, channels=2)
        for number in (1, 2):
            write_wave(tmp_path / f"vox {number}.wav", samples[number - 1], time_reference=stamp)
        recording = open_recording(tmp_path)
        assert track_names(recording) == ["vox 1", "vox 2"]
        assert recording.notes == ()
        assert np.array_equal(recording.read(), as_read(samples))

    @pytest.mark.parametrize("pattern", ["Track {:03d}", "{:03d}", "input_{:03d}"])
    def test_tracks_known_by_number_alone_are_no_parts(
        self, tmp_path: Path, rng: np.random.Generator, pattern: str
    ) -> None:
        """Tracks stop together and are equally long to the sample; the last part of a split take is not."""
        samples = noise(rng, seconds=0.5, channels=4)
        for number in range(1, 5):
            write_wave(tmp_path / f"{pattern.format(number)}.wav", samples[number - 1])
        recording = open_recording(tmp_path)
        assert len(recording.tracks) == 4
        assert np.array_equal(recording.read(), as_read(samples))
        # one of them asked for by name is that one alone
        alone = open_recording(tmp_path / f"{pattern.format(2)}.wav")
        assert np.array_equal(alone.read(), as_read(samples[1]))

    def test_a_missing_part_is_silence_as_long_as_the_one_before(
        self, tmp_path: Path, rng: np.random.Generator
    ) -> None:
        parts = [noise(rng, seconds=seconds) for seconds in (1.0, 0.6)]
        write_wave(tmp_path / "kick_001.wav", parts[0])
        write_wave(tmp_path / "kick_003.wav", parts[1])
        recording = open_recording(tmp_path)
        gap = np.zeros((1, RATE_HZ))
        assert np.array_equal(recording.read(), as_read(np.concatenate([parts[0], gap, parts[1]], axis=1)))
        assert recording.notes[0].startswith("kick: part 2 is missing; 0:01 to 0:02 reads as silence")
        assert recording.tracks[0].held == ((0, 48000), (96000, 124800))

    def test_a_missing_part_is_as_long_as_the_time_references_say(
        self, tmp_path: Path, rng: np.random.Generator
    ) -> None:
        parts = [noise(rng, seconds=seconds) for seconds in (1.0, 0.6)]
        write_wave(tmp_path / "kick_001.wav", parts[0], time_reference=777)
        write_wave(tmp_path / "kick_003.wav", parts[1], time_reference=777 + 3 * RATE_HZ)
        recording = open_recording(tmp_path)
        gap = np.zeros((1, 2 * RATE_HZ))
        assert np.array_equal(recording.read(), as_read(np.concatenate([parts[0], gap, parts[1]], axis=1)))
        assert recording.notes[0].startswith("kick: part 2 is missing; 0:01 to 0:03 reads as silence")

    def test_a_missing_first_part_is_said(self, tmp_path: Path, rng: np.random.Generator) -> None:
        for number, seconds in ((2, 1.0), (3, 0.6)):
            write_wave(tmp_path / f"kick_{number:03d}.wav", noise(rng, seconds=seconds))
        recording = open_recording(tmp_path)
        assert any(note.startswith("kick_002.wav: parts begin at number 2") for note in recording.notes)

    def test_parts_named_by_the_clock_miss_nothing(self, tmp_path: Path, rng: np.random.Generator) -> None:
        """The files' names are times, their time references leave no gap: nothing is missing between the numbers."""
        parts = [noise(rng, seconds=1.0) for _ in range(2)]
        for name, part, start in (("vox_183000", parts[0], 0), ("vox_190000", parts[1], RATE_HZ)):
            write_wave(tmp_path / f"{name}.wav", part, time_reference=10**9 + start)
        recording = open_recording(tmp_path)
        assert np.array_equal(recording.read(), as_read(np.concatenate(parts, axis=1)))
        assert not any("missing" in note for note in recording.notes)
        assert max(map(len, recording.notes)) < 200

    @pytest.mark.parametrize(
        ("first", "second", "joined"),
        [
            ("01 kick 2026-05-03 part 1", "01 kick 2026-05-04 part 2", True),
            ("01 kick_2026-05-03_001", "01 kick_2026-05-04_002", True),
            ("01 kick 2026-12-31 part 1", "01 kick 2027-01-01 part 2", True),
            # two evenings, and two weeks
            ("01 kick 2026-05-03 part 1", "01 kick 2026-05-04 part 1", False),
            ("01 kick 2026-05-03 part 1", "01 kick 2026-05-10 part 2", False),
        ],
    )
    def test_parts_with_the_dates_of_both_days(self, tmp_path: Path, rng: np.random.Generator, first: str, second: str, joined: bool) -> None:  # fmt: skip
        """A recorder that begins a new file after midnight writes the next day's date into its name."""
        samples = noise(rng, seconds=2.0)
        write_wave(tmp_path / f"{first}.wav", samples[:, : 3 * RATE_HZ // 2])
        write_wave(tmp_path / f"{second}.wav", samples[:, 3 * RATE_HZ // 2 :])
        recording = open_recording(tmp_path)
        if joined:
            assert track_names(recording) == ["kick"]
            assert np.array_equal(recording.read(), as_read(samples))
        else:
            assert len(recording.tracks) == 2

    @pytest.mark.source("EBU Tech 3285 v2 (2011), 2.3 bext: TimeReference counts from midnight")
    def test_a_take_over_midnight(self, tmp_path: Path, rng: np.random.Generator) -> None:
        parts = [noise(rng, seconds=1.0) for _ in range(2)]
        write_wave(tmp_path / "R_0001.wav", parts[0], time_reference=(86400 - 1) * RATE_HZ)
        write_wave(tmp_path / "R_0002.wav", parts[1], time_reference=0)
        assert np.array_equal(open_recording(tmp_path).read(), as_read(np.concatenate(parts, axis=1)))

    def test_parts_of_several_tracks_stay_in_step(self, tmp_path: Path, rng: np.random.Generator) -> None:
        whole = noise(rng, seconds=1.6, channels=3)
        for track, name in enumerate(("kick", "snare", "bass")):
            write_wave(tmp_path / f"{track + 1:02d} {name}_001.wav", whole[track, :RATE_HZ])
            write_wave(tmp_path / f"{track + 1:02d} {name}_002.wav", whole[track, RATE_HZ:])
        recording = open_recording(tmp_path)
        assert len(recording.tracks) == 3
        assert [key(name)[:4] for name in track_names(recording)] == ["kick", "snar", "bass"]
        assert np.array_equal(recording.read(), as_read(whole))

    def test_part_numbers_are_no_part_of_the_name(self, tmp_path: Path, rng: np.random.Generator) -> None:
        for number, seconds in ((1, 1.0), (2, 0.6)):
            write_wave(tmp_path / f"05 lead vox_{number:03d}.wav", noise(rng, seconds=seconds))
        assert track_names(open_recording(tmp_path)) == ["lead vox"]


class TestStarts:
    def test_tracks_are_put_where_their_time_references_say(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=2.0, channels=2)
        late = RATE_HZ // 4 + 1
        write_wave(tmp_path / "kick.wav", samples[0], time_reference=5000)
        write_wave(tmp_path / "snare.wav", samples[1, late:], time_reference=5000 + late)
        recording = open_recording(tmp_path)
        expected = samples.copy()
        expected[1, :late] = 0.0
        assert np.array_equal(recording.read(), as_read(expected))
        assert recording.notes == ("snare.wav: starts 0.250 s after the first; aligned",)
        assert recording.tracks[1].held == ((late, 2 * RATE_HZ),)

    def test_two_takes_in_one_folder_are_refused(self, tmp_path: Path, rng: np.random.Generator) -> None:
        write_wave(tmp_path / "kick.wav", noise(rng, seconds=1.0), time_reference=0)
        write_wave(tmp_path / "vox.wav", noise(rng, seconds=1.0), time_reference=600 * RATE_HZ)
        with pytest.raises(RecordingError, match=r"^vox\.wav: starts 10:00 after the others"):
            open_recording(tmp_path)


class TestLengths:
    def test_tracks_that_stopped_together_are_trimmed(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=1.5, channels=3)
        ends = (RATE_HZ * 3 // 2, RATE_HZ + 1, RATE_HZ * 5 // 4)
        for name, one, end in zip(("a", "b", "c"), samples, ends, strict=True):
            write_wave(tmp_path / f"{name}.wav", one[:end])
        recording = open_recording(tmp_path)
        assert recording.frames == RATE_HZ + 1
        assert np.array_equal(recording.read(), as_read(samples[:, : RATE_HZ + 1]))
        assert recording.notes == ("files end up to 0.50 s apart; trimmed to 0:01",)

    def test_a_track_that_ended_early_is_silent_from_there(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=3.0, channels=2)
        write_wave(tmp_path / "kick.wav", samples[0])
        write_wave(tmp_path / "vox.wav", samples[1, :RATE_HZ])
        recording = open_recording(tmp_path)
        expected = samples.copy()
        expected[1, RATE_HZ:] = 0.0
        assert np.array_equal(recording.read(), as_read(expected))
        assert recording.notes == ("vox.wav: ends at 0:01 of 0:03; silence from there",)
        assert recording.tracks[1].held == ((0, RATE_HZ),)

    def test_both_at_once(self, tmp_path: Path, rng: np.random.Generator) -> None:
        for name, seconds in (("kick", 3.0), ("snare", 2.75), ("vox", 1.0)):
            write_wave(tmp_path / f"{name}.wav", noise(rng, seconds=seconds))
        recording = open_recording(tmp_path)
        assert recording.frames == round(2.75 * RATE_HZ)
        assert len(recording.notes) == 2
        assert any("trimmed to 0:02" in note for note in recording.notes)
        assert any(note.startswith("vox.wav: ends at 0:01") for note in recording.notes)

    @pytest.mark.parametrize("frames", [1, 2, 19199])
    def test_too_short_to_measure(self, tmp_path: Path, frames: int) -> None:
        # one block of ITU-R BS.1770-5 is 400 ms: 19200 frames
        write_wave(tmp_path / "vox.wav", np.full(frames, 0.1))
        with pytest.raises(RecordingError, match=rf"vox\.wav: holds {frames} samples .*0\.4 s is the least"):
            open_recording(tmp_path / "vox.wav")

    def test_just_long_enough(self, tmp_path: Path) -> None:
        write_wave(tmp_path / "vox.wav", np.full(19200, 0.1))
        assert open_recording(tmp_path / "vox.wav").frames == 19200


def fitted(samples: NDArray[np.float32], frequency_hz: float, rate_hz: int) -> complex:
    """Amplitude and phase of a sine by least squares (Hann-weighted, so that an offset in frequency does not leak)."""
    turn = np.exp(-2j * np.pi * frequency_hz * np.arange(samples.size) / rate_hz)
    weight = np.hanning(samples.size)
    return complex(2 * np.sum(samples * weight * turn) / np.sum(weight))


class TestRates:
    @pytest.mark.parametrize(("odd_hz", "common_hz"), [(44100, 48000), (96000, 48000), (48000, 96000), (88200, 44100)])
    def test_a_sine_keeps_its_frequency_level_and_place(self, tmp_path: Path, odd_hz: int, common_hz: int) -> None:
        write_wave(tmp_path / "a.wav", sine(1000.0, seconds=3.0, rate_hz=common_hz), rate_hz=common_hz)
        write_wave(tmp_path / "b.wav", sine(1000.0, seconds=3.0, rate_hz=common_hz), rate_hz=common_hz)
        write_wave(tmp_path / "odd.wav", sine(1000.0, seconds=3.0, rate_hz=odd_hz), rate_hz=odd_hz)
        recording = open_recording(tmp_path)
        assert recording.sample_rate_hz == common_hz
        assert f"odd.wav: recorded at {odd_hz} Hz, the rest at {common_hz} Hz; resampled" in recording.notes
        samples = recording.read()
        assert samples.shape == (3, 3 * common_hz)
        first, last = (slice(common_hz // 2, common_hz), slice(2 * common_hz, 5 * common_hz // 2))
        for part in (first, last):
            truth, found = (fitted(samples[row, part], 1000.0, common_hz) for row in (0, 2))
            # 0.05 dB: a twentieth of what a "2 dB off" finding is told by (DESIGN 7), so resampling never makes one
            assert 20 * math.log10(abs(found) / abs(truth)) == pytest.approx(0.0, abs=0.05)
            # a sample of 48 kHz is 7.5 degrees at 1 kHz: 1 degree is an eighth of a sample. The two stretches are 1.5 s
            # apart, so that 1 degree of drift between them would be 0.002 Hz
            assert abs(np.angle(found / truth, deg=True)) < 1.0

    def test_the_rate_of_most_files_wins(self, tmp_path: Path) -> None:
        for name, rate_hz in (("a", 44100), ("b", 44100), ("c", 96000)):
            write_wave(tmp_path / f"{name}.wav", sine(500.0, seconds=1.0, rate_hz=rate_hz), rate_hz=rate_hz)
        assert open_recording(tmp_path).sample_rate_hz == 44100

    def test_time_references_are_counted_at_their_own_rate(self, tmp_path: Path) -> None:
        for name in ("a", "b"):
            write_wave(tmp_path / f"{name}.wav", sine(500.0, seconds=2.0), time_reference=100 * RATE_HZ)
        late = sine(500.0, seconds=1.5, rate_hz=96000)
        write_wave(tmp_path / "c.wav", late, rate_hz=96000, time_reference=round(100.5 * 96000))
        recording = open_recording(tmp_path)
        assert "c.wav: starts 0.500 s after the first; aligned" in recording.notes
        assert recording.tracks[2].held == ((RATE_HZ // 2, 2 * RATE_HZ),)

    def test_parts_are_resampled_each(self, tmp_path: Path) -> None:
        for name in ("a", "b", "c"):
            write_wave(tmp_path / f"{name}.wav", sine(500.0, seconds=1.6))
        whole = sine(1000.0, seconds=1.6, rate_hz=96000)
        write_wave(tmp_path / "vox_001.wav", whole[:96000], rate_hz=96000)
        write_wave(tmp_path / "vox_002.wav", whole[96000:], rate_hz=96000)
        recording = open_recording(tmp_path)
        assert len(recording.tracks) == 4
        row = recording.read()[3]
        # away from the seam, where each part's filter rings for some dozens of samples
        for part in (slice(4800, 43200), slice(52800, 72000)):
            assert abs(fitted(row[part], 1000.0, RATE_HZ)) == pytest.approx(0.5, rel=0.006)  # 0.05 dB


@pytest.fixture
def mixed(tmp_path: Path, rng: np.random.Generator) -> Path:
    """Everything at once: mono, stereo, FLAC, float, another rate, a split take with a gap, a late start, a short one."""
    folder = tmp_path / "mixed"
    folder.mkdir()
    write_wave(folder / "01 kick.wav", noise(rng, seconds=2.0), time_reference=1000)
    write_wave(folder / "02 keys.wav", noise(rng, seconds=2.0, channels=2))
    write_by_library(folder / "03 choir.flac", noise(rng, seconds=2.0))
    write_by_library(folder / "04 gtr.aiff", noise(rng, seconds=2.0), subtype="FLOAT")
    write_wave(folder / "05 click.wav", sine(1000.0, seconds=2.0, rate_hz=44100), rate_hz=44100)
    write_wave(folder / "06 vox_001.wav", noise(rng, seconds=0.5))
    write_wave(folder / "06 vox_003.wav", noise(rng, seconds=1.0))
    write_wave(folder / "07 late.wav", noise(rng, seconds=1.9), time_reference=1000 + RATE_HZ // 10)
    write_wave(folder / "08 short.wav", noise(rng, seconds=0.8))
    return folder


class TestStretch:
    @pytest.mark.parametrize(
        ("start_s", "end_s"),
        [(0.0, 2.0), (0.25, 1.75), (1.0, None), (None, 0.5), (0.3333, 0.9999), (1.5, 60.0), (0.45, 1.1)],
    )
    def test_exactly_that_stretch(self, mixed: Path, start_s: float | None, end_s: float | None) -> None:
        whole = open_recording(mixed)
        recording = open_recording(mixed, start_s=start_s, end_s=end_s)
        first = round((start_s or 0.0) * RATE_HZ)
        last = whole.frames if end_s is None else min(whole.frames, round(end_s * RATE_HZ))
        assert recording.frames == last - first
        assert recording.start_s == first / RATE_HZ
        assert recording.duration_s == (last - first) / RATE_HZ
        assert np.array_equal(recording.read(), whole.read()[:, first:last])
        for track, longer in zip(recording.tracks, whole.tracks, strict=True):
            cut = [(max(a, first) - first, min(b, last) - first) for a, b in longer.held if b > first and a < last]
            assert list(track.held) == cut

    @pytest.mark.parametrize(
        ("start_s", "end_s", "said"),
        [
            pytest.param(2.0, None, r"--from 0:02: the recording ends at 0:02", id="from-the-end"),
            pytest.param(75.0, None, r"--from 1:15: the recording ends at 0:02", id="from-after-the-end"),
            pytest.param(1.5, 1.0, r"--to 0:01: does not come after --from 0:01", id="to-before-from"),
            pytest.param(1.0, 1.0, r"--to 0:01: does not come after --from 0:01", id="nothing"),
        ],
    )
    def test_a_stretch_outside_is_refused(self, mixed: Path, start_s: float, end_s: float | None, said: str) -> None:
        with pytest.raises(UsageError, match=said):
            open_recording(mixed, start_s=start_s, end_s=end_s)

    def test_a_stretch_too_short_to_measure_is_refused(self, mixed: Path) -> None:
        with pytest.raises(RecordingError, match=r"0\.4 s is the least"):
            open_recording(mixed, start_s=1.0, end_s=1.1)


class TestBlocks:
    @pytest.mark.parametrize("frames", [7, 1000, 48000, 96000, 10**6])
    @pytest.mark.parametrize("threads", [0, 2])
    def test_any_size_gives_the_same(self, mixed: Path, frames: int, threads: int) -> None:
        # small blocks on a piece only, which holds both ends of the gap and of the short file
        recording = open_recording(mixed, start_s=0.45, end_s=1.05) if frames < 100 else open_recording(mixed)
        whole = recording.read()
        assert whole.shape == (len(recording.tracks), recording.frames)
        out = np.full_like(whole, np.nan)
        expected_start = 0
        pool = ThreadPoolExecutor(threads) if threads else None
        try:
            for block in recording.blocks(frames, pool=pool):
                assert block.start == expected_start
                count = block.samples.shape[1]
                out[:, block.start : block.start + count] = block.samples
                expected_start += count
        finally:
            if pool:
                pool.shutdown()
        assert expected_start == recording.frames
        assert np.array_equal(out, whole)

    def test_rows_have_no_gaps(self, tmp_path: Path, rng: np.random.Generator) -> None:
        """What measures a block takes its rows as they lie; the last block is shorter than the others."""
        write_wave(tmp_path / "keys.wav", noise(rng, seconds=0.5, channels=2))
        for block in open_recording(tmp_path).blocks(10_000):
            assert block.samples[0].flags.c_contiguous
            assert block.samples.dtype == np.float32

    def test_reading_again_gives_the_same(self, mixed: Path) -> None:
        recording = open_recording(mixed)
        assert np.array_equal(recording.read(), recording.read())

    def test_no_frames_a_block_is_refused(self, mixed: Path) -> None:
        with pytest.raises(UsageError, match="at least 1"):
            next(open_recording(mixed).blocks(0))


def with_value(path: Path, value: float, *, at: int, channels: int = 2) -> None:
    """A float file in which the last channel holds one odd value."""
    samples = np.full((channels, RATE_HZ), 0.1)
    samples[-1, at] = value
    path.write_bytes(wave_bytes(float_bytes(samples, 32), channels=channels, bits=32, tag=FLOAT))


class TestChangedWhileRead:
    @pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
    @pytest.mark.parametrize("frames", [RATE_HZ, 1000])
    def test_a_value_that_is_no_number_is_named_with_its_place(self, tmp_path: Path, value: float, frames: int) -> None:
        with_value(tmp_path / "keys.wav", value, at=36000)
        expected = rf"^keys\.wav, channel 2 at 0:00: holds {value}, which is not a sound level"
        with pytest.raises(RecordingError, match=expected):
            list(open_recording(tmp_path).blocks(frames))

    def test_the_same_in_a_file_that_is_resampled(self, tmp_path: Path) -> None:
        for name in ("a", "b"):
            write_wave(tmp_path / f"{name}.wav", sine(500.0, seconds=1.0, rate_hz=44100), rate_hz=44100)
        with_value(tmp_path / "c.wav", math.nan, at=36000)
        with pytest.raises(RecordingError, match=r"^c\.wav, channel 2 at 0:00: holds nan"):
            open_recording(tmp_path).read()

    def test_outside_of_the_stretch_it_does_no_harm(self, tmp_path: Path) -> None:
        with_value(tmp_path / "keys.wav", math.nan, at=36000)
        assert open_recording(tmp_path, end_s=0.5).read().shape == (2, RATE_HZ // 2)

    @pytest.mark.parametrize("suffix", ["wav", "aiff", "flac"])
    def test_a_file_cut_after_it_was_looked_at_is_named(
        self, tmp_path: Path, rng: np.random.Generator, suffix: str
    ) -> None:
        """Noughts for what is gone would be read as silence, and said to be the input's."""
        path = write_by_library(tmp_path / f"vox.{suffix}", noise(rng, seconds=3.0))
        recording = open_recording(path)
        os.truncate(path, path.stat().st_size * 2 // 3)
        with pytest.raises(RecordingError, match=rf"^vox\.{suffix} at 0:0[12]: the audio ") as caught:
            list(recording.blocks(4800))
        assert "\n" not in str(caught.value)
        if suffix != "flac":  # the library has its own words for a packed one
            assert "ends here, before the 0:03 that the file held or promised; copy the file again" in str(caught.value)

    @pytest.mark.parametrize("suffix", ["wav", "flac", "aiff"])
    def test_a_file_that_went_away_is_named(self, tmp_path: Path, rng: np.random.Generator, suffix: str) -> None:
        path = write_by_library(tmp_path / f"vox.{suffix}", noise(rng, seconds=1.0))
        recording = open_recording(path)
        path.unlink()
        with pytest.raises(RecordingError, match=rf"^vox\.{suffix}: "):
            recording.read()

    def test_damage_inside_a_packed_file_is_named(self, tmp_path: Path, rng: np.random.Generator) -> None:
        path = write_by_library(tmp_path / "vox.flac", noise(rng, seconds=4.0))
        data = bytearray(path.read_bytes())
        middle = len(data) // 2
        data[middle : middle + 4000] = bytes(4000)
        path.write_bytes(data)
        with pytest.raises(RecordingError, match=r"^vox\.flac at 0:0\d: the audio is damaged"):
            list(open_recording(path).blocks(4800))


class Slow(ThreadPoolExecutor):
    """A pool whose work starts late, as on a busy machine; it keeps what it was given."""

    def __init__(self) -> None:
        super().__init__(2)
        self.given: list[Future[Any]] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        def later() -> Any:
            time.sleep(0.05)
            return fn(*args, **kwargs)

        self.given.append(super().submit(later))
        return self.given[-1]


def stop_after_first(recording: Recording, pool: ThreadPoolExecutor | None) -> None:
    blocks = recording.blocks(9600, pool=pool)
    next(blocks)
    blocks.close()  # type: ignore[attr-defined]


open_files = pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="counts open files in /proc")


def count_open() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@open_files
class TestFilesAreClosed:
    @pytest.mark.parametrize("threads", [0, 2])
    def test_after_the_last_block(self, mixed: Path, threads: int) -> None:
        recording = open_recording(mixed)
        recording.read()
        before = count_open()
        for _ in range(5):
            pool = ThreadPoolExecutor(threads) if threads else None
            for _ in open_recording(mixed).blocks(5000, pool=pool):
                pass
            if pool:
                pool.shutdown()
        assert count_open() == before

    @pytest.mark.parametrize("threads", [0, 2])
    def test_when_the_reader_stops_early(self, mixed: Path, threads: int) -> None:
        recording = open_recording(mixed)
        recording.read()
        before = count_open()
        for _ in range(5):
            pool = ThreadPoolExecutor(threads) if threads else None
            stop_after_first(recording, pool)
            if pool:
                pool.shutdown()
        assert count_open() == before

    def test_no_file_is_closed_under_a_thread_that_reads_it(self, mixed: Path) -> None:
        """What was begun ends before the files close: a library's handle closed while in use brings the process down."""
        with Slow() as pool:
            stop_after_first(open_recording(mixed), pool)
        assert len(pool.given) > 1
        begun = [future for future in pool.given if not future.cancelled()]
        assert [future.exception() for future in begun] == [None] * len(begun)

    @pytest.mark.parametrize("suffix", ["wav", "flac", "txt"])
    def test_after_an_error(self, tmp_path: Path, rng: np.random.Generator, suffix: str) -> None:
        write_wave(tmp_path / "a.wav", noise(rng, seconds=1.0))
        with_value(tmp_path / "b.wav", math.nan, at=40000)
        (tmp_path / f"c.{suffix}").write_bytes(b"RIFF\0\0\0\0WAVEfmt ")
        with pytest.raises(RecordingError):
            open_recording(tmp_path)
        before = count_open()
        for _ in range(5):
            with pytest.raises(RecordingError):
                open_recording(tmp_path)
        (tmp_path / f"c.{suffix}").unlink()
        for _ in range(5):
            with pytest.raises(RecordingError):
                open_recording(tmp_path).read()
        assert count_open() == before


class TestNotThere:
    def test_no_such_path(self, tmp_path: Path) -> None:
        with pytest.raises(RecordingError, match=r"sunday: no such file or folder"):
            open_recording(tmp_path / "sunday")

    def test_a_name_that_is_nearly_there(self, tmp_path: Path) -> None:
        (tmp_path / "show-2026-03-01").mkdir()
        (tmp_path / ".show-2026-03-1").mkdir()
        with pytest.raises(RecordingError, match=r'did you mean "show-2026-03-01"\?'):
            open_recording(tmp_path / "show-2026-03-1")
        with pytest.raises(RecordingError, match=r"no such file or folder; check the name"):
            open_recording(tmp_path / "somewhere else")

    def test_a_name_longer_than_the_system_allows(self, tmp_path: Path) -> None:
        with pytest.raises(RecordingError, match=r"xxx"):
            open_recording(tmp_path / ("x" * 300))

    def test_an_empty_folder(self, tmp_path: Path) -> None:
        with pytest.raises(RecordingError, match=r"no audio files .* among 0 files; name the folder"):
            open_recording(tmp_path)

    def test_audio_one_folder_further_down(self, tmp_path: Path, rng: np.random.Generator) -> None:
        (tmp_path / "audio").mkdir()
        (tmp_path / "empty").mkdir()
        (tmp_path / "notes.txt").write_text("x")
        write_wave(tmp_path / "audio" / "vox.wav", noise(rng, seconds=0.5))
        with pytest.raises(RecordingError, match=r'among 1 files; did you mean the folder "audio" in it\?'):
            open_recording(tmp_path)

    @pytest.mark.modes_count
    @pytest.mark.parametrize("name", ["vox.wav", "vox.flac", "notes.txt"])
    def test_a_file_that_may_not_be_read(self, tmp_path: Path, rng: np.random.Generator, name: str) -> None:
        write_wave(tmp_path / "a.wav", noise(rng, seconds=0.5))
        (tmp_path / name).write_bytes(b"x")
        (tmp_path / name).chmod(0)
        with pytest.raises(RecordingError, match=name.replace(".", r"\.")):
            open_recording(tmp_path)

    @pytest.mark.modes_count
    def test_a_folder_that_may_not_be_read(self, tmp_path: Path) -> None:
        closed = tmp_path / "closed"
        closed.mkdir()
        closed.chmod(0)
        try:
            with pytest.raises(RecordingError, match="closed"):
                open_recording(closed)
            with pytest.raises(RecordingError, match="closed"):
                open_recording(closed / "vox.wav")
        finally:
            closed.chmod(0o700)


def test_more_bits_than_asked_are_said(tmp_path: Path) -> None:
    for subtype, bits in (("PCM_16", 16), ("PCM_24", 24), ("FLOAT", 32), ("PCM_U8", 8)):
        soundfile.write(tmp_path / f"{bits}.wav", np.zeros(RATE_HZ), RATE_HZ, subtype=subtype)
        assert open_recording(tmp_path / f"{bits}.wav").tracks[0].bits == bits


@dataclass(frozen=True, slots=True, kw_only=True)
class CountingRecording(Recording):
    """Recording that counts the samples of all channels that it decodes."""

    decoded: list[int]

    def blocks(self, frames: int, *, pool: Executor | None = None) -> Iterator[AudioBlock]:
        for block in super(CountingRecording, self).blocks(frames, pool=pool):
            self.decoded.append(block.samples.size)
            yield block


class TestExcerpts:
    SOURCES: Final = 24

    def counting(self, path: Path) -> CountingRecording:
        recording = open_recording(path)
        fields = {name: getattr(recording, name) for name in Recording.__dataclass_fields__}
        return CountingRecording(decoded=[], **fields)

    def test_each_is_what_it_is_alone(self, tmp_path: Path, rng: np.random.Generator) -> None:
        samples = noise(rng, seconds=3.0, channels=6)
        write_wave(tmp_path / "show.wav", samples)
        recording = open_recording(tmp_path / "show.wav")
        wanted = [((4,), 0.5), ((1, 0), 2.2), ((2, 3), 0.0), ((5,), 2.9), ((0,), 9.0)]
        read = {index: got for batch in recording.excerpts(wanted, 0.7) for index, got in batch}
        truth = as_read(samples)
        assert sorted(read) == list(range(len(wanted)))
        for index, (tracks, start_s) in enumerate(wanted):
            first = round(start_s * RATE_HZ)
            expected = truth[list(tracks), first : first + round(0.7 * RATE_HZ)]
            assert np.array_equal(read[index], expected)
            assert np.array_equal(recording.excerpt(tracks, start_s, 0.7), expected)

    def test_one_file_of_many_channels_is_decoded_once(self, tmp_path: Path, rng: np.random.Generator) -> None:
        write_wave(tmp_path / "show.wav", noise(rng, seconds=1.0, channels=self.SOURCES))
        recording = self.counting(tmp_path / "show.wav")
        wanted = [((track,), 0.1 * (track % 5)) for track in range(self.SOURCES)]
        assert sum(len(batch) for batch in recording.excerpts(wanted, 0.5)) == self.SOURCES
        # arithmetic: the file once, and not once for each of its sources
        assert sum(recording.decoded) <= self.SOURCES * RATE_HZ

    def test_only_the_files_of_a_source_are_read(self, tmp_path: Path, rng: np.random.Generator) -> None:
        for number in range(4):
            write_wave(tmp_path / f"{number + 1} keys {'abcd'[number]}.wav", noise(rng, seconds=1.0))
        recording = self.counting(tmp_path)
        for _ in recording.excerpts([((2,), 0.0), ((1,), 0.2)], 0.5):
            pass
        assert sum(recording.decoded) == 2 * RATE_HZ // 2
