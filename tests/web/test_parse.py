"""What the page sends, read: numbers, words that are known, sends. All of it is typed or crafted by somebody else."""

from __future__ import annotations

import pytest

from deskhand.errors import UsageError
from deskhand.web.parse import choice_of, number_of, setup_keys


@pytest.mark.parametrize(
    ("value", "number"), [("12.5", 12.5), (-3, -3.0), (999_999_999, 999_999_999.0), (" 7 ", 7.0), ("-1e8", -1e8)]
)
def test_a_number(value: object, number: float) -> None:
    assert number_of(value, "the start") == number


@pytest.mark.parametrize("value", [1e9, -1e9, "1.2e9", "inf", float("nan"), "12 s", None, [], 10**400])
def test_no_number_or_more_seconds_than_anybody_records(value: object) -> None:
    """A milliard seconds are 31 years."""
    with pytest.raises(UsageError, match="is no number; read the page again"):
        number_of(value, "the start")


@pytest.mark.parametrize("value", ["moved", "", None, 1, ["done"], {"done": 1}])
def test_only_known_words_are_a_choice(value: object) -> None:
    assert choice_of("done", {"done", "open"}) == "done"
    assert choice_of(value, {"done", "open"}) is None


def test_sends_are_whole_or_not_there() -> None:
    empty, whole = {"mix": " ", "level": ""}, {"mix": "wedge", "level": "-6", "after_fader": True}
    assert setup_keys({"send": [empty, whole, "no row"]})["send"] == [
        {"mix": "wedge", "level": "-6 dB", "after_fader": True}
    ]
    assert setup_keys({"send": [empty]})["send"] is None
    for half, missing in (({"mix": "wedge"}, "has no level"), ({"level": "-6 dB"}, "has no mix")):
        with pytest.raises(UsageError, match=missing):
            setup_keys({"send": [half]})
