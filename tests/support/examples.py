"""Findings with plausible values: one of each sentence of the catalogue."""

from __future__ import annotations

import string
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, Final

from deskhand.findings import Finding
from deskhand.findings.kinds import ENTRIES

if TYPE_CHECKING:
    from deskhand.findings.entry import KindEntry

VALUES: Final[dict[str, dict[str, dict[str, Any]]]] = {
    # kind: case: advice, facts, and the other values its sentence needs
    "missing": {"track": {"advice": ("near-name",), "facts": {"tracks": ["keys l", "keys r"], "near": "key left"}}},
    "silent": {
        "digital": {"advice": ("mute-and-look",)},
        "quiet": {"advice": ("mute-and-look",), "measured": -71.0, "unit": "dBFS"},
        "not-arrived": {"advice": ("look-muted",)},
        "passed-over": {"advice": ("look-muted",)},
        "heard-only": {"facts": {"by": " by Ana"}},
        "before-the-start": {},
        "from-then-on": {"advice": ("mute-and-check-cable-battery",), "facts": {"begin_s": 192.4}, "at_s": ((192.4, 240.0),)},
    },
    "line-check": {"unlike": {"advice": ("check-gain",), "facts": {"change": "7 dB quieter than in any of its 12 line checks"}}},
    "level-high": {
        case: {
            "advice": ("lower",), "cautions": ("tell-stage",), "measured": -12.0, "expected": -18.0, "unit": "dBFS", "change_db": -6.0,
            "facts": {"off_db": 6.0, "after_gains": after, "turned": "trim", "turn_db": 6.0},
        }
        for case, after in (("above", ""), ("above-fine", " after its gain of +3 dB"))
    } | {
        "asked-above": {
            "advice": ("answer-level",), "measured": -12.0, "expected": -18.0, "unit": "dBFS", "facts": {"off_db": 6.0},
        },
    },
    "level-low": {
        case: {
            "advice": ("raise",), "cautions": ("feedback", "tell-stage"), "measured": -24.0, "expected": -18.0, "unit": "dBFS",
            "change_db": 6.0, "facts": {"off_db": 6.0, "after_gains": "", "turned": "trim", "turn_db": 6.0},
        }
        for case in ("below", "below-fine")
    } | {
        "unused": {"advice": ("use-first",), "measured": -40.0, "expected": -18.0, "unit": "dBFS"},
        "far-below": {
            "advice": ("gain-and-reduction",), "measured": -40.0, "expected": -18.0, "unit": "dBFS",
            "facts": {"off_db": 22.0, "after_gains": ""},
        },
        "asked-below": {
            "advice": ("answer-level",), "measured": -24.0, "expected": -18.0, "unit": "dBFS", "facts": {"off_db": 6.0},
        },
    },
    "clipped": {
        case: {
            "advice": advice, "measured": -0.02, "unit": "dBFS", "at_s": ((3.0, 3.1),), **change,
            "facts": {"count_words": "34", "when": "at 0:03", "turn_db": 14.0, "peak_dbfs": -10.0, "over_db": 4.0, "cut_share_pct": 10.0},
        }
        for case, advice, change in (
            ("full-scale", ("lower-preamp", "until-played"), {"change_db": -14.0}), ("below", ("before-the-desk",), {})
        )
    },
    "headroom": {
        "tap": {
            "advice": ("lower",), "cautions": ("tell-stage",), "measured": -0.2, "unit": "dBTP", "change_db": -5.8,
            "facts": {"room_db": 0.2, "turned": "gain", "turn_db": 5.8},
        },
        "chain": {"advice": ("lower-output",), "measured": 1.2, "unit": "dBTP", "facts": {"block": "dynamic bell"}},
    },
    "dc": {"offset": {"advice": ("converter-first",), "measured": -26.0, "unit": "dBFS", "facts": {"offset_pct": 5.0}}},
    "hum": {
        "hum": {
            "advice": ("ground", "other-mains"), "measured": -40.0, "unit": "dB",
            "facts": {"below_db": 40.0, "lines_hz": [60.0, 120.0, 180.0], "house_mains_hz": 50.0},
        }
    },
    "noise": {"pauses": {"advice": ("hiss-first",), "measured": -45.0, "unit": "dBFS", "facts": {"below_db": 24.0}}},
    "dropout": {
        "here": {
            "advice": ("mute-and-check-cable-link",), "measured": 2, "unit": "count", "facts": {"longest_ms": 31.0},
            "at_s": ((3.0, 3.03), (9.5, 9.52)),
        },
        "together": {
            "advice": ("recorder",), "measured": 1, "unit": "count", "facts": {"longest_ms": 31.0, "tracks_together": 8},
            "at_s": ((3.0, 3.03),),
        },
    },
    "clicks": {
        "clicks": {
            "advice": ("word-clock",), "measured": 6, "unit": "count", "facts": {"count": 6},
            "at_s": tuple((10.0 * n, 10.0 * n) for n in range(6)),
        }
    },
    "wireless-hit": {
        "hits": {"advice": ("radio",), "measured": 1, "unit": "count", "facts": {"count": 1}, "at_s": ((6.5, 6.6),)}
    },
    "howl": {
        "tone": {
            "advice": ("nearest-wedge",), "measured": 2515.0, "unit": "Hz", "at_s": ((8.0, 12.0),), "facts": {"growth_db_s": 12.0},
        },
        "tone-stands": {"advice": ("nearest-wedge",), "measured": 2515.0, "unit": "Hz", "at_s": ((8.0, 12.0),)},
        "now": {"advice": ("mute-then-find",), "measured": 2515.0, "unit": "Hz", "facts": {"growth_db_s": 12.0}},
        "either": {
            "advice": ("mute-then-that-mix",), "measured": 2515.0, "unit": "Hz", "other": "voice 2",
            "facts": {"growth_db_s": 12.0, "mix": "wedge 1"},
        },
        "stands": {
            "advice": ("that-send-down-then-mute", "fader-does-not-reach"), "measured": 2515.0, "unit": "Hz",
            "facts": {"level_dbfs": -3.0, "mix": "wedge 1"},
        },
        "grows-still": {"advice": ("mute-at-once",), "measured": 2515.0, "unit": "Hz", "facts": {"level_dbfs": -12.0}},
    },
    "one-sided": {
        "silent": {"advice": ("mute-and-check-cable-patch",), "track": "keys r", "other": "keys l"},
        "quieter": {
            "advice": ("mute-and-check-cable-patch",), "track": "keys r", "other": "keys l", "measured": -15.0, "unit": "dB",
            "facts": {"apart_db": 15.0},
        },
        "for-a-while": {
            "advice": ("mute-and-check-cable-patch",), "track": "keys r", "other": "keys l",
            "facts": {"begin_s": 62.0, "gone_s": 9.0}, "at_s": ((62.0, 71.0),),
        },
    },
    "duplicate": {
        "sides": {"advice": ("second-output",), "measured": 1.0, "unit": "1"},
        "tracks": {"advice": ("patched-twice",), "track": "bass", "other": "keys", "facts": {"first": "bass", "second": "key l"}},
    },
    "polarity": {
        case: {
            "advice": (advice,), "track": track, "other": other, "measured": -9.3, "expected": -0.4, "unit": "dB",
            "facts": {"flip_words": "mono loses 9.3 dB as it is, 0.4 dB with one reversed", **inverted},
        }
        for case, advice, track, other, inverted in (
            ("sides", "reverse-polarity", "keys r", "keys l", {"inverted": "keys r"}),
            ("microphones", "reverse-polarity-unless", None, "kick in", {"inverted": "kick out"}),
            ("kept", "exchanged-cable-or-reverse", None, None, {}),
            ("kept-numbers", "exchanged-cable", None, None, {}),
        )
    },
    "delay": {
        "late": {"advice": ("second-conversion",), "track": "keys r", "measured": 2.1, "unit": "ms", "facts": {"late_ms": 2.1}},
        "pick-ups": {"advice": ("delay-earlier",), "other": "bass di", "measured": 1.4, "unit": "ms", "facts": {
            "late_ms": 1.4, "earlier": "bass di", "later": "bass mic", "sum_words": "mono loses 1.8 dB as it is, 3.5 dB with one reversed, 0.4 dB with "
            "bass di delayed; in the loudest octaves, 63 Hz (9.2 dB, 0.3 dB, 0.2 dB) and 125 Hz (0.6 dB, 9.0 dB, 0.3 dB)",
        }},
    },
    "mono-loss": {
        "source": {"advice": ("narrow-at-rig",), "facts": {"loss_db": 7.0}},
        "switch": {"advice": ("take-switch-out",), "facts": {"loss_db": 7.0, "tap_loss_db": 0.4}},
        "kept": {"advice": ("hear-mono",), "facts": {"loss_db": 4.0, "usual_loss_db": 1.0}},
        "mix": {"advice": ("hear-mono-mix",), "facts": {"loss_db": 4.0}},
    },
    "in-the-mix": {
        "input": {"advice": ("wrong-send",), "other": "talkback", "measured": -30.0, "unit": "dB", "facts": {"below_db": 30.0}},
        "click": {"advice": ("headphones",), "other": "click", "measured": -30.0, "unit": "dB", "facts": {"below_db": 30.0}},
        "mix": {"advice": ("off-the-bus",), "other": "click", "measured": -50.0, "unit": "dB", "facts": {"below_db": 50.0}},
    },
    "vocal-covered": {
        "covered": {
            "advice": ("hear-the-mix",), "other": "guitar a", "measured": 31.0, "unit": "%", "at_s": ((61.0, 65.0),),
            "facts": {"covered_pct": 33.3, "when": "at 1:01"},
        }
    },
    "swapped": {
        "exchanged": {"advice": ("ask-then-swap",), "other": "keys", "measured": 31.0, "unit": "nats"},
        "turn": {"advice": ("if-that-player",), "track": "bass", "other": "keys"},
        "turns": {"advice": ("if-those-players",), "track": "bass", "other": "keys"},
    },
    "wrong-patch": {"unlike": {"advice": ("check-plugged",), "other": "keys", "measured": 44.0, "unit": "nats"}},
    "dynamics": {
        "reduction": {
            "advice": ("lower-threshold",), "metric": "reduction_db", "measured": 1.2, "unit": "dB",
            "facts": {"block": "compressor", "low_db": 2.0, "high_db": 4.0},
        },
        "more": {"advice": ("hear-open",), "measured": 18.0, "expected": 14.0, "unit": "dB", "facts": {"off_db": 4.0}},
        "less": {"advice": ("hear-squeezed",), "measured": 10.0, "expected": 14.0, "unit": "dB", "facts": {"off_db": 4.0}},
    },
    "tone": {
        "more": {"advice": ("ask-singer",), "facts": {"word": "brighter", "off_db": 6.0, "band": "at 4 kHz"}},
        "less": {"advice": ("ask-mix",), "facts": {"word": "thinner", "off_db": 4.0, "band": "from 63 Hz to 125 Hz"}},
    },
    "tail": {
        "more": {"advice": ("hear-reverb",), "measured": 1.6, "expected": 0.8, "unit": "s"},
        "less": {"advice": ("hear-gate",), "measured": 0.4, "expected": 0.8, "unit": "s"},
    },
    "articulation": {
        "more": {"advice": ("hear-touch",), "facts": {"off_db": 4.0}},
        "less": {"advice": ("hear-blur",), "facts": {"off_db": 4.0}},
    },
    "width": {
        "more": {"advice": ("hear-wide",), "facts": {"off_db": 4.0}},
        "less": {"advice": ("hear-narrow",), "facts": {"off_db": 4.0}},
        "right": {"advice": ("compare-gains",), "facts": {"off_db": 4.0}},
        "left": {"advice": ("compare-gains",), "facts": {"off_db": 4.0}},
    },
    "harsh": {"more": {"advice": ("hear-harsh",), "measured": 40.0, "expected": 20.0, "unit": "%"}},
    "drift": {
        "crept": {
            "advice": ("see-history",),
            "facts": {"label": "level", "crept": "crept up over 12 takes", "start": "−18", "newest": "−14.5", "number_unit": "dBFS"},
        },
        "crept-tone": {
            "advice": ("see-history",),
            "facts": {"label": "tone around 8 kHz", "crept": "crept down by 0.5 dB a week for 15 weeks", "gone": "7.5", "number_unit": "dB"},
        },
        "crept-tone-so-far": {
            "advice": ("see-history",),
            "facts": {"label": "tone around 8 kHz", "crept": "crept down by about 3.2 dB in 7 weeks"},
        },
        "stepped": {
            "advice": ("see-history",),
            "facts": {"label": "level", "crept": "4.1 dB lower for 6 weeks", "start": "−18", "newest": "−22.1", "number_unit": "dBFS"},
        },
        "stepped-tone": {
            "advice": ("see-history",), "facts": {"label": "tone around 8 kHz", "crept": "4.1 dB lower for 6 weeks"},
        },
    },
    "unmatched-track": {
        "track": {"advice": ("add-to-house",)},
        "near": {"advice": ("add-to-house",), "facts": {"near": "key left"}},
    },
}  # fmt: skip


def _plausible(entry: KindEntry) -> dict[str, dict[str, Any]]:
    """Cases of a kind with a file of its own, each with a value for all that its sentence names."""
    cases: dict[str, dict[str, Any]] = {}
    own = {field.name for field in fields(Finding)}
    for case, sentence in entry.sentences.items():
        holes = [(name, form or "") for _, name, form, _ in string.Formatter().parse(sentence) if name]
        values = {name: _OF_FORM.get(form, 6.0) for name, form in holes}
        facts = {name: value for name, value in values.items() if name not in own}
        cases[case] = {**{name: value for name, value in values.items() if name in own}, "facts": facts}
    return cases


_OF_FORM: Final[dict[str, Any]] = {
    "": "keys l",
    "times": ((3.0, 3.1),),
    "listed": ["keys l"],
    "lines": [50.0],
    "plural": 2,
}
VALUES.update({entry.kind.name: _plausible(entry) for entry in ENTRIES})


def example(
    kind: str, severity: str = "fix", *, source: str = "piano", case: str | None = None, **more: Any
) -> Finding:
    """A finding of a kind, with all that its sentence needs; `more` puts other values in their place."""
    case = case or next(iter(VALUES[kind]))
    plausible = Finding(
        id=f"{source}/{kind}",
        kind=kind,
        stage="tap",
        severity=severity,  # type: ignore[arg-type]
        what=case,
        **VALUES[kind][case],
    )
    return replace(plausible, **more)
