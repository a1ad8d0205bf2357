"""Files that are entered on three walks through the package, counted by running them.

python -m tools.walks

1. from samples to a move: `deskhand check` on a voice that lies 14 dB below its nominal level
2. from a click to a number: a block of a chain is tried on the page, and its numbers come back
3. from a key of the house file, `nominal`, to its effect: of the functions that run in (1), those that name it or `nominal_dbfs`

A file counts once a function of it runs; what runs while modules are imported does not count.
Compiled kernels are not seen by a trace: one counts where a function that runs names it.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import pkgutil
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import soundfile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from types import CodeType, FrameType

RATE_HZ: Final = 48000
LENGTH_S: Final = 4.0
"""Just above the three seconds of playing from which a level is judged (docs/first-show.md)."""
KEY: Final = "nominal"
PATIENCE_S: Final = 600.0
"""Longest wait for the check of the page, kernels to be compiled first; common practice, no source."""
HOUSE: Final = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
nominal = "-20 dBFS"
fader = "0 dB"
[[source.chain]]
block = "high-pass"
frequency = "100 Hz"

[vocal]
source = "lead voice"
"""
_FUNCTION: Final = 0x1 | 0x2
"""CO_OPTIMIZED and CO_NEWLOCALS: code of a function, not of a module or class (inspect, "Code Objects Bit Flags")."""


def imported() -> Path:
    """Folder of the package, all its modules imported, so that only what runs later is traced."""
    package = importlib.import_module("deskhand")
    for module in pkgutil.walk_packages(package.__path__, "deskhand."):
        if "migrations." not in module.name and not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    return Path(package.__path__[0])


class Trace:
    """Functions of the package that run while it is on, in this thread and in those begun after it was made."""

    def __init__(self, package: Path) -> None:
        self._prefix = f"{package}{os.sep}"
        self._codes: set[CodeType] = set()
        threading.settrace(self._called)
        sys.settrace(self._called)

    def _called(self, frame: FrameType, _event: str, _value: object) -> None:
        if frame.f_code not in self._codes:
            self._enter(frame.f_code, frame.f_globals)

    def _enter(self, code: CodeType, bound: Mapping[str, Any]) -> None:
        """Add a function, and the kernels it names, by themselves or as attributes of a module."""
        if code in self._codes or code.co_flags & _FUNCTION != _FUNCTION:
            return
        if not code.co_filename.startswith(self._prefix):
            return
        self._codes.add(code)
        named = [bound[name] for name in code.co_names if name in bound]
        modules = [value for value in named if isinstance(value, ModuleType) and "deskhand" in value.__name__]
        named += [getattr(module, name) for module in modules for name in code.co_names if hasattr(module, name)]
        for value in named:
            kernel = getattr(value, "py_func", None)
            if kernel is not None:
                self._enter(kernel.__code__, kernel.__globals__)

    @contextlib.contextmanager
    def on(self) -> Iterator[set[CodeType]]:
        """Functions that run meanwhile."""
        codes: set[CodeType] = set()
        self._codes = codes
        yield codes
        self._codes = set()


def hall(folder: Path) -> Path:
    """Recording of one voice in a hall of its own, with its house file."""
    recording = folder / "show-2026-03-01"
    recording.mkdir(parents=True)
    (folder / "house.toml").write_text(HOUSE, "utf-8")
    frames = round(LENGTH_S * RATE_HZ)
    noise = np.random.default_rng(1).standard_normal(frames)
    noise *= 0.1 + 0.9 * (np.arange(frames) % RATE_HZ < RATE_HZ // 2)
    soundfile.write(recording / "vox.wav", 0.02 * noise / np.sqrt(np.mean(noise**2)), RATE_HZ, subtype="PCM_24")
    return recording


def checked(recording: Path) -> None:
    """Check a recording by the command."""
    main = importlib.import_module("deskhand.cli").main
    history = f"sqlite:///{recording.parent / 'none.sqlite'}"
    text = io.StringIO()
    with contextlib.redirect_stdout(text), contextlib.suppress(SystemExit):  # its status: something to fix
        main(["check", str(recording), "--no-report", "--history", history], standalone_mode=False)
    if "trim" not in text.getvalue():
        raise SystemExit(f"no move of the trim:\n{text.getvalue()}")


def page(folder: Path) -> Callable[[], None]:
    """Make a hall whose recording is checked, and return the click: a high-pass that is tried at the voice."""
    testclient = importlib.import_module("starlette.testclient")
    shelves = importlib.import_module("deskhand.web.hall").Hall(folder, ())
    application = importlib.import_module("deskhand.web.app").make_app(shelves, by="Mara")
    client = testclient.TestClient(application, "http://localhost")
    of_page = {"x-deskhand": "1"}
    name = shelves.recordings()[0].id

    def answered(path: str, **data: Any) -> Any:
        answer = client.post(f"/api/{path}", json={"id": name, **data}, headers=of_page)
        if answer.status_code != testclient.httpx.codes.OK:
            raise SystemExit(f"{path}: {answer.text}")
        return answer.json()

    def click() -> None:
        answered("try", source="lead voice", start_s=0, chain=[{"block": "high-pass", "frequency": "300 Hz"}])

    client.__enter__()
    job = answered("check")["job"]
    until_s = time.monotonic() + PATIENCE_S
    while client.get(f"/api/jobs/{job}").json()["state"] == "running" and time.monotonic() < until_s:
        time.sleep(0.1)
    return click


def names_of(code: CodeType) -> set[str]:
    """Names and texts a function uses."""
    return {
        *code.co_names,
        *code.co_varnames,
        *(word for text in code.co_consts if isinstance(text, str) for word in (text, *text.split("."))),
    }


def files(codes: set[CodeType], package: Path) -> list[str]:
    """Files of functions, under the package."""
    return sorted({str(Path(code.co_filename).relative_to(package)) for code in codes})


def told(title: str, entered: list[str]) -> None:
    """Print a walk."""
    rooms = Counter(name.split("/")[0] for name in entered)
    print(f"{title}: {len(entered)} files in {len(rooms)} rooms")
    for room in rooms:
        print(f"    {room}:", ", ".join(name.partition("/")[2] for name in entered if name.split("/")[0] == room))


def main() -> None:
    """Walk and print."""
    package = imported()
    trace = Trace(package)
    with tempfile.TemporaryDirectory() as folder:
        recording = hall(Path(folder) / "command")
        with trace.on() as codes:
            checked(recording)
        told("from samples to a move", files(codes, package))
        of_key = {code for code in codes if names_of(code) & {KEY, f"{KEY}_dbfs"}}
        click = page(hall(Path(folder) / "page").parent)
        with trace.on() as codes:
            click()
        told("from a click to a number", files(codes, package))
        told(f"from `{KEY}` to its effect", files(of_key, package))


if __name__ == "__main__":
    main()
