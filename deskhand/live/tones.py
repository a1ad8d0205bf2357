"""Tones that build up in the open microphones while they are listened to: which microphone, which mix, which frequency, how fast."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import growing_tones, spectrum
from deskhand.house import ROLES
from deskhand.measure.grid import analysis_grid
from deskhand.measure.spectra import HOWL_HZ
from deskhand.units import amplitude_from_db, db_from_amplitude

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.house import Source

_ONE_TONE: Final = 0.01
"""Share of their frequency within which tones of two microphones are one. A sixth of a semitone; common practice, no source."""
_APART_DB: Final = 3.0
"""A microphone that puts so much more of the tone into the mix than the next is named alone (docs/validation-ringing.md)."""
_MIX_APART_DB: Final = 6.0
"""A mix that so much more of the tone goes into than into the next is named alone. Common practice, no source."""
_OVER_S: Final = 1.5
"""A tone that was not followed for so long is over. Common practice, no source."""
_STILL_S: Final = 3.0
"""A tone that stands so long after it was told, and has grown, is told again. Common practice, no source."""
_GROWN_DB: Final = 3.0
"""Growth since it was told, from which it is told again. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingingTone:
    """Tone that builds up, as it is when it is told."""

    frequency_hz: float
    growth_db_s: float
    """By how much it grows in a second."""
    level_dbfs: float
    since_s: float
    """Audio since the beginning at which it was first seen to grow."""
    told_s: float
    microphones: tuple[str, ...]
    """Source whose microphone it comes through; two where it may be either."""
    mixes: tuple[str, ...] = ()
    """Mix whose monitor sounds it; two where it may be either, none where the house file does not tell."""
    fader_reaches: bool = False
    """True where the sends of that microphone to these mixes follow its fader."""
    grows_still: bool = False
    """True where it was told before, and has grown since."""


@dataclass(slots=True)
class _Followed:
    """Tone that was told, until it is over."""

    tone: RingingTone
    seen_s: float
    top_dbfs: float
    told_again: bool = False


@dataclass(slots=True, kw_only=True)
class ToneWatch:
    """Search for tones that build up in every open microphone, a tenth of a second at a time.

    Parameters
    ----------
    inputs : sequence of (source, rows)
        Inputs of the interface; of them the open microphones, and guitars with a body, are searched.
    sample_rate_hz : int
    """

    inputs: Sequence[tuple[Source, tuple[int, ...]]]
    sample_rate_hz: int
    _rows: list[int] = field(init=False)
    _sources: list[Source] = field(init=False)
    _held: NDArray[np.float32] = field(init=False)
    _tones: NDArray[np.float64] = field(init=False)
    _levels: NDArray[np.float64] = field(init=False)
    _partials: NDArray[np.float64] = field(init=False)
    _loudest: NDArray[np.float64] = field(init=False)
    _followed: list[_Followed] = field(init=False, default_factory=list)
    _frame: int = 0
    _told: set[str] = field(init=False, default_factory=set)

    def __post_init__(self) -> None:
        searched = [
            (source, row)
            for source, rows in self.inputs
            if ROLES[source.role].open_microphone or ROLES[source.role].resonant_body
            for row in rows
        ]
        self._sources = [source for source, _ in searched]
        self._rows = [row for _, row in searched]
        grid = analysis_grid(self.sample_rate_hz)
        count = len(searched)
        self._held = np.zeros((count, grid.window.size), np.float32)
        self._tones = np.full((count, growing_tones.TONES, growing_tones.COLUMNS), -1.0)
        self._levels = np.zeros((count, growing_tones.TONES, growing_tones.LEVELS))
        self._partials = np.zeros((count, growing_tones.TONES, growing_tones.RATIOS))
        self._loudest = np.zeros((count, grid.bins))

    def take(self, hop: NDArray[np.float32], now_s: float) -> list[RingingTone]:
        """Go on by a tenth of a second, and return the tones that are told now.

        Parameters
        ----------
        hop : (channels, frames) float32
            Newest tenth of a second of all inputs.
        now_s : float
            Audio since the beginning, at its end.
        """
        if not self._rows:
            return []
        power = self._power(hop)
        told = []
        for tone_bin, growth_db_s, level_dbfs in self._rises(power):
            tone = self._joined(power, tone_bin, growth_db_s, level_dbfs, now_s)
            if tone is not None:
                told.append(tone)
        self._followed = [followed for followed in self._followed if now_s - followed.seen_s < _OVER_S]
        self._frame += 1
        return told

    def has_told(self, source: str) -> bool:
        """Tell whether a tone was told of a source's microphone.

        Parameters
        ----------
        source : str
        """
        return source in self._told

    def forget(self) -> None:
        """Follow none of the tones any more: what comes between is not looked at."""
        self._followed.clear()
        self._tones[:] = -1.0
        self._held[:] = 0.0

    def sounds(self, frequency_hz: float) -> bool:
        """Tell whether a tone that was told goes on.

        Parameters
        ----------
        frequency_hz : float
            As it was told.
        """
        return any(abs(frequency_hz / followed.tone.frequency_hz - 1) < _ONE_TONE for followed in self._followed)

    def _power(self, hop: NDArray[np.float32]) -> NDArray[np.float32]:
        """Power spectra (microphones, bins) of the newest window."""
        import scipy.fft

        grid, frames = analysis_grid(self.sample_rate_hz), hop.shape[1]
        self._held[:, :-frames] = self._held[:, frames:]
        self._held[:, -frames:] = hop[self._rows]
        power = np.empty((len(self._rows), grid.bins), np.float32)
        spectrum.squared(scipy.fft.rfft(self._held * grid.window, grid.transform, axis=1), power)
        power *= growing_tones.full_scale(grid.window)
        return power

    def _rises(self, power: NDArray[np.float32]) -> list[tuple[float, float, float]]:
        """Bin, growth in dB a second (0: it goes on) and highest level of the tones of all microphones."""
        transform = analysis_grid(self.sample_rate_hz).transform
        low_bin, high_bin = (int(hz / self.sample_rate_hz * transform) for hz in HOWL_HZ)
        rises = np.empty((growing_tones.TONES, 5))
        of_all = []
        for row in range(len(self._rows)):
            count = growing_tones.growing_tones(
                power[row : row + 1], low_bin, high_bin, self._frame,
                self._tones[row], self._levels[row], self._partials[row], self._loudest[row], rises,
            )  # fmt: skip
            of_all += [(rise[2], rise[3], rise[4]) for rise in rises[:count].tolist()]
        return of_all

    def _joined(
        self, power: NDArray[np.float32], tone_bin: float, growth_db_s: float, level_dbfs: float, now_s: float
    ) -> RingingTone | None:
        """Tone to tell of what one microphone was seen to hold; None where it was told."""
        grid = analysis_grid(self.sample_rate_hz)
        frequency_hz = tone_bin * self.sample_rate_hz / grid.transform
        for followed in self._followed:
            if abs(frequency_hz / followed.tone.frequency_hz - 1) < _ONE_TONE:
                followed.seen_s = now_s
                followed.top_dbfs = max(followed.top_dbfs, level_dbfs)
                tone = followed.tone
                is_due = not followed.told_again and now_s - tone.told_s >= _STILL_S
                if not is_due or followed.top_dbfs - tone.level_dbfs < _GROWN_DB:
                    return None
                followed.told_again = True
                return RingingTone(
                    frequency_hz=tone.frequency_hz, growth_db_s=tone.growth_db_s, level_dbfs=followed.top_dbfs, since_s=tone.since_s, told_s=now_s,
                    microphones=tone.microphones, mixes=tone.mixes, fader_reaches=tone.fader_reaches, grows_still=True,
                )  # fmt: skip
        if growth_db_s <= 0.0:
            return None
        place = round(tone_bin)
        levels_dbfs = 10.0 * np.log10(power[:, place - 1 : place + 2].sum(axis=1) + 1e-20)
        microphones, mixes, fader_reaches = likeliest(self._sources, levels_dbfs.tolist())
        tone = RingingTone(
            frequency_hz=frequency_hz, growth_db_s=growth_db_s, level_dbfs=level_dbfs,
            since_s=max(0.0, now_s - growing_tones.FRAMES * grid.hop_s), told_s=now_s,
            microphones=microphones, mixes=mixes, fader_reaches=fader_reaches,
        )  # fmt: skip
        self._told.update(microphones)
        self._followed.append(_Followed(tone, now_s, level_dbfs))
        return tone


def likeliest(sources: Sequence[Source], levels_dbfs: Sequence[float]) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Tell through which microphone, and from which mix, a tone comes that several microphones hear.

    A monitor plays what all microphones together send to it: the mix that gets most of the tone sounds it, and the microphone that sends most of it
    there carries it. How loud each monitor is turned up is not known.

    Parameters
    ----------
    sources : sequence of Source
        Of each searched input; twice for a pair.
    levels_dbfs : sequence of float
        Level of the tone in each.

    Returns
    -------
    Names of the one or two microphones, of the one or two mixes (none where no send is known), and whether the faders reach them.
    """
    sent: dict[str, dict[str, float]] = {}
    after_fader: dict[tuple[str, str], bool] = {}
    for source, level_dbfs in zip(sources, levels_dbfs, strict=True):
        for send in source.send:
            fader_db = (source.fader_db or 0.0) if send.after_fader else 0.0
            of_mix = sent.setdefault(send.mix, {})
            of_mix[source.name] = max(of_mix.get(source.name, -np.inf), level_dbfs + send.level_db + fader_db)
            after_fader[source.name, send.mix] = send.after_fader
    if not sent:
        by_source: dict[str, float] = {}
        for source, level_dbfs in zip(sources, levels_dbfs, strict=True):
            by_source[source.name] = max(by_source.get(source.name, -np.inf), level_dbfs)
        return _first(by_source, _APART_DB), (), False
    played = {mix: db_from_amplitude(sum(map(amplitude_from_db, of_mix.values()))) for mix, of_mix in sent.items()}
    mixes = _first(played, _MIX_APART_DB)
    microphones = _first(sent[mixes[0]], _APART_DB)
    reaches = all(after_fader.get((microphones[0], mix), False) for mix in mixes)
    return microphones, mixes, reaches


def _first(levels_db: dict[str, float], apart_db: float) -> tuple[str, ...]:
    """Name with the highest level, and the next one where it is near."""
    ordered = sorted(levels_db, key=lambda name: -levels_db[name])
    near = ordered[1:2] if len(ordered) > 1 and levels_db[ordered[0]] - levels_db[ordered[1]] < apart_db else []
    return (ordered[0], *near)
