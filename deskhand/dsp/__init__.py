"""Kernels: arrays in, arrays out, no files, no state hidden in modules."""

from __future__ import annotations

import os
from pathlib import Path


def kernels_are_compiled() -> bool:
    """True where the measuring kernels lie compiled in a cache; the first run has to make them."""
    folders = [Path(__file__).parent / "__pycache__"]
    if os.environ.get("NUMBA_CACHE_DIR"):
        folders.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    return any(folder.is_dir() and any(folder.rglob("*.nbi")) for folder in folders)
