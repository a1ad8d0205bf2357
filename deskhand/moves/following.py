"""Faders that are set again by ear behind a preamp that came down: each source is then as loud in the feed as it was."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.mix.voices import hold_feeds
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from deskhand.mix.clearance import FeedEnergies
    from deskhand.mix.voices import FeedStrip
    from deskhand.recording import Recording

FADER_TOP_DB: Final = 10.0
"""Setting at which a fader ends. Common practice, no source."""


def following_db(
    recording: Recording,
    standing: Mapping[str, FeedStrip],
    moved: Mapping[str, FeedStrip],
    names: Collection[str],
    faders_db: Mapping[str, float],
    spans_s: Sequence[tuple[float, float]],
    *,
    folder: Path | None = None,
    threads: int = 2,
) -> dict[str, float]:
    """Rise of each fader in dB, 0 or more, that keeps its source as loud in the feed as it is without the moves.

    Parameters
    ----------
    recording : Recording
    standing, moved : mapping
        Source to its strip as it stands, and with the moves of its chain; faders as they are written down.
    names : collection of str
        Sources whose faders are set again by ear; those that are not in the feed are left out.
    faders_db : mapping
        Source to its fader, which goes no higher than its top.
    spans_s : sequence of (float, float)
        Start and end of the stretches in which their levels are compared, in order.
    folder : Path, optional
        Of the house file.
    threads : int
    """
    names = [name for name in names if name in standing and name in moved]
    if not names:
        return {}
    levels_db = [
        _levels_db(hold_feeds(recording, _only(strips, names), spans_s, folder=folder, threads=threads), names)
        for strips in (standing, moved)
    ]
    return {
        name: float(np.clip(before_db - after_db, 0.0, max(0.0, FADER_TOP_DB - faders_db.get(name, 0.0))))
        for name, before_db, after_db in zip(names, *levels_db, strict=True)
        if np.isfinite(before_db) and np.isfinite(after_db)
    }


def _only(strips: Mapping[str, FeedStrip], names: Collection[str]) -> dict[str, FeedStrip]:
    return {name: strip for name, strip in strips.items() if name in names}


def _levels_db(feeds: Sequence[FeedEnergies], names: Sequence[str]) -> list[float]:
    """Level of each source over all stretches, both sides added; -inf for one that is silent."""
    return [
        float(db_from_power(sum(float(np.sum(side)) for feed in feeds for side in feed.energies[name][1:])))
        for name in names
    ]
