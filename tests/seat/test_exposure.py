"""Evening at a seat, whole: songs and speeches, usual levels, staff, the commands, and a check that the seat does not disturb."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import LIMITS, Source
from deskhand.house.seats import PublicOffset, StaffMember
from deskhand.report.seats import evening_picture
from deskhand.result import from_plain, plain
from deskhand.seat.exposure import SeatFacts, level_content, seat_exposure
from deskhand.seat.levels import Sensitivity
from deskhand.seat.meter import LevelCourse
from deskhand.seat.stretches import ShowStretch, stretches
from deskhand.seat.usual import usual_level
from deskhand.store.history import open_history
from deskhand.store.seats import SeatRecord, add_seat_record, seat_records

if TYPE_CHECKING:
    from pathlib import Path

RATE_HZ: Final = 48000
SEAT: Final = Source(name="mix position", role="seat", tracks=["seat"], microphone="omni 1")
BY_NAME: Final = {limit.name: limit for limit in LIMITS}


def course(*parts: tuple[float, int]) -> LevelCourse:
    """Course of levels in dB re full scale, each for some seconds."""
    square = np.concatenate([np.full(seconds, 10.0 ** (level_db / 10.0)) for level_db, seconds in parts])
    return LevelCourse(
        a_square=square, c_square=square, z_square=square, fast_square=square, slow_square=square,
        c_peak=np.sqrt(2.0 * square), overloaded=np.zeros(square.size, np.bool_),
        fast_reads=np.repeat(square, 8).astype(np.float32),
    )  # fmt: skip


def facts(**changes: Any) -> SeatFacts:
    return replace(SeatFacts(seat=SEAT, sensitivity=Sensitivity(offset_db=120.0, calibrated=True)), **changes)


class TestStretches:
    BAND: Final = np.concatenate(
        [
            np.full(60, 1e-9),
            np.full(200, 1e-2),
            np.full(3, 1e-7),
            np.full(97, 1e-2),
            np.full(60, 1e-7),
            np.full(90, 1e-2),
        ]
    )
    SPEECH: Final = np.concatenate(
        [
            np.full(10, 1e-9),
            np.full(40, 1e-3),
            np.full(10, 1e-9),
            np.full(310, 1e-6),
            np.full(40, 1e-3),
            np.full(100, 1e-9),
        ]
    )

    def test_songs_and_speeches(self) -> None:
        found = stretches(self.BAND, self.SPEECH)
        assert [(stretch.kind, stretch.start, stretch.end) for stretch in found] == [
            ("speech", 10, 50), ("song", 60, 360), ("speech", 370, 410), ("song", 420, 510),
        ]  # fmt: skip

    def test_names_from_the_note(self) -> None:
        songs = (("Harbour lights", 158.0), ("Slow train", 300.0), ("Last bus", 521.0))
        found = stretches(self.BAND, self.SPEECH, songs=songs, shift_s=100.0)
        assert [(stretch.name, stretch.start, stretch.end) for stretch in found if stretch.kind == "song"] == [
            ("Harbour lights", 60, 200), ("Slow train", 200, 360), ("Last bus", 420, 510),
        ]  # fmt: skip

    def test_a_recording_of_the_seat_alone_has_the_songs_of_its_note(self) -> None:
        silent = np.zeros(100)
        assert stretches(silent, silent) == []
        found = stretches(silent, silent, songs=(("Harbour lights", 10.0), ("Slow train", 60.0)))
        assert [(stretch.name, stretch.start, stretch.end) for stretch in found] == [
            ("Harbour lights", 10, 60), ("Slow train", 60, 100),
        ]  # fmt: skip


class TestExposure:
    def test_levels_by_song_and_speech(self) -> None:
        parts = [
            ShowStretch(kind="song", name="Slow train", start=0, end=600),
            ShowStretch(kind="speech", name="", start=600, end=700),
        ]
        evening = seat_exposure(course((-30.0, 600), (-50.0, 100)), facts(stretches=parts, shift_s=60.0))
        assert evening.songs_db == pytest.approx(90.0)
        assert evening.speech_db == pytest.approx(70.0)
        assert [stretch.readings.from_s for stretch in evening.stretches] == [60.0, 660.0]
        assert evening.quarter is None
        assert evening.uncertainty_db == pytest.approx(1.65 * np.hypot(1.5, 1.0))

    def test_a_recording_of_a_quarter_of_an_hour_has_its_loudest_one(self) -> None:
        quarter = seat_exposure(course((-30.0, 900)), facts(shift_s=60.0)).quarter
        assert quarter is not None
        assert (quarter.from_s, quarter.to_s) == (60.0, 960.0)
        assert quarter.laeq_db == pytest.approx(90.0)
        assert seat_exposure(course((-30.0, 899)), facts()).quarter is None

    def test_songs_and_speeches_are_drawn_and_nothing_else_is(self) -> None:
        parts = [
            ShowStretch(kind="song", name="Slow train", start=0, end=600),
            ShowStretch(kind="speech", name="", start=600, end=700),
        ]
        evening = seat_exposure(course((-30.0, 600), (-50.0, 100)), facts(stretches=parts))
        picture = evening_picture(evening)
        assert picture.startswith("<svg")
        assert picture.count("<circle") == 2
        assert "Slow train" in picture
        assert evening_picture(seat_exposure(course((-30.0, 600)), facts())) == ""

    def test_a_seat_without_a_named_microphone_is_named_itself(self) -> None:
        assert seat_exposure(course((-30.0, 60)), facts()).microphone == "omni 1"
        nameless = SEAT.__class__(**{**_plain(SEAT), "microphone": None})
        assert seat_exposure(course((-30.0, 60)), facts(seat=nameless)).microphone == "mix position"

    def test_no_time_left_without_the_offset_or_a_calibration(self) -> None:
        limit = BY_NAME["WHO 2022"]
        assert seat_exposure(course((-10.0, 900)), facts(limit=limit)).limit_reason == "no-offset"
        offset = SEAT.__class__(**{**_plain(SEAT), "offset": PublicOffset(laeq="3 dB", lcpeak="5 dB")})  # type: ignore[arg-type]
        relative = facts(limit=limit, seat=offset, sensitivity=Sensitivity())
        assert seat_exposure(course((-10.0, 900)), relative).limit_reason == "not-calibrated"
        held = seat_exposure(course((-22.0, 900)), facts(limit=limit, seat=offset)).limit
        assert held is not None
        # 98 dB at the seat, 101 dB where the public can stand; the peak has an offset of its own
        assert held.level_db == pytest.approx(101.0)
        assert held.is_passed
        assert held.lcpeak_db == pytest.approx(98.0 + 3.0103 + 5.0, abs=0.001)

    def test_staff_are_exposed_while_they_are_there(self) -> None:
        ana = StaffMember(name="Ana", seat="mix position", **{"from": "10:00", "to": "20:00"})  # type: ignore[arg-type]
        evening = seat_exposure(course((-60.0, 600), (-30.0, 600), (-20.0, 600)), facts(staff=[ana]))
        person = evening.staff[0]
        assert person.laeq_db == pytest.approx(90.0)
        assert person.lex_8h_db == pytest.approx(90.0 + 10.0 * np.log10(600.0 / 28800.0))
        # all of it was measured: what is left is the instrument and its place
        assert person.uncertainty_db == pytest.approx(1.65 * np.hypot(1.5, 1.0))
        assert person.week_db is None
        week = seat_exposure(
            course((-60.0, 600), (-30.0, 600), (-20.0, 600)),
            facts(staff=[ana], kept_this_week=[level_content(evening, phase="show")]),
        ).staff[0]
        assert week.week_shows == 2
        assert week.week_db == pytest.approx(person.lex_8h_db + 10.0 * np.log10(2.0 / 5.0))
        relative = seat_exposure(course((-30.0, 1800)), facts(staff=[ana], sensitivity=Sensitivity())).staff[0]
        assert relative.lex_8h_db is None
        assert "not calibrated" in relative.not_measured

    def test_louder_than_usual_is_told_from_three_kept_weeks_on(self) -> None:
        song = [ShowStretch(kind="song", name="Slow train", start=0, end=600)]
        kept = [
            level_content(seat_exposure(course((level_db, 600)), facts(stretches=song)), phase="show")
            for level_db in (-31.0, -30.0, -29.0)
        ]
        loud = seat_exposure(course((-22.0, 600)), facts(stretches=song, kept=kept))
        assert [stretch.name for stretch in loud.louder] == ["Slow train"]
        assert seat_exposure(course((-29.0, 600)), facts(stretches=song, kept=kept)).louder == ()
        assert seat_exposure(course((-22.0, 600)), facts(stretches=song, kept=kept[:2])).louder == ()
        # another phase, or a microphone that is not calibrated, is another matter
        assert seat_exposure(course((-22.0, 600)), facts(stretches=song, kept=kept, phase="rehearsal")).louder == ()


@pytest.mark.source(
    "arithmetic: a level that is called louder than usual by chance once in 200 normally distributed weeks"
)
def test_clean_weeks_are_seldom_called_loud(rng: np.random.Generator) -> None:
    alarms = 0
    for _ in range(2000):
        levels = 90.0 + 1.5 * rng.standard_normal(7)
        usual = usual_level(list(levels[:6]))
        assert usual is not None
        alarms += levels[6] > usual.high_db
    assert alarms <= 2000 * 0.005 * 2


def _plain(source: Source) -> dict[str, Any]:
    return {"name": source.name, "role": source.role, "tracks": source.tracks, "microphone": source.microphone}


# ---------------------------------------------------------------------------------------------- recordings and commands

HOUSE: Final = """[house]
name = "Tern Street Hall"
[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
fader = "-6 dB"
[[source]]
name = "talker"
role = "speech"
tracks = ["talker"]
fader = "-6 dB"
mute = "in songs"
"""
SEAT_KEYS: Final = """[[source]]
name = "mix position"
role = "seat"
tracks = ["seat"]
microphone = "omni 1"
preamp = "30 dB"
offset = { laeq = "3 dB", lcpeak = "5 dB" }
[limits]
laeq = "85 dBA"
over = "1 min"
"""


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Venue with a short show, of which a seat is recorded, and a calibrator's tone."""
    root = tmp_path_factory.mktemp("hall")
    rng = np.random.default_rng(11)
    show, tone = root / "show-2026-05-03", root / "tone"
    show.mkdir()
    tone.mkdir()
    seconds = 90
    loud = np.repeat(np.arange(seconds) >= 40, RATE_HZ)
    spoken = np.repeat((np.arange(seconds) >= 5) & (np.arange(seconds) < 25), RATE_HZ)
    bass = (0.17 * loud * low(rng.standard_normal(loud.size))).astype(np.float32)
    talker = (0.08 * spoken * low(rng.standard_normal(loud.size))).astype(np.float32)
    hum = 1e-4 * rng.standard_normal(loud.size).astype(np.float32)
    for name, samples in (("bass", bass + hum), ("talker", talker + hum), ("seat", 0.5 * bass + 0.2 * talker + hum)):
        soundfile.write(show / f"{name}.wav", samples, RATE_HZ, "PCM_24")
    time_s = np.arange(8 * RATE_HZ) / RATE_HZ
    soundfile.write(tone / "seat.wav", 0.1 * np.sin(2.0 * np.pi * 1000.0 * time_s), RATE_HZ, "PCM_24")
    (show / "show.toml").write_text(
        'date = 2026-05-03\nphase = "show"\nstart = "19:59"\n[songs]\n"Slow train" = "0:38"\n'
    )
    (tone / "show.toml").write_text("date = 2026-05-01\n")
    (root / "house.toml").write_text(HOUSE + SEAT_KEYS)
    return root


def a_level_db(signal: np.ndarray) -> float:
    """A-weighted level of a stretch by the analytic curve (IEC 61672-1:2013, Annex E) on its spectrum."""
    power = np.abs(np.fft.rfft(signal)[1:]) ** 2
    hz = np.fft.rfftfreq(signal.size, 1.0 / RATE_HZ)[1:]
    f1, f2, f3, f4 = 20.598997, 107.65265, 737.86223, 12194.217
    gain = f4**2 * hz**4 / ((hz**2 + f1**2) * np.sqrt((hz**2 + f2**2) * (hz**2 + f3**2)) * (hz**2 + f4**2))
    return float(10.0 * np.log10(2.0 * np.sum(power * gain**2) / signal.size**2) + 2.0)


def low(noise: np.ndarray) -> np.ndarray:
    """Noise up to 8 kHz, as music has little above."""
    spectrum = np.fft.rfft(noise)
    spectrum[int(8000.0 / RATE_HZ * noise.size) :] = 0.0
    return np.fft.irfft(spectrum, noise.size)


def run(*arguments: object) -> Any:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_calibrate_then_exposure(hall: Path, tmp_path: Path) -> None:
    history = ("--history", tmp_path / "history.sqlite")
    relative = run("exposure", hall / "show-2026-05-03", *history)
    assert relative.exit_code == 0, relative.output
    assert "dB re full scale" in relative.output
    assert "not calibrated" in relative.output
    assert "dBA at" not in relative.output
    done = run("calibrate", hall / "tone", "--track", "mix position", "--level", "94 dB", *history)
    assert done.exit_code == 0, done.output
    assert "omni 1: the calibrator's 94 dB read −20 dBFS at 1000 Hz" in done.output
    told = run("exposure", hall / "show-2026-05-03", *history, "--json", tmp_path / "exposure.json")
    assert told.exit_code == 1, told.output  # the limit is passed
    data = json.loads((tmp_path / "exposure.json").read_text())
    seat = data["seats"][0]["exposure"]
    song_db = (
        94.0
        - 20.0 * np.log10(0.1 / np.sqrt(2.0))
        + a_level_db(soundfile.read(hall / "show-2026-05-03" / "seat.wav")[0][40 * RATE_HZ :])
    )
    assert seat["songs_db"] == pytest.approx(song_db, abs=0.1)
    assert [(part["kind"], part["name"], part["readings"]["from_s"]) for part in seat["stretches"]] == [
        ("speech", "", 5.0), ("song", "Slow train", 40.0),
    ]  # fmt: skip
    assert seat["limit"]["level_db"] == pytest.approx(song_db + 3.0 + 10.0 * np.log10(50.0 / 60.0), abs=0.1)
    assert seat["half_hours"][0]["to_s"] == 60.0  # 20:00
    assert data["seats"][0]["findings"][0]["kind"] == "too-loud"
    for word in ("only a calibrated class 1 or 2 meter", "ask your safety officer", "passed at 19:59 h"):
        assert word in told.output, told.output
    for word in ("lawful", "safe level", "legal"):
        assert word not in told.output
    again = run("calibrate", hall / "tone", "--track", "seat", "--level", "94 dB", "--preamp", "31 dB", *history)
    assert "more than 0.5 dB" in again.output  # the tone read alike at another gain: something lost 1 dB


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("--track", "bass", "--level", "94 dB"),
            '--track "bass": is no seat of this recording; seats are mix position',
        ),
        (("--track", "seat", "--level", "90 dB"), "is no level of a calibrator"),
        (("--track", "seat", "--level", "94 dB", "--preamp", "loud"), "--preamp"),
    ],
)
def test_wrong_use_of_calibrate_is_one_line(hall: Path, arguments: tuple[str, ...], message: str) -> None:
    result = run("calibrate", hall / "tone", *arguments)
    assert result.exit_code == 2
    assert message in result.output
    assert result.output.count("\n") == 1


def test_a_recording_without_its_seat_is_refused(hall: Path) -> None:
    result = run("exposure", hall / "show-2026-05-03" / "bass.wav")
    assert result.exit_code == 2
    assert 'seat "mix position": the recording has no track "seat"' in result.output


def test_a_check_tells_the_seat_and_nothing_else_changes(hall: Path, tmp_path: Path) -> None:
    """Readings, findings, moves and the mix are the same as without the seat's track."""
    import shutil

    without = tmp_path / "without"
    shutil.copytree(hall / "show-2026-05-03", without / "show-2026-05-03")
    (without / "show-2026-05-03" / "seat.wav").unlink()
    (without / "house.toml").write_text(HOUSE)
    results = {}
    for name, root in (("with", hall), ("without", without)):
        out = tmp_path / f"{name}.json"
        checked = run(
            "check", root / "show-2026-05-03", "--history", tmp_path / f"{name}.sqlite", "--no-report", "--json", out
        )
        assert checked.exit_code in (0, 1), checked.output
        results[name] = json.loads(out.read_text())
    # a stored check is read back as it was
    assert plain(from_plain(results["with"])) == results["with"]
    seats = results["with"].pop("seats")
    assert results["without"].pop("seats") == []
    assert [seat["exposure"]["seat"] for seat in seats] == ["mix position"]
    alone = run("exposure", hall / "show-2026-05-03", "--history", tmp_path / "with.sqlite", "--json", "-")
    assert seats == json.loads(alone.output)["seats"]
    for result in results.values():
        result["show"].pop("tracks")
        result.pop("loudspeakers")
    assert results["with"] == results["without"]


def test_kept_weeks_hold_its_levels(hall: Path, tmp_path: Path) -> None:
    history = tmp_path / "history.sqlite"
    kept = run("keep", hall / "show-2026-05-03", "--history", history, "--with-faults", "--by", "Bo")
    assert kept.exit_code == 0, kept.output
    store = open_history(f"sqlite:///{history}")
    assert store is not None
    (record,) = seat_records(store, house="Tern Street Hall", kind="level")
    assert (record.seat, record.microphone, record.measured_at, record.take) == (
        "mix position",
        "omni 1",
        "2026-05-03",
        1,
    )
    assert set(record.content["levels_db"]) == {"whole", "songs", "speech", "song:Slow train"}
    # three quieter weeks, and the song is louder than usual
    for week in (5, 12, 19):
        quieter = {name: level_db - 8.0 + 0.1 * week for name, level_db in record.content["levels_db"].items()}
        new = SeatRecord(
            seat="mix position", microphone="omni 1", kind="level", measured_at=f"2026-04-{week:02d}",
            content=dict(record.content) | {"levels_db": quieter},
        )  # fmt: skip
        add_seat_record(store, new, house="Tern Street Hall")
    store.close()
    told = run("exposure", hall / "show-2026-05-03", "--history", history)
    assert "Slow train at 0:40" in told.output
    assert "louder than it usually is here; bring the whole mix down" in told.output


def test_a_silent_half_hour_and_a_damaged_calibration(tmp_path: Path, hall: Path) -> None:
    evening = seat_exposure(course((-30.0, 1800), (float("-inf"), 1800)), facts())
    assert [window.laeq_db is None for window in evening.half_hours] == [False, True]
    history = tmp_path / "history.sqlite"
    store = open_history(f"sqlite:///{history}", create=True)
    assert store is not None
    damaged = SeatRecord(
        seat="mix position",
        microphone="omni 1",
        kind="calibration",
        measured_at="2026-05-01",
        content={"offset_db": "x"},
    )
    add_seat_record(store, damaged, house="Tern Street Hall")
    store.close()
    result = run("exposure", hall / "show-2026-05-03", "--history", history)
    assert result.exit_code == 2
    assert "calibrate the microphone again" in result.output
