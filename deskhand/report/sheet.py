"""The settings sheet: every input with its place, its settings and what changed, on one or two printed pages, and as CSV."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import unicodedata
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from deskhand.house import (
    OPEN_MICROPHONES,
    BellBlock,
    CompressorBlock,
    CurveBlock,
    DelayBlock,
    DynamicBellBlock,
    GainBlock,
    GateBlock,
    HighPassBlock,
    HighShelfBlock,
    LimiterBlock,
    LowPassBlock,
    LowShelfBlock,
    MidSideBlock,
    PanBlock,
    PolarityBlock,
    SaturationBlock,
    TrimBlock,
)
from deskhand.moves.move import who_hears
from deskhand.recording.names import dated, key
from deskhand.units import db_from_amplitude, number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock, Desk, HouseFile, Source
    from deskhand.report.result import CheckResult, SourceResult

Paper = Literal["a4", "letter"]
Change = Literal["same", "new", "changed", "out"]
Group = Literal["gain", "equaliser", "dynamics", "stereo"]
Leg = Literal["both", "left", "right", "mid", "side"]

LOW_HZ, HIGH_HZ = 20.0, 20000.0
"""The range of hearing, rounded as the trade rounds it. Common practice, no source."""
SPAN_DB: Final = 12.0
"""Top and bottom of a sketch: what goes further leaves the picture, so that a change of 2 dB is still seen. Common practice, no
source."""
POINTS: Final = 181
"""Of a curve: 18 an octave, so that the narrowest bell of a desk keeps its tip."""
PAGES: Final = 2
"""What a sheet should take; with more inputs it goes on rather than drop one."""
_DEEPEST_DB: Final = -60.0
_SPACINGS: Final = (
    (12.0, 5.0), (12.0, 3.5), (11.0, 4.5), (11.0, 3.0), (10.5, 4.0), (10.5, 3.0),
    (10.0, 4.0), (10.0, 3.0), (10.0, 2.0), (10.0, 1.2), (10.0, 0.4),
)  # fmt: skip
"""Size of type and room above and below a row, in points, the roomiest first. 10 points is the least to read at arm's length, and
is never gone below. Common practice, no source."""
_THINNING: Final = 0.004
"""How far a curve may be off for being drawn with fewer points, as a share of its picture: 0.1 pt, a tenth of its line."""
_LONG: Final = 400
"""Letters in a narrow column, of about 17 a line, that come near the height of a page."""
_LINES_MM: Final = 9.0
_CAUTIONS: Final = (
    "A person makes every change: deskhand never touches the desk. One at a time, listening, quietly first.",
    "A preamp's gain is heard in the players' monitors: tell the stage first. Louder open microphones can feed back.",
)
_WORDS: Final = {"fix": "to fix", "listen": "to listen to", "silent": "silent", "missing": "missing"}
_DYNAMICS: Final = frozenset({"gate", "compressor", "dynamic-bell", "limiter"})
_GROUPS: Final[dict[str, Group]] = {
    "gain": "gain", "trim": "gain", "polarity": "gain", "delay": "gain",
    "high-pass": "equaliser", "low-pass": "equaliser", "bell": "equaliser", "low-shelf": "equaliser", "high-shelf": "equaliser",
    "curve": "equaliser",
    "saturation": "dynamics", "gate": "dynamics", "compressor": "dynamics", "dynamic-bell": "dynamics", "limiter": "dynamics",
    "mid-side": "stereo", "pan": "stereo",
}  # fmt: skip
_NAMES: Final = {
    "gain": "preamp", "low-shelf": "low shelf", "high-shelf": "high shelf", "dynamic-bell": "dynamic bell", "mid-side": "",
}  # fmt: skip
_TURNING: Final = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Signs that turn the direction of what follows them: in a name they would turn the rest of the line as well."""
_PAIR: Final = re.compile(r"\s*(\d+)\s*/\s*(\d+)\s*")
_DATE_LIKE: Final = re.compile(r"\s*\d+\s*[-/.:]\s*\d+(\s*[-/.:]\s*\d+)?\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One thing that is set, in the words used at a desk."""

    text: str
    group: Group
    change: Change = "same"
    was: str = ""
    """Of what changed, the old values; empty for what is new or the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A channel, a patch or a fader."""

    text: str
    was: str = ""
    """The old one; empty where it is the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """What all equaliser blocks of an input do together."""

    on: Leg
    gain_db: tuple[float, ...]
    """At the sheet's frequencies; nothing below -60 dB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One input."""

    channel: Placed
    patch: Placed
    name: str
    role: str
    player: str
    tracks: tuple[str, ...]
    new: bool
    """It was not there before."""
    to_do: str
    """What is left to do at it, in a few words; empty when it is well."""
    cautions: tuple[str, ...]
    """What belongs to the changes of this input."""
    settings: tuple[Setting, ...]
    fader: Placed
    fader_db: float | None
    mute: bool
    curves: tuple[Curve, ...]
    """One, or one for each leg where they differ; none where no equaliser is set."""
    sketch: str
    """The curves in words, for those who cannot see them."""

    @property
    def changed(self) -> bool:
        """Whether anything of it is another than before."""
        placed = (self.channel, self.patch, self.fader)
        return self.new or any(one.change != "same" for one in self.settings) or any(one.was for one in placed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What is printed; data only."""

    house: str
    show: str
    phase: str
    deskhand: str
    """Version that wrote it."""
    paper: Paper
    since: str | None
    """What changes are told against; None when nothing is said of them."""
    gone: tuple[str, ...]
    """Inputs that were there before."""
    unclaimed: tuple[str, ...]
    """Recorded, but in no source of the house file."""
    rows: tuple[Row, ...]
    notes: tuple[str, ...]
    frequency_hz: tuple[float, ...]
    """Of the curves."""


def _plain(text: str) -> str:
    """Text on one line: no control characters, and nothing that turns the direction of what follows."""
    text = _TURNING.sub("", text.encode("utf-8", "replace").decode())
    return " ".join("".join(" " if unicodedata.category(sign) == "Cc" else sign for sign in text).split())


def _hertz(frequency_hz: float) -> str:
    """As written: nothing a desk can set is rounded away."""
    if frequency_hz >= 1000:
        return f"{number(frequency_hz / 1000, 3)} kHz"
    return f"{number(frequency_hz, 1)} Hz"


def _time(time_s: float) -> str:
    return f"{number(time_s * 1000, 2)} ms" if time_s < 1 else f"{number(time_s, 2)} s"


def _gain(gain_db: float) -> str:
    """A gain with its sign and two places, where the desk's steps have them."""
    return f"{'+' if gain_db > 0 else ''}{number(gain_db, 2)} dB"


def _level(level_dbfs: float) -> str:
    return f"{number(level_dbfs, 1)} dBFS"


def _pan(position: float) -> str:
    side = "left" if position < 0 else "right"
    return "centre" if not position else f"{number(abs(position), 0)} % {side}"


def _parts(block: ChainBlock) -> dict[str, str]:
    """Each setting of a block by its name, in the order it is said."""
    match block:
        case GainBlock():
            return {"gain": f"{_gain(block.gain_db)} against the recording"}
        case TrimBlock():
            return {"gain": _gain(block.gain_db)}
        case PolarityBlock():
            return {"polarity": "inverted"}
        case DelayBlock():
            return {"time": _time(block.time_s)}
        case HighPassBlock() | LowPassBlock():
            shape = {} if block.shape == "butterworth" else {"shape": "Linkwitz-Riley"}
            slope = f"{number(block.slope_db_per_octave, 0)} dB/oct"
            return {"frequency": _hertz(block.frequency_hz), "slope": slope, **shape}
        case BellBlock() | LowShelfBlock() | HighShelfBlock():
            return {"frequency": f"{_hertz(block.frequency_hz)}", "gain": _gain(block.gain_db), "q": _q(block.q)}
        case SaturationBlock():
            return {"drive": f"drive {_gain(block.drive_db)}"}
        case GateBlock():
            return {
                "threshold": _level(block.threshold_dbfs),
                "range": f"range {_gain(block.range_db)}",
                "attack": f"attack {_time(block.attack_s)}",
                "hold": f"hold {_time(block.hold_s)}",
                "release": f"release {_time(block.release_s)}",
                "hysteresis": f"hysteresis {number(block.hysteresis_db, 1)} dB",
                **_detector(block.detector),
            }
        case CompressorBlock():
            return _compressor(block)
        case DynamicBellBlock():
            return {
                "frequency": _hertz(block.frequency_hz),
                "gain": f"up to {_gain(block.gain_db)}",
                "q": _q(block.q),
                "threshold": f"from {_level(block.threshold_dbfs)}",
                "attack": f"attack {_time(block.attack_s)}",
                "release": f"release {_time(block.release_s)}",
                **_detector(block.detector),
            }
        case MidSideBlock():
            return {"middle": f"middle {_gain(block.mid_db)}", "sides": f"sides {_gain(block.side_db)}"}
        case PanBlock():
            law = {} if block.law_db == -3.0 else {"law": f"law {_gain(block.law_db)}"}
            return {"position": _pan(block.position), **law}
        case LimiterBlock():
            return {
                "ceiling": f"ceiling {_level(block.ceiling_dbfs)}",
                "release": f"release {_time(block.release_s)}",
                **_detector(block.detector),
            }
        case CurveBlock():
            return {"file": f'"{_plain(block.file)}" (not in the sketch)', "phase": f"{block.phase} phase"}


def _q(q: float) -> str:
    return f"q {number(q, 3)}"


def _detector(detector: str) -> dict[str, str]:
    words = {"dual": "each side by itself", "mid-side": "middle and sides apart"}
    return {"detector": words[detector]} if detector in words else {}


def _compressor(block: CompressorBlock) -> dict[str, str]:
    ratio = "rising ratio" if block.ratio == "rising" else f"{number(float(block.ratio), 2)}:1"
    two_stage = block.release_s == "two-stage"
    out = {
        "threshold": _level(block.threshold_dbfs),
        "ratio": ratio,
        "knee": f"knee {number(block.knee_db, 1)} dB",
        "attack": f"attack {_time(block.attack_s)}",
        "release": "release in two stages" if two_stage else f"release {_time(float(block.release_s))}",
        **_detector(block.detector),
    }
    if block.senses == "rms":
        out["detector of RMS"] = "hears RMS"
    if block.side_threshold_dbfs is not None:
        out["threshold of the sides"] = f"sides {_level(block.side_threshold_dbfs)}"
    if block.high_pass_hz is not None:
        out["high-pass in its detector"] = f"hears from {_hertz(block.high_pass_hz)} up"
    if block.makeup_db:
        out["makeup"] = f"makeup {_gain(block.makeup_db)}"
    if block.reduction_db is not None:
        low_db, high_db = block.reduction_db
        out["wanted reduction"] = f"to take off {number(low_db, 1)} to {number(high_db, 1)} dB"
    return out


def _said(block: ChainBlock, parts: dict[str, str]) -> str:
    """A block in words: "bell 400 Hz −3 dB, q 1"."""
    on = getattr(block, "on", "both")
    where = "" if on == "both" else f"{ {'mid': 'middle', 'side': 'sides'}.get(on, on) }: "
    name = _NAMES.get(block.block, block.block)
    values = list(parts.values())
    if "frequency" in parts and "gain" in parts:
        # a bell is said in one breath
        values[:2] = [" ".join(values[:2])]
    text = ", ".join(values)
    if block.block in {"saturation", "limiter"}:
        return f"{where}{name}, {text}"
    return f"{where}{name} {text}" if name else f"{where}{text}"


def _was(new: dict[str, str], old: dict[str, str]) -> str:
    """The old values of what differs."""
    differs = [text for name, text in old.items() if new.get(name) != text]
    return ", ".join([*differs, *(f"no {name}" for name in new if name not in old)])


def _distance(one: ChainBlock, other: ChainBlock) -> float:
    """Octaves between two blocks; 0 for those without a frequency."""
    if isinstance(one, _WITH_FREQUENCY) and isinstance(other, _WITH_FREQUENCY):
        return abs(float(np.log2(one.frequency_hz / other.frequency_hz)))
    return 0.0


_WITH_FREQUENCY = (HighPassBlock, LowPassBlock, BellBlock, LowShelfBlock, HighShelfBlock, DynamicBellBlock)
_SHAPES = (HighPassBlock, LowPassBlock, BellBlock, LowShelfBlock, HighShelfBlock)


def _paired(new: Sequence[ChainBlock], old: Sequence[ChainBlock]) -> tuple[list[ChainBlock | None], list[ChainBlock]]:
    """For each block the one it was before, or None; and those that are gone.

    What is the same belongs together; of the rest, the nearest of the same kind on the same leg.
    """
    pairs: list[ChainBlock | None] = [None] * len(new)
    left = list(range(len(old)))

    def take(at: int, place: int) -> None:
        pairs[at] = old[place]
        left.remove(place)

    for at, block in enumerate(new):
        same = next((place for place in left if old[place] == block), None)
        if same is not None:
            take(at, same)
    while True:
        likely = [
            (_distance(block, old[place]), at, place)
            for at, block in enumerate(new)
            if pairs[at] is None
            for place in left
            if old[place].block == block.block and getattr(old[place], "on", "both") == getattr(block, "on", "both")
        ]
        if not likely:
            return pairs, [old[place] for place in left]
        _, at, place = min(likely)
        take(at, place)


def _settings(new: Sequence[ChainBlock], old: Sequence[ChainBlock] | None) -> list[Setting]:
    """The chain in words, each block marked where it changed; nothing is marked without an old one."""
    before, gone = (list(new), []) if old is None else _paired(new, old)
    out = []
    dynamics = ""
    for block, was in zip(new, before, strict=True):
        parts = _parts(block)
        text = _said(block, parts)
        group = _GROUPS[block.block]
        if block.block in _DYNAMICS:
            dynamics = _NAMES.get(block.block, block.block)
        elif dynamics and group == "equaliser":
            text += f", behind the {dynamics}"
        old_values = "" if was is None else _was(parts, _parts(was))
        change: Change = "new" if was is None else "changed" if old_values else "same"
        out.append(Setting(text=text, group=group, change=change, was=old_values))
    return out + [Setting(text=_said(block, _parts(block)), group=_GROUPS[block.block], change="out") for block in gone]


def _raise_db(block: ChainBlock | None) -> float:
    """What a block adds to what an open microphone hears, in dB at its most."""
    if isinstance(block, GainBlock | TrimBlock | BellBlock | LowShelfBlock | HighShelfBlock):
        return block.gain_db
    return block.makeup_db if isinstance(block, CompressorBlock) else 0.0


def _cautions(source: Source, old: Source | None, desk: Desk, turns_db: Sequence[float] = ()) -> tuple[str, ...]:
    """What belongs to the changes of an input: who hears them on stage, and what may feed back."""
    stage = bool(turns_db) and "monitors" in who_hears("gain", desk)
    raises = any(turn_db > 0 for turn_db in turns_db)
    # where nothing is compared, the chain counts as it stands
    was_chain = source.chain if old is None else old.chain
    before, gone = _paired(source.chain, was_chain)
    for chain, pairs in (
        (source.chain, list(zip(source.chain, before, strict=True))),
        (was_chain, [(None, block) for block in gone]),
    ):
        first = next((block for block in chain if block.block == "high-pass"), None)
        for new, was in pairs:
            block = was if new is None else new
            if block is None or new == was:
                continue
            stage |= "monitors" in who_hears(block.block, desk, first_high_pass=block is first)
            raises |= _raise_db(new) > _raise_db(was)
    if old is not None and source.fader_db is not None and not source.mute:
        raises |= old.fader_db is None or old.mute or source.fader_db > old.fader_db
    feedback = raises and source.role in OPEN_MICROPHONES
    return (*(("tell the stage first",) if stage else ()), *(("mind feedback",) if feedback else ()))


def _legs(blocks: Sequence[ChainBlock]) -> tuple[Leg, ...]:
    """The legs whose responses differ."""
    on = {getattr(block, "on", "both") for block in blocks}
    legs: tuple[Leg, ...] = ()
    if on & {"left", "right"}:
        legs += ("left", "right")
    if on & {"mid", "side"}:
        legs += ("mid", "side")
    return legs or ("both",)


def frequencies_hz(sample_rate_hz: float) -> NDArray[np.float64]:
    """(points,) frequencies of the curves, 20 Hz to 20 kHz or just below half the sample rate."""
    return np.geomspace(LOW_HZ, min(HIGH_HZ, 0.499 * sample_rate_hz), POINTS)


def response_db(
    blocks: Sequence[ChainBlock], *, on: Leg, frequency_hz: NDArray[np.float64], sample_rate_hz: int
) -> NDArray[np.float64]:
    """Gain in dB of all equaliser blocks that act on a leg, as the chain runs them; dynamics at rest do nothing.

    Parameters
    ----------
    blocks : sequence of ChainBlock
        A whole chain; what is no filter is passed over, a measured curve too.
    on : Leg
        "both" for blocks that act on all channels alone.
    frequency_hz : (points,) array
    sample_rate_hz : int
        Of the recording: filters are near their analogue shapes at any rate.
    """
    from deskhand.chain.blocks import filter_sos
    from deskhand.dsp.biquad import response

    total = np.ones(frequency_hz.shape, np.complex128)
    for block in blocks:
        if isinstance(block, _SHAPES) and block.on in ("both", on):
            total *= response(filter_sos(block, sample_rate_hz), frequency_hz, sample_rate_hz=sample_rate_hz)
    return np.asarray(db_from_amplitude(np.abs(total)))


def _curves(chain: Sequence[ChainBlock], frequency_hz: NDArray[np.float64], sample_rate_hz: int) -> tuple[Curve, ...]:
    shapes = [block for block in chain if isinstance(block, _SHAPES)]
    if not shapes:
        return ()
    out = []
    for on in _legs(shapes):
        gain_db = response_db(shapes, on=on, frequency_hz=frequency_hz, sample_rate_hz=sample_rate_hz)
        clean = np.round(np.maximum(gain_db, _DEEPEST_DB), 2) + 0.0
        out.append(Curve(on=on, gain_db=tuple(clean.tolist())))
    return tuple(out)


def _sketch(chain: Sequence[ChainBlock], curves: Sequence[Curve]) -> str:
    """The curve in words: its blocks, and which line is which leg."""
    shapes = [_said(block, _parts(block)) for block in chain if isinstance(block, _SHAPES)]
    if not shapes:
        return ""
    strokes = ("solid", "dashed", "dotted", "dots and dashes")
    legs = [f"{stroke}: {curve.on}" for stroke, curve in zip(strokes, curves, strict=False)] if len(curves) > 1 else []
    return f"equaliser curve: {'; '.join([*shapes, *legs])}"


def _preamp_turns_db(found: SourceResult | None) -> list[float]:
    """By how much the preamp is to be turned now."""
    return [
        setting.after - (setting.before or 0.0)
        for move in (found.moves if found is not None else ())
        if move.is_setting and not move.is_saved
        for setting in move.settings.values()
    ]


def _to_do(found: SourceResult | None) -> str:
    """What is left to do at an input, in a few words; a preamp that is to be turned is no setting of the week's."""
    if found is None:
        return ""
    turns = [f"turn the preamp {_gain(turn_db)} at the desk" for turn_db in _preamp_turns_db(found)]
    if found.status == "well":
        return "; ".join(turns)
    word = _WORDS[found.status]
    kinds = [finding.kind.replace("-", " ") for finding in found.findings if finding.severity == found.status]
    return "; ".join([f"{word}: {', '.join(dict.fromkeys(kinds))}" if kinds else word, *turns])


def _fader(source: Source) -> str:
    if source.fader_db is None:
        return "not in mix"
    return f"{_gain(source.fader_db)}, muted" if source.mute else _gain(source.fader_db)


def _place(value: str | int | None) -> str:
    return "–" if value is None or not _plain(str(value)) else _plain(str(value))


def _placed(source: Source, old: Source | None, said: Callable[[Source], str]) -> Placed:
    new = said(source)
    was = new if old is None else said(old)
    return Placed(text=new, was=was if was != new else "")


def _in_order(source: Source) -> tuple[bool, list[tuple[bool, int, str]]]:
    """By desk channel as people count: 2 before 10, those without one last."""
    pieces = re.findall(r"\d+|\D+", "" if source.channel is None else str(source.channel).strip())
    return not pieces, [(not one.isdecimal(), int(one) if one.isdecimal() else 0, one) for one in pieces]


def make_sheet(
    result: CheckResult,
    house: HouseFile,
    *,
    since: HouseFile | None,
    since_name: str = "",
    paper: Paper = "a4",
    notes: Sequence[str] = (),
) -> Sheet:
    """The sheet of a show.

    Parameters
    ----------
    result : CheckResult
        Who plays, and what is left to do.
    house : HouseFile
        What is set this week, the moves written in.
    since : HouseFile, optional
        What changes are told against; None: nothing is said of changes.
    since_name : str
        How it is called, like "week-2026-02-22".
    paper : Paper
    notes : sequence of str
        Printed below the inputs.
    """
    rate_hz = result.show.sample_rate_hz
    frequency_hz = frequencies_hz(rate_hz)
    found = {key(one.name): one for one in result.sources}
    players = {key(name): player for name, player in result.show.players.items()}
    used = [source for source in house.source if source.used]
    before = {key(source.name): source for source in since.source if source.used} if since is not None else {}
    rows = []
    for source in sorted(used, key=_in_order):
        old = before.get(key(source.name))
        curves = _curves(source.chain, frequency_hz, rate_hz)
        rows.append(
            Row(
                channel=_placed(source, old, lambda one: _place(one.channel)),
                patch=_placed(source, old, lambda one: _place(one.patch)),
                name=_plain(source.name),
                role=source.role,
                player=_plain(players.get(key(source.name), "")),
                tracks=tuple(_plain(str(track)) for track in source.tracks),
                new=since is not None and old is None,
                to_do=_to_do(found.get(key(source.name))),
                cautions=_cautions(source, old, house.desk, _preamp_turns_db(found.get(key(source.name)))),
                settings=tuple(_settings(source.chain, None if old is None else old.chain)),
                fader=_placed(source, old, _fader),
                fader_db=source.fader_db,
                mute=source.mute,
                curves=curves,
                sketch=_sketch(source.chain, curves),
            )
        )
    names = {key(source.name) for source in house.source}
    now = {key(source.name) for source in used}
    return Sheet(
        house=_plain(house.house.name),
        show=_plain(dated(result.show.name, result.show.date)),
        phase=result.show.phase,
        deskhand=result.deskhand,
        paper=paper,
        since=None if since is None else _plain(since_name) or "before",
        gone=tuple(_plain(source.name) for name, source in before.items() if name not in now),
        unclaimed=tuple(
            _plain(one.name)
            for one in result.sources
            if key(one.name) not in names and any(finding.kind == "unmatched-track" for finding in one.findings)
        ),
        rows=tuple(rows),
        notes=tuple(text for text in map(_plain, notes) if text),
        frequency_hz=tuple(frequency_hz.tolist()),
    )


def find_since(house_file: Path, date: str | None) -> Path:
    """What changes are told against when nobody says: the newest week before the date beside the house file, else itself.

    Parameters
    ----------
    house_file : Path
        The standing one; weeks beside it are called `week-2026-02-22.toml`.
    date : str, optional
        Of the show, ISO 8601; without it any week is earlier.
    """
    weeks = []
    for path in house_file.parent.glob("week-*.toml"):
        try:
            found = dt.date.fromisoformat(path.stem.removeprefix("week-")).isoformat()
        except ValueError:
            continue
        if date is None or found < date:
            weeks.append((found, path))
    return max(weeks)[1] if weeks else house_file


def since_name(path: Path, house_file: Path) -> str:
    """What the house file that changes are told against is called on the sheet."""
    if path == house_file:
        return "the standing house file"
    week = path.stem.removeprefix("week-")
    return path.name if week == path.stem else f"the week of {week}"


def headline(sheet: Sheet) -> str:
    """What changed, in one sentence; empty when nothing is said of changes."""
    if sheet.since is None:
        return ""
    names = [row.name for row in sheet.rows if row.changed]
    gone = f" No longer there: {', '.join(sheet.gone)}." if sheet.gone else ""
    if not names:
        return f"Nothing changed since {sheet.since}.{gone}" if not gone else f"Since {sheet.since}:{gone}"
    return f"Changed since {sheet.since} (a bar at the left, bold, the old value behind it): {', '.join(names)}.{gone}"


def _points(frequency_hz: Sequence[float], gain_db: Sequence[float]) -> list[tuple[float, float]]:
    """A curve's points as shares of its picture, without those that lie on the line between the ones kept: less to draw."""
    octaves = np.log2(frequency_hz)
    across = (octaves - np.log2(LOW_HZ)) / (np.log2(HIGH_HZ) - np.log2(LOW_HZ))
    # what is far outside of the picture is not worth its points
    down = 0.5 - 0.5 * np.clip(gain_db, -4 * SPAN_DB, 4 * SPAN_DB) / SPAN_DB
    kept, at = [0], 0
    for end in range(2, down.size):
        between = np.interp(across[at : end + 1], across[[at, end]], down[[at, end]])
        if np.abs(between - down[at : end + 1]).max() > _THINNING:
            at = end - 1
            kept.append(at)
    kept.append(down.size - 1)
    return [(round(float(across[one]), 4), round(float(down[one]), 4)) for one in kept]


def _printed(sheet: Sheet) -> dict[str, Any]:
    """What the page is drawn from."""
    data = asdict(sheet)
    del data["frequency_hz"]
    for written, row in zip(data["rows"], sheet.rows, strict=True):
        written["changed"] = row.changed
        # a line higher than the page has to be broken, others are kept together
        written["long"] = sum(map(len, (row.name, row.player, row.patch.text, row.channel.text))) > _LONG or (
            sum(len(one.text) + len(one.was) for one in row.settings) > 4 * _LONG
        )
        written["curves"] = [_points(sheet.frequency_hz, one.gain_db) for one in row.curves]
        first = [asdict(one) for one in row.settings if one.group in ("gain", "equaliser")]
        second = [asdict(one) for one in row.settings if one.group in ("dynamics", "stereo")]
        written["settings"] = [one for one in (first, second) if one]
    return data | {
        "headline": headline(sheet),
        "cautions": _CAUTIONS,
        "span_db": SPAN_DB,
        "low_hz": LOW_HZ,
        "high_hz": HIGH_HZ,
        "lines_mm": _LINES_MM,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Set:
    """A sheet as it is set."""

    pdf: bytes
    pages: int
    inputs: dict[str, str]
    """What the page is made from."""
    own_fonts: bool
    """Whether the fonts that come along are enough for it."""


def _source() -> bytes:
    from importlib import resources

    return resources.files("deskhand.report").joinpath("sheet.typ").read_bytes()


@lru_cache(maxsize=8)
def _set(sheet: Sheet) -> _Set:
    """The sheet at the roomiest spacing that takes no more pages than the tightest."""
    import typst

    source = _source()
    data = json.dumps(_printed(sheet), ensure_ascii=False, allow_nan=False)

    def inputs(spacing: tuple[float, float]) -> dict[str, str]:
        return {"sheet": data, "size": f"{spacing[0]}", "room": f"{spacing[1]}"}

    def pages(spacing: tuple[float, float], *, own_fonts: bool = True) -> int:
        found = typst.query(
            source, "<pages>", field="value", one=True, ignore_system_fonts=own_fonts, sys_inputs=inputs(spacing)
        )
        return int(json.loads(found))

    fewest = pages(_SPACINGS[-1])
    low, high = 0, len(_SPACINGS) - 1
    while low < high:
        middle = (low + high) // 2
        if pages(_SPACINGS[middle]) <= fewest:
            high = middle
        else:
            low = middle + 1
    spacing = _SPACINGS[high]
    chosen = inputs(spacing)

    def made(*, own_fonts: bool, standard: Literal["ua-1"] | None) -> _Set:
        pdf = typst.compile(
            source, format="pdf", ignore_system_fonts=own_fonts, sys_inputs=chosen, pdf_standards=standard
        )
        # other fonts may be higher
        count = fewest if own_fonts else pages(spacing, own_fonts=False)
        return _Set(pdf=pdf, pages=count, inputs=chosen, own_fonts=own_fonts)

    try:
        return made(own_fonts=True, standard="ua-1")
    except typst.TypstError:
        # the fonts that come along lack a letter of a name: this computer may have it
        try:
            return made(own_fonts=False, standard="ua-1")
        except typst.TypstError:
            # a letter that nobody has is printed as a box, which the standard forbids; the table has it
            return made(own_fonts=False, standard=None)


def sheet_pdf(sheet: Sheet) -> bytes:
    """The sheet as PDF, with its reading order and the sketches in words (PDF/UA-1); equal sheets give equal bytes."""
    return _set(sheet).pdf


def sheet_pages(sheet: Sheet) -> int:
    """How many pages the sheet takes."""
    return _set(sheet).pages


@lru_cache(maxsize=2)
def sheet_png(sheet: Sheet, *, pixels_per_inch: int = 120) -> tuple[bytes, ...]:
    """Each page of the sheet as a PNG picture, to look at before it is printed."""
    import typst

    made = _set(sheet)
    out = typst.compile(
        _source(),
        format="png",
        ppi=float(pixels_per_inch),
        ignore_system_fonts=made.own_fonts,
        sys_inputs=made.inputs,
    )
    # one page comes alone, several as a list
    return tuple(out) if isinstance(out, list) else (out,)


_COLUMNS: Final = (
    "channel", "patch", "input", "role", "player", "tracks", "gain", "equaliser", "dynamics", "stereo", "fader_db", "in_mix",
    "changed", "was", "left_to_do", "caution",
)  # fmt: skip


def _cell(text: str) -> str:
    """Text that a spreadsheet leaves as it is: no formula, no date."""
    text = text.replace("−", "-")
    pair = _PAIR.fullmatch(text)
    if pair:
        return f"{pair[1]} and {pair[2]}"
    if text and (text.lstrip()[:1] in ("=", "+", "-", "@", "|", "%") or _DATE_LIKE.fullmatch(text)):
        return f"'{text}"
    return text


def _all_was(row: Row) -> str:
    """Every change of an input with what it was."""
    out = ["new input"] if row.new else []
    for name, placed in (("channel", row.channel), ("patch", row.patch)):
        out += [f"{name} was {placed.was}"] if placed.was else []
    for one in row.settings:
        if one.change == "new":
            out.append(f"{one.text}: new")
        elif one.change == "changed":
            out.append(f"{one.text}: was {one.was}")
        elif one.change == "out":
            out.append(f"{one.text}: taken out")
    return "; ".join([*out, *([f"fader was {row.fader.was}"] if row.fader.was else [])])


def sheet_csv(sheet: Sheet) -> str:
    """The same as a table, an input a row; "left_to_do" and "was" in words, `fader_db` a number."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in sheet.rows:
        groups = {
            group: "; ".join(one.text for one in row.settings if one.group == group and one.change != "out")
            for group in ("gain", "equaliser", "dynamics", "stereo")
        }
        words = (
            "" if row.channel.text == "–" else row.channel.text,
            "" if row.patch.text == "–" else row.patch.text,
            row.name,
            row.role,
            row.player,
            ", ".join(row.tracks),
            *groups.values(),
        )
        fader = "" if row.fader_db is None else f"{row.fader_db:g}"
        in_mix = "no" if row.fader_db is None else "muted" if row.mute else "yes"
        changed = "" if sheet.since is None else "yes" if row.changed else "no"
        rest = (in_mix, changed, _all_was(row), row.to_do, "; ".join(row.cautions))
        writer.writerow([*map(_cell, words), fader, *map(_cell, rest)])
    return out.getvalue()
