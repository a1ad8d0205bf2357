"""Shows at Tern Street Hall: other songs and players every week, written as recordings, with their truth."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.demo import sounds
from deskhand.demo.band import Band, Part, pick_song
from deskhand.demo.sounds import RATE_HZ, SINE_OFFSET_DB
from deskhand.demo.spectra import shaped
from deskhand.demo.venue import SOURCES as _SOURCES
from deskhand.house.roles import ROLES
from deskhand.units import amplitude_from_db, db_from_power

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path
    from typing import TypeAlias

    from numpy.typing import NDArray

    from deskhand.demo.faults import PlantedFault, Tracks

    Planting: TypeAlias = Callable[[Tracks, np.random.Generator], list[PlantedFault]]

_PLAYERS: Final = {
    "guitar a": ("Ines", "Tomke", "Ruben", "Odile"),
    "guitar b": ("Odile", "Ruben", "Ines", "Tomke"),
    "lead voice": ("Marit", "Jonas"),
    "piano": ("Selma", "Piet"),
    "kick": ("Casimir", "Leni"),
}
_GUITARS: Final = {
    "Ines": (4.0, 0.30, 0.36), "Tomke": (7.5, 0.45, 0.48), "Ruben": (5.5, 0.35, 0.42), "Odile": (2.5, 0.60, 0.55),
}  # fmt: skip
"""Guitar rigs of the players: drive, seconds of tail, share of the room. Invented."""
_DIRECT: Final = 0.5
"""Part of a rig's room that is left in what it sends to the desk: its sides agree more than the room does. Set so that a
side upside down is told as that: at 0.75 the check of the season's newest show told a loss in mono. Invented."""
_VOICES: Final = {"Marit": 1.12, "Jonas": 0.98}
"""Formants of the singers against an adult of the textbooks: above 1 a smaller head. Invented."""
SHOW_LENGTH_S: Final = 30.0
"""Length of a show: two speeches and five to seven bars of a song. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowPlan:
    """Plan of one show."""

    name: str
    """Of its folder."""
    date: str
    seed: int
    length_s: float = SHOW_LENGTH_S
    title: str = "Sunday evening"
    players: Mapping[str, str] | None = None
    """Source to who plays it; None: drawn with the seed."""


def _level_dbfs(part: Part, sound: NDArray[np.float64]) -> float:
    """Median level of the 300 ms windows in which the part is known to play: by the score, not by measuring."""
    span = round(0.3 * RATE_HZ)
    starts: list[int] = [round((hit_s - 0.05) * RATE_HZ) for hit_s in part.hits_s]
    if not part.hits_s:
        for begin, end in part.spans_s:
            starts += [round(start_s * RATE_HZ) for start_s in np.arange(begin, max(begin, end - 0.3) + 1e-6, 0.1)]
    powers = [
        float(np.mean(sound[:, max(0, start) : max(0, start) + span] ** 2))
        for start in starts
        if max(0, start) + span <= sound.shape[1]
    ]
    return db_from_power(float(np.median(powers))) + SINE_OFFSET_DB


def _bleed(sound: NDArray[np.float64], level_db: float, delay_s: float, top_hz: float) -> NDArray[np.float64]:
    """Bleed of a source into a far microphone."""
    far = ss.sosfilt(sounds.butterworth(1, top_hz, "lowpass"), sound)
    far = np.concatenate([np.zeros(round(delay_s * RATE_HZ)), far])[: sound.size]
    return np.asarray(far * amplitude_from_db(level_db))


def pick_players(rng: np.random.Generator) -> dict[str, str]:
    """Players of this week by source; nobody plays two guitars at once."""
    players = {source: names[int(rng.integers(len(names)))] for source, names in _PLAYERS.items()}
    while players["guitar b"] == players["guitar a"]:
        players["guitar b"] = _PLAYERS["guitar b"][int(rng.integers(len(_PLAYERS["guitar b"])))]
    return players | {name: players["kick"] for name, role, *_ in _SOURCES if ROLES[role].kit}


def _rig(rng: np.random.Generator, player: str, softer: float) -> dict[str, float]:
    """A guitar player's sound, a little different every week."""
    drive, tail_s, spread = _GUITARS[player]
    return {
        "drive": softer * drive * float(rng.uniform(0.85, 1.18)),
        "tail_s": tail_s * float(rng.uniform(0.88, 1.14)),
        "spread": _DIRECT * spread * float(rng.uniform(0.93, 1.08)),
    }


def _parts(
    rng: np.random.Generator, length_s: float, players: dict[str, str]
) -> tuple[Band, dict[str, Part], NDArray[np.float64]]:
    """All parts of a show: two people speak, then the band plays a song."""
    speaking = 11.0
    song = pick_song(rng, start_s=2.0 + speaking, length_s=length_s - speaking - 4.5)
    band = Band(rng, song, length_s)
    kick, snare, cymbals = band.drums()
    parts = {
        "kick": kick,
        "snare": snare,
        "bass": band.bass(),
        "guitar a": band.guitar(arpeggio=False, **_rig(rng, players["guitar a"], 1.0)),
        "guitar b": band.guitar(arpeggio=True, **_rig(rng, players["guitar b"], 0.45)),
        "acoustic": band.acoustic(),
        "piano": band.keys(),
        "lead voice": band.vocal(
            octave=12, size=_VOICES[players["lead voice"]] * float(rng.uniform(0.98, 1.02)), offset=2, starts_bar=1
        ),
        "voice 2": band.vocal(octave=12, size=1.12, offset=4, starts_bar=1),
        "voice 3": band.vocal(octave=0, size=0.95, offset=6, starts_bar=1),
        "lectern": band.speech(start_s=1.6, length_s=5.0, hz=float(rng.uniform(105, 130)), size=0.95),
        "handheld": band.speech(start_s=7.6, length_s=4.8, hz=float(rng.uniform(180, 215)), size=1.1),
        "playback": band.playback(),
        "click": band.click(),
    }
    for name, part in parts.items():
        part.sound = shaped(name, part.sound)
    return band, parts, cymbals


def _tracks(
    rng: np.random.Generator, length_s: float, players: dict[str, str] | None = None
) -> dict[str, NDArray[np.float64]]:
    """All tracks of a show at their levels, with bleed and noise."""
    band, parts, cymbals = _parts(rng, length_s, players or pick_players(rng))
    nominal = {name: -18.0 if level is None else float(level) for name, *_, level, _ in _SOURCES}
    set_: dict[str, NDArray[np.float64]] = {}
    for name, part in parts.items():
        goal = nominal[name] + float(rng.uniform(-0.8, 0.8))
        set_[name] = part.sound * amplitude_from_db(goal - _level_dbfs(part, part.sound))
    frames = band.frames
    kick, snare = set_["kick"][0], set_["snare"][0]
    drums = np.array(
        [
            0.5 * _bleed(kick, 0, 0.003, 3000) + 0.8 * _bleed(snare, 0, 0.0028, 9000),
            0.5 * _bleed(kick, 0, 0.0031, 3000) + 0.7 * _bleed(snare, 0, 0.0032, 9000),
        ]
    )
    hat = cymbals * (amplitude_from_db(-24) / np.abs(cymbals).max())
    overheads = shaped("overheads", drums * 0.35 + hat * 2.2)
    overheads_part = Part(sound=overheads, spans_s=[(band.song.start_s, band.song.end_s)])
    goal = nominal["overheads"] + float(rng.uniform(-0.5, 0.5))
    overheads *= amplitude_from_db(goal - _level_dbfs(overheads_part, overheads))
    band_sound = kick + snare + set_["guitar a"].mean(axis=0) + set_["bass"][0]
    # microphones hear their neighbours: a drum kit is loud everywhere
    bleed_into = (("snare", kick, -26), ("kick", snare, -28), ("lead voice", band_sound, -32), ("voice 2", band_sound, -31),
                  ("voice 3", band_sound, -30), ("lectern", band_sound, -36), ("handheld", band_sound, -36))  # fmt: skip
    for name, neighbour, level_db in bleed_into:
        set_[name] = set_[name] + _bleed(neighbour, level_db, 0.008, 6000)
    room = sounds.room_response(rng, tail_s=1.1, wet=1.0, early_ms=(19.0, 31.0, 43.0))
    room[:, 0] = 0.0
    everything = (
        band_sound + set_["lead voice"][0] + set_["playback"].mean(axis=0) + set_["lectern"][0] + set_["handheld"][0]
    )
    audience = 0.25 * sounds.in_room(everything, room)
    applause = sounds.claps(rng, 2.4)
    end = round(band.song.end_s * RATE_HZ)
    space = max(0, min(applause.shape[1], frames - end))
    audience[:, end : end + space] += 0.02 * applause[:, :space] / np.sqrt(np.mean(applause**2))
    set_["overheads"], set_["audience"] = overheads, audience
    return _with_noise(rng, set_)


def _with_noise(rng: np.random.Generator, set_: dict[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """The tracks of all sources, each with the noise of its input."""
    frames = set_["kick"].shape[1]
    noisy: dict[str, NDArray[np.float64]] = {}
    hiss = np.tile(0.6 * sounds.pink(rng, frames) + 0.6 * rng.standard_normal(frames), 2)
    for name, _, tracks, *_, floor_db in _SOURCES:
        for row, track in enumerate(tracks):
            # far apart in the same noise is as good as another noise
            first = frames - int(rng.integers(frames))
            noisy[track] = set_[name][row] + hiss[first : first + frames] * amplitude_from_db(floor_db)
    return noisy


def _write(folder: Path, tracks: dict[str, NDArray[np.float64]]) -> None:
    """Write tracks as 24-bit files numbered in patch order."""
    import soundfile

    order = [track for _, _, names, *_ in _SOURCES for track in names] + ["main l", "main r", "seat"]

    def write_track(name: str) -> None:
        number = order.index(name) + 1
        soundfile.write(
            folder / f"{number:02d} {name}.wav", np.clip(tracks[name], -1.0, 1.0), RATE_HZ, subtype="PCM_24"
        )

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write_track, tracks))


def _truth(fault: PlantedFault) -> dict[str, object]:
    """Fault as `truth.json` has it."""
    return {"source": fault.source, "kind": fault.kind, "at_s": fault.at_s, "what": fault.description}


def make_show(folder: Path, plan: ShowPlan, plant: Planting | None = None) -> list[PlantedFault]:
    """Write one show as a folder of 24-bit files with `show.toml` and `truth.json`.

    Parameters
    ----------
    folder : Path
        Folder of the show; files of the same names are replaced.
    plan : ShowPlan
        Plan of the show; the same plan gives the same bytes.
    plant : callable, optional
        Plants faults in its tracks, and tells which; without it nothing is wrong.

    Returns
    -------
    Faults planted in it.
    """
    rng = np.random.default_rng(plan.seed)
    folder.mkdir(parents=True, exist_ok=True)
    players = pick_players(rng) if plan.players is None else dict(plan.players)
    tracks = _tracks(rng, plan.length_s, players)
    planted = [] if plant is None else plant(tracks, rng)
    _write(folder, tracks)
    lines = [
        "# Invented: nobody of these names played anything.",
        f'name = "{plan.title}"',
        f"date = {plan.date}",
        'phase = "rehearsal"',
        "",
        "[players]",
        *(f'"{source}" = "{player}"' for source, player in players.items()),
    ]
    (folder / "show.toml").write_text("\n".join(lines) + "\n", "utf-8")
    truth = {"invented": True, "planted": [_truth(fault) for fault in planted]}
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", "utf-8")
    return planted
