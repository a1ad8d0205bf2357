"""What is told of each kind of block, whatever its settings: its name for people, and where on a channel it sits."""

from __future__ import annotations

import pytest

from deskhand.house.blocks import BLOCKS


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("gain", "preamp"),
        ("low-shelf", "low shelf"),
        ("dynamic-bell", "dynamic bell"),
        ("bell", "bell"),
        ("limiter", "limiter"),
    ],
)
def test_its_name_in_a_sentence(name: str, words: str) -> None:
    assert BLOCKS[name].words == words


@pytest.mark.source("where a control sits on a channel: common practice, no source")
def test_only_the_preamp_is_in_front_of_the_converter() -> None:
    assert {name for name, block in BLOCKS.items() if block.at_preamp} == {"gain"}
    assert {name for name, block in BLOCKS.items() if block.at_input} == {"gain", "trim", "polarity"}
