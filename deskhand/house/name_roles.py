"""Roles told by the labels of a desk: each by its own words, then by what stands beside it; what no word tells is left open."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final, cast

from deskhand.house.name_words import corrected, parts_of_compound, senses_of, split_words, word_list
from deskhand.house.roles import ROLES, RoleName
from deskhand.recording.names import is_number

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from deskhand.house.name_words import NeighbourRule

_OPEN: Final[RoleName] = next(role.name for role in ROLES.values() if role.unclear)
_LEAD: Final = next(role.name for role in ROLES.values() if role.leads)
_BACKING: Final = next(role.name for role in ROLES.values() if role.sings and not role.leads)
_SPEECH: Final = next(role.name for role in ROLES.values() if role.speaks)
_AUDIENCE: Final = next(role.name for role in ROLES.values() if role.hears_room)
_ACOUSTIC: Final = next(role.name for role in ROLES.values() if role.resonant_body)
_GUITAR: Final = next(role.name for role in ROLES.values() if role.family == "guitar" and not role.resonant_body)
_BASS: Final[RoleName] = "bass"
_KEYS: Final = next(role.name for role in ROLES.values() if role.tone_family == "keys" and not role.finished)
_ASK: Final = "ask"
_ANY: Final = "any"
_NEIGHBOURS: Final = 2
"""Inputs on either side that tell of one between them: a kit lies side by side on a desk. Set by the tuning half of `validations/names.py`."""
_SHORTEST_LIST: Final = 4
"""Labels from which on the order of the alphabet is no accident: one order in 24. Arithmetic."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleGuess:
    """Role as a label and its neighbours tell it."""

    role: RoleName
    """The role that stands for whatever is not known, where no word tells one."""
    is_open: bool
    """True where a person has to be asked."""
    is_mix: bool = False
    """True for a track of the desk's own mix."""
    leads: bool = False
    """True for a voice whose label says that it leads."""
    slip: str | None = None
    """Word that a typing slip was read as."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Label:
    """Label as words, with what they tell."""

    words: tuple[str, ...]
    slip: str | None
    guess: RoleGuess | None
    """None where only the neighbours can tell."""


def _known_words(name: str) -> tuple[tuple[str, ...], str | None]:
    """Words of a name, compounds taken apart and slips put right; the last word that was put right."""
    list_ = word_list()
    words: list[str] = []
    slip = None
    for word in split_words(name):
        listed = any(
            word in group
            for group in (
                list_.senses, list_.by_neighbour, list_.mix, list_.acoustic, list_.electric, list_.microphone, list_.player, list_.lead,
            )
        )  # fmt: skip
        if listed or not word.isalpha() or word.removesuffix("s") in list_.senses:
            words.append(word)
            continue
        parts = parts_of_compound(word)
        right = corrected(word) if parts == [word] else None
        slip = right or slip
        words += [right] if right else parts
    return tuple(words), slip


def languages_of(labels: Iterable[Sequence[str]]) -> frozenset[str]:
    """Languages, other than English, that sure words of the labels belong to."""
    return frozenset(
        language
        for words in labels
        for _, sense in senses_of(list(words))
        if sense.strength == "sure" and "en" not in sense.languages
        for language in sense.languages
    )


def languages_of_names(names: Iterable[str]) -> frozenset[str]:
    """Languages, other than English, in which some of the names are written."""
    return languages_of(_known_words(name)[0] for name in names)


def _is_instrument(role: str) -> bool:
    facts = ROLES[role]
    return not (facts.is_voice or facts.metronome or facts.to_stage or facts.hears_room or facts.finished)


def _one_role(roles: set[str]) -> str:
    """Role of a name that tells several; "ask" where they do not go together."""
    if len(roles) == 1:
        return next(iter(roles))
    for pair, role in word_list().pairs_of_roles:
        if _ANY in pair and pair - {_ANY} <= roles:
            return role
        if pair == roles:
            return role
    voices = {role for role in roles if ROLES[role].is_voice}
    instruments = {role for role in roles if _is_instrument(role)}
    if voices | instruments != roles:
        return _ASK
    if voices == {_SPEECH}:  # a pastor's guitar
        return _one_role(instruments)
    if voices and _SPEECH not in voices:  # the voice of whoever plays it
        return _BACKING
    return _ASK


def _has_acoustic_letter(words: Sequence[str]) -> bool:
    """True where an "a" stands in front of a guitar ("A-Gitarre")."""
    senses = word_list().senses
    return any(letter == "a" and word in senses and senses[word].role == _GUITAR for letter, word in pairwise(words))


def _told(words: Sequence[str], languages: frozenset[str]) -> str | None:
    """Role by the words of a label alone: a role, "ask" where they contradict each other, None where none tells."""
    list_ = word_list()
    senses = [sense for _, sense in senses_of(list(words))]
    sure = {sense.role for sense in senses if sense.strength == "sure"}
    weak = {
        sense.role
        for sense in senses
        if sense.strength == "weak" or (sense.strength == "local" and sense.languages & languages)
    }
    rules = [list_.by_neighbour[word] for word in words if word in list_.by_neighbour]
    if sure:
        sure |= {rule.otherwise for rule in rules if rule.otherwise}
    plays = any(word in list_.player for word in words)
    leads = any(word in list_.lead for word in words)
    if sure == {_LEAD} and (_BACKING in weak or (plays and not leads)):
        return _BACKING
    if sure == {_KEYS} and plays:  # a keyboard player's voice has its own word: this may be a drum machine
        return _ASK
    if _GUITAR in sure and (any(word in list_.acoustic for word in words) or _has_acoustic_letter(words)):
        sure = sure - {_GUITAR} | {_ACOUSTIC}
    if sure == {_BASS, _KEYS} and any(word in list_.bass_keys for word in words):
        return _BASS
    if _LEAD in sure and leads and all(_is_instrument(role) for role in sure - {_LEAD}):
        return _LEAD
    if sure == {_AUDIENCE} and (rules or any(_is_instrument(role) or ROLES[role].speaks for role in weak)):
        return _ASK  # a handheld for the audience's questions, an ambient pad
    if any(ROLES[role].finished for role in sure or weak) and any(word in list_.air for word in words):
        return _ASK  # the DJ's microphone
    if sure == {_BASS} and "tom" in words:  # Tom's bass, or the lowest tom
        return _ASK
    if sure:
        return _one_role(sure)
    if weak == {_SPEECH, _AUDIENCE}:  # the hall's handheld
        return _SPEECH
    if weak and any(word in list_.mix for word in words):
        return _ASK
    if plays and weak and not any(ROLES[role].kit or ROLES[role].finished for role in weak):
        return _ASK
    return _one_role(weak) if weak else None


def _is_mix(words: Sequence[str]) -> bool:
    """True where a label says the desk's own mix, and nothing but a side besides."""
    list_ = word_list()
    sides = {word for row in list_.sides for word in row.left | row.right}
    return " ".join(words) in list_.mix or " ".join(word for word in words if word not in sides) in list_.mix


def _read(name: str, words: tuple[str, ...], slip: str | None, languages: frozenset[str]) -> _Label:
    """Label read by itself."""
    nothing = RoleGuess(role=_OPEN, is_open=True)
    if is_number(name):
        return _Label(words=words, slip=None, guess=nothing)
    role = _told(words, languages)
    if role is None:
        if _is_mix(words):
            return _Label(words=words, slip=None, guess=RoleGuess(role=_OPEN, is_open=False, is_mix=True))
        return _Label(words=words, slip=slip, guess=None if _rule_of(words, languages) else nothing)
    if role == _ASK:
        return _Label(words=words, slip=slip, guess=nothing)
    leads = ROLES[role].leads and any(word in word_list().lead for word in words)
    guess = RoleGuess(role=cast("RoleName", role), is_open=False, leads=leads, slip=slip)
    return _Label(words=words, slip=slip, guess=guess)


def _rule_of(words: Sequence[str], languages: frozenset[str]) -> NeighbourRule | None:
    """Rule of the first word whose role its neighbours tell, in the languages of the desk."""
    rules = word_list().by_neighbour
    return next(
        (
            rules[word]
            for word in words
            if word in rules and (not rules[word].languages or rules[word].languages & languages)
        ),
        None,
    )


def _by_neighbours(
    label: _Label, index: int, roles: Sequence[str | None], *, rule: NeighbourRule, is_ordered: bool
) -> str | None:
    """Role of a label that only its neighbours tell; None where they do not."""
    list_ = word_list()
    is_numbered = any(word.isdigit() for word in label.words)
    if rule.numbered and is_numbered:
        return rule.numbered
    if len(roles) == 1:
        return rule.lone

    def nearest(kind: str) -> tuple[int, int]:
        """Distance to the nearest input of a kind; one in front goes before one behind."""
        return min(
            (
                (abs(index - position), int(position > index))
                for position, role in enumerate(roles)
                if role in list_.near[kind]
            ),
            default=(len(roles), 1),
        )

    by_distance = sorted((nearest(kind), role) for kind, role in rule.near)
    if is_ordered and by_distance[0][0][0] <= _NEIGHBOURS:
        return by_distance[0][1]
    on_desk = [role for kind, role in rule.near if any(desk_role in list_.near[kind] for desk_role in roles)]
    if rule.otherwise or not rule.anywhere or not on_desk:
        return rule.otherwise if is_ordered or not on_desk else None
    if is_ordered:
        return on_desk[0] if len(on_desk) == 1 else None
    return None if is_numbered else on_desk[0]


def _with_letters(labels: list[_Label]) -> list[_Label]:
    """Labels in which "guit E" and "guit A" beside each other, without a "guit B", are electric and acoustic."""
    ends = {label.words for label in labels}
    lettered = []
    for label in labels:
        stem, letter = label.words[:-1], label.words[-1:]
        if (
            label.guess is not None
            and label.guess.role == _GUITAR
            and letter == ("a",)
            and (*stem, "e") in ends
            and (*stem, "b") not in ends
        ):
            label = replace(label, guess=replace(label.guess, role=_ACOUSTIC))
        lettered.append(label)
    return lettered


def guess_roles(names: Sequence[str], *, is_ordered: bool | None = None) -> list[RoleGuess]:
    """Roles of the inputs of one desk, by their labels.

    Parameters
    ----------
    names : sequence of str
        In the order of the desk. A single name is read without a desk around it.
    is_ordered : bool, optional
        False where names stand in another order than the desk's, so that none has neighbours; by default, where they are sorted.
    """
    known = [_known_words(name) for name in names]
    languages = languages_of(words for words, _ in known)
    labels = _with_letters(
        [_read(name, words, slip, languages) for name, (words, slip) in zip(names, known, strict=True)]
    )
    folded_names = [" ".join(label.words) for label in labels]
    if is_ordered is None:
        is_ordered = len(names) < _SHORTEST_LIST or folded_names != sorted(folded_names)
    roles: list[str | None] = [
        label.guess.role if label.guess and not (label.guess.is_open or label.guess.is_mix) else None
        for label in labels
    ]
    waiting = [index for index, label in enumerate(labels) if label.guess is None]
    progress = True
    while progress:
        progress = False
        for index in waiting:
            if roles[index] is None:
                rule = _rule_of(labels[index].words, languages)
                if rule is not None:
                    roles[index] = _by_neighbours(labels[index], index, roles, rule=rule, is_ordered=is_ordered)
                progress = progress or roles[index] is not None
    return [
        label.guess or RoleGuess(role=cast("RoleName", role or _OPEN), is_open=role is None, slip=label.slip)
        for label, role in zip(labels, roles, strict=True)
    ]


def guess_role(name: str) -> RoleName:
    """Role that a track's name tells by itself; "other" when it tells none.

    Examples
    --------
    >>> guess_role("E.Gtr 1")
    'guitar'
    >>> guess_role("VOX TOM")
    'lead vocal'
    """
    return guess_roles([name])[0].role
