"""Sets a measured take against the kept ones: findings, dismissals, and what would be kept of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.identity import guest_inputs, mistaken, upside_down
from deskhand.baseline.keep import mix_part, source_parts, voice_part
from deskhand.baseline.kept import MIX, against, drifts, reading_of
from deskhand.baseline.kept import load as load_kept
from deskhand.baseline.normal import with_least_told
from deskhand.baseline.versions import version_of_judged
from deskhand.errors import UsageError
from deskhand.findings import (
    Finding,
    as_usual,
    causes_only,
    joined,
    judge_drifts,
    judge_mistaken,
    judge_mix_loss,
    judge_normals,
    judge_reversed,
    pairs_as_usual,
    with_dismissals,
    with_trends,
)
from deskhand.findings.faults.pair import flipped_mono_loss
from deskhand.findings.judgements import LEAST_NOTICEABLE, chance_of_each
from deskhand.findings.kinds import KINDS
from deskhand.house import ROLES
from deskhand.measure.excerpt import telling_start_s
from deskhand.measure.tone import harshest_s
from deskhand.mix.bus import in_the_mix
from deskhand.recording.names import nearest
from deskhand.result import ReferenceResult
from deskhand.store import Dismissal, history_url

if TYPE_CHECKING:
    from deskhand.baseline.kept import KeptTakes
    from deskhand.baseline.normal import Baseline, Normal
    from deskhand.desk import DeskState
    from deskhand.house import Source
    from deskhand.result import ShowResult
    from deskhand.store import KeptPart
    from deskhand.tasks.check.measure import TakeReadings
    from deskhand.tasks.check.options import CheckOptions
    from deskhand.tasks.check.resolve import ShowSetup

HEAR_S: Final = 2.0
"""Length of the stretch by which a judgement can be heard. Common practice, no source."""
LEAST_KEPT_DELAYS: Final = 3
"""Kept takes from which on a side that comes late is set against them. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineComparison:
    """Take set against the kept ones, with the findings that come of it."""

    result: ReferenceResult | None
    """Summary for the result; None while nothing is kept."""
    baseline: Baseline | None
    normals: dict[str, list[Normal]]
    findings: dict[str, list[Finding]]
    """Source to its findings, those of the kept takes included."""
    mix_findings: list[Finding]


def kept_takes(setup: ShowSetup, options: CheckOptions, digest: str) -> KeptTakes | None:
    """Kept takes of the show's phase; None where there is no history.

    Parameters
    ----------
    setup : ShowSetup
    options : CheckOptions
    digest : str
        Digest of the take's files.

    Raises
    ------
    UsageError
        The show is to be kept and is kept already.
    """
    url = history_url(options.history, setup.folder)
    if url is None:
        return None
    show = setup.show
    return load_kept(
        url,
        house=setup.house.house.name,
        phase=show.phase,
        show=(show.name, show.date),
        digest=digest,
        to_be_kept=options.to_be_kept,
        names=setup.names,
    )


def parts_of(setup: ShowSetup, readings: TakeReadings) -> list[KeptPart]:
    """Parts of the take as the history would keep them."""
    show, taps = setup.show, setup.source_taps
    parts: list[KeptPart] = []
    for source in setup.house.source:
        reading = readings.before.get(source.name)
        if reading is None or reading.readings.level_dbfs is None:
            continue
        after = readings.after.get(source.name)
        parts += source_parts(
            source.name,
            role=source.role,
            player=show.players.get(source.name),
            tap=taps[source.name],
            chain=readings.digests.get(source.name),
            duration_s=show.duration_s,
            before=reading.readings,
            after=after.readings if after else None,
            sounds=reading.sounds,
            fader_db=source.fader_db if in_the_mix(source) else None,
        )
    roles = {source.name: source.role for source in setup.house.source}
    parts += [
        voice_part(voice, role=roles[voice.source], player=show.players.get(voice.source), tap=taps[voice.source])
        for voice in readings.voices
    ]
    if readings.mix_reading is not None and readings.mix_reading.readings.level_dbfs is not None:
        parts.append(mix_part(readings.mix_reading.readings, duration_s=show.duration_s, tap=show.tap))
    return parts


def compare(
    setup: ShowSetup,
    readings: TakeReadings,
    findings: dict[str, list[Finding]],
    takes: KeptTakes | None,
    parts: list[KeptPart],
) -> BaselineComparison:
    """Set a take against what the house kept, and join the findings that come of it to the others.

    Parameters
    ----------
    setup : ShowSetup
    readings : TakeReadings
    findings : dict
        Source to its findings so far.
    takes : KeptTakes or None
        KeptTakes takes of the same phase.
    parts : list of KeptPart
        The take's own.
    """
    mix = judge_mix_loss(readings.mix_reading.readings) if readings.mix_reading is not None else []
    if takes is None or not takes.takes:
        return BaselineComparison(result=None, baseline=None, normals={}, findings=findings, mix_findings=mix)
    taps = setup.source_taps
    baseline, normals = against(takes, parts, taps=taps, chains={name: readings.digests.get(name) for name in taps})
    findings = pairs_as_usual(
        as_usual(findings, _shares_of_takes(setup, takes)), mono=_mono_shares(takes), late=_late_shares(takes)
    )
    # whoever comes as a guest sounds as nobody did there before
    guests = guest_inputs(baseline)
    unusual = _unusual(setup, readings, baseline, normals, newcomers=_newcomers(setup, takes) | guests)
    exchanged = {name: [finding] for name, finding in judge_mistaken(mistaken(baseline, parts)).items()}
    findings = joined(exchanged, findings)
    findings = joined(_reversed_sides(setup, readings, baseline, parts, findings), findings)
    mix_kinds = {finding.kind for finding in mix}
    mix += [finding for finding in unusual.pop(MIX, []) if finding.kind not in mix_kinds]
    unshaped = {role.name for role in ROLES.values() if not role.shaped}
    watched = [part for part in parts if part.source not in guests]
    drifting = drifts(baseline, watched, date=setup.show.date, left_out=unshaped)
    findings, crept = with_trends(findings, drifting), judge_drifts(drifting)
    chance = chance_of_each(normals, _roles(setup))
    return BaselineComparison(
        result=_reference_result(takes, baseline),
        baseline=baseline,
        normals=with_least_told(baseline, parts, normals, chance=chance, least_jnd=LEAST_NOTICEABLE),
        findings=joined(joined(findings, unusual), crept),
        mix_findings=mix,
    )


def _shares_of_takes(setup: ShowSetup, takes: KeptTakes) -> dict[str, float]:
    """Source that may be silent to the share of the kept takes in which it plays."""
    played = {(take.id, part.source) for take, part in takes.rows}
    return {
        source.name: sum((take.id, source.name) in played for take in takes.takes) / len(takes.takes)
        for source in setup.house.source
        if ROLES[source.role].may_be_silent
    }


def _pair_readings(takes: KeptTakes, name: str) -> dict[str, list[float]]:
    """Pair to a reading of it in each kept take that holds it."""
    readings: dict[str, list[float]] = {}
    for _, part in takes.rows:
        if part.stage == "tap" and part.sound == 0 and name in part.values:
            readings.setdefault(part.source, []).append(part.values[name][0])
    return readings


def _mono_shares(takes: KeptTakes) -> dict[str, float]:
    """Pair to the share of its kept takes in which both sides carried one signal; not of what plays finished recordings, mono or stereo."""
    finished = {part.source for _, part in takes.rows if part.role in ROLES and ROLES[part.role].finished}
    same = KINDS["duplicate"]["same"]
    return {
        source: sum(correlation > same for correlation in correlations) / len(correlations)
        for source, correlations in _pair_readings(takes, "correlation").items()
        if source not in finished
    }


def _late_shares(takes: KeptTakes) -> dict[str, float]:
    """Pair to the share of its kept takes in which a side came late, where several tell."""
    least_ms = KINDS["delay"]["least_ms"]
    return {
        source: sum(abs(delay_ms) >= least_ms for delay_ms in delays_ms) / len(delays_ms)
        for source, delays_ms in _pair_readings(takes, "delay_ms").items()
        if len(delays_ms) >= LEAST_KEPT_DELAYS
    }


def _newcomers(setup: ShowSetup, takes: KeptTakes) -> frozenset[str]:
    """Sources whose player is named tonight, in a house that names them, and was never kept there."""
    kept_players: dict[str, set[str]] = {}
    for _, part in takes.rows:
        if part.player is not None:
            kept_players.setdefault(part.source, set()).add(part.player)
    return frozenset(
        source
        for source, player in setup.show.players.items()
        if source in kept_players and player not in kept_players[source]
    )


def _reference_result(takes: KeptTakes, baseline: Baseline) -> ReferenceResult:
    """Summary of the kept takes, for the result."""
    dates = sorted(take.date for take in takes.takes if take.date)
    return ReferenceResult(
        kept=len(takes.takes),
        first_date=dates[0] if dates else None,
        last_date=dates[-1] if dates else None,
        learned=baseline.learned,
        set_aside=dict(baseline.set_aside),
        other_tap=dict(baseline.other_tap),
        set_aside_versions=dict(baseline.other_version),
        measured_again=sum(take.measured_at is not None for take in takes.takes),
    )


def _roles(setup: ShowSetup) -> dict[str, str]:
    """Source to its role, the mix among them."""
    return {**{source.name: source.role for source in setup.house.source}, MIX: MIX}


def _unusual(
    setup: ShowSetup,
    readings: TakeReadings,
    baseline: Baseline,
    normals: dict[str, list[Normal]],
    *,
    newcomers: frozenset[str],
) -> dict[str, list[Finding]]:
    """Findings where a number lies outside its expected range, each with the moment to hear it."""
    start_s = setup.show.start_s

    def moment(source: str) -> tuple[float, float]:
        reading = readings.before[source]
        begin_s = start_s + telling_start_s(readings.figures, reading.tracks, reading.activity, length_s=HEAR_S)
        return begin_s, begin_s + HEAR_S

    def harsh(source: str) -> tuple[tuple[float, float], ...]:
        rows = readings.rows.get(source) or readings.before[source].tracks
        reading = readings.mix_reading if source == MIX else readings.before[source]
        assert reading is not None
        tone = np.mean([readings.figures_with_chains.tracks[row].tone for row in rows], axis=0)
        return tuple((begin + start_s, end + start_s) for begin, end in harshest_s(tone, reading.activity.blocks))

    return judge_normals(
        normals,
        _roles(setup),
        learned=baseline.learned,
        relearning=baseline.relearning,
        newcomers=newcomers,
        hear_s=moment,
        harsh_s=harsh,
    )


def _is_flipped_back(readings: TakeReadings, source: Source, desk: DeskState) -> bool:
    """True where the chain reverses the polarity of one side, and mono loses less for it."""
    reading = readings.before[source.name]
    point = desk.nominal(source, reading, readings.figures)
    before_db, after_db = reading.readings.mono_loss_db, point.mono_loss_db
    return point.reversed_side and (before_db is None or (after_db is not None and after_db > before_db))


def _reversed_sides(
    setup: ShowSetup,
    readings: TakeReadings,
    baseline: Baseline,
    parts: list[KeptPart],
    findings: dict[str, list[Finding]],
) -> dict[str, list[Finding]]:
    """Findings of sides that are upside down against the kept takes, unless polarity is found already."""
    by_name = {source.name: source for source in setup.house.source}
    turned = {
        name: nats
        for name, nats in upside_down(baseline, parts).items()
        if not _is_flipped_back(readings, by_name[name], setup.desk)
    }
    before = {name: readings.before[name] for name in turned}
    flips = {
        name: flipped_mono_loss(readings.figures, reading.tracks, reading.activity.blocks)
        for name, reading in before.items()
    }
    return {
        name: [finding]
        for name, finding in judge_reversed(turned, flips).items()
        if all(earlier.kind != finding.kind for earlier in findings.get(name, ()))
    }


def with_dismissed(
    comparison: BaselineComparison,
    takes: KeptTakes | None,
    options: CheckOptions,
    parts: list[KeptPart],
    show: ShowResult,
) -> tuple[dict[str, list[Finding]], list[Dismissal]]:
    """Findings with those marked that a person left alone, and the dismissals that are new.

    Raises
    ------
    UsageError
        A finding to be left alone that this take does not have.
    """
    findings = {name: causes_only(several) for name, several in comparison.findings.items()}
    findings |= {MIX: comparison.mix_findings}
    dismissals = _dismissals(options, findings, parts, show)
    marked = with_dismissals(findings, [*(takes.dismissals if takes else ()), *dismissals], show=(show.name, show.date))
    return marked, dismissals


def _dismissals(
    options: CheckOptions, findings: dict[str, list[Finding]], parts: list[KeptPart], show: ShowResult
) -> list[Dismissal]:
    """Dismissals that the caller asks for, as the history keeps them."""
    by_id = {finding.id: (source, finding) for source, several in findings.items() for finding in several}
    dismissals = []
    for name, for_good in options.leave:
        if name not in by_id:
            near = nearest(name, list(by_id), count=3)
            fix = f"this take has {', '.join(near)}" if near else "this take has no findings to leave alone"
            raise UsageError(f'"{name}"', "is no finding of this take", fix)
        source, finding = by_id[name]
        kind = name.removeprefix(f"{source}/")
        values = reading_of(parts, source, kind)
        dismissals.append(
            Dismissal(
                source=source,
                kind=kind,
                metric=kind if values else None,
                show=show.name,
                date=show.date,
                for_good=for_good,
                measured=finding.measured,
                values=values if for_good else {},
                said_by=options.by,
                version=version_of_judged(kind) if values else 1,
            )
        )
    return dismissals
