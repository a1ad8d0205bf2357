"""Bill of materials: the libraries that an installation brings along, their versions, licences and digests, from the locked requirements.

python -m tools.parts        # the table, as docs/third-party.md holds it
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from email.message import Message  # noqa: TC003 - resolved by dataclass tools
from importlib import metadata
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).parent.parent
LOCK: Final = ROOT / "requirements.txt"
PAGE: Final = ROOT / "docs" / "third-party.md"
BILL: Final = ROOT / "docs" / "parts.cdx.json"
_PINNED: Final = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)(?:\s*;\s*([^\\]+?))?\s*\\?$")
_DIGEST: Final = re.compile(r"--hash=sha256:([0-9a-f]{64})")
_ROW: Final = re.compile(r"^\| ([\w.-]+) \| (\S+) \| ([^|]+?) \|", re.MULTILINE)
_CLASSIFIER: Final = "License :: OSI Approved :: "
_LONGEST_NAME: Final = 60
"""Letters of a licence field that still are its name: longer ones hold the whole text. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A library of the lock file."""

    name: str
    version: str
    marker: str
    """Platforms it is for; empty for all."""
    licence: str
    """As the library states it; empty where it is not installed here."""
    sha256: tuple[str, ...]


def parts(lock: Path = LOCK) -> list[Part]:
    """All libraries of a lock file, in its order."""
    found: list[Part] = []
    for line in lock.read_text("utf-8").splitlines():
        pinned = _PINNED.match(line)
        if pinned:
            name, version, marker = pinned.groups()
            licence = licence_of(facts) if (facts := _metadata(name)) else ""
            found.append(Part(name=name, version=version, marker=(marker or "").strip(), licence=licence, sha256=()))
        elif digests := _DIGEST.findall(line):
            found[-1] = replace(found[-1], sha256=(*found[-1].sha256, *digests))
    return found


def _metadata(name: str) -> Message | None:
    try:
        return metadata.metadata(name)  # type: ignore[return-value]  # a Message in all but its stated type
    except metadata.PackageNotFoundError:
        return None


def licence_of(facts: Message) -> str:
    """Licence that a library states: its SPDX expression, else its classifiers, else the name in its own field.

    References
    ----------
    PEP 639 (License-Expression); Core metadata specifications, License and Classifier.
    """
    expression = facts.get("License-Expression")
    if expression:
        return str(expression)
    classifiers = [str(each) for each in facts.get_all("Classifier", [])]
    named = [each.removeprefix(_CLASSIFIER) for each in classifiers if each.startswith(_CLASSIFIER)]
    stated = " ".join(str(facts.get("License") or "").split())
    if stated and len(stated) <= _LONGEST_NAME:
        return stated
    return ", ".join(named) or "see its own files"


def page() -> str:
    """Table of all libraries, for people; a licence that the page has of a version already stays as it was read then."""
    text = PAGE.read_text("utf-8") if PAGE.exists() else ""
    known = {(name, version): licence for name, version, licence in _ROW.findall(text)}
    lines = [
        "# Third-party libraries",
        "",
        (
            "Made by `docs/make.py` (`tools/parts.py`) from the lock file and from what each library states of itself. deskhand ships none of their "
            "code: they are installed beside it, with their licence files. The same list for machines, with digests: [parts.cdx.json](parts.cdx.json) "
            "(CycloneDX 1.6, ECMA-424). Versions are not compared with published advisories here: that needs a connection, and nothing of deskhand "
            "makes one."
        ),
        "",
        "| library | version | licence | for |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {part.name} | {part.version} | {known.get((part.name, part.version)) or part.licence or 'not installed here'} | "
        f"{part.marker.replace('|', '/') or 'all'} |"
        for part in parts()
    ]
    return "\n".join([*lines, ""])


def bill() -> dict[str, Any]:
    """Bill of materials after CycloneDX 1.6 (ECMA-424)."""
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {"type": "application", "name": "deskhand", "licenses": [{"license": {"id": "MIT"}}]}
        },
        "components": [
            {
                "type": "library",
                "name": part.name,
                "version": part.version,
                "purl": f"pkg:pypi/{part.name.lower()}@{part.version}",
                "hashes": [{"alg": "SHA-256", "content": digest} for digest in part.sha256],
            }
            for part in parts()
        ],
    }


if __name__ == "__main__":
    print(page())
    print(json.dumps(bill(), indent=1))
