"""Stored checks that another hand changed: the page asks for a new check or says one line, and never breaks."""

from __future__ import annotations

import copy
import json
import random

import pytest

from tests.support.small_hall import Asker, small_hall

CASES = 24
VALUES = (None, 0, -1, 1e308, -1e308, "", "x", [], {}, True, [1], {"a": 1}, "9" * 400, 12345678901234567890, "\ud800")


def places(data, path=()):
    """Every place in JSON's kinds, of long lists the first forty."""
    if path:
        yield path
    if isinstance(data, dict):
        for name, value in data.items():
            yield from places(value, (*path, name))
    elif isinstance(data, list):
        for index, value in enumerate(data[:40]):
            yield from places(value, (*path, index))


def at(data, path):
    for step in path:
        data = data[step]
    return data


@pytest.fixture(scope="module")
def asker(tmp_path_factory):
    with Asker(small_hall(tmp_path_factory.mktemp("crafted") / "hall")) as made:
        yield made


@pytest.fixture
def stored(asker):
    file = next((asker.hall.root / ".deskhand").glob("check-*.json"))
    text = file.read_text()
    yield file, json.loads(text)
    file.write_text(text)


def answers(asker):
    show = f"/show/{asker.id}"
    pages = ("", "/source/0", "/source/1", "/voice", "/sheet", "/source/0/hear.flac?at=1&for=1")
    return {page: asker.get(show + page).status_code for page in pages}


def test_every_page_is_there_as_it_was_stored(asker, stored):
    assert set(answers(asker).values()) == {200}


@pytest.mark.parametrize("seed", range(CASES))
def test_a_changed_value_breaks_no_page(asker, stored, seed):
    file, original = stored
    rng = random.Random(seed)
    changed = copy.deepcopy(original)
    path = rng.choice(list(places(original)))
    at(changed, path[:-1])[path[-1]] = copy.deepcopy(rng.choice(VALUES))
    file.write_text(json.dumps(changed))
    assert max(answers(asker).values()) < 500, path


@pytest.mark.parametrize(
    ("path", "value"),
    [
        pytest.param(("pictures", "piano", "level_dbfs"), [], id="no-level"),
        pytest.param(("pictures", "piano", "level_dbfs", 3), None, id="a-gap-in-the-level"),
        pytest.param(("pictures", "piano", "step_s"), 0.0, id="no-step"),
        pytest.param(("pictures", "piano", "telling_s"), 1e308, id="a-moment-far-away"),
        pytest.param(("result", "sources", 1, "moves", 0, "index"), 12345678, id="a-block-that-is-not-there"),
        pytest.param(("result", "sources", 0, "before", "level_dbfs"), 1e308, id="a-level-that-nothing-has"),
    ],
)
def test_what_once_broke_a_page(asker, stored, path, value):
    file, changed = stored
    changed = copy.deepcopy(changed)
    at(changed, path[:-1])[path[-1]] = value
    file.write_text(json.dumps(changed))
    assert max(answers(asker).values()) < 500
