"""Polarity: unlike pairs of microphones that a flip would hurt in mono, and one signal with one side inverted.

Real recordings from a folder of single files with `manifest.csv`, `pairs.csv` and `split.csv` beside them, named as an argument or
in the environment variable `DESKHAND_AUDIO`; without it the study is skipped. Each is judged as a pair, as two inputs of one
instrument, at line check, and against kept shows in which one side was the other way up. Mono loss is told from the samples with numpy.
"""

from __future__ import annotations

import csv
import os
import sys
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from deskhand.baseline.identity import upside_down
from deskhand.baseline.keep import source_parts
from deskhand.baseline.normal import baseline_of
from deskhand.desk import DeskState
from deskhand.findings import Context, judge, judge_reversed
from deskhand.findings.faults.pair import flipped_mono_loss
from deskhand.house import ROLES, parse_house
from deskhand.live.listen import listen
from deskhand.measure.readings import read_source
from deskhand.measure.stereo import alignment
from deskhand.recording import Track
from deskhand.store import TakeRow
from tests.support.feed import figures_of
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.house import HouseFile
    from deskhand.measure.readings import SourceReading
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

FOLDER: Final = "DESKHAND_AUDIO"
HALVES: Final = ("tune", "verify")
RECORDINGS: Final = 60
"""Unlike pairs in each half, and as many inverted ones."""
LENGTH_S: Final = 20.0
GAP_S: Final = 0.3
LIVE_S: Final = (2.5, 3.0)
"""A line check's first two looks at an input: it tells what both have found."""
KEPT_WEEKS: Final = 3
SEED: Final = 4711
VERIFY_RUNS: Final = "twice: for the rule of mono loss, and for what is told of unlike pick-ups"
"""How often the verify half was run; to be put right with each run that a limit follows from."""
DOORS: Final = ("a pair", "two inputs of one instrument", "line check", "against kept shows")
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-polarity.md"
_NO_SOUND_OF_ITS_OWN: Final = frozenset(
    {"ambience", "audience", "idle noise", "impulse response", "breath", "handling noise"}
)
_FAMILIES: Final = {
    "tuba": "tuba, condenser and dynamic", "shout": "tuba, condenser and dynamic", "altosax": "alto saxophone, two microphones",
    "driven": "bass, clean and driven", "piano": "piano, near and far", "large": "large drum, several microphones",
    "kit": "drum kit, neighbours", "snare": "snare, top against bottom or overhead",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """Two tracks with the truth about them."""

    family: str
    role: str
    samples: Array
    """(2, frames)."""
    sample_rate_hz: int

    @property
    def gain_of_flip_db(self) -> float:
        """By how much the mono sum rises when the second track is flipped."""
        left, right = self.samples
        return float(10.0 * np.log10((np.mean((left - right) ** 2) + 1e-20) / (np.mean((left + right) ** 2) + 1e-20)))

    def gain_of_delay_db(self, second_later_ms: float) -> float:
        """By how much the mono sum rises when the earlier track is delayed by what the second, or the first, comes later."""
        sides = list(self.samples)
        earlier = 0 if second_later_ms > 0 else 1
        plain = np.mean((sides[0] + sides[1]) ** 2)
        sides[earlier] = later(sides[earlier], abs(second_later_ms) / 1000.0, self.sample_rate_hz)[: sides[0].size]
        return float(10.0 * np.log10(np.mean((sides[0] + sides[1]) ** 2) / plain))


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Polarity as one door tells it."""

    former: bool
    """True where the sides' correlation alone says so: the rule before mono loss was asked."""
    severity: str | None
    gain_of_flip_db: float
    gain_of_delay_db: float | None = None
    """By how much the mono sum rises with the delay that is offered; None where none is."""


@dataclass(slots=True)
class Material:
    """The folder's files and pairs by half."""

    folder: Path
    manifest: dict[str, dict[str, str]] = field(default_factory=dict)
    half: dict[str, str] = field(default_factory=dict)
    families: dict[tuple[str, str], list[tuple[str, str]]] = field(default_factory=lambda: defaultdict(list))
    """(half, pairs that may follow one another in one recording) to the pairs."""

    def __post_init__(self) -> None:
        sources = {row["source"]: row["half"] for row in self._rows("split.csv")}
        for row in self._rows("manifest.csv"):
            self.manifest[row["file"]] = row
            self.half[row["file"]] = sources.get(row["source_repository"], "")
        for row in self._rows("pairs.csv"):
            one, other = row["reference"], row["other"]
            place = other.removesuffix(".flac").split("_")[-1]
            name = row["pair_id"].split("_")[0]
            # notes of one instrument follow one another; of drums each pair of microphones is a recording of its own
            key = name if name in ("tuba", "altosax", "driven", "piano") else f"{name} {one} {place}"
            if name == "snare":
                key = f"snare {row['pair_id']} {place}"
            self.families[self.half[one], key].append((one, other))

    def _rows(self, name: str) -> list[dict[str, str]]:
        with (self.folder / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def read(self, name: str) -> tuple[Array, int]:
        """(channels, frames) of a file, and its rate."""
        samples, rate_hz = soundfile.read(self.folder / name, always_2d=True)
        return samples.T, rate_hz


def later(wave: Array, delay_s: float, rate_hz: int) -> Array:
    """The wave, later by any part of a sample; silence behind it keeps its end from coming in at the start."""
    padded = np.concatenate([wave, np.zeros(round(0.05 * rate_hz))])
    turned = np.fft.rfft(padded) * np.exp(-2j * np.pi * np.fft.rfftfreq(padded.size, 1 / rate_hz) * delay_s)
    return np.fft.irfft(turned, padded.size)


def in_a_row(parts: list[Array], rate_hz: int) -> Array:
    """(channels, 20 s): the parts one after the other, again and again."""
    gap = np.zeros((parts[0].shape[0], round(GAP_S * rate_hz)))
    frames = round(LENGTH_S * rate_hz)
    held: list[Array] = []
    while sum(part.shape[1] for part in held) < frames:
        held += [piece for part in parts for piece in (part, gap)]
    return np.concatenate(held, axis=1)[:, :frames]


def with_noise(samples: Array, rng: np.random.Generator) -> Array:
    """The samples at a peak of -6 dBFS, with the noise of two preamps 90 dB below full scale."""
    return 0.5 * samples / np.abs(samples).max() + 10 ** (-90 / 20) * rng.standard_normal(samples.shape)


def unlike(material: Material, half: str, rng: np.random.Generator) -> Iterator[Recording]:
    """Pairs of microphones, or clean and driven, with 0.3 to 3 ms set between them."""
    keys = sorted(key for of_half, key in material.families if of_half == half)
    # every family of instruments comes as often
    by_name: dict[str, list[str]] = defaultdict(list)
    for key in keys:
        by_name[key.split()[0]].append(key)
    for number in range(RECORDINGS):
        name = sorted(by_name)[number % len(by_name)]
        pairs = material.families[half, str(rng.choice(by_name[name]))]
        chosen = [pairs[place] for place in rng.permutation(len(pairs))[:4]]
        delay_s = float(rng.uniform(0.0003, 0.003) * rng.choice([-1.0, 1.0]))
        gain = 10 ** (float(rng.uniform(-6.0, 6.0)) / 20)
        parts, rate_hz = [], 0
        for one, other in chosen:
            (first, rate_hz), (second, _) = material.read(one), material.read(other)
            frames = min(first.shape[1], second.shape[1])
            sides = [first[0, :frames], gain * second[0, :frames]]
            sides[delay_s > 0] = later(sides[delay_s > 0], abs(delay_s), rate_hz)[:frames]
            parts.append(np.stack(sides))
        role = material.manifest[chosen[0][0]]["role"]
        yield Recording(
            family=_FAMILIES[name], role="other" if role == "overheads" else role,
            samples=with_noise(in_a_row(parts, rate_hz), rng), sample_rate_hz=rate_hz,
        )  # fmt: skip


def inverted(material: Material, half: str, rng: np.random.Generator) -> Iterator[Recording]:
    """One signal on two tracks, one inverted, up to 6 dB apart; every second with noise of its own 20 to 36 dB down."""
    kinds: dict[tuple[str, str], list[str]] = defaultdict(list)
    for name, row in material.manifest.items():
        if (
            material.half[name] == half
            and row["kind"] not in _NO_SOUND_OF_ITS_OWN
            and float(row["sample_rate_hz"]) >= 44100
        ):
            kinds[row["kind"], row["sample_rate_hz"]].append(name)
    for number in range(RECORDINGS):
        names = kinds[sorted(kinds)[number % len(kinds)]]
        chosen = [names[place] for place in rng.permutation(len(names))[:5]]
        parts, rate_hz = [], 0
        for name in chosen:
            samples, rate_hz = material.read(name)
            parts.append(samples[:1])
        (wave,) = in_a_row(parts, rate_hz)
        sides = np.stack([wave, -(10 ** (float(rng.uniform(-6.0, 6.0)) / 20)) * wave])
        if number % 2:
            own = 10 ** (float(rng.uniform(-36.0, -20.0)) / 20) * np.sqrt(np.mean(wave**2))
            sides = sides + own * rng.standard_normal(sides.shape)
        role = material.manifest[chosen[0]]["role"]
        yield Recording(
            family="one signal", role="other" if role in ("overheads", "audience", "playback") else role,
            samples=with_noise(sides, rng), sample_rate_hz=rate_hz,
        )  # fmt: skip


def house_of(role: str, *, sides: bool) -> HouseFile:
    """One source on two tracks, or two on one each."""
    lines = ["[house]", 'name = "Tern Street Hall"', 'tap = "after-chain"']
    tracks = [["track 1", "track 2"]] if sides else [["track 1"], ["track 2"]]
    for number, names in enumerate(tracks, 1):
        quoted = ", ".join(f'"{name}"' for name in names)
        lines += ["[[source]]", f'name = "source {number}"', f'role = "{role}"', f"tracks = [{quoted}]"]
    return parse_house("\n".join(lines), Path("house.toml"))


def severity_of(findings: list[Finding]) -> str | None:
    """Severity with which polarity is told; None where it is not."""
    return next((finding.severity for finding in findings if finding.kind == "polarity"), None)


def verdicts(recording: Recording) -> dict[str, Verdict]:
    """Polarity by each door."""
    strikes = ROLES[recording.role].strikes
    figures = figures_of(recording.samples, sample_rate_hz=recording.sample_rate_hz, pairs=[(0, 1)])
    tracks = [
        Track(name=f"track {n + 1}", number=n + 1, file="show.wav", channel=n + 1, bits=24, held=((0, recording.samples.shape[1]),))
        for n in range(2)
    ]  # fmt: skip

    def read(rows: tuple[int, ...]) -> SourceReading:
        return read_source(figures, rows, strikes=strikes, mains_hz=50.0)

    gain_db = recording.gain_of_flip_db
    out = {}
    pair = read((0, 1))
    context = Context(
        house=house_of(recording.role, sides=True), figures=figures, tracks=tracks, offset_s=0.0, readings={"source 1": pair},
        desk=DeskState(tap="after-chain"), line_check=True,
    )  # fmt: skip
    told = judge(context, absent={}, similar={})["source 1"]
    former = pair.alignment is not None and pair.alignment.opposite
    out[DOORS[0]] = Verdict(former=former, severity=severity_of(told), gain_of_flip_db=gain_db)

    both = {"source 1": read((0,)), "source 2": read((1,))}
    context = replace(context, house=house_of(recording.role, sides=False), readings=both)
    told = judge(context, absent={}, similar={}, groups=[("source 1", "source 2")])["source 2"]
    former = (
        all(reading.activity.windows.any() for reading in both.values())
        and alignment(figures.pairs[0, 1], figures.grid, top_hz=500.0).opposite
    )
    if not any(finding.kind == "duplicate" for finding in told):
        offered_ms = next((finding.measured for finding in told if finding.what == "pick-ups"), None)
        out[DOORS[1]] = Verdict(
            former=former,
            severity=severity_of(told),
            gain_of_flip_db=gain_db,
            gain_of_delay_db=None if offered_ms is None else recording.gain_of_delay_db(offered_ms),
        )
    out[DOORS[2]] = line_check(recording)
    verdict = against_kept(recording, pair)
    if verdict is not None:
        out[DOORS[3]] = verdict
    return out


def line_check(recording: Recording) -> Verdict:
    """Polarity as the first two looks tell it: both, or it is not told."""
    house = house_of(recording.role, sides=True)
    looks = []
    for length_s in LIVE_S:
        stretch = recording.samples[:, : round((length_s + 0.1) * recording.sample_rate_hz)]
        quiet = 10 ** (-90 / 20) * np.random.default_rng(3).standard_normal((2, recording.sample_rate_hz))
        looks.append(
            listen(
                house, house.source, np.concatenate([quiet, stretch], axis=1).astype(np.float32), ["track 1", "track 2"],
                recording.sample_rate_hz, start_s=0.0, taps={"source 1": "preamp"}, players={}, level_dba=80.0,
            )["source 1"]
        )  # fmt: skip
    told = [severity_of(list(look.findings)) for look in looks]
    former = all(look.reading.alignment is not None and look.reading.alignment.opposite for look in looks)
    return Verdict(former=former, severity=told[1] if all(told) else None, gain_of_flip_db=recording.gain_of_flip_db)


def against_kept(recording: Recording, reading: SourceReading) -> Verdict | None:
    """Polarity against shows in which the second track was the other way up; None where they say nothing of it."""

    def parts(samples: Array) -> list[KeptPart]:
        figures = figures_of(samples, sample_rate_hz=recording.sample_rate_hz, pairs=[(0, 1)])
        read = read_source(figures, (0, 1), strikes=ROLES[recording.role].strikes, mains_hz=50.0)
        return parts_of(read)

    def parts_of(read: SourceReading) -> list[KeptPart]:
        return source_parts(
            "source 1", role=recording.role, player=None, tap="preamp", chain=None, duration_s=LENGTH_S,
            before=read.readings, after=None, sounds=read.sounds,
        )  # fmt: skip

    other_way_up = parts(recording.samples * np.array([[1.0], [-1.0]]))
    # a show of the same players lasts longer than this recording
    kept = [
        (
            TakeRow(
                id=week, house="x", show=f"week {week}", date=None, phase="show", duration_s=LENGTH_S, recording="",
                house_hash="", note="", kept_by="", kept_at=f"{week:04d}", forgotten_by=None, forgotten_at=None,
            ),
            replace(part, playing_s=600.0),
        )
        for week in range(1, KEPT_WEEKS + 1)
        for part in other_way_up
    ]  # fmt: skip
    now = [replace(part, playing_s=600.0) for part in parts_of(reading)]
    found = upside_down(baseline_of(kept, (), taps={"source 1": "preamp"}, chains={}), now)
    if not found:
        return None
    figures = figures_of(recording.samples, sample_rate_hz=recording.sample_rate_hz, pairs=[(0, 1)])
    told = judge_reversed(found, {"source 1": flipped_mono_loss(figures, (0, 1), reading.activity.blocks)})
    return Verdict(former=True, severity=told["source 1"].severity, gain_of_flip_db=recording.gain_of_flip_db)


def study(material: Material) -> dict[tuple[str, str], list[dict[str, Verdict]]]:
    """(half, "unlike" or "inverted") to what is told of each recording, by door."""
    makers: dict[str, Callable[..., Iterator[Recording]]] = {"unlike": unlike, "inverted": inverted}
    found: dict[tuple[str, str], list[dict[str, Verdict]]] = {}
    for half in HALVES:
        for place, (name, make) in enumerate(makers.items()):
            rng = np.random.default_rng([SEED, HALVES.index(half), place])
            found[half, name] = [verdicts(recording) for recording in make(material, half, rng)]
            print(half, name, len(found[half, name]), flush=True)
    return found


def page(found: dict[tuple[str, str], list[dict[str, Verdict]]]) -> list[str]:
    """Lines of the page."""

    def of(half: str, name: str, door: str) -> list[Verdict]:
        return [told[door] for told in found[half, name] if door in told]

    def worse(verdicts: list[Verdict]) -> str:
        return f"{sum(verdict.gain_of_flip_db < 0 for verdict in verdicts)} of {len(verdicts)}"

    lines = [
        "# Validation: polarity",
        "",
        "Made by `make test-all` with a folder of recordings (`validations/polarity.py FOLDER`, or in `DESKHAND_AUDIO`; skipped without one): real single sounds",
        f"and their pairs of microphones, {RECORDINGS} recordings of {LENGTH_S:g} s in each half and of each kind, seed {SEED}. No source of sound is in both halves; limits were looked",
        f"at on the tune half alone, and the verify half was run {VERIFY_RUNS}.",
        "",
        "*Before* is the rule that asked the sides' correlation alone; *now* a flip has to lower the mono loss of the whole band by more than is uncertain, and",
        "what adds up once it is moved in time is not called polarity. Mono loss is told from the samples with numpy.",
        "",
        "## Unlike pairs: would the flip hurt mono?",
        "",
        "Tuba condenser and dynamic, alto saxophone two microphones, bass clean and driven, snare top against bottom or overhead, large drum inside and outside,",
        "piano near and far, drum kit neighbours; 0.3 to 3 ms and up to 6 dB set between the two. Each cell: polarity told as *fix* where flipping makes mono",
        "worse, of all told as *fix*.",
        "",
        "| | recordings, tune / verify | tune, before | tune, now | verify, before | verify, now |",
        "|---|---|---|---|---|---|",
    ]
    for door in DOORS:
        cells = []
        for half in HALVES:
            told = of(half, "unlike", door)
            cells += [worse([one for one in told if one.former]), worse([one for one in told if one.severity == "fix"])]
        lines.append(
            f"| {door} | {len(of('tune', 'unlike', door))} / {len(of('verify', 'unlike', door))} | {' | '.join(cells)} |"
        )
    lines += [
        "",
        "Against kept shows: three shows with the second track the other way up, counted where they tell the two apart; where mono would not gain by a flip it is",
        "told as *listen*, with both numbers, and no flip is advised.",
        "",
        *pick_ups(found),
        "## One signal, one side inverted: is it still told?",
        "",
        "Real material of all kinds, up to 6 dB apart, every second with noise of its own 20 to 36 dB down. Two inputs that carry nothing but the same signal are",
        "told as `duplicate` and not counted there.",
        "",
        "| | recordings, tune / verify | tune, before | tune, now | verify, before | verify, now |",
        "|---|---|---|---|---|---|",
    ]
    for door in DOORS:
        cells = []
        for half in HALVES:
            told = of(half, "inverted", door)
            count = max(1, len(told))
            cells += [
                f"{100 * sum(one.former for one in told) / count:.0f} %",
                f"{100 * sum(one.severity == 'fix' for one in told) / count:.0f} %",
            ]
        lines.append(
            f"| {door} | {len(of('tune', 'inverted', door))} / {len(of('verify', 'inverted', door))} | {' | '.join(cells)} |"
        )
    return [*lines, ""]


def pick_ups(found: dict[tuple[str, str], list[dict[str, Verdict]]]) -> list[str]:
    """Lines on what is told of unlike pairs, and on the delay that is offered."""
    lines = [
        "## Unlike pairs: what is told",
        "",
        "None of these was put upside down by anybody. Polarity is *fix* where a flip gains 3 dB in mono and more, *listen* from 2 dB on; where a delay does more,",
        "the delay of the earlier of two inputs is offered. What it gains in mono is told from the samples with numpy.",
        "",
        "| half | a pair: fix, listen, note | two inputs: fix, listen, note | line check: fix, listen, note | delay offered | its gain, median and least |",
        "|---|---|---|---|---|---|",
    ]
    for half in HALVES:
        cells = []
        for door in DOORS[:3]:
            told = [verdicts[door].severity for verdicts in found[half, "unlike"] if door in verdicts]
            cells.append(", ".join(str(told.count(severity)) for severity in ("fix", "listen", "note")))
        gains = [
            gain
            for verdicts in found[half, "unlike"]
            if DOORS[1] in verdicts and (gain := verdicts[DOORS[1]].gain_of_delay_db) is not None
        ]
        gained = f"{np.median(gains):.1f} dB, {min(gains):.1f} dB" if gains else "-"
        lines.append(f"| {half} | {' | '.join(cells)} | {len(gains)} of {len(found[half, 'unlike'])} | {gained} |")
    return [*lines, ""]


def main(folder: str | None = None) -> None:
    """Run the study and write the page, where the recordings are there."""
    named = folder or os.environ.get(FOLDER)
    if not named or not (Path(named) / "pairs.csv").is_file():
        print(
            f"validations/polarity.py: skipped, no folder with manifest.csv, pairs.csv and split.csv; name one in {FOLDER}"
        )
        return
    write_page(TARGET, "\n".join(page(study(Material(Path(named))))), __file__)
    print(TARGET)


if __name__ == "__main__":
    main(*sys.argv[1:2])
