"""From sound to findings: each fault alone in a clean source is said, with its place; a clean show says nothing.

Limits are the project's own (common practice, no source). Faults here lie well on one side of them; where a limit itself is
tested, it is imported.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand import units
from deskhand.findings import say, status_of
from deskhand.house import ROLES
from deskhand.measure.stereo import alignment
from tests.support.judged import findings_of, severity_of, show_of
from tests.support.signals import RATE_HZ, amplitude, at_level, hits, pink, plucks, sine, speech_like, white

LEVEL_LISTEN_DB, LEVEL_FIX_DB = 2.0, 4.0  # the house file when it says nothing

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.findings.finding import Finding

LENGTH_S: Final = 20.0


NOMINAL_DBFS: Final = -28.0
"""Low enough that no peak comes near full scale."""


@cache
def voice(*, length_s: float = LENGTH_S) -> np.ndarray:
    """Speech-like phrases at the house's level: 4 s of sound, 1 s of room, with soft edges."""
    rng = np.random.default_rng(41)
    frames = round(length_s * RATE_HZ)
    on = np.convolve((np.arange(frames) / RATE_HZ) % 5.0 < 4.0, np.hanning(9600) / np.hanning(9600).sum(), "same")
    found = speech_like(rng, length_s, NOMINAL_DBFS) * on + white(rng, length_s, -80.0)
    windows = found[: frames // 14400 * 14400].reshape(-1, 14400)
    level_db = 10 * np.log10(2 * np.mean(windows**2, axis=1))
    return found * amplitude(NOMINAL_DBFS - float(np.median(level_db[level_db > level_db.max() - 25.0])))


@cache
def note(seed: int = 42, *, length_s: float = LENGTH_S) -> np.ndarray:
    """Plucked strings at about the house's level, with a pause of 6 s in the middle."""
    rng = np.random.default_rng(seed)
    out = white(rng, length_s, -90.0)
    for first, last in ((0, out.size // 2 - 3 * RATE_HZ), (out.size // 2 + 3 * RATE_HZ, out.size)):
        part = plucks(rng, (last - first) / RATE_HZ, level_dbfs=NOMINAL_DBFS)
        out[first : first + part.size] += part
    return out


def kinds(findings: list[Finding], *severities: str) -> set[str]:
    wanted = severities or ("fix", "listen")
    return {finding.kind for finding in findings if finding.severity in wanted}


def one(sound: np.ndarray, role: str) -> list[Finding]:
    return findings_of(sound, role=role, nominal_dbfs=NOMINAL_DBFS)[0]


@pytest.mark.parametrize("role", [pytest.param(role, id=role.replace(" ", "-")) for role in ("lead vocal", "speech")])
def test_a_clean_voice_says_nothing(role: str) -> None:
    assert kinds(one(voice(), role)) == set()


@pytest.mark.parametrize("role", [pytest.param(role, id=role) for role in ("guitar", "bass", "keys")])
def test_a_clean_line_says_nothing_but_its_level(role: str) -> None:
    # whether the level of these plucks is the house's is not the question here
    assert kinds(one(note(), role)) <= {"level-low", "level-high"}


@pytest.mark.parametrize(
    ("off_db", "kind", "severity"),
    [
        pytest.param(0.0, None, None, id="at-nominal"),
        pytest.param(LEVEL_LISTEN_DB - 0.7, None, None, id="a-little-high"),
        pytest.param(-LEVEL_LISTEN_DB + 0.7, None, None, id="a-little-low"),
        pytest.param(LEVEL_LISTEN_DB + 0.7, "level-high", "listen", id="high-listen"),
        pytest.param(LEVEL_FIX_DB + 0.7, "level-high", "fix", id="high-fix"),
        pytest.param(-LEVEL_LISTEN_DB - 0.7, "level-low", "listen", id="low-listen"),
        pytest.param(-LEVEL_FIX_DB - 0.7, "level-low", "fix", id="low-fix"),
    ],
)
def test_level(rng: np.random.Generator, off_db: float, kind: str | None, severity: str | None) -> None:
    # steady noise: its level is what it is, and its peaks leave room
    sound = at_level(ss.sosfilt(ss.butter(2, 2000, fs=RATE_HZ, output="sos"), rng.standard_normal(20 * RATE_HZ)), -18.0)
    found = one(sound * amplitude(off_db - 10.0), "keys")
    said = [finding for finding in found if finding.kind.startswith("level")]
    if kind is None:
        assert said == []
    else:
        assert [(finding.kind, finding.severity) for finding in said] == [(kind, severity)]
        assert said[0].measured == pytest.approx(NOMINAL_DBFS + off_db, abs=0.1)
        assert said[0].expected == NOMINAL_DBFS


def silenced(sound: np.ndarray, from_s: float) -> np.ndarray:
    out = sound.copy()
    out[round(from_s * RATE_HZ) :] *= 1e-6
    return out


@pytest.mark.parametrize(
    ("role", "severity"),
    [
        pytest.param("keys", "fix", id="keys"),
        pytest.param("playback", "listen", id="playback"),
        pytest.param("other", "listen", id="nobody-wrote-it-down"),
    ],
)
def test_silence_throughout(role: str, severity: str) -> None:
    found = one(np.zeros(10 * RATE_HZ), role)
    assert [(finding.kind, finding.severity, finding.at_s) for finding in found] == [("silent", severity, ())]


def test_a_spare_channel_that_is_set_up_may_be_silent() -> None:
    """It has a fader, and waits for a guest: noted, and its one word is silent, never well."""
    [found] = show_of(np.zeros((1, 10 * RATE_HZ)), ["other"], chain='fader = "-6 dB"\n').by_source["source 1"]
    assert (found.kind, found.severity) == ("silent", "note")
    assert status_of([found]) == "silent"


@pytest.mark.parametrize("from_s", [pytest.param(s, id=f"from-{s}-s") for s in (15.4, 16.0, 16.6, 17.3, 18.5)])
def test_dead_from_a_time_on(from_s: float) -> None:
    # anywhere in a phrase, loud or soft; another source goes on: the band has not stopped
    dead = silenced(voice(length_s=30.0), from_s)
    seen = show_of(np.stack([dead, note(length_s=30.0)]), ["lead vocal", "guitar"])
    (silent,) = [finding for finding in seen.by_source["source 1"] if finding.kind == "silent"]
    assert silent.severity == "fix"
    assert silent.at_s[0] == pytest.approx((from_s, 30.0), abs=0.2)
    assert "silent" not in kinds(seen.by_source["source 2"])


PLANTED: Final[dict[str, tuple[str, str, Callable[[np.ndarray], np.ndarray]]]] = {
    "clipped-at-full-scale": ("acoustic guitar", "clipped", lambda x: np.clip(x * 20, -1.0, 1.0)),
    "dc": ("keys", "dc", lambda x: x + 0.05),
    "hum": ("guitar", "hum", lambda x: x + sum(sine(50.0 * n, LENGTH_S, level_dbfs=-52.0) for n in (1, 2, 3))),
    "headroom": ("keys", "headroom", lambda x: x / np.abs(x).max() * 0.99),
}


@pytest.mark.parametrize("name", [pytest.param(name, id=name) for name in PLANTED])
def test_steady_faults(name: str) -> None:
    role, kind, spoil = PLANTED[name]
    clean = note()
    assert kind not in kinds(one(clean, role))
    assert severity_of(one(spoil(clean), role), kind) == "fix"


@pytest.mark.parametrize(
    ("mains_hz", "is_other"), [pytest.param(50.0, False, id="50-hz"), pytest.param(60.0, True, id="60-hz")]
)
def test_hum_at_other_mains_than_the_houses_is_said(mains_hz: float, is_other: bool) -> None:
    """A house at 50 Hz: hum of 60 Hz came with a recording, a generator or a foreign power supply."""
    hum = sum(sine(mains_hz * n, LENGTH_S, level_dbfs=-52.0) for n in (1, 2, 3))
    [found] = [finding for finding in one(note() + hum, "guitar") if finding.kind == "hum"]
    assert ("other-mains" in found.advice) is is_other


def moments(sound: np.ndarray, kind: str, rng: np.random.Generator, at_s: tuple[float, ...]) -> np.ndarray:
    out = sound.copy()
    for time_s in at_s:
        at = round(time_s * RATE_HZ)
        if kind == "dropout":
            out[at : at + 1500] = 0.0
        elif kind == "clicks":
            out[at] += 0.6
        else:
            out[at : at + 4800] += white(rng, 0.1, -14.0)
    return out


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in ("dropout", "clicks", "wireless-hit")])
def test_moments_are_told_with_their_times(rng: np.random.Generator, kind: str) -> None:
    # all within phrases of the voice, which pauses in the last second of every five
    at_s = (2.0, 6.5, 13.123)
    found = one(moments(voice(), kind, rng, at_s), "lead vocal")
    (said,) = [finding for finding in found if finding.kind == kind]
    assert [begin for begin, _ in said.at_s] == pytest.approx(list(at_s), abs=0.02)
    assert kinds(found) == {kind}


def test_a_click_in_both_sides_of_a_pair_is_listed_once(rng: np.random.Generator) -> None:
    pair = [moments(note(seed), "clicks", rng, (3.0,)) for seed in range(2)]
    (click,) = [f for f in show_of(np.stack(pair), ["keys"], sides=[2]).by_source["source 1"] if f.kind == "clicks"]
    assert (click.track, click.measured, [round(begin, 2) for begin, _ in click.at_s]) == (None, 1, [3.0])
    # in one side only, the side is named
    alone = show_of(np.stack([note(0), pair[1]]), ["keys"], sides=[2]).by_source["source 1"]
    assert [f.track for f in alone if f.kind == "clicks"] == ["track 2"]


def test_a_dropout_in_many_tracks_points_at_the_recorder(rng: np.random.Generator) -> None:
    tracks = [moments(note(seed), "dropout", rng, (3.0,)) for seed in range(4)]
    seen = show_of(np.stack(tracks), ["guitar"] * 4)
    for number in range(1, 5):
        (said,) = [f for f in seen.by_source[f"source {number}"] if f.kind == "dropout"]
        assert (said.what, said.advice, said.severity) == ("together", ("recorder",), "fix")
    alone = show_of(np.stack([tracks[0], note(1), note(2), note(3)]), ["guitar"] * 4)
    (said,) = [f for f in alone.by_source["source 1"] if f.kind == "dropout"]
    assert (said.what, said.advice, said.severity) == ("here", ("mute-and-check-cable-link",), "fix")


MAY_STOP_WITHIN_A_SAMPLE: Final = ("kick", "keys", "playback", "click")
"""Machines, and lines that machines play into; the room in an open microphone never stops. Common practice, no source."""


@pytest.mark.source("common practice, no source: a machine stops and starts within a sample")
@pytest.mark.parametrize("role", [pytest.param(role, id=role.replace(" ", "-")) for role in ROLES])
def test_a_dropout_of_what_may_be_a_machine_is_a_note_unless_others_drop_out_with_it(
    rng: np.random.Generator, role: str
) -> None:
    clean = [note(seed, length_s=12.0) for seed in range(3)]
    tracks = [moments(sound, "dropout", rng, (1.5,)) for sound in clean]
    alone = show_of(np.stack([tracks[0], *clean[1:]]), [role, "guitar", "bass"])
    (said,) = [f for f in alone.by_source["source 1"] if f.kind == "dropout"]
    assert said.severity == ("note" if role in MAY_STOP_WITHIN_A_SAMPLE else "fix")
    together = show_of(np.stack(tracks), [role, "guitar", "bass"])
    (said,) = [f for f in together.by_source["source 1"] if f.kind == "dropout"]
    assert (said.severity, said.what) == ("fix", "together")


def test_feedback_in_an_open_microphone_only() -> None:
    time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    level_db = np.interp(time_s, [8.0, 12.0, 12.1], [-62.0, -14.0, -90.0])
    howl = np.sin(2 * np.pi * 2515.0 * time_s) * 10.0 ** (level_db / 20) * (time_s > 8.0)
    found = one(voice() + howl, "lead vocal")
    (said,) = [finding for finding in found if finding.kind == "howl"]
    assert said.measured == pytest.approx(2515.0, abs=3.0)
    assert said.band_hz is not None
    assert said.band_hz[0] < 2515.0 < said.band_hz[1]
    assert "howl" not in kinds(one(note() + howl, "keys"))


def pair_findings(left: np.ndarray, right: np.ndarray, *, role: str = "keys") -> list[Finding]:
    return show_of(np.stack([left, right]), [role], sides=[2]).by_source["source 1"]


@pytest.mark.parametrize(
    "name", [pytest.param(name, id=name) for name in ("duplicate", "polarity", "delay", "one-sided")]
)
def test_faults_of_pairs(rng: np.random.Generator, name: str) -> None:
    shared, own = note(), [pink(rng, LENGTH_S, -38.0) for _ in range(2)]
    left, right = shared + own[0], 0.9 * shared + own[1]
    told = {"duplicate", "polarity", "delay", "one-sided", "mono-loss"}
    assert not kinds(pair_findings(left, right)) & told
    spoilt = {
        "duplicate": (left, left),
        "polarity": (left, -right),
        "delay": (left, np.roll(right, round(0.0021 * RATE_HZ))),
        "one-sided": (left, right * amplitude(-35.0)),
    }[name]
    found = pair_findings(*spoilt)
    assert kinds(found) & told == {name}
    if name == "delay":
        (said,) = [finding for finding in found if finding.kind == "delay"]
        assert said.measured == pytest.approx(2.1, abs=0.05)
        assert said.track == "track 2"


def unlike(seed: int, *, length_s: float = 14.0) -> np.ndarray:
    """Plucked strings on two microphones: the second 0.3 to 3 ms off, and in each octave either way up and 0 to 12 dB lower."""
    rng = np.random.default_rng([77, seed])
    wave = plucks(rng, length_s, level_dbfs=-24.0)
    frequency_hz = np.fft.rfftfreq(wave.size, 1 / RATE_HZ)
    octave = np.clip(np.floor(np.log2(np.maximum(frequency_hz, 1.0) / 45.0)), 0, 8).astype(int)
    factor = rng.choice([-1.0, 1.0], 9) * 10 ** (rng.uniform(-12.0, 0.0, 9) / 20)
    delay_s = rng.uniform(0.0003, 0.003) * rng.choice([-1.0, 1.0])
    turned = np.fft.rfft(wave) * factor[octave] * np.exp(-2j * np.pi * frequency_hz * delay_s)
    sides = np.stack([wave, np.fft.irfft(turned, wave.size)])
    return sides + np.stack([white(rng, length_s, -85.0) for _ in range(2)])


def gain_of_flip_db(left: np.ndarray, right: np.ndarray) -> float:
    """By how much the mono sum rises with one side flipped, from the samples."""
    return float(10 * np.log10(np.mean((left - right) ** 2) / np.mean((left + right) ** 2)))


@pytest.mark.source("definition: mono sum of the samples, as it is and with one side flipped")
@pytest.mark.parametrize("as_pair", [pytest.param(True, id="a-pair"), pytest.param(False, id="two-inputs")])
def test_a_flip_that_would_hurt_mono_is_never_advised(as_pair: bool) -> None:
    correlated_so = 0
    for seed in range(12):
        sides = unlike(seed)
        if as_pair:
            seen = show_of(sides, ["guitar"], sides=[2])
        else:
            seen = show_of(sides, ["guitar", "guitar"], groups=[(1, 2)], tap="after-chain")
        found = [finding for findings in seen.by_source.values() for finding in findings]
        told = [finding for finding in found if finding.kind == "polarity"]
        helps = gain_of_flip_db(*sides) > 0
        assert helps or not told, seed
        place = alignment(seen.figures.pairs[0, 1], seen.figures.grid, top_hz=20000.0 if as_pair else 500.0)
        correlated_so += place.opposite and not helps
    # by their correlation alone many of these are inverted
    assert correlated_so >= 3


@pytest.mark.parametrize(
    ("delay_ms", "band_hz"), [pytest.param(1.4, (250, 500), id="1.4-ms"), pytest.param(4.5, (90, 140), id="4.5-ms")]
)
@pytest.mark.parametrize("as_pair", [pytest.param(True, id="a-pair"), pytest.param(False, id="two-inputs")])
def test_what_is_late_and_the_right_way_up_is_not_inverted(
    rng: np.random.Generator, delay_ms: float, band_hz: tuple[float, float], as_pair: bool
) -> None:
    """A direct signal and its microphone, half a period of the loudest notes later: a flip gains there; the delay is the cause."""
    wave = ss.sosfilt(ss.butter(2, band_hz, "bandpass", fs=RATE_HZ, output="sos"), pink(rng, LENGTH_S, 0.0))
    wave = at_level(wave + 0.05 * pink(rng, LENGTH_S, 0.0), -28.0)
    sides = np.stack([wave, 0.7 * np.roll(wave, round(delay_ms * RATE_HZ / 1000))])
    sides = sides + np.stack([white(rng, LENGTH_S, -80.0) for _ in range(2)])
    assert gain_of_flip_db(*sides) > 3.0
    if as_pair:
        found = pair_findings(*sides)
        assert {"delay"} <= kinds(found)
    else:
        seen = show_of(sides, ["guitar", "guitar"], groups=[(1, 2)], tap="after-chain")
        found = [finding for findings in seen.by_source.values() for finding in findings]
    assert "polarity" not in kinds(found)


SUMS: Final = ("sum_db", "sum_flipped_db", "sum_delayed_db")


def two_pick_ups(rng: np.random.Generator, *, turned: bool = False) -> np.ndarray:
    """A bass on its DI and on a microphone 1.4 ms later: half a period of its 360 Hz, and high notes that only the DI has."""
    low = ss.sosfilt(ss.butter(2, (250, 500), "bandpass", fs=RATE_HZ, output="sos"), pink(rng, LENGTH_S, 0.0))
    low = at_level(low, -24.0)
    sides = np.stack([low + pink(rng, LENGTH_S, -40.0), 0.7 * np.roll(low, round(0.0014 * RATE_HZ))])
    sides[1] *= -1.0 if turned else 1.0
    return sides + np.stack([pink(rng, LENGTH_S, -44.0) for _ in range(2)])


@pytest.mark.source(
    "definition: levels of L + R, L - R and L(t - d) + R against the sum of both powers, from the samples"
)
@pytest.mark.parametrize("as_pair", [pytest.param(True, id="a-pair"), pytest.param(False, id="two-inputs")])
def test_unlike_pick_ups_are_lined_up_and_not_flipped(rng: np.random.Generator, as_pair: bool) -> None:
    sides = two_pick_ups(rng)
    assert gain_of_flip_db(*sides) > 2.0
    if as_pair:
        found = show_of(sides, ["bass"], sides=[2], chain='sides = "unlike"').by_source["source 1"]
    else:
        found = show_of(sides, ["bass", "bass"], groups=[(1, 2)]).by_source["source 2"]
    assert "polarity" not in kinds(found)
    (told,) = [finding for finding in found if finding.kind == "delay"]
    assert (told.what, told.measured) == ("pick-ups", pytest.approx(1.4, abs=0.051))
    assert told.facts["earlier"] == ("track 1" if as_pair else "source 1")
    left, right = sides
    later = np.roll(left, round(told.measured * RATE_HZ / 1000))
    power = np.mean(left**2 + right**2)
    for words, total in (("as it is", left + right), ("with one reversed", left - right), ("delayed", later + right)):
        loss_db = -10 * np.log10(np.mean(total**2) / 2 / power)
        said = float(re.search(rf"([0-9.]+) dB (?:with \S+ \S+ |){words}", say(told)).group(1))
        assert said == pytest.approx(loss_db, abs=0.15), words
    octaves = dict(zip(told.facts["octaves_hz"], zip(*(told.facts[name] for name in SUMS), strict=True), strict=True))
    # the octave by its edges (IEC 61260-1), from the spectra of the whole
    hz = np.fft.rfftfreq(left.size, 1 / RATE_HZ)
    inside = (hz >= 1000 * 10**-0.75) & (hz < 1000 * 10**-0.45)
    bass, air, moved = (np.fft.rfft(wave)[inside] for wave in (left, right, later))
    power = np.sum(np.abs(bass) ** 2 + np.abs(air) ** 2)
    for octave_db, total in zip(octaves[250.0], (bass + air, bass - air, moved + air), strict=True):
        assert octave_db == pytest.approx(10 * np.log10(np.sum(np.abs(total) ** 2) / 2 / power), abs=0.5)


@pytest.mark.parametrize("as_pair", [pytest.param(True, id="a-pair"), pytest.param(False, id="two-inputs")])
def test_unlike_pick_ups_that_are_upside_down_are_told(rng: np.random.Generator, as_pair: bool) -> None:
    low = at_level(
        ss.sosfilt(ss.butter(2, (60, 400), "bandpass", fs=RATE_HZ, output="sos"), pink(rng, LENGTH_S, 0.0)), -24.0
    )
    sides = np.stack([low + pink(rng, LENGTH_S, -36.0), -0.7 * low]) + np.stack(
        [pink(rng, LENGTH_S, -40.0) for _ in range(2)]
    )
    if as_pair:
        found = show_of(sides, ["bass"], sides=[2]).by_source["source 1"]
    else:
        found = show_of(sides, ["bass", "bass"], groups=[(1, 2)], tap="after-chain").by_source["source 2"]
    (told,) = [finding for finding in found if finding.kind == "polarity"]
    assert told.severity == "fix"
    assert told.expected - told.measured > 3.0


@pytest.mark.parametrize(
    ("highs_dbfs", "gain_db", "chain", "severity"),
    [
        pytest.param(-20.6, 1.7, "", "note", id="less-than-2-db"),
        pytest.param(-23.4, 2.5, "", "listen", id="less-than-3-db"),
        pytest.param(-40.0, 5.3, "", "fix", id="more"),
        pytest.param(-40.0, 5.3, 'sides = "unlike"', "listen", id="more-and-said-to-be-unlike"),
    ],
)
@pytest.mark.source("common practice, no source: 3 dB is half of the power; what a flip gains follows from the levels")
def test_small_gains_between_unlike_pick_ups_are_no_fault(
    rng: np.random.Generator, highs_dbfs: float, gain_db: float, chain: str, severity: str
) -> None:
    """Lows that both have, upside down and 10 dB lower in the second, and highs that the first alone picks up."""
    bands = ((60, 400), (1000, 8000))
    low, high = (
        ss.sosfilt(ss.butter(2, band, "bandpass", fs=RATE_HZ, output="sos"), pink(rng, LENGTH_S, 0.0)) for band in bands
    )
    low, high = at_level(low, -24.0), at_level(high, highs_dbfs)
    own = np.stack([pink(rng, LENGTH_S, -50.0), pink(rng, LENGTH_S, -54.0)])
    sides = np.stack([low + high, -amplitude(-10.0) * low]) + own
    assert gain_of_flip_db(*sides) == pytest.approx(gain_db, abs=0.3)
    if chain:
        found = show_of(sides, ["bass"], sides=[2], chain=chain).by_source["source 1"]
    else:
        found = show_of(sides, ["bass", "bass"], groups=[(1, 2)], tap="after-chain").by_source["source 2"]
    assert severity_of(found, "polarity") == severity


@pytest.mark.source("definition: level of (L + R) / 2 against the mean of the sides, from the samples")
@pytest.mark.parametrize("apart_db", [pytest.param(db, id=f"{db:g}-db") for db in (-6.0, -1.0, 3.0, 6.0)])
@pytest.mark.parametrize("as_pair", [pytest.param(True, id="a-pair"), pytest.param(False, id="two-inputs")])
def test_an_inverted_side_is_told_with_both_mono_losses(
    rng: np.random.Generator, apart_db: float, as_pair: bool
) -> None:
    shared = note()
    # noise of their own: without it two inputs would carry the same signal, which is told as such
    sides = np.stack([shared, -amplitude(apart_db) * shared]) + np.stack([pink(rng, LENGTH_S, -52.0) for _ in range(2)])
    if as_pair:
        found = pair_findings(*sides)
    else:
        found = show_of(sides, ["guitar", "guitar"], groups=[(1, 2)], tap="after-chain").by_source["source 2"]
    (told,) = [finding for finding in found if finding.kind == "polarity"]
    assert told.severity == "fix"
    # without the pause in its middle
    left, right = np.delete(sides, slice(7 * RATE_HZ, 13 * RATE_HZ), axis=1)
    as_it_is, flipped = (
        10 * np.log10(np.mean((left + sign * right) ** 2) / 2 / np.mean(left**2 + right**2)) for sign in (1, -1)
    )
    assert (told.metric, told.unit) == ("mono_loss_db", "dB")
    assert told.measured == pytest.approx(as_it_is, abs=0.3)
    assert told.expected == pytest.approx(flipped, abs=0.1)
    losses = f"mono loses {units.number(-told.measured, 1)} dB as it is, {units.number(-told.expected, 1)} dB with one reversed"
    assert told.facts["flip_words"] == losses
    assert losses in say(told)


def test_a_side_that_goes_away(rng: np.random.Generator) -> None:
    shared = pink(rng, LENGTH_S, -20.0)
    right = shared.copy()
    right[8 * RATE_HZ : 14 * RATE_HZ] *= 1e-4
    (said,) = [f for f in pair_findings(shared + pink(rng, LENGTH_S, -40.0), right) if f.kind == "one-sided"]
    assert said.track == "track 2"
    assert said.at_s == (pytest.approx((8.0, 14.0), abs=0.25),)


def test_two_inputs_with_the_same_sound() -> None:
    sound = note()
    seen = show_of(np.stack([sound, 0.5 * sound, voice()]), ["guitar", "keys", "lead vocal"])
    for number, expected in ((1, True), (2, True), (3, False)):
        assert ("duplicate" in kinds(seen.by_source[f"source {number}"])) == expected


def test_an_offset_in_common_does_not_make_two_inputs_the_same() -> None:
    seen = show_of(np.stack([note() + 0.2, voice() + 0.2]), ["keys", "speech"])
    assert not any("duplicate" in kinds(findings) for findings in seen.by_source.values())


def test_a_click_in_the_mix(rng: np.random.Generator) -> None:
    beat = np.zeros(round(LENGTH_S * RATE_HZ))
    time_s = np.arange(round(0.1 * RATE_HZ)) / RATE_HZ
    for at in np.arange(0.2, LENGTH_S - 0.5, 0.5):
        first = round(at * RATE_HZ)
        beat[first : first + time_s.size] += 0.5 * np.sin(2 * np.pi * 1000 * time_s) * np.exp(-time_s / 0.03)
    mix = np.stack([pink(rng, LENGTH_S, -20.0) for _ in range(2)])
    # the desk's own mix lies on the tracks behind the sources
    roles = ["click", "keys"]
    clean = show_of(np.concatenate([[beat, note()], mix]), roles, mix=(2, 3))
    assert clean.mix == []
    heard = show_of(np.concatenate([[beat, note()], mix + 0.1 * beat]), roles, mix=(2, 3))
    assert [(finding.kind, finding.severity) for finding in heard.mix] == [("in-the-mix", "fix")]


def test_ids_are_unique() -> None:
    # both sides clipped: two findings of one kind
    sides = [np.clip(note(seed) * 20, -1.0, 1.0) for seed in range(2)]
    found = pair_findings(*sides, role="guitar")
    assert len([finding for finding in found if finding.kind == "clipped"]) == 2
    assert len({finding.id for finding in found}) == len(found)


@pytest.mark.parametrize("role", [pytest.param(role, id=role) for role in ("kick", "snare", "toms")])
def test_a_clean_drum_says_nothing(rng: np.random.Generator, role: str) -> None:
    assert kinds(one(hits(rng, LENGTH_S, every_s=1.0, peak_dbfs=-8.0), role)) == set()


@pytest.mark.source(
    "common practice, no source: one fault of both cables is one thing to do, of one cable it is that cable's"
)
@pytest.mark.parametrize(
    ("sides", "words"), [pytest.param((0, 1), "", id="both"), pytest.param((1,), " on track 2 only", id="one")]
)
def test_a_fault_of_both_sides_is_one_and_of_one_side_names_it(
    rng: np.random.Generator, sides: tuple[int, ...], words: str
) -> None:
    shared = note()
    rows = [shared + pink(rng, LENGTH_S, -38.0) for _ in range(2)]
    for side in sides:
        rows[side] = rows[side] + 0.02
        rows[side][round(4.0 * RATE_HZ) : round(4.02 * RATE_HZ)] = 0.0
    for kind in ("dropout", "dc"):
        (finding,) = [finding for finding in pair_findings(rows[0], rows[1], role="guitar") if finding.kind == kind]
        assert finding.track == ("track 2" if words else None)
        assert words in say(finding)
        assert say(finding).count(" only") == bool(words)


@pytest.mark.source("definition: one side is 30 dB down, and 6 dB more or less as the song goes")
@pytest.mark.parametrize("role", ["playback", "keys"])
def test_a_side_far_down_throughout_is_not_down_for_a_while(role: str) -> None:
    left = note()
    time_s = np.arange(left.size) / RATE_HZ
    right = left * np.where(np.sin(2 * np.pi * time_s / 8.0) > 0, amplitude(-36.0), amplitude(-22.0))
    # in the first half second both are there
    right[: RATE_HZ // 2] = left[: RATE_HZ // 2]
    (finding,) = [finding for finding in pair_findings(left, right, role=role) if finding.kind == "one-sided"]
    assert (finding.what, finding.severity) == ("quieter", "fix")
