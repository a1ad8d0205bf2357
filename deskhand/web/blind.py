"""The blind test (ABX): tells whether a person can tell two sounds apart, at one loudness, and how likely chance would do as well.

Each trial hides one of the two, drawn anew; a person says which. What answers a trial is told only when all are given: a listener
who is told after each learns the test, not the difference.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from deskhand.chain.meter import Meters
from deskhand.errors import UsageError
from deskhand.mix.matched import matched_gains_db
from deskhand.report.words import text
from deskhand.units import clock, db_from_amplitude, number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.store import BlindTest
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
_SHORTEST_S: Final = 0.5
"""Shortest loop: one 400 ms block of ITU-R BS.1770-5 fits into it; shorter ones sound as a tone. Common practice, no source."""
_WINDOW_S: Final = 0.05
"""Length of the windows in which a source is found to play. Common practice, no source."""
_PLAYS_DB: Final = -30.0
"""Level, against the loudest window of the loop, below which its head and tail are left out. Common practice, no source."""
_EDGE_S: Final = 0.01
"""Fade at both ends of the loop, so that its seam does not click. Common practice, no source."""
_METERED_S: Final = 3.0
"""Length at least of what the loudness of a loop is measured over: the loop again and again, as it is heard, so that no block
of its seam is missing. Common practice, no source."""


def p_value(right: int, trials: int) -> float:
    """Probability that guessing gets as many right, or more: upper tail of the binomial distribution with one half.

    Examples
    --------
    >>> round(p_value(9, 10), 4)
    0.0107
    """
    # it takes half a second to import
    from scipy.stats import binomtest

    return float(binomtest(right, trials, 0.5, alternative="greater").pvalue)


def p_of_several(p: float, tests: int) -> float:
    """Probability that guessing does as well in at least one of several tests.

    References
    ----------
    Šidák, Z. (1967). Rectangular confidence regions for the means of multivariate normal distributions. JASA 62, 626-633.

    Examples
    --------
    >>> round(p_of_several(0.05, 3), 4)
    0.1426
    """
    return float(-np.expm1(tests * np.log1p(-p))) if p < 1.0 else 1.0


def result_line(test: BlindTest) -> str:
    """Result of a test that the history holds, in words; how far it went where it was broken off, for it may still go on."""
    if test.answered is not None and test.answered < test.trials:
        return text("weeks.blind_broken_off", answered=test.answered, trials=test.trials)
    line = text("weeks.blind_row", right=test.right, trials=test.trials, p=number(test.p_value, 3))
    if not test.earlier:
        return line
    tests = 1 + test.earlier
    return f"{line}; {text('weeks.blind_later', tests=tests, p=number(p_of_several(test.p_value, tests), 3))}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLevels:
    """Loudness and true peak of a loop that is played over and over."""

    loudness_lufs: float
    true_peak_dbtp: float


def loop_levels(loop: NDArray[np.floating], sample_rate_hz: int) -> LoopLevels:
    """Loudness (ITU-R BS.1770-5) and true peak of (2, frames), played over and over."""
    repeats = 1 + int(np.ceil(_METERED_S * sample_rate_hz / loop.shape[1]))
    meters = Meters(["loop"], [loop.shape[0]], [0], [False], sample_rate_hz)
    for _ in range(repeats):
        meters.take([loop.astype(np.float64)], [None])
    meters.finish()
    meter = meters.stages[0]
    return LoopLevels(loudness_lufs=meter.loudness_lufs(), true_peak_dbtp=float(db_from_amplitude(meter.true_peak())))


def playing_stretch(
    sounds: tuple[NDArray[np.floating], NDArray[np.floating]], sample_rate_hz: int, loop_s: tuple[float, float]
) -> slice:
    """Frames of a loop from where one of two sounds begins to play to where both have ended.

    Raises
    ------
    UsageError
        The loop is too short, or not within the sounds.
    """
    frames = min(sound.shape[1] for sound in sounds)
    first, last = (round(moment_s * sample_rate_hz) for moment_s in loop_s)
    first, last = max(first, 0), min(last, frames)
    shortest = round(_SHORTEST_S * sample_rate_hz)
    if last - first < shortest:
        raise UsageError(
            "the loop",
            f"is {number(max(last - first, 0) / sample_rate_hz, 1)} s long",
            f"make it {number(_SHORTEST_S, 1)} s at least",
        )
    window = round(_WINDOW_S * sample_rate_hz)
    count = (last - first) // window
    powers = sum(
        np.square(sound[:, first : first + count * window].astype(np.float64))
        .mean(axis=0)
        .reshape(count, window)
        .mean(axis=1)
        for sound in sounds
    )
    plays = np.flatnonzero(powers > np.max(powers) * 10.0 ** (_PLAYS_DB / 10.0))
    if not plays.size:
        return slice(first, last)
    # a window before and behind: what begins softly is not cut off
    begin = max(first, first + (int(plays[0]) - 1) * window)
    end = min(last, max(first + (int(plays[-1]) + 2) * window, begin + shortest))
    return slice(min(begin, end - shortest), end)


def _faded(loop: NDArray[np.floating], sample_rate_hz: int) -> NDArray[np.float64]:
    """Copy of a loop that rises at its begin and falls at its end."""
    frames = round(_EDGE_S * sample_rate_hz)
    rise = np.sin(0.5 * np.pi * (np.arange(frames) + 0.5) / frames) ** 2
    faded = loop.astype(np.float64)
    faded[:, :frames] *= rise
    faded[:, -frames:] *= rise[::-1]
    return faded


@dataclass(slots=True, eq=False, kw_only=True)
class AbxTest:
    """One blind test; made by `begin`."""

    source: str
    compared: str
    show: tuple[str, str | None]
    trials: int
    names: dict[Answer, str]
    """The sounds, both at their matched loudness."""
    start_s: float = 0.0
    """Begin of what is played, in the recording."""
    length_s: float = 0.0
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    hidden: list[Answer] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    row: int | None = None
    """Number in the history; None before the first answer."""
    earlier: int = 0
    """Blind tests of this source in this show before this one, those that were broken off among them."""

    def __post_init__(self) -> None:
        """Draw what is hidden in each trial."""
        self.hidden = [secrets.choice(("a", "b")) for _ in range(self.trials)]

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
        loop_s: tuple[float, float] = (0.0, np.inf),
        start_s: float = 0.0,
    ) -> AbxTest:
        """Begin a test of two sounds, at one loudness over the loop in which they are heard.

        Raises
        ------
        UsageError
            One of them is silent, they are the same, the loop is too short, or too few or many trials.
        """
        if not FEWEST <= trials <= MOST:
            raise UsageError("the trials", f"are {trials}", f"take {FEWEST} to {MOST}")
        longest_s = max(first.audio.shape[1], second.audio.shape[1]) / sample_rate_hz
        loop_s = (loop_s[0], min(loop_s[1], longest_s))
        stretch = playing_stretch((first.audio, second.audio), sample_rate_hz, loop_s)
        loops = [_faded(run.audio[:, stretch], sample_rate_hz) for run in (first, second)]
        gains_db = matched_gains_db(*(loop_levels(loop, sample_rate_hz) for loop in loops))
        if gains_db is None:
            raise UsageError(f'"{source}"', "is silent here", "choose a moment in which it plays")
        if np.array_equal(loops[0], loops[1]):
            raise UsageError(f'"{source}"', "sounds the same both ways", "change something first")
        names: dict[Answer, str] = {}
        for side, loop, gain_db in zip(("a", "b"), loops, gains_db, strict=True):
            # not packed: the length of a packed file would tell which of the two is the hidden one
            key = f"blind-{secrets.token_hex(8)}.wav"
            below_db = sounds.put(key, loop, sample_rate_hz, gain_db=gain_db - _ROOM_DB)
            if below_db > 0.0:
                raise UsageError(f'"{source}"', "is too loud to be matched", "turn its chain down first")
            names[side] = key  # type: ignore[index]
        return cls(
            source=source, compared=compared, show=show, trials=trials, names=names,
            start_s=start_s + stretch.start / sample_rate_hz, length_s=(stretch.stop - stretch.start) / sample_rate_hz,
        )  # fmt: skip

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
        """Probability that guessing does as well in the whole test; a trial without an answer counts as wrong."""
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
            "a": f"/blind/{self.id}/a.wav",
            "b": f"/blind/{self.id}/b.wav",
            "x": None if self.done else f"/blind/{self.id}/x{len(self.answers) + 1}.wav",
        }
        if not self.done:
            state["stretch"] = text("blind.stretch", length=number(self.length_s, 1), clock=clock(self.start_s))
            return state
        chance, tests = self.p_value, 1 + self.earlier
        chance_of_all = p_of_several(chance, tests)
        verdict = text("blind.told_apart" if chance_of_all < _SIGNIFICANT else "blind.not_told_apart")
        several = text("blind.several", tests=tests, p=number(chance_of_all, 3)) if self.earlier else ""
        state |= {
            "right": self.right,
            "p_value": chance,
            "p_value_of_all": chance_of_all,
            "said": text(
                "blind.result",
                right=self.right,
                trials=self.trials,
                p=number(chance, 3),
                several=several,
                verdict=verdict,
            ),
        }
        return state
