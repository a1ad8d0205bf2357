"""What the recording's level and its sample rate change in the readings: levels, and nothing but what is stated here.

Level: 20 dB up and down, of sounds that stay below clipping and well above the level below which a source counts as dead.
Every reading is either one that moves by the gain or one that stays. Sample rate: one master, band-limited to 18 kHz, is
resampled to 44.1, 48 and 96 kHz by soxr (its best quality), which has nothing to do with deskhand's pass. Run with `-s` to
see the table of differences; docs/validation-measurements.md has it for real recordings as well.
"""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Final

import pytest

from deskhand.measure.provider import providers
from deskhand.measure.readings import Readings
from tests.support.invariance import (
    LIMITS,
    MASTERS,
    MOVES,
    RATES_HZ,
    ROUNDED,
    read,
    spreads,
)

if TYPE_CHECKING:
    from collections.abc import Iterator


STAYS: Final = (
    "active_fraction", "loudness_range_lu", "crest_db", "tone_db", "sharpness_acum", "loudness_sone",
    "loudness_n5_sone", "harsh_sone", "passage_tone_db", "passage_scatter_db2", "passages", "articulation_db", "tail_s", "tail_octave_s", "hum_db", "width_db", "balance_db",
    "correlation", "mono_loss_db", "delay_ms", "side_tone_db", "side_scatter_db2", "width_octave_db", "mono_loss_octave_db", "level_dbfs_pm", "loud_dbfs_pm",
    "loudness_lufs_pm", "crest_db_pm", "articulation_db_pm", "tail_s_pm", "width_db_pm", "balance_db_pm", "correlation_pm",
    "mono_loss_db_pm", *(provider.name for provider in providers() if not provider.follows_gain),
)  # fmt: skip


def test_every_reading_is_in_one_list() -> None:
    names = {item.name for item in fields(Readings)} - {"not_measured"}
    assert set(MOVES) | set(STAYS) == names
    assert not set(MOVES) & set(STAYS)
    assert set(LIMITS) == names


def test_there_is_something_to_compare() -> None:
    # between them the sounds have every reading
    known = {key.partition(".")[0] for name in MASTERS for key, value in read(name, 96000).items() if value is not None}
    # but for what takes 40 s of playing (tests/measure/test_passages.py)
    assert known == set(LIMITS) - {"passage_scatter_db2", "side_scatter_db2"}


@pytest.mark.parametrize("gain_db", [pytest.param(gain, id=f"{gain:+.0f}-db") for gain in (-20.0, 20.0)])
@pytest.mark.parametrize("name", list(MASTERS))
def test_level_moves_levels_only(name: str, gain_db: float) -> None:
    plain, moved = read(name, 48000), read(name, 48000, gain_db)
    assert moved.keys() == plain.keys()
    for key, before in plain.items():
        after, base = moved[key], key.partition(".")[0]
        assert (before is None) == (after is None), key
        if before is None or after is None:
            continue
        # float32 samples: 1e-7 of each; what is rounded may fall to the other side
        allowed = 0.011 if base in ROUNDED else 2e-3
        assert after == pytest.approx(before + (gain_db if base in MOVES else 0.0), abs=allowed), key


@pytest.fixture(scope="module")
def table() -> Iterator[dict[tuple[str, str], float]]:
    """Collect the differences between rates, by (sound, reading); print them when all is done."""
    rows: dict[tuple[str, str], float] = {}
    yield rows
    sounds = list(dict.fromkeys(sound for sound, _ in rows))
    print(
        f"\n\nlargest difference between 44.1, 48 and 96 kHz\n{'':28s}{'limit':>10s}"
        + "".join(f"{s:>10s}" for s in sounds)
    )
    for reading, limit in LIMITS.items():
        cells = "".join(
            f"{rows[sound, reading]:10.4f}" if (sound, reading) in rows else f"{'':10s}" for sound in sounds
        )
        print(f"{reading:28s}{limit:10.3f}{cells}")


@pytest.mark.source("soxr, quality VHQ: the same sound at other sample rates")
@pytest.mark.parametrize("name", list(MASTERS))
def test_sample_rate_changes_little(name: str, table: dict[tuple[str, str], float]) -> None:
    found = spreads([read(name, rate_hz) for rate_hz in RATES_HZ])
    table |= {(name, reading): spread for reading, spread in found.items()}
    assert {reading: spread for reading, spread in found.items() if spread > LIMITS[reading]} == {}
