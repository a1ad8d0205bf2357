"""Sentences of moves and of a plan's remarks, from the catalogue `texts.toml`: rendered last, read back by nobody."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

from deskhand.findings import say
from deskhand.language import in_language, language, read_catalogue
from deskhand.words import filled, phrase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from deskhand.findings import Finding
    from deskhand.moves.move import Move, Remark


def _catalogue() -> Mapping[str, Any]:
    """Sentences by action and by remark, advice and cautions by name."""
    return _catalogue_in(language())


@cache
def _catalogue_in(code: str) -> Mapping[str, Any]:
    return in_language("deskhand.moves", "texts", read_catalogue("deskhand.moves", "texts"), code)


def sentence(section: str, name: str, values: Mapping[str, Any]) -> str:
    """One sentence of the catalogue with its values.

    Raises
    ------
    KeyError
        A sentence that is not there, or a value that it names.
    """
    return filled(_catalogue()[section][name], values)


def actions() -> Mapping[str, Mapping[str, str]]:
    """From each action to its sentences, to what it answers, and to where they differ from house to house."""
    entries: Mapping[str, Mapping[str, str]] = _catalogue()["move"]
    return entries


def readings() -> Mapping[str, Mapping[str, str]]:
    """From each action to where it differs in a house with in-ear monitors, with wedges, or on the stream."""
    entries: Mapping[str, Mapping[str, str]] = _catalogue()["reading"]
    return entries


def _values(move: Move) -> dict[str, Any]:
    """Values that the sentences of a move name."""
    words = {"side": move.on, **move.facts, "block": move.block}
    return {**move.settings, **words, **{name: phrase(str(words[name] or "")) for name in ("block", "side")}}


def _caution_texts(move: Move) -> list[str]:
    """Sentences of what to mind; where it is written down who hears it on the stage, by name."""
    words = _catalogue()["caution"]
    people = [f"{', '.join(change.people)} ({change.mix})" for change in move.mixes if change.people]
    if not people or len(people) < len(move.mixes):
        return [words[name] for name in move.cautions]
    return [
        filled(words["tell-people"], {"people": " and ".join(people)}) if name == "tell-stage" else words[name]
        for name in move.cautions
    ]


def with_sentences(move: Move, findings: Iterable[Finding]) -> Move:
    """Move with its text, its effect and how to undo it.

    Parameters
    ----------
    move : Move
    findings : iterable of Finding
        Findings of its source: a move that is no setting says what its finding says.

    Raises
    ------
    KeyError
        A sentence or a value that the catalogue or the move does not have.
    """
    values = _values(move)
    if "finding" in move.facts:
        values["finding"] = next(say(finding) for finding in findings if finding.id == move.facts["finding"])
    words = _catalogue()
    text, effect, undo = (filled(words["move"][move.action][part], values) for part in ("text", "effect", "undo"))
    advice = [filled(words["advice"][name], values) for name in move.advice]
    return replace(
        move,
        text="; ".join([text, *advice, *_caution_texts(move)]),
        effect=effect,
        undo=undo,
    )


def brief(move: Move) -> str:
    """Words of what to turn and what to mind, without how to go about it; all of its text where the catalogue lacks a value."""
    words = _catalogue()
    try:
        first = filled(words["move"][move.action]["text"], _values(move))
        return "; ".join([first, *_caution_texts(move)])
    except (KeyError, ValueError, TypeError, AttributeError):
        # a stored check of another version, or one that somebody edited
        return move.text


def remark_text(remark: Remark | str) -> str:
    """Sentence of a reason or of a problem that is left; a string is one already.

    Raises
    ------
    KeyError
        A sentence or a value that the catalogue or the remark does not have.
    """
    if isinstance(remark, str):
        return remark
    side = {"side": phrase(str(remark.facts["side"]))} if "side" in remark.facts else {}
    return filled(_catalogue()["remark"][remark.name], {**remark.facts, **side})
