"""Numbers of a source that are set against its kept takes: few, each on a scale on which equal steps are equally normal.

Level at the tap is not among them: it is a set-point of the house file. Tone is one number with several parts.
"""

from __future__ import annotations

import operator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.spreads import TONE_PLAYER_RATIO, NumberPrior, tone_spread_db
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.house.roles import ROLES
from deskhand.measure.passages import OCTAVES_HZ, tone_of
from deskhand.measure.provider import providers
from deskhand.units import number as number_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from deskhand.measure.provider import ReadingProvider, WeeklyComparison

    Array = NDArray[np.float64]
    Values = Mapping[str, tuple[float, float | None]]

TONE: Final = "tone"
"""Name of the number that is eight: the levels around the octaves."""
_Z95: Final = 1.96
"""Half the width of a 95 % interval in standard deviations of a normal distribution."""
FEED_LEVEL: Final = "feed_level_dbfs"
"""Name under which the level of a source behind its fader is kept: where it goes back to."""
MIX_LUFS, VOICE_TO_BAND_DB = "mix_lufs", "voice_to_band_db"  # names under which they are kept, of the recorded mix
NOTHING_DB: Final = -200.0
"""Stands for a band in which nothing sounds: far below any that does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number that is judged."""

    name: str
    stage: str
    """Stage at which it is read: tap, after (the tap where there is no chain), or mix."""
    metric: str
    """Reading it is made from."""
    unit: str
    to_scale: Callable[[float], float]
    from_scale: Callable[[float], float]
    jnd: float
    """Just noticeable difference on its scale."""
    jnd_source: str
    prior: NumberPrior
    label: str
    """In the middle of a sentence."""
    pairs_only: bool = False
    upwards_only: bool = False
    version: int = 1
    """Version of what its readings mean, raised when their definition changes: numbers of two versions are never mixed."""
    played: bool = False
    """Made by whoever plays and what: a slow change of it is noted, and looked for at no cable."""
    of_lines: bool = False
    """Watched of roles that come by cable only: an open microphone hears the hall in its pauses."""
    of_hits: bool = False
    """Read of the hits where a source strikes, and of all that is played elsewhere: not the same thing."""

    @property
    def reads(self) -> tuple[str, ...]:
        """Readings it is made from, by the names they are kept under."""
        if self.is_of_tone:
            return ("tone_db.",)
        return _DERIVED[self.metric][0] if self.metric in _DERIVED else (self.metric,)

    @property
    def is_of_tone(self) -> bool:
        """True where it is made from a tone."""
        return self.metric.startswith((_TONE_OCTAVE, _TONE_TILT))

    @property
    def step_unit(self) -> str:
        """Unit of a difference of two of it."""
        return "dB" if self.unit == "dBFS" else self.unit

    def told(self, value: float) -> str:
        """Value in its unit as text, with as many digits as say something."""
        return number_text(value, 2 if self.unit == "s" else 1)

    def is_watched_of(self, role: str) -> bool:
        """True for roles of which it is watched over the weeks."""
        return not self.of_lines or (role in ROLES and ROLES[role].line)

    def stage_of(self, *, chained: bool) -> str:
        """Stage at which it is read of a source: after the chain only where there is one."""
        return "after" if self.stage == "after" and chained else "tap"


def _same(value: float) -> float:
    return value


def _log2(value: float) -> float:
    return float(np.log2(max(value, 1e-3)))


def _exp2(value: float) -> float:
    return float(2.0**value)


def _share_pct(part: float, whole: float) -> float | None:
    return 100.0 * part / whole if part > 0 and whole > 0 else None


_DERIVED: Final[dict[str, tuple[tuple[str, str], Callable[[float, float], float | None]]]] = {
    "harsh_share": (("harsh_sone", "loudness_sone"), _share_pct),
    "level_range_db": (("level_distribution_dbfs.90", "level_distribution_dbfs.10"), operator.sub),
}
"""Numbers that no reading is by itself: the two they are made from, and how; None where nothing can be made of them."""
_SCALES: Final = {"linear": (_same, _same), "octaves": (_log2, _exp2)}
"""Name of a scale to the functions to it and back."""


def provided_number(provider: ReadingProvider, compared: WeeklyComparison) -> Number:
    """Judged number of a reading that stands in a file of its own."""
    to_scale, from_scale = _SCALES[compared.scale]
    return Number(
        name=compared.number,
        label=compared.label,
        stage=compared.stage,
        metric=provider.name,
        unit=provider.unit,
        to_scale=to_scale,
        from_scale=from_scale,
        jnd=compared.jnd,
        jnd_source=compared.jnd_source,
        prior=NumberPrior(
            spread=compared.spread,
            sure_after_s=compared.sure_after_s,
            player_ratio=compared.player_ratio,
            wider=compared.wider,
        ),
        pairs_only=compared.pairs_only,
        upwards_only=compared.upwards_only,
        version=compared.version,
    )


BY_JND: Final = "Zwicker & Fastl, Psychoacoustics, 3rd ed. 2007, 7.1: about 1 dB of level"
COMMON_PRACTICE: Final = "common practice, no source"
NUMBERS: Final = (
    Number(
        name="articulation", played=True, label="articulation", stage="tap", metric="articulation_db", unit="dB",
        to_scale=_same, from_scale=_same, jnd=1.0, jnd_source="ISO 3382-1:2009, A.4: 1 dB for clarity, which weighs early against late",
        # whether the hat keeps the time or the ride is the song's
        prior=NumberPrior(
            spread=1.2, sure_after_s=20.0, player_ratio=1.0,
            wider=(("overheads", 2.5), ("bass", 1.8), ("acoustic guitar", 3.5), ("speech", 3.0), ("percussion", 1.3)),
        ),
    ),
    Number(
        name="tail", played=True, label="tail", stage="tap", metric="tail_s", unit="s",
        to_scale=_log2, from_scale=_exp2, jnd=0.07, jnd_source="ISO 3382-1:2009, A.4: 5 % of the decay time",
        # a guitar's is that of its effects, which the song has; a bass string rings four times as long as another; cymbals ring or do not
        prior=NumberPrior(
            spread=0.25, sure_after_s=30.0, player_ratio=1.0,
            wider=(("guitar", 1.6), ("acoustic guitar", 1.6), ("keys", 1.6), ("bass", 2.5), ("overheads", 1.6), ("percussion", 3.0)),
        ),
    ),
    Number(
        name="width", label="width", stage="tap", metric="width_db", unit="dB",
        to_scale=_same, from_scale=_same, jnd=1.0, jnd_source=COMMON_PRACTICE,
        prior=NumberPrior(spread=0.9, sure_after_s=20.0, player_ratio=1.5), pairs_only=True,
    ),
    Number(
        name="balance", label="balance of right against left", stage="tap", metric="balance_db", unit="dB",
        to_scale=_same, from_scale=_same, jnd=1.0, jnd_source=BY_JND,
        # which side's cymbal is played is the song's
        prior=NumberPrior(spread=1.0, sure_after_s=20.0, player_ratio=0.5, wider=(("overheads", 2.5),)), pairs_only=True,
    ),
    Number(
        name="dynamics", played=True, label="crest", stage="after", metric="crest_db", unit="dB",
        to_scale=_same, from_scale=_same, jnd=1.5, jnd_source=COMMON_PRACTICE,
        prior=NumberPrior(spread=1.0, sure_after_s=20.0, player_ratio=0.7, wider=(("speech", 2.0), ("overheads", 1.6), ("percussion", 1.3), ("acoustic guitar", 1.3))),
    ),
    Number(
        name="harsh", label="share of loudness from 2 to 5 kHz", stage="after", metric="harsh_share", unit="%",
        to_scale=_log2, from_scale=_exp2, jnd=0.1, jnd_source="Zwicker & Fastl 2007, 7.1: 1 dB of level, which is 7 % of loudness",
        # what a bass has there are its strings and fingers alone; what a voice has, its vowels and the key
        prior=NumberPrior(
            spread=0.1, sure_after_s=15.0, player_ratio=1.0,
            wider=(
                ("bass", 2.0), ("lead vocal", 1.5), ("backing vocal", 1.5), ("speech", 1.6), ("overheads", 1.7), ("percussion", 1.8),
            ),
        ),
        upwards_only=True,
    ),
    *(provided_number(provider, provider.compared) for provider in providers() if provider.compared is not None),
)  # fmt: skip
"""All judged numbers but tone; those of readings with a file of their own last. Spreads and ratios: common practice, no source, and factors
of roles read from the seasons of validations/clean_stage.py, half to tune on; they stand in until takes are kept."""
MIX_NUMBERS: Final = (
    Number(
        name="mono-loss", label="mono loss", stage="mix", metric="mono_loss_db", unit="dB",
        to_scale=_same, from_scale=_same, jnd=1.0, jnd_source=BY_JND,
        prior=NumberPrior(spread=0.5, sure_after_s=20.0, player_ratio=0.5),
    ),
    next(number for number in NUMBERS if number.name == "harsh"),
    Number(
        name="mix-level", label="loudness of the recorded mix", stage="mix", metric=MIX_LUFS, unit="LUFS",
        to_scale=_same, from_scale=_same, jnd=1.0, jnd_source=BY_JND, prior=NumberPrior(spread=1.0, sure_after_s=60.0, player_ratio=0.5),
    ),
    Number(
        name="voice-to-band", label="lead voice against the band", stage="mix", metric=VOICE_TO_BAND_DB, unit="dB",
        to_scale=_same, from_scale=_same, jnd=1.0, jnd_source=BY_JND, prior=NumberPrior(spread=1.2, sure_after_s=60.0, player_ratio=0.5),
    ),
)  # fmt: skip
"""Judged numbers of the mix, beside its tone, the last two of the recorded one. Their spreads: common practice, no source."""
_CREST: Final = Number(
    name="crest", label="crest", stage="tap", metric="crest_db", unit="dB", to_scale=_same, from_scale=_same,
    jnd=1.5, jnd_source=COMMON_PRACTICE, prior=NumberPrior(spread=1.0, sure_after_s=20.0, player_ratio=0.7),
)  # fmt: skip
"""Tells what an input is; after the chain it is judged as dynamics."""
_RANGE: Final = Number(
    name="range", label="range of its levels", stage="tap", metric="level_range_db", unit="dB",
    to_scale=_same, from_scale=_same, jnd=1.0, jnd_source=BY_JND,
    prior=NumberPrior(spread=1.5, sure_after_s=20.0, player_ratio=1.0), of_hits=True,
)  # fmt: skip
"""Tells what an input is, and is not judged: how evenly a song is played is the song's."""
IDENTITY_NUMBERS: Final = (NUMBERS[0], _CREST, _RANGE)
"""Numbers that tell an input beside its tone."""
LEVEL: Final = Number(
    name="level", label="level", stage="tap", metric="level_dbfs", unit="dBFS", to_scale=_same, from_scale=_same,
    jnd=1.0, jnd_source=BY_JND, prior=NumberPrior(spread=1.0, sure_after_s=10.0, player_ratio=0.5), version=2,
)  # fmt: skip
"""A set-point, judged against nominal; over the weeks it is only watched for drift."""
NOISE: Final = Number(
    name="noise", label="noise", stage="tap", metric="noise_dbfs", unit="dBFS", to_scale=_same, from_scale=_same,
    jnd=2.0, jnd_source=COMMON_PRACTICE,
    prior=NumberPrior(spread=2.0, sure_after_s=10.0, player_ratio=0.5), upwards_only=True, of_lines=True,
)  # fmt: skip
"""Judged against the playing where it disturbs; over the weeks it is watched for rising: a cable, a preamp or a supply that goes."""
TONE_JND_DB: Final = 1.0
"""Just noticeable difference of an octave's level, from `TONE_JND_SOURCE`."""
TONE_JND_SOURCE: Final = BY_JND
TONE_SURE_AFTER_S: Final = 25.0
"""Playing after which a tone's variance within a take has come down to that between takes. Common practice, no source; coverage is
measured in docs/validation-normal.md."""
_TONE_OCTAVE: Final = "tone_octave."
"""Begin of the metric of a level around one octave, which is made from a tone."""
_TONE_TILT: Final = "tone_tilt"
_TILT_JND: Final = TONE_JND_DB / np.log2(OCTAVES_HZ[-1] / OCTAVES_HZ[0]) * 2.0
"""Slope that moves the lowest and the highest octave by a just noticeable difference each (arithmetic)."""
_TILT_SPREAD: Final = 0.4
"""Standard deviation of the slope from week to week: what the octaves' spreads leave of it (arithmetic from them)."""


def _tone_number(name: str, label: str, metric: str, unit: str, spreads: Mapping[str, float], jnd: float) -> Number:
    """Number that is made from a tone, with its spread in every role."""
    usual = spreads["other"]
    wider = tuple((role, spread / usual) for role, spread in spreads.items() if spread != usual)
    prior = NumberPrior(spread=usual, sure_after_s=TONE_SURE_AFTER_S, player_ratio=TONE_PLAYER_RATIO, wider=wider)
    return Number(
        name=name, label=label, stage="tap", metric=metric, unit=unit, to_scale=_same, from_scale=_same, jnd=jnd,
        jnd_source=TONE_JND_SOURCE, prior=prior,
    )  # fmt: skip


TILT: Final = _tone_number(
    "tilt", "tone slope", _TONE_TILT, "dB per octave", dict.fromkeys(ROLES, _TILT_SPREAD), float(_TILT_JND)
)
TONE_NUMBERS: Final = (
    TILT,
    *(
        _tone_number(
            f"tone-{band}",
            f"tone around {f'{band // 1000} kHz' if band >= 1000 else f'{band} Hz'}",
            f"{_TONE_OCTAVE}{band}",
            "dB",
            {role: tone_spread_db(role, octave) for role in ROLES},
            TONE_JND_DB,
        )
        for octave, band in enumerate(OCTAVES_HZ)
    ),
)
"""Slope of a tone, and its level around each octave: watched over the weeks only; a take's tone is judged as a whole."""
CHARTED: Final = (LEVEL, NOISE, *NUMBERS, *TONE_NUMBERS)
"""Numbers that are watched over the weeks."""
BY_NAME: Final = {
    number.name: number for number in (*NUMBERS, *MIX_NUMBERS, *IDENTITY_NUMBERS, LEVEL, NOISE, *TONE_NUMBERS)
}


def tone_vector(values: Values) -> Array | None:
    """(8,) tone around the octave centres as the ear weighs it, in dB against the whole, with a soft floor.

    The mean over the passages of the playing where they were read, otherwise of the third-octave levels of all of it
    (`deskhand.measure.passages`).
    """
    passages = [values.get(f"passage_tone_db.{octave}") for octave in OCTAVES_HZ]
    if all(level is not None for level in passages):
        return np.array([level[0] for level in passages if level is not None])
    levels = third_octaves_db(values)
    return None if levels is None else tone_of(levels)


_TONE_READINGS: Final = tuple(f"tone_db.{band:g}" for band in NOMINAL_HZ)
"""Names under which the third-octave levels of a tone are kept."""


def third_octaves_db(values: Values) -> Array | None:
    """(31,) third-octave levels of a kept part, -200 dB where nothing sounds; None when it holds no tone."""
    levels = [values.get(name) for name in _TONE_READINGS]
    if all(level is None for level in levels):
        return None
    return np.maximum([NOTHING_DB if level is None else level[0] for level in levels], NOTHING_DB)


def of_tones(number: Number, tones_db: Array) -> Array:
    """(...) number that is made from tones, of (..., 8) tones as `tone_vector` gives them."""
    if number.metric == _TONE_TILT:
        # slope of the line of least squares
        octaves = np.arange(tones_db.shape[-1]) - 0.5 * (tones_db.shape[-1] - 1)
        return np.asarray(tones_db @ (octaves / (octaves @ octaves)))
    octave = OCTAVES_HZ.index(int(number.metric.removeprefix(_TONE_OCTAVE)))
    return np.asarray(tones_db[..., octave])


def number_of(number: Number, values: Values) -> tuple[float, float | None] | None:
    """Number on its scale, and its own standard deviation where the reading says how sure it is."""
    if number.is_of_tone:
        tone = tone_vector(values)
        return None if tone is None else (float(of_tones(number, tone)), None)
    if number.metric in _DERIVED:
        (first, second), derive = _DERIVED[number.metric]
        value = derive(values[first][0], values[second][0]) if first in values and second in values else None
        return None if value is None else (number.to_scale(value), None)
    reading = values.get(number.metric)
    if reading is None:
        return None
    value, pm = reading
    scaled = number.to_scale(value)
    if pm is None:
        return scaled, None
    return scaled, abs(number.to_scale(value + pm) - scaled) / _Z95


def noise_of(number: Number, deviation: float | None, playing_s: float, role: str = "") -> float:
    """Variance of a reading around its player's mean, in units of a long and sure take's.

    Parameters
    ----------
    number : Number
    deviation : float or None
        Standard deviation that the reading states itself, on the number's scale; None where it states none.
    playing_s : float
    role : str
    """
    if deviation is not None:
        return 1.0 + (deviation / number.prior.spread_of(role)) ** 2
    return 1.0 + number.prior.sure_after_s / max(playing_s, 1.0)


def tone_noise(playing_s: float) -> float:
    """Variance of a tone around its player's mean, in units of a long take's."""
    return 1.0 + TONE_SURE_AFTER_S / max(playing_s, 1.0)


def metrics() -> tuple[str, ...]:
    """Names of the readings that are needed from the store."""
    return (
        *(name for number in BY_NAME.values() for name in number.reads),
        "tone_db.",
        "passage_tone_db.",
        "passage_scatter_db2.",
        "passages",
        "side_tone_db.",
        "side_scatter_db2.",
        "width_octave_db.",
        "share",
        FEED_LEVEL,
    )
