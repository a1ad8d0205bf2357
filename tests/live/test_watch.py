"""A line check of the invented venue, listened to: every planted fault is told within five seconds of its playing, nothing else is.

Covers, in this order: faults and times; clean line checks; the same readings as a check of the same stretch; what the kept weeks
know; falling behind; the channel map.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.baseline.normal import baseline_of
from deskhand.demo.line_check import LineCheck, make_line_check
from deskhand.demo.venue import house_text
from deskhand.errors import HouseError
from deskhand.findings import say
from deskhand.house import parse_house
from deskhand.live.listen import listen
from deskhand.live.result import result_of
from deskhand.live.ring import Ring
from deskhand.live.watch import Watch, rows_of
from deskhand.recording.held import held_recording
from deskhand.store import KeptPart, TakeRow
from tests.support.line_checks import HOUSE, NAMES, RATE_HZ, data_of, times_s, watched

if TYPE_CHECKING:
    from deskhand.baseline.normal import Baseline

SILENT = {"audience"}


@functools.cache
def made(seed: int, problems: bool) -> LineCheck:
    return make_line_check(np.random.default_rng(seed), problems=problems)


@functools.cache
def heard(seed: int) -> Watch:
    """A clean line check, heard to its end."""
    return watched(data_of(made(seed, False)))


@pytest.fixture(scope="module", autouse=True)
def _let_go():
    """What was heard takes gigabytes: not for the tests that come after these."""
    yield
    made.cache_clear()
    heard.cache_clear()


def test_every_fault_is_told_within_five_seconds_and_nothing_else():
    check = made(31, True)
    watch = watched(data_of(check))
    told = {
        (one.source.name, finding.kind): finding.severity
        for one in watch.line.inputs
        for finding in one.findings
        if finding.severity != "note"
    }
    assert set(told) == set(check.planted)
    # who played at whose turn is a question for the stage; all else is to fix
    assert {severity for (_, kind), severity in told.items() if kind != "swapped"} == {"fix"}
    assert {severity for (_, kind), severity in told.items() if kind == "swapped"} == {"listen"}
    after_s = times_s(watch)
    print({key: round(value, 1) for key, value in after_s.items()})
    assert max(after_s.values()) <= 5.0
    for one in watch.line.inputs:
        if one.source.name not in SILENT:
            assert one.state == "arrived"
            assert one.arrived_s - one.began_s <= 5.0
    assert watch.follower.late == 0


@pytest.mark.parametrize("seed", [41])
def test_a_clean_line_check_says_nothing(seed):
    watch = heard(seed)
    assert {one.source.name for one in watch.line.inputs if one.state != "arrived"} == SILENT
    assert [one.source.name for one in watch.line.inputs if any(f.severity != "note" for f in one.findings)] == []
    assert not [said for said in watch.messages if said.urgent]


def test_the_readings_are_those_of_a_check_of_the_same_stretch(tmp_path):
    """The same audio by the file path: all inputs at once, bleed and all."""
    from deskhand.tasks.check import check

    data = data_of(made(41, False))
    watch = heard(41)
    house_file = tmp_path / "house.toml"
    house_file.write_text(
        "\n".join(line for line in house_text().splitlines() if not line.startswith("fader")), "utf-8"
    )
    for name in ("guitar a", "lead voice", "snare"):
        found = watch.line.by_name[name].stretch
        first, last = round(found.start_s * RATE_HZ), round(found.end_s * RATE_HZ)
        recording = held_recording(data[:, first:last], NAMES, RATE_HZ, start_s=found.start_s)
        result = check(tmp_path / "live", house_path=house_file, recording=recording).result
        there = next(source for source in result.sources if source.name == name).before
        here = found.reading.readings
        assert here.level_dbfs == pytest.approx(there.level_dbfs, abs=0.3)
        for exact in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs"):
            assert getattr(here, exact) == pytest.approx(getattr(there, exact), abs=1e-9), exact
        for band, level in there.tone_db.items():
            if level > -40.0:
                assert here.tone_db[band] == pytest.approx(level, abs=1.0), band
        if there.width_db is not None:
            assert here.width_db == pytest.approx(there.width_db, abs=0.3)


def parts_of(check: LineCheck) -> list[KeptPart]:
    """What would be kept of a line check: each player's turn, measured as the watch does."""
    out = []
    for name, begin_s, end_s in check.turns:
        source = next(one for one in HOUSE.source if one.name == name)
        part = slice(round((begin_s - 2.0) * RATE_HZ), round((end_s + 0.5) * RATE_HZ))
        samples = np.array([check.tracks[str(track)][part] for track in source.tracks], np.float32)
        heard = listen(
            HOUSE, [source], samples, [str(track) for track in source.tracks], RATE_HZ, start_s=0.0,
            taps={name: "preamp"}, players={}, level_dba=80.0,
        )  # fmt: skip
        out += heard[name].parts
    return out


@pytest.mark.parametrize(
    "order",
    [pytest.param((1, 0, 3, 2, 5, 4), id="three-pairs"), pytest.param((2, 1, 0, 3, 4, 5), id="first-and-third")],
)
def test_players_out_of_order_with_every_cable_right(order: tuple[int, ...]):
    """Who played is asked of the stage: nothing is to fix, and nobody is told to pull a cable."""
    check = made(41, False)
    first, last = check.turns[0], check.turns[len(order) - 1]
    step_s = check.turns[1][1] - first[1]
    data = data_of(check)[:, : round((last[2] + 2.0) * RATE_HZ)]
    mixed_up = data.copy()
    for turn, player in enumerate(order):
        here, there = (round((first[1] - 0.5 + step_s * place) * RATE_HZ) for place in (turn, player))
        length = round(step_s * RATE_HZ)
        mixed_up[:, here : here + length] = data[:, there : there + length]
    watch = watched(mixed_up)
    told = {
        one.source.name: [finding for finding in one.findings if finding.kind == "swapped"] for one in watch.line.inputs
    }
    told = {name: findings for name, findings in told.items() if findings}
    assert not any(finding.severity == "fix" for one in watch.line.inputs for finding in one.findings)
    assert {name for name, _, _ in check.turns[: len(order)]} <= {
        one.source.name for one in watch.line.inputs if one.state == "arrived"
    }
    # one question for each two, at the one that came first
    moved = {
        frozenset({check.turns[turn][0], check.turns[player][0]}) for turn, player in enumerate(order) if turn != player
    }
    assert {frozenset({name, findings[0].other}) for name, findings in told.items()} == moved
    assert len(told) == len(moved)
    result = result_of(watch, name="x", date=None, phase="line-check", tap="preamp", players={}, notes=())
    assert not result.first
    for findings in told.values():
        assert [(finding.kind, finding.severity) for finding in findings] == [("swapped", "listen")]
        assert "who was playing?" in say(findings[0])
    assert not any(
        "swap their" in said.text or (said.urgent and "was expected" in said.text) for said in watch.messages
    )


def kept_weeks(*seeds: int) -> Baseline:
    """Baseline of kept line checks, of what is right in them."""
    rows = []
    for week, seed in enumerate(seeds, 1):
        take = TakeRow(
            id=week, house="x", show=f"week {week}", date=None, phase="line-check", duration_s=1.0, recording="", house_hash="",
            note="", kept_by="", kept_at=f"{week:04d}", forgotten_by=None, forgotten_at=None,
        )  # fmt: skip
        wrong = {source for source, _ in made(seed, seed == 31).planted}
        rows += [(take, part) for part in parts_of(made(seed, seed == 31)) if part.source not in wrong]
    return baseline_of(rows, (), taps={source.name: "preamp" for source in HOUSE.source}, chains={})


def test_an_input_is_told_that_is_not_as_in_its_kept_line_checks():
    """The bass was 9 dB louder in every kept line check; all others are as always."""
    watch = heard(41)
    rng = np.random.default_rng(5)
    rows = []
    for week in range(1, 7):
        take = TakeRow(
            id=week, house="x", show=f"week {week}", date=None, phase="line-check", duration_s=1.0, recording="", house_hash="",
            note="", kept_by="", kept_at=f"{week:04d}", forgotten_by=None, forgotten_at=None,
        )  # fmt: skip
        for part in (part for parts in watch.parts.values() for part in parts if part.stage == "turn"):
            change_db = rng.normal(0.0, 0.7) + (9.0 if part.source == "bass" else 0.0)
            values = {name: (value + change_db, pm) for name, (value, pm) in part.values.items()}
            values |= {"passages": (1.0, None), "noise_dbfs": part.values.get("noise_dbfs", (-90.0, None))}
            rows.append((take, replace(part, values=values, take=week)))
    watch.baseline = baseline_of(rows)
    try:
        told = {entry.source.name: watch._unlike_before(entry) for entry in watch.line.inputs}
    finally:
        watch.baseline = None
    memories = {entry.source.name: entry.memory for entry in watch.line.inputs if entry.memory is not None}
    assert {name for name, findings in told.items() if findings} == {"bass"}
    assert say(told["bass"][0]).startswith("9 dB quieter than in any of its 6 line checks; look at its gain")
    assert len(memories) > 12
    assert {memory.verdict for name, memory in memories.items() if name != "bass"} == {"as always"}


def in_place_of(check: LineCheck, first: str, second: str) -> np.ndarray:
    """The turns of two sources alone, in the other order: all cables right."""
    turns = {name: begin_s for name, begin_s, _ in check.turns}
    data, length = data_of(check), round(9.0 * RATE_HZ)
    here, there = (round((turns[name] - 0.5) * RATE_HZ) for name in (first, second))
    data[:, here : here + length], data[:, there : there + length] = (
        data[:, there : there + length].copy(),
        data[:, here : here + length].copy(),
    )
    return data[:, : there + length + round(2.0 * RATE_HZ)]


def test_kept_weeks_that_know_each_input_leave_nothing_to_ask():
    """Bass and acoustic guitar take each other's turn: both sound like themselves, and nobody is asked who played."""
    data = in_place_of(made(43, False), "bass", "acoustic")
    for baseline, asked in ((None, [("acoustic", "bass")]), (kept_weeks(31, 41), [])):
        watch = watched(data, baseline=baseline)
        assert watch.line.by_name["acoustic"].came_at == watch.line.by_name["bass"].turn
        told = [
            (entry.source.name, finding.other)
            for entry in watch.line.inputs
            for finding in entry.findings
            if finding.kind in ("swapped", "wrong-patch")
        ]
        assert told == asked
        assert sum("who was playing" in message.text for message in watch.messages) == len(asked)


def test_kept_weeks_tell_who_is_in_the_wrong_place():
    """Bass and acoustic guitar exchanged, and played at each other's turn so that the order says nothing: the house knows its bass."""
    baseline = kept_weeks(31, 41)
    check = made(43, False)
    turns = {name: (begin, end) for name, begin, end in check.turns}
    data = data_of(check)[:, : round((turns["acoustic"][1] + 2.0) * RATE_HZ)]
    bass, acoustic = NAMES.index("bass"), NAMES.index("agtr")
    swapped = data.copy()
    length = round(8.0 * RATE_HZ)
    one, other = (round((turns[name][0] - 0.5) * RATE_HZ) for name in ("bass", "acoustic"))
    swapped[bass, one : one + length] = data[acoustic, other : other + length]
    swapped[acoustic, other : other + length] = data[bass, one : one + length]
    watch = watched(swapped, baseline=baseline)
    told = {one.source.name: {finding.kind for finding in one.findings} for one in watch.line.inputs if one.findings}
    assert told.get("acoustic", set()) & {"swapped", "wrong-patch"}
    # whoever plays at another's turn sounds like that other: it is asked who played, and no cable is pulled
    mistaken = [
        finding for one in watch.line.inputs for finding in one.findings if finding.kind in ("swapped", "wrong-patch")
    ]
    assert {finding.severity for finding in mistaken} == {"listen"}
    assert all("who was playing" in say(finding) for finding in mistaken)
    # and of those before them, who are where they belong, nothing is said
    assert not told.keys() & {"kick", "snare", "overheads", "guitar a", "guitar b"}


def test_what_came_too_fast_is_counted_and_said():
    ring = Ring.of(2, RATE_HZ)
    watch = Watch(house=HOUSE, inputs=[], ring=ring, sample_rate_hz=RATE_HZ, taps={}, players={})
    for _ in range(50):
        ring.write(np.zeros((2, RATE_HZ // 10), np.float32))
    watch.advance()
    assert watch.follower.late > 3 * RATE_HZ
    assert watch.follower.position == ring.written
    assert any("came too fast" in said.text for said in watch.messages)


def test_the_channel_map_comes_from_the_house_file():
    by_number = rows_of(HOUSE, None, 32)
    assert {source.name: rows for source, rows in by_number}["guitar a"] == (5, 6)
    assert [source.name for source, _ in by_number] == [source.name for source in HOUSE.source]
    with pytest.raises(HouseError, match=r'"acoustic"|channel 10'):
        rows_of(HOUSE, None, 9)
    bare = parse_house(
        '[house]\nname = "x"\n[[source]]\nname = "piano"\nrole = "keys"\ntracks = ["a", "b"]\n', Path("h")
    )
    with pytest.raises(HouseError, match=r'source "piano": has no number .* channel = "7/8"'):
        rows_of(bare, None, 32)
    by_name = rows_of(HOUSE, NAMES[:-1], 22)
    assert "click" not in {source.name for source, _ in by_name}


def test_what_was_played_before_a_pause_is_not_heard_again(monkeypatch: pytest.MonkeyPatch):
    """A second stretch of playing is judged from 0.3 s behind the first one on, though a look begins eight seconds earlier."""
    starts_s: list[float] = []

    def heard_from(*arguments, start_s, **options):
        starts_s.append(start_s)
        return listen(*arguments, start_s=start_s, **options)

    monkeypatch.setattr("deskhand.live.watch.listen", heard_from)
    rng = np.random.default_rng(7)
    data = (1e-4 * rng.standard_normal((len(NAMES), 11 * RATE_HZ))).astype(np.float32)
    for first_s, last_s in ((1, 5), (7, 11)):
        data[0, first_s * RATE_HZ : last_s * RATE_HZ] += 0.1 * rng.standard_normal(4 * RATE_HZ).astype(np.float32)
    watched(data)
    later = [start_s for start_s in starts_s if start_s > 1.0]
    assert later
    # the next whole step
    assert 5.3 <= min(later) <= 5.8
