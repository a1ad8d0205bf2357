"""A small archive of an invented house."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.support.command import HOUSE, make_show

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def archive_folder(tmp_path: Path) -> Path:
    """Three shows below one house file, of which the second is marked to be kept."""
    root = tmp_path / "archive"
    for number in range(3):
        show = make_show(root / "2025" / f"show {number}", np.random.default_rng(number), seconds=1.5)
        (show / "house.toml").unlink()
        keep = "true" if number == 1 else "false"
        (show / "show.toml").write_text(f"date = 2025-01-0{number + 1}\nkeep = {keep}\n")
    (root / "house.toml").write_text(HOUSE)
    return root
