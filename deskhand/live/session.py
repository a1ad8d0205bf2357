"""Session of a line check or soundcheck: device or recording in, screen or lines out, until it is done."""

from __future__ import annotations

import datetime as dt
import time
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.baseline.kept import load as load_kept
from deskhand.baseline.normal import baseline_of
from deskhand.baseline.turns import LEAST_TURNS
from deskhand.errors import LiveError, UsageError
from deskhand.files import KEPT_IN
from deskhand.house import former_names, read_house, settings_file, week_note
from deskhand.live.disk import Recorder, write_note
from deskhand.live.display import AudioFeed, Display
from deskhand.live.keys import keys
from deskhand.live.memory import give_back_blocks
from deskhand.live.result import result_of
from deskhand.live.seats import watched_seats
from deskhand.live.sharing import sharing_of
from deskhand.live.soundcheck import Soundcheck
from deskhand.live.watch import KEPT_S, Watch, rows_of
from deskhand.recording import open_recording, show_note_of
from deskhand.recording.show import checked_date
from deskhand.store import history_url
from deskhand.tasks.check import CheckOptions, name_of, source_for
from deskhand.tasks.keep import house_at

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from rich.console import Console

    from deskhand.baseline.normal import Baseline
    from deskhand.house import HouseFile, Source
    from deskhand.live.board import Board, BoardNote
    from deskhand.live.device import Capture
    from deskhand.live.replay import Replay
    from deskhand.live.seats import SeatWatch
    from deskhand.live.sharing import Sharing
    from deskhand.recording.show import Phase, Tap
    from deskhand.result import CheckResult
    from deskhand.store import KeptPart

    Listener = Watch | Soundcheck

_TICK_S: Final = 0.1
"""Pause between two looks at the device: the length of a hop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveOptions:
    """Options of the command line."""

    house: Path | None = None
    folder: Path | None = None
    """Of the house, where no house file is named: the recording's, or the one the program was started in, by default."""
    device: str | None = None
    replay: Path | None = None
    fast: bool = False
    tap: Tap | None = None
    date: str | None = None
    players: tuple[tuple[str, str], ...] = ()
    history: str | None = None
    record: Path | None = None
    length_s: float | None = None
    phase: Phase = "line-check"
    ring_out: bool = False
    """Begin with the ring-out of the wedges; the line check or soundcheck follows."""
    microphones: tuple[str, ...] = ()
    """Sources that are rung out; all open microphones where none are named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveOutcome:
    """Result of a line check or soundcheck, with the readings the history keeps."""

    result: CheckResult
    parts: list[KeptPart]
    house_file: Path
    problem: str | None
    """Failure of the disk or the device that kept it from being whole."""
    notes: tuple[BoardNote, ...] = ()
    """Notes that people left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Show:
    """Facts about the evening."""

    house: HouseFile
    house_file: Path
    week_note: str
    """Note that this week's house file was read; empty where the standing one was."""
    date: str
    tap: Tap
    players: dict[str, str]
    """Source to player."""


def open_feed(options: LiveOptions) -> AudioFeed:
    """Open the device or recording that was asked for."""
    if options.replay is not None:
        from deskhand.live.replay import Replay

        recording = open_recording(options.replay)
        return AudioFeed(
            audio=Replay(recording, kept_s=KEPT_S, fast=options.fast),
            track_names=[track.name for track in recording.tracks],
            label=f"{options.replay.resolve().name} played back",
        )
    from deskhand.live.device import MOST_CHANNELS, Capture, choose, list_devices

    device = choose(list_devices(), options.device)
    audio = Capture(device, min(device.channels, MOST_CHANNELS), kept_s=KEPT_S)
    return AudioFeed(audio=audio, track_names=None, label=device.name)


def _show(options: LiveOptions) -> _Show:
    house, house_file = house_at(options.house, near=options.folder or options.replay)
    noted = show_note_of(options.replay).date if options.replay is not None and options.replay.exists() else None
    # the evening's own date, also after midnight
    today = dt.date.today().isoformat()  # noqa: DTZ011
    date = checked_date(options.date, "--date") if options.date else noted or today
    week = house_file if options.house is not None else _settings_file(house_file, options, date)
    return _Show(
        house=house if week == house_file else read_house(week),
        house_file=week,
        week_note=week_note(week, house_file),
        date=date,
        tap=options.tap or house.house.tap,
        players={source_for(name, house, f'--player "{name}={player}"'): player for name, player in options.players},
    )


def _settings_file(standing: Path, options: LiveOptions, date: str) -> Path:
    """House file of the evening, or of the show that is played back: as a check of it reads."""
    replay = options.replay
    if replay is None:
        return settings_file(standing, date=date, name="")
    note = show_note_of(replay)
    return settings_file(standing, date=options.date or note.date, name=note.name or name_of(replay))


def listen_live(
    options: LiveOptions, console: Console, *, board: Board | None = None, keyboard: bool = True
) -> LiveOutcome:
    """Listen until whoever is at the desk ends it, or what is played back is over.

    Parameters
    ----------
    options : LiveOptions
    console : Console
        On a terminal a screen that is drawn again; elsewhere a line for each thing that happens.
    board : Board, optional
        Shows it to everybody who looks on, and takes their requests.
    keyboard : bool
        Whether the terminal's keys are obeyed.

    Raises
    ------
    LiveError, HouseError, UsageError
        One line each.
    """
    show = _show(options)
    if options.replay is None and options.fast:
        raise UsageError("--fast", "is for a recording", "name one with --replay")
    give_back_blocks()
    feed = open_feed(options)
    audio = feed.audio
    with ExitStack() as stack:
        stack.callback(audio.close)
        inputs = rows_of(show.house, feed.track_names, audio.channels)
        names = feed.track_names or _channel_names(inputs, audio.channels)
        listener: Listener
        if options.phase == "line-check":
            listener = _watch(show, inputs, audio, options)
        else:
            listener = _soundcheck(show, inputs, names, audio, options)
        kept_in = show.house_file.parent / KEPT_IN
        sharing = sharing_of(board, listener, feed, folder=kept_in, date=show.date, microphones=options.microphones)
        goes_on = sharing.resume()
        if options.ring_out:
            sharing.ring_out.begin()
        recorder = _recorder(show, names, audio, options, goes_on=goes_on)
        if recorder is not None:
            stack.callback(recorder.close)
        facts = {"date": show.date, "phase": options.phase, "history": options.history, "replay": options.replay}
        seats = watched_seats(show.house, show.house_file, feed.track_names, inputs, audio, **facts)  # type: ignore[arg-type]
        pressed = stack.enter_context(keys()) if keyboard else lambda: ""
        problem = _listen(feed, listener, recorder, options, Outside(console, pressed, seats, sharing))
        listener.finish()
        sharing.show_last(problem or "", seats)
    notes = (
        *((show.week_note,) if show.week_note else ()),
        *_notes(audio, listener, recorder),
        *sharing.ring_out.notes,
        *map(str, sharing.notes),
    )
    outcome = _outcome(listener, show, feed.label, notes, options)
    if seats is not None:
        told = replace(outcome.result.show, notes=(*outcome.result.show.notes, *seats.note()))
        outcome = replace(outcome, result=replace(outcome.result, show=told, seats=seats.results()))
    return replace(outcome, problem=problem or (recorder.problem if recorder else None), notes=tuple(sharing.notes))


def _outcome(listener: Listener, show: _Show, label: str, notes: tuple[str, ...], options: LiveOptions) -> LiveOutcome:
    """Result and readings of what was heard, those included who were named meanwhile."""
    if isinstance(listener, Soundcheck):
        result, parts = _soundcheck_outcome(listener, label, notes)
    else:
        show = replace(show, players=dict(listener.players))
        if options.record is not None:
            write_note(options.record, show.date, options.phase, show.tap, show.players)
        result, parts = _line_check_outcome(listener, show, notes)
    return LiveOutcome(result=result, parts=parts, house_file=show.house_file, problem=None)


def _recorder(
    show: _Show, names: list[str], audio: Capture | Replay, options: LiveOptions, *, goes_on: bool
) -> Recorder | None:
    """Recorder where one was asked for, with the note beside its file."""
    if options.record is None:
        return None
    recorder = Recorder(options.record, names, audio.ring, audio.sample_rate_hz, goes_on=goes_on)
    write_note(options.record, show.date, options.phase, show.tap, show.players)
    return recorder


def _soundcheck_outcome(
    soundcheck: Soundcheck, label: str, notes: tuple[str, ...]
) -> tuple[CheckResult, list[KeptPart]]:
    result = soundcheck.result()
    if result is None:
        raise LiveError(label, "was heard too briefly to be checked", "let the band play for half a minute")
    show = replace(result.show, name="soundcheck", notes=(*result.show.notes, *notes))
    return replace(result, show=show), soundcheck.parts()


def _line_check_outcome(watch: Watch, show: _Show, notes: tuple[str, ...]) -> tuple[CheckResult, list[KeptPart]]:
    result = result_of(
        watch,
        name="line check",
        date=show.date,
        phase="line-check",
        tap=show.tap,
        players=show.players,
        notes=notes,
        house_file=show.house_file.name,
    )
    # only settled inputs are kept
    arrived = [entry.source.name for entry in watch.line.inputs if entry.state == "arrived"]
    return result, [part for name in arrived for part in watch.parts.get(name, ())]


def _soundcheck(
    show: _Show,
    inputs: list[tuple[Source, tuple[int, ...]]],
    names: list[str],
    audio: Capture | Replay,
    options: LiveOptions,
) -> Soundcheck:
    request = CheckOptions(
        phase=options.phase,
        tap=show.tap,
        date=show.date,
        players=tuple(show.players.items()),
        history=options.history,
    )
    return Soundcheck(
        house=show.house,
        house_file=show.house_file,
        names=names,
        ring=audio.ring,
        sample_rate_hz=audio.sample_rate_hz,
        request=request,
        inputs=inputs,
    )


def _watch(
    show: _Show, inputs: list[tuple[Source, tuple[int, ...]]], audio: Capture | Replay, options: LiveOptions
) -> Watch:
    taps: dict[str, Tap] = {source.name: source.tap or show.tap for source, _ in inputs}
    url = history_url(options.history, show.house_file.parent)
    return Watch(
        house=show.house,
        inputs=inputs,
        ring=audio.ring,
        sample_rate_hz=audio.sample_rate_hz,
        taps=taps,
        players=show.players,
        baseline=None if url is None else _reference(url, show, taps),
    )


def _reference(url: str, show: _Show, taps: dict[str, Tap]) -> Baseline | None:
    """Kept line checks of the house, or while there are few of them its rehearsals: an input sounds like itself in both."""
    for phase, least in (("line-check", LEAST_TURNS), ("rehearsal", 1), ("line-check", 1)):
        names = former_names(show.house, show.house_file)
        history = load_kept(url, house=show.house.house.name, phase=phase, show=("line check", show.date), names=names)
        if history is not None and len(history.takes) >= least:
            return baseline_of(history.rows, history.dismissals, taps=taps, chains={})
    return None


def _channel_names(inputs: list[tuple[Source, tuple[int, ...]]], channels: int) -> list[str]:
    """Name of every channel: its source's track, or its number."""
    names = [f"input {number}" for number in range(1, channels + 1)]
    for source, rows in inputs:
        sides = ("",) if len(rows) == 1 else (" L", " R")
        for row, side, track in zip(rows, sides, source.tracks, strict=True):
            names[row] = track if isinstance(track, str) else f"{source.name}{side}"
    return names


def _notes(audio: Capture | Replay, listener: Listener, recorder: Recorder | None) -> list[str]:
    """Losses of audio on its way, a sentence each."""
    notes = []
    if audio.overflows:
        notes.append(f"the driver lost frames {audio.overflows} times")
    if audio.gone_s:
        notes.append(f"the device was gone for {audio.gone_s:.0f} s")
    rate_hz = audio.sample_rate_hz
    if late := listener.follower.late:
        notes.append(f"{late / rate_hz:.1f} s were not looked at: this computer was too slow")
    if recorder is not None and recorder.lost:
        notes.append(f"{recorder.lost / rate_hz:.1f} s are silence in the recording: the disk was too slow")
    return notes


@dataclass(frozen=True, slots=True)
class Outside:
    """What goes out of a session and comes into it, beside the audio."""

    console: Console
    pressed: Callable[[], str]
    """Returns the key that was pressed since, or an empty text."""
    seats: SeatWatch | None
    sharing: Sharing


def _listen(
    feed: AudioFeed, listener: Listener, recorder: Recorder | None, options: LiveOptions, outside: Outside
) -> str | None:
    """Go on until it is done.

    Returns
    -------
    str or None
        The failure that ended it before its time.
    """
    from rich.live import Live

    console, seats, sharing = outside.console, outside.seats, outside.sharing
    screen = Live(console=console, auto_refresh=False, screen=True) if console.is_terminal else None
    is_ended = False
    with ExitStack() as stack:
        if screen is not None:
            stack.enter_context(screen)
        display = Display(console, screen, feed)
        try:
            while True:
                note = feed.audio.poll()
                sharing.advance()
                if seats is not None:
                    listener.messages += seats.advance()
                problem = (recorder.problem if recorder is not None else None) or ""
                sharing.step(note, problem, seats)
                display.update(listener, note, problem, seats, sharing.ring_out)
                key = outside.pressed()
                if sharing.obey(key):
                    key = ""
                if key == "q" or sharing.done or (note == "over" and feed.is_heard_to_its_end(listener)):
                    is_ended = True
                    break
                listener.command(key)
                if options.length_s is not None and listener.now_s >= options.length_s:
                    is_ended = True
                    break
                if not options.fast:
                    time.sleep(_TICK_S)
        except KeyboardInterrupt:
            is_ended = True
        except LiveError as error:
            if not listener.now_s:
                raise
            # everything heard and written until then is told all the same
            return str(error)
        finally:
            sharing.end(is_ended=is_ended)
    return None
