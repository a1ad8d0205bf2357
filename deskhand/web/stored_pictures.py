"""Pictures of a stored check, to JSON and back."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from deskhand.report.pictures import Picture

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
    """Picture from what `plain_picture` made of it."""
    return Picture(
        level_dbfs=np.array(data["level_dbfs"]),
        active=np.array(data["active"], bool),
        step_s=float(data["step_s"]),
        start_s=float(data["start_s"]),
        nominal_dbfs=data["nominal_dbfs"],
        taken_db={name: np.array(reduction_db) for name, reduction_db in data["taken_db"].items()},
        telling_s=float(data["telling_s"]),
    )
