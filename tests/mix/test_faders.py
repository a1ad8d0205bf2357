"""Faders planted in mixes of real stems, songs and voices, and found again; what cannot be told apart is not told.

The mix is made with numpy here: gains, and one channel in the centre at -3.01 dB.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.support import material
from tests.support.fader_mixes import LENGTH_S, RATE_HZ, WRITTEN_DB, band, errors_db, found, mixed, planted, stems
from tests.support.signals import white

if TYPE_CHECKING:
    pass

pytestmark = pytest.mark.real


@pytest.mark.source("planted here with numpy: the faders that made the mix")
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("title", material.TITLES[:2])
def test_faders_of_a_band(title: str, seed: int) -> None:
    sources = band(title)
    written_db, true_db = planted(list(sources), seed)
    faders = found(sources, mixed(sources, true_db), written_db)
    off_db = errors_db(faders, true_db)
    assert set(off_db) == set(sources)
    assert max(map(abs, off_db.values())) < 1.5
    for name, fader in faders.items():
        assert fader.written_db == written_db[name]
        assert fader.measured_db_pm is not None
        assert fader.over_time_db
        for _, level_db in fader.over_time_db:
            assert level_db == pytest.approx(fader.measured_db, abs=2.0)


@pytest.mark.source("planted here with numpy: the faders that made the mix")
@pytest.mark.parametrize("seed", range(3))
def test_faders_of_stems(seed: int) -> None:
    sources = stems()
    written_db, true_db = planted(list(sources), seed)
    faders = found(sources, mixed(sources, true_db), written_db)
    off_db = errors_db(faders, true_db)
    assert len(off_db) >= 3
    for name, value_db in off_db.items():
        # within 1.5 dB, or within what it says itself
        assert abs(value_db) < max(1.5, faders[name].measured_db_pm or 0.0), name


def test_a_fader_that_moves_is_seen_over_time() -> None:
    sources = band(material.TITLES[0])
    steady = dict.fromkeys(sources, WRITTEN_DB)
    half = LENGTH_S * RATE_HZ * 2 // 3
    mix = mixed(sources, steady)
    mix[:, half:] = mixed(sources, steady | {"guitar": WRITTEN_DB + 6.0})[:, half:]
    over = dict(found(sources, mix)["guitar"].over_time_db)
    assert set(over) == {0.0, 20.0}
    assert over[20.0] - over[0.0] == pytest.approx(6.0, abs=1.0)


def test_what_is_not_in_the_mix_is_not_told() -> None:
    sources = band(material.TITLES[0]) | {"silent": np.zeros((1, LENGTH_S * RATE_HZ))}
    true_db: dict[str, float | None] = dict.fromkeys(sources, WRITTEN_DB)
    true_db["vocadito_10"] = None
    faders = found(sources, mixed(sources, true_db))
    assert faders["silent"].measured_db is None
    assert faders["vocadito_10"].measured_db is None
    assert faders["vocadito_10"].over_time_db == ()
    others_db = dict.fromkeys(("guitar", "song", "vocadito_14"), WRITTEN_DB)
    off_db = errors_db(faders, others_db)
    assert set(off_db) == set(others_db)
    assert max(map(abs, off_db.values())) < 1.0


def test_those_that_are_not_in_the_mix_do_not_move_the_others() -> None:
    """Three of five are not in it: the median over all would be one of theirs."""
    sources = band(material.TITLES[0]) | {"silent": np.zeros((1, LENGTH_S * RATE_HZ))}
    true_db: dict[str, float | None] = dict.fromkeys(sources, None)
    true_db |= {"guitar": WRITTEN_DB, "song": WRITTEN_DB}
    told_db = {name: fader.measured_db for name, fader in found(sources, mixed(sources, true_db)).items()}
    assert {name for name, level_db in told_db.items() if level_db is not None} == {"guitar", "song"}
    # both stand where they are written, and nothing else is there to be set against
    assert told_db["guitar"] == pytest.approx(WRITTEN_DB, abs=1.0)
    assert told_db["song"] == pytest.approx(WRITTEN_DB, abs=1.0)


def test_what_drowns_is_not_told() -> None:
    sources = band(material.TITLES[0])
    true_db = dict.fromkeys(sources, WRITTEN_DB)
    faders = found(sources, mixed(sources, true_db | {"vocadito_14": WRITTEN_DB - 50.0}))
    assert faders["vocadito_14"].measured_db is None


def test_the_level_of_the_whole_mix_does_not_matter() -> None:
    sources = band(material.TITLES[1])
    true_db = dict.fromkeys(sources, WRITTEN_DB) | {"guitar": 0.0}
    mix = mixed(sources, true_db)
    plain, loud = (found(sources, gain * mix) for gain in (0.25, 1.0))
    for name, fader in plain.items():
        assert fader.measured_db == pytest.approx(loud[name].measured_db, abs=0.2)


def test_something_else_in_the_mix_does_little(rng: np.random.Generator) -> None:
    sources = band(material.TITLES[0])
    true_db = dict.fromkeys(sources, WRITTEN_DB)
    mix = mixed(sources, true_db)
    mix += white(rng, LENGTH_S, -50.0, rate_hz=RATE_HZ)
    assert max(map(abs, errors_db(found(sources, mix), true_db).values())) < 1.5


@pytest.mark.parametrize(("first_db", "second_db"), [(-6.0, -6.0), (-16.0, -6.0)])
def test_two_tracks_of_one_sound_are_not_told(first_db: float, second_db: float) -> None:
    sources = band(material.TITLES[0])
    sources = sources | {"twin": sources["guitar"]}
    true_db = dict.fromkeys(sources, WRITTEN_DB) | {"guitar": first_db, "twin": second_db}
    faders = found(sources, mixed(sources, true_db))
    for name in ("guitar", "twin"):
        fader = faders[name]
        assert fader.measured_db is None or (fader.measured_db_pm or 0.0) >= abs(fader.measured_db - true_db[name])


def test_a_silent_mix_tells_nothing() -> None:
    faders = found(band(material.TITLES[0]), np.zeros((2, LENGTH_S * RATE_HZ)))
    assert all(fader.measured_db is None for fader in faders.values())
