"""A source's chain tried with other settings, on a stretch of it that is held in memory, and both to listen to."""

from __future__ import annotations

import atexit
import json
import secrets
import shutil
import tempfile
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
import scipy.fft

from deskhand.chain.run import WhatIf
from deskhand.desk import DeskState, desk_state
from deskhand.errors import UsageError
from deskhand.house import ROLES, made_blocks, match_tracks
from deskhand.leftovers import unfinished_prefix
from deskhand.measure.excerpt import LENGTH_S
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.mix.bus import listening_dba, source_matrix
from deskhand.mix.matched import matched_gains_db
from deskhand.recording import open_recording
from deskhand.recording.held import held_recording
from deskhand.recording.identity import take_digest
from deskhand.units import amplitude_from_db, db_from_amplitude, db_from_power
from deskhand.web.hall import digest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.chain.meter import Stage
    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.measure.readings import Readings, SourceReading
    from deskhand.mix.matched import RenderingLevels
    from deskhand.recording import Recording
    from deskhand.recording.show import Tap
    from deskhand.store import DeskChange

    Array = NDArray[np.float64]

OCTAVES_HZ: Final = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
"""Nominal centres of the octaves from 63 Hz to 8 kHz (IEC 61260-1)."""
_FFT: Final = 8192
"""Frames of a window: eight lines in the lowest octave at 48 kHz (arithmetic)."""
_HEARD_DB: Final = -50.0
"""Level against the loudest octave below which an octave is not heard in what a step does. Common practice, no source."""
_CEILING: Final = 0.989
"""Peak of a file to listen to, 0.1 dB below full scale; what it was turned down by is made up for where it is played. Common
practice, no source."""
_SHORT_S: Final = 2.0
"""Shortest stretch that is tried. Common practice, no source."""
_RUNS_HELD: Final = 8
"""Chains of a stretch that are held: about as many as a person goes back and forth between. Common practice, no source."""
_FILES_HELD: Final = 60
"""Sounds that are held: 20 s of two channels are below 6 MB (arithmetic). Common practice, no source."""


class Sounding(Protocol):
    """A sound to listen to, with its name and loudness."""

    @property
    def id(self) -> str:
        """Name of its file."""

    @property
    def audio(self) -> NDArray[np.float32]:
        """(2, frames): left and right."""

    @property
    def readings(self) -> RenderingLevels:
        """Loudness and true peak of the sound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Readings of the stretch after one block of the chain, and the change the block made."""

    stage: Stage
    octave_db: dict[int, float]
    """Change of each octave against the median of them; those that sound."""
    width_db: float | None
    """Change of the side level against the mid level, of a pair."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChainRun:
    """The stretch after a chain: readings, steps and sound."""

    id: str
    readings: Readings
    steps: tuple[Step, ...]
    runs: tuple[bool, ...]
    """True for each block that was run: all but those that the recording holds already."""
    audio: NDArray[np.float32]
    """(2, frames): left and right."""
    level_in_dbfs: float | None
    """Level in front of the chain."""


def octave_powers(signal: NDArray[np.floating], sample_rate_hz: int) -> Array:
    """(8,) mean power in the octaves from 63 Hz to 8 kHz of (channels, frames), from Hann windows without overlap."""
    frames = signal.shape[1] // _FFT * _FFT
    if not frames:
        return np.zeros(len(OCTAVES_HZ))
    pieces = np.asarray(signal[:, :frames], np.float32).reshape(-1, _FFT) * np.hanning(_FFT).astype(np.float32)
    spectrum = (np.abs(scipy.fft.rfft(pieces, axis=1)) ** 2).mean(axis=0, dtype=np.float64)
    hz = np.fft.rfftfreq(_FFT, 1.0 / sample_rate_hz)
    edges = np.sqrt(2.0)
    return np.array([spectrum[(hz >= centre / edges) & (hz < centre * edges)].sum() for centre in OCTAVES_HZ])


def octave_change_db(before: Array, after: Array) -> dict[int, float]:
    """Change of octaves against the median of them, in dB; those that sound in front of the block."""
    audible = before > before.max(initial=0.0) * 10.0 ** (_HEARD_DB / 10.0)
    if not audible.any() or not after[audible].any():
        return {}
    moved = np.asarray(db_from_power(np.maximum(after[audible], 1e-30) / before[audible]))
    moved -= np.median(moved)
    return {
        hz: round(float(change_db), 1)
        for hz, change_db in zip(np.array(OCTAVES_HZ)[audible].tolist(), moved, strict=True)
    }


def _width_db(signal: NDArray[np.floating]) -> float | None:
    if signal.shape[0] != 2:
        return None
    mid, side = signal[0] + signal[1], signal[0] - signal[1]
    powers = float(np.dot(mid, mid)), float(np.dot(side, side))
    return None if min(powers) <= 0.0 else float(db_from_power(powers[1] / powers[0]))


def to_left_and_right(signal: NDArray[np.floating]) -> NDArray[np.float32]:
    """(2, frames) of one or two channels, as the mix has them with the fader at 0 dB."""
    return np.asarray(source_matrix(signal.shape[0], 0.0) @ signal, np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HouseRecording:
    """An open recording with the house it is heard through."""

    recording: Recording
    house: HouseFile
    folder: Path
    desk: DeskState
    """Taps of the sources, and what was turned before them since it was recorded."""
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    """Number that no other has: sounds of two recordings are not taken for one another."""

    def source(self, name: str) -> Source:
        """Source of a name.

        Raises
        ------
        UsageError
            There is none.
        """
        source = next((source for source in self.house.source if source.name == name), None)
        if source is None:
            raise UsageError(f'"{name}"', "is no source of this house", "read the page again")
        return source

    def tracks(self) -> dict[str, tuple[int, ...]]:
        """Source name to its tracks, for those the recording has whole."""
        matched = match_tracks(self.house, [track.name for track in self.recording.tracks])
        return {
            source.name: tuple(track for track in matched.by_source[source.name] if track is not None)
            for source in self.house.source
            if source.used and None not in matched.by_source[source.name]
        }


def open_with_house(
    path: Path,
    house: HouseFile,
    folder: Path,
    *,
    tap: Tap,
    taps: Mapping[str, Tap],
    changes: Sequence[DeskChange] = (),
) -> HouseRecording:
    """Open a recording with its house, and with the moves of its show that were done or declined."""
    recording = open_recording(path)
    take = take_digest(recording) if changes else ""
    return HouseRecording(
        recording=recording,
        house=house,
        folder=folder,
        desk=desk_state(house, tap=tap, taps=taps, changes=changes, take=take),
    )


class Stretch:
    """Twenty seconds of one source, and what chains made of them.

    Parameters
    ----------
    opened : HouseRecording
    source : Source
    start_s : float
        Begin in the recording.

    Raises
    ------
    UsageError
        The source is not whole in the recording, or too short.
    """

    def __init__(self, opened: HouseRecording, source: Source, start_s: float) -> None:
        tracks = opened.tracks().get(source.name)
        if tracks is None:
            raise UsageError(f'"{source.name}"', "is not whole in this recording", "see which of its tracks is missing")
        self.source = source
        self.rate_hz = opened.recording.sample_rate_hz
        last_s = max(0.0, opened.recording.duration_s - LENGTH_S)
        self.start_s = min(max(0.0, start_s), last_s)
        self._opened = opened
        self.samples = opened.recording.excerpt(tracks, self.start_s, LENGTH_S)
        if self.samples.shape[1] < round(_SHORT_S * self.rate_hz):
            raise UsageError(f'"{source.name}"', "is shorter than 2 s here", "choose an earlier moment")
        self.before = self._read(self.samples, None)
        self.recorded = ChainRun(
            id=digest(f"recorded {opened.id} {source.name} {self.start_s}")[:16],
            readings=self.before.readings,
            steps=(),
            runs=(),
            audio=to_left_and_right(self.samples),
            level_in_dbfs=self.before.readings.level_dbfs,
        )
        self._what_if = WhatIf(self.samples, [], sample_rate_hz=self.rate_hz, folder=opened.folder, metered=True)
        self._lock = threading.Lock()
        self._runs: OrderedDict[str, ChainRun] = OrderedDict()

    def _read(self, samples: NDArray[np.float32], reading: SourceReading | None) -> SourceReading:
        held = held_recording(samples, [f"{channel}" for channel in range(samples.shape[0])], self.rate_hz)
        rows = tuple(range(samples.shape[0]))
        figures = measure_figures(held, len(rows), pairs=[(0, 1)] if len(rows) == 2 else [])
        return read_source(
            figures,
            rows,
            strikes=ROLES[self.source.role].strikes,
            parted=not ROLES[self.source.role].hears_kit,
            mains_hz=self._opened.house.house.mains_hz,
            by_cable=self.source.by_cable,
            level_dba=listening_dba(self._opened.house),
            playing=reading.activity if reading is not None else None,
        )

    def run(self, written: Sequence[dict[str, Any]]) -> ChainRun:
        """The stretch through a chain, as the house file has it.

        Raises
        ------
        HouseError
            The block, the key, the value, and what is allowed.
        """
        blocks = made_blocks(written)
        name = digest(json.dumps([self._opened.id, self.source.name, self.start_s, written], sort_keys=True))[:16]
        with self._lock:
            if name not in self._runs:
                self._runs[name] = self._run(name, blocks)
                while len(self._runs) > _RUNS_HELD:
                    self._runs.popitem(last=False)
            self._runs.move_to_end(name)
            return self._runs[name]

    def _run(self, name: str, blocks: list[ChainBlock]) -> ChainRun:
        turned = self._opened.desk.turned_since(self.source)
        to_run = self._opened.desk.blocks(self.source, blocks)
        with np.errstate(over="ignore", invalid="ignore"):
            processed = self._what_if.run(to_run)
        if not all(np.isfinite(self._what_if.after(index)).all() for index in range(len(to_run))):
            raise UsageError("the chain", "makes it louder than can be worked out", "turn its gains down")
        steps = []
        powers_in, width_in_db = octave_powers(self.samples, self.rate_hz), _width_db(self.samples)
        for index, stage in enumerate(self._what_if.stages(self.before.activity)):
            signal = self._what_if.after(index)
            powers, width_db = octave_powers(signal, self.rate_hz), _width_db(signal)
            if index >= len(turned):
                steps.append(
                    Step(
                        stage=stage,
                        octave_db=octave_change_db(powers_in, powers),
                        width_db=None if width_db is None or width_in_db is None else round(width_db - width_in_db, 1),
                    )
                )
            powers_in, width_in_db = powers, width_db
        return ChainRun(
            id=name,
            readings=self._read(processed, self.before).readings if to_run else self.before.readings,
            steps=tuple(steps),
            runs=tuple(any(running is block for running in to_run) for block in blocks),
            audio=to_left_and_right(processed),
            level_in_dbfs=self.before.readings.level_dbfs,
        )


class Sounds:
    """Audio that pages play, as files of a temporary folder: 24 bits, WAV where the name says so, FLAC otherwise."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix=unfinished_prefix(hidden=False)))
        atexit.register(self.close)
        self._files: OrderedDict[str, float] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, name: str, audio: NDArray[np.floating], sample_rate_hz: int, *, gain_db: float = 0.0) -> float:
        """Write (2, frames) where it is not there yet; by how much the file is below the sound, in dB."""
        import soundfile

        with self._lock:
            path = self._path(name)
            if name in self._files and path.is_file():
                self._files.move_to_end(name)
                return self._files[name]
            sound = np.asarray(audio, np.float64) * amplitude_from_db(gain_db)
            top = float(np.abs(sound).max(initial=0.0))
            down = min(1.0, _CEILING / top) if top > 0 else 1.0
            part = path.with_suffix(".part")
            file_format = path.suffix.removeprefix(".").upper()
            try:
                # what clears temporary folders may have taken this one away
                self._folder.mkdir(mode=0o700, exist_ok=True)
                soundfile.write(part, (down * sound).T, sample_rate_hz, format=file_format, subtype="PCM_24")
                part.replace(path)
            except (OSError, soundfile.SoundFileError) as error:
                part.unlink(missing_ok=True)
                raise UsageError(
                    "the sound", f"cannot be written to {self._folder} ({error})", "make room there"
                ) from error
            self._files[name] = float(-db_from_amplitude(down))
            while len(self._files) > _FILES_HELD:
                old, _ = self._files.popitem(last=False)
                self._path(old).unlink(missing_ok=True)
            return self._files[name]

    def path(self, name: str) -> Path | None:
        """The file of a sound; None when there is none."""
        with self._lock:
            path = self._path(name)
            return path if name in self._files and path.is_file() else None

    def _path(self, name: str) -> Path:
        return self._folder / (name if name.endswith(".wav") else f"{name}.flac")

    def close(self) -> None:
        """Take all files away."""
        shutil.rmtree(self._folder, ignore_errors=True)
        atexit.unregister(self.close)


def pair_of(sounds: Sounds, first: Sounding, second: Sounding, sample_rate_hz: int) -> dict[str, Any] | None:
    """Two sounds at one loudness, as the page plays them; None when one of them is silent.

    Loudness is measured over the stretch that is played (ITU-R BS.1770-5), and neither is turned up.
    """
    gains_db = matched_gains_db(first.readings, second.readings)
    if gains_db is None:
        return None
    sides = []
    for sounding, gain_db in zip((first, second), gains_db, strict=True):
        below_db = sounds.put(sounding.id, sounding.audio, sample_rate_hz)
        sides.append(
            {
                "url": f"/audio/{sounding.id}.flac",
                "gain_db": gain_db + below_db,
                "turned_db": gain_db,
                "loudness_lufs": sounding.readings.loudness_lufs,
            }
        )
    return {"first": sides[0], "second": sides[1], "sample_rate_hz": sample_rate_hz}
