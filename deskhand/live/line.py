"""The line check: whose turn it is, who sounds, what is known of each input. No audio here, only what was heard of it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from deskhand.findings import status_of
from deskhand.findings.finding import Finding
from deskhand.findings.first import urgency
from deskhand.findings.judge import MAY_BE_SILENT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import Source
    from deskhand.live.listen import Heard

State = Literal["waiting", "sounding", "arrived", "skipped", "not tonight"]
OWN_DB: Final = 15.0
"""An input that lies further below the loudest one hears it, and does not sound itself. Common practice, no source."""
ABOVE_FLOOR_DB: Final = 12.0
LEAST_DBFS: Final = -62.0
BOUT_GAP_S: Final = 1.5
"""A pause of so long ends a stretch of playing."""
FIRST_S: Final = 2.0
"""Playing for so long, an input is looked at for the first time."""
ARRIVED_S: Final = 2.5
_OUT_OFTURN_S: Final = 1.5
_SEEN: Final = 2
"""A finding is told when it is seen twice, and taken back when it was missed three times."""
_MISSED: Final = 3
TURN: Final = "swapped/turn"
"""Under which it is asked who played, when an input came at another's turn: players out of order and crossed cables look alike."""
_IN_PAUSES: Final = frozenset({"hum", "noise", "dc"})


@dataclass(slots=True)
class Input:
    """What is known of one source."""

    source: Source
    rows: tuple[int, ...]
    """Of the interface, from 0."""
    turn: int
    """Its place in the patch order."""
    state: State = "waiting"
    bout: tuple[float, float] | None = None
    """From and to of the newest stretch in which it sounded, in seconds; it ends now while it sounds."""
    sounded_s: float = 0.0
    """Within it."""
    before_s: float = -1e9
    """Where the one before it ended."""
    overhears: bool = False
    """Whether it only hears whoever has the turn."""
    sounding: bool = False
    began_s: float | None = None
    """When it first sounded."""
    arrived_s: float | None = None
    came_at: int | None = None
    """The turn at which it came."""
    heard: Heard | None = None
    looked_s: float = -1e9
    """When it was last measured, and whether that was behind the end of its stretch."""
    looked_after: bool = True
    seen: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    told: dict[str, Finding] = field(default_factory=dict)
    """Findings that are told, by kind and track."""
    told_s: dict[str, float] = field(default_factory=dict)
    """When each was first told."""

    @property
    def findings(self) -> list[Finding]:
        """What is told of it, most urgent first."""
        return sorted(self.told.values(), key=urgency)

    @property
    def verdict(self) -> str:
        """One word: waiting, sounding, skipped, not tonight, well, listen or fix."""
        return status_of(self.findings) if self.state == "arrived" else self.state


def _key(finding: Finding) -> str:
    return f"{finding.kind}/{finding.track or ''}"


class Line:
    """The patch list, in order.

    Parameters
    ----------
    inputs : sequence of (source, rows)
        In patch order.
    """

    def __init__(self, inputs: Sequence[tuple[Source, tuple[int, ...]]]) -> None:
        self.inputs = [Input(source=source, rows=rows, turn=at) for at, (source, rows) in enumerate(inputs)]
        self.by_name = {one.source.name: one for one in self.inputs}
        self.turn = 0
        self._visitor: Input | None = None

    @property
    def awaited(self) -> Input | None:
        """Whose turn it is; None when all have had theirs."""
        return self.inputs[self.turn] if self.turn < len(self.inputs) else None

    def skip(self) -> None:
        """Go on to the next without this one."""
        one = self.awaited
        if one is not None:
            if one.state in ("waiting", "sounding"):
                one.state = "skipped"
            self._advance()

    def back(self) -> None:
        """Return to the one before, to hear it again."""
        place = self.turn - 1
        while place > 0 and self.inputs[place].state == "not tonight":
            place -= 1
        if place >= 0:
            self.turn = place
            one = self.inputs[place]
            if one.state == "skipped":
                one.state = "waiting"

    def not_tonight(self) -> None:
        """Leave this one out: nobody plays it."""
        one = self.awaited
        if one is not None:
            one.state = "not tonight"
            one.told.clear()
            self._advance()

    def _advance(self) -> None:
        self._visitor = None
        self.turn += 1
        while self.turn < len(self.inputs) and self.inputs[self.turn].state == "not tonight":
            self.turn += 1

    def sound(self, now_s: float, levels_dbfs: Sequence[float], floors_dbfs: Sequence[float], *, step_s: float) -> None:
        """Go on by one step with the level and floor of each source, in patch order."""
        loudest = max(levels_dbfs, default=-120.0)
        for one, level, floor in zip(self.inputs, levels_dbfs, floors_dbfs, strict=True):
            up = level >= max(floor + ABOVE_FLOOR_DB, LEAST_DBFS) and level >= loudest - OWN_DB
            one.sounding = up
            if up:
                if one.bout is None or now_s - one.bout[1] > BOUT_GAP_S:
                    one.before_s = one.bout[1] if one.bout is not None else one.before_s
                    one.bout, one.sounded_s = (now_s - step_s, now_s), 0.0
                    one.looked_s, one.overhears = -1e9, False
                one.bout = (one.bout[0], now_s)
                one.sounded_s += step_s
                one.looked_after = False
                if one.began_s is None and self.may_come(one):
                    one.began_s = one.bout[0]
                if one.state in ("waiting", "skipped") and self.may_come(one):
                    one.state = "sounding"
            elif one.state == "sounding" and one.bout is not None and now_s - one.bout[1] > BOUT_GAP_S:
                # a knock on a stand is no player
                one.state, one.began_s = "waiting", None
        self._turns(now_s)
        for one in self.inputs:
            one.overhears = one.overhears or not self._own(one)

    def may_come(self, one: Input) -> bool:
        """Whether what sounds there is taken for its player: at its turn, or when the one whose turn it is does not sound."""
        awaited = self.awaited
        return awaited is None or one is awaited or one.state == "arrived" or not self._is_up(awaited)

    def _own(self, one: Input) -> bool:
        """Whether what sounds there now is its own playing, and not what a microphone hears of another's turn."""
        awaited = self.awaited
        if not one.sounding or awaited is None or one is awaited or one is self._visitor:
            return True
        here = self._visitor or awaited
        return not here.sounding

    @staticmethod
    def _is_up(one: Input) -> bool:
        return one.sounding or one.state == "sounding"

    def playing_s(self, one: Input) -> float:
        """Length of its newest stretch; 0 when too little of it sounded."""
        if one.bout is None or one.sounded_s < 0.5:
            return 0.0
        return one.bout[1] - one.bout[0]

    def _turns(self, now_s: float) -> None:
        """Whose turn it is now, and who came at another's."""
        awaited = self.awaited
        if awaited is None:
            return
        others = [
            one
            for one in self.inputs
            if one is not awaited and one.sounding and one.state != "arrived" and self.playing_s(one) >= _OUT_OFTURN_S
        ]
        if awaited.state == "arrived" and not awaited.sounding:
            partner = next((one for one in others if one.turn == awaited.came_at and one.came_at is None), None)
            if partner is not None and awaited.came_at != awaited.turn:
                partner.came_at = self.turn
                self._ask_both(partner, awaited, now_s)
                self._visitor = partner
            elif self._visitor is None and (
                # whoever came before, at another's turn, passes when a third one sounds
                bool(others) if awaited.came_at != awaited.turn else self._is_over(awaited, now_s)
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
        if not others or self._is_up(awaited) or awaited.state == "arrived":
            return
        # whoever was passed over comes late, and that is all right
        if any(one.turn < self.turn and one.came_at is None and not self._taken(one) for one in others):
            return
        if awaited.source.role in MAY_BE_SILENT:
            # nobody plays it when asked
            self._advance()
            return
        came = max(others, key=self.playing_s)
        if came.came_at is None:
            came.came_at = self.turn
            self._visitor = came
            self._ask(
                came,
                f"{awaited.source.name} was expected, but {came.source.name} is the input that played: who was playing? If it was "
                f"{awaited.source.name}, its cable is in {came.source.name}'s input; if not, {awaited.source.name} is still to come",
                now_s,
            )

    def _is_over(self, one: Input, now_s: float) -> bool:
        """Whether an input has stopped: for a while, or because another began."""
        if one.sounding or one.bout is None:
            return False
        pause_s = now_s - one.bout[1]
        return pause_s > BOUT_GAP_S or (
            pause_s > 0.5 and any(other.sounding and other.state != "arrived" for other in self.inputs)
        )

    def _taken(self, one: Input) -> bool:
        """Whether another came at its turn."""
        return any(other.came_at == one.turn for other in self.inputs if other is not one)

    def _ask_both(self, one: Input, other: Input, now_s: float) -> None:
        """Ask who played, of two inputs that each came at the other's turn."""
        for here, there in ((one, other), (other, one)):
            name, expected = here.source.name, there.source.name
            self._ask(
                here,
                f"{expected} was expected, but {name} is the input that played, and the other way round: who was playing? If it was "
                f"{expected}, its cable is in {name}'s input, and {name}'s in {expected}'s; if they only took each other's turn, all is well",
                now_s,
            )

    def _ask(self, one: Input, text: str, now_s: float) -> None:
        """Tell a question for the stage: never a fault, since only a person knows who played."""
        one.told[TURN] = Finding(
            id=f"{one.source.name}/swapped", kind="swapped", stage="tap", severity="listen", text=text
        )
        one.told_s.setdefault(TURN, now_s)

    def look(
        self, one: Input, heard: Heard, more: Sequence[Finding], now_s: float, *, with_pause: bool = True
    ) -> list[str]:
        """Take in what was heard of an input; what is new is told.

        Parameters
        ----------
        one : Input
        heard : Heard
            Of its newest stretch.
        more : sequence of Finding
            What the house's kept weeks say of it.
        now_s : float
        with_pause : bool
            Whether a pause was heard with it: without, what is heard in pauses is not taken back.
        """
        one.heard = heard
        if one.state != "arrived" and self.playing_s(one) >= ARRIVED_S - 1e-6:
            one.state = "arrived"
            one.arrived_s = now_s
            if one.came_at is None:
                one.came_at = one.turn
                # whoever sounded at its turn before was only early
                for other in self.inputs:
                    if other.came_at == one.turn and other is not one and TURN in other.told:
                        del other.told[TURN]
                        other.came_at = other.turn
        found = {_key(finding): finding for finding in (*heard.findings, *more)}
        new = []
        for key, finding in found.items():
            one.seen[key] += 1
            one.missed[key] = 0
            if key in one.told:
                one.told[key] = finding
            elif one.seen[key] >= _SEEN:
                one.told[key] = finding
                one.told_s.setdefault(key, now_s)
                new.append(finding.text)
        for key in [key for key in one.seen if key not in found]:
            if not with_pause and key.split("/")[0] in _IN_PAUSES:
                continue
            one.missed[key] += 1
            if one.missed[key] >= _MISSED:
                del one.seen[key], one.missed[key]
                one.told.pop(key, None)
        return new


def summary(line: Line) -> str:
    """How far it is, in one sentence."""
    wanted = [one for one in line.inputs if one.state != "not tonight"]
    arrived = [one for one in wanted if one.state == "arrived"]
    asked = [one for one in arrived if TURN in one.told]
    well = [one for one in arrived if one.verdict in ("well", "listen") and one not in asked]
    text = f"{len(arrived)} of {len(wanted)} arrived"
    if arrived:
        text += f", {'all' if len(well) == len(arrived) else len(well)} clean and in the right place"
    fix = [one for one in arrived if one.verdict not in ("well", "listen")]
    told = [f"{one.source.name}: {short(one.findings[0])}" for one in fix]
    if asked:
        told.append(f"ask who was playing: {', '.join(one.source.name for one in asked)}")
    return "; ".join([text, *told])


def short(finding: Finding) -> str:
    """What was found, without what to do."""
    return finding.text.split(";")[0].split(": the two are")[0]
