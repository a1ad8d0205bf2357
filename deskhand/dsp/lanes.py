"""Recursive filters of four tracks at once: each track is a lane of a SIMD vector.

These are the vectorised twins of `deskhand.dsp.loudness.weighted_energy`, equal to it to the last bit. A recursion cannot be
vectorised along time, and the compiler does not find the lanes by itself: the vector type is spelled out here.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numba as nb
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

if TYPE_CHECKING:
    from numpy.typing import NDArray

LANES: Final = 4
"""Tracks in a vector: four doubles."""
FILTERS: Final = 3
"""Filters run side by side over the same samples: each hides the latency of the others."""
STATES: Final = 5
"""State of a filter of two biquads: two memories each, and the energy so far."""


def _loop(filters: int, context: Any, builder: Any, signature: Any, args: Any) -> Any:
    """Emit the loop over `count` samples from `first` on, all filters and lanes in it."""
    int64, int32 = ir.IntType(64), ir.IntType(32)
    wide, narrow = ir.VectorType(ir.DoubleType(), LANES), ir.VectorType(ir.FloatType(), LANES)
    signal, coefficients, state = (
        context.make_array(signature.args[index])(context, builder, args[index]).data for index in (0, 3, 4)
    )
    first, count, stride = args[1], args[2], args[5]

    def splat(index: int) -> Any:
        value = builder.load(builder.gep(coefficients, [int64(index)]))
        first_lane = builder.insert_element(ir.Constant(wide, ir.Undefined), value, int32(0))
        return builder.shuffle_vector(first_lane, first_lane, ir.Constant(ir.VectorType(int32, LANES), [0] * LANES))

    splats = [splat(index) for index in range(10 * filters)]
    held = builder.bitcast(state, wide.as_pointer())
    slots = [cgutils.alloca_once(builder, wide) for _ in range(STATES * filters)]
    for index, slot in enumerate(slots):
        value = builder.load(builder.gep(held, [int64(index)]))
        value.align = 8
        builder.store(value, slot)
    rows = [builder.gep(signal, [builder.add(first, builder.mul(stride, int64(lane)))]) for lane in range(LANES)]
    add, times, minus = builder.fadd, builder.fmul, builder.fsub
    with cgutils.for_range(builder, count) as loop:
        value = ir.Constant(narrow, ir.Undefined)
        for lane in range(LANES):
            value = builder.insert_element(value, builder.load(builder.gep(rows[lane], [loop.index])), int32(lane))
        x = builder.fpext(value, wide)
        for filter_index in range(filters):
            b0, b1, b2, a1, a2, c0, c1, c2, d1, d2 = splats[10 * filter_index : 10 * filter_index + 10]
            memory = slots[STATES * filter_index : STATES * filter_index + STATES]
            s0, s1, s2, s3, energy = [builder.load(slot) for slot in memory]
            y = add(times(b0, x), s0)
            builder.store(minus(add(times(b1, x), s1), times(a1, y)), memory[0])
            builder.store(minus(times(b2, x), times(a2, y)), memory[1])
            z = add(times(c0, y), s2)
            builder.store(minus(add(times(c1, y), s3), times(d1, z)), memory[2])
            builder.store(minus(times(c2, y), times(d2, z)), memory[3])
            builder.store(add(energy, times(z, z)), memory[4])
    for index, slot in enumerate(slots):
        stored = builder.store(builder.load(slot), builder.gep(held, [int64(index)]))
        stored.align = 8
    return context.get_dummy_value()


def _side_by_side(filters: int) -> Any:
    """Loop for a number of filters, as a function that compiled code may call."""
    codegen = partial(_loop, filters)

    def typed(_context, signal, first, count, coefficients, state, stride):  # type: ignore[no-untyped-def]
        return types.void(signal, first, count, coefficients, state, stride), codegen

    return intrinsic(typed)


_filter: Any = _side_by_side(FILTERS)
_filter_one: Any = _side_by_side(1)


def coefficients(*filters: NDArray[np.float64]) -> NDArray[np.float64]:
    """(filters, 10) coefficients in the kernels' order, from (2, 6) arrays of second-order sections."""
    return np.ascontiguousarray([sos[:, [0, 1, 2, 4, 5]].ravel() for sos in filters])


@nb.njit(
    "void(float32[:, ::1], int64, int64, float64[:, ::1], float64[:, :, ::1], float64[:, :, ::1])",
    cache=True,
    nogil=True,
)
def energies(
    signal: np.ndarray, first: int, step: int, coefficients: np.ndarray, state: np.ndarray, sums: np.ndarray
) -> None:
    """Sum of squares of four tracks after each of three filters, over each whole step.

    Parameters
    ----------
    signal : (4, frames) float32
    first : int
        Sample at which the first step begins.
    step : int
        Frames a step.
    coefficients : (3, 10) float64
        From `coefficients`.
    state : (3, 5, 4) float64
        State of the filters; updated, so that the next block goes on where this one ended.
    sums : (3, steps, 4) float64
        Filled with energies; steps at most (frames - first) // step.
    """
    for block in range(sums.shape[1]):
        state[:, 4, :] = 0.0
        _filter(signal, first + block * step, step, coefficients, state, signal.shape[1])
        for filter_index in range(sums.shape[0]):
            for lane in range(sums.shape[2]):
                sums[filter_index, block, lane] = state[filter_index, 4, lane]


@nb.njit(
    "void(float32[:, ::1], int64, int64, float64[:, ::1], float64[:, :, ::1], float64[:, ::1])",
    cache=True,
    nogil=True,
)
def energies_of_one(
    signal: np.ndarray, first: int, step: int, coefficients: np.ndarray, state: np.ndarray, sums: np.ndarray
) -> None:
    """Sum of squares of four tracks after one filter, over each whole step; parameters as for `energies`.

    Shapes: coefficients (1, 10), state (1, 5, 4), sums (steps, 4).
    """
    for block in range(sums.shape[0]):
        state[0, 4, :] = 0.0
        _filter_one(signal, first + block * step, step, coefficients, state, signal.shape[1])
        for lane in range(sums.shape[1]):
            sums[block, lane] = state[0, 4, lane]
