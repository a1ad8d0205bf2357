"""Likelihood that an input sounds like its own source rather than like one other, against the kept takes of both."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.normal import number_predictive, tone_predictive
from deskhand.baseline.numbers import IDENTITY_NUMBERS, number_of, tone_vector
from deskhand.house import ROLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.baseline.model import Baseline
    from deskhand.store import KeptPart

ITSELF_NATS: Final = 6.0
"""Log likelihood ratio from which an input is taken for itself rather than for the one that was expected. Common practice, no source; of
660 pairs of inputs in six synthesised line checks, each against four others that were kept, 535 reach it with the cables right and one
(two singers) with them crossed."""
LIKE_ITSELF: Final = 1e-4
"""Tail probability as itself that it has at least, or as the other that it has at most where only that one is kept: what is like nobody
says nothing. Common practice, no source."""


def is_itself(baseline: Baseline, part: KeptPart, other: str, players: Mapping[str, str]) -> bool:
    """True where an input sounds like its own source, and not like another one.

    Parameters
    ----------
    baseline : Baseline
        Kept takes of the house.
    part : KeptPart
        Readings of the input, at the tap.
    other : str
        Source it might carry instead.
    players : mapping
        Source to whoever plays it tonight.
    """
    vector = tone_vector(part.values)
    own_parts, other_parts = (baseline.parts.get((source, "tap"), ()) for source in (part.source, other))
    if vector is None or not own_parts or not other_parts:
        return False
    as_itself = replace(part, role=own_parts[-1].role, player=players.get(part.source))
    as_other = replace(part, source=other, role=other_parts[-1].role, player=players.get(other))
    own_tone, other_tone = tone_predictive(baseline, as_itself), tone_predictive(baseline, as_other)
    if other_tone is None:
        return False
    if own_tone is None:
        # its few hits a take are too short for a tone to be kept: it is at least not the other one
        return other_tone.tail(vector) < LIKE_ITSELF
    if own_tone.tail(vector) < LIKE_ITSELF:
        return False
    nats = own_tone.log_density(vector) - other_tone.log_density(vector)
    for number in IDENTITY_NUMBERS:
        if number.of_hits and ROLES[as_itself.role].strikes != ROLES[as_other.role].strikes:
            continue
        reading = number_of(number, part.values)
        if reading is None:
            continue
        own_number, rival_number = (
            number_predictive(baseline, as_itself, number),
            number_predictive(baseline, as_other, number),
        )
        if own_number is not None and rival_number is not None:
            value = np.array([reading[0]])
            nats += own_number.log_density(value) - rival_number.log_density(value)
    return bool(nats >= ITSELF_NATS)
