"""Evenings at an invented desk: a soundcheck with planted settings, its moves carried out by numpy, and the next take looked at.

A gain is a factor and reversed polarity a sign (arithmetic); nothing of the package carries anything out. What lies before a take's
tap is carried out on the audio, what follows it stands in this week's house file, as `deskhand done` writes it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from deskhand.desk import lies_before_tap
from deskhand.tasks.check import check
from deskhand.tasks.done import tick_recording
from deskhand.tasks.week import week_text
from tests.support.signals import RATE_HZ, amplitude, hits, pink, plucks, speech_like

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from deskhand.moves.move import Move
    from deskhand.tasks.check import ShowCheck

    Sound = NDArray[np.float64]

LENGTH_S: Final = 10.0
SEED: Final = 20261130
TAPS: Final = ("preamp", "preamp", "preamp", "after-gain", "after-gain", "after-chain")
"""Taps that evenings are drawn from: most recorders take the preamp's signal. Common practice, no source."""
NOMINAL_DBFS: Final = -18.0
SOURCES: Final = (
    ("bass", "bass", 1, -6.0),
    ("guitar", "guitar", 2, -8.0),
    ("keys", "keys", 2, -10.0),
    ("lead voice", "lead vocal", 1, -1.0),
    ("voice 2", "backing vocal", 1, -9.0),
    ("snare", "snare", 1, -8.0),
)
"""Name, role, sides, and fader in dB that leaves the lead voice clear."""
COMPRESSED: Final = ("bass", "lead voice", "voice 2")
VOICE_POINTS: Final = 2.0
"""How near the voice comes to what was predicted, in points of a percentage: what was asked for."""


@dataclass(frozen=True, slots=True)
class Evening:
    """One soundcheck: what is played and how the desk was left."""

    number: int
    tap: str
    gain_db: dict[str, float]
    """Source to how far from nominal it arrives."""
    reversed_pairs: frozenset[str]
    compressed: dict[str, float]
    """Source to the threshold of its compressor, in dBFS."""
    trimmed: dict[str, float]
    """Source to a trim that its chain has already, in dB."""

    def rng(self, performance: int) -> np.random.Generator:
        """Random numbers of one performance."""
        return np.random.default_rng([SEED, self.number, performance])

    def house_text(self) -> str:
        """House file of the evening."""
        lines = [
            "# Tern Street Hall, invented",
            "[house]",
            'name = "Tern Street Hall"',
            f'tap = "{self.tap}"',
            "[room]",
        ]
        lines += ['level = "92 dBA"', 'mix_loudness = "-23 LUFS"', "[vocal]", 'source = "lead voice"']
        for name, role, sides, fader_db in SOURCES:
            tracks = f'"{name}"' if sides == 1 else f'"{name} l", "{name} r"'
            lines += [
                "[[source]]",
                f'name = "{name}"',
                f'role = "{role}"',
                f"tracks = [{tracks}]",
                f'fader = "{fader_db} dB"',
            ]
            if name in self.trimmed:
                lines += ["[[source.chain]]", 'block = "trim"', f'gain = "{self.trimmed[name]:g} dB"']
            if name in self.compressed:
                lines += ["[[source.chain]]", 'block = "compressor"', f'threshold = "{self.compressed[name]:g} dBFS"']
                lines += ["ratio = 3", 'reduction = "2 to 4 dB"']
        return "\n".join(lines) + "\n"

    def sounds(self, performance: int) -> dict[str, Sound]:
        """Source to (sides, frames) at nominal level, with the polarity that the rig has; another performance is other noise and notes."""
        rng = self.rng(performance)
        sounds: dict[str, Sound] = {}
        for name, role, sides, _ in SOURCES:
            if role == "snare":
                sound = hits(rng, LENGTH_S, every_s=float(rng.uniform(0.4, 0.6)), peak_dbfs=-9.0)
            elif "vocal" in role:
                sound = speech_like(rng, LENGTH_S, NOMINAL_DBFS)
            elif role == "bass":
                sound = plucks(rng, LENGTH_S, every_s=float(rng.uniform(0.3, 0.5)), level_dbfs=NOMINAL_DBFS)
            else:
                sound = pink(rng, LENGTH_S, NOMINAL_DBFS, low_hz=80.0)
            if sides == 2:
                wide = [pink(rng, LENGTH_S, NOMINAL_DBFS - 8.0, low_hz=80.0) for _ in range(2)]
                pair = np.array([sound + wide[0], sound + wide[1]])
                pair *= amplitude(NOMINAL_DBFS) / np.sqrt(2.0 * (pair**2).mean())
                sounds[name] = pair * (np.array([[1.0], [-1.0]]) if name in self.reversed_pairs else 1.0)
            else:
                sounds[name] = sound[np.newaxis]
        return sounds


def draw(number: int) -> Evening:
    """An evening by its number."""
    rng = np.random.default_rng([SEED, number])
    names = [name for name, role, *_ in SOURCES if role != "snare"]
    off = rng.choice(names, size=int(rng.integers(0, 4)), replace=False)
    return Evening(
        number=number,
        tap=str(rng.choice(TAPS)),
        gain_db={str(name): float(rng.choice([-1, 1]) * rng.uniform(4.5, 11.0)) for name in off},
        reversed_pairs=frozenset(name for name in ("guitar", "keys") if rng.random() < 0.3),
        compressed={name: float(rng.uniform(-26.0, -8.0)) for name in COMPRESSED if rng.random() < 0.6},
        trimmed={str(name): float(np.round(rng.uniform(-3.0, 3.0) * 2) / 2) for name in names if rng.random() < 0.2},
    )


@lru_cache(maxsize=2)
def _performed(number: int, performance: int) -> dict[str, Sound]:
    """Sounds of a performance of an evening: every take of it begins from them."""
    return draw(number).sounds(performance)


@dataclass(slots=True)
class Desk:
    """Analogue and digital controls before the tap, as somebody turned them: a factor for each side of each source."""

    factors: dict[str, Sound] = field(default_factory=dict)

    def turn(self, source: str, move: Move, share: float = 1.0) -> None:
        """Carry out a gain, a trim or a polarity switch; a share of a gain where somebody turned it only so far."""
        sides = self.factors.setdefault(source, np.ones(2))
        rows = {"both": [0, 1], "left": [0], "right": [1]}[move.on]
        if "gain" in move.settings:
            setting = move.settings["gain"]
            sides[rows] *= amplitude(share * (setting.after - (setting.before or 0.0)))
        elif move.block == "polarity":
            sides[rows] *= -1.0


def write_take(folder: Path, evening: Evening, performance: int, desk: Desk) -> Path:
    """Write a take as a recorder at the evening's tap would: 24-bit, cut off at full scale."""
    folder.mkdir()
    (folder / "show.toml").write_text(f'name = "{evening.number}"\ndate = "2026-03-01"\n', "utf-8")
    for name, sides in _performed(evening.number, performance).items():
        gain_db = evening.gain_db.get(name, 0.0)
        if evening.tap == "preamp":
            # where a chain has a trim already the source arrives so much off nominal that the trim makes up
            gain_db -= evening.trimmed.get(name, 0.0)
        sound = amplitude(gain_db) * sides * desk.factors.get(name, np.ones(2))[: len(sides), np.newaxis]
        for side, samples in zip(("",) if len(sound) == 1 else (" l", " r"), sound, strict=True):
            soundfile.write(
                folder / f"{name}{side}.wav", np.clip(samples, -1.0, 1.0 - 2**-23), RATE_HZ, subtype="PCM_24"
            )
    return folder


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the next checks said."""

    tap: str
    is_other: bool
    """Whether it goes on with another performance, and not with a part done."""
    moves: int
    """Asked for in the first take."""
    same_take: tuple[str, ...]
    """Asked for again in the same take, all done."""
    same_bytes: bool
    """Whether saving the week twice wrote the same."""
    next_take: tuple[str, ...]
    """Asked for in a take of the same performance after all was done."""
    uncured: tuple[str, ...]
    """Findings that were answered and raised again."""
    contradicted: tuple[str, ...]
    """Moves that were carried out and that the next take is said to contradict."""
    voice_off_pct: float | None
    """Audible share of the lead voice against what was predicted."""
    other_performance: tuple[str, ...]
    """Asked for again in another performance after all was done."""
    other_first: tuple[str, ...]
    """Asked for in another performance, and not in the first take: what it showed for the first time."""
    half: tuple[str, ...]
    """Done, and asked for again in a take after a part of the moves was done."""
    half_lost: tuple[str, ...]
    """Not done, and not asked for again in that take."""
    second_round: tuple[str, ...]
    """Asked for once more after a second round, in which all that the take after the part asked was done."""
    partial_db: tuple[float, ...]
    """Gains that were turned half-way: what was asked for after that, beyond what was left."""

    @property
    def is_bad(self) -> bool:
        """True where something was asked again, lost or contradicted."""
        return not self.same_bytes or any(
            (
                self.same_take, self.next_take, self.uncured, self.contradicted, self.other_performance, self.half, self.half_lost,
                self.second_round,
            )
        )  # fmt: skip


def _moves(checked: ShowCheck) -> dict[str, tuple[str, Move]]:
    return {move.id: (source.name, move) for source in checked.result.sources for move in source.moves}


def _raised(checked: ShowCheck) -> set[str]:
    return {
        finding.id for source in checked.result.sources for finding in source.findings if finding.severity != "note"
    }


def _tick(checked: ShowCheck, take: Path, moves: list[str]) -> set[str]:
    """Tick moves as done; the findings they answer."""
    ticked = tick_recording(checked, take, moves, history=None, done=True, by="Ana")
    return {finding for change in ticked.new for finding in change.findings}


def _turned(
    evening: Evening, moves: dict[str, tuple[str, Move]], ids: list[str], share: float = 1.0, desk: Desk | None = None
) -> Desk:
    """Desk on which what lies before the tap was carried out, beyond what was turned at it already."""
    desk = desk or Desk()
    for name in ids:
        source, move = moves[name]
        if move.is_setting and lies_before_tap(move.block, evening.tap):
            desk.turn(source, move, share)
    return desk


def live_through(evening: Evening, folder: Path) -> Outcome:
    """Check an evening, carry out what was asked, and check what follows.

    Parameters
    ----------
    evening : Evening
    folder : Path
        Empty.
    """
    (folder / "house.toml").write_text(evening.house_text(), "utf-8")
    first_take = write_take(folder / "first", evening, 0, Desk())
    first = check(first_take)
    moves = _moves(first)
    # half of the evenings go on with another performance, the others with a person who did a part: some moves, or one alone
    is_other = evening.number % 2 == 0
    half: tuple[tuple[str, ...], ...] = (
        ((), (), ()) if is_other or not moves else _half(evening, folder, first, moves, _part(evening, list(moves)))
    )
    partial_db = () if is_other else _partial(evening, folder, first, moves)
    answered = _tick(first, first_take, list(moves)) if moves else set()
    again = check(first_take)
    week = folder / "week-2026-03-01.toml"
    same_bytes = not week.is_file() or week_text(again) == week.read_text("utf-8")
    desk = _turned(evening, moves, list(moves))
    second = check(write_take(folder / "second", evening, 0, desk))
    third = _moves(check(write_take(folder / "third", evening, 1, desk))) if is_other else {}
    predicted = first.result.vocal.with_moves if first.result.vocal is not None else None
    voice_off = None
    if predicted is not None and second.result.vocal is not None and predicted.audible_pct.mono is not None:
        voice_off = second.result.vocal.audible_pct.mono - predicted.audible_pct.mono
    fates = [move for source in second.result.sources for move in source.earlier_moves]
    return Outcome(
        tap=evening.tap,
        is_other=is_other,
        moves=len(moves),
        same_take=tuple(_moves(again)),
        same_bytes=same_bytes,
        next_take=tuple(_moves(second)),
        uncured=tuple(sorted(answered & _raised(second))),
        contradicted=tuple(move.move for move in fates if move.fate == "contradicted"),
        voice_off_pct=voice_off,
        other_performance=tuple(name for name in third if name in moves),
        other_first=tuple(name for name in third if name not in moves),
        half=half[0],
        half_lost=half[1],
        second_round=half[2],
        partial_db=partial_db,
    )


def _forget(folder: Path) -> None:
    """Take away what was ticked: the evening begins again."""
    for name in ("week-2026-03-01.toml", "history.sqlite"):
        (folder / name).unlink(missing_ok=True)


def _part(evening: Evening, ids: list[str]) -> list[str]:
    """Moves that a person did: about half of them, or one alone."""
    rng = np.random.default_rng([SEED, evening.number, 99])
    if evening.number % 4 == 1:
        return [str(rng.choice(ids))]
    return [name for name in ids if rng.random() < 0.5]


def _half(
    evening: Evening, folder: Path, first: ShowCheck, moves: dict[str, tuple[str, Move]], done: list[str]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Moves asked for again though done, sources lost though not done, after a part of them was done; and what a second round leaves."""
    if done:
        _tick(first, folder / "first", done)
    desk = _turned(evening, moves, done)
    checked = check(write_take(folder / "half", evening, 0, desk))
    asked = _moves(checked)
    # a source of which a part was done may be asked for the remainder of the others in another way
    left = {moves[name][0] for name in moves if name not in done}
    lost = left - {source for source, _ in asked.values()}
    if asked:
        _tick(checked, folder / "half", list(asked))
    _turned(evening, asked, list(asked), desk=desk)
    after = _moves(check(write_take(folder / "second round", evening, 0, desk)))
    _forget(folder)
    return tuple(name for name in done if name in asked), tuple(sorted(lost)), tuple(after)


def _partial(evening: Evening, folder: Path, first: ShowCheck, moves: dict[str, tuple[str, Move]]) -> tuple[float, ...]:
    """Gains before the tap that were turned half-way: how far what is asked then is from what was left, in dB."""
    gains = [
        name
        for name, (_, move) in moves.items()
        if move.where in ("preamp", "trim") and move.on == "both" and lies_before_tap(move.block, evening.tap)
    ]
    if not gains:
        return ()
    take = write_take(folder / "partial", evening, 0, _turned(evening, moves, gains, 0.5))
    asked = _moves(check(take))

    def change_db(move: Move) -> float:
        return move.settings["gain"].after - (move.settings["gain"].before or 0.0)

    # less than the house's limit of 2 dB from nominal is well, and nothing is asked
    return tuple(
        change_db(asked[name][1]) - 0.5 * change_db(moves[name][1])
        for name in gains
        if name in asked or abs(0.5 * change_db(moves[name][1])) > 2.5
        if name in asked
    )


def evenings(numbers: Iterator[int] | range, root: Path) -> Iterator[tuple[Evening, Outcome]]:
    """Each evening with what came of it."""
    import shutil

    for number in numbers:
        evening, folder = draw(number), root / f"evening {number}"
        folder.mkdir()
        yield evening, live_through(evening, folder)
        shutil.rmtree(folder)
