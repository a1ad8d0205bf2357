"""Faults planted in the clean take with sox or ffmpeg, so that the truth does not come from our own code.

Each fault says what to plant, what must be found where and when, and holds a witness: a look with numpy that
the fault really is in the file, run before the command is. Times are seconds from the start of the recording.
"""

from __future__ import annotations

import math
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

from tests.support import material

from . import take

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    Signal: TypeAlias = NDArray[np.float64]
    Witness: TypeAlias = Callable[[Signal, Signal], None]
    Plant: TypeAlias = Callable[[Path, Path], None]

KINDS: Final = frozenset(
    {
        "missing", "silent", "clipped", "dc", "hum", "noise", "dropout", "clicks", "wireless-hit",
        "one-sided", "duplicate", "wrong-patch", "swapped", "polarity", "delay", "howl", "in-the-mix",
        "unmatched-track",
    }
)  # fmt: skip
"""The finding kinds that are facts, not levels or judgements: none of them is true of the clean take."""

ENCODE: Final = ("-map_metadata", "-1", "-c:a", "pcm_s24le")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One planted fault and what must be said of it."""

    name: str
    stem: str
    """The file it is planted in, or that it makes; also the name of the source."""
    plant: Plant
    """Gets the clean folder and the path of the file to write."""
    kind: str
    witness: Witness
    """Gets the clean and the faulty samples, (channels, frames)."""
    title: str = "War of freedom"
    mains: str = "50 Hz"
    events_s: tuple[tuple[float, float], ...] = ()
    """Where in time each event lies; every one must be found, and nothing else."""
    only_within_s: tuple[tuple[float, float], ...] = ()
    """Where findings may lie, when the edges of the fault are not sharp; at least one must be there."""
    also_at: tuple[str, ...] = ()
    """Other sources that share in it: it may be found there instead or too."""
    kinds_too: frozenset[str] = frozenset()
    """Other words for the same fault that are as right."""
    track: str | None = None
    """The one track at fault, when the fault is on one side."""
    measured: tuple[float, float] | None = None
    """The number the finding must give, without its sign, and its tolerance."""
    new_part: take.Part | None = None
    """A source that the clean take does not have."""


def ffmpeg_filter(stem: str, audio_filter: str) -> Plant:
    """Plant with one ffmpeg filter chain."""
    return lambda clean, target: material.decode(clean / f"{stem}.wav", target, audio_filter=audio_filter)


def ffmpeg_graph(stem: str, graph: str, *inputs: str) -> Plant:
    """Plant with an ffmpeg graph of the file, [0:a], and more inputs: a lavfi source or a clean stem."""

    def plant(clean: Path, target: Path) -> None:
        words: list[str | Path] = ["-i", clean / f"{stem}.wav"]
        for given in inputs:
            words += ["-i", clean / f"{given}.wav"] if given in take.PARTS else ["-f", "lavfi", "-i", given]
        material.run_tool(
            *("ffmpeg", "-v", "error", "-nostdin", *words, "-filter_complex", f"{graph}[out]"),
            *("-map", "[out]", *ENCODE, target),
        )

    return plant


def sox(stem: str, *effects: str) -> Plant:
    """Plant with sox, without dither (it would add noise of its own)."""
    return lambda clean, target: _run_sox(clean / f"{stem}.wav", target, effects)


def _run_sox(source: Path, target: Path, effects: tuple[str, ...]) -> None:
    # -G would guard against clipping, which is planted on purpose elsewhere; -V1 keeps its warnings quiet
    material.run_tool("sox", "-D", "-V1", source, "-b", "24", target, *effects)


def copy_of(stem: str) -> Plant:
    """Plant the same file under another name."""
    return lambda clean, target: _copy(clean / f"{stem}.wav", target)


def _copy(source: Path, target: Path) -> None:
    shutil.copyfile(source, target)


def frame(time_s: float) -> int:
    """Give the number of the frame at a time."""
    return round(time_s * take.RATE_HZ)


def rms_db(signal: Signal) -> float:
    """Give the RMS of a stretch in dB of full scale 1.0."""
    return 10 * math.log10(float(np.mean(np.square(signal))) + 1e-20)


def _between(events_s: tuple[tuple[float, float], ...]) -> str:
    return "+".join(f"between(t,{start_s},{end_s})" for start_s, end_s in events_s)


# --- witnesses: that the fault is in the file, and is what it says ---


def sides_are_opposed(clean: Signal, faulty: Signal) -> None:
    """See the correlation change its sign and nothing else."""
    before, after = take.correlation(clean), take.correlation(faulty)
    # below about 0.5 nobody could tell a turned side from a wide pair
    assert before > 0.5
    assert abs(after + before) < 1e-6


def right_is_lower_by(gain_db: float) -> Witness:
    """See the right side lower, the left as it was."""

    def look(clean: Signal, faulty: Signal) -> None:
        assert np.array_equal(clean[0], faulty[0])
        assert abs(rms_db(faulty[1]) - rms_db(clean[1]) - gain_db) < 0.01

    return look


def right_is_silent(clean: Signal, faulty: Signal) -> None:
    """See the right side at digital zero, the left as it was."""
    assert np.array_equal(clean[0], faulty[0])
    assert not faulty[1].any()


def right_is_late_by(frames: int) -> Witness:
    """See the clean right side, later."""

    def look(clean: Signal, faulty: Signal) -> None:
        assert np.array_equal(clean[0], faulty[0])
        assert np.array_equal(clean[1][:-frames], faulty[1][frames:])

    return look


def added_is(level_dbfs: tuple[float, float], window_s: tuple[float, float] | None = None) -> Witness:
    """See that what was added to the clean file has an AES17 level between the two."""

    def look(clean: Signal, faulty: Signal) -> None:
        added = faulty - clean
        if window_s is not None:
            added = added[:, frame(window_s[0]) : frame(window_s[1])]
        low_dbfs, high_dbfs = level_dbfs
        assert low_dbfs < rms_db(added) + 3.01 < high_dbfs

    return look


def offset_is(offset_lin: float) -> Witness:
    """See that the mean moved by this much of full scale."""

    def look(clean: Signal, faulty: Signal) -> None:
        assert abs(faulty.mean() - clean.mean() - offset_lin) < 1e-4

    return look


def flat_runs_s(signal: Signal) -> NDArray[np.float64]:
    """Find flattened peaks: when three or more samples in a row lie within 0.01 dB of the largest."""
    flat: list[float] = []
    for side in signal:
        near = np.abs(side) >= np.abs(side).max() * 10 ** (-0.01 / 20)
        edges = np.diff(np.concatenate([[0], near.astype(int), [0]]))
        starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        flat += list(starts[ends - starts >= 3] / take.RATE_HZ)
    return np.sort(np.array(flat))


def tops_are_flat_at(peak_lin: float) -> Witness:
    """See many peaks cut off at this height, and none in the clean file."""

    def look(clean: Signal, faulty: Signal) -> None:
        assert flat_runs_s(clean).size == 0
        assert flat_runs_s(faulty).size > 50
        assert abs(np.abs(faulty).max() - peak_lin) < 1e-3

    return look


def gone_at(events_s: tuple[tuple[float, float], ...]) -> Witness:
    """See digital zero where there was sound before, and the rest untouched."""

    def look(clean: Signal, faulty: Signal) -> None:
        touched = np.zeros(clean.shape[1], bool)
        for start_s, end_s in events_s:
            hole = slice(frame(start_s) + 1, frame(end_s) - 1)
            assert not faulty[:, hole].any()
            # a hole in a pause is no dropout that anyone could hear or find
            assert rms_db(clean[:, hole]) > -40
            touched[frame(start_s) - 1 : frame(end_s) + 2] = True
        assert np.array_equal(clean[:, ~touched], faulty[:, ~touched])

    return look


def changed_only_at(events_s: tuple[tuple[float, float], ...]) -> Witness:
    """See that every event changed the file, and nothing else did."""

    def look(clean: Signal, faulty: Signal) -> None:
        touched = np.zeros(clean.shape[1], bool)
        for start_s, end_s in events_s:
            part = slice(frame(start_s) - 1, frame(end_s) + 2)
            assert np.abs(faulty[:, part] - clean[:, part]).max() > 0.1
            touched[part] = True
        assert np.array_equal(clean[:, ~touched], faulty[:, ~touched])

    return look


def is_scaled_by(gain_db: float) -> Witness:
    """See the same signal at another gain."""

    def look(clean: Signal, faulty: Signal) -> None:
        # one 24-bit step of rounding
        assert np.abs(faulty - clean * 10 ** (gain_db / 20)).max() < 2**-22

    return look


# --- the faults ---

_HOLES_S: Final = ((10.0, 10.02), (25.0, 25.02), (41.5, 41.52))
_VOICE_HOLES_S: Final = ((3.0, 3.02), (16.8, 16.82), (36.3, 36.32))
_IMPULSES_S: Final = ((2.05, 2.05), (14.2, 14.2), (27.35, 27.35), (36.35, 36.35), (51.55, 51.55))
_HITS_S: Final = ((4.8, 4.86), (16.7, 16.76), (31.25, 31.31), (43.6, 43.66))
_SILENCE_S: Final = ((25.0, take.LENGTH_S),)
_HOWL_S: Final = (20.0, 25.0)

# Mains is never quite at its frequency; odd harmonics outweigh even ones as in a rectifier's or a coil's hum
# (common practice, no source). Together -36.7 dBFS, 16 dB under the singing and 20 to 30 dB above its pauses.
_HUM: Final = (
    "aevalsrc='0.010*sin(2*PI*{f}*t)+0.004*sin(4*PI*{f}*t)+0.008*sin(6*PI*{f}*t)+0.004*sin(10*PI*{f}*t)"
    "+0.003*sin(14*PI*{f}*t)':s=44100:d=60"
)
# From -60 dBFS it grows by {rate} dB a second to -12 dBFS, stands until 24.5 s and dies away at 80 dB a second: how a
# microphone starts to ring when it is turned up too far, until somebody pulls it down. Growth depends on how far the
# loop is over unity; both rates are common practice, no source.
_HOWL: Final = (
    "aevalsrc='sin(2*PI*2500*t)*if(lt(t,20),0,if(lt(t,24.5),min(0.251,0.001*pow(10,{rate}/20*(t-20))),"
    "0.251*pow(10,-4*(t-24.5))))':s=44100:d=60"
)


def _impulses() -> str:
    hits = "+".join(f"eq(n,{frame(start_s)})" for start_s, _ in _IMPULSES_S)
    return f"aeval='val(0)+0.6*({hits})'"


def _holes(events_s: tuple[tuple[float, float], ...], channels: int) -> str:
    gate = f"(1-min(1,{_between(events_s)}))"
    return "aeval='" + "|".join(f"val({channel})*{gate}" for channel in range(channels)) + "':c=same"


FAULTS: Final = (
    *(
        Fault(
            name=f"polarity-{stem}-{title.split()[0].lower()}",
            title=title,
            stem=stem,
            plant=sox(stem, "remix", "1", "2i"),
            kind="polarity",
            witness=sides_are_opposed,
        )
        # correlations of the sides: 0.97, 0.68, 0.88, 0.98
        for title, stem in (
            ("War of freedom", "guitar"),
            ("Feelings", "guitar"),
            ("Metal madness", "guitar"),
            ("War of freedom", "song"),
        )
    ),
    Fault(
        name="one-side-20-db-down",
        stem="guitar",
        plant=ffmpeg_filter("guitar", "pan='stereo|c0=c0|c1=0.1*c1'"),
        kind="one-sided",
        witness=right_is_lower_by(-20.0),
        track="guitar R",
    ),
    Fault(
        name="one-side-silent",
        stem="guitar",
        plant=ffmpeg_filter("guitar", "pan='stereo|c0=c0|c1=0*c1'"),
        kind="one-sided",
        # the dead side is a silent track as much as the pair is one-sided
        kinds_too=frozenset({"silent"}),
        witness=right_is_silent,
        track="guitar R",
    ),
    Fault(
        name="one-side-5-ms-late",
        stem="guitar",
        # 221 frames are 5.011 ms: 1.7 m more between the two microphones and the amplifier
        plant=sox("guitar", "delay", "0", "221s", "trim", "0", f"{take.LENGTH_S}"),
        kind="delay",
        witness=right_is_late_by(221),
        # two whole samples are 0.045 ms; a reading in ms with one decimal is rounded by as much
        measured=(5.011, 0.05),
    ),
    *(
        Fault(
            name=f"hum-{frequency}-voice",
            stem="voice",
            mains=f"{frequency} Hz",
            plant=ffmpeg_graph("voice", "[0:a][1:a]amix=inputs=2:normalize=0", _HUM.format(f=frequency - 0.03)),
            kind="hum",
            witness=added_is((-37.5, -36.0)),
        )
        for frequency in (50, 60)
    ),
    Fault(
        name="hum-50-guitar-with-stops",
        title="Metal madness",
        stem="guitar",
        plant=ffmpeg_graph(
            "guitar",
            "[1:a]pan='stereo|c0=c0|c1=c0'[hum];[0:a][hum]amix=inputs=2:normalize=0",
            _HUM.format(f=49.97),
        ),
        kind="hum",
        witness=added_is((-37.5, -36.0)),
    ),
    Fault(
        name="dc-offset-voice",
        stem="voice",
        plant=sox("voice", "dcshift", "0.05"),
        kind="dc",
        witness=offset_is(0.05),
    ),
    *(
        Fault(
            name=f"clipped-{stem}",
            stem=stem,
            # +12 dB puts the voice's peaks 7 dB over full scale, the guitar's 2.5 dB
            plant=ffmpeg_filter(stem, "volume=12dB:precision=double,aformat=sample_fmts=s32"),
            kind="clipped",
            witness=tops_are_flat_at(1.0),
        )
        for stem in ("voice", "guitar")
    ),
    *(
        Fault(
            name=f"clipped-then-6-db-down-{stem}",
            stem=stem,
            plant=ffmpeg_filter(
                stem, "volume=12dB:precision=double,aformat=sample_fmts=s32,volume=-6dB:precision=double"
            ),
            kind="clipped",
            witness=tops_are_flat_at(10 ** (-6 / 20)),
        )
        for stem in ("voice", "guitar")
    ),
    Fault(
        name="dropouts-guitar",
        stem="guitar",
        plant=ffmpeg_filter("guitar", _holes(_HOLES_S, 2)),
        kind="dropout",
        witness=gone_at(_HOLES_S),
        events_s=_HOLES_S,
    ),
    Fault(
        name="dropouts-voice",
        stem="voice",
        plant=ffmpeg_filter("voice", _holes(_VOICE_HOLES_S, 1)),
        kind="dropout",
        witness=gone_at(_VOICE_HOLES_S),
        events_s=_VOICE_HOLES_S,
    ),
    Fault(
        name="clicks-voice",
        stem="voice",
        plant=ffmpeg_filter("voice", _impulses()),
        kind="clicks",
        witness=changed_only_at(_IMPULSES_S),
        events_s=_IMPULSES_S,
    ),
    Fault(
        name="duplicate-track",
        stem="keys",
        new_part=take.Part(stem="keys", role="keys", stereo=False),
        plant=copy_of("voice"),
        kind="duplicate",
        witness=is_scaled_by(0.0),
        also_at=("voice",),
    ),
    Fault(
        name="duplicate-track-6-db-down",
        stem="keys",
        new_part=take.Part(stem="keys", role="keys", stereo=False),
        plant=sox("voice", "gain", "-6"),
        kind="duplicate",
        witness=is_scaled_by(-6.0),
        also_at=("voice",),
    ),
    Fault(
        name="silent-from-0:25",
        stem="guitar",
        plant=ffmpeg_filter("guitar", _holes(_SILENCE_S, 2)),
        kind="silent",
        witness=gone_at(_SILENCE_S),
        events_s=_SILENCE_S,
    ),
    Fault(
        name="level-10-db-down",
        stem="guitar",
        plant=sox("guitar", "gain", "-10"),
        kind="level-low",
        witness=is_scaled_by(-10.0),
    ),
    Fault(
        name="wireless-hits-voice",
        stem="voice",
        # a hit takes the voice away and puts the receiver's white noise in its place
        plant=ffmpeg_graph(
            "voice",
            f"[0:a][1:a]amerge=inputs=2,aeval='if({_between(_HITS_S)},val(1),val(0))':c=mono",
            "anoisesrc=color=white:seed=11:amplitude=0.5:sample_rate=44100:duration=60",
        ),
        kind="wireless-hit",
        witness=changed_only_at(_HITS_S),
        events_s=_HITS_S,
    ),
    *(
        Fault(
            name=f"howl-voice-{rate}-db-a-second",
            stem="voice",
            plant=ffmpeg_graph("voice", "[0:a][1:a]amix=inputs=2:normalize=0", _HOWL.format(rate=rate)),
            kind="howl",
            witness=added_is((-12.5, -11.5), (23.0, 24.5)),
            only_within_s=(_HOWL_S,),
        )
        for rate in (16, 32)
    ),
    *(
        # The singer's earpiece bleeds into the microphone, narrowed by a small loudspeaker and the air: 25 dB under the
        # voice (-20 dBFS), which anyone hears, and 25 dB under the click track itself (-29 dBFS), which is 34 dB under
        # the voice and heard in its pauses.
        Fault(
            name=f"click-in-voice-{name}",
            stem="voice",
            plant=ffmpeg_graph(
                "voice",
                f"[1:a]volume={gain_db}dB:precision=double,highpass=f=300,lowpass=f=4000[bled];"
                "[0:a][bled]amix=inputs=2:normalize=0",
                "click",
            ),
            kind="in-the-mix",
            witness=added_is((level_dbfs - 0.5, level_dbfs + 0.5)),
        )
        for name, gain_db, level_dbfs in (
            ("25-db-under-the-voice", -16.0, -45.0),
            ("25-db-under-the-click", -25.0, -54.0),
        )
    ),
)
