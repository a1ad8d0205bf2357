"""Values packed into bytes and back: numbers, texts, arrays, and the dataclasses that a reader names. Nothing in the bytes is ever run."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

_MARK: Final = b"deskhand measurements 1\n"
_DIGEST_BYTES: Final = 32
"""Length of a SHA-256 (FIPS 180-4)."""
_ALIGNMENT: Final = 16
"""Bytes to a multiple of which arrays begin: the widest number (complex of two doubles)."""
_KINDS: Final = "biufc"
"""Kinds of numpy's types that are read: truth, whole numbers, floats, complex."""
_ARRAY, _TUPLE, _SET, _PAIRS = "array", "tuple", "set", "pairs"


def pack(value: object) -> bytes:
    """Bytes of a value, as `packed_parts` gives them."""
    return b"".join(packed_parts(value))


def packed_parts(value: object) -> list[bytes | memoryview]:
    """Bytes of a value in parts, a digest in front; arrays are not copied.

    Parameters
    ----------
    value
        None, truth, number, text, array, list, tuple, set, mapping or dataclass of such. Doubles whose values are all those of single
        precision take half the room.
    """
    arrays: list[np.ndarray] = []
    plain = _plain(value, arrays)
    places, offset = [], 0
    for array in arrays:
        places.append([array.dtype.str, list(array.shape), offset])
        offset += -(-array.nbytes // _ALIGNMENT) * _ALIGNMENT
    header = json.dumps({"value": plain, "arrays": places}, separators=(",", ":")).encode()
    header += b" " * (-(len(_MARK) + _DIGEST_BYTES + 8 + len(header)) % _ALIGNMENT)
    parts: list[bytes | memoryview] = [len(header).to_bytes(8, "little"), header]
    for array in arrays:
        parts += [array.reshape(-1).view(np.uint8).data, bytes(-array.nbytes % _ALIGNMENT)]
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part)
    return [_MARK, digest.digest(), *parts]


def _plain(value: Any, arrays: list[np.ndarray]) -> Any:
    """Value as JSON holds it; its arrays are added to the list."""
    if value is None or isinstance(value, bool | int | float | str):
        return value.item() if isinstance(value, np.generic) else value
    if isinstance(value, np.ndarray | np.generic):
        array = np.ascontiguousarray(value)
        halved = _halved(array)
        arrays.append(array if halved is None else halved)
        return {_ARRAY: len(arrays) - 1, "double": halved is not None, "shape": list(np.shape(value))}
    if is_dataclass(value) and not isinstance(value, type):
        held = {field.name: _plain(getattr(value, field.name), arrays) for field in fields(value) if field.init}
        return {"type": type(value).__name__, "fields": held}
    if isinstance(value, dict):
        return {_PAIRS: [[_plain(key, arrays), _plain(held, arrays)] for key, held in value.items()]}
    if isinstance(value, tuple):
        return {_TUPLE: [_plain(part, arrays) for part in value]}
    if isinstance(value, set | frozenset):
        return {_SET: [_plain(part, arrays) for part in sorted(value)]}
    if isinstance(value, list):
        return [_plain(part, arrays) for part in value]
    raise TypeError(f"{type(value).__name__} cannot be packed")


def _halved(array: np.ndarray) -> np.ndarray | None:
    """Doubles in single precision, where they come back to the last bit."""
    if array.dtype != np.float64:
        return None
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        halved = array.astype(np.float32)
        return halved if halved.astype(np.float64).tobytes() == array.tobytes() else None


def unpack(data: bytes, types: Iterable[type]) -> Any:
    """Value of bytes.

    Parameters
    ----------
    data : bytes
        From `pack`.
    types : iterable of type
        Dataclasses that may be in it.

    Raises
    ------
    ValueError
        They are damaged, or hold something else.
    """
    begin = len(_MARK) + _DIGEST_BYTES
    if not data.startswith(_MARK) or hashlib.sha256(memoryview(data)[begin:]).digest() != data[len(_MARK) : begin]:
        raise ValueError("damaged, or no kept measurements")
    size = int.from_bytes(data[begin : begin + 8], "little")
    first = begin + 8 + size
    try:
        header = json.loads(data[begin + 8 : first])
        arrays = [_array(data, first, *entry) for entry in header["arrays"]]
        return _value(header["value"], arrays, {known.__name__: known for known in types})
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, RecursionError, OverflowError) as error:
        raise ValueError(f"no kept measurements ({error})") from error


def _array(data: bytes, first: int, kind: str, shape: list[int], offset: int) -> np.ndarray:
    """Copy of an array that lies in the bytes."""
    number = np.dtype(kind)
    if number.kind not in _KINDS or min((offset, *shape)) < 0:
        raise ValueError(f"array of {kind}")
    count = 1
    for length in shape:
        count *= length
    return np.frombuffer(data, number, count, first + offset).reshape(shape).copy()


def _value(plain: Any, arrays: list[np.ndarray], types: Mapping[str, type]) -> Any:
    """Value of what JSON held."""
    if isinstance(plain, list):
        return [_value(part, arrays, types) for part in plain]
    if not isinstance(plain, dict):
        return plain
    if _ARRAY in plain:
        array = arrays[plain[_ARRAY]].reshape(plain["shape"])
        return array.astype(np.float64) if plain["double"] else array
    if _TUPLE in plain:
        return tuple(_value(part, arrays, types) for part in plain[_TUPLE])
    if _SET in plain:
        return frozenset(_value(part, arrays, types) for part in plain[_SET])
    if _PAIRS in plain:
        return {_value(key, arrays, types): _value(held, arrays, types) for key, held in plain[_PAIRS]}
    held = {name: _value(part, arrays, types) for name, part in plain["fields"].items()}
    known = types[plain["type"]]
    if {field.name for field in fields(known) if field.init} != set(held):
        raise ValueError(f"{known.__name__} has other fields now")
    # made without its checks, which want values as a file has them written
    value: Any = object.__new__(known)
    for name, part in held.items():
        object.__setattr__(value, name, part)
    return value
