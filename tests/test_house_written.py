"""One source's settings written into a house file: what is meant is what is there, and nothing else is touched."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.errors import HouseError
from deskhand.house import (
    BLOCK_NAMES,
    SourceEdit,
    defaults_of,
    made_blocks,
    make_block,
    parse_house,
    with_edits,
    with_source,
    written_source,
)
from tests.support.hypotheses import examples

HOUSE = """\
# Tern Street Hall, as it stands
[house]
name = "Tern Street Hall"   # the sign over the door

[[source]] # the old upright
name = "Piano"
role = "keys"
tracks = ["pno l", "pno r"] # lid half open
fader = "-6 dB"

[[source.chain]] # rumble of the tram
block = "high-pass"
frequency = "50 Hz"
slope = "12 dB/oct"

[[source.chain]]
block = "bell"
frequency = "400 Hz" # the room
gain = "-1.5 dB"
q = 1.00

[[source.chain]]
block = "bell"
frequency = "3 kHz"
gain = "1 dB"

# the singer's own microphone
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
    # nothing in front of her

[[source]]
name = "bass"
role = "bass"
tracks = [3]
chain = [{ block = "trim", gain = "-2 dB" }, { block = "high-pass", frequency = "30 Hz" }]

[vocal]
source = "lead voice" # everyone else makes room
"""
HIGH_PASS = {"block": "high-pass", "frequency": "50 Hz", "slope": "12 dB/oct"}
ROOM = {"block": "bell", "frequency": "400 Hz", "gain": "-1.5 dB", "q": 1.0}
EDGE = {"block": "bell", "frequency": "3 kHz", "gain": "1 dB"}
TRIM = {"block": "trim", "gain": "-2 dB"}
COMPRESSOR = {"block": "compressor", "threshold": "-20 dBFS", "ratio": 2.5, "reduction": "1 to 2 dB"}


def chain_of(text: str, source: str) -> list[dict[str, Any]]:
    return [dict(one) for one in written_source(text, source).get("chain", [])]


def comments(text: str) -> list[str]:
    return [line.split("#", 1)[1].strip() for line in text.splitlines() if "#" in line]


def others(text: str, but: str) -> dict[str, Any]:
    """All that the file says but one source."""
    data = tomllib.loads(text)
    return data | {"source": [one for one in data["source"] if one["name"] != but]}


class TestWrittenSource:
    def test_it_is_what_the_file_says(self) -> None:
        assert written_source(HOUSE, "Piano") == {
            "name": "Piano", "role": "keys", "tracks": ["pno l", "pno r"], "fader": "-6 dB",
            "chain": [HIGH_PASS, ROOM, EDGE],
        }  # fmt: skip
        assert chain_of(HOUSE, "bass") == [TRIM, {"block": "high-pass", "frequency": "30 Hz"}]
        assert "chain" not in written_source(HOUSE, "lead voice")

    @pytest.mark.parametrize("name", ["piano", "PIANO", "01 Piano"])
    def test_names_are_told_apart_as_everywhere(self, name: str) -> None:
        assert written_source(HOUSE, name)["name"] == "Piano"

    @pytest.mark.parametrize("name", ["", "pian", "lead", "\x00", '"'])
    def test_no_such_source(self, name: str) -> None:
        with pytest.raises(HouseError, match="there is no source"):
            written_source(HOUSE, name)

    @pytest.mark.parametrize(
        "text",
        [
            "[house", "", "source = 3", "source = [1]", "a = " + "[" * 5000, HOUSE.replace('name = "Piano"', ""), "\x00",
            HOUSE.replace('"keys"', '"key"'), HOUSE.replace("fader", "fadr"), HOUSE.replace('"bass"\nrole', '"piano"\nrole'),
        ],
        ids=range(10),
    )  # fmt: skip
    def test_a_file_with_a_mistake(self, text: str) -> None:
        for ask in (written_source, lambda text, name: with_source(text, name, chain=[], keys={})):
            with pytest.raises(HouseError) as error:
                ask(text, "Piano")
            assert "\n" not in str(error.value)
            assert str(error.value).startswith("house.toml")


class TestWithSource:
    @pytest.mark.parametrize(
        "chain",
        [
            [HIGH_PASS, ROOM, EDGE], [], [HIGH_PASS], [EDGE], [ROOM, HIGH_PASS], [EDGE, ROOM, HIGH_PASS],
            [COMPRESSOR, HIGH_PASS, ROOM, EDGE, TRIM], [HIGH_PASS, ROOM | {"gain": "-4 dB"}, EDGE], [TRIM] * 5,
            [HIGH_PASS, TRIM, ROOM, COMPRESSOR, EDGE], [{**ROOM, "on": "left"}], [{"block": "compressor", "threshold": "-20 dBFS", "ratio": 2}],
            [HIGH_PASS | {"slope": "24 dB/oct"}, COMPRESSOR, EDGE, ROOM, EDGE],
        ],
        ids=range(13),
    )  # fmt: skip
    @pytest.mark.parametrize("source", ["Piano", "lead voice", "bass"])
    def test_what_is_meant_is_what_is_there(self, source: str, chain: list[dict[str, Any]]) -> None:
        made = with_source(HOUSE, source, chain=chain, keys={})
        assert chain_of(made, source) == chain
        assert others(made, source) == others(HOUSE, source)
        own, before = written_source(made, source), written_source(HOUSE, source)
        assert {**own, "chain": 0} == {**before, "chain": 0} if chain else "chain" not in own
        house = next(one for one in parse_house(made, Path("house.toml")).source if one.name == source)
        assert list(house.chain) == made_blocks(chain)
        # a second time it changes nothing
        assert with_source(made, source, chain=chain, keys={}) == made

    def test_the_same_again_is_the_same_file(self) -> None:
        assert with_source(HOUSE, "Piano", chain=[HIGH_PASS, ROOM, EDGE], keys={}) == HOUSE
        assert with_source(HOUSE, "lead voice", chain=[], keys={}) == HOUSE
        assert with_source(HOUSE, "bass", chain=chain_of(HOUSE, "bass"), keys={}) == HOUSE

    def test_one_value_changed_is_one_line_changed(self) -> None:
        made = with_source(HOUSE, "Piano", chain=[HIGH_PASS, ROOM | {"gain": "-4 dB"}, EDGE], keys={"fader": "-3 dB"})
        changed = [
            (one, other) for one, other in zip(HOUSE.splitlines(), made.splitlines(), strict=True) if one != other
        ]
        assert changed == [('fader = "-6 dB"', 'fader = "-3 dB"'), ('gain = "-1.5 dB"', 'gain = "-4 dB"')]

    def test_comments_stay_with_what_they_are_about(self) -> None:
        made = with_source(HOUSE, "Piano", chain=[HIGH_PASS, COMPRESSOR, ROOM | {"frequency": "500 Hz"}], keys={})
        assert comments(made) == comments(HOUSE)
        assert 'frequency = "500 Hz" # the room' in made
        made = with_source(HOUSE, "lead voice", chain=[COMPRESSOR], keys={})
        assert set(comments(HOUSE)) == set(comments(made))

    @pytest.mark.parametrize(
        "chain",
        [
            [], [HIGH_PASS], [HIGH_PASS, ROOM], [HIGH_PASS, ROOM, EDGE, COMPRESSOR], [COMPRESSOR], [EDGE, ROOM, TRIM], [TRIM],
            [ROOM, ROOM, ROOM, ROOM],
        ],
        ids=range(8),
    )  # fmt: skip
    def test_comments_of_the_next_stay_in_front_of_it(self, chain: list[dict[str, Any]]) -> None:
        made = with_source(HOUSE, "Piano", chain=chain, keys={})
        assert '\n\n# the singer\'s own microphone\n[[source]]\nname = "lead voice"\n' in made
        # also where the source had no chain
        bare = with_source(
            HOUSE.replace("    # nothing in front of her", "\n# the low end"), "lead voice", chain=chain, keys={}
        )
        assert "# the low end\n" in bare
        assert bare.split("# the low end\n")[1].lstrip().startswith('[[source]]\nname = "bass"')

    def test_a_comment_in_front_of_a_block_stays_there(self) -> None:
        bell = '[[source.chain]]\nblock = "bell"\nfrequency = "400 Hz"'
        text = HOUSE.replace(bell, f"# what booms\n{bell}")
        assert f"# what booms\n{bell}" in text
        for chain in ([ROOM], [ROOM, EDGE], [HIGH_PASS, ROOM]):
            made = with_source(text, "Piano", chain=chain, keys={})
            assert f"# what booms\n{bell}" in made
            assert chain_of(made, "Piano") == chain

    def test_comments_of_others_stay_when_a_chain_goes(self) -> None:
        made = with_source(HOUSE, "Piano", chain=[], keys={})
        assert [one for one in comments(HOUSE) if one not in comments(made)] == ["rumble of the tram", "the room"]

    @pytest.mark.parametrize(
        ("keys", "fader"),
        [({}, "-6 dB"), ({"fader": "-9.5 dB"}, "-9.5 dB"), ({"fader": None}, None), ({"x": None}, "-6 dB")],
    )
    def test_other_keys(self, keys: dict[str, Any], fader: str | None) -> None:
        made = with_source(HOUSE, "Piano", chain=[HIGH_PASS], keys=keys)
        assert written_source(made, "Piano").get("fader") == fader
        assert chain_of(made, "Piano") == [HIGH_PASS]
        assert others(made, "Piano") == others(HOUSE, "Piano")

    def test_a_key_that_was_not_there(self) -> None:
        made = with_source(HOUSE, "lead voice", chain=[TRIM], keys={"fader": "0 dB", "channel": "1"})
        own = written_source(made, "lead voice")
        assert (own["fader"], own["channel"], own["chain"]) == ("0 dB", "1", [TRIM])
        assert others(made, "lead voice") == others(HOUSE, "lead voice")

    def test_a_key_that_was_not_there_in_front_of_a_chain(self) -> None:
        made = with_source(HOUSE, "Piano", chain=[HIGH_PASS, ROOM], keys={"patch": "stage box B 1/2"})
        own = written_source(made, "Piano")
        assert (own["patch"], own["chain"]) == ("stage box B 1/2", [HIGH_PASS, ROOM])

    @pytest.mark.parametrize(
        ("chain", "keys", "said"),
        [
            ([{}], {}, "no block"), ([{"block": "bel"}], {}, "unknown block"), ([{"frequency": "1 kHz"}], {}, "no block"),
            ([TRIM | {"gian": "1 dB"}], {}, 'unknown key "gian"; did you mean "gain"'), ([{"block": "trim"}], {}, '"gain" is missing'),
            ([TRIM | {"gain": "loud"}], {}, "loud"), ([TRIM | {"gain": None}], {}, "gain"), ([TRIM | {"gain": [1]}], {}, "gain"),
            ([TRIM | {"a.b\n[house]": 1}], {}, "unknown key"), ([], {"fader": "loud"}, "fader"), ([], {"fadr": "0 dB"}, "fadr"),
            ([], {"role": "tuba"}, "tuba"), ([], {"tracks": []}, "tracks"), ([], {"tracks": ["vox"]}, "already"),
            ([], {"name": "bass"}, "already"), ([TRIM | {"block": ["trim"]}], {}, "block"), ([COMPRESSOR | {"makeup": None}], {}, "makeup"),
        ],
        ids=range(17),
    )  # fmt: skip
    def test_what_would_be_no_house_file(self, chain: list[Any], keys: dict[str, Any], said: str) -> None:
        with pytest.raises(HouseError) as error:
            with_source(HOUSE, "Piano", chain=chain, keys=keys)
        assert said in str(error.value)
        assert "\n" not in str(error.value)

    @pytest.mark.parametrize(
        "value", ['"\n[house]\nname = "x', "\\", "'''", '"""', "\u2028", "é中", "# no comment", "{x}"]
    )
    def test_what_a_value_holds_stays_inside_it(self, value: str) -> None:
        for source in ("Piano", "bass"):
            made = with_source(HOUSE, source, chain=[], keys={"patch": value})
            assert written_source(made, source)["patch"] == value
            assert others(made, source) == others(HOUSE, source)

    @pytest.mark.parametrize("text", [HOUSE.replace("\n", "\r\n"), HOUSE.rstrip("\n"), HOUSE + "\n\n# the end\n"])
    def test_however_lines_end(self, text: str) -> None:
        made = with_source(text, "Piano", chain=[COMPRESSOR, ROOM], keys={"fader": "-1 dB"})
        assert chain_of(made, "Piano") == [COMPRESSOR, ROOM]
        assert comments(made) == [one for one in comments(text) if one != "rumble of the tram"]


BLOCKS = st.sampled_from(
    [HIGH_PASS, ROOM, EDGE, TRIM, COMPRESSOR, ROOM | {"gain": "2 dB"}, TRIM | {"on": "left"}, {"block": "polarity"}]
)


@settings(max_examples=examples(80), deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from(["Piano", "lead voice", "bass"]), st.lists(BLOCKS, max_size=6)), max_size=5
    )
)
def test_any_changes_one_after_another(steps: list[tuple[str, list[dict[str, Any]]]]) -> None:
    """Each source holds what was last written to it, whatever was written to it and to others before."""
    text = HOUSE
    wanted = {name: chain_of(HOUSE, name) for name in ("Piano", "lead voice", "bass")}
    for name, chain in steps:
        text = with_source(text, name, chain=chain, keys={})
        wanted[name] = chain
        assert {one: chain_of(text, one) for one in wanted} == wanted
    for comment in ("Tern Street Hall, as it stands", "lid half open", "everyone else makes room"):
        assert comment in comments(text)


class TestBlocks:
    def test_each_error_names_its_block(self) -> None:
        with pytest.raises(HouseError, match=r'^chain 2, bell: unknown key "frqency"; did you mean "frequency"\?'):
            made_blocks([HIGH_PASS, {"block": "bell", "frqency": "1 kHz", "gain": "1 dB"}])
        with pytest.raises(HouseError, match=r"^chain 1: this chain entry has no block"):
            made_blocks([{"gain": "1 dB"}])
        with pytest.raises(HouseError, match=r"^chain 3, trim: .*'loud'"):
            made_blocks([TRIM, TRIM, TRIM | {"gain": "loud"}])
        with pytest.raises(HouseError, match=r'^chain 1, bel: unknown block .bel.; did you mean "bell"'):
            made_blocks([{"block": "bel"}])

    def test_they_are_those_of_the_house_file(self) -> None:
        house = parse_house(HOUSE, Path("house.toml"))
        for source in house.source:
            assert made_blocks(chain_of(HOUSE, source.name)) == list(source.chain)
        assert made_blocks([]) == []

    def test_defaults_are_in_the_words_of_the_file(self) -> None:
        assert defaults_of("high-pass") == {"slope": "12 dB/oct", "shape": "butterworth", "on": "both"}
        assert {"ratio": "2", "knee": "6 dB", "attack": "10 ms"}.items() <= defaults_of("compressor").items()

    @pytest.mark.source("definition: a default is what a block is when nobody writes the key")
    @pytest.mark.parametrize("block", BLOCK_NAMES)
    def test_defaults_written_out_are_the_same_block(self, block: str) -> None:
        least: dict[str, Any] = {
            "gain": {"gain": "1 dB"}, "trim": {"gain": "1 dB"}, "delay": {"time": "1 ms"}, "high-pass": {"frequency": "80 Hz"},
            "low-pass": {"frequency": "8 kHz"}, "bell": {"frequency": "1 kHz", "gain": "1 dB"}, "saturation": {"drive": "1 dB"},
            "low-shelf": {"frequency": "1 kHz", "gain": "1 dB"}, "high-shelf": {"frequency": "1 kHz", "gain": "1 dB"},
            "gate": {"threshold": "-50 dBFS"}, "compressor": {"threshold": "-20 dBFS", "ratio": 2}, "pan": {"position": 0.5},
            "dynamic-bell": {"frequency": "1 kHz", "threshold": "-20 dBFS", "gain": "-3 dB"}, "limiter": {"ceiling": "-1 dBFS"},
            "curve": {"file": "x.csv"},
        }  # fmt: skip
        written = {"block": block} | least.get(block, {})
        bare = make_block(written)
        defaults = defaults_of(block)
        assert "block" not in defaults
        numbers = {key: float(said) for key, said in defaults.items() if said.replace(".", "").isdigit()}
        assert not set(defaults) & (set(written) - {"block"}) or all(key in defaults for key in numbers)
        assert make_block(defaults | numbers | written) == bare
        # each by itself too, and as words of the file: nothing that the file would not take
        for key, said in defaults.items():
            assert make_block({key: numbers.get(key, said)} | written) == bare
            assert "None" not in said


class TestEdits:
    """Moves written into several sources at once, by the place of a block in its chain."""

    def test_a_setting_a_new_block_and_a_send(self) -> None:
        text = HOUSE.replace(
            'fader = "-6 dB"\n',
            'fader = "-6 dB"\nsend = [{ mix = "wedge", level = "-3 dB" }, { mix = "ears", level = "0 dB" }]\n',
        )
        edits = {
            "Piano": SourceEdit(
                keys={"fader": "-8 dB"},
                sends={"wedge": "-5 dB"},
                settings=[(1, {"gain": "-3 dB"}), (2, {"frequency": "2.5 kHz"})],
                new_blocks=[(3, {"block": "trim", "gain": "-2 dB"}), (0, {"block": "gain", "gain": "30 dB"})],
            ),
            "lead voice": SourceEdit(new_blocks=[(0, {"block": "trim", "gain": "1 dB"})]),
        }
        edited = with_edits(text, edits)
        piano, voice = written_source(edited, "piano"), written_source(edited, "lead voice")
        assert piano["fader"] == "-8 dB"
        assert [send["level"] for send in piano["send"]] == ["-5 dB", "0 dB"]
        assert [(block["block"], block.get("gain"), block.get("frequency")) for block in piano["chain"]] == [
            ("gain", "30 dB", None), ("high-pass", None, "50 Hz"), ("bell", "-3 dB", "400 Hz"), ("trim", "-2 dB", None), ("bell", "1 dB", "2.5 kHz"),
        ]  # fmt: skip
        assert voice["chain"] == [{"block": "trim", "gain": "1 dB"}]
        assert written_source(edited, "bass") == written_source(HOUSE, "bass")
        assert "# the room" in edited

    @pytest.mark.parametrize("index", [3, -1])
    def test_a_block_that_is_gone_is_told_by_its_number(self, index: int) -> None:
        with pytest.raises(
            HouseError, match=rf"^Piano: its chain has no block {index + 1} any more; check the recording again$"
        ):
            with_edits(HOUSE, {"Piano": SourceEdit(settings=[(index, {"gain": "0 dB"})])})
