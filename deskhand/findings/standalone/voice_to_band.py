"""Lead voice louder or quieter against the band in the recorded mix than in the kept ones."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="voice-to-band",
        words="lead voice against the band",
        meaning="the lead voice is louder or quieter against everything else in the recorded mix than in the house's kept mixes, 200 Hz to 5 kHz "
        "while it sings (*listen*)",
        act="its fader and those of the band, on the feed",
        tier="judgement",
        before="harsh",
    ),
    sentences={
        "more": "the lead voice is {off_db:1} dB louder against the band than in the kept mixes",
        "less": "the lead voice is {off_db:1} dB quieter against the band than in the kept mixes",
    },
    number="voice-to-band",
    number_advice={"more": "hear-the-balance", "less": "hear-the-balance"},
    # there is one of it in a show, and who mixes wants to hear of it (docs/validation-recorded-mix.md)
    own_chance=0.01,
    who="desk",
    advice={
        "hear-the-balance": Advice(
            text="listen to the feed, and compare the voice's fader and the band's with a kept week", who="desk"
        )
    },
)
