"""Single keys from a terminal, while everything else goes on; none where there is no terminal."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def keys() -> Iterator[Callable[[], str]]:
    """Give a function that returns the key pressed since, or an empty text."""
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    if sys.platform == "win32":
        import msvcrt

        yield lambda: msvcrt.getwch() if msvcrt.kbhit() else ""
        return
    import codecs
    import os
    import select
    import termios
    import tty

    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    # a letter of a name may be several bytes
    decoder = codecs.getincrementaldecoder("utf-8")("ignore")

    def pressed() -> str:
        ready, _, _ = select.select([handle], [], [], 0)
        return decoder.decode(os.read(handle, 1)) if ready else ""

    try:
        # one key at a time, without an echo; an interrupt stays an interrupt
        tty.setcbreak(handle)
        yield pressed
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)
