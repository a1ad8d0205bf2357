"""One cause, one finding: what follows from a fault is not said again; what people dismissed is a note, for as long as they said.

Which kind explains which is the project's own (common practice, no source): the table here is written from what a fault does
to a signal, not from the code's.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.findings import KINDS, Finding, causes_only, say, with_dismissals
from deskhand.findings.causes import _WORSE
from deskhand.store import Dismissal
from tests.support.hypotheses import examples

if TYPE_CHECKING:
    from deskhand.findings import KindName as Kind
    from deskhand.findings import Severity

few: Final = settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)
JUDGEMENTS: Final = ("tone", "dynamics", "tail", "articulation", "width", "mono-loss", "harsh", "sound-step", "drift")
HALF_GONE_DB: Final = KINDS["one-sided"]["half_gone_db"]
TONIGHT: Final = ("Sunday", "2026-03-08")


def found(kind: Kind, severity: Severity | None = None, **more: object) -> Finding:
    made = Finding(
        id=f"piano/{kind}",
        kind=kind,
        stage="tap",
        severity=severity or ("listen" if kind in JUDGEMENTS else "fix"),
        what="more",
    )
    return replace(made, **more)


def kinds(findings: list[Finding]) -> list[str]:
    return [finding.kind for finding in findings]


# what follows from what


@pytest.mark.parametrize(
    ("cause", "follows"),
    [
        # nothing arrives: there is no sound of which anything could be said
        pytest.param("silent", [*JUDGEMENTS, "level-low", "vocal-covered"], id="silent"),
        # it is another source: everything is unlike what was kept of this one
        pytest.param("wrong-patch", [*JUDGEMENTS, "level-low", "level-high"], id="wrong-patch"),
        pytest.param("swapped", [*JUDGEMENTS, "level-low", "level-high"], id="swapped"),
        # twice the same: the one that should not be there does not sound like itself
        pytest.param("duplicate", [*JUDGEMENTS, "level-high", "wrong-patch", "swapped"], id="duplicate"),
        # a dead side takes its part of tone and all of the width
        pytest.param("one-sided", [*JUDGEMENTS], id="one-sided"),
        # sides against each other cancel in the middle
        pytest.param("polarity", ["width", "mono-loss", "tone"], id="polarity"),
        pytest.param("delay", ["width", "mono-loss", "tone"], id="delay"),
        # cut peaks are less dynamic and brighter
        pytest.param("clipped", ["dynamics", "tone", "harsh", "articulation"], id="clipped"),
        # what sounds on in the pauses lengthens tails and fills the spectrum
        pytest.param("hum", ["tone", "tail", "articulation"], id="hum"),
        pytest.param("noise", ["tone", "tail", "articulation", "harsh"], id="noise"),
        pytest.param("howl", ["tone", "harsh", "tail"], id="howl"),
        pytest.param("level-high", ["dynamics"], id="level-high"),
        pytest.param("level-low", ["dynamics"], id="level-low"),
        pytest.param("tone", ["harsh"], id="tone"),
        pytest.param("tail", ["articulation"], id="tail"),
        pytest.param("width", ["mono-loss"], id="width"),
    ],
)
def test_what_a_cause_explains(cause: Kind, follows: list[Kind]) -> None:
    findings = [found(cause), *(found(kind) for kind in follows)]
    assert kinds(causes_only(findings)) == [cause]
    # in whatever order they come
    assert kinds(causes_only(findings[::-1])) == [cause]
    # and each of them is said where the cause is not there
    for kind in follows:
        assert kinds(causes_only([found(kind)])) == [kind]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        pytest.param("hum", "dynamics", id="hum-dynamics"),
        pytest.param("hum", "level-low", id="hum-level"),
        pytest.param("clipped", "width", id="clipped-width"),
        pytest.param("clipped", "level-high", id="clipped-level"),
        pytest.param("polarity", "tail", id="polarity-tail"),
        pytest.param("level-low", "tone", id="level-tone"),
        pytest.param("level-high", "clipped", id="level-clipped"),
        pytest.param("tone", "tail", id="tone-tail"),
        pytest.param("width", "tone", id="width-tone"),
        pytest.param("missing", "unmatched-track", id="missing-unmatched"),
        pytest.param("dropout", "hum", id="dropout-hum"),
        pytest.param("dynamics", "tone", id="dynamics-tone"),
    ],
)
def test_two_causes_are_both_said(one: Kind, other: Kind) -> None:
    assert kinds(causes_only([found(one), found(other)])) == [one, other]
    assert kinds(causes_only([found(other), found(one)])) == [other, one]


@given(drawn=st.lists(st.sampled_from(list(KINDS)), min_size=1, max_size=8, unique=True))
@few
def test_something_is_always_left_and_in_its_order(drawn: list[Kind]) -> None:
    findings = [found(kind) for kind in drawn]
    left = causes_only(findings)
    # kinds must not explain each other in a circle, or all of them would be gone
    assert left
    assert left == [finding for finding in findings if finding in left]
    # doing it once more takes nothing away
    assert causes_only(left) == left
    # faults that explain nothing and are explained by nothing are as they were
    assert [one for one in left if one.kind in ("dropout", "clicks", "dc")] == [
        one for one in findings if one.kind in ("dropout", "clicks", "dc")
    ]


def test_kinds_do_not_explain_themselves_in_a_circle() -> None:
    def reaches(kind: str, seen: tuple[str, ...]) -> None:
        assert kind not in seen, f"{' -> '.join((*seen, kind))}"
        for other in KINDS[kind].explains:
            if other != kind:
                reaches(other, (*seen, kind))

    for kind in KINDS:
        reaches(kind, ())
    assert set().union(*(kind.explains for kind in KINDS.values())) <= set(KINDS)
    for kind in KINDS.values():
        assert set(kind.explains_up_to) <= set(KINDS)
        assert set(kind.explains_up_to.values()) <= set(kind.limits)
        assert set().union(*kind.explains_in_case.values()) <= set(KINDS)


def test_several_of_one_kind_do_not_explain_each_other() -> None:
    sides = [found("clipped", track="left"), found("clipped", id="piano/clipped-2", track="right")]
    assert causes_only(sides) == sides
    width = [found("width"), found("width", id="piano/balance")]
    assert causes_only(width) == width


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in ("hum", "level-high", "one-sided", "silent")])
def test_a_note_of_a_fault_explains_nothing(kind: Kind) -> None:
    # a fault that is hardly there is a note: it cannot be why the tone has changed
    findings = [found(kind, "note"), found("tone"), found("dynamics")]
    assert causes_only(findings) == findings


def test_while_the_house_is_learning_notes_are_one_cause_too() -> None:
    findings = [found("tone", "note"), found("harsh", "note"), found("dynamics", "note"), drifted("tone-4000", "note")]
    assert kinds(causes_only(findings)) == ["tone", "dynamics"]


def drifted(number: str, severity: Severity = "listen") -> Finding:
    return found("drift", severity, id=f"piano/drift-{number}")


@pytest.mark.parametrize(
    ("cause", "number", "said"),
    [
        ("level-high", "level", False), ("level-low", "dynamics", False), ("level-high", "tone-4000", True), ("level-high", "noise", True),
        ("tone", "tilt", False), ("tone", "tone-8000", False), ("tone", "harsh", False), ("tone", "level", True),
        ("dynamics", "dynamics", False), ("dynamics", "level", True), ("articulation", "level", True), ("noise", "noise", False),
        ("width", "balance", False), ("width", "level", True), ("hum", "level", True),
    ],
)  # fmt: skip
def test_a_drift_is_explained_by_what_is_the_same_number(cause: Kind, number: str, said: bool) -> None:
    """A compressor that takes off more than is wanted is no reason to be silent about a level that creeps."""
    assert ("drift" in kinds(causes_only([found(cause), drifted(number)]))) is said


# a dead side and its level


@pytest.mark.parametrize(
    ("low_db", "said"),
    [
        pytest.param(2.5, False, id="a-side-is-gone"),
        # half of the power of two equal sides
        pytest.param(3.01, False, id="half-the-power"),
        pytest.param(HALF_GONE_DB - 0.1, False, id="as-much-as-it-can"),
        pytest.param(HALF_GONE_DB + 0.1, True, id="more-than-a-side"),
        pytest.param(20.0, True, id="far-too-low"),
    ],
)
def test_a_dead_side_explains_a_little_less_level(low_db: float, said: bool) -> None:
    level = found("level-low", measured=-18.0 - low_db, expected=-18.0)
    assert (level in causes_only([found("one-sided"), level])) == said
    # alone, or beside a side that is only weak, it is said however little it is
    assert causes_only([level]) == [level]
    assert level in causes_only([found("one-sided", "note"), level])


def test_a_dead_side_explains_no_level_it_knows_nothing_of_nor_too_much() -> None:
    for level in (found("level-low"), found("level-high", measured=-12.0, expected=-18.0)):
        assert level in causes_only([found("one-sided"), level])


# what people said


def dismissal(kind: str = "articulation", **more: object) -> Dismissal:
    made = Dismissal(
        source="piano", kind=kind, metric=None, show=TONIGHT[0], date=TONIGHT[1], for_good=False, measured=None
    )
    return replace(made, **more)


def after(finding: Finding, *said: Dismissal, show: tuple[str, str | None] = TONIGHT, source: str = "piano") -> Finding:
    (out,) = with_dismissals({source: [finding]}, said, show=show)[source]
    return out


@pytest.mark.parametrize(
    ("show", "silent"),
    [
        pytest.param(TONIGHT, True, id="tonight"),
        pytest.param(("Sunday", "2026-03-15"), False, id="next-week"),
        pytest.param(("Vespers", "2026-03-08"), False, id="another-show-that-day"),
        pytest.param(("Sunday", None), False, id="no-date"),
    ],
)
def test_what_is_left_alone_tonight_is_raised_again(show: tuple[str, str | None], silent: bool) -> None:
    out = after(found("articulation"), dismissal(), show=show)
    assert out.severity == ("note" if silent else "listen")
    assert (out.dismissed, out.dismissed_by) == (("tonight", None) if silent else (None, None))
    told = replace(out, facts={"off_db": 4.0})
    assert say(told).startswith("(left alone for this show) ") == silent
    assert say(told).endswith("its notes begin 4 dB more sharply than usual")


@pytest.mark.parametrize("severity", [pytest.param(severity, id=severity) for severity in ("fix", "listen")])
def test_for_good_is_for_every_show(severity: Severity) -> None:
    hum = found("hum", severity, what="hum", facts={"below_db": 40.0, "lines_hz": [50.0]})
    out = after(hum, dismissal("hum", for_good=True, said_by="Ana"), show=("Vespers", "2027-01-01"))
    assert out.severity == "note"
    assert say(out) == "(as you like it, said by Ana) mains hum 40 dB below its level (50 Hz)"
    # all else stays: it can still be looked at
    assert replace(out, severity=severity, dismissed=None, dismissed_by=None) == hum


def test_only_what_was_meant_is_silenced() -> None:
    said = dismissal("tone", for_good=True)
    assert after(found("tone"), said).severity == "note"
    # another number of the source, the same of another source, one of several
    assert after(found("tail"), said).severity == "listen"
    assert after(found("tone", id="organ/tone"), said, source="organ").severity == "listen"
    assert after(found("clipped", id="piano/clipped-2"), dismissal("clipped", for_good=True)).severity == "fix"
    assert after(found("clipped", id="piano/clipped-2"), dismissal("clipped-2", for_good=True)).severity == "note"


def test_what_is_a_note_stays_as_it_is() -> None:
    note = found("articulation", "note")
    assert after(note, dismissal(for_good=True)) is note
    assert after(found("tone")) == found("tone")


def db(measured: float, expected: float = 6.0, **more: object) -> Finding:
    return found("articulation", measured=measured, expected=expected, unit="dB", **more)


@pytest.mark.parametrize("way", [pytest.param(way, id=name) for way, name in ((1.0, "above"), (-1.0, "below"))])
def test_it_is_raised_again_when_it_is_noticeably_worse(way: float) -> None:
    said = dismissal(for_good=True, measured=6.0 + 4.0 * way)
    for more_db, severity in (
        (-2.0, "note"),
        (0.0, "note"),
        (_WORSE["dB"] - 0.1, "note"),
        (_WORSE["dB"] + 0.1, "listen"),
    ):
        out = after(db(6.0 + (4.0 + more_db) * way), said)
        assert out.severity == severity
    # one that is raised again is as it was
    assert after(db(6.0 + 20.0 * way), said) == db(6.0 + 20.0 * way)


def test_worse_is_measured_from_the_limit_where_nothing_is_expected() -> None:
    hum = found("hum", measured=-50.0, high=-60.0, unit="dBFS")
    said = dismissal("hum", for_good=True, measured=-50.0)
    assert after(hum, said).severity == "note"
    assert after(replace(hum, measured=-50.0 + _WORSE["dB"] + 0.1), said).severity == "fix"
    low = found("mono-loss", measured=-5.0, low=-3.0, unit="dB")
    said = dismissal("mono-loss", for_good=True, measured=-5.0)
    assert after(low, said).severity == "note"
    assert after(replace(low, measured=-5.0 - _WORSE["dB"] - 0.1), said).severity == "listen"


def test_without_a_number_it_is_silenced_however_bad() -> None:
    assert after(found("polarity"), dismissal("polarity", for_good=True)).severity == "note"
    assert after(db(30.0), dismissal(for_good=True, measured=None)).severity == "note"


def test_another_tone_than_the_one_that_was_liked_is_raised() -> None:
    # a little less of the lowest octave was as they like it; weeks later the same piano is 8 dB too bright
    liked = dismissal("tone", metric="tone", for_good=True, measured=-28.0)
    thinner = found("tone", measured=-28.0, expected=-25.0, unit="dB", band_hz=(44.5, 88.4))
    brighter = found("tone", measured=-12.0, expected=-20.0, unit="dB", band_hz=(2828.4, 5656.9))
    assert after(thinner, liked).severity == "note"
    assert after(brighter, liked).severity == "listen"


@pytest.mark.parametrize(
    ("finding", "measured"),
    [
        pytest.param(found("tail", measured=5.0, expected=0.8, unit="s"), 1.1, id="tail"),
        pytest.param(found("harsh", measured=70.0, expected=15.0, unit="%"), 20.0, id="harsh"),
    ],
)
def test_worse_is_known_of_seconds_and_shares_too(finding: Finding, measured: float) -> None:
    # a tail of 1.1 s was as they like it; one of 5 s, with reverb left on, is another matter
    said = dismissal(finding.kind, metric=finding.kind, for_good=True, measured=measured)
    assert after(replace(finding, measured=measured), said).severity == "note"
    assert after(finding, said).severity == "listen"


def test_the_other_way_is_not_what_was_liked() -> None:
    # notes that begin more sharply were as they like it; now they begin less clearly by as much
    assert after(db(2.0), dismissal(for_good=True, measured=10.0)).severity == "listen"
