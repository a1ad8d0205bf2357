"""Inputs of the right form with anything in them, drawn by Hypothesis: taken, or refused in one line.

In order: house files, notes beside a recording, what a browser sends.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from deskhand.errors import DeskhandError
from deskhand.house import BLOCKS, ROLES, HouseFile, parse_house
from deskhand.recording.show import read_show_note
from deskhand.web.parse import chain_of, choice_of, number_of, setup_keys, short_text
from deskhand.web.voice import MixChanges
from tests.support.hypotheses import examples

some = settings(
    max_examples=examples(200),
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
WORDS = st.sampled_from(
    ["piano", "vox", "", " ", "a" * 90, "pno l", "1", "é", "[b]", "mid", "both", "preamp", "rising", "true"]
)
VALUES = st.one_of(
    st.builds("{}{}".format, st.one_of(st.integers(-100, 20000), st.floats(-100.0, 100.0)), st.sampled_from([" dB", " Hz", " dBFS", " ms", " kHz", "", " %", " dB/oct"])),
    st.integers(-5, 5), st.floats(), st.booleans(), WORDS, st.just([]), st.just({}),
)  # fmt: skip
BLOCK_KEYS = st.sampled_from(
    [
        "frequency",
        "gain",
        "q",
        "slope",
        "threshold",
        "ratio",
        "attack",
        "release",
        "on",
        "time",
        "file",
        "mid",
        "side",
        "makeup",
        "x",
    ]
)
BLOCK = st.builds(
    lambda name, keys: {"block": name} | keys,
    st.sampled_from([*BLOCKS, "bel"]),
    st.dictionaries(BLOCK_KEYS, VALUES, max_size=4),
)
SOURCE = st.fixed_dictionaries(
    {"name": WORDS, "role": st.sampled_from([*ROLES, "key"]), "tracks": st.lists(st.one_of(WORDS, st.integers(-1, 70)), max_size=3)},
    optional={"fader": VALUES, "chain": st.lists(BLOCK, max_size=3), "channel": WORDS, "tap": WORDS, "phantom": VALUES, "nominal": VALUES, "send": st.lists(st.dictionaries(WORDS, VALUES, max_size=2), max_size=2)},
)  # fmt: skip
HOUSE = st.fixed_dictionaries(
    {"house": st.fixed_dictionaries({"name": WORDS}, optional={"mains": VALUES, "nominal": VALUES, "tap": WORDS}), "source": st.lists(SOURCE, max_size=3)},
    optional={"vocal": st.dictionaries(st.sampled_from(["source", "clearance", "margin"]), VALUES, max_size=3), "desk": st.dictionaries(WORDS, VALUES, max_size=2), "room": VALUES},
)  # fmt: skip
JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12), VALUES),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.one_of(BLOCK_KEYS, st.sampled_from(["block", "name", "mix", "level", "preamp"])), inner, max_size=4)),
    max_leaves=12,
)  # fmt: skip


def one_line(error: DeskhandError) -> None:
    assert len(str(error).splitlines()) == 1
    assert str(error).strip()


@some
@given(HOUSE)
def test_a_house_of_any_values(house: dict[str, Any]) -> None:
    try:
        read = parse_house(tomlkit.dumps(house), Path("house.toml"))
    except DeskhandError as error:
        one_line(error)
        return
    assert isinstance(read, HouseFile)
    for source in read.source:
        for block in source.chain:
            for value in vars(block).values() if hasattr(block, "__dict__") else ():
                assert not isinstance(value, float) or math.isfinite(value)


@some
@given(st.dictionaries(st.sampled_from(["name", "date", "phase", "tap", "players", "taps", "songs", "x"]), st.one_of(VALUES, st.dictionaries(WORDS, VALUES, max_size=3)), max_size=5))  # fmt: skip
def test_a_note_of_any_values(tmp_path: Path, note: dict[str, Any]) -> None:
    (tmp_path / "show.toml").write_text(tomlkit.dumps(note), "utf-8")
    try:
        read_show_note(tmp_path)
    except DeskhandError as error:
        one_line(error)


@pytest.mark.parametrize(
    "parse",
    [
        pytest.param(chain_of, id="chain"),
        pytest.param(lambda value: number_of(value, "the start"), id="number"),
        pytest.param(lambda value: choice_of(value, ("a", "b")), id="choice"),
        pytest.param(short_text, id="text"),
        pytest.param(setup_keys, id="set-up"),
        pytest.param(MixChanges.of, id="mix"),
    ],
)
@some
@given(value=JSON)
def test_what_a_browser_sends_is_taken_or_refused(parse: Any, value: Any) -> None:
    try:
        taken = parse(value)
    except DeskhandError as error:
        one_line(error)
        return
    assert not isinstance(taken, float) or math.isfinite(taken)
