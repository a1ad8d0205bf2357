"""Changes in the mixes on the stage, by hand-worked examples, and whom to tell.

Covers, in this order: what a gain does in front of and behind each send's tap; what is set back, and what is heard meanwhile; the
equaliser's level; who hears a mix; the house file's mistakes.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from deskhand.errors import HouseError
from deskhand.house import parse_house
from deskhand.moves.monitors import Listeners, MonitorTelling, monitor_tellings, with_mixes
from deskhand.moves.move import Move, Setting, who_hears

HAND = pytest.mark.source("Hand-worked: levels in dB along one path add up; each send hears what lies before its tap")

HOUSE = """
[house]
name = "Tern Street Hall"
[desk]
monitors = "{tap}"
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
effects = ["hall"]
send = [
  {{ mix = "wedge 1", level = "-6 dB" }},
  {{ mix = "ears", level = "-12 dB", after_fader = true }},
  {{ mix = "hall", level = "-9 dB", after_fader = true }},
]
[[source]]
name = "keys"
role = "keys"
tracks = ["keys"]
send = [{{ mix = "Wedge 1", level = "-3 dB" }}]
[[monitor]]
mix = "wedge 1"
heard_by = ["lead voice"]
[[monitor]]
mix = "ears"
heard_by = ["Ben", "keys"]
"""


def gain(kind: str, change_db: float, tap: str = "after-gain", **facts: float) -> Move:
    house = parse_house(HOUSE.format(tap=tap), Path("house.toml"))
    return Move(
        where="preamp" if kind == "gain" else "trim", block=kind, index=None, on="both",
        settings={"gain": Setting(before=0.0, after=change_db, unit="dB")},
        who_hears=who_hears(kind, house.desk), facts={"change_db": change_db, **facts}, action="trim",
    )  # fmt: skip


def turned(where: str, change_db: float, **facts: str) -> Move:
    hearers = ("monitors",) if where == "send" else ("house", "stream")
    return Move(
        where=where, block=None, index=None, on="both", settings={where: Setting(before=0.0, after=change_db, unit="dB")},
        who_hears=hearers, facts={"change_db": change_db, **facts}, action="send-back",
    )  # type: ignore[arg-type]  # fmt: skip


def bell(tap: str = "after-gain") -> Move:
    house = parse_house(HOUSE.format(tap=tap), Path("house.toml"))
    return Move(
        where="channel", block="bell", index=None, on="both", settings={}, who_hears=who_hears("bell", house.desk),
        facts={"change_db": -6.0}, action="bell-or-shelf",
    )  # fmt: skip


def told(
    moves: list[Move], *, tap: str = "after-gain", name: str = "lead voice", players=None
) -> dict[str, MonitorTelling]:
    house = parse_house(HOUSE.format(tap=tap), Path("house.toml"))
    listeners = Listeners(house, {"lead voice": "Ana"} if players is None else players)
    source = next(source for source in house.source if source.name == name)
    tellings = monitor_tellings([(source, with_mixes(source, moves, listeners))], listeners)
    return {telling.mix: telling for telling in tellings}


@HAND
@pytest.mark.parametrize(
    ("moves", "tap", "wedge_db", "ears_db"),
    [
        # two paths: before the fader (wedge 1), behind chain and fader (ears)
        pytest.param([gain("gain", 4.0)], "after-gain", 4.0, 4.0, id="preamp: both"),
        pytest.param([gain("trim", -3.0)], "after-gain", -3.0, -3.0, id="trim, mixes after the gains: both"),
        pytest.param([gain("trim", -3.0, "preamp")], "preamp", None, -3.0, id="trim, mixes at the preamp: ears"),
        pytest.param([turned("fader", 5.0)], "after-chain", None, 5.0, id="fader: ears"),
        pytest.param([gain("gain", -10.0), gain("trim", 4.0)], "after-gain", -6.0, -6.0, id="two gains add up"),
        pytest.param([gain("gain", 4.0), turned("fader", -4.0)], "after-gain", 4.0, 0.0, id="fader takes back the ears"),
        pytest.param(
            [gain("trim", 2.5, shaped_db=-2.5), bell()], "after-gain", 2.5, 0.0, id="trim for the equaliser: wedge only"
        ),
        pytest.param(
            [gain("trim", 2.5, "after-chain", shaped_db=-2.5), bell("after-chain")], "after-chain", 0.0, 0.0,
            id="trim for the equaliser, mixes after the chain: nobody",
        ),
    ],
)  # fmt: skip
def test_a_mix_hears_what_lies_before_its_tap(moves, tap, wedge_db, ears_db) -> None:
    mixes = told(moves, tap=tap)
    for mix, expected_db in (("wedge 1", wedge_db), ("ears", ears_db)):
        change_db = mixes[mix].changes[0].change_db if mix in mixes else None
        assert change_db == (None if expected_db is None else pytest.approx(expected_db)), mix
    # an effect is nobody's mix
    assert "hall" not in mixes


@HAND
def test_what_is_set_back_is_heard_meanwhile() -> None:
    wedge, ears = told([turned("send", -4.0, mix="wedge 1"), gain("gain", 4.0), turned("fader", -4.0)]).values()
    assert (wedge.changes[0].lowest_db, wedge.changes[0].highest_db, wedge.changes[0].change_db) == (-4.0, 0.0, 0.0)
    assert wedge.text == "Tell Ana (wedge 1) first: your own lead voice drops by 4 dB for a moment, and comes back."
    assert (ears.changes[0].lowest_db, ears.changes[0].highest_db, ears.changes[0].change_db) == (0.0, 4.0, 0.0)
    assert "lead voice rises by 4 dB for a moment" in ears.text
    # less than is noticed is not told
    assert not told([gain("trim", 0.9)])
    assert told([gain("trim", 1.0)])


@HAND
def test_each_move_carries_the_mixes_that_hear_it() -> None:
    house = parse_house(HOUSE.format(tap="after-gain"), Path("house.toml"))
    preamp, fader, equaliser = with_mixes(
        house.source[0], [gain("gain", 4.0), turned("fader", -2.0), bell()], Listeners(house, {})
    )
    assert [(change.mix, change.change_db) for change in preamp.mixes] == [("wedge 1", 4.0), ("ears", 4.0)]
    assert [(change.mix, change.change_db) for change in fader.mixes] == [("ears", -2.0)]
    assert [(change.mix, change.change_db) for change in equaliser.mixes] == [("ears", None)]
    assert preamp.mixes[1].people == ("Ben", "whoever plays keys")


def test_people_are_told_by_the_name_of_tonight() -> None:
    moves = [gain("gain", 6.0)]
    assert told(moves)["wedge 1"].text == "Tell Ana (wedge 1) first: your own lead voice gets 6 dB louder there."
    unnamed = told(moves, players={})["wedge 1"].text
    assert unnamed == "Tell whoever plays lead voice (wedge 1) first: your own lead voice gets 6 dB louder there."
    assert told(moves)["ears"].text.startswith("Tell Ben and whoever plays keys (ears) first: lead voice gets")
    # another's instrument in it, and the send's name in other letters
    assert told(moves, name="keys")["wedge 1"].text == "Tell Ana (wedge 1) first: keys gets 6 dB louder there."


def test_a_monitor_written_twice_is_refused() -> None:
    text = HOUSE.format(tap="preamp") + '[[monitor]]\nmix = "Wedge_1"\n'
    with pytest.raises(
        HouseError, match=r'house.toml, line \d+, monitor "Wedge_1": there is a monitor "wedge 1" already'
    ):
        parse_house(text, Path("house.toml"))
    with pytest.raises(HouseError, match="heard_by"):
        parse_house(text.replace("heard_by", "herd_by"), Path("house.toml"))
