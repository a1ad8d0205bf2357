"""From numbers outside their normal range to findings: what a person hears, and where to look. Judgements, never faults."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from deskhand.baseline.normal import TONE
from deskhand.baseline.numbers import BY_NAME
from deskhand.baseline.sides import SIDES
from deskhand.findings.faults.pair import flip_words, loss_number
from deskhand.findings.finding import Fact, Finding, Severity
from deskhand.findings.kinds import ENTRIES, KINDS
from deskhand.house.roles import ROLES, Role
from deskhand.measure.passages import OCTAVES_HZ
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from deskhand.baseline.identity import Mispatch
    from deskhand.baseline.normal import Normal
    from deskhand.findings.kinds import KindName
    from deskhand.measure.readings import Readings
    from deskhand.measure.stereo import MonoFlip

SHOW_BUDGET: Final = 0.02
"""Nominal chance of any false judgement in a clean show, over all numbers of all sources. Real weeks have heavier tails than the
model: what comes of it is measured in `validations/`."""
OWN_CHANCE: Final = {
    entry.number: entry.own_chance for entry in ENTRIES if entry.number and entry.own_chance is not None
}
"""Number to its chance in a clean show, of those that do not share the show's."""
MIX_STAGE: Final = "mix"
_MIX: Final = Role(name="other", tone_advice="ask-mix")
"""Facts that hold for the mix, which has no role: somebody shapes it by ear."""
LEAST_NOTICEABLE: Final = 1.5
"""A difference of fewer just noticeable ones is not said, however sure it is. Common practice, no source."""
_HARSH_HZ: Final = (2000.0, 5000.0)
"""Where the ear is most sensitive (ISO 226:2023, equal-loudness contours), and what is called harsh."""
_TOP_HZ: Final = (2000, 8000)
"""Lowest and highest octave of the top of two sides (`deskhand.measure.provided.side_top`)."""
_NEIGHBOUR_SHARE: Final = 0.5
"""Neighbouring octaves that went the same way by at least this share belong to the same change. Common practice, no source."""

KIND_OF: Final[dict[str, KindName]] = {
    "articulation": "articulation",
    "tail": "tail",
    "width": "width",
    "balance": "width",
    "dynamics": "dynamics",
    "harsh": "harsh",
    "mono-loss": "mono-loss",
    **{entry.number: entry.kind.name for entry in ENTRIES if entry.number is not None},
}
"""Number that is judged to the kind of finding it makes; one that is not here is shown with its range and watched, and raises nothing."""

# what more and less of these octaves sounds like, in words people use at a desk; common practice, no source
_MORE: Final = {63: "boomier", 125: "boomier", 250: "thicker", 500: "boxier", 1000: "more nasal", 2000: "harder", 4000: "brighter", 8000: "sharper"}  # fmt: skip
_LESS: Final = {63: "thinner", 125: "thinner", 250: "leaner", 500: "hollower", 1000: "hollower", 2000: "more distant", 4000: "duller", 8000: "duller"}  # fmt: skip


class ToneChange(NamedTuple):
    """The largest change of a tone: the word for it, its octaves and its size."""

    word: str
    low_hz: int
    """Mid-band frequency of the lowest octave concerned."""
    high_hz: int
    off_db: float
    """Against what is usual, with its sign."""

    @property
    def band_hz(self) -> tuple[float, float]:
        """Lowest and highest edge of the octaves concerned."""
        return round(self.low_hz / 2**0.5, 1), round(self.high_hz * 2**0.5, 1)

    @property
    def band_words(self) -> str:
        """Octaves concerned, in words."""
        if self.low_hz == self.high_hz:
            return phrase("at {low_hz:hertz}", low_hz=self.low_hz)
        return phrase("from {low_hz:hertz} to {high_hz:hertz}", low_hz=self.low_hz, high_hz=self.high_hz)


def tone_change(normal: Normal) -> ToneChange:
    """The octaves in which a tone differs most from what is usual, against the median of all octaves."""
    bands_db = normal.bands_db or normal.side_bands_db
    assert bands_db is not None
    off_db = {int(band): levels_db[0] - levels_db[1] for band, levels_db in bands_db.items()}
    ordered = sorted(off_db.values())
    median_db = 0.5 * (ordered[len(ordered) // 2 - 1] + ordered[len(ordered) // 2])
    off_db = {band: value - median_db for band, value in off_db.items()}
    worst = max(off_db, key=lambda band: abs(off_db[band]))
    sign = 1.0 if off_db[worst] > 0 else -1.0
    first = last = OCTAVES_HZ.index(worst)
    # the run of octaves around it that went the same way
    while first > 0 and sign * off_db[OCTAVES_HZ[first - 1]] >= _NEIGHBOUR_SHARE * abs(off_db[worst]):
        first -= 1
    while last < len(OCTAVES_HZ) - 1 and sign * off_db[OCTAVES_HZ[last + 1]] >= _NEIGHBOUR_SHARE * abs(off_db[worst]):
        last += 1
    word = (_MORE if sign > 0 else _LESS)[worst]
    return ToneChange(word, OCTAVES_HZ[first], OCTAVES_HZ[last], sign * abs(off_db[worst]))


def _side_change(normal: Normal) -> ToneChange:
    """The largest change of a pair's right side against its left; where no octaves of it are kept, of the top alone."""
    if normal.side_bands_db is not None:
        return tone_change(normal)
    off_db = normal.measured - normal.expected
    return ToneChange("brighter" if off_db > 0 else "duller", *_TOP_HZ, off_db)


_ADVICE: Final = {
    ("tail", "more"): "hear-reverb",
    ("tail", "less"): "hear-gate",
    ("articulation", "more"): "hear-touch",
    ("articulation", "less"): "hear-blur",
    ("width", "more"): "hear-wide",
    ("width", "less"): "hear-narrow",
    ("balance", "right"): "compare-gains",
    ("balance", "left"): "compare-gains",
    ("dynamics", "more"): "hear-open",
    ("dynamics", "less"): "hear-squeezed",
    ("mono-loss", "kept"): "hear-mono",
    ("harsh", "more"): "hear-harsh",
    **{(entry.number, case): name for entry in ENTRIES if entry.number for case, name in entry.number_advice.items()},
}
"""From a number and the way it went to what to do."""


def _case(normal: Normal) -> str:
    """The way a number went, as the catalogue of sentences has it."""
    if normal.name == "mono-loss":
        return "kept"
    if normal.name == "harsh":
        return "more"
    above = normal.measured > normal.expected
    if normal.name == "balance":
        return "right" if above else "left"
    return "more" if above else "less"


def _has_kind(normal: Normal) -> bool:
    """True where a number makes a finding once it leaves its range."""
    return normal.name == TONE or normal.name in KIND_OF


def chance_of_each(normals: Mapping[str, Sequence[Normal]], roles: Mapping[str, str]) -> float:
    """Chance in a clean show that each number is allowed, so that all of them together keep the show's.

    Parameters
    ----------
    normals : mapping
        Source to its numbers against the kept takes.
    roles : mapping
        Source to its role.
    """
    count = sum(
        _has_kind(normal) and normal.name not in OWN_CHANCE
        for source, numbers in normals.items()
        if ROLES.get(roles[source], _MIX).shaped
        for normal in numbers
    )
    return SHOW_BUDGET / max(count, 1)


def judge_normals(
    normals: Mapping[str, Sequence[Normal]],
    roles: Mapping[str, str],
    *,
    learned: bool,
    relearning: Collection[str] = (),
    newcomers: Collection[str] = (),
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
        True where the house has kept enough takes for judgements to be raised.
    relearning : collection of str
        Numbers that are noted all the same: too few takes hold them by today's definition.
    newcomers : collection of str
        Sources that are played by somebody who is named and was never heard there before: another person's sound is noted,
        as another recording's is.
    hear_s : callable
        From a source to two seconds in which to hear it.
    harsh_s : callable
        From a source to when it is harshest.
    """
    facts = {source: ROLES.get(role, _MIX) for source, role in roles.items()}
    chance = chance_of_each(normals, roles)
    normals = {source: [normal for normal in numbers if _has_kind(normal)] for source, numbers in normals.items()}
    findings: dict[str, list[Finding]] = {}

    def set_apart(source: str, normal: Normal) -> bool:
        # another song of a machine is another recording; its two sides are the house's own cables all the same
        return source in newcomers or (facts[source].finished and normal.name != "balance")

    for source, numbers in normals.items():
        if not facts[source].shaped:
            continue
        raised = [
            normal
            for normal in numbers
            if normal.probability < OWN_CHANCE.get(normal.name, chance) and normal.noticeable >= LEAST_NOTICEABLE
        ]
        findings[source] = [
            _finding(
                source,
                normal,
                facts[source].tone_advice,
                "listen" if learned and normal.name not in relearning and not set_apart(source, normal) else "note",
                hear_s(source) if normal.stage != MIX_STAGE else None,
                harsh_s(source) if normal.name == "harsh" else (),
            )
            for normal in sorted(raised, key=lambda normal: -normal.noticeable)
        ]
    return findings


def _finding(
    source: str,
    normal: Normal,
    tone_advice: str,
    severity: Severity,
    hear_s: tuple[float, float] | None,
    harsh_s: tuple[tuple[float, float], ...],
) -> Finding:
    """Finding of one number outside its range."""
    kind: KindName
    if normal.name == TONE:
        kind, metric = "tone", "tone_db"
        change = tone_change(normal)
        band_hz: tuple[float, float] | None = change.band_hz
        case, advice = "more" if change.off_db > 0 else "less", tone_advice
        facts: dict[str, Fact] = {
            "word": change.word,
            "off_db": abs(change.off_db),
            "band": change.band_words,
        }
    else:
        kind, metric = KIND_OF[normal.name], BY_NAME[normal.name].metric
        case = _case(normal)
        advice = _ADVICE[normal.name, case]
        band_hz = _HARSH_HZ if kind == "harsh" else None
        facts = {"off_db": abs(normal.measured - normal.expected)}
        if normal.name == SIDES:
            change = _side_change(normal)
            case, band_hz = "more" if change.off_db > 0 else "less", change.band_hz
            case += "-than" if normal.against is not None else ""
            facts = {"word": change.word, "off_db": abs(change.off_db), "band": change.band_words}
        if normal.name == "mono-loss":
            facts = {"loss_db": -normal.measured, "usual_loss_db": -normal.expected}
    return Finding(
        id=f"{source}/{normal.name}",
        kind=kind,
        stage="tap" if normal.stage == "tap" else "after",
        severity=severity,
        what=case,
        other=normal.against,
        advice=(advice,),
        facts=facts,
        metric=metric,
        measured=round(normal.measured, 3),
        expected=round(normal.expected, 3),
        low=round(normal.low, 3),
        high=round(normal.high, 3),
        unit=normal.unit,
        band_hz=band_hz,
        at_s=harsh_s if kind == "harsh" else (),
        hear_s=hear_s,
        noticeable=round(normal.noticeable, 1),
    )


def judge_mix_loss(readings: Readings) -> list[Finding]:
    """Mono loss of the mix, before anything is kept."""
    loss_db = readings.mono_loss_db
    limit_db = KINDS["mono-loss"]["mix_db"]
    if loss_db is None or loss_db >= limit_db:
        return []
    return [
        Finding(
            id="the mix/mono-loss",
            kind="mono-loss",
            stage="after",
            severity="listen",
            what="mix",
            advice=("hear-mono-mix",),
            facts={"loss_db": -loss_db},
            metric="mono_loss_db",
            measured=round(loss_db, 1),
            low=limit_db,
            unit="dB",
        )
    ]


def judge_reversed(sources: Iterable[str], flips: Mapping[str, MonoFlip] | None = None) -> dict[str, Finding]:
    """Findings of pairs of which one side's polarity is inverted against the kept takes.

    That something was exchanged is a fact; a flip is advised only where mono gains by it. Where the kept takes were the ones
    that lost in mono, this week is the better one.

    Parameters
    ----------
    sources : iterable of str
    flips : mapping, optional
        Source to its mono loss as it is and with one side flipped; without it mono is taken to lose.
    """
    findings = {}
    for source in sources:
        flip = flips.get(source) if flips is not None else None
        helps = flips is None or (flip is not None and flip.sure)
        findings[source] = Finding(
            id=f"{source}/polarity",
            kind="polarity",
            stage="tap",
            severity="fix" if helps else "listen",
            what="kept" if flip is None else "kept-numbers",
            advice=("exchanged-cable-or-reverse",) if helps else ("exchanged-cable",),
            facts={} if flip is None else {"flip_words": flip_words(flip)},
            metric="mono_loss_db",
            measured=loss_number(flip.loss_db) if flip is not None else None,
            expected=loss_number(flip.flipped_loss_db) if flip is not None else None,
            unit="dB",
        )
    return findings


def judge_mistaken(mistaken: Iterable[Mispatch]) -> dict[str, Finding]:
    """Findings of inputs that sound like another source, from the first kept show on: faults, or a question where somebody new may play."""
    return {
        guess.source: Finding(
            id=f"{guess.source}/{'swapped' if guess.exchanged else 'wrong-patch'}",
            kind="swapped" if guess.exchanged else "wrong-patch",
            stage="tap",
            severity="fix" if guess.sure else "listen",
            what="exchanged" if guess.exchanged else "unlike",
            advice=(
                ("somebody-new-first",)
                if not guess.sure
                else ("ask-then-swap",)
                if guess.exchanged
                else ("check-plugged",)
            ),
            other=guess.like,
            metric="tone_db",
            measured=round(guess.nats, 1),
            unit="nats",
        )
        for guess in mistaken
    }
