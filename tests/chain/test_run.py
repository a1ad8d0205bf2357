"""Whole chains: latency taken out, stages metered, changes tried, taps; and the same by sox, ffmpeg and scipy on real audio.

Run with `-s` to see how sox's, ffmpeg's and our equalisers differ from the analogue prototype at the same settings.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import scipy.signal as ss
import soundfile

import deskhand.chain.run as running
from deskhand.chain.blocks import filter_sos
from deskhand.chain.run import Chain, WhatIf, run, still_to_come
from deskhand.errors import HouseError
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from tests.support import material, peers
from tests.support.bells import RATE_HZ, bell_errors_db, by
from tests.support.chain import made, read
from tests.support.feed import Feed
from tests.support.signals import sine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

EVERYTHING: Final = (
    made("gain", gain="3 dB"),
    made("trim", gain="-1 dB"),
    made("high-pass", frequency="80 Hz", slope="24 dB/oct"),
    made("bell", frequency="250 Hz", gain="-3 dB", q=1.4),
    made("high-shelf", frequency="8 kHz", gain="3 dB"),
    made("gate", threshold="-50 dBFS"),
    made("saturation", drive="3 dB"),
    made("compressor", threshold="-20 dBFS", ratio=3),
    made("dynamic-bell", frequency="3 kHz", threshold="-30 dBFS", gain="-4 dB"),
    made("delay", time="0.31 ms", on="right"),
    made("mid-side", mid="-1 dB"),
    made("limiter", ceiling="-6 dBFS"),
)


@functools.cache
def guitar() -> np.ndarray:
    """Ten seconds of a real stereo guitar."""
    sound, rate_hz = read(material.guitar_song("Feelings") / "guitar.wav", from_s=30, length_s=10)
    assert rate_hz == RATE_HZ
    return sound


def faded(sound: np.ndarray) -> np.ndarray:
    """The same without hard edges."""
    rise = np.minimum(1.0, np.arange(sound.shape[1]) / 2000.0)
    return sound * (rise * rise[::-1]) ** 2


# the chain as a whole


@pytest.mark.real
@pytest.mark.source("definition: a chain is its blocks after each other")
def test_a_chain_is_its_blocks_after_each_other() -> None:
    sound = faded(guitar()[:, : 3 * RATE_HZ])
    together = run(sound, EVERYTHING, sample_rate_hz=RATE_HZ)
    apart = sound
    for block in EVERYTHING:
        apart = run(apart, [block], sample_rate_hz=RATE_HZ)
    assert together.shape == sound.shape
    # apart, a block that looks ahead sees silence behind the end, together what the blocks before it still ring
    assert np.abs(together - apart)[:, :-300].max() < 1e-9


@pytest.mark.real
@pytest.mark.source("definition: a chain does not know how its input was cut")
@pytest.mark.parametrize("block_frames", [1009, 44100, 1 << 20])
def test_a_chain_does_not_see_blocks(block_frames: int) -> None:
    sound = guitar()[:, : 2 * RATE_HZ]
    usual = run(sound, EVERYTHING, sample_rate_hz=RATE_HZ)
    assert np.abs(run(sound, EVERYTHING, sample_rate_hz=RATE_HZ, block_frames=block_frames) - usual).max() < 1e-6


@pytest.mark.source("definition: latency is what an impulse is late by, block after block")
def test_latency_adds_up_and_is_taken_out() -> None:
    blocks = [
        made("saturation", drive="-40 dB"), made("delay", time="0.3 ms"), made("limiter", ceiling="0 dBFS"),
        made("saturation", drive="-40 dB", on="left"),
    ]  # fmt: skip
    signal = np.zeros((2, 4000))
    signal[:, 1000] = 0.05
    chain = Chain(blocks, channels=2, sample_rate_hz=RATE_HZ)
    assert chain.latency == sum(block.latency for block in chain.blocks) > 150
    raw = chain.process(signal)
    out = run(signal, blocks, sample_rate_hz=RATE_HZ)
    due = 1000 + round(0.3e-3 * RATE_HZ)
    assert list(np.argmax(np.abs(raw), axis=1)) == [due + chain.latency] * 2
    assert list(np.argmax(np.abs(out), axis=1)) == [due] * 2
    assert out.shape == signal.shape


@pytest.mark.parametrize("frames", [0, 1, 10, 100, 3000])
def test_short_signals_keep_their_length(frames: int) -> None:
    out = run(np.full((2, frames), 0.1), EVERYTHING, sample_rate_hz=RATE_HZ)
    assert out.shape == (2, frames)
    assert np.isfinite(out).all()


def test_no_blocks_change_nothing(rng: np.random.Generator) -> None:
    signal = rng.standard_normal((1, 5000))
    assert np.array_equal(run(signal, [], sample_rate_hz=RATE_HZ), signal)


# taps


GAIN, TRIM, EQ = made("gain", gain="6 dB"), made("trim", gain="-2 dB"), made("bell", frequency="1 kHz", gain="2 dB")
LOW, LATER = made("high-pass", frequency="80 Hz"), made("high-pass", frequency="120 Hz")


@pytest.mark.source(
    "docstring: after-gain tracks hold the gain, the trim and the first high-pass. Common practice, no source"
)
@pytest.mark.parametrize(
    ("tap", "left"),
    [("preamp", [GAIN, TRIM, LOW, EQ, LATER]), ("after-gain", [EQ, LATER]), ("after-chain", [])],
)
def test_still_to_come(tap: str, left: list[Any]) -> None:
    assert still_to_come([GAIN, TRIM, LOW, EQ, LATER], tap) == left


def test_still_to_come_without_a_high_pass() -> None:
    assert still_to_come([EQ, GAIN], "after-gain") == [EQ]
    assert still_to_come([], "after-gain") == []


# stage meters


@pytest.mark.real
@pytest.mark.source("the project's readings of the same signal, themselves checked against ffmpeg and pyebur128")
@pytest.mark.parametrize("pair", [False, True], ids=["one-track", "pair"])
def test_stages_read_what_the_readings_read(pair: bool) -> None:
    sound = guitar()[: 2 if pair else 1].astype(np.float32).astype(np.float64)
    blocks = [made("trim", gain="-3 dB"), made("saturation", drive="6 dB"), made("limiter", ceiling="-12 dBFS")]
    channels = sound.shape[0]

    def reading(signal: np.ndarray, playing: Any = None) -> Any:
        feed = Feed(signal, sample_rate_hz=RATE_HZ)
        figures = measure_figures(feed, channels, pairs=[(0, 1)] if pair else [])
        return read_source(figures, tuple(range(channels)), strikes=False, mains_hz=50.0, playing=playing)

    before = reading(sound)
    chain = Chain(blocks, channels=channels, sample_rate_hz=RATE_HZ, metered=True)
    for first in range(0, sound.shape[1], 5000):
        chain.aligned(np.ascontiguousarray(sound[:, first : first + 5000]))
    chain.rest(channels)
    stages = chain.stages(before.activity)
    assert [stage.block for stage in stages] == ["trim", "saturation", "limiter"]
    for place, stage in enumerate(stages):
        after = reading(run(sound, blocks[: place + 1], sample_rate_hz=RATE_HZ), before.activity).readings
        assert stage.level_dbfs == pytest.approx(after.level_dbfs, abs=0.001)
        assert stage.peak_dbfs == pytest.approx(after.peak_dbfs, abs=0.001)
        assert stage.loudness_lufs == pytest.approx(after.loudness_lufs, abs=0.001)
        assert stage.true_peak_dbtp == pytest.approx(after.true_peak_dbtp, abs=0.001)
        if pair:
            assert stage.width_db == pytest.approx(after.width_db, abs=0.001)
        else:
            assert stage.width_db is None
        assert (stage.reduction_db is None) == (stage.block != "limiter")
    taken = stages[-1].reduction_db
    assert taken is not None
    # what the limiter took off, from its input and output: the same gain on both sides
    entered, left = (run(sound, blocks[:count], sample_rate_hz=RATE_HZ)[0] for count in (2, 3))
    loud = np.abs(entered) > 1e-3
    step = RATE_HZ // 100
    gain_db = np.where(loud, 20.0 * np.log10(np.where(loud, entered, 1.0) / np.where(loud, left, 1.0)), np.nan)
    steps = gain_db[: gain_db.size // step * step].reshape(-1, step)
    known = np.isfinite(steps).any(axis=1)
    steps_db = np.nanmean(steps[known], axis=1)
    assert taken.p95 == pytest.approx(np.percentile(steps_db, 95), abs=0.1)
    assert taken.median == pytest.approx(np.median(steps_db), abs=0.1)
    assert 0.0 < taken.active_fraction <= 1.0


def test_the_95th_percentile_of_a_lift_is_of_the_lift() -> None:
    """A block that lifts 6 dB for a second and nothing for the next takes off less than nothing: told is how far it lifts, not how seldom."""
    tone = sine(3000.0, 12.0, level_dbfs=-8.0)
    tone *= np.where(np.arange(tone.size) // RATE_HZ % 2 == 0, 1.0, 10 ** (-25 / 20))
    chain = Chain(
        [made("dynamic-bell", frequency="3 kHz", threshold="-30 dBFS", gain="6 dB")],
        channels=1, sample_rate_hz=RATE_HZ, metered=True,
    )  # fmt: skip
    figures = measure_figures(Feed(tone[None], sample_rate_hz=RATE_HZ), 1, pairs=[])
    playing = read_source(figures, (0,), strikes=False, mains_hz=50.0, playing=None).activity
    chain.aligned(tone[None].copy())
    chain.rest(1)
    [stage] = chain.stages(playing)
    assert stage.reduction_db is not None
    assert stage.reduction_db.p95 == pytest.approx(-6.0, abs=0.3)


@pytest.mark.real
def test_a_stage_agrees_with_ffmpeg(tmp_path: Path) -> None:
    blocks = [made("high-pass", frequency="150 Hz"), made("compressor", threshold="-30 dBFS", makeup="6 dB")]
    sound = guitar()
    chain = Chain(blocks, channels=2, sample_rate_hz=RATE_HZ, metered=True)
    out = chain.aligned(sound)
    feed = Feed(sound, sample_rate_hz=RATE_HZ)
    figures = measure_figures(feed, 2, pairs=[(0, 1)])
    stage = chain.stages(read_source(figures, (0, 1), strikes=False, mains_hz=50.0).activity)[-1]
    soundfile.write(tmp_path / "out.wav", out.T, RATE_HZ, "FLOAT")
    peer = peers.measure(tmp_path / "out.wav")
    assert stage.peak_dbfs == pytest.approx(peer.peak_dbfs, abs=0.01)
    # EBU Tech 3341: loudness within 0.1 LU, true peak within 0.2 dB and what the peer prints
    assert stage.loudness_lufs == pytest.approx(peer.loudness_lufs, abs=0.1)
    assert stage.true_peak_dbtp == pytest.approx(peer.true_peak_dbtp, abs=0.2 + peer.true_peak_step_db)


@pytest.mark.source("definition: the largest value is the largest, wherever it lies")
@pytest.mark.parametrize("place", [0, 5, 3000, 47990, 47999])
def test_a_stage_s_peak_wherever_it_is(place: int) -> None:
    signal = np.zeros((1, 48000))
    signal[0, place] = 0.5
    chain = Chain([made("trim", gain="6 dB")], channels=1, sample_rate_hz=48000, metered=True)
    for first in range(0, 48000, 700):
        chain.process(np.ascontiguousarray(signal[:, first : first + 700]))
    assert chain.meters[0].true_peak() == pytest.approx(0.5 * 10.0**0.3, rel=1e-6)


@pytest.mark.source("ITU-R BS.1770-5 Annex 2: true peak by oversampling, by scipy.signal.resample_poly")
def test_a_peak_between_the_last_samples() -> None:
    signal = np.zeros((1, 48000))
    # two samples on either side of a top that is 3 dB higher, as at a quarter of the rate
    signal[0, -6:] = 0.5 * np.array([-1, -1, 1, 1, -1, -1])
    chain = Chain([made("trim", gain="0 dB")], channels=1, sample_rate_hz=48000, metered=True)
    chain.aligned(signal)
    chain.rest(1)
    wanted = np.abs(ss.resample_poly(np.pad(signal[0], (0, 64)), 8, 1)).max()
    assert wanted > 1.05 * np.abs(signal).max()
    assert chain.meters[0].true_peak() == pytest.approx(wanted, rel=0.02)


@pytest.mark.source("definition: a bell that lifts by 6 dB all the while moves all the while")
@pytest.mark.parametrize(
    "gain",
    ["-6 dB", "6 dB"],
)
def test_a_dynamic_bell_s_share_of_moving(gain: str, rng: np.random.Generator) -> None:
    sound = 0.2 * rng.standard_normal((1, 4 * RATE_HZ))
    block = made("dynamic-bell", frequency="1 kHz", threshold="-60 dBFS", gain=gain)
    chain = Chain([block], channels=1, sample_rate_hz=RATE_HZ, metered=True)
    chain.aligned(sound)
    figures = measure_figures(Feed(sound, sample_rate_hz=RATE_HZ), 1)
    [stage] = chain.stages(read_source(figures, (0,), strikes=False, mains_hz=50.0).activity)
    assert stage.reduction_db is not None
    assert abs(stage.reduction_db.median) == pytest.approx(6.0, abs=0.01)
    assert stage.reduction_db.active_fraction == pytest.approx(1.0, abs=0.01)


# what if


@pytest.mark.real
def test_what_if_is_a_full_run() -> None:
    sound = faded(guitar()[:, : 2 * RATE_HZ])
    trial = WhatIf(sound, EVERYTHING, sample_rate_hz=RATE_HZ)
    for place in (0, 5, 7, 11):
        changed = list(EVERYTHING)
        changed[place] = made("trim", gain=f"{-2 - place} dB")
        full = run(sound, changed, sample_rate_hz=RATE_HZ)
        found = trial.run(changed)
        assert found.dtype == np.float32
        # 2 to the -24 of each of twelve stages, and what gates and limiters make of it
        assert np.abs(found - full)[:, :-300].max() < 3e-6
    shorter = EVERYTHING[:4]
    assert np.abs(trial.run(shorter) - run(sound, shorter, sample_rate_hz=RATE_HZ)).max() < 1e-6
    longer = (*shorter, made("trim", gain="1 dB"))
    assert np.abs(trial.run(longer) - run(sound, longer, sample_rate_hz=RATE_HZ)).max() < 1e-6


def test_what_if_runs_only_what_follows_a_change(monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator) -> None:
    built: list[str] = []
    build = running.build
    monkeypatch.setattr(running, "build", lambda block, **keys: (built.append(block.block), build(block, **keys))[1])
    sound = 0.1 * rng.standard_normal((2, 4000))
    trial = WhatIf(sound, EVERYTHING, sample_rate_hz=RATE_HZ)
    assert built == [block.block for block in EVERYTHING]
    kept = [trial.after(place) for place in range(-1, 7)]
    built.clear()
    changed = list(EVERYTHING)
    changed[7] = made("compressor", threshold="-30 dBFS")
    trial.run(changed)
    assert built == [block.block for block in EVERYTHING[7:]]
    assert all(trial.after(place) is kept[place + 1] for place in range(-1, 7))
    built.clear()
    trial.run(changed)
    assert built == []


def test_what_if_after_a_change_that_is_refused(rng: np.random.Generator) -> None:
    sound = 0.1 * rng.standard_normal((1, 4000))
    blocks = [made("trim", gain="-1 dB"), made("bell", frequency="1 kHz", gain="6 dB"), made("trim", gain="-6 dB")]
    trial = WhatIf(sound, blocks, sample_rate_hz=RATE_HZ)
    good = trial.run(blocks).copy()
    with pytest.raises(HouseError):
        trial.run([blocks[0], made("mid-side", side="1 dB"), blocks[2]])
    assert np.array_equal(trial.run(blocks), good)


def reading_of(sound: np.ndarray, playing: Any = None) -> Any:
    figures = measure_figures(
        Feed(sound, sample_rate_hz=RATE_HZ), sound.shape[0], pairs=[(0, 1)] if len(sound) == 2 else []
    )
    return read_source(figures, tuple(range(len(sound))), strikes=False, mains_hz=50.0, playing=playing)


METERED: Final = (
    made("trim", gain="-3 dB"), made("compressor", threshold="-30 dBFS", ratio=3), made("mid-side", mid="-2 dB"),
    made("limiter", ceiling="-20 dBFS"),
)  # fmt: skip


@pytest.mark.source("definition: a what-if reads what a whole chain reads; loudness also by pyebur128 (libebur128)")
def test_what_if_is_metered_as_a_chain_is(rng: np.random.Generator) -> None:
    import pyebur128

    sound = (0.1 * rng.standard_normal((2, 6 * RATE_HZ))).astype(np.float32).astype(np.float64)
    playing = reading_of(sound).activity
    trial = WhatIf(sound, [], sample_rate_hz=RATE_HZ, metered=True)
    assert trial.stages(playing) == ()
    # one block after another, in another order, changed and taken out: the meters are those of what is there
    for blocks in (METERED[:2], METERED, (METERED[0], METERED[2], METERED[3]), METERED[1:], METERED, METERED[:1], ()):
        trial.run(blocks)
        chain = Chain(blocks, channels=2, sample_rate_hz=RATE_HZ, metered=True)
        chain.aligned(sound)
        chain.rest(2)
        found, wanted = trial.stages(playing), chain.stages(playing)
        assert [stage.block for stage in found] == [block.block for block in blocks]
        for place, (stage, other) in enumerate(zip(found, wanted, strict=True)):
            for name in ("level_dbfs", "peak_dbfs", "loudness_lufs", "true_peak_dbtp", "width_db"):
                assert getattr(stage, name) == pytest.approx(getattr(other, name), abs=0.01), name
            assert (stage.reduction_db is None) == (other.reduction_db is None)
            if stage.reduction_db is not None:
                assert stage.reduction_db.median == pytest.approx(other.reduction_db.median, abs=0.02)
                assert stage.reduction_db.p95 == pytest.approx(other.reduction_db.p95, abs=0.02)
            meter = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
            out = np.ascontiguousarray(trial.after(place).T, np.float64)
            meter.add_frames(out.ravel(), out.shape[0])
            assert stage.loudness_lufs == pytest.approx(pyebur128.get_loudness_global(meter), abs=0.1)
            assert stage.peak_dbfs == pytest.approx(20.0 * np.log10(np.abs(out).max()), abs=0.01)


def test_what_if_without_meters_reads_nothing(rng: np.random.Generator) -> None:
    sound = 0.1 * rng.standard_normal((1, RATE_HZ))
    plain, metered = (WhatIf(sound, METERED[:2], sample_rate_hz=RATE_HZ, metered=metered) for metered in (False, True))
    assert plain.stages(reading_of(sound).activity) == ()
    assert np.array_equal(plain.after(1), metered.after(1))


# the same by other programs, on real audio


NULLS: Final = [
    pytest.param(made("trim", gain="-3.7 dB"), "sox", ("gain", "-3.7"), id="gain-sox"),
    pytest.param(made("trim", gain="-3.7 dB"), "ffmpeg", ("volume=-3.7dB:precision=double",), id="gain-ffmpeg"),
    pytest.param(made("polarity"), "sox", ("vol", "-1"), id="polarity-sox"),
    pytest.param(made("polarity"), "ffmpeg", ("volume=-1:precision=double",), id="polarity-ffmpeg"),
    pytest.param(made("delay", time="10 ms", on="right"), "sox", ("delay", "0", "441s"), id="delay-sox"),
    pytest.param(made("delay", time="10 ms"), "ffmpeg", ("adelay=441S|441S",), id="delay-ffmpeg"),
    pytest.param(
        made("mid-side", mid="-2 dB", side="3 dB"),
        "ffmpeg",
        (f"stereotools=mlev={10 ** (-2 / 20)}:slev={10 ** (3 / 20)}",),
        id="mid-side-ffmpeg",
    ),
    # 250 Hz lies so far below half the rate that the mapped design is kept: the same formulas, and the same sound
    pytest.param(
        made("bell", frequency="250 Hz", gain="-6 dB", q=1.5), "sox", ("equalizer", "250", "1.5q", "-6"), id="bell-sox"
    ),
    pytest.param(
        made("bell", frequency="250 Hz", gain="-6 dB", q=1.5),
        "ffmpeg",
        ("equalizer=f=250:t=q:w=1.5:g=-6:r=f64",),
        id="bell-ffmpeg",
    ),
    pytest.param(
        made("low-shelf", frequency="150 Hz", gain="4 dB"),
        "ffmpeg",
        ("lowshelf=f=150:t=q:w=0.707:g=4:r=f64",),
        id="shelf-ffmpeg",
    ),
    pytest.param(made("high-pass", frequency="80 Hz"), "sox", ("highpass", "80", "0.7071q"), id="high-pass-sox"),
]


@pytest.mark.real
@pytest.mark.source("sox and ffmpeg, the same settings on the same real audio")
@pytest.mark.parametrize(("block", "program", "effect"), NULLS)
def test_null_against_sox_and_ffmpeg(block: Any, program: str, effect: tuple[str, ...], tmp_path: Path) -> None:
    sound = 0.25 * guitar()[:, : 3 * RATE_HZ].astype(np.float32).astype(np.float64)
    theirs = by(program, sound, tmp_path, *effect)[:, : sound.shape[1]]
    ours = run(sound, [block], sample_rate_hz=RATE_HZ)
    left = float(np.sqrt(np.mean((ours - theirs) ** 2)) / np.sqrt(np.mean(ours**2)))
    # -90 dB: float files and 32-bit integers inside sox leave less than -130 dB, and four digits of a setting -95 dB
    assert 20.0 * np.log10(left + 1e-12) < -90.0


@pytest.mark.real
@pytest.mark.source("scipy.signal.sosfilt of the same sections on the same real audio")
def test_null_against_scipy() -> None:
    sound = guitar()
    block = made("bell", frequency="6.3 kHz", gain="5 dB", q=2)
    wanted = ss.sosfilt(filter_sos(block, RATE_HZ), sound, axis=1)
    assert np.abs(run(sound, [block], sample_rate_hz=RATE_HZ) - wanted).max() < 1e-13


SETTINGS: Final = [
    (100.0, 6.0, 1.0),
    (2500.0, -3.0, 1.4),
    (6300.0, 4.0, 1.0),
    (10000.0, -6.0, 2.0),
    (14000.0, 6.0, 1.0),
]


@pytest.fixture(scope="module")
def table() -> Iterator[list[str]]:
    """Lines of the comparison; printed when all is done."""
    lines: list[str] = []
    yield lines
    print("\n\nbell at 44.1 kHz: worst difference from the analogue prototype, 20 Hz to 20 kHz, dB")
    print("frequency, gain, q            ours     sox  ffmpeg")
    print("\n".join(lines))


@pytest.mark.real
@pytest.mark.source(
    "Audio EQ Cookbook (W3C Note, 8 June 2021), prototype by scipy.signal.freqs; sox and ffmpeg beside ours"
)
@pytest.mark.parametrize("setting", SETTINGS)
def test_bells_beside_sox_and_ffmpeg(setting: tuple[float, float, float], tmp_path: Path, table: list[str]) -> None:
    ours_db, sox_db, ffmpeg_db = bell_errors_db(setting, tmp_path)
    table.append(f"{setting!s:28s}{ours_db:8.3f}{sox_db:8.3f}{ffmpeg_db:8.3f}")
    assert ours_db < 0.2
    # both others use the tangent mapping: as good as ours where that is kept, and worse near half the rate
    assert ours_db <= min(sox_db, ffmpeg_db) + 0.01
    if setting[0] >= 6300.0:
        assert min(sox_db, ffmpeg_db) > 3.0 * ours_db
