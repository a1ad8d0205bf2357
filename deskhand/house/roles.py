"""The table of roles: everything that is true of a role stands here, and nowhere else.

Where a fact names no source it is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

RoleName = Literal[
    "lead vocal", "backing vocal", "speech", "guitar", "acoustic guitar", "bass", "keys", "kick", "snare", "toms",
    "overheads", "percussion", "playback", "audience", "click", "talkback", "seat", "other",
]  # fmt: skip
ROLE_NAMES: Final[tuple[RoleName, ...]] = get_args(RoleName)

Family = Literal["voice", "guitar", "drum"]
"""Roles of one family may sound like each other for an evening."""
ToneFamily = Literal["singing", "speech", "keys", "drum", "percussion", "cymbals", "any"]
"""Roles of one tone family vary alike from song to song."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """Facts about one role."""

    name: RoleName
    is_voice: bool = False
    """Words or a sung line: judged for being understood."""
    leads: bool = False
    """The voice the mix is built around."""
    speaks: bool = False
    open_microphone: bool = False
    """Picked up by a microphone that hears the stage: bleed in it is no fault, and it can feed back."""
    strikes: bool = False
    """A drum or the like: its level is the level of its hits."""
    rests: bool = False
    """Drums that whole songs go without, when their microphone hears the others alone, and of which several are often at one input."""
    kit: bool = False
    """Part of a drum kit, which a drummer may bring along."""
    line: bool = False
    """Comes by cable from an instrument or a machine: its pauses are quiet."""
    several_microphones: bool = False
    """One instrument of it is often on several inputs: inside and outside, top and bottom, direct and by microphone."""
    has_presets: bool = False
    """The player changes sounds by foot or at a keyboard."""
    resonant_body: bool = False
    """An instrument whose body and pick-up can feed back."""
    on_radio: bool = False
    """Often comes over a radio link."""
    machine: bool = False
    """May come from a machine, which can stop and start within a sample."""
    finished: bool = False
    """A finished recording: what is cut, silent or equal on both sides in it may be meant."""
    spaced: bool = False
    """A pair of microphones apart from each other: sound reaches the two at different times by design."""
    hears_room: bool = False
    """Microphones in the room: low notes may reach them in opposite polarity."""
    metronome: bool = False
    """The players' click."""
    to_stage: bool = False
    """The desk's own microphone to the stage."""
    in_a_mix: bool = True
    """May be heard by the public."""
    measures_room: bool = False
    """A measurement microphone where people sit: no part of the show, and never judged as one."""
    own_level: bool = True
    """Sits at the house's nominal level; without it, only a nominal of the source's own is judged."""
    may_be_silent: bool = False
    """Often patched and not used."""
    unclear: bool = False
    """Stands for whatever is not known yet."""
    shaped: bool = True
    """Somebody shapes its tone by ear."""
    urgency: int = 1
    """Added to the urgency of what is wrong: 0 the words carry the evening, 3 nobody in the room hears it."""
    tone_advice: str = "ask-microphone"
    """Where to look when its tone is not as usual: a name of the catalogue of sentences."""
    family: Family | None = None
    sings: bool = False
    """Who sings lead one week sings harmony the next."""
    goes_by_song: bool = False
    """Tone goes by the song (the hat or the ride keeps the time), so that a few weeks do not show how far."""
    tone_family: ToneFamily = "any"
    usual_chain: str = ""
    """Blocks that its chain usually has, in order. Common practice, no source."""

    @property
    def hears_kit(self) -> bool:
        """True where it hears a whole drum kit: what the other drum microphones hear is no bleed in it, and its loud hits are no other source."""
        return self.kit and not self.strikes

    @property
    def carries_notes(self) -> bool:
        """True where the notes of a song are played or sung."""
        percussive, no_music = (
            self.strikes or self.kit,
            self.hears_room or self.metronome or self.to_stage or self.speaks,
        )
        return not percussive and not no_music

    @property
    def usual_blocks(self) -> tuple[str, ...]:
        """Names of those blocks."""
        return tuple(self.usual_chain.split())


_TABLE: Final = (
    Role(
        name="lead vocal", tone_advice="ask-singer", is_voice=True, leads=True, open_microphone=True, on_radio=True, urgency=0,
        family="voice", sings=True, tone_family="singing",
        usual_chain="high-pass bell high-shelf compressor",
    ),
    Role(
        name="backing vocal", tone_advice="ask-singer", is_voice=True, open_microphone=True, on_radio=True, urgency=0,
        family="voice", sings=True, tone_family="singing",
        usual_chain="high-pass bell high-shelf compressor",
    ),
    Role(
        name="speech", tone_advice="ask-speaker", is_voice=True, speaks=True, open_microphone=True, on_radio=True, urgency=0,
        family="voice", tone_family="speech",
        usual_chain="high-pass bell high-shelf compressor",
    ),
    Role(
        name="guitar", tone_advice="ask-guitar", line=True, several_microphones=True, has_presets=True, on_radio=True, family="guitar",
        usual_chain="high-pass bell high-shelf",
    ),
    Role(
        name="acoustic guitar", tone_advice="ask-pick-up", line=True, several_microphones=True, has_presets=True, resonant_body=True,
        on_radio=True, family="guitar",
        usual_chain="high-pass bell high-shelf compressor",
    ),
    Role(
        name="bass", tone_advice="ask-pick-up", line=True, several_microphones=True, has_presets=True, on_radio=True,
        usual_chain="high-pass bell compressor",
    ),
    Role(
        name="keys", tone_advice="ask-keys", line=True, has_presets=True, machine=True, tone_family="keys",
        usual_chain="high-pass bell high-shelf",
    ),
    Role(
        name="kick", strikes=True, kit=True, several_microphones=True, machine=True, own_level=False,
        family="drum", tone_family="drum",
        usual_chain="gate low-shelf bell compressor",
    ),
    Role(
        name="snare", strikes=True, kit=True, several_microphones=True, machine=True, own_level=False, open_microphone=True,
        family="drum", tone_family="drum",
        usual_chain="high-pass gate bell compressor",
    ),
    Role(
        name="toms", strikes=True, rests=True, kit=True, machine=True, own_level=False, open_microphone=True,
        family="drum", tone_family="drum",
        usual_chain="high-pass gate bell",
    ),
    Role(
        name="overheads", kit=True, open_microphone=True, spaced=True, goes_by_song=True, tone_family="cymbals",
        usual_chain="high-pass high-shelf",
    ),
    Role(
        name="percussion", strikes=True, rests=True, kit=True, machine=True, own_level=False, open_microphone=True, tone_family="percussion",
        usual_chain="high-pass bell compressor",
    ),
    Role(
        name="playback", line=True, machine=True, finished=True, may_be_silent=True, tone_family="keys",
        usual_chain="low-shelf high-shelf",
    ),
    Role(
        name="audience", hears_room=True, open_microphone=True, spaced=True, own_level=False, may_be_silent=True, shaped=False, urgency=3,
        usual_chain="high-pass",
    ),
    Role(
        name="click", metronome=True, in_a_mix=False, own_level=False, may_be_silent=True, shaped=False, urgency=3,
    ),
    Role(
        name="talkback", to_stage=True, open_microphone=True, in_a_mix=False, own_level=False, may_be_silent=True,
        shaped=False, urgency=3,
        usual_chain="high-pass",
    ),
    Role(
        name="seat", measures_room=True, hears_room=True, open_microphone=True, in_a_mix=False, own_level=False, may_be_silent=True,
        shaped=False, urgency=3,
    ),
    Role(
        name="other", unclear=True, own_level=False, may_be_silent=True, urgency=3,
    ),
)  # fmt: skip
ROLES: Final[dict[str, Role]] = {role.name: role for role in _TABLE}
"""From a role's name to what is true of it."""
