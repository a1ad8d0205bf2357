"""Faults that happen at a time: dropouts, digital clicks, radio interruptions and feedback."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering, role_of, spans_s
from deskhand.findings.kinds import KINDS, Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding, Severity
    from deskhand.findings.kinds import KindName
    from deskhand.house import Source
    from deskhand.house.roles import Role
    from deskhand.measure.figures import AnalysisGrid, Event
    from deskhand.measure.readings import SourceReading
    from deskhand.measure.track_figures import TrackFigures

_DROPOUT: Final = KINDS["dropout"]
_CLICKS: Final = KINDS["clicks"]
_WIRELESS_HIT: Final = KINDS["wireless-hit"]
_HOWL: Final = KINDS["howl"]
_AT_AN_EDGE_S: Final = 0.02
"""An event this near to where files were joined comes from the joining. Common practice, no source."""
_NEAR_A_DROPOUT_S: Final = 0.03
"""A click or mute this near to a dropout is its edge. Common practice, no source."""
_SAME_INSTANT_S: Final = 0.002
"""Clicks of one word clock fall within this in all tracks: the blocks of a converter. Common practice, no source."""
_CLICKS_TOGETHER: Final = 2
"""So many at the same instants are no chance. Common practice, no source."""
_REFERENCE_RATE_HZ: Final = 48000.0
"""Sample rate at which the limits of whiteness were set."""
_WHITENESS_ORDER: Final = 8
"""Power of the rate by which a fourth difference's energy grows: twice its order, arithmetic."""
_FLAT_REACH_BLOCKS: Final = (1, 2)
"""Blocks before and after a click in which a wave cut flat explains it. Common practice, no source."""


def moments(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Dropouts, digital clicks, radio interruptions and feedback of each track."""
    gathering = Gathering(source.name, earlier)
    listed: list[Event] = []
    for track in reading.tracks:
        faults = _TrackFaults(role=role_of(source), reading=reading, track=track, context=context, gathering=gathering)
        edges_s = faults.dropouts()
        listed += faults.clicks(edges_s, listed)
        faults.interruptions(edges_s)
        faults.feedback()
    return gathering.new


def _real(events: Sequence[Event], track: int, context: Context) -> list[Event]:
    """Events without those that come from joining files: gaps that no file holds."""
    rate_hz = context.figures.grid.sample_rate_hz
    held = context.tracks[track].held
    # where one file ends and the next begins on the same sample, nothing was joined to anything else
    seams = {end for _, end in held} & {start for start, _ in held}
    edges_s = [edge / rate_hz for span in held for edge in span if edge not in seams]
    return [
        event
        for event in events
        if not any(
            abs(event.start_s - edge_s) < _AT_AN_EDGE_S or abs(event.end_s - edge_s) < _AT_AN_EDGE_S
            for edge_s in edges_s
        )
    ]


def _too_many(events: Sequence[Event], kind: Kind, context: Context) -> bool:
    """True where there are so many that they are the sound itself."""
    return len(events) > max(kind["most"], kind["most_a_minute"] * context.figures.duration_s / 60.0)


def _apart(event: Event, edges_s: Sequence[float]) -> bool:
    return not any(abs(event.start_s - edge_s) < _NEAR_A_DROPOUT_S for edge_s in edges_s)


def _tracks_together(events: Sequence[Event], context: Context) -> int:
    """Number of tracks that drop out at the same moment as this one does, when several do; else 0."""
    tracks = max(
        (
            sum(
                any(abs(dropout.start_s - event.start_s) < _DROPOUT["together_s"] for dropout in figures.dropouts)
                for figures in context.figures.tracks
            )
            for event in events
        ),
        default=0,
    )
    return tracks if tracks >= _DROPOUT["together_tracks"] else 0


def _at_the_same_instant(event: Event, others: Sequence[Event]) -> bool:
    return any(abs(event.start_s - other.start_s) < _SAME_INSTANT_S for other in others)


def _clicks_elsewhere(track: int, context: Context) -> bool:
    """True where another track clicks at the same instants, as word clock faults do."""
    clicks = context.figures.tracks[track].clicks
    return any(
        sum(_at_the_same_instant(click, figures.clicks) for click in clicks) >= _CLICKS_TOGETHER
        for number, figures in enumerate(context.figures.tracks)
        if number != track
    )


def _rate_factor(grid: AnalysisGrid) -> float:
    """Factor by which the fourth difference of the same sound is larger at this rate than at 48 kHz."""
    return float((_REFERENCE_RATE_HZ * grid.stride / grid.sample_rate_hz) ** _WHITENESS_ORDER)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrackFaults:
    """Faults of one track that last moments, added to the findings of its source."""

    role: Role
    reading: SourceReading
    track: int
    context: Context
    gathering: Gathering

    @property
    def figures(self) -> TrackFigures:
        """Figures of the track."""
        return self.context.figures.tracks[self.track]

    @property
    def side(self) -> str | None:
        """Name of the track where it is one side of a pair."""
        return self.context.side(self.reading, self.track)

    def _add(
        self, kind: KindName, severity: Severity, what: str, events: Sequence[Event], *, advice: str, side: str | None
    ) -> None:
        """Add a finding that is counted by its events, of one side of a pair or of the source."""
        self.gathering.add(
            kind,
            severity,
            what,
            advice=(advice,),
            facts={"count": len(events)},
            measured=len(events),
            unit="count",
            track=side,
            at_s=spans_s(events, self.context.offset_s),
        )

    def dropouts(self) -> list[float]:
        """Add dropouts; returns their edges in s."""
        events = _real(self.figures.dropouts, self.track, self.context)
        # a gap of half a second and more is a gate or an edit
        dropouts = [event for event in events if event.end_s - event.start_s <= _DROPOUT["longest_s"]]
        together = _tracks_together(dropouts, self.context)
        if not dropouts or (_too_many(dropouts, _DROPOUT, self.context) and not together):
            return []
        # what a machine plays can stop and start within a sample; an open microphone hears the room, which is never digitally silent
        may_be_meant = (self.role.machine and not self.role.open_microphone) or self.role.metronome
        self.gathering.add(
            "dropout",
            "note" if may_be_meant and not together else "fix",
            "together" if together else "here",
            advice=("recorder",) if together else ("mute-and-check-cable-link",),
            facts={
                "longest_ms": max(event.end_s - event.start_s for event in dropouts) * 1000,
                **({"tracks_together": together} if together else {}),
            },
            measured=len(dropouts),
            unit="count",
            track=self.side,
            at_s=spans_s(dropouts, self.context.offset_s),
        )
        return [edge_s for event in dropouts for edge_s in (event.start_s, event.end_s)]

    def clicks(self, edges_s: Sequence[float], listed: Sequence[Event]) -> list[Event]:
        """Add digital clicks, without those at the edges of dropouts and those listed of the other side; returns what was added."""
        figures = self.figures
        reach_back, reach_on = _FLAT_REACH_BLOCKS

        def cut_flat(event: Event) -> bool:
            # a wave cut flat has corners of its own
            block = int(event.start_s / self.context.hop_s)
            return bool(figures.flats[max(0, block - reach_back) : block + reach_on].any())

        clicks = [
            event
            for event in _real(figures.clicks, self.track, self.context)
            if _apart(event, edges_s) and not cut_flat(event) and not _at_the_same_instant(event, listed)
        ]
        if not clicks or _too_many(clicks, _CLICKS, self.context) or self.role.metronome:
            return []
        severity: Severity = (
            "fix" if len(clicks) >= _CLICKS["fix_count"] and _clicks_elsewhere(self.track, self.context) else "listen"
        )
        sides = [self.context.figures.tracks[track].clicks for track in self.reading.tracks if track != self.track]
        shared = any(_at_the_same_instant(click, side) for click in clicks for side in sides)
        self._add("clicks", severity, "clicks", clicks, advice="word-clock", side=None if shared else self.side)
        return clicks

    def interruptions(self, edges_s: Sequence[float]) -> None:
        """Add bursts of white noise and mutes, as a radio link makes them."""
        figures = self.figures
        # a strum is bright too; only a voice is dark enough to believe less than nearly white noise
        white = _WIRELESS_HIT["white_in_a_voice" if self.role.is_voice else "white"] * _rate_factor(
            self.context.figures.grid
        )
        events: list[Event] = [event for event in figures.bursts if self.role.on_radio and event.whiteness >= white]
        levels_dbfs = self.reading.activity.level_dbfs
        if self.role.is_voice and np.isfinite(levels_dbfs).any():
            # a stop consonant is silent too, but the room goes on behind it; a muted receiver is quieter than the room
            room_dbfs = float(np.percentile(levels_dbfs[np.isfinite(levels_dbfs)], 1))
            events += [
                event
                for event in figures.mutes
                if _apart(event, edges_s) and event.level_dbfs < room_dbfs - _WIRELESS_HIT["below_room_db"]
            ]
        interruptions = sorted(_real(events, self.track, self.context), key=lambda event: event.start_s)
        if not interruptions or _too_many(interruptions, _WIRELESS_HIT, self.context):
            return
        severity: Severity = "fix" if len(interruptions) >= _WIRELESS_HIT["fix_count"] else "listen"
        self._add("wireless-hit", severity, "hits", interruptions, advice="radio", side=self.side)

    def feedback(self) -> None:
        """Add a pure tone that grows, where a microphone or a guitar's body can feed back."""
        howls = self.figures.howls
        if not howls or not (self.role.open_microphone or self.role.resonant_body):
            return
        frequency_hz = howls[0].frequency_hz
        # a hummed or swelled note is a pure tone that grows, too; nobody sings as high as most feedback
        sung = frequency_hz <= _HOWL["above_singing_hz"]
        self.gathering.add(
            "howl",
            "listen" if sung else "fix",
            "tone" if howls[0].growth_db_s >= 1.0 else "tone-stands",
            facts={"growth_db_s": howls[0].growth_db_s},
            advice=("may-be-sung", "nearest-wedge") if sung else ("nearest-wedge",),
            measured=round(frequency_hz, 0),
            unit="Hz",
            # a third of an octave around it
            band_hz=(round(frequency_hz * 2 ** (-1 / 6), 1), round(frequency_hz * 2 ** (1 / 6), 1)),
            track=self.side,
            at_s=spans_s(howls, self.context.offset_s),
        )
