"""Kernels: arrays in, arrays out, no files, no state hidden in modules."""

from __future__ import annotations

import os
from pathlib import Path


def kernels_are_compiled() -> bool:
    """True where the measuring kernels lie compiled in a cache; the first run has to make them."""
    # a folder that the environment names is taken in the place of the one beside the modules
    folder = Path(os.environ.get("NUMBA_CACHE_DIR") or Path(__file__).parent / "__pycache__")
    return folder.is_dir() and any(folder.rglob("*.nbi"))
