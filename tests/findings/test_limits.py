"""Limits of docs/findings.md: a case just inside each and one just outside, by the number that is printed there.

Where the numbers come from: test_limit_sources.py; they are read from the page and not from the
code, so that page and program cannot part. How near "just" is goes by how exactly the reading is known.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.findings import judge_chain, judge_mix_loss, judge_voices
from deskhand.findings.standalone.mutes import mutes
from deskhand.findings.standalone.presets import sounds
from deskhand.house import Source, make_block
from tests.support.judged import severity_of, show_of
from tests.support.signals import RATE_HZ, amplitude, at_level, plucks, sine, speech_like, white

if TYPE_CHECKING:
    from deskhand.findings import Finding

PAGE: Final = (Path(__file__).parents[2] / "docs" / "findings.md").read_text("utf-8")
NUMBER: Final = r"(−?[\d.]+)"


def printed(kind: str, words: str) -> float:
    """A number of the page: `words` stand around it in the kind's line, # for the number."""
    (line,) = re.findall(rf"^\| `{kind}`: .*$", PAGE, re.MULTILINE)
    pattern = NUMBER.join(re.escape(part) for part in words.split("#"))
    match = re.search(pattern, line)
    assert match is not None, (kind, words)
    return float(match[1].replace("−", "-"))


@cache
def steady(seed: int = 0, *, length_s: float = 6.0, level_dbfs: float = -20.0) -> np.ndarray:
    """Noise from 400 Hz up at a level."""
    rng = np.random.default_rng(seed)
    sections = ss.butter(4, 400, "highpass", fs=RATE_HZ, output="sos")
    return at_level(ss.sosfilt(sections, rng.standard_normal(round(length_s * RATE_HZ))), level_dbfs)


@cache
def voice(*, length_s: float = 10.0) -> np.ndarray:
    """Speech-like sound over a room."""
    rng = np.random.default_rng(5)
    return speech_like(rng, length_s, -28.0) + white(rng, length_s, -80.0)


@cache
def strings(seed: int = 0, *, length_s: float = 10.0) -> np.ndarray:
    """Plucked strings."""
    return plucks(np.random.default_rng(seed), length_s, level_dbfs=-28.0)


def alone(sound: np.ndarray, role: str = "keys", *, nominal_dbfs: float = -28.0) -> list[Finding]:
    return show_of(sound[None], [role], nominal_dbfs=nominal_dbfs).by_source["source 1"]


def pair(left: np.ndarray, right: np.ndarray, **options: Any) -> list[Finding]:
    return show_of(np.stack([left, right]), ["keys"], sides=[2], **options).by_source["source 1"]


Case = tuple[float, str | None]


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in ("level-high", "level-low")])
def test_level(kind: str) -> None:
    listen_db = printed("level-high", "its chain holds, # dB (*listen*)")
    fix_db = printed("level-high", "or # dB (*fix*; both in the house file)")
    sign = 1.0 if kind == "level-high" else -1.0
    for off_db, severity in (
        (listen_db - 0.1, None), (listen_db + 0.1, "listen"), (fix_db - 0.1, "listen"), (fix_db + 0.1, "fix"),
    ):  # fmt: skip
        # 997 Hz: no mains line
        sound = sine(997.0, 6.0, level_dbfs=-28.0 + sign * off_db)
        assert severity_of(alone(sound), kind) == severity, off_db


def test_an_open_microphone_that_is_far_too_low_is_not_asked_to_rise() -> None:
    most_db = printed("level-low", "an open microphone more than # dB low is *listen*")
    for low_db, case, severity in ((most_db - 0.3, "below", "fix"), (most_db + 0.3, "far-below", "listen")):
        (low,) = [
            finding
            for finding in alone(sine(997.0, 6.0, level_dbfs=-28.0 - low_db), "overheads")
            if finding.kind == "level-low"
        ]
        assert (low.what, low.severity) == (case, severity)


def test_a_low_microphone_is_called_unused_only_where_it_follows_the_others(rng: np.random.Generator) -> None:
    # strokes of another drum, louder and softer; in the microphone they come 25 dB softer, or it has strokes of its own
    swell = np.repeat(10.0 ** (rng.uniform(-10.0, 0.0, 60) / 20), RATE_HZ // 2)
    snare = white(rng, 30.0, -22.0) * swell
    bled = 10.0 ** (-25 / 20) * snare + white(rng, 30.0, -90.0)
    played = white(rng, 30.0, -47.0) * np.roll(swell, 7 * RATE_HZ) ** 2
    for sound, case in ((bled, "unused"), (played, "far-below")):
        found = show_of(np.stack([sound, snare]), ["overheads", "keys"], nominal_dbfs=-28.0).by_source["source 1"]
        (low,) = [finding for finding in found if finding.kind == "level-low"]
        assert low.what == case
        assert ("use-first" in low.advice) is (case == "unused")


def test_headroom() -> None:
    listen_dbtp = printed("headroom", "true peak above # dBTP (*listen*)")
    fix_dbtp = printed("headroom", ", # dBTP (*fix*; playback *listen*)")
    for peak_dbtp, severity in (
        (listen_dbtp - 0.1, None), (listen_dbtp + 0.1, "listen"), (fix_dbtp - 0.1, "listen"), (fix_dbtp + 0.1, "fix"),
    ):  # fmt: skip
        assert severity_of(alone(sine(997.0, 4.0, level_dbfs=peak_dbtp)), "headroom") == severity, peak_dbtp


def test_headroom_after_the_chain() -> None:
    limit_dbtp = printed("headroom", "leaves true peaks above # dBTP, and")
    source = Source(name="keys", role="keys", tracks=["keys"], chain=[make_block({"block": "trim", "gain": "6 dB"})])
    for peak_dbtp, severity in ((limit_dbtp - 0.1, None), (limit_dbtp + 0.1, "listen")):
        stage: Any = SimpleNamespace(block="trim", true_peak_dbtp=peak_dbtp, reduction_db=None)
        assert severity_of(judge_chain(source, [stage], []), "headroom") == severity


def test_gain_reduction() -> None:
    off_db = printed("dynamics", "the house wants, by # dB or more")
    block = {"block": "compressor", "threshold": "-20 dBFS", "ratio": 4, "reduction": "2 to 4 dB"}
    source = Source(name="bass", role="bass", tracks=["bass"], chain=[make_block(block)])
    for reduction_db, severity in (
        (2.0 - off_db + 0.1, None), (2.0 - off_db - 0.1, "note"), (4.0 + off_db - 0.1, None), (4.0 + off_db + 0.1, "note"),
    ):  # fmt: skip
        stage: Any = SimpleNamespace(
            block="compressor", true_peak_dbtp=-6.0, reduction_db=SimpleNamespace(median=reduction_db)
        )
        assert severity_of(judge_chain(source, [stage], []), "dynamics") == severity, reduction_db


def test_clipped() -> None:
    few = round(printed("clipped", "| # (*listen*)"))
    many = printed("clipped", "or # and another") + printed("clipped", "and another # a minute (*fix*)") * 6.0 / 60.0
    for count, severity in (
        (few - 1, None), (few, "listen"), (int(np.ceil(many)) - 1, "listen"), (int(np.ceil(many)), "fix"),
    ):  # fmt: skip
        sound = steady(level_dbfs=-30.0).copy()
        for peak in range(count):
            first = round((0.3 + 0.4 * peak) * RATE_HZ)
            sound[first : first + 8] = 1.0
        assert severity_of(alone(sound, "snare"), "clipped") == severity, count


def test_dc() -> None:
    listen = printed("dc", "offset of # % (*listen*)") / 100
    fix = printed("dc", "or # % (*fix*)") / 100
    for offset, severity in (
        (0.95 * listen, None), (1.05 * listen, "listen"), (0.95 * fix, "listen"), (1.05 * fix, "fix"),
    ):  # fmt: skip
        sound = steady()
        assert severity_of(alone(sound - np.mean(sound) + offset), "dc") == severity, offset


def four_lines(level_dbfs: float) -> np.ndarray:
    """Mains lines, a quarter of the power each; levels are RMS, a full-scale sine has 0 dBFS (AES17)."""
    return np.sum([sine(50.0 * n, 24.0, level_dbfs=level_dbfs - 10 * np.log10(4)) for n in (1, 2, 3, 4)], axis=0)


def with_pause(level_dbfs: float) -> np.ndarray:
    """Noise at a level, 4 s of it on either side of a pause."""
    sound = steady(length_s=24.0, level_dbfs=level_dbfs).copy()
    sound[4 * RATE_HZ : 20 * RATE_HZ] *= 1e-5
    return sound


def test_hum() -> None:
    listen_db = printed("hum", "no further below the level than # dB (*listen*)")
    fix_db = printed("hum", "or # dB (*fix*; a single line")
    for below_db, severity in (
        (listen_db + 1.0, None), (listen_db - 1.0, "listen"), (fix_db + 1.0, "listen"), (fix_db - 1.0, "fix"),
    ):  # fmt: skip
        assert (
            severity_of(alone(with_pause(-20.0) + four_lines(-20.0 - below_db), nominal_dbfs=-20.0), "hum") == severity
        ), below_db


def test_a_hum_too_quiet_to_matter() -> None:
    least_dbfs = printed("hum", "and above # dBFS")
    for level_dbfs, severity in ((least_dbfs - 1.0, None), (least_dbfs + 1.0, "fix")):
        assert severity_of(alone(with_pause(-50.0) + four_lines(level_dbfs), nominal_dbfs=-50.0), "hum") == severity


def test_noise(rng: np.random.Generator) -> None:
    limit_db = printed("noise", "less than # dB below its playing")
    for below_db, severity in ((limit_db + 1.0, None), (limit_db - 1.0, "listen")):
        sound = white(rng, 16.0, -20.0 - below_db)
        for begin_s in range(0, 16, 4):
            first = begin_s * RATE_HZ
            sound[first : first + 2 * RATE_HZ] = steady(begin_s, length_s=2.0)
        assert severity_of(alone(sound), "noise") == severity, below_db


def test_a_weak_side() -> None:
    limit_db = printed("one-sided", "one side of a pair # dB down")
    for apart_db, severity in ((limit_db - 0.3, None), (limit_db + 0.3, "fix")):
        assert severity_of(pair(steady(), amplitude(-apart_db) * steady()), "one-sided") == severity


def test_a_side_that_is_gone_for_a_while() -> None:
    gone_db = printed("one-sided", "or more than # dB down for")
    gone_s = printed("one-sided", "dB down for # s while the other plays")
    for down_db, length_s, severity in (
        (gone_db + 1.0, gone_s + 0.5, "fix"), (gone_db - 1.0, gone_s + 0.5, None), (gone_db + 1.0, gone_s - 0.5, None),
    ):  # fmt: skip
        left = steady(length_s=10.0)
        right = 0.7 * left
        right[3 * RATE_HZ : round((3.0 + length_s) * RATE_HZ)] *= 0.7**-1 * amplitude(-down_db)
        found = [finding for finding in pair(left, right) if finding.kind == "one-sided"]
        assert severity_of(found, "one-sided") == severity, (down_db, length_s)
        assert all(finding.what == "for-a-while" for finding in found)


@pytest.mark.parametrize("louder_db", [pytest.param(-3.0, id="softer"), pytest.param(3.0, id="louder")])
def test_the_side_that_is_gone_may_be_the_louder_one(louder_db: float) -> None:
    left = steady(length_s=20.0)
    right = amplitude(louder_db) * (left + 0.3 * steady(1, length_s=20.0))
    right[6 * RATE_HZ : 12 * RATE_HZ] *= amplitude(-40.0)
    (gone,) = [finding for finding in pair(left, right) if finding.kind == "one-sided"]
    assert (gone.what, gone.severity, gone.track) == ("for-a-while", "fix", "track 2")
    assert gone.at_s[0] == pytest.approx((6.0, 12.0), abs=0.2)


def test_duplicate() -> None:
    limit = printed("duplicate", "(correlation above #)")
    for correlation, severity in ((limit + 5e-5, "fix"), (limit - 5e-5, None)):
        second = steady() + np.sqrt(1 / correlation**2 - 1) * steady(1)
        seen = show_of(np.stack([steady(), second]), ["keys", "guitar"])
        for findings in seen.by_source.values():
            assert severity_of(findings, "duplicate") == severity, correlation


def test_mono_loss() -> None:
    limit_db = printed("mono-loss", "| # dB or more vanish in mono")
    # a polarity switch in the chain, where sides that only lose in mono are not taken for reversed
    switch = '[[source.chain]]\nblock = "polarity"\non = "right"\n'
    for loss_db, severity in ((limit_db - 0.2, None), (limit_db + 0.2, "listen")):
        middle, side = (
            np.sqrt(share) * steady(seed)
            for share, seed in ((1 - 10 ** (-loss_db / 10), 0), (10 ** (-loss_db / 10), 1))
        )
        assert severity_of(pair(middle + side, middle - side, chain=switch), "mono-loss") == severity, loss_db


def test_mono_loss_of_the_mix() -> None:
    limit_db = printed("mono-loss", "of the mix: # dB, or more")
    for loss_db, severity in ((limit_db - 0.1, None), (limit_db + 0.1, "listen")):
        readings: Any = SimpleNamespace(mono_loss_db=-loss_db)
        assert severity_of(judge_mix_loss(readings), "mono-loss") == severity


@cache
def bleeps(length_s: float = 20.0) -> np.ndarray:
    """A click that sounds for whole blocks: 0.3 s of noise from 2 to 4 kHz at -20 dBFS, and as long a pause."""
    rng = np.random.default_rng(8)
    sections = ss.butter(4, [2000, 4000], "bandpass", fs=RATE_HZ, output="sos")
    sound = at_level(ss.sosfilt(sections, rng.standard_normal(round(length_s * RATE_HZ))), -20.0)
    return sound * ((np.arange(sound.size) // round(0.3 * RATE_HZ)) % 2)


@cache
def two_tones(length_s: float = 20.0) -> np.ndarray:
    """Sound at -20 dBFS that leaves room for a click to be found far below it."""
    return sine(311.0, length_s, level_dbfs=-23.01) + sine(997.0, length_s, level_dbfs=-23.01)


def heard(below_db: float, target: str, sound: np.ndarray, origin: np.ndarray, role: str) -> list[Finding]:
    """A click or talkback that sounds at -20 dBFS, so far below the level of a target, which is -20 dBFS too."""
    leak = amplitude(-below_db) * origin
    return show_of(np.stack([origin, sound + leak]), [role, target]).by_source["source 2"]


def test_a_click_in_another_input() -> None:
    listen_db = printed("in-the-mix", "no further below its level than # dB (*listen*)")
    fix_db = printed("in-the-mix", "or # dB (*fix*; in playback")
    for below_db, severity in (
        (listen_db + 1.5, None), (listen_db - 1.5, "listen"), (fix_db + 1.5, "listen"), (fix_db - 1.5, "fix"),
    ):  # fmt: skip
        assert severity_of(heard(below_db, "keys", two_tones(), bleeps(), "click"), "in-the-mix") == severity, below_db
    for below_db, severity in ((fix_db + 1.5, None), (fix_db - 1.5, "listen")):
        assert severity_of(heard(below_db, "playback", two_tones(), bleeps(), "click"), "in-the-mix") == severity, (
            below_db
        )


def test_talkback_in_an_open_microphone() -> None:
    limit_db = printed("in-the-mix", "from # dB on, *note*")
    rng = np.random.default_rng(9)
    talk = speech_like(rng, 20.0, -20.0)
    for below_db, severity in ((limit_db + 1.5, None), (limit_db - 1.5, "note")):
        assert (
            severity_of(heard(below_db, "speech", steady(3, length_s=20.0), talk, "talkback"), "in-the-mix") == severity
        ), below_db


def test_a_click_in_the_mix() -> None:
    limit_db = printed("in-the-mix", "no further below it than # dB (*fix*)")
    for below_db, severity in ((limit_db + 2.0, None), (limit_db - 2.0, "fix")):
        mix = np.stack([two_tones(), two_tones()]) + amplitude(-below_db) * bleeps()
        seen = show_of(np.concatenate([[bleeps(), strings(length_s=20.0)], mix]), ["click", "keys"], mix=(2, 3))
        assert severity_of(seen.mix, "in-the-mix") == severity, below_db


def test_silent_throughout() -> None:
    limit_dbfs = printed("silent", "loud windows stay below # dBFS")
    for level_dbfs, severity in ((limit_dbfs + 0.5, None), (limit_dbfs - 0.5, "fix")):
        assert severity_of(alone(sine(997.0, 6.0, level_dbfs=level_dbfs)), "silent") == severity


def test_dead_to_the_end() -> None:
    least_s = printed("silent", "input for the last # s or more")
    for dead_s, severity in ((least_s - 0.5, None), (least_s + 0.5, "fix")):
        sound = steady(length_s=20.0).copy()
        sound[-round(dead_s * RATE_HZ) :] *= 1e-4
        seen = show_of(np.stack([sound, steady(1, length_s=20.0)]), ["keys", "guitar"])
        assert severity_of(seen.by_source["source 1"], "silent") == severity, dead_s


def test_length_of_a_dropout() -> None:
    shortest_s = printed("dropout", "cut into sound, # ms to") / 1000
    longest_s = printed("dropout", "ms to # s (*fix*")
    for gap_s, severity in (
        (0.8 * shortest_s, None), (1.2 * shortest_s, "fix"), (longest_s - 0.01, "fix"), (longest_s + 0.01, None),
    ):  # fmt: skip
        sound = steady().copy()
        first = 2 * RATE_HZ
        sound[first : first + round(gap_s * RATE_HZ)] = 0.0
        assert severity_of(alone(sound, "guitar"), "dropout") == severity, gap_s


def test_tracks_that_drop_out_at_once() -> None:
    together = round(printed("dropout", "unless # tracks and more drop out at once"))
    for count, case in ((together - 1, "here"), (together, "together")):
        tracks = np.stack([steady(seed) for seed in range(together)])
        tracks[:count, 2 * RATE_HZ : 2 * RATE_HZ + 1500] = 0.0
        (dropout,) = [
            finding
            for finding in show_of(tracks, ["guitar"] * together).by_source["source 1"]
            if finding.kind == "dropout"
        ]
        assert dropout.what == case


def bursts(count: int) -> np.ndarray:
    sound = voice().copy()
    rng = np.random.default_rng(7)
    for burst in range(count):
        first = round((0.5 + 0.9 * burst) * RATE_HZ)
        sound[first : first + 4800] += white(rng, 0.1, -14.0)
    return sound


def test_radio_interruptions() -> None:
    fix = round(printed("wireless-hit", "(*listen*), # (*fix*)"))
    most = round(printed("wireless-hit", "more than # of them"))
    for count, severity in ((fix - 1, "listen"), (fix, "fix"), (most, "fix"), (most + 1, None)):
        findings = alone(bursts(count), "lead vocal")
        assert severity_of(findings, "wireless-hit") == severity, count


def test_digital_clicks() -> None:
    fix = round(printed("clicks", "(*listen*); #, when another track clicks with it (*fix*)"))
    most = round(printed("clicks", "more than # of them"))
    for count, others, severity in (
        (fix - 1, True, "listen"), (fix, True, "fix"), (fix, False, "listen"), (most, True, "fix"), (most + 1, True, None),
    ):  # fmt: skip
        tracks = np.stack([strings(1), strings(2)])
        for click in range(count):
            tracks[: 1 + others, round((0.5 + 1.2 * click) * RATE_HZ)] += 0.6
        findings = show_of(tracks, ["guitar", "keys"]).by_source["source 1"]
        assert severity_of(findings, "clicks") == severity, (count, others)


def test_feedback_that_may_be_sung() -> None:
    highest_hz = printed("howl", "up to # Hz it may be sung")
    time_s = np.arange(round(14.0 * RATE_HZ)) / RATE_HZ
    level_db = np.interp(time_s, [6.0, 10.0, 10.1], [-62.0, -14.0, -90.0])
    for frequency_hz, severity in ((0.97 * highest_hz, "listen"), (1.03 * highest_hz, "fix")):
        howl = np.sin(2 * np.pi * frequency_hz * time_s) * 10.0 ** (level_db / 20) * (time_s > 6.0)
        findings = alone(voice(length_s=14.0) + howl, "lead vocal")
        assert severity_of(findings, "howl") == severity, frequency_hz


def test_presets() -> None:
    limit_lu = printed("sound-step", "player lie # LU or more apart")
    source = Source(name="keys", role="keys", tracks=["keys"])
    sound = SimpleNamespace(loudness_lufs=-20.0, stretches_s=((1.0, 9.0),))
    for step_lu, severity in ((limit_lu - 0.1, None), (limit_lu, "note")):
        reading: Any = SimpleNamespace(step_lu=step_lu, sounds=[sound])
        context: Any = SimpleNamespace(offset_s=0.0)
        assert severity_of(sounds(source, reading, context, ()), "sound-step") == severity


@pytest.mark.parametrize(
    ("keys", "line_check", "asked"),
    [
        pytest.param({}, False, True, id="nobody said"),
        pytest.param({"mute": False}, False, False, id="open"),
        pytest.param({"mute": "in songs"}, False, False, id="in songs"),
        pytest.param({"mute": True}, False, False, id="out of the mix"),
        pytest.param({}, True, False, id="at line check"),
        pytest.param({"fader": None}, False, False, id="not in the mix"),
        pytest.param({"role": "backing vocal"}, False, False, id="a singer"),
    ],
)
def test_a_mute_that_nobody_told(keys: dict[str, Any], line_check: bool, asked: bool) -> None:
    """Common practice, no source: a speech microphone is muted while the band plays, or left open on purpose; somebody knows."""
    source = Source(**{"name": "lectern", "role": "speech", "tracks": ["lectern"], "fader": "-2 dB"} | keys)
    house = SimpleNamespace(vocal=SimpleNamespace(source="lead voice"))
    context: Any = SimpleNamespace(house=house, line_check=line_check)
    reading: Any = SimpleNamespace()
    assert severity_of(mutes(source, reading, context, ()), "mute-untold") == ("note" if asked else None)
    context.house.vocal = None
    assert not mutes(source, reading, context, ())


def test_words_that_are_covered() -> None:
    share = printed("vocal-covered", "in the feed) for # % of its words or more") / 100
    for covered_s, severity in ((100 * share - 0.1, None), (100 * share + 0.1, "note")):
        phrases = [
            SimpleNamespace(start_s=0.0, end_s=covered_s, word="covered"),
            SimpleNamespace(start_s=covered_s, end_s=100.0, word="clear"),
        ]
        voice: Any = SimpleNamespace(
            source="vox", phrases=phrases, by_source=[SimpleNamespace(source="keys", low_hz=1000.0, high_hz=2000.0)],
            clearance_pct=SimpleNamespace(mono=50.0), audible_pct=SimpleNamespace(mono=40.0),
        )  # fmt: skip
        assert severity_of(judge_voices([voice], {}).get("vox", []), "vocal-covered") == severity


@pytest.mark.parametrize("beyond_db", [pytest.param(-3.0, id="nearer"), pytest.param(3.0, id="further")])
def test_how_far_below_the_room_a_mute_is(beyond_db: float) -> None:
    """A stop consonant lets the room through; a receiver that mutes does not."""
    limit_db = printed("wireless-hit", "mutes quieter than the room by # dB")
    rng = np.random.default_rng(11)
    room_dbfs = -50.0
    # a voice that goes on, over a room: pauses of half a second show what is behind it
    sound = speech_like(rng, 12.0, -24.0) + white(rng, 12.0, room_dbfs)
    for pause_s in (2.0, 5.0, 8.0):
        pause = slice(round(pause_s * RATE_HZ), round((pause_s + 0.5) * RATE_HZ))
        sound[pause] = white(rng, 0.5, room_dbfs)
    mute = slice(round(10.3 * RATE_HZ), round(10.4 * RATE_HZ))
    sound[mute] = white(rng, 0.1, room_dbfs - limit_db - beyond_db)
    assert (severity_of(alone(sound, "lead vocal"), "wireless-hit") == "listen") is (beyond_db > 0)
