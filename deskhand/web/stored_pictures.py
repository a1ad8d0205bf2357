"""Pictures of a stored check, to JSON and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.report.pictures import Picture

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SILENCE_DBFS: Final = -200.0
"""Level that stands for silence in a file, since JSON has no infinity (RFC 8259, 6)."""
_LEVEL_DIGITS: Final = 1
"""Places after the point of a stored level: finer than a picture's column. Common practice, no source."""


def plain_picture(picture: Picture) -> dict[str, Any]:
    """Picture as JSON holds it."""
    level = np.where(np.isfinite(picture.level_dbfs), picture.level_dbfs, _SILENCE_DBFS)
    return {
        "level_dbfs": np.round(level.astype(float), _LEVEL_DIGITS).tolist(),
        "active": picture.active.astype(int).tolist(),
        "step_s": picture.step_s,
        "start_s": picture.start_s,
        "nominal_dbfs": picture.nominal_dbfs,
        "taken_db": {name: np.round(reduction_db, 2).tolist() for name, reduction_db in picture.taken_db.items()},
        "telling_s": picture.telling_s,
    }


def picture_of(data: dict[str, Any]) -> Picture:
    """Picture from what `plain_picture` made of it; ValueError, KeyError or TypeError where the file was changed by another hand."""
    level_dbfs = _row(data["level_dbfs"])
    step_s, start_s, telling_s = (_finite(data[name]) for name in ("step_s", "start_s", "telling_s"))
    nominal_dbfs = None if data["nominal_dbfs"] is None else _finite(data["nominal_dbfs"])
    active = _row(data["active"]).astype(bool)
    if step_s <= 0.0:
        raise ValueError("a picture has no step in time")
    return Picture(
        level_dbfs=level_dbfs,
        active=active,
        step_s=step_s,
        start_s=start_s,
        nominal_dbfs=nominal_dbfs,
        taken_db={str(name): _row(reduction_db) for name, reduction_db in data["taken_db"].items()},
        telling_s=telling_s,
    )


def _row(values: Any) -> NDArray[np.float64]:
    """(values,) finite numbers, at least one."""
    row = np.array(values, np.float64)
    if row.ndim != 1 or not row.size or not np.isfinite(row).all():
        raise ValueError("a picture holds no row of numbers")
    return row


def _finite(value: Any) -> float:
    number = float(value)
    if not np.isfinite(number):
        raise ValueError("a picture holds a number that is not finite")
    return number
