"""Alignment of two sequences of features: cross-correlation over shifts and rotations, and the best local path in a band."""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp.kernel import kernel

_DIAGONAL: Final = 1
"""Mark of the step (1, 1). With the two others: between half and double the tempo (Müller 2021, 7.3)."""
_ROW_SKIPPED: Final = 2
"""Mark of the step (2, 1)."""
_COLUMN_SKIPPED: Final = 3
"""Mark of the step (1, 2)."""


@kernel("float32(float32[:, ::1], float32[:, ::1], int64, int64, int64)", fastmath=True)
def mean_product(first: np.ndarray, second: np.ndarray, row: int, row_second: int, length: int) -> np.float32:
    """Mean over some rows of the inner products of two sequences, from these rows on."""
    # contiguous slices: the compiler sees that no index wraps round, and adds in lanes
    size, begin, begin_second = length * first.shape[1], row * first.shape[1], row_second * first.shape[1]
    flat, flat_second = first.reshape(-1)[begin : begin + size], second.reshape(-1)[begin_second : begin_second + size]
    total = np.float32(0.0)
    for index in range(size):
        total += flat[index] * flat_second[index]
    return total / np.float32(length)


@kernel("void(float32[:, :, ::1], float32[:, ::1], int64, int64, int64, float32[:, ::1])")
def correlations(
    rotated: np.ndarray, second: np.ndarray, begin: int, begin_second: int, length: int, sums: np.ndarray
) -> None:
    """Fill in mean products of a stretch and another: (rotations, shifts around `begin_second`); 0 where it would reach over an end.

    Parameters
    ----------
    rotated : (rotations, frames, features) array
        First sequence, with its pitch classes rotated.
    second : (frames, features) array
    begin, begin_second : int
        Rows at which the stretches begin.
    length : int
        Rows of a stretch.
    sums : (rotations, shifts) array
    """
    shifts = sums.shape[1]
    for rotation in range(sums.shape[0]):
        for shift in range(shifts):
            row_second = begin_second + shift - shifts // 2
            is_inside = row_second >= 0 and row_second + length <= second.shape[0]
            sums[rotation, shift] = np.float32(0.0)
            if is_inside:
                sums[rotation, shift] = mean_product(rotated[rotation], second, begin, row_second, length)


@kernel(
    "int64(float32[:, ::1], float32[:, ::1], boolean[::1], boolean[::1], int64[::1], float32[::1], float32[:, ::1], "
    "int8[:, ::1], int64[:, ::1])",
    fastmath=True,
)
def local_path(
    first: np.ndarray,
    second: np.ndarray,
    first_voiced: np.ndarray,
    second_voiced: np.ndarray,
    band: np.ndarray,
    terms: np.ndarray,
    scores: np.ndarray,
    steps: np.ndarray,
    path: np.ndarray,
) -> int:
    """Length of the best local path, which is filled in as (row of the first, row of the second) from its end to its start.

    Parameters
    ----------
    first, second : (frames, features) arrays
        Features whose inner product is how like two frames are.
    first_voiced, second_voiced : (frames,) arrays
        Frames in which somebody sings.
    band : (6,) array
        First and last row of the first sequence that are looked at (the last excluded), its row and that of the second at
        which the band is narrowest, half the width there, and the rows after which it is wider by one on either side.
    terms : (4,) array
        Factor and least inner product to add to a path for frames of which one has no voice; the latter for two with a voice; what
        a skipped row or column costs.
    scores, steps : (rows, columns) arrays
        Work space: rows of the band, and its greatest width.
    path : (rows, 2) array

    References
    ----------
    Müller, Fundamentals of Music Processing, 2nd ed. 2021, 4.3 and 7.3 (local alignment by an accumulated score matrix).
    Serrà, Serrà & Andrzejak, Cross recurrence quantification for cover song identification, New J. Phys. 11 (2009), 093017.
    """
    begin, end, middle, middle_second, narrow, widening = band
    columns = scores.shape[1]
    half = columns // 2
    best, best_row, best_column = np.float32(0.0), -1, -1
    for row in range(end - begin):
        position = begin + row
        diagonal = middle_second + position - middle
        reach = min(half, narrow + abs(position - middle) // widening)
        for column in range(columns):
            scores[row, column] = np.float32(0.0)
            steps[row, column] = 0
            target = diagonal + column - half
            if column < half - reach or column > half + reach or target < 0 or target >= second.shape[0]:
                continue
            voiced = first_voiced[position] and second_voiced[target]
            row_features, column_features = first[position], second[target]
            product = np.float32(0.0)
            for index in range(24):
                product += row_features[index] * column_features[index]
            gain = product - terms[2] if voiced else terms[0] * product - terms[1]
            # in the coordinates of the band a diagonal step stays in its column
            before, step = np.float32(0.0), 0
            if row >= 1 and scores[row - 1, column] > before:
                before, step = scores[row - 1, column], _DIAGONAL
            if row >= 2 and column + 1 < columns and scores[row - 2, column + 1] - terms[3] > before:
                before, step = scores[row - 2, column + 1] - terms[3], _ROW_SKIPPED
            if row >= 1 and column >= 1 and scores[row - 1, column - 1] - terms[3] > before:
                before, step = scores[row - 1, column - 1] - terms[3], _COLUMN_SKIPPED
            score = before + gain
            if score > np.float32(0.0):
                scores[row, column], steps[row, column] = score, step
                if score > best:
                    best, best_row, best_column = score, row, column
    count = 0
    row, column = best_row, best_column
    while row >= 0:
        path[count, 0] = begin + row
        path[count, 1] = middle_second + begin + row - middle + column - half
        count += 1
        step = steps[row, column]
        if step == _DIAGONAL:
            row -= 1
        elif step == _ROW_SKIPPED:
            row, column = row - 2, column + 1
        elif step == _COLUMN_SKIPPED:
            row, column = row - 1, column - 1
        else:
            break
    return count
