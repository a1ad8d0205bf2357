"""Receipts: small files in the hidden folder beside a result that say of what it is the result, written last, when all the rest is written."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from deskhand import __version__
from deskhand.baseline.versions import reading_versions
from deskhand.files import KEPT_IN, write_atomically

if TYPE_CHECKING:
    from deskhand.archive.order import ShowOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """Proof that a show was checked: of which files, by which house file and note, with which definitions."""

    digest: str
    """Digest of the recording's files."""
    settings: str
    """Digest of the house file and the show's note."""
    readings: str
    """Digest of the versions of all readings."""
    is_faultless: bool
    in_history: bool
    """False where nothing plays in it, so that the history holds nothing of it."""
    deskhand: str = __version__
    remote: str | None = None
    """Identity of its files in an object store, by which they need not be brought here again."""


def digest_of_versions() -> str:
    """Digest of the versions of all readings: another one when any definition changed."""
    return hashlib.sha256(json.dumps(reading_versions(), sort_keys=True).encode()).hexdigest()


def result_file(order: ShowOrder) -> Path:
    """File of a show's result: beside its recording, or in the folder of results under the same path."""
    if order.results is None:
        path = Path(order.path)
        return path.with_name(f"{path.name if path.is_dir() else path.stem}-check.json")
    return Path(order.results) / f"{order.name}-check.json"


def _file_of(result: Path) -> Path:
    return result.parent / KEPT_IN / f"archive-{result.name}"


def read_receipt(result: Path) -> Receipt | None:
    """Receipt of a result; None where there is none, or the result is not there."""
    try:
        if not result.is_file():
            return None
        return Receipt(**json.loads(_file_of(result).read_bytes()))
    except (OSError, ValueError, TypeError, RecursionError):
        return None  # unreadable or of another version: the show is checked again


def write_receipt(result: Path, receipt: Receipt) -> None:
    """Write the receipt of a result.

    Raises
    ------
    UsageError
        It cannot be written.
    """
    file = _file_of(result)
    file.parent.mkdir(exist_ok=True)
    write_atomically(file, json.dumps(asdict(receipt)))
