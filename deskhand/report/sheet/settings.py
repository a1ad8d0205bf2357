"""A chain in the words of a desk, block by block, and what changed in it since an earlier house file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import (
    BLOCKS,
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
from deskhand.report.sheet.model import SettingLine, one_line
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import ChainBlock
    from deskhand.report.sheet.model import Change

_PLAIN_LAW_DB: Final = -3.0
"""Level of either side in the middle of a pan, which is not said on the sheet: the power law's. Common practice, no source."""
_WITH_FREQUENCY = (HighPassBlock, LowPassBlock, BellBlock, LowShelfBlock, HighShelfBlock, DynamicBellBlock)


def _hertz(frequency_hz: float) -> str:
    """A frequency as written: nothing a desk can set is rounded away."""
    if frequency_hz >= 1000:
        return f"{number(frequency_hz / 1000, 3)} kHz"
    return f"{number(frequency_hz, 1)} Hz"


def _time(time_s: float) -> str:
    return f"{number(time_s * 1000, 2)} ms" if time_s < 1 else f"{number(time_s, 2)} s"


def gain_text(gain_db: float) -> str:
    """A gain with its sign and two places, where the desk's steps have them."""
    return f"{'+' if gain_db > 0 else ''}{number(gain_db, 2)} dB"


def _level(level_dbfs: float) -> str:
    return f"{number(level_dbfs, 1)} dBFS"


def _pan(position: float) -> str:
    side = phrase("left" if position < 0 else "right")
    return phrase("centre") if not position else f"{number(abs(position), 0)} % {side}"


def _settings(block: ChainBlock) -> dict[str, str]:
    """Each setting of a block by its name, in the order it is said."""
    match block:
        case GainBlock():
            return {"gain": phrase("{gain} against the recording", gain=gain_text(block.gain_db))}
        case TrimBlock():
            return {"gain": gain_text(block.gain_db)}
        case PolarityBlock():
            return {"polarity": phrase("reversed")}
        case DelayBlock():
            return {"time": _time(block.time_s)}
        case HighPassBlock() | LowPassBlock():
            shape = {} if block.shape == "butterworth" else {"shape": "Linkwitz-Riley"}
            slope = phrase("{slope:0} dB/oct", slope=block.slope_db_per_octave)
            return {"frequency": _hertz(block.frequency_hz), "slope": slope, **shape}
        case BellBlock() | LowShelfBlock() | HighShelfBlock():
            return {"frequency": f"{_hertz(block.frequency_hz)}", "gain": gain_text(block.gain_db), "q": _q(block.q)}
        case SaturationBlock():
            return {"drive": f"{phrase('drive')} {gain_text(block.drive_db)}"}
        case GateBlock():
            return {
                "threshold": _level(block.threshold_dbfs),
                "range": f"{phrase('range')} {gain_text(block.range_db)}",
                "attack": f"{phrase('attack')} {_time(block.attack_s)}",
                "hold": f"{phrase('hold')} {_time(block.hold_s)}",
                "release": f"{phrase('release')} {_time(block.release_s)}",
                "hysteresis": f"{phrase('hysteresis')} {number(block.hysteresis_db, 1)} dB",
                **_detector(block.detector),
            }
        case CompressorBlock():
            return _compressor(block)
        case DynamicBellBlock():
            return {
                "frequency": _hertz(block.frequency_hz),
                "gain": phrase("up to {gain}", gain=gain_text(block.gain_db)),
                "q": _q(block.q),
                "threshold": phrase("from {level}", level=_level(block.threshold_dbfs)),
                "attack": f"{phrase('attack')} {_time(block.attack_s)}",
                "release": f"{phrase('release')} {_time(block.release_s)}",
                **_detector(block.detector),
            }
        case MidSideBlock():
            return {
                "mid": f"{phrase('mid')} {gain_text(block.mid_db)}",
                "side": f"{phrase('side')} {gain_text(block.side_db)}",
            }
        case PanBlock():
            law = {} if block.law_db == _PLAIN_LAW_DB else {"law": f"{phrase('law')} {gain_text(block.law_db)}"}
            return {"position": _pan(block.position), **law}
        case LimiterBlock():
            return {
                "ceiling": f"{phrase('ceiling')} {_level(block.ceiling_dbfs)}",
                "release": f"{phrase('release')} {_time(block.release_s)}",
                **_detector(block.detector),
            }
        case CurveBlock():
            return {
                "file": phrase('"{file}" (not in the sketch)', file=one_line(block.file)),
                "phase": phrase(f"{block.phase} phase"),
            }


def _q(q: float) -> str:
    return f"q {number(q, 3)}"


def _detector(detector: str) -> dict[str, str]:
    words = {"dual": "left and right not linked", "mid-side": "mid and side not linked"}
    return {"detector": phrase(words[detector])} if detector in words else {}


def _compressor(block: CompressorBlock) -> dict[str, str]:
    ratio = phrase("rising ratio") if block.ratio == "rising" else f"{number(float(block.ratio), 2)}:1"
    two_stage = block.release_s == "two-stage"
    texts = {
        "threshold": _level(block.threshold_dbfs),
        "ratio": ratio,
        "knee": f"{phrase('knee')} {number(block.knee_db, 1)} dB",
        "attack": f"{phrase('attack')} {_time(block.attack_s)}",
        "release": phrase("two-stage release") if two_stage else f"{phrase('release')} {_time(float(block.release_s))}",
        **_detector(block.detector),
    }
    if block.senses == "rms":
        texts["RMS detector"] = phrase("RMS detector")
    if block.side_threshold_dbfs is not None:
        texts["side threshold"] = f"{phrase('side threshold')} {_level(block.side_threshold_dbfs)}"
    if block.high_pass_hz is not None:
        texts["detector high-pass"] = f"{phrase('detector high-pass')} {_hertz(block.high_pass_hz)}"
    if block.makeup_db:
        texts["makeup"] = f"{phrase('makeup')} {gain_text(block.makeup_db)}"
    if block.reduction_db is not None:
        low_db, high_db = block.reduction_db
        texts["wanted gain reduction"] = phrase(
            "for {low_db:1} to {high_db:1} dB of gain reduction", low_db=low_db, high_db=high_db
        )
    return texts


def _label(block: ChainBlock) -> str:
    """Name of a block on the sheet; empty where its settings name it."""
    label = BLOCKS[block.block].label
    return phrase(block.block if label is None else label)


def block_text(block: ChainBlock) -> str:
    """A block in words: "bell 400 Hz −3 dB, q 1"."""
    settings = _settings(block)
    on = getattr(block, "on", "both")
    leg = "" if on == "both" else f"{phrase(on)}: "
    name = _label(block)
    values = list(settings.values())
    if "frequency" in settings and "gain" in settings:
        # a bell is said in one breath
        values[:2] = [" ".join(values[:2])]
    text = ", ".join(values)
    if isinstance(block, SaturationBlock | LimiterBlock):
        return f"{leg}{name}, {text}"
    return f"{leg}{name} {text}" if name else f"{leg}{text}"


def _old_values(new: dict[str, str], old: dict[str, str]) -> str:
    """Old values of the settings that differ."""
    differing = [text for name, text in old.items() if new.get(name) != text]
    return ", ".join([*differing, *(phrase("no {name}", name=phrase(name)) for name in new if name not in old)])


def _distance(block: ChainBlock, candidate: ChainBlock) -> float:
    """Octaves between two blocks; 0 for those without a frequency."""
    if isinstance(block, _WITH_FREQUENCY) and isinstance(candidate, _WITH_FREQUENCY):
        return abs(float(np.log2(block.frequency_hz / candidate.frequency_hz)))
    return 0.0


def paired(new: Sequence[ChainBlock], old: Sequence[ChainBlock]) -> tuple[list[ChainBlock | None], list[ChainBlock]]:
    """Old block of each new one, or None; and the old ones that are gone.

    Equal blocks belong together; of those left, the nearest of the same kind on the same leg.
    """
    pairs: list[ChainBlock | None] = [None] * len(new)
    unpaired = list(range(len(old)))

    def pair(new_index: int, old_index: int) -> None:
        pairs[new_index] = old[old_index]
        unpaired.remove(old_index)

    for index, block in enumerate(new):
        equal = next((candidate for candidate in unpaired if old[candidate] == block), None)
        if equal is not None:
            pair(index, equal)
    while True:
        likely = [
            (_distance(block, old[candidate]), index, candidate)
            for index, block in enumerate(new)
            if pairs[index] is None
            for candidate in unpaired
            if old[candidate].block == block.block
            and getattr(old[candidate], "on", "both") == getattr(block, "on", "both")
        ]
        if not likely:
            return pairs, [old[candidate] for candidate in unpaired]
        _, index, candidate = min(likely)
        pair(index, candidate)


def setting_lines(new: Sequence[ChainBlock], old: Sequence[ChainBlock] | None) -> list[SettingLine]:
    """The chain in words, each block marked where it changed; nothing is marked without an old one."""
    before, gone = (list(new), []) if old is None else paired(new, old)
    lines = []
    dynamics = ""
    for block, old_block in zip(new, before, strict=True):
        settings = _settings(block)
        text = block_text(block)
        facts = BLOCKS[block.block]
        if facts.moves_gain:
            dynamics = _label(block)
        elif dynamics and facts.group == "equaliser":
            text += phrase(", after the {dynamics}", dynamics=dynamics)
        old_values = "" if old_block is None else _old_values(settings, _settings(old_block))
        change: Change = "new" if old_block is None else "changed" if old_values else "same"
        lines.append(SettingLine(text=text, group=facts.group, change=change, was=old_values))
    removed = [SettingLine(text=block_text(block), group=BLOCKS[block.block].group, change="out") for block in gone]
    return lines + removed
