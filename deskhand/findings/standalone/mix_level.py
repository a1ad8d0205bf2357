"""Recorded mix that is louder or quieter than the kept ones."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="mix-level",
        words="loudness of the recorded mix",
        meaning="the recorded mix is louder or quieter than the house's kept ones (*listen*)",
        act="the level of the feed, not the faders",
        tier="judgement",
        before="harsh",
    ),
    sentences={
        "more": "{off_db:1} LU louder than the kept mixes",
        "less": "{off_db:1} LU quieter than the kept mixes",
    },
    number="mix-level",
    number_advice={"more": "turn-the-feed", "less": "turn-the-feed"},
    # there is one of it in a show, and who mixes wants to hear of it (docs/validation-recorded-mix.md)
    own_chance=0.01,
    who="desk",
    advice={
        "turn-the-feed": Advice(
            text="look at the level of the feed to the stream or the recorder before any fader", who="desk"
        )
    },
)
