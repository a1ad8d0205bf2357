"""The nominal point: a source behind the gain, trim and polarity that its chain holds, where its level and mono loss are judged.

Readings at the tap stay readings at the tap. What is asked of a trim or a polarity switch is asked on top of what the house
file holds already, and so is not asked twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.shaped import equaliser_db
from deskhand.house import GainBlock, PolarityBlock, TrimBlock
from deskhand.measure.activity import window_levels
from deskhand.measure.stereo import stereo
from deskhand.units import amplitude_from_db, db_from_amplitude, finite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading

    Array = NDArray[np.float64]

PEAK_ROOM_DB: Final = 6.0
"""What is left between true peaks and full scale when a level is raised. Common practice, no source."""
PEAKS_VARY_DB: Final = 3.0
"""Room below which peaks that stand in the way of a raise leave it alone: takes played alike differ so (validations/evenings.py)."""
PREAMP_PEAK_DBFS: Final = -10.0
"""Where the highest peaks of an input that clipped should read: room for a louder show. Common practice, no source."""
_TO_MID_SIDE: Final = np.array([[0.5, 0.5], [0.5, -0.5]])
_FROM_MID_SIDE: Final = np.array([[1.0, 1.0], [1.0, -1.0]])
_ROWS: Final = {"left": 0, "right": 1, "mid": 0, "side": 1}
"""Row of a leg in a pair's matrix: arithmetic."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NominalPoint:
    """Level, peaks and mono loss of a source behind its gain, trim and polarity."""

    level_dbfs: float | None
    """Median of the windows in which the source plays at the tap (AES17), with what this week's equaliser changes it by."""
    gain_db: float
    """By how much that is above the level at the tap."""
    true_peak_dbtp: float | None
    """Largest true peak; where a block turns middle or sides alone, no peak is above it."""
    mono_loss_db: float | None
    """Pairs: level of the mono sum against the mean of the sides."""
    reversed_side: bool
    """Pairs: whether the polarity of one side is reversed against the other."""
    balance_db: float
    """Pairs: by how much the right is raised against the left."""
    side_peaks_dbtp: tuple[float, ...] = ()
    """Largest true peak of each side, as `true_peak_dbtp`."""
    shaped_db: float = 0.0
    """By how much this week's equaliser raises the level beyond that of the standing house file."""

    @property
    def room_db(self) -> float:
        """Raise, in dB, until true peaks reach 6 dB below full scale; may be negative."""
        return -PEAK_ROOM_DB - (self.true_peak_dbtp or 0.0)

    def raise_db(self, wanted_db: float) -> float:
        """Part of a wanted raise that peaks allow, in dB; 0 where they stand in the way and the room left is what takes differ by."""
        room_db = self.room_db
        if room_db >= wanted_db:
            return wanted_db
        return room_db if room_db >= PEAKS_VARY_DB else 0.0

    def change_db(self, nominal_dbfs: float, step_db: float) -> float:
        """Gain that brings the level to nominal, in steps of the knob; up only as far as peaks allow, 0 where they allow nothing.

        Findings and moves both say this number.
        """
        if self.level_dbfs is None:
            return 0.0
        wanted_db = nominal_dbfs - self.level_dbfs
        if wanted_db <= 0:
            return in_steps(wanted_db, step_db)
        allowed_db = self.raise_db(wanted_db)
        if allowed_db <= 0:
            return 0.0
        change_db = in_steps(allowed_db, step_db)
        # half a step more than peaks allow is too much
        return change_db if change_db <= self.room_db + 1e-9 else in_steps_below(self.room_db, step_db)


def in_steps(change_db: float, step_db: float) -> float:
    """Change in the steps of a knob, the nearest; as it is where the knob has none."""
    return round(round(change_db / step_db) * step_db, 4) if step_db > 0 else change_db


def in_steps_below(change_db: float, step_db: float) -> float:
    """Change in the steps of a knob, never above what is asked."""
    return round(float(np.floor(change_db / step_db + 1e-9)) * step_db, 4) if step_db > 0 else change_db


def input_matrix(blocks: Sequence[ChainBlock], channels: int) -> Array:
    """(channels, channels) what gain, trim and polarity blocks make of a source's sides.

    They are counted wherever they stand in the chain, as `still_to_come` does: a desk has them at the input.

    Parameters
    ----------
    blocks : sequence of ChainBlock
        Those behind the tap.
    channels : int
        1, or 2 for a pair.
    """
    matrix = np.eye(channels)
    for block in blocks:
        if not isinstance(block, GainBlock | TrimBlock | PolarityBlock):
            continue
        factor = -1.0 if isinstance(block, PolarityBlock) else amplitude_from_db(block.gain_db)
        if channels == 1 or block.on == "both":
            matrix = factor * matrix
            continue
        rows = np.eye(2)
        rows[_ROWS[block.on], _ROWS[block.on]] = factor
        matrix = (_FROM_MID_SIDE @ rows @ _TO_MID_SIDE if block.on in ("mid", "side") else rows) @ matrix
    return matrix


def nominal_point(
    blocks: Sequence[ChainBlock],
    reading: SourceReading,
    figures: Figures,
    *,
    standing: Sequence[ChainBlock] | None = None,
) -> NominalPoint:
    """Level, peaks and mono loss of a source behind the gain, trim and polarity of its chain.

    Parameters
    ----------
    blocks : sequence of ChainBlock
        Of its chain, those behind the tap.
    reading : SourceReading
        At the tap.
    figures : Figures
        Of the recording; for a pair, measured with the pair named.
    standing : sequence of ChainBlock, optional
        The same of the standing house file, where this week has one of its own: what its equaliser does is part of the nominal
        level, what this week's does beyond it is not, and is made up by the trim.
    """
    point = _behind_gains(blocks, reading, figures)
    tone_db = reading.readings.tone_db
    if standing is None or tone_db is None or point.level_dbfs is None:
        return point
    shaped_db = equaliser_db(blocks, tone_db) - equaliser_db(standing, tone_db)
    return replace(point, level_dbfs=point.level_dbfs + shaped_db, shaped_db=shaped_db)


def _behind_gains(blocks: Sequence[ChainBlock], reading: SourceReading, figures: Figures) -> NominalPoint:
    """Level, peaks and mono loss behind gain, trim and polarity, whatever the equaliser does."""
    read = reading.readings
    matrix = input_matrix(blocks, len(reading.tracks))
    if np.array_equal(matrix, np.eye(len(matrix))) or read.level_dbfs is None:
        return NominalPoint(
            level_dbfs=read.level_dbfs, gain_db=0.0, true_peak_dbtp=read.true_peak_dbtp, mono_loss_db=read.mono_loss_db,
            reversed_side=False, balance_db=0.0, side_peaks_dbtp=_side_peaks_dbtp(matrix, reading, figures),
        )  # fmt: skip
    side_peaks_dbtp = _side_peaks_dbtp(matrix, reading, figures)
    peak_dbtp = finite(max(side_peaks_dbtp))
    if len(matrix) == 1:
        gain_db = db_from_amplitude(float(matrix[0, 0]))
        return NominalPoint(
            level_dbfs=read.level_dbfs + gain_db, gain_db=gain_db, true_peak_dbtp=peak_dbtp, mono_loss_db=None,
            reversed_side=False, balance_db=0.0, side_peaks_dbtp=side_peaks_dbtp,
        )  # fmt: skip
    left, right, product = _behind(matrix, reading.tracks, figures)
    windows = window_levels((0.5 * (left + right)).astype(np.float32))
    level_dbfs = reading.activity.level_of(windows[reading.activity.windows[: windows.size]])
    mono_loss_db = read.mono_loss_db
    playing = reading.activity.blocks[: left.size]
    # where one side carries nothing there is none
    if reading.alignment is not None:
        mono_loss_db = finite(stereo(left[playing], right[playing], product[playing]).mono_loss_db)
    return NominalPoint(
        level_dbfs=level_dbfs,
        gain_db=0.0 if level_dbfs is None else level_dbfs - read.level_dbfs,
        true_peak_dbtp=peak_dbtp,
        mono_loss_db=mono_loss_db,
        reversed_side=bool(np.prod(matrix.diagonal()) < 0),
        balance_db=balance_db(blocks),
        side_peaks_dbtp=side_peaks_dbtp,
    )


def balance_db(blocks: Sequence[ChainBlock]) -> float:
    """By how much gain and trim of a pair raise its right against its left, in dB."""
    left, right = input_matrix(blocks, 2).diagonal()
    return 0.0 if not left or not right else db_from_amplitude(float(right / left))


def _behind(matrix: Array, tracks: tuple[int, ...], figures: Figures) -> Array:
    """(3, blocks) mean squares of both sides and their mean product, behind a matrix."""
    left, right = (figures.tracks[track].mean_square.astype(np.float64) for track in tracks)
    product = figures.pairs[tracks[0], tracks[1]].product.astype(np.float64)
    (a, b), (c, d) = matrix
    return np.stack(
        [
            a * a * left + b * b * right + 2.0 * a * b * product,
            c * c * left + d * d * right + 2.0 * c * d * product,
            a * c * left + b * d * right + (a * d + b * c) * product,
        ]
    )


def _side_peaks_dbtp(matrix: Array, reading: SourceReading, figures: Figures) -> tuple[float, ...]:
    """Largest true peak of each side behind a matrix; the sum of what each side can bring where sides are mixed."""
    parts = [figures.tracks[track] for track in reading.tracks]
    tops = [max(float(part.peak.max()), part.true_peak) for part in parts]
    return tuple(db_from_amplitude(float(peak)) for peak in np.abs(matrix) @ np.array(tops))
