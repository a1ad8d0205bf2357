"""Facts that a kind of finding has: its meaning, urgency, consequences and limits; the kinds themselves stand in `findings.kinds`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

KindName: TypeAlias = str
"""Name of a kind, as the table of kinds has it."""
Answer = Literal["preamp", "level", "polarity", "balance", "equaliser", "threshold", "room for the voice"]
"""Setting of the desk that answers a finding: the preamp alone, the gains, the polarity, one side's trim, the equaliser, a threshold, or what all others
play at."""
NEVER: Final = 9
"""Urgency of what never has to be done before doors: above all others, a rank and no measure."""
HARMS_SOUND: Final = 1
"""Highest urgency of what is missing or hurts in the room: it goes before all that costs quality. A rank and no measure."""
COMMON_PRACTICE: Final = "common practice, no source"
LIMITS_STUDY: Final = "docs/validation-limits.md"
"""Page that tells how far clean inputs and planted faults lie from a limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One number from which on a finding is raised, or raised higher."""

    value: float
    unit: str
    meaning: str
    """In words."""
    source: str = COMMON_PRACTICE
    """Standard, paper, arithmetic or page of the docs from which the number follows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Facts about one kind of finding."""

    name: KindName
    words: str
    """Name in words for people, who never read the other one."""
    meaning: str
    """When it is raised, for the docs; {name} stands for the limit of that name, {name:size} for it without its sign."""
    act: str
    """Where a person looks, for the docs."""
    tier: Literal["fault", "judgement"] = "fault"
    urgency: int = NEVER
    """0: missing in the room, or dangerous to ears; 1: it hurts the sound in the room; 2: it costs quality; 9: never before doors."""
    done_at: Literal["rig", "patch"] | None = None
    """Where the hand goes when it is no setting of the desk."""
    at_preamp: bool = False
    """A fault of what comes in: a level beside it is put right at the preamp, since a trim cannot mend it."""
    answered_by: Answer | None = None
    """Setting of the desk that can answer it."""
    answered_metric: str | None = None
    """Reading that such a setting answers, where the kind is raised for others too."""
    live_advice: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Names of what to do while it happens, by the phase that is listened to: in a recording it is over, at a live desk it is not."""
    is_twin: bool = False
    """Another track holds the same: worth saying as soon as a house file is begun."""
    of_chain: bool = False
    """May be said of what the house chain does, beside its meters."""
    unclaimed: bool = False
    """Raised for a track that no source of the house file claims."""
    in_pauses: bool = False
    """Judged where nobody plays: a look without a pause in it says nothing of it."""
    counted: bool = False
    """Its measured number is a count of moments."""
    one_for_both_sides: bool = False
    """Judged of each track of a pair: where both have it, it is one thing."""
    of_two: bool = False
    """Two inputs have it between them: one thing to do."""
    gone: Literal["silent", "missing"] | None = None
    """Status of a source of which, throughout, nothing arrives."""
    too_hot: bool = False
    """Too much level comes in: true peaks in the chain follow from it."""
    other_level: bool = False
    """Another level comes in than the chain was set for: its gain reduction follows from it."""
    doubts: frozenset[str] = frozenset()
    """Names of advice that asks whether it is a fault at all: said before what to do, live too."""
    explains: frozenset[KindName] = frozenset()
    """Kinds that are its consequence and are not said beside it. Common practice, no source."""
    explains_up_to: Mapping[KindName, str] = field(default_factory=dict)
    """Kinds that are its consequence as long as they are below what is expected by less than the limit of that name."""
    explains_in_case: Mapping[str, frozenset[KindName]] = field(default_factory=dict)
    """Kinds that are its consequence in one case of it only, which are not even judged then."""
    of_a_number: bool = False
    """Told of one number over the weeks, whose name ends its id."""
    explains_drifts: frozenset[str] = frozenset()
    """Numbers whose drift is its consequence or the same thing said again; "tone" stands for the slope and every octave."""
    explained_by: frozenset[KindName] = frozenset()
    """Kinds that it is a consequence of, where its own file says so: it is added to what they explain."""
    before: KindName | None = None
    """Kind of the same urgency that it comes before in the order of urgency; None: after all that are as urgent."""
    limits: Mapping[str, Limit] = field(default_factory=dict)

    @property
    def harms_sound(self) -> bool:
        """True where a sound is missing in the room, or hurts."""
        return self.urgency <= HARMS_SOUND

    def __getitem__(self, limit: str) -> float:
        """Value of a limit by its name."""
        if limit not in self.limits:
            raise KeyError(f"{self.name} has no limit {limit!r}")
        return self.limits[limit].value


def kinds(*names: KindName) -> frozenset[KindName]:
    """Set of kinds by their names."""
    return frozenset(names)


def limit_db(value: float, meaning: str, unit: str = "dB", *, source: str = COMMON_PRACTICE) -> Limit:
    """A limit in dB, or in a unit of level."""
    return Limit(value=value, unit=unit, meaning=meaning, source=source)


def most_limits(count: float, a_minute: float, sound: str) -> dict[str, Limit]:
    """Limits of a count, above which it is the sound itself: whichever of the two is more."""
    return {
        "most": Limit(value=count, unit="count", meaning=f"more are the sound itself: {sound}"),
        "most_a_minute": Limit(value=a_minute, unit="count", meaning="so many a minute, where that is more"),
    }
