"""Cause of a changed sound: what tone, tail, attack and width say together of what was moved, covered or switched.

A microphone that is farther away hears more of the room and less of the nearness that lifts its lows; one that is covered loses its top
and nothing else; an effect at the player's end changes tail and attack and hardly the tone. Where the numbers fit two of these, or none,
no cause is told.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

from deskhand.baseline.numbers import BY_NAME, TONE
from deskhand.findings.kind import kinds
from deskhand.house.roles import ROLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.baseline.normal import Normal
    from deskhand.baseline.tone_departure import ToneDeparture
    from deskhand.findings.finding import Finding

SoundCause = Literal[
    "closer", "farther", "covered", "high-pass", "tone-control", "less-effect", "more-effect", "other-sound"
]
_OUTSIDE: Final = 1.0
"""Half widths of its 95 % range from which a number has gone somewhere: it lies outside."""
_INSIDE: Final = 0.8
"""Half widths up to which it has gone nowhere. Common practice, no source; docs/validation-sound-causes.md counts what comes of both."""
_TONE_CHANCE: Final = 0.01
"""Probability of a tone below which it has gone somewhere; and where it has gone nowhere, ten times as much. Common practice, no source."""
_LEAST_DB: Final = 3.0
"""Size of a filter from which its kind is taken for what it is. Common practice, no source."""
_CUT_DB: Final = 9.0
"""Loss of the lows from which a high-pass is likelier than another distance. Common practice, no source."""
_TOP_HZ: Final = 1400.0
"""Corners above this leave the body of a sound alone. Common practice, no source."""
_END_BELLS_HZ: Final = 250.0, 4000.0
"""Bells up to the first, and from the second on, lie at the end of what is heard of a voice or a guitar. Common practice, no source."""
_BODY_HZ: Final = 500.0
"""Corners up to this are nearness, or what takes the lows away. Common practice, no source."""


CAUSE_ADVICE: Final[dict[SoundCause, str]] = {
    "closer": "cause-closer",
    "farther": "cause-farther",
    "covered": "cause-covered",
    "high-pass": "cause-high-pass",
    "tone-control": "cause-tone-control",
    "less-effect": "cause-less-effect",
    "more-effect": "cause-more-effect",
    "other-sound": "cause-other-sound",
}
"""Cause to what is said of it, and where to look."""
_OF_SOUND: Final = kinds("tone", "tail", "articulation", "dynamics", "harsh")
"""Kinds of finding that may follow from it."""


def went(normal: Normal) -> float:
    """Way that a number went from what is usual, in half widths of its 95 % range, up is positive.

    Parameters
    ----------
    normal : Normal
        Any but tone.
    """
    scale = BY_NAME[normal.name].to_scale
    middle = scale(normal.expected)
    half = 0.5 * (scale(normal.high) - scale(normal.low))
    return (scale(normal.measured) - middle) / max(half, 1e-9)


def sound_cause(role: str, normals: Sequence[Normal], *, by_cable: bool) -> SoundCause | None:
    """Cause of a changed sound; None where the numbers fit several or none.

    Parameters
    ----------
    role : str
    normals : sequence of Normal
        Numbers of the source against the kept takes.
    by_cable : bool
        True for a source without a microphone.
    """
    by_name = {normal.name: normal for normal in normals}
    gone = {name: went(normal) for name, normal in by_name.items() if name != TONE}
    tone = by_name.get(TONE)
    if tone is None or "articulation" not in gone:
        return None
    space = _space(gone)
    if space is None:
        return None
    shape = _shape(tone)
    if by_cable:
        return _cause_by_cable(role, space, shape, gone)
    return _cause_of_microphone(role, space, shape)


def _space(gone: Mapping[str, float]) -> Literal["more", "less", "as usual"] | None:
    """Way that room or effect went, by tail and attack together; None where they contradict each other or say little."""
    ways = [gone[name] * sign for name, sign in (("tail", 1.0), ("articulation", -1.0)) if name in gone]
    if max(ways) >= _OUTSIDE and min(ways) > -_INSIDE:
        return "more"
    if min(ways) <= -_OUTSIDE and max(ways) < _INSIDE:
        return "less"
    return "as usual" if max(map(abs, ways)) <= _INSIDE else None


def _shape(tone: Normal) -> str | None:
    """Way that a tone went: "as usual", its top or lows more or less, "cut" where something takes the lows away; None where it is none of these."""
    if tone.probability > 10.0 * _TONE_CHANCE:
        return "as usual"
    departure = tone.departure
    if tone.probability > _TONE_CHANCE or departure is None or abs(departure.gain_db) < _LEAST_DB:
        return None
    return _shape_of(departure)


def _shape_of(departure: ToneDeparture) -> str:
    """Shape of the filter that explains a tone best; a shelf of all but the lows is one of the lows, the other way up."""
    kind, hz, gain_db = departure.kind, departure.frequency_hz, departure.gain_db
    if kind == "high shelf" and hz <= _BODY_HZ:
        kind, gain_db = "low shelf", -gain_db
    if kind == "bell" and hz <= _END_BELLS_HZ[0]:
        # at the end of what a source has, a bell and a shelf are one
        kind = "low shelf"
    if kind == "bell" and hz >= _END_BELLS_HZ[1]:
        kind = "high shelf"
    if kind == "low roll-off" or (kind == "low shelf" and gain_db <= -_CUT_DB):
        return "cut"
    if kind == "low shelf" and hz <= _BODY_HZ:
        return "lows more" if gain_db > 0 else "lows less"
    if kind == "high roll-off" or (kind == "high shelf" and hz >= _TOP_HZ):
        return "top more" if gain_db > 0 else "top less"
    return "otherwise"


def _cause_of_microphone(role: str, space: str, shape: str | None) -> SoundCause | None:
    """Cause of a change at a microphone."""
    presets = role in ROLES and ROLES[role].has_presets
    match space, shape:
        case "more", "lows less" | "cut":
            return "farther"
        case "less" | "as usual", "lows more":
            return "closer"
        case "more", "as usual":
            return "more-effect" if presets else None
        case "less", "as usual":
            return "less-effect" if presets else None
        case "as usual", "top less":
            return "covered"
        case "as usual", "cut":
            return "high-pass"
    return None


def _cause_by_cable(role: str, space: str, shape: str | None, gone: Mapping[str, float]) -> SoundCause | None:
    """Cause of a change of what comes by cable."""
    presets = role in ROLES and ROLES[role].has_presets
    # taking the lows away moves the dynamics too; other filters and effects leave them alone, another sound does not
    if shape != "cut" and abs(gone.get("dynamics", 0.0)) >= _OUTSIDE:
        return "other-sound" if presets and shape not in (None, "as usual") else None
    match space, shape:
        case "more", "as usual" | None:
            return "more-effect"
        case "less", "as usual" | None:
            return "less-effect"
        case "as usual", "top less":
            return "tone-control"
        case "as usual", "cut":
            return "high-pass"
    return None


def with_causes(
    findings: Mapping[str, Sequence[Finding]],
    normals: Mapping[str, Sequence[Normal]],
    roles: Mapping[str, str],
    by_cable: Mapping[str, bool],
) -> dict[str, list[Finding]]:
    """Findings of which the most noticeable of each source says what it comes from, and the others that they come from the same.

    Parameters
    ----------
    findings : mapping
        Source to what left its normal range, the most noticeable first.
    normals : mapping
        Source to its numbers against the kept takes.
    roles, by_cable : mapping
        By source; what is in neither is the mix, which has no single cause.
    """
    return {
        source: _with_cause(several, sound_cause(roles[source], normals.get(source, ()), by_cable=by_cable[source]))
        if several and source in by_cable
        else list(several)
        for source, several in findings.items()
    }


def _with_cause(findings: Sequence[Finding], cause: SoundCause | None) -> list[Finding]:
    """Findings of one source with their cause, where it is known."""
    follow = [finding for finding in findings if finding.kind in _OF_SOUND]
    if cause is None or not follow:
        return list(findings)
    facts = {"cause": cause}
    first = replace(follow[0], advice=(CAUSE_ADVICE[cause],), facts={**follow[0].facts, **facts})
    return [
        first
        if finding is follow[0]
        else replace(finding, advice=("cause-same",), facts={**finding.facts, **facts})
        if finding.kind in _OF_SOUND
        else finding
        for finding in findings
    ]
