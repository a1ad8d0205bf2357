"""Mixes on the stage on the page: one at a time, saved for this week or for every week, undone, and what this week's moves change in each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from deskhand.house import parse_house
from deskhand.web.mixes import changes_in
from tests.support.small_hall import Asker, small_hall, tree

if TYPE_CHECKING:
    from collections.abc import Iterator

EMPTY = {"mix": "", "heard_by": "", "sends": {}}
WEDGE = {
    "mix": "wedge 1",
    "heard_by": "lead voice, Ben",
    "sends": {"piano": {"level": "-9 dB", "after_fader": False}, "lead voice": {"level": "-3 dB", "after_fader": True}},
}


@pytest.fixture
def asker(tmp_path: Path) -> Iterator[Asker]:
    with Asker(small_hall(tmp_path / "hall")) as made:
        yield made


def saved(asker: Asker, base: dict[str, Any], fields: dict[str, Any], **how: Any) -> dict[str, Any]:
    return asker.told("mixes", id=asker.id, mix=base["mix"], base=base, fields=fields, **how)


def sends_of(path: Path) -> dict[str, list[tuple[str, float, bool]]]:
    house = parse_house(path.read_text("utf-8"), path)
    return {
        source.name: [(send.mix, send.level_db, send.after_fader) for send in source.send] for source in house.source
    }


def week(asker: Asker) -> Path:
    return asker.hall.week_file(asker.hall.recordings()[0])


def test_a_mix_is_typed_and_changed_for_this_week(asker: Asker) -> None:
    standing = asker.hall.house_file.read_bytes()
    # people leave the unit out
    typed = WEDGE | {"sends": {"piano": {"level": "-9"}, "lead voice": {"level": "-3", "after_fader": True}}}
    assert saved(asker, EMPTY, typed)["mix"] == "wedge 1"
    assert sends_of(week(asker)) == {"piano": [("wedge 1", -9.0, False)], "lead voice": [("wedge 1", -3.0, True)]}
    [monitor] = parse_house(week(asker).read_text("utf-8"), week(asker)).monitor
    assert (monitor.mix, monitor.heard_by) == ("wedge 1", ["lead voice", "Ben"])
    assert asker.hall.house_file.read_bytes() == standing
    shown = asker.get(f"/show/{asker.id}/mixes").text
    for said in ("lead voice, Ben", 'value="-9 dB"', "None of this week&#39;s moves is heard in it."):
        assert said in shown
    saved(asker, WEDGE, WEDGE | {"mix": "wedge 2", "sends": {"piano": {"level": "-6 dB", "after_fader": False}}})
    assert sends_of(week(asker)) == {"piano": [("wedge 2", -6.0, False)], "lead voice": []}
    assert f"/show/{asker.id}/mixes" in asker.get(f"/show/{asker.id}").text


def test_every_week_s_file_is_written_and_undone_to_the_letter(asker: Asker) -> None:
    before = tree(asker.hall.root)
    undo = saved(asker, EMPTY, WEDGE, every_week=True)["undo"]
    assert sends_of(asker.hall.house_file)["piano"] == [("wedge 1", -9.0, False)]
    assert "# the lid" in asker.hall.house_file.read_text("utf-8")
    assert not week(asker).is_file()
    asker.told("mixes/undo", undo=undo)
    assert tree(asker.hall.root) == before
    assert "cannot be undone any more" in asker.refused("mixes/undo", undo=undo)
    undo = saved(asker, EMPTY, WEDGE)["undo"]
    asker.told("mixes/undo", undo=undo)
    assert tree(asker.hall.root) == before


def test_what_somebody_else_changed_meanwhile_stays(asker: Asker) -> None:
    undo = saved(asker, EMPTY, WEDGE)["undo"]
    other = asker.tell("mixes", id=asker.id, mix="wedge 1", base=EMPTY | {"mix": "wedge 1"}, fields=WEDGE)
    assert (other.status_code, other.json()["theirs"]) == (409, WEDGE)
    saved(asker, WEDGE, WEDGE | {"heard_by": "Ana"})
    # the first saving cannot be undone over the second
    assert "was changed since" in asker.refused("mixes/undo", undo=undo)
    assert "Ana" in week(asker).read_text("utf-8")


def test_a_mix_is_taken_out_with_every_send_to_it(asker: Asker) -> None:
    saved(asker, EMPTY, WEDGE)
    undo = saved(asker, WEDGE, {}, take_out=True)["undo"]
    assert sends_of(week(asker)) == {"piano": [], "lead voice": []}
    asker.told("mixes/undo", undo=undo)
    assert sends_of(week(asker))["lead voice"] == [("wedge 1", -3.0, True)]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (WEDGE | {"mix": " "}, "has no name"),
        (WEDGE | {"sends": []}, "is missing"),
        (WEDGE | {"sends": {"flute": {"level": "-3 dB"}}}, 'there is no source "flute"'),
        (WEDGE | {"sends": {"piano": {"level": "loud"}}}, "loud"),
        ("wedge", "is missing"),
    ],
    ids=["no-name", "no-sends", "no-source", "no-level", "no-mix"],
)
def test_what_cannot_be_saved_is_one_line_and_nothing_is_written(asker: Asker, fields: Any, said: str) -> None:
    before = tree(asker.hall.root)
    assert said in asker.refused("mixes", id=asker.id, mix="", base=EMPTY, fields=fields)
    assert tree(asker.hall.root) == before


def test_what_moves_change_in_a_mix_stands_on_its_page(tmp_path: Path) -> None:
    """The piano is 4 dB hotter than its nominal level and is turned down: before the fader its send follows, by exactly that much."""
    folder = small_hall(tmp_path / "hall")
    house = folder / "house.toml"
    house.write_text(
        house.read_text("utf-8").replace(
            'fader = "-6 dB"\n',
            'fader = "-6 dB"\nnominal = "-60 dBFS"\npreamp = "46 dB"\nsend = [{ mix = "wedge 1", level = "-9 dB" }]\n',
        )
        + '[[monitor]]\nmix = "wedge 1"\nheard_by = ["Ben"]\n'
    )
    with Asker(folder) as asker:
        assert asker.checked(asker.id)["state"] == "done"
        check = asker.pages.check(asker.hall.recordings()[0])
        assert check is not None
        [piano] = [source for source in check.result.sources if source.name == "piano"]
        first = piano.moves[0]
        telling, lines = changes_in(check.result, "wedge 1")
        assert "Ben" in telling
        turned_db = float(first.facts["change_db"])
        assert turned_db < -10.0
        assert lines[0].endswith(f"({turned_db:.1f} dB there)".replace("-", "\N{MINUS SIGN}").replace(".0 ", " "))
        shown = asker.get(f"/show/{asker.id}/mixes", params={"mix": "wedge 1"}).text
        assert telling.split(":")[0] in shown
        assert changes_in(check.result, "wedge 2") == ("", [])
