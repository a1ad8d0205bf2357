"""Conducts what is heard live: device or recording in, screen or lines out, until it is done."""

from __future__ import annotations

import datetime as dt
import time
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Protocol

from deskhand.errors import LiveError, UsageError
from deskhand.files import write_atomically
from deskhand.live.disk import Recorder
from deskhand.live.keys import keys
from deskhand.live.result import result_of
from deskhand.live.soundcheck import Soundcheck
from deskhand.live.watch import KEPT_S, Watch, rows_of
from deskhand.recording import open_recording
from deskhand.recording.show import checked_date
from deskhand.reference.kept import load as load_kept
from deskhand.reference.normal import reference_of
from deskhand.store import history_url
from deskhand.tasks.check import CheckOptions, source_for
from deskhand.tasks.keep import house_at

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from rich.console import Console, RenderableType

    from deskhand.house import HouseFile, Source
    from deskhand.live.device import Capture
    from deskhand.live.replay import Replay
    from deskhand.live.ring import Follower
    from deskhand.live.said import Said
    from deskhand.recording.show import Phase, Tap
    from deskhand.reference.normal import Reference
    from deskhand.result import CheckResult
    from deskhand.store import KeptPart

_TICK_S: Final = 0.1
_SCREEN_S: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the command line says."""

    house: Path | None = None
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Listened:
    """What came of it."""

    result: CheckResult
    parts: list[KeptPart]
    house_file: Path
    problem: str | None
    """What kept it from being whole: the disk, the device."""


def _opened(wanted: Wanted) -> tuple[Capture | Replay, list[str] | None, str]:
    """The device or recording, the names of its channels where it has any, and what it is called."""
    if wanted.replay is not None:
        from deskhand.live.replay import Replay

        recording = open_recording(wanted.replay)
        return (
            Replay(recording, kept_s=KEPT_S, fast=wanted.fast),
            [track.name for track in recording.tracks],
            f"{wanted.replay} played back",
        )
    from deskhand.live.device import MOST_CHANNELS, Capture, choose, list_devices

    device = choose(list_devices(), wanted.device)
    return Capture(device, min(device.channels, MOST_CHANNELS), kept_s=KEPT_S), None, device.name


class Listener(Protocol):
    """A line check or a soundcheck."""

    said: list[Said]
    follower: Follower

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        ...

    def advance(self) -> None:
        """Look at what has come since."""

    def command(self, key: str) -> None:
        """A key was pressed."""

    def finish(self) -> None:
        """Nothing more will come."""

    def view(self, *, note: str, height: int, problem: str = "") -> RenderableType:
        """One screen."""
        ...


def listen_live(wanted: Wanted, console: Console) -> Listened:
    """Listen until whoever is at the desk ends it, or what is played back is over.

    Parameters
    ----------
    wanted : Wanted
    console : Console
        On a terminal a screen that is drawn again; elsewhere a line for each thing that happens.

    Raises
    ------
    LiveError, HouseError, UsageError
        One line each.
    """
    house, house_file = house_at(wanted.house, near=wanted.replay)
    date = checked_date(wanted.date, "--date") if wanted.date else dt.date.today().isoformat()  # noqa: DTZ011 - the evening's own date
    players = {source_for(name, house, f'--player "{name}={player}"'): player for name, player in wanted.players}
    if wanted.replay is None and wanted.fast:
        raise UsageError("--fast", "is for a recording", "name one with --replay")
    source, names, called = _opened(wanted)
    tap = wanted.tap or house.house.tap
    with ExitStack() as stack:
        stack.callback(source.close)
        inputs = rows_of(house, names, source.channels)
        every = names or _channel_names(inputs, source.channels)
        if wanted.phase == "line-check":
            listener: Watch | Soundcheck = _watch(house, house_file, inputs, source, wanted, date, players)
        else:
            asked = CheckOptions(
                phase=wanted.phase, tap=tap, date=date, players=tuple(players.items()), history=wanted.history
            )
            listener = Soundcheck(
                house=house, house_file=house_file, names=every, ring=source.ring,
                sample_rate_hz=source.sample_rate_hz, asked=asked,
            )  # fmt: skip
        recorder = None
        if wanted.record is not None:
            recorder = Recorder(wanted.record, every, source.ring, source.sample_rate_hz)
            _write_note(wanted.record, date, wanted.phase, tap, players)
            stack.callback(recorder.close)
        problem = _listen(source, listener, recorder, wanted, called, console)
        listener.finish()
    notes = tuple(_notes(source, listener, recorder))
    problem = problem or (recorder.problem if recorder else None)
    if isinstance(listener, Soundcheck):
        result = listener.result()
        if result is None:
            raise LiveError(called, "was heard too briefly to be checked", "let the band play for half a minute")
        result = replace(result, show=replace(result.show, name="soundcheck", notes=(*result.show.notes, *notes)))
        return Listened(result=result, parts=listener.parts(), house_file=house_file, problem=problem)
    result = result_of(
        listener, name="line check", date=date, phase="line-check", tap=tap, players=players, notes=notes
    )
    # what is kept is what settled
    parts = [
        part
        for one in listener.line.inputs
        if one.state == "arrived"
        for part in listener.parts.get(one.source.name, ())
    ]
    return Listened(result=result, parts=parts, house_file=house_file, problem=problem)


def _watch(
    house: HouseFile,
    house_file: Path,
    inputs: list[tuple[Source, tuple[int, ...]]],
    source: Capture | Replay,
    wanted: Wanted,
    date: str,
    players: dict[str, str],
) -> Watch:
    taps: dict[str, Tap] = {one.name: one.tap or wanted.tap or house.house.tap for one, _ in inputs}
    url = history_url(wanted.history, house_file.parent)
    return Watch(
        house=house,
        inputs=inputs,
        ring=source.ring,
        sample_rate_hz=source.sample_rate_hz,
        taps=taps,
        players=players,
        reference=None if url is None else _reference(url, house, ("line check", date), taps),
    )


def _reference(url: str, house: HouseFile, show: tuple[str, str | None], taps: dict[str, Tap]) -> Reference | None:
    """What the house kept of line checks, or else of rehearsals: an input sounds like itself in both."""
    for phase in ("line-check", "rehearsal"):
        kept = load_kept(url, house=house.house.name, phase=phase, show=show)
        if kept is not None and kept.takes:
            return reference_of(kept.rows, kept.dismissals, taps=taps, chains={})
    return None


def _channel_names(inputs: list[tuple[Source, tuple[int, ...]]], channels: int) -> list[str]:
    """A name for every channel: its source's track, or its number."""
    out = [f"input {place}" for place in range(1, channels + 1)]
    for source, rows in inputs:
        sides = ("",) if len(rows) == 1 else (" L", " R")
        for row, side, track in zip(rows, sides, source.tracks, strict=True):
            out[row] = track if isinstance(track, str) else f"{source.name}{side}"
    return out


def _write_note(folder: Path, date: str, phase: str, tap: str, players: dict[str, str]) -> None:
    import tomlkit

    note = tomlkit.document()
    note.add("name", "line check" if phase == "line-check" else "soundcheck")
    note.add("date", dt.date.fromisoformat(date))
    note.add("phase", phase)
    note.add("tap", tap)
    if players:
        note.add("players", dict(players))
    write_atomically(folder / "show.toml", tomlkit.dumps(note))


def _notes(source: Capture | Replay, listener: Listener, recorder: Recorder | None) -> list[str]:
    """What happened to the audio on its way."""
    out = []
    if source.overflows:
        out.append(f"the driver lost frames {source.overflows} times")
    if source.gone_s:
        out.append(f"the device was gone for {source.gone_s:.0f} s")
    rate_hz = source.sample_rate_hz
    if late := listener.follower.late:
        out.append(f"{late / rate_hz:.1f} s were not looked at: this computer was too slow")
    if recorder is not None and recorder.lost:
        out.append(f"{recorder.lost / rate_hz:.1f} s are silence in the recording: the disk was too slow")
    return out


def _listen(
    source: Capture | Replay,
    listener: Listener,
    recorder: Recorder | None,
    wanted: Wanted,
    called: str,
    console: Console,
) -> str | None:
    """Go on until it is done; what ended it before its time."""
    from rich.live import Live

    shown = 0
    was = ""
    problem: str | None = None
    screen = Live(console=console, auto_refresh=False, screen=True) if console.is_terminal else None
    with ExitStack() as stack:
        pressed: Callable[[], str] = stack.enter_context(keys())
        if screen is not None:
            stack.enter_context(screen)
        drawn = 0.0
        try:
            while True:
                note = source.poll()
                listener.advance()
                for said in listener.said[shown:]:
                    shown += 1
                    if screen is None:
                        console.print(str(said), highlight=False, markup=False, soft_wrap=True)
                if note != was and screen is None and note in ("gone", "running"):
                    text = "is gone; waiting for it" if note == "gone" else "is back" if was == "gone" else "runs"
                    console.print(f"{called} {text}.", highlight=False, markup=False, soft_wrap=True)
                was = note
                command = pressed()
                if command == "q" or (
                    note == "over" and source.ring.written - listener.follower.at < listener.follower.hop
                ):
                    break
                listener.command(command)
                if wanted.length_s is not None and listener.now_s >= wanted.length_s:
                    break
                now = time.monotonic()
                if screen is not None and now - drawn >= _SCREEN_S:
                    told_problem = recorder.problem if recorder is not None and recorder.problem else ""
                    screen.update(
                        listener.view(note=_note(source, note, called), height=console.height, problem=told_problem),
                        refresh=True,
                    )
                    drawn = now
                if not wanted.fast:
                    time.sleep(_TICK_S)
        except KeyboardInterrupt:
            pass
        except LiveError as error:
            if not listener.now_s:
                raise
            # what was heard and written until then is told all the same
            problem = str(error)
    return problem


def _note(source: Capture | Replay, note: str, called: str) -> str:
    lost = f", frames lost {source.overflows} times" if source.overflows else ""
    text = {"gone": "GONE, waiting for it", "opening": "opening", "running": "runs", "over": "over"}[note]
    return f"{called}: {text}{lost}"
