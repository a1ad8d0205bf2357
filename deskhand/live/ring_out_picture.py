"""Picture of a ring-out as plain data, for those who look on: a sentence, what rang, one question and its answers. No gauges, nothing to hunt on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from deskhand.live.ring_out import ENOUGH_DB
from deskhand.live.ring_out_text import nth, range_name, sentence

if TYPE_CHECKING:
    from deskhand.live.ring_out import RingOut
    from deskhand.live.ring_out_pair import RingOutPair, SendRing


def page_answers(state: RingOut) -> list[tuple[str, str]]:
    """Answers to choose from, the likeliest first, each with its words for a person.

    Parameters
    ----------
    state : RingOut
    """
    if state.step == "over":
        return []
    is_last = state.turn + 1 >= len(state.pairs)
    labels = []
    for answer in state.answers:
        name, values = answer, {"stands_db": state.pair.stands_db or 0.0}
        if answer == "stop" or (state.is_moved and answer == "next"):
            continue
        if answer not in ("yes", "skip", "enough", "no", "muted", "next"):
            name, values["level_db"] = "level", float(answer)
        if answer == "muted":
            values["level_db"] = state.pair.now_db or 0.0
        step = "moved" if state.is_moved else state.step
        label = sentence("answer", "told-last" if step == "told" and is_last else f"{step}-{name}", values)
        if (state.step, name) != ("stands", "level") or state.pair.known_db is not None:
            labels.append((answer, label))
    return labels


def _against(level_db: float, other_db: float, what: str) -> str:
    """By how much a level lies above or below another one, in words."""
    difference_db = level_db - other_db
    side = (
        "at" if abs(difference_db) < 0.05 else "above" if difference_db > 0 else "below"
    )  # half of the last digit told
    return sentence("page", f"{side}-{what}", {"size_db": abs(difference_db)})


def _ring_line(number: int, ring: SendRing, pair: RingOutPair, now_db: float | None) -> str:
    """Ring of a send: first, second or third, frequency in words and in Hz, and where the send stood against now and the show."""
    values: dict[str, Any] = {
        "nth": nth(number)[:1].upper() + nth(number)[1:],
        "frequency_hz": ring.frequency_hz,
        "range": range_name(ring.frequency_hz),
        "growth_db_s": ring.growth_db_s,
    }
    if ring.send_db is None or pair.stands_db is None:
        return sentence("page", "rang-new", values)
    against = [] if now_db is None else [_against(ring.send_db, now_db, "now")]
    values["against"] = "; ".join([*against, _against(ring.send_db, pair.stands_db, "show")])
    return sentence("page", "rang", values)


def found_lines(state: RingOut) -> list[str]:
    """What was found at each microphone that had its turn, a sentence each.

    Parameters
    ----------
    state : RingOut
    """
    last = len(state.pairs) if state.step == "over" else state.turn
    return [state.told_of(turn) for turn in range(last) if state.pairs[turn].stands_db is not None]


def _left_line(pair: RingOutPair) -> str:
    left_db = pair.left_db
    if left_db is None:
        return ""
    return sentence(
        "page", "left" if left_db > 0 else "left-nothing", {"margin_db": left_db, "down_db": ENOUGH_DB - left_db}
    )


def ring_out_picture(state: RingOut) -> dict[str, Any]:
    """Picture of a ring-out that is going on.

    Parameters
    ----------
    state : RingOut
    """
    pair = state.pair
    is_told = state.step in ("raise", "rang", "cut", "told")
    takes_level = state.step in ("stands", "raise", "rang")
    proposed_db = state.answers[0] if takes_level else ""
    return {
        "sentence": state.now_sentence,
        "question": state.question,
        "key": state.key,
        "cautions": [*state.cautions, *([sentence("page", "local")] if state.cautions else [])],
        "rang": [
            _ring_line(number, ring, pair, state.send_now_db)
            for number, ring in enumerate(pair.rings if is_told else (), 1)
        ],
        "left": _left_line(pair) if is_told else "",
        "cuts": [
            sentence("page", "cut", {"cut_hz": cut.frequency_hz, "cut_db": cut.gain_db, "q": cut.q})
            for cut in (pair.cuts if is_told else ())
        ],
        "answers": [{"answer": answer, "label": label} for answer, label in page_answers(state)],
        "level": f"{float(proposed_db):g}" if takes_level else "",
        "safe": state.step == "safe",
        "stop": state.step == "rang",
        "found": found_lines(state),
        "to_come": []
        if state.step == "over"
        else [
            sentence("word", "pair", {"source": later.source, "mix": later.mix_words})
            for later in state.pairs[state.turn + 1 :]
        ],
    }
