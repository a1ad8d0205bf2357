"""Weeks at Tern Street Hall with a measurement microphone at the mix position: an invented room, a calibrator, one week with a fault."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.demo import sounds
from deskhand.demo.season import _tracks, _write, pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import FADERS_DB, SOURCES, house_text
from deskhand.errors import UsageError
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    Tracks = dict[str, NDArray[np.float64]]

_LENGTH_S: Final = 45.0
"""Length of a show: two speeches and a song. Common practice, no source."""
_TAIL_S: Final = 1.1
"""Reverberation of the invented hall, as its audience microphones hear it."""
_DISTANCE_S: Final = (0.0276, 0.0291)
"""Time from the left and the right loudspeaker to the mix position: 9.5 and 10 m at 20 °C (ISO 9613-1: 343.2 m/s)."""
_MAIN_DB: Final = 2.0
"""Gain of the recorded mix, so that it sits near the house's loudness. Invented."""
_SEAT_DB: Final = -14.0
"""Gain from the loudspeakers to the microphone's input, so that a song is near 88 dBA. Invented."""
_FULL_SCALE_DB: Final = 120.0
"""Sound pressure level of a full-scale sine at the seat's input. Invented."""
_NOISE_DBFS: Final = -74.0
"""People and ventilation at the seat. Invented."""
_DRIVER_DB, _DRIVER_HZ = -24.0, 2000.0
"""What is left of the left side above its high driver's crossover when that is dead. Invented."""
_LOUD_DB: Final = 11.0
"""How much louder the evening over its limit is. Invented."""
CALIBRATOR_DATE: Final = "2026-03-28"
SEAT_NAME: Final = "mix position"
"""Name of the seat, and the day on which it is calibrated. Invented."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatWeek:
    """Plan of one week."""

    date: str
    what: str
    """"clean", "driver" or "loud"."""

    @property
    def name(self) -> str:
        """Name of its folder."""
        return f"show-{self.date}"


SEAT_WEEKS: Final = (
    SeatWeek(date="2026-03-29", what="clean"),
    SeatWeek(date="2026-04-05", what="clean"),
    SeatWeek(date="2026-04-12", what="clean"),
    SeatWeek(date="2026-04-19", what="driver"),
    SeatWeek(date="2026-04-26", what="loud"),
)
"""Three weeks to keep, one whose left high driver is dead, and one over the house's limit."""


def seat_house_text() -> str:
    """House file of the invented venue with its recorded mix, its seat and its limit."""
    text = house_text().replace('monitors = "after-gain"', 'monitors = "after-gain"\nmix = ["main l", "main r"]')
    lines = [
        "",
        "[[source]]                      # a measurement microphone where people sit: no part of the show",
        f'name = "{SEAT_NAME}"',
        'role = "seat"',
        'tracks = ["seat"]',
        'channel = "25"',
        'microphone = "omni 1"',
        'preamp = "30 dB"',
        'own_noise = "28 dBA"',
        'offset = { laeq = "2.5 dB", lcpeak = "4 dB" }   # the loudest place the public can reach, against this one',
        "",
        "[limits]                        # invented: an evening of this demo has less than a minute",
        'laeq = "96 dBA"',
        'over = "1 min"',
        "",
        "[[staff]]",
        'name = "Marit"',
        f'seat = "{SEAT_NAME}"',
        'besides = [{ hours = "4 h", level = "65 dBA" }]',
    ]
    return text + "\n".join(lines) + "\n"


def mixed(tracks: Tracks) -> NDArray[np.float64]:
    """(2, frames) mix of the written faders, without the house's chains."""
    frames = next(iter(tracks.values())).size
    mix = np.zeros((2, frames))
    for name, _, names, *_ in SOURCES:
        if name in FADERS_DB:
            for side in range(2):
                mix[side] += tracks[names[min(side, len(names) - 1)]] * amplitude_from_db(FADERS_DB[name] + _MAIN_DB)
    return mix


def at_the_seat(rng: np.random.Generator, mix: NDArray[np.float64], week: SeatWeek) -> NDArray[np.float64]:
    """(frames,) what the microphone hears of the two loudspeakers, the hall and the people in it."""
    hall = np.random.default_rng(25)  # one hall for all weeks
    heard = sounds.pink(rng, mix.shape[1])
    heard *= amplitude_from_db(_NOISE_DBFS) / np.sqrt(np.mean(heard**2))
    for side in range(2):
        speaker = mix[side]
        if week.what == "driver" and side == 0:
            below = ss.sosfilt(sounds.butterworth(4, _DRIVER_HZ, "lowpass"), speaker)
            speaker = below + amplitude_from_db(_DRIVER_DB) * (speaker - below)
        response = sounds.room_response(hall, tail_s=_TAIL_S, wet=0.5, early_ms=(7.0, 13.0, 21.0))[0]
        response = np.concatenate([np.zeros(round(_DISTANCE_S[side] * RATE_HZ)), response])
        heard += amplitude_from_db(_SEAT_DB) * ss.oaconvolve(speaker, response)[: speaker.size]
    return np.asarray(heard)


def make_seat_show(folder: Path, week: SeatWeek, seed: int) -> None:
    """Write one week as a folder of 24-bit files with `show.toml` and `truth.json`."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    players = pick_players(rng)
    tracks = _tracks(rng, _LENGTH_S, players)
    mix = mixed(tracks) * amplitude_from_db(_LOUD_DB if week.what == "loud" else 0.0)
    tracks |= {"main l": mix[0], "main r": mix[1], "seat": at_the_seat(rng, mix, week)}
    _write(folder, tracks)
    lines = [
        "# Invented: nobody of these names played anything.", 'name = "Sunday evening"', f"date = {week.date}", 'phase = "show"',
        'start = "19:30"', "", "[players]", *(f'"{source}" = "{player}"' for source, player in players.items()),
    ]  # fmt: skip
    (folder / "show.toml").write_text("\n".join(lines) + "\n", "utf-8")
    truth = {"invented": True, "planted": [] if week.what == "clean" else [{"source": SEAT_NAME, "kind": week.what}]}
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", "utf-8")


def make_calibrator_tone(folder: Path, seed: int) -> None:
    """Write ten seconds of a calibrator's tone at 94 dB on the seat's track."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    time_s = np.arange(round(10.0 * RATE_HZ)) / RATE_HZ
    tone = amplitude_from_db(94.0 - _FULL_SCALE_DB) * np.sin(2.0 * np.pi * 1000.0 * time_s)
    _write(folder, {"seat": tone + amplitude_from_db(-90.0) * rng.standard_normal(time_s.size)})
    note = f'# Invented: nobody recorded anything.\nname = "calibrator"\ndate = {CALIBRATOR_DATE}\n'
    (folder / "show.toml").write_text(note, "utf-8")


def make_seat_season(folder: Path, *, seed: int = 1, progress: Callable[[float], None] | None = None) -> None:
    """Write the house file, the calibrator's tone and all weeks.

    Raises
    ------
    UsageError
        The folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "house.toml").write_text(seat_house_text(), "utf-8")
        make_calibrator_tone(folder / "calibrator", seed)
        for count, week in enumerate(SEAT_WEEKS, 1):
            make_seat_show(folder / week.name, week, 1000 * seed + 200 + count)
            if progress is not None:
                progress(count / len(SEAT_WEEKS))
    except OSError as error:
        raise UsageError(
            str(folder), f"cannot be written ({error.strerror})", "name another folder with --output"
        ) from error
