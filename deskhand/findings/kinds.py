"""The table of kinds of finding: what each means, how urgent it is, where it is put right, what it explains, and its limits.

docs/findings.md is made from it. A kind that one function alone raises stands in a file of its own instead, with its sentences, in
`findings.standalone`. Each limit names its source, or is common practice, no source; all of them together are set so that a
clean show says nothing, which the tests and validations/ count.
"""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import entries, with_entries
from deskhand.findings.kind import LIMITS_STUDY, NEVER, Kind, KindName, Limit, kinds, limit_db, most_limits

__all__ = ["ENTRIES", "KINDS", "KIND_NAMES", "NEVER", "Kind", "KindName", "Limit"]


_JUDGEMENTS: Final = kinds(
    "tone", "dynamics", "tail", "articulation", "width", "mono-loss", "harsh", "sound-step", "drift"
)


def _study(words: str) -> str:
    """Source of a limit that the study of limits places, with what lies on either side of it."""
    return f"{LIMITS_STUDY}: {words}"


_MUTE: Final = ("mute-then-find",)
_HALLS: Final = "concert halls take about 2 s (Kuttruff, Room Acoustics, from memory)"
_UNDER_READ: Final = (
    "ITU-R BS.1770-5, Annex 2, Attachment 1: a meter with four times oversampling reads 0.47 dB too low at worst up to 20 kHz, at 48 kHz: "
    "what reads more may be at full scale"
)
_LEVELS: Final = kinds("level-low", "level-high")

_TABLE: Final = (
    Kind(
        name="howl",
        one_for_both_sides=True,
        words="feedback",
        meaning="a tone that keeps its frequency, has no partials, and grows by as many decibels each second (8 dB or more over 0.6 s), or stands near "
        "full scale (open microphones, acoustic guitars); up to {above_singing_hz} it may be sung: *listen*",
        act="while it howls: at soundcheck mute that channel, then find out; during a show its send down 3 to 6 dB, and mute it if it still grows; protect "
        "ears",
        urgency=0,
        live_advice={"line-check": _MUTE, "rehearsal": _MUTE, "show": ("send-down-then-mute",)},
        doubts=frozenset({"may-be-sung"}),
        explains=kinds("tone", "harsh", "tail", "dynamics"),
        limits={
            "above_singing_hz": Limit(
                value=1100.0,
                unit="Hz",
                meaning="nobody sings as high as most feedback",
                source="ISO 16:1975 (A4 is 440 Hz): soprano C, C6, the usual top of the voice, is 1047 Hz in equal temperament, the next semitone 1109 Hz",
            ),
        },
    ),
    Kind(
        name="missing",
        words="track missing",
        meaning="a track of the house file is not in the recording",
        act="arm it on the recorder; check its name",
        urgency=0,
        gone="missing",
        explains=_JUDGEMENTS,
    ),
    Kind(
        name="silent",
        words="silent input",
        meaning="loud windows stay below −65 dBFS; or from some time on a quieter-than-ever input for the last {went_silent_s} or more, "
        "which stopped at once (by {at_once_db}, not dying away by {dying_db}) while others play on. What is often patched and not used is *listen* where it plays in most kept weeks, else *note*; with "
        "nothing kept, role other with a fader is a *note*: a spare input",
        act="on? plugged in? patched? battery?",
        urgency=0,
        done_at="rig",
        gone="silent",
        other_level=True,
        explains=_JUDGEMENTS | {"level-low", "vocal-covered"},
        limits={
            "went_silent_s": Limit(
                value=8.0,
                unit="s",
                meaning="how long it has to stay dead to the end",
                source=_study("clean inputs stay so quiet for less, planted dead ones for longer"),
            ),
            "at_once_db": limit_db(
                15.0,
                "how far it falls at once",
                source=f"arithmetic: 15 dB in the 0.2 s between the blocks before and after is 60 dB in 0.8 s, faster than a hall dies away: {_HALLS}",
            ),
            "dying_db": limit_db(
                8.0,
                "a steady fall of more than this is a song that ends",
                source=f"arithmetic: 8 dB in the 0.7 s that are looked at is 60 dB in 5.25 s, far slower than a hall dies away: {_HALLS}",
            ),
        },
    ),
    Kind(
        name="one-sided",
        words="one side down",
        meaning="one side of a pair {one_sided_db} down, or more than {side_gone_db} down for {side_gone_s} while the other plays",
        act="cable, patch",
        urgency=0,
        done_at="rig",
        explains=_JUDGEMENTS,
        explains_up_to={"level-low": "half_gone_db"},
        limits={
            "one_sided_db": limit_db(
                12.0, "between the two sides", source=_study("between clean pairs and planted dead sides")
            ),
            "side_gone_db": limit_db(
                25.0,
                "between the two sides, for a while",
                source=_study("between clean pairs and sides that are planted to go for a while"),
            ),
            "side_gone_s": Limit(
                value=3.0,
                unit="s",
                meaning="how long",
                source=_study("clean pairs are so far apart for less, planted ones for longer"),
            ),
            "half_gone_db": limit_db(
                6.0,
                "a pair of which one side is dead reads 3 dB low, and up to this where it was the louder one: no level is said beside it",
                source="arithmetic: 10 log(1 + r), r the power of the dead side against the other: 3.01 dB where they were alike, 5.97 dB where it was 4.7 dB the louder",
            ),
        },
    ),
    Kind(
        name="clipped",
        answered_by="preamp",
        words="clipping",
        meaning="{few} (*listen*) or {many} and another {a_minute} a minute (*fix*) peaks cut flat at the top, at full scale or below it; playback, and "
        "lines cut below full scale, *listen* (it may be their sound)",
        act="lower what comes before it: the preamp until peaks read about −10 dBFS, by the number given at least",
        urgency=1,
        at_preamp=True,
        too_hot=True,
        other_level=True,
        explains=_JUDGEMENTS - {"width"},
        limits={
            "few": Limit(
                value=3,
                unit="count",
                meaning="peaks cut flat, *listen*",
                source=_study("between clean inputs and planted clipping"),
            ),
            "many": Limit(
                value=10,
                unit="count",
                meaning="peaks cut flat, *fix*, and so many a minute more",
                source=_study("no clean input has so many; nearly all planted clipping by 2 dB and more has"),
            ),
            "a_minute": Limit(value=2, unit="count", meaning="more for each minute"),
            "long_share": Limit(
                value=0.06,
                unit="1",
                meaning="share of longer flats below full scale; chance makes runs of three and four in a smooth wave",
            ),
            "at_the_top": Limit(
                value=0.9,
                unit="1",
                meaning="of the highest peak: something flat further down is the sound itself",
                source=_study("between the flats of clean inputs, which chance makes, and planted ones"),
            ),
        },
    ),
    Kind(
        name="dropout",
        one_for_both_sides=True,
        words="dropout",
        meaning="digital silence cut into sound, 0.3 ms to {longest_s} (*fix*; kick, keys, playback and the click, which may come from a machine "
        "that stops and starts within a sample: *note*, unless {together_tracks} tracks and more drop out at once)",
        act="cable, link; many tracks at once: recorder, card, network",
        urgency=1,
        done_at="rig",
        counted=True,
        limits={
            "longest_s": Limit(value=0.5, unit="s", meaning="a gap of half a second and more is a gate or an edit"),
            "together_s": Limit(
                value=0.05,
                unit="s",
                meaning="tracks that drop out within this drop out at once",
                source=_study("a dropout of all tracks begins within less in each of them"),
            ),
            "together_tracks": Limit(
                value=3,
                unit="count",
                meaning="so many at once are the recorder's, not the inputs'",
                source=f"arithmetic: an input has two tracks at most, the sides of a pair; {LIMITS_STUDY}: the dropouts of one input are in no third track",
            ),
            **most_limits(6.0, 20.0, "stuttering effects and gates of one track alone"),
        },
    ),
    Kind(
        name="wireless-hit",
        one_for_both_sides=True,
        words="radio interruption",
        meaning="bursts of white noise, or in a voice mutes quieter than the room by {below_room_db}, 20 to 500 ms: 1 (*listen*), {fix_count} (*fix*); more "
        "than {most} of them, or {most_a_minute} a minute, are the sound itself",
        act="battery, antennas, frequency",
        urgency=1,
        done_at="rig",
        counted=True,
        explains=kinds("articulation", "dynamics", "harsh"),
        limits={
            "fix_count": Limit(
                value=2,
                unit="count",
                meaning="so many are *fix*",
                source=_study("no clean input has so many, planted ones have"),
            ),
            **most_limits(8.0, 12.0, "consonants, a hat"),
            "below_room_db": limit_db(
                8.0,
                "a stop consonant is silent too, but the room goes on",
                source=_study("between clean voices and planted mutes of a radio link"),
            ),
            "white_in_a_voice": Limit(
                value=8.0,
                unit="1",
                meaning="whiteness of a burst from which on no voice made it",
                source=_study("between clean voices and planted bursts of noise"),
            ),
            "white": Limit(
                value=14.0,
                unit="1",
                meaning="the same of an instrument: a strum is bright too",
                source=_study("between all clean instruments but one and planted bursts of noise"),
            ),
        },
    ),
    Kind(
        name="polarity",
        answered_by="polarity",
        words="polarity",
        meaning="the sides of a pair, or two inputs of one instrument, work against each other, reversing one lowers the mono loss of the whole "
        "band by 0.5 dB or more and by more than is uncertain, and no `polarity` block of the chain does so already (*fix*); `measured` is "
        "the mono loss as it is, `expected` the one with one side reversed. What adds up once it is moved in time is `delay`, not polarity. "
        "Two inputs before the chain *listen*; how surely: [validation-polarity.md](validation-polarity.md). With kept shows: middle and "
        "sides of a pair have changed places (*fix*; where mono gains nothing by reversing one, *listen*). Between unlike pick-ups of one instrument (DI and "
        'microphone, near and far; by their sound, or `sides = "unlike"`) *fix* from {unlike_fix_db} of gain on, *listen* from {unlike_listen_db} on '
        "and where the house file says so, *note* below; where the delay that lines them up does more than a flip, it is `delay`",
        act="reverse one; with kept shows, the cable or box that was exchanged",
        urgency=1,
        explains=kinds("width", "mono-loss", "tone"),
        limits={
            "unlike_fix_db": limit_db(
                3.0, "unlike pick-ups: what a flip gains in mono", source="arithmetic: twice the power in mono, 3.01 dB"
            ),
            "unlike_listen_db": limit_db(
                2.0,
                "unlike pick-ups: what a flip gains in mono",
                source="docs/validation-polarity.md, unlike pairs: from 2 dB on; of 60 two inputs in the half to tune on, two are *listen* for nothing",
            ),
            "flip_least_db": limit_db(0.5, "by so much a delay has to do more than a flip"),
        },
    ),
    Kind(
        name="duplicate",
        is_twin=True,
        words="same signal twice",
        of_two=True,
        meaning="two tracks with the same samples (correlation above {same}): of two inputs *fix*; both sides of a pair *listen*, drums, percussion and "
        "playback, which are often mono, *note*; with kept shows *listen* where they are stereo in half of them or more, else *note*",
        act="patch; a mono source on a pair",
        urgency=1,
        done_at="patch",
        explains=_JUDGEMENTS | _LEVELS | {"wrong-patch", "swapped"},
        limits={
            "same": Limit(
                value=0.9998,
                unit="1",
                meaning="correlation of the samples: what differs is 34 dB down and more",
                source=f"arithmetic: 1 / sqrt(1 + d) for a part d of the power that differs, 34 dB down; {LIMITS_STUDY}: no two clean inputs are near",
            )
        },
    ),
    Kind(
        name="wrong-patch",
        words="wrong patch",
        meaning="with kept shows: an input sounds like a source of another role, and not like itself or somebody new at it (*fix*; *listen* where its player was "
        "never heard there, or other inputs of that person changed as well)",
        act="ask who plays there; then cables and patch, muted",
        urgency=1,
        done_at="patch",
        explains=_JUDGEMENTS | _LEVELS | {"polarity", "vocal-covered", "silent"},
    ),
    Kind(
        name="swapped",
        words="swapped inputs",
        of_two=True,
        meaning="with kept shows: two inputs sound like each other, and not like somebody new at them (*fix*; *listen* where a player was never heard "
        "there, or other inputs of one of them changed as well); at a live line check: an input came at another's turn (*listen*: a "
        "question). Players who changed places leave the same signal as crossed cables",
        act="ask who played; only then cables and patch, muted",
        urgency=1,
        done_at="patch",
        explains=_JUDGEMENTS | _LEVELS | {"polarity", "vocal-covered"},
    ),
    Kind(
        name="in-the-mix",
        words="click or talkback heard",
        meaning="click or talkback heard in another input, no further below its level than {leak_listen_db:size} (*listen*) or {leak_fix_db:size} "
        "(*fix*; in playback, which is locked to the click, *listen* from there on), or in the recorded mix, no further below it than "
        "{leak_mix_db:size} (*fix*); talkback in an open microphone, which hears the same room: from {talkback_open_db:size} on, *note*",
        act="the click in headphones, in-ears and wedges; sends, patch",
        urgency=2,
        explains=kinds("articulation", "tone", "tail"),
        # sharp beginnings of a click that is heard are heard as digital clicks, too
        explains_in_case={"click": kinds("clicks")},
        limits={
            "leak_listen_db": limit_db(
                -40.0,
                "against the input's own level",
                source=_study("between clean inputs and planted bleed of the click"),
            ),
            "leak_fix_db": limit_db(
                -26.0, "against the input's own level", source=_study("between clean inputs and loud planted bleed")
            ),
            "leak_mix_db": limit_db(
                -60.0,
                "against the mix",
                source="arithmetic: 20 dB where the mix is at 80 dB, below the noise of a quiet hall (Beranek, noise criteria, from memory: NC 15 to 20, about 25 to 30 dBA)",
            ),
            "talkback_open_db": limit_db(-20.0, "a talkback microphone hears the same room as the others do"),
        },
    ),
    Kind(
        name="hum",
        one_for_both_sides=True,
        words="mains hum",
        meaning="mains lines, all together, at the house's or the other mains frequency, no further below the level than {listen_db:size} (*listen*) "
        "or {fix_db:size} (*fix*; a single line, which may be a held note, *listen*), and above {least_dbfs}",
        act="ground lift, isolating box, same circuit; never lift the mains earth",
        urgency=2,
        in_pauses=True,
        done_at="rig",
        explains=kinds("tone", "tail", "articulation", "harsh"),
        limits={
            "listen_db": limit_db(
                -60.0,
                "against the level",
                source=_study("no clean input has a mains line; planted hum that is found lies above it"),
            ),
            "fix_db": limit_db(
                -45.0,
                "against the level",
                source=_study("no clean input has a mains line; planted hum lies on both sides of it"),
            ),
            "least_dbfs": limit_db(
                -85.0,
                "quieter lines are below what is heard",
                "dBFS",
                source="ISO 226:2023, Table 1: where −18 dBFS is heard at 80 dB this is 13 dB, below the threshold of hearing up to 200 Hz (14.4 dB)",
            ),
        },
    ),
    Kind(
        name="level-high",
        answered_by="level",
        words="level too high",
        meaning="median level, after the gain and trim that its chain holds, 2 dB (*listen*) or 4 dB (*fix*; both in the house file) above nominal, "
        "after 3 s of playing; of a kick or snare, whose level is that of the loud strokes, by 1 dB more, of toms, percussion and a microphone that "
        "hears a whole kit by 2 dB more, with fewer than ten strokes by 3 dB more (fewer than four: two of them too high); drums, audience, click, talkback and other only with a nominal of their own; near the level that `new` asked about, while nobody has answered, *note*",
        act="turn its gain (at line check) or its trim by the number given; tell the stage first",
        urgency=2,
        too_hot=True,
        other_level=True,
        # a compressor sees another level than it was set for
        explains=kinds("dynamics"),
        explains_drifts=frozenset({"level", "dynamics"}),
    ),
    Kind(
        name="level-low",
        answered_by="level",
        words="level too low",
        meaning="median level, after the gain and trim that its chain holds, as far below nominal, of the same roles; never asked to rise so far that its peaks pass −6 dBTP, and where they stand in the way with less than 3 dB of room, not at all; an open microphone more than {most_raise_db} low is "
        "*listen* (nobody may be using it; toms and percussion in which only the others are heard, *note*); near the level that `new` asked about, while nobody has answered, *note*",
        act="turn its gain (at line check) or its trim by the number given; tell the stage first",
        urgency=2,
        other_level=True,
        explains=kinds("dynamics"),
        explains_drifts=frozenset({"level", "dynamics"}),
        limits={"most_raise_db": limit_db(12.0, "a larger raise is no trim's business: volume, cable and pad first")},
    ),
    Kind(
        name="headroom",
        answered_by="preamp",
        words="headroom",
        too_hot=True,
        meaning="true peak above {listen_dbtp} (*listen*), {fix_dbtp} (*fix*; playback *listen*), not clipped; after the chain: a block of the house "
        "chain leaves true peaks above {chain_dbtp}, and nothing is too hot at the tap (*listen*)",
        act="lower its gain; in the chain, its output, or the trim before it",
        urgency=2,
        limits={
            "listen_dbtp": limit_db(-3.0, "true peak at the tap", "dBTP"),
            "fix_dbtp": limit_db(-0.5, "true peak at the tap", "dBTP", source=_UNDER_READ),
            "chain_dbtp": limit_db(-0.5, "true peak after a block", "dBTP", source=_UNDER_READ),
        },
    ),
    Kind(
        name="clicks",
        one_for_both_sides=True,
        words="digital clicks",
        meaning="single jumps in the wave (*listen*); {fix_count}, when another track clicks with it (*fix*); more than {most} of them, or {most_a_minute} a "
        "minute, are the sound itself",
        act="word clock, digital connections",
        urgency=2,
        counted=True,
        limits={
            "fix_count": Limit(
                value=3,
                unit="count",
                meaning="so many, with another track, are *fix*",
                source=_study("between clean inputs and a word clock that is planted to slip three times"),
            ),
            **most_limits(6.0, 30.0, "a hat, a stick, an effect"),
        },
    ),
    Kind(
        name="noise",
        words="noise",
        meaning="pauses of a line source less than {listen_db} below its playing",
        act="look at the player's end first",
        urgency=2,
        in_pauses=True,
        done_at="rig",
        at_preamp=True,
        explains=kinds("tone", "tail", "articulation", "harsh"),
        explains_drifts=frozenset({"noise"}),
        limits={
            "listen_db": limit_db(
                30.0, "between playing and pauses", source=_study("between clean lines and planted noise")
            )
        },
    ),
    Kind(
        name="delay",
        words="delay between sides",
        meaning="one side {least_ms} or more later, at one clear delay (not overheads or audience; with kept shows in which neither was ever late, *listen*); unlike pick-ups of one instrument: the delay of the "
        "earlier one that makes their sum {pick_ups_gain_db} louder or more, and does more than a flip (*note*; *listen* where the sum loses "
        "{pick_ups_loss_db:size} or more). `facts` has the sums by octave: as they are, with one reversed, and delayed",
        act="a second conversion, an effect on one side; of unlike pick-ups, a delay of the earlier one",
        urgency=2,
        explains=kinds("width", "mono-loss", "tone"),
        limits={
            "least_ms": Limit(
                value=0.3,
                unit="ms",
                meaning="what comes later by less is placing, or a cable",
                source=_study("between the sides of all clean pairs but one and planted delays"),
            ),
            "pick_ups_gain_db": limit_db(
                1.0,
                "what the delay has to gain to be worth a knob",
                source="Zwicker & Fastl, Psychoacoustics, 3rd ed. 2007, 7.1 (from memory): about 1 dB of level is just noticeable",
            ),
            "pick_ups_loss_db": limit_db(
                -6.0, "three quarters of the power are lost", source="arithmetic: a quarter of the power, −6.02 dB"
            ),
        },
    ),
    Kind(
        name="dc",
        one_for_both_sides=True,
        words="DC offset",
        meaning="constant offset of {listen} (*listen*) or {fix} (*fix*) of full scale",
        act="the converter, the recorder or a digital source first: an analogue microphone input passes no DC; its high-pass until then",
        urgency=2,
        in_pauses=True,
        limits={
            "listen": Limit(
                value=0.003,
                unit="share",
                meaning="mean of the samples",
                source=_study("between clean inputs and planted offsets"),
            ),
            "fix": Limit(
                value=0.03,
                unit="share",
                meaning="mean of the samples",
                source=_study("no clean input comes near; planted offsets lie on both sides of it"),
            ),
        },
    ),
    Kind(
        name="mono-loss",
        words="loss in mono",
        meaning="{listen_db:size} or more vanish in mono, after the trim and polarity of its chain; of the mix: {mix_db:size}, or more than is usual "
        "(*listen*)",
        act="hear it in mono; narrow it at the player's rig",
        tier="judgement",
        limits={
            "listen_db": limit_db(
                -6.0,
                "of a source",
                source="arithmetic: a quarter of the power is left, −6.02 dB; of sides with nothing in common it is half",
            ),
            "mix_db": limit_db(
                -3.0,
                "of the mix: what it may lose before it is worth hearing in mono",
                source="arithmetic: sides with nothing in common lose half of the power, 3.01 dB; whoever loses more has sides that work against each other",
            ),
        },
    ),
    Kind(
        name="dynamics",
        of_chain=True,
        answered_by="threshold",
        answered_metric="reduction_db",
        words="dynamics",
        meaning="a block takes off more or less than the `reduction` the house wants, by {reduction_off_db} or more (*note*); with kept shows, "
        "outside the house's normal range (*listen*)",
        act="its threshold; with kept shows, the player's end first",
        tier="judgement",
        explains_drifts=frozenset({"dynamics"}),
        limits={"reduction_off_db": limit_db(0.5, "outside the wanted gain reduction")},
    ),
    Kind(
        name="vocal-covered",
        answered_by="room for the voice",
        words="voice covered",
        meaning="a voice is covered (less than 35 % of it audible in the feed) for {covered_share} of its words or more (*note*; *listen* once "
        "five weeks are kept, by the house's own limits, or when the clearance the house file asks for is missed)",
        act="listen to the mix there; [clearance.md](clearance.md)",
        tier="judgement",
        limits={
            "covered_share": Limit(
                value=0.25,
                unit="share",
                meaning="of its words",
                source=_study("between clean voices and voices that are turned down by 12 dB and more"),
            )
        },
    ),
    Kind(
        name="tone",
        answered_by="equaliser",
        words="tone",
        meaning="its octaves are outside the house's normal range, and audibly so (*listen*, with two seconds to hear it by)",
        act="what it says: the player's end first",
        tier="judgement",
        explains=kinds("harsh"),
        explains_drifts=frozenset({"tone", "harsh"}),
    ),
    Kind(
        name="tail",
        words="tail of notes",
        meaning="its notes ring longer or shorter than is normal for the house, and audibly so (*listen*, with two seconds to hear it by)",
        act="what it says: the player's end first",
        tier="judgement",
        explains=kinds("articulation"),
        explains_drifts=frozenset({"tail", "articulation"}),
    ),
    Kind(
        name="articulation",
        words="attack of notes",
        meaning="its notes begin more or less sharply than is normal for the house, and audibly so (*listen*, with two seconds to hear it by)",
        act="what it says: the player's end first",
        tier="judgement",
        explains_drifts=frozenset({"articulation"}),
    ),
    Kind(
        name="width",
        answered_by="balance",
        answered_metric="balance_db",
        words="width",
        meaning="a pair's width or balance is outside the house's normal range, and audibly so (*listen*, with two seconds to hear it by)",
        act="what it says: the player's end first",
        tier="judgement",
        explains=kinds("mono-loss"),
        explains_drifts=frozenset({"width", "balance"}),
    ),
    Kind(
        name="harsh",
        words="harshness",
        meaning="more of its loudness, or of the mix's, lies from 2 to 5 kHz than is normal for the house, and audibly so (*listen*, and when)",
        act="listen at those moments",
        tier="judgement",
    ),
    Kind(
        name="drift",
        of_a_number=True,
        words="slow drift",
        meaning="a number has crept or stepped away over nine kept takes and more (*listen*; once it has stayed there for six weeks, and attack, tail and dynamics, which whoever plays makes, *note*)",
        act="`deskhand history`",
        tier="judgement",
    ),
    Kind(
        name="unmatched-track",
        unclaimed=True,
        words="track without a source",
        meaning="a track that no source of the house file claims (*note*)",
        act="add it, or `used = false`",
    ),
)
ENTRIES: Final = entries()
"""Kinds that stand in a file of their own."""
KINDS: Final[dict[KindName, Kind]] = with_entries(_TABLE, ENTRIES)
"""From a kind's name to what is true of it, in the order of urgency."""
KIND_NAMES: Final[tuple[KindName, ...]] = tuple(KINDS)
