"""Plans the mix: from nothing, or from an earlier one out of which the sources that changed are taken and to which they are added again."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from deskhand.chain.parts import blocks_settings
from deskhand.chain.run import Chain
from deskhand.house.chain_blocks import BLOCK_TYPES
from deskhand.reuse.sums import SumsReader, SumsWriter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock
    from deskhand.reuse.kept import KeptFile
    from deskhand.tasks.check.take_input import TakeInput

_SUMS_SHARE: Final = 0.7
"""Share of what may be kept that the sums of a mix may take; figures need the rest. Common practice, no source."""
_FRAME_BYTES: Final = 8
"""Two sums of 32 bits."""
_FEW_CHANGES: Final = 2
"""Up to so many sources that changed since, the earlier sums stay: they need not be written again. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """Signal that a source gives to the mix."""

    tracks: tuple[int, ...]
    blocks: tuple[ChainBlock, ...]
    settings: list[Any]
    """Blocks as `blocks_settings` has them."""
    gains: tuple[tuple[float, ...], ...]
    """To left and right from each channel after its chain."""

    @property
    def key(self) -> str:
        """Text that tells it from every other."""
        return json.dumps([self.tracks, self.settings, self.gains], sort_keys=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leg:
    """Contribution that is added to the sums, or taken out of them."""

    part: Contribution
    sign: float
    chain: int | None
    """Number of the chain that is run for its own figures, whose rows hold its signal."""
    helper: int | None
    """Number of the helper whose rows hold it; where neither is there, recorded tracks do."""


class MixPlan:
    """Sums of a mix in the making: which rows are added to an earlier one, and where the new one is kept.

    Parameters
    ----------
    legs : sequence of _Leg
    helpers : sequence of Contribution
        Contributions whose chains are run for the mix alone.
    earlier : SumsReader, optional
    file : KeptFile, optional
    of : tuple of Contribution
        All contributions of the new mix.
    """

    def __init__(
        self,
        legs: Sequence[_Leg],
        helpers: Sequence[Contribution],
        earlier: SumsReader | None = None,
        file: KeptFile | None = None,
        of: tuple[Contribution, ...] = (),
    ) -> None:
        self.legs = legs
        self.helpers = helpers
        self._earlier = earlier
        self._file = file
        self._writer = None if file is None else SumsWriter(file.write, of)

    @classmethod
    def nothing(cls) -> Self:
        """Plan of no mix."""
        return cls((), ())

    def matrix(self, rows: list[tuple[int, ...]], total: int) -> NDArray[np.float32]:
        """(2, total) gains, from the rows of all chains, helpers last."""
        matrix = np.zeros((2, total), np.float32)
        first_helper = len(rows) - len(self.helpers)
        for leg in self.legs:
            columns: tuple[int, ...] = leg.part.tracks
            if leg.helper is not None:
                columns = rows[first_helper + leg.helper]
            elif leg.chain is not None:
                columns = rows[leg.chain]
            matrix[:, list(columns)] += np.float32(leg.sign) * np.array(leg.part.gains, np.float32)
        return matrix

    @staticmethod
    def chain_of(part: Contribution, take: TakeInput) -> Chain:
        """Chain of a contribution, without meters."""
        return Chain(
            part.blocks,
            channels=len(part.tracks),
            sample_rate_hz=take.recording.sample_rate_hz,
            folder=take.folder,
        )

    def earlier(self, start: int, frames: int) -> NDArray[np.float64] | None:
        """(2, frames) sums of the earlier mix from a frame on; None for a mix from nothing."""
        return None if self._earlier is None else self._earlier.read(start, frames)

    def keep(self, sums: NDArray[np.float64]) -> None:
        """Keep the next (2, frames) sums."""
        if self._writer is not None:
            self._writer.add(sums)

    def commit(self) -> None:
        """Finish the sums that are kept."""
        if self._earlier is not None:
            self._earlier.close()
        if self._file is None or self._writer is None:
            return
        self._writer.finish()
        if self._writer.fits:
            self._file.commit()
        else:
            self._file.abandon()

    def abandon(self) -> None:
        """Keep no sums."""
        if self._earlier is not None:
            self._earlier.close()
        if self._file is not None:
            self._file.abandon()


def mix_plan(
    take: TakeInput,
    contributions: Sequence[Contribution],
    signals: Mapping[tuple[tuple[int, ...], str], int],
    *,
    plain: int,
) -> MixPlan:
    """Plan of the mix with the least that must be run.

    Parameters
    ----------
    take : TakeInput
    contributions : sequence of Contribution
    signals : mapping
        Tracks and settings of the chains that are run for their own figures, to their numbers.
    plain : int
        Number of recorded tracks that are read anyway.
    """
    path = None if take.reuse is None else take.reuse.path_of("sums", "mix")
    earlier = _earlier(take, path)
    today = _numbered(contributions)
    removed: list[Contribution] = []
    added = list(contributions)
    if earlier is not None:
        before = _numbered(earlier.of)
        removed = [part for key, part in before.items() if key not in today]
        added = [part for key, part in today.items() if key not in before]
        again = all(blocks_settings(part.blocks, take.folder) == part.settings for part in removed)
        if not again or 2 * (len(removed) + len(added)) > len(today):
            earlier.close()
            earlier, removed, added = None, [], list(contributions)
    helpers: list[Contribution] = []
    legs = []
    in_use: set[object] = set()
    for part, sign in [*((part, -1.0) for part in removed), *((part, 1.0) for part in added)]:
        # each has rows of its own, so that its products are rounded by themselves
        chain = signals.get((part.tracks, str(part.settings))) if sign > 0.0 and part.blocks else None
        is_plain = bool(plain) and sign > 0.0 and not part.blocks
        sharing = {("chain", chain)} if chain is not None else {("track", track) for track in part.tracks}
        if sharing & in_use:
            chain, is_plain = None, False
        elif chain is not None or is_plain:
            in_use |= sharing
        helper = None
        if chain is None and not is_plain:
            helper = len(helpers)
            helpers.append(part)
        legs.append(_Leg(part=part, sign=sign, chain=chain, helper=helper))
    file = None
    few = earlier is not None and max(len(removed), len(added)) <= _FEW_CHANGES
    if take.reuse is not None and path is not None and not few:
        size = _FRAME_BYTES * take.recording.frames
        file = take.reuse.file(path) if size <= _SUMS_SHARE * take.reuse.most_bytes else None
    return MixPlan(legs, helpers, earlier, file, tuple(contributions))


def _numbered(parts: Sequence[Contribution]) -> dict[tuple[str, int], Contribution]:
    """Contributions by their key, and a number for those that are alike."""
    numbered: dict[tuple[str, int], Contribution] = {}
    for part in parts:
        number = 0
        while (part.key, number) in numbered:
            number += 1
        numbered[part.key, number] = part
    return numbered


def _earlier(take: TakeInput, path: Path | None) -> SumsReader | None:
    """Sums of an earlier mix of the same recording; None where none are kept."""
    if take.reuse is None or path is None or not take.reuse.is_writable:
        return None
    try:
        earlier = SumsReader(path, take.recording.frames, (Contribution, *BLOCK_TYPES.values()))
    except (OSError, ValueError):
        return None
    take.reuse.touch(path)
    return earlier
