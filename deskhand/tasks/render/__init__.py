"""Renders what the house's chains make of a recording: before, after, every stage, matched pairs, their difference, the mix."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.run import still_to_come
from deskhand.errors import UsageError
from deskhand.house import find_house, match_tracks, read_house, settings_file, week_note
from deskhand.recording import open_recording, show_note_of
from deskhand.recording.names import key, nearest
from deskhand.tasks.check import name_of
from deskhand.tasks.render.deliver import RAW_FOLDER, RenderedFile, deliver
from deskhand.tasks.render.files import BLOCK_S, file_name
from deskhand.tasks.render.runs import MixDown, SourceRun

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from deskhand.house import HouseFile
    from deskhand.recording import Recording
    from deskhand.recording.show import Tap

__all__ = ["RAW_FOLDER", "RenderOptions", "RenderedFile", "file_name", "house_file_of", "render"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderOptions:
    """Choice of what is to be written."""

    sources: tuple[str, ...] = ()
    """Names; all sources with a chain when empty."""
    stages: bool = False
    mix: bool = True
    float_files: bool = False


def house_file_of(path: Path, given: Path | None) -> tuple[Path, str]:
    """House file that a recording is rendered with, as a check reads it, and a note for people where it is this week's.

    Parameters
    ----------
    path : Path
        The recording.
    given : Path or None
        The house file, where one is named.

    Raises
    ------
    UsageError
        There is none.
    HouseError
        The note beside the recording cannot be read.
    """
    if given is not None:
        return given, ""
    standing = find_house(path)
    if standing is None:
        raise UsageError(str(path), "there is no house file beside it", "write one with: deskhand new RECORDING")
    note = show_note_of(path)
    house_file = settings_file(standing, date=note.date, name=note.name or name_of(path))
    return house_file, week_note(house_file, standing)


def render(
    path: Path,
    folder: Path,
    options: RenderOptions,
    *,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    tap: Tap | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[RenderedFile]:
    """Write the audio of a recording before and after the house's chains.

    Parameters
    ----------
    path : Path
        A folder of audio files or one polyphonic file.
    folder : Path
        Folder for what is matched in loudness; all else goes into `RAW_FOLDER` in it. Made when it is not there.
    options : RenderOptions
    house_path, start_s, end_s, tap
        As for `deskhand.tasks.check.check`.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    list of RenderedFile

    Raises
    ------
    RecordingError, HouseError, UsageError
        One line each: where, what, and what to do.
    """
    house_file, _ = house_file_of(path, house_path)
    house = read_house(house_file)
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    _require_sources(house, options.sources)
    note = show_note_of(path)
    noted = {key(name): value for name, value in note.taps.items()}
    show_tap = tap or note.tap or house.house.tap
    taps = {source.name: noted.get(key(source.name)) or source.tap or show_tap for source in house.source}
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(str(folder), f"cannot be made ({error.strerror})", "choose another place") from None
    try:
        with ExitStack() as stack:
            runs = _runs(house, recording, options, taps, (folder, house_file.parent), stack)
            wants_mix = options.mix and not options.sources
            mix = MixDown(house, runs, recording, folder, stack) if wants_mix else None
            used = [run for run in runs if run.heard or (mix is not None and mix.uses(run))]
            _run_through(recording, used, mix, progress)
            return deliver(used, mix, folder, recording, float_files=options.float_files)
    except OSError as error:
        raise UsageError(str(folder), f"cannot be written ({error.strerror})", "choose another place") from None


def _runs(
    house: HouseFile,
    recording: Recording,
    options: RenderOptions,
    taps: dict[str, Tap],
    folders: tuple[Path, Path],
    stack: ExitStack,
) -> list[SourceRun]:
    """Sources whose tracks are all there, ready to run; files go into the first folder, the house file's is the second."""
    matched = match_tracks(house, [track.name for track in recording.tracks])
    present = {
        source.name: tuple(track for track in matched.by_source[source.name] if track is not None)
        for source in house.source
        if source.used and None not in matched.by_source[source.name]
    }
    chosen = {key(name) for name in options.sources}
    return [
        SourceRun(
            source,
            present[source.name],
            still_to_come(source.chain, taps[source.name]),
            recording,
            folders[0],
            folders[1],
            stack,
            heard=bool(key(source.name) in chosen if chosen else source.chain),
            stages=options.stages,
        )
        for source in house.source
        if source.name in present
    ]


def _require_sources(house: HouseFile, names: Sequence[str]) -> None:
    """Refuse names that are no source of the house."""
    for name in names:
        if key(name) not in {key(source.name) for source in house.source}:
            near = nearest(name, [source.name for source in house.source], count=1)
            raise UsageError(
                f"--source {name!r}",
                "is no source of the house file",
                f'did you mean "{near[0]}"?' if near else "name one that is",
            )


def _run_through(
    recording: Recording, runs: Sequence[SourceRun], mix: MixDown | None, progress: Callable[[float], None] | None
) -> None:
    """Run the recording through the chains and into the mix, a second at a time."""
    with ThreadPoolExecutor(2) as pool:
        done = 0
        for block in recording.blocks(round(BLOCK_S * recording.sample_rate_hz), pool=pool):
            samples = block.samples
            outputs = pool.map(lambda run: run.process(samples[list(run.tracks)].astype(np.float64)), runs)  # noqa: B023
            for run, output in zip(runs, outputs, strict=True):
                if mix is not None:
                    mix.take(run, output)
            if mix is not None:
                mix.add()
            done += samples.shape[1]
            if progress is not None:
                progress(0.8 * done / recording.frames)
    for run in runs:
        remainder = run.rest()
        if mix is not None:
            mix.take(run, remainder)
    if mix is not None:
        mix.add()
        mix.stereo.finish()
        mix.mono.finish()
