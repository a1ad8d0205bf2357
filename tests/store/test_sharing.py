"""What leaves a house: readings and people's names, to a server's history and into an exported one; two rooms and two desks.

In order: the keys of the house file; readings that stay; names on a server and how they are read where they belong; several
programs that meet new people at once; exports and imports; rooms and desks; months by desk, made and taken away.
"""

from __future__ import annotations

import json
import multiprocessing
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.errors import HouseError, UsageError
from deskhand.house import former_names, names_at, parse_house
from deskhand.report.houses import HousesAnswer, houses_lines
from deskhand.store.across import Place, fault_totals, room_levels
from deskhand.store.desk_changes import add_desk_changes, desk_changes
from deskhand.store.exchange import export_history, import_history
from deskhand.store.handover import add_handover_notes, finish_job, handover_notes
from deskhand.store.history import History, open_history
from deskhand.store.people import NOBODY, StandIns
from deskhand.store.records import BlindTest, DeskChange, Dismissal, HandoverNote
from deskhand.store.tables import METADATA
from tests.support.folders import HOUSE, PART, TAKE, opened

if TYPE_CHECKING:
    from tests.support.postgres import Server

HOUSE_TEXT = f"""\
[house]
name = "{HOUSE}"

[sharing]
names = false

[[source]]
name = "piano"
role = "keys"
tracks = [1]
player = "Selma"

[[source]]
name = "guitar a"
role = "guitar"
tracks = [2]

[[monitor]]
mix = "wedge 1"
heard_by = ["piano", "Ben"]
"""
PEOPLE = ("Selma", "Marit", "Ben", "Joris", "Bo", "Ana")


@pytest.fixture
def house_file(tmp_path: Path) -> Path:
    path = tmp_path / "hall" / "house.toml"
    path.parent.mkdir()
    path.write_text(HOUSE_TEXT, "utf-8")
    return path


def opened_as(url: str, house_file: Path) -> History:
    history = open_history(url, create=True, names=names_at(house_file))
    assert history is not None
    return history


def everything_said(history: History) -> None:
    """Everything that people can write into a history, each naming somebody."""
    guitar = replace(PART, source="guitar a", role="guitar", player="Joris")
    take = replace(
        TAKE, parts=(replace(PART, player="Selma"), guitar), note="Ben was ill, Joris played", kept_by="Marit"
    )
    number = history.keep(take)
    history.keep(replace(take, date="2026-03-08"))
    history.forget("2026-03-08", house=HOUSE, by="Bo")
    piano = {"source": "piano", "show": "Sunday", "date": None}
    history.dismiss(Dismissal(kind="tone", metric=None, for_good=True, measured=None, note="Selma likes it", said_by="Ana", **piano), house=HOUSE)  # fmt: skip
    history.add_blind_test(BlindTest(compared="a and b", trials=5, right=5, p_value=1 / 32, said_by="Ana", **piano), house=HOUSE)  # fmt: skip
    change = DeskChange(
        take="t", move="piano/trim", where="trim", block=None, on="both", settings={"gain": (0.0, 1.0, "dB")},
        text="Trim up 1 dB; tell Ben", said_by="Marit", **piano,
    )  # fmt: skip
    add_desk_changes(history, [change], house=HOUSE)
    note = HandoverNote(date="2026-03-01", source="piano", text="Ben's wedge hums", is_job=True, said_by="Ana")
    (job,) = add_handover_notes(history, [note], house=HOUSE)
    finish_job(history, job, house=HOUSE, by="Bo")
    assert number == 1


def texts_of(url: str) -> str:
    """All that the database holds, read beside the code that keeps it."""
    with closing(opened(url)) as raw, raw.transaction() as connection:
        return repr([connection.execute(sa.text(f"SELECT * FROM {name}")).all() for name in METADATA.tables])


class TestKeys:
    @pytest.mark.parametrize("key", ["audio", "recordings"])
    @pytest.mark.parametrize("value", ["true", "false"])
    def test_audio_cannot_be_asked_for(self, key: str, value: str) -> None:
        text = f"{HOUSE_TEXT}".replace("names = false", f"{key} = {value}")
        with pytest.raises(HouseError) as raised:
            parse_house(text, Path("house.toml"))
        assert str(raised.value) == (
            f'house.toml, line 5, [sharing]: there is no key "{key}": audio never leaves the house, and no key changes that; '
            "take it out"
        )

    def test_names_and_readings_leave_unless_said_otherwise(self) -> None:
        house = parse_house(HOUSE_TEXT.replace("[sharing]\nnames = false\n", ""), Path("house.toml"))
        assert (house.sharing.readings, house.sharing.names) == (True, True)
        with pytest.raises(HouseError, match='unknown key "name"; did you mean "names"'):
            parse_house(HOUSE_TEXT.replace("names = false", "name = false"), Path("house.toml"))

    def test_a_house_file_that_cannot_be_read_lets_no_name_out(self, house_file: Path) -> None:
        house_file.write_text("[house", "utf-8")
        assert not names_at(house_file).sharing.names


class TestReadingsThatStay:
    @pytest.fixture(autouse=True)
    def _stays(self, house_file: Path) -> None:
        house_file.write_text(HOUSE_TEXT.replace("names = false", "readings = false"), "utf-8")

    def test_a_server_is_read_and_not_written(self, server: Server, house_file: Path) -> None:
        url = server.empty_history()
        with closing(opened(url)) as elsewhere:
            elsewhere.keep(TAKE)
        with closing(opened_as(url, house_file)) as history:
            assert len(history.takes()) == 1
            with pytest.raises(
                HouseError, match=r"\[sharing\]: readings = false: nothing is written to a shared history"
            ):
                history.keep(replace(TAKE, date="2026-03-08"))
            with pytest.raises(HouseError, match="readings = false"):
                add_handover_notes(history, [HandoverNote(date=None, text="x", said_by="Ana")], house=HOUSE)
            assert len(history.takes()) == 1

    def test_the_house_s_own_file_is_written_and_not_exported(self, house_file: Path, tmp_path: Path) -> None:
        with closing(opened_as(f"sqlite:///{house_file.parent / 'history.sqlite'}", house_file)) as history:
            history.keep(TAKE)
        arguments = ["store", "export", str(tmp_path / "out.jsonl"), "--house", str(house_file)]
        outcome = CliRunner().invoke(main, arguments)
        assert (outcome.exit_code, outcome.output.count("\n")) == (2, 1)
        assert "readings = false" in outcome.output
        assert not (tmp_path / "out.jsonl").exists()


class TestNames:
    def test_a_server_holds_stand_ins_and_the_house_reads_names(self, server: Server, house_file: Path) -> None:
        url = server.empty_history()
        with closing(opened_as(url, house_file)) as history:
            everything_said(history)
        held = texts_of(url)
        assert [name for name in PEOPLE if name in held] == []
        for stand_in in ("keyboard player 1", "guitarist 1", "engineer 1"):
            assert stand_in in held
        # another program of the house, later
        with closing(opened_as(url, house_file)) as history:
            (take,) = history.takes(house=HOUSE)
            assert (take.kept_by, take.note) == ("Marit", "Ben was ill, Joris played")
            assert history.takes(house=HOUSE, forgotten=True)[1].forgotten_by == "Bo"
            choice: dict[str, Any] = {"phase": "rehearsal", "metrics": ["level_dbfs"], "most": 9, "stages": ("tap",)}
            assert {part.source: part.player for _, part in history.parts(house=HOUSE, **choice)} == {
                "guitar a": "Joris", "piano": "Selma",
            }  # fmt: skip
            assert [(said.said_by, said.note) for said in history.dismissals(house=HOUSE)] == [
                ("Ana", "Selma likes it")
            ]
            assert history.blind_tests(house=HOUSE)[0].said_by == "Ana"
            (change,) = desk_changes(history, house=HOUSE, show="Sunday", date=None)
            assert (change.said_by, change.text) == ("Marit", "Trim up 1 dB; tell Ben")
            (note,) = handover_notes(history, house=HOUSE)
            assert (note.said_by, note.done_by, note.text) == ("Ana", "Bo", "Ben's wedge hums")
        # elsewhere the same person is the same stand-in
        with closing(opened(url)) as elsewhere:
            (note,) = handover_notes(elsewhere, house=HOUSE)
            assert elsewhere.blind_tests(house=HOUSE)[0].said_by == note.said_by != note.done_by

    def test_the_house_s_own_file_holds_names(self, house_file: Path) -> None:
        url = f"sqlite:///{house_file.parent / 'history.sqlite'}"
        with closing(opened_as(url, house_file)) as history:
            everything_said(history)
        held = texts_of(url)
        assert [name for name in PEOPLE if name not in held] == []
        assert not (house_file.parent / "people.toml").exists()

    def test_without_a_file_nobody_is_told_from_another(self, server: Server) -> None:
        """The house file of a show in an object store has no folder here."""
        url = server.empty_history()
        names = former_names(parse_house(HOUSE_TEXT, Path("house.toml")))
        history = open_history(url, names=names)
        assert history is not None
        with closing(history):
            everything_said(history)
        held = texts_of(url)
        # a text may still name somebody whom nobody can tell from a word
        assert [name for name in ("Marit", "Bo", "Ana") if f"'{name}'" in held] == []
        with closing(opened(url)) as elsewhere:
            assert elsewhere.takes()[0].kept_by == NOBODY

    def test_a_file_of_people_that_is_none_is_told(self, house_file: Path) -> None:
        people = house_file.parent / "people.toml"
        for text in ('"Selma" = 3', '"Selma" = "Sel"', '"Selma" = "singer 1"\n"Ana" = "singer 1"', "[[["):
            people.write_text(text, "utf-8")
            with pytest.raises(HouseError, match=r"people\.toml: .*; "):
                StandIns(people)


def meet_many(file: str, names: list[str], told: str) -> None:
    """Stand-ins of some people, each met by itself and written down as they are told."""
    stand_ins = {}
    for name in names:
        here = StandIns(Path(file))
        here.meet([(name, "guitar")])
        stand_ins[name] = here.stand_in(name)
    Path(told).write_text(json.dumps(stand_ins), "utf-8")


def test_several_programs_meet_new_people_at_once(tmp_path: Path) -> None:
    file = tmp_path / "hall" / "people.toml"
    file.parent.mkdir()
    everybody = [f"Person {number}" for number in range(12)]
    context = multiprocessing.get_context("fork")
    programs = [
        context.Process(target=meet_many, args=(str(file), everybody[k:] + everybody[:k], str(tmp_path / f"{k}.json")))
        for k in (0, 3, 6, 9)
    ]
    for program in programs:
        program.start()
    for program in programs:
        program.join(60)
        assert program.exitcode == 0
    told = [json.loads(path.read_text("utf-8")) for path in tmp_path.glob("*.json")]
    # whoever asked, and whenever: the same person is the same stand-in
    assert told == [told[0]] * 4
    assert sorted(told[0].values()) == sorted(f"guitarist {number}" for number in range(1, 13))
    assert [path.name for path in file.parent.iterdir()] == ["people.toml"]


class TestExports:
    def test_an_export_holds_the_stand_ins_of_the_server(
        self, server: Server, house_file: Path, tmp_path: Path
    ) -> None:
        """From the house's own file, in which the names are; what a server was written holds the same."""
        file = house_file.parent / "history.sqlite"
        with closing(opened_as(f"sqlite:///{file}", house_file)) as history:
            everything_said(history)
        out = tmp_path / "out.jsonl"
        arguments = ["store", "export", str(out), "--house", str(house_file)]
        assert CliRunner().invoke(main, arguments).exit_code == 0
        text = out.read_text("utf-8")
        assert [name for name in PEOPLE if name in text] == []
        rows = [json.loads(line) for line in text.splitlines()]
        players = {row["source"]: row["player"] for row in rows if row.get("table") == "part"}
        assert players == {"piano": "keyboard player 1", "guitar a": "guitarist 1"}
        url = server.empty_history()
        with closing(opened_as(url, house_file)) as shared:
            import_history(shared, out)
            assert {part.player for _, part in shared.parts(house=HOUSE, phase="rehearsal", metrics=["level_dbfs"], most=9, stages=("tap",))} == {"Selma", "Joris"}  # fmt: skip
        assert [name for name in PEOPLE if name in texts_of(url)] == []

    def test_an_export_with_names_is_not_imported_to_a_server(
        self, server: Server, house_file: Path, tmp_path: Path
    ) -> None:
        with closing(opened(f"sqlite:///{tmp_path / 'history.sqlite'}")) as history:
            everything_said(history)
            export_history(history, tmp_path / "out.jsonl")
        url = server.empty_history()
        with closing(opened_as(url, house_file)) as shared, pytest.raises(UsageError, match="_by: names a person"):
            import_history(shared, tmp_path / "out.jsonl")
        with closing(opened(url)) as shared:
            assert shared.takes(forgotten=True) == []


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: Any, tmp_path: Path) -> str:
    if request.param == "postgresql":
        return str(request.getfixturevalue("server").empty_history())
    return f"sqlite:///{tmp_path / 'history.sqlite'}"


def of_place(url: str, room: str, desk: str) -> History:
    keys = f'room = "{room}"\ndesk = "{desk}"\n'
    house = parse_house(f'[house]\nname = "{HOUSE}"\n{keys}', Path("house.toml"))
    history = open_history(url, create=True, names=former_names(house))
    assert history is not None
    return history


class TestPlaces:
    def test_one_evening_in_two_rooms_and_at_two_desks(self, url: str) -> None:
        for number, (room, desk) in enumerate([("hall", "front"), ("hall", "stream"), ("loft", "front")]):
            with closing(of_place(url, room, desk)) as history:
                part = replace(PART, values={"level_dbfs": (-18.0 - number, None)})
                history.refuse_twice(house=HOUSE, show=TAKE.show, date=TAKE.date, phase=TAKE.phase)
                history.keep(replace(TAKE, room=room, desk=desk, faults=("piano/hum",), parts=(part,)))
                with pytest.raises(UsageError, match="is kept already"):
                    history.keep(replace(TAKE, room=room, desk=desk))
                with pytest.raises(UsageError, match="is kept already"):
                    history.keep(TAKE)  # its own file, before it named its room
                choice: dict[str, Any] = {
                    "phase": "rehearsal",
                    "metrics": ["level_dbfs"],
                    "most": 9,
                    "stages": ("tap",),
                }
                assert [part.values["level_dbfs"][0] for _, part in history.parts(house=HOUSE, **choice)] == [
                    -18.0 - number
                ]
        with closing(opened(url)) as history:
            levels = {(level.room, level.desk): level.level_dbfs for level in room_levels(history, phase="rehearsal")}
            assert levels == {("hall", "front"): -18.0, ("hall", "stream"): -19.0, ("loft", "front"): -20.0}
            of_loft = room_levels(history, phase="rehearsal", place=Place(room="loft"))
            assert [(level.room, level.desk) for level in of_loft] == [("loft", "front")]
            at_front = fault_totals(history, phase="rehearsal", place=Place(desk="front"))
            assert [(fault.room, fault.takes, fault.of_takes) for fault in at_front] == [("hall", 1, 1), ("loft", 1, 1)]
            lines = houses_lines(HousesAnswer(drifts=[], faults=[], levels=of_loft))
            assert f"  {HOUSE}, loft, front: -20 dBFS (2026-03)".replace("-", "\N{MINUS SIGN}", 1) in lines

    def test_months_by_desk_are_made_and_taken_away(self, url: str) -> None:
        """What 0011 made of it, counted by hand: two takes of the hall at -18 and -20 dBFS are one month at -19."""
        from alembic import command

        from tests.store.test_history import migrating

        with closing(opened(url)) as history:
            for desk, level_dbfs in (("front", -18.0), ("stream", -20.0)):
                part = replace(PART, values={"level_dbfs": (level_dbfs, None)})
                history.keep(replace(TAKE, room="hall", desk=desk, faults=("piano/hum",), parts=(part,)))
            query = sa.text("SELECT room, takes, mean FROM month_reading ORDER BY mean")
            faults = sa.text("SELECT room, kind, takes FROM month_fault ORDER BY kind")
            with history.transaction(writes=True) as connection:
                assert connection.execute(query).all() == [("hall", 1, -20.0), ("hall", 1, -18.0)]
                command.downgrade(migrating(connection), "0011")
                assert connection.execute(query).all() == [("hall", 2, -19.0)]
                assert connection.execute(faults).all() == [("hall", "", 2), ("hall", "hum", 2)]
                command.upgrade(migrating(connection), "head")
                assert connection.execute(query).all() == [("hall", 1, -20.0), ("hall", 1, -18.0)]
