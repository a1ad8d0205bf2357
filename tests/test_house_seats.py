"""Seats, limits and staff in the house file: read apart from the show, and each mistake told in one line."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from deskhand.errors import HouseError
from deskhand.house import LIMITS, match_tracks, parse_house, with_new_name
from deskhand.house.name_roles import guess_role
from deskhand.tasks.new import house_text, propose_house

HOUSE: Final = """
[house]
name = "Tern Street Hall"
[[source]]
name = "piano"
role = "keys"
tracks = ["pno"]
[[source]]
name = "mix position"
role = "seat"
tracks = ["seat 1"]
microphone = "omni 1"
offset = { laeq = "2.5 dB", lcpeak = "4 dB" }
[[source]]
name = "balcony"
role = "seat"
tracks = ["seat 2"]
[limits]
standard = "DIN 15905-5"
[[staff]]
name = "Ana"
seat = "mix position"
from = "0:30"
to = "1:00:00"
besides = [{ hours = "4 h", level = "70 dBA" }]
"""


def test_seats_stand_apart_from_the_show() -> None:
    house = parse_house(HOUSE, Path("house.toml"))
    assert [source.name for source in house.source] == ["piano"]
    assert [seat.name for seat in house.seat] == ["mix position", "balcony"]
    offset = house.seat[0].offset
    assert offset is not None
    assert (offset.laeq_db, offset.lcpeak_db) == (2.5, 4.0)
    ana = house.staff[0]
    assert (ana.from_s, ana.to_s, ana.besides[0].hours_s, ana.besides[0].level_dba) == (30.0, 3600.0, 14400.0, 70.0)


def test_their_tracks_are_claimed_and_belong_to_no_source() -> None:
    house = parse_house(HOUSE, Path("house.toml"))
    matched = match_tracks(house, ["Seat_2", "pno", "seat 1", "spare"])
    assert matched.seats == {"mix position": 2, "balcony": 0}
    assert matched.by_source == {"piano": (1,)}
    assert matched.unmatched == (3,)
    unused = parse_house(HOUSE.replace('tracks = ["seat 2"]', 'tracks = ["seat 2"]\nused = false'), Path("house.toml"))
    assert match_tracks(unused, ["seat 2", "pno", "seat 1"]).unmatched == ()
    assert match_tracks(unused, ["seat 2", "pno", "seat 1"]).seats == {"mix position": 2}


# figures: WHO Global standard for safe listening venues and events (2022), feature 1; DIN 15905-5:2007-11 with Corrigendum 1;
# Directive 2003/10/EC, Article 3 (upper action values); NIOSH 98-126 (1998), chapter 1; US 29 CFR 1910.95, Table G-16
@pytest.mark.source("WHO 2022; DIN 15905-5:2007-11; Directive 2003/10/EC; NIOSH 98-126; 29 CFR 1910.95")
@pytest.mark.parametrize(
    ("name", "laeq_dba", "window_s", "exchange_db"),
    [
        ("WHO 2022", 100.0, 900.0, None),
        ("DIN 15905-5", 99.0, 1800.0, None),
        ("2003/10/EC", 85.0, 28800.0, None),
        ("NIOSH 98-126", 85.0, 28800.0, 3.0),
        ("OSHA", 90.0, 28800.0, 5.0),
    ],
)
def test_limits_by_name(name: str, laeq_dba: float, window_s: float, exchange_db: float | None) -> None:
    house = parse_house(HOUSE.replace("DIN 15905-5", name.lower()), Path("house.toml"))
    assert house.limits is not None
    limit = house.limits.limit
    assert (limit.name, limit.laeq_dba, limit.window_s, limit.exchange_db) == (name, laeq_dba, window_s, exchange_db)
    assert limit in LIMITS


def test_limits_of_its_own() -> None:
    own = HOUSE.replace('standard = "DIN 15905-5"', 'laeq = "96 dBA"\nover = "30 min"\nlcpeak = "130 dBC"')
    house = parse_house(own, Path("house.toml"))
    assert house.limits is not None
    limit = house.limits.limit
    assert (limit.name, limit.window, limit.window_s, limit.lcpeak_dbc) == (
        "96 dBA over 30 min", "sliding", 1800.0, 130.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"DIN 15905-5"', '"DIN"', r'line 19, \[limits\]: "standard": \'DIN\' is no standard known here; use \'WHO 2022\''),
        ('"DIN 15905-5"', '"OSHA"\nlaeq = "90 dBA"', r"line 18, \[limits\]: names a standard and figures of its own"),
        ('standard = "DIN 15905-5"', 'laeq = "90 dBA"', r"line 18, \[limits\]: has no whole limit"),
        ("standard", "standart", r'unknown key "standart"; did you mean "standard"\?'),
        ('tracks = ["seat 2"]', 'tracks = ["seat 2", "seat 3"]', 'source "balcony": a seat is one microphone on one track'),
        ('tracks = ["seat 2"]', 'tracks = ["seat 2"]\nfader = "0 dB"', '"fader" has no meaning for a seat'),
        ('tracks = ["pno"]', 'tracks = ["pno"]\nresponse = "x.csv"', '"response" belongs to a source of role "seat"'),
        ("laeq = ", "leaq = ", r'source "mix position": unknown key "leaq"; did you mean "laeq"\?'),
        ('seat = "mix position"', 'seat = "mix positoin"', r'staff "Ana": there is no seat "mix positoin"; did you mean "mix'),
        ('to = "1:00:00"', 'to = "0:10"', r'staff "Ana": "to" does not come after "from"'),
        ('from = "0:30"', 'from = "soon"', "'soon' is not a time"),
        ("[limits]", '[vocal]\nsource = "balcony"\n[limits]', r'\[vocal\]: "balcony" is a seat; name a voice'),
        ("[limits]", '[[seat]]\nname = "x"\nrole = "seat"\ntracks = [9]\n[limits]', 'unknown table "seat"; write it as'),
    ],
)  # fmt: skip
def test_mistakes_are_one_line(old: str, new: str, message: str) -> None:
    with pytest.raises(HouseError, match=message) as caught:
        parse_house(HOUSE.replace(old, new, 1), Path("house.toml"))
    assert "\n" not in str(caught.value)


def test_a_renamed_seat_keeps_its_staff() -> None:
    text = with_new_name(HOUSE, "mix position", "desk")
    house = parse_house(text, Path("house.toml"))
    assert house.staff[0].seat == "desk"
    assert house.seat[0].was == ["mix position"]


@pytest.mark.parametrize("name", ["Seat", "Meas Mic 1", "measurement mic", "RTA mic", "Messmikro", "micro de mesure"])
def test_names_of_measurement_microphones(name: str) -> None:
    assert guess_role(name) == "seat"  # common practice, no source


@pytest.mark.parametrize("name", ["room mic L", "audience L", "Crowd", "ambience"])
def test_names_of_audience_microphones_stay(name: str) -> None:
    assert guess_role(name) == "audience"  # common practice, no source


def test_a_proposed_house_writes_its_seats() -> None:
    house = propose_house(["kick", "vox", "meas mic"], name="Tern Street Hall").house
    assert [seat.name for seat in house.seat] == ["meas mic"]
    assert [seat.name for seat in parse_house(house_text(house, heard={}), Path("house.toml")).seat] == ["meas mic"]
