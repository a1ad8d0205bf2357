"""Feeds past a voice, joined from what was measured of each source before and what is run of the others."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from deskhand.mix.clearance import FeedEnergies

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.reuse import KeptMeasurements

    Energies = NDArray[np.floating]
    Sides = tuple[Energies, Energies, Energies]


def reused_feeds(
    settings: Mapping[str, dict[str, Any]],
    pairs: frozenset[str],
    reuse: KeptMeasurements,
    run: Callable[[Collection[str]], Iterator[FeedEnergies]],
) -> Iterator[FeedEnergies]:
    """Feed of each phrase; what is run is kept then.

    Parameters
    ----------
    settings : mapping
        Source to what its energies depend on, beside the recording.
    pairs : frozenset of str
        Sources whose sides differ.
    reuse : KeptMeasurements
    run : callable
        From names of sources to the feed of each phrase with these alone.
    """
    recalled: dict[str, list[Sequence[Energies]]] = {}
    for name in settings:
        phrases = reuse.get("feed", settings[name])
        if phrases is not None:
            recalled[name] = phrases["energies"]
            starts_s = phrases["starts_s"]
    missing = [name for name in settings if name not in recalled]
    new: dict[str, list[Sequence[Energies]]] = {name: [] for name in missing}
    new_starts_s = []
    feeds = (
        run(missing) if missing else (FeedEnergies(start_s=start_s, energies={}, pairs=pairs) for start_s in starts_s)
    )
    for number, feed in enumerate(feeds):
        new_starts_s.append(feed.start_s)
        for name in missing:
            sides = feed.energies[name]
            # single precision, as they are measured
            distinct = sides[:1] if sides[0] is sides[1] is sides[2] else sides
            new[name].append([side.astype(np.float32) for side in distinct])
        yield replace(
            feed,
            pairs=pairs,
            energies={
                name: feed.energies[name] if name in new else _three_sides(recalled[name][number]) for name in settings
            },
        )
    for name, energies in new.items():
        reuse.put("feed", settings[name], {"starts_s": new_starts_s, "energies": energies})


def _three_sides(sides: Sequence[Energies]) -> Sides:
    """Energies in the mono sum, left and right in double precision; one array three times where one is kept."""
    doubles = [side.astype(np.float64) for side in sides]
    return (doubles[0], doubles[0], doubles[0]) if len(doubles) == 1 else (doubles[0], doubles[1], doubles[2])
