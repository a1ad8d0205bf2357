"""A season at Tern Street Hall: shows with different songs and players, written as recordings, with their truth."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.demo import faults, sounds
from deskhand.demo.band import Band, Part, pick_song
from deskhand.demo.faults import Planted
from deskhand.demo.sounds import RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

# name, role, tracks, channel, patch, nominal
_SOURCES: Final = (
    ("kick", "kick", ("kick",), "1", "stage box A 1", -24),
    ("snare", "snare", ("snare",), "2", "stage box A 2", -24),
    ("overheads", "overheads", ("oh l", "oh r"), "3/4", "stage box A 3/4", -30),
    ("bass", "bass", ("bass",), "5", "stage box A 5", None),
    ("guitar a", "guitar", ("gtr a l", "gtr a r"), "6/7", "stage box A 6/7", -20),
    ("guitar b", "guitar", ("gtr b l", "gtr b r"), "8/9", "stage box A 8/9", -20),
    ("acoustic", "acoustic guitar", ("agtr",), "10", "stage box B 1", -24),
    ("piano", "keys", ("pno l", "pno r"), "11/12", "stage box B 2/3", -20),
    ("lead voice", "lead vocal", ("lead vox",), "13", "radio 1", -22),
    ("voice 2", "backing vocal", ("bv 1",), "14", "stage box B 4", -22),
    ("voice 3", "backing vocal", ("bv 2",), "15", "stage box B 5", -22),
    ("lectern", "speech", ("spk lectern",), "16", "floor box 1", -22),
    ("handheld", "speech", ("spk hand",), "17", "radio 2", -22),
    ("playback", "playback", ("pb l", "pb r"), "18/19", "booth 1/2", None),
    ("audience", "audience", ("aud l", "aud r"), "20/21", "ceiling 1/2", None),
    ("click", "click", ("click",), "22", "booth 3", -26),
)
_FADERS_DB: Final = {
    "kick": -10, "snare": -12, "overheads": -10, "bass": -22, "guitar a": -21, "guitar b": -22, "acoustic": -19,
    "piano": -22, "lead voice": 0, "voice 2": -12, "voice 3": -12, "lectern": -2, "handheld": -2, "playback": -20,
}  # fmt: skip
_VOICE: Final = (
    ("high-pass", 'frequency = "100 Hz"', 'slope = "18 dB/oct"'),
    ("bell", 'frequency = "300 Hz"', 'gain = "-2 dB"', "q = 1"),
)
_CHAINS: Final[dict[str, tuple[tuple[str, ...], ...]]] = {
    "kick": (
        ("high-pass", 'frequency = "35 Hz"', 'slope = "12 dB/oct"'),
        ("bell", 'frequency = "350 Hz"', 'gain = "-4 dB"', "q = 1"),
        ("gate", 'threshold = "-36 dBFS"', 'range = "-12 dB"', 'release = "250 ms"'),
    ),
    "bass": (
        ("high-pass", 'frequency = "40 Hz"', 'slope = "12 dB/oct"'),
        (
            "compressor", 'threshold = "-20 dBFS"', "ratio = 2", 'attack = "20 ms"', 'release = "200 ms"',
            'reduction = "1 to 4 dB"       # what the house wants it to take off',
        ),
    ),
    "guitar a": (
        ("high-pass", 'frequency = "90 Hz"', 'slope = "12 dB/oct"'),
        ("bell", 'frequency = "2.5 kHz"', 'gain = "-2 dB"', "q = 1"),
        ("mid-side", 'mid = "-1.5 dB"', 'side = "0 dB"'),
    ),
    "guitar b": (
        ("high-pass", 'frequency = "90 Hz"', 'slope = "12 dB/oct"'),
        ("mid-side", 'mid = "-1.5 dB"', 'side = "0 dB"'),
    ),
    "piano": (("high-pass", 'frequency = "60 Hz"'), ("bell", 'frequency = "400 Hz"', 'gain = "-1.5 dB"', "q = 1")),
    "lead voice": (
        *_VOICE,
        (
            "compressor", 'threshold = "-24 dBFS"', "ratio = 2.5", 'knee = "6 dB"', 'attack = "10 ms"',
            'release = "150 ms"', 'reduction = "1 to 4 dB"',
        ),
        ("high-shelf", 'frequency = "8 kHz"', 'gain = "1.5 dB"'),
    ),
    "voice 2": _VOICE,
    "voice 3": _VOICE,
    "lectern": (("high-pass", 'frequency = "120 Hz"', 'slope = "18 dB/oct"'),),
    "handheld": (("high-pass", 'frequency = "120 Hz"', 'slope = "18 dB/oct"'),),
}  # fmt: skip
_PLAYERS: Final = {
    "guitar a": ("Ines", "Tomke", "Ruben", "Odile"),
    "guitar b": ("Odile", "Ruben", "Ines", "Tomke"),
    "lead voice": ("Marit", "Jonas"),
    "piano": ("Selma", "Piet"),
    "kick": ("Casimir", "Leni"),
}
_KIT: Final = ("snare", "overheads")
"""Whoever plays the kick plays these too."""
# how each of them plays: drive, seconds of tail and spread of a guitar rig; how large a singer's voice is
_GUITARS: Final = {
    "Ines": (4.0, 0.30, 0.36), "Tomke": (7.5, 0.45, 0.48), "Ruben": (5.5, 0.35, 0.42), "Odile": (2.5, 0.60, 0.55),
}  # fmt: skip
_VOICES: Final = {"Marit": 1.12, "Jonas": 0.98}
EARLIER_LENGTH_S: Final = 30.0
NEWEST_LENGTH_S: Final = 64.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowPlan:
    """One show to be made."""

    name: str
    date: str
    seed: int
    length_s: float
    problems: bool


def season_plan(seed: int) -> list[ShowPlan]:
    """Four earlier shows without problems and this week's with several."""
    dates = ("2026-02-01", "2026-02-08", "2026-02-15", "2026-02-22")
    plans = [
        ShowPlan(name=f"show-{date}", date=date, seed=1000 * seed + week, length_s=EARLIER_LENGTH_S, problems=False)
        for week, date in enumerate(dates)
    ]
    newest = "2026-03-01"
    return [
        *plans,
        ShowPlan(name=f"show-{newest}", date=newest, seed=1000 * seed + 99, length_s=NEWEST_LENGTH_S, problems=True),
    ]


def house_text() -> str:
    """The house file of the invented venue."""
    lines = [
        "# Tern Street Hall. Invented: the venue, its people, its bands and their sound do not exist.",
        "",
        "[house]",
        'name = "Tern Street Hall"',
        'nominal = "-18 dBFS"            # where a source should sit while it plays, unless it says otherwise below',
        'mains = "50 Hz"',
        'tap = "preamp"',
        "",
        "[desk]",
        'gain_step = "0.5 dB"',
        'trim_step = "0.1 dB"',
        'monitors = "after-gain"',
        "",
        "[room]",
        'level = "88 dBA"',
        'mix_loudness = "-23 LUFS"',
    ]
    for name, role, tracks, channel, patch, nominal in _SOURCES:
        quoted = ", ".join(f'"{track}"' for track in tracks)
        lines += ["", "[[source]]", f'name = "{name}"', f'role = "{role}"', f"tracks = [{quoted}]"]
        lines += [f'channel = "{channel}"', f'patch = "{patch}"']
        if nominal is not None:
            lines.append(f'nominal = "{nominal} dBFS"')
        if name in _FADERS_DB:
            lines.append(f'fader = "{_FADERS_DB[name]} dB"')
        for block, *settings in _CHAINS.get(name, ()):
            lines += ["[[source.chain]]", f'block = "{block}"', *settings]
    lines += ["", "[vocal]", 'source = "lead voice"', 'clearance = "35 %"           # what the good weeks here have']
    return "\n".join(lines) + "\n"


def _level_dbfs(part: Part, sound: NDArray[np.float64]) -> float:
    """Median level of the 300 ms windows in which the part is known to play: by the score, not by measuring."""
    span = round(0.3 * RATE_HZ)
    starts: list[int] = [round((at - 0.05) * RATE_HZ) for at in part.hits_s]
    if not part.hits_s:
        for begin, end in part.spans_s:
            starts += [round(at * RATE_HZ) for at in np.arange(begin, max(begin, end - 0.3) + 1e-6, 0.1)]
    powers = [
        float(np.mean(sound[:, max(0, start) : max(0, start) + span] ** 2))
        for start in starts
        if max(0, start) + span <= sound.shape[1]
    ]
    return float(10 * np.log10(np.median(powers)) + 3.0103)


def _bleed(sound: NDArray[np.float64], level_db: float, delay_s: float, top_hz: float) -> NDArray[np.float64]:
    """What a far microphone hears of a source."""
    far = ss.sosfilt(ss.butter(1, top_hz, "lowpass", fs=RATE_HZ, output="sos"), sound)
    far = np.concatenate([np.zeros(round(delay_s * RATE_HZ)), far])[: sound.size]
    return np.asarray(far * 10.0 ** (level_db / 20.0))


def pick_players(rng: np.random.Generator) -> dict[str, str]:
    """Who plays this week; nobody plays two guitars at once."""
    players = {source: names[int(rng.integers(len(names)))] for source, names in _PLAYERS.items()}
    while players["guitar b"] == players["guitar a"]:
        players["guitar b"] = _PLAYERS["guitar b"][int(rng.integers(len(_PLAYERS["guitar b"])))]
    return players | dict.fromkeys(_KIT, players["kick"])


def _rig(rng: np.random.Generator, player: str, softer: float) -> dict[str, float]:
    """A guitar player's sound, a little different every week."""
    drive, tail_s, spread = _GUITARS[player]
    return {
        "drive": softer * drive * float(rng.uniform(0.85, 1.18)),
        "tail_s": tail_s * float(rng.uniform(0.88, 1.14)),
        "spread": spread * float(rng.uniform(0.93, 1.08)),
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
    return band, parts, cymbals


def _tracks(
    rng: np.random.Generator, length_s: float, players: dict[str, str] | None = None
) -> dict[str, NDArray[np.float64]]:
    """All tracks of a show at their levels, with bleed and noise."""
    band, parts, cymbals = _parts(rng, length_s, players or pick_players(rng))
    nominal = {name: -18.0 if level is None else float(level) for name, _, _, _, _, level in _SOURCES}
    set_: dict[str, NDArray[np.float64]] = {}
    for name, part in parts.items():
        goal = nominal[name] + float(rng.uniform(-0.8, 0.8))
        set_[name] = part.sound * 10.0 ** ((goal - _level_dbfs(part, part.sound)) / 20.0)
    frames = band.frames
    kick, snare = set_["kick"][0], set_["snare"][0]
    drums = np.array(
        [
            0.5 * _bleed(kick, 0, 0.003, 3000) + 0.8 * _bleed(snare, 0, 0.0028, 9000),
            0.5 * _bleed(kick, 0, 0.0031, 3000) + 0.7 * _bleed(snare, 0, 0.0032, 9000),
        ]
    )
    hat = cymbals * (10.0 ** (-24 / 20) / np.abs(cymbals).max())
    overheads = drums * 0.35 + hat * 2.2
    overheads_part = Part(sound=overheads, spans_s=[(band.song.start_s, band.song.end_s)])
    goal = nominal["overheads"] + float(rng.uniform(-0.5, 0.5))
    overheads *= 10.0 ** ((goal - _level_dbfs(overheads_part, overheads)) / 20.0)
    band_sound = kick + snare + set_["guitar a"].mean(axis=0) + set_["bass"][0]
    # microphones hear their neighbours: a drum kit is loud everywhere
    bleed_into = (("snare", kick, -26), ("kick", snare, -28), ("lead voice", band_sound, -32), ("voice 2", band_sound, -31),
                  ("voice 3", band_sound, -30), ("lectern", band_sound, -36), ("handheld", band_sound, -36))  # fmt: skip
    for name, other, level in bleed_into:
        set_[name] = set_[name] + _bleed(other, level, 0.008, 6000)
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
    out: dict[str, NDArray[np.float64]] = {}
    hiss = 0.6 * sounds.pink(rng, frames) + 0.6 * rng.standard_normal(frames)
    for name, role, tracks, *_ in _SOURCES:
        floor_db = {"audience": -74, "overheads": -82, "click": -105, "playback": -100}.get(role, -88)
        for row, track in enumerate(tracks):
            # far apart in the same noise is as good as another noise
            noise = np.roll(hiss, int(rng.integers(frames)))
            out[track] = set_[name][row] + noise * 10.0 ** (floor_db / 20.0)
    return out


def _plant(tracks: dict[str, NDArray[np.float64]], rng: np.random.Generator, length_s: float) -> list[Planted]:
    """This week's problems: what really happens on such evenings."""
    song_s = 14.0
    late_s = length_s - 24.0
    planted = []
    faults.gain(tracks, ["lead vox"], 21.0)
    planted.append(Planted(source="lead voice", kind="clipped", what="preamp 21 dB too high: cut flat at full scale"))
    planted.append(Planted(source="lead voice", kind="level-high", what="the same"))
    faults.invert(tracks, "gtr b r")
    planted.append(Planted(source="guitar b", kind="polarity", what="right side upside down"))
    faults.hum(tracks, "bass", -56.0)
    planted.append(Planted(source="bass", kind="hum", what="50 Hz and harmonics at -56 dBFS"))
    faults.gain(tracks, ["bv 2"], -9.0)
    planted.append(Planted(source="voice 3", kind="level-low", what="9 dB too low"))
    faults.dies(tracks, "pno r", late_s, rng)
    planted.append(Planted(source="piano", kind="one-sided", at_s=(late_s,), what="right side dies"))
    hits = (8.6, 9.8, 11.1)
    faults.wireless_hits(tracks, "spk hand", hits, rng)
    planted.append(Planted(source="handheld", kind="wireless-hit", at_s=hits, what="bursts of noise of 60 ms"))
    moments = (song_s + 6.3, song_s + 21.7)
    faults.dropouts(tracks, "agtr", moments)
    planted.append(Planted(source="acoustic", kind="dropout", at_s=moments, what="20 ms lost"))
    faults.leak(tracks, "click", "bv 1", -12.0)
    planted.append(Planted(source="voice 2", kind="in-the-mix", what="click from headphones"))
    del tracks["aud r"]
    planted.append(Planted(source="audience", kind="missing", what="right track not recorded"))
    return planted


def _write(folder: Path, tracks: dict[str, NDArray[np.float64]]) -> None:
    import soundfile

    order = [track for _, _, names, *_ in _SOURCES for track in names]

    def one(name: str) -> None:
        number = order.index(name) + 1
        soundfile.write(
            folder / f"{number:02d} {name}.wav", np.clip(tracks[name], -1.0, 1.0), RATE_HZ, subtype="PCM_24"
        )

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, tracks))


def make_show(folder: Path, plan: ShowPlan) -> list[Planted]:
    """Write one show as a folder of 24-bit files with `show.toml` and `truth.json`.

    Parameters
    ----------
    folder : Path
        Made anew; files of the same names are replaced.
    plan : ShowPlan
        What to make; the same plan gives the same bytes.

    Returns
    -------
    What was made wrong on purpose.
    """
    rng = np.random.default_rng(plan.seed)
    folder.mkdir(parents=True, exist_ok=True)
    players = pick_players(rng)
    tracks = _tracks(rng, plan.length_s, players)
    planted = _plant(tracks, rng, plan.length_s) if plan.problems else []
    _write(folder, tracks)
    lines = [
        "# Invented: nobody of these names played anything.",
        'name = "Sunday evening"',
        f"date = {plan.date}",
        'phase = "rehearsal"',
        "",
        "[players]",
        *(f'"{source}" = "{player}"' for source, player in players.items()),
    ]
    (folder / "show.toml").write_text("\n".join(lines) + "\n", "utf-8")
    truth = {"invented": True, "planted": [asdict(item) for item in planted]}
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", "utf-8")
    return planted


def make_season(folder: Path, *, seed: int = 1, progress: Callable[[float], None] | None = None) -> Path:
    """Write the house file and all shows; the folder of the newest show.

    Raises
    ------
    UsageError
        The folder cannot be made.
    """
    from deskhand.errors import UsageError

    plans = season_plan(seed)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "house.toml").write_text(house_text(), "utf-8")
        total = sum(plan.length_s for plan in plans)
        done = 0.0
        for plan in plans:
            make_show(folder / plan.name, plan)
            done += plan.length_s
            if progress is not None:
                progress(done / total)
    except OSError as error:
        raise UsageError(
            str(folder), f"cannot be written ({error.strerror})", "name another folder with --output"
        ) from error
    return folder / plans[-1].name
