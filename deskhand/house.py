"""The house file: the venue's standing description, typed, validated, and written back with its comments kept."""

from __future__ import annotations

import copy
import difflib
import re
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar, get_args, get_type_hints

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked

from deskhand.errors import HouseError
from deskhand.recording.names import key, nearest
from deskhand.recording.show import Tap
from deskhand.units import Kind, parse, parse_range_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

FILE_NAME: Final = "house.toml"
WEEK_PREFIX: Final = "week-"
_LONGEST_STEM: Final = 100
"""Bytes of the middle of such a file's name: a show may have a name that no file can have."""

Role = Literal[
    "lead vocal", "backing vocal", "speech", "guitar", "acoustic guitar", "bass", "keys", "kick", "snare", "toms",
    "overheads", "percussion", "playback", "audience", "click", "talkback", "other",
]  # fmt: skip
ROLES: Final[tuple[Role, ...]] = get_args(Role)
STRIKING: Final[frozenset[str]] = frozenset({"kick", "snare", "toms", "percussion"})
"""Sources that strike: their level is the level of the hits."""
NEVER_IN_A_MIX: Final[frozenset[str]] = frozenset({"click", "talkback"})
OPEN_MICROPHONES: Final[frozenset[str]] = frozenset(
    {"lead vocal", "backing vocal", "speech", "overheads", "snare", "toms", "percussion", "audience", "talkback"}
)
"""Roles picked up by a microphone that hears the stage: bleed in them is no fault, and they can howl."""

AnyBlock = TypeVar("AnyBlock")

_FORBID: Final = ConfigDict(extra="forbid", frozen=True)


def _value(kind: Kind) -> BeforeValidator:
    return BeforeValidator(lambda given: parse(given if isinstance(given, str) else str(given), kind))


Level = Annotated[float, _value("level_dbfs")]
Gain = Annotated[float, _value("gain_db"), Field(ge=-200, le=60)]
BellGain = Annotated[float, _value("gain_db"), Field(ge=-60, le=60)]
NotNegative = Annotated[float, _value("gain_db"), Field(ge=0, le=60)]
PanLaw = Annotated[float, _value("gain_db"), Field(ge=-6, le=-3)]
Frequency = Annotated[float, _value("frequency_hz"), Field(ge=1, le=96000)]
Time = Annotated[float, _value("time_s"), Field(ge=0)]


def _whole_orders(slope_db_per_octave: float) -> float:
    if slope_db_per_octave % 6.0:
        raise ValueError("a slope is a multiple of 6 dB/oct")
    return slope_db_per_octave


Slope = Annotated[float, _value("slope_db_per_octave"), Field(ge=6, le=48), AfterValidator(_whole_orders)]
Interval = Annotated[float, _value("interval_octave"), Field(gt=0)]
Loudness = Annotated[float, _value("loudness_lufs")]
Share = Annotated[float, _value("share_pct"), Field(ge=0, le=100)]
Quality = Annotated[float, Field(ge=0.01, le=100)]
Ratio = Annotated[float, Field(ge=1)]
RangeDb = Annotated[tuple[float, float], BeforeValidator(parse_range_db)]
Name = Annotated[str, Field(min_length=1)]


def _mains(given: object) -> float:
    frequency_hz = parse(str(given), "frequency_hz")
    if frequency_hz not in (50.0, 60.0):
        raise ValueError(f"{given!r} is not a mains frequency; allowed are '50 Hz' and '60 Hz'")
    return frequency_hz


def _sound_level(given: object) -> float:
    return parse(str(given), "level_dba")


def _delay(given: object) -> float:
    """Seconds, from a time or from a distance at 20 °C (343.2 m/s: ISO 9613-1:1993, dry air)."""
    try:
        return parse(str(given), "time_s")
    except ValueError:
        return parse(str(given), "distance_m") / 343.2


@checked(config=_FORBID, kw_only=True)
class House:
    """What holds for every source unless it says otherwise."""

    name: Name
    nominal_dbfs: Level = Field(default=-18.0, alias="nominal")
    mains_hz: Annotated[float, BeforeValidator(_mains)] = Field(default=50.0, alias="mains")
    tap: Tap = "preamp"
    level_listen_db: NotNegative = Field(default=2.0, alias="level_listen")
    """How far from nominal a level may be before it is worth listening to."""
    level_fix_db: NotNegative = Field(default=4.0, alias="level_fix")
    """How far from nominal it is to be put right."""


@checked(config=_FORBID, kw_only=True)
class Equaliser:
    """What the desk's equaliser can be set to."""

    bells: Annotated[int, Field(ge=0, le=32)] = 4
    gain_step_db: Gain = Field(default=0.5, alias="gain_step")
    gain_max_db: Gain = Field(default=15.0, alias="gain_max")
    frequency_step_octave: Interval = Field(default=1 / 12, alias="frequency_step")
    q: list[Quality] = field(default_factory=lambda: [0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6])
    per_side: bool = False
    mid_side: bool = False


@checked(config=_FORBID, kw_only=True)
class Desk:
    """What can be set at all; a move never asks for more."""

    gain_step_db: Gain = Field(default=1.0, alias="gain_step")
    trim_step_db: Gain = Field(default=0.5, alias="trim_step")
    equaliser: Equaliser = field(default_factory=Equaliser)
    monitors: Tap = "after-gain"
    mix: list[str | int] = field(default_factory=list)
    """Tracks that hold the desk's own mix, when it is recorded too."""


@checked(config=_FORBID, kw_only=True)
class Room:
    """The sound level at the mix position when the mix sits at a loudness."""

    level_dba: Annotated[float, BeforeValidator(_sound_level)] = Field(alias="level")
    mix_loudness_lufs: Loudness = Field(alias="mix_loudness")


@checked(config=_FORBID, kw_only=True)
class Vocal:
    """Whose words must be heard, and how clear."""

    source: Name
    clearance_pct: Share | None = Field(default=None, alias="clearance")


On = Literal["left", "right", "mid", "side", "both"]
Detector = Literal["linked", "dual", "mid-side"]
Alignment = Literal["butterworth", "linkwitz-riley"]


@checked(config=_FORBID, kw_only=True)
class GainBlock:
    """The preamp's gain, as a change against the recording."""

    block: Literal["gain"]
    gain_db: Gain = Field(alias="gain")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class TrimBlock:
    """Digital gain behind the preamp."""

    block: Literal["trim"]
    gain_db: Gain = Field(alias="gain")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class PolarityBlock:
    """Turns the signal upside down."""

    block: Literal["polarity"]
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class DelayBlock:
    """Holds the signal back by a time or a distance."""

    block: Literal["delay"]
    time_s: Annotated[float, BeforeValidator(_delay), Field(ge=0, le=10)] = Field(alias="time")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class HighPassBlock:
    """Takes away what lies below a frequency."""

    block: Literal["high-pass"]
    frequency_hz: Frequency = Field(alias="frequency")
    slope_db_per_octave: Slope = Field(default=12.0, alias="slope")
    shape: Alignment = "butterworth"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class LowPassBlock:
    """Takes away what lies above a frequency."""

    block: Literal["low-pass"]
    frequency_hz: Frequency = Field(alias="frequency")
    slope_db_per_octave: Slope = Field(default=12.0, alias="slope")
    shape: Alignment = "butterworth"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class BellBlock:
    """Lifts or lowers a band."""

    block: Literal["bell"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 1.0
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class LowShelfBlock:
    """Lifts or lowers all below a frequency."""

    block: Literal["low-shelf"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 0.707
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class HighShelfBlock:
    """Lifts or lowers all above a frequency."""

    block: Literal["high-shelf"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 0.707
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class SaturationBlock:
    """Bends loud peaks softly."""

    block: Literal["saturation"]
    drive_db: BellGain = Field(default=0.0, alias="drive")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class GateBlock:
    """Lowers what falls below a threshold."""

    block: Literal["gate"]
    threshold_dbfs: Level = Field(alias="threshold")
    range_db: Gain = Field(default=-20.0, alias="range")
    attack_s: Time = Field(default=0.001, alias="attack")
    hold_s: Time = Field(default=0.05, alias="hold")
    release_s: Time = Field(default=0.2, alias="release")
    hysteresis_db: NotNegative = Field(default=3.0, alias="hysteresis")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class CompressorBlock:
    """Lowers what rises above a threshold."""

    block: Literal["compressor"]
    threshold_dbfs: Level = Field(alias="threshold")
    ratio: Ratio | Literal["rising"] = 2.0
    knee_db: NotNegative = Field(default=6.0, alias="knee")
    attack_s: Time = Field(default=0.01, alias="attack")
    release_s: Time | Literal["two-stage"] = Field(default=0.15, alias="release")
    detector: Detector = "linked"
    senses: Literal["peak", "rms"] = "peak"
    """Whether the detector looks at peaks or at mean squares; a sine has the same level either way."""
    side_threshold_dbfs: Level | None = Field(default=None, alias="side_threshold")
    """Of the sides, where middle and sides are compressed apart; the same as the middle's without it."""
    high_pass_hz: Frequency | None = Field(default=None, alias="high_pass")
    """Of what the detector hears."""
    makeup_db: Gain = Field(default=0.0, alias="makeup")
    reduction_db: RangeDb | None = Field(default=None, alias="reduction")
    """What the house wants it to take off."""
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class DynamicBellBlock:
    """A bell that moves only while its band is too loud."""

    block: Literal["dynamic-bell"]
    frequency_hz: Frequency = Field(alias="frequency")
    threshold_dbfs: Level = Field(alias="threshold")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 1.0
    attack_s: Time = Field(default=0.01, alias="attack")
    release_s: Time = Field(default=0.15, alias="release")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class MidSideBlock:
    """Trims the middle and the sides of a pair."""

    block: Literal["mid-side"]
    mid_db: Gain = Field(default=0.0, alias="mid")
    side_db: Gain = Field(default=0.0, alias="side")


@checked(config=_FORBID, kw_only=True)
class PanBlock:
    """Places a source: -100 left, 0 centre, 100 right."""

    block: Literal["pan"]
    position: Annotated[float, Field(ge=-100, le=100)] = 0.0
    law_db: PanLaw = Field(default=-3.0, alias="law")


@checked(config=_FORBID, kw_only=True)
class LimiterBlock:
    """Lets no peak pass a ceiling."""

    block: Literal["limiter"]
    ceiling_dbfs: Level = Field(default=-1.0, alias="ceiling")
    release_s: Time = Field(default=0.1, alias="release")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class CurveBlock:
    """A measured response."""

    block: Literal["curve"]
    file: Name
    phase: Literal["linear", "minimum"] = "minimum"
    on: On = "both"


ChainBlock = Annotated[
    GainBlock | TrimBlock | PolarityBlock | DelayBlock | HighPassBlock | LowPassBlock | BellBlock | LowShelfBlock
    | HighShelfBlock | SaturationBlock | GateBlock | CompressorBlock | DynamicBellBlock | MidSideBlock | PanBlock
    | LimiterBlock | CurveBlock,
    Field(discriminator="block"),
]  # fmt: skip
_BLOCKS: Final[dict[str, Any]] = {
    get_args(get_type_hints(kind)["block"])[0]: kind for kind in get_args(get_args(ChainBlock)[0])
}
BLOCK_NAMES: Final = tuple(_BLOCKS)
_BLOCK_ADAPTER: Final[TypeAdapter[ChainBlock]] = TypeAdapter(ChainBlock)


def make_block(written: Mapping[str, Any]) -> ChainBlock:
    """A block from its keys as the house file has them, like `{"block": "bell", "frequency": "1 kHz", "gain": "-3 dB"}`."""
    return _BLOCK_ADAPTER.validate_python(written)


_SAID: Final = {"db": "dB", "dbfs": "dBFS", "hz": "Hz", "db_per_octave": "dB/oct"}


def defaults_of(block: str) -> dict[str, str]:
    """What a block's keys are when nobody writes them, as the house file would have them."""
    out = {}
    for item in fields(_BLOCKS[block]):
        found = _BLOCKS[block].__pydantic_fields__[item.name]
        value = found.default
        if item.name == "block" or value is None or not isinstance(value, int | float | str):
            continue
        ending = next((one for one in sorted(_SAID, key=len, reverse=True) if item.name.endswith(f"_{one}")), None)
        if isinstance(value, str):
            said = value
        elif item.name.endswith("_s"):
            said = f"{1000 * value:g} ms"
        else:
            said = f"{value:g} {_SAID[ending]}" if ending else f"{value:g}"
        out[found.alias or item.name] = said
    return out


def made_blocks(written: Sequence[Mapping[str, Any]]) -> list[ChainBlock]:
    """Blocks from their keys as the house file has them.

    Raises
    ------
    HouseError
        Which block of the chain, the key, the value, and what is allowed.
    """
    out = []
    for place, one in enumerate(written, 1):
        try:
            out.append(make_block(one))
        except ValidationError as error:
            found = min(
                error.errors(include_url=False),
                key=lambda item: item["type"] not in ("unexpected_keyword_argument", "extra_forbidden"),
            )
            loc = found["loc"]
            while loc and isinstance(loc[-1], str) and loc[-1] != "on" and _is_union_member(loc[-1]):
                loc = loc[:-1]
            problem, fix = _sentence(found, ("source", 0, "chain", place - 1, *loc))
            kind = one.get("block")
            where = f"chain {place}" + (f", {kind}" if isinstance(kind, str) else "")
            raise HouseError(where, problem, fix) from None
    return out


def changed(block: AnyBlock, **values: float | str) -> AnyBlock:
    """A block with some values changed, numbers in the unit of their name."""
    made = copy.copy(block)
    for name, value in values.items():
        # frozen against mistakes, not against a copy of its own being finished
        object.__setattr__(made, name, value)
    return made


@checked(config=_FORBID, kw_only=True)
class Source:
    """What a track, or a left and right pair of tracks, carries."""

    name: Name
    role: Role
    tracks: Annotated[list[str | int], Field(min_length=1, max_length=2)]
    channel: str | int | None = None
    patch: str | None = None
    fader_db: Gain | None = Field(default=None, alias="fader")
    nominal_dbfs: Level | None = Field(default=None, alias="nominal")
    level_listen_db: NotNegative | None = Field(default=None, alias="level_listen")
    level_fix_db: NotNegative | None = Field(default=None, alias="level_fix")
    tap: Tap | None = None
    used: bool = True
    mute: bool = False
    """Not in the mix this time."""
    chain: list[ChainBlock] = field(default_factory=list)

    @property
    def is_pair(self) -> bool:
        """Whether it has a left and a right track."""
        return len(self.tracks) == 2

    @property
    def where(self) -> str:
        """Where it is, on the desk and on the stage; empty when nobody wrote it down."""
        parts = (f"channel {self.channel}" if self.channel is not None else "", self.patch or "")
        return ", ".join(part for part in parts if part)


@checked(config=_FORBID, kw_only=True)
class HouseFile:
    """All of `house.toml`."""

    house: House
    desk: Desk = field(default_factory=Desk)
    room: Room | None = None
    source: list[Source] = field(default_factory=list)
    vocal: Vocal | None = None

    def nominal_dbfs(self, source: Source) -> float:
        """Where the source should sit."""
        return self.house.nominal_dbfs if source.nominal_dbfs is None else source.nominal_dbfs

    def level_limits_db(self, source: Source) -> tuple[float, float]:
        """How far from nominal it is to be listened to, and to be put right."""
        listen = self.house.level_listen_db if source.level_listen_db is None else source.level_listen_db
        fix = self.house.level_fix_db if source.level_fix_db is None else source.level_fix_db
        return listen, max(listen, fix)


_ADAPTER: Final = TypeAdapter(HouseFile)
_TABLES: Final[dict[str, Any]] = {
    "house": House, "desk": Desk, "desk.equaliser": Equaliser, "room": Room, "vocal": Vocal, "source": Source, "": HouseFile,
}  # fmt: skip


def _keys_of(kind: Any) -> list[str]:
    return [kind.__pydantic_fields__[item.name].alias or item.name for item in fields(kind)]


_HEADER: Final = re.compile(r"^\s*\[(\[)?\s*([^\]]+?)\s*\]")
_ENTRY: Final = re.compile(r"""^\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_\-.]+))\s*=""")


def _lines_of(text: str) -> dict[tuple[str | int, ...], int]:
    """Where each key stands: (table, index ..., key) to line number. The TOML libraries do not say."""
    where: dict[tuple[str | int, ...], int] = {(): 1}
    counts: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        header = _HEADER.match(line)
        if header:
            path: tuple[str | int, ...] = ()
            pieces = [piece.strip(" \"'") for piece in header[2].split(".")]
            for depth, piece in enumerate(pieces):
                path = (*path, piece)
                last = depth == len(pieces) - 1
                if header[1] and last:
                    counts[path] = counts.get(path, -1) + 1
                    path = (*path, counts[path])
                elif path in counts:
                    path = (*path, counts[path])
            table = path
            where[table] = number
            continue
        entry = _ENTRY.match(line)
        if entry:
            where[(*table, *(entry[1] or entry[2] or entry[3]).split("."))] = number
    return where


def _line(where: dict[tuple[str | int, ...], int], loc: tuple[str | int, ...]) -> int:
    for length in range(len(loc), -1, -1):
        if loc[:length] in where:
            return where[loc[:length]]
    return 1


def _place(data: dict[str, Any], loc: tuple[str | int, ...]) -> str:
    """The table in words: `source "bass", chain 2`."""
    if not loc:
        return ""
    if loc[0] == "source" and len(loc) > 1 and isinstance(loc[1], int):
        entry = data["source"][loc[1]] if isinstance(data.get("source"), list) else {}
        name = entry.get("name") if isinstance(entry, dict) else None
        text = f'source "{name}"' if name else f"source {loc[1] + 1}"
        if len(loc) > 3 and loc[2] == "chain" and isinstance(loc[3], int):
            text += f", chain {loc[3] + 1}"
        return text
    return f"[{'.'.join(str(piece) for piece in loc[:-1]) or loc[0]}]"


def _kind_at(loc: tuple[str | int, ...]) -> Any:
    tables = [piece for piece in loc[:-1] if isinstance(piece, str)]
    if "chain" in tables and tables[-1] in _BLOCKS:
        return _BLOCKS[tables[-1]]
    return _TABLES.get(".".join(tables), HouseFile)


def _sentence(error: Any, loc: tuple[str | int, ...]) -> tuple[str, str]:
    """What is wrong and what to do, from one of the validator's errors."""
    kind, context = error["type"], error.get("ctx", {})
    name = str(loc[-1]) if loc else ""
    given = error.get("input")
    if kind in ("unexpected_keyword_argument", "extra_forbidden"):
        known = _keys_of(_kind_at(loc))
        near = difflib.get_close_matches(name, known, 1, 0.5)
        fix = f'did you mean "{near[0]}"?' if near else f"known keys here are {', '.join(known)}"
        return f'unknown key "{name}"', fix
    if kind in ("missing", "missing_argument"):
        return f'the key "{name}" is missing', "add it"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        near = difflib.get_close_matches(str(given), allowed, 1, 0.5)
        return f'"{name}" is {given!r}', (
            f'did you mean "{near[0]}"? ' if near else ""
        ) + f"allowed: {', '.join(allowed)}"
    if kind == "union_tag_invalid":
        near = difflib.get_close_matches(str(context.get("tag")), BLOCK_NAMES, 1, 0.4)
        return (
            f"unknown block {str(context.get('tag'))!r}",
            (f'did you mean "{near[0]}"? ' if near else "") + f"blocks are {', '.join(BLOCK_NAMES)}",
        )
    if kind == "union_tag_not_found":
        return "this chain entry has no block", f'add block = "..." ({", ".join(BLOCK_NAMES)})'
    if kind == "value_error":
        problem, _, fix = str(context.get("error")).partition("; ")
        return f'"{name}": {problem}', fix or "mend it"
    shown = repr(given) if len(repr(given)) <= 60 else f"a {type(given).__name__}"
    said = str(error["msg"]).replace(" after validation", "")
    return f'"{name}" is {shown}', said[0].lower() + said[1:]


def _first_error(path: Path, text: str, data: dict[str, Any], found: ValidationError) -> HouseError:
    where = _lines_of(text)
    errors = found.errors(include_url=False)
    # a misspelt key is also a missing one: the misspelling says more
    error = min(errors, key=lambda item: item["type"] not in ("unexpected_keyword_argument", "extra_forbidden"))
    loc = tuple(piece for piece in error["loc"])
    while loc and loc[-1] != "on" and isinstance(loc[-1], str) and _is_union_member(loc[-1]):
        loc = loc[:-1]
    # ("source", 0, "chain", 2, "bell", "gain"): the fifth is the block's kind; "gain" is a key and a kind
    plain = loc[:4] + loc[5:] if len(loc) > 4 and loc[2] == "chain" else loc
    problem, fix = _sentence(error, loc)
    if error["type"].startswith("union_tag"):
        plain = (*plain, "block")
    place = _place(data, plain)
    others = len({item["loc"][:4] for item in errors}) - 1
    more = f" (and {others} more to mend after this one)" if others > 0 else ""
    at = f"{path.name}, line {_line(where, plain)}" + (f", {place}" if place else "")
    return HouseError(at, problem, fix + more)


def _is_union_member(piece: str) -> bool:
    return bool(re.match(r"(function-|constrained-|float$|str$|int$|literal\[|list\[)", piece))


def parse_house(text: str, path: Path) -> HouseFile:
    """A house from the text of its file.

    Raises
    ------
    HouseError
        The line, the key, the value, what is allowed and the nearest known key.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        at = re.search(r"\(at line (\d+), column \d+\)", said)
        where = f"{path.name}, line {at[1]}" if at else path.name
        problem = re.sub(r"\s*\(at [^)]*\)", "", said)
        raise HouseError(where, f"not readable as TOML: {problem[0].lower()}{problem[1:]}", "mend that line") from error
    except RecursionError as error:
        raise HouseError(path.name, "not readable as TOML: brackets inside brackets without end", "mend it") from error
    try:
        house = _ADAPTER.validate_python(data)
    except ValidationError as error:
        raise _first_error(path, text, data, error) from error
    _check_names(path, text, house)
    return house


def _check_names(path: Path, text: str, house: HouseFile) -> None:
    """What only the whole file can say: names used twice, tracks claimed twice, a vocal that is no source."""
    where = _lines_of(text)
    seen: dict[str, str] = {}
    claimed: dict[str, str] = {}
    for index, source in enumerate(house.source):
        at = f'{path.name}, line {_line(where, ("source", index, "tracks"))}, source "{source.name}"'
        if key(source.name) in seen:
            raise HouseError(at, f'there is a source "{seen[key(source.name)]}" already', "give each its own name")
        seen[key(source.name)] = source.name
        for track in source.tracks:
            if isinstance(track, int) and track < 1:
                raise HouseError(at, f"there is no channel {track}", "channels of a recording count from 1")
            name = str(track) if isinstance(track, int) else key(track)
            if name in claimed:
                owner = claimed[name]
                raise HouseError(
                    at, f'track "{track}" belongs to source "{owner}" already', "give each track to one source"
                )
            claimed[name] = source.name
    if house.vocal and key(house.vocal.source) not in seen:
        near = nearest(house.vocal.source, [source.name for source in house.source], count=1)
        fix = f'did you mean "{near[0]}"?' if near else "name one of the sources"
        at = f"{path.name}, line {_line(where, ('vocal', 'source'))}, [vocal]"
        raise HouseError(at, f'there is no source "{house.vocal.source}"', fix)


def read_house(path: Path) -> HouseFile:
    """The house described by a file.

    Raises
    ------
    HouseError
        Not there, no text, or a mistake in it.
    """
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError as error:
        raise HouseError(str(path), "no such file", "write one with: deskhand new RECORDING") from error
    except (OSError, UnicodeDecodeError) as error:
        said = (isinstance(error, OSError) and error.strerror) or error
        raise HouseError(path.name, f"cannot be read as text ({said})", "name a house file") from error
    return parse_house(text, path)


def find_house(recording: Path) -> Path | None:
    """`house.toml` beside the recording or above it; None when there is none."""
    start = recording.resolve()
    for folder in (start, *start.parents):
        if (folder / FILE_NAME).is_file():
            return folder / FILE_NAME
    return None


def week_file(folder: Path, *, date: str | None, name: str) -> Path | None:
    """This week's house file of a show, there or not: `week-DATE.toml`, or by the show's name where it has no date.

    Parameters
    ----------
    folder : Path
        Of the standing house file.
    date : str, optional
        Of the show, ISO 8601.
    name : str
        Of the show, or of its folder or file.

    Returns
    -------
    Path or None
        None for a name that no file can have.
    """
    stem = "".join(sign if sign.isalnum() or sign in "-_." else "-" for sign in (date or name)).strip(".-")
    fits = 0 < len(stem.encode("utf-8", "replace")) <= _LONGEST_STEM
    return folder / f"{WEEK_PREFIX}{stem}.toml" if fits else None


def standing_file(house_file: Path) -> Path:
    """The standing house file beside a week's; any other is its own."""
    beside = house_file.with_name(FILE_NAME)
    return beside if house_file.name.startswith(WEEK_PREFIX) and beside.is_file() else house_file


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Which tracks of a recording belong to which source."""

    by_source: dict[str, tuple[int | None, ...]]
    """Source name to track positions (from 0); None where the recording has no such track."""
    mix: tuple[int, ...]
    """Tracks that hold the desk's own mix."""
    unmatched: tuple[int, ...]
    """Tracks that no source claims."""


def match_tracks(house: HouseFile, track_names: list[str]) -> Matched:
    """Sources to tracks; case, numbering and punctuation are ignored; a number is a channel of the recording."""
    positions: dict[str, int] = {}
    for position, name in enumerate(track_names):
        positions.setdefault(key(name), position)
    taken: set[int] = set()

    def find(wanted: str | int) -> int | None:
        position = wanted - 1 if isinstance(wanted, int) else positions.get(key(wanted))
        if position is None or not 0 <= position < len(track_names):
            return None
        taken.add(position)
        return position

    by_source = {source.name: tuple(find(track) for track in source.tracks) for source in house.source}
    mix = tuple(found for found in map(find, house.desk.mix) if found is not None)
    unmatched = tuple(position for position in range(len(track_names)) if position not in taken)
    return Matched(by_source=by_source, mix=mix, unmatched=unmatched)


def write_values(text: str, changes: dict[tuple[str | int, ...], Any]) -> str:
    """The house file with some values changed, its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    changes : dict
        Path to new value, such as `{("source", 2, "nominal"): "-20 dBFS"}`.

    Raises
    ------
    HouseError
        A path that is not in the file.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for path, value in changes.items():
        table: Any = document
        for piece in path[:-1]:
            try:
                table = table[piece]
            except (KeyError, IndexError) as error:
                where = ".".join(map(str, path))
                raise HouseError(FILE_NAME, f"there is no {where} to change", "add it first") from error
        table[path[-1]] = value
    return tomlkit.dumps(document)


def written_source(text: str, source: str) -> dict[str, Any]:
    """A source as the house file has it: its keys and its chain, in the words of the file.

    Raises
    ------
    HouseError
        A mistake in the file, or there is no such source.
    """
    parse_house(text, Path(FILE_NAME))
    found = next((one for one in tomllib.loads(text).get("source", []) if key(str(one["name"])) == key(source)), None)
    if found is None:
        raise HouseError(FILE_NAME, f'there is no source "{source}"', "read the page again")
    return dict(found)


def with_source(text: str, source: str, *, chain: Sequence[Mapping[str, Any]], keys: Mapping[str, Any]) -> str:
    """The house file with another chain, and other keys, of one source; its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    source : str
    chain : sequence of mapping
        Blocks in the words of the file, like `{"block": "bell", "frequency": "400 Hz", "gain": "-1.5 dB"}`.
    keys : mapping
        Such as `{"fader": "-6 dB"}`; a key with None is taken out.

    Raises
    ------
    HouseError
        There is no such source, or what comes out is no house file.
    """
    import tomlkit

    written_source(text, source)
    made_blocks(chain)
    document = tomlkit.parse(text)
    tables: Any = document["source"]
    table = next(one for one in tables if key(str(one["name"])) == key(source))
    for name, value in keys.items():
        if value is None:
            table.pop(name, None)
        else:
            table[name] = value
    written = [dict(one) for one in table.get("chain", [])]
    if not chain and not written:
        table.pop("chain", None)
    elif isinstance(table.get("chain"), tomlkit.items.Array):
        if not chain:
            table.pop("chain")
        elif written != [dict(one) for one in chain]:
            table["chain"] = _in_one_line(chain)
    else:
        # a comment behind an empty line is on what follows, and stays in front of that
        behind = _cut_off(table["chain"][-1] if written else table)
        if not written:
            table.append("chain", tomlkit.aot())
        _write_chain(table["chain"], chain)
        last = table["chain"][-1] if chain else table
        if not chain:
            table.pop("chain")
        last.value.body.extend(behind)
    out = tomlkit.dumps(document)
    parse_house(out, Path(FILE_NAME))
    return out


def _in_one_line(chain: Sequence[Mapping[str, Any]]) -> Any:
    """A chain as whoever wrote `chain = [...]` would have it."""
    import tomlkit

    rows = tomlkit.array()
    for block in chain:
        row = tomlkit.inline_table()
        row.update(block)
        rows.append(row)
    return rows


def _cut_off(table: Any) -> list[Any]:
    """What stands behind a table's last key and an empty line, taken out of it."""
    import tomlkit

    body = table.value.body
    first = next((place for place in range(len(body), 0, -1) if body[place - 1][0] is not None), 0)
    while first < len(body) and not isinstance(body[first][1], tomlkit.items.Whitespace):
        first += 1
    behind = list(body[first:])
    del body[first:]
    return behind


def _write_chain(entries: Any, chain: Sequence[Mapping[str, Any]]) -> None:
    """Bring a chain in a document to other blocks: what is there in the same order is changed in place and keeps its comments."""
    import tomlkit

    at = 0

    def take_out() -> None:
        # what stands in front of the next block is kept for it
        behind = "".join(item.as_string() for _, item in _cut_off(entries[at]))
        del entries[at]
        if at < len(entries) and "#" in behind:
            entries[at].trivia.indent = behind.lstrip("\n") + entries[at].trivia.indent

    for block in chain:
        kinds = [one["block"] for one in entries[at:]]
        if block["block"] in kinds:
            # those between were taken out
            for _ in range(kinds.index(block["block"])):
                take_out()
            entry = entries[at]
            for name in [name for name in entry if name not in block]:
                del entry[name]
            for name, value in block.items():
                if name not in entry or entry[name] != value:
                    entry[name] = value
        else:
            made = tomlkit.table()
            for name, value in block.items():
                made.append(name, value)
            entries.insert(at, made)
        at += 1
    while len(entries) > at:
        take_out()
