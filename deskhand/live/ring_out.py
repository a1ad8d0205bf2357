"""Ring-out with a helper: a conversation, one microphone and one monitor at a time. It moves nothing: every step is a person's.

The state is a value that can be written down and read back; an answer, or a tone that was heard, gives the next one. Whoever shows it needs
`sentence`, `cautions`, `question` and `answers`.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

from deskhand.house import ROLES
from deskhand.live.ring_out_pair import NEAREST_WEDGE, EqualiserSteps, RingOutPair, SendCut, SendRing, level_of
from deskhand.live.ring_out_text import all_cautions, nth, sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from deskhand.house import HouseFile

Step = Literal["safe", "stands", "raise", "rang", "cut", "told", "over"]

ENOUGH_DB: Final = 6.0
"""Margin from which nothing is cut: the feedback stability margin of Davis & Patronis, Sound System Engineering (from memory)."""
MOST_ABOVE_DB: Final = 10.0
"""Raised so far above where it stands, a send has shown enough. Common practice, no source."""
MOST_CUTS: Final = 3
"""Cuts on a send: more take from the sound than they give. Common practice, no source."""
_CUT_DB: Final = -3.0
"""Cut of one ring, and how much deeper it gets when it rings again. Common practice, no source."""
_DEEPEST_DB: Final = -6.0
"""Deepest cut. Common practice, no source."""
_SAME_OCTAVE: Final = 1.0 / 6.0
"""Distance in octaves within which two rings are one. Common practice, no source."""
_DOWN_DB: Final = 6.0
"""By how much a send comes down when it rings. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingOut:
    """State of a ring-out: what is said and asked now, and what was found until now."""

    pairs: tuple[RingOutPair, ...]
    equaliser: EqualiserSteps
    turn: int = 0
    step: Step = "safe"
    muted: bool = False
    """True while the microphone is muted because its ring did not stop."""
    problem: str = ""
    """Why the last answer was not understood; empty where it was."""

    @property
    def pair(self) -> RingOutPair:
        """Microphone and mix whose turn it is."""
        return self.pairs[min(self.turn, len(self.pairs) - 1)]

    @property
    def cautions(self) -> tuple[str, ...]:
        """Cautions that stand beside the sentence: all of them until they are confirmed, and the hand on the mute all the while."""
        if self.step == "over":
            return ()
        return all_cautions() if self.step == "safe" else tuple(sentence("caution", name) for name in ("heads", "mute"))

    @property
    def sentence(self) -> str:
        """What to do, or what was found."""
        return self._said("sentence")

    @property
    def now_sentence(self) -> str:
        """What to do now, without what was found where that stands in lines of its own."""
        is_short = self._case() in ("rang", "cut", "deeper", "moved", "told-rang")
        return self._said("now" if is_short else "sentence")

    def _said(self, section: str) -> str:
        """Sentence of what is to be done, and before what a muted microphone is opened again."""
        told = sentence(section, self._case(), self._values())
        if not self.muted or self.step not in ("cut", "told"):
            return told
        down_db = (self.pair.rings[-1].send_db or 0.0) - _DOWN_DB if self.step == "cut" else self.pair.stands_db
        return f"{told} {sentence('word', 'unmute', {'source': self.pair.source, 'down_db': down_db or 0.0})}"

    @property
    def send_now_db(self) -> float | None:
        """Level at which the send stands now: 6 dB below its ring once that is answered; None where nobody has said."""
        if self.step == "cut":
            return (self.pair.rings[-1].send_db or 0.0) - _DOWN_DB
        return self.pair.now_db if self.step == "raise" else None

    @property
    def is_moved(self) -> bool:
        """True where no further cut is of use, and the microphone or the wedge is to be moved."""
        return self.step == "cut" and self._newest_cut() is None

    def told_of(self, turn: int) -> str:
        """What was found at a microphone that had its turn, in a sentence."""
        return replace(self, turn=turn, step="told", muted=False).sentence

    @property
    def question(self) -> str:
        """Question that is open; empty when all is done."""
        if self.step == "over":
            return ""
        is_last = self.step == "told" and self.turn + 1 >= len(self.pairs)
        if self.step == "told" and self.pair.stands_db is None:
            return ""
        return sentence("question", "told-last" if is_last else self.step, self._values())

    @property
    def key(self) -> str:
        """Mark of the question that is open: an answer counts for the question it was made for. The same again once that is asked again."""
        pair = self.pair
        return f"{self.turn} {self.step} {len(pair.rings)} {pair.now_db} {[cut.gain_db for cut in pair.cuts]}"

    @property
    def answers(self) -> tuple[str, ...]:
        """Answers to choose from, the likeliest first; a level in dB may be typed where the first is one."""
        pair = self.pair
        now_db = pair.now_db if pair.now_db is not None else pair.stands_db or 0.0
        return {
            "safe": ("yes", "stop"),
            "stands": (f"{pair.known_db or 0.0:+g}", "skip", "stop"),
            "raise": (f"{now_db + 1:+g}", "enough", "stop"),
            "rang": (f"{now_db:+g}", "muted", "no", "stop"),
            "cut": ("yes", "next", "stop"),
            "told": ("next", "stop"),
            "over": (),
        }[self.step]

    @property
    def listens_to(self) -> str | None:
        """Source whose microphone is listened to for rings and talk; None while nothing is raised."""
        return self.pair.source if self.step in ("raise", "rang", "cut") else None

    def answered(self, answer: str) -> RingOut:
        """State after an answer; the same one with its problem where the answer is not understood.

        Parameters
        ----------
        answer : str
            One of `answers`, or a level in dB.
        """
        word = answer.strip().lower()
        word = "yes" if word == "y" else word
        if self.step == "over":
            return self
        if word == "stop":
            return replace(self, step="over", muted=False, problem="")
        go_on: Mapping[tuple[Step, str], Callable[[], RingOut]] = {
            ("safe", "yes"): lambda: replace(self, step="stands", problem=""),
            ("stands", "skip"): self._next,
            ("raise", "enough"): lambda: replace(self, step="told", problem=""),
            ("rang", "no"): lambda: self._with(replace(self.pair, rings=self.pair.rings[:-1]), step="raise"),
            ("rang", "muted"): lambda: replace(self._at_level(self.pair.now_db or 0.0), muted=True),
            ("cut", "yes"): self._raised_again,
            ("cut", "next"): lambda: replace(self, step="told", problem=""),
            ("told", "next"): self._next,
            ("told", "yes"): self._next,
        }
        if (self.step, word) in go_on:
            return go_on[self.step, word]()
        if self.step not in ("stands", "raise", "rang"):
            return self._misunderstood("unknown-answer")
        level_db = level_of(word)
        return self._misunderstood("not-understood") if level_db is None else self._at_level(level_db)

    def rang(self, frequency_hz: float, growth_db_s: float) -> RingOut:
        """State after a tone that built up while the send was raised; the same one where nothing is raised.

        Parameters
        ----------
        frequency_hz, growth_db_s : float
        """
        if self.step != "raise":
            return self
        ring = SendRing(frequency_hz=round(frequency_hz, 1), growth_db_s=round(growth_db_s, 1))
        return self._with(replace(self.pair, rings=(*self.pair.rings, ring), margin_db=None), step="rang")

    def near(self, margin_db: float) -> RingOut:
        """State after the margin was heard in talk, at the level where the send stands now.

        Parameters
        ----------
        margin_db : float
        """
        if self.step != "raise":
            return self
        return self._with(replace(self.pair, margin_db=round(margin_db, 1)), step="raise")

    def data(self) -> dict[str, Any]:
        """Whole state as plain data, with what is said and asked, for JSON and pages."""
        return {
            **asdict(self),
            "sentence": self.sentence,
            "cautions": list(self.cautions),
            "question": self.question,
            "answers": list(self.answers),
            "left_db": [pair.left_db for pair in self.pairs],
        }

    @classmethod
    def of_data(cls, data: Mapping[str, Any]) -> RingOut:
        """State that was written down by `data`.

        Raises
        ------
        KeyError, TypeError, ValueError
            It was not.
        """
        pairs = tuple(
            RingOutPair(
                **{
                    **pair,
                    "rings": tuple(SendRing(**ring) for ring in pair["rings"]),
                    "cuts": tuple(SendCut(**cut) for cut in pair["cuts"]),
                }
            )
            for pair in data["pairs"]
        )
        steps = EqualiserSteps(**{**data["equaliser"], "qs": tuple(data["equaliser"]["qs"])})
        if data["step"] not in get_args(Step) or not 0 <= data["turn"] < len(pairs):
            raise ValueError("no state of a ring-out")
        state = cls(
            pairs=pairs,
            equaliser=steps,
            turn=data["turn"],
            step=data["step"],
            muted=data["muted"] is True,
            problem=data["problem"],
        )
        # what cannot be said was written by nobody
        state.data()
        return state

    def _with(self, pair: RingOutPair, *, step: Step) -> RingOut:
        pairs = (*self.pairs[: self.turn], pair, *self.pairs[self.turn + 1 :])
        return replace(self, pairs=pairs, step=step, problem="")

    def _next(self) -> RingOut:
        if self.turn + 1 >= len(self.pairs):
            return replace(self, step="over", muted=False, problem="")
        return replace(self, turn=self.turn + 1, step="stands", muted=False, problem="")

    def _raised_again(self) -> RingOut:
        pair = self.pair
        if len(pair.rings) > MOST_CUTS or self.is_moved:
            return replace(self, step="told", problem="")
        last_db = pair.rings[-1].send_db or 0.0
        return replace(self._with(replace(pair, now_db=last_db - _DOWN_DB), step="raise"), muted=False)

    def _at_level(self, level_db: float) -> RingOut:
        """State after a level was typed."""
        pair = self.pair
        if self.step == "stands":
            return self._with(replace(pair, stands_db=level_db, now_db=level_db), step="raise")
        if self.step == "raise":
            above_db = level_db - (pair.stands_db or 0.0)
            raised = replace(pair, now_db=level_db, margin_db=None)
            return self._with(raised, step="told" if above_db >= MOST_ABOVE_DB else "raise")
        ring = replace(pair.rings[-1], send_db=level_db)
        return self._cut(replace(pair, now_db=level_db, rings=(*pair.rings[:-1], ring)))

    def _cut(self, pair: RingOutPair) -> RingOut:
        """State with the cut that the newest ring asks for; with none where enough is left, or no further cut is of use."""
        ring, left_db = pair.rings[-1], pair.left_db
        if left_db is not None and left_db >= ENOUGH_DB:
            return self._with(pair, step="told")
        near = [cut for cut in pair.cuts if _octaves_apart(cut.frequency_hz, ring.frequency_hz) <= _SAME_OCTAVE]
        if near and near[0].gain_db + _CUT_DB >= _DEEPEST_DB:
            deeper = replace(near[0], gain_db=near[0].gain_db + _CUT_DB)
            return self._with(
                replace(pair, cuts=tuple(deeper if cut is near[0] else cut for cut in pair.cuts)), step="cut"
            )
        if not near and len(pair.cuts) < min(MOST_CUTS, self.equaliser.bells):
            return self._with(
                replace(pair, cuts=(*pair.cuts, self.equaliser.cut(ring.frequency_hz, _CUT_DB))), step="cut"
            )
        return self._with(pair, step="cut")

    def _misunderstood(self, name: str) -> RingOut:
        values = {"answers": ", ".join(self.answers), "example": self.answers[0]}
        return replace(self, problem=sentence("word", name, values))

    def _case(self) -> str:
        """Name of the sentence, by what was found."""
        pair = self.pair
        if self.step == "raise":
            if pair.margin_db is not None:
                return "raise-margin"
            return (
                "raise-again"
                if pair.cuts and pair.rings[-1].send_db is not None and (pair.now_db or 0.0) < pair.rings[-1].send_db
                else "raise"
            )
        if self.step == "told":
            return "told-skipped" if pair.stands_db is None else "told-rang" if pair.rings else "told-quiet"
        if self.step == "cut":
            newest = self._newest_cut()
            return "moved" if newest is None else "deeper" if newest.gain_db < _CUT_DB else "cut"
        return self.step

    def _newest_cut(self) -> SendCut | None:
        """Cut that the newest ring asked for; None where it asked for none, or one that was as deep already."""
        pair = self.pair
        ring = pair.rings[-1]
        near = [cut for cut in pair.cuts if _octaves_apart(cut.frequency_hz, ring.frequency_hz) <= _SAME_OCTAVE]
        rung = [other for other in pair.rings if _octaves_apart(other.frequency_hz, ring.frequency_hz) <= _SAME_OCTAVE]
        return near[0] if near and len(rung) * _CUT_DB >= _DEEPEST_DB else None

    def _values(self) -> dict[str, Any]:
        """Values that the sentences name."""
        pair = self.pair
        values: dict[str, Any] = {
            "source": pair.source, "mix": pair.mix_words, "turn": self.turn + 1, "count": len(self.pairs),
            "stands_db": pair.stands_db or 0.0, "now_db": pair.now_db or 0.0, "margin_db": pair.margin_db or 0.0,
            "above_db": (pair.now_db or 0.0) - (pair.stands_db or 0.0),
        }  # fmt: skip
        cuts = [
            sentence("word", "cut", {"cut_hz": cut.frequency_hz, "cut_db": cut.gain_db, "q": cut.q})
            for cut in pair.cuts
        ]
        values["cuts"] = sentence("word", "and").join(cuts)
        if self.step == "told" and pair.rings:
            values["cuts"] = sentence("word", "cuts", values) if cuts else sentence("word", "no-cut")
        if pair.rings:
            values |= self._ring_values(pair)
        if self.step == "over":
            done = [found for found in self.pairs if found.stands_db is not None]
            tight = [found for found in done if found.left_db is not None and found.left_db < ENOUGH_DB]
            names = ", ".join(
                sentence("word", "pair", {"source": found.source, "mix": found.mix_words}) for found in tight
            )
            values["done"] = len(done)
            values["tight"] = sentence("word", "tight" if tight else "all-well", {"names": names}) if done else ""
        return values

    def _ring_values(self, pair: RingOutPair) -> dict[str, Any]:
        """Values of the rings of a pair."""
        ring = pair.rings[-1]
        left_db = pair.left_db or 0.0
        values: dict[str, Any] = {
            "nth": nth(len(pair.rings)), "frequency_hz": ring.frequency_hz, "growth_db_s": ring.growth_db_s,
            "send_db": ring.send_db or 0.0,
            "rings": ", ".join(
                sentence("word", "ring", {"nth": nth(number), "frequency_hz": rung.frequency_hz, "send_db": rung.send_db or 0.0})
                for number, rung in enumerate(pair.rings, 1)
            ),
        }  # fmt: skip
        if self.step == "told":
            values["left"] = sentence(
                "margin", "rang" if left_db > 0 else "none", {"margin_db": left_db, "down_db": ENOUGH_DB - left_db}
            )
        else:
            case = "none" if left_db <= 0 else "little" if left_db < ENOUGH_DB else "enough"
            values["left"] = sentence("left", case, {"margin_db": left_db})
        newest = self._newest_cut()
        if newest is not None:
            values |= {"cut_hz": newest.frequency_hz, "cut_db": newest.gain_db, "q": newest.q}
        return values


def ring_out_of(house: HouseFile) -> RingOut:
    """Ring-out of a house: every open microphone that is used, into each mix that it is sent to, voices first.

    A microphone without a send in the house file is rung out into its nearest wedge.

    Parameters
    ----------
    house : HouseFile
    """
    used = [
        source
        for source in house.source
        if source.used
        and ROLES[source.role].open_microphone
        and ROLES[source.role].in_a_mix
        and not ROLES[source.role].hears_room
    ]
    used.sort(key=lambda source: not (ROLES[source.role].is_voice or ROLES[source.role].speaks))
    pairs: list[RingOutPair] = []
    for source in used:
        pairs += [RingOutPair(source=source.name, mix=send.mix, known_db=send.level_db) for send in source.send]
        if not source.send:
            pairs.append(RingOutPair(source=source.name, mix=NEAREST_WEDGE))
    return RingOut(pairs=tuple(pairs), equaliser=EqualiserSteps.of(house.desk.equaliser))


def _octaves_apart(first_hz: float, second_hz: float) -> float:
    """Distance of two frequencies in octaves."""
    return abs(math.log2(first_hz / second_hz))
