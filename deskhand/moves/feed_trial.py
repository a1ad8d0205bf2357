"""Trial of settings on the held phrases of a voice: its clearance, the feed's mono loss, and by how much each source changes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.intelligibility import IMPORTANCE, audible_over_time, level_distortion
from deskhand.moves.giving import BAND_COUNT, Giving, power_gains
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.mix.clearance import TrialPhrase
    from deskhand.moves.giving import Abilities

    Array = NDArray[np.float64]

_MATTERS_DB: Final = 40.0
"""Bands this far below a source's loudest are no part of its sound. Common practice, no source."""
_LEAST: Final = 1e-20
"""Least power that is divided by or brought to decibels: -200 dB. Arithmetic."""
ROUNDING_DB: Final = 1e-9
"""Tolerance of sums of decibels: rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedSettings:
    """Settings of every source that can be turned, and of the voice's fader, against how they stand."""

    giving: Mapping[str, Giving] = field(default_factory=dict)
    """Sources that are turned; all others stay."""
    voice_db: float = 0.0

    def of(self, source: str) -> Giving:
        """Settings of one source."""
        return self.giving.get(source, Giving())


@dataclass(slots=True, eq=False)
class FeedTrial:
    """Phrases of a voice as arrays, with what each source adds, on which settings are tried."""

    held: Sequence[TrialPhrase]
    """With the sources that can be turned in the order of `names`, and all others as one behind them."""
    names: list[str]
    indexed: bool
    """True where clearance is the extended index with its level distortion, else the audible share."""
    middle: Array
    """(sources, 18) energy of the middle over all phrases."""
    side: Array
    """(sources, 18) of the sides."""
    fixed_middle: float
    """Energy of the middle of everything that cannot be turned, without the voice."""
    fixed_side: float
    voice_middle: float
    voice_side: float
    shares: Array
    """(phrases,) of the time."""
    lowered: dict[tuple[int, float], tuple[list[Array], Array, Array]] = field(default_factory=dict)
    """(source, threshold) to its noise in each phrase, and its middle and sides over all."""
    known: dict[bytes, float] = field(default_factory=dict)

    def _energies(self, source: int, threshold_db: float) -> tuple[Array, Array]:
        """(18,) energy of a source's middle and sides over all phrases."""
        if threshold_db:
            _, middle, side = self.lowered[source, threshold_db]
            return middle, side
        return self.middle[source], self.side[source]

    def pct(self, settings: FeedSettings) -> float:
        """Mean clearance in the mono sum, in percent."""
        gains = np.array([power_gains(settings.of(name))[0] for name in self.names]).reshape(-1, BAND_COUNT)
        thresholds_db = np.array([settings.of(name).threshold_db for name in self.names])
        key = gains.tobytes() + thresholds_db.tobytes() + np.float64(settings.voice_db).tobytes()
        if key not in self.known:
            total = 0.0
            moved = [(int(source), float(thresholds_db[source])) for source in np.flatnonzero(thresholds_db)]
            for number, (share, phrase) in enumerate(zip(self.shares, self.held, strict=True)):
                noise = np.einsum("sb,snb->nb", gains, phrase.noise[:-1]) + phrase.noise[-1]
                for source, threshold_db in moved:
                    lowered = self.lowered[source, threshold_db][0][number]
                    noise = np.maximum(noise + gains[source] * (lowered - phrase.noise[source]), 0.0)
                speech_db = phrase.speech_db + settings.voice_db
                distortion = level_distortion(speech_db) if self.indexed else np.ones(BAND_COUNT)
                total += share * float(np.sum(IMPORTANCE * distortion * audible_over_time(speech_db, noise)))
            self.known[key] = 100.0 * float(total)
        return self.known[key]

    def change_db(self, source: str, giving: Giving) -> float:
        """RMS change of a source's level in the feed; of a muted one 0, since no decibels tell it."""
        number = self.names.index(source)
        level = self.middle[number] + self.side[number]
        matters = (level >= level.max() * power_from_db(-_MATTERS_DB)) & (level.max() > _LEAST)
        if giving.nothing or giving.muted or not matters.any():
            return 0.0
        of_middle, of_side = power_gains(giving)
        middle, side = self._energies(number, giving.threshold_db)
        after = of_middle * middle + of_side * side
        moved = np.asarray(db_from_power(np.maximum(after, _LEAST) / np.maximum(level, _LEAST)))
        return float(np.sqrt(np.mean(moved[matters] ** 2)))

    @property
    def sounding(self) -> int:
        """Number of sources that can be turned and sound while the voice does."""
        return int(((self.middle + self.side).max(axis=1, initial=0.0) > _LEAST).sum())

    def feed_energies(self, settings: FeedSettings) -> tuple[float, float]:
        """Energies of the middle and of the sides of the whole feed, voice and all, in the voice's third-octaves."""
        voice_power = float(power_from_db(settings.voice_db))
        middle = self.fixed_middle + voice_power * self.voice_middle
        side = self.fixed_side + voice_power * self.voice_side
        for number, name in enumerate(self.names):
            giving = settings.of(name)
            of_middle, of_side = power_gains(giving)
            mine, sides = self._energies(number, giving.threshold_db)
            middle += float(of_middle @ mine)
            side += float(of_side @ sides)
        return middle, side

    def mono_loss_db(self, settings: FeedSettings) -> float:
        """Mono loss of the whole feed in the voice's third-octaves, in dB, never above 0."""
        middle, side = self.feed_energies(settings)
        return float(db_from_power(max(middle, _LEAST) / max(middle + side, _LEAST)))


def feed_trial(
    held: Sequence[TrialPhrase], names: Sequence[str], abilities: Mapping[str, Abilities], *, indexed: bool
) -> FeedTrial:
    """Phrases of a voice, to try settings on.

    Parameters
    ----------
    held : sequence of TrialPhrase
    names : sequence of str
        Sources that can be turned or muted; all others belong to what stays.
    abilities : mapping
        Knobs of those that can be turned.
    indexed : bool
        Whether clearance is the extended index (with its level distortion) or the audible share.
    """
    every = held[0].names
    turned = [every.index(name) for name in names]
    fixed = [row for row in range(len(every)) if row not in turned]
    parts = [
        replace(phrase, noise=np.concatenate([phrase.noise[turned], phrase.noise[fixed].sum(axis=0, keepdims=True)]))
        for phrase in held
    ]
    middle, side = (np.sum([getattr(phrase, name) for phrase in held], axis=0) for name in ("middle", "side"))
    frames = np.array([phrase.frames for phrase in held], np.float64)
    lowered = {
        (row, threshold_db): (
            [phrase.noise for phrase in several],
            np.sum([phrase.middle for phrase in several], axis=0),
            np.sum([phrase.side for phrase in several], axis=0),
        )
        for row, name in enumerate(names)
        if name in abilities
        for threshold_db, several in abilities[name].thresholds.items()
    }
    return FeedTrial(
        held=parts,
        names=list(names),
        indexed=indexed,
        middle=middle[turned],
        side=side[turned],
        fixed_middle=float(middle[fixed].sum()),
        fixed_side=float(side[fixed].sum()),
        voice_middle=float(sum(phrase.voice_middle for phrase in held)),
        voice_side=float(sum(phrase.voice_side for phrase in held)),
        shares=frames / frames.sum(),
        lowered=lowered,
    )
