"""Track names: what is left of a file's name, what two names are compared by, sides, parts of one take.

In order: clean_name, key, nearest, side_of, part_of and numbered; then what holds for any name. The names are invented
after habits of the trade (common practice, no source).
"""

from __future__ import annotations

import string

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deskhand.house.sides import side_of
from deskhand.recording.names import clean_name, key, nearest, numbered, part_of

# a busy machine may take its time: only the answer counts
unhurried = settings(deadline=None)

CLEAN = {
    # leading numbers, as recorders and exporters put them
    "01 Kick In": "Kick In",
    "02_Snare Top": "Snare Top",
    "03-Gtr A L": "Gtr A L",
    "10. Perc": "Perc",
    "11) Tamb": "Tamb",
    "12: Cajon": "Cajon",
    "01.vox": "vox",
    "ch 04 - Bass DI": "Bass DI",
    "CH05_Keys": "Keys",
    "Chan 6 Keys": "Keys",
    "Track 06 - Vox": "Vox",
    "TRK_07_Vox": "Vox",
    "TR08 OH L": "OH L",
    "In 9 BGV 1": "BGV 1",
    "Input 10 Talk": "Talk",
    # numbers that belong to the name
    "vox 1": "vox 1",
    "E.Gtr 2": "E.Gtr 2",
    "2nd Gtr": "2nd Gtr",
    "Kick 91": "Kick 91",
    "48k Vox": "48k Vox",
    # takes
    "Vox_Take_03": "Vox",
    "Vox tk2": "Vox",
    "vox take 12": "vox",
    "intake 2": "intake 2",
    "mistake 4": "mistake 4",
    # dates and times
    "2026-03-01 18.30 vox": "vox",
    "20260301_183000_vox": "vox",
    "vox 20260301T183000": "vox",
    "vox_2026.03.01": "vox",
    "vox 2026_03_01 18h30m05s": "vox",
    "vox 99999999": "vox 99999999",
    # all of it at once
    "07_gtr a L_2026-03-01_take 2": "gtr a L",
    "Vox-take-2-2026.03.01": "Vox",
    # nothing left: the caller says "channel 3"
    "003": "",
    "track07": "",
    "Ch 3": "",
    "Take5": "",
    "2026-03-01": "",
    "": "",
    "_-_": "",
    # spelling
    "  spaced   name ": "spaced name",
    "__under__score__": "under score",
    "Gtr – clean": "Gtr – clean",
    "lead vox (wet)": "lead vox (wet)",
    "Großer Chor": "Großer Chor",
    "Бас 2": "Бас 2",
    "🎸 solo": "🎸 solo",
    # a pair recorded as one file carries both channels' numbers
    "09-10 Keys": "Keys",
    "1-2 OH": "OH",
}


@pytest.mark.parametrize(("stem", "name"), CLEAN.items())
def test_clean_name(stem: str, name: str) -> None:
    assert clean_name(stem) == name


SAME = [
    ("gtr a l", "03 Gtr_A (L)"),
    ("Lead Vox", "07-lead.vox"),
    ("bass di", "CH 12 BassDI"),
    ("Großer Chor", "01 GROSSER CHOR"),
    ("Бас", "05 бас"),
    ("ギター", "03_ギター"),
    ("keys", "09-10 Keys"),
    ("vox", "vox take 2"),
    # some file systems keep accents as marks of their own: "u" and a mark for "ü"
    ("für uns", "01 fu\u0308r uns"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_key_ignores_case_numbering_and_punctuation(one: str, other: str) -> None:
    assert key(one) == key(other) != ""


DIFFERENT = [
    ("vox 1", "vox 2"),
    ("gtr a l", "gtr a r"),
    ("kick in", "kick out"),
    ("808", "57"),
    # nobody writes all names in a to z
    ("Бас", "Гитара"),
    ("ギター", "ベース"),
    ("Vox für", "Vox fur"),
    ("🎸", "🥁"),
    ("की", "का"),
]


@pytest.mark.parametrize(("one", "other"), DIFFERENT)
def test_key_tells_names_apart(one: str, other: str) -> None:
    assert key(one) != key(other)


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="/"), max_size=40)
PIECES = st.lists(
    st.sampled_from(
        ["01", "2", "808", "ch", "track", "Vox", "gtr", "L", "take 2", "2026-03-01", " ", "_", "-", ".", "(", ")", "é"]
    ),
    max_size=7,
).map("".join)


@unhurried
@given(st.one_of(NAMES, PIECES))
@example("1-2 Keys")
@example("808 57")
def test_a_name_copied_from_the_result_is_the_same_track(stem: str) -> None:
    """People copy a track's name, or its file's, into the house file: both must find it."""
    name = clean_name(stem)
    if name:
        assert key(name) == key(stem)


@unhurried
@given(st.one_of(NAMES, PIECES))
def test_clean_name_leaves_no_edges(stem: str) -> None:
    name = clean_name(stem)
    assert name == name.strip(" _.-–")
    assert "  " not in name
    assert set(name) <= set(stem) | {" "}


@unhurried
@given(st.text(string.ascii_letters + string.digits + " _.-", min_size=1, max_size=30))
def test_key_is_the_same_in_capitals(stem: str) -> None:
    # plain letters only: capitals of others are not one to one
    assert key(stem.upper()) == key(stem.lower())


KNOWN = ["lead voice", "piano", "gtr a", "bass", "drum room"]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("lead vioce", "lead voice"), ("PIANNO", "piano"), ("03 gtr_b", "gtr a"), ("drums room", "drum room")],
)
def test_nearest_puts_the_likeliest_first(name: str, expected: str) -> None:
    assert nearest(name, KNOWN)[0] == expected


def test_nearest_says_nothing_rather_than_nonsense() -> None:
    assert nearest("xyzzy", KNOWN) == []
    assert len(nearest("gtr", [f"gtr {n}" for n in range(9)])) == 3


SIDES = {
    "gtr a L": ("gtr a", "left"),
    "gtr a R": ("gtr a", "right"),
    "OH_L": ("OH", "left"),
    "OH-r": ("OH", "right"),
    "Pno.L": ("Pno", "left"),
    "Pno (R)": ("Pno", "right"),
    "keys left": ("keys", "left"),
    "Keys Right": ("Keys", "right"),
    "synth lft": ("synth", "left"),
    "synth rgt": ("synth", "right"),
    "KeysL": ("Keys", "left"),
    "gtr1R": ("gtr1", "right"),
    "Bell": None,
    "Vocal": None,
    "snr": None,
    "GTR": None,
    "L": None,
    "right": None,
    "Choir": None,
    "tom 1": None,
    "": None,
}


@pytest.mark.parametrize(("name", "expected"), SIDES.items())
def test_side_of(name: str, expected: tuple[str, str] | None) -> None:
    assert side_of(name) == expected


PARTS = {
    "kick part 2": ("kick", 2),
    "kick_pt2": ("kick", 2),
    "kick (part 10)": ("kick", 10),
    "kick-Part-03": ("kick", 3),
    "kick_002": ("kick", 2),
    "R_0001": ("R", 1),
    "R0012": ("R", 12),
    "0003": ("", 3),
    # tracks, dates and clocks are no parts
    "vox 1": None,
    "vox 12": None,
    "2026-03-01": None,
    "20260301": None,
    "vox_183000": None,
    "kick": None,
    "": None,
}


@pytest.mark.parametrize(("stem", "expected"), PARTS.items())
def test_part_of(stem: str, expected: tuple[str, int] | None) -> None:
    assert part_of(stem) == expected


@pytest.mark.parametrize(
    ("stem", "expected"),
    [("R 2", ("R", 2)), ("vox_12", ("vox", 12)), ("take-3", ("take", 3)), ("vox", None), ("7", None)],
)
def test_numbered(stem: str, expected: tuple[str, int] | None) -> None:
    assert numbered(stem) == expected


@unhurried
@given(st.one_of(NAMES, PIECES))
def test_parts_and_sides_of_any_name(stem: str) -> None:
    """No name surprises; what is split off was there."""
    for found in (part_of(stem), numbered(stem)):
        if found is not None:
            assert stem.startswith(found[0])
            assert found[1] >= 0
    side = side_of(stem)
    if side is not None:
        assert side[0] in stem
        assert side[1] in ("left", "right")
