"""From what is wrong with a source to the moves that bring it home, in the order of causes: rig, patch, level, tone, dynamics."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.chain.run import Chain, WhatIf
from deskhand.dsp.spectrum import exact_hz
from deskhand.findings.judge import AT_THE_PREAMP
from deskhand.house import (
    OPEN_MICROPHONES,
    BellBlock,
    CompressorBlock,
    GainBlock,
    HighPassBlock,
    HighShelfBlock,
    LowShelfBlock,
    TrimBlock,
    changed,
    make_block,
)
from deskhand.measure.tone import levels_db
from deskhand.moves import equaliser as eq
from deskhand.moves.fine import brought_to, fine_power
from deskhand.moves.move import Move, Setting, signed, who_hears, with_caution
from deskhand.moves.reduction import STEP_DB, Threshold, solve
from deskhand.reference.numbers import NOTHING_DB, OCTAVES_HZ, tone_of
from deskhand.units import db_from_power, hertz, number, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.chain.nominal import NominalPoint
    from deskhand.findings import Finding
    from deskhand.house import ChainBlock, Desk, Source
    from deskhand.reference.predict import Predictive

    Array = NDArray[np.float64]

HOME: Final = 0.05
"""Probability from which a tone is within the range that holds 95 % of clean takes."""
MOST_TONE_MOVES: Final = 4
MOST_BOOST_DB: Final = 6.0
_ROUNDS: Final = 3
_WORTH_A_FADER_DB: Final = 1.0
_RESTLESS_DB: Final = 1.0
"""Spread of an octave from take to take at which it counts half. Common practice, no source."""
_AGREES_DB: Final = 0.3
_INSTRUCTIONS: Final = {
    "one-sided": "rig", "silent": "rig", "swapped": "patch", "wrong-patch": "patch", "duplicate": "patch", "hum": "rig",
    "dropout": "rig", "wireless-hit": "rig", "noise": "rig",
}  # fmt: skip
"""Findings whose move is no setting: kind to where it is done."""
_SHAPED: Final = ("bell", "low-shelf", "high-shelf", "high-pass")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """A source as it is, and where it should be."""

    source: Source
    desk: Desk
    blocks: Sequence[ChainBlock]
    """Of its chain, those that lie behind the tap."""
    skipped: int
    """How many blocks of the house's chain lie before the tap."""
    excerpt: NDArray[np.float32]
    """(channels, frames) at the tap."""
    playing: NDArray[np.bool_]
    """(steps,) whether it plays in each 100 ms of the excerpt."""
    sample_rate_hz: int
    folder: Path | None
    findings: Sequence[Finding]
    before_tone_db: dict[str, float] | None
    """At the tap, over the whole take."""
    after_tone_db: dict[str, float] | None
    """Behind the chain, over the whole take; of the tap when there is no chain."""
    home: Predictive | None
    """Where the tone behind the chain should be."""
    wanted_tone_db: Array | None
    """(31,) third-octave levels behind the chain in the kept takes."""
    line_check: bool
    level_dbfs: float | None = None
    """Behind the gain and trim of its chain, over the whole take."""
    nominal_dbfs: float = -18.0
    level_listen_db: float = 2.0
    """How far from nominal it may be."""
    nominal: NominalPoint | None = None
    """Behind the gain, trim and polarity that its chain holds already; None: there is nothing of them."""
    usual_balance_db: float = 0.0
    """By how much the chain raises the right against the left in the weeks that its usual balance comes from."""


@dataclass(slots=True, kw_only=True)
class Plan:
    """What is to be done at a source."""

    moves: list[Move] = field(default_factory=list)
    blocks: list[ChainBlock] = field(default_factory=list)
    """Its chain behind the tap, with the moves."""
    made: list[ChainBlock] = field(default_factory=list)
    """Of those, the new ones that are saved, in the order of the moves that add them."""
    at_desk: list[ChainBlock] = field(default_factory=list)
    """Of those, the new ones that are turned at the desk and not saved."""
    skipped: int = 0
    """How many blocks of the house's chain lie before the tap."""
    why: list[str] = field(default_factory=list)
    """What was seen and tried, for whoever asks."""
    left_over: list[str] = field(default_factory=list)
    """What the moves do not mend."""
    predicted_db: Array | None = None
    """(31,) third-octave levels behind the chain as the moves should leave them."""

    @property
    def places(self) -> list[int]:
        """Where each new block lies in the house's chain with the moves that are saved."""
        saved = [block for block in self.blocks if all(block is not other for other in self.at_desk)]
        return [self.skipped + next(at for at, block in enumerate(saved) if block is one) for one in self.made]

    @property
    def changed(self) -> bool:
        """Whether the chain is another one."""
        return any(move.block is not None for move in self.moves)


def plan(heard: Heard) -> Plan:
    """The moves of one source, those that help most first within each kind of cause.

    Parameters
    ----------
    heard : Heard
    """
    out = Plan(blocks=list(heard.blocks), skipped=heard.skipped)
    _instructions(heard, out)
    if any(move.where in ("rig", "patch") for move in out.moves):
        # what arrives is not what should: nothing at the desk is turned for it
        out.why.append("nothing at the desk is turned before that is mended")
        return out
    _polarity(heard, out)
    _level(heard, out)
    _balance(heard, out)
    _tone(heard, out)
    _reduction(heard, out)
    return out


def _kinds(heard: Heard, *, least: str = "listen") -> dict[str, Finding]:
    found: dict[str, Finding] = {}
    for finding in heard.findings:
        if finding.severity == "fix" or (least == "listen" and finding.severity == "listen") or least == "note":
            found.setdefault(finding.kind, finding)
    return found


def _instructions(heard: Heard, out: Plan) -> None:
    for kind, finding in _kinds(heard).items():
        where = _INSTRUCTIONS.get(kind)
        if where is None or finding.severity != "fix":
            continue
        out.moves.append(
            Move(
                where="rig" if where == "rig" else "patch",
                block=None,
                index=None,
                on="both",
                settings={},
                effect="what arrives is the source itself again",
                who_hears=("house", "monitors", "stream"),
                undo="none is needed",
                text=finding.text,
            )
        )


def _polarity_effect(finding: Finding) -> str:
    """Mono loss before and after, where it is known."""
    if finding.expected is None:
        return "the two sides add up again"
    before = "everything" if finding.measured is None else f"{number(-finding.measured, 1)} dB"
    return f"the two sides add up again: mono loses {number(-finding.expected, 1)} dB instead of {before}"


def _polarity(heard: Heard, out: Plan) -> None:
    finding = _kinds(heard).get("polarity")
    if finding is None or finding.severity != "fix" or len(heard.source.tracks) != 2:
        return
    if any(block.block == "polarity" for block in out.blocks):
        return
    block = make_block({"block": "polarity", "on": "right"})
    out.blocks.insert(0, block)
    out.made.append(block)
    hearers = who_hears("polarity", heard.desk)
    out.moves.append(
        Move(
            where="channel",
            block="polarity",
            index=None,
            on="right",
            settings={},
            effect=_polarity_effect(finding),
            who_hears=hearers,
            undo="switch it back",
            text=with_caution("switch the polarity of its right side", hearers, raises=False, open_microphone=False),
        )
    )


def _turned(heard: Heard, out: Plan, kind: str, on: str, change_db: float) -> tuple[int | None, float, float]:
    """Turn a gain in the plan's chain: the one that is there, or a new one; its place in the house's chain, what it was and is."""
    place = next(
        (at for at, one in enumerate(out.blocks) if one.block == kind and getattr(one, "on", "both") == on), None
    )
    old = out.blocks[place].gain_db if place is not None else 0.0  # type: ignore[union-attr]
    after = round(old + change_db, 4)
    block = make_block({"block": kind, "gain": f"{after:g} dB", "on": on})
    if place is not None:
        index = _index_of(heard, out.blocks[place])
        out.blocks[place] = block
        return index, old, after
    # one side's behind what both have
    front = 0
    if on != "both":
        front = next((at for at, one in enumerate(out.blocks) if one.block not in _BEFORE_EQUALISER), len(out.blocks))
    out.blocks.insert(front, block)
    # the preamp's change belongs to this moment: the next recording is made behind it
    (out.at_desk if kind == "gain" else out.made).append(block)
    return None, old, after


def _level(heard: Heard, out: Plan) -> None:
    found = _kinds(heard)
    finding = found.get("level-low") or found.get("level-high")
    if finding is None or finding.measured is None or finding.expected is None or finding.severity == "note":
        return
    off_db = finding.expected - finding.measured
    if finding.kind == "level-low" and "raise" not in finding.text:
        # how far it could go up is not known from here: its finding says what to look for first
        return
    if off_db > 0 and heard.nominal is not None:
        off_db = heard.nominal.raise_db(off_db)
    preamp = heard.line_check or not AT_THE_PREAMP.isdisjoint(found)
    kind = "gain" if preamp else "trim"
    step_db = heard.desk.gain_step_db if preamp else heard.desk.trim_step_db
    change_db = round(off_db / step_db) * step_db if step_db > 0 else off_db
    if not change_db:
        return
    index, old, after = _turned(heard, out, kind, "both", change_db)
    hearers = who_hears(kind, heard.desk)
    where: Literal["preamp", "trim"] = "preamp" if preamp else "trim"
    told = f"{where} {signed(change_db)}"
    out.moves.append(
        Move(
            where=where,
            block=kind,
            index=index,
            on="both",
            settings={"gain": Setting(before=old, after=after, unit="dB")},
            effect=f"level from {number(finding.measured, 1)} to {number(finding.measured + change_db, 1)} dBFS",
            who_hears=hearers,
            undo=f"set its {where} back by {signed(-change_db)}",
            text=with_caution(
                f"{told}; turn it at the desk: it is not saved, the next recording shows it" if preamp else told,
                hearers,
                raises=change_db > 0,
                open_microphone=heard.source.role in OPEN_MICROPHONES,
            ),
        )
    )
    out.why.append(
        f"level {number(finding.measured, 1)} dBFS, nominal {number(finding.expected, 1)}: {told}"
        + ("" if preamp else "; line check is over, so the digital trim is turned and not the preamp")
    )


def _sides_apart(heard: Heard) -> bool:
    """Whether its sides are set one by one: on two channels of the desk, or where its equaliser says so."""
    return heard.desk.equaliser.per_side or len(re.findall(r"\d+", str(heard.source.channel or ""))) == 2


def _gain_db(blocks: Sequence[ChainBlock]) -> float:
    """What gain and trim add on both sides."""
    return sum(one.gain_db for one in blocks if isinstance(one, GainBlock | TrimBlock) and one.on == "both")


def _balance(heard: Heard, out: Plan) -> None:
    """One side's trim, where one side is stronger against the other than is usual here."""
    finding = next((one for one in heard.findings if one.metric == "balance_db" and one.severity == "listen"), None)
    if finding is None or finding.measured is None or finding.expected is None or len(heard.source.tracks) != 2:
        return
    if not _sides_apart(heard):
        out.left_over.append(
            "one side is stronger than usual, and this desk sets both at once: look at the player's end"
        )
        return
    # what this week's trims turn already, beyond those of the weeks it is set against, is not asked again
    measured_db = finding.measured + (
        heard.nominal.balance_db - heard.usual_balance_db if heard.nominal is not None else 0.0
    )
    if finding.low is not None and finding.high is not None and finding.low <= measured_db <= finding.high:
        return
    off_db = measured_db - finding.expected
    step_db = heard.desk.trim_step_db
    far_db = round(abs(off_db) / step_db) * step_db if step_db > 0 else abs(off_db)
    if not far_db:
        return
    strong, weak = ("right", "left") if off_db > 0 else ("left", "right")
    # the stronger side is turned down, unless the pair would then be too low: its level is the power mean of both
    balance = float(power_from_db(abs(measured_db)))
    lower_db = float(db_from_power((balance * power_from_db(-far_db) + 1.0) / (balance + 1.0)))
    turned = _gain_db(out.blocks) - _gain_db(heard.blocks)
    down = (
        heard.level_dbfs is None or heard.level_dbfs + turned + lower_db >= heard.nominal_dbfs - heard.level_listen_db
    )
    side, change_db = (strong, -far_db) if down else (weak, far_db)
    index, old, after = _turned(heard, out, "trim", side, change_db)
    hearers = who_hears("trim", heard.desk)
    then_db = measured_db - np.sign(off_db) * far_db
    out.moves.append(
        Move(
            where="trim",
            block="trim",
            index=index,
            on=side,
            settings={"gain": Setting(before=old if index is not None else None, after=after, unit="dB")},
            effect=f"right against left from {signed(measured_db)} to {signed(float(then_db))}, "
            f"where {signed(finding.expected)} is usual",
            who_hears=hearers,
            undo=f"set its {side} trim back by {signed(-change_db)}",
            text=with_caution(
                f"{side} trim {signed(change_db)}, once the two gains at the player's end are seen to be right",
                hearers,
                raises=change_db > 0,
                open_microphone=heard.source.role in OPEN_MICROPHONES,
            ),
        )
    )
    out.why.append(
        f"its right is {signed(off_db)} off what is usual against its left: {side} trim {signed(change_db)}"
        + ("" if down else "; turning the stronger side down would leave the pair too low")
    )


def lowest_note_hz(tone_db: dict[str, float] | None) -> float:
    """The lowest third-octave within 25 dB of the loudest: no high-pass goes into it."""
    if not tone_db:
        return 40.0
    loudest = max(tone_db.values())
    return min(float(band) for band, level in tone_db.items() if level > loudest - 25.0)


def levels_of(tone_db: Mapping[str, float]) -> Array:
    """(31,) third-octave levels of a tone reading; -200 dB where nothing sounds."""
    return np.maximum(levels_db(tone_db), NOTHING_DB)


def _shapes(blocks: Sequence[ChainBlock]) -> list[tuple[int, eq.Shape]]:
    out = []
    for at, block in enumerate(blocks):
        if getattr(block, "on", "both") != "both":
            continue
        if isinstance(block, BellBlock | LowShelfBlock | HighShelfBlock):
            out.append(
                (at, eq.Shape(kind=block.block, frequency_hz=block.frequency_hz, gain_db=block.gain_db, q=block.q))
            )
        elif isinstance(block, HighPassBlock) and block.shape == "butterworth":
            out.append(
                (
                    at,
                    eq.Shape(
                        kind="high-pass", frequency_hz=block.frequency_hz, slope_db_per_octave=block.slope_db_per_octave
                    ),
                )
            )
    return out


def _block(shape: eq.Shape) -> ChainBlock:
    written: dict[str, object] = {"block": shape.kind, "frequency": f"{shape.frequency_hz:g} Hz"}
    if shape.kind == "high-pass":
        return make_block(written | {"slope": f"{shape.slope_db_per_octave:g} dB/oct"})
    return make_block(written | {"gain": f"{shape.gain_db:g} dB", "q": shape.q})


_BEFORE_EQUALISER: Final = ("gain", "trim", "polarity", "delay")


def with_changes(
    blocks: Sequence[ChainBlock], changes: Sequence[eq.Change]
) -> tuple[list[ChainBlock], list[ChainBlock]]:
    """The chain with changes of its equaliser, and the new blocks in the order of the changes.

    New ones go behind the last block of the equaliser, or in front; a high-pass goes in front of all but gains and delays.
    """
    out = list(blocks)
    for change in changes:
        if change.index is not None:
            out[change.index] = _block(change.after)
    made = []
    for change in changes:
        if change.index is None:
            block = _block(change.after)
            shaped = [at for at, one in enumerate(out) if one.block in _SHAPED]
            at = shaped[-1] + 1 if shaped else 0
            if change.after.kind == "high-pass" or not shaped:
                at = next((place for place, one in enumerate(out) if one.block not in _BEFORE_EQUALISER), len(out))
            out.insert(at, block)
            made.append(block)
    return out, made


def _tone(heard: Heard, out: Plan) -> None:
    finding = next((one for one in heard.findings if one.kind == "tone" and one.severity == "listen"), None)
    if finding is None or heard.home is None or heard.wanted_tone_db is None or heard.after_tone_db is None:
        return
    equaliser = heard.desk.equaliser
    grid = eq.desk_grid(
        gain_step_db=equaliser.gain_step_db,
        gain_max_db=equaliser.gain_max_db,
        frequency_step_octave=equaliser.frequency_step_octave,
        qs=equaliser.q,
        bells=equaliser.bells,
        lowest_note_hz=lowest_note_hz(heard.before_tone_db),
        most_boost_db=MOST_BOOST_DB,
    )
    what_if = WhatIf(heard.excerpt, out.blocks, sample_rate_hz=heard.sample_rate_hz, folder=heard.folder)
    as_is = fine_power(what_if.run(out.blocks), heard.sample_rate_hz)
    # the detail of the excerpt, the levels of the whole take
    whole = levels_of(heard.after_tone_db)
    power = brought_to(as_is, whole)
    home = heard.home

    def good(levels_db: Array) -> bool:
        return home.tail(tone_of(levels_db)) >= HOME

    # where this source differs from song to song anyway, a difference says little
    spread_db = np.sqrt(np.diag(home.scale))
    by_band = np.interp(np.log2(exact_hz()), np.log2(np.array(OCTAVES_HZ)), spread_db)
    weight = eq.matters(power) / (1.0 + (by_band / _RESTLESS_DB) ** 2)
    task = eq.Task(power=power, wanted_db=heard.wanted_tone_db, weight=weight, blocks=tuple(_shapes(out.blocks)))
    start_rms = float(eq.rms_db(whole, task))
    found = eq.fewest(task, grid, good, most=MOST_TONE_MOVES)
    if not found:
        out.why.append(
            "its tone behind the chain is within the normal range: no equaliser is turned"
            if good(whole)
            else "no change of the equaliser brings its tone nearer to what is usual: left alone"
        )
        return
    for count, one in enumerate(found, 1):
        levels = eq.band_levels_db(eq.applied(power, one.changes))
        out.why.append(
            f"tone with {count} change{'s' if count > 1 else ''}: {number(start_rms, 1)} to {number(one.rms_db, 1)} dB off (RMS), "
            + ("within the normal range" if good(levels) else "not yet within the normal range")
        )
    chosen, levels = _proved(heard, out, what_if, as_is, whole, task, grid, found[-1])
    if float(eq.rms_db(levels, task)) > start_rms - 0.2:
        out.why.append("no change of the equaliser helps for sure: left alone")
        return
    out.predicted_db = levels
    # what helps most first, so that stopping early still helps
    order: list[eq.Change] = []
    left = list(chosen.changes)
    while left:
        best = min(left, key=lambda one: float(eq.rms_db(eq.band_levels_db(eq.applied(power, [*order, one])), task)))
        order.append(best)
        left.remove(best)
    for at, change in enumerate(order):
        then = float(eq.rms_db(eq.band_levels_db(eq.applied(power, order[: at + 1])), task))
        out.moves.append(_tone_move(heard, change, start_rms, then, out.blocks))
    out.blocks, made = with_changes(out.blocks, order)
    out.made += made
    if abs(chosen.level_db) >= _WORTH_A_FADER_DB:
        out.left_over.append(
            f"its equaliser moves change its level by about {signed(chosen.level_db)}: make it up at its fader"
        )
    if not good(levels):
        out.left_over.append(
            f"its tone stays {number(float(eq.rms_db(levels, task)), 1)} dB off (RMS): look at the player's end"
        )


def _proved(
    heard: Heard,
    out: Plan,
    what_if: WhatIf,
    as_is: Array,
    whole: Array,
    task: eq.Task,
    grid: eq.Grid,
    found: eq.Found,
) -> tuple[eq.Found, Array]:
    """Run the changes through the chain; where dynamics make something else of them, search again from what came out."""
    before = eq.band_levels_db(as_is)
    best: tuple[float, eq.Found, Array] | None = None
    chosen, shifted = found, task
    for _ in range(_ROUNDS):
        run = what_if.run(with_changes(out.blocks, chosen.changes)[0])
        levels = whole + eq.band_levels_db(fine_power(run, heard.sample_rate_hz)) - before
        rms = float(eq.rms_db(levels, task))
        if best is None or rms < best[0]:
            best = (rms, chosen, levels)
        predicted = eq.band_levels_db(eq.applied(task.power, chosen.changes))
        miss = eq.off_db(levels, replace(task, wanted_db=predicted))
        if float(np.sqrt((miss**2 * task.weight).sum() / max(float(task.weight.sum()), 1e-9))) < _AGREES_DB:
            break
        shifted = replace(shifted, wanted_db=shifted.wanted_db - miss)
        again = eq.fewest(shifted, grid, lambda _levels: False, most=len(found.changes))
        if not again or again[-1].changes == chosen.changes:
            break
        chosen = again[-1]
    assert best is not None
    out.why.append(f"run through the chain: {number(best[0], 1)} dB off (RMS)")
    return best[1], best[2]


def _tone_move(heard: Heard, change: eq.Change, start: float, then: float, blocks: Sequence[ChainBlock]) -> Move:
    after, before = change.after, change.before
    first_pass = after.kind == "high-pass" and (
        change.index is None or all(block.block != "high-pass" for block in blocks[: change.index])
    )
    hearers = who_hears(after.kind, heard.desk, first_high_pass=first_pass)
    settings = {
        "frequency": Setting(before=before.frequency_hz if before else None, after=after.frequency_hz, unit="Hz")
    }
    if after.kind == "high-pass":
        settings["slope"] = Setting(
            before=before.slope_db_per_octave if before else None, after=after.slope_db_per_octave, unit="dB/oct"
        )
        told = f"{hertz(after.frequency_hz, 2)}, {number(after.slope_db_per_octave, 0)} dB/oct"
        was = f"{hertz(before.frequency_hz, 2)}, {number(before.slope_db_per_octave, 0)} dB/oct" if before else ""
    else:
        settings["gain"] = Setting(before=before.gain_db if before else None, after=after.gain_db, unit="dB")
        settings["q"] = Setting(before=before.q if before else None, after=after.q, unit="1")
        told = f"{signed(after.gain_db)} at {hertz(after.frequency_hz, 2)}, Q {number(after.q, 2)}"
        was = f"{signed(before.gain_db)} at {hertz(before.frequency_hz, 2)}, Q {number(before.q, 2)}" if before else ""
    text = f"{after.kind} from {was} to {told}" if before else f"new {after.kind}: {told}"
    raises = after.kind != "high-pass" and after.gain_db > (before.gain_db if before else 0.0)
    return Move(
        where="channel",
        block=after.kind,
        index=None if change.index is None else _index_of(heard, blocks[change.index]),
        on="both",
        settings=settings,
        effect=f"tone from {number(start, 1)} to {number(then, 1)} dB off what is usual (RMS), with those above",
        who_hears=hearers,
        undo=f"set it back to {was}" if before else "take it out",
        text=with_caution(text, hearers, raises=raises, open_microphone=heard.source.role in OPEN_MICROPHONES),
    )


def _reduction(heard: Heard, out: Plan) -> None:
    wanted = [
        (at, block)
        for at, block in enumerate(out.blocks)
        if isinstance(block, CompressorBlock) and block.reduction_db is not None
    ]
    said = any(finding.kind == "dynamics" and finding.metric == "reduction_db" for finding in heard.findings)
    if not wanted or not (said or out.changed):
        return
    for at, block in wanted:
        assert block.reduction_db is not None
        low_db, high_db = block.reduction_db
        what_if = WhatIf(heard.excerpt, out.blocks[:at], sample_rate_hz=heard.sample_rate_hz, folder=heard.folder)
        going_in = what_if.run(out.blocks[:at]).astype(np.float64)

        def taken(threshold_dbfs: float, block: CompressorBlock = block, going_in: Array = going_in) -> float:
            return reduction_db(
                going_in, changed(block, threshold_dbfs=threshold_dbfs), heard.sample_rate_hz, heard.playing
            )

        now = taken(block.threshold_dbfs)
        if low_db <= now <= high_db:
            continue
        found = solve(taken, low_db, high_db)
        _reduction_move(heard, out, at, block, now, found)


def reduction_db(signal: Array, block: CompressorBlock, sample_rate_hz: int, playing: NDArray[np.bool_]) -> float:
    """Median of what a compressor takes off (channels, frames) while the source plays, over 100 ms each."""
    chain = Chain([block], channels=signal.shape[0], sample_rate_hz=sample_rate_hz, metered=True)
    for first in range(0, signal.shape[1], 1 << 15):
        chain.process(signal[:, first : first + (1 << 15)])
    chain.rest(signal.shape[0])
    trace = chain.meters[0].trace_db()
    if trace is None:
        return 0.0
    mask = playing[: trace.size]
    heard = trace[: mask.size][mask]
    return float(np.median(heard)) if heard.size else 0.0


def _reduction_move(heard: Heard, out: Plan, at: int, block: CompressorBlock, now: float, found: Threshold) -> None:
    assert block.reduction_db is not None
    low_db, high_db = block.reduction_db
    span = f"{number(low_db, 1)} to {number(high_db, 1)} dB"
    if not found.reached:
        out.left_over.append(
            f"no threshold of its compressor takes off {span} (nearest: {number(found.reduction_db, 1)} dB at "
            f"{number(found.threshold_dbfs, 1)} dBFS): its level moves in jumps, or its ratio or attack is too far from what is wanted"
        )
        return
    hearers = who_hears("compressor", heard.desk)
    out.blocks[at] = changed(block, threshold_dbfs=found.threshold_dbfs)
    out.moves.append(
        Move(
            where="channel",
            block="compressor",
            index=_index_of(heard, block),
            on=block.on,
            settings={"threshold": Setting(before=block.threshold_dbfs, after=found.threshold_dbfs, unit="dBFS")},
            effect=f"takes off {number(found.reduction_db, 1)} dB while it plays, where {number(now, 1)} dB is taken off now",
            who_hears=hearers,
            undo=f"threshold back to {number(block.threshold_dbfs, 1)} dBFS",
            text=f"threshold of its compressor from {number(block.threshold_dbfs, 1)} to {number(found.threshold_dbfs, 1)} dBFS",
        )
    )
    out.why.append(
        f"its compressor takes off {number(now, 1)} dB where {span} is wanted: threshold to {number(found.threshold_dbfs, 1)} dBFS "
        f"(in steps of {number(STEP_DB, 1)} dB)"
    )


def _index_of(heard: Heard, block: ChainBlock) -> int | None:
    """Its place in the house's chain as it stands, by identity: moves may have put blocks in front of it."""
    return next((at + heard.skipped for at, one in enumerate(heard.blocks) if one is block), None)
