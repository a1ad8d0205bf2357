"""One state of a show behind the command, the page and the JSON; and what is put right on the page, read by the command."""

from __future__ import annotations

import json
import tomllib

import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.recording import read_show_note
from tests.support.one_state import differences
from tests.support.small_hall import Asker, small_hall

# one state of what was measured: a take is measured once with each house file, whoever asks
pytestmark = pytest.mark.usefixtures("measured_once")
SETUP = """\
preamp = "46 dB"  # since the new box
pad = "20 dB"
phantom = true
microphone = "condenser pair"
stand = "tall booms"
player = "Selma"
group = "band"
effects = ["hall"]
send = [{ mix = "wedge 2", level = "-9 dB", after_fader = true }]
"""
LOUD = 'nominal = "-40 dBFS"\nfader = "0 dB"\n'
"""The voice is far above it: there is a move."""


@pytest.fixture
def root(tmp_path):
    return small_hall(tmp_path / "hall")


@pytest.fixture
def asker(root):
    with Asker(root) as made:
        yield made


def show_of(root):
    return root / "show-2026-03-01"


def with_setup_keys(root):
    house = (root / "house.toml").read_text("utf-8")
    house = house.replace('channel = "9/10"\n', f'channel = "9/10"\n{SETUP}')
    return house.replace('tracks = ["vox"]\nfader = "0 dB"\n', f'tracks = ["vox"]\n{LOUD}')


@pytest.mark.parametrize("week", ["", "of this show", "of this show and an earlier one", "an earlier one"])
def test_command_page_and_json_show_one_state(week, root, asker, tmp_path):
    house = with_setup_keys(root)
    (root / "house.toml").write_text(house, "utf-8")
    if "of this show" in week:
        changed = house.replace('"-1.5 dB"', '"-4 dB"').replace('fader = "-6 dB"', 'fader = "-9 dB"')
        (root / "week-2026-03-01.toml").write_text(changed, "utf-8")
    if "earlier" in week:
        (root / "week-2026-02-22.toml").write_text(house.replace('"46 dB"', '"40 dB"'), "utf-8")
    assert differences(asker, show_of(root), tmp_path) == []


def test_moves_are_on_the_page_s_sheet_and_marked(root, asker, tmp_path):
    (root / "house.toml").write_text(with_setup_keys(root), "utf-8")
    assert asker.checked(asker.id)["state"] == "done"
    stored = asker.hall.check_of(asker.hall.recordings()[0])
    saved = {source.name: [move for move in source.moves if move.is_saved] for source in stored.result.sources}
    assert any(saved.values())
    rows = asker.get(f"/show/{asker.id}/sheet.csv").text.splitlines()
    for name, moves in saved.items():
        (row,) = [row for row in rows if f",{name}," in row]
        assert (",yes,yes," in row) == bool(moves)


def test_settings_saved_after_the_check_are_printed_and_their_moves_are_not(root, asker):
    house = with_setup_keys(root)
    (root / "house.toml").write_text(house, "utf-8")
    assert asker.checked(asker.id)["state"] == "done"
    week = root / "week-2026-03-01.toml"
    week.write_text(house.replace(LOUD, LOUD.replace('"0 dB"', '"-7 dB"')), "utf-8")
    table = asker.get(f"/show/{asker.id}/sheet.csv").text
    (row,) = [row for row in table.splitlines() if ",lead voice," in row]
    assert "fader was 0 dB" in row
    assert "trim" not in row
    # words typed elsewhere in the file leave the moves where they are
    week.write_text(house.replace("condenser pair", "dynamic pair"), "utf-8")
    (row,) = [row for row in asker.get(f"/show/{asker.id}/sheet.csv").text.splitlines() if ",lead voice," in row]
    assert ": new" in row


def test_changes_are_told_against_the_standing_house_where_that_is_asked(root, asker):
    earlier = (root / "house.toml").read_text("utf-8").replace('fader = "-6 dB"', 'fader = "-8 dB"')
    (root / "week-2026-02-22.toml").write_text(earlier, "utf-8")
    assert "fader was -8 dB" in asker.get(f"/show/{asker.id}/sheet.csv").text
    assert "fader was" not in asker.get(f"/show/{asker.id}/sheet.csv?since=standing").text


# --- what is put right on the page


def command_date(root, show):
    target = root / "check.json"
    done = CliRunner().invoke(main, ["check", str(show), "--no-report", "--json", str(target)])
    assert done.exit_code in (0, 1), done.output
    return json.loads(target.read_text("utf-8"))["show"]["date"]


def test_a_date_put_right_on_the_page_is_the_command_s(root, asker):
    note = show_of(root) / "show.toml"
    note.write_text(
        '# the desk\'s clock was wrong\nname = "Open night"\ndate = 2026-03-01\n[players]\n"piano" = "Ana"\n'
    )
    asker.hall.look_again()
    assert asker.waited(asker.told("check", id=asker.id, date="2026-03-08", phase="show")["job"])["state"] == "done"
    written = note.read_text("utf-8")
    assert written.startswith("# the desk's clock was wrong\n")
    assert tomllib.loads(written)["players"] == {"piano": "Ana"}
    assert (read_show_note(show_of(root)).date, read_show_note(show_of(root)).phase) == ("2026-03-08", "show")
    assert command_date(root, show_of(root)) == "2026-03-08"


def test_a_check_made_again_keeps_what_was_put_right(root, asker):
    for data in ({"date": "2026-03-08", "tap": "after-gain"}, {}):
        assert asker.waited(asker.told("check", id=asker.id, **data)["job"])["state"] == "done"
    shelf = asker.hall.recordings()[0]
    assert (shelf.date, shelf.tap) == ("2026-03-08", "after-gain")
    assert asker.hall.check_of(shelf).result.show.date == "2026-03-08"
    # "what the house file says" takes it out again
    assert asker.waited(asker.told("check", id=asker.id, tap="")["job"])["state"] == "done"
    assert read_show_note(show_of(root)).tap is None


def test_where_no_note_can_be_written_the_page_says_what_the_command_needs(root, tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    show_of(root).rename(card / "show-2026-03-01")
    with Asker(root, also=[card]) as asker:
        assert asker.waited(asker.told("check", id=asker.id, date="2026-03-08")["job"])["state"] == "done"
        notes = asker.hall.check_of(asker.hall.recordings()[0]).result.show.notes
    assert any("--date 2026-03-08" in note for note in notes)
    assert read_show_note(card / "show-2026-03-01").date == "2026-03-01"


# --- the set-up of a source


FIELDS = {
    "channel": "9/10", "patch": "stage box B 1/2", "microphone": "condenser pair", "stand": "booms", "player": "Selma",
    "preamp": "46", "pad": "", "phantom": "on", "mute": "songs", "group": "", "effects": "hall, echo",
    "send": [{"mix": "wedge 1", "level": "-6", "after_fader": False}, {"mix": "", "level": "", "after_fader": False}],
}  # fmt: skip
EMPTY = {
    "channel": "9/10", "patch": "", "microphone": "", "stand": "", "player": "", "preamp": "", "pad": "", "phantom": "",
    "mute": "", "group": "", "effects": "", "send": [],
}  # fmt: skip


def piano(path):
    return tomllib.loads(path.read_text("utf-8"))["source"][0]


def test_the_set_up_goes_into_the_standing_house_file(root, asker):
    before = (root / "house.toml").read_text("utf-8")
    told = asker.told("setup", id=asker.id, source="piano", setup=FIELDS, base=EMPTY, every_week=True)
    written = piano(root / "house.toml")
    assert {name: written[name] for name in ("preamp", "phantom", "mute", "microphone", "effects", "send")} == {
        "preamp": "46 dB", "phantom": True, "mute": "in songs", "microphone": "condenser pair", "effects": ["hall", "echo"],
        "send": [{"mix": "wedge 1", "level": "-6 dB"}],
    }  # fmt: skip
    assert "pad" not in written
    text = (root / "house.toml").read_text("utf-8")
    assert "# the lid" in text
    assert "# what stands at Tern Street" in text
    assert written["chain"] == tomllib.loads(before)["source"][0]["chain"]
    assert not list(root.glob("week-*.toml"))
    # and back
    asker.told("setup", id=asker.id, source="piano", setup=EMPTY, base=told["base"], every_week=True)
    assert tomllib.loads((root / "house.toml").read_text("utf-8")) == tomllib.loads(before)


def test_the_set_up_of_one_week_leaves_the_standing_file(root, asker):
    before = (root / "house.toml").read_text("utf-8")
    asker.told("setup", id=asker.id, source="piano", setup=FIELDS, base=EMPTY, every_week=False)
    assert (root / "house.toml").read_text("utf-8") == before
    assert piano(root / "week-2026-03-01.toml")["microphone"] == "condenser pair"
    # for good: both files
    base = asker.told("setup", id=asker.id, source="piano", setup=FIELDS, base=FIELDS | {
        "preamp": "46 dB", "send": [{"mix": "wedge 1", "level": "-6 dB", "after_fader": False}]}, every_week=True)["base"]  # fmt: skip
    assert base["phantom"] == "on"
    assert piano(root / "house.toml")["microphone"] == "condenser pair"


def test_sends_in_tables_of_their_own_keep_their_comments(root, asker):
    text = (root / "house.toml").read_text("utf-8")
    sends = '[[source.send]]\nmix = "wedge 1" # in front of the lid\nlevel = "-9 dB"\n'
    (root / "house.toml").write_text(text.replace("\n[[source.chain]]", f"\n{sends}\n[[source.chain]]", 1), "utf-8")
    base = EMPTY | {"send": [{"mix": "wedge 1", "level": "-9 dB", "after_fader": False}]}
    setup = EMPTY | {
        "send": [{"mix": "wedge 1", "level": "-6 dB"}, {"mix": "hall", "level": "0 dB", "after_fader": True}]
    }
    asker.told("setup", id=asker.id, source="piano", setup=setup, base=base, every_week=True)
    assert "# in front of the lid" in (root / "house.toml").read_text("utf-8")
    assert piano(root / "house.toml")["send"] == [
        {"mix": "wedge 1", "level": "-6 dB"},
        {"mix": "hall", "level": "0 dB", "after_fader": True},
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"preamp": "loud"}, "loud"),
        ({"pad": "-20"}, "pad"),
        ({"send": [{"mix": "wedge 1", "level": ""}]}, "wedge 1"),
        ({"send": [{"mix": "", "level": "-6 dB"}]}, "mix"),
    ],
)
def test_a_mistake_in_the_set_up_is_one_line_and_nothing_is_written(change, said, root, asker):
    before = (root / "house.toml").read_text("utf-8")
    refused = asker.refused("setup", id=asker.id, source="piano", setup=FIELDS | change, base=EMPTY, every_week=True)
    assert said in refused
    assert (root / "house.toml").read_text("utf-8") == before


def test_a_set_up_that_somebody_else_changed_is_not_written_over(root, asker):
    answer = asker.tell("setup", id=asker.id, source="piano", setup=FIELDS, base=FIELDS, every_week=True)
    assert answer.status_code == 409
    assert answer.json()["theirs"] == EMPTY
