"""What a closer look took is given back: mallopt(3), proc(5)."""

from __future__ import annotations

import subprocess
import sys

import pytest

KEPT_MB = """
import sys
from pathlib import Path
import numpy as np
from deskhand.live.memory import give_back_blocks

def rss_mb():
    return next(int(line.split()[1]) for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("RssAnon")) / 1024

if sys.argv[1] == "given back":
    assert give_back_blocks()
before = rss_mb()
del_first = np.ones(30 << 17)  # 30 MB: glibc takes all smaller blocks from its heap from here on
del del_first
blocks, small = [], []
for _ in range(10):
    blocks.append(np.ones(2 << 17))
    small += [np.ones(100) for _ in range(50)]  # each lies behind a block, and stays
blocks.clear()
print(rss_mb() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="proc(5) and glibc")
def test_blocks_that_are_freed_are_given_back():
    """20 MB of blocks with what stays between them: the heap keeps them, one by one they go back."""
    kept_mb = {
        how: float(subprocess.run([sys.executable, "-c", KEPT_MB, how], capture_output=True, text=True, check=True).stdout)
        for how in ("given back", "as it is")
    }  # fmt: skip
    assert kept_mb["given back"] < 2.0
    assert kept_mb["as it is"] > 10.0
