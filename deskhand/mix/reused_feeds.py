"""Feeds past a voice, joined from what was measured of each source before and what is run of the others."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from dataclasses import replace
from typing import IO, TYPE_CHECKING, Any, Self

import numpy as np

from deskhand.leftovers import unfinished_prefix
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
    starts_s: list[float] = []
    for name in settings:
        phrases = reuse.get("feed", settings[name])
        if phrases is not None:
            recalled[name] = phrases["energies"]
            starts_s = phrases["starts_s"]
    missing = [name for name in settings if name not in recalled]
    new_starts_s = []
    feeds = (
        run(missing) if missing else (FeedEnergies(start_s=start_s, energies={}, pairs=pairs) for start_s in starts_s)
    )
    with _EnergiesFile() as file:
        for number, feed in enumerate(feeds):
            new_starts_s.append(feed.start_s)
            for name in missing:
                sides = feed.energies[name]
                file.add(name, sides[:1] if sides[0] is sides[1] is sides[2] else sides)
            yield replace(
                feed,
                pairs=pairs,
                energies={
                    name: _three_sides(recalled[name][number]) if name in recalled else feed.energies[name]
                    for name in settings
                },
            )
        for name in missing if file.is_whole else ():
            reuse.put("feed", settings[name], {"starts_s": new_starts_s, "energies": file.of(name)})


class _EnergiesFile:
    """Temporary file of energies of many sources, phrase by phrase: all of them would be a tenth of a check's memory."""

    def __init__(self) -> None:
        self.is_whole = True
        """False once the disk took no more."""
        self._file: IO[bytes] | None = None
        self._places: dict[str, list[list[tuple[int, tuple[int, ...]]]]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            with suppress(OSError):
                self._file.close()

    def add(self, name: str, sides: Sequence[Energies]) -> None:
        """Write the sides of a source in the next phrase, in single precision, as they are measured."""
        if not self.is_whole:
            return
        places = []
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix=unfinished_prefix(hidden=False))  # noqa: SIM115 - closed on leaving
            for side in sides:
                places.append((self._file.tell(), side.shape))
                self._file.write(np.ascontiguousarray(side, np.float32).data)
        except OSError:
            self.is_whole = False
        self._places.setdefault(name, []).append(places)

    def of(self, name: str) -> list[list[Energies]]:
        """Energies (frames, 18) of a source: its sides in each phrase."""
        phrases = []
        for places in self._places.get(name, ()):
            assert self._file is not None  # something was written
            sides: list[Energies] = []
            for offset, shape in places:
                self._file.seek(offset)
                size = shape[0] * shape[1] * np.dtype(np.float32).itemsize
                sides.append(np.frombuffer(self._file.read(size), np.float32).reshape(shape))
            phrases.append(sides)
        return phrases


def _three_sides(sides: Sequence[Energies]) -> Sides:
    """Energies in the mono sum, left and right in double precision; one array three times where one is kept."""
    doubles = [side.astype(np.float64) for side in sides]
    return (doubles[0], doubles[0], doubles[0]) if len(doubles) == 1 else (doubles[0], doubles[1], doubles[2])
