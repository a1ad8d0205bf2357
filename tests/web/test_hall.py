"""The folder of the house as the page has it: what is listed, what is kept, what is written, and nothing lost."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import shutil
import threading
import tomllib
import tracemalloc
from pathlib import Path

import pytest
import soundfile

from deskhand.errors import UsageError
from deskhand.house import read_house
from deskhand.recording import open_recording
from deskhand.tasks.new import proposal_of
from deskhand.web.hall import Hall
from deskhand.web.shows import tracks_of
from tests.support.small_hall import HOUSE, OWN, Asker, one_line, pink, raw, said_by, small_hall, tree, write_show

WEEK = "week-2026-03-01.toml"


@pytest.fixture
def root(tmp_path):
    return small_hall(tmp_path / "hall")


@pytest.fixture
def asker(root):
    with Asker(root) as made:
        yield made


def tone(path, seconds=1.0):
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, pink(seconds, 3), 48000)
    return path


# what is listed


class TestRecordings:
    def test_newest_first_by_date_then_by_clock(self, tmp_path):
        dates = {"a": "2026-02-01", "b": "2026-03-01", "c": "2026-03-01", "d": None, "e": "2024-01-01"}
        for place, (name, date) in enumerate(dates.items()):
            file = tone(tmp_path / name / "vox.wav")
            os.utime(file, (1_750_000_000 - 1000 * place, 1_750_000_000 - 1000 * place))  # June 2025
            if date:
                (tmp_path / name / "show.toml").write_text(f"date = {date}\n")
        # what somebody wrote goes before the clock; two of one day by their clock; without a date by the clock alone
        assert [one.path.name for one in Hall(tmp_path).recordings()] == ["b", "c", "a", "d", "e"]

    def test_a_recording_over_midnight_is_of_the_evening_it_began(self, tmp_path):
        """Ten seconds that end four seconds into the third of May; a second file that was begun after midnight changes nothing."""
        midnight = dt.datetime(2026, 5, 3).timestamp()
        for number, (length_s, written) in enumerate(((10.0, midnight + 4.0), (2.0, midnight + 6.0)), 1):
            file = tone(tmp_path / "USB-REC" / f"rec {number}.wav", length_s)
            os.utime(file, (written, written))
        [shelf] = Hall(tmp_path).recordings()
        assert (shelf.date, shelf.evening) == (None, "2026-05-02")
        # all of it after midnight
        os.utime(tmp_path / "USB-REC" / "rec 1.wav", (midnight + 20.0, midnight + 20.0))
        os.utime(tmp_path / "USB-REC" / "rec 2.wav", (midnight + 22.0, midnight + 22.0))
        [shelf] = Hall(tmp_path).recordings()
        assert shelf.evening == "2026-05-03"
        (tmp_path / "USB-REC").rename(tmp_path / "USB-2026-04-30")
        [shelf] = Hall(tmp_path).recordings()
        assert (shelf.date, shelf.evening) == ("2026-04-30", "2026-04-30")

    def test_what_a_person_said_goes_before_the_note(self, asker):
        assert (asker.hall.recordings()[0].date, asker.hall.recordings()[0].phase) == ("2026-03-01", "rehearsal")
        asker.waited(asker.told("check", id=asker.id, date="2026-03-08", phase="show", tap="after-gain")["job"])
        [shelf] = asker.hall.recordings()
        assert (shelf.date, shelf.phase, shelf.tap) == ("2026-03-08", "show", "after-gain")
        assert asker.hall.check_of(shelf).result.show.date == "2026-03-08"

    def test_a_new_one_is_seen_within_two_seconds(self, asker):
        assert asker.get("/api/news").json() == {"new": None}
        tone(asker.hall.root / "show-2026-03-08" / "vox.wav")
        asker.hall._looked_s -= 2.0
        news = asker.get("/api/news").json()["new"]
        assert (news["name"], news["tracks"]) == ("show-2026-03-08", 1)

    def test_the_address_says_nothing_of_where_it_lies(self, asker):
        assert str(asker.hall.root) not in asker.get("/recordings").text
        assert len({one.id for one in Hall(asker.hall.root).recordings()}) == 1
        assert Hall(asker.hall.root).recordings()[0].id == asker.id

    @pytest.mark.parametrize(
        "note",
        ["name =", b"\xff\xfe", "a = " + "[" * 5000, "date = 31", 'phase = "encore"', "nme = 'x'", "players = 3", ""],
        ids=range(8),
    )
    def test_a_broken_note_does_not_hide_its_recording(self, asker, note):
        (asker.hall.root / "show-2026-03-01" / "show.toml").write_bytes(
            note if isinstance(note, bytes) else note.encode()
        )
        asker.hall.look_again()
        [shelf] = asker.hall.recordings()
        assert shelf.name == "show-2026-03-01"
        page = asker.get("/recordings")
        assert page.status_code == 200
        assert (shelf.problem is None) == (note == "")
        if shelf.problem:
            assert one_line(shelf.problem).startswith("show.toml")
            assert "show.toml: " in page.text or "show.toml, " in page.text
            assert "show.toml" in one_line(asker.checked(shelf.id)["said"])

    def test_hidden_files_and_their_own_are_no_recordings(self, tmp_path):
        for name in (".hidden/vox.wav", "show/._vox.wav", "before-audio/vox.wav", "a/b/c/d/e/vox.wav", "notes.txt"):
            tone(tmp_path / name).rename(tmp_path / name) if name.endswith("wav") else (tmp_path / name).write_text("x")
        assert Hall(tmp_path).recordings() == []


class TestLinks:
    """What a link leads to outside of the folder is neither listed nor read."""

    @pytest.fixture
    def outside(self, tmp_path):
        return write_show(tmp_path / "elsewhere", seconds=2.0)

    def test_a_folder(self, root, outside):
        (root / "linked").symlink_to(outside)
        (root / "show-2026-03-01" / "below").symlink_to(outside)
        assert [one.path.name for one in Hall(root).recordings()] == ["show-2026-03-01"]

    @pytest.mark.parametrize("name", ["more.wav", "more.txt"])
    def test_a_file_among_others(self, root, outside, name):
        """The whole folder is read as one recording, and a WAV file under any name: one link shuts it."""
        (root / "show-2026-03-01" / name).symlink_to(outside / "vox.wav")
        assert Hall(root).recordings() == []

    def test_a_file_at_the_top(self, root, outside):
        (root / "alone.wav").symlink_to(outside / "vox.wav")
        tone(root / "take 1 part 1.wav")
        (root / "take 1 part 2.wav").symlink_to(outside / "vox.wav")
        tone(root / "mine.wav")
        assert {one.path.name for one in Hall(root).recordings()} == {"show-2026-03-01", "mine.wav"}

    def test_links_in_a_ring_and_to_nothing(self, root):
        (root / "ring").symlink_to(root / "ring2")
        (root / "ring2").symlink_to(root / "ring")
        for folder in (root, root / "show-2026-03-01"):
            (folder / "nothing.wav").symlink_to(root / "gone.wav")
            (folder / "round.wav").symlink_to("round.wav")
        [shelf] = Hall(root).recordings()
        assert (shelf.path.name, tracks_of(shelf)[0]) == ("show-2026-03-01", 3)

    def test_a_link_inside_is_followed(self, root):
        (root / "again").symlink_to(root / "show-2026-03-01")
        assert {one.path.name for one in Hall(root).recordings()} == {"again", "show-2026-03-01"}

    def test_nothing_is_dropped_through_one(self, asker, outside):
        before = tree(outside)
        (asker.hall.root / "linked").symlink_to(outside)
        answer = asker.drop("linked", "new.wav", b"RIFF")
        assert answer.status_code == 400
        assert "link" in said_by(answer)
        assert tree(outside) == before
        # nor in place of one
        (asker.hall.root / "show-2026-03-01" / "link.wav").symlink_to(outside / "gone.wav")
        assert asker.drop("show-2026-03-01", "link.wav", b"RIFF").status_code == 400
        assert (asker.hall.root / "show-2026-03-01" / "link.wav").is_symlink()


class TestACard:
    def test_it_is_only_read(self, root, tmp_path):
        card = tmp_path / "card"
        write_show(card / "take", seconds=4.0)
        before = tree(card)
        with Asker(root, also=[card]) as asker:
            id_ = next(one.id for one in asker.hall.recordings() if one.path.parent == card)
            assert asker.checked(id_)["state"] == "done"
            assert asker.get(f"/show/{id_}").status_code == 200
            base = asker.get(f"/api/written?id={id_}&source=piano").json()
            asker.told("save", id=id_, source="piano", chain=[], base=base)
            assert asker.get(f"/show/{id_}/source/0/hear.flac?at=1").status_code == 200
            asker.told("try", id=id_, source="piano", chain=[], start_s=0)
            assert asker.waited(asker.told("keep", id=id_)["job"])["state"] == "done"
            assert tree(card) == before
            # pulled out: it is not there any more, and says so
            card.rename(tmp_path / "pocket")
            asker.hall.look_again()
            assert asker.get(f"/show/{id_}").status_code == 404
            assert "card" in asker.refused("check", id=id_)

    @pytest.mark.parametrize("which", ["root", "also"])
    def test_a_folder_that_is_none(self, root, which):
        for wrong in (root / "nothing", root / "house.toml"):
            with pytest.raises(UsageError, match="is no folder") as error:
                Hall(wrong) if which == "root" else Hall(root, (wrong,))
            one_line(str(error.value))


# what is kept of a check


class TestKeptChecks:
    def test_it_opens_again(self, asker):
        first = asker.get(f"/show/{asker.id}")
        assert first.status_code == 200
        with Asker(asker.hall.root) as later:
            assert later.get(f"/show/{later.id}").text == first.text

    def test_the_same_comes_back(self, asker):
        from deskhand.result import plain

        [shelf] = asker.hall.recordings()
        shown = asker.hall.check_of(shelf)
        asker.hall.store_check(shown)
        again = Hall(asker.hall.root).check_of(shelf)
        assert plain(again.result) == plain(shown.result)
        assert again.house_text == HOUSE
        for name, picture in shown.pictures.items():
            other = again.pictures[name]
            assert other.level_dbfs == pytest.approx(picture.level_dbfs, abs=0.051)
            assert (other.active == picture.active).all()
            assert (other.start_s, other.telling_s) == (picture.start_s, picture.telling_s)

    @pytest.mark.parametrize("how", ["touched", "longer", "one more", "one less"])
    def test_it_goes_when_the_recording_changes(self, asker, how):
        [shelf] = asker.hall.recordings()
        assert asker.hall.check_of(shelf) is not None
        vox = shelf.path / "vox.wav"
        if how in ("touched", "longer"):
            stat, data = vox.stat(), vox.read_bytes()
            vox.unlink()  # a link to the audio of all halls
            vox.write_bytes(data + bytes(6 if how == "longer" else 0))
            os.utime(vox, (stat.st_atime, stat.st_mtime + (5 if how == "touched" else 0)))
        elif how == "one more":
            shutil.copy2(vox, shelf.path / "kick.wav")
        else:
            vox.unlink()
        asker.hall.look_again()
        [shelf] = asker.hall.recordings()
        assert asker.hall.check_of(shelf) is None
        answer = asker.get(f"/show/{shelf.id}")
        assert (answer.status_code, answer.headers["location"]) == (303, f"/recordings#{shelf.id}")
        assert asker.get(f"/show/{shelf.id}/source/0").status_code == 404
        assert "not checked" in asker.refused("try", id=shelf.id, source="piano", chain=[], start_s=0)

    @pytest.mark.parametrize(
        "spoil",
        [
            lambda text: "", lambda text: text[: len(text) // 2], lambda text: "[" * 100_000, lambda text: "[]",
            lambda text: "null", lambda text: '{"files": 3}',
            lambda text: text.replace('"pictures":{', '"pictures":[{', 1),
            lambda text: text.replace('"schema":1', '"schema":"one"'), lambda text: text.replace('"level_dbfs"', '"level"'),
            lambda text: text.replace('"step_s":', '"step_s":"x","y":'),
            lambda text: json.dumps(json.loads(text) | {"result": None}),
            lambda text: json.dumps(json.loads(text) | {"pictures": {"piano": 3}}),
        ],
        ids=range(12),
    )  # fmt: skip
    def test_a_damaged_one_is_made_again(self, asker, spoil):
        kept = asker.hall.root / ".deskhand" / f"check-{asker.id}.json"
        text = kept.read_text()
        kept.write_text(spoil(text))
        assert asker.get(f"/show/{asker.id}").status_code == 303
        assert asker.get("/").status_code == 200
        assert asker.tell("try", id=asker.id, source="piano", chain=[], start_s=0).status_code == 400
        if kept.stat().st_size == 0:  # one of them is enough
            assert asker.checked(asker.id)["state"] == "done"
            assert asker.get(f"/show/{asker.id}").status_code == 200

    def test_a_recording_that_changed_is_to_be_checked_again(self, asker):
        """The list must not offer to open what the page would not show."""
        shelf = asker.hall.recording(asker.id)
        assert asker.hall.is_checked(shelf)
        assert f'href="/show/{asker.id}"' in asker.get("/recordings").text
        [first, *_] = sorted(shelf.path.glob("*.wav"))
        audio = first.read_bytes()
        first.unlink()  # it is a link that other halls share
        first.write_bytes(audio)
        os.utime(first, (shelf.changed + 60, shelf.changed + 60))
        asker.hall.look_again()
        assert not asker.hall.is_checked(asker.hall.recording(asker.id))
        assert f'href="/show/{asker.id}"' not in asker.get("/recordings").text

    @pytest.mark.parametrize(
        "said", ["", "[", "3", '{"date": 3, "players": 3, "phase": null}', '{"players": {"a": 1}}', "[[" * 50_000]
    )
    def test_what_was_said_may_be_damaged(self, asker, said):
        (asker.hall.root / ".deskhand" / f"asked-{asker.id}.json").write_text(said)
        asker.hall.look_again()
        assert asker.hall.recordings()[0].date == "2026-03-01"

    def test_nothing_is_written_where_that_cannot_be(self, root):
        """A file where the folder would be: as an unwritable place is, also for those who may write everywhere."""
        shutil.rmtree(root / ".deskhand")
        (root / ".deskhand").write_text("in the way")
        with Asker(root) as asker:
            assert asker.get("/recordings").status_code == 200
            assert ".deskhand" in asker.refused("check", id=asker.id)
        assert (root / ".deskhand").read_text() == "in the way"

    @pytest.mark.modes_count
    def test_nothing_is_written_into_a_folder_that_is_shut(self, asker):
        asker.hall.root.chmod(0o555)
        try:
            base = asker.get(f"/api/written?id={asker.id}&source=piano").json()
            assert "written" in asker.refused("save", id=asker.id, source="piano", chain=[], base=base)
        finally:
            asker.hall.root.chmod(0o755)


# house files


BROKEN = {
    "syntax": "[house",
    "unknown-key": HOUSE.replace("[house]", '[house]\nnme = "x"'),
    "binary": b"\x89PNG\r\n\x1a\n\xff\x00",
    "nested": "a = " + "[" * 5000,
    "empty": "",
    "no-name": HOUSE.replace('name = "piano"\n', ""),
    "no-list": '[house]\nname = "x"\nsource = 3\n',
    "a-list-of-numbers": 'source = [1, 2]\n[house]\nname = "x"\n',
    "name-twice": HOUSE.replace('name = "piano"', 'name = "Lead Voice"'),
    "wrong-block": HOUSE.replace('"bell"', '"bel"'),
    "wrong-unit": HOUSE.replace("-1.5 dB", "-1.5 dBFS"),
    "nothing-but-zeros": bytes(1000),
    "huge": "# " + "x" * 3_000_000 + "\n[house\n",
}


class TestBrokenHouses:
    """The line that names the file and what to mend, on each page that needs the house; never what is inside."""

    @pytest.mark.parametrize("file", ["house.toml", WEEK])
    @pytest.mark.parametrize("name", BROKEN)
    def test_each_page_says_so(self, asker, name, file):
        root, data = asker.hall.root, BROKEN[name]
        base = asker.get(f"/api/written?id={asker.id}&source=piano").json()
        (root / file).write_bytes(data if isinstance(data, bytes) else data.encode())
        show = f"/show/{asker.id}"

        def kept():
            return {name: one for name, one in tree(root).items() if "asked" not in name}

        before = kept()
        needs = [f"{show}/source/0", f"{show}/voice", f"{show}/sheet", f"{show}/sheet.pdf", f"{show}/sheet.csv"]
        needs += ["/weeks", f"/api/written?id={asker.id}&source=piano"] if file == "house.toml" else []
        for url in (
            *needs,
            "/",
            "/recordings",
            show,
            "/first",
            "/words",
            "/api/news",
            f"{show}/source/0/hear.flac?at=1",
        ):
            answer = asker.get(url)
            if url in needs or answer.status_code != 200:
                assert answer.status_code == 400, (url, answer.text[:500])
                assert said_by(answer).startswith(file), url
                assert str(root) not in answer.text
        for ask in (
            lambda: asker.refused("try", id=asker.id, source="piano", chain=[], start_s=0),
            lambda: asker.refused("voice", id=asker.id, voice="lead voice", settings={}),
            lambda: asker.refused("save", id=asker.id, source="piano", chain=[], base=base),
            lambda: asker.refused("blind/start", id=asker.id, source="piano", chain=[], start_s=0, against="house"),
        ):
            assert ask().startswith(file)
        done = asker.checked(asker.id)
        assert done["state"] == "failed"
        assert one_line(done["said"]).startswith(file)
        assert kept() == before

    def test_the_standing_one_is_broken_while_this_weeks_is_not(self, asker):
        (asker.hall.root / WEEK).write_text(HOUSE)
        assert asker.told("try", id=asker.id, source="piano", chain=[], start_s=0)
        (asker.hall.root / "house.toml").write_text("[house")
        assert asker.refused("try", id=asker.id, source="piano", chain=[], start_s=0).startswith(
            "house.toml: not readable"
        )

    def test_it_is_gone(self, asker):
        (asker.hall.root / "house.toml").unlink()
        assert asker.get("/").headers["location"] == "/first"
        show = f"/show/{asker.id}"
        for url in (f"{show}/source/0", f"{show}/sheet", f"/api/written?id={asker.id}&source=piano", "/weeks"):
            answer = asker.get(url)
            assert answer.status_code == 400
            assert "house.toml" in said_by(answer)
        assert asker.refused("save", id=asker.id, source="piano", chain=[], base={}).startswith("house.toml")

    @pytest.mark.parametrize(
        "name",
        ["y" * 300, "\u4e2d" * 90, "../../x", "/etc/cron.d/x", "", ".", "\x00", "a\nb", "\u202e\u200b", "con", "~"],
    )
    def test_this_weeks_file_has_a_name_that_a_file_can_have(self, root, name):
        (root / "show-2026-03-01" / "show.toml").write_text(f"name = {json.dumps(name)}\n")
        with Asker(root) as asker:
            base = asker.get(f"/api/written?id={asker.id}&source=piano").json()
            said = asker.told("save", id=asker.id, source="piano", chain=[], base=base)["said"]
            [week] = root.glob("week-*.toml")
            assert week.name in said
            assert len(week.name.encode()) < 128
            assert week.parent == root
            assert asker.hall.file_of(asker.hall.recordings()[0]) == week
        assert {one.name for one in root.parent.iterdir()} == {"hall"}


# two who write


BLOCKS = [{"block": "trim", "gain": "-1 dB"}]


def written(asker, source="piano"):
    """What the page has in front of it."""
    shelf = asker.hall.recordings()[0]
    from deskhand.house import written_source

    own = written_source(asker.hall.text_of(shelf), source)
    return {"chain": [dict(one) for one in own.get("chain", [])], "fader": str(own.get("fader", ""))}


class TestTwoWhoWrite:
    def test_the_second_is_told_and_nothing_is_lost(self, asker):
        root, base, standing = asker.hall.root, written(asker), (asker.hall.root / "house.toml").read_bytes()
        first = asker.told("save", id=asker.id, source="piano", chain=BLOCKS, base=base, fader="-3 dB")
        assert first["base"] == {"chain": BLOCKS, "fader": "-3 dB"}
        mine = [{"block": "trim", "gain": "-9 dB"}]
        for old in (base, None, {}, {"chain": base["chain"]}, {"chain": BLOCKS, "fader": "-6 dB"}, "x", []):
            answer = asker.tell("save", id=asker.id, source="piano", chain=mine, base=old)
            assert answer.status_code == 409
            assert answer.json()["theirs"] == first["base"]
            one_line(answer.json()["problem"])
        assert written(asker) == first["base"]
        # whoever looked at theirs may write
        asker.told("save", id=asker.id, source="piano", chain=mine, base=first["base"])
        assert written(asker) == {"chain": mine, "fader": "-3 dB"}
        assert (root / "house.toml").read_bytes() == standing

    def test_different_sources_are_both_kept(self, asker):
        one, other = written(asker, "piano"), written(asker, "lead voice")
        asker.told("save", id=asker.id, source="piano", chain=BLOCKS, base=one)
        asker.told("save", id=asker.id, source="lead voice", chain=[*BLOCKS, *BLOCKS], base=other)
        assert written(asker)["chain"] == BLOCKS
        assert written(asker, "lead voice")["chain"] == [*BLOCKS, *BLOCKS]
        assert "# what stands at Tern Street" in (asker.hall.root / WEEK).read_text()

    def test_twenty_at_once(self, root):
        names = [f"input {place}" for place in range(20)]
        (root / "house.toml").write_text(
            HOUSE + "".join(f'[[source]]\nname = "{name}"\nrole = "other"\ntracks = ["{name}"]\n' for name in names)
        )
        with Asker(root) as asker:
            bases = {name: written(asker, name) for name in names}
            ready, answers = threading.Barrier(len(names)), {}

            def save(place, name):
                with Asker.__mro__[1](asker.guard, "http://localhost") as own:
                    ready.wait()
                    chain = [{"block": "trim", "gain": f"-{place} dB"}]
                    data = {"id": asker.id, "source": name, "chain": chain, "base": bases[name]}
                    answers[name] = own.post("/api/save", json=data, headers=OWN).status_code

            threads = [threading.Thread(target=save, args=pair) for pair in enumerate(names)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            assert set(answers.values()) == {200}
            house = {one.name: one for one in read_house(root / WEEK).source}
            assert [house[name].chain[0].gain_db for name in names] == [-float(place) for place in range(20)]
            assert house["piano"].chain == read_house(root / "house.toml").source[0].chain

    def test_twenty_of_the_same_source(self, asker):
        """One of them is written, all others are told."""
        base, ready, answers = written(asker), threading.Barrier(20), []

        def save(place):
            with Asker.__mro__[1](asker.guard, "http://localhost") as own:
                ready.wait()
                chain = [{"block": "trim", "gain": f"-{place} dB"}]
                data = {"id": asker.id, "source": "piano", "chain": chain, "base": base}
                answers.append((own.post("/api/save", json=data, headers=OWN).status_code, chain))

        threads = [threading.Thread(target=save, args=(place,)) for place in range(20)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(status for status, _ in answers) == [200] + [409] * 19
        assert written(asker)["chain"] == next(chain for status, chain in answers if status == 200)

    @pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
    @pytest.mark.parametrize("step", ["replace", "chmod"])
    def test_a_write_that_is_cut_leaves_the_old_file(self, asker, monkeypatch, error, step):
        from deskhand.files import write_atomically

        base = written(asker)
        asker.told("save", id=asker.id, source="piano", chain=BLOCKS, base=base)
        before = tree(asker.hall.root)

        def cut(*_, **__):
            raise error

        monkeypatch.setattr(Path, step, cut)
        with pytest.raises((UsageError, KeyboardInterrupt)):
            write_atomically(asker.hall.root / WEEK, "half")
        if isinstance(error, OSError):
            data = {"id": asker.id, "source": "piano", "chain": [], "base": written(asker)}
            assert "No space left" in asker.refused("save", **data)
        monkeypatch.undo()
        assert tree(asker.hall.root) == before

    @pytest.mark.parametrize(
        ("chain", "fader", "said"),
        [
            ([{"block": "bel"}], None, "did you mean"), ([{"frequency": "1 kHz"}], None, "no block"),
            ([{"block": "trim", "gain": "loud"}], None, "loud"), ([{"block": "trim", "gain": "-1 dB", "x": 1}], None, "unknown key"),
            ("x", None, "no list of blocks"), ([3], None, "no list of blocks"), (BLOCKS * 65, None, "no list of blocks"),
            (BLOCKS, "loud", "fader"), (BLOCKS, "\x00", "fader"), ([{"block": "trim", "gain": {"a": [1]}}], None, "gain"),
            ([{"block": ["trim"]}], None, "block"), ([{"block": "trim", "gain": "-1 dB", "a.b\n[house]": 1}], None, "unknown key"),
            ([{"block": "trim", "gain": '0 dB"\n[house]\nname = "x'}], None, "gain"), (None, None, "no list of blocks"),
            ([{"block": "trim", "gain": None}], None, ""), ([{}], None, "no block"),
        ],
    )  # fmt: skip
    def test_what_is_no_setting_is_not_written(self, asker, chain, fader, said):
        base, before = written(asker), tree(asker.hall.root)
        more = {} if fader is None else {"fader": fader}
        assert said in asker.refused("save", id=asker.id, source="piano", chain=chain, base=base, **more)
        assert tree(asker.hall.root) == before

    def test_no_source_of_that_name(self, asker):
        before = tree(asker.hall.root)
        assert '"nobody"' in asker.refused("save", id=asker.id, source="nobody", chain=[], base={})
        assert tree(asker.hall.root) == before


class TestWritingTheHouse:
    ROW = {"name": "piano", "role": "keys", "left": "pno l", "right": "pno r", "channel": "9/10", "patch": "B 1/2"}

    @pytest.fixture
    def without(self, tmp_path):
        root = small_hall(tmp_path / "hall", checked=False)
        (root / "house.toml").unlink()
        with Asker(root) as made:
            yield made

    def test_what_a_person_put_right_is_what_is_there(self, without):
        lead = {"name": 'the "lead"\n[x]', "role": "lead vocal", "left": "vox"}
        without.told("house", name='Tern "Street" Hall', mains="60 Hz", sources=[self.ROW, lead], lead=lead["name"])
        house = read_house(without.hall.house_file)
        assert (house.house.name, house.house.mains_hz) == ('Tern "Street" Hall', 60.0)
        assert [one.name for one in house.source] == ["piano", 'the "lead"\n[x]']
        assert list(house.source[0].tracks) == ["pno l", "pno r"]
        assert house.vocal.source == lead["name"]

    def test_what_the_command_proposes_is_proposed_here(self, without):
        show = without.hall.root / "show-2026-03-01"
        samples, rate_hz = soundfile.read(show / "vox.wav", always_2d=True)
        for name, gain in (
            ("Ana", 1.0),
            ("main l", 1.0),
            ("main r", 1.0),
            ("Gtr li", 1.0),
            ("Gtr re", 1.0),
            ("E-Bass", 0.05),
        ):
            soundfile.write(show / f"{name}.wav", gain * samples, rate_hz)
        assert without.waited(without.told("listen", id=without.id)["job"])["state"] == "done"
        page = without.get(f"/first?of={without.id}").text
        proposal = proposal_of(open_recording(show), name="Our house")
        roles = {source.name: source.role for source in proposal.house.source}
        assert (roles["Gtr"], roles["E-Bass"], roles["Ana"], proposal.asked) == ("guitar", "bass", "other", ["Ana"])
        rows = []
        for row in page.split("<fieldset")[1:]:
            name = re.search(r'name="name" value="([^"]*)"', row)[1]
            role = re.search(r'<option value="([^"]*)" selected', row)[1]
            assert roles.pop(name) == role
            assert ("not clear from its name: choose one" in row) == (name == "Ana")
            assert ("dB low: is that meant?" in row) or name != "E-Bass"
            rows.append({"name": name, "role": role, "left": "Gtr li" if name == "Gtr" else name, "right": ""})
        assert roles == {}
        rows = [row for row in rows if row["name"] in ("Ana", "E-Bass")]
        without.told("house", id=without.id, name="Tern Street Hall", sources=rows)
        house = read_house(without.hall.house_file)
        assert house.desk.mix == ["main l", "main r"]
        assert [source.asked_level_dbfs is not None for source in house.source] == [False, True]

    def test_it_is_never_written_over(self, without):
        without.told("house", name="Tern Street Hall", sources=[self.ROW])
        before = tree(without.hall.root)
        assert "is there already" in without.refused("house", name="Another", sources=[self.ROW])
        assert tree(without.hall.root) == before

    @pytest.mark.parametrize(
        ("data", "said"),
        [
            ({}, "sources"), ({"sources": {}}, "sources"), ({"sources": [3]}, "source 1"), ({"sources": [{}]}, "no name"),
            ({"sources": [ROW | {"left": "", "right": ""}]}, "no track"), ({"sources": [ROW | {"role": "tuba"}]}, "tuba"),
            ({"sources": [ROW | {"role": ["keys"]}]}, "role"), ({"sources": [ROW, ROW]}, "already"),
            ({"sources": [ROW], "mains": "55 Hz"}, "mains"), ({"sources": [ROW], "mains": []}, "mains"),
            ({"sources": [ROW, ROW | {"name": "other"}]}, "already"),
        ],
    )  # fmt: skip
    def test_what_is_none_is_refused(self, without, data, said):
        before = tree(without.hall.root)
        assert said in without.refused("house", **data)
        assert tree(without.hall.root) == before


# what is dropped on the page


NO_NAMES = [
    "..", ".", ".hidden.wav", "a/b.wav", "a\\b.wav", "C:b.wav", "a*.wav", "a?.wav", 'a".wav', "a<b.wav", "a>b.wav", "a|b.wav",
    "a\x00.wav", "a\n.wav", "a\x7f.wav", "a\x1b[2J.wav", "a\x85.wav", "vox\u202evaw.wav", "vox\u2066.wav", "vo\u200bx.wav",
    "vo\u200dx.wav", "\ufeffvox.wav", "vo\u00adx.wav", "a\u2028.wav", "a\u2029.wav", "x" * 300 + ".wav", "\u4e2d" * 80 + ".wav",
    "CON.wav", "nul.wav", "Aux.tar.wav", "com1.wav", "LPT9.wav", "com¹.wav", "con .wav", "vox.wav.", " ", "", "\ud800.wav",
]  # fmt: skip


class TestDropped:
    @pytest.mark.source(
        "Microsoft, Naming Files, Paths, and Namespaces: reserved names and signs; Unicode: Cc, Cf, Zl, Zp"
    )
    @pytest.mark.parametrize("name", NO_NAMES, ids=range(len(NO_NAMES)))
    def test_names_that_are_none(self, asker, name):
        before = tree(asker.hall.root.parent)
        for folder, file in ((name, "vox.wav"), ("show", name)):
            path = f"/upload/{folder}/{file}"
            safe = path.encode("utf-8", "surrogatepass").decode("utf-8", "surrogateescape")
            status, _, body = raw(asker.guard, "PUT", safe, headers=OWN.items(), pieces=[b"RIFF"])
            assert status in (400, 404, 405), path
            one_line(json.loads(body)["problem"])
            assert not any(ord(sign) < 32 for sign in json.loads(body)["problem"])
        assert tree(asker.hall.root.parent) == before
        assert not (asker.hall.root / "show").exists()

    @pytest.mark.parametrize(
        "name", ["vox.exe", "vox", "house.toml", "vox.wav.txt", "week-1.toml", "check.json", "show.tom"]
    )
    def test_kinds_that_are_none(self, asker, name):
        before = tree(asker.hall.root)
        assert "no audio file" in said_by(asker.drop("show", name, b"x"))
        assert tree(asker.hall.root) == before

    @pytest.mark.parametrize(
        "name", ["vox.wav", "Élan Ÿ 中.WAV", "01 kick (in).flac", "show.toml", "aux 1.wav", "console.wav"]
    )
    def test_names_that_are_some(self, asker, name):
        assert asker.drop("Show of 1 March", name, b"RIFFdata").status_code == 201
        assert (asker.hall.root / "Show of 1 March" / name).read_bytes() == b"RIFFdata"
        assert not list(asker.hall.root.glob(".deskhand-*"))

    def test_one_name_however_it_is_composed(self, asker):
        """Letters with marks, composed or not (Unicode normalisation form C), are the same file."""
        assert asker.drop("show", "E\u0301lan.wav", b"1").status_code == 201
        assert asker.drop("show", "\u00c9lan.wav", b"2").status_code == 400
        assert [one.name for one in (asker.hall.root / "show").iterdir()] == ["\u00c9lan.wav"]

    def test_what_is_there_is_not_written_over(self, asker):
        vox = asker.hall.root / "show-2026-03-01" / "vox.wav"
        before = tree(asker.hall.root)
        answer = asker.drop("show-2026-03-01", "vox.wav", b"RIFF")
        assert answer.status_code == 400
        assert said_by(answer).startswith("show-2026-03-01/vox.wav: is there already")
        assert tree(asker.hall.root) == before
        assert vox.exists()

    def test_nor_what_arrived_meanwhile(self, asker):
        """Two of one name at once: the first that is whole stays, the second is told."""

        def slow():
            yield b"RIFF of the second"
            assert asker.drop("show", "vox.wav", b"RIFF of the first").status_code == 201
            yield b"."

        status, _, body = raw(asker.guard, "PUT", "/upload/show/vox.wav", headers=OWN.items(), pieces=slow())
        assert status == 400
        assert "already" in json.loads(body)["problem"]
        assert (asker.hall.root / "show" / "vox.wav").read_bytes() == b"RIFF of the first"
        assert not list(asker.hall.root.glob(".deskhand-*"))

    def test_one_that_is_refused_takes_no_folder_from_another(self, asker):
        def slow():
            yield b"RIFF"
            # meanwhile another of the same folder is refused
            asked = {"headers": OWN.items(), "pieces": [b"RI", None]}
            other = threading.Thread(target=raw, args=(asker.guard, "PUT", "/upload/show/kick.wav"), kwargs=asked)
            other.start()
            other.join()
            yield b"data"

        assert raw(asker.guard, "PUT", "/upload/show/vox.wav", headers=OWN.items(), pieces=slow())[0] == 201
        assert [one.name for one in (asker.hall.root / "show").iterdir()] == ["vox.wav"]

    @pytest.mark.parametrize("how", ["cut", "short", "long"])
    def test_one_that_does_not_arrive_whole_leaves_nothing(self, asker, how):
        before = tree(asker.hall.root)
        pieces = {"cut": [b"RIFF" * 1000, None], "short": [b"RIFF"], "long": [b"RIFF" * 2000]}[how]
        status, _, _ = raw(
            asker.guard,
            "PUT",
            "/upload/show/vox.wav",
            headers=[*OWN.items(), ("content-length", "6000")],
            pieces=pieces,
        )
        assert status == 400
        assert tree(asker.hall.root) == before
        assert not (asker.hall.root / "show").exists()

    def test_one_larger_than_the_disk_is_refused_at_once(self, asker, monkeypatch):
        free = 1_000_000_000
        monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10 * free, 9 * free, free))

        def never():
            raise AssertionError("it was read")
            yield b""

        for length, fits in ((free, False), (60 * free, False), (100 * free, False), (free // 2, True)):
            pieces = [b"x"] if fits else never()
            status, _, body = raw(
                asker.guard,
                "PUT",
                "/upload/show/vox.wav",
                headers=[*OWN.items(), ("content-length", f"{length}")],
                pieces=pieces,
            )
            assert status == (413 if length > 64 * free else 400)
            if not fits and status == 400:
                assert "does not fit" in json.loads(body)["problem"]
        assert not (asker.hall.root / "show").exists()

    def test_a_disk_that_fills_meanwhile(self, asker, monkeypatch):
        real = Path.open

        class Full:
            def __enter__(self):
                return self

            def __exit__(self, *_):
                return None

            def write(self, _):
                raise OSError(28, "No space left on device")

        def opened(path, *mode, **more):
            if path.suffix == ".part":
                real(path, *mode, **more).close()
                return Full()
            return real(path, *mode, **more)

        before = tree(asker.hall.root)
        monkeypatch.setattr(Path, "open", opened)
        answer = asker.drop("show", "vox.wav", b"RIFF")
        monkeypatch.undo()
        assert answer.status_code == 400
        assert "No space left" in said_by(answer)
        assert tree(asker.hall.root) == before

    def test_a_long_one_takes_no_memory(self, asker):
        """100 MB pass through; what is held at a time stays below 8 MB."""
        tracemalloc.start()
        status, *_ = raw(
            asker.guard, "PUT", "/upload/show/vox.wav", headers=OWN.items(), pieces=(bytes(1 << 20) for _ in range(100))
        )
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert status == 201
        assert (asker.hall.root / "show" / "vox.wav").stat().st_size == 100 << 20
        assert most < 8 << 20

    def test_a_file_where_a_folder_would_be(self, asker):
        for folder in ("house.toml",):
            answer = asker.drop(folder, "vox.wav", b"RIFF")
            assert answer.status_code == 400
            said_by(answer)
        assert (asker.hall.root / "house.toml").read_text() == HOUSE

    def test_what_was_dropped_is_a_recording(self, asker):
        source = asker.hall.root / "show-2026-03-01"
        for one in source.iterdir():
            assert asker.drop("Sunday", one.name, one.read_bytes()).status_code == 201
        shelf = next(one for one in asker.hall.recordings() if one.path.name == "Sunday")
        assert tracks_of(shelf) == (3, pytest.approx(12.0))
        assert asker.checked(shelf.id)["state"] == "done"


# names of files as they come


@pytest.mark.parametrize(
    "name", [os.fsdecode(b"x\xff\xfe"), "\u202enp\u200b", "{name} {0} <i>", "x" * 240, "-rf $(id) '\""]
)
def test_a_recording_under_any_name_is_checked_and_shown(tmp_path, name):
    root = small_hall(tmp_path / "hall", checked=False)
    try:
        (root / "show-2026-03-01").rename(root / name)
    except OSError:
        pytest.skip("this disk takes no such name")
    (root / name / "show.toml").unlink()
    with Asker(root) as asker:
        assert asker.get("/recordings").status_code == 200
        assert asker.get("/api/news").json()["new"]["id"] == asker.id
        assert asker.checked(asker.id)["state"] == "done"
        for url in ("/", f"/show/{asker.id}", f"/show/{asker.id}/source/0", f"/show/{asker.id}/sheet.csv", "/first"):
            assert asker.get(url).status_code == 200, url
        base = written(asker)
        asker.told("save", id=asker.id, source="piano", chain=[], base=base)
        assert len(list(root.glob("week-*.toml"))) == 1


def test_a_disk_that_was_taken_out_is_told_in_one_line(tmp_path):
    hall = small_hall(tmp_path / "hall")
    with Asker(hall) as asker:
        asker.get("/recordings")
        hall.rename(tmp_path / "elsewhere")
        answer = asker.drop("show", "vox.wav", b"RIFF")
    assert answer.status_code == 400
    assert one_line(answer.json()["problem"]).startswith("hall: cannot be read or written (No such file or directory)")


class TestUnits:
    def test_a_number_without_a_unit_has_the_only_one_there_is(self, root, asker):
        """Gains are in dB and thresholds in dBFS; a frequency may be in Hz or kHz, and is asked about."""
        plain = [
            {"block": "bell", "frequency": "400 Hz", "gain": -6, "q": 2},
            {"block": "compressor", "threshold": "-20", "ratio": 2},
        ]
        written = [
            {"block": "bell", "frequency": "400 Hz", "gain": "-6 dB", "q": 2},
            {"block": "compressor", "threshold": "-20 dBFS", "ratio": 2},
        ]
        source = next(one for one in read_house(root / "house.toml").source if one.name == "piano")
        assert source
        tried = [asker.told("try", id=asker.id, source="piano", start_s=0, chain=chain) for chain in (plain, written)]
        assert tried[0]["steps"] == tried[1]["steps"]
        assert tried[0]["steps"]
        said = asker.refused(
            "try", id=asker.id, source="piano", start_s=0, chain=[{"block": "bell", "frequency": 2, "gain": -6}]
        )
        assert "Hz" in said

    def test_a_fader_is_saved_with_its_unit(self, root, asker):
        base = {"chain": tomllib.loads(HOUSE)["source"][0]["chain"], "fader": "-6 dB"}
        asker.told("save", id=asker.id, source="piano", chain=base["chain"], fader="-9", base=base)
        assert 'fader = "-9 dB"' in (root / WEEK).read_text("utf-8")


def test_an_address_that_leads_nowhere_is_said_in_a_line(asker):
    answer = asker.get("/show//voice")
    assert answer.status_code == 404
    assert "There is no such page" in answer.text
