"""Kept takes of a house, read from its history, and a take set against them: reference, numbers and drifts."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline import drift
from deskhand.baseline.model import LEARNED, MOST_TAKES, Baseline, baseline_of, house_prior
from deskhand.baseline.normal import Normal, judge_parts
from deskhand.baseline.numbers import BY_NAME, CHARTED, TONE, Number, metrics, number_of, of_tones, tone_vector
from deskhand.baseline.sides import SIDES, side_vector, with_sides
from deskhand.baseline.versions import reading_versions
from deskhand.baseline.weeks import crept, tones_of
from deskhand.measure.tone_course import unpacked
from deskhand.mix.clearance import AudibilityLimits
from deskhand.store import file_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.played import PlayedAgain
    from deskhand.house import FormerNames
    from deskhand.store import Dismissal, KeptPart, TakeRow
    from deskhand.store.fingerprints import KeptFingerprint
    from deskhand.store.history import History
    from deskhand.store.seats import SeatRecord

MIX: Final = "the mix"
"""Name under which the mix is kept."""
PHRASES: Final = (5, 25, 50)
"""Percentiles of a voice's phrases that are kept: covered and clear of a house are set by the first two."""
_PAIRS: Final = ("correlation", "delay_ms")
"""Readings of a pair that weigh what is said of its sides."""
_LEAST_APART_PCT: Final = 15.0
"""Points that covered lies below clear at least, in a house whose voices are steady: three times what a clean week's quarter varies by
(validations/clean_stage.py, half to tune on: 4 to 5 points)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptTakes:
    """Kept takes of one house and phase."""

    rows: list[tuple[TakeRow, KeptPart]] = field(default_factory=list)
    dismissals: list[Dismissal] = field(default_factory=list)
    takes: list[TakeRow] = field(default_factory=list)
    unknown_houses: dict[str, int] = field(default_factory=dict)
    """House that is none of this house's names to how many takes are kept of it."""
    fingerprints: dict[int, KeptFingerprint] = field(default_factory=dict)
    """Number of a take to its fingerprint, where it has one."""
    tone_courses: dict[int, dict[str, NDArray[np.float64]]] = field(default_factory=dict)
    """Number of a take to the courses of its sources' tones, where it has them."""
    rooms: dict[str, SeatRecord] = field(default_factory=dict)
    """Seat to the newest measurement of its room."""

    def words(self) -> dict[str, AudibilityLimits]:
        """Limits of each voice's clear and covered words, by the house's own weeks; empty until it has kept enough."""
        kept_pct: dict[str, list[tuple[float, float]]] = {}
        for _, part in self.rows:
            low, quarter = part.values.get("phrase_pct.5"), part.values.get("phrase_pct.25")
            if part.stage == "feed" and low is not None and quarter is not None:
                kept_pct.setdefault(part.source, []).append((low[0], quarter[0]))
        limits = {}
        for source, pairs in kept_pct.items():
            if len(pairs) < LEARNED:
                continue
            low_pct, quarter_pct = np.median(np.array(pairs), axis=0)
            limits[source] = AudibilityLimits(
                clear_pct=float(quarter_pct), covered_pct=float(min(low_pct, quarter_pct - _LEAST_APART_PCT))
            )
        return limits


def load(
    url: str,
    *,
    house: str,
    phase: str,
    show: tuple[str, str | None],
    digest: str | None = None,
    to_be_kept: bool = False,
    names: FormerNames | None = None,
) -> KeptTakes | None:
    """Kept takes of a house in a phase; None when there is no history yet.

    Parameters
    ----------
    url : str
    house, phase : str
    show : (name, date)
        The show that is judged: when it is kept itself, it is no part of what it is set against.
    digest : str, optional
        Digest of its files, by which shows without a date are told apart.
    to_be_kept : bool
        Refuse a show that is kept already, before anything is measured.
    names : FormerNames, optional
        Earlier names of the house and its sources.

    Raises
    ------
    HistoryError
        The history cannot be read.
    UsageError
        The show is kept already.
    """
    file = file_of(url)
    if file is not None and not file.exists():
        return None
    # the database library is loaded where there is something to read
    from deskhand.store.history import open_history
    from deskhand.store.seats import newest_of_each_seat
    from deskhand.store.unknown_houses import unknown_houses

    history = open_history(url, names=names)
    if history is None:
        return None
    try:
        if to_be_kept:
            history.refuse_twice(house=house, show=show[0], date=show[1], phase=phase, digest=digest)
        kept = _read(history, house, phase, show, digest)
        return replace(
            kept,
            unknown_houses=unknown_houses(history, house=house),
            rooms=newest_of_each_seat(history, house=house, kind="room"),
        )
    finally:
        history.close()


def _is_show(take: TakeRow, show: tuple[str, str | None], digest: str | None) -> bool:
    """True where a kept take is the show that is judged; without a date its files tell, as far as they are known."""
    if take.date is not None:
        return (take.show, take.date) == show
    if take.digest is not None and digest is not None:
        # also one that was kept before its date was known
        return take.digest == digest
    return (take.show, take.date) == show


def _read(history: History, house: str, phase: str, show: tuple[str, str | None], digest: str | None) -> KeptTakes:
    """Kept takes out of an open history, without the show that is judged."""
    from deskhand.store.fingerprints import fingerprints

    wanted = (*metrics(), "phrase_pct.", *_PAIRS)
    rows = history.parts(
        house=house,
        phase=phase,
        metrics=wanted,
        most=MOST_TAKES + 1,
        stages=("tap", "after", "sound", "feed", "mix", "turn"),
        versions=reading_versions(),
    )
    rows = [(take, part) for take, part in rows if not _is_show(take, show, digest)]
    takes = list({take.id: take for take, _ in rows}.values())
    kept_fingerprints = fingerprints(history, [take.id for take in takes])
    return KeptTakes(
        rows=rows,
        dismissals=history.dismissals(house=house),
        takes=takes,
        fingerprints=kept_fingerprints,
        tone_courses={
            take: {history.names.source(source): course for source, course in _courses(kept.tones).items()}
            for take, kept in kept_fingerprints.items()
            if kept.tones is not None
        },
    )


def _courses(tones: bytes) -> dict[str, NDArray[np.float64]]:
    """Courses of a take's tones; none where they are damaged or of another version."""
    try:
        return unpacked(tones)
    except ValueError:
        return {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A number that creeps away over the weeks."""

    source: str
    number: Number
    chart: drift.Chart
    since: str | None = None
    """Date of the take after which it went away, or of the first that a step left elsewhere; None where nobody wrote it down."""
    until: str | None = None
    """Date of the take from which on it stayed where it was; None while it goes on, and where nobody wrote it down."""
    role: str = ""

    @property
    def crept(self) -> str:
        """Words for the way it went and for how long."""
        return crept(self.number, self.chart)


def drifts(
    baseline: Baseline, parts: Sequence[KeptPart], *, date: str | None = None, left_out: Collection[str] = ()
) -> list[Drift]:
    """Numbers whose moving average left its limits with this take.

    Parameters
    ----------
    baseline : Baseline
    parts : sequence of KeptPart
        Of the take.
    date : str, optional
        Of the take; a week after the last kept one without it, or when it is older than that.
    left_out : collection of str
        Roles that are not watched.
    """
    parts = [part for part in parts if part.role not in left_out]
    judged = {(part.source, part.stage): part for part in parts if part.stage in ("tap", "after")}
    date_of_take = {take.id: take.date for take in baseline.takes}
    tones = {
        kept_part: tone
        for key, part in judged.items()
        if key[1] == "tap"
        for kept_part, tone in tones_of([*baseline.parts.get(key, ()), part]).items()
    }

    def value_of(number: Number, part: KeptPart) -> float | None:
        if number.is_of_tone:
            tone = tones.get(id(part))
            return None if tone is None else float(of_tones(number, tone))
        reading = number_of(number, part.values)
        return None if reading is None else reading[0]

    wanted = []
    for (source, stage), part in judged.items():
        for number in CHARTED:
            if number.stage_of(chained=(source, "after") in judged) != stage or not number.is_watched_of(part.role):
                continue
            value = value_of(number, part)
            dated = [
                (kept_value, date_of_take[past_part.take])
                for past_part in baseline.parts.get((source, stage), ())
                if (kept_value := value_of(number, past_part)) is not None
            ]
            if value is not None and len(dated) + 1 >= drift.LEAST_TAKES:
                wanted.append((source, stage, number, part, [*dated, (value, date)]))
    drifted = []
    for source, stage, number, part, series in wanted:
        values = np.array([value for value, _ in series])
        prior = house_prior(baseline, number.name, source, part.role, stage)
        spread, limit = drift.spread_of(values, prior), drift.limit_for(len(wanted))
        weeks = drift.weeks_of([when for _, when in series])
        chart = drift.chart(values, spread, limit, weeks)
        if chart is not None and chart.drifted:
            since = series[min(chart.since + chart.is_step, len(series) - 1)][1]
            until = series[chart.until][1] if chart.stayed_weeks else None
            drifted.append(Drift(source=source, number=number, chart=chart, since=since, until=until, role=part.role))
    return drifted


def against(
    kept: KeptTakes,
    parts: Sequence[KeptPart],
    *,
    taps: Mapping[str, str],
    chains: Mapping[str, str | None],
    again: Mapping[str, PlayedAgain] | None = None,
    groups: Sequence[tuple[str, str]] = (),
) -> tuple[Baseline, dict[str, list[Normal]]]:
    """Baseline for a take, and its numbers against it.

    Parameters
    ----------
    kept : KeptTakes
    parts : sequence of KeptPart
        Of the take.
    taps, chains : mapping
        Source to its tap, and to the digest of its chain.
    again : mapping, optional
        Source to what of its playing kept takes hold too.
    groups : sequence of (source, source)
        Inputs of one instrument.
    """
    baseline = replace(baseline_of(kept.rows, kept.dismissals, taps=taps, chains=chains), again=again or {})
    return baseline, with_sides(baseline, parts, judge_parts(baseline, parts), groups)


def reading_of(parts: Sequence[KeptPart], source: str, name: str) -> dict[str, float]:
    """Judged number of a source as the history keeps it when it is found to be as liked; empty when there is none."""
    by_stage: dict[str, KeptPart] = {part.stage: part for part in parts if part.source == source}
    if name in (TONE, SIDES):
        whole = by_stage.get("tap", by_stage.get("mix"))
        vector_of = tone_vector if name == TONE else side_vector
        vector = vector_of(whole.values) if whole is not None else None
        return {} if vector is None else {f"{octave}": float(level) for octave, level in enumerate(vector)}
    number = BY_NAME.get(name)
    if number is None:
        return {}
    part = by_stage.get(number.stage_of(chained="after" in by_stage), by_stage.get("mix"))
    reading = number_of(number, part.values) if part is not None else None
    return {} if reading is None else {"0": reading[0]}
