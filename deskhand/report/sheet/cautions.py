"""Cautions of a sheet: who on stage hears a change, where an open microphone may feed back, and phantom power."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import (
    ROLES,
    BellBlock,
    CompressorBlock,
    GainBlock,
    HighPassBlock,
    HighShelfBlock,
    LowShelfBlock,
    TrimBlock,
)
from deskhand.moves.move import who_hears
from deskhand.report.sheet.settings import paired
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import ChainBlock, Desk, Source

PHANTOM_CAUTION: Final = "Phantom power: mute before switching it; not on a ribbon microphone, nor on a DI or a line output, unless its maker allows it."
"""Usual caution. Common practice, no source."""
_RIBBON: Final = "ribbon"
"""Word by which a house file tells that a microphone is one, in any case. Common practice, no source."""


def _raise_db(block: ChainBlock | None) -> float:
    """Gain in dB, at its most, that a block adds to the signal of an open microphone."""
    if isinstance(block, GainBlock | TrimBlock | BellBlock | LowShelfBlock | HighShelfBlock):
        return block.gain_db
    return block.makeup_db if isinstance(block, CompressorBlock) else 0.0


def change_cautions(source: Source, old: Source | None, desk: Desk, turns_db: Sequence[float] = ()) -> tuple[str, ...]:
    """Cautions that belong to the changes of an input: who hears them on stage, and what may feed back.

    Parameters
    ----------
    source : Source
    old : Source, optional
        As it was before; None: nothing is compared, and the chain counts as it stands.
    desk : Desk
    turns_db : sequence of float
        Changes of its preamp, in dB.
    """
    stage = bool(turns_db) and "monitors" in who_hears("gain", desk)
    raises = any(turn_db > 0 for turn_db in turns_db)
    old_chain = source.chain if old is None else old.chain
    before, gone = paired(source.chain, old_chain)
    for chain, pairs in (
        (source.chain, list(zip(source.chain, before, strict=True))),
        (old_chain, [(None, block) for block in gone]),
    ):
        first = next((block for block in chain if isinstance(block, HighPassBlock)), None)
        for new_block, old_block in pairs:
            block = old_block if new_block is None else new_block
            if block is None or new_block == old_block:
                continue
            stage |= "monitors" in who_hears(block.block, desk, first_high_pass=block is first)
            raises |= _raise_db(new_block) > _raise_db(old_block)
    if old is not None:
        stage |= is_heard_on_stage(source, old, desk)
        raises |= is_raised(source, old)
    if old is not None and source.fader_db is not None and source.mute is not True:
        raises |= old.fader_db is None or old.mute is True or source.fader_db > old.fader_db
    feedback = raises and ROLES[source.role].open_microphone
    return (*((phrase("tell the stage first"),) if stage else ()), *((phrase("mind feedback"),) if feedback else ()))


def input_cautions(source: Source, old: Source | None) -> tuple[str, ...]:
    """Cautions on the phantom power of an input: where it is switched, and where it may do harm."""
    cautions = []
    if old is not None and source.phantom is not None and source.phantom != old.phantom:
        cautions.append(phrase("mute before switching phantom power"))
    if source.phantom and _RIBBON in (source.microphone or "").casefold():
        cautions.append(phrase("phantom power on a ribbon microphone: only if its maker allows it"))
    return tuple(cautions)


def is_raised(source: Source, old: Source) -> bool:
    """True where the preamp, the pad or a send of an input lets more through than before; what was not written down is not compared."""
    if source.preamp_db is not None and old.preamp_db is not None and source.preamp_db > old.preamp_db:
        return True
    if source.pad_db is not None and old.pad_db is not None and source.pad_db < old.pad_db:
        return True
    before = {send.mix: send.level_db for send in old.send}
    return bool(before) and any(send.level_db > before.get(send.mix, -np.inf) for send in source.send)


def is_heard_on_stage(source: Source, old: Source, desk: Desk) -> bool:
    """True where the players hear a change of the preamp, the pad or a pre-fader send; what was not written down is not compared."""
    pairs = ((source.preamp_db, old.preamp_db), (source.pad_db, old.pad_db))
    if any(None not in pair and pair[0] != pair[1] for pair in pairs):
        return "monitors" in who_hears("gain", desk)
    before, after = ([send for send in listed.send if not send.after_fader] for listed in (old, source))
    return bool(old.send) and before != after
