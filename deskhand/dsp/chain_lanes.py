"""Chains of eight channels at once: filters, gains, compressors and gates, and a meter behind each, one channel a lane.

Twins of `filters.cascade`, of the kernels in `dynamics`, and of the K-weighting of `loudness.weighted_energy`: each lane is
rounded as they are. A piece of a hundredth of a second goes through all blocks before the next: it stays in the nearest cache.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp import dynamics, meter_lanes
from deskhand.dsp.kernel import kernel
from deskhand.dsp.vectors import LANES, decibels, gain_of, load, store, swapped, where_greater

GAIN, FILTER, COMPRESSOR, GATE = 0, 1, 2, 3
"""Kinds of a slot, a place in the chain of all lanes."""
SETTINGS: Final = 9
"""Settings a slot and lane: of a gain its factor; of others as the names below."""
THRESHOLD, RATIO, KNEE, ATTACK, RELEASE, MAKEUP, AVERAGING, LINKED, HOLD = range(SETTINGS)
"""Rows of the settings. Of a gate RATIO is the level at which it closes, and KNEE its range."""
IS_RMS, BY_COLUMN, TWO_STAGE = 1, 2, 4
"""Bits of a slot's mode: averages squares; works on each lane alone, whatever its ratio and release; releases in two stages."""
MEMORIES: Final = 6
"""State of a dynamics slot: detector, three of the smoothing, open or not, samples to hold."""
_SMALLEST: Final = 1e-30
"""State below this (-600 dB) is set to 0, as in `filters`."""
_NO_DENORMALS: Final = 1e-25
"""Added to what decays, as in `dynamics`."""


@kernel("void(float64[::1], int64, float64[::1], float64[::1], int64, int64)")
def sections(tile: np.ndarray, frames: int, coefficients: np.ndarray, state: np.ndarray, first: int, last: int) -> None:
    """Filter a piece in place through second-order sections `first` to `last`, each lane with its own coefficients.

    Shapes: tile (frames * 8,), one frame's lanes after another; coefficients (sections * 5 * 8,), b0 b1 b2 a1 a2; state
    (sections * 2 * 8,), updated.
    """
    section = first
    while section < last:
        c, s = section * 5 * LANES, section * 2 * LANES
        b0, b1, b2 = load(coefficients, c), load(coefficients, c + 8), load(coefficients, c + 16)
        a1, a2 = load(coefficients, c + 24), load(coefficients, c + 32)
        s0, s1 = load(state, s), load(state, s + 8)
        if section + 1 < last:
            # two at once: each hides the partner_value's latency
            d0, d1, d2 = load(coefficients, c + 40), load(coefficients, c + 48), load(coefficients, c + 56)
            c1, c2 = load(coefficients, c + 64), load(coefficients, c + 72)
            t0, t1 = load(state, s + 16), load(state, s + 24)
            for index in range(0, frames * 8, 8):
                x = load(tile, index)
                y = b0 * x + s0
                s0 = (b1 * x + s1) - a1 * y
                s1 = b2 * x - a2 * y
                z = d0 * y + t0
                t0 = (d1 * y + t1) - c1 * z
                t1 = d2 * y - c2 * z
                store(tile, index, z)
            store(state, s + 16, t0)
            store(state, s + 24, t1)
        else:
            for index in range(0, frames * 8, 8):
                x = load(tile, index)
                y = b0 * x + s0
                s0 = (b1 * x + s1) - a1 * y
                s1 = b2 * x - a2 * y
                store(tile, index, y)
        store(state, s, s0)
        store(state, s + 8, s1)
        section += 2
    for index in range(first * 2 * LANES, last * 2 * LANES):
        if abs(state[index]) <= _SMALLEST:
            state[index] = 0.0


# long: one walk along time; split, each step would go through memory
@kernel("void(float64[::1], float64[::1], int64, int64, float64[:, ::1], float64[:, ::1], float64[::1], float64[::1])")
def compress(
    tile: np.ndarray,
    side_signal: np.ndarray,
    frames: int,
    mode: int,
    settings: np.ndarray,
    state: np.ndarray,
    pairs: np.ndarray,
    taken_off: np.ndarray,
) -> None:
    """Compress a piece in place: `dynamics.detect`, `compress`, `smooth` and `apply`.

    Parameters
    ----------
    tile, side_signal : (frames * 8,)
        The piece, and what the detectors hear.
    frames, mode : int
    settings, state : (9, 8), (6, 8)
        State updated.
    pairs : (8,)
        1 for the lanes of pairs.
    taken_off : (8,)
        Gains the sum of the gain reduction in dB, of a pair the larger of its sides.
    """
    flat, memory = settings.reshape(-1), state.reshape(-1)
    constants = np.empty(5 * LANES)
    for lane in range(LANES):
        constants[lane], constants[8 + lane], constants[16 + lane], constants[24 + lane] = 0.0, 1.0, 2.0, _NO_DENORMALS
        constants[32 + lane] = 0.5 * settings[KNEE, lane]
    zero, whole, two, little = load(constants, 0), load(constants, 8), load(constants, 16), load(constants, 24)
    half_knee, knee, threshold = load(constants, 32), load(flat, KNEE * 8), load(flat, THRESHOLD * 8)
    slope = whole - whole / load(flat, RATIO * 8)
    attack, release, makeup = load(flat, ATTACK * 8), load(flat, RELEASE * 8), load(flat, MAKEUP * 8)
    linked, paired = load(flat, LINKED * 8), load(pairs, 0)
    keep = load(flat, AVERAGING * 8)
    levels = np.empty(frames * LANES)
    one_less_keep = whole - keep
    power, held, total = load(memory, 0), load(memory, 8), load(taken_off, 0)
    # three walks over a piece that lies in the nearest cache: in one, the registers would not do
    if mode & IS_RMS:
        for index in range(0, frames * 8, 8):
            x = load(side_signal, index)
            power = keep * power + one_less_keep * (two * x * x + little)
            store(levels, index, power)
        store(memory, 0, power)
    else:
        for index in range(0, frames * 8, 8):
            x = load(side_signal, index)
            store(levels, index, x * x)
    for index in range(0, frames * 8, 8):
        level = decibels(load(levels, index))
        partner_value = swapped(level)
        level = where_greater(linked, zero, where_greater(partner_value, level, partner_value, level), level)
        over = level - threshold
        twice, bent = two * over, over + half_knee
        wanted = where_greater(knee, twice, slope * (bent * bent) / (two * knee), slope * over)
        store(levels, index, where_greater(twice, zero - knee, wanted, zero))
    for index in range(0, frames * 8, 8):
        wanted = load(levels, index)
        factor = where_greater(wanted, held, attack, release)
        held = factor * held + (whole - factor) * wanted + little
        store(levels, index, held)
    for index in range(0, frames * 8, 8):
        reduction = load(levels, index)
        partner_value = swapped(reduction)
        total = total + where_greater(
            paired, zero, where_greater(partner_value, reduction, partner_value, reduction), reduction
        )
        store(tile, index, load(tile, index) * gain_of(makeup - reduction))
    store(memory, 8, held)
    store(taken_off, 0, total)


# long: each lane through the scalar kernels, for what no vector is written for
@kernel(
    "void(float64[::1], float64[::1], int64, int64, int64, float64, float64[:, ::1], float64[:, ::1], float64[::1], "
    "float64[::1])"
)
def by_column(
    tile: np.ndarray,
    side_signal: np.ndarray,
    frames: int,
    kind: int,
    mode: int,
    rate_hz: float,
    settings: np.ndarray,
    state: np.ndarray,
    pairs: np.ndarray,
    taken_off: np.ndarray,
) -> None:
    """Compress or gate a piece in place, lane after lane by the kernels of `dynamics`; parameters as for `compress`."""
    column, held, gate_state = np.empty(frames), np.empty(3), np.empty(2)
    levels, reductions = np.empty((LANES, frames)), np.empty((LANES, frames))
    for lane in range(LANES):
        held[0] = state[0, lane]
        for index in range(frames):
            column[index] = side_signal[index * LANES + lane]
        dynamics.detect(column, settings[AVERAGING, lane], held, levels[lane])
        state[0, lane] = held[0]
    for lane in range(LANES):
        for index in range(frames):
            column[index] = levels[lane, index]
        if settings[LINKED, lane] > 0.0:
            for index in range(frames):
                column[index] = max(column[index], levels[lane ^ 1, index])
        for index in range(3):
            held[index] = state[1 + index, lane]
        if kind == GATE:
            gate_state[0], gate_state[1] = state[4, lane], state[5, lane]
            dynamics.gate(
                column, settings[THRESHOLD, lane], settings[RATIO, lane], settings[KNEE, lane],
                int(settings[HOLD, lane]), gate_state,
            )  # fmt: skip
            dynamics.smooth_gate(column, settings[ATTACK, lane], settings[RELEASE, lane], held)
            state[4, lane], state[5, lane] = gate_state[0], gate_state[1]
        else:
            dynamics.compress(column, settings[THRESHOLD, lane], settings[RATIO, lane], settings[KNEE, lane])
            if mode & TWO_STAGE:
                dynamics.smooth_two_stage(column, settings[ATTACK, lane], rate_hz, held)
            else:
                dynamics.smooth(column, settings[ATTACK, lane], settings[RELEASE, lane], held)
        for index in range(3):
            state[1 + index, lane] = held[index]
        for index in range(frames):
            reductions[lane, index] = column[index]
    for lane in range(LANES):
        partner = lane ^ 1 if pairs[lane] > 0.0 else lane
        for index in range(frames):
            taken_off[lane] += max(reductions[lane, index], reductions[partner, index])
        for index in range(frames):
            column[index] = settings[MAKEUP, lane] - reductions[lane, index]
        dynamics.to_gain(column, column)
        for index in range(frames):
            tile[index * LANES + lane] *= column[index]


# long by its parameters: one call a chunk, so that the interpreter's lock is let go of once
@kernel(
    "int64(float32[:, ::1], int64[::1], float32[:, ::1], int64[::1], int64, float64, int64[:, ::1], float64[::1], "
    "float64[::1], float64[:, :, ::1], float64[:, :, ::1], float64[::1], int64, float64[::1], float32[:, ::1], float64, "
    "float64[:, :, ::1], float64[:, :, ::1], int64, float64[:, :, :, ::1], float64[:, :, ::1], float32[:, :, ::1])"
)
def run(
    rows: np.ndarray,
    sources: np.ndarray,
    results: np.ndarray,
    targets: np.ndarray,
    step: int,
    rate_hz: float,
    slots: np.ndarray,
    coefficients: np.ndarray,
    section_state: np.ndarray,
    settings: np.ndarray,
    state: np.ndarray,
    pairs: np.ndarray,
    metered: int,
    weighting: np.ndarray,
    phases: np.ndarray,
    most_gain: float,
    meter_state: np.ndarray,
    sums: np.ndarray,
    filled: int,
    steps: np.ndarray,
    peaks: np.ndarray,
    before: np.ndarray,
) -> int:
    """Run a stretch of eight channels through their slots.

    Parameters
    ----------
    rows : (tracks, frames) float32
    sources : (8,) int64
        Row of `rows` of each lane; -1 for a lane that carries nothing.
    results : (channels, frames) float32
        Filled.
    targets : (8,) int64
        Row of `results` of each lane.
    step : int
        Frames a step of the meters: 10 ms.
    rate_hz : float
    slots : (slots, 4) int64
        Kind, mode, first section and the one after the last: of a filter its own, of dynamics those of its side-chain.
    coefficients, section_state : (sections * 5 * 8,), (sections * 2 * 8,)
    settings, state : (slots, 9, 8), (slots, 6, 8)
    pairs : (8,)
        1 for the lanes of pairs.
    metered : int
        1 with meters behind the slots; nothing below is touched without.
    weighting : (10 * 8,)
        K-weighting in every lane.
    phases, most_gain
        From `peak.interpolator`, and the most it can raise a sample by.
    meter_state, sums : (slots, 4, 8)
        State of the meters, and sums over the step that is not whole yet.
    filled : int
        Frames in that step.
    steps : (slots, steps, 4, 8)
        Filled with the sums over each step that is whole.
    peaks, before : (slots, 3, 8), (slots, 8, 24)

    Returns
    -------
    int, frames in the step that is not whole yet.
    """
    frames = rows.shape[1]
    tile, side_chain = np.empty(step * LANES), np.empty(step * LANES)
    top = np.empty(LANES)
    whole_steps, first = 0, 0
    while first < frames:
        count = min(step - filled, frames - first)
        size = count * LANES
        for lane in range(LANES):
            if sources[lane] < 0:
                for index in range(count):
                    tile[index * LANES + lane] = 0.0
            else:
                row = rows[sources[lane], first : first + count]
                for index in range(count):
                    tile[index * LANES + lane] = row[index]
        for slot in range(slots.shape[0]):
            kind, mode = slots[slot, 0], slots[slot, 1]
            if kind == FILTER:
                sections(tile, count, coefficients, section_state, slots[slot, 2], slots[slot, 3])
            elif kind == GAIN:
                for index in range(count):
                    for lane in range(LANES):
                        tile[index * LANES + lane] *= settings[slot, 0, lane]
            else:
                side_signal = tile
                if slots[slot, 3] > slots[slot, 2]:
                    for index in range(size):
                        side_chain[index] = tile[index]
                    sections(side_chain, count, coefficients, section_state, slots[slot, 2], slots[slot, 3])
                    side_signal = side_chain
                if mode & BY_COLUMN:
                    by_column(
                        tile,
                        side_signal,
                        count,
                        kind,
                        mode,
                        rate_hz,
                        settings[slot],
                        state[slot],
                        pairs,
                        sums[slot, meter_lanes.REDUCTION],
                    )
                else:
                    compress(
                        tile,
                        side_signal,
                        count,
                        mode,
                        settings[slot],
                        state[slot],
                        pairs,
                        sums[slot, meter_lanes.REDUCTION],
                    )
            if metered:
                meter_lanes.meter(tile, count, weighting, meter_state[slot], sums[slot], top)
                meter_lanes.true_peaks(tile, count, phases, most_gain, top, peaks[slot], before[slot])
        for lane in range(LANES):
            if sources[lane] >= 0:
                row = results[targets[lane], first : first + count]
                for index in range(count):
                    row[index] = tile[index * LANES + lane]
        first += count
        filled += count
        if filled == step:
            filled = 0
            if metered:
                for slot in range(slots.shape[0]):
                    for kind_of_sum in range(sums.shape[1]):
                        for lane in range(LANES):
                            steps[slot, whole_steps, kind_of_sum, lane] = sums[slot, kind_of_sum, lane]
                            sums[slot, kind_of_sum, lane] = 0.0
            whole_steps += 1
    return filled
