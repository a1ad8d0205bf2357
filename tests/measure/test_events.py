"""Faults planted at known samples are found there, once, at every rate; and clean sounds hold none.

In order: where (around the borders of chunks, which are whole seconds), what (each kind in noise and in tones), clipping in
the words it comes in, feedback, then everything that must stay silent. Thresholds are the project's own, common practice, no
source; what is checked is that planted faults well above them are found and that clean sound is left alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import scipy.signal as ss

from tests.support.feed import figures_of
from tests.support.judged import findings_of, severity_of, show_of
from tests.support.signals import (
    RATE_HZ,
    amplitude,
    at_level,
    harmonics,
    hits,
    pink,
    plucks,
    sine,
    speech_like,
    to_16_bit,
    to_24_bit,
    white,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.measure.figures import TrackFigures

RATES_HZ: Final = (44100, 48000, 96000)
RATE: Final = pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
TRACKS: Final = 8
FAULTS: Final = {"clipped", "dropout", "clicks", "wireless-hit", "howl"}
KINDS: Final = ("dropouts", "clicks", "bursts", "mutes", "howls")


def dark_noise(rng: np.random.Generator, length_s: float, rate_hz: int) -> np.ndarray:
    """Steady noise with the slope of voices and strings: little above 1 kHz."""
    low = ss.butter(2, 800, "lowpass", fs=rate_hz, output="sos")
    return at_level(ss.sosfilt(low, rng.standard_normal(round(length_s * rate_hz))), -26.0)


def chord(rng: np.random.Generator, length_s: float, rate_hz: int) -> np.ndarray:
    """A steady chord over converter noise, high enough that half a millisecond holds a good part of a period."""
    notes = [
        sine(hz, length_s, level_dbfs=-24.0, phase_rad=hz, rate_hz=rate_hz) for hz in (588.9, 741.3, 883.1, 1177.6)
    ]
    return np.sum(notes, axis=0) + white(rng, length_s, -95.0, rate_hz=rate_hz)


BASES: Final = {"noise": dark_noise, "chord": chord}
# 200 places in noise, about 100 in a chord at the other rates
PLACES: Final = pytest.mark.parametrize(
    ("base", "rate_hz", "each"),
    [
        pytest.param("noise", 48000, 25, id="in-noise-48000-hz"),
        pytest.param("chord", 44100, 13, id="in-chord-44100-hz"),
        pytest.param("chord", 96000, 13, id="in-chord-96000-hz"),
    ],
)


def told(track: TrackFigures) -> dict[str, int]:
    """How many of each kind; those with none are left out."""
    counts = {kind: len(getattr(track, kind)) for kind in KINDS} | {"flats": int(track.flats.sum())}
    return {kind: count for kind, count in counts.items() if count}


def plant(
    base: str, rate_hz: int, each: int, offsets: list[int], put: Callable[[np.ndarray, int], None]
) -> tuple[np.ndarray, list[list[int]]]:
    """Eight tracks of events, the k-th an offset away from a whole second: (samples, where in each track)."""
    one = BASES[base](np.random.default_rng(1), each + 4.0, rate_hz).astype(np.float32)
    samples = np.tile(one, (TRACKS, 1))
    # as many of the offsets as there are places, spread over all of them
    chosen = np.array(offsets)[np.linspace(0, len(offsets) - 1, TRACKS * each).round().astype(int)].tolist()
    places: list[list[int]] = []
    for row in range(TRACKS):
        places.append([(k + 2) * rate_hz + chosen[row * each + k] for k in range(each)])
        for place in places[-1]:
            put(samples[row], place)
    return samples, places


def assert_each_once(found_s: list[list[float]], places: list[list[int]], rate_hz: int, allowed_s: float) -> None:
    """Each place is told exactly once, within what is allowed; nothing else is told."""
    wrong = []
    for row, (times, planted) in enumerate(zip(found_s, places, strict=True)):
        for place in planted:
            near = [time for time in times if abs(time - place / rate_hz) < 0.03]
            if len(near) != 1 or abs(near[0] - place / rate_hz) > allowed_s:
                offset = (place + rate_hz // 2) % rate_hz - rate_hz // 2
                wrong.append(f"{offset} samples from a second: told at {[round(t * rate_hz) - place for t in near]}")
        if len(times) != len(planted):
            wrong.append(f"track {row}: {len(times)} told, {len(planted)} planted")
    assert not wrong, "; ".join(wrong[:8]) + f" ({len(wrong)} in all)"


def samples_round(rate_hz: int) -> list[int]:
    """200 offsets from a whole second: round the border, one 10 ms step before it, and where detectors' context ends."""
    step = rate_hz // 100
    return [*range(-60, 60), *range(-step - 20, -step + 20), *range(-240, -200)]


def steps_round(rate_hz: int) -> list[int]:
    """200 offsets, 5 ms apart through a whole second: bursts and mutes are looked for in steps of 10 ms."""
    return [round(k * 0.005 * rate_hz) for k in range(-100, 100)]


@PLACES
def test_zeros_are_found_once_at_their_sample(base: str, rate_hz: int, each: int) -> None:
    length = rate_hz // 50

    def put(track: np.ndarray, at: int) -> None:
        track[at : at + length] = 0.0
        # a sample that is zero by chance would belong to it
        track[[at - 1, at + length]] = 0.01

    samples, places = plant(base, rate_hz, each, samples_round(rate_hz), put)
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    # times are told in seconds: half a sample
    exact_s = 0.5 / rate_hz
    assert_each_once([[e.start_s for e in track.dropouts] for track in figures.tracks], places, rate_hz, exact_s)
    ends = [[place + length for place in row] for row in places]
    assert_each_once([[e.end_s for e in track.dropouts] for track in figures.tracks], ends, rate_hz, exact_s)


@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (48000, 96000, 192000)])
def test_soft_zeros_do_not_depend_on_the_neighbour_track(rate_hz: int) -> None:
    # 1.2 dB above the least that counts, with power that is exact: sound of one size and either sign
    rng = np.random.default_rng(2)
    samples = np.zeros((2, 14 * rate_hz))
    samples[0] = 2e-6**0.5 * rng.choice([-1.0, 1.0], samples.shape[1])
    # ends just before and after where the look at a second ends
    places = [(k + 1) * rate_hz - round(back) for k, back in enumerate(np.linspace(200, rate_hz // 200 + 250, 12))]
    for place in places:
        samples[0, place - 400 : place] = 0.0
    found = figures_of(samples, sample_rate_hz=rate_hz).tracks[0].dropouts
    assert_each_once([[event.end_s for event in found]], [places], rate_hz, 0.5 / rate_hz)


@PLACES
def test_a_click_is_found_once_at_its_sample(base: str, rate_hz: int, each: int) -> None:
    def put(track: np.ndarray, at: int) -> None:
        track[at] += 0.4 if track[at] < 0 else -0.4

    samples, places = plant(base, rate_hz, each, samples_round(rate_hz), put)
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    assert_each_once([[e.start_s for e in track.clicks] for track in figures.tracks], places, rate_hz, 0.5 / rate_hz)


@PLACES
def test_a_click_far_below_the_sound_is_found_once(base: str, rate_hz: int, each: int) -> None:
    # a single sample, 22 dB below the level of noise, which hides it, and 30 dB below that of a chord
    height = amplitude(-26.0 - 22.0 if base == "noise" else -18.0 - 30.0)

    def put(track: np.ndarray, at: int) -> None:
        track[at] += height if track[at] < 0 else -height

    samples, places = plant(base, rate_hz, each, samples_round(rate_hz), put)
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    assert_each_once([[e.start_s for e in track.clicks] for track in figures.tracks], places, rate_hz, 0.5 / rate_hz)


@RATE
def test_two_edges_of_what_was_lost_are_two_clicks(rng: np.random.Generator, rate_hz: int) -> None:
    # 12 ms replaced by what was played 50 ms before, as a driver does that has nothing to hand
    sound = chord(rng, 4.0, rate_hz)
    for place in (rate_hz, 2 * rate_hz):
        length = round(0.012 * rate_hz)
        sound[place : place + length] = sound[place - rate_hz // 20 :][:length]
    found = [event.start_s for event in figures_of(sound, sample_rate_hz=rate_hz).tracks[0].clicks]
    # a jump lies between two samples, and the difference looks at every second one at 96 kHz
    assert found == pytest.approx([1.0, 1.012, 2.0, 2.012], abs=2.5 / 48000)


@RATE
def test_a_jump_in_a_tone_is_found(rate_hz: int) -> None:
    # samples lost: the wave goes on somewhere else, from a top to a third of a period later
    tone = sine(313.0, 12.0, level_dbfs=-9.0, rate_hz=rate_hz)
    period = rate_hz / 313.0
    rng = np.random.default_rng(3)
    kept = np.ones(tone.size, bool)
    places = []
    for second in range(1, 11):
        near = second * rate_hz + int(rng.integers(-rate_hz // 3, rate_hz // 3))
        first = round((round(near / period) + 0.25) * period)
        kept[first : first + round(0.3 * period)] = False
        places.append(int(kept[:first].sum()))
    signal = tone[kept] + white(rng, 12.0, -90.0, rate_hz=rate_hz)[: int(kept.sum())]
    found = [event.start_s for event in figures_of(signal, sample_rate_hz=rate_hz).tracks[0].clicks]
    # a jump lies between two samples, and the difference looks at every second one at 96 kHz
    assert_each_once([found], [places], rate_hz, 2.5 * max(1, rate_hz // 48000) / rate_hz)


@PLACES
def test_a_flat_top_is_found_once_in_its_block(base: str, rate_hz: int, each: int) -> None:
    def put(track: np.ndarray, at: int) -> None:
        track[at : at + 5] = 0.9

    samples, places = plant(base, rate_hz, each, samples_round(rate_hz), put)
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    # what noise holds by chance is in every track; where something is planted over it, it may go
    by_chance = (
        figures_of(BASES[base](np.random.default_rng(1), each + 4.0, rate_hz), sample_rate_hz=rate_hz).tracks[0].flats
    )
    wrong = []
    for track, planted in zip(figures.tracks, places, strict=True):
        for place in planted:
            block = place // figures.grid.hop
            if track.flat_level[block] < 0.89 or not 1 <= track.flats[block] <= 1 + by_chance[block]:
                wrong.append((place + rate_hz // 2) % rate_hz - rate_hz // 2)
        others = np.delete(track.flats.astype(int) - by_chance, [place // figures.grid.hop for place in planted])
        assert not others.any()
    assert not wrong, f"{len(wrong)} missed, at these samples from a second: {wrong[:10]}"


@pytest.mark.parametrize(
    ("length_s", "edge_s"),
    [
        pytest.param(length, edge, id=f"{1000 * length:g}-ms-edges-{1000 * edge:g}-ms")
        for length, edge in ((0.06, 0.0), (0.06, 0.001), (0.06, 0.004), (0.02, 0.001), (0.25, 0.0), (0.25, 0.004))
    ],
)
@PLACES
def test_a_burst_of_noise_is_found_once(base: str, rate_hz: int, each: int, length_s: float, edge_s: float) -> None:
    noise = white(np.random.default_rng(4), length_s, -14.0, rate_hz=rate_hz)
    edge = round(edge_s * rate_hz)
    noise[:edge] *= np.linspace(0.0, 1.0, edge)
    noise[noise.size - edge :] *= np.linspace(1.0, 0.0, edge)

    def put(track: np.ndarray, at: int) -> None:
        track[at : at + noise.size] += noise

    samples, places = plant(base, rate_hz, each, steps_round(rate_hz), put)
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    # seen in steps of 10 ms
    assert_each_once([[e.start_s for e in track.bursts] for track in figures.tracks], places, rate_hz, 0.0101)
    # white noise is 70 at 48 kHz; some of the base and half-filled steps are mixed in
    assert all(14 < event.whiteness < 90 for track in figures.tracks for event in track.bursts)
    assert not any(track.mutes for track in figures.tracks)


@PLACES
def test_a_mute_is_found_once(base: str, rate_hz: int, each: int) -> None:
    length = round(0.08 * rate_hz)

    def put(track: np.ndarray, at: int) -> None:
        # 80 dB down: what a muted receiver leaves is not digital silence
        track[at : at + length] *= 1e-4

    samples, places = plant(base, rate_hz, each, steps_round(rate_hz), put)
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    assert_each_once([[e.start_s for e in track.mutes] for track in figures.tracks], places, rate_hz, 0.0101)
    ends = [[place + length for place in row] for row in places]
    assert_each_once([[e.end_s for e in track.mutes] for track in figures.tracks], ends, rate_hz, 0.0101)
    assert all(event.level_dbfs < -80 for track in figures.tracks for event in track.mutes)


@pytest.mark.parametrize(
    ("length_s", "kind", "found"),
    [
        pytest.param(0.2, "bursts", True, id="burst-of-200-ms"),
        pytest.param(0.6, "bursts", False, id="burst-of-600-ms-is-no-burst"),
        pytest.param(0.02, "mutes", False, id="mute-of-20-ms-is-too-short"),
        pytest.param(0.4, "mutes", True, id="mute-of-400-ms"),
        pytest.param(0.8, "mutes", False, id="mute-of-800-ms-is-a-pause"),
    ],
)
def test_how_long_bursts_and_mutes_may_be(length_s: float, kind: str, found: bool) -> None:
    track = dark_noise(np.random.default_rng(5), 8.0, RATE_HZ)
    part = slice(3 * RATE_HZ + 100, 3 * RATE_HZ + 100 + round(length_s * RATE_HZ))
    if kind == "bursts":
        track[part] += white(np.random.default_rng(4), length_s, -14.0)
    else:
        track[part] *= 1e-4
    assert (kind in told(figures_of(track).tracks[0])) == found


@pytest.mark.parametrize(
    "kind", [pytest.param(kind, id=kind) for kind in ("dropouts", "clicks", "flats", "bursts", "mutes")]
)
@pytest.mark.parametrize("length_s", [pytest.param(s, id=f"take-of-{s}-s") for s in (1.4, 2.5, 6.0, 6.5)])
def test_an_event_near_the_end_of_a_take_is_found(kind: str, length_s: float) -> None:
    # a quarter of a second before the end
    track = dark_noise(np.random.default_rng(5), length_s, RATE_HZ)
    at = track.size - RATE_HZ // 4
    if kind == "dropouts":
        track[at : at + 960] = 0.0
    elif kind == "clicks":
        track[at] += 0.5
    elif kind == "flats":
        track[at : at + 7] = 0.9
    elif kind == "bursts":
        track[at : at + 3840] += white(np.random.default_rng(6), 0.08, -14.0)
    else:
        track[at : at + 3840] *= 1e-4
    found = figures_of(track).tracks[0]
    if kind == "flats":
        assert found.flats[at // 4800] == 1
    else:
        assert [event.start_s for event in getattr(found, kind)] == pytest.approx([at / RATE_HZ], abs=0.0101)


def test_a_cut_that_meets_a_zero_of_a_low_note_is_found() -> None:
    # the last half millisecond of a low note before its zero holds little power, but it is no fade
    note = sine(41.2, 12.0, level_dbfs=-12.0)
    places = []
    for second in range(1, 11):
        at = round(round(second * 41.2) / 41.2 * RATE_HZ) + 1
        note[at : at + 1000] = 0.0
        places.append(at)
    assert_each_once(
        [[event.start_s for event in figures_of(note).tracks[0].dropouts]], [places], RATE_HZ, 1.5 / RATE_HZ
    )


# clipping ------------------------------------------------------------------------------------------------------------------


def plateaus(clipped: np.ndarray, top: float) -> int:
    """Runs of three or more samples at the ceiling, counted plainly."""
    edges = np.diff(np.concatenate([[0], (np.abs(clipped) >= top).astype(int), [0]]))
    return int((np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1) >= 3).sum())


CLIPPED_HZ: Final = (41.2, 61.7, 98.0, 130.8, 196.0, 311.1, 440.3, 1003.0, 2489.0)


@pytest.mark.parametrize(
    ("rate_hz", "over_db"),
    [
        pytest.param(48000, 1.0, id="48000-hz-1-db-over"),
        pytest.param(48000, 3.0, id="48000-hz-3-db-over"),
        pytest.param(48000, 6.0, id="48000-hz-6-db-over"),
        pytest.param(48000, 12.0, id="48000-hz-12-db-over"),
        pytest.param(44100, 6.0, id="44100-hz-6-db-over"),
        pytest.param(96000, 6.0, id="96000-hz-6-db-over"),
    ],
)
def test_clipped_tones_are_seen_to_be_clipped(over_db: float, rate_hz: int) -> None:
    waves = [np.clip(sine(hz, 2.0, level_dbfs=over_db, rate_hz=rate_hz), -1.0, 1.0) for hz in CLIPPED_HZ]
    figures = figures_of(to_24_bit(np.stack(waves)), sample_rate_hz=rate_hz)
    wrong = []
    for hz, wave, track in zip(CLIPPED_HZ, waves, figures.tracks, strict=True):
        expected, found = plateaus(wave, 1.0), int(track.flats.sum())
        # a slow wave may touch the ceiling so gently that its corner cannot be told from a curve
        if not 0.5 * expected <= found <= expected:
            wrong.append(f"{hz:g} Hz: {found} of {expected}")
    assert not wrong


@RATE
def test_clipping_is_marked_in_every_block_it_lasts(rate_hz: int) -> None:
    # a loud tone makes more than a thousand flat tops a second
    wave = np.clip(sine(1003.0, 3.0, level_dbfs=6.0, rate_hz=rate_hz), -1.0, 1.0)
    marked = figures_of(wave, sample_rate_hz=rate_hz).tracks[0].flats[:29] > 0
    assert marked.all(), f"{int(marked.sum())} of 29 blocks are marked"


def bass_line(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    line = plucks(rng, 4.0, every_s=0.7, rate_hz=rate_hz)
    return line / np.abs(line).max() + 0.5 * sine(49.0, 4.0, rate_hz=rate_hz)


# what is driven 6 dB over, but for speech: its few peaks go 12 dB over, or too few would be cut to be counted
OVERDRIVEN: Final[dict[str, tuple[float, Callable[[np.random.Generator, int], np.ndarray]]]] = {
    "bass-line": (6.0, bass_line),
    "plucks": (6.0, lambda rng, rate_hz: plucks(rng, 4.0, rate_hz=rate_hz)),
    "hits": (6.0, lambda rng, rate_hz: hits(rng, 4.0, rate_hz=rate_hz)),
    "speech-like": (12.0, lambda rng, rate_hz: speech_like(rng, 4.0, -20.0, rate_hz=rate_hz)),
}
DOWN_DB: Final = (0.0, 3.0, 6.0, 12.0)


@pytest.mark.parametrize(
    ("rate_hz", "word"),
    [
        pytest.param(48000, "24-bit", id="48000-hz-24-bit"),
        pytest.param(48000, "16-bit", id="48000-hz-16-bit"),
        pytest.param(48000, "16-bit-dithered", id="48000-hz-16-bit-dithered"),
        pytest.param(44100, "16-bit-dithered", id="44100-hz-16-bit-dithered"),
        pytest.param(96000, "16-bit-dithered", id="96000-hz-16-bit-dithered"),
    ],
)
def test_clipped_then_turned_down(rng: np.random.Generator, word: str, rate_hz: int) -> None:
    cases, waves = [], []
    for kind, (over_db, make) in OVERDRIVEN.items():
        sound = make(rng, rate_hz)
        clipped = np.clip(sound / np.abs(sound).max() * amplitude(over_db), -1.0, 1.0)
        assert plateaus(clipped, 1.0) > 20
        cases += [f"{kind}, {down_db:g} dB down" for down_db in DOWN_DB]
        waves += [clipped * amplitude(-down_db) for down_db in DOWN_DB]
    samples = np.stack(waves)
    if word == "24-bit":
        samples = to_24_bit(samples)
    else:
        # triangular dither of two steps, as a good converter to 16 bits adds
        samples = to_16_bit(samples, dither=rng if word.endswith("dithered") else None)
    found = findings_of(samples, role="speech", sample_rate_hz=rate_hz)
    said = {case: severity_of(findings, "clipped") for case, findings in zip(cases, found, strict=True)}
    assert [case for case, severity in said.items() if severity is None] == []


# feedback ------------------------------------------------------------------------------------------------------------------

HOWLS: Final = list(zip((233.0, 630.0, 1237.0, 1237.0, 2515.0, 6300.0), (2.0, 2.55, 3.9, 2.0, 3.17, 2.55), strict=True))


@RATE
def test_a_growing_tone_is_found(rng: np.random.Generator, rate_hz: int) -> None:
    # from 22 dB below the noise around it to 26 dB above, in 4 s, then pulled down
    length_s, grow_s = 9.0, 4.0
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    noise = pink(rng, length_s, -40.0, rate_hz=rate_hz)
    waves = []
    for hz, begin_s in HOWLS:
        level_db = np.interp(time_s, [begin_s, begin_s + grow_s, begin_s + grow_s + 0.1], [-62.0, -14.0, -90.0])
        waves.append(noise + np.sin(2 * np.pi * hz * time_s) * 10.0 ** (level_db / 20) * (time_s > begin_s))
    figures = figures_of(np.stack(waves), sample_rate_hz=rate_hz)
    for (hz, begin_s), track in zip(HOWLS, figures.tracks, strict=True):
        assert len(track.howls) == 1, f"{hz:g} Hz from {begin_s} s"
        # half a bin of the transform
        assert track.howls[0].frequency_hz == pytest.approx(hz, abs=3.0)
        # seen once it stands out of the noise, until it is pulled down
        assert begin_s < track.howls[0].start_s < begin_s + grow_s - 0.8
        assert begin_s + grow_s - 0.3 < track.howls[0].end_s < begin_s + grow_s + 0.4


def swell(hz: float, partials: int, rate_hz: int) -> np.ndarray:
    """A held note that grows as a bow or a breath makes it: its partials grow with it."""
    wave = np.asarray(sum(sine(hz * k, 8.0, rate_hz=rate_hz) / k for k in range(1, partials + 1)))
    return wave * np.interp(np.arange(wave.size) / rate_hz, [0, 1, 5, 8], [0.005, 0.005, 0.3, 0.005])


# everything that must stay silent ------------------------------------------------------------------------------------------

SINES_HZ: Final = (20.0, 41.2, 55.0, 82.4, 110.0, 160.0, 179.0, 220.0, 440.0, 622.0, 1000.0, 4186.0, 15000.0)
LEVELS_DBFS: Final = (-0.01, -6.0, -14.0, -20.0, -24.0, -29.5)


@pytest.mark.parametrize(
    ("rate_hz", "word"),
    [
        pytest.param(48000, "float", id="48000-hz-float"),
        pytest.param(48000, "16-bit", id="48000-hz-16-bit"),
        pytest.param(48000, "16-bit-dithered", id="48000-hz-16-bit-dithered"),
        pytest.param(44100, "16-bit", id="44100-hz-16-bit"),
        pytest.param(96000, "16-bit", id="96000-hz-16-bit"),
    ],
)
def test_sines_are_clean(rng: np.random.Generator, word: str, rate_hz: int) -> None:
    cases = [(hz, level) for hz in SINES_HZ for level in LEVELS_DBFS]
    samples = np.stack([sine(hz, 1.2, level_dbfs=level, phase_rad=hz, rate_hz=rate_hz) for hz, level in cases])
    if word == "24-bit":
        samples = to_24_bit(samples)
    elif word != "float":
        samples = to_16_bit(samples, dither=rng if word == "16-bit-dithered" else None)
    found = findings_of(samples, role="speech", sample_rate_hz=rate_hz)
    wrong = [case for case, findings in zip(cases, found, strict=True) if {f.kind for f in findings} & FAULTS]
    assert not wrong, f"{len(wrong)} of {len(cases)}, such as " + ", ".join(
        f"{hz:g} Hz at {level:g} dBFS" for hz, level in wrong[:6]
    )


def slaps(rng: np.random.Generator, length_s: float, rate_hz: int) -> np.ndarray:
    """A bass string thrown against a fret: a pulse six samples wide at 48 kHz, then a dull note."""
    sound = white(rng, length_s, -85.0, rate_hz=rate_hz)
    time_s = np.arange(round(0.4 * rate_hz)) / rate_hz
    note = 0.3 * np.sin(2 * np.pi * 61.7 * time_s) * np.exp(-time_s / 0.2) * np.cos(np.pi * time_s / 0.8) ** 2
    # sigma of 1.2 samples: 3 dB down at 5.3 kHz and 40 dB at 19 kHz, arithmetic of the Gaussian
    pulse = 0.4 * np.exp(-0.5 * ((time_s - 0.002) * 48000 / 1.2) ** 2)
    for first in range(rate_hz // 4, sound.size - note.size, rate_hz // 2):
        sound[first : first + note.size] += note + pulse
    return sound


def driven(length_s: float, rate_hz: int) -> np.ndarray:
    """A low string through a shaper with a step in its curve: two jumps in each period, 0.1 of full scale."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    wave = np.sin(2 * np.pi * 36.7 * time_s) + 0.6 * np.sin(2 * np.pi * 73.4 * time_s + 1.0)
    return 0.4 * np.where(wave > 0.2, wave - 0.25, wave)


CLEAN: Final[dict[str, Callable[[np.random.Generator, int], np.ndarray]]] = {
    "white-noise": lambda rng, rate_hz: white(rng, 4.0, -20.0, rate_hz=rate_hz),
    "soft-white-noise": lambda rng, rate_hz: white(rng, 4.0, -60.0, rate_hz=rate_hz),
    "pink-noise": lambda rng, rate_hz: pink(rng, 4.0, -20.0, rate_hz=rate_hz),
    "speech-like": lambda rng, rate_hz: speech_like(rng, 4.0, -30.0, rate_hz=rate_hz),
    "plucks": lambda rng, rate_hz: plucks(rng, 4.0, rate_hz=rate_hz),
    "loud-plucks": lambda rng, rate_hz: plucks(rng, 4.0, level_dbfs=-17.0, rate_hz=rate_hz),
    "plucks-from-silence": lambda rng, rate_hz: np.pad(plucks(rng, 4.0, rate_hz=rate_hz), rate_hz),
    "hits": lambda rng, rate_hz: hits(rng, 4.0, rate_hz=rate_hz),
    "soft-hits": lambda rng, rate_hz: hits(rng, 4.0, peak_dbfs=-30.0, rate_hz=rate_hz),
    "fast-hits": lambda rng, rate_hz: hits(rng, 4.0, every_s=0.12, rate_hz=rate_hz),
    "low-square": lambda rng, rate_hz: harmonics(55.0, 2.0, peak_dbfs=-3.0, rate_hz=rate_hz),
    "high-square": lambda rng, rate_hz: harmonics(880.0, 2.0, peak_dbfs=-3.0, rate_hz=rate_hz),
    "dull-square": lambda rng, rate_hz: harmonics(110.0, 2.0, peak_dbfs=-3.0, top_hz=3000.0, rate_hz=rate_hz),
    "saw": lambda rng, rate_hz: harmonics(98.0, 2.0, peak_dbfs=-6.0, odd_only=False, rate_hz=rate_hz),
    "sweep": lambda rng, rate_hz: 0.5 * ss.chirp(np.arange(5 * rate_hz) / rate_hz, 20, 5, 18000, method="logarithmic"),
    "bass-note-over-noise": lambda rng, rate_hz: (
        sine(220.3, 8.0, level_dbfs=-12.0, rate_hz=rate_hz)
        + sine(440.6, 8.0, level_dbfs=-22.0, rate_hz=rate_hz)
        + white(rng, 8.0, -80.0, rate_hz=rate_hz)
    ),
    "chord": lambda rng, rate_hz: chord(rng, 4.0, rate_hz),
    "swell-of-a-string": lambda rng, rate_hz: swell(294.0, 8, rate_hz) + white(rng, 8.0, -80.0, rate_hz=rate_hz),
    "slapped-bass": lambda rng, rate_hz: slaps(rng, 4.0, rate_hz),
    "driven-bass": lambda rng, rate_hz: driven(2.5, rate_hz) * np.linspace(1.0, 0.4, round(2.5 * rate_hz)),
    "silence": lambda rng, rate_hz: np.zeros(3 * rate_hz),
    "constant": lambda rng, rate_hz: np.full(3 * rate_hz, 0.25),
}


# at twice the rate, what is long in samples or bright
AT_96_KHZ: Final = (
    "speech-like",
    "plucks",
    "hits",
    "low-square",
    "saw",
    "bass-note-over-noise",
    "chord",
    "driven-bass",
)


@pytest.mark.parametrize(
    ("kind", "rate_hz"),
    [pytest.param(kind, 48000, id=f"{kind}-48000-hz") for kind in CLEAN]
    + [pytest.param(kind, 96000, id=f"{kind}-96000-hz") for kind in AT_96_KHZ],
)
def test_clean_sound_holds_nothing(rng: np.random.Generator, kind: str, rate_hz: int) -> None:
    sound = CLEAN[kind](rng, rate_hz)
    # a clean sound is one that fits
    assert np.abs(sound).max() < 1.0
    words = {"24-bit": to_24_bit(sound), "16-bit": to_16_bit(sound, dither=rng)}
    seen = show_of(np.stack(list(words.values())), ["speech", "speech"], sample_rate_hz=rate_hz)
    for word, track in zip(words, seen.figures.tracks, strict=True):
        # a few tops may lie flat by chance: whether they are taken for clipping is asked below
        assert told(track).keys() <= {"flats"}, word
    for number, word in enumerate(words, 1):
        assert not {finding.kind for finding in seen.by_source[f"source {number}"]} & FAULTS, word
