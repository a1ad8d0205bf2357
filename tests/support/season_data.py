"""Shows to learn a house from and to judge: synthesised or from real samples, clean or with one thing wrong at some sources.

Each show is written, checked with `deskhand.tasks.check` and kept as its result, in a cache outside the repository, since a
season takes an hour to make. What is planted is made here with scipy, not with the product's own processing.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.signal as ss

from deskhand.demo.season import _tracks, _write, pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import SOURCES as _SOURCES
from deskhand.demo.venue import house_text
from deskhand.result import plain
from deskhand.tasks.check import CheckOptions, check

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    Tracks = dict[str, NDArray[np.float64]]

LENGTH_S: Final = 45.0
CLEAN_SHOWS: Final = 200
PLANTED_SHOWS: Final = 120
PAIRS: Final = {name: tracks for name, _, tracks, *_ in _SOURCES if len(tracks) == 2 and name != "audience"}
SINGLES: Final = {name: tracks for name, _, tracks, *_ in _SOURCES if len(tracks) == 1 and name != "click"}


def _analogue(
    zeros: list[float], poles: list[float], around_hz: float, sound: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A second-order analogue prototype (in s over the centre) by the bilinear transform, warped to its centre."""
    warp = 2 * RATE_HZ * np.tan(np.pi * around_hz / RATE_HZ)
    scale = np.array([1 / warp**2, 1 / warp, 1.0])
    b, a = ss.bilinear(np.array(zeros) * scale, np.array(poles) * scale, fs=RATE_HZ)
    return np.asarray(ss.lfilter(b, a, sound))


def bell(sound: NDArray[np.float64], hz: float, gain_db: float, q: float) -> NDArray[np.float64]:
    """A bell from the analogue prototype (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)."""
    root = 10 ** (gain_db / 40)
    return _analogue([1, root / q, 1], [1, 1 / (root * q), 1], hz, sound)


def high_shelf(sound: NDArray[np.float64], hz: float, gain_db: float) -> NDArray[np.float64]:
    """A second-order shelf with Butterworth corners."""
    root = 10 ** (gain_db / 40)
    edge = np.sqrt(root) * np.sqrt(2)
    return _analogue([root * root, root * edge, root], [1.0, edge, root], hz, sound)


def wetter(sound: NDArray[np.float64], rng: np.random.Generator, tail_s: float) -> NDArray[np.float64]:
    """More reverberation: noise that dies by 60 dB in `tail_s`, 5 dB below the sound itself."""
    time_s = np.arange(round(1.2 * tail_s * RATE_HZ)) / RATE_HZ
    response = rng.standard_normal(time_s.size) * 10 ** (-3.0 * time_s / tail_s)
    tail = ss.oaconvolve(sound, response)[: sound.size]
    tail *= 10 ** (-5 / 20) * np.sqrt(np.mean(sound**2) / (np.mean(tail**2) + 1e-20))
    return np.asarray(sound + tail)


def softened(sound: NDArray[np.float64], share: float = 0.5) -> NDArray[np.float64]:
    """Onsets above 1.5 kHz that stand out by half as many decibels."""
    top = ss.sosfiltfilt(ss.butter(2, 1500, "highpass", fs=RATE_HZ, output="sos"), sound)
    hop = 48
    power = np.mean(top[: top.size // hop * hop].reshape(-1, hop) ** 2, axis=1) + 1e-14
    fast = ss.lfilter([1 - np.exp(-1 / 4)], [1, -np.exp(-1 / 4)], power)
    slow = ss.lfilter([1 - np.exp(-1 / 150)], [1, -np.exp(-1 / 150)], power)
    gain = np.minimum(1.0, (slow / fast) ** (share / 2))
    smooth = np.interp(np.arange(sound.size), hop * (np.arange(gain.size) + 0.5), gain)
    return np.asarray(sound + top * (smooth - 1.0))


def _each(change: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Callable[..., None]:
    def plant(tracks: Tracks, names: tuple[str, ...], _rng: np.random.Generator) -> None:
        for name in names:
            tracks[name] = change(tracks[name])

    return plant


def _reverb(tracks: Tracks, names: tuple[str, ...], rng: np.random.Generator) -> None:
    for name in names:
        tracks[name] = wetter(tracks[name], rng, 1.2)


def _side_gone(tracks: Tracks, names: tuple[str, ...], rng: np.random.Generator) -> None:
    tracks[names[1]] = rng.standard_normal(tracks[names[1]].size) * 10 ** (-100 / 20)


def _upside_down(tracks: Tracks, names: tuple[str, ...], _rng: np.random.Generator) -> None:
    tracks[names[1]] = -tracks[names[1]]


def _narrowed(tracks: Tracks, names: tuple[str, ...], _rng: np.random.Generator) -> None:
    left, right = tracks[names[0]], tracks[names[1]]
    middle, sides = (left + right) / 2, (left - right) / 2 * 10 ** (-8 / 20)
    tracks[names[0]], tracks[names[1]] = middle + sides, middle - sides


ANY: Final[dict[str, Callable[..., None]]] = {
    "bell +4 dB at 3 kHz": _each(lambda sound: bell(sound, 3000.0, 4.0, 1.0)),
    "top lost (-6 dB above 4 kHz)": _each(lambda sound: high_shelf(sound, 4000.0, -6.0)),
    "more reverberation": _reverb,
    "half the articulation": _each(softened),
}
PAIR: Final[dict[str, Callable[..., None]]] = {
    "side gone": _side_gone, "side upside down": _upside_down, "narrowed by 8 dB": _narrowed,
}  # fmt: skip
NEVER: Final = ("audience", "click", "playback")


def plant_some(tracks: Tracks, rng: np.random.Generator) -> list[tuple[str, str]]:
    """One thing wrong at half of the sources, and two inputs exchanged; (source, what) each."""
    names = [name for name, *_ in _SOURCES if name not in NEVER]
    order = [names[int(place)] for place in rng.permutation(len(names))]
    mono = [name for name in order if name in SINGLES]
    swapped = mono[:2]
    planted: list[tuple[str, str]] = []
    for name in [name for name in order if name not in swapped][:7]:
        own = PAIRS.get(name) or SINGLES[name]
        kinds = {**ANY, **(PAIR if name in PAIRS else {})}
        what = list(kinds)[int(rng.integers(len(kinds)))]
        kinds[what](tracks, own, rng)
        planted.append((name, what))
    one, other = (SINGLES[name][0] for name in swapped)
    tracks[one], tracks[other] = tracks[other], tracks[one]
    return [*planted, *((name, f"exchanged with {swapped[1 - at]}") for at, name in enumerate(swapped))]


def no_mix(text: str) -> str:
    """The house without faders: what is studied here are the sources."""
    return "\n".join(line for line in text.splitlines() if not line.startswith("fader")) + "\n"


@functools.cache
def cache(kind: str) -> Path:
    """Where results of a kind are kept: other measuring, or other material, is another folder."""
    root = Path(__file__).parents[2]
    files = [root / "tests" / "support" / "season_data.py"]
    for part in ("dsp", "measure", "demo", "chain"):
        files += sorted((root / "deskhand" / part).rglob("*.py"))
    if kind == "samples":
        files += [root / "tests" / "support" / name for name in ("sampled.py", "material.py")]
    digest = hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "deskhand-validations" / f"{kind}-{digest}"


def tracks_of(kind: str, rng: np.random.Generator, length_s: float, players: dict[str, str]) -> Tracks:
    """The tracks of a clean show of a kind."""
    if kind == "samples":
        from tests.support.sampled import sampled_tracks

        return sampled_tracks(rng, length_s, players)
    return _tracks(rng, length_s, players)


def make(kind: str, number: int, *, planted: bool) -> dict[str, Any]:
    """A show's result as data, with `planted`, from the cache or made now.

    Parameters
    ----------
    kind : str
        "synthesised", or "samples" (real samples, see `tests.support.sampled`).
    number : int
        Which; the seed.
    planted : bool
        Whether some sources have something wrong.
    """
    target = cache(kind) / f"{'planted' if planted else 'clean'}-{number:03d}.json"
    if not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        draft = target.with_suffix(f".{os.getpid()}")
        draft.write_text(json.dumps(made(kind, number, planted=planted, length_s=LENGTH_S)))
        draft.replace(target)
    return dict(json.loads(target.read_text()))


def made(kind: str, number: int, *, planted: bool, length_s: float) -> dict[str, Any]:
    """The same, made now whatever the cache holds."""
    rng = np.random.default_rng([515, number, planted, kind == "samples"])
    players = pick_players(rng)
    tracks = tracks_of(kind, rng, length_s, players)
    truth = plant_some(tracks, rng) if planted else []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _write(folder, tracks)
        (folder / "house.toml").write_text(no_mix(house_text()), "utf-8")
        options = CheckOptions(date=None, players=tuple(players.items()))
        result = plain(check(folder, options=options, threads=1).result)
    return {**result, "planted": truth}


def shows(kind: str, count: int, *, planted: bool) -> Iterator[dict[str, Any]]:
    """The first shows of a kind."""
    for number in range(count):
        yield make(kind, number, planted=planted)


def main() -> None:
    """Make all of one kind, a share of them in each process: `python -m tests.support.season_data synthesised 0 2`."""
    kind, part, parts = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    for number in range(part, CLEAN_SHOWS, parts):
        make(kind, number, planted=False)
        if number < PLANTED_SHOWS:
            make(kind, number, planted=True)
        print(kind, number, flush=True)


if __name__ == "__main__":
    main()
