"""The blind test (ABX): tells whether a person can tell two sounds apart, at one loudness, and how likely chance would do as well.

Each trial hides one of the two, drawn anew; a person says which. What answers a trial is told only when all are given: a listener
who is told after each learns the test, not the difference.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from scipy.stats import binomtest

from deskhand.errors import UsageError
from deskhand.mix.matched import matched_gains_db
from deskhand.report.words import text
from deskhand.units import number

if TYPE_CHECKING:
    from deskhand.web.tries import ChainRun, Sounds

Answer = Literal["a", "b"]
FEWEST: Final = 5
"""Fewest trials: with five right by chance once in 32 (binomial distribution). Common practice, no source."""
MOST: Final = 40
"""Most trials: ears tire before. Common practice, no source."""
_SIGNIFICANT: Final = 0.05
"""Probability of guessing as well below which it is told apart: the usual level of a test. Common practice, no source."""
_ROOM_DB: Final = 0.1
"""Further step down for both, so that neither file is scaled on its own. Common practice, no source."""


def p_value(right: int, trials: int) -> float:
    """Probability that guessing gets as many right, or more: upper tail of the binomial distribution with one half.

    Examples
    --------
    >>> round(p_value(9, 10), 4)
    0.0107
    """
    return float(binomtest(right, trials, 0.5, alternative="greater").pvalue)


@dataclass(slots=True, eq=False, kw_only=True)
class AbxTest:
    """One blind test; made by `begin`."""

    source: str
    compared: str
    show: tuple[str, str | None]
    trials: int
    names: dict[Answer, str]
    """The sounds, both at their matched loudness."""
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    hidden: list[Answer] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)

    @classmethod
    def begin(
        cls,
        sounds: Sounds,
        first: ChainRun,
        second: ChainRun,
        sample_rate_hz: int,
        *,
        source: str,
        compared: str,
        show: tuple[str, str | None],
        trials: int,
    ) -> AbxTest:
        """Begin a test of two sounds.

        Raises
        ------
        UsageError
            One of them is silent, they are the same, or too few or many trials.
        """
        if not FEWEST <= trials <= MOST:
            raise UsageError("the trials", f"are {trials}", f"take {FEWEST} to {MOST}")
        gains_db = matched_gains_db(first.readings, second.readings)
        if gains_db is None:
            raise UsageError(f'"{source}"', "is silent here", "choose a moment in which it plays")
        if first.audio.shape == second.audio.shape and np.array_equal(first.audio, second.audio):
            raise UsageError(f'"{source}"', "sounds the same both ways", "change something first")
        names: dict[Answer, str] = {}
        for side, run, gain_db in (("a", first, gains_db[0]), ("b", second, gains_db[1])):
            key = f"blind-{secrets.token_hex(8)}"
            below_db = sounds.put(key, run.audio, sample_rate_hz, gain_db=gain_db - _ROOM_DB)
            if below_db > 0.0:
                raise UsageError(f'"{source}"', "is too loud to be matched", "turn its chain down first")
            names[side] = key  # type: ignore[index]
        test = cls(source=source, compared=compared, show=show, trials=trials, names=names)
        test.hidden = [secrets.choice(("a", "b")) for _ in range(trials)]
        return test

    @property
    def done(self) -> bool:
        """True when all answers are given."""
        return len(self.answers) == self.trials

    @property
    def right(self) -> int:
        """Number of right answers."""
        return sum(answer == hidden for answer, hidden in zip(self.answers, self.hidden, strict=False))

    @property
    def p_value(self) -> float:
        """Probability that guessing does as well in the whole test."""
        return p_value(self.right, self.trials)

    def sound(self, which: str) -> str | None:
        """Name of the sound of "a", "b" or "x3" (the hidden one of the third trial, once it is its turn)."""
        if which in ("a", "b"):
            return self.names[which]  # type: ignore[index]
        if which == f"x{len(self.answers) + 1}" and not self.done:
            return self.names[self.hidden[len(self.answers)]]
        return None

    def answer(self, side: str) -> None:
        """Take note of an answer, "a" or "b".

        Raises
        ------
        UsageError
            The test is over, or the answer is neither.
        """
        if self.done:
            raise UsageError("the blind test", "is over", "begin another")
        if side not in ("a", "b"):
            raise UsageError("the answer", f"is {side!r}", "say a or b")
        self.answers.append(side)  # type: ignore[arg-type]

    def state(self) -> dict[str, Any]:
        """State of the test that the page may know: nothing of the hidden sounds before the end."""
        state: dict[str, Any] = {
            "blind": self.id,
            "trials": self.trials,
            "answered": len(self.answers),
            "done": self.done,
            "a": f"/blind/{self.id}/a.flac",
            "b": f"/blind/{self.id}/b.flac",
            "x": None if self.done else f"/blind/{self.id}/x{len(self.answers) + 1}.flac",
        }
        if self.done:
            chance = self.p_value
            state |= {
                "right": self.right,
                "p_value": chance,
                "said": text(
                    "blind.result",
                    right=self.right,
                    trials=self.trials,
                    p=number(chance, 3),
                    verdict=text("blind.told_apart" if chance < _SIGNIFICANT else "blind.not_told_apart"),
                ),
            }
        return state
