"""From readings and figures to findings, before any show is kept: faults, levels and mono loss.

Every limit here is common practice, no source, unless it names one. They are set so that a clean show says nothing.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.chain.nominal import PEAK_ROOM_DB, NominalPoint, nominal_point
from deskhand.chain.run import still_to_come
from deskhand.findings.finding import Finding, Kind, Severity
from deskhand.house import NEVER_IN_A_MIX, OPEN_MICROPHONES, STRIKING
from deskhand.measure.activity import stretches
from deskhand.measure.leak import find_leak
from deskhand.measure.readings import LEAST_ACTIVE_S, SourceReading
from deskhand.measure.stereo import DELAY_LEAST_S, MonoFlip, alignment, mono_flip
from deskhand.units import clock, db_from_amplitude, dbfs_from_mean_square, number

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.chain.meter import Stage
    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.measure.figures import Event, Figures, Grid
    from deskhand.mix.clearance import Clearance
    from deskhand.recording import Track

_MOST_RAISE_DB: Final = 12.0
_HEADROOM_LISTEN_DBTP: Final = -3.0
_HEADROOM_FIX_DBTP: Final = -0.5
_CLIPPED_FEW: Final = 3
_CLIPPED_MANY: Final = 10
_CLIPPED_A_MINUTE: Final = 2
_LONG_SHARE: Final = 0.06
_AT_THE_TOP: Final = 0.9
_DC_LISTEN: Final = 0.003
_DC_FIX: Final = 0.03
_HUM_LISTEN_DB: Final = -60.0
_HUM_FIX_DB: Final = -45.0
_HUM_LEAST_DBFS: Final = -85.0
_NOISE_LISTEN_DB: Final = 30.0
_ONE_SIDED_DB: Final = 12.0
_SIDE_GONE_DB: Final = 25.0
_SIDE_GONE_S: Final = 3.0
_MONO_LOSS_DB: Final = -6.0
_SAME: Final = 0.9998
_WENT_SILENT_S: Final = 8.0
_AT_ONCE_DB: Final = 15.0
_DYING_DB: Final = 8.0
_TOGETHER_S: Final = 0.05
_TOGETHER_TRACKS: Final = 3
_LEAK_LISTEN_DB: Final = -40.0
_LEAK_FIX_DB: Final = -26.0
_LEAK_MIX_DB: Final = -60.0
_TALKBACK_OPEN_DB: Final = -20.0
_BELOW_ROOM_DB: Final = 8.0
_WHITE_IN_A_VOICE: Final = 8.0
_WHITE: Final = 14.0
_ABOVE_SINGING_HZ: Final = 1100.0

_GAIN_SAID_DB: Final = 0.05
"""Less is 0.0 dB when it is said."""
AT_THE_PREAMP: Final = frozenset({"clipped", "noise"})
"""Faults of what comes in: a level beside them is put right at the preamp, since a trim cannot mend them. Common practice, no
source."""
_NO_OWN_LEVEL: Final = STRIKING | {"audience", "click", "talkback", "other"}
"""Roles whose level is judged only when the house gives them a nominal of their own: a drum at the RMS level of a voice
would clip."""
MAY_BE_SILENT: Final = frozenset({"audience", "click", "talkback", "playback", "other"})
LOOK_FOR: Final = (
    "switched on? plugged in? patched? phantom power, if it needs it (never for a ribbon without its maker's word)"
)
"""Where nothing arrives."""
_LINES: Final = frozenset({"guitar", "acoustic guitar", "bass", "keys", "playback"})
_HAS_PRESETS: Final = frozenset({"guitar", "acoustic guitar", "bass", "keys"})
_COVERED_SHARE: Final = 0.25
_CHAIN_TOP_DBTP: Final = -0.5
_REDUCTION_OFF_DB: Final = 0.5
_SOUND_STEP_LU: Final = 6.0
"""A lead sound is meant to be some dB louder. Common practice, no source."""
_VOICES: Final = frozenset({"lead vocal", "backing vocal", "speech"})
_ON_RADIO: Final = _VOICES | {"guitar", "acoustic guitar", "bass"}
_MACHINES: Final = STRIKING | {"playback", "keys"}
"""Roles that may come from a machine, which can stop and start within a sample."""
_SPACED: Final = frozenset({"overheads", "audience"})
"""Pairs of microphones apart from each other: sound reaches the two at different times by design."""


@dataclass(slots=True, kw_only=True)
class Judged:
    """The findings of a show."""

    by_source: dict[str, list[Finding]] = field(default_factory=lambda: defaultdict(list))
    mix: list[Finding] = field(default_factory=list)
    """Of the recorded mix."""


class _Maker:
    """Makes findings of one source with running ids."""

    def __init__(self, name: str, into: list[Finding], *, stage: Literal["tap", "after"] = "tap") -> None:
        self._name = name
        self._into = into
        self._stage = stage

    @property
    def made(self) -> list[Finding]:
        """What was found of the source so far."""
        return self._into

    def add(self, kind: Kind, severity: Severity, text: str, **rest: object) -> None:
        same = sum(1 for other in self._into if other.kind == kind)
        suffix = f"-{same + 1}" if same else ""
        made = Finding(
            id=f"{self._name}/{kind}{suffix}",
            kind=kind,
            stage=self._stage,
            severity=severity,
            text=text,
            **rest,  # type: ignore[arg-type]
        )
        self._into.append(made)


def _spans(events: Iterable[Event], offset_s: float) -> tuple[tuple[float, float], ...]:
    return tuple(
        (round(float(event.start_s) + offset_s, 3), round(float(event.end_s) + offset_s, 3)) for event in events
    )


def _times(spans: Sequence[tuple[float, float]]) -> str:
    """When, in words: the first three seconds in which it happens, or how often and between when."""
    seconds = list(dict.fromkeys(clock(begin) for begin, _ in spans))
    if len(seconds) <= 4:
        return f"at {', '.join(seconds)}"
    return f"at {', '.join(seconds[:2])} and {len(seconds) - 2} more times up to {seconds[-1]}"


def _after(text: str, source: Source) -> str:
    """The text with what belongs to turning a gain: who else hears it."""
    caution = "open microphone: mind feedback; " if source.role in OPEN_MICROPHONES and "raise" in text else ""
    return f"{text} ({caution}tell the stage first)"


def _in_steps(change_db: float, step_db: float) -> float:
    """A change in the steps of the knob, never more than asked for by half a step."""
    return round(change_db / step_db) * step_db if step_db > 0 else change_db


def has_nominal(source: Source) -> bool:
    """Whether the source's level is judged: always when it has a nominal of its own."""
    return source.nominal_dbfs is not None or source.role not in _NO_OWN_LEVEL


@dataclass(slots=True, kw_only=True)
class _Context:
    house: HouseFile
    figures: Figures
    tracks: Sequence[Track]
    offset_s: float
    """Where the stretch begins in the recording: times are told from the recording's start."""
    readings: dict[str, SourceReading]
    tap: str
    line_check: bool
    taps: Mapping[str, str] = field(default_factory=dict)
    """Source to where its tracks were taken, where the show says so."""

    def before_chain(self, source: Source) -> bool:
        """Whether the recording was taken before the source's chain: what the chain flips is not yet flipped in it."""
        return self._tap_of(source) != "after-chain"

    def _tap_of(self, source: Source) -> str:
        return self.taps.get(source.name) or source.tap or self.tap

    def blocks(self, source: Source) -> list[ChainBlock]:
        """Blocks of a source's chain that lie behind the tap; of a pair that is not whole, those that act on both sides."""
        whole = len(self.readings[source.name].tracks) == len(source.tracks)
        blocks = still_to_come(source.chain, self._tap_of(source))
        return [block for block in blocks if whole or getattr(block, "on", "both") == "both"]

    def nominal(self, source: Source) -> NominalPoint:
        """Level, peaks and mono loss behind the gain, trim and polarity that the house file holds."""
        return nominal_point(self.blocks(source), self.readings[source.name], self.figures)

    def others_play(self, name: str, block: int) -> bool:
        """Whether others play for three seconds or more behind a block: when all have stopped, the song has ended."""
        others = [reading for other, reading in self.readings.items() if other != name]
        least = LEAST_ACTIVE_S / self.figures.grid.hop_s
        return not others or sum(reading.activity.blocks[block:].sum() >= least for reading in others) * 2 >= len(
            others
        )


def _judge_presence(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> bool:
    """Silent throughout, or from a time on; False when there is nothing more to judge."""
    if not reading.activity.windows.any():
        spare = source.role in MAY_BE_SILENT
        loud = float(np.max(reading.activity.level_dbfs, initial=-np.inf))
        held = "digital silence" if not np.isfinite(loud) else f"never above {number(loud, 0)} dBFS"
        make.add(
            "silent",
            "listen" if spare else "fix",
            f"nothing arrives ({held}); mute it, then check: {LOOK_FOR}",
            metric="level_dbfs",
            measured=None if not np.isfinite(loud) else round(loud, 1),
            unit="dBFS",
        )
        return False
    level = dbfs_from_mean_square(reading.mean_square.astype(np.float64))
    hop_s = context.figures.grid.hop_s
    early = level[: max(1, level.size // 4)]
    # a player who stops leaves the input's noise behind; a dead input is quieter than that ever was
    if np.isfinite(early).all():
        limit = float(early.min()) - 10.0
        alive = np.flatnonzero(level >= limit)
        last = int(alive[-1]) + 1 if alive.size else 0
        # a song that ends dies away; a cable or a link does not
        before, after = level[max(0, last - 3) : last], level[last + 1 : last + 4]
        if after.size and not np.isfinite(after).any():
            abrupt = any(context.figures.tracks[track].cut_s is not None for track in reading.tracks)
        else:
            dying = level[max(0, last - 8) : last]
            falling = bool((np.diff(dying) < 0).all()) and float(dying[0] - dying[-1]) > _DYING_DB
            abrupt = after.size > 0 and not falling and float(before.min()) - float(after.max()) > _AT_ONCE_DB
        if (
            abrupt
            and context.others_play(source.name, last)
            and (level.size - last) * hop_s >= _WENT_SILENT_S
            and reading.activity.blocks[:last].sum() * hop_s >= LEAST_ACTIVE_S
        ):
            begin = last * hop_s + context.offset_s
            make.add(
                "silent",
                "note" if source.role == "playback" else "fix",
                f"dead from {clock(begin)} to the end; mute it, then check its cable, battery and patch",
                metric="level_dbfs",
                at_s=((round(begin, 2), round(level.size * hop_s + context.offset_s, 2)),),
            )
    return True


def _behind_gains(source: Source, gain_db: float, context: _Context) -> str:
    """Words for the gain and trim that are in the house file already and counted in."""
    kinds = [block.block for block in context.blocks(source) if block.block in ("gain", "trim")]
    if not kinds or abs(gain_db) < _GAIN_SAID_DB:
        return ""
    sign = "+" if gain_db > 0 else ""
    return f" after its {' and '.join(dict.fromkeys(kinds))} of {sign}{number(gain_db, 1)} dB"


def _judge_level(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> None:
    point = context.nominal(source)
    measured = point.level_dbfs
    active_s = reading.activity.blocks.sum() * context.figures.grid.hop_s
    if not has_nominal(source) or measured is None or active_s < LEAST_ACTIVE_S:
        return
    nominal = context.house.nominal_dbfs(source)
    off = measured - nominal
    listen_db, fix_db = context.house.level_limits_db(source)
    if abs(off) < listen_db:
        return
    severity: Severity = "fix" if abs(off) >= fix_db else "listen"
    # a preamp changes every player's mix: once line check is over, the digital trim is turned, unless what comes in is at fault
    preamp = context.line_check or any(finding.kind in AT_THE_PREAMP for finding in make.made)
    turned, step_db = ("gain", context.house.desk.gain_step_db) if preamp else ("trim", context.house.desk.trim_step_db)
    size = number(abs(off), 0 if abs(off) >= fix_db else 1)
    behind = _behind_gains(source, point.gain_db, context)
    if off > 0:
        text = _after(
            f"{size} dB above nominal{behind}; lower its {turned} by {number(_in_steps(off, step_db))} dB", source
        )
    elif -off > _MOST_RAISE_DB and source.role in OPEN_MICROPHONES:
        # what an unused microphone hears is the others; raising it until they are at nominal invites a howl
        severity = "listen"
        text = "only the others are heard in it, or its gain is very low; have someone use it before turning anything"
    elif -off > _MOST_RAISE_DB:
        text = (
            f"{size} dB below nominal{behind}; check the player's volume, the cable and any pad before turning its gain"
        )
    else:
        # peaks decide how far a gain can go up
        raise_db = point.raise_db(-off)
        if raise_db < listen_db:
            return
        severity = "fix" if raise_db >= fix_db else "listen"
        text = _after(
            f"{size} dB below nominal{behind}; raise its {turned} by {number(_in_steps(raise_db, step_db))} dB", source
        )
    make.add(
        "level-low" if off < 0 else "level-high",
        severity,
        text,
        metric="level_dbfs",
        measured=round(measured, 1),
        expected=nominal,
        low=nominal - listen_db,
        high=nominal + listen_db,
        unit="dBFS",
    )


def _judge_peaks(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> None:
    clipped = False
    for track in reading.tracks:
        figures = context.figures.tracks[track]
        top = float(figures.peak.max())
        # what clips is cut at the top; something flat further down is the sound itself
        cut = (figures.flats > 0) & (figures.flat_level >= _AT_THE_TOP * top)
        count = int(figures.flats[cut].sum())
        full = top > 0.98
        # chance makes runs of three and four equal samples in a smooth wave; cutting makes longer ones
        if count < _CLIPPED_FEW or (not full and figures.long_flats[cut].sum() < _LONG_SHARE * count):
            continue
        clipped = True
        spans = [
            (a + context.offset_s, b + context.offset_s)
            for a, b in stretches(cut, context.figures.grid.hop_s, join_s=0.5)
        ]
        meant = source.role == "playback" or (not full and source.role in _LINES)
        if meant:
            where = f"at {number(db_from_amplitude(top), 1)} dBFS"
            act = "they are cut before they reach us; leave it if it sounds as meant"
        elif full:
            where, act = "at full scale", _after("lower its gain until the peaks are whole", source)
        else:
            where = f"at {number(db_from_amplitude(top), 1)} dBFS"
            act = "something before the desk is overloaded: the player's output, a box or a pad"
        many = count >= _CLIPPED_MANY + _CLIPPED_A_MINUTE * context.figures.duration_s / 60.0
        make.add(
            "clipped",
            "fix" if many and not meant else "listen",
            f"clipped: {'over 1000' if count > 1000 else count} peaks cut flat {where}, {_times(spans)}; {act}",
            metric="peak_dbfs",
            measured=round(db_from_amplitude(top), 2),
            unit="dBFS",
            track=context.tracks[track].name if len(reading.tracks) > 1 else None,
            at_s=tuple((round(a, 3), round(b, 3)) for a, b in spans[:200]),
        )
    peak_dbtp = reading.readings.true_peak_dbtp
    # a click that runs into its stop is a click all the same
    if clipped or peak_dbtp is None or peak_dbtp < _HEADROOM_LISTEN_DBTP or source.role == "click":
        return
    lower_db = _in_steps(max(1.0, PEAK_ROOM_DB + peak_dbtp), context.house.desk.gain_step_db)
    act = (
        "leave it if nothing follows that could clip"
        if source.role == "playback"
        else _after(f"lower its gain by {number(lower_db)} dB", source)
    )
    make.add(
        "headroom",
        "fix" if peak_dbtp >= _HEADROOM_FIX_DBTP and source.role != "playback" else "listen",
        f"peaks reach {number(peak_dbtp, 1)} dBTP, {number(max(0.0, -peak_dbtp), 1)} dB from clipping; {act}",
        metric="true_peak_dbtp",
        measured=round(peak_dbtp, 1),
        high=_HEADROOM_LISTEN_DBTP,
        unit="dBTP",
    )


def _judge_steady_faults(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> None:
    """DC, hum, noise."""
    level = reading.readings.level_dbfs
    humming = False
    for track, hum in zip(reading.tracks, reading.hums, strict=True):
        figures = context.figures.tracks[track]
        side = context.tracks[track].name if len(reading.tracks) > 1 else None
        offset = abs(figures.mean)
        # a wave cut flat on one side more than on the other has an offset that is no fault of its own
        clipped = any(finding.kind == "clipped" for finding in make.made)
        if offset >= (_DC_FIX if clipped else _DC_LISTEN) and context.figures.duration_s >= LEAST_ACTIVE_S:
            make.add(
                "dc",
                "fix" if offset >= _DC_FIX else "listen",
                f"constant offset of {number(100 * offset, 1)} % of full scale; "
                "usually a faulty box or cable: swap it; until then switch its high-pass on",
                measured=round(db_from_amplitude(offset), 1),
                high=round(db_from_amplitude(_DC_LISTEN), 1),
                unit="dBFS",
                track=side,
            )
        if hum is None or level is None or hum.level_dbfs < _HUM_LEAST_DBFS:
            continue
        below = hum.level_dbfs - level
        if below < _HUM_LISTEN_DB:
            continue
        humming = True
        lines = ", ".join(f"{line:.0f}" for line in hum.lines_hz[:4])
        single = len(hum.lines_hz) == 1
        doubt = "; if it holds a note there, ignore this" if single else ""
        if abs(hum.frequency_hz - context.house.house.mains_hz) > 5.0:
            doubt += f"; the house file says {context.house.house.mains_hz:.0f} Hz mains"
        make.add(
            "hum",
            "fix" if below >= _HUM_FIX_DB and not single else "listen",
            f"mains hum {number(-below, 0)} dB below its level ({lines} Hz); "
            "try its ground lift, another outlet on the same circuit, or an isolating box; never lift the mains earth"
            + doubt,
            metric="hum_db",
            measured=round(below, 1),
            high=_HUM_LISTEN_DB,
            unit="dB",
            track=side,
        )
    noise = reading.readings.noise_dbfs
    # an offset fills the pauses too: it is said already
    shifted = any(finding.kind == "dc" for finding in make.made)
    if humming or shifted or noise is None or level is None or source.role not in _LINES:
        return
    if _is_microphone(source):
        return
    if reading.steady_noise and level - noise < _NOISE_LISTEN_DB:
        make.add(
            "noise",
            "listen",
            f"its pauses are only {number(level - noise, 0)} dB quieter than its playing; "
            "look for hiss at the player's end before turning anything here",
            metric="noise_dbfs",
            measured=round(noise, 1),
            high=round(level - _NOISE_LISTEN_DB, 1),
            unit="dBFS",
        )


def _is_microphone(source: Source) -> bool:
    """Whether the names say that a line source comes by microphone, which hears the stage."""
    words = re.findall(r"[a-z]+", " ".join([source.name, *map(str, source.tracks)]).casefold())
    return any(word in ("mic", "amp", "cab") for word in words)


def _real(events: Sequence[Event], track: int, context: _Context) -> list[Event]:
    """Without what comes from joining files: gaps that no file holds."""
    rate = context.figures.grid.sample_rate_hz
    held = context.tracks[track].held
    # where one file ends and the next begins on the same sample, nothing was joined to anything else
    meet = {end for _, end in held} & {start for start, _ in held}
    edges = [edge / rate for span in held for edge in span if edge not in meet]
    return [
        event
        for event in events
        if not any(abs(event.start_s - edge) < 0.02 or abs(event.end_s - edge) < 0.02 for edge in edges)
    ]


def _judge_moments(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> None:
    """Dropouts, clicks, wireless hits, howl: things that happen at a time."""
    for track in reading.tracks:
        figures = context.figures.tracks[track]
        side = context.tracks[track].name if len(reading.tracks) > 1 else None
        minutes = context.figures.duration_s / 60.0
        # a gap of half a second and more is a gate or an edit; many a minute are the sound itself
        dropouts = [event for event in _real(figures.dropouts, track, context) if event.end_s - event.start_s <= 0.5]
        if len(dropouts) > max(6.0, 20.0 * minutes) and not _in_other_tracks(dropouts, context):
            dropouts = []
        near_dropout = [edge for event in dropouts for edge in (event.start_s, event.end_s)]

        def apart(event: Event, edges: list[float] = near_dropout) -> bool:
            return not any(abs(event.start_s - edge) < 0.03 for edge in edges)

        if dropouts:
            spans = _spans(dropouts, context.offset_s)
            together = _in_other_tracks(dropouts, context)
            longest = max(event.end_s - event.start_s for event in dropouts) * 1000
            if together:
                text = (
                    f"sound drops out {_times(spans)}, up to {number(longest, 0)} ms, in {together} tracks at once; "
                    "suspect the recorder, its card or the network, not the inputs"
                )
            else:
                text = f"sound drops out {_times(spans)}, up to {number(longest, 0)} ms; mute it, then check its cable and its link"
            spare = source.role in ("playback", "click")
            make.add(
                "dropout",
                "listen" if spare else "fix",
                text,
                measured=len(dropouts),
                unit="count",
                track=side,
                at_s=spans,
            )
        # a wave cut flat has corners of its own
        hop_s = context.figures.grid.hop_s
        clicks = [
            event
            for event in _real(figures.clicks, track, context)
            if apart(event)
            and not figures.flats[max(0, int(event.start_s / hop_s) - 1) : int(event.start_s / hop_s) + 2].any()
        ]
        if len(clicks) > max(6.0, 30.0 * minutes):
            clicks = []  # that many are the sound itself
        if clicks and source.role != "click":
            spans = _spans(clicks, context.offset_s)
            make.add(
                "clicks",
                "fix" if len(clicks) >= 3 and _clicks_elsewhere(track, context) else "listen",
                f"{len(clicks)} digital click{'s' if len(clicks) > 1 else ''} {_times(spans)}; "
                "check word clock and digital connections",
                measured=len(clicks),
                unit="count",
                track=side,
                at_s=spans,
            )
        # a strum is bright too; only a voice is dark enough to believe less than nearly white noise
        whiteness = (_WHITE_IN_A_VOICE if source.role in _VOICES else _WHITE) * _rate_factor(context.figures.grid)
        hits = [event for event in figures.bursts if source.role in _ON_RADIO and event.value >= whiteness]
        levels = reading.activity.level_dbfs
        if source.role in _VOICES and np.isfinite(levels).any():
            # a stop consonant is silent too, but the room goes on behind it; a muted receiver is quieter than the room
            room = float(np.percentile(levels[np.isfinite(levels)], 1))
            hits += [event for event in figures.mutes if apart(event) and event.value < room - _BELOW_ROOM_DB]
        hits = sorted(_real(hits, track, context), key=lambda event: event.start_s)
        if len(hits) > max(8.0, 12.0 * minutes):
            hits = []  # that many are consonants or a hat, not a radio
        if hits:
            spans = _spans(hits, context.offset_s)
            make.add(
                "wireless-hit",
                "fix" if len(hits) >= 2 else "listen",
                f"{len(hits)} short {'interruptions' if len(hits) > 1 else 'interruption'} {_times(spans)} (noise or mute), as a "
                "radio link makes them; check battery, antennas and frequency",
                measured=len(hits),
                unit="count",
                track=side,
                at_s=spans,
            )
        howls = figures.howls if source.role in OPEN_MICROPHONES | {"acoustic guitar"} else []
        if howls:
            spans = _spans(howls, context.offset_s)
            hz = howls[0].value
            make.add(
                "howl",
                # a hummed or swelled note is a pure tone that grows, too; nobody sings as high as most feedback
                "fix" if hz > _ABOVE_SINGING_HZ else "listen",
                f"a tone at {number(hz, 0)} Hz grows {_times(spans)}, as feedback does; turn it down in the nearest monitor "
                "first, then lower that frequency there; protect ears",
                measured=round(hz, 0),
                unit="Hz",
                band_hz=(round(hz * 2 ** (-1 / 6), 1), round(hz * 2 ** (1 / 6), 1)),
                track=side,
                at_s=spans,
            )


def _judge_sounds(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> None:
    """Presets that are not level with one another: for the player, after doors."""
    step = reading.step_lu
    if source.role not in _HAS_PRESETS or step is None or step < _SOUND_STEP_LU:
        return
    loudest = max(reading.sounds, key=lambda sound: -999.0 if sound.loudness_lufs is None else sound.loudness_lufs)
    spans = tuple((round(a + context.offset_s, 1), round(b + context.offset_s, 1)) for a, b in loudest.stretches_s)
    make.add(
        "sound-step",
        "note",
        f"its sounds lie {number(step, 1)} LU apart, the loudest {_times(spans)}: the player should level the presets",
        metric="step_db",
        measured=round(step, 1),
        high=_SOUND_STEP_LU,
        unit="LU",
        at_s=spans,
    )


def _rate_factor(grid: Grid) -> float:
    """How much more the fourth difference makes of the same sound at this rate than at 48 kHz."""
    return float((48000.0 * grid.stride / grid.sample_rate_hz) ** 8)


def _clicks_elsewhere(track: int, context: _Context) -> bool:
    """Whether another track clicks at the same instants, as word clock faults do."""
    own = context.figures.tracks[track].clicks
    return any(
        sum(any(abs(other.start_s - event.start_s) < 0.002 for other in figures.clicks) for event in own) >= 2
        for place, figures in enumerate(context.figures.tracks)
        if place != track
    )


def _in_other_tracks(events: Sequence[Event], context: _Context) -> int:
    """How many tracks drop out at the same moment as this one does, when that is most of its dropouts; else 0."""
    best = 0
    for event in events:
        count = sum(
            any(abs(other.start_s - event.start_s) < _TOGETHER_S for other in figures.dropouts)
            for figures in context.figures.tracks
        )
        best = max(best, count)
    return best if best >= _TOGETHER_TRACKS else 0


def flip_of(figures: Figures, tracks: Sequence[int], blocks: NDArray[np.bool_]) -> MonoFlip:
    """Mono loss of two tracks, as they are and with one of them flipped.

    Parameters
    ----------
    figures : Figures
        Measured with the two named as a pair.
    tracks : sequence of int
        The two, in that order.
    blocks : (blocks,) array of bool
        In which they play.
    """
    one, other = tracks
    left, right = (figures.tracks[track].mean_square for track in tracks)
    playing = blocks[: left.size]
    return mono_flip(
        left[playing], right[playing], figures.pairs[one, other].product[playing], step_s=figures.grid.hop_s
    )


def flip_words(flip: MonoFlip) -> str:
    """Mono loss as it is and flipped, in words."""
    as_it_is, flipped = (
        f"{number(-loss_db, 1)} dB" if np.isfinite(loss_db) else "everything"
        for loss_db in (flip.loss_db, flip.flipped_loss_db)
    )
    return f"mono loses {as_it_is} as it is, {flipped} with one flipped"


def loss_number(loss_db: float) -> float | None:
    """Mono loss for the data; None where nothing is left."""
    return round(loss_db, 1) if np.isfinite(loss_db) else None


def _flips(source: Source, side: str) -> bool:
    """Whether the source's chain turns a side upside down."""
    blocks = [block for block in source.chain if block.block == "polarity" and block.on in (side, "both")]
    return len(blocks) % 2 == 1


def _judge_pair(source: Source, reading: SourceReading, make: _Maker, context: _Context) -> None:
    left, right = reading.tracks
    names = [context.tracks[track].name for track in reading.tracks]
    if _one_sided(source, reading, names, make, context):
        return
    same = _sameness(context.figures, left, right)
    readings = reading.readings
    if same > _SAME:
        make.add(
            "duplicate",
            "note" if source.role == "playback" else "listen",
            "both sides carry the same signal; if it should be stereo, check the second output and the patch",
            metric="correlation",
            measured=round(same, 4),
            unit="1",
        )
        return
    place = reading.alignment
    opposite = place is not None and place.opposite
    turned = same < -_SAME or (opposite and place is not None and not place.only_late)
    flipped = _flips(source, "left") != _flips(source, "right")
    if turned and not (flipped and context.before_chain(source)):
        flip = flip_of(context.figures, reading.tracks, reading.activity.blocks)
        # where the two only differ in what they pick up, a flip moves the loss to other notes
        if flip.sure:
            make.add(
                "polarity",
                # two room microphones may well hear low notes opposite
                "note" if source.role == "audience" else "listen" if source.role in _SPACED else "fix",
                f"the sides work against each other: the polarity of {names[1]} is inverted against {names[0]}; "
                f"{flip_words(flip)}; flip the polarity of {names[1]}",
                metric="mono_loss_db",
                measured=loss_number(flip.loss_db),
                expected=loss_number(flip.flipped_loss_db),
                unit="dB",
                track=names[1],
            )
            return
    point, at_tap = context.nominal(source), readings.mono_loss_db
    loss = point.mono_loss_db
    if loss is not None and loss < _MONO_LOSS_DB:
        worse = point.reversed_side and (at_tap is not None and at_tap > loss)
        make.add(
            "mono-loss",
            "listen",
            f"it loses {number(-loss, 1)} dB in mono after the polarity switch in its chain, {number(-(at_tap or 0.0), 1)} dB "
            "before it; hear it in mono, and take that switch out if the cable or the rig was put right"
            if worse
            else f"it loses {number(-loss, 1)} dB in mono; hear it in mono, and narrow it at the player's rig if it goes missing",
            metric="mono_loss_db",
            measured=round(loss, 1),
            low=_MONO_LOSS_DB,
            unit="dB",
        )
    if place is not None and source.role not in _SPACED and place.delayed:
        later = names[1] if place.delay_s > 0 else names[0]
        make.add(
            "delay",
            "listen",
            f"{later} comes {number(abs(place.delay_s) * 1000, 2)} ms late; "
            "if nobody meant it, look for a second conversion or an effect on one side",
            metric="delay_ms",
            measured=round(place.delay_s * 1000, 3),
            low=-1000 * DELAY_LEAST_S,
            high=1000 * DELAY_LEAST_S,
            unit="ms",
            track=later,
        )


def _one_sided(source: Source, reading: SourceReading, names: list[str], make: _Maker, context: _Context) -> bool:
    """One side gone or far down, throughout or for a while; True when throughout."""
    figures = context.figures
    parts = [figures.tracks[track].mean_square.astype(np.float64) for track in reading.tracks]
    blocks = reading.activity.blocks[: parts[0].size]
    total = [float(part[blocks].sum()) for part in parts]
    if not sum(total):
        return False
    weak = int(total[1] < total[0])
    with np.errstate(divide="ignore"):
        apart = 10.0 * np.log10((parts[1 - weak] + 1e-20) / (parts[weak] + 1e-20))
    overall = float(dbfs_from_mean_square(np.array(total[1 - weak])) - dbfs_from_mean_square(np.array(total[weak])))
    hop_s = figures.grid.hop_s
    quietest = parts[weak][blocks]
    # a side that has not played yet has not gone away
    there = np.maximum.accumulate(blocks & (apart < _ONE_SIDED_DB))
    gone = blocks & there & (apart > _SIDE_GONE_DB)
    spans = [
        (begin, end)
        for begin, end in stretches(gone, hop_s, join_s=1.5)
        if gone[round(begin / hop_s) : round(end / hop_s)].sum() * hop_s >= _SIDE_GONE_S
    ]
    partly = gone.sum() < 0.9 * blocks.sum() and bool(spans)
    if overall >= _ONE_SIDED_DB and not partly:
        silent = not quietest.any() or overall > 60
        what = (
            f"{names[weak]} is silent"
            if silent
            else f"{names[weak]} is {number(overall, 0)} dB quieter than {names[1 - weak]}"
        )
        make.add(
            "one-sided",
            "fix",
            f"{what}; mute it, then check its cable and patch",
            metric="balance_db",
            measured=round(overall if weak == 0 else -overall, 1) if not silent else None,
            low=-_ONE_SIDED_DB,
            high=_ONE_SIDED_DB,
            unit="dB",
            track=names[weak],
        )
        return True
    if partly:
        told = tuple((round(a + context.offset_s, 2), round(b + context.offset_s, 2)) for a, b in spans)
        make.add(
            "one-sided",
            "note" if source.role == "playback" else "fix",
            f"{names[weak]} is silent from {clock(told[0][0])} for {number(sum(b - a for a, b in spans), 0)} s while "
            f"{names[1 - weak]} plays; mute it, then check its cable and patch",
            metric="balance_db",
            unit="dB",
            track=names[weak],
            at_s=told,
        )
    return False


def _sameness(figures: Figures, one: int, other: int) -> float:
    """Correlation of the samples taken from every second."""
    scale = float(np.sqrt(figures.gram[one, one] * figures.gram[other, other]))
    return float(figures.gram[one, other]) / scale if scale > 0 else 0.0


def _judge_duplicates(house: HouseFile, readings: dict[str, SourceReading], judged: Judged, context: _Context) -> None:
    sources = [source for source in house.source if source.name in readings]
    for index, one in enumerate(sources):
        for other in sources[index + 1 :]:
            for a in readings[one.name].tracks:
                for b in readings[other.name].tracks:
                    if a == b or abs(_sameness(context.figures, a, b)) <= _SAME:
                        continue
                    if not (readings[one.name].activity.windows.any() and readings[other.name].activity.windows.any()):
                        continue
                    text = (
                        f'tracks "{context.tracks[a].name}" and "{context.tracks[b].name}" carry the same signal; '
                        "one of the two is patched wrong, unless one input feeds both on purpose"
                    )
                    for source, track in ((one, a), (other, b)):
                        if any(
                            finding.kind == "duplicate" and finding.text == text
                            for finding in judged.by_source[source.name]
                        ):
                            continue
                        _Maker(source.name, judged.by_source[source.name]).add(
                            "duplicate", "fix", text, track=context.tracks[track].name, measured=1.0, unit="1"
                        )


def _judge_microphones(
    groups: Sequence[tuple[str, str]], readings: dict[str, SourceReading], judged: Judged, context: _Context
) -> None:
    """Polarity between several microphones of one source."""
    for one, other in groups:
        if one not in readings or other not in readings:
            continue
        a, b = readings[one].tracks[0], readings[other].tracks[0]
        if not (readings[one].activity.windows.any() and readings[other].activity.windows.any()):
            continue
        if abs(_sameness(context.figures, a, b)) > _SAME:
            continue
        place = alignment(context.figures.pairs[a, b], context.figures.grid, top_hz=500.0)
        if not place.opposite or alignment(context.figures.pairs[a, b], context.figures.grid).only_late:
            continue
        # the lows may cancel and the rest add up: what a flip does to all of it decides
        playing = readings[one].activity.blocks | readings[other].activity.blocks
        flip = flip_of(context.figures, (a, b), playing)
        if flip.sure:
            first, second = (_source_named(context.house, name) for name in (one, other))
            before = context.before_chain(second)
            if before and _flips(first, "both") != _flips(second, "both"):
                continue
            _Maker(other, judged.by_source[other]).add(
                "polarity",
                # above and below a drum is opposite by nature: many a desk flips one already
                "listen" if before else "fix",
                f"its polarity is inverted against {one}: {flip_words(flip)}; flip the polarity of {other}"
                + (", unless the desk does so already (then write it into its chain)" if before else ""),
                metric="mono_loss_db",
                measured=loss_number(flip.loss_db),
                expected=loss_number(flip.flipped_loss_db),
                unit="dB",
            )


def _source_named(house: HouseFile, name: str) -> Source:
    return next(source for source in house.source if source.name == name)


def _judge_leaks(
    house: HouseFile,
    readings: dict[str, SourceReading],
    mix: Sequence[int],
    judged: Judged,
    context: _Context,
) -> None:
    """Click or talkback heard in another input, or in a recorded mix."""
    origins = {
        reading.tracks[0]: source
        for source in house.source
        if source.role in NEVER_IN_A_MIX and (reading := readings.get(source.name)) is not None
    }
    for origin, source in origins.items():
        for target in house.source:
            reading = readings.get(target.name)
            if reading is None or target.role in NEVER_IN_A_MIX or reading.readings.level_dbfs is None:
                continue
            worst = max(
                (leak.level_dbfs for track in reading.tracks if (leak := find_leak(context.figures, origin, track))),
                default=None,
            )
            if worst is None:
                continue
            below = worst - reading.readings.level_dbfs
            # a talkback microphone hears the same room as the others do
            open_ear = target.role in OPEN_MICROPHONES and source.role == "talkback"
            # what a machine plays is locked to the click, and shares a little with it by being so
            least = _TALKBACK_OPEN_DB if open_ear else _LEAK_FIX_DB if target.role == "playback" else _LEAK_LISTEN_DB
            if below < least:
                continue
            severity: Severity = "fix" if below >= _LEAK_FIX_DB else "listen"
            if open_ear:
                severity = "note"
            elif target.role == "playback":
                severity = "listen"
            if source.role == "click":
                # its sharp beginnings are heard as clicks too: one cause, one finding
                found = judged.by_source[target.name]
                found[:] = [finding for finding in found if finding.kind != "clicks"]
            act = (
                "turn down the players' headphones or move them off the microphone"
                if target.role in OPEN_MICROPHONES
                else "ask whether it is meant"
                if target.role == "playback"
                else "look for a wrong send or patch"
            )
            _Maker(target.name, judged.by_source[target.name]).add(
                "in-the-mix",
                severity,
                f"{source.name} is heard in it, {number(-below, 0)} dB below its level; {act}",
                measured=round(below, 1),
                high=_LEAK_LISTEN_DB,
                unit="dB",
            )
        levels = [leak.level_dbfs for track in mix if (leak := find_leak(context.figures, origin, track))]
        if not levels:
            continue
        overall = max(float(dbfs_from_mean_square(np.array(context.figures.tracks[track].overall))) for track in mix)
        below = max(levels) - overall
        if below >= _LEAK_MIX_DB:
            _Maker("mix", judged.mix).add(
                "in-the-mix",
                "fix",
                f"{source.name} is in the recorded mix, {number(-below, 0)} dB below it; take it off the main bus",
                measured=round(below, 1),
                high=_LEAK_MIX_DB,
                unit="dB",
            )


def judge(
    house: HouseFile,
    figures: Figures,
    tracks: Sequence[Track],
    readings: dict[str, SourceReading],
    *,
    missing: dict[str, list[str]],
    near: dict[str, list[str]],
    groups: Sequence[tuple[str, str]] = (),
    mix: Sequence[int] = (),
    offset_s: float = 0.0,
    tap: str = "preamp",
    line_check: bool = True,
    taps: Mapping[str, str] | None = None,
) -> Judged:
    """All findings of a show.

    Faults are judged at the tap; level and mono loss at the nominal point, behind the gain, trim and polarity that the house
    file holds already.

    Parameters
    ----------
    house : HouseFile
    figures : Figures
    tracks : sequence of Track
        Of the recording, in its order.
    readings : dict
        Source name to what was read of it; sources that are missing are not in it.
    missing : dict
        Source name to the tracks it should have and the recording has not.
    near : dict
        The same, to the recording's unclaimed names most like them.
    groups : sequence of (source, source)
        Sources that are microphones of one instrument.
    mix : sequence of int
        Tracks that hold the desk's own mix.
    offset_s : float
        Where the stretch begins in the recording.
    tap : str
        Where the tracks were taken, for sources that do not say so themselves.
    line_check : bool
        Whether the take is a line check, when preamps may still be turned.
    taps : mapping, optional
        Source to where its tracks were taken, where the show says so.
    """
    context = _Context(
        house=house,
        figures=figures,
        tracks=tracks,
        offset_s=offset_s,
        readings=readings,
        tap=tap,
        line_check=line_check,
        taps=taps or {},
    )
    judged = Judged()
    for source in house.source:
        if not source.used:
            continue
        make = _Maker(source.name, judged.by_source[source.name])
        if source.name in missing:
            gone = " and ".join(f'"{track}"' for track in missing[source.name])
            like = near.get(source.name)
            hint = f'; is it "{like[0]}"?' if like else "; is it armed on the recorder and named in the house file?"
            make.add("missing", "fix", f"no track {gone} in the recording{hint}")
        reading = readings.get(source.name)
        if reading is None or not _judge_presence(source, reading, make, context):
            continue
        _judge_peaks(source, reading, make, context)
        _judge_steady_faults(source, reading, make, context)
        _judge_level(source, reading, make, context)
        _judge_moments(source, reading, make, context)
        if len(reading.tracks) == 2:
            _judge_pair(source, reading, make, context)
        _judge_sounds(source, reading, make, context)
    _judge_duplicates(house, readings, judged, context)
    _judge_microphones(groups, readings, judged, context)
    _judge_leaks(house, readings, mix, judged, context)
    return judged


def judge_voices(
    voices: Sequence[Clearance],
    judged: Judged,
    *,
    learned: Collection[str] = (),
    wanted_pct: Mapping[str, float] | None = None,
) -> None:
    """Voices that are covered for a good part of their words, with when and by whom.

    Parameters
    ----------
    voices : sequence of Clearance
    judged : Judged
        Gains findings.
    learned : collection of str
        Voices whose words are set against the house's own kept weeks; of the others it is a note.
    wanted_pct : mapping, optional
        Voice to the clearance that the house file asks for: what misses it is raised too.
    """
    asked = wanted_pct or {}
    for voice in voices:
        total = sum(phrase.end_s - phrase.start_s for phrase in voice.phrases)
        spans = [phrase for phrase in voice.phrases if phrase.word == "covered"]
        covered = sum(phrase.end_s - phrase.start_s for phrase in spans)
        if total < LEAST_ACTIVE_S or covered < _COVERED_SHARE * total or not voice.by_source:
            continue
        first = voice.by_source[0]
        at_s = tuple((phrase.start_s, phrase.end_s) for phrase in spans)
        _Maker(voice.source, judged.by_source[voice.source], stage="after").add(
            "vocal-covered",
            "listen" if voice.source in learned or voice.clearance_pct.mono < asked.get(voice.source, 0.0) else "note",
            f"covered for {number(100 * covered / total, 0)} % of its words, {_times(at_s)}, mostly by {first.source}: "
            "listen to the mix there",
            metric="audible_pct",
            measured=voice.audible_pct.mono,
            unit="%",
            band_hz=(first.low_hz, first.high_hz),
            at_s=at_s[:200],
        )


def judge_chains(
    house: HouseFile,
    before: dict[str, SourceReading],
    after: dict[str, SourceReading],
    stages: dict[str, tuple[Stage, ...]],
    judged: Judged,
) -> None:
    """What the house's chains make of it: where they run out of headroom, and dynamics that do not do what was meant.

    Parameters
    ----------
    house : HouseFile
    before, after : dict
        Source name to what was read at the tap and behind its chain.
    stages : dict
        Source name to what its meters read, for the blocks that were run (the last ones of its chain).
    judged : Judged
        Gains findings.
    """
    for source in house.source:
        if source.name not in after or before[source.name].readings.level_dbfs is None:
            continue
        # what is wrong at the tap is the cause of what the chain makes of it
        make = _Maker(source.name, judged.by_source[source.name], stage="after")
        said = {finding.kind for finding in make.made if finding.severity == "fix"}
        read = stages[source.name]
        hot = next(
            (
                at
                for at, one in enumerate(read)
                if one.true_peak_dbtp is not None and one.true_peak_dbtp > _CHAIN_TOP_DBTP
            ),
            None,
        )
        if hot is not None and not said & {"clipped", "headroom", "level-high"}:
            peak_dbtp = read[hot].true_peak_dbtp
            make.add(
                "headroom",
                "listen",
                f"in its chain, peaks reach {number(peak_dbtp or 0.0, 1)} dBTP behind the {read[hot].block}: "
                "lower its output or the trim in front of it",
                metric="true_peak_dbtp",
                measured=round(peak_dbtp or 0.0, 1),
                high=_CHAIN_TOP_DBTP,
                unit="dBTP",
            )
        chain = source.chain[len(source.chain) - len(read) :]
        for block, one in zip(chain, read, strict=True):
            if said & {"clipped", "level-low", "level-high", "silent"}:
                break
            wanted = getattr(block, "reduction_db", None)
            if wanted is None or one.reduction_db is None or block.block != one.block:
                continue
            low, high = wanted
            taken = one.reduction_db.median
            if low - _REDUCTION_OFF_DB <= taken <= high + _REDUCTION_OFF_DB:
                continue
            make.add(
                "dynamics",
                "note",
                f"its {block.block} takes off {number(taken, 1)} dB while it plays, where {number(low, 1)} to "
                f"{number(high, 1)} dB is wanted: {'lower' if taken < low else 'raise'} its threshold",
                metric="reduction_db",
                measured=round(taken, 1),
                low=low,
                high=high,
                unit="dB",
            )
