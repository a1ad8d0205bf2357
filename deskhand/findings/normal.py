"""From numbers outside their normal range to findings: what a person hears, and where to look. Judgements, never faults."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.finding import Finding, Severity
from deskhand.findings.judge import flip_words, loss_number
from deskhand.reference.normal import TONE
from deskhand.reference.numbers import BY_NAME, OCTAVES_HZ
from deskhand.units import hertz, number

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from deskhand.findings.finding import Kind
    from deskhand.measure.readings import Readings
    from deskhand.measure.stereo import MonoFlip
    from deskhand.reference.identity import Mistaken
    from deskhand.reference.kept import Drift
    from deskhand.reference.normal import Normal

SHOW_BUDGET: Final = 0.02
"""Nominal chance of any false judgement in a clean show, over all numbers of all sources. Real weeks have heavier tails than the
model: what comes of it is measured in `validations/`."""
MIX_STAGE: Final = "mix"
MIX_MONO_LOSS_DB: Final = -3.0
"""What a mix may lose in mono before it is worth hearing in mono. Common practice, no source."""
LEAST_NOTICEABLE: Final = 1.5
"""A difference of fewer just noticeable ones is not said, however sure it is."""
NOT_JUDGED: Final = frozenset({"audience", "click", "talkback", "other"})
"""Roles nobody shapes by ear."""

# what more and less of these octaves sounds like, in words people use at a desk; common practice, no source
_MORE: Final = {63: "boomier", 125: "boomier", 250: "thicker", 500: "boxier", 1000: "more nasal", 2000: "harder", 4000: "brighter", 8000: "sharper"}  # fmt: skip
_LESS: Final = {63: "thinner", 125: "thinner", 250: "leaner", 500: "hollower", 1000: "hollower", 2000: "more distant", 4000: "duller", 8000: "duller"}  # fmt: skip


def _band(low_hz: float, high_hz: float) -> str:
    return f"at {hertz(low_hz)}" if low_hz == high_hz else f"from {hertz(low_hz)} to {hertz(high_hz)}"


def tone_words(normal: Normal) -> tuple[str, tuple[float, float], float]:
    """What is different in a tone, the octaves concerned as (lowest edge, highest edge) in Hz, and by how many dB."""
    assert normal.bands_db is not None
    off = {int(band): one[0] - one[1] for band, one in normal.bands_db.items()}
    middle = sorted(off.values())
    zero = 0.5 * (middle[len(middle) // 2 - 1] + middle[len(middle) // 2])
    off = {band: value - zero for band, value in off.items()}
    worst = max(off, key=lambda band: abs(off[band]))
    sign = 1.0 if off[worst] > 0 else -1.0
    place = OCTAVES_HZ.index(worst)
    first = last = place
    # the run of octaves around it that went the same way by at least half as much
    while first > 0 and sign * off[OCTAVES_HZ[first - 1]] >= 0.5 * abs(off[worst]):
        first -= 1
    while last < len(OCTAVES_HZ) - 1 and sign * off[OCTAVES_HZ[last + 1]] >= 0.5 * abs(off[worst]):
        last += 1
    low, high = OCTAVES_HZ[first], OCTAVES_HZ[last]
    word = (_MORE if sign > 0 else _LESS)[worst]
    text = f"{word} than usual: {number(abs(off[worst]), 1)} dB {'more' if sign > 0 else 'less'} {_band(low, high)}"
    return text, (round(low / 2**0.5, 1), round(high * 2**0.5, 1)), sign * abs(off[worst])


def _text(normal: Normal, role: str) -> str:
    """What is heard, and where to look."""
    measured, expected = normal.measured, normal.expected
    more = measured > expected
    if normal.name == TONE:
        said, _, _ = tone_words(normal)
        look = {
            "lead vocal": "ask who sings and how close to the microphone",
            "backing vocal": "ask who sings and how close to the microphone",
            "speech": "look at the distance to the microphone, and whether it is the usual one",
            "guitar": "ask for the player's tone controls, pick-up and cabinet",
            "acoustic guitar": "ask for the player's tone controls and pick-up",
            "bass": "ask for the player's tone controls and pick-up",
            "keys": "ask which sound is loaded",
        }.get(role, "look at the microphone's place, or what is played")
        return f"{said}; listen, and {look} before turning an equaliser"
    far = number(abs(measured - expected), 1)
    if normal.name == "tail":
        times = f"{number(measured, 2)} s where {number(expected, 2)} s is usual"
        return (
            f"rings longer than usual ({times}); listen for reverb or delay at the player's end, or a damper that came off"
            if more
            else f"dies away sooner than usual ({times}); listen for a gate, damping or a missing effect"
        )
    if normal.name == "articulation":
        return (
            f"its notes begin {far} dB more sharply than usual; listen for a harder touch, a new pick or stick, a faster gate"
            if more
            else f"its notes begin {far} dB less clearly than usual; listen for more reverb, or a compressor at the player's end"
        )
    if normal.name == "width":
        return (
            f"{far} dB wider than usual; listen in mono: what is wide is lost there"
            if more
            else f"{far} dB narrower than usual; look for a mono cable or a stereo effect that is switched off"
        )
    if normal.name == "balance":
        side, other = ("right", "left") if more else ("left", "right")
        return f"its {side} is {far} dB stronger against its {other} than usual; compare the two gains, then the cables"
    if normal.name == "dynamics":
        return (
            f"peaks stand out {far} dB more than usual; listen for a harder touch, or a compressor that is out"
            if more
            else f"peaks stand out {far} dB less than usual; listen for too much compression, here or at the player's end"
        )
    if normal.name == "mono-loss":
        return f"loses {number(-measured, 1)} dB in mono where {number(-expected, 1)} dB is usual; hear it in mono"
    return (
        f"harsher than usual: {number(measured, 0)} % of its loudness lies from 2 to 5 kHz where {number(expected, 0)} % is usual; "
        "listen at those moments before turning anything"
    )


def judge_normals(
    normals: Mapping[str, Sequence[Normal]],
    roles: Mapping[str, str],
    *,
    learned: bool,
    hear_s: Callable[[str], tuple[float, float]],
    harsh_s: Callable[[str], tuple[tuple[float, float], ...]],
) -> dict[str, list[Finding]]:
    """Findings of the numbers that left their normal range, one for each number.

    Parameters
    ----------
    normals : mapping
        Source to its numbers against the kept takes.
    roles : mapping
        Source to its role.
    learned : bool
        Whether the house has kept enough takes for judgements to be raised.
    hear_s : callable
        From a source to two seconds in which to hear it.
    harsh_s : callable
        From a source to when it is harshest.
    """
    count = sum(len(found) for source, found in normals.items() if roles[source] not in NOT_JUDGED)
    out: dict[str, list[Finding]] = {}
    severity: Severity = "listen" if learned else "note"
    for source, found in normals.items():
        if roles[source] in NOT_JUDGED:
            continue
        raised = [one for one in found if one.probability < SHOW_BUDGET / count and one.noticeable >= LEAST_NOTICEABLE]
        out[source] = [
            _finding(
                source,
                one,
                _text(one, roles[source]),
                severity,
                hear_s(source) if one.stage != MIX_STAGE else None,
                harsh_s(source) if one.name == "harsh" else (),
            )
            for one in sorted(raised, key=lambda one: -one.noticeable)
        ]
    return out


def _finding(
    source: str,
    normal: Normal,
    text: str,
    severity: Severity,
    hear_s: tuple[float, float] | None,
    harsh_s: tuple[tuple[float, float], ...],
) -> Finding:
    if normal.name == TONE:
        kind: Kind = "tone"
        metric = "tone_db"
        band: tuple[float, float] | None = tone_words(normal)[1]
    else:
        kind, metric = BY_NAME[normal.name].kind, BY_NAME[normal.name].metric
        band = (2000.0, 5000.0) if kind == "harsh" else None
    return Finding(
        id=f"{source}/{normal.name}",
        kind=kind,
        stage="tap" if normal.stage == "tap" else "after",
        severity=severity,
        text=text,
        metric=metric,
        measured=round(normal.measured, 3),
        expected=round(normal.expected, 3),
        low=round(normal.low, 3),
        high=round(normal.high, 3),
        unit=normal.unit,
        band_hz=band,
        at_s=harsh_s if kind == "harsh" else (),
        hear_s=hear_s,
        noticeable=round(normal.noticeable, 1),
    )


def judge_mix(readings: Readings) -> list[Finding]:
    """What is said of the mix before anything is kept."""
    loss_db = readings.mono_loss_db
    if loss_db is None or loss_db >= MIX_MONO_LOSS_DB:
        return []
    return [
        Finding(
            id="the mix/mono-loss",
            kind="mono-loss",
            stage="after",
            severity="listen",
            text=f"the mix loses {number(-loss_db, 1)} dB in mono: hear it in mono, for side seats, the lobby and the hearing loop",
            metric="mono_loss_db",
            measured=round(loss_db, 1),
            low=MIX_MONO_LOSS_DB,
            unit="dB",
        )
    ]


def judge_upside_down(found: Iterable[str], flips: Mapping[str, MonoFlip] | None = None) -> dict[str, Finding]:
    """Findings of pairs of which one side's polarity is inverted against the kept takes.

    That something was exchanged is a fact; a flip is advised only where mono gains by it. Where the kept takes were the ones
    that lost in mono, this week is the better one.

    Parameters
    ----------
    found : iterable of str
        Sources.
    flips : mapping, optional
        Source to its mono loss as it is and with one side flipped; without it mono is taken to lose.
    """
    out = {}
    for source in found:
        flip = flips.get(source) if flips is not None else None
        changed = "the polarity of one side is inverted against the kept weeks: its middle has become its sides"
        numbers = f"; {flip_words(flip)}" if flip is not None else ""
        helps = flips is None or (flip is not None and flip.sure)
        out[source] = Finding(
            id=f"{source}/polarity",
            kind="polarity",
            stage="tap",
            severity="fix" if helps else "listen",
            text=f"{changed}{numbers}; look for a cable or box that was exchanged"
            + (
                ", or flip the polarity of one side"
                if helps
                else "; mono gains nothing by a flip, so leave the polarity switch alone"
            ),
            metric="mono_loss_db",
            measured=loss_number(flip.loss_db) if flip is not None else None,
            expected=loss_number(flip.flipped_loss_db) if flip is not None else None,
            unit="dB",
        )
    return out


def judge_drifts(found: Iterable[Drift]) -> dict[str, list[Finding]]:
    """Findings of numbers that creep away over the weeks: judgements; a chart needs more takes than a house to have learned."""
    out: dict[str, list[Finding]] = {}
    for one in found:
        out.setdefault(one.source, []).append(
            Finding(
                id=f"{one.source}/drift-{one.number.name}",
                kind="drift",
                stage="after" if one.number.stage == "after" else "tap",
                severity="listen",
                text=one.text,
                metric=one.number.metric,
                measured=round(one.number.from_scale(float(one.chart.average[-1])), 3),
                expected=round(one.number.from_scale(one.chart.centre), 3),
                unit=one.number.unit,
            )
        )
    return out


def judge_mistaken(found: Iterable[Mistaken]) -> dict[str, Finding]:
    """Findings of inputs that sound like another source: faults, from the first kept show on."""
    out = {}
    for one in found:
        text = (
            f"sounds like {one.like}, and {one.like} like it: the two are exchanged; swap their cables or their patch, "
            "muted, and tell the stage first"
            if one.exchanged
            else f"sounds like {one.like}, not like itself; check what is plugged in there, muted, and the patch"
        )
        kind: Kind = "swapped" if one.exchanged else "wrong-patch"
        out[one.source] = Finding(
            id=f"{one.source}/{kind}",
            kind=kind,
            stage="tap",
            severity="fix",
            text=text,
            metric="tone_db",
            measured=round(one.nats, 1),
            unit="nats",
        )
    return out
