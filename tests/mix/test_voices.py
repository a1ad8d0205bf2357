"""Voices of a recording on disk: which phrases are looked at, what goes through the chains, and when it is said to be.

The direct way, against which the measured one is held: the whole take is read with soundfile, runs through its chains at once,
and is filtered with scipy.
"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import scipy.signal as ss
import soundfile

from deskhand.chain.run import Chain, run
from deskhand.dsp.intelligibility import (
    BANDS_HZ,
    BANDWIDTH_DB,
    IMPORTANCE,
    audible_over_time,
    in_windows,
    level_distortion,
    third_octave_sos,
)
from deskhand.findings import judge_voices, say
from deskhand.house import parse_house
from deskhand.measure.activity import Activity
from deskhand.mix.clearance import Clearance, Cost, Phrase, Sides, phrases, shifted
from deskhand.mix.voices import feed_strips, measure_voices, voices_of
from deskhand.recording import open_recording
from deskhand.tasks.check import check
from tests.support.once import drawn_once
from tests.support.signals import amplitude, at_level, hits, plucks, speech_like

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import HouseFile
    from deskhand.mix.voices import FeedStrip

    Sound = NDArray[np.float64]

OFFSET_DB: Final = 100.0
SUNG_S: Final = ((2.0, 7.0), (10.0, 11.5), (12.3, 14.0), (17.0, 25.0))
"""When the voice sounds; nothing else of it does."""
LENGTH_S: Final = 26.0
HEAD: Final = '[house]\nname = "Hall"\n'
CURVE: Final = "20, 0\n200, 1\n1000, -2\n5000, 3\n16000, 0\n"
"""Frequency in Hz, magnitude in dB."""


def source(name: str, role: str, *tracks: str, fader: str | None = "0 dB", chain: str = "", more: str = "") -> str:
    quoted = ", ".join(f'"{track}"' for track in tracks or (name,))
    lines = ["[[source]]", f'name = "{name}"', f'role = "{role}"', f"tracks = [{quoted}]", more]
    if fader is not None:
        lines.append(f'fader = "{fader}"')
    return "\n".join([*lines, textwrap.dedent(chain)]) + "\n"


def block(name: str, **settings: str) -> str:
    return (
        "\n".join(["[[source.chain]]", f'block = "{name}"', *(f"{key} = {value}" for key, value in settings.items())])
        + "\n"
    )


def house_of(folder: Path, *sources: str, head: str = HEAD) -> HouseFile:
    text = head + "".join(sources)
    (folder / "house.toml").write_text(text, "utf-8")
    return parse_house(text, folder / "house.toml")


def sung(rng: np.random.Generator, rate_hz: int, level_dbfs: float = -22.0) -> Sound:
    """A voice that is digital silence where it rests."""
    out = np.zeros(round(LENGTH_S * rate_hz))
    for begin, end in SUNG_S:
        first = round(begin * rate_hz)
        part = speech_like(rng, end - begin, level_dbfs, rate_hz=rate_hz)
        out[first : first + part.size] = part
    return out


@drawn_once
def band(rng: np.random.Generator, rate_hz: int) -> dict[str, Sound]:
    """Tracks by name."""
    return {
        "vox": sung(rng, rate_hz),
        "gtr l": at_level(plucks(rng, LENGTH_S, rate_hz=rate_hz), -26.0),
        "gtr r": at_level(plucks(rng, LENGTH_S, every_s=0.5, rate_hz=rate_hz), -26.0),
        "snare": hits(rng, LENGTH_S, rate_hz=rate_hz)[: round(LENGTH_S * rate_hz)] * amplitude(-12.0),
    }


def write(folder: Path, tracks: Mapping[str, Sound], rate_hz: int) -> Path:
    folder.mkdir(exist_ok=True)
    for number, (name, sound) in enumerate(tracks.items(), 1):
        soundfile.write(folder / f"{number:02d} {name}.wav", sound, rate_hz, subtype="PCM_24")
    return folder


def activity_of(spans_s: Sequence[tuple[float, float]], length_s: float = LENGTH_S) -> Activity:
    """As if it had been measured: active in these seconds."""
    blocks = np.zeros(round(10 * length_s), bool)
    for begin, end in spans_s:
        blocks[round(10 * begin) : round(10 * end)] = True
    return Activity(level_dbfs=np.zeros(blocks.size - 2, np.float32), windows=blocks[:-2], blocks=blocks)


def strips_of(house: HouseFile, order: Sequence[str]) -> dict[str, FeedStrip]:
    """Tracks lie in the order of the files."""
    tracks = {one.name: tuple(order.index(str(track)) for track in one.tracks) for one in house.source}
    return feed_strips(house, tracks, {one.name: one.chain for one in house.source})


def words_of(found: Clearance) -> list[tuple[float, float]]:
    return [(phrase.start_s, phrase.end_s) for phrase in found.phrases]


# the direct way


def bands(sound: Sound, rate_hz: int) -> NDArray[np.float64]:
    """(frames, 18) mean squares every 10 ms."""
    step = round(rate_hz / 100)
    frames = sound.size // step
    return np.array(
        [
            (ss.sosfilt(third_octave_sos(hz, sample_rate_hz=rate_hz), sound)[: frames * step] ** 2)
            .reshape(frames, step)
            .mean(axis=1)
            for hz in BANDS_HZ
        ]
    ).T


def directly(
    folder: Path, house: HouseFile, spans_s: Sequence[tuple[float, float]], voice: str
) -> list[tuple[float, float, float]]:
    """(mono, left, right) audible share in percent of each phrase, and after them the index of all."""
    files = {path.stem[3:]: path for path in sorted(folder.glob("*.wav"))}
    feed: dict[str, tuple[Sound, Sound, Sound]] = {}
    rate_hz = 0
    for one in house.source:
        read = [soundfile.read(files[str(track)]) for track in one.tracks]
        rate_hz = read[0][1]
        out = run(np.array([sound for sound, _ in read]), one.chain, sample_rate_hz=rate_hz, folder=folder)
        out = out * amplitude(one.fader_db or 0.0)
        left, right = out if len(out) == 2 else (np.sqrt(0.5) * out[0], np.sqrt(0.5) * out[0])
        feed[one.name] = (0.5 * (left + right), left, right)
    energies = {}
    for name, sounds in feed.items():
        # a single channel in the centre is the same everywhere
        one = bands(sounds[1], rate_hz)
        alike = np.array_equal(sounds[1], sounds[2])
        energies[name] = [one] * 3 if alike else [bands(sounds[0], rate_hz), one, bands(sounds[2], rate_hz)]
    shares, weighted, total = [], np.zeros(3), 0
    for begin, end in phrases(spans_s):
        first, frames = round(100 * begin), int(100 * (end - begin) + 1e-6)
        row, index = [], []
        for side in range(3):
            cut = {name: sides[side][first : first + frames] for name, sides in energies.items()}
            spoken_db = 10.0 * np.log10(cut[voice].mean(axis=0) + 1e-20) + OFFSET_DB - BANDWIDTH_DB
            rest = sum((one for name, one in cut.items() if name != voice), np.zeros((frames, 18)))
            heard = audible_over_time(spoken_db, in_windows(rest) * 10.0 ** (0.1 * (OFFSET_DB - BANDWIDTH_DB)))
            row.append(100.0 * float(IMPORTANCE @ heard))
            index.append(100.0 * float((IMPORTANCE * level_distortion(spoken_db)) @ heard))
        shares.append(tuple(row))
        weighted += frames * np.array(index)
        total += frames
    return [*shares, tuple(weighted / total)]


VOICE_CHAIN: Final = (
    block("high-pass", frequency='"100 Hz"')
    + block("compressor", threshold='"-30 dBFS"', ratio="3", attack='"5 ms"', release='"150 ms"')
    + block("limiter", ceiling='"-6 dBFS"')
)
GUITAR_CHAIN: Final = block("saturation", drive='"6 dB"') + block("curve", file='"curve.csv"', phase='"linear"')
SNARE_CHAIN: Final = block("gate", threshold='"-40 dBFS"') + block("delay", time='"7.3 ms"')


@pytest.mark.source(
    "the whole take at once through the same chains (tested in tests/chain), filtered by scipy.signal.sosfilt"
)
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_measured_as_computed_directly(tmp_path: Path, rng: np.random.Generator, rate_hz: int) -> None:
    tracks = band(rng, rate_hz)
    folder = write(tmp_path / "take", tracks, rate_hz)
    (folder / "curve.csv").write_text(CURVE)
    house = house_of(
        folder,
        source("vox", "lead vocal", chain=VOICE_CHAIN, fader="-3 dB"),
        source("guitar", "guitar", "gtr l", "gtr r", chain=GUITAR_CHAIN, fader="-4 dB"),
        source("snare", "snare", chain=SNARE_CHAIN, fader="2 dB"),
    )
    strips = strips_of(house, list(tracks))
    for name, strip in strips.items():
        chain = Chain(strip.blocks, channels=len(strip.tracks), sample_rate_hz=rate_hz, folder=folder)
        # else there would be nothing to line up
        assert chain.latency > 0 or name == "snare"
    recording = open_recording(folder)
    [found] = measure_voices(
        recording, strips, {"vox": activity_of(SUNG_S)}, ["vox"], offset_db=OFFSET_DB, folder=folder
    )
    *shares, index = directly(folder, house, SUNG_S, "vox")
    wanted = phrases(SUNG_S)
    # phrases end with whole frames of 10 ms
    np.testing.assert_allclose(words_of(found), wanted, atol=0.011)
    read = [one.audible_pct for one in found.phrases]
    assert read == pytest.approx([share[0] for share in shares], abs=0.3)
    assert [one.left_pct for one in found.phrases] == pytest.approx([share[1] for share in shares], abs=0.3)
    assert [one.right_pct for one in found.phrases] == pytest.approx([share[2] for share in shares], abs=0.3)
    weights = np.array([round(100 * (end - begin)) for begin, end in wanted], np.float64)
    means = np.average(np.array(shares), axis=0, weights=weights)
    assert (found.audible_pct.mono, found.audible_pct.left, found.audible_pct.right) == pytest.approx(means, abs=0.2)
    assert (found.clearance_pct.mono, found.clearance_pct.left, found.clearance_pct.right) == pytest.approx(
        index, abs=0.2
    )
    # the guitar's sides differ, and something is covered, but not all
    assert 15.0 < found.audible_pct.mono < 85.0


@pytest.mark.source("known truth: a chain that only delays moves its source against the voice")
def test_latency_is_taken_out(tmp_path: Path, rng: np.random.Generator) -> None:
    """A burst of noise stands in the voice's gap, and stays there behind a filter of linear phase, which has latency."""
    rate_hz = 48000
    frames = round(12.0 * rate_hz)
    time_s = np.arange(frames) / rate_hz
    gate = (time_s % 0.2) < 0.1
    voice = at_level(rng.standard_normal(frames), -20.0)
    noise = at_level(rng.standard_normal(frames), -14.0) * gate
    folder = write(tmp_path / "take", {"vox": voice, "noise": noise}, rate_hz)
    (folder / "curve.csv").write_text("20, 0\n20000, 0\n")
    plain, late = (
        measure_voices(
            open_recording(folder),
            strips_of(
                house_of(folder, source("vox", "lead vocal"), source("noise", "other", chain=chain)), ["vox", "noise"]
            ),
            {"vox": activity_of([(2.0, 10.0)], 12.0)},
            ["vox"],
            offset_db=OFFSET_DB,
            folder=folder,
        )[0]
        for chain in ("", block("curve", file='"curve.csv"', phase='"linear"'))
    )
    # half of the time nothing is in the way
    assert 50.0 < plain.audible_pct.mono < 80.0
    assert late.audible_pct.mono == pytest.approx(plain.audible_pct.mono, abs=0.15)
    assert late.voice_to_rest_db == pytest.approx(plain.voice_to_rest_db, abs=0.02)


@pytest.mark.source("known truth: steady noise is as loud behind a delay as without")
@pytest.mark.parametrize(
    "delay_s",
    [
        0.8,
        2.0,
    ],
)
def test_what_a_chain_holds_when_a_phrase_begins(tmp_path: Path, rng: np.random.Generator, delay_s: float) -> None:
    rate_hz = 48000
    voice, noise = (at_level(rng.standard_normal(9 * rate_hz), level) for level in (-20.0, -17.0))
    folder = write(tmp_path / "take", {"vox": voice, "noise": noise}, rate_hz)
    read = [
        measure_voices(
            open_recording(folder),
            strips_of(
                house_of(folder, source("vox", "lead vocal"), source("noise", "other", chain=chain)), ["vox", "noise"]
            ),
            {"vox": activity_of([(3.0, 5.0), (6.5, 8.5)], 9.0)},
            ["vox"],
            offset_db=OFFSET_DB,
        )[0]
        for chain in ("", block("delay", time=f'"{delay_s} s"'))
    ]
    shares = [[phrase.audible_pct for phrase in one.phrases] for one in read]
    assert shares[1] == pytest.approx(shares[0], abs=1.0)


def test_to_the_very_ends_of_the_take(tmp_path: Path, rng: np.random.Generator) -> None:
    """A voice that sounds from the first sample to the last, behind a limiter that looks ahead."""
    rate_hz = 48000
    voice = speech_like(rng, 9.0, -20.0, rate_hz=rate_hz)
    guitar = plucks(rng, 9.0, rate_hz=rate_hz)
    folder = write(tmp_path / "take", {"vox": voice, "gtr": guitar}, rate_hz)
    house = house_of(
        folder, source("vox", "lead vocal", chain=block("limiter", ceiling='"-9 dBFS"')), source("gtr", "guitar")
    )
    spans = [(0.0, 9.0)]
    [found] = measure_voices(
        open_recording(folder), strips_of(house, ["vox", "gtr"]), {"vox": activity_of(spans, 9.0)}, ["vox"],
        offset_db=OFFSET_DB,
    )  # fmt: skip
    *shares, _ = directly(folder, house, spans, "vox")
    assert [(one.start_s, one.end_s) for one in found.phrases] == [(0.0, 3.0), (3.0, 6.0), (6.0, 9.0)]
    assert [one.audible_pct for one in found.phrases] == pytest.approx([share[0] for share in shares], abs=0.3)


def test_threads_make_no_difference(tmp_path: Path, rng: np.random.Generator) -> None:
    tracks = band(rng, 48000)
    folder = write(tmp_path / "take", tracks, 48000)
    house = house_of(
        folder, source("vox", "lead vocal", chain=VOICE_CHAIN), source("guitar", "guitar", "gtr l", "gtr r"),
        source("snare", "snare"),
    )  # fmt: skip
    recording, strips = open_recording(folder), strips_of(house, list(tracks))
    one, three = (
        measure_voices(recording, strips, {"vox": activity_of(SUNG_S)}, ["vox"], offset_db=OFFSET_DB, threads=threads)
        for threads in (1, 3)
    )
    assert one == three


# who is a voice, and what is in the feed


def test_who_must_be_heard(tmp_path: Path) -> None:
    everyone = (
        source("lead", "lead vocal"),
        source("second", "lead vocal"),
        source("choir", "backing vocal"),
        source("pulpit", "speech"),
        source("radio", "speech", more="mute = true"),
        source("spare", "speech", more="used = false"),
        source("unwritten", "speech", fader=None),
        source("gtr", "guitar"),
    )
    assert voices_of(house_of(tmp_path, *everyone)) == ["lead", "pulpit"]
    named = '\n[vocal]\nsource = "pulpit"\n'
    assert voices_of(house_of(tmp_path, *everyone, named)) == ["pulpit"]
    named = '\n[vocal]\nsource = "choir"\n'
    assert voices_of(house_of(tmp_path, *everyone, named)) == ["choir", "pulpit"]
    assert voices_of(house_of(tmp_path, source("gtr", "guitar"))) == []
    assert voices_of(house_of(tmp_path, source("lead", "lead vocal", fader=None))) == []


def test_strips_of_the_feed(tmp_path: Path) -> None:
    house = house_of(
        tmp_path,
        source("vox", "lead vocal", fader="-6 dB"),
        source("keys", "keys", "k l", "k r", fader="3 dB"),
        source("gtr", "guitar", chain=block("pan", position="-50")),
        source("half", "keys", "h l", "h r"),
        source("click", "click"),
        source("muted", "bass", more="mute = true"),
        source("unwritten", "bass", fader=None),
    )
    blocks: dict[str, Any] = {one.name: one.chain for one in house.source}
    tracks = {"vox": (0,), "keys": (2, 3), "gtr": (4,), "half": (5,), "click": (6,), "muted": (7,), "unwritten": (8,)}
    found = feed_strips(house, tracks, blocks)
    # one side of a pair that was not recorded: what the feed would be without it cannot be known; a click is for ears only
    assert set(found) == {"vox", "keys", "gtr"}
    assert found["vox"].matrix == pytest.approx(np.full((2, 1), amplitude(-6.0) * np.sqrt(0.5)), rel=1e-3)
    assert found["keys"].matrix == pytest.approx(amplitude(3.0) * np.eye(2))
    assert found["gtr"].matrix == pytest.approx(np.eye(2))


def test_no_voice(tmp_path: Path, rng: np.random.Generator) -> None:
    tracks = band(rng, 48000)
    folder = write(tmp_path / "take", tracks, 48000)
    house = house_of(folder, source("vox", "lead vocal"), source("snare", "snare"))
    recording, strips = open_recording(folder), strips_of(house, list(tracks))

    def voices(playing: dict[str, Activity], names: list[str]) -> list[Clearance]:
        return measure_voices(recording, strips, playing, names, offset_db=OFFSET_DB)

    assert voices({}, ["vox"]) == []
    assert voices({"vox": activity_of([])}, ["vox"]) == []
    # too short to be a phrase
    assert voices({"vox": activity_of([(3.0, 3.4)])}, ["vox"]) == []
    assert voices({"vox": activity_of(SUNG_S)}, []) == []
    assert voices({"vox": activity_of(SUNG_S)}, ["who"]) == []


def test_one_source_only(tmp_path: Path, rng: np.random.Generator) -> None:
    folder = write(tmp_path / "take", {"vox": sung(rng, 48000)}, 48000)
    house = house_of(folder, source("vox", "lead vocal"))
    [found] = measure_voices(
        open_recording(folder), strips_of(house, ["vox"]), {"vox": activity_of(SUNG_S)}, ["vox"], offset_db=OFFSET_DB
    )
    assert found.by_source == ()
    assert found.room == ()
    assert {one.by for one in found.phrases} == {None}
    assert found.audible_pct.mono == found.audible_pct.left == found.audible_pct.right


def test_a_single_channel_that_is_panned_is_no_pair(tmp_path: Path, rng: np.random.Generator) -> None:
    folder = write(tmp_path / "take", {"vox": sung(rng, 48000), "gtr": plucks(rng, LENGTH_S)}, 48000)
    house = house_of(folder, source("vox", "lead vocal"), source("gtr", "guitar", chain=block("pan", position="-50")))
    [found] = measure_voices(
        open_recording(folder), strips_of(house, ["vox", "gtr"]), {"vox": activity_of(SUNG_S)}, ["vox"],
        offset_db=OFFSET_DB,
    )  # fmt: skip
    assert [room.source for room in found.room] == []


# through the whole check


ROOM: Final = '[room]\nlevel = "88 dBA"\nmix_loudness = "-23 LUFS"\n'


def test_check_says_it_with_times_of_the_recording(tmp_path: Path, rng: np.random.Generator) -> None:
    rate_hz = 48000
    folder = write(tmp_path / "take", band(rng, rate_hz), rate_hz)
    house_of(
        folder,
        source("vox", "lead vocal", chain=VOICE_CHAIN),
        source("guitar", "guitar", "gtr l", "gtr r"),
        source("snare", "snare"),
        head=HEAD + ROOM,
    )
    whole = check(folder).result.vocal
    later = check(folder, start_s=15.5).result.vocal
    assert whole is not None
    assert later is not None
    assert whole.source == later.source == "vox"
    # 300 ms windows reach 0.2 s beyond the singing at either end (deskhand.measure.activity): 0.8 s become less than the half
    # second that is a pause within a phrase
    for begin, end in ((2.0, 7.0), (10.0, 14.0), (17.0, 25.0)):
        inside = [(first, last) for first, last in words_of(whole) if begin - 0.35 <= first and last <= end + 0.35]
        assert min(first for first, _ in inside) == pytest.approx(begin, abs=0.35)
        assert max(last for _, last in inside) == pytest.approx(end, abs=0.35)
    assert sum(last - first for first, last in words_of(whole)) == pytest.approx(17.0, abs=1.3)
    # the last words, wherever the stretch began
    old = [phrase for phrase in whole.phrases if phrase.start_s > 16.0]
    np.testing.assert_allclose(words_of(later), [(phrase.start_s, phrase.end_s) for phrase in old], atol=0.11)
    assert [one.audible_pct for one in later.phrases] == pytest.approx([one.audible_pct for one in old], abs=2.0)
    for one in later.by_source:
        assert all(begin >= 16.5 for begin, _ in one.most_s)
    assert all(begin >= 16.5 for begin, _ in later.covered_s)


def test_check_without_faders_or_voice(tmp_path: Path, rng: np.random.Generator) -> None:
    tracks = band(rng, 48000)
    folder = write(tmp_path / "take", tracks, 48000)
    guitar = source("guitar", "guitar", "gtr l", "gtr r")
    house_of(folder, source("vox", "lead vocal", fader=None), source("guitar", "guitar", "gtr l", "gtr r", fader=None))
    assert check(folder, end_s=8.0).result.vocal is None
    house_of(folder, source("vox", "lead vocal", more="mute = true"), guitar)
    assert check(folder, end_s=8.0).result.vocal is None
    house_of(folder, guitar)
    result = check(folder, end_s=8.0).result
    assert result.vocal is None
    assert result.voices == ()


def test_check_with_a_silent_voice(tmp_path: Path, rng: np.random.Generator) -> None:
    tracks = {**band(rng, 48000), "vox": np.zeros(round(LENGTH_S * 48000))}
    folder = write(tmp_path / "take", tracks, 48000)
    house_of(folder, source("vox", "lead vocal"), source("guitar", "guitar", "gtr l", "gtr r"))
    assert check(folder, end_s=8.0).result.vocal is None


def test_check_with_speech(tmp_path: Path, rng: np.random.Generator) -> None:
    """Everyone who speaks is told apart from the lead voice, also where nobody leads."""
    tracks = band(rng, 48000)
    folder = write(tmp_path / "take", tracks, 48000)
    guitar = source("guitar", "guitar", "gtr l", "gtr r")
    house_of(folder, source("vox", "speech"), guitar)
    result = check(folder, end_s=8.0).result
    assert result.vocal is None
    assert [one.source for one in result.voices] == ["vox"]


@pytest.mark.source(
    "ITU-R BS.1770-5: the loudness of a mix adds the powers of both sides; the room's level is that of both"
)
def test_level_in_the_room() -> None:
    """A centred voice alone at the loudness of the calibration is as loud as the calibration says."""
    import pyloudnorm

    from deskhand.house import Room
    from deskhand.mix.bus import level_offset_db

    rate_hz = 48000
    one_side = amplitude(-20.0) * np.sin(2.0 * np.pi * 1000.0 * np.arange(4 * rate_hz) / rate_hz)
    loudness_lufs = pyloudnorm.Meter(rate_hz).integrated_loudness(np.stack([one_side, one_side], axis=1))
    room = Room(level="88 dBA", mix_loudness=f"{loudness_lufs:.3f} LUFS")
    # the mono sum of what is the same on both sides is either side
    level_db_spl = 10.0 * np.log10(np.mean(one_side**2)) + level_offset_db(room, loudness_lufs)
    # at 1 kHz, A weighting and K weighting let all through (K: +0.7 dB less the constant of the formula)
    assert level_db_spl == pytest.approx(88.0, abs=0.2)


# what is said of it


def clearance(words: Sequence[tuple[float, float, str]], *, by: bool = True) -> Clearance:
    sides = Sides(mono=31.0, left=30.0, right=32.0)
    cost = Cost(source="guitar", cost_pct=40.0, low_hz=1000.0, high_hz=3150.0, most_s=())
    return Clearance(
        source="vox",
        clearance_pct=sides,
        audible_pct=sides,
        method="shapley",
        by_source=(cost, replace(cost, source="keys", cost_pct=3.0)) if by else (),
        by_band_pct={},
        phrases=tuple(
            Phrase(
                start_s=begin,
                end_s=end,
                audible_pct=20.0,
                left_pct=20.0,
                right_pct=20.0,
                clearance_pct=20.0,
                word=word,
                by="guitar",
            )
            for begin, end, word in words
        ),
        covered_s=tuple((begin, end) for begin, end, word in words if word == "covered"),
        room=(),
        voice_to_rest_db=-6.0,
    )


def findings_of(voice: Clearance, offset_s: float = 0.0) -> list[Any]:
    by_source = judge_voices([shifted(voice, offset_s)], {})
    assert set(by_source) <= {"vox"}
    return by_source.get("vox", [])


@pytest.mark.source("common practice, no source: a quarter of the words, of 3 s and more")
def test_a_covered_voice_is_noted() -> None:
    [found] = findings_of(clearance([(61.0, 65.0, "covered"), (70.0, 74.0, "clear"), (80.0, 84.0, "strained")]))
    assert (found.kind, found.severity, found.stage) == ("vocal-covered", "note", "after")
    assert found.id == "vox/vocal-covered"
    assert found.facts["covered_pct"] == pytest.approx(100 / 3)
    assert found.other == "guitar"
    assert "33 % of its words" in say(found)
    assert "1:01" in say(found)
    assert "by guitar" in say(found)
    assert "keys" not in say(found)
    assert (found.metric, found.measured, found.unit) == ("audible_pct", 31.0, "%")
    assert found.band_hz == (1000.0, 3150.0)
    assert found.at_s == ((61.0, 65.0),)
    [later] = findings_of(clearance([(61.0, 65.0, "covered")]), 10.0)
    assert later.at_s == ((71.0, 75.0),)
    assert "1:11" in say(later)


@pytest.mark.source("common practice, no source: a quarter of the words, of 3 s and more")
def test_what_is_not_noted() -> None:
    assert findings_of(clearance([(0.0, 4.0, "clear"), (5.0, 9.0, "strained")])) == []
    assert findings_of(clearance([])) == []
    # a quarter counts, less does not
    words = [(10.0 * place, 10.0 * place + 4.0, "clear") for place in range(3)]
    assert len(findings_of(clearance([*words, (60.0, 64.0, "covered")]))) == 1
    assert findings_of(clearance([*words, (60.0, 63.9, "covered")])) == []
    # a word or two is no evidence
    assert findings_of(clearance([(0.0, 2.9, "covered")])) == []
    assert len(findings_of(clearance([(0.0, 3.0, "covered")]))) == 1
    # nobody is in the way: too soft, which other findings say
    assert findings_of(clearance([(0.0, 4.0, "covered")], by=False)) == []


def test_a_buried_voice_is_noted_by_check(tmp_path: Path, rng: np.random.Generator) -> None:
    tracks = band(rng, 48000)
    folder = write(tmp_path / "take", tracks, 48000)

    def noted(fader: str) -> list[Any]:
        house_of(
            folder,
            source("vox", "lead vocal", fader=fader),
            source("guitar", "guitar", "gtr l", "gtr r"),
            source("snare", "snare", fader="-30 dB"),
        )
        [vox] = [one for one in check(folder, end_s=9.0).result.sources if one.name == "vox"]
        return [one for one in vox.findings if one.kind == "vocal-covered"]

    [found] = noted("-18 dB")
    assert "mostly by guitar" in found.text
    assert noted("12 dB") == []
