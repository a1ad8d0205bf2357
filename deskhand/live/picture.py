"""Picture of a line check or soundcheck as plain data, for those who look on from elsewhere: sentences, no gauges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.findings import has_nominal, say
from deskhand.live.answers import question_about
from deskhand.live.line import summary
from deskhand.live.result import unmeasured
from deskhand.live.soundcheck import Soundcheck
from deskhand.report.terminal import by_urgency, headline, line, move_lines
from deskhand.report.words import text as words
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.live.board import BoardNote
    from deskhand.live.entry import PatchEntry
    from deskhand.live.messages import LiveMessage
    from deskhand.live.watch import Watch

_MESSAGES: Final = 6
"""Newest messages that are shown: what fits on a phone beside the rest. Common practice, no source."""
_RANG: Final = 3
"""Newest tones that built up, and stay on the page: where to look first when there is time. Common practice, no source."""
_URGENT_S: Final = 8.0
"""An urgent message stands out for so long: read twice. Common practice, no source."""


def _sentence_of(entry: PatchEntry) -> str:
    """Most urgent sentence about an input; empty when there is none."""
    if entry.state == "arrived" and entry.stretch is None:
        return entry.earlier or say(unmeasured(entry))
    findings = entry.findings
    if findings:
        return say(findings[0])
    memory = entry.memory
    return memory.text if memory is not None and memory.verdict == "as always" else ""


def _level_words(watch: Watch, entry: PatchEntry) -> str:
    """Level of an input, measured or at this moment, with its nominal."""
    nominal = watch.house.nominal_dbfs(entry.source) if has_nominal(entry.source) else None
    reading = entry.stretch.reading.readings if entry.stretch is not None else None
    level: float | None = None
    digits = 0
    if reading is not None and reading.level_dbfs is not None:
        level, digits = reading.level_dbfs, 1
    elif entry.sounding:
        level = max(watch.levels.loudest_dbfs(row) for row in entry.rows)
    if level is None:
        return "" if nominal is None else words("live.nominal", nominal=number(nominal, 0))
    if nominal is None:
        return words("live.level", level=number(level, digits))
    return words("live.level_nominal", level=number(level, digits), nominal=number(nominal, 0))


def _hand(watch: Watch) -> dict[str, Any]:
    """The input at hand, in a sentence, and what comes after it."""
    entry = watch.line.awaited
    if entry is None:
        return {"source": "", "sentence": words("live.all_done"), "where": "", "level": "", "finding": "", "heard": ""}
    name, state = entry.source.name, entry.state
    key = {"sounding": "live.sounds", "arrived": "live.arrived"}.get(state, "live.please_play")
    later = next((rival for rival in watch.line.inputs[entry.turn + 1 :] if rival.state != "not tonight"), None)
    heard = words("live.heard_last") if later is None else words("live.heard", next=later.source.name)
    return {
        "source": name,
        "sentence": words(key, source=name),
        "where": entry.source.where,
        "level": _level_words(watch, entry),
        "finding": _sentence_of(entry) if state in ("sounding", "arrived") else "",
        "wrong": state == "arrived" and entry.verdict != "well",
        "heard": heard,
    }


def _stands(message: LiveMessage, listener: Watch | Soundcheck) -> bool:
    """True unless a message tells a finding that was taken back: nobody turns a gain for what is no longer so."""
    if not message.finding or isinstance(listener, Soundcheck) or message.source not in listener.line.by_name:
        return True
    return message.finding in listener.line.by_name[message.source].reported


def _is_now(message: LiveMessage, listener: Watch | Soundcheck) -> bool:
    """True for a while, and of a tone that builds up for as long as it sounds."""
    sounds = message.tone_hz is not None and listener.tones.sounds(message.tone_hz)
    return sounds or listener.now_s - message.time_s < _URGENT_S


def _messages(listener: Watch | Soundcheck) -> dict[str, Any]:
    newest = listener.messages[-_MESSAGES:]
    urgent = [
        message
        for message in listener.messages
        if message.urgent and _is_now(message, listener) and _stands(message, listener)
    ]
    last = urgent[-1] if urgent else None
    return {
        "urgent": "" if last is None else f"{last.source}: {last.text}" if last.source else last.text,
        "messages": [str(message) for message in reversed(newest)],
    }


def _watch_picture(watch: Watch, players: Mapping[str, str]) -> dict[str, Any]:
    inputs = []
    for entry in watch.line.inputs:
        word = entry.verdict
        if entry.state == "arrived" and entry.stretch is None:
            word = "listen"
        inputs.append(
            {
                "source": entry.source.name,
                "where": entry.source.where,
                "word": word,
                "sentence": _sentence_of(entry) or (_level_words(watch, entry) if entry.state == "arrived" else ""),
                "asked": "" if (question := question_about(entry)) is None else question.other,
                "player": players.get(entry.source.name, entry.source.player or ""),
                "at_hand": entry is watch.line.awaited,
                "passed": entry.turn < watch.line.turn,
            }
        )
    return {"hand": _hand(watch), "inputs": inputs, "summary": summary(watch.line)}


def _soundcheck_picture(soundcheck: Soundcheck) -> dict[str, Any]:
    result = soundcheck.result()
    if result is None:
        return {"hand": {"source": "", "sentence": words("live.listening")}, "inputs": [], "first": [], "summary": ""}
    inputs = []
    places = {source.name: source.where for source in soundcheck.house.source}
    for source in by_urgency(result):
        sentences = move_lines(source, result) or [line(source)]
        inputs.append(
            {
                "source": source.name,
                "where": places.get(source.name, ""),
                "word": source.status,
                "sentence": sentences[0],
            }
        )
    return {
        "hand": {"source": "", "sentence": headline(result)},
        "first": [thing.text for thing in result.first],
        "inputs": inputs,
        "summary": words("live.checking") if soundcheck.checking else "",
    }


def picture_of(
    listener: Watch | Soundcheck,
    *,
    device: str,
    state: str,
    problem: str = "",
    seats: Sequence[str] = (),
    notes: Sequence[BoardNote] = (),
    practice: bool = False,
    ring_out: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Picture of what is listened to.

    Parameters
    ----------
    listener : Watch or Soundcheck
    device : str
        Name of the device, or of the recording that is played back.
    state : str
        Of the device: opening, running, gone or over.
    problem : str
        Of the recording; empty where there is none.
    seats : sequence of str
        Lines on the sound in the house.
    notes : sequence of BoardNote
    practice : bool
        True where a recording is played back.
    ring_out : mapping, optional
        Picture of the ring-out, begun or not; None where none can be begun.
    """
    is_soundcheck = isinstance(listener, Soundcheck)
    body = (
        _soundcheck_picture(listener)
        if isinstance(listener, Soundcheck)
        else _watch_picture(listener, listener.players)
    )
    key = {"gone": "live.device_gone", "opening": "live.device_opening", "over": "live.device_over"}
    return {
        "kind": "soundcheck" if is_soundcheck else "line-check",
        "title": words("live.soundcheck" if is_soundcheck else "live.title"),
        "house": listener.house.house.name,
        "clock": clock(listener.now_s),
        "device": words(key.get(state, "live.device_runs"), device=device),
        "gone": state == "gone",
        "problem": problem,
        "practice": words("live.rehearsal_note") if practice else "",
        "seats": list(seats),
        "notes": [str(note) for note in reversed(notes)],
        "ring_out": None if ring_out is None else dict(ring_out),
        "rang": [str(message) for message in reversed(listener.messages) if message.tone_hz is not None][:_RANG],
        **body,
        **_messages(listener),
    }
