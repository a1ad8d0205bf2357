"""Answers of a person to who was playing at an input, and what follows from them: nobody's word is guessed, and no speech is recognised."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol

from deskhand.errors import UsageError
from deskhand.live.board import MOST_NAME
from deskhand.live.messages import LiveMessage
from deskhand.recording.names import key
from deskhand.report.words import text as words
from deskhand.words import printable_line

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from deskhand.findings import Finding
    from deskhand.live.entry import PatchEntry
    from deskhand.live.line import PatchList

ASKING: Final = ("turn", "turns", "exchanged", "unlike")
"""Findings that ask who was playing, by what they say: of the turns, and of the sound in the kept weeks."""
_NEW_S: Final = 8.0
"""An answer that was taken stands in the place of the keys so long: read twice. Common practice, no source."""
_ESCAPE, _ERASE, _ENTER = "\x1b", ("\x7f", "\b"), ("\n", "\r")


class Answerable(Protocol):
    """Line check in which it is asked who was playing."""

    line: PatchList
    players: Mapping[str, str]
    """Source to who plays it tonight."""
    messages: list[LiveMessage]

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""

    def name_player(self, source: str, player: str) -> None:
        """Say who plays a source tonight."""


def question_about(entry: PatchEntry) -> Finding | None:
    """Question that stands about an input: who was playing there? None where there is none."""
    return next((finding for finding in entry.findings if finding.what in ASKING and finding.other), None)


def asked_entry(watch: Answerable) -> PatchEntry | None:
    """Input that was asked about last, its question still open; None where there is none."""
    entries = [entry for entry in watch.line.inputs if question_about(entry) is not None]
    return max(entries, key=lambda entry: max(entry.reported_s.values(), default=0.0), default=None)


def answer_as_planned(watch: Answerable, source: str) -> str:
    """Settle that everybody plays at their own input, in another order than the patch list's.

    Parameters
    ----------
    watch : Answerable
    source : str
        Input that was asked about.

    Returns
    -------
    str
        What is settled, for people.

    Raises
    ------
    UsageError
        There is no such input, or nothing is asked about it.
    """
    entry, partner = _asked_pair(watch, source)
    _settle(entry, partner)
    return _told(watch, words("live.as_planned", source=entry.source.name, other=partner.source.name))


def answer_exchanged(watch: Answerable, source: str) -> str:
    """Settle that two players have each other's input tonight: each is written down at the other's, and compared with their own turns.

    Parameters
    ----------
    watch : Answerable
    source : str
        Input that was asked about.

    Raises
    ------
    UsageError
        There is no such input, nothing is asked about it, or nobody wrote down who plays at one of the two.
    """
    entry, partner = _asked_pair(watch, source)
    players = [watch.players.get(member.source.name) or member.source.player or "" for member in (entry, partner)]
    unnamed = [member.source.name for member, player in zip((entry, partner), players, strict=True) if not player]
    if unnamed:
        raise UsageError(
            " and ".join(f'"{name}"' for name in unnamed), words("live.nobody_named"), words("live.type_the_name")
        )
    _settle(entry, partner)
    for member, player in ((entry, players[1]), (partner, players[0])):
        watch.name_player(member.source.name, player)
    settled = words(
        "live.exchanged",
        player=players[1],
        source=entry.source.name,
        other=partner.source.name,
        other_player=players[0],
    )
    return _told(watch, settled)


def answer_player(watch: Answerable, source: str, player: str) -> str:
    """Say who plays an input tonight; a question about it is settled by it. An empty name: its usual player again.

    Raises
    ------
    UsageError
        There is no such input, or the name is too long.
    """
    entry = _entry(watch, source)
    player = printable_line(player)
    if len(player) > MOST_NAME:
        raise UsageError(f'"{source}"', words("live.too_long", most=MOST_NAME), words("live.type_the_name"))
    question = question_about(entry)
    partner = watch.line.by_name.get(str(question.other)) if question is not None else None
    if player and partner is not None:
        partner_player = watch.players.get(partner.source.name) or partner.source.player or ""
        entry_player = watch.players.get(entry.source.name) or entry.source.player or ""
        if entry_player and partner_player and key(player) == key(partner_player):
            return answer_exchanged(watch, source)
        _settle(entry, partner)
    watch.name_player(entry.source.name, player)
    return _told(watch, words("live.plays", player=player, source=entry.source.name) if player else "")


def _entry(watch: Answerable, source: str) -> PatchEntry:
    """Input of a name."""
    entry = watch.line.by_name.get(source)
    if entry is None:
        raise UsageError(f'"{source}"', words("live.no_such_input"), words("live.read_again"))
    return entry


def _asked_pair(watch: Answerable, source: str) -> tuple[PatchEntry, PatchEntry]:
    """Input that is asked about, and the one whose player may have been there."""
    entry = _entry(watch, source)
    question = question_about(entry)
    if question is None:
        # one question stands for both
        asking = (rival for rival in watch.line.inputs if (about := question_about(rival)) and about.other == source)
        entry = next(asking, entry)
        question = question_about(entry)
    partner = watch.line.by_name.get(str(question.other)) if question is not None else None
    if partner is None:
        raise UsageError(f'"{source}"', words("live.not_asked"), words("live.read_again"))
    return entry, partner


def _settle(*entries: PatchEntry) -> None:
    """Drop what is asked about inputs, and ask no more."""
    for entry in entries:
        entry.is_itself, entry.is_settled, entry.question = True, True, None
        entry.reported = {
            name: finding for name, finding in entry.reported.items() if finding.what not in ASKING or not finding.other
        }


def _told(watch: Answerable, text: str) -> str:
    """Answer, told to everybody."""
    if text:
        watch.messages.append(LiveMessage(time_s=watch.now_s, source=None, text=text))
    return text


class AnswerKeys:
    """Answers typed at the terminal: y as planned, e exchanged, w and a name.

    Parameters
    ----------
    watch : Answerable
    """

    def __init__(self, watch: Answerable) -> None:
        self._watch = watch
        self._source = ""
        self._typed: str | None = None
        """Name as far as it is typed; None while none is."""
        self._settled, self._settled_s = "", 0.0
        self.problem = ""
        """Why the last answer was not taken; empty where it was."""

    @property
    def prompt(self) -> str:
        """Line for the screen: the name that is typed, or the keys that answer what is asked; empty where nothing is."""
        if self._typed is not None:
            return words("live.typing", source=self._source, typed=self._typed)
        entry = asked_entry(self._watch)
        question = None if entry is None else question_about(entry)
        if entry is None or question is None:
            is_new = self._watch.now_s - self._settled_s < _NEW_S
            return self.problem or (self._settled if is_new else "")
        return " ".join(
            [self.problem, words("live.answer_keys", source=entry.source.name, other=question.other)]
        ).strip()

    def obey(self, pressed: str) -> bool:
        """Take a key; returns whether it was for an answer."""
        if not pressed:
            return False
        if self._typed is not None:
            self._type(pressed)
            return True
        entry = asked_entry(self._watch)
        if pressed == "w":
            entry = entry or self._watch.line.awaited
            if entry is not None:
                self._source, self._typed, self.problem = entry.source.name, "", ""
            return True
        if pressed not in ("y", "e") or entry is None:
            return False
        self._try(lambda: (answer_as_planned if pressed == "y" else answer_exchanged)(self._watch, entry.source.name))
        return True

    def _type(self, pressed: str) -> None:
        assert self._typed is not None
        if pressed in _ENTER:
            name, self._typed = self._typed.strip(), None
            if name:
                self._try(lambda: answer_player(self._watch, self._source, name))
        elif pressed == _ESCAPE:
            self._typed = None
        elif pressed in _ERASE:
            self._typed = self._typed[:-1]
        elif pressed.isprintable() and len(self._typed) < MOST_NAME:
            self._typed += pressed

    def _try(self, answer: Callable[[], str]) -> None:
        """Give an answer, or say why it cannot be given."""
        try:
            self._settled, self._settled_s = answer(), self._watch.now_s
            self.problem = ""
        except UsageError as error:
            self.problem = f"{error}."
