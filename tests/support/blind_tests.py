"""Blind tests as the page starts them, and what the history keeps of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tests.support.small_hall import RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.store.records import BlindTest
    from tests.support.small_hall import Asker

CHAIN: Final = [{"block": "bell", "frequency": "1 kHz", "gain": "9 dB"}]
"""Chain that is compared with the house's."""


def looped_lufs(audio: np.ndarray, seconds: float = 12.0) -> float:
    """Loudness of a (2, frames) sound that is played over and over, by libebur128."""
    import pyebur128

    many = np.tile(audio, math.ceil(seconds * RATE_HZ / audio.shape[1]))
    meter = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(many.T).ravel().astype(np.float64), many.shape[1])
    return float(pyebur128.get_loudness_global(meter))


def start(asker: Asker, **how: object) -> Any:
    """Answer of the page to the start of a test of the piano, five trials against the house's chain where nothing else is said."""
    data = {"id": asker.id, "source": "piano", "chain": CHAIN, "start_s": 0, "against": "house", "trials": 5} | how
    return asker.told("blind/start", **data)


def rows(asker: Asker) -> Sequence[BlindTest]:
    """Blind tests that the history keeps."""
    from deskhand.tasks.keep import history_at

    store = history_at(None, asker.hall.house_file)
    try:
        return store.blind_tests(house="Tern Street Hall")
    finally:
        store.close()
