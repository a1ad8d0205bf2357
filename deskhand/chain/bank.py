"""Bank of chains that run side by side, eight channels in the lanes of one vector.

Chains whose blocks all have a vectorised kernel share groups of eight lanes; each group has slots for the blocks of its chains in
their order, and a chain passes the slots that it has no block for as it is. All other chains run on their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.growing import GrowingArray
from deskhand.dsp import chain_lanes, lanes, loudness, meter_lanes, peak
from deskhand.dsp.vectors import LANES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.chain.blocks.processor import LaneBlock
    from deskhand.chain.run import Chain

    Array = NDArray[np.float64]

_MOST_SLOTS: Final = 32
"""Slots of a group: more would only hold blocks that few of its lanes have. Common practice, no source."""
_IDLE_DB: Final = 1000.0
"""Threshold that no level reaches: a compressor with it passes its lane as it is, and so does a gate with its negative."""
_STEPS_A_HOP: Final = 10
"""Steps of 10 ms in a block of 100 ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Member:
    """Chain in a group."""

    chain: int
    first_lane: int
    channels: int
    slots: tuple[int, ...]
    """Slot of each of its blocks."""


@dataclass(slots=True)
class _GroupPlan:
    """Slots of a group and the chains that share it, while it is put together."""

    kinds: list[tuple[int, int, bool]] = field(default_factory=list)
    """Kind and mode of each slot, and True where it has a side-chain."""
    pairs: list[int] = field(default_factory=list)
    singles: list[int] = field(default_factory=list)

    def room_for(self, channels: int) -> bool:
        """True where so many lanes are free."""
        return 2 * len(self.pairs) + len(self.singles) + channels <= LANES


def _kinds_of(blocks: Sequence[LaneBlock]) -> list[tuple[int, int, bool]]:
    return [
        (block.kind, block.mode, bool(len(block.sections)) and block.kind != chain_lanes.FILTER) for block in blocks
    ]


def _merged(
    first: Sequence[tuple[int, int, bool]], second: Sequence[tuple[int, int, bool]]
) -> list[tuple[int, int, bool]]:
    """Shortest sequence that holds both in their order."""
    lengths = np.zeros((len(first) + 1, len(second) + 1), int)
    for i in range(len(first) - 1, -1, -1):
        for j in range(len(second) - 1, -1, -1):
            same = first[i] == second[j]
            lengths[i, j] = 1 + lengths[i + 1, j + 1] if same else max(lengths[i + 1, j], lengths[i, j + 1])
    merged, i, j = [], 0, 0
    while i < len(first) or j < len(second):
        if i < len(first) and j < len(second) and first[i] == second[j]:
            merged.append(first[i])
            i, j = i + 1, j + 1
        elif j == len(second) or (i < len(first) and lengths[i + 1, j] >= lengths[i, j + 1]):
            merged.append(first[i])
            i += 1
        else:
            merged.append(second[j])
            j += 1
    return merged


def _slots_of(kinds: Sequence[tuple[int, int, bool]], program: Sequence[tuple[int, int, bool]]) -> tuple[int, ...]:
    """Slot of a program for each block of a chain; the program holds them in their order."""
    slots, position = [], 0
    for kind in kinds:
        position = program.index(kind, position)
        slots.append(position)
        position += 1
    return tuple(slots)


class LaneMeters:
    """Meters of one chain of a group, read as `deskhand.chain.meter.Meters` are.

    Parameters
    ----------
    group : LaneGroup
    member : _Member
    moves_gain : sequence of bool
        True for blocks whose gain reduction is read.
    """

    def __init__(self, group: LaneGroup, member: _Member, moves_gain: Sequence[bool]) -> None:
        self._group = group
        self._member = member
        self._moves_gain = moves_gain
        self._lanes = slice(member.first_lane, member.first_lane + member.channels)

    def block_powers_of(self, stage: int) -> tuple[Array, Array, Array | None]:
        """Mean squares (channels, blocks), K-weighted mean square (blocks,) and product of the sides of a stage."""
        sums = self._group.block_means(self._member.slots[stage])[:, :, self._lanes].astype(np.float64)
        product = sums[:, meter_lanes.PRODUCT, 0] if self._member.channels == 2 and len(sums) else None
        return sums[:, meter_lanes.POWER].T, sums[:, meter_lanes.ENERGY].sum(axis=1), product

    def tops_of(self, stage: int) -> tuple[float, float]:
        """Largest sample and largest true peak of a stage."""
        peaks = self._group.peaks[self._member.slots[stage], :, self._lanes]
        top = float(peaks[meter_lanes.TOP].max())
        return top, max(top, float(peaks[meter_lanes.TRUE_PEAK].max()))

    def reduction_of(self, stage: int) -> Array | None:
        """(steps,) gain reduction of a stage in dB, each 10 ms; None for one that moves no gain."""
        if not self._moves_gain[stage]:
            return None
        means_db = self._group.reductions(self._member.slots[stage], self._member.first_lane)
        return means_db if means_db.size else None


class LaneGroup:
    """Group of chains in eight lanes.

    Parameters
    ----------
    chains : sequence of Chain
        Chains of the bank.
    plan : _GroupPlan
    sample_rate_hz : int
    metered : bool
        With a meter behind every block.
    """

    def __init__(self, chains: Sequence[Chain], plan: _GroupPlan, sample_rate_hz: int, *, metered: bool) -> None:
        self._step = round(sample_rate_hz / 100)
        self._rate_hz = float(sample_rate_hz)
        self._metered = metered
        self.members = [
            _Member(chain=number, first_lane=lane, channels=channels, slots=_slots_of(_kinds_of(blocks), plan.kinds))
            for numbers, channels, first_lanes in (
                (plan.pairs, 2, range(0, LANES, 2)),
                (plan.singles, 1, range(LANES - 1, -1, -1)),
            )
            for number, lane in zip(numbers, first_lanes, strict=False)
            for blocks in (chains[number].lane_blocks,)
            if blocks is not None
        ]
        count = len(plan.kinds)
        self._pairs = np.zeros(LANES)
        self._settings = np.zeros((count, chain_lanes.SETTINGS, LANES))
        self._state = np.zeros((count, chain_lanes.MEMORIES, LANES))
        for slot, (kind, _, _) in enumerate(plan.kinds):
            self._settings[slot] = _idle_settings(kind)
        self._put_blocks(chains, plan)
        self._meter_state = np.zeros((count, 4, LANES))
        self._sums = np.zeros((count, 4, LANES))
        self._filled = 0
        self.peaks = np.zeros((count, 3, LANES))
        self._before = np.zeros((count, LANES, 2 * peak.TAPS_A_SIDE), np.float32)
        self._phases = peak.interpolator(peak.oversampling(sample_rate_hz))
        self._most_gain = float(np.abs(self._phases).sum(axis=1).max(initial=1.0))
        self._weighting = lanes.filter_coefficients(loudness.k_weighting_sos(sample_rate_hz))
        self._waiting = np.zeros((count, 0, 4, LANES))
        self._means = GrowingArray((count, meter_lanes.REDUCTION, LANES))
        self._dynamic_slots = [
            slot for slot, (kind, _, _) in enumerate(plan.kinds) if kind in (chain_lanes.COMPRESSOR, chain_lanes.GATE)
        ]
        self._reductions = GrowingArray((len(self._dynamic_slots), LANES))

    def _put_blocks(self, chains: Sequence[Chain], plan: _GroupPlan) -> None:
        """Write the settings of all chains into their lanes."""
        blocks_of = [[] for _ in plan.kinds]  # type: list[list[tuple[_Member, LaneBlock]]]
        for member in self.members:
            if member.channels == 2:
                self._pairs[member.first_lane : member.first_lane + 2] = 1.0
            for slot, block in zip(member.slots, chains[member.chain].lane_blocks or (), strict=True):
                blocks_of[slot].append((member, block))
        counts = [max((len(block.sections) for _, block in users), default=0) for users in blocks_of]
        ends = np.cumsum(counts)
        total = int(ends[-1]) if counts else 0
        sections = np.zeros((total, 5, LANES))
        sections[:, 0] = 1.0  # a section that passes its lane as it is
        self._slots = np.zeros((len(plan.kinds), 4), np.int64)
        for slot, users in enumerate(blocks_of):
            first = int(ends[slot]) - counts[slot]
            self._slots[slot] = (*plan.kinds[slot][:2], first, first + counts[slot])
            for member, block in users:
                used = slice(member.first_lane, member.first_lane + member.channels)
                self._settings[slot, :, used] = block.settings
                self._state[slot, 1, used] = block.begins_at
                for number, section in enumerate(block.sections):
                    sections[first + number, :, used] = section[[0, 1, 2, 4, 5], None]
        self._coefficients = sections.reshape(-1)
        self._section_state = np.zeros(total * 2 * LANES)

    def run(
        self,
        samples: NDArray[np.float32],
        tracks: Sequence[Sequence[int]],
        results: NDArray[np.float32],
        rows: Sequence[Sequence[int]],
    ) -> None:
        """Run further samples (tracks, frames) through the group's chains into their rows of the results.

        Parameters
        ----------
        samples : (tracks, frames) array
        tracks, rows : sequence of sequences of int
            Of each chain of the bank, its rows of `samples` and of `results`.
        results : (rows, frames) array
            Filled where the group's chains belong.
        """
        sources, targets = np.full(LANES, -1, np.int64), np.zeros(LANES, np.int64)
        for member in self.members:
            for channel in range(member.channels):
                sources[member.first_lane + channel] = tracks[member.chain][channel]
                targets[member.first_lane + channel] = rows[member.chain][channel]
        whole = (self._filled + samples.shape[1]) // self._step if self._metered else 0
        steps = np.empty((len(self._slots), whole, 4, LANES))
        self._filled = chain_lanes.run(
            samples, sources, results, targets, self._step, self._rate_hz, self._slots, self._coefficients,
            self._section_state, self._settings, self._state, self._pairs, int(self._metered), self._weighting,
            self._phases, self._most_gain, self._meter_state, self._sums, self._filled, steps, self.peaks, self._before,
        )  # fmt: skip
        if whole:
            self._keep(steps)

    def _keep(self, steps: Array) -> None:
        """Keep means of each block of 100 ms, and gain reductions of each step."""
        if self._dynamic_slots:
            self._reductions.append(
                (steps[self._dynamic_slots, :, meter_lanes.REDUCTION] / self._step).astype(np.float32)
            )
        waiting = np.concatenate([self._waiting, steps], axis=1)
        hops = waiting.shape[1] // _STEPS_A_HOP
        whole = waiting[:, : hops * _STEPS_A_HOP, : meter_lanes.REDUCTION]
        sums = whole.reshape(len(self._slots), hops, _STEPS_A_HOP, meter_lanes.REDUCTION, LANES).sum(axis=2)
        self._means.append((sums / (self._step * _STEPS_A_HOP)).astype(np.float32))
        self._waiting = waiting[:, hops * _STEPS_A_HOP :].copy()

    def block_means(self, slot: int) -> NDArray[np.float32]:
        """(blocks, 3, 8) mean squares of a slot in the order of the kernels' sums."""
        return self._means.row(slot)

    def reductions(self, slot: int, lane: int) -> Array:
        """(steps,) gain reduction of a lane in dB, every 10 ms."""
        return self._reductions.row(self._dynamic_slots.index(slot))[:, lane].astype(np.float64)

    def finish(self) -> None:
        """Look at what lies between the last samples as well: nothing comes after them."""
        if not self._metered:
            return
        silence = np.zeros(peak.TAPS_A_SIDE * LANES)
        for slot in range(len(self._slots)):
            meter_lanes.true_peaks(
                silence,
                peak.TAPS_A_SIDE,
                self._phases,
                self._most_gain,
                np.zeros(LANES),
                self.peaks[slot],
                self._before[slot],
            )


def _idle_settings(kind: int) -> Array:
    """(settings, 1) with which a slot passes a lane as it is."""
    settings = np.zeros((chain_lanes.SETTINGS, 1))
    if kind == chain_lanes.GAIN:
        settings[0] = 1.0
    elif kind == chain_lanes.COMPRESSOR:
        settings[chain_lanes.THRESHOLD], settings[chain_lanes.RATIO] = _IDLE_DB, 2.0
    elif kind == chain_lanes.GATE:
        settings[chain_lanes.THRESHOLD] = settings[chain_lanes.RATIO] = -_IDLE_DB
    return settings


def lane_groups(chains: Sequence[Chain], sample_rate_hz: int) -> tuple[list[LaneGroup], list[int]]:
    """Groups of the chains that fit in lanes, and the numbers of those that run on their own.

    The meters of the chains in the groups are from then on those of the groups.
    """
    plans: list[_GroupPlan] = []
    alone: list[int] = []
    fitting: list[int] = []
    for number, chain in enumerate(chains):
        (alone if chain.lane_blocks is None else fitting).append(number)
    # the longest first: shorter ones fit between their slots; pairs before singles of the same blocks
    fitting.sort(key=lambda number: (-len(chains[number].blocks), -chains[number].channels, number))
    for number in fitting:
        chain = chains[number]
        kinds = _kinds_of(chain.lane_blocks or ())
        open_plans = [plan for plan in plans if plan.room_for(chain.channels)]
        merged = [_merged(plan.kinds, kinds) for plan in open_plans]
        best = min(
            range(len(merged)), key=lambda index: len(merged[index]) - len(open_plans[index].kinds), default=None
        )
        plan = _GroupPlan() if best is None else open_plans[best]
        # a group of its own costs as many slots as the chain has, and lanes that carry nothing
        if best is None or len(merged[best]) - len(plan.kinds) > len(kinds) or len(merged[best]) > _MOST_SLOTS:
            plan = _GroupPlan(kinds=kinds)
            plans.append(plan)
        else:
            plan.kinds = merged[best]
        (plan.pairs if chain.channels == 2 else plan.singles).append(number)
    metered = any(chain.is_metered for chain in chains)
    groups = [LaneGroup(chains, plan, sample_rate_hz, metered=metered) for plan in plans]
    for group in groups:
        for member in group.members:
            chain = chains[member.chain]
            if metered:
                chain.metered_elsewhere(LaneMeters(group, member, chain.moves_gain))
    return groups, alone
