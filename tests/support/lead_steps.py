"""Lead sounds planted in full bands: inputs that come by cable go up in level alone for a stretch, and the take without that beside it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import ROLES
from deskhand.recording.held import held_recording
from deskhand.tasks.check import CheckOptions, check

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.result import SourceResult
    from tests.support.stage.library import Library

    Array = NDArray[np.float64]

RATE_HZ: Final = 48000
LENGTH_S: Final = 64.0
"""Long enough for half a minute of a clean sound and a solo after it."""
LINE_ROLES: Final = ("guitar", "acoustic guitar", "bass", "keys", "playback")
STEP_DB: Final = (3.0, 10.0)
ROOM_DB: Final = 12.0
"""Inputs with a lead are this much lower, so that none of it is cut."""
LEAST_CLEAN_S: Final = 26.0
LEAST_LEAD_S: Final = 14.0
"""A solo of eight bars."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FullBand:
    """Recording of a full band with its house file."""

    tracks: dict[str, Array]
    roles: dict[str, str]
    """Source that comes by cable to its role."""
    tracks_of: dict[str, tuple[str, ...]]
    house: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadRow:
    """A planted lead sound and what was read with it and without it."""

    band: int
    source: str
    role: str
    step_db: float
    lead_s: float
    returns: bool
    """True where the clean sound comes back after it."""
    share: float
    share_without: float
    level_dbfs: float
    level_without_dbfs: float
    clean_off_db: float
    """Level of the clean sound, as it is told, against the same stretches of the take without the step."""
    named: bool
    """True where `sound-step` is told."""
    step_lu: float | None
    named_without: bool
    told: str
    """Finding of its level, where there is one and none without the step."""

    def values(self) -> dict[str, object]:
        """Row as plain values."""
        return asdict(self)


def real_band(library: Library, number: int) -> FullBand:
    """Band out of real notes, as the study of clean stages makes them; its instruments come by cable."""
    from dataclasses import replace

    from tests.support.stage.show import clean_show, house_text

    show = clean_show(library, number, 1 + number % 5, length_s=LENGTH_S, by_cable=LINE_ROLES)
    low = {part.name for part in show.parts if part.role in LINE_ROLES}
    nominal_dbfs = {name: level - (ROOM_DB if name in low else 0.0) for name, level in show.nominal_dbfs.items()}
    parts = tuple(
        replace(part, sound=part.sound * 10.0 ** (-ROOM_DB / 20.0)) if part.name in low else part for part in show.parts
    )
    show = replace(show, parts=parts, nominal_dbfs=nominal_dbfs)
    house = house_text(show, own_level=low)
    return FullBand(
        tracks={track: np.asarray(row) for track, row in show.tracks.items()},
        roles={part.name: part.role for part in parts if part.name in low},
        tracks_of={part.name: part.tracks for part in parts},
        house=house,
    )


def made_band(number: int) -> FullBand:
    """Band of the invented venue, all of it synthesised; its instruments come by cable."""
    from deskhand.demo.season import _tracks
    from deskhand.demo.venue import SOURCES, house_text

    tracks = _tracks(np.random.default_rng([4713, number]), LENGTH_S)
    roles = {name: role for name, role, *_ in SOURCES if role in LINE_ROLES}
    tracks_of = {name: tuple(names) for name, _, names, *_ in SOURCES}
    house = house_text().replace(
        'microphone = "condenser pair"\nstand = "booms under the lid"', 'microphone = "two DIs"'
    )
    for name, _, names, _, _, nominal, _ in SOURCES:
        if name in roles:
            for track in names:
                tracks[track] = tracks[track] * 10.0 ** (-ROOM_DB / 20.0)
            level = -18 if nominal is None else nominal
            low = f'nominal = "{level - ROOM_DB:g} dBFS"'
            head = house.index(f'name = "{name}"')
            line = house.index("tracks =", head)
            if nominal is None:
                house = f"{house[:line]}{low}\n{house[line:]}"
            else:
                house = house[:line] + house[line:].replace(f'nominal = "{nominal} dBFS"', low, 1)
    return FullBand(tracks=tracks, roles=roles, tracks_of=tracks_of, house=house)


def _plays_s(band: FullBand, source: str) -> tuple[float, float]:
    """First and last moment at which a source plays: within 30 dB of its loud seconds."""
    rows = np.stack([band.tracks[track] for track in band.tracks_of[source]])
    hop = RATE_HZ // 2
    power = np.mean(rows[:, : rows.shape[1] // hop * hop].reshape(len(rows), -1, hop) ** 2, axis=(0, 2))
    loud = np.flatnonzero(power > 1e-3 * np.percentile(power, 95))
    return float(loud[0]) / 2.0, float(loud[-1] + 1) / 2.0


def _result(band: FullBand, tracks: dict[str, Array], folder: Path) -> dict[str, SourceResult]:
    """Source to its result, of a check without kept weeks."""
    folder.mkdir(parents=True, exist_ok=True)
    # without faders there is no mix to listen to: half of the work, and nothing of it is read here
    lines = [line for line in band.house.partition("[vocal]")[0].splitlines() if not line.startswith("fader")]
    (folder / "house.toml").write_text("\n".join(lines), "utf-8")
    samples = np.clip(np.array(list(tracks.values()), np.float32), -1.0, 1.0)
    recording = held_recording(samples, list(tracks), RATE_HZ)
    options = CheckOptions(date="2026-01-04")
    return {
        source.name: source for source in check(folder, recording=recording, threads=1, options=options).result.sources
    }


def _share(result: SourceResult) -> float:
    """Share of the take in which a source plays."""
    return 0.0 if result.before is None else result.before.active_fraction


def _level_dbfs(result: SourceResult) -> float:
    """Level of a source; NaN where it has none."""
    level_dbfs = None if result.before is None else result.before.level_dbfs
    return float("nan") if level_dbfs is None else level_dbfs


def _clean_level_dbfs(result: SourceResult, begin_s: float, end_s: float) -> float:
    """Level of the sound that is heard most outside a stretch; of all of it where no sounds are told apart."""

    def outside_s(stretches_s: tuple[tuple[float, float], ...]) -> float:
        return sum(b - a - max(0.0, min(b, end_s) - max(a, begin_s)) for a, b in stretches_s)

    if len(result.sounds) < 2:
        return _level_dbfs(result)
    clean = max(result.sounds, key=lambda sound: outside_s(sound.stretches_s))
    return float(clean.level_dbfs or np.nan)


def _stretch_level_dbfs(rows: Array, begin_s: float, end_s: float) -> float:
    """Median level of what plays outside a stretch, by plain numpy: windows of 300 ms within 25 dB of the loud ones."""
    from tests.support.stage.show import window_levels_dbfs

    levels = window_levels_dbfs(rows)
    moments_s = np.arange(levels.size) / 10.0
    levels = levels[(moments_s + 0.3 < begin_s) | (moments_s > end_s)]
    return float(np.median(levels[levels > np.percentile(levels, 95) - 25.0]))


def _planted(
    band: FullBand, rng: np.random.Generator
) -> tuple[dict[str, Array], dict[str, tuple[float, float, float]]]:
    """Tracks with a lead sound on every input by cable that plays long enough, and source to its begin and end in s and its step in dB."""
    tracks = {name: samples.copy() for name, samples in band.tracks.items()}
    planted: dict[str, tuple[float, float, float]] = {}
    for source in band.roles:
        first_s, last_s = _plays_s(band, source)
        step_db = float(rng.uniform(*STEP_DB))
        lead_s = float(rng.uniform(LEAST_LEAD_S, 22.0))
        returns = bool(rng.random() < 0.5)
        if last_s - first_s < LEAST_CLEAN_S + lead_s + 8.0:
            lead_s = LEAST_LEAD_S
        if last_s - first_s < LEAST_CLEAN_S + lead_s:
            continue
        latest_s = last_s - lead_s
        begin_s = latest_s
        if returns and latest_s - 8.0 > first_s + 10.0:
            begin_s = float(rng.uniform(first_s + 10.0, latest_s - 8.0))
        end_s = begin_s + lead_s if begin_s < latest_s else LENGTH_S
        planted[source] = (begin_s, end_s, step_db)
        stretch = slice(round(begin_s * RATE_HZ), round(end_s * RATE_HZ))
        for track in band.tracks_of[source]:
            tracks[track][stretch] *= 10.0 ** (step_db / 20.0)
    return tracks, planted


def lead_rows(band: FullBand, number: int, folder: Path, *, takes: int = 6) -> Iterator[LeadRow]:
    """Some takes of a band, each with a lead sound on every input by cable, at a moment and of a size of its own."""
    rng = np.random.default_rng([20261130, number])
    plain = _result(band, band.tracks, folder)
    for _ in range(takes):
        tracks, planted = _planted(band, rng)
        with_lead = _result(band, tracks, folder)
        for source, lead in planted.items():
            rows = np.stack([band.tracks[track] for track in band.tracks_of[source]])
            yield _row(number, band.roles[source], rows, lead, plain[source], with_lead[source])


def _row(
    number: int, role: str, rows: Array, lead: tuple[float, float, float], was: SourceResult, now: SourceResult
) -> LeadRow:
    """What was read of one input without its lead sound and with it."""
    begin_s, end_s, step_db = lead
    kinds, kinds_without = ({finding.kind: finding for finding in result.findings} for result in (now, was))
    level = next(
        (kinds[kind] for kind in ("level-high", "level-low") if kind in kinds and kind not in kinds_without), None
    )
    # the same way to read a level on both sides: what a stretch has against the whole is the music's
    stretch_off_db = _stretch_level_dbfs(rows, begin_s, end_s) - _stretch_level_dbfs(rows, -1.0, -1.0)
    clean_dbfs = _level_dbfs(was) + (stretch_off_db if len(now.sounds) > 1 else 0.0)
    step = kinds.get("sound-step")
    return LeadRow(
        band=number, source=now.name, role=role, step_db=step_db, lead_s=min(end_s, LENGTH_S) - begin_s, returns=end_s < LENGTH_S,
        share=_share(now), share_without=_share(was),
        level_dbfs=_level_dbfs(now), level_without_dbfs=_level_dbfs(was),
        clean_off_db=_clean_level_dbfs(now, begin_s, end_s) - clean_dbfs,
        named=step is not None, step_lu=step.measured if step is not None else None, named_without="sound-step" in kinds_without,
        told=f"{level.severity} {level.text}" if level is not None else "",
    )  # fmt: skip


def has_presets(role: str) -> bool:
    """True of a role whose player levels its sounds."""
    return ROLES[role].has_presets
