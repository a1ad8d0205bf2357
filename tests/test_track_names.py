"""Roles, sides and desk channels told from labels in seven languages.

In order: the word list itself, order and context, neighbours, sides, microphones, the desk's channels and mix, invented desks. Labels and
their roles: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import pytest

from deskhand.house import ROLES, House, HouseFile, Source
from deskhand.house.name_roles import guess_role, guess_roles
from deskhand.house.name_words import listed_words, split_words, word_list
from deskhand.recording.names import is_number, leading_number
from deskhand.tasks.new import microphones_of_one, propose_house
from tests.support.tables import topic
from tests.support.track_names import labelled_desks, share_pct, verdict_on

if TYPE_CHECKING:
    import numpy as np

    from deskhand.house import RoleName

ASK = "asked"
LANGUAGES = {"en", "es", "de", "fr", "pt", "it", "nl"}


class TestWordList:
    def test_a_word_has_one_role_in_all_languages(self) -> None:
        roles = defaultdict(set)
        for _, role, _, phrase in listed_words():
            roles[phrase].add(role)
        assert {phrase: found for phrase, found in roles.items() if len(found) > 1} == {}
        assert not set(roles) & set(word_list().by_neighbour)

    def test_every_phrase_can_be_found(self) -> None:
        """A phrase that is longer than what is looked up, or is split otherwise, would never be."""
        for strength, role, _, phrase in listed_words():
            if strength == "sure" and phrase not in ("bass clarinet",):
                assert guess_role(phrase) == role, phrase

    def test_roles_and_languages_are_known(self) -> None:
        list_ = word_list()
        assert {role for _, role, _, _ in listed_words()} <= set(ROLES)
        assert {language for _, _, language, _ in listed_words()} == LANGUAGES == {row.language for row in list_.sides}
        for rule in list_.by_neighbour.values():
            assert {kind for kind, _ in rule.near} <= set(list_.near)
            assert {role for _, role in rule.near} | {rule.lone, rule.numbered, rule.otherwise} <= {*ROLES, None}
            assert rule.languages <= LANGUAGES
        for roles, role in list_.pairs_of_roles:
            assert roles <= {*ROLES, "any"}
            assert role in {*ROLES, "ask"}

    def test_every_instrument_is_known_in_every_language(self) -> None:
        sure = {(role, language) for strength, role, language, _ in listed_words() if strength == "sure"}
        assert {(role, language) for role in ROLES for language in LANGUAGES} - sure == set()

    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("Aéreo izq", ["aereo", "izq"]), ("GROSSE TROMMEL", ["grosse", "trommel"]), ("Große", ["grosse"]), ("chœur", ["choeur"]),
            ("12-VoceSara", ["12", "voce", "sara"]), ("OHli", ["oh", "li"]), ("BDin", ["bd", "in"]), ("tom1", ["tom", "1"]), ("Gtr_A", ["gtr", "a"]),
        ],
    )  # fmt: skip
    def test_split(self, name: str, words: list[str]) -> None:
        assert split_words(name) == words


# name to its role; ASK where words contradict each other or tell nothing
BY_ITSELF: dict[str, tuple[str, ...]] = {
    "lead vocal": ("VOX TOM", "Tom Vocal", "Vox HH", "Vox headset", "Lead Vox Gtr", "Voz Tom", "Ges Tom", "vocla", "DJ Vox", "Voix Charles"),
    "backing vocal": ("BGV Tom", "Tom BGV", "Drummer Vox", "Keys Vox", "Sax Vox", "Voz coro", "Back Vocal", "Backing Lisa"),
    "speech": ("PASTOR HH", "HH Pastor", "Host HH", "Panel 2", "Handheld zaal", "Voice Over", "Lav 1", "pator hh", "Curé HF"),
    "acoustic guitar": ("Ac. Guitar", "A-Git", "A-Gitarre", "Akustikgitarre", "Chit. folk", "Nylon Gtr", "Guitare sèche", "Violão"),
    "guitar": ("E-Git", "Lead Gtr", "Tom Gtr", "Pastor Gtr", "Guitarra eléctrica", "Chitarra elettrica"),
    "bass": ("E-Bass", "Synth Bass", "bass synth", "Acoustic Bass", "Basgitaar", "Bass Amp"),
    "keys": ("E-Piano", "Piano basso", "Acoustic Piano", "Lead Synth", "Organ Lo", "Rotary Top", "Grand Piano"),
    "kick": ("kcik", "Bass Drum", "Grosse Caisse", "Große Trommel", "Gran Cassa"),
    "toms": ("Tom basse", "Tom 1", "Standtom", "Vloertom"),
    "overheads": ("HH", "Becken", "Platillos", "Drum OH"),
    "playback": ("Drum Loop", "Bass Tracks", "Backing Track", "Pistas L"),
    "talkback": ("TB Drummer",),
    "other": ("Bass Trombone", "Sax ténor", "Querflöte"),
    ASK: (
        "Ch 01", "01", "Track 05", "Ana", "Cue Mix", "Tom Bass", "Pastor Vox", "DJ Mic", "Ambient Pad", "Aud HH", "Kick Snare", "Mix 3", "Drums L", "TB Pastor", "Synth Drum",
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "role"),
    [pytest.param(name, role, id=f"{role}: {name}") for role, names in BY_ITSELF.items() for name in names],
)
def test_order_and_context(name: str, role: str) -> None:
    guess = guess_roles([name])[0]
    assert (ASK if guess.is_open else guess.role) == role


def told(*names: str) -> list[str]:
    return [ASK if guess.is_open else guess.role for guess in guess_roles(names)]


class TestNeighbours:
    def test_a_hi_hat_beside_a_drum_and_a_handheld_beside_a_talker(self) -> None:
        assert told("Kick", "Snare", "HH", "OH", "Bass", "Vox")[2] == "overheads"
        assert told("Lectern", "Host", "HH 1", "HH 2")[2:] == ["speech", "speech"]
        assert told("Piano", "Bass", "HH", "Gtr")[2] == ASK

    def test_a_tom_beside_a_drum_and_a_man_beside_people(self) -> None:
        assert told("Kick", "Snare", "Tom", "Bass")[2] == "toms"
        assert told("Vox Ana", "Tom", "Bea", "Kim")[1] == ASK
        # in the order of the alphabet neighbours are no neighbours
        assert told("Ana", "Bass", "Snare", "Tom", "Vox")[3] == ASK
        assert told("Bass", "HH", "Kick", "Snare")[1] == "overheads"

    def test_words_of_one_language_count_among_its_labels_only(self) -> None:
        assert told("Bombo", "Caja", "Tom 1", "Base", "Voz")[3] == "toms"
        assert told("Kick", "Snare", "Tom 1", "Base", "Vox")[3] == ASK  # a bass with a slip
        assert told("Kick", "Zang", "Bas")[2] == "bass"
        assert told("Kick", "Vox", "Bas")[2] == ASK

    def test_lead_is_who_sings_or_the_guitar_beside_the_rhythm_guitar(self) -> None:
        assert told("Lead", "BV", "Bass")[0] == "lead vocal"
        assert told("Kick", "Rhythm Gtr", "Lead", "Vox")[2] == "guitar"

    def test_trombones_are_no_talkback(self) -> None:
        assert told("Tp 1", "Tp 2", "Tb 1", "Tb 2")[2:] == ["other", "other"]
        assert told("Vox", "Gtr", "TB")[2] == "talkback"

    def test_letters_are_acoustic_and_electric_only_together(self) -> None:
        assert told("Guit E", "Guit A") == ["guitar", "acoustic guitar"]
        assert told("Gtr A", "Gtr B") == ["guitar", "guitar"]


def pairs(*names: str) -> dict[str, list[str | int]]:
    return {
        source.name: source.tracks for source in propose_house(names, name="x").house.source if len(source.tracks) == 2
    }


class TestSides:
    @pytest.mark.parametrize(
        ("left", "right"),
        [
            ("OH L", "OH R"), ("OH li", "OH re"), ("Becken links", "Becken rechts"), ("Piano izq", "Piano der"), ("Piano izquierda", "Piano derecha"),
            ("Piano izda", "Piano dcha"), ("Piano gauche", "Piano droite"), ("Piano esq", "Piano dir"), ("Tast sx", "Tast dx"), ("OHsx", "OHdx"),
            ("GitLi", "GitRe"), ("OHL", "OHR"), ("keysl", "keysr"), ("TastSx", "TastDx"),
        ],
    )  # fmt: skip
    def test_left_and_right(self, left: str, right: str) -> None:
        assert list(pairs("Kick", left, right).values()) == [[left, right]]
        # the right one first: left stays left
        assert list(pairs(right, "Kick", left).values()) == [[left, right]]

    @pytest.mark.parametrize(
        "language", [("g", "d", "Voix"), ("i", "d", "Voz"), ("e", "d", "Teclado"), ("s", "d", "Voce")]
    )
    def test_letters_among_labels_of_their_language(self, language: tuple[str, str, str]) -> None:
        left, right, voice = language
        assert list(pairs(voice, f"OH {left}", f"OH {right}").values()) == [[f"OH {left}", f"OH {right}"]]
        # Gary and Dave
        assert pairs("Vox", f"Gtr {left}", f"Gtr {right}") == {}

    @pytest.mark.parametrize(
        ("first", "second"),
        [
            ("Snare oben", "Snare unten"), ("Snare top", "Snare bottom"), ("Organ Hi", "Organ Lo"), ("Leslie Hi", "Leslie Lo"), ("Rotary top", "Rotary bottom"),
            ("Caja arriba", "Caja abajo"), ("Lectern L", "Lectern R"), ("girl", "girr2"), ("Gtr SL", "Gtr SR"), ("OH izq", "OH R"), ("Piano basso", "Piano alto"),
        ],
    )  # fmt: skip
    def test_no_left_and_right(self, first: str, second: str) -> None:
        assert pairs(first, second) == {}


@pytest.mark.parametrize(
    ("first", "second", "role"),
    [
        ("Caja arriba", "Caja abajo", "snare"), ("Bombo dentro", "Bombo fuera", "kick"), ("Snare oben", "Snare unten", "snare"), ("Rullante sopra", "Rullante sotto", "snare"),
        ("Snare boven", "Snare onder", "snare"), ("Caisse claire dessus", "Caisse claire dessous", "snare"), ("Bajo línea", "Bajo micro", "bass"),
    ],
)  # fmt: skip
def test_microphones_of_one_instrument(first: str, second: str, role: RoleName) -> None:
    house = HouseFile(
        house=House(name="x"), source=[Source(name=name, role=role, tracks=[name]) for name in (first, second)]
    )
    assert microphones_of_one(house) == [(first, second)]


def test_oben_and_unten_in_letters_among_german_labels() -> None:
    def house_of(*names: str) -> HouseFile:
        roles = guess_roles(names)
        return HouseFile(
            house=House(name="x"),
            source=[
                Source(name=name, role=guess.role, tracks=[name]) for name, guess in zip(names, roles, strict=True)
            ],
        )

    assert microphones_of_one(house_of("SN O", "SN U", "Gesang")) == [("SN O", "SN U")]
    assert microphones_of_one(house_of("SN O", "SN U", "Vox")) == []


class TestChannels:
    def channels(self, *labels: str) -> dict[str, str | int | None]:
        names = [label.split(" ", 1)[1] for label in labels]
        house = propose_house(names, name="x", label_numbers=[leading_number(label) for label in labels]).house
        return {source.name: source.channel for source in house.source}

    def test_from_the_numbers_of_the_labels(self) -> None:
        assert self.channels("01 Kick", "02 Snare", "09 Keys L", "10 Keys R") == {
            "Kick": "1",
            "Snare": "2",
            "Keys": "9/10",
        }

    def test_two_tracks_of_one_stereo_file_have_one_number(self) -> None:
        assert self.channels("01 Kick", "09-10 Keys L", "09-10 Keys R") == {"Kick": "1", "Keys": "9/10"}

    @pytest.mark.parametrize(
        "labels",
        [
            pytest.param(("01 Kick", "01 Snare"), id="twice"),
            pytest.param(("808 Kick", "x Snare", "x Bass", "x Vox"), id="one-of-four"),
            pytest.param(("808 Kick", "909 Snare", "x Bass", "x Vox", "x Keys"), id="two-of-five"),
            pytest.param(("00 Kick", "01 Snare"), id="counted-from-0"),
            pytest.param(("1-2 Kick", "02 Snare"), id="in-a-range"),
        ],
    )
    def test_none_where_they_cannot_be_the_desks(self, labels: tuple[str, ...]) -> None:
        assert set(self.channels(*labels).values()) == {None}

    @pytest.mark.parametrize(
        ("label", "number"),
        [("01_kick", "1"), ("Track 05", "5"), ("Ch 01", "1"), ("09-10_Keys", "9/10"), ("kick 2", None), ("2026-03-01 07 vox", "7"), ("2026-03-01 vox", None)],
    )  # fmt: skip
    def test_leading_number(self, label: str, number: str | None) -> None:
        assert leading_number(label) == number

    def test_a_number_is_no_name(self) -> None:
        assert [is_number(name) for name in ("07", "Ch 01", "Track 5", "Tom 1", "kick")] == [
            True,
            True,
            True,
            False,
            False,
        ]


def test_the_desks_mix_is_no_source() -> None:
    proposal = propose_house(["Kick", "Vox", "Main L", "Main R", "Main Vox", "Mix 1"], name="x")
    assert proposal.house.desk.mix == ["Main L", "Main R"]
    assert [source.name for source in proposal.house.source] == ["Kick", "Vox", "Main Vox", "Mix 1"]
    assert proposal.asked == ["Mix 1"]


def test_who_is_called_lead_is_whose_words_must_be_heard() -> None:
    vocal = propose_house(["Vox 1", "Vox 2", "Lead Vox"], name="x").house.vocal
    assert vocal is not None
    assert vocal.source == "Lead Vox"


def test_a_slip_is_shown_and_an_instrument_without_a_role_is_not_asked_about() -> None:
    proposal = propose_house(["sanre", "Sax", "Ana"], name="x")
    assert proposal.remarks == {
        "sanre": 'read as "snare": put it right where that is wrong',
        "Sax": "an instrument without a role of its own",
        "Ana": "not clear from its name: choose one",
    }
    assert proposal.asked == ["Ana"]


@pytest.mark.source(
    "General MIDI System Level 1 (MMA 1991), names of the instrument patch map and of the percussion key map"
)
def test_instruments_of_a_published_list() -> None:
    """Names that were not made here; which role each has is common practice."""
    told_of = {
        name: (role, guess_roles([name])[0])
        for role, names in topic("general_midi_names")["names"].items()
        for name in names
    }
    wrong = [name for name, (role, guess) in told_of.items() if not guess.is_open and guess.role != role]
    # "strings" alone is a keyboard's sound here, however they are bowed
    assert wrong == ["Tremolo Strings", "Pizzicato Strings"]
    assert sum(guess.is_open for _, guess in told_of.values()) <= 0.05 * len(told_of)


def test_invented_desks(rng: np.random.Generator) -> None:
    """Part of the tuning half of `validations/names.py`, which counts all."""
    desks = [desk for desk in labelled_desks() if desk.half == "tune"]
    verdicts = [verdict_on(desks[index]) for index in rng.permutation(len(desks))[:10]]
    assert share_pct(verdicts, "wrong") <= 2.0
    assert share_pct(verdicts, "asked") <= 25.0
    assert sum(len(verdict.pairs_wrong) for verdict in verdicts) == 0
