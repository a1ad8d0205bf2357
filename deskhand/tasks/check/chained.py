"""Runs a recording through its chains into the mix and measures all of it in one pass; what is kept already is not run again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.parts import (
    PART_TYPES,
    RecordedPart,
    RowsPart,
    blocks_settings,
    joined_figures,
    recorded_part,
    rows_part,
)
from deskhand.chain.run import Chain
from deskhand.chain.take import WithChains
from deskhand.house import ROLES
from deskhand.measure.figures import measure_figures
from deskhand.measure.grid import analysis_grid
from deskhand.mix.bus import note_gains, strips
from deskhand.reuse.kept import digest_of
from deskhand.tasks.check.mix_sums import Contribution, MixPlan, mix_plan
from deskhand.tasks.seats import MeteredSource

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from deskhand.measure.figures import BlockSource, Figures
    from deskhand.tasks.check.take_input import TakeInput

    Tracks = Mapping[str, tuple[int, ...]]

_BLOCK_FRAMES: Final = 1 << 16
"""Frames that are read at a time for the meters alone; any number gives the same."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChainedTake:
    """Recording with its chains on the way, measured."""

    chains: dict[str, Chain]
    figures: Figures
    """Recorded tracks first."""
    rows: dict[str, tuple[int, ...]]
    """Source to the rows after its chain."""
    mix_rows: tuple[int, int] | None
    settings: dict[str, Any]
    """Source to what the figures after its chain depend on, beside the recording; "" to those of the recorded tracks."""


def run_chains(take: TakeInput, present: Tracks, groups: Sequence[tuple[str, str]], tracks_of: Tracks) -> ChainedTake:
    """Run the recording through the chains into the mix, and measure all of it in one pass.

    Parameters
    ----------
    take : TakeInput
    present : mapping
        Source to its tracks.
    groups : sequence of (str, str)
        Sources that are microphones of one instrument.
    tracks_of : mapping
        As `present`, without the desk's own mix.
    """
    one_pass = _OnePass(take, present, groups, tracks_of)
    one_pass.recall()
    one_pass.run()
    one_pass.meter_seats()
    return one_pass.chained()


class _OnePass:
    """Pass over a recording: the parts of its figures that are kept, and those that are still to be measured."""

    def __init__(self, take: TakeInput, present: Tracks, groups: Sequence[tuple[str, str]], tracks_of: Tracks) -> None:
        self._take = take
        self._reuse = take.reuse
        self._present = present
        self._count = len(take.recording.tracks)
        pairs = [(tracks[0], tracks[1]) for tracks in present.values() if len(tracks) == 2]
        self._pairs = pairs + [(present[first][0], present[second][0]) for first, second in groups]
        self._origins = [
            present[source.name][0]
            for source in take.house.source
            if not ROLES[source.role].in_a_mix and source.name in present
        ]
        self._note_gains = None if take.line_check else note_gains(take.house, tracks_of, self._count)
        self._chains = _chains(take, present)
        self._settings: dict[str, Any] = {
            name: {"tracks": present[name], "blocks": blocks_settings(chain.house_blocks, take.folder)}
            for name, chain in self._chains.items()
        }
        self._settings[""] = {
            "pairs": sorted(set(self._pairs)),
            "origins": self._origins,
            "notes": None if self._note_gains is None else digest_of(self._note_gains),
        }
        self._recorded: RecordedPart | None = None
        self._parts: dict[str, RowsPart] = {}
        self._contributions = self._to_the_mix(tracks_of)
        self._mix: RowsPart | None = None
        self._metered = False

    def _to_the_mix(self, tracks_of: Tracks) -> list[Contribution]:
        """Contributions of the sources to the mix."""
        outputs = {name: tuple(range(chain.channels)) for name, chain in self._chains.items()}
        return [
            Contribution(
                tracks=self._present[strip.source],
                blocks=self._chains[strip.source].house_blocks if strip.source in self._chains else (),
                settings=self._settings.get(strip.source, {}).get("blocks", []),
                # single precision, as rows are
                gains=tuple(tuple(side) for side in strip.matrix().astype(np.float32).astype(np.float64).tolist()),
            )
            for strip in strips(self._take.house, {**tracks_of, **outputs})
        ]

    def recall(self) -> None:
        """Take what is kept."""
        if self._reuse is None:
            return
        self._recorded = self._reuse.get("recorded", self._settings[""], PART_TYPES)
        for name, chain in self._chains.items():
            part: RowsPart | None = self._reuse.get("chain", self._settings[name], PART_TYPES)
            if part is not None and part.meters is not None:
                self._parts[name] = part
                chain.metered_elsewhere(part.meters)
        if self._contributions:
            self._mix = self._reuse.get("mix", self._mix_settings(), PART_TYPES)

    def _mix_settings(self) -> list[str]:
        return sorted(part.key for part in self._contributions)

    def run(self) -> None:
        """Measure what is not kept, and keep it."""
        take = self._take
        to_run = {name: chain for name, chain in self._chains.items() if name not in self._parts}
        plain = self._count if self._recorded is None else 0
        plan = MixPlan.nothing()
        if self._contributions and self._mix is None:
            signals = {
                (self._present[name], str(self._settings[name]["blocks"])): number for number, name in enumerate(to_run)
            }
            plan = mix_plan(take, self._contributions, signals, plain=plain)
        elif not plain and not to_run:
            return
        tracks_of_helpers = [part.tracks for part in plan.helpers]
        wanted = [*(self._present[name] for name in to_run), *tracks_of_helpers]
        source, row_of = self._source(plain, wanted)

        def rows(tracks: Sequence[int]) -> tuple[int, ...]:
            return tuple(row_of[track] for track in tracks)

        audio = WithChains(
            source,
            plain,
            [(rows(self._present[name]), chain) for name, chain in to_run.items()],
            mix=plan.matrix if plan.legs else None,
            helpers=[(rows(part.tracks), plan.chain_of(part, take)) for part in plan.helpers],
            keeper=plan,
        )
        try:
            figures = self._measured(audio, plain)
        except BaseException:
            plan.abandon()
            raise
        plan.commit()
        self._collect(figures, audio, list(to_run))

    def _source(self, plain: int, wanted: Sequence[Sequence[int]]) -> tuple[BlockSource, dict[int, int]]:
        """Recording to be read, of its tracks alone those that are wanted where the others are kept, and the row of each."""
        recording = self._take.recording
        if plain:
            meter, self._metered = self._take.meter, True
            source = recording if meter is None else MeteredSource(recording, meter.take)
            return source, {track: track for track in range(self._count)}
        tracks = sorted({track for several in wanted for track in several})
        return recording.stretch(tracks, 0.0, recording.duration_s), {track: row for row, track in enumerate(tracks)}

    def meter_seats(self) -> None:
        """Read the recording for the meters of its seats, where all else of the recorded tracks was kept."""
        meter = self._take.meter
        if meter is None or self._metered:
            return
        for block in self._take.recording.blocks(_BLOCK_FRAMES):
            meter.take(block.samples)

    def _measured(self, audio: WithChains, plain: int) -> Figures:
        """Figures of all rows that are measured."""
        pairs = list(self._pairs) if plain else []
        if audio.mix_rows is not None:
            pairs.append(audio.mix_rows)
        pairs += [(row[0], row[1]) for row in audio.rows if len(row) == 2]
        gains: NDArray[np.float32] | None = None
        if plain and self._note_gains is not None:
            gains = np.zeros((2, audio.tracks), np.float32)
            gains[:, : self._count] = self._note_gains
        return measure_figures(
            audio,
            audio.tracks,
            pairs=pairs,
            origins=self._origins if plain else (),
            targets=plain,
            humming=frozenset(audio.mix_rows or ()),
            note_gains=gains,
            threads=self._take.threads,
            progress=self._take.progress,
        )

    def _collect(self, figures: Figures, audio: WithChains, names: Sequence[str]) -> None:
        """Take the parts of what was measured, and keep them."""
        if self._recorded is None:
            self._recorded = recorded_part(figures, self._count)
            self._keep("recorded", self._settings[""], self._recorded)
        for name, rows in zip(names, audio.rows, strict=True):
            meters = None if self._reuse is None else self._chains[name].meter_record()
            self._keep("chain", self._settings[name], rows_part(figures, rows, meters))
            self._parts[name] = rows_part(figures, rows)
        if audio.mix_rows is not None:
            self._mix = rows_part(figures, audio.mix_rows)
            self._keep("mix", self._mix_settings(), self._mix)

    def _keep(self, kind: str, settings: object, value: object) -> None:
        if self._reuse is not None:
            self._reuse.put(kind, settings, value)

    def chained(self) -> ChainedTake:
        """Recording with its chains, all parts joined."""
        recorded, recording = self._recorded, self._take.recording
        assert recorded is not None
        parts = [self._parts[name] for name in self._chains]
        rows, first = {}, self._count
        for name, part in zip(self._chains, parts, strict=True):
            rows[name] = tuple(range(first, first + len(part.tracks)))
            first += len(part.tracks)
        if self._mix is not None:
            parts.append(self._mix)
        grid = analysis_grid(recording.sample_rate_hz)
        return ChainedTake(
            chains=self._chains,
            figures=joined_figures(grid, recorded, parts, recording.frames // grid.hop),
            rows=rows,
            mix_rows=None if self._mix is None else (first, first + 1),
            settings=self._settings,
        )


def _chains(take: TakeInput, present: Tracks) -> dict[str, Chain]:
    """Chains that are still to come where the recording was taken, by source."""
    chains = {}
    for source in take.house.source:
        tracks = present.get(source.name, ())
        blocks = take.desk.blocks(source)
        if blocks and len(tracks) == len(source.tracks):
            chains[source.name] = Chain(
                blocks,
                channels=len(tracks),
                sample_rate_hz=take.recording.sample_rate_hz,
                folder=take.folder,
                metered=True,
                source=source.name,
            )
    return chains
