"""Line check: the patch list in order, turn by turn, with the state and findings of each input. No audio here, only readings of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings import KINDS, Finding, short
from deskhand.house import ROLES
from deskhand.live.entry import TURN, PatchEntry

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import Source
    from deskhand.live.listen import InputStretch

OWN_DB: Final = 15.0
"""An input that lies further below the loudest one hears it, and does not sound itself. Common practice, no source."""
ABOVE_FLOOR_DB: Final = 12.0
"""An input sounds when it is so far above its own noise floor. Common practice, no source."""
LEAST_DBFS: Final = -62.0
"""Anything quieter is no playing, whatever the floor. Common practice, no source."""
BOUT_GAP_S: Final = 1.5
"""A pause of so long ends a stretch of playing. Common practice, no source."""
FIRST_S: Final = 2.0
"""Playing for so long, an input is looked at for the first time. Common practice, no source."""
ARRIVED_S: Final = 2.5
"""Playing for so long, an input has arrived: two looks at it, half a second apart. Common practice, no source."""
_OUT_OF_TURN_S: Final = 1.5
"""Playing for so long at another's turn, an input is asked about. Common practice, no source."""
_SEEN: Final = 2
"""A finding is told when so many looks saw it: one look may catch a knock. Common practice, no source."""
_MISSED: Final = 3
"""A finding is taken back when so many looks in a row missed it. Common practice, no source."""


def finding_key(finding: Finding) -> str:
    """Kind and track of a finding, by which it is known from look to look."""
    return f"{finding.kind}/{finding.track or ''}"


class PatchList:
    """Patch list in order, with the turn that goes through it.

    Parameters
    ----------
    inputs : sequence of (source, rows)
        In patch order.
    ask_after_s : float, optional
        Playing at another's turn after which it is asked who played: longer where kept weeks may answer it by the sound.
    """

    def __init__(
        self, inputs: Sequence[tuple[Source, tuple[int, ...]]], *, ask_after_s: float = _OUT_OF_TURN_S
    ) -> None:
        self._ask_after_s = ask_after_s
        self.inputs = [PatchEntry(source=source, rows=rows, turn=turn) for turn, (source, rows) in enumerate(inputs)]
        self.by_name = {entry.source.name: entry for entry in self.inputs}
        self.turn = 0
        self._visitor: PatchEntry | None = None
        self._taken_back: PatchEntry | None = None
        """Entry that was left out, and that the last `b` put back."""

    @property
    def awaited(self) -> PatchEntry | None:
        """Entry that has the turn; None when all have had theirs."""
        return self.inputs[self.turn] if self.turn < len(self.inputs) else None

    def skip(self) -> None:
        """Go on to the next without this one."""
        entry = self.awaited
        if entry is not None:
            if entry.state in ("waiting", "sounding"):
                entry.state = "skipped"
            self._advance()

    def confirm(self, by: str) -> None:
        """Go on to the next, on a person's word that this one was heard.

        Parameters
        ----------
        by : str
            Who says so.
        """
        entry = self.awaited
        if entry is None:
            return
        if entry.state != "arrived":
            entry.state, entry.confirmed_by = "arrived", by
            if entry.came_at is None:
                entry.came_at = entry.turn
        self._advance()

    def back(self) -> None:
        """Return to the one before, to hear it again: passing over it, or leaving it out, is taken back.

        Whoever goes on back from one that was left out leaves it out again.
        """
        if self.turn == 0:
            return
        left, self._taken_back = self._taken_back, None
        if left is not None and left is self.awaited and left.state == "waiting":
            left.state = "not tonight"
        self._visitor = None
        self.turn -= 1
        entry = self.inputs[self.turn]
        if entry.state == "not tonight":
            entry.state, self._taken_back = entry.state_before, entry
        if entry.state == "skipped" or entry.confirmed_by is not None:
            entry.state, entry.confirmed_by = "waiting", None

    def not_tonight(self) -> None:
        """Leave this one out: nobody plays it."""
        entry = self.awaited
        if entry is not None:
            entry.state_before, entry.state = "arrived" if entry.state == "arrived" else "waiting", "not tonight"
            self._advance()

    def _advance(self) -> None:
        self._visitor = None
        self.turn += 1
        while self.turn < len(self.inputs) and self.inputs[self.turn].state == "not tonight":
            self.turn += 1

    def sound(self, now_s: float, levels_dbfs: Sequence[float], floors_dbfs: Sequence[float], *, step_s: float) -> None:
        """Go on by one step with the level and floor of each source, in patch order."""
        loudest = max(levels_dbfs, default=-120.0)
        for entry, level, floor in zip(self.inputs, levels_dbfs, floors_dbfs, strict=True):
            up = level >= max(floor + ABOVE_FLOOR_DB, LEAST_DBFS) and level >= loudest - OWN_DB
            entry.sounding = up
            if up:
                if entry.bout is None or now_s - entry.bout[1] > BOUT_GAP_S:
                    entry.before_s = entry.bout[1] if entry.bout is not None else entry.before_s
                    entry.bout, entry.sounded_s = (now_s - step_s, now_s), 0.0
                    entry.looked_s, entry.overhears = -1e9, False
                entry.bout = (entry.bout[0], now_s)
                entry.sounded_s += step_s
                entry.looked_after_playing = False
                if entry.began_s is None and self.may_come(entry):
                    entry.began_s = entry.bout[0]
                if entry.state in ("waiting", "skipped") and self.may_come(entry):
                    entry.state = "sounding"
            elif entry.state == "sounding" and entry.bout is not None and now_s - entry.bout[1] > BOUT_GAP_S:
                # a knock on a stand is no player
                entry.state, entry.began_s = "waiting", None
        self._turns(now_s)
        self._put_questions(now_s)
        for entry in self.inputs:
            entry.overhears = entry.overhears or not self._plays_itself(entry)

    def may_come(self, entry: PatchEntry) -> bool:
        """True where sound is taken for the input's own player: at its turn, or while the input that has the turn is silent."""
        awaited = self.awaited
        return awaited is None or entry is awaited or entry.state == "arrived" or not self._is_up(awaited)

    def _plays_itself(self, entry: PatchEntry) -> bool:
        """True where sound is the input's own playing, and not what its microphone hears of another's turn."""
        awaited = self.awaited
        if not entry.sounding or awaited is None or entry is awaited or entry is self._visitor:
            return True
        player = self._visitor or awaited
        return not player.sounding

    @staticmethod
    def _is_up(entry: PatchEntry) -> bool:
        return entry.sounding or entry.state == "sounding"

    def playing_s(self, entry: PatchEntry) -> float:
        """Length of its newest stretch; 0 when too little of it sounded."""
        if entry.bout is None or entry.sounded_s < 0.5:
            return 0.0
        return entry.bout[1] - entry.bout[0]

    def _turns(self, now_s: float) -> None:
        """Pass the turn on, and notice who came at another's."""
        awaited = self.awaited
        if awaited is None:
            return
        out_of_turn = [
            entry
            for entry in self.inputs
            if entry is not awaited
            and entry.sounding
            and entry.state != "arrived"
            and self.playing_s(entry) >= _OUT_OF_TURN_S
        ]
        if awaited.state == "arrived" and not awaited.sounding:
            partner = next(
                (entry for entry in out_of_turn if entry.turn == awaited.came_at and entry.came_at is None), None
            )
            if partner is not None and awaited.came_at != awaited.turn:
                partner.came_at = self.turn
                # one question for both, where it stands already
                self._ask(awaited, partner.source.name, mutual=True)
                self._visitor = partner
            elif self._visitor is None and (
                # whoever came before, at another's turn, passes when a third one sounds
                bool(out_of_turn) if awaited.came_at != awaited.turn else self._is_over(awaited, now_s)
            ):
                self._advance()
                return
        if self._visitor is not None:
            if awaited.sounding and awaited.state != "arrived":
                self._visitor = None
            elif self._is_over(self._visitor, now_s):
                self._visitor = None
                self._advance()
            return
        if not out_of_turn or self._is_up(awaited) or awaited.state == "arrived":
            return
        # whoever was passed over comes late, and that is all right
        if any(entry.turn < self.turn and entry.came_at is None and not self._is_taken(entry) for entry in out_of_turn):
            return
        if ROLES[awaited.source.role].may_be_silent:
            # nobody plays it when asked
            self._advance()
            return
        visitor = max(out_of_turn, key=self.playing_s)
        if visitor.came_at is None:
            visitor.came_at = self.turn
            self._visitor = visitor
            self._ask(visitor, awaited.source.name)

    def _is_over(self, entry: PatchEntry, now_s: float) -> bool:
        """True where an input has stopped: for a while, or because another began."""
        if entry.sounding or entry.bout is None:
            return False
        pause_s = now_s - entry.bout[1]
        return pause_s > BOUT_GAP_S or (
            pause_s > 0.5 and any(rival.sounding and rival.state != "arrived" for rival in self.inputs)
        )

    def _is_taken(self, entry: PatchEntry) -> bool:
        """True where another came at this input's turn."""
        return any(rival.came_at == entry.turn for rival in self.inputs if rival is not entry)

    def _ask(self, entry: PatchEntry, expected: str, *, mutual: bool = False) -> None:
        """Have a question for the stage: never a fault, since only a person knows who played."""
        if entry.is_itself:
            return
        question = Finding(
            id=f"{entry.source.name}/swapped",
            kind="swapped",
            stage="tap",
            severity="listen",
            what="turns" if mutual else "turn",
            advice=("if-those-players",) if mutual else ("if-that-player",),
            track=entry.source.name,
            other=expected,
        )
        if TURN in entry.reported:
            entry.reported[TURN] = question
        else:
            entry.question = question

    def _put_questions(self, now_s: float) -> None:
        """Put the questions that the sound has not answered until now, or that it cannot answer any more."""
        for entry in self.inputs:
            if entry.question is None or entry.bout is None:
                continue
            if self.playing_s(entry) >= self._ask_after_s - 1e-6 or now_s - entry.bout[1] > BOUT_GAP_S:
                entry.reported[TURN], entry.question = entry.question, None
                entry.reported_s.setdefault(TURN, now_s)

    def rivals(self, entry: PatchEntry) -> list[str]:
        """Sources that an input may carry instead of its own, by the questions that are open.

        Parameters
        ----------
        entry : PatchEntry
        """
        question = entry.question or entry.reported.get(TURN)
        holders = [patched.source.name for patched in self.inputs if self._is_asked_with(patched, entry)]
        return [*((question.other,) if question is not None and question.other else ()), *holders]

    def answer(self, entry: PatchEntry) -> None:
        """Drop the questions about an input whose sound has told that it carries its own source."""
        for patched in self.inputs:
            if patched is entry or self._is_asked_with(patched, entry):
                patched.is_itself, patched.question = True, None
                patched.reported.pop(TURN, None)

    @staticmethod
    def _is_asked_with(patched: PatchEntry, entry: PatchEntry) -> bool:
        """True where an input's question is about another one too: each came at the other's turn."""
        question = patched.question or patched.reported.get(TURN)
        return question is not None and question.what == "turns" and question.other == entry.source.name

    def _arrive(self, entry: PatchEntry, now_s: float) -> None:
        """Take an input as arrived, as it was measured: nobody's word is needed any more."""
        entry.confirmed_by = None
        if entry.state == "arrived":
            return
        entry.state = "arrived"
        entry.arrived_s = now_s
        if entry.came_at is not None:
            return
        entry.came_at = entry.turn
        # whoever sounded at its turn before was only early
        for rival in self.inputs:
            is_asked = TURN in rival.reported or rival.question is not None or rival.is_itself
            if rival.came_at == entry.turn and rival is not entry and is_asked:
                rival.reported.pop(TURN, None)
                rival.question, rival.came_at = None, rival.turn

    def look(
        self,
        entry: PatchEntry,
        stretch: InputStretch,
        mistaken: Sequence[Finding],
        now_s: float,
        *,
        with_pause: bool = True,
    ) -> list[Finding]:
        """Take in a look at an input.

        Parameters
        ----------
        entry : PatchEntry
        stretch : InputStretch
            Newest stretch of its playing.
        mistaken : sequence of Finding
            Judgement of the house's kept weeks that it sounds like another input.
        now_s : float
        with_pause : bool
            True when a pause lies in the stretch: without one, findings that are heard in pauses are not taken back.

        Returns
        -------
        list of Finding
            The findings that are told for the first time.
        """
        entry.stretch, entry.earlier = stretch, ""
        if self.playing_s(entry) >= ARRIVED_S - 1e-6:
            self._arrive(entry, now_s)
        seen = {finding_key(finding): finding for finding in (*stretch.findings, *mistaken)}
        new = []
        for key, finding in seen.items():
            entry.seen[key] += 1
            entry.missed[key] = 0
            if key in entry.reported:
                entry.reported[key] = finding
            elif entry.seen[key] >= _SEEN:
                entry.reported[key] = finding
                entry.reported_s.setdefault(key, now_s)
                new.append(finding)
        for key in [key for key in entry.seen if key not in seen]:
            if not with_pause and KINDS[key.split("/")[0]].in_pauses:
                continue
            entry.missed[key] += 1
            if entry.missed[key] >= _MISSED:
                del entry.seen[key], entry.missed[key]
                entry.reported.pop(key, None)
        return new


def not_heard_yet(line: PatchList) -> list[str]:
    """Names of the inputs whose turn has not come, and of the one that was asked when the line check was broken off.

    Parameters
    ----------
    line : PatchList
    """
    ahead = [entry for entry in line.inputs[line.turn :] if entry.state in ("waiting", "sounding")]
    expected = [entry for entry in ahead if not ROLES[entry.source.role].may_be_silent]
    # the last of all was asked, and nothing came: that is its fault, and no breaking off
    is_broken_off = any(entry is not line.awaited for entry in expected)
    return [entry.source.name for entry in ahead] if is_broken_off else []


def summary(line: PatchList) -> str:
    """Progress of the line check in one sentence."""
    expected = [entry for entry in line.inputs if entry.state != "not tonight"]
    arrived = [entry for entry in expected if entry.state == "arrived"]
    in_question = [entry for entry in arrived if line.rivals(entry)]
    well = [entry for entry in arrived if entry.verdict == "well" and entry not in in_question]
    to_hear = [entry for entry in arrived if entry.verdict == "listen" and entry not in in_question]
    text = f"{len(arrived)} of {len(expected)} arrived"
    if arrived:
        # crossed cables whose players came in crossed order leave nothing to see: the place is not called right
        text += f", {'all' if len(well) == len(arrived) else len(well)} clean"
    fix = [entry for entry in arrived if entry.verdict not in ("well", "listen")]
    clauses = [f"{entry.source.name}: {short(entry.findings[0])}" for entry in fix]
    if to_hear:
        clauses.append(f"listen to: {', '.join(entry.source.name for entry in to_hear)}")
    if in_question:
        clauses.append(f"ask who was playing: {', '.join(entry.source.name for entry in in_question)}")
    return "; ".join([text, *clauses])
