"""What is said of a tone that builds up while it is listened to, and what to do first: a finding like that of a recording, in words of its own."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.findings import Finding, say, with_live_advice
from deskhand.live.messages import LiveMessage

if TYPE_CHECKING:
    from deskhand.live.tones import RingingTone
    from deskhand.recording.show import Phase

_GROWS_DB_S: Final = 1.0
"""Growth from which a tone is said to grow; one that grows less has come to the end of what its monitor gives. Common practice, no source."""


def ringing_finding(tone: RingingTone, phase: Phase) -> Finding:
    """Finding of a tone that builds up: where, how fast, and what first.

    At line check and soundcheck the microphone is muted; during the show its send goes down 3 to 6 dB, and it is muted if the tone still grows. A tone
    that still grows after it was told is muted in any case.

    Parameters
    ----------
    tone : RingingTone
    phase : str
        Of the listening.
    """
    named = with_live_advice(
        Finding(
            id=f"{tone.microphones[0]}/howl",
            kind="howl",
            stage="tap",
            severity="fix",
            what=_case(tone),
            measured=round(tone.frequency_hz, 1),
            unit="Hz",
            other=tone.microphones[1] if len(tone.microphones) > 1 else None,
            facts={
                "growth_db_s": tone.growth_db_s,
                "level_dbfs": tone.level_dbfs,
                **({"mix": " or ".join(tone.mixes)} if tone.mixes else {}),
            },
            at_s=((tone.since_s, tone.told_s),),
        ),
        phase,
    )
    return _with_mix(named, tone, phase)


def _case(tone: RingingTone) -> str:
    """Name of the sentence in the catalogue."""
    if tone.grows_still:
        return "grows-still"
    if tone.growth_db_s < _GROWS_DB_S:
        return "stands"
    return "either" if len(tone.microphones) > 1 else "now"


def _with_mix(finding: Finding, tone: RingingTone, phase: Phase) -> Finding:
    """Finding whose advice names the mix, where the house file tells which it can be."""
    if tone.grows_still:
        return replace(finding, advice=("mute-at-once",))
    if not tone.mixes:
        return finding
    if phase != "show":
        return replace(finding, advice=("mute-then-that-mix",))
    return replace(
        finding, advice=("that-send-down-then-mute",) + (() if tone.fader_reaches else ("fader-does-not-reach",))
    )


def ringing_message(tone: RingingTone, phase: Phase) -> LiveMessage:
    """Urgent message of a tone that builds up.

    Parameters
    ----------
    tone : RingingTone
    phase : str
        Of the listening.
    """
    return LiveMessage(
        time_s=tone.told_s,
        source=tone.microphones[0],
        text=say(ringing_finding(tone, phase)),
        urgent=True,
        tone_hz=tone.frequency_hz,
    )
