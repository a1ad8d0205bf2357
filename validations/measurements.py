"""How far the measurements are from the standards and from general-purpose libraries, on test signals and on real audio.

Every number of the page is measured in the run that writes it. `make test` checks the same on less (tests/measure/test_loudness.py,
test_tone.py and test_invariance.py, tests/real/test_peers.py and test_more_peers.py, tests/dsp/test_hearing.py).
"""

from __future__ import annotations

import functools
import re
import time
import warnings
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile
import soxr

from deskhand.dsp import hearing
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.dsp.weighting import weighting_sos
from deskhand.measure.loudness import integrated_lufs, lufs, momentary_lufs, short_term_lufs
from deskhand.measure.tone import as_heard, tone_db
from tests.support import material
from tests.support.feed import figures_of, reading_of
from tests.support.invariance import (
    LIMITS,
    MASTER_HZ,
    MASTERS,
    MOVES,
    RATES_HZ,
    ROUNDED,
    at_rate,
    band_limited,
    every_reading,
    read,
    spreads,
)
from tests.support.loudness import (
    CASES,
    SURROUND,
    TECH_3341,
    TECH_3342,
    of_case,
    of_series,
    side_by_side,
    stereo,
    summed,
)
from tests.support.signals import RATE_HZ, burst_between_samples, faded, sine, tones
from tests.support.third_octaves import (
    CENTRES_HZ,
    CLASS_LIMITS,
    apart_db,
    bank,
    corridor,
    libebur128,
    third_octaves,
)
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-measurements.md"
LOUDNESS_LU: Final[float] = TECH_3341["tol_loudness_lu"]
TRUE_PEAK_DB: Final[tuple[float, float]] = (TECH_3341["tol_true_peak_minus_db"], TECH_3341["tol_true_peak_plus_db"])
LISTENING_DBA: Final = 80.0
REFERENCE_PA: Final = 2e-5
BANK_S: Final = 60.0
"""Of each song's part: a filter bank is slow."""
EXCERPT_S: Final = 4.0
"""What the slow peer of time-varying loudness gets."""


# Tech 3341 and 3342


def _case(name: str, what: str, expected: float, found: float | None, low: float, high: float, unit: str) -> str:
    assert found is not None
    inside = "yes" if expected - low - 1e-9 <= found <= expected + high + 1e-9 else "**no**"
    allowed = f"±{low:g}" if low == high else f"+{high:g} / −{low:g}"
    return f"| {name} | {what} | {expected:.2f} | {found:.3f} | {allowed} {unit} | {inside} |"


def _worst(values: np.ndarray, expected: np.ndarray | float) -> tuple[float, float]:
    """(expected, found) where they lie furthest apart."""
    wanted = np.broadcast_to(expected, values.shape)
    place = int(np.abs(values - wanted).argmax())
    return float(wanted[place]), float(values[place])


def _loudness_cases() -> Iterator[str]:
    def row(number: int, what: str, expected: float, found: float | None) -> str:
        return _case(f"3341-{number}", what, expected, found, LOUDNESS_LU, LOUDNESS_LU, "LU")

    for number in (1, 2, 3, 4, 5):
        case = CASES[number]
        reading = reading_of(stereo(of_case(case))).readings
        yield row(number, "integrated", case["expected_I"], reading.loudness_lufs)
        if number < 3:
            yield row(number, "momentary, maximum", case["expected_M"], reading.momentary_max_lufs)
            yield row(number, "short-term, maximum", case["expected_S"], reading.short_term_max_lufs)
    case = CASES[6]
    channels = np.stack([tones([(case["seconds"], level)]) for level in case["levels_dbfs"]])
    yield row(
        6, "integrated, five channels", case["expected_I"], integrated_lufs(summed(figures_of(channels), SURROUND))
    )
    wave = summed(figures_of(stereo(of_case(CASES[9]))))
    yield row(9, "short-term, furthest of all", *_worst(short_term_lufs(wave, step_s=0.1), CASES[9]["expected_S"]))
    wave = summed(figures_of(stereo(of_case(CASES[12]))))
    yield row(
        12, "momentary from 1 s on, furthest", *_worst(momentary_lufs(wave, step_s=0.1)[6:], CASES[12]["expected_M"])
    )
    for number, kind, name in ((10, "short_term", "max_S"), (13, "momentary", "max_M")):
        figures = side_by_side([of_series(CASES[number], i) for i in range(20)])
        found = np.array([lufs(getattr(figures.loudest[2 * i, 2 * i + 1], kind)) for i in range(20)])
        what = f"{kind.replace('_', '-')} maximum, furthest of 20 files"
        yield row(number, what, *_worst(found, CASES[number][f"expected_{name}"]))
    for number, kind in ((11, "short_term"), (14, "momentary")):
        units = [of_series(CASES[number], i) for i in range(20)]
        # a maximum so far is the maximum of the signal up to there
        so_far = [figures_of(stereo(np.concatenate(units[: i + 1])), pairs=[(0, 1)]) for i in (0, 1, 2, 5, 10, 15, 19)]
        found = np.array([lufs(getattr(one.loudest[0, 1], kind)) for one in so_far])
        expected = -38.0 + np.array([0, 1, 2, 5, 10, 15, 19])
        yield row(number, f"{kind.replace('_', '-')} maxima so far, furthest of 7", *_worst(found, expected))
    reading = reading_of(stereo(tones([(20.0, -18.0)]))).readings
    yield _case("3341, 2.9", "calibration tone", -18.0, reading.loudness_lufs, LOUDNESS_LU, LOUDNESS_LU, "LU")


def _peak_cases() -> Iterator[str]:
    for number in range(15, 20):
        case = CASES[number]
        for rate_hz in RATES_HZ:
            wave = sine(rate_hz / case["fs_divisor"], 2.0, phase_rad=np.deg2rad(case["phase_deg"]), rate_hz=rate_hz)
            wave = faded(wave * case["amplitude_ffs"], case["fade_ms"] / 1000, rate_hz=rate_hz)
            found = reading_of(wave, sample_rate_hz=rate_hz).readings.true_peak_dbtp
            what = f"true peak of a tone at {rate_hz / 1000:g} kHz"
            yield _case(f"3341-{number}", what, case["expected_true_peak_dbtp"], found, *TRUE_PEAK_DB, "dB")
    for number in range(20, 24):
        case = CASES[number]
        found = reading_of(burst_between_samples(case)).readings.true_peak_dbtp
        yield _case(
            f"3341-{number}", "true peak of a burst", case["expected_true_peak_dbtp"], found, *TRUE_PEAK_DB, "dB"
        )


def _range_cases() -> Iterator[str]:
    allowed = TECH_3342["tol_lra_lu"]
    for case in TECH_3342["case"][:4]:
        found = reading_of(stereo(of_case(case))).readings.loudness_range_lu
        yield _case(f"3342-{case['id']}", "loudness range", case["expected_LRA"], found, allowed, allowed, "LU")


def loudness() -> list[str]:
    """The cases of EBU Tech 3341 and 3342."""
    return [
        "## Loudness, loudness range and true peak: EBU Tech 3341 and 3342",
        "",
        "All cases that can be synthesised, at 48 kHz where nothing else is said; cases 7 and 8 of Tech 3341, 5 and 6 of Tech",
        "3342 need programme files.",
        "",
        "| case | what | expected | measured | allowed | inside |",
        "|---|---|---|---|---|---|",
        *_loudness_cases(),
        *_peak_cases(),
        *_range_cases(),
    ]


# third-octaves


def _margins(rate_hz: int) -> tuple[tuple[float, str], tuple[float, str]]:
    """(pass band, stop band): least distance from the limits of class 1 in dB, and where."""
    places = [(float(row["omega_third_octave"]) ** side, row) for row in CLASS_LIMITS[1:] for side in (1, -1)]
    worst_pass, worst_stop = (np.inf, ""), (np.inf, "")
    for band, (nominal_hz, centre_hz) in enumerate(zip(NOMINAL_HZ, CENTRES_HZ, strict=True)):
        here = [(omega, row) for omega, row in places if 5.0 <= omega * centre_hz <= 0.49 * rate_hz]
        waves = [
            sine(omega * centre_hz, 5.0, level_dbfs=-3.0, phase_rad=0.3, rate_hz=rate_hz)
            for omega in (1.0, *(omega for omega, _ in here))
        ]
        figures = figures_of(np.array(waves), sample_rate_hz=rate_hz)
        # seconds whose windows lie wholly inside: the lowest bands look at 2.7 s
        power = np.array([track.tone[2:4, band].mean(dtype=np.float64) for track in figures.tracks])
        for (omega, row), attenuation_db in zip(here, -10 * np.log10(power[1:] / power[0]), strict=True):
            low_db, high_db = float(row["class1_min_db"]), float(row["class1_max_db"])
            where = f"{nominal_hz:g} Hz, at {omega:.3f} of its middle"
            if np.isfinite(high_db):
                worst_pass = min(worst_pass, (min(attenuation_db - low_db, high_db - attenuation_db), where))
            else:
                worst_stop = min(worst_stop, (attenuation_db - low_db, where))
    return worst_pass, worst_stop


def bands() -> list[str]:
    """Shape of the third-octaves for steady tones."""
    lines = [
        "## Third-octaves: steady tones against IEC 61260-1:2014, class 1",
        "",
        "A tone at every breakpoint of Table 1 on either side of every band, 20 Hz to 20 kHz: least distance from the limits, of",
        "which a band without any error has 0.40 dB in the pass band.",
        "",
        "| sample rate | in the pass band, dB | where | in the stop band, dB | where |",
        "|---|---|---|---|---|",
    ]
    for rate_hz in RATES_HZ:
        (inside_db, inside_at), (outside_db, outside_at) = _margins(rate_hz)
        lines.append(f"| {rate_hz} Hz | {inside_db:.2f} | {inside_at} | {outside_db:.1f} | {outside_at} |")
        print(lines[-1], flush=True)
    return lines


# real audio


@dataclass(slots=True)
class Worst:
    """Differences by what was compared, and where the largest lies."""

    rows: dict[str, list[tuple[float, str]]] = field(default_factory=lambda: defaultdict(list))

    def take(self, what: str, apart: float, where: str) -> None:
        """Keep one."""
        self.rows[what].append((apart, where))

    def lines(self) -> Iterator[str]:
        """Rows of a table."""
        for what, found in self.rows.items():
            apart, where = max(found, key=lambda one: abs(one[0]))
            median = float(np.median([abs(one) for one, _ in found]))
            yield f"| {what} | {len(found)} | {median:.4f} | {apart:+.4f} | {where} |"


def _pieces() -> Iterator[tuple[str, Path, np.ndarray, int]]:
    """(name, path, samples, rate) of every recording there is."""
    for folder, get in material.folders().items():
        for path in sorted(get().glob("*.wav")):
            samples, rate_hz = soundfile.read(path, always_2d=True)
            yield f"{folder}/{path.stem}", path, np.ascontiguousarray(samples.T), rate_hz


def _ffmpeg(path: Path) -> dict[str, float]:
    chain = "ebur128=peak=true:metadata=1,ametadata=print:file=-"
    said = material.run_tool("ffmpeg", "-hide_banner", "-nostdin", "-i", path, "-af", chain, "-f", "null", "-").stdout

    def last(key: str) -> float:
        return float(re.findall(rf"{key}=(-?[0-9.]+)", said)[-1])

    peak = max(last(f"true_peaks_ch{channel}") for channel in (0, 1) if f"true_peaks_ch{channel}=" in said)
    return {
        "loudness_lufs": last(r"r128\.I"),
        "loudness_range_lu": last(r"r128\.LRA"),
        "true_peak_dbtp": 20 * np.log10(peak),
    }


UNITS: Final = {
    "loudness_lufs": "integrated loudness, LU",
    "momentary_max_lufs": "largest momentary loudness, LU",
    "short_term_max_lufs": "largest short-term loudness, LU",
    "loudness_range_lu": "loudness range, LU",
    "true_peak_dbtp": "true peak, dB",
}


def peers() -> list[str]:
    """Loudness and true peak of real audio by other programs."""
    worst = {"ffmpeg": Worst(), "libebur128": Worst()}
    for name, path, samples, rate_hz in _pieces():
        ours = reading_of(samples, sample_rate_hz=rate_hz).readings
        theirs = {"ffmpeg": _ffmpeg(path), "libebur128": libebur128(samples, rate_hz)}
        for peer, values in theirs.items():
            for key, value in values.items():
                # a note is too short for a range of loudness
                own = getattr(ours, key)
                if (
                    own is None
                    or not np.isfinite(value)
                    or (key.endswith("range_lu") and samples.shape[1] < 30 * rate_hz)
                ):
                    continue
                # ffmpeg prints a linear peak with three decimals: of quiet pieces that is coarse
                if peer == "ffmpeg" and key == "true_peak_dbtp" and value < -12.0:
                    continue
                worst[peer].take(f"{UNITS[key]}: {peer}", own - value, name)
        print(name, flush=True)
    return [
        "## Real audio against ffmpeg (ebur128) and libebur128 (through pyebur128, fed 10 ms at a time)",
        "",
        "Whole recordings; deskhand − peer. Loudness range of those of 30 s and longer: ffmpeg counts in a histogram, libebur128",
        "takes a window each second, deskhand one each 100 ms (EBU Tech 3342 allows 1 LU).",
        "",
        "| what | recordings | median of the differences' size | largest | where |",
        "|---|---|---|---|---|",
        *worst["ffmpeg"].lines(),
        *worst["libebur128"].lines(),
    ]


def filters() -> list[str]:
    """Third-octaves of real audio by a filter bank."""
    lines = [
        "## Third-octaves of real audio against filter banks and the corridor of class 1",
        "",
        f"{BANK_S:g} s from 1:00 on of the left side of each song's parts. Banks of Butterworth band-passes of order 3 (class 1) and",
        "10 (steeper skirts); bands within 30 dB of the whole; deskhand − bank in dB. Filters of low order let strong tones into",
        "the bands beside theirs, sums of bins do not: the steeper the bank, the nearer. The corridor is what any class 1 filter",
        "may let through of the same sound (IEC 61260-1:2014, Table 1, applied to one transform of the whole): how far inside.",
        "",
        "| recording | bands | order 3: mean | RMS | largest | order 10: mean | RMS | largest | inside the corridor by, dB |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for title in material.TITLES:
        for part in ("guitar", "song"):
            path = material.guitar_song(title) / f"{part}.wav"
            rate_hz = soundfile.info(path).samplerate
            samples, _ = soundfile.read(path, start=60 * rate_hz, frames=round(BANK_S * rate_hz), always_2d=True)
            left = np.ascontiguousarray(samples.T[:1])
            ours = third_octaves(left, rate_hz)
            cells = []
            for order in (3, 10):
                apart = apart_db(ours, bank(left, rate_hz, order=order))
                largest = apart[int(np.abs(apart).argmax())]
                cells.append(f"{apart.mean():+.2f} | {np.sqrt(np.mean(apart**2)):.2f} | {largest:+.2f}")
            least, most = corridor(left, rate_hz)
            heard = ours > ours.sum() * 1e-3
            inside_db = float((10 * np.log10(np.minimum(ours / least, most / ours)))[heard].min())
            lines.append(f"| {title}, {part} | {int(heard.sum())} | {cells[0]} | {cells[1]} | {inside_db:+.2f} |")
            print(lines[-1], flush=True)
    return lines


# as the ear hears it


def _excerpts() -> Iterator[tuple[str, np.ndarray]]:
    """Steady and unsteady sounds at 48 kHz, one channel."""
    places = {
        "guitar (Escape from chaosland)": (material.guitar_song("Escape from chaosland") / "guitar.wav", 177.0),
        "band (War of freedom)": (material.guitar_song("War of freedom") / "song.wav", 57.0),
        "voice (vocadito_10)": (material.voice("vocadito_10") / "voice.wav", 2.0),
        "drums (song stems)": (material.song_stems() / "drums.wav", 0.0),
        "bass (song stems)": (material.song_stems() / "bass.wav", 0.0),
    }
    for name, (path, from_s) in places.items():
        rate_hz = soundfile.info(path).samplerate
        samples, _ = soundfile.read(
            path, start=round(from_s * rate_hz), frames=round(EXCERPT_S * rate_hz), always_2d=True
        )
        yield name, np.asarray(soxr.resample(samples.mean(axis=1), rate_hz, hearing.SAMPLE_RATE_HZ, quality="VHQ"))


def ear() -> list[str]:
    """Loudness and sharpness of real audio by mosqito."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import mosqito
    lines = [
        "## Loudness as the ear has it (ISO 532-1) and sharpness (DIN 45692) of real audio against mosqito",
        "",
        f"{EXCERPT_S:g} s of one channel, brought to {LISTENING_DBA:g} dB(A). Stationary: deskhand's third-octaves and its method",
        "against the peer's filters and method. Over time: the same pressure through both; N5 is exceeded in 5 % of the time.",
        "",
        "| excerpt | stationary, sone | mosqito | sharpness, acum | mosqito | N5, sone | mosqito | largest difference over time, sone |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, sound in _excerpts():
        weighted = ss.sosfilt(weighting_sos("A", sample_rate_hz=hearing.SAMPLE_RATE_HZ), sound)
        pressure = sound * REFERENCE_PA * 10.0 ** (LISTENING_DBA / 20) / np.sqrt(np.mean(weighted**2))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sone, _, _ = mosqito.loudness_zwst(pressure, hearing.SAMPLE_RATE_HZ)
            acum = mosqito.sharpness_din_st(pressure, hearing.SAMPLE_RATE_HZ)
            over_time, *_ = mosqito.loudness_zwtv(pressure, hearing.SAMPLE_RATE_HZ)
        track = figures_of(sound, sample_rate_hz=hearing.SAMPLE_RATE_HZ).tracks[0]
        ours_sone, _, ours_acum = as_heard(tone_db(track.tone, np.ones(round(10 * EXCERPT_S), bool)), LISTENING_DBA)
        ours_over_time, _ = hearing.loudness_over_time(np.ascontiguousarray(pressure))
        count = min(ours_over_time.size, over_time.size)
        n5 = [float(np.percentile(one, 95)) for one in (ours_over_time, over_time)]
        apart = float(np.abs(ours_over_time[:count] - over_time[:count]).max())
        lines.append(
            f"| {name} | {ours_sone:.2f} | {float(np.squeeze(sone)):.2f} | {ours_acum:.3f} | {float(np.squeeze(acum)):.3f} | "
            f"{n5[0]:.2f} | {n5[1]:.2f} | {apart:.3f} |"
        )
        print(lines[-1], flush=True)
    return lines


# level and sample rate


@functools.cache
def _real_master(name: str) -> np.ndarray:
    path, from_s = {
        "guitar": (material.guitar_song("Escape from chaosland") / "guitar.wav", 30.0),
        "band": (material.guitar_song("War of freedom") / "song.wav", 30.0),
        "singing": (material.voice("vocadito_14") / "voice.wav", 0.0),
        "drums": (material.song_stems() / "drums.wav", 0.0),
    }[name]
    rate_hz = soundfile.info(path).samplerate
    samples, _ = soundfile.read(path, start=round(from_s * rate_hz), frames=30 * rate_hz, always_2d=True)
    sound = band_limited(soxr.resample(samples, rate_hz, MASTER_HZ, quality="VHQ").T)
    return np.tile(sound, (1, 4)) if name == "drums" else sound


REAL_MASTERS: Final = {"guitar": False, "band": False, "singing": False, "drums": True}
"""Whether it strikes."""


def rates() -> list[str]:
    """What the sample rate changes in each reading."""
    found = {name: spreads([read(name, rate_hz) for rate_hz in RATES_HZ]) for name in MASTERS}
    for name, strikes in REAL_MASTERS.items():
        versions = [
            every_reading(at_rate(_real_master(name), rate_hz), rate_hz=rate_hz, strikes=strikes)
            for rate_hz in RATES_HZ
        ]
        found[name] = spreads(versions)
    lines = [
        "## One sound at 44.1, 48 and 96 kHz: largest difference of each reading",
        "",
        f"A master at {MASTER_HZ // 1000} kHz, band-limited to 18 kHz, resampled by soxr (VHQ); the first {len(MASTERS)} are synthesised,",
        "the others real. In the reading's own unit; empty: the sound has no such reading; bands 40 dB down left out. A limit",
        "is what the tests allow for the synthesised ones.",
        "",
        f"| reading | limit | {' | '.join(found)} |",
        f"|---|---|{'---|' * len(found)}",
    ]
    for reading, limit in LIMITS.items():
        cells = []
        for spread in found.values():
            value = spread.get(reading)
            cells.append("" if value is None else "not in all" if np.isinf(value) else f"{value:.4f}")
        lines.append(f"| `{reading}` | {limit:g} | {' | '.join(cells)} |")
    return lines


def levels() -> list[str]:
    """What the level changes in each reading."""
    lines = [
        "## The same sound 20 dB louder and softer",
        "",
        "The synthesised sounds above at 48 kHz, with a peak of −21 dBFS before the gain; they stay below clipping and above the",
        "gates. Of readings that are levels: reading − gain. Largest difference of any; what is rounded may differ by 0.01.",
        "",
        "| readings | largest difference | of which |",
        "|---|---|---|",
    ]
    groups: dict[str, list[tuple[float, str]]] = defaultdict(list)
    for name in MASTERS:
        plain = read(name, RATE_HZ)
        for gain_db in (-20.0, 20.0):
            for key, after in read(name, RATE_HZ, gain_db).items():
                before, base = plain[key], key.partition(".")[0]
                if before is None or after is None:
                    apart = 0.0 if before is after else float("inf")
                else:
                    apart = abs(after - before - (gain_db if base in MOVES else 0.0))
                kind = "that are levels" if base in MOVES else "that stay"
                groups[f"{kind}, rounded to 0.01" if base in ROUNDED else kind].append((apart, f"{key} of {name}"))
    for kind, several in sorted(groups.items()):
        largest, where = max(several)
        lines.append(f"| {kind} | {largest:.6f} | `{where.split(' of ')[0]}` of {where.split(' of ')[1]} |")
    return lines


def main() -> None:
    """Measure everything and write the page."""
    began = time.perf_counter()
    lines = [
        "# Validation: measurements against standards and libraries",
        "",
        "Made by `make test-all`; every number here was measured in that run. Real audio: tests/support/material.py.",
    ]
    for part in (loudness, bands, peers, filters, ear, rates, levels):
        lines += ["", *part()]
        print(f"{part.__name__}: {time.perf_counter() - began:.0f} s", flush=True)
    write_page(TARGET, "\n".join(lines) + "\n", __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
