"""A minute of a small band, put together from the real audio by ffmpeg: the clean take that faults go into.

Four files: `guitar.wav` and `song.wav` (stereo, one minute of one of the songs), `voice.wav` (the two singers
in turn, three times, faded over), `click.wav` (a click track). The click track is the only synthetic one:
ffmpeg's own tone bursts, 120 a minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from tests.support import material

from .command import Source

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

RATE_HZ: Final = 44100
LENGTH_S: Final = 60.0
START_S: Final = {
    "War of freedom": 20.0,
    "Feelings": 20.0,
    "Metal madness": 60.0,
    "Escape from chaosland": 20.0,
}
"""Where the minute starts. Metal's holds two full stops (3.2 s and 9.2 s), the others play through."""
VOICE_GAIN_DB: Final = {"vocadito_10": -6.0, "vocadito_14": 1.0}
"""Brings the two singers to about the same level, -20 dBFS while they sing; peaks at -6.7 and -4.9 dBFS."""
CLICK: Final = "aevalsrc='0.5*sin(2*PI*if(lt(mod(t,2),0.5),1500,1000)*mod(t,0.5))*exp(-200*mod(t,0.5))'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One source of the take: its file's name, its role, mono or stereo."""

    stem: str
    role: str
    stereo: bool

    def tracks(self) -> tuple[str, ...]:
        """List its tracks as the recording names them."""
        return (f"{self.stem} L", f"{self.stem} R") if self.stereo else (self.stem,)


PARTS: Final = {
    part.stem: part
    for part in (
        Part(stem="guitar", role="guitar", stereo=True),
        Part(stem="song", role="playback", stereo=True),
        Part(stem="voice", role="lead vocal", stereo=False),
        Part(stem="click", role="click", stereo=False),
    )
}


def clean(title: str) -> Path:
    """Folder of the clean minute with this song, from the cache."""
    pinned = (material.ARCHIVES["songs"].sha256, material.ARCHIVES["voices"].sha256, material.SONG_GAIN_DB)
    recipe = (START_S[title], LENGTH_S, sorted(VOICE_GAIN_DB.items()), CLICK, *pinned)

    def make(folder: Path) -> None:
        folder.mkdir()
        for stem in ("guitar", "song"):
            cut = f"atrim=start={START_S[title]}:duration={LENGTH_S},asetpts=PTS-STARTPTS"
            whole = material.guitar_song(title) / f"{stem}.wav"
            material.decode(whole, folder / f"{stem}.wav", audio_filter=cut)
        _voice(folder / "voice.wav")
        material.run_tool(
            *("ffmpeg", "-v", "error", "-nostdin", "-f", "lavfi", "-i", f"{CLICK}:s={RATE_HZ}:d={LENGTH_S}"),
            *("-c:a", "pcm_s24le", folder / "click.wav"),
        )

    return material.made(material.recipe_dir("take", *recipe) / title, make)


def _voice(target: Path) -> None:
    inputs: list[str | Path] = []
    for name in material.VOICES * 3:
        inputs += ["-i", material.voice(name) / "voice.wav"]
    graph = [
        f"[{number}:a]volume={VOICE_GAIN_DB[name]}dB:precision=double[v{number}]"
        for number, name in enumerate(material.VOICES * 3)
    ]
    # both recordings begin and end in the middle of sounds: half a second of cross-fade leaves no edge
    last = "v0"
    for number in range(1, len(material.VOICES) * 3):
        graph.append(f"[{last}][v{number}]acrossfade=duration=0.5[x{number}]")
        last = f"x{number}"
    graph.append(f"[{last}]atrim=duration={LENGTH_S}[out]")
    material.run_tool(
        *("ffmpeg", "-v", "error", "-nostdin", *inputs, "-filter_complex", ";".join(graph), "-map", "[out]"),
        *("-map_metadata", "-1", "-c:a", "pcm_s24le", target),
    )


def read(path: Path) -> NDArray[np.float64]:
    """Read a file as (channels, frames), full scale 1.0, for an independent look with numpy."""
    samples, _ = soundfile.read(path, always_2d=True)
    return np.ascontiguousarray(samples.T)


def correlation(pair: NDArray[np.float64]) -> float:
    """Give the correlation of the two sides over all of it."""
    left, right = pair - pair.mean(axis=1, keepdims=True)
    return float(left @ right / np.sqrt((left @ left) * (right @ right)))


def independent_level_dbfs(signal: NDArray[np.float64], *, gate_db: float = 25.0) -> float:
    """Give the median level (AES17) of 300 ms windows that are less than a gate below the loudest (95th percentile).

    A pair's is the power mean of its sides. A plain witness: any gate from 15 to 25 dB leaves out silence and takes in
    playing (common practice, no source); where the two disagree, the level is not better known than that.
    """
    window = round(0.3 * RATE_HZ)
    count = signal.shape[-1] // window
    power = np.mean(signal[:, : count * window].reshape(signal.shape[0], count, window) ** 2, axis=(0, 2))
    level_dbfs = 10 * np.log10(np.maximum(power, 1e-20)) + 20 * np.log10(np.sqrt(2))
    return float(np.median(level_dbfs[level_dbfs > np.percentile(level_dbfs, 95) - gate_db]))


def independent_kit_level_dbfs(signal: NDArray[np.float64], *, gate_db: float = 25.0) -> float:
    """Give the level (AES17) above which half of the energy of the playing lies, by definition and by hand.

    Of 300 ms windows that are less than a gate below the loudest (95th percentile); the loudest tenth counts as its softest.
    What hears a whole kit is as loud as its loud moments (common practice, no source).
    """
    window = round(0.3 * RATE_HZ)
    count = signal.shape[-1] // window
    power = np.mean(signal[:, : count * window].reshape(signal.shape[0], count, window) ** 2, axis=(0, 2))
    playing = np.sort(power[power > np.percentile(power, 95) * 10 ** (-gate_db / 10)])
    energy = np.minimum(playing, np.percentile(playing, 90))
    half = int(np.searchsorted(np.cumsum(energy), 0.5 * energy.sum()))
    return float(10 * np.log10(playing[half]) + 20 * np.log10(np.sqrt(2)))


def stands_out(signal: NDArray[np.float64], time_s: float) -> float:
    """Give how far one instant lies from what the sound around it predicts, as a ratio to the usual error.

    Linear prediction of order 16, fitted to 400 samples on either side without the 40 nearest; the larger side of a
    pair. In 30 s of picking, Escape's and Feelings' guitars stay below 9; a digital click does not.
    """
    order, reach, near = 16, 400, 40
    middle = round(time_s * RATE_HZ)
    ratios = []
    for side in signal:
        part = side[middle - reach : middle + reach]
        past = np.lib.stride_tricks.sliding_window_view(part, order)[:-1]
        now = part[order:]
        away = np.abs(np.arange(order, part.size) - reach) > near
        weights = np.linalg.lstsq(past[away], now[away], rcond=None)[0]
        error = now - past @ weights
        ratios.append(np.abs(error[~away]).max() / np.sqrt(np.mean(error[away] ** 2)))
    return float(max(ratios))


def sources(folder: Path, parts: Iterable[Part]) -> list[Source]:
    """Describe the parts for a house where each source's nominal is what an independent look finds here."""
    return [
        Source(
            name=part.stem,
            role=part.role,
            tracks=part.tracks(),
            nominal_dbfs=round(independent_level_dbfs(read(folder / f"{part.stem}.wav")), 1),
        )
        for part in parts
    ]
