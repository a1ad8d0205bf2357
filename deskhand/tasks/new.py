"""A house file proposed from track names: pairs by their sides, roles by the words of the trade, and what has to be asked."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.errors import UsageError
from deskhand.house import ROLES, Desk, House, HouseFile, Source, Vocal, find_house
from deskhand.house.name_roles import guess_roles, languages_of_names
from deskhand.house.name_words import split_words, word_list
from deskhand.house.sides import pair_sides
from deskhand.recording.names import key
from deskhand.units import number
from deskhand.words import printable_line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from deskhand.house.name_roles import RoleGuess
    from deskhand.recording import Recording
    from deskhand.tasks.role_by_sound import SoundGuess

_FEWEST_NUMBERS: Final = 2
"""Numbers from which on they may count the desk's channels; and at least half of the sources have one. Common practice, no source."""
_CHOOSE: Final = "not clear from its name: choose one"


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseProposal:
    """House as the names of a recording propose it, for a person to put right."""

    house: HouseFile
    remarks: dict[str, str]
    """Source to what has to be asked or looked at beside its role."""

    @property
    def asked(self) -> list[str]:
        """Sources whose role no word tells: somebody has to choose it."""
        return [source for source, remark in self.remarks.items() if remark == _CHOOSE]


def _remark(guess: RoleGuess) -> str:
    """Remark beside a role that is not simply known; empty for one that is."""
    if guess.is_open:
        return _CHOOSE
    if guess.slip:
        return f'read as "{guess.slip}": put it right where that is wrong'
    return "an instrument without a role of its own" if ROLES[guess.role].unclear else ""


def propose_house(names: Sequence[str], *, name: str, label_numbers: Sequence[str | None] = ()) -> HouseProposal:
    """House as the track names of a recording propose it.

    Parameters
    ----------
    names : sequence of str
        In the order of the recording.
    name : str
        Of the house.
    label_numbers : sequence of str or None, optional
        Number that each track's label begins with; the desk's channels, where each source has its own.

    Examples
    --------
    >>> proposal = propose_house(["OH izq", "OH der", "Ana"], name="Tern Street Hall", label_numbers=["5", "6", "7"])
    >>> [(source.name, source.role, source.channel) for source in proposal.house.source]
    [('OH', 'overheads', '5/6'), ('Ana', 'other', '7')]
    >>> proposal.remarks
    {'Ana': 'not clear from its name: choose one'}
    """
    labelled = _without_pairs_of_speech(names, pair_sides(names, languages_of_names(names)))
    channels = _desk_channels([tracks for _, tracks in labelled], label_numbers)
    guesses = guess_roles([label for label, _ in labelled], is_ordered=True if any(channels) else None)
    sources: list[Source] = []
    remarks: dict[str, str] = {}
    leads: list[tuple[bool, str]] = []
    mix: list[str | int] = []
    used_names: set[str] = set()
    for (label, tracks), guess, channel in zip(labelled, guesses, channels, strict=True):
        if guess.is_mix:
            mix += [names[track] for track in tracks]
            continue
        chosen = label
        while key(chosen) in used_names:
            chosen = f"{chosen} {tracks[0] + 1}"
        used_names.add(key(chosen))
        sources.append(Source(name=chosen, role=guess.role, tracks=[names[track] for track in tracks], channel=channel))
        if _remark(guess):
            remarks[chosen] = _remark(guess)
        if ROLES[guess.role].leads:
            leads.append((not guess.leads, chosen))
    # the first that is called lead; among several that are not, the first on the desk
    lead = min(leads, key=lambda voice: voice[0])[1] if leads else None
    return HouseProposal(
        house=HouseFile(
            house=House(name=name), desk=Desk(mix=mix), source=sources, vocal=Vocal(source=lead) if lead else None
        ).with_seats_apart,
        remarks=remarks,
    )


def _without_pairs_of_speech(
    names: Sequence[str], labelled: list[tuple[str, tuple[int, ...]]]
) -> list[tuple[str, tuple[int, ...]]]:
    """Sources with the left and right microphone of a lectern apart: one talker on two inputs is no stereo. Common practice, no source."""
    guesses = guess_roles([label for label, _ in labelled])
    apart: list[tuple[str, tuple[int, ...]]] = []
    for (label, tracks), guess in zip(labelled, guesses, strict=True):
        if ROLES[guess.role].speaks:
            apart += [(names[track], (track,)) for track in tracks]
        else:
            apart.append((label, tracks))
    return sorted(apart, key=lambda source: min(source[1]))


def _desk_channels(tracks: Sequence[tuple[int, ...]], label_numbers: Sequence[str | None]) -> list[str | None]:
    """Channel of each source by the numbers of its labels; none at all where they cannot be the desk's."""
    none: list[str | None] = [None] * len(tracks)
    if not label_numbers:
        return none
    numbered: list[list[str]] = []
    for positions in tracks:
        labels = [label_numbers[position] for position in positions]
        # the two tracks of a stereo file have one label
        numbered.append([] if None in labels else list(dict.fromkeys("/".join(map(str, labels)).split("/"))))
    used = [number for numbers in numbered for number in numbers]
    count = sum(1 for numbers in numbered if numbers)
    if len(set(used)) < len(used) or "0" in used or count < _FEWEST_NUMBERS or 2 * count < len(tracks):
        return none
    return ["/".join(numbers) or None for numbers in numbered]


def guess_house(names: Sequence[str], *, name: str) -> HouseFile:
    """House as the track names of a recording propose it, without what has to be asked.

    Parameters
    ----------
    names : sequence of str
        In the order of the recording.
    name : str
        Of the house.
    """
    return propose_house(names, name=name).house


def proposal_of(recording: Recording, *, name: str) -> HouseProposal:
    """House as a recording's labels propose it, with the desk's channels where its numbers tell them."""
    return propose_house(
        [track.name for track in recording.tracks],
        name=name,
        label_numbers=[track.label_number for track in recording.tracks],
    )


def level_questions(house: HouseFile, levels_dbfs: Mapping[str, float | None]) -> dict[str, str]:
    """Questions about the sources that come in as far from nominal as has to be put right, such as "comes in 6 dB low: is that meant?".

    Parameters
    ----------
    house : HouseFile
        As proposed; its nominal stays, so that no wrong gain becomes the house's own.
    levels_dbfs : mapping
        Source to its level while it plays, in dBFS.
    """
    questions = {}
    for source in house.source:
        level_dbfs = levels_dbfs.get(source.name)
        if level_dbfs is None or not ROLES[source.role].own_level:
            continue
        off_db = level_dbfs - house.nominal_dbfs(source)
        if abs(off_db) >= house.level_limits_db(source)[1]:
            direction = "low" if off_db < 0 else "high"
            questions[source.name] = f"comes in {number(abs(off_db), 0)} dB {direction}: is that meant?"
    return questions


def microphones_of_one(house: HouseFile) -> list[tuple[str, str]]:
    """Pairs of single-track sources that are microphones of one instrument: names alike but for where the microphone is.

    "kick in" and "kick out", "caja arriba" and "caja abajo", "bass di" and "bass mic".
    """
    microphone = word_list().microphone
    if "de" in languages_of_names(source.name for source in house.source):
        microphone |= word_list().german_microphone
    families: dict[tuple[str, str], list[str]] = {}
    for source in house.source:
        if not ROLES[source.role].several_microphones or len(source.tracks) != 1 or not source.used:
            continue
        stem = " ".join(word for word in split_words(source.name) if word not in microphone)
        families.setdefault((source.role, stem), []).append(source.name)
    return [(members[0], further) for members in families.values() for further in members[1:]]


def refuse_hiding(target: Path, *, fix: str = "add what is missing to it, or name another place with --output") -> None:
    """Refuse a new house file that would hide the one above it from the recordings below.

    Parameters
    ----------
    target : Path
        The new file, not written yet.
    fix : str
        Advice for whoever is refused.

    Raises
    ------
    UsageError
        A house file lies in a folder above.
    """
    above = find_house(target.parent)
    if above is not None:
        raise UsageError(
            str(above),
            f"is the house file of this recording already; a {target.name} in {target.parent.resolve().name} would hide it",
            fix,
        )


def _toml_text(text: str) -> str:
    # a JSON string is a TOML string, but for DEL, which TOML wants escaped (TOML 1.0.0, String)
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    """Text on one line: a name comes from a file, and must not end its comment."""
    return printable_line(text)


def _toml_list(tracks: Sequence[str | int]) -> str:
    return "[" + ", ".join(_toml_text(track) if isinstance(track, str) else str(track) for track in tracks) + "]"


def _question_lines(question: str, level: str) -> list[str]:
    """Question about a level, and the level that it is about."""
    return [
        f"# question: {question} If it is, write: nominal = {_toml_text(level)}",
        f"asked_level = {_toml_text(level)}      # once that is answered, either way, take this line out",
    ]


def _source_lines(source: Source, remark: str, comment: str | None) -> list[str]:
    """Lines of a source, with a remark beside its role and a comment on what was heard."""
    lines = [
        "",
        "[[source]]",
        f"name = {_toml_text(source.name)}",
        f"role = {_toml_text(source.role)}" + (f"                  # {_comment(remark)}" if remark else ""),
        f"tracks = {_toml_list(source.tracks)}",
        '# channel = ""                  # on the desk'
        if source.channel is None
        else f"channel = {_toml_text(str(source.channel))}",
        f"patch = {_toml_text(source.patch)}"
        if source.patch
        else '# patch = ""                    # where it is plugged in',
    ]
    return lines if comment is None else [*lines, f"# heard: {_comment(comment)}"]


def _head_lines(house: HouseFile) -> list[str]:
    """Lines in front of the sources."""
    lines = [
        "# The house: what stays the same from week to week. Guessed from a recording's track names: read it through once,",
        "# put right what is wrong, and fill in channel and patch, so that every finding can say where to go.",
        "",
        "[house]",
        f"name = {_toml_text(house.house.name)}",
        'nominal = "-18 dBFS"            # where a source should sit: its usual RMS level while it plays',
        f'mains = "{house.house.mains_hz:g} Hz"                 # 60 Hz in the Americas and parts of Asia',
        f"tap = {_toml_text(house.house.tap):<26}# where the recording takes its tracks: preamp, after-gain or after-chain",
        "",
        "[desk]                          # what can be set at all",
        'gain_step = "1 dB"              # preamp',
        'trim_step = "0.5 dB"            # digital',
        'monitors = "after-gain"         # what the players\' mixes follow',
    ]
    if house.desk.mix:
        lines.append(f"mix = {_toml_list(house.desk.mix)}   # tracks of the desk's own mix, as their names say")
    lines += [
        "",
        "# [room]                        # fill in once it was measured with a class 1 or 2 meter",
        '# level = "88 dBA"              # at the mix position, when the mix sits at mix_loudness',
        '# mix_loudness = "-23 LUFS"',
        "",
        "# Roles: lead vocal, backing vocal, speech, guitar, acoustic guitar, bass, keys, kick, snare, toms, overheads,",
        "# percussion, playback, audience, click, talkback, seat, other. Click and talkback must never be in a mix;",
        "# a seat is a measurement microphone where people sit, and no part of the show.",
    ]
    return lines


def house_text(
    house: HouseFile,
    *,
    heard: Mapping[str, str],
    remarks: Mapping[str, str] | None = None,
    levels_dbfs: Mapping[str, float | None] | None = None,
    faders_db: Mapping[str, float | None] | None = None,
    sound_guesses: Mapping[str, SoundGuess] | None = None,
) -> str:
    """A commented house file.

    Parameters
    ----------
    house : HouseFile
        As guessed.
    heard : dict
        Source name to a comment on what was heard of it, such as its level.
    remarks : dict, optional
        Source name to what has to be asked or looked at beside its role.
    levels_dbfs : dict, optional
        Source name to its level while it plays: a question where it is far from nominal.
    faders_db : dict, optional
        Source name to its fader in the recorded mix, against the others; None or absent where it is not known.
    sound_guesses : dict, optional
        Source name to the role that it sounds like: a question, where its role is still open.
    """
    levels_dbfs = levels_dbfs or {}
    questions = level_questions(house, levels_dbfs)
    lines = _head_lines(house)
    for source in (*house.source, *house.seat):
        remark = (remarks or {}).get(source.name) or (_CHOOSE if ROLES[source.role].unclear else "")
        lines += _source_lines(source, remark, heard.get(source.name))
        guess = (sound_guesses or {}).get(source.name)
        if guess is not None and ROLES[source.role].unclear:
            lines.append(f"# question: {guess.question} If it is, write: {guess.answer}")
        if (fader_db := (faders_db or {}).get(source.name)) is not None:
            lines.append(f'fader = "{fader_db:g} dB"                 # in the recorded mix, against the others')
        if source.name in questions:
            lines += _question_lines(questions[source.name], f"{levels_dbfs[source.name]:.1f} dBFS")
    if house.vocal:
        lines += [
            "",
            "[vocal]                         # whose words must be heard",
            f"source = {_toml_text(house.vocal.source)}",
        ]
    return "\n".join(lines) + "\n"
