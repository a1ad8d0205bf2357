"""Fates of moves, told from what a later take shows; and which controls lie before a tap.

In order: the table of taps; a fader in a take that holds the desk's own mix; a level; what is no setting.
Where a control sits on a desk is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from deskhand.desk import DeskState, fates, lies_before_tap
from deskhand.house import parse_house
from deskhand.mix.faders import Fader
from deskhand.store import DeskChange

HOUSE = parse_house(
    '[house]\nname = "Tern Street Hall"\n[[source]]\nname = "piano"\nrole = "keys"\ntracks = ["piano"]\n',
    Path("house.toml"),
)


@pytest.mark.parametrize(
    ("kind", "taps"),
    [
        (None, {"preamp", "after-gain", "after-chain"}),
        ("gain", {"preamp", "after-gain", "after-chain"}),
        ("trim", {"after-gain", "after-chain"}),
        ("high-pass", {"after-gain", "after-chain"}),
        ("bell", {"after-chain"}),
        ("compressor", {"after-chain"}),
        ("limiter", {"after-chain"}),
    ],
)
def test_where_a_control_is_heard(kind, taps):
    assert {tap for tap in ("preamp", "after-gain", "after-chain") if lies_before_tap(kind, tap)} == taps


def change(**fields) -> DeskChange:
    facts = {
        "show": "Sunday evening", "date": "2026-03-01", "take": "first", "source": "piano", "move": "piano/preamp", "where": "preamp",
        "block": "gain", "on": "both", "settings": {"gain": (0.0, -8.0, "dB")}, "text": "preamp -8 dB", "findings": ("piano/level-high",),
        "level_dbfs": -10.0, "said_by": "Ana", "said_at": "2026-03-01T18:10:00+00:00",
    }  # fmt: skip
    return DeskChange(**facts | fields)


def fate(one: DeskChange, *, level_dbfs=None, found=(), faders=(), take="second", written="2026-03-01T18:32:00+00:00"):
    [(_, told)] = fates(
        [one], house=HOUSE, desk=DeskState(tap="preamp"), take=take, written_at=written, level_dbfs={"piano": level_dbfs},
        found={"piano": found}, faders=faders,
    )  # fmt: skip
    return told


FADER = {"where": "fader", "block": None, "settings": {"fader": (0.0, -9.0, "dB")}, "findings": ("lead/vocal-covered",)}


@pytest.mark.parametrize(
    ("measured_db", "pm_db", "told"),
    [
        (-9.5, 0.5, "confirmed"),
        (-0.4, 0.5, "contradicted"),
        (-4.5, 0.5, "done"),
        (-0.4, 3.0, "done"),
        (None, None, "done"),
        # half of what is known of it says nothing
        (-9.5, None, "done"),
        (None, 0.5, "done"),
    ],
)
def test_a_fader_where_the_mix_is_recorded(measured_db, pm_db, told):
    fader = Fader(source="piano", written_db=-9.0, measured_db=measured_db, measured_db_pm=pm_db, over_time_db=())
    assert fate(change(**FADER), faders=[fader]) == told
    # and without it the person's word stands
    assert fate(change(**FADER)) == "done"


def test_a_fader_that_nobody_wrote_down_before():
    """From where it was turned is not known: the person's word stands."""
    fader = Fader(source="piano", written_db=-9.0, measured_db=-9.5, measured_db_pm=0.5, over_time_db=())
    assert fate(change(**FADER | {"settings": {"fader": (None, -9.0, "dB")}}), faders=[fader]) == "done"


@pytest.mark.parametrize(
    ("level_dbfs", "found", "told"),
    [
        (-18.2, (), "confirmed"),
        (-10.3, ("piano/level-high",), "contradicted"),
        (-14.0, ("piano/level-high",), "unseen"),
        (-26.0, (), "unseen"),
        (None, (), "unseen"),
    ],
)
def test_a_level(level_dbfs, found, told):
    assert fate(change(), level_dbfs=level_dbfs, found=found) == told
    # the same take shows nothing of it, nor one that was recorded before, nor one that nobody knows the time of
    assert fate(change(), level_dbfs=level_dbfs, found=found, take="first") == "done"
    for written in ("2026-03-01T17:00:00+00:00", None):
        assert fate(change(), level_dbfs=level_dbfs, found=found, written=written) == "unseen"


def test_what_is_no_setting_is_seen_by_its_finding():
    rig = change(where="rig", block=None, settings={}, findings=("piano/hum",))
    assert fate(rig, found=("piano/hum",)) == "contradicted"
    assert fate(rig) == "confirmed"
    assert fate(change(done=False), found=("piano/level-high",)) == "declined"
