"""Writes what the house's chains make of a recording: before, after, every stage, matched pairs, their difference, the mix."""

from __future__ import annotations

import os
import re
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand import __version__
from deskhand.chain.meter import Meters
from deskhand.chain.run import Chain, still_to_come
from deskhand.errors import UsageError
from deskhand.house import match_tracks, read_house
from deskhand.mix.bus import gains, strips
from deskhand.mix.matched import matched_gains_db
from deskhand.units import amplitude_from_db, db_from_amplitude, number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.recording import Recording
    from deskhand.recording.show import Tap

    Array = NDArray[np.float64]

RAW_FOLDER: Final = "raw"
"""Folder of what is written at its own level, so that nothing louder lies beside a matched pair."""
_BLOCK_S: Final = 1.0
_LARGEST_BYTES: Final = 3_900_000_000
_BAD: Final = re.compile(r'[\\/:*?"<>|\x00-\x1f]+')


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is to be written."""

    sources: tuple[str, ...] = ()
    """Names; all sources with a chain when empty."""
    stages: bool = False
    mix: bool = True
    float_files: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One file, as it was written."""

    path: Path
    gain_db: float
    """By which it was turned down; 0 as it is."""
    note: str = ""


class _Sound:
    """One thing to be written: gathered in a raw temporary file while it is measured."""

    def __init__(self, name: str, channels: int, rate_hz: int, folder: Path, stack: ExitStack) -> None:
        self.name = name
        self.channels = channels
        self.rate_hz = rate_hz
        self.frames = 0
        self._meters = Meters([name], [channels], [0], [False], rate_hz)
        self.meter = self._meters.stages[0]
        self._file = tempfile.TemporaryFile(dir=folder, prefix=".deskhand-")  # noqa: SIM115 - closed by the stack
        stack.enter_context(self._file)

    def take(self, signal: Array) -> None:
        """Go on with (channels, frames)."""
        self._meters.take([signal], [None])
        self.frames += signal.shape[1]
        self._file.write(np.ascontiguousarray(signal.T, np.float32).tobytes())

    def finish(self) -> None:
        """Nothing comes after."""
        self._meters.finish()

    @property
    def loudness_lufs(self) -> float:
        """Integrated; -inf for silence."""
        return self.meter.loudness_lufs()

    @property
    def true_peak_dbtp(self) -> float:
        """-inf for silence."""
        return float(db_from_amplitude(self.meter.true_peak()))

    def blocks(self) -> list[tuple[int, int]]:
        """(first, count) frames of each stretch."""
        step = round(_BLOCK_S * self.rate_hz)
        return [(first, min(step, self.frames - first)) for first in range(0, self.frames, step)]

    def read(self, first: int, count: int) -> NDArray[np.float32]:
        """(frames, channels) as gathered."""
        self._file.seek(4 * self.channels * first)
        data = self._file.read(4 * self.channels * count)
        return np.frombuffer(data, np.float32).reshape(-1, self.channels)


def file_name(source: str, what: str) -> str:
    """A file name any system takes."""
    stem = _BAD.sub("-", f"{source} {what}").strip(" .")
    return f"{stem}.wav"


def _write(
    path: Path,
    parts: Sequence[tuple[_Sound, float]],
    *,
    float_files: bool,
    comment: str,
) -> str:
    """Write the sum of sounds times gains; a file appears whole or not at all. What had to be done otherwise, in words."""
    import soundfile

    sound = parts[0][0]
    top = max((one.meter.true_peak() * abs(gain) for one, gain in parts), default=0.0)
    note = ""
    if len(parts) > 1:
        top = sum(one.meter.true_peak() * abs(gain) for one, gain in parts)
    as_float = float_files
    if not as_float and top >= 1.0 and _peak(parts) >= 1.0:
        as_float, note = True, "passes full scale: written as float"
    size = sound.frames * sound.channels * (4 if as_float else 3)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".deskhand-", suffix=".wav")
    os.close(handle)
    try:
        with soundfile.SoundFile(
            temporary,
            "w",
            samplerate=sound.rate_hz,
            channels=sound.channels,
            format="RF64" if size > _LARGEST_BYTES else "WAV",
            subtype="FLOAT" if as_float else "PCM_24",
        ) as out:
            out.title = path.stem
            out.software = f"deskhand {__version__}"
            out.comment = comment
            for first, count in sound.blocks():
                out.write(_sum(parts, first, count))
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return note


def _sum(parts: Sequence[tuple[_Sound, float]], first: int, count: int) -> NDArray[np.float64]:
    sound, gain = parts[0]
    total = gain * sound.read(first, count).astype(np.float64)
    for sound, gain in parts[1:]:
        total += gain * sound.read(first, count)
    return np.asarray(total)


def _peak(parts: Sequence[tuple[_Sound, float]]) -> float:
    sound = parts[0][0]
    return max(
        (float(np.abs(_sum(parts, first, count)).max(initial=0.0)) for first, count in sound.blocks()), default=0.0
    )


def render(
    path: Path,
    folder: Path,
    wanted: Wanted,
    *,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    tap: Tap | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[Written]:
    """Write the audio of a recording before and after the house's chains.

    Parameters
    ----------
    path : Path
        A folder of audio files or one polyphonic file.
    folder : Path
        Where to write what is matched in loudness; all else goes into `RAW_FOLDER` in it. Made when it is not there.
    wanted : Wanted
    house_path, start_s, end_s, tap
        As for `deskhand.check.check`.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    list of Written

    Raises
    ------
    RecordingError, HouseError, UsageError
        One line each: where, what, and what to do.
    """
    from deskhand.house import find_house
    from deskhand.recording import open_recording, read_show_note
    from deskhand.recording.names import key, nearest

    found = house_path if house_path is not None else find_house(path)
    if found is None:
        raise UsageError(str(path), "there is no house file beside it", "write one with: deskhand new RECORDING")
    house = read_house(found)
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    matched = match_tracks(house, [track.name for track in recording.tracks])
    for name in wanted.sources:
        if key(name) not in {key(source.name) for source in house.source}:
            near = nearest(name, [source.name for source in house.source], count=1)
            raise UsageError(
                f"--source {name!r}",
                "is no source of the house file",
                f'did you mean "{near[0]}"?' if near else "name one that is",
            )
    chosen = {key(name) for name in wanted.sources}
    note = read_show_note(path if path.is_dir() else path.parent)
    take = tap or note.tap or house.house.tap
    taps = {key(name): value for name, value in note.taps.items()}
    present = {
        source.name: tuple(track for track in matched.by_source[source.name] if track is not None)
        for source in house.source
        if source.used and None not in matched.by_source[source.name]
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(str(folder), f"cannot be made ({error.strerror})", "choose another place") from None
    try:
        with ExitStack() as stack:
            runs = [
                _Run(
                    source,
                    present[source.name],
                    still_to_come(source.chain, taps.get(key(source.name)) or source.tap or take),
                    recording,
                    folder,
                    found.parent,
                    stack,
                    heard=bool(key(source.name) in chosen if chosen else source.chain),
                    stages=wanted.stages,
                )
                for source in house.source
                if source.name in present
            ]
            mix = _MixDown(house, runs, recording, folder, stack) if wanted.mix and not chosen else None
            used = [run for run in runs if run.heard or (mix is not None and mix.uses(run))]
            _through(recording, used, mix, progress)
            return _deliver(used, mix, folder, wanted, recording)
    except OSError as error:
        raise UsageError(str(folder), f"cannot be written ({error.strerror})", "choose another place") from None


class _Run:
    """One source on its way through its chain."""

    def __init__(
        self,
        source: Source,
        tracks: tuple[int, ...],
        blocks: Sequence[ChainBlock],
        recording: Recording,
        folder: Path,
        house_folder: Path,
        stack: ExitStack,
        *,
        heard: bool,
        stages: bool,
    ) -> None:
        self.source = source
        self.tracks = tracks
        self.heard = heard
        rate = recording.sample_rate_hz
        self.chains: list[Chain] = []
        channels = len(tracks)
        # each stage in its own chain, so that it can be written; one chain otherwise
        groups = [[block] for block in blocks] if stages and heard else [list(blocks)] if blocks else []
        for group in groups:
            chain = Chain(group, channels=channels, sample_rate_hz=rate, folder=house_folder, source=source.name)
            self.chains.append(chain)
            channels = chain.channels
        self.channels = channels
        self.before = _Sound("before", len(tracks), rate, folder, stack) if heard else None
        self.stages = (
            [
                _Sound(f"{place} {group[0].block}", chain.channels, rate, folder, stack)
                for place, (group, chain) in enumerate(zip(groups, self.chains, strict=True), 1)
            ]
            if stages and heard
            else []
        )
        self.after = _Sound("after", channels, rate, folder, stack) if heard else None

    def process(self, signal: Array) -> Array:
        """(channels, frames) on; fewer frames come out at first."""
        if self.before is not None:
            self.before.take(signal)
        for place, chain in enumerate(self.chains):
            signal = chain.aligned(np.ascontiguousarray(signal))
            if self.stages:
                self.stages[place].take(signal)
        if self.after is not None:
            self.after.take(signal)
        return signal

    def rest(self) -> Array:
        """What the chains still hold."""
        out = np.empty((len(self.tracks), 0))
        for place, chain in enumerate(self.chains):
            parts = [chain.aligned(np.ascontiguousarray(out))]
            if chain.latency:
                parts.append(chain.rest(out.shape[0]))
            out = np.concatenate(parts, axis=1)
            if self.stages:
                self.stages[place].take(out)
        if self.after is not None and self.chains:
            self.after.take(out)
        for sound in (self.before, *self.stages, self.after):
            if sound is not None:
                sound.finish()
        return out


class _MixDown:
    """Adds up what comes out of the chains, each as soon as all have it."""

    def __init__(
        self, house: HouseFile, runs: Sequence[_Run], recording: Recording, folder: Path, stack: ExitStack
    ) -> None:
        rows, at = {}, 0
        for run in runs:
            rows[run.source.name] = tuple(range(at, at + run.channels))
            at += run.channels
        found = strips(house, rows)
        self._names = {strip.source for strip in found}
        matrix = gains(found, at).astype(np.float64)
        self._gains = {name: matrix[:, list(places)] for name, places in rows.items()}
        self._held: dict[str, Array] = {name: np.empty((2, 0)) for name in self._names}
        self.stereo = _Sound("mix", 2, recording.sample_rate_hz, folder, stack)
        self.mono = _Sound("mix mono", 1, recording.sample_rate_hz, folder, stack)

    def uses(self, run: _Run) -> bool:
        """Whether a source is in it."""
        return run.source.name in self._names

    def take(self, run: _Run, signal: Array) -> None:
        """Keep what came out of a source's chain."""
        if self.uses(run):
            name = run.source.name
            self._held[name] = np.concatenate([self._held[name], self._gains[name] @ signal], axis=1)

    def add(self) -> None:
        """Add up what all have."""
        if not self._held:
            return
        ready = min(part.shape[1] for part in self._held.values())
        total = np.zeros((2, ready))
        for name, part in self._held.items():
            total += part[:, :ready]
            self._held[name] = part[:, ready:]
        self.stereo.take(total)
        self.mono.take(total.mean(axis=0, keepdims=True))


def _through(
    recording: Recording, runs: Sequence[_Run], mix: _MixDown | None, progress: Callable[[float], None] | None
) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(2) as pool:
        done = 0
        for block in recording.blocks(round(_BLOCK_S * recording.sample_rate_hz), pool=pool):
            samples = block.samples
            outs = pool.map(lambda run: run.process(samples[list(run.tracks)].astype(np.float64)), runs)  # noqa: B023
            for run, out in zip(runs, outs, strict=True):
                if mix is not None:
                    mix.take(run, out)
            if mix is not None:
                mix.add()
            done += samples.shape[1]
            if progress is not None:
                progress(0.8 * done / recording.frames)
    for run in runs:
        out = run.rest()
        if mix is not None:
            mix.take(run, out)
    if mix is not None:
        mix.add()
        mix.stereo.finish()
        mix.mono.finish()


def _deliver(
    runs: Sequence[_Run], mix: _MixDown | None, folder: Path, wanted: Wanted, recording: Recording
) -> list[Written]:
    made: list[Written] = []

    taken: set[Path] = set()

    raw = folder / RAW_FOLDER

    def write(
        name: str, parts: Sequence[tuple[_Sound, float]], how: str, gain_db: float = 0.0, *, into: Path = folder
    ) -> None:
        # names that differ only in what a file name cannot hold
        stem, count = name.removesuffix(".wav"), 1
        while (into / name.casefold()) in taken:
            count += 1
            name = f"{stem} ({count}).wav"
        taken.add(into / name.casefold())
        path = into / name
        into.mkdir(exist_ok=True)
        note = _write(path, parts, float_files=wanted.float_files, comment=how)
        made.append(Written(path=path, gain_db=gain_db, note=note))

    show = recording.path.name
    for run in runs:
        before, after = run.before, run.after
        if before is None or after is None:
            continue
        name = run.source.name
        blocks = ", ".join(block.block for block in run.source.chain) or "no chain"
        write(file_name(name, "before"), [(before, 1.0)], f"{name} of {show} as recorded", into=raw)
        for stage in run.stages:
            write(file_name(name, stage.name), [(stage, 1.0)], f"{name} of {show} behind {stage.name[2:]}", into=raw)
        write(file_name(name, "after"), [(after, 1.0)], f"{name} of {show} behind its chain: {blocks}", into=raw)
        gains_db = matched_gains_db(before, after)
        if gains_db is None:
            continue
        for sound, gain_db, what in zip((before, after), gains_db, ("before", "after"), strict=True):
            gain = amplitude_from_db(gain_db)
            how = f"{name} of {show}, {what} its chain, {number(gain_db, 2)} dB: both sides at one loudness (ITU-R BS.1770-5)"
            write(file_name(name, f"{what} matched"), [(sound, gain)], how, gain_db)
        if before.channels == after.channels:
            low, high = (amplitude_from_db(gain_db) for gain_db in gains_db)
            how = f"{name} of {show}: after minus before, at one loudness"
            write(file_name(name, "difference"), [(after, high), (before, -low)], how)
    if mix is not None and mix.stereo.frames and any(mix.uses(run) for run in runs):
        how = f"{show}: the mix of the faders in the house file, behind the chains"
        write("mix.wav", [(mix.stereo, 1.0)], how, into=raw)
        write("mix mono.wav", [(mix.mono, 1.0)], f"{show}: left and right of the mix, half of each", into=raw)
    return made
