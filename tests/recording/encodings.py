"""Files of every kind of coding, by four writers, and what other programs decode from them.

Writers: soundfile, ffmpeg, sox, and bytes after the published layouts. Where the bytes are our own the samples are known;
what the others wrote is decoded by ffmpeg or sox, never by soundfile, on which deskhand stands.
"""

from __future__ import annotations

import functools
import shutil
import struct
import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import soundfile

from deskhand.errors import RecordingError
from deskhand.recording import open_recording

from .writers import FLOAT, PCM, RATE_HZ, wave_bytes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    Signal = NDArray[np.float64]
    Write = Callable[[Path, Signal], Signal | None]

FRAMES: Final = 96_001
"""2 s: a third of it, less a block and a header, is above the 0.4 s that must be held; odd, so that no block and no pad byte
fits."""
CHANNELS: Final = (1, 2, 6)
CUTS: Final = (0.35, 0.60, 0.95)
A_LAW: Final = 6
MU_LAW: Final = 7
FFMPEG: Final = shutil.which("ffmpeg")
SOX: Final = shutil.which("sox")
ADAPTIVE_TOLERANCE: Final = 2.0**-14
"""Two steps of 16 bits: decoders of adaptive codings round apart by one (common practice, no source)."""
PACKET_TOLERANCE: Final = 2.0**-8
"""IMA packets of AIFF-C and CAF state 9 bits of the predictor; ffmpeg goes on with its own 16 bits where the two agree."""
TOLERANCE: Final = 2.0**-25
"""Half of float32's last step at full scale."""


class NotWritten(Exception):
    """The writer does not write this coding with so many channels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """One way to write a recording."""

    container: str
    coding: str
    writer: Literal["soundfile", "ffmpeg", "sox", "bytes"]
    suffix: str
    write: Write
    """Writes (channels, frames) and gives the samples that the file holds, or None for a peer to decode them."""
    is_lossless: bool = True
    is_open: bool = False
    """The header leaves the length open, as those who write to a pipe do."""

    @property
    def name(self) -> str:
        """Identifier of the kind."""
        return f"{self.writer}-{self.container}-{self.coding}".replace(" ", "-")

    @property
    def is_adaptive(self) -> bool:
        """ADPCM, whose predictor decoders carry along."""
        return "adpcm" in self.coding.casefold() or self.coding.split()[0] in ("IMA", "MS")

    @property
    def tolerance(self) -> float:
        """Largest difference from the peer that counts as equal, full scale 1.0."""
        if self.is_lossless:
            return TOLERANCE
        is_packets = self.is_adaptive and self.container in ("AIFF", "AIFC", "CAF")
        return PACKET_TOLERANCE if is_packets else ADAPTIVE_TOLERANCE


def signal(channels: int) -> Signal:
    """Tones and noise, other ones on each channel, (channels, FRAMES)."""
    rng = np.random.default_rng(channels)
    times_s = np.arange(FRAMES) / RATE_HZ
    tones = [0.25 * np.sin(2 * np.pi * 110.0 * (1 + channel) * times_s) for channel in range(channels)]
    return np.asarray((np.array(tones) + rng.normal(0.0, 0.08, (channels, FRAMES))).clip(-0.95, 0.95))


# words


def companded_levels(tag: int) -> NDArray[np.float64]:
    """Levels of the 256 words of ITU-T G.711, tables 1 and 2, full scale 1.0."""
    levels = np.empty(256)
    for byte in range(256):
        word = byte ^ (0x55 if tag == A_LAW else 0xFF)
        segment, step = word >> 4 & 7, word & 15
        if tag == A_LAW:
            size = (2 * step + 1) if segment == 0 else (2 * step + 33) * 2 ** (segment - 1)
            levels[byte] = size / 4096.0 * (1 if word & 0x80 else -1)
        else:
            size = (2 * step + 33) * 2**segment - 33
            levels[byte] = size / 8192.0 * (-1 if word & 0x80 else 1)
    return levels


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One coding of words, encoded by numpy."""

    name: str
    tag: int
    bits: int
    word_bytes: int

    def encode(self, samples: Signal, *, big_endian: bool = False, unsigned_bytes: bool = True) -> tuple[bytes, Signal]:
        """Interleaved bytes of (channels, frames), and the samples that they stand for."""
        frames_first = samples.T
        if self.tag == FLOAT:
            data = frames_first.astype(f"{'>' if big_endian else '<'}f{self.word_bytes}")
            return data.tobytes(), data.astype(np.float64).T
        if self.tag in (A_LAW, MU_LAW):
            levels = companded_levels(self.tag)
            order = np.argsort(levels, kind="stable")
            nearest = np.searchsorted((levels[order][1:] + levels[order][:-1]) / 2, frames_first)
            words = order[nearest].astype(np.uint8)
            return words.tobytes(), levels[words].T
        whole = np.round(frames_first * 2.0 ** (self.bits - 1)).astype(np.int64)
        truth = whole / 2.0 ** (self.bits - 1)
        whole <<= 8 * self.word_bytes - self.bits
        if self.word_bytes == 1 and unsigned_bytes:
            whole += 128
        table = (
            np.ascontiguousarray(whole.astype("<i8")).view(np.uint8).reshape(*whole.shape, 8)[..., : self.word_bytes]
        )
        return (table[..., ::-1] if big_endian else table).tobytes(), truth.T


WORDS: Final = (
    Words(name="8-bit", tag=PCM, bits=8, word_bytes=1),
    Words(name="12 in 16", tag=PCM, bits=12, word_bytes=2),
    Words(name="16-bit", tag=PCM, bits=16, word_bytes=2),
    Words(name="20 in 24", tag=PCM, bits=20, word_bytes=3),
    Words(name="24-bit", tag=PCM, bits=24, word_bytes=3),
    Words(name="24 in 32", tag=PCM, bits=24, word_bytes=4),
    Words(name="32-bit", tag=PCM, bits=32, word_bytes=4),
    Words(name="float 32", tag=FLOAT, bits=32, word_bytes=4),
    Words(name="float 64", tag=FLOAT, bits=64, word_bytes=8),
    Words(name="A-law", tag=A_LAW, bits=8, word_bytes=1),
    Words(name="mu-law", tag=MU_LAW, bits=8, word_bytes=1),
)


# containers, byte by byte


def _wave(words: Words, container: str, *, extensible: bool) -> Write:
    def write(path: Path, samples: Signal) -> Signal:
        data, truth = words.encode(samples, big_endian=container == "RIFX")
        align = samples.shape[0] * words.word_bytes
        whole = wave_bytes(
            data, channels=samples.shape[0], bits=words.bits, tag=words.tag, block_align=align, extensible=extensible,
            magic={"RF64": b"RF64", "BW64": b"BW64"}.get(container, b"RIFF"),
        )  # fmt: skip
        if container == "RIFX":
            rates = (RATE_HZ, RATE_HZ * align, align, words.bits)
            fmt = struct.pack(">HHIIHH", words.tag, samples.shape[0], *rates)
            body = b"WAVE" + struct.pack(">4sI", b"fmt ", 16) + fmt + struct.pack(">4sI", b"data", len(data)) + data
            whole = struct.pack(">4sI", b"RIFX", len(body)) + body
        path.write_bytes(whole)
        return truth

    return write


_W64_TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")


def _w64(words: Words, *, extensible: bool) -> Write:
    def write(path: Path, samples: Signal) -> Signal:
        data, truth = words.encode(samples)
        align = samples.shape[0] * words.word_bytes
        wave = wave_bytes(
            b"", channels=samples.shape[0], bits=words.bits, tag=words.tag, block_align=align, extensible=extensible
        )
        fmt = wave[20 : 20 + struct.unpack("<I", wave[16:20])[0]]

        def part(name: bytes, body: bytes) -> bytes:
            return name + _W64_TAIL + struct.pack("<Q", 24 + len(body)) + body + bytes(-len(body) % 8)

        body = b"wave" + _W64_TAIL + part(b"fmt ", fmt) + part(b"data", data)
        head = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
        path.write_bytes(head + struct.pack("<Q", 24 + len(body)) + body)
        return truth

    return write


def _extended(rate_hz: int) -> bytes:
    """80-bit float of a whole number (AIFF 1.3, appendix D)."""
    exponent = rate_hz.bit_length() - 1
    return struct.pack(">HQ", 16383 + exponent, rate_hz << (63 - exponent))


def _aiff(words: Words, kind: bytes | None) -> Write:
    def write(path: Path, samples: Signal) -> Signal:
        data, truth = words.encode(
            samples, big_endian=kind not in (b"sowt", b"42ni", b"23ni"), unsigned_bytes=kind == b"raw "
        )
        common = struct.pack(">HIH", samples.shape[0], samples.shape[1], words.bits) + _extended(RATE_HZ)
        version = b""
        if kind:
            common += kind + b"\0\0"
            version = struct.pack(">4sII", b"FVER", 4, 0xA2805140)
        body = (b"AIFC" if kind else b"AIFF") + version + struct.pack(">4sI", b"COMM", len(common)) + common
        body += struct.pack(">4sIII", b"SSND", 8 + len(data), 0, 0) + data + bytes(len(data) % 2)
        path.write_bytes(struct.pack(">4sI", b"FORM", len(body)) + body)
        return truth

    return write


def _caf(words: Words, *, big_endian: bool) -> Write:
    def write(path: Path, samples: Signal) -> Signal:
        data, truth = words.encode(samples, big_endian=big_endian, unsigned_bytes=False)
        kind = {A_LAW: b"alaw", MU_LAW: b"ulaw"}.get(words.tag, b"lpcm")
        flags = (words.tag == FLOAT) + (0 if big_endian or kind != b"lpcm" else 2)
        align = samples.shape[0] * words.word_bytes
        described = struct.pack(">d4sIIIII", RATE_HZ, kind, flags, align, 1, samples.shape[0], words.bits)
        head = b"caff" + struct.pack(">HH", 1, 0) + struct.pack(">4sq", b"desc", 32) + described
        path.write_bytes(head + struct.pack(">4sqI", b"data", 4 + len(data), 0) + data)
        return truth

    return write


_AIFC_KINDS: Final = {
    (PCM, 8): (b"NONE", b"raw "),
    (PCM, 12): (b"NONE", b"sowt"),
    (PCM, 16): (b"NONE", b"sowt", b"twos"),
    (PCM, 20): (b"NONE",),
    (PCM, 24): (b"NONE", b"sowt", b"in24", b"42ni"),
    (PCM, 32): (b"NONE", b"sowt", b"in32", b"23ni"),
    (FLOAT, 32): (b"fl32", b"FL32"),
    (FLOAT, 64): (b"fl64", b"FL64"),
    (A_LAW, 8): (b"alaw", b"ALAW"),
    (MU_LAW, 8): (b"ulaw", b"ULAW"),
}


def by_bytes() -> Iterator[Encoding]:
    """Kinds written after the published layouts."""

    def kind(container: str, coding: str, suffix: str, write: Write) -> Encoding:
        return Encoding(container=container, coding=coding, writer="bytes", suffix=suffix, write=write)

    for words in WORDS:
        for container in ("WAV", "RF64", "BW64"):
            yield kind(container, words.name, "wav", _wave(words, container, extensible=False))
            # the long form gives the size of the word as its bits
            if words.name != "24 in 32":
                yield kind(container, f"{words.name} long", "wav", _wave(words, container, extensible=True))
        yield kind("RIFX", words.name, "wav", _wave(words, "RIFX", extensible=False))
        yield kind("W64", words.name, "w64", _w64(words, extensible=False))
        if words.name != "24 in 32":
            yield kind("W64", f"{words.name} long", "w64", _w64(words, extensible=True))
            for four in _AIFC_KINDS[words.tag, words.bits]:
                yield kind("AIFC", f"{words.name} {four.decode().strip()}", "aifc", _aiff(words, four))
        if words.tag == PCM and words.name != "24 in 32":
            yield kind("AIFF", words.name, "aiff", _aiff(words, None))
        for big_endian in (False, True) if words.word_bytes > 1 else (True,):
            order = "big" if big_endian else "little"
            yield kind("CAF", f"{words.name} {order}", "caf", _caf(words, big_endian=big_endian))


# other programs


def _by_soundfile(container: str, subtype: str, endian: str) -> Write:
    def write(path: Path, samples: Signal) -> None:
        try:
            soundfile.write(path, samples.T, RATE_HZ, subtype=subtype, format=container, endian=endian)
        except (soundfile.SoundFileError, ValueError) as error:
            raise NotWritten(str(error)) from error

    return write


def by_soundfile() -> Iterator[Encoding]:
    """All that this version of libsndfile writes."""
    suffixes = {"WAVEX": "wav", "RF64": "wav"}
    for container in ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"):
        for subtype in soundfile.available_subtypes(container):
            for endian in ("FILE", "BIG", "LITTLE"):
                if not soundfile.check_format(container, subtype, endian):
                    continue
                if endian != "FILE" and (container in ("WAVEX", "RF64", "W64", "FLAC") or "PCM_8" in subtype):
                    continue
                if endian == {"WAV": "LITTLE", "AIFF": "BIG", "CAF": "BIG"}.get(container):
                    continue
                is_lossless = subtype.startswith(("PCM_", "FLOAT", "DOUBLE", "ULAW", "ALAW", "ALAC", "DWVW"))
                yield Encoding(
                    container="RIFX" if container == "WAV" and endian == "BIG" else container,
                    coding=subtype if endian == "FILE" else f"{subtype} {endian.lower()}",
                    writer="soundfile",
                    suffix=suffixes.get(container, container.lower()),
                    write=_by_soundfile(container, subtype, endian),
                    is_lossless=is_lossless,
                )


def _pipe(command: list[str], data: bytes) -> bytes:
    done = subprocess.run(command, input=data, capture_output=True, check=False)
    if done.returncode:
        raise NotWritten(done.stderr.decode(errors="replace")[-300:])
    return done.stdout


def _by_ffmpeg(options: list[str], *, streamed: str | None) -> Write:
    def write(path: Path, samples: Signal) -> None:
        data = np.ascontiguousarray(samples.T).astype("<f8").tobytes()
        raw = ["-f", "f64le", "-ar", str(RATE_HZ), "-ac", str(samples.shape[0]), "-i", "pipe:0"]
        target = ["-f", streamed, "pipe:1"] if streamed else ["-y", str(path)]
        made = _pipe([str(FFMPEG), "-v", "error", *raw, *options, *target], data)
        if streamed:
            path.write_bytes(made)

    return write


_LITTLE: Final = ("pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le")
_BIG: Final = tuple(name.replace("le", "be") for name in _LITTLE)
_FFMPEG: Final = {
    ("WAV", "wav"): (
        "pcm_u8", *_LITTLE, "pcm_s64le", "pcm_alaw", "pcm_mulaw", "adpcm_ima_wav", "adpcm_ms", "adpcm_yamaha", "g726",
        "libmp3lame", "ac3",
    ),
    ("RF64", "wav"): ("pcm_u8", *_LITTLE, "pcm_alaw", "pcm_mulaw", "adpcm_ima_wav", "adpcm_ms"),
    ("W64", "w64"): ("pcm_u8", *_LITTLE, "pcm_alaw", "pcm_mulaw", "adpcm_ima_wav", "adpcm_ms"),
    ("AIFF", "aiff"): (
        "pcm_s8", "pcm_u8", *_BIG, "pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_alaw", "pcm_mulaw", "adpcm_ima_qt",
    ),
    ("CAF", "caf"): (
        "pcm_s8", *_BIG, *_LITTLE, "pcm_alaw", "pcm_mulaw", "adpcm_ima_qt", "alac", "libgsm",
    ),
    ("FLAC", "flac"): ("flac",),
}  # fmt: skip


def by_ffmpeg() -> Iterator[Encoding]:
    """What ffmpeg writes, to a file and to a pipe (where it cannot come back for the header)."""
    for (container, suffix), codecs in _FFMPEG.items():
        for codec in codecs:
            options = ["-c:a", codec, *(["-rf64", "always"] if container == "RF64" else [])]
            forms = {codec: options}
            if codec == "flac":
                forms = {
                    "16-bit": [*options, "-sample_fmt", "s16"],
                    "24-bit": [*options, "-sample_fmt", "s32", "-bits_per_raw_sample", "24"],
                    "24-bit variable": [*options, "-sample_fmt", "s32", "-frame_size", "1152"],
                }
            is_lossless = not codec.startswith(("adpcm", "g726", "libgsm", "libmp3lame", "ac3"))
            for coding, chosen in forms.items():
                for streamed in (None, suffix):
                    if streamed and (container in ("RF64", "AIFF") or not is_lossless):
                        continue
                    yield Encoding(
                        container=container,
                        coding=f"{coding} streamed" if streamed else coding,
                        writer="ffmpeg",
                        suffix=suffix,
                        write=_by_ffmpeg(chosen, streamed=streamed),
                        is_lossless=is_lossless,
                        is_open=bool(streamed),
                    )


def _by_sox(options: list[str], suffix: str, *, streamed: bool) -> Write:
    def write(path: Path, samples: Signal) -> None:
        data = np.ascontiguousarray(samples.T).astype("<f8").tobytes()
        raw = ["-t", "f64", "-r", str(RATE_HZ), "-c", str(samples.shape[0]), "-"]
        made = _pipe([str(SOX), "-D", *raw, *options, "-t", suffix, "-" if streamed else str(path)], data)
        if streamed:
            path.write_bytes(made)

    return write


_SOX_CODINGS: Final = {
    "8-bit": ["-b", "8"],
    "16-bit": ["-b", "16"],
    "24-bit": ["-b", "24"],
    "32-bit": ["-b", "32"],
    "float 32": ["-e", "floating-point", "-b", "32"],
    "float 64": ["-e", "floating-point", "-b", "64"],
    "A-law": ["-e", "a-law"],
    "mu-law": ["-e", "mu-law"],
    "IMA": ["-e", "ima-adpcm"],
    "MS": ["-e", "ms-adpcm"],
    "GSM": ["-e", "gsm-full-rate"],
}


def by_sox() -> Iterator[Encoding]:
    """What sox writes, to a file and to a pipe."""
    for container, suffix in (
        ("WAV", "wav"), ("RIFX", "wav"), ("AIFF", "aiff"), ("AIFC", "aifc"), ("W64", "w64"), ("CAF", "caf"),
        ("FLAC", "flac"),
    ):  # fmt: skip
        for coding, options in _SOX_CODINGS.items():
            if container == "FLAC" and coding not in ("8-bit", "16-bit", "24-bit"):
                continue
            for streamed in (False, True):
                if streamed and container not in ("WAV", "FLAC"):
                    continue
                yield Encoding(
                    container=container,
                    coding=f"{coding} streamed" if streamed else coding,
                    writer="sox",
                    suffix=suffix,
                    write=_by_sox([*options, *(["-B"] if container == "RIFX" else [])], suffix, streamed=streamed),
                    is_lossless=coding not in ("IMA", "MS", "GSM"),
                    is_open=streamed,
                )


@functools.cache
def encodings() -> tuple[Encoding, ...]:
    """All kinds that the programs on this machine can write."""
    kinds = [*by_bytes(), *by_soundfile()]
    if FFMPEG:
        kinds += by_ffmpeg()
    if SOX:
        kinds += by_sox()
    return tuple(kinds)


def _decoded(command: list[str], kind: Encoding, samples: Signal) -> Signal | None:
    """Samples that a command writes as 64-bit floats; None when it has not understood the file."""
    likeness = 0.5 if "gsm" in kind.coding.casefold() else 0.95  # of noise GSM keeps little
    channels, frames = samples.shape
    done = subprocess.run(command, capture_output=True, check=False)
    decoded = np.frombuffer(done.stdout[: len(done.stdout) // (8 * channels) * 8 * channels]).reshape(-1, channels).T
    if done.returncode or not frames * 0.9 <= decoded.shape[1] <= frames * 1.1 + 4096:
        return None
    both = min(frames, decoded.shape[1])
    # a peer that takes words for others gives noise
    if np.abs(decoded).max() < 2.0 and np.corrcoef(decoded[0, :both], samples[0, :both])[0, 1] > likeness:
        return decoded
    return None


def peer_samples(path: Path, kind: Encoding, samples: Signal) -> tuple[Signal, str]:
    """Samples of a file by ffmpeg, or by sox where ffmpeg cannot; and which of the two.

    Adaptive codings of the WAV family are decoded by sox first: ffmpeg rounds their predictors in another way, and the
    difference adds up. sox reads W64 and CAF by the library that deskhand stands on, so it gets their blocks in a WAV file.

    Raises
    ------
    NotWritten
        Neither decodes it.
    """
    by_ffmpeg = [str(FFMPEG), "-v", "error", "-i", str(path), "-f", "f64le", "-c:a", "pcm_f64le", "-"]
    by_sox = [str(SOX), "-D", str(path), "-t", "f64", "-"]
    commands = [("ffmpeg", by_ffmpeg)] if FFMPEG else []
    if SOX and kind.container not in ("W64", "CAF"):
        commands.append(("sox", by_sox))
    copy = path.with_suffix(".copy.wav")
    if FFMPEG and SOX and kind.is_adaptive and kind.container in ("WAV", "W64", "RF64", "RIFX"):
        done = subprocess.run(
            [FFMPEG, "-v", "error", "-y", "-i", str(path), "-c:a", "copy", str(copy)], capture_output=True, check=False
        )
        if done.returncode == 0:
            commands.insert(0, ("sox", [SOX, "-D", str(copy), "-t", "f64", "-"]))
        if kind.container in ("WAV", "RIFX"):
            # sox states lengths of its own where it cannot know them, and then believes them
            commands.insert(0, ("sox", [*by_sox[:2], *(["--ignore-length"] if kind.is_open else []), *by_sox[2:]]))
    try:
        for peer, command in commands:
            decoded = _decoded(command, kind, samples)
            if decoded is not None:
                return decoded, peer
    finally:
        copy.unlink(missing_ok=True)
    raise NotWritten("no peer decodes it")


Verdict = Literal["right", "wrong", "unsaid", "false alarm", "less than is there", "refused"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Reading of one file against its truth."""

    verdict: Verdict
    detail: str


def judge(path: Path, truth: Signal, kind: Encoding, share: float) -> Outcome:
    """Outcome of reading `path`, of which `share` of the bytes is left."""
    try:
        recording = open_recording(path)
        read = recording.read()
    except RecordingError as error:
        line = str(error)
        if "\n" in line or path.name not in line:
            return Outcome(verdict="wrong", detail=f"refused without its name: {line}")
        return Outcome(verdict="refused", detail=line)
    except Exception as error:  # noqa: BLE001 - any other is a fault to count
        return Outcome(verdict="wrong", detail=f"{type(error).__name__}: {error}")
    if read.shape[0] != truth.shape[0] or read.shape[1] > truth.shape[1]:
        return Outcome(verdict="wrong", detail=f"shape {read.shape}, truth {truth.shape}")
    worst = float(np.abs(read - truth[:, : read.shape[1]]).max())
    if worst > kind.tolerance:
        return Outcome(verdict="wrong", detail=f"off by {worst:.2g}")
    notes = [note for note in recording.notes if note.startswith(f"{path.name}: header promises")]
    is_complete = read.shape[1] >= min(FRAMES, truth.shape[1])
    if is_complete and notes and not kind.is_open:
        return Outcome(verdict="false alarm", detail=notes[0])
    if not is_complete and not notes:
        return Outcome(verdict="unsaid", detail=f"{read.shape[1]} of {truth.shape[1]} frames")
    # a block of FLAC is 4608 frames at the most here, those of adaptive codings 2036; 8 kB of header and blank space beside
    # them are as much as 4096 frames
    if read.shape[1] < share * min(FRAMES, truth.shape[1]) - 9000:
        return Outcome(verdict="less than is there", detail=f"{read.shape[1]} of {share:.0%} of {truth.shape[1]}")
    return Outcome(verdict="right", detail="")


def outcomes(kind: Encoding, channels: int, folder: Path) -> Iterator[tuple[float, str, Outcome]]:
    """Share of the file, peer, and outcome, for a whole file and its cuts.

    Raises
    ------
    NotWritten
        Nobody writes or decodes this.
    """
    samples = signal(channels)
    path = folder / f"{kind.name}-{channels}.{kind.suffix}"
    truth = kind.write(path, samples)
    peer = "bytes"
    if truth is None:
        try:
            truth, peer = peer_samples(path, kind, samples)
        except NotWritten:
            if not kind.coding.startswith("DWVW"):
                raise
            # the words that went in: the coding loses nothing but the bits below its own
            bits = int(kind.coding[5:7])
            truth, peer = np.floor(samples * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1), "input"
    data = path.read_bytes()
    path.unlink()
    for share in (1.0, *CUTS):
        part = folder / f"take.{kind.suffix}"
        part.write_bytes(data[: round(share * len(data))])
        yield share, peer, judge(part, truth, kind, share)
        part.unlink()
