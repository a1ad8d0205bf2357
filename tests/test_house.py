"""The house file: what DESIGN says it may hold, what is refused and how, tracks to sources, values written back.

In order: the example of DESIGN 5, every block, what is said of each kind of mistake, where the file is looked for,
matching, writing back.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import FrozenInstanceError
from pathlib import Path
from typing import TYPE_CHECKING, Final, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.errors import HouseError
from deskhand.house import (
    BLOCK_NAMES,
    ROLES,
    House,
    HouseFile,
    Source,
    find_house,
    match_tracks,
    parse_house,
    read_house,
    write_values,
)
from deskhand.recording.show import Tap

if TYPE_CHECKING:
    from collections.abc import Sequence

PLACE: Final = Path("house.toml")
# a busy machine may take its time: only the answer counts
unhurried = settings(deadline=None)

# DESIGN 5, word for word, and the lead voice that its last table speaks of
EXAMPLE: Final = """\
[house]
name = "Tern Street Hall"
nominal = "-18 dBFS"            # where a source should sit
mains = "50 Hz"
tap = "preamp"                  # where the recording takes its tracks; per take or per source where it differs

[desk]                          # what can be set at all; a move never asks for more
gain_step = "0.5 dB"            # preamp
trim_step = "0.1 dB"            # digital
equaliser = { bells = 4, gain_step = "0.5 dB", gain_max = "15 dB", frequency_step = "1/12 octave", q = [0.5, 0.7, 1, 1.4, 2, 2.8, 4, 5.6], per_side = true, mid_side = false }
monitors = "after-gain"         # what the players' mixes follow: a change there is heard by them

[room]
level = "88 dBA"                # at the mix position, when the mix sits at mix_loudness
mix_loudness = "-23 LUFS"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno l", "pno r"]     # names in the recording, or channel numbers
channel = "9/10"                # where it is on the desk
patch = "stage box B 1/2"
fader = "-6 dB"
[[source.chain]]
block = "high-pass"
frequency = "50 Hz"
slope = "12 dB/oct"
[[source.chain]]
block = "bell"
on = "both"                     # left, right, mid, side, both (default)
frequency = "400 Hz"
gain = "-1.5 dB"
q = 1
[[source.chain]]
block = "compressor"
detector = "linked"             # linked (default), dual, mid-side
threshold = "-16 dBFS"
ratio = 1.5
reduction = "1 to 2 dB"         # what the house wants; moves set the threshold

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = [3]

[vocal]
source = "lead voice"
clearance = "70 %"              # wanted; learned from kept shows when absent
"""

SMALL: Final = '[house]\nname = "Hall"\n'
VOICE: Final = '[[source]]\nname = "voice"\nrole = "lead vocal"\ntracks = ["vox"]\n'


def parsed(text: str) -> HouseFile:
    return parse_house(text, PLACE)


class TestExample:
    def test_house_desk_room_vocal(self) -> None:
        house = parsed(EXAMPLE)
        assert house.house.name == "Tern Street Hall"
        assert house.house.nominal_dbfs == -18.0
        assert house.house.mains_hz == 50.0
        assert house.house.tap == "preamp"
        assert house.desk.gain_step_db == 0.5
        assert house.desk.trim_step_db == 0.1
        assert house.desk.monitors == "after-gain"
        assert house.desk.equaliser.bells == 4
        assert house.desk.equaliser.gain_step_db == 0.5
        assert house.desk.equaliser.gain_max_db == 15.0
        assert house.desk.equaliser.frequency_step_octave == 1 / 12
        assert house.desk.equaliser.q == [0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6]
        assert house.desk.equaliser.per_side is True
        assert house.desk.equaliser.mid_side is False
        assert house.room is not None
        assert house.room.level_dba == 88.0
        assert house.room.mix_loudness_lufs == -23.0
        assert house.vocal is not None
        assert house.vocal.source == "lead voice"
        assert house.vocal.clearance_pct == 70.0

    def test_source(self) -> None:
        piano, voice = parsed(EXAMPLE).source
        assert (piano.name, piano.role, piano.tracks) == ("piano", "keys", ["pno l", "pno r"])
        assert (piano.channel, piano.patch, piano.fader_db) == ("9/10", "stage box B 1/2", -6.0)
        assert piano.is_pair
        assert piano.used
        assert voice.tracks == [3]
        assert not voice.is_pair
        assert voice.chain == []

    def test_chain(self) -> None:
        high_pass, bell, compressor = parsed(EXAMPLE).source[0].chain
        assert high_pass.block == "high-pass"
        assert (high_pass.frequency_hz, high_pass.slope_db_per_octave, high_pass.on) == (50.0, 12.0, "both")
        assert bell.block == "bell"
        assert (bell.frequency_hz, bell.gain_db, bell.q, bell.on) == (400.0, -1.5, 1.0, "both")
        assert compressor.block == "compressor"
        assert (compressor.threshold_dbfs, compressor.ratio, compressor.detector) == (-16.0, 1.5, "linked")
        assert compressor.reduction_db == (1.0, 2.0)

    def test_nominal_of_a_source_is_its_own_or_the_house_s(self) -> None:
        house = parsed(EXAMPLE.replace('role = "lead vocal"', 'role = "lead vocal"\nnominal = "-20 dBFS"'))
        assert [house.nominal_dbfs(source) for source in house.source] == [-18.0, -20.0]

    def test_nothing_but_a_name_is_needed(self) -> None:
        house = parsed(SMALL)
        assert house.house.nominal_dbfs == -18.0
        assert house.source == []
        assert house.room is None

    def test_line_ends_of_another_system(self) -> None:
        assert parsed(EXAMPLE.replace("\n", "\r\n")) == parsed(EXAMPLE)


# block: (lines, field, value); together every block of DESIGN 5
BLOCKS: Final = [
    ("gain", 'gain = "-3 dB"', "gain_db", -3.0),
    ("trim", 'gain = "+1.5 dB"', "gain_db", 1.5),
    ("polarity", 'on = "left"', "on", "left"),
    ("delay", 'time = "3 ms"', "time_s", 0.003),
    ("delay", 'time = "3.432 m"', "time_s", 0.01),  # sound goes 343.2 m a second at 20 degrees (ISO 9613-1:1993)
    ("high-pass", 'frequency = "80 Hz"', "frequency_hz", 80.0),
    ("low-pass", 'frequency = "8 kHz"\nslope = "24 dB/oct"', "slope_db_per_octave", 24.0),
    ("bell", 'frequency = "400 Hz"\ngain = "2 dB"\nq = 2', "q", 2.0),
    ("low-shelf", 'frequency = "120 Hz"\ngain = "2 dB"', "gain_db", 2.0),
    ("high-shelf", 'frequency = "8 kHz"\ngain = "-2 dB"\nq = 1.2', "q", 1.2),
    ("saturation", 'drive = "3 dB"', "drive_db", 3.0),
    ("gate", 'threshold = "-40 dBFS"\nhold = "80 ms"', "hold_s", 0.08),
    ("compressor", 'threshold = "-16 dBFS"\nratio = "rising"', "ratio", "rising"),
    ("compressor", 'threshold = "-16 dBFS"\nrelease = "two-stage"', "release_s", "two-stage"),
    ("compressor", 'threshold = "-16 dBFS"\nrelease = "120 ms"\ndetector = "mid-side"', "release_s", 0.12),
    ("dynamic-bell", 'frequency = "3 kHz"\nthreshold = "-30 dBFS"\ngain = "-4 dB"', "threshold_dbfs", -30.0),
    ("mid-side", 'mid = "1 dB"\nside = "-2 dB"', "side_db", -2.0),
    ("pan", "position = -30", "position", -30.0),
    ("limiter", 'ceiling = "-2 dBFS"', "ceiling_dbfs", -2.0),
    ("curve", 'file = "measured.csv"', "file", "measured.csv"),
]


def with_block(block: str, lines: str) -> str:
    return f'{SMALL}{VOICE}[[source.chain]]\nblock = "{block}"\n{lines}\n'


@pytest.mark.parametrize(("block", "lines", "name", "value"), BLOCKS)
def test_every_block_is_read(block: str, lines: str, name: str, value: float | str) -> None:
    [found] = parsed(with_block(block, lines)).source[0].chain
    assert found.block == block
    # a product of two decimals: one rounding
    assert getattr(found, name) == (pytest.approx(value, rel=1e-15) if isinstance(value, float) else value)


def test_the_table_above_holds_every_block() -> None:
    assert {block for block, *_ in BLOCKS} == set(BLOCK_NAMES)


@pytest.mark.parametrize("role", ROLES)
def test_every_role_is_read(role: str) -> None:
    house = parsed(SMALL + VOICE.replace("lead vocal", role))
    assert (house.source or house.seat)[0].role == role


@pytest.mark.parametrize("tap", get_args(Tap))
def test_every_tap_is_read(tap: str) -> None:
    assert parsed(f'{SMALL}tap = "{tap}"').house.tap == tap


# text, what the line must say; one of each kind of mistake at each place it can be made
MISTAKES: Final = [
    pytest.param(
        '[house]\nname = "Hall\ntap = "preamp"', r"line 2: not readable as TOML: .*; mend that line", id="syntax"
    ),
    pytest.param("[house\n", r"line 1: not readable as TOML", id="syntax-header"),
    pytest.param('[house]\nname = "a"\nname = "b"\n', r"line 3: not readable as TOML", id="same-key-twice"),
    pytest.param("a = " + "[" * 5000, r"house\.toml.*not readable as TOML", id="nested-without-end"),
    pytest.param("", r'the key "house" is missing; add it', id="empty"),
    pytest.param('[hose]\nname = "Hall"', r'line 1.*unknown key "hose"; did you mean "house"\?', id="table"),
    pytest.param(
        '[house]\nnme = "Hall"', r'line 2, \[house\]: unknown key "nme"; did you mean "name"\?', id="key-of-house"
    ),
    pytest.param(
        '[house]\nname = "Hall"\nxyzzy = 1',
        r'unknown key "xyzzy"; known keys here are name, nominal, mains, tap',
        id="far-key",
    ),
    pytest.param(
        f'{SMALL}[desk]\ngain_stop = "1 dB"',
        r'line 4, \[desk\]: unknown key "gain_stop"; did you mean "gain_step"\?',
        id="desk",
    ),
    pytest.param(
        f"{SMALL}[desk.equaliser]\nbels = 4",
        r'line 4, \[desk\.equaliser\]: unknown key "bels"; did you mean "bells"\?',
        id="key-of-equaliser",
    ),
    pytest.param(
        f"{SMALL}[desk]\nequaliser = {{ bels = 4 }}",
        r'line 4.*unknown key "bels"; did you mean "bells"\?',
        id="inline-table",
    ),
    pytest.param(
        f'{SMALL}[room]\nlevel = "88 dBA"\nmix_loudness = "-23 LUFS"\nlvel = 1',
        r'line 6, \[room\]: unknown key "lvel"; did you mean "level"\?',
        id="key-of-room",
    ),
    pytest.param(f'{SMALL}[room]\nlevel = "88 dBA"', r'\[room\]: the key "mix_loudness" is missing', id="missing-key"),
    pytest.param(
        f'{SMALL}{VOICE}[vocal]\nsource = "voice"\nclarance = "7 %"',
        r'line 9, \[vocal\]: unknown key "clarance"; did you mean "clearance"\?',
        id="key-of-vocal",
    ),
    pytest.param(
        f"{SMALL}{VOICE}rol = 1", r'line 7, source "voice": unknown key "rol"; did you mean "role"\?', id="source"
    ),
    pytest.param(
        with_block("bell", 'frqency = "400 Hz"\ngain = "1 dB"'),
        r'line 9, source "voice", chain 1: unknown key "frqency"; did you mean "frequency"\?',
        id="key-of-block",
    ),
    pytest.param(
        with_block("bell", 'gain = "1 dB"'),
        r'source "voice", chain 1: the key "frequency" is missing',
        id="key-missing-in-block",
    ),
    pytest.param(
        with_block("compessor", ""),
        r"line 8, source \"voice\", chain 1: unknown block 'compessor'; did you mean \"compressor\"\?",
        id="block",
    ),
    pytest.param(
        f'{SMALL}{VOICE}[[source.chain]]\nfrequency = "1 kHz"',
        r'source "voice", chain 1: this chain entry has no block',
        id="no-block",
    ),
    pytest.param(
        f"{SMALL}{VOICE}".replace("lead vocal", "lead vocals"),
        r"line 5, source \"voice\": \"role\" is 'lead vocals'; did you mean \"lead vocal\"\? allowed: lead vocal, ",
        id="role",
    ),
    pytest.param(
        '[house]\nname = "H"\ntap = "preamps"',
        r"line 3, \[house\]: \"tap\" is 'preamps'; did you mean \"preamp\"\?",
        id="tap",
    ),
    pytest.param(
        '[house]\nname = "H"\nnominal = "-18 dB"',
        r"line 3, \[house\]: \"nominal\": '-18 dB' has the unit 'dB'; write it in dBFS",
        id="unit",
    ),
    pytest.param('[house]\nname = "H"\nnominal = -18', r'line 3, \[house\]: "nominal": .* has no unit', id="no-unit"),
    pytest.param(
        '[house]\nname = "H"\nmains = "55 Hz"', r'line 3, \[house\]: "mains": .*is not a mains frequency', id="mains"
    ),
    pytest.param(
        with_block("high-pass", 'frequency = "80 ms"'),
        r"line 9, source \"voice\", chain 1: \"frequency\": '80 ms' has the unit",
        id="unit-in-block",
    ),
    # "gain" is a key of this block and the name of another
    pytest.param(
        with_block("bell", 'frequency = "1 kHz"\ngain = "1 dBFS"'),
        r"line 10, source \"voice\", chain 1: \"gain\": '1 dBFS' has the unit",
        id="unit-of-gain",
    ),
    pytest.param(
        with_block("compressor", 'threshold = "-16 dBFS"\nreduction = "2 dB"'),
        r"line 10.*\"reduction\": '2 dB' is not a range",
        id="range",
    ),
    pytest.param(
        with_block("compressor", 'threshold = "-16 dBFS"\nratio = "steep"'),
        r'line 10, source "voice", chain 1: "ratio"',
        id="ratio",
    ),
    pytest.param(
        with_block("compressor", 'threshold = "-16 dBFS"\nratio = 0.5'),
        r'line 10, source "voice", chain 1: "ratio" is 0\.5',
        id="ratio-small",
    ),
    pytest.param(with_block("bell", 'frequency = "1 kHz"\ngain = "1 dB"\nq = 0'), r'line 11.*"q" is 0', id="q-nought"),
    pytest.param(with_block("bell", 'frequency = "1 kHz"\ngain = "1 dB"\nq = nan'), r'line 11.*"q" is nan', id="q-nan"),
    pytest.param(with_block("pan", "position = 101"), r'line 9.*"position" is 101', id="pan-beyond"),
    pytest.param(with_block("pan", "position = nan"), r'line 9.*"position" is nan', id="pan-nan"),
    pytest.param(
        with_block("bell", 'frequency = "0 Hz"\ngain = "1 dB"'), r'line 9.*"frequency"', id="frequency-nought"
    ),
    pytest.param(
        with_block("bell", 'frequency = "1 kHz"\ngain = "1 dB"\non = "middle"'),
        r"line 11.*\"on\" is 'middle'.*allowed: left, right, mid",
        id="on",
    ),
    pytest.param(f"[house]\nname = 5\n{VOICE}", r'line 2, \[house\]: "name" is 5', id="type-number-for-text"),
    pytest.param('[house]\nname = ""', r'line 2, \[house\]: "name" is \'\'', id="empty-name"),
    pytest.param(
        f'{SMALL}[desk.equaliser]\nbells = "four"',
        r"line 4, \[desk\.equaliser\]: \"bells\" is 'four'",
        id="type-text-for-number",
    ),
    pytest.param(
        f'{SMALL}[desk.equaliser]\nq = "wide"', r"line 4, \[desk\.equaliser\]: \"q\" is 'wide'", id="type-text-for-list"
    ),
    pytest.param("house = 5", r'line 1.*"house" is 5', id="type-of-table"),
    pytest.param(f'{SMALL}[source]\nname = "voice"', r'line 3.*"source" is .*list', id="one-bracket-too-few"),
    pytest.param(
        f"{SMALL}{VOICE}".replace('["vox"]', '"vox"'),
        r'line 6, source "voice": "tracks" is \'vox\'',
        id="tracks-no-list",
    ),
    pytest.param(
        f"{SMALL}{VOICE}".replace('["vox"]', "[]"), r'line 6, source "voice": "tracks" is \[\]', id="no-track"
    ),
    pytest.param(
        f"{SMALL}{VOICE}".replace('["vox"]', '["a", "b", "c"]'),
        r'line 6, source "voice": "tracks" is .*at most 2',
        id="three-tracks",
    ),
    pytest.param(
        f"{SMALL}{VOICE}".replace('["vox"]', "[0]"), r'line 6, source "voice": .*0.*from 1', id="channel-nought"
    ),
    pytest.param(
        f"{SMALL}{VOICE}{VOICE.replace('voice', 'Voice').replace('vox', 'v2')}",
        r'line 10, source "Voice": there is a source "voice" already',
        id="source-twice",
    ),
    pytest.param(
        f"{SMALL}{VOICE}{VOICE.replace('voice', 'second').replace('vox', '01 VOX')}",
        r'line 10, source "second": track "01 VOX" belongs to source "voice" already',
        id="track-twice",
    ),
    pytest.param(
        f"{SMALL}{VOICE}{VOICE.replace('voice', 'second')}".replace('["vox"]', "[3]"),
        r'line 10, source "second": track "3" belongs to source "voice" already',
        id="channel-twice",
    ),
    pytest.param(
        f"{SMALL}{VOICE}".replace('["vox"]', '["vox", "Vox"]'), r'source "voice": track "Vox" belongs', id="pair-of-one"
    ),
    pytest.param(
        f'{SMALL}{VOICE}[vocal]\nsource = "vioce"',
        r'line 8, \[vocal\]: there is no source "vioce"; did you mean "voice"\?',
        id="vocal",
    ),
    pytest.param(
        f'{SMALL}[vocal]\nsource = "x"',
        r'\[vocal\]: there is no source "x"; name one of the sources',
        id="vocal-of-none",
    ),
]


@pytest.mark.parametrize(("text", "said"), MISTAKES)
def test_a_mistake_is_one_line_with_file_line_and_key(text: str, said: str) -> None:
    with pytest.raises(HouseError, match=said) as caught:
        parsed(text)
    assert str(caught.value).startswith("house.toml")
    assert "\n" not in str(caught.value)
    # the words of the library that checks are for programmers
    assert not re.search(r"pydantic|validat|dataclass|ArgsKwargs|Traceback", str(caught.value))


def test_what_was_read_is_not_changed_behind_its_file() -> None:
    house = parse_house(SMALL + VOICE, PLACE)
    for table, name in ((house.house, "name"), (house.source[0], "role"), (house.desk.equaliser, "bells")):
        with pytest.raises(FrozenInstanceError):
            setattr(table, name, getattr(table, name))


def test_several_mistakes_say_how_many_more() -> None:
    with pytest.raises(HouseError, match=r"\(and 1 more to mend after this one\)"):
        parsed(f'{SMALL}tap = "x"\n[desk]\nmonitors = "y"\n')


def test_the_line_is_right_below_other_sources() -> None:
    text = EXAMPLE.replace("tracks = [3]", 'tracks = [3]\nchanl = "4"')
    line = 1 + next(at for at, one in enumerate(text.splitlines()) if "chanl" in one)
    with pytest.raises(
        HouseError, match=rf'line {line}, source "lead voice": unknown key "chanl"; did you mean "channel"'
    ):
        parsed(text)


@unhurried
@given(st.text(max_size=60))
def test_any_text_is_a_house_or_a_sentence(text: str) -> None:
    for whole in (text, SMALL + text, f"{SMALL}{VOICE}{text}"):
        try:
            parsed(whole)
        except HouseError as error:
            assert str(error).startswith("house.toml")  # noqa: PT017  (not to fail is right as well)


# every value of the example replaced by something else: by far the likeliest mistakes
VALUES: Final = ["5", "-1", '"x"', '""', "true", "[]", "{}", "nan", "inf", "2026-03-01", '["a", 1, []]', '"1e999 dB"']


@unhurried
@given(st.integers(0, EXAMPLE.count("\n") - 1), st.sampled_from(VALUES))
def test_any_value_in_the_example_is_taken_or_named(line: int, value: str) -> None:
    lines = EXAMPLE.splitlines()
    name, equals, _ = lines[line].partition(" = ")
    if not equals:
        return
    lines[line] = f"{name} = {value}"
    try:
        parsed("\n".join(lines))
    except HouseError as error:
        assert re.fullmatch(r"house\.toml, line .*", str(error))  # noqa: PT017  (not to fail is right as well)


class TestFile:
    def test_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(HouseError, match=r"house\.toml: no such file; write one with: deskhand new RECORDING"):
            read_house(tmp_path / "house.toml")

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(HouseError, match=r"cannot be read as text"):
            read_house(tmp_path)

    def test_no_text(self, tmp_path: Path) -> None:
        (tmp_path / "house.toml").write_bytes(b'[house]\nname = "\xff\xfe"')
        with pytest.raises(HouseError, match=r"^house\.toml: cannot be read as text"):
            read_house(tmp_path / "house.toml")

    def test_byte_order_mark(self, tmp_path: Path) -> None:
        """Plain editors of one system put three bytes before the text: EF BB BF (RFC 3629, 6)."""
        (tmp_path / "house.toml").write_text(EXAMPLE, encoding="utf-8-sig")
        assert read_house(tmp_path / "house.toml") == parsed(EXAMPLE)

    def test_beside_the_recording_or_above(self, tmp_path: Path) -> None:
        shows = tmp_path / "shows" / "2026-03-01"
        shows.mkdir(parents=True)
        recording = shows / "take.wav"
        recording.write_bytes(b"")
        (tmp_path / "house.toml").write_text(SMALL)
        assert find_house(shows) == tmp_path / "house.toml"
        assert find_house(recording) == tmp_path / "house.toml"
        (shows / "house.toml").write_text(SMALL)
        assert find_house(recording) == shows / "house.toml"


def house_of(*sources: tuple[str, Sequence[str | int]], mix: Sequence[str | int] = ()) -> HouseFile:
    house = HouseFile(
        house=House(name="Hall"),
        source=[Source(name=name, role="other", tracks=list(tracks)) for name, tracks in sources],
    )
    house.desk.mix.extend(mix)
    return house


class TestMatch:
    def test_case_numbering_and_punctuation_are_ignored(self) -> None:
        house = house_of(("piano", ["pno l", "pno r"]), ("voice", ["Lead Vox"]), ("bass", ["Bass (DI)"]))
        found = match_tracks(house, ["01 LEAD_VOX", "2-bass di", "Pno.R", "05 PNO-L"])
        assert found.by_source == {"piano": (3, 2), "voice": (0,), "bass": (1,)}
        assert found.unmatched == ()

    def test_numbers_are_channels_of_the_recording(self) -> None:
        found = match_tracks(house_of(("a", [2]), ("b", [1]), ("c", [4]), ("d", [0])), ["x", "y", "z"])
        assert found.by_source == {"a": (1,), "b": (0,), "c": (None,), "d": (None,)}
        assert found.unmatched == (2,)

    def test_what_is_not_there_is_none(self) -> None:
        found = match_tracks(house_of(("keys", ["keys l", "keys r"]), ("gtr", ["gtr"])), ["keys l", "drums"])
        assert found.by_source == {"keys": (0, None), "gtr": (None,)}
        assert found.unmatched == (1,)

    def test_the_desk_s_own_mix_is_no_source(self) -> None:
        found = match_tracks(house_of(("gtr", ["gtr"]), mix=["mix l", "mix r", "mix c"]), ["gtr", "Mix R", "Mix L"])
        assert found.mix == (2, 1)
        assert found.unmatched == ()

    def test_names_of_any_script(self) -> None:
        found = match_tracks(house_of(("бас", ["Бас"]), ("гитара", ["Гитара"])), ["01 гитара", "02 бас"])
        assert found.by_source == {"бас": (1,), "гитара": (0,)}

    @unhurried
    @given(st.permutations(["kick", "snare", "gtr l", "gtr r", "vox 1", "vox 2"]))
    def test_order_of_the_tracks_does_not_matter(self, names: list[str]) -> None:
        house = house_of(("kick", ["kick"]), ("gtr", ["gtr l", "gtr r"]), ("vox 2", ["vox 2"]))
        found = match_tracks(house, [f"{at + 1:02d} {name.upper()}" for at, name in enumerate(names)])
        for source in house.source:
            assert [names[at] for at in found.by_source[source.name] if at is not None] == source.tracks
        assert {names[at] for at in found.unmatched} == {"snare", "vox 1"}


class TestWriteValues:
    def changed(self, changes: dict[tuple[str | int, ...], object]) -> list[str]:
        """The lines of the difference, and that the rest stayed."""
        after = write_values(EXAMPLE, changes)
        diff = difflib.ndiff(EXAMPLE.splitlines(), after.splitlines())
        return [line for line in diff if line[:2] in ("- ", "+ ")]

    def test_nothing_to_change_changes_nothing(self) -> None:
        assert write_values(EXAMPLE, {}) == EXAMPLE

    def test_one_line_and_its_comment_stays(self) -> None:
        assert self.changed({("house", "nominal"): "-20 dBFS"}) == [
            '- nominal = "-18 dBFS"            # where a source should sit',
            '+ nominal = "-20 dBFS"            # where a source should sit',
        ]

    @pytest.mark.parametrize(
        ("path", "value", "line"),
        [
            (("source", 0, "fader"), "-4 dB", 'fader = "-4 dB"'),
            (("source", 0, "chain", 1, "gain"), "-2.5 dB", 'gain = "-2.5 dB"'),
            (("source", 0, "chain", 2, "threshold"), "-20 dBFS", 'threshold = "-20 dBFS"'),
            (("source", 0, "chain", 2, "ratio"), 2.0, "ratio = 2.0"),
            (("room", "level"), "90 dBA", 'level = "90 dBA"                # at the mix position, when'),
            (("vocal", "clearance"), "75 %", 'clearance = "75 %"              # wanted; learned'),
        ],
    )
    def test_only_that_line_differs(self, path: tuple[str | int, ...], value: object, line: str) -> None:
        removed, added = self.changed({path: value})
        assert removed.startswith("- ")
        assert added.startswith(f"+ {line}")
        at: object = tomllib.loads(write_values(EXAMPLE, {path: value}))
        for piece in path:
            at = at[piece]  # type: ignore[index]
        assert at == value

    def test_inside_an_inline_table(self) -> None:
        removed, added = self.changed({("desk", "equaliser", "bells"): 6})
        assert added.replace("bells = 6", "bells = 4")[2:] == removed[2:]

    def test_several_at_once_parse_again(self) -> None:
        text = write_values(EXAMPLE, {("house", "mains"): "60 Hz", ("source", 1, "role"): "speech"})
        house = parsed(text)
        assert house.house.mains_hz == 60.0
        assert house.source[1].role == "speech"

    def test_line_ends_of_another_system_stay(self) -> None:
        text = EXAMPLE.replace("\n", "\r\n")
        after = write_values(text, {("house", "nominal"): "-20 dBFS"})
        assert after == text.replace('nominal = "-18 dBFS"', 'nominal = "-20 dBFS"')

    @pytest.mark.parametrize(
        "path", [("room", "seats", "x"), ("source", 9, "fader"), ("source", 0, "chain", 3, "gain"), ("hose", "name")]
    )
    def test_a_place_that_is_not_there_is_refused(self, path: tuple[str | int, ...]) -> None:
        with pytest.raises(
            HouseError, match=rf"^house\.toml: there is no {re.escape('.'.join(map(str, path)))} to change"
        ):
            write_values(EXAMPLE, {path: "x"})
