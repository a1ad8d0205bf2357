"""Builds the bundle of this system, and tries it.

python -m tools.bundle [--into FOLDER] [--try]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Final

_HERE: Final = Path(__file__).parent
_ROOT: Final = _HERE.parent.parent
_MEGABYTE: Final = 1e6
"""Bytes of a megabyte: arithmetic (SI)."""
_PAGES: Final = ("", "first", "recordings", "words", "static/page.js", "static/shared.css")


def _run(*command: str | Path) -> None:
    subprocess.run([str(word) for word in command], check=True)


def _programs(venv: Path) -> Path:
    return venv / ("Scripts" if os.name == "nt" else "bin")


def size_mb(folder: Path) -> float:
    """Megabytes of all files of a folder, links not followed."""
    return sum(path.lstat().st_size for path in folder.rglob("*") if path.is_file()) / _MEGABYTE


def build(into: Path) -> Path:
    """Build the wheel, install it alone, and make one folder of it.

    Parameters
    ----------
    into : Path
        Folder for everything that is made.

    Returns
    -------
    Path
        The program in the bundle.

    Raises
    ------
    subprocess.CalledProcessError
        A step that failed; it has said why.
    """
    venv = into / "venv"
    _run(sys.executable, "-m", "venv", venv)
    pip = (_programs(venv) / "python", "-m", "pip", "--disable-pip-version-check", "install", "--quiet")
    _run(*pip, "--require-hashes", "-r", _ROOT / "requirements-bundle.txt")
    _run(*pip, "--no-deps", "--no-build-isolation", _ROOT)
    packed = (_programs(venv) / "python", "-m", "PyInstaller", "--noconfirm", "--log-level", "ERROR")
    _run(*packed, "--distpath", into, "--workpath", into / "work", _HERE / "deskhand.spec")
    return into / "deskhand" / ("deskhand.exe" if os.name == "nt" else "deskhand")


def attempt(program: Path) -> None:
    """Try a bundle as somebody with an empty home and no Python would, and print how long each step took.

    Raises
    ------
    subprocess.CalledProcessError
        A command that failed.
    OSError
        A page that does not come.
    """
    with tempfile.TemporaryDirectory() as home:
        kept = {name: os.environ[name] for name in ("SYSTEMROOT", "TEMP", "TMP") if name in os.environ}
        alone = {**kept, "HOME": home, "USERPROFILE": home, "PATH": os.defpath}
        commands = (["--version"], ["live", "--list"], ["demo"], ["check", "demo-season/show-2026-02-22"])
        for arguments in commands:
            begin_s = time.monotonic()
            done = subprocess.run(
                [program, *arguments], cwd=home, env=alone, capture_output=True, text=True, check=False
            )
            if done.returncode not in (0, 1) and arguments[0] != "live":  # a machine without PortAudio says so, with 2
                raise subprocess.CalledProcessError(done.returncode, arguments, done.stdout, done.stderr)
            said = (done.stdout or done.stderr).strip().splitlines()
            print(f"{time.monotonic() - begin_s:6.1f} s  deskhand {' '.join(arguments)}: {said[-1] if said else ''}")
        begin_s = time.monotonic()
        page = subprocess.Popen(
            [program, "serve", "demo-season", "--port", "0"], cwd=home, env=alone, stdout=subprocess.PIPE, text=True
        )
        try:
            assert page.stdout is not None
            link = page.stdout.readline().rsplit(" ", 1)[-1].strip()
            for name in _PAGES:
                with urllib.request.urlopen(link + name) as answer:  # noqa: S310 - this computer's own page
                    answer.read()
        finally:
            page.terminate()
            page.wait()
        print(f"{time.monotonic() - begin_s:6.1f} s  the page, and {len(_PAGES)} of its addresses")


def main() -> None:
    """Read the arguments, and do it."""
    parser = argparse.ArgumentParser(
        description="One folder with Python, the libraries and a launcher, for this system."
    )
    parser.add_argument("--into", type=Path, default=Path("bundle"), help="folder to make (default: bundle)")
    parser.add_argument("--try", dest="tried", action="store_true", help="try it with an empty home")
    options = parser.parse_args()
    into = options.into.resolve()
    into.mkdir(parents=True, exist_ok=True)
    begin_s = time.monotonic()
    program = build(into)
    print(f"{time.monotonic() - begin_s:6.1f} s  built: {program}, {size_mb(program.parent):.0f} MB")
    if options.tried:
        attempt(program)


if __name__ == "__main__":
    main()
