"""Way of the words to a seat as a sentence and a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.loudspeakers import day_words
from deskhand.report.drawing import WIDTH, escaped
from deskhand.units import number

if TYPE_CHECKING:
    from deskhand.seat.words_path import WordsPath

_LEFT, _BAR, _ROW = 10, 560, 46
"""Measures of the picture. Common practice, no source."""
_MOST: Final = {
    "feed": "Most is lost in the mix: make room for the voice first.",
    "room": "The room takes most: loudspeakers nearer to the listeners help, more level does not.",
    "noise": "The noise takes most.",
}


def fixed(value: float, digits: int) -> str:
    """Number with all its digits, so that columns stand below each other."""
    return f"{value:.{digits}f}".replace("-", "−")


def words_text(path: WordsPath) -> str:
    """Way of the words to a seat in one sentence."""
    parts = []
    measured = "" if path.room_measured_at is None else f", measured {day_words(path.room_measured_at)}"
    if path.audible_pct is not None:
        parts.append(f"the feed leaves the voice {path.feed_word} ({number(path.audible_pct, 0)} % audible)")
    if path.sti_room is not None:
        parts.append(f"the room alone is {path.room_word} for speech (STI {fixed(path.sti_room, 2)}{measured})")
    if path.sti is not None and path.noise_dba is not None:
        basis = "measured" if path.noise_basis == "calibrated" else "as read on a meter"
        parts.append(
            f"with {number(path.noise_dba, 0)} dBA of noise ({basis}) under speech of {number(path.speech_dba or 0.0, 0)} dBA it is {path.word} "
            f"(STI {fixed(path.sti, 2)})"
        )
    elif path.sti is not None:
        parts.append(
            f"at {number(path.speech_dba or 0.0, 0)} dBA and without any noise it is {path.word} (STI {fixed(path.sti, 2)})"
        )
    if not parts:
        return f"{path.seat}: whether the words arrive cannot be told: {path.not_measured.get('sti_room', 'nothing is measured')}."
    return f"{path.seat}: {', '.join(parts)}." + (f" {_MOST[path.taker]}" if path.taker else "")


def words_picture(path: WordsPath) -> str:
    """Picture of the way of the words: one bar each for the feed, the room, and room and noise together; longer is better."""
    bars = []
    if path.audible_pct is not None:
        bars.append(
            ("the feed", path.audible_pct / 100.0, f"{path.feed_word}, {number(path.audible_pct, 0)} % audible")
        )
    if path.sti_room is not None:
        bars.append(("the room", path.sti_room, f"{path.room_word}, STI {fixed(path.sti_room, 2)}"))
    if path.sti is not None:
        label = "room and noise" if path.noise_dba is not None else "room, at this level"
        bars.append((label, path.sti, f"{path.word}, STI {fixed(path.sti, 2)}"))
    if not bars:
        return ""
    height = 20 + _ROW * len(bars)
    parts = [f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escaped(words_text(path))}">']
    for count, (label, share, words) in enumerate(bars):
        y = 18 + _ROW * count
        parts.append(f'<text x="{_LEFT}" y="{y}">{escaped(label)}: {escaped(words)}</text>')
        parts.append(f'<rect class="grid" fill="none" x="{_LEFT}" y="{y + 6}" width="{_BAR}" height="16"/>')
        parts.append(
            f'<rect class="level" x="{_LEFT}" y="{y + 6}" width="{_BAR * min(max(share, 0.0), 1.0):.1f}" height="16"/>'
        )
    parts.append("</svg>")
    return "".join(parts)
