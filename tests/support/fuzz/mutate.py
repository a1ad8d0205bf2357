"""Mutations of bytes, text and JSON, each drawn from a seed."""

from __future__ import annotations

import copy
import json
import re
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

MOST_LETTERS: Final = 40
"""Letters of a word that may be said fifty times over: longer ones would fill the memory."""
HEADER_BYTES: Final = 160
"""First part of a file that most damage goes to: RIFF, AIFF, CAF and FLAC describe themselves there."""
NUMBERS: Final = (
    0,
    1,
    2,
    3,
    7,
    8,
    16,
    24,
    32,
    64,
    127,
    128,
    255,
    256,
    32767,
    32768,
    65535,
    65536,
    2**24,
    2**31 - 1,
    2**31,
    2**32 - 1,
)
"""Values at which counts, sizes and words turn over."""
SIGNS: Final = ("0", "-1", "1e308", "-1e308", "nan", "inf", "1_000", "0x10", "9" * 40, "", " ", "\t", "\0", "\ufeff", "\u2028", "é", "\u0301",
                "🎸", "'''", '"""', '"', "'", "#", "=", "==", ",", ".", "..", "/", "\\", "[", "]", "[[", "]]", "{", "}", "%s", "{0}",
                "[bold]", "<b>", "true", "false", "null", "-0.0", "dB", "Hz", "kHz", "ms", "dBFS", "1979-05-27", "25:99", "\\u0000", "\\ud800")  # fmt: skip
"""Pieces that text formats and what prints them stumble over."""
JSON_VALUES: Final[tuple[Any, ...]] = (None, 0, -1, 1, 2, 1e308, -1e308, 0.5, "", "x", [], {}, True, False, [1], {"a": 1}, "9" * 400, 12345678901234567890, "\ud800", "\0", float("nan"))  # fmt: skip


def damaged_bytes(random: Random, seeds: Sequence[bytes]) -> bytes:
    """One of the seeds with one to six damages: bits, words of 1 to 8 bytes, pieces cut, doubled, moved in or left out."""
    data = bytearray(random.choice(seeds))
    for _ in range(random.choice((1, 1, 1, 2, 3, 6))):
        _damage(random, data, seeds)
    return bytes(data)


def _offset(random: Random, size: int) -> int:
    return random.randrange(min(size, HEADER_BYTES)) if random.random() < 0.75 else random.randrange(size)


def _damage(random: Random, data: bytearray, seeds: Sequence[bytes]) -> None:
    if not data:
        data += b"\0"
    begin = _offset(random, len(data))
    length = random.choice((1, 2, 4, 8, 24, 512, 4096))
    match random.randrange(9):
        case 0:
            data[begin] ^= 1 << random.randrange(8)
        case 1:
            data[begin] = random.randrange(256)
        case 2 | 3:
            size = random.choice((1, 2, 4, 8))
            number = random.choice(NUMBERS) if random.random() < 0.7 else random.randrange(-64, 65) % 2**64
            data[begin : begin + size] = (number % 256**size).to_bytes(size, random.choice(("little", "big")))
        case 4:
            del data[begin : begin + length]
        case 5:
            data[begin:begin] = data[begin : begin + length]
        case 6:
            data[begin : begin + length] = random.randbytes(min(length, len(data) - begin))
        case 7:
            other = random.choice(seeds)
            there = _offset(random, len(other)) if other else 0
            data[begin : begin + length] = other[there : there + length]
        case _:
            del data[random.randrange(len(data)) :]


def damaged_text(random: Random, seeds: Sequence[bytes]) -> bytes:
    """One of the seeds with one to four of its words, signs or lines changed, doubled, swapped or left out."""
    text = random.choice(seeds).decode("utf-8", "surrogateescape")
    for _ in range(random.choice((1, 1, 2, 4))):
        if random.random() < 0.35:
            lines = text.split("\n")
            here, there = random.randrange(len(lines)), random.randrange(len(lines))
            match random.randrange(3):
                case 0:
                    del lines[here]
                case 1:
                    lines.insert(there, lines[here])
                case _:
                    lines[here], lines[there] = lines[there], lines[here]
            text = "\n".join(lines)
            continue
        pieces = re.findall(r"\w+|\s+|[^\w\s]", text) or [""]
        here = random.randrange(len(pieces))
        match random.randrange(4):
            case 0:
                pieces[here] = random.choice(SIGNS)
            case 1:
                pieces.insert(here, random.choice(SIGNS))
            case 2:
                pieces[here] = random.choice(pieces)
            case _:
                pieces[here] = pieces[here] * random.choice((0, 2, 50 if len(pieces[here]) < MOST_LETTERS else 0))
        text = "".join(pieces)
    data = text.encode("utf-8", "surrogateescape" if random.random() < 0.5 else "replace")
    return damaged_bytes(random, [data]) if random.random() < 0.1 else data


def places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in JSON's kinds, of long lists the first forty."""
    if path:
        yield path
    if isinstance(data, dict):
        for name, value in data.items():
            yield from places(value, (*path, name))
    elif isinstance(data, list):
        for index, value in enumerate(data[:40]):
            yield from places(value, (*path, index))


def at(data: Any, path: Sequence[Any]) -> Any:
    """What lies at a place."""
    for step in path:
        data = data[step]
    return data


def json_edits(random: Random, value: Any) -> list[list[Any]]:
    """One to three edits of JSON's kinds: (path, value), or (path) alone for what is left out."""
    edits: list[list[Any]] = []
    changed = copy.deepcopy(value)
    for _ in range(random.choice((1, 1, 2, 3))):
        paths = list(places(changed))
        if not paths:
            break
        path = random.choice(paths)
        if random.random() < 0.15:
            edits.append([list(path)])
        elif random.random() < 0.3:
            edits.append([list(path), copy.deepcopy(at(changed, random.choice(paths)))])
        else:
            edits.append([list(path), copy.deepcopy(random.choice(JSON_VALUES))])
        changed = edited(changed, edits[-1:])
    return edits


def edited(value: Any, edits: Sequence[Sequence[Any]]) -> Any:
    """A copy with edits made in it; those that find no place are left out."""
    changed = copy.deepcopy(value)
    for (*parents, last), *new in edits:
        try:
            holder = at(changed, parents)
            if new:
                holder[last] = copy.deepcopy(new[0])
            else:
                del holder[last]
        except (KeyError, IndexError, TypeError):
            continue
    return changed


def damaged_json(random: Random, value: Any) -> Any:
    """A copy with one to three values exchanged for odd ones, or left out."""
    return edited(value, json_edits(random, value))


def json_bytes(value: Any) -> bytes:
    """What a sender that does not care would write."""
    return json.dumps(value).encode()
