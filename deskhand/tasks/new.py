"""A house file guessed from track names: pairs by their sides, roles by the usual abbreviations of the trade."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Final

from deskhand.errors import UsageError
from deskhand.house import ROLES, House, HouseFile, RoleName, Source, Vocal, find_house
from deskhand.recording.names import key, side_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

# The first that fits decides, so the particular stands before the general. Abbreviations: common practice, no source.
_ROLE_WORDS: Final[tuple[tuple[RoleName, str], ...]] = (
    ("backing vocal", r"(?:keys|gtr|guitar|bass|drum|drums|tom|perc) (?:vox|voc|vocal)"),
    ("click", r"click|clk|metronome|count ?in|cue|guide"),
    ("talkback", r"tb|t/b|talk ?back|talk|shout"),
    ("audience", r"aud|audience|amb|ambience|ambient|crowd|room|hall"),
    ("playback", r"playback|pb|track|tracks|trx|trax|loop|loops|video|vid|laptop|computer|pc|media|bt|aux in|music"),
    ("kick", r"kick|kik|kck|bd|bass drum|kd"),
    ("snare", r"snare|sn|snr|sd|snare ?drum"),
    ("toms", r"tom|toms|rack|floor|flr|tom ?\d"),
    ("overheads", r"oh|ohs|ohl|ohr|overhead|overheads|o/h|cym|cymbal|cymbals|hh|hi ?hat|hat|ride"),
    ("percussion", r"perc|percussion|cajon|conga|congas|bongo|bongos|shaker|djembe|tamb|tambourine|timbales"),
    ("acoustic guitar", r"agtr|ag|acgtr|ac gtr|acou|acoustic|aco|a gtr|acoustic gtr|acoustic guitar|nylon|ukulele|uke|mandolin"),
    ("bass", r"bass|bs|bass di|bass amp|bass mic|sub bass|double bass|upright"),
    ("guitar", r"egtr|eg|e gtr|el gtr|gtr|guitar|git|elec|electric|gtrs|guitars|rhythm|lead gtr"),
    ("keys", r"keys|key|kbd|keyboard|pno|piano|synth|syn|pad|organ|org|ep|clav|strings"),
    ("backing vocal", r"bgv|bv|bvs|bvox|bgvs|backing|backing vox|backing vocal|choir|harmony|back vox|backup"),
    ("speech", r"spk|speech|speaker|pulpit|lectern|headset|lav|lapel|host|mc|pastor|preacher|handheld|hh mic|announce|panel|reader"),
    ("lead vocal", r"vox|vocal|voc|lead|lead vox|lead vocal|lv|ld vox|singer|voice|lead voice"),
)  # fmt: skip


def guess_role(name: str) -> RoleName:
    """The role that a track's name tells, "other" when it tells none.

    Examples
    --------
    >>> guess_role("E.Gtr 1")
    'guitar'
    """
    text = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    text = re.sub(r"[^a-z0-9/]+", " ", text.casefold()).strip()
    text = re.sub(r"\s+", " ", text)
    # numbers at the end of a word count players, not roles
    words = f" {re.sub(r'(?<=[a-z])[0-9]+', '', text)} "
    for role, pattern in _ROLE_WORDS:
        if re.search(rf" (?:{pattern})s? ", words) or re.search(rf" (?:{pattern})s? ", f" {text} "):
            return role
    return "other"


def _pairs(names: Sequence[str]) -> list[tuple[str, tuple[int, ...]]]:
    """Sources as (name, track positions): neighbours and others that differ only in their side are pairs."""
    known = {key(name) for name in names}

    def side_of_pair(name: str) -> tuple[str, str] | None:
        # "OHL" ends with a side, "GTR" with a letter: only the other one beside it tells
        if (
            len(name) > 2
            and name[-1] in "LR"
            and name[-2].isupper()
            and key(name[:-1] + "LR"[name[-1] == "L"]) in known
        ):
            return name[:-1].strip(" _.-("), "left" if name[-1] == "L" else "right"
        return side_of(name)

    sides: dict[tuple[str, str], int] = {}
    for position, name in enumerate(names):
        side = side_of_pair(name)
        if side is not None:
            sides.setdefault((key(side[0]), side[1]), position)
    sources: list[tuple[str, tuple[int, ...]]] = []
    for position, name in enumerate(names):
        side = side_of_pair(name)
        if side is not None:
            left, right = (sides.get((key(side[0]), which)) for which in ("left", "right"))
            if left is not None and right is not None and position in (left, right):
                if position == min(left, right):
                    sources.append((side[0], (left, right)))
                continue
        sources.append((name, (position,)))
    return sources


def guess_house(names: Sequence[str], *, name: str) -> HouseFile:
    """A house guessed from the track names of a recording.

    Parameters
    ----------
    names : sequence of str
        In the order of the recording.
    name : str
        Of the house.
    """
    sources: list[Source] = []
    used_names: set[str] = set()
    for source_name, tracks in _pairs(names):
        chosen = source_name
        while key(chosen) in used_names:
            chosen = f"{chosen} {tracks[0] + 1}"
        used_names.add(key(chosen))
        sources.append(Source(name=chosen, role=guess_role(source_name), tracks=[names[track] for track in tracks]))
    lead = next((source.name for source in sources if ROLES[source.role].leads), None)
    return HouseFile(house=House(name=name), source=sources, vocal=Vocal(source=lead) if lead else None)


_MIC_WORDS: Final = frozenset(
    {"in", "out", "inside", "outside", "top", "bottom", "btm", "bot", "up", "down", "di", "mic", "amp", "cab", "near", "far", "sub", "line"}
)  # fmt: skip


def microphones_of_one(house: HouseFile) -> list[tuple[str, str]]:
    """Pairs of single-track sources that are microphones of one instrument: names alike but for where the microphone is.

    "kick in" and "kick out", "snare top" and "snare bottom", "bass di" and "bass mic".
    """
    families: dict[tuple[str, str], list[str]] = {}
    for source in house.source:
        if not ROLES[source.role].several_microphones or len(source.tracks) != 1 or not source.used:
            continue
        words = re.findall(r"[a-z]+|\d+", source.name.casefold())
        stem = " ".join(word for word in words if word not in _MIC_WORDS)
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


def house_text(house: HouseFile, *, heard: dict[str, str]) -> str:
    """A commented house file.

    Parameters
    ----------
    house : HouseFile
        As guessed.
    heard : dict
        Source name to a comment on what was heard of it, such as its level.
    """
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
        "",
        "# [room]                        # fill in once it was measured with a class 1 or 2 meter",
        '# level = "88 dBA"              # at the mix position, when the mix sits at mix_loudness',
        '# mix_loudness = "-23 LUFS"',
        "",
        "# Roles: lead vocal, backing vocal, speech, guitar, acoustic guitar, bass, keys, kick, snare, toms, overheads,",
        "# percussion, playback, audience, click, talkback, other. Click and talkback must never be in a mix.",
    ]
    for source in house.source:
        lines += ["", "[[source]]", f"name = {_toml_text(source.name)}"]
        doubt = "                  # not clear from its name: choose one" if ROLES[source.role].unclear else ""
        lines.append(f"role = {_toml_text(source.role)}{doubt}")
        tracks = ", ".join(_toml_text(track) if isinstance(track, str) else str(track) for track in source.tracks)
        lines.append(f"tracks = [{tracks}]")
        lines.append(
            f"channel = {_toml_text(str(source.channel))}"
            if source.channel is not None
            else '# channel = ""                  # on the desk'
        )
        lines.append(
            f"patch = {_toml_text(source.patch)}"
            if source.patch
            else '# patch = ""                    # where it is plugged in'
        )
        if source.name in heard:
            lines.append(
                "# heard: " + " ".join("".join(c if c.isprintable() else " " for c in heard[source.name]).split())
            )
    if house.vocal:
        lines += [
            "",
            "[vocal]                         # whose words must be heard",
            f"source = {_toml_text(house.vocal.source)}",
        ]
    return "\n".join(lines) + "\n"
