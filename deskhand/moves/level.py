"""Moves of what comes in: rig and patch, polarity, the balance of a pair, and its level at the preamp and the trim."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.chain.nominal import PEAK_ROOM_DB, PREAMP_PEAK_DBFS, in_steps
from deskhand.findings import KINDS
from deskhand.house import BLOCKS, ROLES, PolarityBlock, make_block
from deskhand.moves.counter import counter_moves
from deskhand.moves.move import Move, Remark, cautions, who_hears
from deskhand.moves.state import turn_gain, turned_gain
from deskhand.units import db_from_power, power_from_db
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.chain.nominal import NominalPoint
    from deskhand.findings import Finding
    from deskhand.house import Source
    from deskhand.moves.state import Plan, SourceState

STEPS_DB: Final = 3.0
"""An open microphone is raised by this much at a time, listening in between. Common practice, no source."""
_SURE_OF_LEVEL_PCT: Final = 40.0
"""With fewer of its blocks clipped than this, the median level of what plays is that of whole ones, with some room below a half."""
_CLIPPED_DOUBT_DB: Final = 1.0
"""By how much the level of a take of which more is clipped may be too low a reading: 0.5 dB at most was seen (validations/evenings.py)."""
_SELDOM_CUT_DBFS: Final = -5.5
"""Level below which a clipped sound is seldom at its stop: a Gaussian one is there for less than a hundredth of the time (arithmetic)."""
_DENSE_DOUBT_DB: Final = 3.0
"""The same of a denser sound: a sine that is cut 5 dB below its peaks reads so much less (arithmetic)."""
_WORTH_A_TRIM_DB: Final = 1.0
"""Change of level by the equaliser from which it is made up: about what is noticed in a mix. Common practice, no source."""


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


def _channels(source: Source) -> list[str]:
    """Channels of the desk that a source is on, from how the house file writes them ("9/10")."""
    return re.findall(r"\d+", str(source.channel or ""))


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
    channels = _channels(state.source)
    right = phrase("its right side")
    facts["side_words"] = f"{phrase('channel')} {channels[1]} ({right})" if len(channels) == 2 else right
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


def _sides_apart(state: SourceState) -> bool:
    """True where its sides are set one by one: on two channels of the desk, or where its equaliser says so."""
    return state.desk.equaliser.per_side or len(_channels(state.source)) == 2


def _side_to_turn(
    state: SourceState, point: NominalPoint, measured_db: float, off_db: float, far_db: float
) -> tuple[str, bool]:
    """Side to turn, and whether down: the stronger one, unless the weaker one up brings the pair nearer to nominal and has the room."""
    stronger, weaker = ("right", "left") if off_db > 0 else ("left", "right")
    if point.level_dbfs is None or state.nominal_dbfs is None:
        return stronger, True
    # a pair's level is the power mean of both
    weak, strong = 1.0, float(power_from_db(abs(measured_db)))
    gain = float(power_from_db(far_db))
    down_db = point.level_dbfs - state.nominal_dbfs + float(db_from_power((weak + strong / gain) / (weak + strong)))
    up_db = point.level_dbfs - state.nominal_dbfs + float(db_from_power((weak * gain + strong) / (weak + strong)))
    peak_dbtp = point.side_peaks_dbtp[("left", "right").index(weaker)] if len(point.side_peaks_dbtp) == 2 else 0.0
    up = abs(up_db) < abs(down_db) and peak_dbtp + far_db <= -PEAK_ROOM_DB
    return (weaker, False) if up else (stronger, True)


def plan_balance(state: SourceState, plan: Plan) -> None:
    """Add one side's trim, where one side is stronger against the other than is usual here."""
    finding = next(
        (finding for finding in state.findings if finding.metric == "balance_db" and finding.severity == "listen"), None
    )
    if finding is None or finding.measured is None or finding.expected is None or len(state.source.tracks) != 2:
        return
    if not _sides_apart(state):
        plan.left_over.append(Remark(name="sides-together"))
        return
    # what this week's trims turn already, beyond those of the weeks it is set against, is not asked again
    point = state.nominal_at(plan.blocks)
    measured_db = finding.measured + point.balance_db - state.usual_balance_db
    if finding.low is not None and finding.high is not None and finding.low <= measured_db <= finding.high:
        return
    off_db = measured_db - finding.expected
    far_db = in_steps(abs(off_db), state.desk.trim_step_db)
    if not far_db:
        return
    side, down = _side_to_turn(state, point, measured_db, off_db, far_db)
    change_db = -far_db if down else far_db
    turn_gain(state, plan, "trim", side, change_db)
    index, setting = turned_gain(state, plan, "trim", side)
    hearers = who_hears("trim", state.desk)
    plan.moves.append(
        Move(
            where="trim",
            block="trim",
            index=index,
            on=side,
            settings={"gain": setting},
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
    facts: dict[str, float | str] = {"off_db": off_db, "side": side, "change_db": change_db}
    plan.why.append(Remark(name="balance-down" if down else "balance-up", facts=facts))


def plan_level(state: SourceState, plan: Plan) -> None:
    """Turn the preamp for what clips, then the preamp or the trim for the level that is left, in the plan's chain only."""
    findings = state.serious()
    hot = _answered(findings, "preamp")
    if hot is not None and hot.change_db is not None:
        turn_gain(state, plan, "gain", "both", hot.change_db)
        for finding in state.findings:
            if finding.kind == hot.kind and finding.change_db is not None:
                plan.answers[finding.id] = ("gain", finding.change_db)
    hot = hot or _turned_down(state)
    level = _answered(findings, "level")
    if level is not None and level.change_db is None:
        # how far it could go up is not known from here: its finding says what to look for first
        return
    balanced = any(move.action == "side-trim" for move in plan.moves)
    if level is None and not balanced and hot is None:
        return
    kind = str(level.facts.get("turned", "trim")) if level is not None else "trim"
    change_db = _level_change_db(state, plan, hot, kind, needed=level is None)
    if change_db:
        turn_gain(state, plan, kind, "both", change_db)
    if level is not None and change_db:
        plan.answers[level.id] = (kind, change_db)


def _turned_down(state: SourceState) -> Finding | None:
    """Finding whose preamp was ticked as done since the take was recorded: its second step is still to come."""
    return next(
        (
            finding
            for finding in state.findings
            if KINDS[finding.kind].answered_by == "preamp" and finding.dismissed == "done" and finding.change_db
        ),
        None,
    )


def _is_clipped(hot: Finding | None) -> bool:
    """True for peaks that were cut, of which level and height are known from below only."""
    return hot is not None and "over_db" in hot.facts


def _is_sure_of_level(hot: Finding | None) -> bool:
    """True where most of what plays is not clipped, so that its median level is the true one."""
    return hot is None or float(hot.facts.get("cut_share_pct", 0.0)) < _SURE_OF_LEVEL_PCT  # type: ignore[arg-type]


def _level_change_db(state: SourceState, plan: Plan, hot: Finding | None, kind: str, *, needed: bool) -> float:
    """Change that is left to nominal with what is turned already; where no finding asks for it, only if it is off by what is listened to."""
    point = state.nominal_at(plan.blocks)
    if state.nominal_dbfs is None or point.level_dbfs is None:
        return 0.0
    if needed and abs(point.level_dbfs - state.nominal_dbfs) < state.level_listen_db:
        return 0.0
    wanted_db = state.nominal_dbfs - point.level_dbfs
    if _is_clipped(hot) and hot is not None:
        # the preamp is turned by ear: its peaks read what they should then, however high they went, and the rest of the gain follows
        by_ear_db = float(hot.facts["peak_dbfs"])  # type: ignore[arg-type]
        point = replace(point, true_peak_dbtp=by_ear_db + point.gain_db - (hot.change_db or 0.0))
    change_db = point.change_db(
        state.nominal_dbfs, state.desk.gain_step_db if kind == "gain" else state.desk.trim_step_db
    )
    if change_db <= 0 or _is_sure_of_level(hot):
        return change_db
    return min(change_db, _sure_raise_db(state, point, wanted_db))


def _sure_raise_db(state: SourceState, point: NominalPoint, wanted_db: float) -> float:
    """Raise of a level that is known from below: where the peaks decide how far, whatever it is, or where what is left is no matter."""
    dense = point.level_dbfs is None or point.level_dbfs - point.gain_db > _SELDOM_CUT_DBFS
    doubt_db = _DENSE_DOUBT_DB if dense else _CLIPPED_DOUBT_DB
    surely_db = wanted_db - doubt_db
    if surely_db >= point.room_db:
        return np.inf
    if doubt_db >= state.level_listen_db or surely_db < state.level_listen_db:
        return 0.0
    return in_steps(surely_db, state.desk.trim_step_db)


def finish_level(state: SourceState, plan: Plan, position: int) -> None:
    """Make up what the equaliser's moves change, and write the moves of the gains, as they end, into their position.

    Parameters
    ----------
    state : SourceState
    plan : Plan
    position : int
        Index of the moves before which they stand.
    """
    hot = _answered(state.serious(), "preamp") or _turned_down(state)
    answers = {
        finding.id: plan.answers[finding.id]
        for finding in state.findings
        if KINDS[finding.kind].answered_by == "level" and finding.id in plan.answers
    }
    _make_up(state, plan, hot, next((kind for kind, _ in answers.values()), None))
    moves = []
    for kind in (block.name for block in BLOCKS.values() if block.is_gain):
        index, setting = turned_gain(state, plan, kind, "both")
        change_db = round(setting.after - (setting.before or 0.0), 4)
        if not change_db:
            continue
        move = _gain_move(state, plan, kind, change_db, hot)
        moves.append(replace(move, index=index, settings={"gain": setting}))
        # the finding says what the move says, whatever came to it
        plan.answers |= {name: (kind, change_db) for name, (turned, _) in answers.items() if turned == kind}
    shaped_db = _shaped_db(state, plan)
    if moves and shaped_db:
        moves[-1] = replace(moves[-1], facts={**moves[-1].facts, "shaped_db": shaped_db})
    plan.set_again = any("set-again" in move.advice for move in moves)
    plan.moves[position:position] = counter_moves(state, moves, shaped_db, by_ear=_is_clipped(hot))


def _shaped_db(state: SourceState, plan: Plan) -> float:
    """By how much the equaliser's moves of the plan raise the level."""
    return state.nominal_at(plan.blocks).shaped_db - state.nominal_at(state.blocks).shaped_db


def _make_up(state: SourceState, plan: Plan, hot: Finding | None, answering: str | None) -> None:
    """Turn the trim so that the level is nominal with the equaliser's moves as well; where none is judged, as it was."""
    shaped_db = _shaped_db(state, plan)
    if abs(shaped_db) < _WORTH_A_TRIM_DB or not _is_sure_of_level(hot):
        return
    kind = answering or "trim"
    if state.nominal_dbfs is None:
        point = state.nominal_at(plan.blocks)
        change_db = 0.0
        if point.level_dbfs is not None:
            change_db = point.change_db(point.level_dbfs - shaped_db, state.desk.trim_step_db)
    else:
        change_db = _level_change_db(state, plan, hot, kind, needed=answering is None)
    if change_db:
        turn_gain(state, plan, kind, "both", change_db)
        plan.why.append(Remark(name="made-up", facts={"shaped_db": shaped_db, "change_db": change_db}))
    left_db = shaped_db + change_db
    if state.nominal_dbfs is None and abs(left_db) >= _WORTH_A_TRIM_DB:
        plan.left_over.append(Remark(name="shaped-level", facts={"left_db": left_db}))


def _gain_move(state: SourceState, plan: Plan, kind: str, change_db: float, hot: Finding | None) -> Move:
    """Move of the preamp or the trim with its sentence, without its place in the chain."""
    before, after = state.nominal_at(state.blocks), state.nominal_at(plan.blocks)
    microphone = ROLES[state.source.role].open_microphone
    hearers = who_hears(kind, state.desk)
    preamp = kind == "gain"
    where: Literal["preamp", "trim"] = "preamp" if preamp else "trim"
    facts: dict[str, float | str] = {"change_db": change_db, "back_db": -change_db, "size_db": abs(change_db)}
    facts |= {"level_dbfs": before.level_dbfs or 0.0, "level_after_dbfs": after.level_dbfs or 0.0}
    advice: tuple[str, ...] = ()
    hot_now = hot is not None and hot.change_db is not None
    if preamp and hot_now and hot is not None:
        if _is_clipped(hot):
            # until when, in the words of the finding
            action = f"preamp-{hot.advice[-1]}" if hot.advice else "preamp-until-played"
            advice = (f"first-{hot.advice[0]}",) if hot.advice and hot.advice[0] != "lower-preamp" else ()
            facts["peak_dbfs"] = float(hot.facts.get("peak_dbfs", PREAMP_PEAK_DBFS))  # type: ignore[arg-type]
            advice += () if _is_sure_of_level(hot) else ("level-after",)
            advice += () if state.line_check else ("set-again",)
        else:
            action = "preamp-for-peaks"
            facts |= {"peak_dbtp": hot.measured or 0.0, "peak_after_dbtp": (hot.measured or 0.0) + change_db}
    elif preamp:
        action = "preamp"
    elif hot_now:
        action = "trim-after-preamp"
        # the preamp is set by ear: from where its peaks read what they should
        facts["level_dbfs"] = (after.level_dbfs or 0.0) - change_db
    else:
        action = "trim"
    if change_db > STEPS_DB and microphone:
        advice += ("in-steps",)
        facts["steps_db"] = STEPS_DB
    name = "level-preamp" if preamp else "level-trim-line-check" if state.line_check else "level-trim"
    if state.nominal_dbfs is not None:
        plan.why.append(Remark(name=name, facts={**facts, "nominal_dbfs": state.nominal_dbfs}))
    return Move(
        where=where,
        block=kind,
        index=None,
        on="both",
        settings={},
        who_hears=hearers,
        action=action,
        facts=facts,
        advice=advice,
        cautions=cautions(hearers, raises=change_db > 0, open_microphone=microphone),
    )


def agreed(finding: Finding, plan: Plan | None) -> Finding:
    """Finding whose advice says what the plan's move says: one number, or where to look first.

    Parameters
    ----------
    finding : Finding
    plan : Plan, optional
        Of its source; None where nothing is planned.
    """
    if plan is None or finding.change_db is None or KINDS[finding.kind].answered_by not in ("preamp", "level"):
        return finding
    kind, change_db = plan.answers.get(finding.id, ("", 0.0))
    # with what the equaliser or the balance does to it, a level may even have to go the other way
    if change_db * finding.change_db <= 0:
        # clipping is turned down whatever else is wrong
        if KINDS[finding.kind].answered_by == "preamp":
            return finding
        return replace(
            finding,
            change_db=None,
            advice=("after-the-source",) if plan.at_source else ("level-by-moves",),
            cautions=(),
        )
    facts = {**finding.facts, "turned": kind, "turn_db": abs(change_db)}
    return replace(finding, change_db=change_db, facts=facts)
