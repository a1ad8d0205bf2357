"""Priors of numbers by role and by stage, before a house has kept anything."""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.baseline.numbers import BY_NAME, LEVEL, NOISE, TONE
from deskhand.baseline.predict import Prior
from deskhand.baseline.spreads import TONE_PLAYER_RATIO, player_ratio_of, tone_covariance
from deskhand.house.roles import ROLES

STRENGTH: Final = 4.0
"""Takes that the prior spread of a role is worth. Common practice, no source; coverage is measured in docs/validation-normal.md."""
BY_SONG_STRENGTH: Final = 8.0
"""The same for what varies more in one role than in others, by the song: a few weeks show only a few songs, and how narrow it is takes longer
to learn (validations/clean_stage.py, half to tune on)."""
TURN: Final = "turn"
"""Stage of the readings of an input's turn in a line check: a sentence, or a few bars."""
_TURN_FACTORS: Final = {TONE: 0.1, LEVEL.name: 4.0, NOISE.name: 1.0}
"""Factor on the variance of each number from one turn to the next, against that from week to week of songs (docs/validation-line-memory.md)."""
_TURN_DOF: Final = 8.0
"""Degrees of freedom of a turn's distribution at most: now and then a turn is quite another thing (docs/validation-line-memory.md)."""


def goes_by_song(name: str, role: str, stage: str) -> bool:
    """True where a number goes by the song in a role, so that a few weeks show little of how it varies; never in a turn.

    Parameters
    ----------
    name : str
        Of the number; `TONE` for tone.
    role, stage : str
    """
    if stage == TURN:
        return False
    if name == TONE:
        # the mix goes by who plays in a song
        return role not in ROLES or ROLES[role].goes_by_song
    # what varies more in one role does so by the song
    number = BY_NAME[name].prior
    return number.spread_of(role) > number.spread


def role_prior(name: str, role: str, stage: str) -> Prior:
    """Prior of a number in a role at a stage, before anything is kept.

    Parameters
    ----------
    name : str
        Of the number; `TONE` for tone.
    role, stage : str
    """
    if name == TONE:
        covariance, ratio = tone_covariance(role), TONE_PLAYER_RATIO
    else:
        number = BY_NAME[name].prior
        covariance, ratio = np.array([[number.spread_of(role) ** 2]]), number.player_ratio
    if stage == TURN:
        covariance = _TURN_FACTORS[name] * covariance
    return Prior(
        covariance=covariance,
        strength=BY_SONG_STRENGTH if goes_by_song(name, role, stage) else STRENGTH,
        player_ratio=player_ratio_of(ratio, role),
        most_dof=_TURN_DOF if stage == TURN else np.inf,
    )
