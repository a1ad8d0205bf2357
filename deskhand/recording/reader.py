"""Reader of a take's lanes, block by block."""

from __future__ import annotations

from concurrent.futures import wait
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor, Future
    from contextlib import ExitStack

    from numpy.typing import NDArray

    from deskhand.recording.files import OpenFile
    from deskhand.recording.lanes import FilePart, Lane


class LaneReader:
    """Reader that fills blocks from the lanes; each file is open only while the time line runs through it."""

    def __init__(self, lanes: tuple[Lane, ...], stack: ExitStack) -> None:
        self._lanes = lanes
        self._open: dict[int, tuple[FilePart, OpenFile]] = {}
        self._running: list[Future[None]] = []
        stack.callback(self._close)

    def _close(self) -> None:
        # a library's handle closed under a thread that reads it brings the process down
        for future in self._running:
            future.cancel()
        wait(self._running)
        for _, file in self._open.values():
            file.samples.close()

    def _file(self, lane_index: int, part: FilePart) -> OpenFile:
        held = self._open.get(lane_index)
        if held is None or held[0] is not part:
            if held is not None:
                held[1].samples.close()
            held = (part, part.file.open())
            self._open[lane_index] = held
        return held[1]

    def _fill(self, lane_index: int, start: int, block: NDArray[np.float32]) -> None:
        lane = self._lanes[lane_index]
        end = start + block.shape[1]
        filled = start
        for part in lane.parts:
            first, last = max(start, part.start), min(end, part.start + part.file.frames)
            if first >= last:
                continue
            block[:, filled - start : first - start] = 0.0
            if first == start and last == end and block.flags.c_contiguous:
                self._file(lane_index, part).read(first - part.start, block)
            else:
                piece = np.empty((lane.channels, last - first), np.float32)
                self._file(lane_index, part).read(first - part.start, piece)
                block[:, first - start : last - start] = piece
            filled = last
        block[:, filled - start :] = 0.0

    def begin(self, start: int, block: NDArray[np.float32], pool: Executor | None) -> Callable[[], None]:
        """Start reading; the returned function waits until it is done and raises what went wrong."""
        rows, jobs = 0, []
        for index, lane in enumerate(self._lanes):
            jobs.append((index, block[rows : rows + lane.channels]))
            rows += lane.channels
        if pool is None:

            def read_now() -> None:
                for index, piece in jobs:
                    self._fill(index, start, piece)

            return read_now
        # one job a lane would cost more in hand-overs than in reading
        size = max(1, -(-len(jobs) // 4))

        def run(share: list[tuple[int, NDArray[np.float32]]]) -> None:
            for index, piece in share:
                self._fill(index, start, piece)

        self._running = futures = [pool.submit(run, jobs[first : first + size]) for first in range(0, len(jobs), size)]

        def finish() -> None:
            for future in futures:
                future.result()

        return finish
