"""House file of the invented venue: its sources, patch, chains and faders."""

from __future__ import annotations

from typing import Final

SOURCES: Final = (
    ("kick", "kick", ("kick",), "1", "stage box A 1", -24, -88),
    ("snare", "snare", ("snare",), "2", "stage box A 2", -24, -88),
    ("overheads", "overheads", ("oh l", "oh r"), "3/4", "stage box A 3/4", -30, -82),
    ("bass", "bass", ("bass",), "5", "stage box A 5", None, -88),
    ("guitar a", "guitar", ("gtr a l", "gtr a r"), "6/7", "stage box A 6/7", -20, -88),
    ("guitar b", "guitar", ("gtr b l", "gtr b r"), "8/9", "stage box A 8/9", -20, -88),
    ("acoustic", "acoustic guitar", ("agtr",), "10", "stage box B 1", -24, -88),
    ("piano", "keys", ("pno l", "pno r"), "11/12", "stage box B 2/3", -20, -88),
    ("lead voice", "lead vocal", ("lead vox",), "13", "radio 1", -22, -88),
    ("voice 2", "backing vocal", ("bv 1",), "14", "stage box B 4", -22, -88),
    ("voice 3", "backing vocal", ("bv 2",), "15", "stage box B 5", -22, -88),
    ("lectern", "speech", ("spk lectern",), "16", "floor box 1", -22, -88),
    ("handheld", "speech", ("spk hand",), "17", "radio 2", -22, -88),
    ("playback", "playback", ("pb l", "pb r"), "18/19", "booth 1/2", None, -100),
    ("audience", "audience", ("aud l", "aud r"), "20/21", "ceiling 1/2", None, -74),
    ("click", "click", ("click",), "22", "booth 3", -26, -105),
)
"""Sources of the venue: name, role, tracks, channel, patch, nominal level in dBFS (None for the house's -18), noise of its input in dB,
machines below preamps below microphones in the room. Invented, with levels that are common practice, no source."""
FADERS_DB: Final = {
    "kick": -10, "snare": -12, "overheads": -10, "bass": -22, "guitar a": -24, "guitar b": -25, "acoustic": -22,
    "piano": -24, "lead voice": 0, "voice 2": -20, "voice 3": -20, "lectern": -2, "handheld": -2, "playback": -24,
}  # fmt: skip
"""Faders in dB at which the voice lies on top of the band. Common practice, no source."""
_VOICE: Final = (
    ("high-pass", 'frequency = "100 Hz"', 'slope = "18 dB/oct"'),
    ("bell", 'frequency = "300 Hz"', 'gain = "-2 dB"', "q = 1"),
)
_CHAINS: Final[dict[str, tuple[tuple[str, ...], ...]]] = {
    "kick": (
        ("high-pass", 'frequency = "35 Hz"', 'slope = "12 dB/oct"'),
        ("bell", 'frequency = "350 Hz"', 'gain = "-4 dB"', "q = 1"),
        ("gate", 'threshold = "-36 dBFS"', 'range = "-12 dB"', 'release = "250 ms"'),
    ),
    "bass": (
        ("high-pass", 'frequency = "40 Hz"', 'slope = "12 dB/oct"'),
        (
            "compressor", 'threshold = "-20 dBFS"', "ratio = 2", 'attack = "20 ms"', 'release = "200 ms"',
            'reduction = "1 to 4 dB"       # what the house wants it to take off',
        ),
    ),
    "guitar a": (
        ("high-pass", 'frequency = "90 Hz"', 'slope = "12 dB/oct"'),
        ("bell", 'frequency = "2.5 kHz"', 'gain = "-2 dB"', "q = 1"),
        ("mid-side", 'mid = "-1.5 dB"', 'side = "0 dB"'),
    ),
    "guitar b": (
        ("high-pass", 'frequency = "90 Hz"', 'slope = "12 dB/oct"'),
        ("mid-side", 'mid = "-1.5 dB"', 'side = "0 dB"'),
    ),
    "piano": (("high-pass", 'frequency = "60 Hz"'), ("bell", 'frequency = "400 Hz"', 'gain = "-1.5 dB"', "q = 1")),
    "lead voice": (
        *_VOICE,
        (
            "compressor", 'threshold = "-24 dBFS"', "ratio = 2.5", 'knee = "6 dB"', 'attack = "10 ms"',
            'release = "150 ms"', 'reduction = "1 to 4 dB"',
        ),
        ("high-shelf", 'frequency = "8 kHz"', 'gain = "1.5 dB"'),
    ),
    "voice 2": _VOICE,
    "voice 3": _VOICE,
    "lectern": (("high-pass", 'frequency = "120 Hz"', 'slope = "18 dB/oct"'),),
    "handheld": (("high-pass", 'frequency = "120 Hz"', 'slope = "18 dB/oct"'),),
}  # fmt: skip

_INPUTS: Final[dict[str, tuple[str, ...]]] = {
    "kick": (
        'preamp = "28 dB"',
        'pad = "20 dB"',
        "phantom = false",
        'microphone = "large dynamic"',
        'stand = "short boom"',
    ),
    "snare": ('preamp = "32 dB"', "phantom = false", 'microphone = "dynamic"', 'stand = "clip"'),
    "overheads": ('preamp = "34 dB"', "phantom = true", 'microphone = "condenser pair"', 'stand = "tall booms"'),
    "bass": ('preamp = "24 dB"', "phantom = true", 'microphone = "active DI"'),
    "guitar a": ('preamp = "20 dB"', "phantom = false", 'microphone = "two DIs"'),
    "guitar b": ('preamp = "20 dB"', "phantom = false", 'microphone = "two DIs"'),
    "acoustic": ('preamp = "26 dB"', "phantom = true", 'microphone = "active DI"', 'effects = ["hall"]'),
    "piano": ('preamp = "36 dB"', "phantom = true", 'microphone = "condenser pair"', 'stand = "booms under the lid"'),
    "lead voice": (
        'preamp = "30 dB"',
        'microphone = "radio handheld"',
        'stand = "straight"',
        'effects = ["hall", "echo"]',
    ),
    "voice 2": ('preamp = "38 dB"', "phantom = false", 'microphone = "dynamic"', 'stand = "boom"', 'group = "voices"'),
    "voice 3": ('preamp = "38 dB"', "phantom = false", 'microphone = "dynamic"', 'stand = "boom"', 'group = "voices"'),
    "lectern": ('preamp = "40 dB"', "phantom = true", 'microphone = "condenser gooseneck"', "mute = false"),
    "handheld": ('preamp = "12 dB"', 'microphone = "radio handheld"', "mute = false"),
    "audience": ('preamp = "44 dB"', "phantom = true", 'microphone = "condenser pair"'),
}
"""Preamp, phantom power, microphone, stand, group and effects of the sources. Invented, kinds of microphone that are common practice,
no source."""
_SENDS: Final[dict[str, tuple[str, ...]]] = {
    "lead voice": ('mix = "wedge 1"', 'level = "-6 dB"'),
    "piano": ('mix = "wedge 2"', 'level = "-9 dB"'),
}
"""Sends to the players' wedges. Invented."""
_HEARD_BY: Final = {"wedge 1": "lead voice", "wedge 2": "piano"}
"""Wedge to the source whose player stands at it. Invented."""


def house_text() -> str:
    """The house file of the invented venue."""
    lines = [
        "# Tern Street Hall. Invented: the venue, its people, its bands and their sound do not exist.",
        "",
        "[house]",
        'name = "Tern Street Hall"',
        'nominal = "-18 dBFS"            # where a source should sit while it plays, unless it says otherwise below',
        'mains = "50 Hz"',
        'tap = "preamp"',
        "",
        "[desk]",
        'gain_step = "0.5 dB"',
        'trim_step = "0.1 dB"',
        'monitors = "after-gain"',
        "",
        "[room]",
        'level = "88 dBA"',
        'mix_loudness = "-23 LUFS"',
        'limit = "95 dBA"',
    ]
    for name, role, tracks, channel, patch, nominal, _ in SOURCES:
        quoted = ", ".join(f'"{track}"' for track in tracks)
        lines += ["", "[[source]]", f'name = "{name}"', f'role = "{role}"', f"tracks = [{quoted}]"]
        lines += [f'channel = "{channel}"', f'patch = "{patch}"']
        if nominal is not None:
            lines.append(f'nominal = "{nominal} dBFS"')
        if name in FADERS_DB:
            lines.append(f'fader = "{FADERS_DB[name]} dB"')
        lines += _INPUTS.get(name, ())
        if name in _SENDS:
            lines += ["[[source.send]]", *_SENDS[name]]
        for block, *settings in _CHAINS.get(name, ()):
            lines += ["[[source.chain]]", f'block = "{block}"', *settings]
    lines += ["", "[vocal]", 'source = "lead voice"', 'clearance = "35 %"           # what the good weeks here have']
    lines.append('margin = "3 dB"              # its fader may go up by so much before others come down')
    for mix, source in _HEARD_BY.items():
        lines += ["", "[[monitor]]", f'mix = "{mix}"', f'heard_by = ["{source}"]      # whoever plays it tonight']
    return "\n".join(lines) + "\n"
