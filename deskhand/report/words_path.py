"""Way of the words to a seat as a sentence and a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.loudspeakers import day_words
from deskhand.report.drawing import WIDTH, escaped
from deskhand.units import pointed
from deskhand.words import phrase

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
    return pointed(f"{value:.{digits}f}").replace("-", "−")


def words_text(path: WordsPath) -> str:
    """Way of the words to a seat in one sentence."""
    parts = []
    measured = "" if path.room_measured_at is None else phrase(", measured {day}", day=day_words(path.room_measured_at))
    if path.audible_pct is not None:
        entry = "the feed leaves the voice {word} ({share:0} % audible)"
        parts.append(phrase(entry, word=phrase(path.feed_word or ""), share=path.audible_pct))
    if path.sti_room is not None:
        entry = "the room alone is {word} for speech (STI {sti}{measured})"
        parts.append(phrase(entry, word=phrase(path.room_word or ""), sti=fixed(path.sti_room, 2), measured=measured))
    if path.sti is not None and path.noise_dba is not None:
        basis = phrase("measured" if path.noise_basis == "calibrated" else "as read on a meter")
        parts.append(
            phrase(
                "with {noise:0} dBA of noise ({basis}) under speech of {speech:0} dBA it is {word} (STI {sti})",
                noise=path.noise_dba,
                basis=basis,
                speech=path.speech_dba or 0.0,
                word=phrase(path.word or ""),
                sti=fixed(path.sti, 2),
            )
        )
    elif path.sti is not None:
        parts.append(
            phrase(
                "at {speech:0} dBA and without any noise it is {word} (STI {sti})",
                speech=path.speech_dba or 0.0,
                word=phrase(path.word or ""),
                sti=fixed(path.sti, 2),
            )
        )
    if not parts:
        reason = phrase(path.not_measured.get("sti_room", "nothing is measured"))
        return phrase("{seat}: whether the words arrive cannot be told: {reason}.", seat=path.seat, reason=reason)
    return f"{path.seat}: {', '.join(parts)}." + (f" {phrase(_MOST[path.taker])}" if path.taker else "")


def words_picture(path: WordsPath) -> str:
    """Picture of the way of the words: one bar each for the feed, the room, and room and noise together; longer is better."""
    bars = []
    if path.audible_pct is not None:
        bars.append(
            (
                phrase("the feed"),
                path.audible_pct / 100.0,
                phrase("{word}, {share:0} % audible", word=phrase(path.feed_word or ""), share=path.audible_pct),
            )
        )
    if path.sti_room is not None:
        bars.append(
            (phrase("the room"), path.sti_room, f"{phrase(path.room_word or '')}, STI {fixed(path.sti_room, 2)}")
        )
    if path.sti is not None:
        label = "room and noise" if path.noise_dba is not None else "room, at this level"
        bars.append((phrase(label), path.sti, f"{phrase(path.word or '')}, STI {fixed(path.sti, 2)}"))
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
