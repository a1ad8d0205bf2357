"""From arrays to findings, by the way every show goes, without files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from deskhand.desk import DeskState
from deskhand.findings import Context, judge, judge_mix
from deskhand.house import ROLES, parse_house
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.recording import Track
from tests.support.feed import RATE_HZ, Feed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from deskhand.findings import Finding
    from deskhand.house import HouseFile
    from deskhand.measure.figures import Figures
    from deskhand.recording.show import Tap


def house_of(
    roles: Sequence[str], sides: Sequence[int], *, nominal_dbfs: float = -18.0, mains_hz: int = 50, chain: str = ""
) -> HouseFile:
    """Sources "source 1", "source 2" ... of these roles, on one or two tracks each."""
    lines = ["[house]", 'name = "Hall"', f'nominal = "{nominal_dbfs} dBFS"', f'mains = "{mains_hz} Hz"']
    track = 0
    for number, (role, count) in enumerate(zip(roles, sides, strict=True), 1):
        named = ", ".join(f'"track {track + side + 1}"' for side in range(count))
        lines += ["[[source]]", f'name = "source {number}"', f'role = "{role}"', f"tracks = [{named}]"]
        track += count
    return parse_house("\n".join([*lines, chain]), Path("house.toml"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was measured of a show held in memory, and what is said of it."""

    figures: Figures
    by_source: dict[str, list[Finding]]
    mix: list[Finding]
    """Of the recorded mix."""


def show_of(
    samples: ArrayLike,
    roles: Sequence[str],
    *,
    sides: Sequence[int] | None = None,
    sample_rate_hz: int = RATE_HZ,
    nominal_dbfs: float = -18.0,
    mix: Sequence[int] = (),
    groups: Sequence[tuple[int, int]] = (),
    tap: Tap = "preamp",
    chain: str = "",
) -> Seen:
    """A whole show; `chain` is the last source's, as the house file has it; tracks beyond those of the sources may be its mix. Groups are microphones of one instrument, by number of the source."""
    feed = Feed(samples, sample_rate_hz=sample_rate_hz)
    sides = sides or [1] * len(roles)
    house = house_of(roles, sides, nominal_dbfs=nominal_dbfs, chain=chain)
    first = [sum(sides[:place]) for place in range(len(sides))]
    tracks_of = [tuple(range(at, at + count)) for at, count in zip(first, sides, strict=True)]
    origins = [tracks[0] for tracks, role in zip(tracks_of, roles, strict=True) if not ROLES[role].in_a_mix]
    pairs = [(tracks[0], tracks[1]) for tracks in tracks_of if len(tracks) == 2]
    pairs += [(tracks_of[one - 1][0], tracks_of[other - 1][0]) for one, other in groups]
    figures = measure_figures(feed, feed.channels, pairs=pairs, origins=origins)
    readings = {
        source.name: read_source(
            figures,
            tracks,
            strikes=ROLES[source.role].strikes,
            parted=not ROLES[source.role].hears_kit,
            mains_hz=house.house.mains_hz,
        )
        for source, tracks in zip(house.source, tracks_of, strict=True)
    }
    tracks = [
        Track(name=f"track {n + 1}", number=n + 1, file="show.wav", channel=n + 1, bits=24, held=((0, feed.frames),))
        for n in range(feed.channels)
    ]
    context = Context(
        house=house,
        figures=figures,
        tracks=tracks,
        offset_s=0.0,
        readings=readings,
        line_check=True,
        desk=DeskState(tap=tap),
    )
    named = [(f"source {first}", f"source {second}") for first, second in groups]
    by_source = judge(context, absent={}, similar={}, groups=named)
    return Seen(figures=figures, by_source=by_source, mix=judge_mix(mix, context))


def findings_of(
    samples: ArrayLike, *, role: str = "other", sample_rate_hz: int = RATE_HZ, nominal_dbfs: float = -18.0
) -> list[list[Finding]]:
    """Findings of each track, each a source of its own and all of one role."""
    feed = Feed(samples)
    seen = show_of(samples, [role] * feed.channels, sample_rate_hz=sample_rate_hz, nominal_dbfs=nominal_dbfs)
    return [seen.by_source[f"source {n + 1}"] for n in range(feed.channels)]


def severity_of(findings: Sequence[Finding], kind: str) -> str | None:
    """How bad a kind of finding is said to be; None when it is not said."""
    return next((finding.severity for finding in findings if finding.kind == kind), None)
