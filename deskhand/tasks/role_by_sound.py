"""Role of an input guessed by its sound: distance of a few readings from those of known roles, and how sure the guess is.

Each group of roles is a normal distribution of the readings; all share one covariance. Means and covariance stand in
`role_by_sound.toml`, which `validations/role_by_sound.py` writes.
"""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.house import ROLES
from deskhand.measure.tone import levels_db, octaves
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.house import RoleName
    from deskhand.measure.readings import SourceReading

TABLE: Final = "role_by_sound.toml"
LEAST_OCTAVE_DB: Final = -45.0
"""Octaves softer than this against the whole tone count as this soft: what is softer is noise and bleed (`deskhand.measure.tone`)."""
LEAST_BAND_SHARE: Final = 1e-4
"""Added to the share of a band, so that what hardly sounds differs little: common practice, no source."""
LEAST_STEP_DB: Final = 0.3
"""Added to a step before its logarithm is taken, for the same reason: common practice, no source."""
LEAST_PLAYING_BLOCKS: Final = 30
"""Blocks of 100 ms with playing from which on a sound is told: 3 s, as for a level. Common practice, no source."""
BANDS_HZ: Final = ("63 and 125", "250 and 500", "1000 and 2000", "4000 and 8000")
"""Octaves in pairs."""
READING_NAMES: Final = (
    *(f"octaves {pair} Hz, dB" for pair in BANDS_HZ),
    "crest, dB",
    "articulation, dB",
    "level step from block to block, ln dB",
)
"""Readings that a guess goes by, in the order of the table: chosen on the tune half of `validations/role_by_sound.py`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundGuess:
    """Guess of an input's role by its sound, for a person to confirm."""

    roles: tuple[RoleName, ...]
    """Roles that sound so: one, or a few that sound alike."""
    words: str
    """Them in words, such as "a snare or a tom"."""
    surety: float
    """Probability that it is one of them, among all that the table knows."""

    @property
    def question(self) -> str:
        """Question to ask, such as "sounds like a bass (about 9 in 10): is it?"."""
        return f"sounds like {self.words} (about {int(10 * min(self.surety, 0.99))} in 10): is it?"

    @property
    def answer(self) -> str:
        """Line of the house file that says yes."""
        return " or ".join(f'role = "{role}"' for role in self.roles)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundModel:
    """Readings of each group of roles."""

    roles: tuple[tuple[RoleName, ...], ...]
    """Roles of each group; none for a group that is never guessed."""
    words: tuple[str, ...]
    means: NDArray[np.float64]
    """(groups, readings)."""
    covariance: NDArray[np.float64]
    """(readings, readings), one for all groups."""
    families: tuple[tuple[tuple[int, ...], str], ...]
    """Groups that can be told together where none of them is sure by itself, with their words."""
    least_surety: float
    """Nothing is guessed below."""
    farthest: float
    """Squared Mahalanobis distance a reading from the nearest group, from which on a sound is unlike all."""

    def squared_distances(self, readings: NDArray[np.float64]) -> NDArray[np.float64]:
        """(groups,) squared Mahalanobis distances of (readings,) from each group, over those that are no NaN."""
        measured = np.isfinite(readings)
        apart = readings[measured] - self.means[:, measured]
        return np.asarray(
            np.einsum("gr,gr->g", apart, np.linalg.solve(self.covariance[np.ix_(measured, measured)], apart.T).T)
        )

    def probabilities(self, readings: NDArray[np.float64]) -> NDArray[np.float64]:
        """(groups,) posterior probabilities, each group as likely as the others before.

        References
        ----------
        .. [1] T. Hastie, R. Tibshirani, J. Friedman, The Elements of Statistical Learning, 2nd ed., 2009, eq. 4.7 and 4.9.
        """
        log_likelihood = -0.5 * self.squared_distances(readings)
        likelihood = np.exp(log_likelihood - log_likelihood.max())
        return np.asarray(likelihood / likelihood.sum())

    def guess(self, readings: NDArray[np.float64]) -> SoundGuess | None:
        """Guess by (readings,): the likeliest group, else a family; None where neither is sure, or the sound is unlike all."""
        measured = int(np.isfinite(readings).sum())
        if measured <= len(BANDS_HZ) or self.squared_distances(readings).min() > self.farthest * measured:
            return None
        probabilities = self.probabilities(readings)
        likeliest = int(np.argmax(probabilities))
        choices = [((likeliest,), self.words[likeliest]), *self.families]
        for groups, words in choices:
            roles = tuple(role for group in groups for role in self.roles[group])
            surety = float(probabilities[list(groups)].sum())
            if roles and surety >= self.least_surety:
                return SoundGuess(roles=roles, words=words, surety=surety)
        return None


def readings_of_sound(reading: SourceReading) -> NDArray[np.float64]:
    """(readings,) that a guess goes by, in the order of `READING_NAMES`; NaN for what could not be measured.

    Parameters
    ----------
    reading : SourceReading
        Measured as a source of the role "other".
    """
    values = reading.readings
    playing = reading.activity.blocks[: reading.mean_square.size]
    if values.tone_db is None or playing.sum() < LEAST_PLAYING_BLOCKS:
        return np.full(len(READING_NAMES), np.nan)
    octave_db = db_from_power(octaves(power_from_db(levels_db(values.tone_db))))
    octave_power = power_from_db(np.maximum(octave_db, LEAST_OCTAVE_DB))
    band_shares = octave_power.reshape(len(BANDS_HZ), 2).sum(axis=1) / octave_power.sum()
    block_db = db_from_power(np.maximum(reading.mean_square[: playing.size].astype(np.float64), 1e-12))
    step_db = float(np.median(np.abs(np.diff(block_db)[playing[1:]])))
    return np.array(
        [
            *db_from_power(band_shares + LEAST_BAND_SHARE),
            np.nan if values.crest_db is None else values.crest_db,
            np.nan if values.articulation_db is None else values.articulation_db,
            np.log(step_db + LEAST_STEP_DB),
        ]
    )


def guess_by_sound(reading: SourceReading) -> SoundGuess | None:
    """Guess of an input's role by its sound; None where nothing is sure enough to be asked."""
    return sound_model().guess(readings_of_sound(reading))


def open_guesses(sources: Sequence[str], guesses: Mapping[str, SoundGuess | None]) -> dict[str, SoundGuess]:
    """Guesses to ask about: those of sources whose role no word tells.

    Parameters
    ----------
    sources : sequence of str
        Whose role has to be chosen.
    guesses : mapping
        Source to its guess.
    """
    return {source: guess for source in sources if (guess := guesses.get(source)) is not None}


@functools.cache
def sound_model() -> SoundModel:
    """Model that the project ships."""
    return model_of(tomllib.loads(resources.files("deskhand.tasks").joinpath(TABLE).read_text("utf-8")))


def model_of(table: Mapping[str, Any]) -> SoundModel:
    """Model out of a table as it stands in the file.

    Raises
    ------
    ValueError
        The table knows other readings or roles than this module.
    """
    groups = table["group"]
    if tuple(table["readings"]) != READING_NAMES or any(
        role not in ROLES for group in groups for role in group["roles"]
    ):
        raise ValueError(f"{TABLE} has other readings or roles: run python -m validations.role_by_sound")
    return SoundModel(
        roles=tuple(tuple(group["roles"]) for group in groups),
        words=tuple(group["words"] for group in groups),
        means=np.array([group["mean"] for group in groups], np.float64),
        covariance=np.array(table["covariance"], np.float64),
        families=tuple((tuple(family["groups"]), family["words"]) for family in table.get("family", ())),
        least_surety=float(table["least_surety"]),
        farthest=float(table["farthest"]),
    )
