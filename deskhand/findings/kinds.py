"""The table of kinds of finding: what each means, how urgent it is, where it is put right, what it explains, and its limits.

docs/findings.md is made from it. A limit without a source of its own is common practice, no source; all of them together are set so
that a clean show says nothing, which the tests and validations/ count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, get_args

if TYPE_CHECKING:
    from collections.abc import Mapping

KindName = Literal[
    "missing", "silent", "level-low", "level-high", "headroom", "clipped", "dc", "hum", "noise", "dropout", "clicks",
    "wireless-hit", "one-sided", "duplicate", "wrong-patch", "swapped", "polarity", "delay", "howl", "in-the-mix", "tone",
    "dynamics", "tail", "articulation", "width", "mono-loss", "harsh", "sound-step", "vocal-covered", "drift",
    "unmatched-track",
]  # fmt: skip
KIND_NAMES: Final[tuple[KindName, ...]] = get_args(KindName)
NEVER: Final = 9
"""Urgency of what never has to be done before doors: above all others, a rank and no measure."""
COMMON_PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One number from which on a finding is raised, or raised higher."""

    value: float
    unit: str
    meaning: str
    """In words, for the docs; {value} stands for the number."""
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Facts about one kind of finding."""

    name: KindName
    meaning: str
    """When it is raised, for the docs; {name} stands for the limit of that name."""
    act: str
    """Where a person looks, for the docs."""
    label: str
    """Short plain name for people, beside a moment or on the sheet."""
    tier: Literal["fault", "judgement"] = "fault"
    urgency: int = NEVER
    """0: the source is not heard; 1: it harms the sound; 2: it costs quality; 9: never before doors."""
    done_at: Literal["rig", "patch"] | None = None
    """Where the hand goes when it is no setting of the desk."""
    at_preamp: bool = False
    """A fault of what comes in: a level beside it is put right at the preamp, since a trim cannot mend it."""
    counted: bool = False
    """Its measured number is a count of moments."""
    of_chain: bool = False
    """May be said of what the house chain does, beside its meters."""
    unclaimed: bool = False
    """Raised for a track that no source of the house file claims."""
    explains: frozenset[KindName] = frozenset()
    """Kinds that are its consequence and are not said beside it. Common practice, no source."""
    limits: Mapping[str, Limit] | None = None

    def __getitem__(self, limit: str) -> float:
        """Value of a limit by its name."""
        if self.limits is None or limit not in self.limits:
            raise KeyError(f"{self.name} has no limit {limit!r}")
        return self.limits[limit].value


def _names(*names: KindName) -> frozenset[KindName]:
    return frozenset(names)


_JUDGEMENTS: Final = _names(
    "tone", "dynamics", "tail", "articulation", "width", "mono-loss", "harsh", "sound-step", "drift"
)
_LEVELS: Final = _names("level-low", "level-high")


def _db(value: float, meaning: str, unit: str = "dB", source: str = COMMON_PRACTICE) -> Limit:
    return Limit(value=value, unit=unit, meaning=meaning, source=source)


_TABLE: Final = (
    Kind(
        name="missing",
        label="missing",
        meaning="a track of the house file is not in the recording",
        act="arm it on the recorder; check its name",
        urgency=0,
        explains=_JUDGEMENTS,
    ),
    Kind(
        name="silent",
        label="silent",
        meaning="loud windows stay below −65 dBFS; or from some time on a quieter-than-ever input for the last {went_silent_s} or more, "
        "which stopped at once (by {at_once_db}, not dying away by {dying_db}) while others play on",
        act="on? plugged in? patched? battery?",
        urgency=0,
        done_at="rig",
        explains=_JUDGEMENTS | {"level-low", "vocal-covered"},
        limits={
            "went_silent_s": Limit(value=8.0, unit="s", meaning="how long it has to stay dead to the end"),
            "at_once_db": _db(15.0, "how far it falls at once"),
            "dying_db": _db(8.0, "a steady fall of more than this is a song that ends"),
        },
    ),
    Kind(
        name="howl",
        label="feedback",
        meaning="a pure tone that grows by 10 dB or more over 0.8 s (open microphones, acoustic guitars); up to {above_singing_hz} it may "
        "be sung: *listen*",
        act="the nearest monitor first; protect ears",
        urgency=0,
        explains=_names("tone", "harsh", "tail", "dynamics"),
        limits={
            "above_singing_hz": Limit(
                value=1100.0,
                unit="Hz",
                meaning="nobody sings as high as most feedback",
                source="common practice, no source (soprano C, C6, is 1047 Hz in equal temperament, ISO 16)",
            ),
        },
    ),
    Kind(
        name="one-sided",
        label="one side silent",
        meaning="one side of a pair {one_sided_db} down, or gone (by {side_gone_db}) for {side_gone_s}",
        act="cable, patch",
        urgency=0,
        done_at="rig",
        explains=_JUDGEMENTS,
        limits={
            "one_sided_db": _db(12.0, "between the two sides"),
            "side_gone_db": _db(25.0, "between the two sides, for a while"),
            "side_gone_s": Limit(value=3.0, unit="s", meaning="how long"),
            "half_gone_db": _db(
                6.0,
                "a pair of which one side is dead reads 3 dB low, and up to this with the level's own spread: no level is said beside it",
            ),
        },
    ),
    Kind(
        name="clipped",
        label="clipping",
        meaning="{few} (*listen*) or {many} and {a_minute} a minute (*fix*) peaks cut flat at the top, at full scale or below it; playback, and "
        "lines cut below full scale, *listen* (it may be their sound)",
        act="lower what comes before it",
        urgency=1,
        at_preamp=True,
        explains=_JUDGEMENTS - {"width"},
        limits={
            "few": Limit(value=3, unit="count", meaning="peaks cut flat, *listen*"),
            "many": Limit(value=10, unit="count", meaning="peaks cut flat, *fix*, and so many a minute more"),
            "a_minute": Limit(value=2, unit="count", meaning="more for each minute"),
            "long_share": Limit(
                value=0.06, unit="1", meaning="share of longer flats below full scale; chance makes runs of three and four in a smooth wave"
            ),
            "at_the_top": Limit(value=0.9, unit="1", meaning="of the highest peak: something flat further down is the sound itself"),
        },
    ),
    Kind(
        name="in-the-mix",
        label="click or talkback bleed",
        meaning="click or talkback heard in another input ({leak_listen_db} below it *listen*, {leak_fix_db} *fix*; talkback in an open "
        "microphone from {talkback_open_db} on, *note*) or in the recorded mix ({leak_mix_db} below it)",
        act="headphones, sends, patch",
        urgency=1,
        explains=_names("articulation", "tone", "tail"),
        limits={
            "leak_listen_db": _db(-40.0, "against the input's own level"),
            "leak_fix_db": _db(-26.0, "against the input's own level"),
            "leak_mix_db": _db(-60.0, "against the mix"),
            "talkback_open_db": _db(-20.0, "a talkback microphone hears the same room as the others do"),
        },
    ),
    Kind(
        name="dropout",
        label="dropout",
        meaning="digital silence cut into sound, 0.3 ms to {longest_s} (drums, keys and playback, which may be machines, and the click: *note*, "
        "unless other tracks drop out with it)",
        act="cable, link; many tracks at once: recorder, card, network",
        urgency=1,
        done_at="rig",
        counted=True,
        limits={
            "longest_s": Limit(value=0.5, unit="s", meaning="a gap of half a second and more is a gate or an edit"),
            "together_s": Limit(value=0.05, unit="s", meaning="tracks that drop out within this drop out at once"),
            "together_tracks": Limit(value=3, unit="count", meaning="so many at once are the recorder's, not the inputs'"),
        },
    ),
    Kind(
        name="wireless-hit",
        label="radio interruption",
        meaning="bursts of white noise, or mutes quieter than the room by {below_room_db}, 20 to 500 ms: 1 (*listen*), {fix_count} (*fix*)",
        act="battery, antennas, frequency",
        urgency=1,
        done_at="rig",
        counted=True,
        explains=_names("articulation", "dynamics", "harsh"),
        limits={
            "fix_count": Limit(value=2, unit="count", meaning="so many are *fix*"),
            "below_room_db": _db(8.0, "a stop consonant is silent too, but the room goes on behind it"),
            "white_in_a_voice": Limit(value=8.0, unit="1", meaning="whiteness of a burst from which on a voice did not make it"),
            "white": Limit(value=14.0, unit="1", meaning="the same of an instrument: a strum is bright too"),
        },
    ),
    Kind(
        name="polarity",
        label="polarity reversed",
        meaning="the sides of a pair, or two microphones of one drum, work against each other, mono loses less with one flipped, and no "
        "`polarity` block of the chain says so; drum microphones before the chain *listen*; with kept shows: middle and sides of a pair have "
        "changed places",
        act="flip one; with kept shows, the cable or box that was exchanged",
        urgency=1,
        explains=_names("width", "mono-loss", "tone"),
    ),
    Kind(
        name="duplicate",
        label="same signal twice",
        meaning="two tracks with the same samples (correlation above {same})",
        act="patch; a mono source on a pair",
        urgency=1,
        done_at="patch",
        explains=_JUDGEMENTS | _LEVELS | {"wrong-patch", "swapped"},
        limits={"same": Limit(value=0.9998, unit="1", meaning="correlation of the samples: what differs is 34 dB down and more")},
    ),
    Kind(
        name="wrong-patch",
        label="wrong patch",
        meaning="with kept shows: an input sounds like a source of another role, and not like itself (*fix*)",
        act="cables and patch, muted",
        urgency=1,
        done_at="patch",
        explains=_JUDGEMENTS | _LEVELS | {"polarity", "vocal-covered", "silent"},
    ),
    Kind(
        name="swapped",
        label="inputs swapped",
        meaning="with kept shows: two inputs sound like each other (*fix*)",
        act="cables and patch, muted",
        urgency=1,
        done_at="patch",
        explains=_JUDGEMENTS | _LEVELS | {"polarity", "vocal-covered"},
    ),
    Kind(
        name="hum",
        label="hum",
        meaning="mains lines, all together, at the house's or the other mains frequency, within {listen_db} (*listen*) or {fix_db} (*fix*) of the "
        "level, and above {least_dbfs}",
        act="ground lift, isolating box, same circuit; never lift the mains earth",
        urgency=2,
        done_at="rig",
        explains=_names("tone", "tail", "articulation", "harsh"),
        limits={
            "listen_db": _db(-60.0, "against the level"),
            "fix_db": _db(-45.0, "against the level"),
            "least_dbfs": _db(-85.0, "quieter lines are below what a room makes audible", "dBFS"),
        },
    ),
    Kind(
        name="level-high",
        label="level too high",
        meaning="median level after gain, trim and polarity as written 2 dB (*listen*) or 4 dB (*fix*; both in the house file) above nominal, after "
        "3 s of playing; drums, audience, click, talkback and other only with a nominal of their own",
        act="turn its trim by the number given; tell the stage first",
        urgency=2,
        # a compressor sees another level than it was set for
        explains=_names("dynamics", "drift"),
    ),
    Kind(
        name="level-low",
        label="level too low",
        meaning="the same below nominal; never asked to rise so far that its peaks pass −6 dBTP; an open microphone more than {most_raise_db} low is "
        "*listen* (nobody may be using it)",
        act="turn its trim by the number given; tell the stage first",
        urgency=2,
        explains=_names("dynamics", "drift"),
        limits={"most_raise_db": _db(12.0, "a larger raise is no trim's business: volume, cable and pad first")},
    ),
    Kind(
        name="headroom",
        label="headroom",
        meaning="true peak above {listen_dbtp} (*listen*), {fix_dbtp} (*fix*; playback *listen*), not clipped; after the chain: a block of the house "
        "chain leaves true peaks above {chain_dbtp}, and nothing is too hot at the tap (*listen*)",
        act="lower its gain; in the chain, its output, or the trim before it",
        urgency=2,
        limits={
            "listen_dbtp": _db(-3.0, "true peak at the tap", "dBTP"),
            "fix_dbtp": _db(-0.5, "true peak at the tap", "dBTP"),
            "chain_dbtp": _db(-0.5, "true peak after a block", "dBTP"),
        },
    ),
    Kind(
        name="clicks",
        label="clicks",
        meaning="single jumps in the wave (*listen*); {fix_count}, when another track clicks with it (*fix*)",
        act="word clock, digital connections",
        urgency=2,
        counted=True,
        limits={"fix_count": Limit(value=3, unit="count", meaning="so many, with another track, are *fix*")},
    ),
    Kind(
        name="noise",
        label="noise",
        meaning="pauses of a line source less than {listen_db} below its playing",
        act="look at the player's end first",
        urgency=2,
        done_at="rig",
        at_preamp=True,
        explains=_names("tone", "tail", "articulation", "harsh"),
        limits={"listen_db": _db(30.0, "between playing and pauses")},
    ),
    Kind(
        name="delay",
        label="one side late",
        meaning="one side 0.3 ms or more later, at one clear delay (not overheads or audience)",
        act="a second conversion, an effect on one side",
        urgency=2,
        explains=_names("width", "mono-loss", "tone"),
    ),
    Kind(
        name="dc",
        label="DC offset",
        meaning="constant offset of {listen} (*listen*) or {fix} (*fix*) of full scale",
        act="high-pass; look for a faulty box or cable",
        urgency=2,
        limits={
            "listen": Limit(value=0.003, unit="of full scale", meaning="mean of the samples"),
            "fix": Limit(value=0.03, unit="of full scale", meaning="mean of the samples"),
        },
    ),
    Kind(
        name="mono-loss",
        label="loss in mono",
        meaning="{listen_db} or more vanish in mono; of the mix: {mix_db}, or more than is usual (*listen*)",
        act="hear it in mono; narrow it at the player's rig",
        tier="judgement",
        limits={
            "listen_db": _db(-6.0, "of a source"),
            "mix_db": _db(-3.0, "of the mix: what it may lose before it is worth hearing in mono"),
        },
    ),
    Kind(
        name="dynamics",
        label="dynamics",
        of_chain=True,
        meaning="a block takes off more or less than the `reduction` the house wants, by {reduction_off_db} or more (*note*); with kept shows, "
        "outside the house's normal range (*listen*)",
        act="its threshold; with kept shows, the player's end first",
        tier="judgement",
        explains=_names("drift"),
        limits={"reduction_off_db": _db(0.5, "outside the wanted gain reduction")},
    ),
    Kind(
        name="sound-step",
        label="level between presets",
        meaning="the sounds of a guitar, bass or keys player lie {step_lu} or more apart (*note*)",
        act="the player levels the presets at the rig",
        tier="judgement",
        limits={"step_lu": Limit(value=6.0, unit="LU", meaning="a lead sound is meant to be some dB louder")},
    ),
    Kind(
        name="vocal-covered",
        label="voice covered",
        meaning="a voice is covered (less than 35 % of it audible in the feed) for {covered_share} or more of its words (*note*; *listen* once "
        "five weeks are kept, by the house's own limits, or when the clearance the house file asks for is missed)",
        act="listen to the mix there; [clearance.md](clearance.md)",
        tier="judgement",
        limits={"covered_share": Limit(value=0.25, unit="1", meaning="of its words")},
    ),
    Kind(
        name="tone",
        label="tone",
        meaning="outside the house's normal range, and audibly so (*listen*, with two seconds to hear it by)",
        act="what it says: the player's end first",
        tier="judgement",
        explains=_names("harsh", "drift"),
    ),
    Kind(
        name="tail",
        label="ringing of notes",
        meaning="the same, of how long its notes ring",
        act="what it says: the player's end first",
        tier="judgement",
        explains=_names("articulation", "drift"),
    ),
    Kind(
        name="articulation",
        label="attack of notes",
        meaning="the same, of how sharply its notes begin",
        act="what it says: the player's end first",
        tier="judgement",
        explains=_names("drift"),
    ),
    Kind(
        name="width",
        label="stereo width",
        meaning="the same, of a pair's width, or its balance",
        act="what it says: the player's end first",
        tier="judgement",
        explains=_names("mono-loss", "drift"),
    ),
    Kind(
        name="harsh",
        label="harshness",
        meaning="the same, of how much of its loudness lies from 2 to 5 kHz; of the mix as well, and when",
        act="listen at those moments",
        tier="judgement",
    ),
    Kind(
        name="drift",
        label="slow drift",
        meaning="a number has crept away over nine kept takes and more (*listen*)",
        act="`deskhand history`",
        tier="judgement",
    ),
    Kind(
        name="unmatched-track",
        label="track in no source",
        unclaimed=True,
        meaning="a track that no source of the house file claims (*note*)",
        act="add it, or `used = false`",
    ),
)
KINDS: Final[dict[str, Kind]] = {kind.name: kind for kind in _TABLE}
"""From a kind's name to what is true of it, in the order of urgency."""
