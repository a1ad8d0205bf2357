"""Room for the voice, by the command: the fewest hands, told, written into the week, and true when they are carried out.

Covers, in this order: a low voice; a voice that may not go up; its own input; open microphones; kept weeks; a voice that is clear; a clearance
that nobody asked for; groups and sends; a part of the study.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import read_house
from tests.support import room
from tests.support.once import drawn_once
from tests.support.signals import RATE_HZ, pink, speech_like
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path

# what is moved is made of the readings: a take is measured once with each house
pytestmark = pytest.mark.usefixtures("measured_once")
HOUSE = """\
# Tern Street Hall, invented
[house]
name = "Tern Street Hall"
tap = "preamp"

[room]
level = "85 dBA"
mix_loudness = "-23 LUFS"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
nominal = "-28 dBFS"
fader = "0 dB"

[[source]]
name = "keys"
role = "keys"
tracks = ["keys l", "keys r"]
fader = "-6 dB"            # loud, this week
[[source.chain]]
block = "mid-side"
mid = "0 dB"

[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
fader = "-20 dB"

[vocal]
source = "lead voice"
clearance = "45 %"
"""
LENGTH_S = 14.0


def checked(hall: Path, *options: object) -> dict[str, Any]:
    done = CliRunner().invoke(
        main, ["check", str(hall / "show"), "--no-report", "--json", "-", *(str(one) for one in options)]
    )
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    assert done.exit_code in (0, 1), done.output
    return dict(json.loads(done.stdout))


def of(data: dict[str, Any], name: str) -> dict[str, Any]:
    return next(source for source in data["sources"] if source["name"] == name)


@drawn_once
def tracks_of(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """A voice under a keyboard that is loud where the words are, and a bass that is not."""
    voice = speech_like(rng, LENGTH_S, -28.0)
    both, wide = pink(rng, LENGTH_S, -20.0, low_hz=400.0), pink(rng, LENGTH_S, -26.0, low_hz=400.0)
    bass = np.cumsum(pink(rng, LENGTH_S, -20.0))
    bass = bass - np.convolve(bass, np.full(2000, 1 / 2000), "same")
    bass *= 10 ** (-18 / 20) / np.sqrt(2 * np.mean(bass**2))
    return {"vox": voice, "keys l": both + wide, "keys r": both - wide, "bass": bass}


@pytest.fixture
def hall(tmp_path: Path, rng: np.random.Generator) -> Path:
    folder = tmp_path / "show"
    folder.mkdir()
    for name, wave in tracks_of(rng).items():
        write_wave(folder / f"{name}.wav", wave, rate_hz=RATE_HZ)
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    return tmp_path


def with_voice(house: str, *, fader_db: float, **keys: str) -> str:
    """House with another fader of the voice, and other keys in its [vocal]."""
    house = house.replace('fader = "0 dB"', f'fader = "{fader_db:g} dB"', 1)
    return (
        house.split("[vocal]")[0]
        + "[vocal]\n"
        + "".join(f"{name} = {value}\n" for name, value in {"source": '"lead voice"', **keys}.items())
    )


def moved(data: dict[str, Any]) -> list[tuple[str, str]]:
    """Every move as its source and what is turned."""
    return [(source["name"], move["id"].rpartition("/")[2]) for source in data["sources"] for move in source["moves"]]


def carry_out(hall: Path, data: dict[str, Any]) -> None:
    """Turn the tracks themselves by what the faders' moves say, and mute what is muted: the house file stays."""
    for source in data["sources"]:
        for move in source["moves"]:
            assert move["where"] == "fader"
            gain = 0.0
            if "fader" in move["settings"]:
                fader = move["settings"]["fader"]
                gain = 10 ** ((fader["after"] - fader["before"]) / 20)
            for track in source["tracks"]:
                samples, rate_hz = soundfile.read(hall / "show" / f"{track}.wav")
                write_wave(hall / "show" / f"{track}.wav", gain * samples, rate_hz=rate_hz)


USUAL = HOUSE.replace('"-6 dB"            # loud, this week', '"-15 dB"')
"""The hall as it should be: 47 % of clearance."""


@pytest.mark.parametrize("low_db", [3.0, 7.0])
def test_a_low_voice_is_one_move_and_true_when_carried_out(hall, low_db):
    """The voice alone is low, in a house that states a margin: its fader goes up by as much. Carried out with numpy, checked again."""
    usual = USUAL.replace("-15 dB", "-10 dB")
    (hall / "house.toml").write_text(usual, "utf-8")
    usual_pct = checked(hall)["vocal"]["clearance_pct"]["mono"]
    keys = {"clearance": f'"{usual_pct - 0.1:.1f} %"', "margin": '"10 dB"'}
    (hall / "house.toml").write_text(with_voice(usual, fader_db=-low_db, **keys), "utf-8")
    data = checked(hall)
    way = data["vocal"]["with_moves"]
    assert moved(data) == [("lead voice", "fader")]
    [move] = of(data, "lead voice")["moves"]
    assert move["settings"]["fader"]["after"] == pytest.approx(0.0, abs=0.5)
    assert "feedback" in move["cautions"]
    assert way["hands"] == 1
    assert way["gives_way"] == ["lead voice"]
    assert way["voice_up_db"] == pytest.approx(low_db, abs=0.5)
    carry_out(hall, data)
    # a level at the tap that the house does not mind: it is the fader that was turned
    (hall / "house.toml").write_text(
        with_voice(usual, fader_db=-low_db, **keys).replace('nominal = "-28 dBFS"', 'level_listen = "40 dB"'), "utf-8"
    )
    again = checked(hall)
    assert again["vocal"]["clearance_pct"]["mono"] == pytest.approx(way["clearance_pct"]["mono"], abs=2.0)
    assert moved(again) == []


def test_without_a_margin_the_voice_goes_up_by_three_and_then_one_comes_down(hall):
    week = hall / "week.toml"
    data = checked(hall, "--write-week", week)
    way = data["vocal"]["with_moves"]
    # the bass covers nothing
    assert moved(data) == [("lead voice", "fader"), ("keys", "fader")]
    assert way["gives_way"] == ["lead voice", "keys"]
    assert way["voice_up_db"] == 3.0
    assert way["wanted_pct"] == 45.0
    assert way["clearance_pct"]["mono"] >= 44.0 > data["vocal"]["clearance_pct"]["mono"]
    for source in data["sources"]:
        for move in source["moves"]:
            assert move["who_hears"] == ["house", "stream"]
            assert move["undo"]
    # the week's house file, run as any other: the voice is where it was promised, and nothing is asked
    again = checked(hall, "--house", week)
    assert again["vocal"]["clearance_pct"] == way["clearance_pct"]
    assert moved(again) == []
    assert "# loud, this week" in week.read_text("utf-8")
    assert (hall / "house.toml").read_text("utf-8") == HOUSE


def test_what_the_week_has_raised_already_is_not_raised_once_more(hall):
    """The voice went up by 3 dB in this week's file; it is covered in the next take too: the band comes down."""
    (hall / "week-2026-02-05.toml").write_text(HOUSE.replace('fader = "0 dB"', 'fader = "+3 dB"'), "utf-8")
    assert moved(checked(hall, "--date", "2026-02-05")) == [("keys", "fader")]
    assert moved(checked(hall, "--date", "2026-02-12"))[0] == ("lead voice", "fader")


def test_at_the_rooms_limit_and_without_headroom_the_voice_stays_and_the_band_comes_down(hall):
    wanted = {"clearance": '"30 %"', "margin": '"12 dB"'}
    free = with_voice(HOUSE, fader_db=0.0, **wanted)
    (hall / "house.toml").write_text(free, "utf-8")
    assert moved(checked(hall)) == [("lead voice", "fader")]
    (hall / "house.toml").write_text(
        free.replace('mix_loudness = "-23 LUFS"', 'mix_loudness = "-23 LUFS"\nlimit = "85 dBA"'), "utf-8"
    )
    data = checked(hall)
    assert data["mix"]["level_dba"] > 85.0
    assert moved(data) == [("keys", "fader")]
    # all faders up until the mix peaks near full scale: the same balance, no headroom; the room is calibrated with it
    hot_db = -1.0 - data["mix"]["true_peak_dbtp"]
    hot = free.replace('mix_loudness = "-23 LUFS"', f'mix_loudness = "{-23 + hot_db:.2f} LUFS"')
    for fader_db in (0.0, -6.0, -20.0):
        hot = hot.replace(f'fader = "{fader_db:g} dB"', f'fader = "{fader_db + hot_db:.2f} dB"', 1)
    (hall / "house.toml").write_text(hot, "utf-8")
    data = checked(hall)
    assert data["mix"]["true_peak_dbtp"] == pytest.approx(-1.0, abs=0.05)
    assert moved(data) == [("keys", "fader")]


def test_the_voices_own_input_comes_first(hall):
    """The voice arrives 10 dB below nominal: its own trim brings it back, and nobody else is moved for it."""
    (hall / "house.toml").write_text(USUAL, "utf-8")
    usual_pct = checked(hall)["vocal"]["clearance_pct"]["mono"]
    samples, rate_hz = soundfile.read(hall / "show" / "vox.wav")
    write_wave(hall / "show" / "vox.wav", 10 ** (-10 / 20) * samples, rate_hz=rate_hz)
    keys = {"clearance": f'"{usual_pct - 3.0:.1f} %"'}
    (hall / "house.toml").write_text(with_voice(USUAL, fader_db=0.0, **keys), "utf-8")
    data = checked(hall)
    assert {"vocal-covered", "level-low"} & {finding["kind"] for finding in of(data, "lead voice")["findings"]}
    assert moved(data) == [("lead voice", "trim")]
    assert data["vocal"]["with_moves"]["clearance_pct"]["mono"] > usual_pct - 4.0


def test_a_fader_that_is_set_again_by_ear_keeps_a_clipped_voice_as_clear(hall):
    """The preamp is far too hot: it comes down, the fader follows by ear, and the words stay. Carried out with numpy, checked again."""
    house = USUAL.replace('fader = "0 dB"', 'fader = "-12 dB"').replace('clearance = "45 %"\n', "")
    (hall / "house.toml").write_text(house, "utf-8")
    samples, rate_hz = soundfile.read(hall / "show" / "vox.wav")
    hot = np.clip(10 ** (24 / 20) * samples, -1.0, 1.0 - 2.0**-23)
    write_wave(hall / "show" / "vox.wav", hot, rate_hz=rate_hz)
    data = checked(hall)
    move, again = of(data, "lead voice")["moves"]
    assert (move["where"], again["where"]) == ("preamp", "fader")
    down_db = move["settings"]["gain"]["before"] - move["settings"]["gain"]["after"]
    assert down_db >= 6.0
    way = data["vocal"]["with_moves"]
    # a gain and a fader undo each other: no chain lies between them here
    assert way["clearance_pct"]["mono"] == pytest.approx(data["vocal"]["clearance_pct"]["mono"], abs=0.2)
    assert way["gives_way"] == []
    up_db = float(re.search(r"about (\d+) dB up", way["text"]).group(1))
    assert up_db == pytest.approx(down_db, abs=0.51)
    # it is a move of its own: what is ticked is written down, and heard in the next take
    assert again["settings"]["fader"] == {"before": -12.0, "after": up_db - 12.0, "unit": "dB"}
    assert "by ear" in again["text"]
    write_wave(hall / "show" / "vox.wav", 10 ** (-down_db / 20) * hot, rate_hz=rate_hz)
    (hall / "house.toml").write_text(house.replace('fader = "-12 dB"', f'fader = "{up_db - 12.0:g} dB"'), "utf-8")
    assert checked(hall)["vocal"]["clearance_pct"]["mono"] == pytest.approx(way["clearance_pct"]["mono"], abs=2.0)


LECTERN = """\
[[source]]
name = "lectern"
role = "speech"
tracks = ["lec"]
nominal = "-28 dBFS"
fader = "0 dB"

[vocal]
"""


@drawn_once
def stray_tracks_of(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """A band that plays for 16 s, and a talk after it; the lectern's microphone hears both."""
    length_s, song_s = 24.0, 16.0
    frames, end = round(length_s * RATE_HZ), round(song_s * RATE_HZ)
    seconds = np.arange(frames) / RATE_HZ
    song = np.where(np.arange(frames) < end, 1.0, 0.03)
    swell = 1 + 0.5 * np.sin(2 * np.pi * 0.4 * seconds) * np.sign(np.sin(2 * np.pi * 1.7 * seconds))
    voice = speech_like(rng, length_s, -31.0) * song
    both = pink(rng, length_s, -22.0, low_hz=400.0) * swell * song
    wide = pink(rng, length_s, -26.0, low_hz=400.0) * swell * song
    talk = speech_like(rng, length_s, -28.0) * (1.0 - song)
    tracks = {"vox": voice, "keys l": both + wide, "keys r": both - wide, "bass": pink(rng, length_s, -60.0)}
    return tracks | {"lec": 10 ** (-12 / 20) * np.roll(both, RATE_HZ // 100) + talk}


@pytest.fixture
def stray(hall, rng) -> Path:
    """The hall with a lectern's microphone that is open while the band plays, and is spoken into at the end."""
    for name, wave in stray_tracks_of(rng).items():
        write_wave(hall / "show" / f"{name}.wav", wave, rate_hz=RATE_HZ)
    house = with_voice(HOUSE, fader_db=-8.0, clearance='"42 %"', margin='"6 dB"')
    house = house.replace('"-6 dB"            # loud', '"-18 dB"            # loud').replace("[vocal]\n", LECTERN)
    house = house.replace('nominal = "-28 dBFS"', 'nominal = "-31 dBFS"', 1)
    (hall / "house.toml").write_text(house, "utf-8")
    return hall


def test_a_microphone_that_nobody_uses_in_the_song_is_muted_there_and_speaks_later(stray):
    week = stray / "week.toml"
    data = checked(stray, "--write-week", week)
    way = data["vocal"]["with_moves"]
    assert way["muted"] == ["lectern"]
    assert way["gives_way"][0] == "lectern"
    [move] = [move for move in of(data, "lectern")["moves"] if "mute" in move["settings"]]
    assert move["where"] == "fader"
    assert "open it again for the talk" in move["text"]
    # the week's file mutes it in songs, not for the whole show: the talk is measured, and nothing is asked again
    lectern = next(source for source in read_house(week).source if source.name == "lectern")
    assert lectern.mute == "in songs"
    again = checked(stray, "--house", week)
    assert again["vocal"]["clearance_pct"] == way["clearance_pct"]
    assert [voice["source"] for voice in again["voices"]] == ["lectern"]
    assert all(name != "lectern" for name, _ in moved(again))
    assert again["vocal"]["with_moves"] is None or again["vocal"]["with_moves"]["muted"] == []


def test_a_microphone_that_is_spoken_into_over_the_song_stays_and_is_not_turned_down(stray, rng):
    samples, rate_hz = soundfile.read(stray / "show" / "lec.wav")
    write_wave(stray / "show" / "lec.wav", samples + speech_like(rng, 24.0, -30.0), rate_hz=rate_hz)
    data = checked(stray)
    assert data["vocal"]["with_moves"] is not None
    assert data["vocal"]["with_moves"]["muted"] == []
    assert ("lectern", "fader") not in moved(data)
    assert ("lectern", "mute") not in moved(data)


def test_a_source_that_left_its_kept_weeks_goes_back_and_the_voice_stays(hall, rng):
    """Four weeks are kept; in the fifth the keys' fader is 6 dB up."""
    keys = {"clearance": '"45 %"', "margin": '"10 dB"'}
    (hall / "house.toml").write_text(with_voice(USUAL, fader_db=0.0, **keys), "utf-8")
    for week in range(4):
        voice = speech_like(rng, LENGTH_S, -28.0 + 0.5 * (week % 2))
        write_wave(hall / "show" / "vox.wav", voice, rate_hz=RATE_HZ)
        options = ["--date", f"2026-01-{1 + 7 * week:02d}", "--history", str(hall / "history.db")]
        done = CliRunner().invoke(main, ["keep", str(hall / "show"), *options])
        assert done.exit_code == 0, done.output
    loud = with_voice(USUAL, fader_db=0.0, **keys).replace('fader = "-15 dB"', 'fader = "-9 dB"')
    (hall / "house.toml").write_text(loud, "utf-8")
    data = checked(hall, "--date", "2026-02-05", "--history", hall / "history.db")
    assert moved(data) == [("keys", "fader")]
    [move] = of(data, "keys")["moves"]
    assert move["settings"]["fader"]["after"] == pytest.approx(-15.0, abs=0.5)
    assert "kept weeks" in move["text"]
    carry_out(hall, data)
    again = checked(hall, "--date", "2026-02-05", "--history", hall / "history.db")
    promised_pct = data["vocal"]["with_moves"]["clearance_pct"]["mono"]
    assert again["vocal"]["clearance_pct"]["mono"] == pytest.approx(promised_pct, abs=2.0)
    assert all(move["where"] != "fader" for source in again["sources"] for move in source["moves"])


def test_a_voice_as_clear_as_wanted_moves_nothing(hall):
    (hall / "house.toml").write_text(HOUSE.replace('fader = "-6 dB"', 'fader = "-34 dB"'), "utf-8")
    data = checked(hall)
    assert data["vocal"]["clearance_pct"]["mono"] > 45.0
    assert data["vocal"]["with_moves"] is None
    assert all(source["moves"] == [] for source in data["sources"])


def test_what_nobody_asked_for_is_a_note_and_moves_nothing(hall):
    (hall / "house.toml").write_text(HOUSE.replace('clearance = "45 %"\n', ""), "utf-8")
    data = checked(hall)
    [finding] = of(data, "lead voice")["findings"]
    assert finding["severity"] == "note"
    assert data["vocal"]["with_moves"] is None
    assert all(source["moves"] == [] for source in data["sources"])


def test_a_group_of_the_desk_is_one_hand(hall, rng):
    """Keys and bass on one group, no margin for the voice: the group comes down, and each of its members' faders is written down."""
    house = with_voice(HOUSE, fader_db=0.0, clearance='"30 %"', margin='"0 dB"')
    house = house.replace('role = "keys"', 'role = "keys"\ngroup = "band"').replace(
        'role = "bass"', 'role = "bass"\ngroup = "band"'
    )
    # two alike, so that neither is enough by itself
    house = house.replace('tracks = ["bass"]\nfader = "-20 dB"', 'tracks = ["bass"]\nfader = "-6 dB"')
    (hall / "house.toml").write_text(house, "utf-8")
    write_wave(hall / "show" / "bass.wav", pink(rng, LENGTH_S, -20.0, low_hz=400.0), rate_hz=RATE_HZ)
    data = checked(hall)
    assert moved(data) == [("keys", "fader"), ("bass", "fader")]
    assert data["vocal"]["with_moves"]["hands"] == 1
    assert all('group "band"' in move["text"] for name in ("keys", "bass") for move in of(data, name)["moves"])


def test_who_hears_a_fader_goes_by_the_sends_after_it(hall):
    house = with_voice(HOUSE, fader_db=0.0, clearance='"30 %"', margin='"12 dB"')
    send = '[[source.send]]\nmix = "ears 1"\nlevel = "-6 dB"\nafter_fader = true\n\n[[source]]\nname = "keys"'
    (hall / "house.toml").write_text(house.replace('[[source]]\nname = "keys"', send), "utf-8")
    [move] = of(checked(hall), "lead voice")["moves"]
    assert move["who_hears"] == ["house", "monitors", "stream"]
    assert move["cautions"] == ["feedback", "tell-stage"]


@pytest.fixture(scope="module")
def show() -> room.MeasuredShow:
    """A band of the invented venue, with every fader where it should be."""
    return room.measured_show("synthesised", 3000, 20.0)


class TestAPartOfTheStudy:
    """The whole of it is `validations/room.py`."""

    @staticmethod
    def assert_few_hands_and_true(case: room.RoomCase) -> None:
        assert case.hands <= 3
        assert case.after_pct == pytest.approx(case.predicted_pct, abs=2.0)
        assert not case.speech_moved

    def test_a_low_voice(self, show: room.MeasuredShow) -> None:
        low, unknown = room.low_cases(show, np.random.default_rng(5)).values()
        assert low.moved == ("voice",)
        assert low.solved
        assert unknown.moved[0] == "voice"
        assert 0.0 < unknown.voice_up_db <= 3.0
        self.assert_few_hands_and_true(low)
        self.assert_few_hands_and_true(unknown)

    def test_a_loud_guitar(self, show: room.MeasuredShow) -> None:
        louds = [case for case in room.loud_cases(show) if case is not None]
        assert louds
        for loud in louds:
            assert loud.planted.startswith(loud.moved[0])
            assert loud.voice_up_db == 0.0
            self.assert_few_hands_and_true(loud)

    def test_an_open_microphone(self) -> None:
        rng = np.random.default_rng(5)
        rng.choice(np.arange(2.0, 8.5, 0.5))  # the low voice above took the first
        stray = room.stray_case(room.measured_show("synthesised", 3000, 30.0, stray=True), rng)
        assert stray.moved[0] == "mute"
        self.assert_few_hands_and_true(stray)
