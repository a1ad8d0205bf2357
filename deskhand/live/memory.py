"""Memory of a program that listens for hours: what a closer look took is given back after it."""

from __future__ import annotations

import ctypes
import sys
from typing import Final

_MMAP_THRESHOLD: Final = -3
"""Number of the setting M_MMAP_THRESHOLD (mallopt(3), glibc's malloc.h)."""
_APART_BYTES: Final = 1 << 20
"""Size from which a block is taken from the system by itself. Common practice, no source."""


def give_back_blocks() -> bool:
    """Have large blocks taken from the system one by one, and given back when they are freed; False where the C library has no such setting.

    By itself glibc raises the size from which it does so to that of the largest block freed, up to 32 MB: from then on the arrays of closer looks, each
    of another length, are cut from one heap, which grows by the gaps between them though nothing is held.

    References
    ----------
    mallopt(3), "Note: Nowadays, glibc uses a dynamic mmap threshold by default."
    """
    if not sys.platform.startswith("linux"):
        return False
    try:
        return bool(ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _APART_BYTES))
    except (OSError, AttributeError):
        return False
