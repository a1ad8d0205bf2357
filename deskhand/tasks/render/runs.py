"""Sources on their way through their chains, and the mix of what comes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.run import Chain
from deskhand.mix.bus import gains, strips
from deskhand.tasks.render.files import GatheredSound

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import ExitStack
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.recording import Recording

    Array = NDArray[np.float64]


class SourceRun:
    """Source on its way through its chain."""

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
        self.before = GatheredSound("before", len(tracks), rate, folder, stack) if heard else None
        self.stages = (
            [
                GatheredSound(f"{number} {group[0].block}", chain.channels, rate, folder, stack)
                for number, (group, chain) in enumerate(zip(groups, self.chains, strict=True), 1)
            ]
            if stages and heard
            else []
        )
        self.after = GatheredSound("after", channels, rate, folder, stack) if heard else None

    def process(self, signal: Array) -> Array:
        """Run (channels, frames) through the chains; fewer frames come out at first."""
        if self.before is not None:
            self.before.take(signal)
        for number, chain in enumerate(self.chains):
            signal = chain.aligned(np.ascontiguousarray(signal))
            if self.stages:
                self.stages[number].take(signal)
        if self.after is not None:
            self.after.take(signal)
        return signal

    def rest(self) -> Array:
        """Frames that the chains still hold."""
        signal = np.empty((len(self.tracks), 0))
        for number, chain in enumerate(self.chains):
            parts = [chain.aligned(np.ascontiguousarray(signal))]
            if chain.latency:
                parts.append(chain.rest(signal.shape[0]))
            signal = np.concatenate(parts, axis=1)
            if self.stages:
                self.stages[number].take(signal)
        if self.after is not None and self.chains:
            self.after.take(signal)
        for sound in (self.before, *self.stages, self.after):
            if sound is not None:
                sound.finish()
        return signal


class MixDown:
    """Mix that adds up what comes out of the chains, each as soon as all have it."""

    def __init__(
        self, house: HouseFile, runs: Sequence[SourceRun], recording: Recording, folder: Path, stack: ExitStack
    ) -> None:
        rows, count = {}, 0
        for run in runs:
            rows[run.source.name] = tuple(range(count, count + run.channels))
            count += run.channels
        mix_strips = strips(house, rows)
        self._names = {strip.source for strip in mix_strips}
        matrix = gains(mix_strips, count).astype(np.float64)
        self._gains = {name: matrix[:, list(columns)] for name, columns in rows.items()}
        self._held: dict[str, Array] = {name: np.empty((2, 0)) for name in self._names}
        self.stereo = GatheredSound("mix", 2, recording.sample_rate_hz, folder, stack)
        self.mono = GatheredSound("mix mono", 1, recording.sample_rate_hz, folder, stack)

    def uses(self, run: SourceRun) -> bool:
        """True where a source is in it."""
        return run.source.name in self._names

    def take(self, run: SourceRun, signal: Array) -> None:
        """Hold what came out of a source's chain."""
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
