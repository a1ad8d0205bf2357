"""Moves of what comes in: rig and patch, polarity, level, and the balance of a pair."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal

import numpy as np

from deskhand.findings import KINDS
from deskhand.house import ROLES, GainBlock, PolarityBlock, TrimBlock, make_block
from deskhand.moves.move import Move, Setting, cautions, who_hears
from deskhand.moves.state import turn_gain
from deskhand.units import db_from_power, number, power_from_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings import Finding
    from deskhand.house import ChainBlock
    from deskhand.moves.state import Plan, SourceState


def signed(value_db: float) -> str:
    """A gain with its sign."""
    return f"{'+' if value_db > 0 else ''}{number(value_db, 1)} dB"


def _answered(findings: dict[str, Finding], setting: str) -> Finding | None:
    """First finding that a setting of the desk can answer, in the order of the table of kinds."""
    return next((findings[kind] for kind in KINDS if kind in findings and KINDS[kind].answered_by == setting), None)


def plan_instructions(state: SourceState, plan: Plan) -> None:
    """Add what is done at the rig or the patch: no setting of the desk mends it."""
    for kind, finding in state.serious().items():
        where = KINDS[kind].done_at
        if where is None or finding.severity != "fix":
            continue
        plan.moves.append(
            Move(
                where=where,
                block=None,
                index=None,
                on="both",
                settings={},
                who_hears=("house", "monitors", "stream"),
                action="instruction",
                facts={"finding": finding.id},
            )
        )


def _flip_sentence(finding: Finding) -> tuple[str, dict[str, float | str]]:
    """Name of a flip's sentence and its numbers: mono loss before and after, where it is known."""
    if finding.expected is None:
        return "flip", {}
    if finding.measured is None:
        return "flip-of-total-loss", {"loss_after_db": -finding.expected}
    return "flip-of-some-loss", {"loss_before_db": -finding.measured, "loss_after_db": -finding.expected}


def plan_polarity(state: SourceState, plan: Plan) -> None:
    """Add a flip of one side, where mono loses less with it and the chain holds none."""
    finding = _answered(state.serious(), "polarity")
    if finding is None or finding.severity != "fix" or len(state.source.tracks) != 2:
        return
    if any(isinstance(block, PolarityBlock) for block in plan.blocks):
        return
    block = make_block({"block": "polarity", "on": "right"})
    plan.blocks.insert(0, block)
    plan.new_blocks.append(block)
    hearers = who_hears(block.block, state.desk)
    action, facts = _flip_sentence(finding)
    plan.moves.append(
        Move(
            where="channel",
            block=block.block,
            index=None,
            on="right",
            settings={},
            who_hears=hearers,
            action=action,
            facts=facts,
            cautions=cautions(hearers, raises=False, open_microphone=False),
        )
    )


def _in_steps_db(change_db: float, step_db: float) -> float:
    """A change in the steps of a knob; as it is where the knob has none."""
    return round(change_db / step_db) * step_db if step_db > 0 else change_db


def plan_level(state: SourceState, plan: Plan) -> None:
    """Add a gain that brings the level to nominal: the preamp's at the line check, the digital trim later."""
    findings = state.serious()
    finding = _answered(findings, "level")
    if finding is None or finding.measured is None or finding.expected is None:
        return
    off_db = finding.expected - finding.measured
    if finding.change_db is None:
        # how far it could go up is not known from here: its finding says what to look for first
        return
    if off_db > 0 and state.nominal is not None:
        off_db = state.nominal.raise_db(off_db)
    preamp = state.line_check or any(KINDS[kind].at_preamp for kind in findings)
    kind = "gain" if preamp else "trim"
    change_db = _in_steps_db(off_db, state.desk.gain_step_db if preamp else state.desk.trim_step_db)
    if not change_db:
        return
    index, before_db, after_db = turn_gain(state, plan, kind, "both", change_db)
    hearers = who_hears(kind, state.desk)
    where: Literal["preamp", "trim"] = "preamp" if preamp else "trim"
    plan.moves.append(
        Move(
            where=where,
            block=kind,
            index=index,
            on="both",
            settings={"gain": Setting(before=before_db, after=after_db, unit="dB")},
            who_hears=hearers,
            action=where,
            facts={
                "change_db": change_db,
                "back_db": -change_db,
                "level_dbfs": finding.measured,
                "level_after_dbfs": finding.measured + change_db,
            },
            cautions=cautions(hearers, raises=change_db > 0, open_microphone=ROLES[state.source.role].open_microphone),
        )
    )
    plan.why.append(
        f"level {number(finding.measured, 1)} dBFS, nominal {number(finding.expected, 1)}: {where} {signed(change_db)}"
        + ("" if preamp else "; line check is over, so the digital trim is turned and not the preamp")
    )


def _sides_apart(state: SourceState) -> bool:
    """True where its sides are set one by one: on two channels of the desk, or where its equaliser says so."""
    return state.desk.equaliser.per_side or len(re.findall(r"\d+", str(state.source.channel or ""))) == 2


def _gain_db(blocks: Sequence[ChainBlock]) -> float:
    """Sum of gain and trim on both sides."""
    return sum(block.gain_db for block in blocks if isinstance(block, GainBlock | TrimBlock) and block.on == "both")


def _side_to_turn(state: SourceState, plan: Plan, measured_db: float, off_db: float, far_db: float) -> tuple[str, bool]:
    """Side to turn, and whether down: the stronger one down, unless the pair would then be too low."""
    stronger, weaker = ("right", "left") if off_db > 0 else ("left", "right")
    # a pair's level is the power mean of both
    balance = float(power_from_db(abs(measured_db)))
    lower_db = float(db_from_power((balance * power_from_db(-far_db) + 1.0) / (balance + 1.0)))
    turned_db = _gain_db(plan.blocks) - _gain_db(state.blocks)
    down = (
        state.level_dbfs is None
        or state.level_dbfs + turned_db + lower_db >= state.nominal_dbfs - state.level_listen_db
    )
    return (stronger, True) if down else (weaker, False)


def plan_balance(state: SourceState, plan: Plan) -> None:
    """Add one side's trim, where one side is stronger against the other than is usual here."""
    finding = next(
        (finding for finding in state.findings if finding.metric == "balance_db" and finding.severity == "listen"), None
    )
    if finding is None or finding.measured is None or finding.expected is None or len(state.source.tracks) != 2:
        return
    if not _sides_apart(state):
        plan.left_over.append(
            "one side is stronger than usual, and this desk sets both at once: look at the player's end"
        )
        return
    # what this week's trims turn already, beyond those of the weeks it is set against, is not asked again
    measured_db = finding.measured + (
        state.nominal.balance_db - state.usual_balance_db if state.nominal is not None else 0.0
    )
    if finding.low is not None and finding.high is not None and finding.low <= measured_db <= finding.high:
        return
    off_db = measured_db - finding.expected
    far_db = _in_steps_db(abs(off_db), state.desk.trim_step_db)
    if not far_db:
        return
    side, down = _side_to_turn(state, plan, measured_db, off_db, far_db)
    change_db = -far_db if down else far_db
    index, before_db, after_db = turn_gain(state, plan, "trim", side, change_db)
    hearers = who_hears("trim", state.desk)
    plan.moves.append(
        Move(
            where="trim",
            block="trim",
            index=index,
            on=side,
            settings={"gain": Setting(before=before_db if index is not None else None, after=after_db, unit="dB")},
            who_hears=hearers,
            action="side-trim",
            facts={
                "change_db": change_db,
                "back_db": -change_db,
                "balance_db": measured_db,
                "balance_after_db": float(measured_db - np.sign(off_db) * far_db),
                "usual_db": finding.expected,
            },
            cautions=cautions(hearers, raises=change_db > 0, open_microphone=ROLES[state.source.role].open_microphone),
        )
    )
    plan.why.append(
        f"its right is {signed(off_db)} off what is usual against its left: {side} trim {signed(change_db)}"
        + ("" if down else "; turning the stronger side down would leave the pair too low")
    )
