"""The audio interface: which inputs there are, and a process of its own that copies what comes from them.

PortAudio is touched in that process only. A driver that hangs or aborts when its device is pulled then takes nothing along: the
process is ended, and another one waits for the device to come back.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import time
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.errors import LiveError, UsageError
from deskhand.live.ring import BEATS, COUNTERS, OVERFLOWS, Ring

if TYPE_CHECKING:
    from collections.abc import Sequence
    from multiprocessing.connection import Connection

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44100.0, 96000.0
MOST_CHANNELS: Final = 64
_SILENT_S: Final = 1.5
"""Frames that fail to come for so long: the device is gone."""
_OPENING_S: Final = 20.0
_AGAIN_S: Final = 2.0
_BLOCK_S: Final = 0.02
_INSTALL: Final = "install PortAudio (Debian: libportaudio2), or check a recording with: deskhand check RECORDING"


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One input of the computer."""

    number: int
    name: str
    """With its host's name."""
    channels: int
    sample_rate_hz: float
    """As it runs now, or by default."""


def _devices() -> list[Device]:
    import sounddevice as sd

    hosts = sd.query_hostapis()
    return [
        Device(
            number=at,
            name=f"{one['name']}, {hosts[one['hostapi']]['name']}",
            channels=int(one["max_input_channels"]),
            sample_rate_hz=float(one["default_samplerate"]),
        )
        for at, one in enumerate(sd.query_devices())
        if one["max_input_channels"] > 0
    ]


def _tell_devices(said: Connection) -> None:
    try:
        said.send(_devices())
    except Exception as error:  # noqa: BLE001 - whatever a driver says is told in one line by whoever started us
        said.send(str(error))
    said.close()
    # a driver that aborts when it is let go of is not given the occasion
    os._exit(0)


def list_devices() -> list[Device]:
    """All inputs of the computer.

    Raises
    ------
    LiveError
        There is no PortAudio, or it fails.
    """
    context = multiprocessing.get_context("spawn")
    told, said = context.Pipe(duplex=False)
    process = context.Process(target=_tell_devices, args=(said,), daemon=True)
    process.start()
    said.close()
    found: Any = None
    with contextlib.suppress(EOFError):
        found = told.recv() if told.poll(_OPENING_S) else None
    process.join(1.0)
    process.kill()
    if isinstance(found, list):
        return found
    raise LiveError("audio inputs", f"cannot be listed ({found or 'no answer'})", _INSTALL)


def choose(devices: Sequence[Device], wanted: str | None) -> Device:
    """The device that is meant: by number, by name or part of it; the one with most inputs without a word.

    Raises
    ------
    UsageError
        None is, or several are.
    """
    if not devices:
        raise UsageError("audio inputs", "there are none", "connect the desk's interface, then: deskhand live --list")
    if wanted is None:
        return max(devices, key=lambda one: one.channels)
    if wanted.isdecimal():
        found = [one for one in devices if one.number == int(wanted)]
    else:
        found = [one for one in devices if one.name.casefold() == wanted.casefold()]
        found = found or [one for one in devices if wanted.casefold() in one.name.casefold()]
    if len(found) == 1:
        return found[0]
    names = ", ".join(f'{one.number} "{one.name}"' for one in found or devices)
    raise UsageError(
        f'--device "{wanted}"',
        "fits several inputs" if found else "is no input of this computer",
        f"{'say which' if found else 'there are'}: {names}",
    )


def _ring_in(memory: SharedMemory, channels: int, capacity: int) -> Ring:
    """The ring that lies in a shared memory."""
    counters = np.ndarray((COUNTERS,), np.int64, memory.buf)
    return Ring(np.ndarray((channels, capacity), np.float32, memory.buf, 8 * COUNTERS), counters)


def _capture(name: str, channels: int, memory: str, capacity: int, said: Connection, stop: Any) -> None:
    """Runs in the process of its own: copies until told to stop."""
    # an interrupt at the keyboard is for whoever started us
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    block = SharedMemory(name=memory)
    ring = _ring_in(block, channels, capacity)
    counters = ring.counters
    try:
        import sounddevice as sd

        device = next((one for one in _devices() if one.name == name), None)
        if device is None:
            said.send(("absent", ""))
            os._exit(0)
        if device.channels < channels:
            said.send(("changed", f"has {device.channels} inputs now, {channels} are used"))
            os._exit(0)

        def copy(samples: Any, _frames: int, _time: object, status: Any) -> None:
            ring.write(samples.T)
            counters[BEATS] += 1
            if status.input_overflow:
                counters[OVERFLOWS] += 1

        stream = sd.InputStream(
            device=device.number,
            channels=channels,
            samplerate=device.sample_rate_hz,
            blocksize=0,
            latency=_BLOCK_S * 5,
            dtype="float32",
            callback=copy,
        )
        stream.start()
        said.send(("open", float(stream.samplerate)))
        while not stop.wait(0.1):
            pass
    except Exception as error:  # noqa: BLE001 - the same
        with contextlib.suppress(OSError):
            said.send(("failed", " ".join(str(error).split())))
    # closing a stream whose driver has died can hang for ever, and ends in an abort elsewhere: the process just ends
    os._exit(0)


class Capture:
    """What comes from a device, into a ring that this process reads.

    Parameters
    ----------
    device : Device
    channels : int
        The first so many of its inputs.
    kept_s : float
        How much of the newest is kept.
    """

    def __init__(self, device: Device, channels: int, *, kept_s: float) -> None:
        rate = device.sample_rate_hz
        if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
            raise LiveError(device.name, f"runs at {rate:.0f} Hz", "set it to 44.1, 48, 88.2 or 96 kHz and start again")
        self.device = device
        self.channels = channels
        self.sample_rate_hz = round(rate)
        self._context = multiprocessing.get_context("spawn")
        capacity = round(kept_s * rate)
        self._memory = SharedMemory(create=True, size=8 * COUNTERS + 4 * channels * capacity)
        self.ring = _ring_in(self._memory, channels, capacity)
        self.ring.counters[:] = 0
        self.note = "opening"
        """What the device is doing: "opening", "running" or "gone"."""
        self.gone_s = 0.0
        """How long it was away, all in all."""
        self._last = (0, time.monotonic())
        self._left = 0.0
        self._start()

    def _start(self) -> None:
        self._told, said = self._context.Pipe(duplex=False)
        self._stop = self._context.Event()
        self._process = self._context.Process(
            target=_capture,
            args=(self.device.name, self.channels, self._memory.name, self.ring.capacity, said, self._stop),
            daemon=True,
        )
        self._process.start()
        said.close()
        self._began = time.monotonic()
        self._open = False

    @property
    def overflows(self) -> int:
        """How often the driver said that it lost frames."""
        return int(self.ring.counters[OVERFLOWS])

    def poll(self) -> str:
        """Look after the device: "opening", "running" or "gone".

        Raises
        ------
        LiveError
            It came back with another rate or fewer inputs, or cannot be opened at all.
        """
        now = time.monotonic()
        with contextlib.suppress(EOFError, OSError):
            while self._told.poll():
                word, value = self._told.recv()
                if word == "open":
                    if round(float(value)) != self.sample_rate_hz:
                        raise LiveError(
                            self.device.name,
                            f"runs at {float(value):.0f} Hz now, it began with {self.sample_rate_hz} Hz",
                            "start again, or set it back",
                        )
                    self._open = True
                    self._last = (self.ring.written, now)
                elif word == "changed":
                    raise LiveError(self.device.name, str(value), "start again, or set it back")
                elif word == "failed" and self.note == "opening":
                    raise LiveError(self.device.name, f"cannot be opened ({value})", _INSTALL)
        written = self.ring.written
        if written != self._last[0]:
            if self.note == "gone":
                self.gone_s += now - self._left
            self._last = (written, now)
            self.note = "running"
            return self.note
        waited = now - (self._last[1] if self._open else self._began)
        dead = not self._process.is_alive()
        if self.note == "opening":
            if dead or waited > _OPENING_S:
                raise LiveError(
                    self.device.name, "does not answer", "close other programs that use it, then start again"
                )
            return self.note
        if self.note == "running" and (dead or waited > _SILENT_S):
            self.note, self._left = "gone", self._last[1]
            self._end()
            self._began = now
        elif self.note == "gone" and now - self._began > _AGAIN_S + (
            _OPENING_S if not dead and not self._open else 0.0
        ):
            self._end()
            self._start()
        return self.note

    def _end(self) -> None:
        self._stop.set()
        self._process.join(0.3)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(1.0)

    def close(self) -> None:
        """End the process and give the memory back."""
        self._end()
        # numpy's views of it must go first
        self.ring = Ring.of(1, 1)
        with contextlib.suppress(BufferError, OSError):
            self._memory.close()
        with contextlib.suppress(OSError):
            self._memory.unlink()
