"""The three things to do before doors, the order within a source, and the one word for a source."""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np
import pytest

from deskhand.findings import KINDS, Finding, first_texts, say
from deskhand.findings.first import MOST, first_things, status_of, things_to_fix, urgency
from deskhand.house import ROLES
from tests.support.examples import example


def finding(kind: str, severity: str = "fix", *, source: str = "voice", at_s: tuple = (), **more: object) -> Finding:
    return example(kind, severity, source=source, at_s=at_s, **more)


def item(source: str, role: str, kind: str, severity: str = "fix", *, where: str = "", **more: object) -> tuple:
    return source, role, where, finding(kind, severity, source=source, **more)


def chosen(*items: tuple) -> list[str]:
    return [thing.finding for thing in first_things(items)]


def test_nothing_to_do() -> None:
    assert first_things([]) == ()
    assert chosen(item("voice", "speech", "hum", "listen"), item("keys", "keys", "dc", "note")) == []


def test_three_at_most_and_one_a_source() -> None:
    items = [item(f"source {n}", "guitar", kind) for n in range(5) for kind in ("silent", "hum")]
    found = chosen(*items)
    assert len(found) == MOST == 3
    assert len({name.split("/")[0] for name in found}) == 3


@pytest.mark.parametrize(
    ("first", "second"),
    [
        pytest.param(("guitar", "silent"), ("guitar", "hum"), id="nothing-heard-before-quality"),
        pytest.param(("guitar", "silent"), ("guitar", "clipped"), id="nothing-heard-before-harm"),
        pytest.param(("guitar", "clipped"), ("guitar", "level-low"), id="harm-before-quality"),
        pytest.param(("lead vocal", "clipped"), ("guitar", "clipped"), id="voices-first"),
        pytest.param(("lead vocal", "clipped"), ("backing vocal", "clipped"), id="lead-before-backing"),
        pytest.param(("guitar", "hum"), ("audience", "hum"), id="room-last"),
        pytest.param(("guitar", "clipped"), ("click", "silent"), id="a-silent-click-after-a-clipped-guitar"),
        # what is missing or hurts in the room, whosever it is, before what costs quality, even the lead's
        *(
            pytest.param(("guitar", hurts), ("lead vocal", costs), id=f"{hurts}-before-{costs}")
            for hurts in ("silent", "one-sided", "clipped", "howl", "polarity", "dropout")
            for costs in ("in-the-mix", "clicks", "hum", "level-low")
        ),
        pytest.param(("lead vocal", "in-the-mix"), ("audience", "silent"), id="unheard-in-the-room-last"),
    ],
)
def test_what_comes_first(first: tuple[str, str], second: tuple[str, str]) -> None:
    items = [item("one", *first), item("two", *second)]
    expected = [f"one/{first[1]}", f"two/{second[1]}"]
    # whatever order they are given in
    assert chosen(*items) == expected
    assert chosen(*reversed(items)) == expected


def tracks_alike(source: str, partner: str) -> tuple:
    return item(source, "guitar", "duplicate", case="tracks", other=partner)


def test_a_duplicate_between_two_inputs_is_one_thing() -> None:
    items = [tracks_alike("a", "b"), tracks_alike("b", "a")]
    assert chosen(*items, item("c", "keys", "hum")) == ["a/duplicate", "c/hum"]


def swapped(source: str, partner: str, role: str = "backing vocal") -> tuple:
    return item(source, role, "swapped", case="exchanged", other=partner)


def test_two_inputs_exchanged_with_each_other_are_one_thing() -> None:
    items = [
        swapped("voice 2", "voice 20"),
        swapped("voice 20", "voice 2"),
    ]
    assert chosen(*items, item("keys", "keys", "hum")) == ["voice 2/swapped", "keys/hum"]


def test_an_exchange_with_another_input_is_not_taken_for_the_one_already_said() -> None:
    """The name of one may begin with the whole name of another."""
    items = [
        swapped("voice 2", "keys"),
        swapped("voice 3", "voice 20"),
    ]
    assert chosen(*items) == ["voice 2/swapped", "voice 3/swapped"]


def test_two_exchanged_pairs_are_two_things() -> None:
    """A name that stands in the other pair's sentence, as "guitar" does in "guitar 2", is no reason to leave that pair out."""
    items = [
        swapped("guitar", "bass", "guitar"),
        swapped("bass", "guitar", "bass"),
        swapped("guitar 2", "guitar 3", "guitar"),
        swapped("guitar 3", "guitar 2", "guitar"),
    ]
    for order in itertools.permutations(items):
        first = chosen(*order)
        assert len(first) == 2
        assert sum(name in ("guitar/swapped", "bass/swapped") for name in first) == 1
        assert sum(name in ("guitar 2/swapped", "guitar 3/swapped") for name in first) == 1


def test_two_sources_with_the_same_fault_are_two_things() -> None:
    items = [item("a", "guitar", "silent"), item("b", "keys", "silent")]
    assert sorted(chosen(*items)) == ["a/silent", "b/silent"]


def test_text_says_source_and_place() -> None:
    for where, words in (("channel 7, B12", "bass (channel 7, B12): "), ("", "bass: ")):
        items = [item("bass", "bass", "hum", where=where), item("keys", "keys", "dc")]
        first, second = first_texts(first_things(items), items)
        assert first.text == words + say(items[0][3])
        assert second.text == f"keys: {say(items[1][3])}"


def test_within_a_source_the_severe_comes_first() -> None:
    findings = [finding("hum", "note"), finding("hum", "listen"), finding("dc", "fix"), finding("clipped", "fix")]
    assert [(f.kind, f.severity) for f in sorted(findings, key=urgency)] == [
        ("clipped", "fix"), ("dc", "fix"), ("hum", "listen"), ("hum", "note"),
    ]  # fmt: skip


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in KINDS])
def test_every_kind_has_a_place(kind: str) -> None:
    # a kind that is in no tier sorts last, but does not fail
    assert chosen(item("one", "guitar", kind)) == [f"one/{kind}"]
    assert urgency(finding(kind))[0] == 0


def test_nothing_serious_is_in_neither_list(rng: np.random.Generator) -> None:
    """Whatever is found: each fix once, by itself or as the partner of the other input's; those of the first three not again."""
    kinds, roles = list(KINDS), list(ROLES)
    for _ in range(200):
        items = []
        for number in range(rng.integers(1, 9)):
            names = rng.choice(kinds, size=rng.integers(0, 4), replace=False)
            role = str(rng.choice(roles))
            for kind in names:
                other = f"source {rng.integers(0, 9)}" if KINDS[kind].of_two else None
                severity = str(rng.choice(["fix", "listen", "note"]))
                items.append(item(f"source {number}", role, str(kind), severity, other=other))
        first, later = things_to_fix(items)
        ids = [name for thing in (*first, *later) for name in (thing.finding, *thing.partners)]
        assert sorted(ids) == sorted(finding.id for *_, finding in items if finding.severity == "fix")
        assert first == first_things(items)
        assert len(first) == min(MOST, len({thing.source for thing in (*first, *later)})) or any(
            thing.partners for thing in (*first, *later)
        )


def test_what_does_not_fit_comes_next_in_the_same_order() -> None:
    items = [
        item("keys", "keys", "hum"),
        item("keys", "keys", "one-sided"),
        item("lead", "lead vocal", "in-the-mix"),
        item("bass", "bass", "clipped"),
        item("guitar", "guitar", "dropout"),
    ]
    for order in itertools.permutations(items):
        first, later = things_to_fix(order)
        assert [thing.finding for thing in first] == ["keys/one-sided", "bass/clipped", "guitar/dropout"]
        assert [thing.finding for thing in later] == ["lead/in-the-mix", "keys/hum"]


def test_both_findings_of_a_fault_between_two_inputs_are_one_thing() -> None:
    first, later = things_to_fix([swapped("voice 2", "voice 3"), swapped("voice 3", "voice 2")])
    assert [(thing.finding, thing.partners) for thing in first] == [("voice 2/swapped", ("voice 3/swapped",))]
    assert not later


@pytest.mark.parametrize(
    ("severity", "status"), [("note", "adjust"), ("listen", "listen"), ("fix", "fix"), (None, "adjust")]
)
def test_what_is_to_be_turned_is_not_well(severity: str | None, status: str) -> None:
    findings = [] if severity is None else [finding("hum", severity)]
    assert status_of(findings, to_turn=True) == status


SILENT_LATER: Final = ((10.0, 20.0),)


@pytest.mark.parametrize(
    ("findings", "status"),
    [
        pytest.param([], "well", id="nothing"),
        pytest.param([("hum", "note", ())], "well", id="a-note"),
        pytest.param([("hum", "note", ()), ("dc", "listen", ())], "listen", id="listen"),
        pytest.param([("hum", "listen", ()), ("dc", "fix", ())], "fix", id="fix"),
        pytest.param([("silent", "fix", ())], "silent", id="silent"),
        pytest.param([("silent", "fix", SILENT_LATER)], "fix", id="silent-from-a-time-on"),
        pytest.param([("missing", "fix", ()), ("silent", "fix", ())], "missing", id="missing"),
    ],
)
def test_status(findings: list[tuple[str, str, tuple]], status: str) -> None:
    assert status_of([finding(kind, severity, at_s=at_s) for kind, severity, at_s in findings]) == status
