"""Answers to who was playing: as planned, exchanged or a name, from the page and from the terminal's keys, and what they change."""

from __future__ import annotations

from pathlib import Path

import pytest

from deskhand.errors import UsageError
from deskhand.findings import Finding
from deskhand.house import parse_house
from deskhand.live.answers import answer_as_planned, answer_exchanged, answer_player, asked_entry, question_about
from deskhand.live.board import BoardRequest
from deskhand.live.disk import write_note
from deskhand.live.entry import TURN
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.live.ring import Ring
from deskhand.live.watch import Watch
from deskhand.recording.show import read_show_note
from deskhand.store import KeptPart

RATE_HZ = 48000
NAMES = ("lead voice", "voice 2", "keys")
HOUSE = '[house]\nname = "Tern Street Hall"\n' + "".join(
    f'[[source]]\nname = "{name}"\nrole = "{role}"\ntracks = [{number}]\n{player}'
    for number, (name, role, player) in enumerate(
        zip(NAMES, ("lead vocal", "backing vocal", "keys"), ('player = "Ana"\n', 'player = "Ben"\n', ""), strict=True),
        1,
    )
)


@pytest.fixture
def watch() -> Watch:
    house = parse_house(HOUSE, Path("house.toml"))
    line_check = Watch(
        house=house, inputs=[(source, (row,)) for row, source in enumerate(house.source)],
        ring=Ring.of(len(NAMES), 40 * RATE_HZ), sample_rate_hz=RATE_HZ, taps=dict.fromkeys(NAMES, "preamp"), players={},
    )  # fmt: skip
    ask(line_check, "voice 2", "lead voice")
    return line_check


def ask(watch: Watch, source: str, other: str, what: str = "turns") -> None:
    entry = watch.line.by_name[source]
    entry.state = "arrived"
    entry.reported[TURN] = Finding(
        id=f"{source}/swapped", kind="swapped", stage="tap", severity="listen", what=what, track=source, other=other
    )
    entry.reported_s[TURN] = watch.now_s


def typed(watch: Watch, letters: str) -> None:
    for letter in letters:
        assert watch.answers.obey(letter)


def test_everybody_at_their_own_input(watch: Watch) -> None:
    assert asked_entry(watch) is watch.line.by_name["voice 2"]
    # the question may be answered at either of the two
    assert answer_as_planned(watch, "lead voice") == "voice 2 and lead voice: everybody at their own input"
    assert watch.players == {}
    assert asked_entry(watch) is None
    with pytest.raises(UsageError, match="nothing is asked about it"):
        answer_as_planned(watch, "voice 2")
    # and it is not asked again
    watch.line._ask(watch.line.by_name["voice 2"], "lead voice")
    assert question_about(watch.line.by_name["voice 2"]) is None
    assert watch.line.by_name["voice 2"].question is None


def test_exchanged_players_are_written_down_at_each_others_input(watch: Watch, tmp_path: Path) -> None:
    watch.parts["voice 2"] = (
        KeptPart(
            source="voice 2", stage="tap", role="backing vocal", tap="preamp", playing_s=5.0, player="Ben", values={}
        ),
    )
    assert answer_exchanged(watch, "voice 2") == "exchanged tonight: Ana is at voice 2, Ben at lead voice"
    assert watch.players == {"voice 2": "Ana", "lead voice": "Ben"}
    # what was heard already is by whoever sang
    assert watch.parts["voice 2"][0].player == "Ana"
    (tmp_path / "show.toml").write_text('# ours\nname = "x"\n[players]\n"keys" = "Cleo"  # sits in\n', "utf-8")
    write_note(tmp_path, "2026-03-01", "line-check", "preamp", dict(watch.players))
    assert read_show_note(tmp_path).players == {"keys": "Cleo", "voice 2": "Ana", "lead voice": "Ben"}
    assert "# ours" in (tmp_path / "show.toml").read_text("utf-8")
    assert "# sits in" in (tmp_path / "show.toml").read_text("utf-8")


def test_nobody_is_exchanged_whose_name_is_not_known(watch: Watch) -> None:
    answer_as_planned(watch, "voice 2")
    ask(watch, "keys", "voice 2", "exchanged")
    with pytest.raises(UsageError, match='"keys": has nobody written down who plays there; type the name'):
        answer_exchanged(watch, "keys")
    assert asked_entry(watch) is watch.line.by_name["keys"]
    answer_player(watch, "keys", "Cleo")
    assert watch.players == {"keys": "Cleo"}
    assert asked_entry(watch) is None


@pytest.mark.parametrize(
    ("name", "players"),
    [("ana", {"voice 2": "Ana", "lead voice": "Ben"}), ("Ben", {"voice 2": "Ben"}), ("Dora ", {"voice 2": "Dora"})],
)
def test_a_name_settles_it(watch: Watch, name: str, players: dict[str, str]) -> None:
    answer_player(watch, "voice 2", name)
    assert watch.players == players
    assert asked_entry(watch) is None
    with pytest.raises(UsageError, match="80 letters at most"):
        answer_player(watch, "voice 2", 81 * "n")
    with pytest.raises(UsageError, match="no input of that name"):
        answer_player(watch, "viola", "Ana")


def test_keys_of_the_terminal(watch: Watch) -> None:
    assert watch.answers.prompt.startswith(
        "voice 2 or lead voice: who was playing?   y each at their own   e exchanged"
    )
    assert not watch.answers.obey("n")
    # a name with every letter that is a key of its own, and one taken back
    typed(watch, "wquén")
    assert watch.answers.prompt == "Who plays voice 2? quén_   Enter: that is it   Esc: leave it"
    typed(watch, "x\x7f\n")
    assert watch.players == {"voice 2": "quén"}
    # what was settled is read for a while
    assert watch.answers.prompt == "quén plays voice 2"
    assert not watch.answers.obey("y")
    # without a question, w is about the input at hand; Esc leaves all as it was
    typed(watch, "wAn\x1b")
    assert watch.players == {"voice 2": "quén"}
    ask(watch, "keys", "voice 2")
    typed(watch, "e")
    assert "nobody written down" in watch.answers.prompt
    typed(watch, "y")
    assert watch.answers.prompt == "keys and voice 2: everybody at their own input"


def test_either_answers_from_the_page(watch: Watch) -> None:
    requests = Requests(watch, [])
    row = picture_of(watch, device="desk", state="running")["inputs"][1]
    assert (row["source"], row["asked"]) == ("voice 2", "lead voice")
    assert requests.answer(BoardRequest(act="exchanged", source="voice 2")).accepted
    row = picture_of(watch, device="desk", state="running")["inputs"][1]
    assert (row["asked"], row["player"]) == ("", "Ana")
    # the second who presses is told
    late = requests.answer(BoardRequest(act="planned", source="voice 2"))
    assert not late.accepted
    assert "nothing is asked" in late.text
    assert watch.messages[-1].text == "exchanged tonight: Ana is at voice 2, Ben at lead voice"
