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
"""Rates desks run at; a line check needs no more. Common practice, no source."""
MOST_CHANNELS: Final = 64
"""As many as the widest multichannel audio stream of a desk usually has. Common practice, no source."""
_SILENT_S: Final = 1.5
"""Frames that fail to come for so long: the device is gone. Common practice, no source."""
_OPENING_S: Final = 20.0
"""A driver may take so long to answer, a network sound card most. Common practice, no source."""
_AGAIN_S: Final = 2.0
"""Pause between two attempts to open a device that is gone. Common practice, no source."""
_LATENCY_S: Final = 0.1
"""CheckOptions of the driver: nobody listens to what is copied, so that safety counts and not delay. Common practice, no source."""
_INSTALL: Final = "install PortAudio (Debian: libportaudio2), or check a recording with: deskhand check RECORDING"


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """Audio input of the computer."""

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
            number=number,
            name=f"{entry['name']}, {hosts[entry['hostapi']]['name']}",
            channels=int(entry["max_input_channels"]),
            sample_rate_hz=float(entry["default_samplerate"]),
        )
        for number, entry in enumerate(sd.query_devices())
        if entry["max_input_channels"] > 0
    ]


def _send_devices(sender: Connection) -> None:
    try:
        sender.send(_devices())
    except Exception as error:  # noqa: BLE001 - whatever a driver says is told in one line by whoever started us
        sender.send(str(error))
    sender.close()
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
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=_send_devices, args=(sender,), daemon=True)
    process.start()
    sender.close()
    answer: Any = None
    with contextlib.suppress(EOFError):
        answer = receiver.recv() if receiver.poll(_OPENING_S) else None
    process.join(1.0)
    process.kill()
    if isinstance(answer, list):
        return answer
    raise LiveError("audio inputs", f"cannot be listed ({answer or 'no answer'})", _INSTALL)


def choose(devices: Sequence[Device], request: str | None) -> Device:
    """The device that is meant: by number, by name or part of it; the one with most inputs without a word.

    Raises
    ------
    UsageError
        None is, or several are.
    """
    if not devices:
        raise UsageError("audio inputs", "there are none", "connect the desk's interface, then: deskhand live --list")
    if request is None:
        return max(devices, key=lambda device: device.channels)
    if request.isdecimal():
        matches = [device for device in devices if device.number == int(request)]
    else:
        matches = [device for device in devices if device.name.casefold() == request.casefold()]
        matches = matches or [device for device in devices if request.casefold() in device.name.casefold()]
    if len(matches) == 1:
        return matches[0]
    names = ", ".join(f'{device.number} "{device.name}"' for device in matches or devices)
    raise UsageError(
        f'--device "{request}"',
        "fits several inputs" if matches else "is no input of this computer",
        f"{'say which' if matches else 'there are'}: {names}",
    )


def _ring_in(memory: SharedMemory, channels: int, capacity: int) -> Ring:
    """The ring that lies in a shared memory."""
    counters = np.ndarray((COUNTERS,), np.int64, memory.buf)
    return Ring(np.ndarray((channels, capacity), np.float32, memory.buf, 8 * COUNTERS), counters)


def _capture(name: str, channels: int, memory: str, capacity: int, sender: Connection, stop: Any) -> None:
    """Copy frames into the ring until told to stop; runs in the process of its own."""
    # an interrupt at the keyboard is for whoever started us
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    block = SharedMemory(name=memory)
    ring = _ring_in(block, channels, capacity)
    counters = ring.counters
    try:
        import sounddevice as sd

        device = next((candidate for candidate in _devices() if candidate.name == name), None)
        if device is None:
            sender.send(("absent", ""))
            os._exit(0)
        if device.channels < channels:
            sender.send(("changed", f"has {device.channels} inputs now, {channels} are used"))
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
            latency=_LATENCY_S,
            dtype="float32",
            callback=copy,
        )
        stream.start()
        sender.send(("open", float(stream.samplerate)))
        while not stop.wait(0.1):
            pass
    except Exception as error:  # noqa: BLE001 - whatever a driver says is told in one line by whoever started us
        with contextlib.suppress(OSError):
            sender.send(("failed", " ".join(str(error).split())))
    # closing a stream whose driver has died can hang for ever, and ends in an abort elsewhere: the process just ends
    os._exit(0)


class Capture:
    """Audio of a device, copied into a ring that this process reads.

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
        self._newest = (0, time.monotonic())
        """Frames written when more came the last time, and when that was."""
        self._left_s = 0.0
        self._start()

    def _start(self) -> None:
        self._messages, sender = self._context.Pipe(duplex=False)
        self._stop = self._context.Event()
        self._process = self._context.Process(
            target=_capture,
            args=(self.device.name, self.channels, self._memory.name, self.ring.capacity, sender, self._stop),
            daemon=True,
        )
        self._process.start()
        sender.close()
        self._began_s = time.monotonic()
        self._open = False

    @property
    def overflows(self) -> int:
        """Number of times the driver said that it lost frames."""
        return int(self.ring.counters[OVERFLOWS])

    def poll(self) -> str:
        """Look after the device: "opening", "running" or "gone".

        Raises
        ------
        LiveError
            It came back with another rate or fewer inputs, or cannot be opened at all.
        """
        now_s = time.monotonic()
        self._take_in_messages(now_s)
        written = self.ring.written
        if written != self._newest[0]:
            if self.note == "gone":
                self.gone_s += now_s - self._left_s
            self._newest = (written, now_s)
            self.note = "running"
            return self.note
        waited_s = now_s - (self._newest[1] if self._open else self._began_s)
        dead = not self._process.is_alive()
        if self.note == "opening":
            if dead or waited_s > _OPENING_S:
                raise LiveError(
                    self.device.name, "does not answer", "close other programs that use it, then start again"
                )
            return self.note
        if self.note == "running" and (dead or waited_s > _SILENT_S):
            self.note, self._left_s = "gone", self._newest[1]
            self._end()
            self._began_s = now_s
        elif self.note == "gone" and now_s - self._began_s > _AGAIN_S + (
            _OPENING_S if not dead and not self._open else 0.0
        ):
            self._end()
            self._start()
        return self.note

    def _take_in_messages(self, now_s: float) -> None:
        """Act on what the process has sent since; raises as `poll`."""
        with contextlib.suppress(EOFError, OSError):
            while self._messages.poll():
                word, value = self._messages.recv()
                if word == "open":
                    if round(float(value)) != self.sample_rate_hz:
                        raise LiveError(
                            self.device.name,
                            f"runs at {float(value):.0f} Hz now, it began with {self.sample_rate_hz} Hz",
                            "start again, or set it back",
                        )
                    self._open = True
                    self._newest = (self.ring.written, now_s)
                elif word == "changed":
                    raise LiveError(self.device.name, str(value), "start again, or set it back")
                elif word == "failed" and self.note == "opening":
                    raise LiveError(self.device.name, f"cannot be opened ({value})", _INSTALL)

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
