"""Outcome of the moves for a voice in words, from the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.findings import is_covered
from deskhand.moves.space import WORTH_PCT
from deskhand.moves.text import sentence

if TYPE_CHECKING:
    from deskhand.mix.clearance import Clearance
    from deskhand.moves.space import Hand
    from deskhand.moves.voice_moves import VoiceRoom

_LOST_DB: Final = 0.3
"""Mono loss that is named: less is not heard. Common practice, no source."""
_TOLD_DB: Final = 0.5
"""Rise of a fader that is named: it is told in whole decibels. Arithmetic."""


def voice_text(
    lead: Clearance,
    after: Clearance,
    room: VoiceRoom | None,
    *,
    covered: bool,
    own_input_first: bool,
    fader_up_db: float = 0.0,
) -> str:
    """Outcome of the moves for the lead voice: one change on one scale, who is moved for it, and what is not reached.

    Parameters
    ----------
    lead, after : Clearance
        Of the voice as it stands, and run again with the moves.
    room : VoiceRoom or None
        None where nobody was asked to make room.
    covered : bool
        Whether the voice was found covered.
    own_input_first : bool
        Whether the voice's own input has to be mended first: at the rig, the patch or its preamp.
    fader_up_db : float
        Rise of the voice's fader that is set by ear behind its preamp, and is in the outcome.
    """
    facts = {"before_pct": lead.audible_pct.mono, "after_pct": after.audible_pct.mono, "fader_up_db": fader_up_db}
    change = sentence("voice", "change-with-fader" if fader_up_db >= _TOLD_DB else "change", facts)
    if own_input_first and covered:
        return f"{change}; {sentence('voice', 'own-input-first', {})}"
    if room is None:
        if is_covered(after) and not is_covered(lead):
            return f"{change}; {sentence('voice', 'covered-by-moves', {})}"
        return change
    space = room.space
    if space is None:
        enough = _pct(after, indexed=room.indexed) >= room.wanted_pct - WORTH_PCT
        return change if enough else f"{change}; {sentence('voice', 'nothing-helps', {})}"
    sentences = [f"{change}: {', then '.join(_hand_text(hand) for hand in space.hands)}"]
    scale = "index" if room.indexed else "share"
    reached_pct = _pct(after, indexed=room.indexed)
    if reached_pct < space.wanted_pct - WORTH_PCT:
        facts = {"reached_pct": reached_pct, "wanted_pct": space.wanted_pct, "hands": len(space.hands)}
        sentences.append(sentence("voice", f"not-reached-{scale}", facts))
        if space.plain_db is not None:
            sentences.append(sentence("voice", "all-alike", {"down_db": space.plain_db}))
    if space.mono_loss_after_db <= space.mono_loss_before_db - _LOST_DB:
        losses = {"before_db": -space.mono_loss_before_db, "after_db": -space.mono_loss_after_db}
        sentences.append(sentence("voice", "mono-loss", losses))
    return ". ".join(sentences)


def _pct(clearance: Clearance, *, indexed: bool) -> float:
    """Clearance in the mono sum on the scale it is wanted on."""
    return (clearance.clearance_pct if indexed else clearance.audible_pct).mono


def _hand_text(hand: Hand) -> str:
    """One hand in a few words."""
    bell_hz = hand.giving.bell.frequency_hz if hand.giving.bell is not None else 0.0
    facts: dict[str, Any] = {
        "source": ", ".join(hand.sources), "group": hand.group, "change_db": hand.change_db, "frequency_hz": bell_hz,
    }  # fmt: skip
    return sentence("hand", hand.kind, facts)
