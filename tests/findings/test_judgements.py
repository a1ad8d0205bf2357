"""From numbers outside their range to words: the right ones for the sign and the band, no more than can be heard, never a fault.

The words are the project's own (common practice, no source). The budget and the least difference are imported, as they may be
tuned.
"""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.baseline.drift import chart
from deskhand.baseline.identity import Mispatch
from deskhand.baseline.kept import MIX, Drift
from deskhand.baseline.normal import TONE, Normal, judge_parts
from deskhand.baseline.numbers import BY_NAME, LEVEL, MIX_NUMBERS, NUMBERS
from deskhand.findings import (
    KINDS,
    judge_drifts,
    judge_mistaken,
    judge_mix_loss,
    judge_normals,
    judge_reversed,
    say,
)
from deskhand.findings.judgements import LEAST_NOTICEABLE, MIX_STAGE, SHOW_BUDGET, tone_change
from deskhand.house import ROLES
from deskhand.measure.passages import OCTAVES_HZ
from deskhand.measure.stereo import MonoFlip
from tests.support.hypotheses import examples
from tests.support.weeks import Weeks, part

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings import Finding

few: Final = settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)
HEAR_S: Final = (12.0, 14.0)
HARSH_S: Final = ((30.0, 31.0), (50.0, 52.0))
JUDGED: Final = tuple(role for role in ROLES if ROLES[role].shaped)
NOT_JUDGED: Final = ("audience", "click", "talkback")
"""Roles nobody shapes by ear."""
MIX_MONO_LOSS_DB: Final = KINDS["mono-loss"]["mix_db"]


def tone_normal(off_db: Sequence[float], *, expected_db: float = -10.0, **more: object) -> Normal:
    """A tone that is off by so much in each octave."""
    bands = {
        f"{hz}": (expected_db + off, expected_db, expected_db - 1.0, expected_db + 1.0)
        for hz, off in zip(OCTAVES_HZ, off_db, strict=True)
    }
    values = np.array(off_db) - np.median(off_db)
    worst = int(np.argmax(np.abs(values)))
    made = Normal(
        name=TONE,
        stage="tap",
        measured=expected_db + off_db[worst],
        expected=expected_db,
        low=expected_db - 1.0,
        high=expected_db + 1.0,
        unit="dB",
        kept=8,
        by_player=0,
        probability=1e-9,
        noticeable=float(np.abs(values).max()),
        bands_db=bands,
    )
    return replace(made, **more)


def number_normal(name: str, measured: float, expected: float, **more: object) -> Normal:
    number = BY_NAME[name]
    made = Normal(
        name=name,
        stage=number.stage,
        measured=measured,
        expected=expected,
        low=0.9 * expected,
        high=1.1 * expected,
        unit=number.unit,
        kept=8,
        by_player=0,
        probability=1e-9,
        noticeable=abs(number.to_scale(measured) - number.to_scale(expected)) / number.jnd,
    )
    return replace(made, **more)


def judged(
    normals: Mapping[str, Sequence[Normal]],
    *,
    role: str = "keys",
    learned: bool = True,
    roles: Mapping[str, str] | None = None,
    relearning: Sequence[str] = (),
    newcomers: Sequence[str] = (),
) -> dict[str, list[Finding]]:
    return judge_normals(
        normals,
        roles or dict.fromkeys(normals, role),
        learned=learned,
        relearning=relearning,
        newcomers=newcomers,
        hear_s=lambda _: HEAR_S,
        harsh_s=lambda _: HARSH_S,
    )


def one(normal: Normal, **more: object) -> Finding:
    (found,) = judged({"piano": [normal]}, **more)["piano"]
    return found


def test_a_number_of_which_too_few_are_of_todays_definition_is_noted() -> None:
    normals = {"piano": [number_normal("tail", 1.0, 0.4), number_normal("width", 3.0, 9.0)]}
    severities = {one.kind: one.severity for one in judged(normals, relearning=["tail"])["piano"]}
    assert severities == {"tail": "note", "width": "listen"}
    assert {one.severity for one in judged(normals)["piano"]} == {"listen"}


@pytest.mark.source("common practice, no source: another person sounds like another person")
def test_somebody_new_sounds_new() -> None:
    normals = {"piano": [number_normal("tail", 1.0, 0.4)], "bass": [number_normal("tail", 1.0, 0.4)]}
    findings = judged(normals, newcomers=["piano"])
    assert [findings[source][0].severity for source in ("piano", "bass")] == ["note", "listen"]


@pytest.mark.source("common practice, no source: a horn or a fiddle has a sound of its own, as all others have")
def test_an_input_without_a_role_of_its_own_is_judged_like_all() -> None:
    assert [
        finding.severity for finding in judged({"horn": [number_normal("tail", 1.0, 0.4)]}, role="other")["horn"]
    ] == ["listen"]


@pytest.mark.source("common practice, no source: another song of a machine is another recording")
def test_what_a_machine_plays_is_noted_but_for_its_balance() -> None:
    normals = {"loops": [number_normal("tail", 1.0, 0.4), number_normal("balance", 0.0, 8.0)]}
    for role, expected in (("playback", {"note", "listen"}), ("keys", {"listen"})):
        assert {finding.severity for finding in judged(normals, role=role)["loops"]} == expected
    assert next(f for f in judged(normals, role="playback")["loops"] if f.kind == "width").severity == "listen"


# the words


@pytest.mark.parametrize(
    ("octave", "more_db", "word"),
    [
        pytest.param(63, 6.0, "boomier", id="more-63"),
        pytest.param(125, 6.0, "boomier", id="more-125"),
        pytest.param(250, 6.0, "thicker", id="more-250"),
        pytest.param(500, 6.0, "boxier", id="more-500"),
        pytest.param(1000, 6.0, "more nasal", id="more-1000"),
        pytest.param(2000, 6.0, "harder", id="more-2000"),
        pytest.param(4000, 6.0, "brighter", id="more-4000"),
        pytest.param(8000, 6.0, "sharper", id="more-8000"),
        pytest.param(63, -6.0, "thinner", id="less-63"),
        pytest.param(250, -6.0, "leaner", id="less-250"),
        pytest.param(500, -6.0, "hollower", id="less-500"),
        pytest.param(2000, -6.0, "more distant", id="less-2000"),
        pytest.param(4000, -6.0, "duller", id="less-4000"),
        pytest.param(8000, -6.0, "duller", id="less-8000"),
    ],
)
def test_a_tone_is_told_by_octave_and_sign(octave: int, more_db: float, word: str) -> None:
    off_db = [more_db if hz == octave else 0.0 for hz in OCTAVES_HZ]
    found = one(tone_normal(off_db))
    assert say(found).startswith(f"{word} than usual: 6 dB {'more' if more_db > 0 else 'less'} at ")
    place = f"{octave // 1000} kHz" if octave >= 1000 else f"{octave} Hz"
    assert f" at {place};" in say(found)
    assert found.kind == "tone"
    # the octave's own edges
    assert found.band_hz == (pytest.approx(octave / 2**0.5, abs=0.06), pytest.approx(octave * 2**0.5, abs=0.06))


@pytest.mark.parametrize(
    ("off_db", "told", "band_hz"),
    [
        pytest.param((0, 0, 0, 0, 0, 3.5, 6, 0), "6 dB more from 2 kHz to 4 kHz", (1414.2, 5656.9), id="two-octaves"),
        pytest.param((0, 0, 0, 0, 0, 2.5, 6, 0), "6 dB more at 4 kHz", (2828.4, 5656.9), id="not-half-as-much"),
        pytest.param((-5, -6, -4, 0, 0, 0, 0, 0), "6 dB less from 63 Hz to 250 Hz", (44.5, 353.6), id="to-the-lowest"),
        pytest.param((0, 0, 0, 0, 0, 0, 4, 7), "7 dB more from 4 kHz to 8 kHz", (2828.4, 11313.7), id="to-the-highest"),
        pytest.param(
            (0, 0, 6, -6.5, 6, 0, 0, 0), "6.5 dB less at 500 Hz", (353.6, 707.1), id="neighbours-the-other-way"
        ),
        # a bump in the loudest octave lowers all others against the whole
        pytest.param((-4, 2, -4, -4, -4, -4, -4, -4), "6 dB more at 125 Hz", (88.4, 176.8), id="against-the-most"),
    ],
)
def test_the_octaves_that_go_together(off_db: Sequence[float], told: str, band_hz: tuple[float, float]) -> None:
    change = tone_change(tone_normal(off_db))
    assert told in say(one(tone_normal(off_db)))
    assert change.band_hz == pytest.approx(band_hz, abs=0.1)
    assert change.off_db == pytest.approx(float(re.search(r"[0-9.]+", told)[0]) * (1 if "more" in told else -1))


@given(off_db=st.lists(st.floats(-12.0, 12.0), min_size=8, max_size=8))
@few
def test_a_tone_is_told_as_far_off_as_it_is(off_db: list[float]) -> None:
    normal = tone_normal(off_db)
    change = tone_change(normal)
    low_hz, high_hz = change.band_hz
    assert abs(change.off_db) == pytest.approx(normal.noticeable)
    # what can hardly be heard would make no finding
    found = one(replace(normal, noticeable=9.0))
    assert found.what == ("more" if change.off_db > 0 else "less")
    assert f" dB {found.what} " in say(found)
    # the octave that is furthest off lies in the band
    values = np.array(off_db) - np.median(off_db)
    furthest = [hz for hz, value in zip(OCTAVES_HZ, values, strict=True) if abs(value) > np.abs(values).max() - 1e-9]
    assert any(low_hz < hz < high_hz for hz in furthest)


def test_what_is_measured_agrees_with_what_is_said(rng: np.random.Generator) -> None:
    # a bass with a bump in the octaves that are most of it: against the whole all the others fall
    bass = np.array([-12.0, -1.0, -10.0, -16.0, -22.0, -26.0, -30.0, -30.0])
    kept = Weeks()
    for _ in range(10):
        kept.add(part(bass + 0.3 * rng.standard_normal(8), source="bass", role="bass"))
    bump = bass + np.array([0.0, 8.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    normals = judge_parts(kept.baseline(), [part(bump, source="bass", role="bass")])
    (found,) = judged(normals, role="bass")["bass"]
    told_db = float(re.search(r"([0-9.]+) dB more", say(found))[1])
    assert found.measured - found.expected == pytest.approx(told_db, abs=0.1)
    assert not found.low <= found.measured <= found.high


SAID: Final[dict[str, tuple[float, float, str, float, str]]] = {
    # number: usual, more, what is said of it, less, what is said of it
    "tail": (0.8, 1.6, "rings longer than usual (1.6 s where 0.8 s is usual)", 0.4, "dies away sooner than usual (0.4 s where 0.8 s is usual)"),
    "articulation": (6.0, 10.0, "begin 4 dB more sharply", 2.0, "begin 4 dB less clearly"),
    "width": (-8.0, -4.0, "4 dB wider than usual", -12.0, "4 dB narrower than usual"),
    "balance": (0.5, 4.5, "its right is 4 dB stronger against its left", -3.5, "its left is 4 dB stronger against its right"),
    "dynamics": (14.0, 18.0, "stand out 4 dB more than usual", 10.0, "stand out 4 dB less than usual"),
    "mono-loss": (-1.0, 0.0, "loses 0 dB in mono where 1 dB is usual", -4.0, "loses 4 dB in mono where 1 dB is usual"),
}  # fmt: skip


@pytest.mark.parametrize("way", [pytest.param(way, id=way) for way in ("more", "less")])
@pytest.mark.parametrize("name", [pytest.param(name, id=name) for name in SAID])
def test_a_number_is_told_by_its_sign(name: str, way: str) -> None:
    usual, more, said_more, less, said_less = SAID[name]
    found = one(number_normal(name, more if way == "more" else less, usual, noticeable=9.0))
    assert (said_more if way == "more" else said_less) in say(found)
    assert (said_less if way == "more" else said_more) not in say(found)
    assert (found.kind, found.metric, found.unit) == (
        {"balance": "width"}.get(name, name),
        BY_NAME[name].metric,
        BY_NAME[name].unit,
    )
    assert (found.measured, found.expected) == (more if way == "more" else less, usual)


def test_harsh_is_told_with_its_moments() -> None:
    found = one(number_normal("harsh", 40.0, 20.0))
    assert "harsher than usual: 40 % of its loudness" in say(found)
    assert "where 20 % is usual" in say(found)
    assert found.band_hz == (2000.0, 5000.0)
    assert found.at_s == HARSH_S


@pytest.mark.parametrize("role", [pytest.param(role, id=role.replace(" ", "-")) for role in JUDGED])
def test_somebody_is_asked_before_an_equaliser_is_turned(role: str) -> None:
    text = say(one(tone_normal([0, 0, 0, 0, 0, 0, 6, 0]), role=role))
    assert "listen, and " in text
    assert text.endswith("before turning an equaliser")


# what is raised, and how


def every_normal() -> list[Normal]:
    """All numbers of a source, far out."""
    return [
        tone_normal([0, 0, 0, 0, 0, 0, 6, 0]),
        *(number_normal(number.name, 40.0, 20.0, noticeable=5.0 + at) for at, number in enumerate(NUMBERS)),
    ]


def test_a_judgement_is_never_a_fault() -> None:
    for learned, severity in ((True, "listen"), (False, "note")):
        found = judged({"piano": every_normal()}, learned=learned)["piano"]
        assert len(found) == len(NUMBERS) + 1
        assert {finding.severity for finding in found} == {severity}
        assert all(finding.hear_s == HEAR_S for finding in found)


def test_ids_are_unique_and_stay() -> None:
    found = judged({"piano": every_normal(), "organ": every_normal()})
    ids = [finding.id for several in found.values() for finding in several]
    assert len(set(ids)) == len(ids) == 2 * (len(NUMBERS) + 1)
    # of a source and a number: the same next week, whatever is measured and whatever else is raised
    assert one(number_normal("width", 3.0, 1.0, noticeable=4.0)).id == "piano/width"
    assert one(number_normal("balance", 3.0, 1.0, noticeable=4.0)).id == "piano/balance"
    assert {finding.id for finding in found["piano"]} == {
        f"piano/{name}" for name in (TONE, *(n.name for n in NUMBERS))
    }


def test_the_most_audible_first() -> None:
    found = judged(
        {"piano": [replace(normal, probability=1e-9 / (1 + at)) for at, normal in enumerate(every_normal())]}
    )
    noticeable = [finding.noticeable for finding in found["piano"]]
    assert noticeable == sorted(noticeable, reverse=True)


def test_what_can_hardly_be_heard_is_not_said() -> None:
    barely, clearly = (
        number_normal("articulation", 8.0, 6.0, noticeable=LEAST_NOTICEABLE * factor) for factor in (0.99, 1.01)
    )
    assert judged({"piano": [barely]})["piano"] == []
    assert len(judged({"piano": [clearly]})["piano"]) == 1


def test_what_is_not_sure_is_not_said() -> None:
    for factor, count in ((0.99, 1), (1.01, 0)):
        far = number_normal("articulation", 60.0, 6.0, probability=factor * SHOW_BUDGET)
        assert len(judged({"piano": [far]})["piano"]) == count


def test_the_budget_is_one_for_the_whole_show() -> None:
    # what is sure enough of one number alone is not among fifty
    far = number_normal("articulation", 60.0, 6.0, probability=0.5 * SHOW_BUDGET)
    usual = number_normal("tail", 0.8, 0.8, probability=0.9)
    assert len(judged({"piano": [far]})["piano"]) == 1
    crowd = {"piano": [far], **{f"source {at}": [usual] for at in range(50)}}
    assert judged(crowd)["piano"] == []
    # sources that nobody judges take no share of it
    roles = {name: "keys" if name == "piano" else "audience" for name in crowd}
    assert len(judged(crowd, roles=roles)["piano"]) == 1


def test_false_judgements_keep_to_the_budget(rng: np.random.Generator) -> None:
    # clean shows: probabilities are uniform, and everything could be heard
    shows = raised = 0
    for _ in range(4000):
        show = {
            f"source {source}": [
                number_normal(number.name, 40.0, 20.0, noticeable=9.0, probability=float(probability))
                for number, probability in zip(NUMBERS, rng.uniform(size=len(NUMBERS)), strict=True)
            ]
            for source in range(4)
        }
        shows += 1
        raised += any(judged(show).values())
    # four standard errors
    assert raised / shows == pytest.approx(SHOW_BUDGET, abs=4 * (SHOW_BUDGET / shows) ** 0.5 + SHOW_BUDGET**2)


@pytest.mark.parametrize("role", [pytest.param(role, id=role) for role in sorted(NOT_JUDGED)])
def test_nobody_shapes_these(role: str) -> None:
    assert not any(judged({"piano": every_normal()}, role=role).values())


@pytest.mark.parametrize("role", [pytest.param(role, id=role.replace(" ", "-")) for role in JUDGED])
def test_everybody_else_is_judged(role: str) -> None:
    assert len(judged({"piano": every_normal()}, role=role)["piano"]) == len(NUMBERS) + 1


def test_the_mix_has_its_own() -> None:
    normals = [tone_normal([0, 0, 0, 0, 0, 0, 6, 0], stage=MIX_STAGE)]
    normals += [number_normal(number.name, -6.0 if "loss" in number.name else 40.0, -1.0 if "loss" in number.name else 20.0, stage=MIX_STAGE) for number in MIX_NUMBERS]  # fmt: skip
    found = judged({MIX: normals}, role=MIX)[MIX]
    assert {finding.id for finding in found} == {f"{MIX}/tone", f"{MIX}/mono-loss", f"{MIX}/harsh"}
    assert {finding.stage for finding in found} == {"after"}
    # there is no excerpt of a mix that nobody recorded
    assert all(finding.hear_s is None for finding in found)


def test_kinds_and_stages_are_of_the_contract() -> None:
    for finding in judged({"piano": every_normal()})["piano"]:
        assert finding.kind in KINDS
        assert finding.stage == ("after" if finding.kind in ("dynamics", "harsh") else "tap")
        assert finding.noticeable is not None


def test_a_mix_before_anything_is_kept() -> None:
    def mix(loss_db: float | None) -> list[Finding]:
        return judge_mix_loss(SimpleNamespace(mono_loss_db=loss_db))

    assert mix(None) == mix(0.0) == mix(MIX_MONO_LOSS_DB) == []
    (found,) = mix(MIX_MONO_LOSS_DB - 1.5)
    assert (found.kind, found.severity) == ("mono-loss", "listen")
    assert f"loses {-MIX_MONO_LOSS_DB + 1.5:g} dB in mono" in say(found)


# faults and drift


def test_exchanged_inputs_are_a_fault_of_both() -> None:
    found = judge_mistaken(
        [
            Mispatch(source="piano", like="organ", exchanged=True, nats=31.04, sure=True),
            Mispatch(source="organ", like="piano", exchanged=True, nats=31.04, sure=True),
            Mispatch(source="bass", like="click", exchanged=False, nats=44.0, sure=True),
        ]
    )
    assert {source: (one.id, one.kind, one.severity) for source, one in found.items()} == {
        "piano": ("piano/swapped", "swapped", "fix"),
        "organ": ("organ/swapped", "swapped", "fix"),
        "bass": ("bass/wrong-patch", "wrong-patch", "fix"),
    }
    assert {source: (one.what, one.other) for source, one in found.items()} == {
        "piano": ("exchanged", "organ"),
        "organ": ("exchanged", "piano"),
        "bass": ("unlike", "click"),
    }
    assert "organ" in say(found["piano"])
    assert "who was playing at each?" in say(found["piano"])
    assert "click" in say(found["bass"])
    assert "swapped" not in say(found["bass"])
    # cables are pulled with the channel muted, and people told
    assert all("muted" in say(one) for one in found.values())
    assert found["piano"].measured == 31.0


def test_where_somebody_new_may_play_it_is_a_question() -> None:
    found = judge_mistaken(
        [
            Mispatch(source="piano", like="organ", exchanged=True, nats=31.0, sure=False),
            Mispatch(source="bass", like="click", exchanged=False, nats=44.0, sure=False),
        ]
    )
    assert {finding.severity for finding in found.values()} == {"listen"}
    for finding in found.values():
        assert "ask who played before touching a cable" in say(finding)
        assert "swap" not in say(finding)


def test_a_side_that_is_upside_down_is_a_fault() -> None:
    found = judge_reversed(["piano", "organ"])
    assert {one.id for one in found.values()} == {"piano/polarity", "organ/polarity"}
    assert {(one.kind, one.severity) for one in found.values()} == {("polarity", "fix")}
    assert judge_reversed([]) == {}


def test_a_flip_against_the_kept_weeks_is_advised_only_where_mono_gains_by_it() -> None:
    """The kept weeks may be the ones that lost in mono: what was exchanged is told, and the polarity switch left alone."""
    flips = {
        "piano": MonoFlip(loss_db=-9.3, flipped_loss_db=-0.4, sure=True),
        "organ": MonoFlip(loss_db=-0.4, flipped_loss_db=-9.3, sure=False),
        "keys": MonoFlip(loss_db=-np.inf, flipped_loss_db=0.0, sure=True),
    }
    found = judge_reversed(["piano", "organ", "keys"], flips)
    assert {name: one.severity for name, one in found.items()} == {"piano": "fix", "organ": "listen", "keys": "fix"}
    assert (found["piano"].metric, found["piano"].measured, found["piano"].expected) == ("mono_loss_db", -9.3, -0.4)
    assert "mono loses 9.3 dB as it is, 0.4 dB with one reversed" in say(found["piano"])
    assert found["piano"].advice == ("exchanged-cable-or-reverse",)
    assert "reverse the polarity of one side" in say(found["piano"])
    assert "mono loses 0.4 dB as it is, 9.3 dB with one reversed" in say(found["organ"])
    assert found["organ"].advice == ("exchanged-cable",)
    assert "reverse the polarity" not in say(found["organ"])
    assert "mono loses everything as it is" in say(found["keys"])
    assert found["keys"].measured is None


def test_a_drift_is_a_judgement() -> None:
    def drifted(name: str, start: float, step: float) -> Drift:
        number = LEVEL if name == "level" else BY_NAME[name]
        values = start + step * np.arange(20)
        found = chart(values, abs(step), 3.0, np.arange(20.0))
        assert found is not None
        return Drift(source="piano", number=number, chart=found)

    found = judge_drifts([drifted("level", -18.0, -0.4), drifted("tail", 0.0, 0.1), drifted("dynamics", 14.0, 0.3)])[
        "piano"
    ]
    assert [finding.id for finding in found] == ["piano/drift-level", "piano/drift-tail", "piano/drift-dynamics"]
    assert {finding.kind for finding in found} == {"drift"}
    # whoever plays makes tails and peaks: no cable does
    assert [finding.severity for finding in found] == ["listen", "note", "note"]
    assert [finding.stage for finding in found] == ["tap", "tap", "after"]
    assert [finding.metric for finding in found] == ["level_dbfs", "tail_s", "crest_db"]
    # where it was, and where its average is now, in its unit
    level, tail, _ = found
    assert level.expected == pytest.approx(-18.0 - 0.4 * 2.5, abs=0.01)
    assert level.measured < level.expected
    assert tail.expected == pytest.approx(2.0**0.25, abs=0.001)
    assert tail.measured > 1.8
    assert judge_drifts([]) == {}
