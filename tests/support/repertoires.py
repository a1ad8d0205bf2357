"""Houses of made readings: sources whose tone differs from song to song by as much as real ones do, weeks of several songs, and filters planted.

What is drawn are third-octave levels, as a take keeps them, so that thousands of weeks take minutes. Nothing of the package makes
them but the layout in which they are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import signal

from deskhand.baseline.model import baseline_of
from deskhand.dsp.spectrum import NOMINAL_HZ, exact_hz
from deskhand.measure.passages import PASSAGE_S, passage_tones
from deskhand.store import KeptPart, TakeRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.model import Baseline

    Array = NDArray[np.float64]

HZ: Final = exact_hz()
_OCTAVE: Final = np.log2(HZ / 1000.0)
# octave levels from 63 Hz to 8 kHz by role; the guitar's as measured on a recorded stereo guitar, the others common practice, no source
_ROLES: Final[dict[str, tuple[float, ...]]] = {
    "guitar": (-36, -15, -5, -5, -6, -10, -15, -33),
    "bass": (-6, -4, -8, -12, -18, -26, -34, -44),
    "keys": (-28, -14, -6, -4, -8, -13, -19, -30),
    "lead vocal": (-40, -16, -6, -4, -8, -12, -16, -22),
    "acoustic guitar": (-30, -12, -7, -8, -8, -9, -12, -18),
    "snare": (-25, -10, -5, -8, -9, -9, -8, -12),
}
SOURCES: Final = 14
SPREAD_DB: Final = 2.2
"""Median spread from song to song: 1.8 and 2.5 dB were read of two guitarists' songs (mean of the octaves from 125 Hz to 8 kHz)."""
_SPREADS_APART: Final = 0.4
"""Spread of the spreads themselves, in natural logarithms: they lie from 1.1 to 4.5 dB."""
_WEEK_DB: Final = 0.35
"""What differs from week to week in all songs alike."""
_AGAIN_SHARE, _PASSAGE_SHARE = 0.4, 0.5
"""How one song differs when it is played another night, and one passage of it from another, as shares of how songs differ."""
PASSAGES: Final = 3
"""Passages of a song."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """A filter planted into a source."""

    response_db: Array
    gain_db: float
    frequency_hz: float
    roles: tuple[str, ...] = tuple(_ROLES)
    gross: bool = False
    """8 dB and more over an octave and more, or a high-pass at 300 Hz and above in a voice."""
    kind: str = ""


def _cookbook(kind: str, frequency_hz: float, gain_db: float = 0.0, q: float = 1.0) -> Array:
    """Magnitude of an analogue prototype of the Audio EQ Cookbook (W3C Working Group Note, 8 June 2021), in third-octaves."""
    amplitude = 10 ** (gain_db / 40)
    root = np.sqrt(amplitude)
    b, a = {
        "bell": ([1, amplitude / q, 1], [1, 1 / (amplitude * q), 1]),
        "high shelf": (
            np.multiply(amplitude, [amplitude, root / q, 1]),
            [1, root / q, amplitude],
        ),
        "low shelf": (
            np.multiply(amplitude, [1, root / q, amplitude]),
            [amplitude, root / q, 1],
        ),
        "high-pass": ([1, 0, 0], [1, np.sqrt(2), 1]),
    }[kind]
    return np.asarray(20 * np.log10(np.abs(signal.freqs(b, a, HZ / frequency_hz)[1])))


_VOICE: Final = ("lead vocal",)
_TOPPED: Final = ("guitar", "keys", "lead vocal", "acoustic guitar", "snare")
PLANTS: Final[dict[str, Plant]] = {
    "bell +4 dB at 3 kHz": Plant(response_db=_cookbook("bell", 3000, 4), gain_db=4, frequency_hz=3000, roles=_TOPPED),
    "bell +6 dB at 3 kHz": Plant(response_db=_cookbook("bell", 3000, 6), gain_db=6, frequency_hz=3000, roles=_TOPPED),
    "bell -6 dB at 500 Hz": Plant(response_db=_cookbook("bell", 500, -6), gain_db=-6, frequency_hz=500),
    "top -6 dB above 4 kHz": Plant(
        response_db=_cookbook("high shelf", 4000, -6, 0.7), gain_db=-6, frequency_hz=4000, roles=_TOPPED
    ),
    "shelf -10 dB above 2.5 kHz": Plant(
        response_db=_cookbook("high shelf", 2500, -10, 0.7), gain_db=-10, frequency_hz=2500, roles=_TOPPED, gross=True
    ),
    "shelf -9 dB above 3 kHz, a voice": Plant(
        response_db=_cookbook("high shelf", 3000, -9, 0.7), gain_db=-9, frequency_hz=3000, roles=_VOICE, gross=True
    ),
    "shelf +8 dB above 3 kHz": Plant(
        response_db=_cookbook("high shelf", 3000, 8, 0.7), gain_db=8, frequency_hz=3000, roles=_TOPPED, gross=True
    ),
    "bass without its lows, -9 dB below 150 Hz": Plant(
        response_db=_cookbook("low shelf", 150, -9, 0.7), gain_db=-9, frequency_hz=150, roles=("bass",), gross=True
    ),
    "high-pass 300 Hz, a voice": Plant(
        response_db=_cookbook("high-pass", 300), gain_db=-3, frequency_hz=300, roles=_VOICE, gross=True
    ),
    "high-pass 500 Hz, a voice": Plant(
        response_db=_cookbook("high-pass", 500), gain_db=-3, frequency_hz=500, roles=_VOICE, gross=True
    ),
}


_DRAWN: Final = {"bell": (150, 6000, 0.7, 2.0), "low shelf": (100, 600, 0.5, 0.9), "high shelf": (1000, 5000, 0.5, 0.9)}
"""Kind to the lowest and highest frequency, and to the lowest and highest Q, between which filters are drawn."""
_DRAWN_DB: Final = (3.0, 12.0)


def drawn_plant(rng: np.random.Generator) -> Plant:
    """Bell or shelf of a frequency, a gain and a width drawn by chance."""
    kind = list(_DRAWN)[rng.integers(len(_DRAWN))]
    low_hz, high_hz, least_q, most_q = _DRAWN[kind]
    frequency_hz = float(np.exp(rng.uniform(np.log(low_hz), np.log(high_hz))))
    gain_db = float(rng.choice([-1, 1]) * rng.uniform(*_DRAWN_DB))
    response_db = _cookbook(kind, frequency_hz, gain_db, rng.uniform(least_q, most_q))
    return Plant(response_db=response_db, gain_db=gain_db, frequency_hz=frequency_hz, kind=kind)


def _smooth(rng: np.random.Generator, count: int, reach_octave: float, spread_db: float) -> Array:
    """(count, 31) normal deviations that go together over so many octaves."""
    covariance = np.exp(-0.5 * ((_OCTAVE[:, None] - _OCTAVE) / reach_octave) ** 2) + 1e-6 * np.eye(HZ.size)
    return np.asarray(spread_db * rng.standard_normal((count, HZ.size)) @ np.linalg.cholesky(covariance).T)


def _octave_levels_db(thirds_db: Array) -> Array:
    """(..., 7) levels of the octaves from 125 Hz to 8 kHz against the whole."""
    power = 10 ** (thirds_db / 10)
    centres = [NOMINAL_HZ.index(hz) for hz in (125, 250, 500, 1000, 2000, 4000, 8000)]
    octaves = np.stack([power[..., centre - 1 : centre + 2].sum(axis=-1) for centre in centres], axis=-1)
    return np.asarray(10 * np.log10(octaves / power.sum(axis=-1, keepdims=True)))


class MadeSource:
    """A source with a repertoire: how each song's tone differs, calibrated so that songs differ by a given spread."""

    def __init__(self, rng: np.random.Generator, name: str) -> None:
        self.name = name
        self.role = list(_ROLES)[rng.integers(len(_ROLES))]
        known = np.interp(
            _OCTAVE, np.log2(np.array([63, 125, 250, 500, 1000, 2000, 4000, 8000]) / 1000), _ROLES[self.role]
        )
        # 12 dB an octave beyond the ends, and each instrument its own
        beyond = np.maximum(np.log2(63 / HZ), 0) + np.maximum(np.log2(HZ / 8000), 0)
        self.usual_db = known - 12 * beyond + _smooth(rng, 1, 1.0, 2.0)[0]
        # how far songs differ is another for each octave and source, and how wide what goes together is
        self._profile = np.exp(_smooth(rng, 1, 2.0, 0.35)[0])
        self._reach_octave = rng.uniform(0.5, 1.2)
        deviations = _smooth(rng, int(rng.integers(25, 61)), self._reach_octave, 1.0) * self._profile
        # a few songs are quite another thing
        deviations *= np.abs(rng.standard_t(6, size=(len(deviations), 1))) ** 0.3
        wanted_db = np.exp(rng.normal(np.log(SPREAD_DB), _SPREADS_APART))
        self._size = 1.0
        for _ in range(5):
            self._size *= wanted_db / _octave_levels_db(self.usual_db + self._size * deviations).std(axis=0).mean()
        self.songs_db = self._size * deviations

    def week(self, rng: np.random.Generator, songs: int) -> Array:
        """(passages, 31) levels of a week of so many songs out of the repertoire, at levels that differ by 1.5 dB, three passages each."""
        chosen = self.songs_db[rng.choice(len(self.songs_db), songs, replace=False)]
        again = self._deviation(rng, songs, _AGAIN_SHARE)
        levels_db = self.usual_db + chosen + again + rng.normal(0, 1.5, (songs, 1)) + _smooth(rng, 1, 1.0, _WEEK_DB)
        passages = np.repeat(levels_db, PASSAGES, axis=0)
        return np.asarray(passages + self._deviation(rng, len(passages), _PASSAGE_SHARE))

    def _deviation(self, rng: np.random.Generator, count: int, share: float) -> Array:
        """(count, 31) what differs by a share of what songs differ by."""
        return np.asarray(share * self._size * _smooth(rng, count, self._reach_octave, 1.0) * self._profile)

    def residual_db(self, rng: np.random.Generator, songs: int) -> float:
        """Spread of the octaves from 125 Hz to 8 kHz from week to week, each week the mean of its passages in dB."""
        weeks = np.array([_octave_levels_db(self.week(rng, songs)).mean(axis=0) for _ in range(60)])
        return float(weeks.std(axis=0).mean())

    def part(self, passages_db: Array) -> KeptPart:
        """Passages as a take keeps them: three minutes a song at the tap, read by the package's own definition of a tone."""
        power = 10 ** (passages_db / 10)
        seconds = np.repeat(power, PASSAGE_S, axis=0)
        tones = passage_tones(seconds, np.ones(10 * len(seconds), bool))
        assert tones is not None
        values: dict[str, tuple[float, float | None]] = {
            f"tone_db.{hz:g}": (float(10 * np.log10(level)), None)
            for hz, level in zip(NOMINAL_HZ, power.mean(axis=0), strict=True)
        }
        values |= {f"passage_tone_db.{octave}": (level, None) for octave, level in tones.tone_db.items()}
        values |= {f"passage_scatter_db2.{octaves}": (value, None) for octaves, value in tones.scatter_db2.items()}
        values["passages"] = (tones.passages, None)
        return KeptPart(
            source=self.name, stage="tap", role=self.role, player=None, tap="preamp",
            playing_s=float(len(seconds)), values=values,
        )  # fmt: skip


def house_of(rng: np.random.Generator, sources: int = SOURCES) -> list[MadeSource]:
    """Sources of one house."""
    return [MadeSource(rng, f"source {number}") for number in range(1, sources + 1)]


def kept_weeks(weeks: Sequence[Sequence[KeptPart]]) -> Baseline:
    """Baseline of a house that kept these weeks."""
    rows = []
    for number, parts in enumerate(weeks, 1):
        take = TakeRow(
            id=number, house="Tern Street Hall", show=f"week {number}", date=None, phase="rehearsal", duration_s=1.0, recording="",
            house_hash="", note="", kept_by="", kept_at=f"{number:04d}", forgotten_by=None, forgotten_at=None,
        )  # fmt: skip
        rows += [(take, replace(part, take=number)) for part in parts]
    return baseline_of(rows)
