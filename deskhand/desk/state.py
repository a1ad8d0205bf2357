"""State of the desk as one take meets it: which controls lie before its tap, and what was turned there since it was recorded.

A take holds what was set before its tap when it was recorded; what follows the tap is run on it. What was turned before the tap
since then is run on it too, as if it had been recorded so: the same take is not asked twice, and the next one holds it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from deskhand.chain.nominal import NominalPoint, nominal_point
from deskhand.chain.run import still_to_come
from deskhand.house import BLOCKS, TrimBlock, make_block

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading
    from deskhand.recording.show import Tap
    from deskhand.store import DeskChange


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskState:
    """Controls of the desk as one take meets them."""

    tap: Tap
    """Where the take was recorded, unless a source says otherwise."""
    taps: Mapping[str, Tap] = field(default_factory=dict)
    """Source to its own tap, where the show's note says so."""
    since: Mapping[str, tuple[ChainBlock, ...]] = field(default_factory=dict)
    """Source to what was turned before its tap since the take was recorded, as blocks."""
    standing: Mapping[str, Sequence[ChainBlock]] = field(default_factory=dict)
    """Source to its whole chain in the standing house file, where this week has a file of its own."""

    def tap_of(self, source: Source) -> Tap:
        """Tap at which the tracks of a source were recorded: by the show's note, by the house, or the take's."""
        return self.taps.get(source.name) or source.tap or self.tap

    def turned_since(self, source: Source) -> tuple[ChainBlock, ...]:
        """Blocks for what was turned before a source's tap since the take was recorded."""
        return self.since.get(source.name, ())

    def after_tap(self, source: Source, chain: Sequence[ChainBlock] | None = None) -> list[ChainBlock]:
        """Blocks of a source's chain, or of another in its place, that follow its tap."""
        return still_to_come(source.chain if chain is None else chain, self.tap_of(source))

    def blocks(self, source: Source, chain: Sequence[ChainBlock] | None = None) -> list[ChainBlock]:
        """Blocks that the take has still to go through: what was turned before the tap since, then what follows the tap.

        Parameters
        ----------
        source : Source
        chain : sequence of ChainBlock, optional
            Another chain than the house file's.
        """
        return [*self.turned_since(source), *self.after_tap(source, chain)]

    def recorded_trim_db(self, source: Source) -> float:
        """Trim of both sides that is in the recording of a source: before its tap, and not turned since."""
        following = self.after_tap(source)
        recorded = [block for block in source.chain if all(block is not known for known in following)]
        trims = [block for block in recorded if isinstance(block, TrimBlock) and block.on == "both"]
        since = [block for block in self.turned_since(source) if isinstance(block, TrimBlock) and block.on == "both"]
        return sum(block.gain_db for block in trims) - sum(block.gain_db for block in since)

    def nominal(self, source: Source, reading: SourceReading, figures: Figures) -> NominalPoint:
        """Level, peaks and mono loss of a source where the house sets nominal: after gain, trim and polarity.

        Of a pair of which one side is missing, blocks of one side are left out.
        """
        whole = len(reading.tracks) == len(source.tracks)
        blocks = [block for block in self.blocks(source) if whole or getattr(block, "on", "both") == "both"]
        standing = self.standing.get(source.name)
        usual = None if standing is None else self.blocks(source, standing)
        return nominal_point(blocks, reading, figures, standing=usual)


def lies_before_tap(kind: str | None, tap: str) -> bool:
    """True where a control of the desk is heard in what a tap records; of several of a kind, the first of the chain.

    Parameters
    ----------
    kind : str or None
        Kind of block; None for what is no control of the desk (a cable, the player's end), which every tap records.
    tap : str
    """
    if kind is None or BLOCKS[kind].at_preamp or tap == "after-chain":
        return True
    return tap == "after-gain" and (BLOCKS[kind].is_gain or BLOCKS[kind].first_at_input)


def desk_state(
    house: HouseFile, *, tap: Tap, taps: Mapping[str, Tap], changes: Iterable[DeskChange] = (), take: str = ""
) -> DeskState:
    """State of the desk as one take meets it.

    Parameters
    ----------
    house : HouseFile
    tap : Tap
    taps : mapping
        Source to its own tap, where the show's note says so.
    changes : iterable of DeskChange
        Moves of the show that were done or declined.
    take : str
        Digest of the take.
    """
    plain = DeskState(tap=tap, taps=taps)
    by_name = {source.name: source for source in house.source}
    since: dict[str, tuple[ChainBlock, ...]] = {}
    for change in changes:
        source = by_name.get(change.source)
        if source is None or not change.done or change.take != take or change.block is None:
            continue
        if not lies_before_tap(change.block, plain.tap_of(source)):
            continue
        block = _as_block(change)
        if block is not None:
            since[source.name] = (*since.get(source.name, ()), block)
    return DeskState(tap=tap, taps=taps, since=since)


def _as_block(change: DeskChange) -> ChainBlock | None:
    """Block that does to the recorded take what a change did at the desk; None where nothing does."""
    assert change.block is not None
    if BLOCKS[change.block].is_gain:
        before_db, after_db, _ = change.settings["gain"]
        return make_block(
            {"block": change.block, "gain": f"{after_db - (before_db or 0.0):g} dB", "on": change.on},
        )
    if all(before is None for before, _, _ in change.settings.values()):
        settings = {name: f"{after:g} {unit}" for name, (_, after, unit) in change.settings.items()}
        return make_block({"block": change.block, "on": change.on, **settings})
    return None
