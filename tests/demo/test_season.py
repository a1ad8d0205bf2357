"""The main job on the invented venue, whose truth is known: every planted problem found, nothing else said.

Covers, in this order: the table of planted against found; determinism; each kind of fault planted, several at a time.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from deskhand.demo import faults, make_show
from deskhand.demo.season import _tracks, _write
from deskhand.demo.venue import house_text
from deskhand.result import to_json
from deskhand.tasks.check import check
from tests.support.planted_faults import CASES, TIME_TOLERANCE_S
from tests.support.troubled_season import season_plan


def _shows(season):
    return sorted(path for path in season.glob("show-*") if path.is_dir())


def assert_planted_is_found(shows, result_of, *, least):
    """Every planted problem found, nothing else said, and so many found at least."""
    rows, wrong = [], []
    for show in shows:
        planted = json.loads((show / "truth.json").read_text())["planted"]
        result = result_of(show)
        found = {(source.name, finding.kind): finding for source in result.sources for finding in source.findings}
        for item in planted:
            finding = found.pop((item["source"], item["kind"]), None)
            late = [
                at_s
                for at_s in item["at_s"]
                if finding is not None
                and not any(a - TIME_TOLERANCE_S <= at_s <= b + TIME_TOLERANCE_S for a, b in finding.at_s)
            ]
            rows.append((show.name, item["source"], item["kind"], "found" if finding and not late else "MISSED"))
            if finding is None or late:
                wrong.append(f"{show.name}: {item['source']} {item['kind']} missed {late}")
        for (source, kind), finding in found.items():
            rows.append((show.name, source, kind, f"FALSE ALARM ({finding.severity})"))
            wrong.append(f"{show.name}: {source} {kind}: {finding.text}")
        if not planted:
            rows.append((show.name, "-", "nothing planted", f"{len(found)} findings"))
            assert not result.first
    print("\n" + "\n".join(f"{show:17} {source:12} {kind:16} {what}" for show, source, kind, what in rows))
    assert not wrong
    assert sum(what == "found" for *_, what in rows) >= least


def test_every_planted_problem_is_found_and_nothing_else(season, checked_show):
    """This week's show, and the one before, which is clean."""
    assert_planted_is_found(_shows(season)[-2:], lambda show: checked_show(show.name).result, least=9)


def test_every_planted_problem_of_the_whole_season_is_found_and_nothing_else(whole_season):
    assert len(_shows(whole_season)) == 5
    assert_planted_is_found(_shows(whole_season), lambda show: check(show).result, least=9)


def test_newest_show_has_three_things_to_do_and_voices_come_first(season, checked_show):
    result = checked_show(_shows(season)[-1].name).result
    assert len(result.first) == 3
    assert result.first[0].source == "lead voice"
    assert all(thing.finding.startswith(thing.source) for thing in result.first)


def test_same_result_whatever_the_number_of_threads(season, checked_show):
    show = _shows(season)[-2]
    assert to_json(check(show, threads=1).result) == to_json(checked_show(show.name).result)


def test_times_are_told_from_the_start_of_the_recording(season):
    show = _shows(season)[-1]
    result = check(show, start_s=30.0, end_s=50.0).result
    piano = next(source for source in result.sources if source.name == "piano")
    (begin, _) = next(finding for finding in piano.findings if finding.kind == "one-sided").at_s[0]
    assert abs(begin - 40.0) < TIME_TOLERANCE_S


def test_same_plan_gives_the_same_bytes(season, tmp_path):
    plans = season_plan(1)
    assert len(plans) >= 5
    [plan] = [plan for plan in plans if plan.name == "show-2026-02-22"]
    make_show(tmp_path, plan)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == sorted(path.name for path in (season / plan.name).iterdir())
    for name in made:
        assert (tmp_path / name).read_bytes() == (season / plan.name / name).read_bytes()


@pytest.fixture(scope="module")
def clean() -> dict[str, np.ndarray]:
    """All tracks of one show without problems."""
    return _tracks(np.random.default_rng(4242), 30.0)


@pytest.mark.parametrize("together", CASES)
def test_each_fault_is_found_and_nothing_is_said_of_the_others(clean, tmp_path, together):
    tracks = {name: sound.copy() for name, sound in clean.items()}
    for plant, *_ in CASES[together]:
        plant(tracks)
    _write(tmp_path, tracks)
    (tmp_path / "house.toml").write_text(house_text(), "utf-8")
    result = check(tmp_path).result
    found = {item.name: {finding.kind: finding for finding in item.findings} for item in result.sources}
    for _, source, kind, times_s in CASES[together]:
        assert kind in found[source], found
        for at_s in times_s:
            assert any(a - TIME_TOLERANCE_S <= at_s <= b + TIME_TOLERANCE_S for a, b in found[source][kind].at_s)
    # one cause, one finding (two inputs that are the same are both named)
    expected = {source: {kind} for _, source, kind, _ in CASES[together]}
    if "voice 3" in expected:
        expected["voice 2"] = {"duplicate"}
    assert {name: set(kinds) for name, kinds in found.items() if kinds} == expected


def test_a_gap_in_what_a_drum_microphone_hears(clean, tmp_path):
    """Between hits there is only bleed: a gap in that is no fault that anybody could hear."""
    tracks = {"snare": clean["snare"].copy(), "bass": clean["bass"]}
    faults.dropouts(tracks, "snare", (20.02,))
    for name, sound in tracks.items():
        soundfile.write(tmp_path / f"{name}.wav", sound, 48000, subtype="PCM_24")
    result = check(tmp_path).result
    found = {item.name: {finding.kind for finding in item.findings} for item in result.sources}
    heard = np.sqrt(np.mean(clean["snare"][round(20.01 * 48000) : round(20.02 * 48000)] ** 2)) >= 0.002
    assert ("dropout" in found["snare"]) == heard


def test_two_microphones_of_one_drum(clean, tmp_path):
    tracks = {"kick in": clean["kick"], "kick out": -0.7 * np.roll(clean["kick"], 30), "bass": clean["bass"]}
    for name, sound in tracks.items():
        soundfile.write(tmp_path / f"{name}.wav", sound, 48000, subtype="PCM_24")
    result = check(tmp_path).result
    found = {item.name: {finding.kind for finding in item.findings} for item in result.sources}
    assert "polarity" in found["kick out"]
    assert "polarity" not in found["kick in"] | found["bass"]


def test_click_in_the_recorded_mix(clean, tmp_path):
    mix = sum(clean[name] for name in ("kick", "snare", "bass", "gtr a l", "lead vox")) * 0.5
    for name, sound in (("click", clean["click"]), ("lead vox", clean["lead vox"])):
        soundfile.write(tmp_path / f"{name}.wav", sound, 48000, subtype="PCM_24")
    house = '[house]\nname = "x"\n[desk]\nmix = ["main l", "main r"]\n[[source]]\nname = "click"\nrole = "click"\n'
    house += 'tracks = ["click"]\n[[source]]\nname = "lead"\nrole = "lead vocal"\ntracks = ["lead vox"]\nnominal = "-22 dBFS"\n'
    (tmp_path / "house.toml").write_text(house)
    for leak, expected in ((0.0, set()), (0.2, {"in-the-mix"})):
        for side in "lr":
            soundfile.write(tmp_path / f"main {side}.wav", mix + leak * clean["click"], 48000, subtype="PCM_24")
        result = check(tmp_path).result
        found = {item.name: {finding.kind for finding in item.findings} for item in result.sources}
        assert found["mix"] == expected
