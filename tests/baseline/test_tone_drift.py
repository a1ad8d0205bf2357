"""Drift of tones over the weeks, the slope of a whole rise, and a level that is off and has crept there: one sentence."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from rich.console import Console

from deskhand.baseline import drift
from deskhand.baseline.kept import drifts
from deskhand.baseline.numbers import CHARTED, TILT, TONE_NUMBERS, number_of, tone_vector
from deskhand.baseline.weeks import courses, tones_of
from deskhand.findings import Finding, judge_drifts, say, with_trends
from deskhand.measure.passages import OCTAVES_HZ
from deskhand.report.weeks import course_cards, course_picture, print_source
from tests.support.weeks import FIRST, FLAT, PIANO, Weeks, part

SHELF = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.3, 0.8, 1.0])
"""Share of a falling shelf's gain at each octave: all of it at 8 kHz."""


def season(rng, count, *, shelf_db_a_week=0.0, level_db_a_week=0.0, starts=6, spread_db=0.6):
    """Weeks of a piano; the newest apart from those before."""
    kept = Weeks()
    for week in range(count):
        gone = max(0, week - starts)
        tone = FLAT + shelf_db_a_week * gone * SHELF + spread_db * rng.standard_normal(FLAT.size)
        level_dbfs = -18.0 + level_db_a_week * gone + 0.5 * float(rng.standard_normal())
        kept.add(part(tone, values={"level_dbfs": level_dbfs, "crest_db": 12.0 + 0.5 * float(rng.standard_normal())}))
    before = [item for item in kept.kept if item[1].take < kept.count]
    now = [item[1] for item in kept.kept if item[1].take == kept.count]
    return Weeks(kept=before, count=kept.count - 1), now


class TestNumbersOfATone:
    def test_each_octave_and_the_slope(self):
        """Definition: the slope of least squares over the octaves; a line of 3 dB an octave has it exactly."""
        vector = tone_vector(part(PIANO).values)
        for octave, number in enumerate(TONE_NUMBERS[1:]):
            value, deviation = number_of(number, part(PIANO).values)
            assert value == pytest.approx(vector[octave])
            assert deviation is None
        slope, _ = number_of(TILT, part(PIANO).values)
        assert slope == pytest.approx(np.polyfit(np.arange(8), vector, 1)[0])
        assert number_of(TILT, {"level_dbfs": (-18.0, None)}) is None

    def test_a_bump_in_the_loudest_octave_lowers_no_other(self, rng):
        """12 kept takes in which an octave is raised by 1 dB a week: against the whole all others fall."""
        parts = [part(FLAT + np.where(np.arange(8) == 3, float(week), 0.0), take=week) for week in range(12)]
        plain = np.array([tone_vector(one.values) for one in parts])
        steadied = np.array(list(tones_of(parts).values()))
        # its neighbours hear it too
        far = [0, 1, 5, 6, 7]
        assert (plain[-1] - plain[0])[far].max() < -2.0
        assert np.abs((steadied[-1] - steadied[0])[far]).max() < 1.0
        assert steadied[-1, 3] - steadied[0, 3] > 5.0

    def test_all_of_them_are_charted(self):
        assert set(TONE_NUMBERS) <= set(CHARTED)
        assert [number.name for number in TONE_NUMBERS] == ["tilt", *(f"tone-{band}" for band in OCTAVES_HZ)]

    def test_the_faster_way_gives_the_same(self, rng):
        kept, now = season(rng, 14)
        baseline = kept.baseline()
        for number in TONE_NUMBERS:
            rows = baseline.readings[number.name, "piano", "tap"].rows[:, 0]
            np.testing.assert_allclose(rows, [number_of(number, row.values)[0] for _, row in kept.kept])
        assert drifts(baseline, now) == []


def test_a_shelf_that_falls_half_a_decibel_a_week_is_told(rng):
    """To -7.5 dB in 15 weeks: told once, by the octave that has gone farthest, before it is 5 dB down."""
    told = []
    for weeks in range(10, 22):
        kept, now = season(np.random.default_rng(7), weeks, shelf_db_a_week=-0.5, spread_db=0.8)
        findings = judge_drifts(drifts(kept.baseline(), now)).get("piano", [])
        told.append(len(findings))
    assert max(told) == 1
    # begun after week 6 and 2 dB down after 4 more: within 8 weeks of that
    assert told.index(1) + 10 <= 6 + 4 + 8
    assert all(count == 1 for count in told[told.index(1) :])
    (finding,) = findings
    sentence = say(finding)
    assert re.match(
        r"its tone around [48] kHz has crept down by about [5-7]\.\d dB in 1[3-7] weeks; see when", sentence
    ), sentence
    # the top of a tone varies most: how fast it goes is known half a year later
    kept, now = season(np.random.default_rng(7), 40, shelf_db_a_week=-0.5, spread_db=0.8)
    (finding,) = judge_drifts(drifts(kept.baseline(), now))["piano"]
    assert re.match(
        r"its tone around [48] kHz has crept down by 0\.[4-6]\d? dB a week for 3[1-6] weeks, 1[4-7]\.\d dB in all",
        say(finding),
    ), say(finding)


def test_steady_tones_are_quiet():
    """Eight octaves and a slope beside all else, 20 houses of a year: one source's charts share one false signal a year."""
    signals = 0
    for seed in range(20):
        kept, now = season(np.random.default_rng(seed), 52, spread_db=1.0)
        signals += bool(judge_drifts(drifts(kept.baseline(), now)))
    assert signals <= 2


def test_the_slope_is_that_of_the_whole_rise(rng):
    """0.4 dB a week over 13 weeks, as planted; not the last two weeks of it."""
    slopes, weeks = [], []
    for _ in range(60):
        values = -18.0 + 0.4 * np.maximum(0, np.arange(20) - 6) + 0.6 * rng.standard_normal(20)
        chart = drift.chart(values, 0.6, drift.limit_for(40), np.arange(20.0))
        assert chart.drifted
        slopes.append((chart.line[1] - chart.line[0]) / chart.weeks)
        weeks.append(chart.weeks)
    assert np.mean(slopes) == pytest.approx(0.4, abs=0.03)
    assert np.mean(np.abs(np.array(slopes) - 0.4) < 0.08) > 0.8
    assert np.mean(weeks) == pytest.approx(13.0, abs=1.0)


def test_one_odd_take_in_a_rise_does_not_bend_it(rng):
    values = 0.4 * np.maximum(0, np.arange(20) - 6) + 0.3 * rng.standard_normal(20)
    values[17] -= 8.0
    chart = drift.chart(values, 0.5, 3.0, np.arange(20.0))
    assert (chart.line[1] - chart.line[0]) / chart.weeks == pytest.approx(0.4, abs=0.08)


@pytest.mark.parametrize(("octave", "level_db", "told"), [(1, -30.0, False), (1, -8.0, True), (7, -24.0, True)])
def test_what_lies_far_below_a_sound_is_no_drift_of_it(octave, level_db, told):
    """The octave at 125 Hz of a voice that sings above it, or at 8 kHz, falls by half a decibel a week."""
    kept, rng = Weeks(), np.random.default_rng(8)
    for week in range(30):
        tone = np.where(np.arange(8) < octave, -45.0, -9.0)
        tone[octave] = level_db - 0.5 * max(0, week - 8)
        kept.add(part(tone + 0.5 * rng.standard_normal(8)))
    before = [item for item in kept.kept if item[1].take < kept.count]
    now = [item[1] for item in kept.kept if item[1].take == kept.count]
    found = judge_drifts(drifts(Weeks(kept=before, count=kept.count - 1).baseline(), now)).get("piano", [])
    named = [finding.id for finding in found if finding.id.endswith(("tone-125", "tone-63", "tone-8000"))]
    assert bool(named) is told, [say(finding) for finding in found]


class TestNoise:
    """Noise that rises by 1 dB a week from week 8 on; that of an open microphone is the hall's."""

    def findings(self, role, a_week_db):
        kept = Weeks()
        rng = np.random.default_rng(2)
        for week in range(20):
            noise_dbfs = -85.0 + a_week_db * max(0, week - 7) + 0.3 * float(rng.standard_normal())
            values = {"level_dbfs": -18.0 + 0.5 * float(rng.standard_normal()), "noise_dbfs": noise_dbfs}
            kept.add(part(FLAT, role=role, values=values))
        before = [item for item in kept.kept if item[1].take < kept.count]
        now = [item[1] for item in kept.kept if item[1].take == kept.count]
        baseline = Weeks(kept=before, count=kept.count - 1).baseline()
        return judge_drifts(drifts(baseline, now)).get("piano", [])

    @pytest.mark.parametrize("role", ["bass", "guitar", "keys", "playback"])
    def test_of_a_line_it_is_told(self, role):
        (finding,) = self.findings(role, 1.0)
        assert finding.severity == "listen"
        sentence = say(finding)
        assert re.match(
            r"its noise has crept up by (0\.9\d?|1(\.0\d?)?) dB a week for 1[12] weeks, from −8[45]", sentence
        ), sentence
        assert "look for hiss at the player's end" in sentence

    @pytest.mark.parametrize(
        ("role", "a_week_db"), [("lead vocal", 1.0), ("overheads", 1.0), ("bass", 0.0), ("bass", -1.0)]
    )
    def test_elsewhere_it_is_not(self, role, a_week_db):
        assert self.findings(role, a_week_db) == []


def off(kind, **facts):
    return Finding(id=f"piano/{kind}", kind=kind, stage="tap", severity="fix", what="above" if kind == "level-high" else "below", facts={"off_db": 5.0, "after_gains": "", **facts})  # fmt: skip


class TestALevelThatIsOffAndHasCreptThere:
    def test_one_sentence(self):
        kept, now = season(np.random.default_rng(3), 20, level_db_a_week=0.4)
        drifting = drifts(kept.baseline(), now)
        with_words = with_trends({"piano": [off("level-high")], "bass": [off("level-high")]}, drifting)
        assert FIRST.isoformat() == "2026-01-04"
        # begun after week 6, which is the 8th of February
        assert re.match(r"5 dB above nominal, and rising since February", say(with_words["piano"][0]))
        assert say(with_words["bass"][0]) == "5 dB above nominal"

    def test_a_rise_that_has_ended_and_a_step(self):
        """By 0.6 dB a week from week 7 to week 17, then level; and 5 dB from one week to the next."""
        for way, words in (
            (np.clip(np.arange(30) - 6, 0, 10) * 0.6, r"5 dB above nominal, and rose from February to April"),
            (np.where(np.arange(30) > 12, 5.0, 0.0), r"5 dB above nominal, and so since April"),
        ):
            kept, rng = Weeks(), np.random.default_rng(4)
            for away_db in way:
                kept.add(part(FLAT, values={"level_dbfs": -18.0 + float(away_db) + 0.4 * float(rng.standard_normal())}))
            before = [item for item in kept.kept if item[1].take < kept.count]
            now = [item[1] for item in kept.kept if item[1].take == kept.count]
            baseline = Weeks(kept=before, count=kept.count - 1).baseline()
            drifting = drifts(baseline, now, date="2026-07-26")
            assert re.match(words, say(with_trends({"piano": [off("level-high")]}, drifting)["piano"][0])), [
                item.crept for item in drifting
            ]

    def test_not_where_it_goes_the_other_way(self):
        kept, now = season(np.random.default_rng(3), 20, level_db_a_week=-0.4)
        drifting = drifts(kept.baseline(), now)
        assert say(with_trends({"piano": [off("level-high")]}, drifting)["piano"][0]) == "5 dB above nominal"
        assert "and falling since" in say(with_trends({"piano": [off("level-low")]}, drifting)["piano"][0])


class TestThePicture:
    def courses(self, rng, **how):
        kept, _ = season(rng, 14, **how)
        return {
            course.number.name: course
            for course in courses(kept.baseline(), "piano", charts=16, nominal_dbfs=(-18.0, 2.0))
        }

    def test_a_level_s_band_is_what_is_allowed_around_nominal(self, rng):
        level = self.courses(rng, level_db_a_week=0.8)["level"]
        assert (level.low, level.high, level.nominal) == (-20.0, -16.0, -18.0)
        # six kept weeks at -18 and eight that rise by 0.8 dB: those beyond -16 dBFS are outside
        picture = course_picture(level)
        assert picture.count('class="dot-out"') == int((level.values > -16.0).sum()) > 0
        assert "set-point" in picture
        assert ">nominal</text>" in picture

    def test_other_numbers_have_no_nominal(self, rng):
        for name, course in self.courses(rng).items():
            assert ("set-point" in course_picture(course)) == (name == "level")

    def test_no_band_fills_the_picture(self, rng):
        for course in self.courses(rng).values():
            height = float(re.search(r'class="band"[^>]*height="([\d.]+)"', course_picture(course))[1])
            assert height <= 0.6 * (180 - 10 - 26) + 0.1

    def test_of_a_tone_the_octave_that_has_gone_farthest_is_named(self):
        kept, _ = season(np.random.default_rng(7), 22, shelf_db_a_week=-0.5, spread_db=0.8)
        shown = courses(kept.baseline(), "piano", charts=16)
        drifted = {course.number.name for course in shown if course.chart.drifted}
        assert {"tone-4000", "tone-8000"} <= drifted
        (card,) = course_cards({"piano": shown}, whole=False)
        assert card["creeping"].count("crept") == 1
        assert card["creeping"].startswith("tone around 8 kHz crept down by")
        assert all(explanation for *_, explanation in card["pictures"])

    def test_what_it_is_measured_against_is_said(self, rng):
        (card,) = course_cards({"piano": list(self.courses(rng).values())})
        assert card["against"] == "Creeping is told against the weeks from 2026-01-04 to 2026-02-08."
        console = Console(file=io.StringIO(), width=200, color_system=None)
        print_source(list(self.courses(rng).values()), console)
        printed = console.file.getvalue()
        assert card["against"] in printed
        assert "tone slope, dB per octave" in printed
        assert "tone around 8 kHz, dB" in printed


@pytest.mark.source(
    "common practice, no source: who speaks holds a microphone nearer or further away from week to week"
)
@pytest.mark.parametrize(("role", "severity"), [("speech", "note"), ("lead vocal", "listen")])
def test_a_tone_that_creeps_is_for_whoever_speaks_to_know(role: str, severity: str) -> None:
    kept = Weeks()
    for week in range(14):
        kept.add(part(PIANO + np.where(np.arange(8) == 5, 0.6 * week, 0.0), source="microphone", role=role))
    now = part(PIANO + np.where(np.arange(8) == 5, 0.6 * 14, 0.0), source="microphone", role=role)
    findings = judge_drifts(drifts(kept.baseline(), [now]))["microphone"]
    assert {finding.severity for finding in findings} == {severity}
