"""Rights that root has and some tests must do without: reading and writing whatever the modes of files forbid.

In a container tests mostly run as root, for whom no file is unreadable (capabilities(7): CAP_DAC_OVERRIDE and
CAP_DAC_READ_SEARCH). Tests marked `modes_count` run in a child that `setpriv` starts without the two: one child for
all of them in a run, since each start takes seconds.
"""

from __future__ import annotations

import functools
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from .needs import require

if TYPE_CHECKING:
    import pytest

CHILD: Final = "DESKHAND_TESTS_WITHOUT_RIGHTS"
"""Set in the child, so that it does not start another."""
LONGEST_S: Final = 300.0
"""After this long a child hangs: common practice, no source."""
ROOT: Final = Path(__file__).parents[2]


@functools.cache
def modes_are_ignored() -> bool:
    """Tell whether this user reads a file whose mode forbids it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shut"
        path.touch(mode=0o000)
        return os.access(path, os.R_OK)


def _child(node_ids: list[str]) -> str:
    """Report of a run of these tests without the two capabilities, a line for each."""
    require("setpriv")
    # it is no process of the run that asks, and shares no folder with it
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(
        ["setpriv", "--bounding-set=-dac_override,-dac_read_search", sys.executable, "-m", "pytest", "-rA", "-q",
         "-p", "no:cacheprovider", "-m", "", *node_ids],
        cwd=ROOT, env=own | {CHILD: "1"}, capture_output=True, text=True, check=False, timeout=LONGEST_S,
    )  # fmt: skip
    return f"{done.stdout}\n{done.stderr[-2000:]}"


def run_without_rights(item: pytest.Item, folder: Path) -> None:
    """Run a test, and all others of the run that are marked so, in one child; fails as it failed there.

    Parameters
    ----------
    item : Item
    folder : Path
        Folder that all test processes share: the first of them that comes here runs the child, the others read its report.

    Raises
    ------
    Missing
        There is no `setpriv`.
    """
    from filelock import FileLock

    report_file = folder / "without-rights.txt"
    with FileLock(f"{report_file}.lock"):
        if not report_file.exists():
            marked = [
                other.nodeid for other in item.session.items if other.get_closest_marker("modes_count") is not None
            ]
            report_file.write_text(_child(marked), "utf-8")
    report = report_file.read_text("utf-8")
    if f"PASSED {item.nodeid}" not in report.splitlines():
        raise AssertionError(f"in a child without the rights of root:\n{report[-8000:]}")
