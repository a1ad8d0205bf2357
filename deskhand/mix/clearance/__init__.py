"""Clearance: how much of a voice stands clear of everything else in the feed, where it does not, and who is in the way.

The extended speech intelligibility index of the voice against the rest of the mix, after chains and faders, at the room's
level, while the voice is active. It describes the feed, not a seat; sung words are not spoken ones.
"""

from deskhand.mix.clearance.meter import FeedEnergies, FeedMeter, map_sides, trimmed
from deskhand.mix.clearance.phrases import (
    MOST_S,
    PHRASE_S,
    SHAPLEY_MOST,
    PhraseShares,
    measure_phrase,
    phrases,
)
from deskhand.mix.clearance.result import (
    CLEAR_PCT,
    COVERED_PCT,
    AudibilityLimits,
    Clearance,
    ClearanceWithMoves,
    Cost,
    MiddleTrims,
    Phrase,
    Sides,
    shifted,
)
from deskhand.mix.clearance.settings import (
    TrialPhrase,
    clearance_of,
    hold,
    hold_source,
    with_settings,
)
from deskhand.mix.clearance.summary import gather

__all__ = [
    "CLEAR_PCT",
    "COVERED_PCT",
    "MOST_S",
    "PHRASE_S",
    "SHAPLEY_MOST",
    "AudibilityLimits",
    "Clearance",
    "ClearanceWithMoves",
    "Cost",
    "FeedEnergies",
    "FeedMeter",
    "MiddleTrims",
    "Phrase",
    "PhraseShares",
    "Sides",
    "TrialPhrase",
    "clearance_of",
    "gather",
    "hold",
    "hold_source",
    "map_sides",
    "measure_phrase",
    "phrases",
    "shifted",
    "trimmed",
    "with_settings",
]
