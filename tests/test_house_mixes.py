"""Mixes on the stage in a house file: read, changed one at a time, comments kept; the file is read back by `tomllib` and by the house's own reader.

Covers, in this order: what is read; a mix that is changed, renamed, new and taken out; what is refused.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from deskhand.errors import HouseError
from deskhand.house import WrittenMix, WrittenSend, parse_house, with_mix, written_mixes

HOUSE = """\
# Tern Street
[house]
name = "Tern Street Hall"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno"]
effects = ["hall"]
[[source.send]]   # her own
mix = "wedge 2"
level = "-9 dB"   # as she likes it
[[source.send]]
mix = "hall"
level = "-12 dB"
[[source.chain]]
block = "high-pass"
frequency = "50 Hz" # the lid

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
send = [{ mix = "Wedge 2", level = "-3 dB", after_fader = true }]
[[source.chain]]
block = "high-pass"
frequency = "100 Hz"

[[source]]
name = "bass"
role = "bass"
tracks = ["bs"]

[[monitor]]  # by the stairs
mix = "wedge 2"
heard_by = ["piano", "Ben"]
"""


def mix(name: str, heard_by: tuple[str, ...] = (), **levels: str) -> WrittenMix:
    sends = {source.replace("_", " "): WrittenSend(level=level) for source, level in levels.items()}
    return WrittenMix(mix=name, heard_by=heard_by, sends=sends)


def sends(text: str) -> dict[str, list[tuple[str, float, bool]]]:
    """Sends of each source as the house's own reader has them."""
    house = parse_house(text, Path("house.toml"))
    return {
        source.name: [(send.mix, send.level_db, send.after_fader) for send in source.send] for source in house.source
    }


def test_a_mix_is_read_with_all_that_is_sent_to_it_and_an_effect_is_none():
    [only] = written_mixes(HOUSE)
    assert (only.mix, only.heard_by) == ("wedge 2", ("piano", "Ben"))
    assert only.sends == {
        "piano": WrittenSend(level="-9 dB"),
        "lead voice": WrittenSend(level="-3 dB", after_fader=True),
    }


def test_a_mix_is_changed_and_all_else_stays():
    text = with_mix(HOUSE, "wedge 2", mix("wedge 2", ("Ben",), piano="-6 dB", bass="-10 dB"))
    assert sends(text) == {
        "piano": [("wedge 2", -6.0, False), ("hall", -12.0, False)],
        "lead voice": [],
        "bass": [("wedge 2", -10.0, False)],
    }
    assert tomllib.loads(text)["monitor"] == [{"mix": "wedge 2", "heard_by": ["Ben"]}]
    for comment in ("# Tern Street", "# her own", "# as she likes it", "# the lid", "# by the stairs"):
        assert comment in text
    house = parse_house(text, Path("house.toml"))
    assert [len(source.chain) for source in house.source] == [1, 1, 0]


def test_what_is_as_it_was_is_not_written():
    assert with_mix(HOUSE, "wedge 2", written_mixes(HOUSE)[0]).replace("Wedge 2", "wedge 2") == HOUSE.replace(
        "Wedge 2", "wedge 2"
    )


def test_a_mix_gets_another_name_in_every_send():
    standing = written_mixes(HOUSE)[0]
    text = with_mix(HOUSE, "wedge 2", WrittenMix(mix="stairs", heard_by=standing.heard_by, sends=standing.sends))
    assert [written.mix for written in written_mixes(text)] == ["stairs"]
    assert sends(text)["lead voice"] == [("stairs", -3.0, True)]


def test_a_new_mix_and_one_that_is_taken_out():
    text = with_mix(HOUSE, "", mix("wedge 3", ("Ana",), bass="-6 dB", lead_voice="-1 dB"))
    assert [written.mix for written in written_mixes(text)] == ["wedge 2", "wedge 3"]
    assert sends(text)["lead voice"] == [("Wedge 2", -3.0, True), ("wedge 3", -1.0, False)]
    text = with_mix(text, "wedge 2", None)
    assert [(written.mix, written.heard_by) for written in written_mixes(text)] == [("wedge 3", ("Ana",))]
    assert sends(text)["piano"] == [("hall", -12.0, False)]
    text = with_mix(text, "wedge 3", None)
    assert "monitor" not in tomllib.loads(text)
    # the first mix of a file that has none
    assert [written.mix for written in written_mixes(with_mix(text, "", mix("wedge 1", piano="0 dB")))] == ["wedge 1"]


@pytest.mark.parametrize(
    ("name", "wanted", "said"),
    [
        ("wedge 9", mix("wedge 9"), 'there is no mix "wedge 9"'),
        ("", mix("WEDGE 2"), 'there is a mix "WEDGE 2" already'),
        ("", mix("wedge 3", flute="-6 dB"), 'there is no source "flute"'),
        ("", mix("wedge 3", bass="loud"), "loud"),
    ],
    ids=["no-mix", "two-of-a-name", "no-source", "no-level"],
)
def test_what_cannot_be_written_is_refused(name: str, wanted: WrittenMix, said: str) -> None:
    with pytest.raises(HouseError, match=said):
        with_mix(HOUSE, name, wanted)
