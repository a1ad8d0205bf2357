"""How far one turn in a line check differs from the next, and which changes are found against 3, 5, 10 and 30 kept turns.

Turns are cut out of real recordings: the same person speaking other sentences, drums and percussion struck again, a guitar riff played
again in its song (not a pasted copy). They are of one sitting each: where a microphone is put up anew every week is not in them.
The changes are looked for in made houses whose turns differ by as much.

python -m validations.line_memory --audio FOLDER [--half verify]        # the folder of DESKHAND_STAGE_AUDIO
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile
from scipy import signal

from deskhand.baseline.model import baseline_of
from deskhand.baseline.numbers import LEVEL, TONE, tone_vector
from deskhand.baseline.turns import compared_turn
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.measure.figures import measure_figures
from deskhand.measure.passages import OCTAVES_HZ
from deskhand.measure.readings import read_source
from deskhand.recording.held import held_recording
from deskhand.store import KeptPart, TakeRow
from tests.support import material
from tests.support.repertoires import HZ, MadeSource, _smooth
from tests.support.stage.library import RATE_HZ, folder_given, open_library
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from tests.support.stage.library import Half, Library, Take

    Array = NDArray[np.float64]

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-line-memory.md"
TURN_S: Final = 6.0
DRAWS: Final = 12
"""Pairs of turns that are drawn of each recording."""
SONGS: Final = {"tune": "songs of another player", "verify": "songs"}
RIFF_LIKENESS: Final = 0.85
"""Correlation of two passages' chroma from which they are one riff."""
COPY_LIKENESS: Final = 0.7
"""Correlation of two passages' waves from which one is a copy of the other."""
KEPT: Final = (3, 5, 10, 30)
HOUSES: Final = 30
INPUTS: Final = 14
JUDGED: Final = 6
SEED: Final = 4127


@dataclass(slots=True)
class Floor:
    """Differences between two turns of the same."""

    tones_db: list[Array] = field(default_factory=list)
    levels_db: list[float] = field(default_factory=list)

    def row(self) -> str:
        """Standard deviation of one turn: of a difference of two over the root of 2."""
        spread_db = np.sqrt(np.mean(np.square(self.tones_db), axis=0) / 2)
        level_db = np.sqrt(np.mean(np.square(self.levels_db)) / 2)
        octaves = " | ".join(f"{value:.1f}" for value in spread_db)
        return f"{len(self.tones_db)} | {octaves} | {spread_db[1:].mean():.1f} | {level_db:.1f}"


def read_turn(sound: Array, *, strikes: bool = False) -> tuple[Array, float] | None:
    """Tone and level of (channels, frames) after five seconds of an input's noise, as a line check has it."""
    noise = np.random.default_rng(0).standard_normal((len(sound), 5 * RATE_HZ + sound.shape[1])) * 10 ** (-85 / 20)
    noise[:, 5 * RATE_HZ :] += sound
    samples = noise.astype(np.float32)
    recording = held_recording(samples, [str(row) for row in range(len(samples))], RATE_HZ)
    rows = tuple(range(len(samples)))
    figures = measure_figures(recording, len(rows), pairs=[(0, 1)] if len(rows) == 2 else [], threads=1)
    readings = read_source(figures, rows, strikes=strikes, mains_hz=50.0).readings
    values = {f"tone_db.{band}": (level, None) for band, level in (readings.tone_db or {}).items()}
    values |= {f"passage_tone_db.{band}": (level, None) for band, level in (readings.passage_tone_db or {}).items()}
    tone = tone_vector(values)
    return None if tone is None or readings.level_dbfs is None else (tone, readings.level_dbfs)


def _joined(takes: Sequence[Array], gap_s: float) -> Array:
    gap = np.zeros((1, round(gap_s * RATE_HZ)))
    return np.concatenate([part for take in takes for part in (take[:1], gap)], axis=1)


def _halves(takes: Sequence[Array], gap_s: float) -> tuple[Array, Array]:
    return _joined(takes[: len(takes) // 2], gap_s), _joined(takes[len(takes) // 2 :], gap_s)


def spoken(library: Library, rng: np.random.Generator) -> Iterator[tuple[Array, Array]]:
    """Two turns of one person each: other sentences."""
    people: dict[str, list[Take]] = defaultdict(list)
    for take in library.takes():
        if take.role == "speech" and "shouting" not in take.file and "noisy" not in take.file:
            person = "_".join(take.file.split("_")[:3])
            people[person].append(take)
    for takes in people.values():
        sounds = [library.sound(take) for take in takes]
        for _ in range(DRAWS):
            if len(sounds) >= 4:
                order = rng.permutation(len(sounds))
                yield _halves([sounds[index] for index in order], 0.1)
            elif sounds[0].shape[1] >= 4 * RATE_HZ:
                whole = sounds[0][:1]
                yield whole[:, : whole.shape[1] // 2], whole[:, whole.shape[1] // 2 :]
                break


def struck(library: Library, rng: np.random.Generator) -> Iterator[tuple[Array, Array]]:
    """Two turns of one drum each: other strokes."""
    files: dict[str, list[Take]] = defaultdict(list)
    for take in library.takes():
        if take.role in ("snare", "kick", "toms", "percussion"):
            files[take.file].append(take)
    for takes in files.values():
        sounds = [library.sound(take) for take in takes]
        if len(sounds) < 6:
            continue
        for _ in range(DRAWS // 4):
            order = rng.permutation(len(sounds))
            yield _halves([sounds[index] for index in order], 0.5)


def riffs(half: Half, rng: np.random.Generator) -> Iterator[tuple[Array, Array]]:
    """Two turns of one guitarist each: a riff, and the same riff played again in the song."""
    del rng
    with tempfile.TemporaryDirectory() as unpacked:
        material.run_tool("dpkg-deb", "--extract", material.fetch(SONGS[half]), unpacked)
        for file in sorted(Path(unpacked).rglob("guitar.ogg")):
            target = Path(unpacked) / f"{file.parent.name}.wav"
            material.decode(file, target, audio_filter="volume=-6dB,aresample=48000")
            sound, _ = soundfile.read(target, always_2d=True)
            yield from _repeats(sound.T)


def _repeats(sound: Array) -> Iterator[tuple[Array, Array]]:
    low = signal.resample_poly(sound.mean(axis=0), 1, 4)
    rate_hz = RATE_HZ // 4
    hz, _, spectrum = signal.stft(low, rate_hz, nperseg=4096, noverlap=4096 - rate_hz // 10, boundary=None)
    classes = np.round(12 * np.log2(np.maximum(hz, 1) / 440)).astype(int) % 12
    used = (hz > 80) & (hz < 2000)
    chroma = np.array([(np.abs(spectrum[used & (classes == number)]) ** 0.5).sum(axis=0) for number in range(12)])
    chroma = chroma - chroma.mean(axis=0)
    length = round(TURN_S * 10)
    starts = list(range(0, chroma.shape[1] - length, 5))
    power = np.array([np.mean(low[start * rate_hz // 10 :][: length * rate_hz // 10] ** 2) for start in starts])
    rows = np.array([chroma[:, start : start + length].ravel() for start in starts])
    rows /= np.linalg.norm(rows, axis=1, keepdims=True) + 1e-9
    likeness = rows @ rows.T
    taken: set[int] = set()
    for first in range(0, len(starts), round(TURN_S * 2)):
        apart = np.abs(np.arange(len(starts)) - first) >= TURN_S * 2
        second = int(np.argmax(np.where(apart, likeness[first], -1)))
        if likeness[first, second] < RIFF_LIKENESS or second in taken or min(power[[first, second]]) < 1e-6:
            continue
        if _is_copy(low, rate_hz, starts[first], starts[second], length):
            continue
        taken |= {first, second}
        first_frame, second_frame = (starts[number] * RATE_HZ // 10 for number in (first, second))
        frames = length * RATE_HZ // 10
        yield sound[:, first_frame : first_frame + frames], sound[:, second_frame : second_frame + frames]


def _is_copy(low: Array, rate_hz: int, first: int, second: int, length: int) -> bool:
    one, other = (low[start * rate_hz // 10 :][: length * rate_hz // 10] for start in (first, second))
    correlation = signal.correlate(one, other, method="fft")
    return bool(np.abs(correlation).max() / np.sqrt(np.sum(one**2) * np.sum(other**2)) > COPY_LIKENESS)


def floors(folder: Path, half: Half) -> dict[str, Floor]:
    """Floor of each kind of turn in one half of the recordings."""
    library = open_library(folder, half)
    rng = np.random.default_rng(SEED)
    kinds: dict[str, tuple[Iterator[tuple[Array, Array]], bool]] = {
        "somebody speaks other sentences": (spoken(library, rng), False),
        "a drum or percussion struck again": (struck(library, rng), True),
        "a guitar riff played again": (riffs(half, rng), False),
    }
    result = {}
    for name, (pairs, strikes) in kinds.items():
        result[name] = floor = Floor()
        for first, second in pairs:
            both = read_turn(first, strikes=strikes), read_turn(second, strikes=strikes)
            if both[0] is not None and both[1] is not None:
                floor.tones_db.append(both[0][0] - both[1][0])
                floor.levels_db.append(both[0][1] - both[1][1])
        print(half, name, floor.row() if floor.tones_db else "none", flush=True)
    return result


# made houses: changes against kept turns


def _shelf(hz: float, gain_db: float) -> Array:
    """(31,) second-order shelf with Butterworth corners, made with scipy from its analogue prototype."""
    root = 10 ** (gain_db / 40)
    edge = np.sqrt(2 * root)
    _, response = signal.freqs([root * root, root * edge, root], [1.0, edge, root], worN=HZ / hz)
    return np.asarray(20 * np.log10(np.abs(response)))


def _bell(hz: float, gain_db: float) -> Array:
    root = 10 ** (gain_db / 40)
    _, response = signal.freqs([1, root, 1], [1, 1 / root, 1], worN=HZ / hz)
    return np.asarray(20 * np.log10(np.abs(response)))


def _high_pass(hz: float) -> Array:
    _, response = signal.freqs([1, 0, 0], [1, np.sqrt(2), 1], worN=HZ / hz)
    return np.asarray(20 * np.log10(np.abs(response)))


PLANTS: Final[dict[str, Array]] = {
    "bell +4 dB at 3 kHz": _bell(3000, 4.0),
    "bell +6 dB at 3 kHz": _bell(3000, 6.0),
    "shelf -6 dB above 2.5 kHz": _shelf(2500, -6.0),
    "shelf -10 dB above 2.5 kHz": _shelf(2500, -10.0),
    "high-pass 300 Hz": _high_pass(300),
    "level +3 dB": np.full(HZ.size, 3.0),
    "level -6 dB": np.full(HZ.size, -6.0),
    "level -10 dB": np.full(HZ.size, -10.0),
}
CLASSES_DB: Final = (0.8, 1.2, 2.0, np.inf)


class MadeInput:
    """Input whose turns differ by a spread of its own, in tone and in level, each week anew."""

    def __init__(self, rng: np.random.Generator, name: str) -> None:
        self.source = MadeSource(rng, name)
        self.spread_db = float(np.exp(rng.normal(np.log(1.2), 0.45)))
        self.level_spread_db = float(np.exp(rng.normal(np.log(1.8), 0.3)))
        self._reach_octave = rng.uniform(0.5, 1.2)

    def turn(self, rng: np.random.Generator) -> Array:
        """(31,) levels of a turn; a few are quite another thing, as songs are in `tests.support.repertoires`."""
        tails = np.abs(rng.standard_t(6, 2)) ** 0.3
        off_db = tails[0] * self.spread_db * _smooth(rng, 1, self._reach_octave, 1.0)[0]
        return np.asarray(self.source.usual_db + off_db + tails[1] * rng.normal(0, self.level_spread_db))

    def part(self, levels_db: Array) -> KeptPart:
        """Turn as a line check keeps it: some seconds at the tap."""
        values: dict[str, tuple[float, float | None]] = {
            f"tone_db.{hz:g}": (float(level), None) for hz, level in zip(NOMINAL_HZ, levels_db, strict=True)
        }
        power = 10 ** (levels_db / 10)
        values["level_dbfs"] = (float(10 * np.log10(power.sum())) - 20.0, None)
        return KeptPart(
            source=self.source.name, stage="turn", role=self.source.role, player=None, tap="preamp", playing_s=TURN_S, values=values
        )  # fmt: skip


@dataclass(slots=True)
class Outcome:
    """Clean inputs and planted changes judged."""

    clean: list[bool] = field(default_factory=list)
    planted: dict[str, list[tuple[float, bool]]] = field(default_factory=lambda: defaultdict(list))
    """Plant to (spread of the input, found)."""
    inside: list[bool] = field(default_factory=list)
    told_db: list[tuple[float, float]] = field(default_factory=list)
    """(spread of the input, smallest change of its top that would be told)."""


def judged_houses(kept: int, houses: int = HOUSES) -> Outcome:
    """Houses that kept so many line checks judge others, clean and planted."""
    outcome = Outcome()
    for seed in range(houses):
        rng = np.random.default_rng([SEED, seed, kept])
        inputs = [MadeInput(rng, f"input {number}") for number in range(1, INPUTS + 1)]
        rows = []
        for week in range(1, kept + 1):
            take = TakeRow(
                id=week, house="Tern Street Hall", show=f"week {week}", date=None, phase="line-check", duration_s=140.0, recording="",
                house_hash="", note="", kept_by="", kept_at=f"{week:04d}", forgotten_by=None, forgotten_at=None,
            )  # fmt: skip
            rows += [(take, replace(each.part(each.turn(rng)), take=week)) for each in inputs]
        baseline = baseline_of(rows)
        for judged in range(JUDGED):
            for each in inputs:
                levels_db = each.turn(rng)
                comparison = compared_turn(baseline, each.part(levels_db), with_least_told=not judged)
                assert comparison is not None
                outcome.clean.append(bool(comparison.changed))
                tone = next(normal for normal in comparison.normals if normal.name == TONE)
                outcome.inside += [low <= today <= high for today, _, low, high in (tone.bands_db or {}).values()]
                if tone.least_told:
                    outcome.told_db.append((each.spread_db, tone.least_told.get("top", np.inf)))
                if judged:
                    continue
                for name, response_db in PLANTS.items():
                    planted = compared_turn(baseline, each.part(levels_db + response_db), with_least_told=False)
                    assert planted is not None
                    wanted = LEVEL.name if name.startswith("level") else TONE
                    outcome.planted[name].append((each.spread_db, wanted in planted.changed))
    return outcome


def _share(values: Sequence[bool]) -> str:
    return f"{100 * float(np.mean(values)):.0f} %" if len(values) else "-"


def found_tables(outcomes: dict[int, Outcome]) -> list[str]:
    """False alarms and what is found, by kept line checks, and by how far turns of an input differ."""
    lines = ["| | " + " | ".join(f"{kept} kept" for kept in outcomes) + " |", "|---|" + "---|" * len(outcomes)]
    clean = [f"{100 * float(np.mean(outcome.clean)):.1f} %" for outcome in outcomes.values()]
    lines.append(f"| something told of a clean input (of {len(outcomes[KEPT[0]].clean)}) | {' | '.join(clean)} |")
    covered = [f"{100 * float(np.mean(outcome.inside)):.1f} %" for outcome in outcomes.values()]
    lines.append(f"| clean octaves inside their 95 % range | {' | '.join(covered)} |")
    told_db = [float(np.median([least for _, least in outcome.told_db])) for outcome in outcomes.values()]
    lines.append(
        f"| smallest change of the top that would be told, median | {' | '.join(f'{value:.0f} dB' for value in told_db)} |"
    )
    for name in PLANTS:
        cells = [_share([found for _, found in outcome.planted[name]]) for outcome in outcomes.values()]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    lines += ["", "By the spread of an input's turns (mean of its octaves), from 5 kept line checks on:", ""]
    words = [
        f"under {CLASSES_DB[0]:g} dB",
        *(f"under {high:g}" for high in CLASSES_DB[1:-1]),
        f"{CLASSES_DB[-2]:g} and more",
    ]
    lines += ["| kept | planted | " + " | ".join(words) + " |", "|---|---|" + "---|" * len(words)]
    for kept, outcome in outcomes.items():
        if kept < 5:
            continue
        for name in PLANTS:
            if name.startswith("level"):
                continue
            cells = []
            for low, high in zip((0.0, *CLASSES_DB), CLASSES_DB, strict=False):
                rows = [found for spread_db, found in outcome.planted[name] if low <= spread_db < high]
                cells.append(f"{_share(rows)} of {len(rows)}")
            lines.append(f"| {kept} | {name} | {' | '.join(cells)} |")
    return lines


def floor_table(rows: dict[str, dict[str, Floor]]) -> list[str]:
    """Floors of both halves."""
    octaves = [f"{band:g}" if band < 1000 else f"{band / 1000:g}k" for band in OCTAVES_HZ]
    lines = [
        f"| recordings | half | pairs | {' | '.join(octaves)} | 125 Hz to 8 kHz | level |",
        "|---|---|---|" + "---|" * (len(octaves) + 2),
    ]
    for half, floors_of_half in rows.items():
        for name, floor in floors_of_half.items():
            lines.append(
                f"| {name} | {half} | {floor.row() if floor.tones_db else '0 |' + ' |' * len(octaves) + ' |'} |"
            )
    return lines


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--audio", type=Path)
    parser.add_argument("--half", action="append", default=[], choices=("tune", "verify"))
    parser.add_argument("--houses", type=int, default=HOUSES)
    parser.add_argument("--page", type=Path, default=TARGET)
    options, _ = parser.parse_known_args()
    folder = folder_given(options.audio)
    measured = {half: floors(folder, half) for half in options.half or ["tune"]} if folder is not None else {}
    outcomes: dict[int, Outcome] = {}
    for kept in KEPT:
        outcomes[kept] = judged_houses(kept, options.houses)
        print(kept, np.mean(outcomes[kept].clean), flush=True)
    write_page(options.page, "\n".join(page_lines(measured, outcomes)) + "\n", __file__)
    print(options.page)


def page_lines(measured: dict[str, dict[str, Floor]], outcomes: dict[int, Outcome]) -> list[str]:
    """Lines of the page."""
    return [
        "# Validation: line check as memory",
        "",
        (
            "Made by `python -m validations.line_memory` (`--audio FOLDER` for the recordings). A turn is what an input plays in a line check: a "
            "sentence, a few bars. How far one turn differs from the next decides which changes can be told."
        ),
        "",
        "## How far two turns differ",
        "",
        (
            "Standard deviation of one turn in dB, by octave of its tone (against the whole, as the ear weighs it) and of its level: the difference "
            "of two turns over the root of 2. Each pair is of one sitting: a microphone that is put up anew every week, and a player who stands "
            "elsewhere, are not in it, so that a house's own weeks differ by more; each house learns how much. The sentences are not the same "
            "ones, and the strokes soft and loud alike, so that these two are wider than a turn that is asked for in the same words each week. No "
            "recordings of the same sentence over several weeks were at hand. The half to verify was counted one time."
        ),
        "",
        *floor_table(measured),
        "",
        "## What is found",
        "",
        (
            f"Made houses of {INPUTS} inputs whose turns differ by 1.2 dB in the median (0.5 to 2.7 dB), as the recordings do, and in level by 1.8 dB. "
            "A filter is planted in one turn of each input. "
            "The chances are set so that something is told of about one clean input in 200; from 3 kept turns on something is told. The tails stay "
            "heavy however much is kept, since now and then a turn is another thing: with 30 kept turns fewer inputs are told falsely, and small "
            "changes no oftener than with 10."
        ),
        "",
        *found_tables(outcomes),
    ]


if __name__ == "__main__":
    main()
