"""Tone of what is played again, compared with itself: what a song is in the kept weeks is known of the same passage this week.

The same passage of the same song differs less from week to week than songs do, so that a take of which much was played
before is expected nearer to its own tone, and within a narrower range. Nothing is judged twice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.numbers import tone_vector

if TYPE_CHECKING:
    from deskhand.baseline.model import Baseline
    from deskhand.baseline.predict import Predictive
    from deskhand.store import KeptPart

_AGAIN_SHARE: Final = 0.5
"""Variance of the same passage from week to week over that between songs. Of two guitarists 0.85 dB against 2.0 and 1.1 against 4.2 were
read, which are 0.22 and 0.07; with more, clean weeks are raised no oftener than without it (validations/played_again.py)."""
_WEEK_SHARE: Final = 0.3
"""Share of the variance from week to week that all songs have alike (validations/played_again.py)."""


def again_share(baseline: Baseline, part: KeptPart) -> float | None:
    """Share of a source's playing that kept takes hold too; None where there is none."""
    again = baseline.again.get(part.source) if part.stage == "tap" else None
    return None if again is None else again.share


def expected_again(expected: Predictive, baseline: Baseline, part: KeptPart) -> Predictive:
    """Tone expected of a take, of which kept takes hold some passages.

    Parameters
    ----------
    expected : Predictive
        Of any songs.
    baseline : Baseline
    part : KeptPart
        What is judged.

    References
    ----------
    Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 5.4: the mean of a group of n readings is drawn towards that of all by the
    variance within a group over n, against that between groups.
    """
    again = baseline.again.get(part.source) if part.stage == "tap" else None
    if again is None:
        return expected
    tones = {
        past.take: tone
        for past in baseline.parts.get((part.source, part.stage), ())
        if (past.player is None or part.player is None or past.player == part.player)
        and (tone := tone_vector(past.values)) is not None
    }
    shift = np.zeros_like(expected.location)
    variance = float(again.cells - len(again.takes))
    for apart_db, takes in zip(again.apart_db, again.takes, strict=True):
        held = [tones[take] for take in takes if take in tones]
        if not held:
            variance += 1.0
            continue
        trust = len(held) / (len(held) + _AGAIN_SHARE)
        shift += trust * (np.mean(held, axis=0) + apart_db - expected.location)
        variance += (1.0 + _AGAIN_SHARE - trust) / (1.0 + _AGAIN_SHARE)
    left = _WEEK_SHARE + (1.0 - _WEEK_SHARE) * variance / again.cells
    return replace(expected, location=expected.location + shift / again.cells, scale=left * expected.scale)
