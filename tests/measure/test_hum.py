"""Mains hum under noise and under playing is found with its level; notes near it are not hum."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.measure.hum import find_hum
from deskhand.measure.readings import read_source
from tests.support.feed import figures_of
from tests.support.signals import RATE_HZ, amplitude, pink, pluck, plucks, sine, white

if TYPE_CHECKING:
    from deskhand.measure.figures import Figures

SHARES: Final = {1: 1.0, 2: 0.5, 3: 0.7, 5: 0.4, 7: 0.25, 9: 0.15}
"""Multiples of the mains and their amplitudes, as a bad transformer or a light dimmer makes them."""
LENGTH_S: Final = 16.0


def hum(mains_hz: float, level_dbfs: float, *, length_s: float = LENGTH_S, rate_hz: int = RATE_HZ) -> np.ndarray:
    lines = [share * sine(n * mains_hz, length_s, phase_rad=n, rate_hz=rate_hz) for n, share in SHARES.items()]
    # AES17: a sine of amplitude a has the level of a
    whole = np.sqrt(sum(share**2 for share in SHARES.values()))
    return np.sum(lines, axis=0) / whole * amplitude(level_dbfs)


MAINS: Final = [(mains, off) for mains in (50.0, 60.0) for off in (-0.5, -0.23, 0.0, 0.11, 0.37, 0.5)]
CASES: Final = [(48000, *case) for case in MAINS] + [(rate, 50.0, 0.11) for rate in (44100, 96000)]


@pytest.fixture(scope="module")
def under_noise() -> dict[int, tuple[Figures, list[tuple[float, float]]]]:
    """By rate: figures of hums at -48 dBFS under white noise at -62 dBFS, one a track, and what they are."""
    out = {}
    for rate_hz in {rate for rate, _, _ in CASES}:
        noise = white(np.random.default_rng(11), LENGTH_S, -62.0, rate_hz=rate_hz)
        cases = [(mains, off) for rate, mains, off in CASES if rate == rate_hz]
        waves = [noise + hum(mains + off, -48.0, rate_hz=rate_hz) for mains, off in cases]
        out[rate_hz] = figures_of(np.stack(waves), sample_rate_hz=rate_hz), cases
    return out


@pytest.mark.parametrize(
    ("rate_hz", "mains_hz", "off_hz"),
    [pytest.param(*case, id=f"{case[0]}-hz-mains-{case[1]:g}-hz-{case[2]:+g}") for case in CASES],
)
def test_hum_under_noise(under_noise: dict, rate_hz: int, mains_hz: float, off_hz: float) -> None:
    figures, cases = under_noise[rate_hz]
    found = find_hum(figures.tracks[cases.index((mains_hz, off_hz))], figures.grid, mains_hz=mains_hz)
    assert found is not None
    assert found.level_dbfs == pytest.approx(-48.0, abs=1.0)
    # searched in steps of 0.05 Hz, over bins of 0.37 Hz whose ninth line moves nine times as fast
    assert found.frequency_hz == pytest.approx(mains_hz + off_hz, abs=0.11)
    assert [round(line / found.frequency_hz) for line in found.lines_hz] == list(SHARES)


@pytest.mark.parametrize("level_dbfs", [pytest.param(level, id=f"{-level:g}-below") for level in (-45.0, -60.0, -75.0)])
def test_hum_in_the_pauses_of_playing(rng: np.random.Generator, level_dbfs: float) -> None:
    # what is quiet for three windows of 2.7 s or more shows it
    playing = np.zeros(round(24 * RATE_HZ))
    playing[2 * RATE_HZ : 8 * RATE_HZ] = plucks(rng, 6.0)
    playing[16 * RATE_HZ : 22 * RATE_HZ] = plucks(rng, 6.0)
    signal = playing + white(rng, 24.0, -95.0) + hum(50.03, level_dbfs, length_s=24.0)
    reading = read_source(figures_of(signal), (0,), strikes=False, mains_hz=50.0)
    assert reading.hums[0] is not None
    assert reading.hums[0].level_dbfs == pytest.approx(level_dbfs, abs=1.0)
    assert reading.readings.hum_db == pytest.approx(level_dbfs - reading.readings.level_dbfs, abs=1.0)


@pytest.mark.parametrize("multiple", [pytest.param(1, id="mains-alone"), pytest.param(2, id="twice-the-mains-alone")])
def test_one_line_is_enough_when_it_stands_far_out(rng: np.random.Generator, multiple: int) -> None:
    signal = white(rng, LENGTH_S, -70.0) + sine(multiple * 50.0, LENGTH_S, level_dbfs=-50.0)
    figures = figures_of(signal)
    found = find_hum(figures.tracks[0], figures.grid, mains_hz=50.0)
    assert found is not None
    assert found.level_dbfs == pytest.approx(-50.0, abs=1.0)


@pytest.mark.parametrize("multiple", [3, 4, 5])
def test_a_higher_multiple_alone_is_a_note(rng: np.random.Generator, multiple: int) -> None:
    # mains hum has its first two lines: an organ's D3 is 147 Hz, a drone's G3 196
    figures = figures_of(white(rng, LENGTH_S, -70.0) + sine(multiple * 50.0, LENGTH_S, level_dbfs=-40.0))
    assert find_hum(figures.tracks[0], figures.grid, mains_hz=50.0) is None


@pytest.mark.parametrize(
    ("range_db", "is_hum"), [pytest.param(2.0, True, id="steady"), pytest.param(27.0, False, id="wavering")]
)
def test_lines_that_rise_and_fall_are_no_hum(rng: np.random.Generator, range_db: float, is_hum: bool) -> None:
    # in eight steps over a range; of its quieter half, which is looked at, the deviation lies between 2.5 and 5 dB
    levels_db = np.repeat(
        np.linspace(-range_db / 2, range_db / 2, 8)[[0, 5, 2, 7, 4, 1, 6, 3]], round(LENGTH_S * RATE_HZ / 8)
    )
    lines = sum(sine(50.0 * n, LENGTH_S, level_dbfs=-50.0)[: levels_db.size] for n in (1, 2, 3))
    figures = figures_of(white(rng, LENGTH_S, -80.0)[: levels_db.size] + lines * 10 ** (levels_db / 20))
    assert (find_hum(figures.tracks[0], figures.grid, mains_hz=50.0) is not None) is is_hum


def bass(rng: np.random.Generator, hz: float, *, every_s: float) -> np.ndarray:
    """The same plucked note over and over, each until the next."""
    out = np.zeros(round(LENGTH_S * RATE_HZ))
    for at in np.arange(0.0, LENGTH_S - every_s, every_s):
        note = pluck(rng, hz, every_s, decay_s=4.0)
        first = round(at * RATE_HZ)
        out[first : first + note.size] += note
    return out / np.abs(out).max() * amplitude(-10.0)


def held(hz: float) -> np.ndarray:
    """An organ's pedal: partials that stay, for the whole take, a slow swell in them."""
    wave = np.sum([sine(hz * n, LENGTH_S) / n for n in range(1, 7)], axis=0)
    return wave * amplitude(-20.0) * (1 + 0.35 * sine(0.3, LENGTH_S))


NOTES_HZ: Final = {"F1": 43.65, "G1": 49.0, "A1": 55.0, "B1": 61.74, "G2": 98.0, "B2": 123.47, "D3": 146.83}
PLAYED: Final = [(note, how) for note in NOTES_HZ for how in ("plucked-each-second", "plucked-every-3-s", "held")]


@pytest.fixture(scope="module")
def notes() -> Figures:
    rng = np.random.default_rng(13)
    ways = {
        "plucked-each-second": lambda hz: bass(rng, hz, every_s=1.0),
        "plucked-every-3-s": lambda hz: bass(rng, hz, every_s=3.0),
        "held": held,
    }
    return figures_of(np.stack([ways[how](NOTES_HZ[note]) + white(rng, LENGTH_S, -85.0) for note, how in PLAYED]))


@pytest.mark.parametrize("place", [pytest.param(k, id=f"{note}-{how}") for k, (note, how) in enumerate(PLAYED)])
@pytest.mark.parametrize("mains_hz", [pytest.param(mains, id=f"mains-{mains:g}") for mains in (50.0, 60.0)])
def test_notes_are_not_hum(notes: Figures, place: int, mains_hz: float) -> None:
    assert find_hum(notes.tracks[place], notes.grid, mains_hz=mains_hz) is None


@pytest.mark.parametrize(
    "kind", [pytest.param(kind, id=kind) for kind in ("white-noise", "pink-noise", "plucks", "silence")]
)
@pytest.mark.parametrize("mains_hz", [pytest.param(mains, id=f"mains-{mains:g}") for mains in (50.0, 60.0)])
def test_no_hum_where_there_is_none(rng: np.random.Generator, kind: str, mains_hz: float) -> None:
    signal = {
        "white-noise": lambda: white(rng, LENGTH_S, -30.0),
        "pink-noise": lambda: pink(rng, LENGTH_S, -30.0),
        "plucks": lambda: plucks(rng, LENGTH_S),
        "silence": lambda: np.zeros(round(LENGTH_S * RATE_HZ)),
    }[kind]()
    figures = figures_of(signal)
    assert find_hum(figures.tracks[0], figures.grid, mains_hz=mains_hz) is None


def test_a_take_too_short_to_tell_has_no_hum() -> None:
    figures = figures_of(hum(50.0, -30.0, length_s=4.0))
    assert find_hum(figures.tracks[0], figures.grid, mains_hz=50.0) is None
