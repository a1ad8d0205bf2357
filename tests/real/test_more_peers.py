"""Loudness against libebur128, third-octaves against IEC 61260-1 and a filter bank, on stretches of real audio.

`validations/measurements.py` compares the same on whole recordings. Nothing here computes with deskhand but the one reading.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
import pytest
import soundfile

from tests.support import material
from tests.support.feed import reading_of
from tests.support.third_octaves import (
    HEARD_DB,
    apart_db,
    bank,
    corridor,
    libebur128,
    third_octaves,
)

pytestmark = pytest.mark.real

RATE_HZ: Final = 44100
STRETCH_S: Final = 40.0
SHORT_S: Final = 15.0
"""Of that, what slow peers get."""
PIECES: Final = {
    "Escape from chaosland, guitar": 176.0,
    "Feelings, guitar": 200.0,
    "Metal madness, guitar": 113.0,
    "War of freedom, guitar": 115.0,
    "War of freedom, song": 57.0,
    "vocadito_10, voice": 0.0,
    "vocadito_14, voice": 0.0,
}
"""Where a stretch begins: of a song, the one whose level moves least."""
IDS: Final = [piece.replace(", ", "-").replace(" ", "-").lower() for piece in PIECES]


@functools.cache
def stretch(piece: str) -> np.ndarray:
    """(channels, frames) of 40 s; a voice whole."""
    name, stem = piece.split(", ")
    folder = material.voice(name) if stem == "voice" else material.guitar_song(name)
    samples, rate_hz = soundfile.read(
        folder / f"{stem}.wav", start=round(PIECES[piece] * RATE_HZ), frames=round(STRETCH_S * RATE_HZ), always_2d=True
    )
    assert rate_hz == RATE_HZ
    return np.ascontiguousarray(samples.T)


TOLERANCES: Final = {
    # EBU Tech 3341 allows 0.1 LU; the two lie 0.004 LU apart throughout, as each derives the weighting for a rate its own way
    "loudness_lufs": 0.02,
    "momentary_max_lufs": 0.02,
    "short_term_max_lufs": 0.02,
    # EBU Tech 3341: +0.2 / -0.4 dB; the peer's interpolator is another
    "true_peak_dbtp": 0.1,
}


@pytest.mark.source("libebur128 through pyebur128, fed 10 ms at a time")
@pytest.mark.parametrize("piece", [pytest.param(piece, id=name) for piece, name in zip(PIECES, IDS, strict=True)])
def test_libebur128_agrees(piece: str) -> None:
    samples = stretch(piece)[:, : round(SHORT_S * RATE_HZ)]
    ours = reading_of(samples, sample_rate_hz=RATE_HZ).readings
    theirs = libebur128(samples, RATE_HZ)
    apart = {name: getattr(ours, name) - theirs[name] for name in TOLERANCES}
    print(piece, {name: round(value, 4) for name, value in apart.items()})
    assert {name: value for name, value in apart.items() if abs(value) > TOLERANCES[name]} == {}


STEADY: Final = [pytest.param(piece, id=name) for piece, name in zip(PIECES, IDS, strict=True) if "voice" not in piece]


@pytest.mark.source("IEC 61260-1:2014, Table 1, class 1, one-third octave: what a filter may let through of this sound")
@pytest.mark.parametrize("piece", STEADY)
def test_bands_lie_in_the_corridor_of_class_1(piece: str) -> None:
    samples = stretch(piece)
    found = third_octaves(samples, RATE_HZ)
    least, most = corridor(samples, RATE_HZ)
    heard = found > found.sum() * 10.0 ** (HEARD_DB / 10)
    assert heard.sum() >= 15
    inside_db = 10 * np.log10(np.minimum(found / least, most / found))[heard]
    print(piece, f"{inside_db.min():.2f} dB inside at least")
    assert inside_db.min() >= 0.0


# a filter's skirts let strong tones into the bands beside theirs: the steeper, the less
@pytest.mark.source("scipy: Butterworth band-passes of order 3 (IEC 61260-1 class 1) and 10 in each third-octave")
@pytest.mark.parametrize("piece", [one for one in STEADY if str(one.id).startswith(("metal", "war"))])
def test_a_filter_bank_agrees(piece: str) -> None:
    samples = stretch(piece)[:1, : round(SHORT_S * RATE_HZ)]
    ours = third_octaves(samples, RATE_HZ)
    for order, rms_db, mean_db in ((3, 1.0, 0.5), (10, 0.5, 0.15)):
        apart = apart_db(ours, bank(samples, RATE_HZ, order=order))
        print(
            piece,
            f"order {order}: mean {apart.mean():.2f}, RMS {np.sqrt(np.mean(apart**2)):.2f}, {np.abs(apart).max():.2f} at most",
        )
        assert np.sqrt(np.mean(apart**2)) <= rms_db
        assert abs(apart.mean()) <= mean_db
