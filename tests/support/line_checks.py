"""Line checks of the invented venue, listened to from memory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from deskhand.demo.line_check import LineCheck
from deskhand.demo.venue import SOURCES as _SOURCES
from deskhand.demo.venue import house_text
from deskhand.house import parse_house
from deskhand.live.ring import Ring
from deskhand.live.watch import KEPT_S, Watch, rows_of

RATE_HZ = 48000

NAMES = tuple(track for _, _, tracks, *_ in _SOURCES for track in tracks)

HOUSE = parse_house(house_text(), Path("house.toml"))


def data_of(check: LineCheck) -> np.ndarray:
    return np.array([check.tracks[name] for name in NAMES], np.float32)


def watched(data: np.ndarray, **options: Any) -> Watch:
    """A watch that has heard it all."""
    ring = Ring.of(len(data), round(KEPT_S * RATE_HZ))
    watch = Watch(
        house=HOUSE, inputs=rows_of(HOUSE, NAMES, len(data)), ring=ring, sample_rate_hz=RATE_HZ,
        taps={source.name: "preamp" for source in HOUSE.source}, players={}, **options,
    )  # fmt: skip
    for first in range(0, data.shape[1], 7001):  # whatever the driver hands over
        ring.write(data[:, first : first + 7001])
        watch.advance()
    return watch


def times_s(watch: Watch) -> dict[tuple[str, str], float]:
    """(source, kind) to how long after its player began it was told."""
    return {
        (one.source.name, one.reported[key].kind): told_s - one.began_s
        for one in watch.line.inputs
        for key, told_s in one.reported_s.items()
        if one.began_s is not None and key in one.reported
    }
