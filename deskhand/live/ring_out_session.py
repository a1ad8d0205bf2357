"""Session of a ring-out: device or recording in, one microphone at a time, sentences and questions out, until it is done."""

from __future__ import annotations

import queue
import sys
import threading
import time
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.errors import HouseError, LiveError, UsageError
from deskhand.live.ring_out import ring_out_of
from deskhand.live.ring_out_listener import RingOutListener
from deskhand.live.session import open_feed
from deskhand.live.watch import rows_of
from deskhand.tasks.keep import house_at

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

    from deskhand.house import HouseFile
    from deskhand.live.ring_out import RingOut
    from deskhand.live.session import LiveOptions

_TICK_S: Final = 0.1
"""Pause between two looks at the device: the length of a hop."""


def typed_lines() -> Callable[[], str | None]:
    """Function that returns the next line typed since, or None; an end of the input is the answer "stop"."""
    lines: queue.Queue[str] = queue.Queue()

    def read() -> None:
        for line in sys.stdin:
            lines.put(line)
        lines.put("stop")

    threading.Thread(target=read, name="answers", daemon=True).start()

    def next_line() -> str | None:
        try:
            return lines.get_nowait()
        except queue.Empty:
            return None

    return next_line


def shown(state: RingOut, before: RingOut | None) -> list[str]:
    """Lines to print where a state says something else than the one before; none where it does not.

    Parameters
    ----------
    state, before : RingOut or None
    """
    if before is not None and (state.sentence, state.question, state.problem) == (
        before.sentence,
        before.question,
        before.problem,
    ):
        return []
    if state.problem:
        return [state.problem]
    cautions = [] if before is not None and before.cautions == state.cautions else list(state.cautions)
    lines = ["", state.sentence, *(f"  ! {caution}" for caution in cautions)]
    return [*lines, f"{state.question}  [{' / '.join(state.answers)}]"] if state.question else lines


def chosen_pairs(house: HouseFile, names: Sequence[str]) -> RingOut:
    """Ring-out of the microphones that were named, or of all.

    Raises
    ------
    UsageError
        A name that is no open microphone in use.
    """
    state = ring_out_of(house)
    if not state.pairs:
        raise HouseError(
            "house file", "has no open microphone in use", "give its microphones a role such as lead vocal"
        )
    known = list(dict.fromkeys(pair.source for pair in state.pairs))
    for name in names:
        if name not in known:
            raise UsageError(f'--microphone "{name}"', "is no open microphone in use", f"choose of: {', '.join(known)}")
    wanted = [pair for pair in state.pairs if not names or pair.source in names]
    return replace(state, pairs=tuple(wanted))


def ring_out_live(options: LiveOptions, names: Sequence[str], console: Console) -> RingOut:
    """Ring out the wedges in a conversation, until all microphones have had their turn, or "stop".

    Parameters
    ----------
    options : LiveOptions
        House, device or recording, and when to end.
    names : sequence of str
        Microphones to ring out; all where none are named.
    console : Console
        A line is printed for each thing said.

    Raises
    ------
    LiveError, HouseError, UsageError
        One line each.
    """
    house, _ = house_at(options.house, near=options.replay)
    state = chosen_pairs(house, names)
    feed = open_feed(options)
    with ExitStack() as stack:
        stack.callback(feed.audio.close)
        listener = RingOutListener(
            state=state,
            inputs=rows_of(house, feed.track_names, feed.audio.channels),
            ring=feed.audio.ring,
            sample_rate_hz=feed.audio.sample_rate_hz,
        )
        try:
            _converse(listener, feed.audio.poll, typed_lines(), console, options)
        except KeyboardInterrupt:
            pass
        except LiveError as error:
            console.print(str(error), highlight=False, markup=False, soft_wrap=True)
    return listener.state


def _converse(
    listener: RingOutListener,
    poll: Callable[[], str],
    next_line: Callable[[], str | None],
    console: Console,
    options: LiveOptions,
) -> None:
    """Listen, print what is said, and take answers, until it is over or the audio is."""
    said: RingOut | None = None
    while True:
        for text in shown(listener.state, said):
            console.print(text, highlight=False, markup=False, soft_wrap=True)
        said = listener.state
        note = poll()
        for message in listener.advance():
            console.print(str(message), highlight=False, markup=False, soft_wrap=True)
        line = next_line()
        if line is not None:
            listener.answer(line)
        is_at_end = note == "over" or (options.length_s is not None and listener.now_s >= options.length_s)
        if listener.state.step == "over" or is_at_end:
            break
        if not options.fast:
            time.sleep(_TICK_S)
    for text in shown(listener.state, said):
        console.print(text, highlight=False, markup=False, soft_wrap=True)
