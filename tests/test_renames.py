"""A renamed house and renamed sources: history, checks of older recordings, weeks' files, sheets, and the page that renames."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from deskhand.errors import HouseError, UsageError
from deskhand.house import (
    former_names,
    match_tracks,
    parse_house,
    read_house,
    with_new_name,
    with_todays_names,
)
from deskhand.store import BlindTest, DeskChange, Dismissal, KeptPart, KeptTake
from deskhand.store.blind_tests import blind_tests_of
from deskhand.store.desk_changes import add_desk_changes, desk_changes
from deskhand.store.history import open_history
from deskhand.store.unknown_houses import unknown_house_text, unknown_houses
from tests.support.band_house import HOUSE, make_house
from tests.support.command import run
from tests.support.small_hall import Asker, small_hall

pytestmark = pytest.mark.usefixtures("measured_once")
HOUSE_FILE = Path("house.toml")
SUNDAYS = ("2026-01-04", "2026-01-11", "2026-01-18", "2026-01-25", "2026-02-01")
RENAMED = (
    HOUSE.replace('name = "Tern Street Hall"', 'name = "Tern Street"\nwas = ["Tern Street Hall"]')
    .replace('name = "bass"\n', 'name = "bass DI"\nwas = ["bass"]\n')
    .replace('name = "lead voice"\n', 'name = "Ana"\nwas = ["lead voice"]\n')
    .replace('source = "lead voice"', 'source = "Ana"')
)


class TestTheHouseFile:
    def test_names_of_then_and_now(self):
        names = former_names(parse_house(RENAMED, HOUSE_FILE))
        assert (
            names.houses_of("Tern Street") == names.houses_of("Tern Street Hall") == ("Tern Street", "Tern Street Hall")
        )
        assert names.houses_of("another") == ("another",)
        assert [names.source(name) for name in ("bass", "bass DI", "piano")] == ["bass DI", "bass DI", "piano"]
        assert set(names.sources_of("bass")) == set(names.sources_of("bass DI")) == {"bass", "bass DI"}
        assert names.finding("bass/hum") == "bass DI/hum"
        assert names.finding("bassoon/hum") == "bassoon/hum"

    def test_a_name_of_another_source_is_refused_with_its_line(self, tmp_path):
        text = RENAMED.replace('was = ["bass"]', 'was = ["Piano"]')
        with pytest.raises(HouseError, match='line 13, source "bass DI": was "Piano", which belongs to source "piano"'):
            parse_house(text, tmp_path / "house.toml")
        twice = RENAMED.replace('name = "piano"\n', 'name = "piano"\nwas = ["bass"]\n')
        with pytest.raises(HouseError, match='which belongs to source "bass DI"'):
            parse_house(twice, tmp_path / "house.toml")

    def test_a_new_name_is_written_beside_the_earlier_one_and_comments_stay(self):
        text = with_new_name(HOUSE.replace('role = "bass"', 'role = "bass" # active'), "Bass", "bass DI")
        assert "# active" in text
        assert "# Invented." in text
        house = parse_house(text, HOUSE_FILE)
        assert (house.source[0].name, house.source[0].was) == ("bass DI", ["bass"])
        assert house.source[0].chain == parse_house(HOUSE, HOUSE_FILE).source[0].chain
        again = parse_house(with_new_name(text, "bass DI", "bass left"), HOUSE_FILE).source[0]
        assert (again.name, again.was) == ("bass left", ["bass", "bass DI"])
        back = parse_house(with_new_name(text, "bass DI", "bass"), HOUSE_FILE).source[0]
        assert (back.name, back.was) == ("bass", ["bass DI"])
        house = parse_house(with_new_name(text, None, " Tern Street "), HOUSE_FILE).house
        assert (house.name, house.was) == ("Tern Street", ["Tern Street Hall"])
        assert parse_house(with_new_name(text, "lead voice", "Ana"), HOUSE_FILE).vocal.source == "Ana"

    @pytest.mark.parametrize(
        ("source", "name", "error"),
        [
            ("bass", "piano", "there is a source"), ("bass", " ", "needs a name"), ("bass", "bass", "called so already"),
            ("drums", "kit", 'no source "drums"'), (None, "Tern Street Hall", "called so already"),
        ],
    )  # fmt: skip
    def test_what_is_no_new_name(self, source, name, error):
        with pytest.raises((HouseError, UsageError), match=error):
            with_new_name(HOUSE, source, name)

    def test_a_week_s_file_from_before(self):
        today = parse_house(RENAMED, HOUSE_FILE)
        week = "# that week\n" + HOUSE
        followed = with_todays_names(week, today)
        assert followed.startswith("# that week\n")
        assert [source.name for source in parse_house(followed, HOUSE_FILE).source] == ["bass DI", "piano", "Ana"]
        assert parse_house(followed, HOUSE_FILE).house.name == "Tern Street"
        assert parse_house(followed, HOUSE_FILE).vocal.source == "Ana"
        assert with_todays_names(followed, today) == followed
        assert with_todays_names(week, parse_house(HOUSE, HOUSE_FILE)) == week
        assert with_todays_names("[house", today) == "[house"

    def test_a_recording_whose_track_has_the_earlier_name(self):
        house = parse_house(RENAMED.replace('tracks = ["bass"]', 'tracks = ["bass DI"]'), HOUSE_FILE)
        assert match_tracks(house, ["bass", "pno l", "pno r"]).by_source["bass DI"] == (0,)
        assert match_tracks(house, ["bass DI", "bass", "pno l"]).by_source["bass DI"] == (0,)
        # a track that another source claims is not taken from it
        taken = house.source[1].__class__(name="sub", role="other", tracks=["bass"])
        assert match_tracks(replace(house, source=[*house.source, taken]), ["bass"]).by_source["bass DI"] == (None,)


def take(show, *, house="Tern Street Hall", sources=("bass", "piano"), level_dbfs=-18.0):
    return KeptTake(
        house=house, show=show, date=show, phase="rehearsal", duration_s=60.0, sample_rate_hz=48000, recording=show,
        house_hash="0", deskhand="0", kept_by="Marit",
        parts=[
            KeptPart(source=name, stage="tap", role="bass", tap="preamp", playing_s=60.0, values={"level_dbfs": (level_dbfs, 0.5)})
            for name in sources
        ],
    )  # fmt: skip


class TestTheHistory:
    @pytest.fixture
    def url(self, tmp_path):
        return f"sqlite:///{tmp_path}/history.sqlite"

    @pytest.fixture
    def old(self, url):
        """A season under the earlier names."""
        history = open_history(url, create=True)
        for date in SUNDAYS:
            history.keep(take(date))
        history.dismiss(Dismissal(source="bass", kind="hum", metric=None, show="x", date=None, for_good=True, measured=1.0), house="Tern Street Hall")  # fmt: skip
        history.add_blind_test(BlindTest(source="bass", show="x", date=None, compared="y", trials=5, right=5, p_value=1 / 32), house="Tern Street Hall")  # fmt: skip
        change = DeskChange(
            show="x", date=None, take="t", source="bass", move="bass/trim", where="trim", block=None, on="both",
            settings={"gain": (0.0, 3.0, "dB")}, text="Trim up 3 dB", findings=("bass/level-low",),
        )  # fmt: skip
        add_desk_changes(history, [change], house="Tern Street Hall")
        yield history
        history.close()

    @pytest.fixture
    def new(self, old, url):
        history = open_history(url, names=former_names(parse_house(RENAMED, HOUSE_FILE)))
        yield history
        history.close()

    def test_all_of_it_is_there_under_the_new_names(self, new):
        assert len(new.takes(house="Tern Street")) == 5
        assert new.sources(house="Tern Street") == ["bass DI", "piano"]
        choice = {
            "house": "Tern Street",
            "phase": "rehearsal",
            "metrics": ["level_dbfs"],
            "most": 9,
            "stages": ("tap",),
        }
        assert {part.source for _, part in new.parts(**choice)} == {"bass DI", "piano"}
        for name in ("bass", "bass DI"):
            assert [part.source for _, part in new.parts(source=name, **choice)] == ["bass DI"] * 5
        assert [row.source for row in new.dismissals(house="Tern Street")] == ["bass DI"]
        assert [row.source for row in new.blind_tests(house="Tern Street", source="bass DI")] == ["bass DI"]
        assert blind_tests_of(new, house="Tern Street", source="bass DI", show="x", date=None) == 1
        (change,) = desk_changes(new, house="Tern Street", show="x", date=None)
        assert (change.source, change.move, change.findings) == ("bass DI", "bass DI/trim", ("bass DI/level-low",))
        assert new.take_back("bass DI", "hum", house="Tern Street") == 1
        assert new.forget(SUNDAYS[0], house="Tern Street", by="Marit").date == SUNDAYS[0]

    def test_an_evening_is_kept_once_whatever_the_house_is_called(self, new):
        with pytest.raises(UsageError, match="is kept already"):
            new.keep(take(SUNDAYS[1], house="Tern Street"))

    def test_a_take_that_holds_both_names_keeps_the_one_of_today(self, new):
        new.keep(take("2026-03-01", house="Tern Street", sources=("bass", "bass DI"), level_dbfs=-11.0))
        choice = {
            "house": "Tern Street",
            "phase": "rehearsal",
            "metrics": ["level_dbfs"],
            "most": 1,
            "stages": ("tap",),
        }
        assert [part.source for _, part in new.parts(**choice)] == ["bass DI"]

    def test_without_earlier_names_nothing_is_mixed_up(self, old, url):
        history = open_history(url)
        assert history.takes(house="Tern Street") == []
        assert history.sources(house="Tern Street") == []
        history.close()

    def test_takes_of_a_house_that_is_not_known_are_told(self, old, new, url):
        history = open_history(url)
        assert unknown_houses(history, house="Tern Street") == {"Tern Street Hall": 5}
        line = unknown_house_text(unknown_houses(history, house="Tern Street"))
        assert '5 kept takes of "Tern Street Hall"' in line
        assert 'was = ["Tern Street Hall"]' in line
        assert unknown_houses(new, house="Tern Street") == {}
        assert unknown_houses(history, house="Tern Street Hall") == {}
        assert unknown_house_text({}) == ""
        history.close()

    def test_two_houses_that_keep_side_by_side_are_let_alone(self, url, monkeypatch):
        from deskhand.store import history as module

        moments = iter([f"2026-01-{day:02}T20:00:00+00:00" for day in range(1, 9)])
        monkeypatch.setattr(module, "now_utc", lambda: next(moments))
        history = open_history(url, create=True)
        for day in range(3):
            history.keep(take(f"2026-01-0{day + 1}"))
            history.keep(take(f"2026-01-0{day + 1}", house="The Old Granary"))
        assert (
            unknown_houses(history, house="The Old Granary") == unknown_houses(history, house="Tern Street Hall") == {}
        )
        history.close()


@pytest.fixture(scope="module")
def learned(tmp_path_factory):
    """A house with five kept Sundays; do not write into it."""
    folder = tmp_path_factory.mktemp("renames") / "hall"
    folder.mkdir()
    make_house(folder, weeks=3)
    for place, date in enumerate(SUNDAYS):
        done = run("keep", folder / f"week-{place % 3 + 1}", "--date", date, "--by", "Marit", "--with-faults")
        assert done.exit_code == 0, done.output
    return folder


@pytest.fixture
def hall(learned, tmp_path):
    return shutil.copytree(learned, tmp_path / "hall")


class TestAsPeopleTypeIt:
    def test_a_renamed_house_without_a_word_says_so_everywhere(self, hall):
        file = hall / "house.toml"
        file.write_text(HOUSE.replace('name = "Tern Street Hall"', 'name = "Tern Street"'))
        for words in (
            ("history", "--house", file),
            ("keep", "--list", "--house", file),
            ("check", hall / "week-1", "--no-report"),
        ):
            said = run(*words).output
            assert 'was = ["Tern Street Hall"]' in " ".join(said.split()), said

    def test_a_renamed_source_without_a_word_is_told_how(self, hall):
        (hall / "house.toml").write_text(HOUSE.replace('name = "bass"\n', 'name = "low end"\n'))
        refused = run("history", "low end", "--house", hall / "house.toml")
        assert refused.exit_code == 2
        assert "kept are piano, lead voice, bass" in refused.output
        assert "was = [...] at the source" in " ".join(refused.output.split())

    def test_history_check_and_list_follow(self, hall, tmp_path):
        (hall / "house.toml").write_text(RENAMED)
        overview = run("history", "--house", hall / "house.toml")
        assert overview.exit_code == 0, overview.output
        assert "bass DI" in overview.output
        assert "Ana" in overview.output
        for name in ("bass DI", "bass"):
            one = run("history", name, "--house", hall / "house.toml")
            assert one.exit_code == 0, one.output
            assert "2026-01-04" in one.output
        assert "2026-01-18" in run("keep", "--list", "--house", hall / "house.toml").output
        result = tmp_path / "result.json"
        done = run("check", hall / "week-2", "--date", "2026-02-08", "--no-report", "--json", result)
        assert done.exit_code in (0, 1), done.output
        data = json.loads(result.read_text())
        assert data["reference"]["kept"] == 5
        ranges = {source["name"]: source["normal"] for source in data["sources"]}
        assert ranges["bass DI"]
        assert ranges["Ana"]
        assert not any("does not know" in note for note in data["show"]["notes"])

    def test_an_older_week_s_file_and_show_toml_follow(self, hall, tmp_path):
        (hall / "house.toml").write_text(RENAMED)
        (hall / "week-2026-01-04.toml").write_text(HOUSE.replace('fader = "-12 dB"', 'fader = "-11 dB"'))
        (hall / "week-1" / "show.toml").write_text('date = 2026-01-04\n[players]\nbass = "Jo"\n')
        result = tmp_path / "result.json"
        done = run("check", hall / "week-1", "--no-report", "--json", result)
        assert done.exit_code in (0, 1), done.output
        data = json.loads(result.read_text())
        assert data["house"] == "Tern Street"
        assert [source["name"] for source in data["sources"]] == ["bass DI", "piano", "Ana"]
        assert data["show"]["players"] == {"bass DI": "Jo"}

    def test_the_sheet_calls_no_renamed_source_new(self, hall, tmp_path):
        (hall / "house.toml").write_text(RENAMED)
        (hall / "week-2026-01-04.toml").write_text(HOUSE)
        done = run("sheet", hall / "week-1", "--date", "2026-02-08", "--output", tmp_path / "sheet.pdf")
        assert done.exit_code == 0, done.output
        table = list(csv.DictReader(io.StringIO((tmp_path / "sheet.csv").read_text("utf-8-sig"))))
        assert {row["input"] for row in table} == {"bass DI", "piano", "Ana"}
        assert not any("new input" in row["was"] for row in table), table


class TestThePage:
    def test_it_writes_both_names_and_the_weeks_follow(self, tmp_path):
        folder = small_hall(tmp_path / "hall")
        week = folder / "week-2026-03-01.toml"
        week.write_text((folder / "house.toml").read_text().replace('fader = "-6 dB"', 'fader = "-5 dB"'))
        with Asker(folder) as asker:
            assert "Rename the house or a source" in asker.get("/weeks").text
            assert asker.told("rename", of="piano", name="grand piano") == {"to": "/weeks"}
            asker.told("rename", of="", name="Tern Street")
            house = read_house(folder / "house.toml")
            assert (house.house.name, house.house.was) == ("Tern Street", ["Tern Street Hall"])
            assert (house.source[0].name, house.source[0].was) == ("grand piano", ["piano"])
            assert "# the lid" in (folder / "house.toml").read_text()
            assert [source.name for source in read_house(week).source] == ["grand piano", "lead voice"]
            assert read_house(week).source[0].fader_db == -5.0
            assert "there is a source" in asker.refused("rename", of="grand piano", name="lead voice")
            assert "needs a name" in asker.refused("rename", of="grand piano", name=" ")
            assert "no source" in asker.refused("rename", of="nobody", name="x")
            # what was checked before is shown until it is checked again, and then by its new name
            assert asker.get(f"/show/{asker.id}").status_code == 200
            assert asker.checked(asker.id)["state"] == "done"
            page = asker.get(f"/show/{asker.id}").text
            assert "grand piano" in page
            assert asker.get(f"/show/{asker.id}/source/0").status_code == 200
