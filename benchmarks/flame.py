"""Picture of where the processor time of a whole check goes: who calls whom, as wide as it takes long.

    python -m benchmarks.flame FOLDER [--house house-chains.toml] [--out benchmarks/where-the-time-goes.svg]

FOLDER is a show from `make_show.py`. The check runs on one thread, from nothing; each five milliseconds it is noted which functions are under way, and the
processor time since the last note is theirs: other work on the machine does not count. Functions of libraries are drawn as part of what called them, but for the
first of each library. A place is drawn from 0.1 % of the whole on; pointing at it tells its seconds.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchmarks.breakdown import on_one_thread

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

STEP_S: Final = 0.005
WIDTH: Final = 1200
ROW: Final = 17
LEAST_SHARE: Final = 0.001
LETTER: Final = 5.6
"""Width of a letter of the labels, in pixels."""
INKS: Final = {
    "measure": "#7fb3d5", "dsp": "#5499c7", "recording": "#a9cce3", "chain": "#f0b27a", "mix": "#82c99d", "moves": "#c39bd3", "baseline": "#e6b0aa",
    "findings": "#f1948a", "tasks": "#d5d8dc", "other": "#ebedef",
}  # fmt: skip
"""Colour of each room of the package."""


@dataclass(slots=True)
class Place:
    """Function with the time spent in it, what it calls included."""

    name: str
    seconds: float = 0.0
    called: dict[str, Place] = field(default_factory=dict)

    def add(self, names: list[str], seconds: float) -> None:
        """Add time to a path of calls."""
        place = self
        place.seconds += seconds
        for name in names:
            place = place.called.setdefault(name, Place(name))
            place.seconds += seconds


def path_of(frame: FrameType | None) -> list[str]:
    """Functions under way, the outermost first: all of the package's, and the first of a library that each calls."""
    names: list[str] = []
    while frame is not None:
        module = str(frame.f_globals.get("__name__", ""))
        names.append(
            f"{module.removeprefix('deskhand.')}:{frame.f_code.co_name}"
            if module.startswith("deskhand")
            else f"({module.split('.', maxsplit=1)[0]})"
        )
        frame = frame.f_back
    names.reverse()
    own = next((number for number, name in enumerate(names) if name.startswith("tasks.check:")), 0)
    return [name for before, name in zip(["", *names[own:]], names[own:], strict=False) if not (name.startswith("(") and before.startswith("("))]  # fmt: skip


def sampled(work: threading.Thread) -> Place:
    """All paths of a thread, with the processor time that each took."""
    root = Place("check")
    work.start()
    last_s = time.process_time()
    while work.is_alive():
        time.sleep(STEP_S)
        frame = sys._current_frames().get(work.ident or 0)  # noqa: SLF001 - the one way to see another thread's calls
        now_s = time.process_time()
        if frame is not None:
            root.add(path_of(frame), now_s - last_s)
        last_s = now_s
    return root


def boxes(place: Place, left: float, depth: int, scale: float, least_s: float) -> Iterator[tuple[Place, float, int]]:
    """Places to draw with their left edge and depth."""
    yield place, left, depth
    for inner in sorted(place.called.values(), key=lambda one: one.name):
        if inner.seconds >= least_s:
            yield from boxes(inner, left, depth + 1, scale, least_s)
        left += inner.seconds * scale


def picture(root: Place, title: str) -> str:
    """Drawing of all places, the outermost at the top."""
    scale = WIDTH / root.seconds
    drawn = list(boxes(root, 0.0, 0, scale, LEAST_SHARE * root.seconds))
    height = (max(depth for _, _, depth in drawn) + 2) * ROW + 26
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="sans-serif" font-size="11" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        f'<text x="4" y="14" fill="#111" font-size="12">{escape(title)}</text>',
    ]
    left = 4.0
    for room, ink in INKS.items():
        lines += [
            f'<rect x="{left:.0f}" y="20" width="10" height="10" fill="{ink}"/>',
            f'<text x="{left + 13:.0f}" y="29" fill="#111">{room}</text>',
        ]
        left += 30 + 6.2 * len(room)
    for place, begin, depth in drawn:
        width = place.seconds * scale
        room = place.name.split(".")[0].split(":")[0]
        label = ".".join(place.name.split(".")[-1].split(":"))
        lines.append(
            f'<g><title>{escape(place.name)}: {place.seconds:.2f} s, {place.seconds / root.seconds:.1%}</title><rect x="{begin:.2f}" y="{34 + depth * ROW}" width="{max(width - 0.4, 0.2):.2f}" '
            f'height="{ROW - 1}" fill="{INKS.get(room, INKS["other"])}"/>'
            + (
                f'<text x="{begin + 3:.2f}" y="{46 + depth * ROW}" fill="#111">{escape(label[: int(width / LETTER)])}</text>'
                if width > 4 * LETTER
                else ""
            )
            + "</g>"
        )
    return "\n".join([*lines, "</svg>", ""])


def main() -> None:
    """Check the show once and draw it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--house", default="house-chains.toml")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "where-the-time-goes.svg")
    options = parser.parse_args()
    from deskhand.recording import open_recording
    from deskhand.tasks.check import check

    on_one_thread()
    recording = open_recording(options.folder / "take")
    root = sampled(
        threading.Thread(
            target=lambda: check(options.folder / "take", house_path=options.folder / options.house, threads=1)
        )
    )
    samples = recording.frames * len(recording.tracks)
    title = (
        f"{len(recording.tracks)} tracks of {recording.duration_s / 60:.1f} min, {options.house}: {root.seconds:.1f} s of processor, "
        f"{root.seconds / samples * 1e9:.0f} ns a recorded sample"
    )
    options.out.write_text(picture(root, title), "utf-8")
    print(title)
    print(options.out)


if __name__ == "__main__":
    main()
