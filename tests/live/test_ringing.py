"""Feedback while it is listened to: found before it is loud, named by microphone and mix, with what to do first; and what is none.

Covers, in this order: a loop driven through its limit under a voice; which microphone and mix; what is said at soundcheck and in a show; notes
that are held; the level and growth that are told; the block form of the loops; the margin that talk tells.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp.loop_gain import gain_margin
from deskhand.house import parse_house
from deskhand.live.ringing import ringing_message
from deskhand.live.talk import NEEDED_S, TalkSpectrum
from deskhand.live.tones import RingingTone, ToneWatch
from tests.support.feedback import RATE_HZ, Loop, made_path

if TYPE_CHECKING:
    from deskhand.house import HouseFile

HOP = RATE_HZ // 10


def stage(sends: str) -> HouseFile:
    """Microphones 1, 2 ... with the sends that are given, a line each: microphone alone, or with mix, level and, where it is so, "after"."""
    text = '[house]\nname = "Tern Street Hall"\n'
    rows = [line.split() for line in sends.strip().splitlines()]
    for number in sorted({int(row[0]) for row in rows}):
        text += f'[[source]]\nname = "vocal {number}"\nrole = "lead vocal"\ntracks = [{number}]\n'
        for _, mix, level, *after in (row for row in rows if int(row[0]) == number and len(row) > 1):
            text += (
                f'[[source.send]]\nmix = "{mix}"\nlevel = "{level} dB"\nafter_fader = {"true" if after else "false"}\n'
            )
    return parse_house(text, Path("house.toml"))


def told(house: HouseFile, heard: np.ndarray) -> list[RingingTone]:
    """All tones that are told, heard a tenth of a second at a time."""
    watch = ToneWatch(inputs=[(source, (row,)) for row, source in enumerate(house.source)], sample_rate_hz=RATE_HZ)
    hops = range(heard.shape[1] // HOP)
    samples = heard.astype(np.float32)
    return [
        tone for hop in hops for tone in watch.take(samples[:, hop * HOP : (hop + 1) * HOP], (hop + 1) * HOP / RATE_HZ)
    ]


def voice(rng: np.random.Generator, length_s: float) -> np.ndarray:
    """Syllables of a gliding buzz through two formants, with pauses: harmonics that never stand still."""
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    pitch_hz = 130.0 * 2.0 ** (0.25 * np.sin(2 * np.pi * 0.7 * time_s) + 0.1 * np.sin(2 * np.pi * 2.3 * time_s + 1.0))
    buzz = np.sum([np.sin(n * 2 * np.pi * np.cumsum(pitch_hz) / RATE_HZ) / n for n in range(1, 25)], axis=0)
    shaped = ss.lfilter(*ss.iirpeak(rng.uniform(500, 800), 3, fs=RATE_HZ), buzz) + 0.1 * buzz
    syllables = np.clip(np.sin(2 * np.pi * 3.1 * time_s), 0, None) * (np.sin(2 * np.pi * 0.31 * time_s) > -0.6)
    return np.asarray(0.2 * shaped * syllables + 1e-4 * rng.standard_normal(time_s.size))


def loop_of(rng: np.random.Generator, direct_db: list[float], sends_db: list[float]) -> Loop:
    paths = [
        made_path(rng, delay_s=rng.uniform(0.006, 0.015), direct=10 ** (level_db / 20), t60_s=0.4, below_db=6.0)
        for level_db in direct_db
    ]
    longest = max(path.size for path in paths)
    padded = np.array([np.pad(path, (0, longest - path.size)) for path in paths])
    padded[:, :128] = 0.0  # a filter's first samples
    return Loop(paths=padded, sends=10.0 ** (np.array(sends_db) / 20))


@pytest.mark.parametrize("seed", [3, 4])
def test_a_tone_that_builds_up_under_a_voice_is_told_before_6_db_over_the_limit(seed):
    """Nyquist's criterion gives the limit; 1 dB a second through it, with a voice in the first of two microphones."""
    rng = np.random.default_rng(seed)
    loop = loop_of(rng, [-20.0, -35.0], [-2.0, -6.0])
    limit_db, _ = loop.limit()
    time_s = np.arange(11 * RATE_HZ) / RATE_HZ
    played = np.array([voice(rng, 11.0), 1e-4 * rng.standard_normal(time_s.size)])
    heard = loop.heard_in_blocks(played, limit_db + time_s - 4.0)
    first, *_ = told(stage("1 wedge -2\n2 wedge -6"), heard)
    assert 4.0 - 1.0 < first.told_s < 4.0 + 6.0
    frequencies_hz, limits_db = loop.critical()
    ringing_hz = frequencies_hz[limits_db < limit_db + first.told_s - 4.0 + 0.5]
    assert min(abs(1200 * np.log2(first.frequency_hz / ringing_hz))) < 100
    assert first.microphones == ("vocal 1",)
    assert first.mixes == ("wedge",)


def test_the_same_voice_without_a_loop_is_nothing():
    rng = np.random.default_rng(3)
    assert told(stage("1 wedge -2"), voice(rng, 11.0)[None]) == []


def growing(length_s: float, growth_db_s: float, hz: float, top_dbfs: float) -> np.ndarray:
    """(frames,) sine that grows up to a level and stands there."""
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    level_db = np.minimum(-75.0 + growth_db_s * time_s, top_dbfs)
    return np.asarray(10 ** (level_db / 20) * np.sin(2 * np.pi * hz * time_s))


@pytest.mark.parametrize("growth_db_s", [10.0, 40.0])
def test_frequency_growth_and_level_are_those_of_the_sine(growth_db_s):
    """Arithmetic: a sine of known growth; a full-scale sine reads 0 dBFS (AES17)."""
    heard = growing(6.0, growth_db_s, 2637.0, -15.0) + 1e-6 * np.random.default_rng(1).standard_normal(6 * RATE_HZ)
    first, *_ = told(stage("1 wedge 0"), heard[None])
    assert first.frequency_hz == pytest.approx(2637.0, rel=2 ** (5 / 1200) - 1)
    assert first.growth_db_s == pytest.approx(growth_db_s, rel=0.1)
    # told in the window that ends at told_s; its middle is 85 ms before
    assert first.level_dbfs == pytest.approx(min(-75.0 + growth_db_s * (first.told_s - 0.085), -15.0), abs=2.0)


def test_the_microphone_and_the_mix_follow_from_level_and_sends():
    """A monitor plays what is sent to it: the tone is louder in 2, and 1 sends 20 dB more of it to wedge a."""
    noise = 1e-6 * np.random.default_rng(2).standard_normal((3, 5 * RATE_HZ))
    tone = growing(5.0, 15.0, 1480.0, -20.0)
    heard = noise + np.array([[0.5], [1.0], [0.02]]) * tone
    first, *_ = told(stage("1 a 0\n2 a -20\n3 b 0"), heard)
    assert (first.microphones, first.mixes) == (("vocal 1",), ("a",))
    either, *_ = told(stage("1 a -4\n2 a -9\n3 b 0"), heard)
    assert (set(either.microphones), either.mixes) == ({"vocal 1", "vocal 2"}, ("a",))
    # nothing is known of the sends: where it is loudest
    loudest, *_ = told(stage("1\n2\n3"), heard)
    assert (loudest.microphones, loudest.mixes) == (("vocal 2",), ())


def test_what_to_do_first_depends_on_the_phase():
    noise = 1e-6 * np.random.default_rng(2).standard_normal((1, 12 * RATE_HZ))
    # grows on after it was told
    heard = noise + growing(12.0, 8.0, 1480.0, -5.0)
    first, *later = told(stage("1 wedge_a 0"), heard)
    assert "mute it now" in str(ringing_message(first, "line-check"))
    assert "mute it now" in str(ringing_message(first, "rehearsal"))
    in_show = str(ringing_message(first, "show"))
    assert "send to wedge_a down 3 to 6 dB; mute it if it still grows" in in_show
    assert "fader does not reach" in in_show
    assert "protect ears" in in_show
    assert [tone.grows_still for tone in later] == [True]
    assert "mute it at once" in str(ringing_message(later[0], "show"))
    [after, *_] = told(stage("1 wedge_a 0 after"), heard)
    assert "fader does not reach" not in str(ringing_message(after, "show"))


def note(kind: str) -> np.ndarray:
    """Eight seconds of a held note that swells, with harmonics or with the sway that players have."""
    time_s = np.arange(8 * RATE_HZ) / RATE_HZ
    swell = 10 ** (np.minimum(-45.0 + 8.0 * time_s, -12.0) / 20)
    sway = {"vibrato": 0.006 * np.sin(2 * np.pi * 5.2 * time_s), "sung": 0.004 * np.sin(2 * np.pi * 1.1 * time_s)}
    phase = 2 * np.pi * np.cumsum(700.0 * (1 + sway.get(kind, 0 * time_s))) / RATE_HZ
    partials = {
        "organ": [(1, 1.0), (2, 0.5), (3, 0.3)],
        "flute": [(1, 1.0), (2, 0.2), (3, 0.1)],
        "high partial": [(n, 1.0) for n in range(1, 9)],
    }
    sound = sum(amount * np.sin(n * phase) for n, amount in partials.get(kind, [(1, 1.0), (2, 0.15)]))
    return np.asarray(swell * sound + 1e-5 * np.random.default_rng(3).standard_normal(time_s.size))


@pytest.mark.parametrize("kind", ["organ", "flute", "vibrato", "sung", "high partial"])
def test_a_note_that_swells_is_no_feedback(kind):
    assert told(stage("1 wedge 0"), note(kind)[None]) == []


def test_a_loop_at_its_top_is_told_too():
    """A fader pushed up at once: the tone is there within a tenth of a second, and stands."""
    rng = np.random.default_rng(6)
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    heard = (time_s > 2.0) * 0.7 * np.sin(2 * np.pi * 931.0 * time_s) + 0.2 * voice(rng, 6.0)
    first, *_ = told(stage("1 wedge 0"), heard[None])
    assert first.frequency_hz == pytest.approx(931.0, abs=1.0)
    assert 3.0 < first.told_s < 4.5


def test_loops_in_blocks_are_the_loops_sample_by_sample():
    rng = np.random.default_rng(8)
    loop = loop_of(rng, [-20.0, -25.0], [0.0, -3.0])
    played = 0.01 * rng.standard_normal((2, RATE_HZ // 2))
    gain_db = np.linspace(loop.limit()[0] - 6.0, loop.limit()[0] + 6.0, RATE_HZ // 2)
    whole = RATE_HZ // 2 // 128 * 128
    exact, blocks = loop.heard(played, gain_db)[:, :whole], loop.heard_in_blocks(played, gain_db)[:, :whole]
    assert np.max(np.abs(exact - blocks)) < 1e-3 * np.max(np.abs(exact))


@pytest.mark.source(
    "Nyquist 1932, Regeneration Theory: a loop rings where its open gain reaches 1 with whole turns of phase"
)
@pytest.mark.parametrize("margin_db", [3.0, 1.5])
def test_talk_tells_the_margin_of_a_loop_that_is_near(margin_db):
    rng = np.random.default_rng(5)
    loop = loop_of(rng, [-20.0], [0.0])
    frames = round((NEEDED_S + 3.0) * RATE_HZ)
    # noise in bursts: a talker without a pitch
    time_s = np.arange(frames) / RATE_HZ
    played = (0.02 * rng.standard_normal(frames) * (np.sin(2 * np.pi * 2.0 * time_s) > -0.8))[None]
    heard = loop.heard_in_blocks(played, np.full(frames, loop.limit()[0] - margin_db))
    talk = TalkSpectrum(sample_rate_hz=RATE_HZ)
    for first in range(0, frames, 4801):
        talk.take(heard[0, first : first + 4801])
    told_margin = talk.margin_db()
    assert told_margin is not None
    assert told_margin == pytest.approx(margin_db, abs=1.5)
    alone = TalkSpectrum(sample_rate_hz=RATE_HZ)
    alone.take(played[0].astype(np.float32))
    assert alone.margin_db() is None


def test_what_ripples_in_one_part_of_the_talk_is_no_loop():
    """Arithmetic: one echo in a third of the talk, as a sung pitch has it; in all three it is a loop."""
    closed = 1.0 / (1.0 - 0.8 * np.exp(-2j * np.pi * np.fft.rfftfreq(16384) * 400))
    echo, flat = np.log(np.abs(closed) ** 2), np.zeros(8193)
    assert gain_margin(np.array([echo, flat, flat]), RATE_HZ)[0] > 60.0
    assert gain_margin(np.array([echo, echo, echo]), RATE_HZ)[0] == pytest.approx(-20 * np.log10(0.8), abs=0.5)


def test_long_talk_is_kept_in_parts_of_one_length():
    """Arithmetic: noise of three levels, 40 s each, read back from three parts of two minutes; noise a third of the time each."""
    talk = TalkSpectrum(sample_rate_hz=8000)
    rng = np.random.default_rng(4)
    for level_db in (-20.0, -14.0, -8.0):
        talk.take((10 ** (level_db / 20) * rng.standard_normal(320_000)).astype(np.float32))
    parts = 10 / np.log(10) * talk.mean_log_powers().mean(axis=1)
    assert len(parts) == 3
    assert np.diff(parts) == pytest.approx([6.0, 6.0], abs=1.0)
    assert talk.talk_s == pytest.approx(120.0, abs=1.0)


def test_an_open_loop_of_one_echo_is_read_exactly():
    """Arithmetic: 1 / (1 - g z^-d), flat talker: the largest real part of the open loop is g."""
    length, delay = 16384, 400
    closed = 1.0 / (1.0 - 0.5 * np.exp(-2j * np.pi * np.fft.rfftfreq(length) * delay))
    margin_db, frequency_hz = gain_margin(np.log(np.abs(closed) ** 2)[None], RATE_HZ)
    # the spectrum is levelled beyond the range of speech, which smears the echoes a little
    assert margin_db == pytest.approx(-20 * np.log10(0.5), abs=0.5)
    # it rings at multiples of 1 / delay
    assert (frequency_hz * delay / RATE_HZ) % 1.0 == pytest.approx(0.0, abs=0.1) or (
        frequency_hz * delay / RATE_HZ
    ) % 1.0 > 0.9
