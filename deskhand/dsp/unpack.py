"""Sample words, as they lie in a file, to float32 with full scale at 1.0, one row a channel.

Unpacking and de-interleaving in one pass is several times faster than a library read followed by a transpose.
"""

from __future__ import annotations

import numpy as np

from deskhand.dsp.kernel import kernel

_SCALE_16 = np.float32(2.0**-15)
_SCALE_24 = np.float32(2.0**-31)
_SCALE_32 = 2.0**-31
"""Step of a 32-bit word against full scale, and of a 24-bit word that lies in the upper three bytes of one; 2**-15 of a 16-bit word: arithmetic."""


@kernel("void(uint8[::1], float32[:, ::1], int64)")
def unpack_24(raw: np.ndarray, out: np.ndarray, frames: int) -> None:
    """Little-endian 24-bit words, interleaved, into the first `frames` columns of `out` (channels, frames or more)."""
    channels = out.shape[0]
    if channels == 1:
        row = out[0]
        for frame in range(frames):
            byte = 3 * frame
            word = (np.uint32(raw[byte]) << np.uint32(8)) | (np.uint32(raw[byte + 1]) << np.uint32(16))
            word |= np.uint32(raw[byte + 2]) << np.uint32(24)
            row[frame] = np.float32(np.int32(word)) * _SCALE_24
        return
    # small tiles: both the interleaved words and the rows stay in the cache
    for first in range(0, frames, 256):
        last = min(first + 256, frames)
        for channel in range(channels):
            for frame in range(first, last):
                byte = 3 * (frame * channels + channel)
                word = (np.uint32(raw[byte]) << np.uint32(8)) | (np.uint32(raw[byte + 1]) << np.uint32(16))
                word |= np.uint32(raw[byte + 2]) << np.uint32(24)
                out[channel, frame] = np.float32(np.int32(word)) * _SCALE_24


@kernel("void(int16[::1], float32[:, ::1], int64)")
def unpack_16(raw: np.ndarray, out: np.ndarray, frames: int) -> None:
    """16-bit words, interleaved, into the first `frames` columns of `out`."""
    channels = out.shape[0]
    for first in range(0, frames, 256):
        last = min(first + 256, frames)
        for channel in range(channels):
            for frame in range(first, last):
                out[channel, frame] = np.float32(raw[frame * channels + channel]) * _SCALE_16


@kernel("void(int32[::1], float32[:, ::1], int64)")
def unpack_32(raw: np.ndarray, out: np.ndarray, frames: int) -> None:
    """32-bit integer words, interleaved, into the first `frames` columns of `out`."""
    channels = out.shape[0]
    for first in range(0, frames, 256):
        last = min(first + 256, frames)
        for channel in range(channels):
            for frame in range(first, last):
                out[channel, frame] = np.float32(raw[frame * channels + channel] * _SCALE_32)


@kernel("void(float32[::1], float32[:, ::1], int64)", "void(float64[::1], float32[:, ::1], int64)")
def unpack_float(raw: np.ndarray, out: np.ndarray, frames: int) -> None:
    """Float words, interleaved, into the first `frames` columns of `out`."""
    channels = out.shape[0]
    for first in range(0, frames, 256):
        run_end = min(first + 256, frames)
        for channel in range(channels):
            for frame in range(first, run_end):
                out[channel, frame] = np.float32(raw[frame * channels + channel])


@kernel("int64(float32[::1])")
def first_not_finite(signal: np.ndarray) -> int:
    """Index of the first value that is not finite, or -1."""
    for index in range(signal.shape[0]):
        value = signal[index]
        # not a number compares false with everything; 1e12 is 240 dB above full scale and its square still a float32
        if not abs(value) <= np.float32(1e12):
            return index
    return -1


@kernel("void(uint8[::1], float32[::1], float32[:, ::1], int64)")
def unpack_table(raw: np.ndarray, table: np.ndarray, out: np.ndarray, frames: int) -> None:
    """Words of one byte, interleaved, looked up in `table` (256,), into the first `frames` columns of `out`."""
    channels = out.shape[0]
    for first in range(0, frames, 256):
        last = min(first + 256, frames)
        for channel in range(channels):
            for frame in range(first, last):
                out[channel, frame] = table[raw[frame * channels + channel]]


def reversed_words(raw: np.ndarray, word_bytes: int) -> np.ndarray:
    """Bytes of each word in the other order, (bytes,) uint8."""
    if word_bytes != 3:
        return raw.view(f"u{word_bytes}").byteswap().view(np.uint8)
    turned = np.empty_like(raw)
    for byte in range(3):
        turned[byte::3] = raw[2 - byte :: 3]
    return turned


def a_law_table() -> np.ndarray:
    """Levels of the 256 A-law words, (256,) float32.

    References
    ----------
    ITU-T G.711 (1988), table 1: 13 bits, even bits inverted; here at the top of 16 bits.
    """
    word = np.arange(256) ^ 0x55
    segment, step = word >> 4 & 7, word & 15
    # the middle of each step; from the second segment on a leading one, and twice as wide each time
    size = np.where(segment == 0, (step << 4) + 8, ((step << 4) + 0x108) << np.maximum(segment - 1, 0))
    return (np.where(word & 0x80, size, -size) * _SCALE_16).astype(np.float32)


def mu_law_table() -> np.ndarray:
    """Levels of the 256 mu-law words, (256,) float32.

    References
    ----------
    ITU-T G.711 (1988), table 2: 14 bits, all bits inverted; here at the top of 16 bits.
    """
    word = ~np.arange(256) & 0xFF
    segment, step = word >> 4 & 7, word & 15
    size = (((step << 3) + 0x84) << segment) - 0x84
    return (np.where(word & 0x80, -size, size) * _SCALE_16).astype(np.float32)


def byte_table(coding: str) -> np.ndarray:
    """Levels of the 256 words of one byte: "integer", "unsigned" (128 is nought), "a-law" or "mu-law"."""
    if coding == "a-law":
        return a_law_table()
    if coding == "mu-law":
        return mu_law_table()
    words = np.arange(256)
    whole = words - 128 if coding == "unsigned" else words.astype(np.uint8).view(np.int8).astype(int)
    return (whole * np.float32(2.0**-7)).astype(np.float32)
