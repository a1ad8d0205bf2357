"""Track names: cleaned, compared, and told apart into numbers and parts of a take."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import unicodedata
from functools import lru_cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_SEPARATOR: Final = r"[\s_.\-–]+"
_DATE: Final = re.compile(
    r"(?<!\d)(?:19|20)\d\d[-_.]?(?:0[1-9]|1[0-2])[-_.]?(?:0[1-9]|[12]\d|3[01])(?:[-_. tT]+\d{2}[-_.h]?\d{2}(?:[-_.m]?\d{2})?s?)?(?!\d)"
)
_CALENDAR_DAY: Final = re.compile(r"(\d{4})[-_.]?(\d{2})[-_.]?(\d{2})")
_TAKE: Final = re.compile(r"(?i)(?<![a-z])(?:take|tk)[\s_.\-]*\d+(?![a-z0-9])")
_LEAD: Final = re.compile(
    r"(?i)^(?:(?:ch|chan|channel|tr|trk|track|in|input)[\s_.\-]*)?(\d+(?:[\-–/&+]\d+)?)(?:[\s_.\-:)]+|$)"
)
_PART_WORD: Final = re.compile(r"(?i)^(.*?)[\s_.\-]*\(?(?:part|pt)[\s_.\-]*(\d+)\)?$")
_PART_NUMBER: Final = re.compile(r"^(.*?)[\s_.\-]*(?<!\d)(\d{3,5})$")
_TRAILING: Final = re.compile(r"^(.*?\D)[\s_.\-]*(\d+)$")


def dated(name: str, date: str | None) -> str:
    """A show's name with its date, where it has one."""
    return f"{name} ({date})" if date else name


def date_in(name: str) -> str | None:
    """Date in a name of a folder or file, as ISO 8601; None where there is none that the calendar has.

    Examples
    --------
    >>> date_in("show-2026-05-03"), date_in("20260503_2215"), date_in("take 2026")
    ('2026-05-03', '2026-05-03', None)
    """
    for match in _DATE.finditer(name):
        try:
            return dt.date.fromisoformat("-".join(_CALENDAR_DAY.findall(match[0])[0])).isoformat()
        except ValueError:
            continue  # 31 June
    return None


def without_date(stem: str) -> str:
    """Stem without dates, and without what divides them from the rest.

    Examples
    --------
    >>> without_date("07 kick 2026-05-03")
    '07 kick'
    """
    return _DATE.sub(" ", stem).strip(" _.-")


def clean_name(stem: str) -> str:
    """Track's name without leading numbers, take and date parts; empty when nothing is left.

    Examples
    --------
    >>> clean_name("07_gtr a L_2026-03-01_take 2")
    'gtr a L'
    """
    # bytes that are no text (a card written by an older device) are shown as such
    name = _DATE.sub(" ", stem.encode("utf-8", "surrogateescape").decode("utf-8", "replace"))
    name = _TAKE.sub(" ", name)
    name = re.sub(r"[_]+", " ", name).strip(" _.-–")
    shorter = _LEAD.sub("", name, count=1).strip(" _.-–")
    # a number may be all there is: it is then no name
    name = shorter if shorter or name.isdigit() or _LEAD.fullmatch(name) else name
    return re.sub(r"\s+", " ", name).strip(" _.-–")


def is_number(name: str) -> bool:
    """True where a name is a track's number and nothing else ("07", "Ch 01", "Track 5")."""
    return _LEAD.fullmatch(name.strip()) is not None


def leading_number(stem: str) -> str | None:
    """Number that a name begins with, without zeros in front: a channel of the desk, or two of them.

    Examples
    --------
    >>> leading_number("09-10_Keys"), leading_number("Track 05"), leading_number("kick")
    ('9/10', '5', None)
    """
    match = _LEAD.match(_TAKE.sub(" ", _DATE.sub(" ", stem)).replace("_", " ").strip(" _.-–"))
    return "/".join(str(int(number)) for number in re.findall(r"\d+", match[1])) if match else None


@lru_cache(maxsize=4096)
def key(name: str) -> str:
    """Form in which two names are compared: case, punctuation and leading numbering are ignored.

    Examples
    --------
    >>> key("03 Gtr_A (L)") == key("gtr a l")
    True
    """
    bare = clean_name(name) or name
    # what was cleaned once may start with a number again ("1 2 vox"): both forms must come to the same
    while (again := clean_name(bare)) and again != bare:
        bare = again
    folded = unicodedata.normalize("NFC", bare.casefold())
    # letters, their marks and digits of every script; a name of signs alone is compared as it stands
    return "".join(sign for sign in folded if sign.isalnum() or unicodedata.category(sign)[0] == "M") or folded


def nearest(name: str, known: Iterable[str], *, count: int = 3) -> list[str]:
    """Known names most like `name`, best first; empty when none is near."""
    by_key = {key(known_name): known_name for known_name in known}
    return [by_key[near] for near in difflib.get_close_matches(key(name), by_key, n=count, cutoff=0.5)]


def part_of(stem: str) -> tuple[str, int] | None:
    """Stem of the take and number of the part, when the file's name says that it is a part ("kick part 2", "kick_002")."""
    match = _PART_WORD.match(stem) or _PART_NUMBER.match(stem)
    return (match[1], int(match[2])) if match else None


def is_called_part(stem: str) -> bool:
    """True where the file's name uses the word "part" ("kick part 2")."""
    return _PART_WORD.match(stem) is not None


def numbered(stem: str) -> tuple[str, int] | None:
    """Stem and its last number, however written ("R 2"); only a time reference can then tell parts from tracks."""
    match = _TRAILING.match(stem)
    return (match[1], int(match[2])) if match else None
