"""Change of a room since a kept measurement of the same seat: only what is more than anybody would notice, and than chance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.dsp.speech_transmission import STI_STEP
from deskhand.errors import HistoryError
from deskhand.seat.room import NOTICED, RELATIVE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.seat.room import SeatRoom

VERSION: Final = 1
"""Version of what is kept of a room."""
BANDS: Final = {"low": (125.0, 250.0), "middle": (500.0, 1000.0), "high": (2000.0, 4000.0)}
"""Octaves whose mean is compared (ISO 3382-1:2009, Table A.1 and A.4: 500 Hz and 1 kHz; those below and above alike)."""
COMPARED: Final = ("t20_s", "c80_db")
"""Numbers that are compared by octaves: how long, and how clear. Each tells what the others of its kind would."""
_CHANCE_CLARITY_DB: Final = 1.0
"""Spread of C80 in two octaves when the microphone is put up again within 0.1 m; the study `validations/room_sweep.py`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomChange:
    """One number of a seat that is not what it was."""

    name: str
    """t20_s, c80_db or sti_room."""
    octaves_hz: tuple[float, ...]
    """Octaves whose mean it is; empty for the index."""
    value: float
    before: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomComparison:
    """A seat beside what was kept of it."""

    measured_at: str
    """Day of the kept measurement."""
    compared: int
    """Numbers that both have."""
    changes: tuple[RoomChange, ...]


def _mean(values: Mapping[float, float | None], octaves_hz: tuple[float, ...]) -> float | None:
    """Mean over octaves; None where one is missing."""
    numbers = [value for octave_hz in octaves_hz if (value := values.get(octave_hz)) is not None]
    return float(np.mean(numbers)) if len(numbers) == len(octaves_hz) else None


def checked_content(content: Mapping[str, Any], *, seat: str, measured_at: str) -> Mapping[str, Any]:
    """Content of a kept measurement, once its parts are what they should be.

    Raises
    ------
    HistoryError
        A damaged row: a part is of another kind.
    """
    transfer, levels = content.get("transfer"), content.get("levels")
    try:
        octaves = [float(octave["octave_hz"]) for octave in content["octaves"]]
        shape = (7, 14) if transfer is None else np.asarray(transfer, np.float64).shape
        noise_db = None if levels is None else levels["noise_db_spl"]
        spoken = [] if levels is None else [float(levels["speech_dba"]), *map(float, noise_db or ())]
    except (TypeError, ValueError, KeyError, AttributeError):
        octaves, shape, spoken = [], (0,), []
    if not octaves or shape != (7, 14) or not np.isfinite(spoken).all():
        problem = f"what it holds of the room at {seat} on {measured_at} is damaged"
        raise HistoryError("the history", problem, "measure the room again and keep it, or restore a copy of the file")
    return content


def kept_octaves(content: Mapping[str, Any], name: str) -> dict[float, float | None]:
    """Octave to a number of a kept measurement; None where it has none."""
    values: dict[float, float | None] = {}
    for octave in content["octaves"]:
        value = octave.get(name)
        values[float(octave["octave_hz"])] = float(value) if isinstance(value, int | float) else None
    return values


def room_change(seat: SeatRoom, content: Mapping[str, Any], *, measured_at: str) -> RoomComparison:
    """Change of a seat since a kept measurement.

    Parameters
    ----------
    seat : SeatRoom
        As measured now.
    content : mapping
        What was kept of it.
    measured_at : str
        Day of the kept one.
    """
    changes, compared = [], 0
    for name in COMPARED:
        values = {octave.octave_hz: getattr(octave, name) for octave in seat.octaves}
        uncertain = {octave.octave_hz: octave.t20_pm_s for octave in seat.octaves}
        earlier = kept_octaves(content, name)
        for octaves_hz in BANDS.values():
            value, before = _mean(values, octaves_hz), _mean(earlier, octaves_hz)
            if value is None or before is None:
                continue
            compared += 1
            noticed = NOTICED[name] * (before if name in RELATIVE else 1.0)
            if name == "t20_s":
                # two measurements, each the mean of two octaves
                pm = [uncertain[octave_hz] or 0.0 for octave_hz in octaves_hz]
                chance = float(np.sqrt(np.sum(np.square(pm)))) / len(octaves_hz) * float(np.sqrt(2.0))
            else:
                chance = _CHANCE_CLARITY_DB
            if abs(value - before) > max(noticed, chance):
                changes.append(RoomChange(name=name, octaves_hz=octaves_hz, value=value, before=before))
    before = content.get("sti_room")
    if seat.sti_room is not None and isinstance(before, int | float):
        compared += 1
        if abs(seat.sti_room - before) > STI_STEP:
            changes.append(RoomChange(name="sti_room", octaves_hz=(), value=seat.sti_room, before=float(before)))
    return RoomComparison(measured_at=measured_at, compared=compared, changes=tuple(changes))
