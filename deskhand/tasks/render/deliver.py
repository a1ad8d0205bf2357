"""Files of a render: each source raw and matched in loudness, the differences, and the mix."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.mix.matched import matched_gains_db
from deskhand.tasks.render.files import file_name, write_wave
from deskhand.units import amplitude_from_db, number

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.recording import Recording
    from deskhand.tasks.render.files import GatheredSound
    from deskhand.tasks.render.runs import MixDown, SourceRun

RAW_FOLDER: Final = "raw"
"""Folder of what is written at its own level, so that nothing louder lies beside a matched pair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedFile:
    """One file, as it was written."""

    path: Path
    gain_db: float
    """By which it was turned down; 0 as it is."""
    note: str = ""


class Delivery:
    """Folder that files are written into, each under a name of its own."""

    def __init__(self, folder: Path, *, float_files: bool) -> None:
        self.folder = folder
        self.float_files = float_files
        self.written: list[RenderedFile] = []
        self._used: set[Path] = set()

    def write(
        self,
        name: str,
        parts: Sequence[tuple[GatheredSound, float]],
        comment: str,
        gain_db: float = 0.0,
        *,
        raw: bool = False,
    ) -> None:
        """Write the sum of sounds times gains, into the raw folder where it is at its own level."""
        folder = self.folder / RAW_FOLDER if raw else self.folder
        # names that differ only in what a file name cannot hold
        stem, count = name.removesuffix(".wav"), 1
        while (folder / name.casefold()) in self._used:
            count += 1
            name = f"{stem} ({count}).wav"
        self._used.add(folder / name.casefold())
        path = folder / name
        folder.mkdir(exist_ok=True)
        note = write_wave(path, parts, float_files=self.float_files, comment=comment)
        self.written.append(RenderedFile(path=path, gain_db=gain_db, note=note))


def deliver(
    runs: Sequence[SourceRun], mix: MixDown | None, folder: Path, recording: Recording, *, float_files: bool
) -> list[RenderedFile]:
    """Write everything that was gathered.

    Parameters
    ----------
    runs : sequence of SourceRun
    mix : MixDown or None
    folder : Path
    recording : Recording
    float_files : bool
        32-bit float instead of 24-bit integer.
    """
    delivery = Delivery(folder, float_files=float_files)
    show = recording.path.name
    for run in runs:
        _deliver_source(delivery, run, show)
    if mix is not None and mix.stereo.frames and any(mix.uses(run) for run in runs):
        comment = f"{show}: the mix of the faders in the house file, after the chains"
        delivery.write("mix.wav", [(mix.stereo, 1.0)], comment, raw=True)
        delivery.write("mix mono.wav", [(mix.mono, 1.0)], f"{show}: left and right of the mix, half of each", raw=True)
    return delivery.written


def _deliver_source(delivery: Delivery, run: SourceRun, show: str) -> None:
    """Write a source before and after its chain, at its own level and matched, and the difference."""
    before, after = run.before, run.after
    if before is None or after is None:
        return
    name = run.source.name
    blocks = ", ".join(block.block for block in run.source.chain) or "no chain"
    delivery.write(file_name(name, "before"), [(before, 1.0)], f"{name} of {show} as recorded", raw=True)
    for stage in run.stages:
        comment = f"{name} of {show} after {stage.name[2:]}"
        delivery.write(file_name(name, stage.name), [(stage, 1.0)], comment, raw=True)
    delivery.write(file_name(name, "after"), [(after, 1.0)], f"{name} of {show} after its chain: {blocks}", raw=True)
    gains_db = matched_gains_db(before, after)
    if gains_db is None:
        return
    for sound, gain_db, side in zip((before, after), gains_db, ("before", "after"), strict=True):
        comment = (
            f"{name} of {show}, {side} its chain, {number(gain_db, 2)} dB: both sides at one loudness (ITU-R BS.1770-5)"
        )
        parts = [(sound, amplitude_from_db(gain_db))]
        delivery.write(file_name(name, f"{side} matched"), parts, comment, gain_db)
    if before.channels == after.channels:
        before_gain, after_gain = (amplitude_from_db(gain_db) for gain_db in gains_db)
        comment = f"{name} of {show}: after minus before, at one loudness"
        delivery.write(file_name(name, "difference"), [(after, after_gain), (before, -before_gain)], comment)
