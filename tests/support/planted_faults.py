"""Faults planted several at a time, each with where and when it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.demo import faults

if TYPE_CHECKING:
    from collections.abc import Callable

    Fault = tuple[Callable[[dict[str, np.ndarray]], Any], str, str, tuple[float, ...]]
    """Planted by this, at this source, of this kind, at these times in s."""

TIME_TOLERANCE_S = 0.2
"""Two blocks of 100 ms."""

RNG = np.random.default_rng(5)

CASES: Final[dict[str, list[Fault]]] = {
    "levels, a howl, a side": [
        (lambda t: faults.gain(t, ["spk lectern"], -80.0), "lectern", "silent", ()),
        (lambda t: faults.gain(t, ["gtr a l", "gtr a r"], 4.6), "guitar a", "level-high", ()),
        (lambda t: faults.gain(t, ["agtr"], -5.0), "acoustic", "level-low", ()),
        (lambda t: faults.clicks(t, "pno l", (18.0, 21.123, 24.0)), "piano", "clicks", (18.0, 21.123, 24.0)),
        (lambda t: faults.gain(t, ["pb r"], -20.0), "playback", "one-sided", ()),
        (lambda t: faults.howl(t, "bv 1", 18.5, RNG), "voice 2", "howl", (19.5,)),
    ],
    "clipped below full scale, hum beside its pitch, gaps": [
        (lambda t: t.pop("kick"), "kick", "missing", ()),
        (lambda t: faults.clip(t, "lead vox", 9.0, 0.0), "lead voice", "clipped", ()),
        (lambda t: faults.offset(t, "bass", 0.01), "bass", "dc", ()),
        (lambda t: faults.hum(t, "agtr", -60.0, 49.6), "acoustic", "hum", ()),
        (lambda t: faults.dropouts(t, "bv 1", (19.0, 22.5)), "voice 2", "dropout", ()),
        (lambda t: t.update({"pno r": t["pno l"].copy()}), "piano", "duplicate", ()),
    ],
    "what dies, what is late or upside down": [
        (lambda t: faults.wireless_hits(t, "spk lectern", (3.0, 5.0), RNG), "lectern", "wireless-hit", (3.0, 5.0)),
        (lambda t: faults.dies(t, "oh l", 15.0, RNG), "overheads", "one-sided", (15.0,)),
        (lambda t: faults.dies(t, "bass", 20.0, RNG), "bass", "silent", (20.0,)),
        (lambda t: faults.invert(t, "pno l"), "piano", "polarity", ()),
        (lambda t: faults.late(t, "pb r", 0.006), "playback", "delay", ()),
    ],
    "a voice in two inputs, a click in a line input": [
        (lambda t: t.update({"bv 2": t["bv 1"].copy()}), "voice 3", "duplicate", ()),
        (lambda t: faults.leak(t, "click", "pno l", -10.0), "piano", "in-the-mix", ()),
    ],
}  # fmt: skip
