"""Other settings of a feed that was measured once: middles, faders and mutes tried on its energies, without its chains."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from deskhand.dsp.intelligibility import level_distortion
from deskhand.errors import UsageError
from deskhand.mix.clearance.meter import map_sides, trimmed
from deskhand.mix.clearance.phrases import EVERY, measure_phrase, noise_power, spectrum_db
from deskhand.mix.clearance.summary import gather
from deskhand.units import power_from_db

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.mix.clearance.meter import FeedEnergies
    from deskhand.mix.clearance.result import AudibilityLimits, Clearance

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialPhrase:
    """A phrase of a voice in the mono sum, on which other settings of everything else can be tried."""

    speech_db: Array
    """(18,) spectrum level of the voice."""
    distortion: Array
    """(18,) factor by which its own level makes it score lower."""
    names: tuple[str, ...]
    """The other sources."""
    noise: Array
    """(sources, frames, 18) spectrum power of each, in each band's window, every third frame."""
    middle: Array
    """(sources, 18) energy of the middle."""
    side: Array
    """(sources, 18) energy of the sides."""
    voice_middle: float
    voice_side: float
    frames: int
    """Length in frames of 10 ms."""


def _middle_and_side(feed: FeedEnergies, name: str) -> tuple[Array, Array]:
    """(18,) energies of a source's middle and sides over the phrase."""
    mono, left, right = (np.asarray(part, np.float64).sum(axis=0) for part in feed.energies[name])
    return mono, np.maximum(0.5 * (left + right) - mono, 0.0)


def hold_source(feed: FeedEnergies, name: str, offset_db: float) -> tuple[Array, Array, Array]:
    """(frames, 18) noise of one source, (18,) energy of its middle, (18,) of its sides: its part of a `TrialPhrase`."""
    noise = noise_power(np.asarray(feed.energies[name][0], np.float64), offset_db, every=EVERY)
    return (noise, *_middle_and_side(feed, name))


def hold(feed: FeedEnergies, voice: str, offset_db: float) -> TrialPhrase:
    """A phrase, reduced to what trying other settings of everything but the voice needs.

    Parameters
    ----------
    feed : FeedEnergies
        Of the phrase.
    voice : str
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    """
    names = tuple(name for name in feed.energies if name != voice)
    speech = spectrum_db(feed.energies[voice][0].mean(axis=0), offset_db)
    voice_middle, voice_side = _middle_and_side(feed, voice)
    masker_energies = [_middle_and_side(feed, name) for name in names]
    return TrialPhrase(
        speech_db=speech,
        distortion=level_distortion(speech),
        names=names,
        noise=np.array([noise_power(feed.energies[name][0], offset_db, every=EVERY) for name in names]),
        middle=np.array([middle for middle, _ in masker_energies]).reshape(-1, 18),
        side=np.array([side for _, side in masker_energies]).reshape(-1, 18),
        voice_middle=float(voice_middle.sum()),
        voice_side=float(voice_side.sum()),
        frames=len(feed.energies[voice][0]),
    )


def with_settings(
    feed: FeedEnergies, *, mid_down_db: Mapping[str, float], fader_db: Mapping[str, float], muted: Collection[str]
) -> FeedEnergies:
    """Feed as it would be with other settings, without running its chains again.

    Parameters
    ----------
    feed : FeedEnergies
    mid_down_db : mapping
        Pair to the dB that its middle is turned down by, after its chain.
    fader_db : mapping
        Source to the dB that its fader is moved by, up or down, from where it was when the feed was measured.
    muted : collection of str
        Sources that are left out.

    Returns
    -------
    FeedEnergies. What is not changed is shared with the old one, and not to be written into.

    Raises
    ------
    UsageError
        A source is not in the feed, or its middle cannot be turned down because it is no pair.
    """
    for name in (*mid_down_db, *fader_db, *muted):
        if name not in feed.energies:
            raise UsageError(name, "is not in the feed", "name one of: " + ", ".join(feed.energies))
    for name in mid_down_db:
        if name not in feed.pairs:
            raise UsageError(name, "has no mid to turn down", "turn down its fader: only pairs have mid and side")
    changed = {}
    for name, old in feed.energies.items():
        if name in muted:
            continue
        mid_db, gain_db = mid_down_db.get(name, 0.0), fader_db.get(name, 0.0)
        new = trimmed(old, mid_db) if mid_db else old
        changed[name] = (
            map_sides(new, partial(np.multiply, power_from_db(gain_db), dtype=np.float64)) if gain_db else new
        )
    return replace(feed, energies=changed, pairs=feed.pairs & changed.keys())


def clearance_of(
    feeds: Sequence[FeedEnergies],
    voice: str,
    *,
    offset_db: float,
    words: AudibilityLimits | None = None,
    threads: int = 2,
) -> Clearance:
    """Clearance of a voice in stretches of the feed that are held, without who costs what.

    Parameters
    ----------
    feeds : sequence of FeedEnergies
        The voice's phrases, from `deskhand.mix.voices.hold_feeds`, or from `with_settings`.
    voice : str
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    words : AudibilityLimits, optional
        Where words are clear and covered; the same for every house by default.
    threads : int

    Returns
    -------
    Clearance, with all costs 0, and nobody named who covers a phrase.

    Raises
    ------
    UsageError
        There are no stretches, or the voice is not in them.
    """
    if not feeds:
        raise UsageError(voice, "has no phrase in this take", "choose a voice that sounds, or a longer stretch")
    for feed in feeds:
        if voice not in feed.energies:
            raise UsageError(voice, "is not in the feed", "name one of: " + ", ".join(feed.energies))
    with ThreadPoolExecutor(threads) as pool:
        shares = list(pool.map(lambda feed: measure_phrase(feed, voice, offset_db, with_costs=False), feeds))
    clearance = gather(shares, voice, [name for name in feeds[0].energies if name != voice], words=words)
    assert clearance is not None
    return clearance
