"""Whether an input sounds like itself, or like another of the house's sources: wrong patch and exchanged inputs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import ROLES
from deskhand.reference.normal import LEAST_PLAYING_S, MOST_TAKES, STRENGTH, number_predictive, tone_predictive
from deskhand.reference.numbers import (
    BY_NAME,
    IDENTITY_NUMBERS,
    OCTAVES_HZ,
    noise_of,
    number_of,
    tone_vector,
    width_covariance,
)
from deskhand.reference.predict import Prior, predictive

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.reference.normal import Reference
    from deskhand.store import KeptPart

LIKE_OTHER: Final = 1e-4
"""And is no rarer than this as the other: what is like nobody is new, and in nobody's place."""
_FAMILY: Final = {
    "lead vocal": "voice", "backing vocal": "voice", "speech": "voice", "guitar": "guitar", "acoustic guitar": "guitar",
    "kick": "drum", "snare": "drum", "toms": "drum",
}  # fmt: skip
"""Of roles of one family either may sound like the other for an evening; of other roles, those of the same role."""
_KIND: Final = {"lead vocal": "singing", "backing vocal": "singing"}
"""Who sings lead one week sings behind it the next; other roles are a kind each, and two of one kind are hard to tell apart."""
EXCHANGED_NATS: Final = 6.0
"""How much more likely two inputs must be each other than themselves. Common practice, no source; how often a clean show reaches
it is counted in `validations/`."""
ALIKE_NATS: Final = 30.0
"""The same for two of one kind: two singers may well sound like each other for an evening."""
MOVED_NATS: Final = 12.0
"""The same for one input alone, which sounds like a source of another family while that one does not sound like it."""
LEAST_HEARD_S: Final = 0.5
"""What plays for less says nothing of what it is: speech in an input that waits for hits shows for moments only."""
_WIDTH: Final = BY_NAME["width"]
_WIDEST_DB: Final = 15.0
"""Beyond this, what is left between the sides is noise."""
TURNED_NATS: Final = 4.0
"""How much more likely a pair must be with one side turned over than as it is."""
UNLIKE_ITSELF: Final = 5e-2
"""An input alone is taken for another only when it is this improbable as itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistaken:
    """An input that sounds like another source."""

    source: str
    like: str
    exchanged: bool
    """Whether the other one sounds like this one in turn."""
    nats: float
    """Log likelihood ratio against being itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """How well an input is taken for a source."""

    terms: dict[str, float]
    """Log density of each number that is kept of the source."""
    tail: float
    """Of its tone."""


def _fits(reference: Reference, inputs: Sequence[KeptPart]) -> dict[tuple[str, str], _Fit]:
    """(input, source it is taken for) to how well that fits; sources are all that were ever kept, playing tonight or not."""
    out: dict[tuple[str, str], _Fit] = {}
    players = {part.source: part.player for part in inputs}
    known = {source: parts[-1] for (source, stage), parts in reference.parts.items() if stage == "tap" and parts}
    for part in inputs:
        heard = tone_vector(part.values)
        if heard is None:
            continue
        for other, kept in known.items():
            if ("width_db" in kept.values) != ("width_db" in part.values):
                continue
            # as if it were that source, played by whoever plays that tonight
            taken = replace(part, source=other, role=kept.role, player=players.get(other))
            expected = tone_predictive(reference, taken)
            if expected is None:
                continue
            terms = {"tone": expected.log_density(heard)}
            for number in IDENTITY_NUMBERS:
                if number.of_hits and ROLES[kept.role].strikes != ROLES[part.role].strikes:
                    continue
                found = number_of(number, part.values)
                place = number_predictive(reference, taken, number) if found is not None else None
                if found is not None and place is not None:
                    terms[number.name] = place.log_density(np.array([found[0]]))
            out[part.source, other] = _Fit(terms=terms, tail=expected.tail(heard))
    return out


def _nats(as_other: _Fit, as_itself: _Fit) -> float:
    """Log likelihood ratio over the numbers that are kept of both."""
    both = as_other.terms.keys() & as_itself.terms.keys()
    return sum(as_other.terms[name] - as_itself.terms[name] for name in both)


def _widths(values: Mapping[str, tuple[float, float | None]]) -> dict[int, float]:
    """Octave to the width of a pair there, where it was read."""
    found = {band: values.get(f"width_octave_db.{band}") for band in OCTAVES_HZ}
    return {band: float(np.clip(one[0], -_WIDEST_DB, _WIDEST_DB)) for band, one in found.items() if one is not None}


def upside_down(reference: Reference, parts: Sequence[KeptPart]) -> dict[str, float]:
    """Pairs of which one side is upside down against the kept takes; source to the log likelihood ratio.

    Turning one side over exchanges the sum of the sides with their difference, so that the width changes its sign and keeps
    its size, in every octave: a spaced pair as wide as it is narrow is one sound in the low octaves. Microphones in a room are
    left out, which may hear low notes one way or the other.
    """
    out = {}
    for part in parts:
        if part.stage != "tap" or part.role == "audience" or part.playing_s < LEAST_PLAYING_S:
            continue
        here = _widths(part.values)
        kept = [
            (widths, one)
            for one in reference.parts.get((part.source, "tap"), [])[-MOST_TAKES:]
            if one.playing_s >= LEAST_PLAYING_S and (widths := _widths(one.values))
        ]
        bands = [band for band in here if all(band in widths for widths, _ in kept)]
        if not kept or not bands:
            continue
        expected = predictive(
            np.array([[widths[band] for band in bands] for widths, _ in kept]),
            np.array([noise_of(_WIDTH, None, one.playing_s) for _, one in kept]),
            [one.player for _, one in kept],
            Prior(covariance=width_covariance(bands), strength=STRENGTH, player_ratio=_WIDTH.prior.player_ratio),
            next_noise=noise_of(_WIDTH, None, part.playing_s),
            next_player=part.player,
        )
        now = np.array([here[band] for band in bands])
        nats = expected.log_density(-now) - expected.log_density(now)
        if nats >= TURNED_NATS:
            out[part.source] = nats
    return out


def mistaken(reference: Reference, parts: Sequence[KeptPart]) -> list[Mistaken]:
    """Inputs that sound like another source; both of two that are exchanged.

    Parameters
    ----------
    reference : Reference
    parts : sequence of KeptPart
        Of the take that is judged.
    """
    roles = {source: kept[-1].role for (source, _), kept in reference.parts.items() if kept}
    roles |= {part.source: part.role for part in parts}
    families = {source: _FAMILY.get(role, role) for source, role in roles.items()}
    kinds = {source: _KIND.get(role, role) for source, role in roles.items()}
    inputs = [part for part in parts if part.stage == "tap" and part.playing_s >= LEAST_HEARD_S]
    fits = _fits(reference, inputs)
    found: dict[str, Mistaken] = {}
    names = [part.source for part in inputs if (part.source, part.source) in fits]
    pairs: list[tuple[float, str, str]] = []
    for at, one in enumerate(names):
        for other in names[at + 1 :]:
            if (one, other) in fits and (other, one) in fits:
                nats = _nats(fits[one, other], fits[one, one]) + _nats(fits[other, one], fits[other, other])
                pairs.append((nats, one, other))
    for nats, one, other in sorted(pairs, reverse=True):
        least = ALIKE_NATS if kinds[one] == kinds[other] else EXCHANGED_NATS
        if nats < least or one in found or other in found:
            continue
        found[one] = Mistaken(source=one, like=other, exchanged=True, nats=nats)
        found[other] = Mistaken(source=other, like=one, exchanged=True, nats=nats)
    best: dict[str, tuple[float, str]] = {}
    for (one, other), fit in fits.items():
        itself = fits.get((one, one))
        if one in found or other == one or itself is None or itself.tail > UNLIKE_ITSELF or fit.tail < LIKE_OTHER:
            continue
        if families[one] == families[other]:
            continue
        best[one] = max(best.get(one, (-np.inf, "")), (_nats(fit, itself), other))
    for one, (nats, other) in best.items():
        if nats >= MOVED_NATS:
            found[one] = Mistaken(source=one, like=other, exchanged=False, nats=nats)
    return list(found.values())
