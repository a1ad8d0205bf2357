"""Role of an input guessed by its sound: the table that `deskhand new` goes by, and how often it is right.

python -m validations.role_by_sound --audio FOLDER --half tune --work FOLDER

Inputs of clean shows and recordings played one after the other, one track each, under names that tell nothing, are measured as
`deskhand new` measures them. The tune half makes the table and is guessed with each recording's source left out; the verify half
is counted with the table as it stands. The recordings are no part of the project (`tests/support/stage/library.py`).
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast, get_args

import numpy as np

from deskhand.desk import DeskState
from deskhand.house import match_tracks
from deskhand.recording.held import held_recording
from deskhand.tasks import role_by_sound
from deskhand.tasks.check.measure import TakeInput, measure
from deskhand.tasks.new import guess_house
from deskhand.tasks.role_by_sound import (
    READING_NAMES,
    TABLE,
    SoundGuess,
    SoundModel,
    model_of,
    readings_of_sound,
    sound_model,
)
from tests.support.feed import reading_of
from tests.support.stage.effects import RATE_HZ, amplitude
from tests.support.stage.library import SING, VARIABLE, Half, faded, folder_given, open_library
from tests.support.stage.score import pick, seeded
from tests.support.stage.show import clean_show, rigs_of, week_of
from tools.prose import wrapped
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from tests.support.stage.library import Library, Sound, Take

FIRST_SEASON: Final = 4000
"""Seasons of this study are others than those of the clean shows, the planted faults and the limits."""
SHOWS: Final = 3
"""Each rig comes up in one of them."""
JOINED_S: Final = 12.0
JOINED_EACH: Final = 2
"""Recordings of one kind, source and microphone are played one after the other, so long and so often."""
LONGEST_TAKE_S: Final = 2.5
LEFT_OUT_KINDS: Final = ("noise", "impulse response")
"""Kinds of recording that are no playing."""
NO_KIT: Final = ("snare, top and bottom", "overheads")
"""Kind and role of what hears one drum alone: no overheads of a kit."""
ELECTRONIC: Final = ("electronic", "pads")
"""Beginnings of the names of what a drum machine plays: it sounds like no drum, and widens what a drum is."""
CLICKS_HZ: Final = (800.0, 1000.0, 2000.0, None)
"""Clicks of machines: decaying tones, and a burst of noise. Invented; common practice, no source."""
SURETIES: Final = (0.8, 0.85, 0.9)
"""Nothing is asked below the first of these from which on `WANTED_RIGHT` of the questions are right."""
WANTED_RIGHT: Final = 0.85
"""A guess that is wrong more often is read past. Common practice, no source."""
SHRINKAGES: Final = (0.2, 0.6, 1.0)
CAUTIONS: Final = (1.0, 1.5, 2.0, 3.0, 4.0)
"""Shares of the covariance that only its diagonal keeps, and factors on the whole of it, to choose from by the probability of the right
group where its source is left out."""
ASTRAY: Final = 0.03
"""Part of the probability that is spread over all groups before it is judged: one sound that is like nothing known does not decide the choice."""
FARTHEST_PERCENT: Final = 90.0
"""Sounds of known groups, their source left out, that lie nearer than the distance from which on a sound is unlike all."""
LEAST_SOURCES: Final = 2
"""A group of fewer sources is known, but never guessed: nothing tells how surely."""
VERIFY_RUNS: Final = "once"
"""How often the verify half was run when its counts are on the page; to be put right with each further run."""
WORK: Final = Path(tempfile.gettempdir()) / "deskhand-role-by-sound"
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-role-by-sound.md"
VERIFY_HEADING: Final = "## Verify half"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleGroup:
    """Roles that sound alike."""

    name: str
    roles: tuple[str, ...]
    words: str = ""
    """As they are asked about; empty for what is never guessed."""


GROUPS: Final = (
    RoleGroup(name="kick", roles=("kick",), words="a kick"),
    RoleGroup(name="snare, toms", roles=("snare", "toms"), words="a snare or a tom"),
    RoleGroup(name="overheads, percussion", roles=("overheads", "percussion"), words="overheads or percussion"),
    RoleGroup(name="bass", roles=("bass",), words="a bass"),
    RoleGroup(name="guitars", roles=("guitar", "acoustic guitar"), words="a guitar"),
    RoleGroup(name="keys", roles=("keys",), words="keys"),
    RoleGroup(name="voice", roles=("lead vocal", "backing vocal", "speech"), words="a voice"),
    RoleGroup(name="click", roles=("click",), words="a click"),
    RoleGroup(name="playback, drum machines", roles=("playback",)),
    RoleGroup(name="winds and bowed strings", roles=("other",)),
)
MACHINES: Final = "playback, drum machines"
FAMILIES: Final = ((("kick", "snare, toms", "overheads, percussion"), "a drum or percussion"),)
"""Groups that are asked about together where none is sure by itself."""
GROUP_OF: Final = {role: group.name for group in GROUPS for role in group.roles}


@dataclass(frozen=True, slots=True, kw_only=True)
class InputSample:
    """Readings of one input."""

    unit: str
    """Show or batch of recordings that it was measured in."""
    name: str
    group: str
    sources: tuple[str, ...]
    """Sources of the recordings that it was made of."""
    readings: tuple[float | None, ...]

    @property
    def known_as(self) -> str:
        """Group that it is learned as."""
        return MACHINES if self.name.startswith(ELECTRONIC) else self.group

    @property
    def vector(self) -> NDArray[np.float64]:
        """(readings,) with NaN for what was not measured."""
        return np.array([np.nan if reading is None else reading for reading in self.readings])


def sample_of(unit: str, name: str, role: str, sources: Sequence[str], readings: NDArray[np.float64]) -> InputSample:
    """Sample as it is stored."""
    return InputSample(
        unit=unit, name=name, group=GROUP_OF[role], sources=tuple(sorted(sources)),
        readings=tuple(round(float(value), 3) if np.isfinite(value) else None for value in readings),
    )  # fmt: skip


class ListeningLibrary:
    """Library that notes which sources are taken from it."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._source_of = {row["file"]: row["source_repository"] for row in library.rows}
        self._kit = next(row["source_repository"] for row in library.rows if row["kind"].startswith("drum kit, many"))
        self.sources: set[str] = set()

    def sound(self, take: Take) -> Sound:
        self.sources.add(self._source_of[take.file])
        return self._library.sound(take)

    def shifted(self, take: Take, semitones: int) -> Sound:
        self.sources.add(self._source_of[take.file])
        return self._library.shifted(take, semitones)

    def kit(self) -> dict[str, Sound]:
        self.sources.add(self._kit)
        return self._library.kit()

    def singer(self) -> Sound:
        self.sources.add(SING[self._library.half])
        return self._library.singer()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._library, name)


def sources_of_parts(library: Library, season: int) -> dict[str, set[str]]:
    """Part of a season's first week to the sources of its recordings; what a machine makes is a source of its own."""
    listening = ListeningLibrary(library)
    week = week_of(cast("Library", listening), season, 1)
    sources = {}
    for rig in rigs_of(season):
        listening.sources = set()
        parts = rig(week)
        for part in parts:
            sources[part.name] = {"click of the shows"} if part.role == "click" else set(listening.sources)
    return sources


def show_samples(library: Library, season: int) -> list[InputSample]:
    """Samples of a season's first week: each track an input, as where names do not tell the pairs."""
    show = clean_show(library, season, 1)
    sources = sources_of_parts(library, season)
    tracks = [(part, track) for part in show.parts for track in part.tracks]
    names = [f"Ch {number:02d}" for number in range(1, len(tracks) + 1)]
    samples = np.clip(np.concatenate([part.sound for part in show.parts]), -1.0, 1.0).astype(np.float32)
    house = guess_house(names, name="Tern Street Hall")
    readings = measure(
        TakeInput(
            house=house, recording=held_recording(samples, names, RATE_HZ), matched=match_tracks(house, names),
            desk=DeskState(tap=house.house.tap), folder=None, threads=1,
        )
    )  # fmt: skip
    return [
        sample_of(f"show {season}", track, part.role, [*sources[part.name]], readings_of_sound(readings.before[name]))
        for (part, track), name in zip(tracks, names, strict=True)
    ]


def joined(library: Library, takes: Sequence[Take], rng: np.random.Generator) -> Sound:
    """(frames,) of takes one after the other, as somebody plays them."""
    frames = round(JOINED_S * RATE_HZ)
    track = np.zeros(frames + round(LONGEST_TAKE_S * RATE_HZ))
    moment_s = 0.5
    while moment_s < JOINED_S:
        sound = library.sound(pick(rng, takes))[0, : round(LONGEST_TAKE_S * RATE_HZ)]
        sound = faded(sound / (np.abs(sound).max() + 1e-9), 0.001, 0.05)
        first = round(moment_s * RATE_HZ)
        track[first : first + sound.size] += sound * amplitude(float(rng.normal(-10.0, 2.0)))
        moment_s += min(sound.size / RATE_HZ, float(rng.uniform(0.3, 1.5)))
    return track[:frames] + amplitude(-90.0) * rng.standard_normal(frames)


def click(hz: float | None, rng: np.random.Generator) -> Sound:
    """(frames,) of a machine's click."""
    time_s = np.arange(round(0.05 * RATE_HZ)) / RATE_HZ
    wave = rng.standard_normal(time_s.size) if hz is None else np.sin(2 * np.pi * hz * time_s)
    tick = 0.3 * wave * np.exp(-time_s / float(rng.uniform(0.003, 0.012)))
    track = np.zeros(round(JOINED_S * RATE_HZ))
    step = round(60.0 / float(rng.uniform(80.0, 140.0)) * RATE_HZ)
    for first in range(step // 2, track.size - tick.size, step):
        track[first : first + tick.size] += tick
    return track + amplitude(-100.0) * rng.standard_normal(track.size)


def joined_samples(library: Library) -> list[InputSample]:
    """Samples of the recordings by themselves, and of clicks."""
    takes: dict[tuple[str, str, str, str], list[Take]] = defaultdict(list)
    source_of = {row["file"]: row["source_repository"] for row in library.rows}
    for take in library.takes():
        if (
            (take.kind, take.role) != NO_KIT
            and take.role in GROUP_OF
            and not any(word in take.kind for word in LEFT_OUT_KINDS)
        ):
            takes[take.kind, take.role, take.microphone, source_of[take.file]].append(take)
    samples = []
    for (kind, role, microphone, source), several in takes.items():
        for number in range(JOINED_EACH):
            sound = joined(library, several, seeded("joined", kind, role, microphone, source, number))
            reading = readings_of_sound(reading_of(sound, sample_rate_hz=RATE_HZ))
            samples.append(sample_of("recordings", f"{kind}, {microphone}", role, [source], reading))
    for hz in CLICKS_HZ:
        sound = click(hz, seeded("click", library.half, hz))
        reading = readings_of_sound(reading_of(sound, sample_rate_hz=RATE_HZ))
        name = "click of noise" if hz is None else f"click of {hz:g} Hz"
        samples.append(sample_of("recordings", name, "click", [name], reading))
    return samples


def measured(library: Library, work: Path) -> list[InputSample]:
    """Samples of a half; what a file in the work folder holds already is not measured again."""
    stored = work / f"role-by-sound-{library.half}.jsonl"
    lines = stored.read_text("utf-8").splitlines() if stored.is_file() else []
    samples = [
        InputSample(**row | {"sources": tuple(row["sources"]), "readings": tuple(row["readings"])})
        for row in map(json.loads, lines)
    ]
    units = {f"show {season}": season for season in range(FIRST_SEASON, FIRST_SEASON + SHOWS)}
    for unit in ("recordings", *units):
        if unit not in {sample.unit for sample in samples}:
            new = joined_samples(library) if unit == "recordings" else show_samples(library, units[unit])
            with stored.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(asdict(sample)) + "\n" for sample in new)
            samples += new
            print(unit, len(new), flush=True)
    # nothing plays, or too little to be told
    return [sample for sample in samples if sample.readings[0] is not None]


# the model


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings chosen on the tune half."""

    shrinkage: float
    caution: float
    farthest: float = np.inf
    least_surety: float = SURETIES[0]


def _equal_weights(samples: Sequence[InputSample]) -> NDArray[np.float64]:
    """(samples,) weights: the sources of a group weigh alike, however many inputs each has."""
    counts = Counter((sample.known_as, sample.sources) for sample in samples)
    sources = Counter(group for group, _ in counts)
    return np.array([1.0 / counts[s.known_as, s.sources] / sources[s.known_as] for s in samples])


def fitted(samples: Sequence[InputSample], settings: Settings, least_sources: int = LEAST_SOURCES) -> SoundModel:
    """Model of some samples: weighted means, and the covariance round them, shrunk to its diagonal and widened."""
    vectors = np.array([sample.vector for sample in samples])
    weights = _equal_weights(samples)
    groups = [group for group in GROUPS if any(sample.known_as == group.name for sample in samples)]
    means, residuals = [], np.zeros_like(vectors)
    for group in groups:
        rows = np.array([sample.known_as == group.name for sample in samples])
        known = np.isfinite(vectors[rows]) * weights[rows, None]
        mean = (np.nan_to_num(vectors[rows]) * known).sum(axis=0) / np.maximum(known.sum(axis=0), 1e-12)
        means.append(mean)
        residuals[rows] = np.nan_to_num(vectors[rows] - mean)
    covariance = (residuals * weights[:, None]).T @ residuals / weights.sum()
    covariance = (1.0 - settings.shrinkage) * covariance + settings.shrinkage * np.diag(np.diag(covariance))
    sources = {group.name: {s.sources for s in samples if s.known_as == group.name} for group in groups}
    guessed = [bool(group.words) and len(sources[group.name]) >= least_sources for group in groups]
    return model_of(
        {
            "readings": READING_NAMES,
            "least_surety": settings.least_surety,
            "farthest": settings.farthest,
            "family": [
                {"groups": [number for number, group in enumerate(groups) if group.name in names], "words": words}
                for names, words in FAMILIES
            ],
            "covariance": (settings.caution * covariance).round(4).tolist(),
            "group": [
                {"roles": group.roles if is_guessed else (), "words": group.words, "mean": mean.round(3).tolist()}
                for group, mean, is_guessed in zip(groups, means, guessed, strict=True)
            ],
        }
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Answer on one sample."""

    sample: InputSample
    guess: SoundGuess | None
    distance: float
    """Squared Mahalanobis distance a reading from the nearest group."""
    right_probability: float

    @property
    def answer(self) -> str:
        """Right, wrong or not guessed."""
        if self.guess is None:
            return "not guessed"
        return "right" if self.sample.group in {GROUP_OF[role] for role in self.guess.roles} else "wrong"


def verdict_on(sample: InputSample, model: SoundModel, groups: Sequence[str]) -> Verdict:
    """Verdict of a model, whose groups have these names, on a sample."""
    vector = sample.vector
    probabilities = model.probabilities(vector)
    return Verdict(
        sample=sample,
        guess=model.guess(vector),
        distance=float(model.squared_distances(vector).min() / np.isfinite(vector).sum()),
        right_probability=float(probabilities[groups.index(sample.known_as)]) if sample.known_as in groups else np.nan,
    )


def left_out(samples: Sequence[InputSample], settings: Settings) -> list[Verdict]:
    """Verdicts on all samples, each by a model without any recording of its sources."""
    verdicts = []
    for sources in sorted({sample.sources for sample in samples}):
        others = [sample for sample in samples if not set(sample.sources) & set(sources)]
        model = fitted(others, settings, least_sources=1)
        groups = [group.name for group in GROUPS if any(sample.known_as == group.name for sample in others)]
        verdicts += [verdict_on(sample, model, groups) for sample in samples if sample.sources == sources]
    return verdicts


def mean_log_probability(verdicts: Sequence[Verdict]) -> float:
    """Mean of ln p of the right group, where the model knows it from another source; each source weighs alike."""
    known = [verdict for verdict in verdicts if np.isfinite(verdict.right_probability)]
    weights = _equal_weights([verdict.sample for verdict in known])
    probabilities = np.array([verdict.right_probability for verdict in known])
    logs = np.log((1.0 - ASTRAY) * probabilities + ASTRAY / len(GROUPS))
    return float(np.average(logs, weights=weights))


def chosen(samples: Sequence[InputSample]) -> tuple[Settings, list[Verdict]]:
    """Settings with which the right group is likeliest where its source is left out, and the verdicts with them."""
    settings = max(
        (
            Settings(shrinkage=shrinkage, caution=caution)
            for shrinkage, caution in itertools.product(SHRINKAGES, CAUTIONS)
        ),
        key=lambda settings: mean_log_probability(left_out(samples, settings)),
    )
    distances = [v.distance for v in left_out(samples, settings) if np.isfinite(v.right_probability)]
    settings = replace(settings, farthest=round(float(np.percentile(distances, FARTHEST_PERCENT)), 2))
    verdicts: list[Verdict] = []
    for least_surety in SURETIES:
        settings = replace(settings, least_surety=least_surety)
        verdicts = left_out(samples, settings)
        answers = Counter(verdict.answer for verdict in verdicts)
        if answers["right"] >= WANTED_RIGHT * (answers["right"] + answers["wrong"]):
            break
    return settings, verdicts


def table_text(model: SoundModel) -> str:
    """Table as the package reads it."""

    def row(values: Iterator[float] | NDArray[np.float64]) -> str:
        return "[" + ", ".join(f"{value:g}" for value in values) + "]"

    lines = [
        "# Sound of each group of roles, written by validations/role_by_sound.py from recordings of its tune half: not by hand.",
        "# Covariance of the readings round the means, one for all groups, is widened for instruments that it has not heard.",
        "",
        f"readings = {json.dumps(list(READING_NAMES))}",
        f"least_surety = {model.least_surety:g}",
        f"farthest = {model.farthest:g}             # squared Mahalanobis distance a reading",
        "covariance = [",
        *(f"  {row(values)}," for values in model.covariance),
        "]",
    ]
    for family, words in model.families:
        lines += ["", "[[family]]", f"groups = {json.dumps(list(family))}  # counted from 0", f'words = "{words}"']
    for roles, words, mean in zip(model.roles, model.words, model.means, strict=True):
        never = "" if roles else "  # never guessed"
        lines += [
            "",
            "[[group]]",
            f"roles = {json.dumps(list(roles))}{never}",
            f'words = "{words}"',
            f"mean = {row(mean)}",
        ]
    return "\n".join(lines) + "\n"


# the page


def counts_lines(verdicts: Sequence[Verdict]) -> list[str]:
    """Table of the answers by group, and of how often a stated surety is right."""
    lines = [
        "| group | sources | inputs | right | right as a drum or percussion | wrong | not guessed |",
        "|---|---|---|---|---|---|---|",
    ]
    for name in (*(group.name for group in GROUPS), ""):
        of_group = [verdict for verdict in verdicts if name in ("", verdict.sample.group)]
        answers = Counter(verdict.answer for verdict in of_group)
        sources = {source for verdict in of_group for source in verdict.sample.sources}
        narrow = sum(v.answer == "right" and v.guess is not None and len(v.guess.roles) <= 2 for v in of_group)
        cells = (
            len(sources),
            len(of_group),
            narrow,
            answers["right"] - narrow,
            answers["wrong"],
            answers["not guessed"],
        )
        lines.append(f"| {name or 'all'} | {' | '.join(map(str, cells))} |")
    lines += ["", "| asked with a surety of | inputs | of those right |", "|---|---|---|"]
    for low, high, words in ((0.8, 0.9, "about 8 in 10"), (0.9, 1.01, "about 9 in 10")):
        guesses = [v for v in verdicts if v.guess is not None and low <= v.guess.surety < high]
        right = sum(verdict.answer == "right" for verdict in guesses)
        lines.append(f"| {words} | {len(guesses)} | {right} |")
    wrong = Counter((v.sample.group, v.guess.words, v.sample.name) for v in verdicts if v.guess and v.answer == "wrong")
    lines += ["", "Wrong: " + ("; ".join(f"{name} ({group}) as {words}, {count} times" for (group, words, name), count in wrong.items()) or "none") + "."]  # fmt: skip
    return lines


def page_text(settings: Settings, verdicts: Sequence[Verdict], samples: Sequence[InputSample]) -> str:
    """Page with the counts of the tune half."""
    alone = [
        group.name for group in GROUPS if len({s.sources for s in samples if s.known_as == group.name}) < LEAST_SOURCES
    ]
    lines = [
        "# Validation: roles by sound",
        "",
        (
            "Made by `python -m validations.role_by_sound --audio FOLDER`: inputs whose names tell nothing, measured as `deskhand new` measures them, one track "
            f"each. Tracks of {SHOWS} clean shows of 30 s with bleed and noise (`tests/support/stage/show.py`), and {JOINED_S:.0f} s of single notes, hits and lines of one "
            "source, kind and microphone played one after the other. The recordings are no part of the project."
        ),
        "",
        (
            f"A guess goes by {len(READING_NAMES)} readings: {'; '.join(READING_NAMES)}. Each group of roles is a normal distribution of them; all share one covariance, "
            f"shrunk by {settings.shrinkage:g} to its diagonal and widened {settings.caution:g} times, which makes the right group likeliest where the source of a recording is left "
            "out. Sources of a group weigh alike; no group is likelier than another beforehand. *Surety* is the posterior probability. Nothing is asked below "
            f"{100 * settings.least_surety:g} % (the first of {', '.join(f'{100 * surety:g}' for surety in SURETIES)} from which on {100 * WANTED_RIGHT:g} % of the questions are right), nor where the sound lies farther from all groups (squared Mahalanobis distance above {settings.farthest:g} a reading) than {FARTHEST_PERCENT:.0f} % of the "
            "sounds of known groups do."
        ),
        "",
        (
            "Where no group reaches that, the kick, snare, toms, overheads and percussion are asked about together. Playback, drum machines, winds and bowed strings are "
            "known, so that they are not taken for something else, and never guessed."
            + (f" So are groups of one source alone: {', '.join(alone)}." if alone else "")
        ),
        "",
        "## Tune half, each source left out",
        "",
        (
            "Each input is guessed by a model without any recording of its own sources. Few sources stand behind each group: what else a stage holds will be guessed "
            "less surely than these numbers say. Readings, groups and settings were chosen by these same counts, among some twenty sets of readings. Clicks are "
            "made, each by one short formula, and sound more alike than those of machines do."
        ),
        "",
        *counts_lines(verdicts),
        "",
        VERIFY_HEADING,
        "",
        "Not counted with this table yet.",
        "",
    ]
    return wrapped("\n".join(lines))


def verify_text(page: str, verdicts: Sequence[Verdict]) -> str:
    """Page with the counts of the verify half in place of earlier ones."""
    head = page.split(VERIFY_HEADING, maxsplit=1)[0]
    lines = [
        VERIFY_HEADING,
        "",
        f"Counted with the stored table; run so far: {VERIFY_RUNS}.",
        "",
        *counts_lines(verdicts),
        "",
    ]
    return head + wrapped("\n".join(lines))


def main(words: list[str] | None = None) -> None:
    """Measure a half; write the table and the page from tune, count verify with the stored table."""
    parser = argparse.ArgumentParser(description="Roles guessed by sound.")
    parser.add_argument("--audio", type=Path, help=f"folder of the recordings, else ${VARIABLE}")
    parser.add_argument("--half", choices=get_args(Half), default="tune")
    parser.add_argument("--work", type=Path, default=WORK, help="folder for what was measured so far")
    options = parser.parse_args(words or [])
    folder = folder_given(options.audio)
    if folder is None:
        print(f"role by sound: no folder of recordings; name it with --audio or ${VARIABLE}. Nothing was run.")
        return
    options.work.mkdir(parents=True, exist_ok=True)
    samples = measured(open_library(folder, options.half), options.work)
    if options.half == "verify":
        # groups of the stored table stand in the order of GROUPS
        verdicts = [verdict_on(sample, sound_model(), [group.name for group in GROUPS]) for sample in samples]
        write_page(TARGET, verify_text(TARGET.read_text("utf-8"), verdicts), __file__)
    else:
        settings, verdicts = chosen(samples)
        model = fitted(samples, settings)
        (Path(role_by_sound.__file__).parent / TABLE).write_text(table_text(model), "utf-8")
        write_page(TARGET, page_text(settings, verdicts, samples), __file__)
    print(TARGET)


if __name__ == "__main__":
    main(sys.argv[1:])
