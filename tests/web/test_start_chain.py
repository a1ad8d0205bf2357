"""A chain begun on the page with the blocks that a role usually has: nothing in it is turned, and nothing sounds different."""

from __future__ import annotations

import json
import re
from html import unescape

import numpy as np
import pytest

from deskhand.chain.run import Chain
from deskhand.dsp.spectrum import exact_hz
from deskhand.house import BLOCKS, ROLES, made_blocks
from deskhand.house.blocks import unturned_chain
from tests.support.small_hall import HOUSE, Asker, small_hall

RATE_HZ = 48000
INAUDIBLE_DB = 0.01
"""A hundredth of the 1 dB of level that is just noticed (Zwicker & Fastl, Psychoacoustics, 3rd ed. 2007, 7.1)."""


def processed(written, signal):
    chain = Chain(made_blocks(written), channels=signal.shape[0], sample_rate_hz=RATE_HZ)
    return chain.process(signal.astype(np.float64))


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(
    "block", [name for name in BLOCKS if BLOCKS[name].unturned is not None and name != "high-pass"]
)
def test_a_block_that_is_not_turned_changes_no_sample(rng, block, channels):
    """Loud and quiet, so that what goes by a threshold passes it both ways."""
    signal = rng.standard_normal((channels, RATE_HZ)) * np.repeat([0.3, 0.0003, 0.3, 0.01], RATE_HZ // 4)
    if block == "mid-side" and channels == 1:
        return  # it is for pairs
    assert np.abs(processed(unturned_chain([block]), signal) - signal).max() < 1e-9


def test_the_high_pass_changes_no_level_that_is_heard(rng):
    """Its response by an impulse, from 20 Hz on: the lowest that is heard (ISO 226:2023, its lowest frequency)."""
    impulse = np.zeros((1, 8 * RATE_HZ))
    impulse[0, 0] = 1.0
    spectrum = np.fft.rfft(processed(unturned_chain(["high-pass"]), impulse)[0])
    hz = np.fft.rfftfreq(impulse.shape[1], 1 / RATE_HZ)
    response_db = 20 * np.log10(np.abs(np.interp(exact_hz(), hz, np.abs(spectrum))))
    assert np.abs(response_db[exact_hz() > 19.0]).max() < INAUDIBLE_DB


@pytest.mark.parametrize("role", list(ROLES))
def test_the_usual_chain_of_a_role_sounds_like_none(rng, role):
    chain = unturned_chain(ROLES[role].usual_blocks)
    # each of its blocks has settings with which nothing changes
    assert [block["block"] for block in chain] == list(ROLES[role].usual_blocks)
    if not chain:
        return
    signal = 0.1 * rng.standard_normal((1, 4 * RATE_HZ))
    through = processed(chain, signal)
    bins = np.fft.rfftfreq(signal.shape[1], 1 / RATE_HZ) >= 20.0
    before, after = (np.abs(np.fft.rfft(one[0]))[bins] ** 2 for one in (signal, through))
    assert abs(10 * np.log10(after.sum() / before.sum())) < INAUDIBLE_DB
    octaves = [slice(start, 2 * start) for start in (80, 320, 1280, 5120, 20480)]
    assert all(abs(10 * np.log10(after[one].sum() / before[one].sum())) < INAUDIBLE_DB for one in octaves)


def test_what_has_no_such_settings_is_left_out():
    assert unturned_chain(["limiter", "bell", "delay", "pan"]) == [
        {"block": "bell", "frequency": "1 kHz", "gain": "0 dB", "q": 1}
    ]


class TestPage:
    @pytest.fixture
    def asker(self, tmp_path):
        with Asker(small_hall(tmp_path / "hall")) as made:
            yield made

    def settings(self, asker, index):
        page = asker.get(f"/show/{asker.id}/source/{index}").text
        return page, json.loads(unescape(re.search(r'data-settings="(.*?)"', page)[1]))

    def test_the_blocks_of_the_role_are_offered(self, asker):
        page, settings = self.settings(asker, 1)
        assert settings["usual"] == unturned_chain(ROLES["lead vocal"].usual_blocks)
        assert "Usual for lead vocal: high-pass, bell, high shelf, compressor." in page
        assert 'id="start-chain"' in page

    def test_it_is_tried_and_saved_like_any_other(self, asker):
        _, settings = self.settings(asker, 1)
        plain = asker.told("try", id=asker.id, source="lead voice", chain=[], start_s=0)
        begun = asker.told("try", id=asker.id, source="lead voice", chain=settings["usual"], start_s=0)
        assert len(begun["steps"]) == 4
        assert all(not step["reduction"] or re.search(r"\b0\b", step["reduction"]) for step in begun["steps"])
        # its level may be another: this noise has a part below 1 Hz, which nobody hears, and which no loudness counts
        loudness = [next(row["tried"] for row in tried["numbers"] if row["unit"] == "LUFS") for tried in (plain, begun)]
        assert loudness[0] == loudness[1]
        saved = asker.told(
            "save",
            id=asker.id,
            source="lead voice",
            chain=settings["usual"],
            fader="0 dB",
            base={"chain": [], "fader": "0 dB"},
        )
        assert saved["base"]["chain"] == settings["usual"]
        week = (asker.hall.root / "week-2026-03-01.toml").read_text("utf-8")
        assert 'frequency = "1 Hz"' in week
        assert (asker.hall.root / "house.toml").read_text("utf-8") == HOUSE
