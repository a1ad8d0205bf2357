"""What if: the numbers and the sound of a chain that is tried, by other routes than the page's own; and how sound is sent."""

from __future__ import annotations

import io
import json
import threading

import numpy as np
import pyebur128
import pytest
import scipy.signal as ss
import soundfile

import deskhand.chain.run as running
from deskhand.chain.blocks import filter_sos
from deskhand.chain.run import run
from deskhand.errors import UsageError
from deskhand.house import made_blocks, parse_house
from deskhand.measure.excerpt import LENGTH_S
from deskhand.web.tries import OCTAVES_HZ, Sounds, Stretch, octave_change_db, octave_powers, open_with_house, pair_of
from tests.support.small_hall import HOUSE, RATE_HZ, Asker, one_line, pink, said_by, small_hall, write_show

CHAIN = [
    {"block": "high-pass", "frequency": "80 Hz"},
    {"block": "bell", "frequency": "1 kHz", "gain": "6 dB", "q": 1},
    {"block": "compressor", "threshold": "-30 dBFS", "ratio": 3},
    {"block": "mid-side", "mid": "-2 dB", "side": "1 dB"},
]
TAKES_OF = 30.0


@pytest.fixture(scope="module")
def show(tmp_path_factory):
    return write_show(tmp_path_factory.mktemp("tries") / "show", seconds=TAKES_OF)


def desk_of(show, *, tap="preamp", text=HOUSE, taps=None):
    from pathlib import Path

    return open_with_house(show, parse_house(text, Path("house.toml")), show.parent, tap=tap, taps=taps or {})


@pytest.fixture(scope="module")
def stretch(show):
    desk = desk_of(show)
    return Stretch(desk, desk.source("piano"), 4.0)


@pytest.fixture
def sounds():
    made = Sounds()
    yield made
    made.close()


def recorded(show, names, start_s):
    """The audio itself, read by soundfile."""
    first = round(start_s * RATE_HZ)
    rows = [soundfile.read(show / f"{name}.wav", start=first, frames=round(LENGTH_S * RATE_HZ))[0] for name in names]
    return np.array(rows)


def lufs(audio):
    meter = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(audio.T, np.float64).ravel(), audio.shape[1])
    return pyebur128.get_loudness_global(meter)


def apart(one, other):
    """The largest difference of two arrays, which must be of one shape."""
    assert one.shape == other.shape
    return float(np.abs(np.asarray(one, np.float64) - other).max())


def at_db(gain_db):
    return 10.0 ** (gain_db / 20.0)


# numbers


class TestNumbers:
    @pytest.mark.source("ITU-R BS.1770-5, as pyebur128 (libebur128) has it; the chain run on the file's own samples")
    @pytest.mark.parametrize("chain", [[], CHAIN[:2], CHAIN], ids=["none", "equaliser", "all"])
    def test_of_a_pair(self, show, stretch, chain):
        tried = stretch.run(chain)
        sound = recorded(show, ("pno l", "pno r"), 4.0)
        out = run(sound, made_blocks(chain), sample_rate_hz=RATE_HZ)
        assert apart(tried.audio, out) < 1e-5
        assert tried.readings.loudness_lufs == pytest.approx(lufs(out), abs=0.05)
        assert tried.readings.peak_dbfs == pytest.approx(20 * np.log10(np.abs(out).max()), abs=0.01)
        fine = np.abs(ss.resample_poly(out, 8, 1, axis=1)).max()
        assert tried.readings.true_peak_dbtp == pytest.approx(20 * np.log10(fine), abs=0.2)
        # by the definition of width: the sides' energy against the middle's
        middle, side = out[0] + out[1], out[0] - out[1]
        assert tried.readings.width_db == pytest.approx(10 * np.log10((side**2).sum() / (middle**2).sum()), abs=0.5)
        assert tried.level_in_dbfs == stretch.run([]).readings.level_dbfs

    def test_of_one_track(self, show):
        desk = desk_of(show)
        voice = Stretch(desk, desk.source("lead voice"), 0.0)
        tried = voice.run([{"block": "trim", "gain": "-6 dB"}])
        sound = recorded(show, ("vox",), 0.0)
        assert tried.readings.level_dbfs == pytest.approx(voice.before.readings.level_dbfs - 6.0, abs=0.01)
        # one track to both sides, each at -3 dB: common practice, no source
        assert apart(tried.audio, np.repeat(sound, 2, axis=0) * at_db(-6.0) * np.sqrt(0.5)) < 1e-4
        assert tried.steps[0].width_db is None

    @pytest.mark.source("definition: what a block does is what lies between its input and its output")
    def test_each_step_is_what_its_block_does(self, show, stretch):
        tried = stretch.run(CHAIN)
        sound = recorded(show, ("pno l", "pno r"), 4.0)
        assert [step.stage.block for step in tried.steps] == [block["block"] for block in CHAIN]
        came = sound
        for place, step in enumerate(tried.steps):
            out = run(sound, made_blocks(CHAIN[: place + 1]), sample_rate_hz=RATE_HZ)
            assert step.stage.loudness_lufs == pytest.approx(lufs(out), abs=0.05)
            assert step.stage.peak_dbfs == pytest.approx(20 * np.log10(np.abs(out).max()), abs=0.01)
            moved = octave_change_db(octave_powers(came, RATE_HZ), octave_powers(out, RATE_HZ))
            assert step.octave_db == pytest.approx(moved, abs=0.11)
            came = out
        # middle 2 dB down and sides 1 dB up
        assert tried.steps[3].width_db == pytest.approx(3.0, abs=0.05)
        assert tried.steps[1].width_db == pytest.approx(0.0, abs=0.15)
        assert tried.steps[2].stage.reduction_db is not None

    @pytest.mark.source(
        "scipy.signal.sosfreqz of the same filter, weighted with the power of pink noise (1/f) in each octave"
    )
    @pytest.mark.parametrize(
        "block",
        [
            {"block": "bell", "frequency": "1 kHz", "gain": "9 dB", "q": 1},
            {"block": "bell", "frequency": "125 Hz", "gain": "-12 dB", "q": 0.7},
            {"block": "high-shelf", "frequency": "4 kHz", "gain": "6 dB"},
            {"block": "low-shelf", "frequency": "250 Hz", "gain": "-6 dB"},
        ],
        ids=lambda one: f"{one['block']} {one['frequency']}",
    )
    def test_octaves_move_as_the_filter_says(self, rng, block):
        lines = np.fft.rfft(rng.standard_normal(60 * RATE_HZ))
        noise = 0.1 * np.fft.irfft(lines / np.sqrt(np.maximum(np.arange(lines.size), 1.0)))[None, :]
        noise /= noise.std()
        [made] = made_blocks([block])
        out = run(noise, [made], sample_rate_hz=RATE_HZ)
        found = octave_change_db(octave_powers(noise, RATE_HZ), octave_powers(out, RATE_HZ))
        hz = np.geomspace(20, 20_000, 20_000)
        _, response = ss.sosfreqz(filter_sos(made, RATE_HZ), worN=hz, fs=RATE_HZ)
        power = np.abs(response) ** 2
        # equal steps of log frequency hold equal power of pink noise
        wanted = np.array(
            [10 * np.log10(power[(hz >= one / np.sqrt(2)) & (hz < one * np.sqrt(2))].mean()) for one in OCTAVES_HZ]
        )
        wanted -= np.median(wanted)
        assert list(found) == list(OCTAVES_HZ)
        assert list(found.values()) == pytest.approx(wanted.tolist(), abs=0.35)

    def test_octaves_that_do_not_sound_are_left_out(self):
        time = np.arange(4 * RATE_HZ) / RATE_HZ
        tone = 0.1 * np.sin(2 * np.pi * 1000 * time)[None, :]
        assert list(octave_change_db(octave_powers(tone, RATE_HZ), octave_powers(2 * tone, RATE_HZ))) == [1000]
        assert octave_change_db(np.zeros(8), np.zeros(8)) == {}
        assert octave_change_db(np.ones(8), np.zeros(8)) == {}
        assert octave_powers(np.zeros((1, 100)), RATE_HZ).tolist() == [0.0] * 8

    @pytest.mark.source("definition: what is louder in all octaves alike has not moved against their middle")
    def test_a_gain_moves_no_octave(self, stretch):
        [step] = stretch.run([{"block": "trim", "gain": "-7 dB"}]).steps
        assert set(step.octave_db.values()) <= {0.0, -0.0}


class TestWhereTracksWereTaken:
    """After-gain tracks hold the gain, the trim and the first high-pass already: common practice, no source."""

    @pytest.mark.parametrize(
        ("tap", "runs"),
        [("preamp", [True] * 5), ("after-gain", [False, False, False, True, True]), ("after-chain", [False] * 5)],
    )
    def test_no_block_is_run_twice(self, show, tap, runs):
        desk = desk_of(show, tap=tap)
        chain = [{"block": "gain", "gain": "3 dB"}, {"block": "trim", "gain": "2 dB"}, *CHAIN[:2], CHAIN[1]]
        stretch = Stretch(desk, desk.source("piano"), 0.0)
        tried = stretch.run(chain)
        assert list(tried.runs) == runs
        assert len(tried.steps) == sum(runs)
        left = [block for block, is_run in zip(made_blocks(chain), runs, strict=True) if is_run]
        out = run(recorded(show, ("pno l", "pno r"), 0.0), left, sample_rate_hz=RATE_HZ)
        assert apart(tried.audio, out) < 1e-5
        assert tried.readings.loudness_lufs == pytest.approx(lufs(out), abs=0.05)

    def test_one_source_of_its_own(self, show):
        desk = desk_of(show, taps={"piano": "after-chain"})
        assert desk.desk.tap_of(desk.source("piano")) == "after-chain"
        assert desk.desk.tap_of(desk.source("lead voice")) == "preamp"
        text = HOUSE.replace('role = "keys"', 'role = "keys"\ntap = "after-gain"')
        assert desk_of(show, text=text).desk.tap_of(desk_of(show, text=text).source("piano")) == "after-gain"


class TestWhere:
    @pytest.mark.parametrize(
        ("start_s", "begins_s"), [(-5.0, 0.0), (0.0, 0.0), (7.5, 7.5), (10.0, 10.0), (25.0, 10.0), (1e8, 10.0)]
    )
    def test_a_start_beyond_the_end_is_the_last_that_is_whole(self, show, start_s, begins_s):
        desk = desk_of(show)
        stretch = Stretch(desk, desk.source("lead voice"), start_s)
        assert stretch.start_s == begins_s
        assert apart(stretch.samples, recorded(show, ("vox",), begins_s)) < 1e-7

    def test_what_cannot_be_tried(self, show, tmp_path):
        desk = desk_of(show, text=HOUSE.replace('"pno r"', '"gone"'))
        with pytest.raises(UsageError, match="not whole in this recording"):
            Stretch(desk, desk.source("piano"), 0.0)
        with pytest.raises(UsageError, match="no source of this house"):
            desk.source("nobody")
        brief = desk_of(write_show(tmp_path / "brief", seconds=1.5))
        with pytest.raises(UsageError, match="shorter than 2 s"):
            Stretch(brief, brief.source("piano"), 0.0)

    def test_what_is_louder_than_numbers_are(self, stretch):
        with pytest.raises(UsageError, match="louder than can be worked out"):
            stretch.run([{"block": "gain", "gain": "60 dB"}] * 20)
        # and the next is as if nothing had been
        assert stretch.run(CHAIN[:1]).readings.loudness_lufs is not None

    def test_the_same_again_is_not_worked_out_again(self, stretch, monkeypatch):
        first = stretch.run(CHAIN)
        monkeypatch.setattr(running, "build", None)
        assert stretch.run([dict(block) for block in CHAIN]) is first

    def test_many_at_once_are_each_their_own(self, stretch):
        gains = [f"-{place} dB" for place in range(1, 7)]
        found = {}

        def one(gain):
            found[gain] = stretch.run([{"block": "trim", "gain": gain}]).readings.loudness_lufs

        threads = [threading.Thread(target=one, args=(gain,)) for gain in gains]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        first = found["-1 dB"]
        assert [found[gain] - first for gain in gains] == pytest.approx([-float(place) for place in range(6)], abs=0.01)


# to listen to


def played(sounds, side):
    """A side of a pair as the page plays it."""
    audio, rate = soundfile.read(sounds.path(side["url"].removeprefix("/audio/").removesuffix(".flac")))
    assert rate == RATE_HZ
    return audio.T, audio.T * at_db(side["gain_db"])


class TestSounds:
    @pytest.mark.source("ITU-R BS.1770-5, as pyebur128 (libebur128) has it: equal within 0.1 LU")
    @pytest.mark.parametrize(
        "chain",
        [
            [{"block": "trim", "gain": "12 dB"}], [{"block": "trim", "gain": "-15 dB"}], CHAIN, [],
            [{"block": "gain", "gain": "40 dB"}], [{"block": "high-pass", "frequency": "1 kHz"}],
        ],
        ids=["louder", "quieter", "chain", "nothing", "far-over", "thin"],
    )  # fmt: skip
    def test_a_pair_is_equally_loud_and_never_turned_up(self, sounds, stretch, chain):
        tried = stretch.run(chain)
        pair = pair_of(sounds, stretch.recorded, tried, RATE_HZ)
        heard = []
        for side, whose in (("first", stretch.recorded), ("second", tried)):
            file, out = played(sounds, pair[side])
            # the file itself is below full scale and not clipped: it is the sound, turned down
            assert np.abs(file).max() < 0.999
            scale = np.vdot(file, whose.audio) / np.vdot(file, file)
            assert apart(file * scale, whose.audio) < 2e-6 * max(1.0, scale)
            assert pair[side]["turned_db"] <= 0.0
            # as it is played it is the sound, turned down by what is said, and stays below -1 dBTP
            assert apart(out, whose.audio * at_db(pair[side]["turned_db"])) < 1e-4
            assert np.abs(ss.resample_poly(out, 8, 1, axis=1)).max() < at_db(-0.9)
            assert pair[side]["loudness_lufs"] == pytest.approx(lufs(whose.audio), abs=0.1)
            heard.append(lufs(out))
        assert heard[0] == pytest.approx(heard[1], abs=0.1)
        assert max(heard) <= min(lufs(stretch.recorded.audio), lufs(tried.audio)) + 0.1

    def test_silence_is_no_pair(self, sounds, stretch):
        silent = stretch.run([{"block": "trim", "gain": "-200 dB"}])
        assert pair_of(sounds, stretch.recorded, silent, RATE_HZ) is None
        assert pair_of(sounds, silent, stretch.recorded, RATE_HZ) is None

    def test_two_recordings_are_not_taken_for_one_another(self, sounds, show, tmp_path):
        """Same house, same source, same moment, same chain: another recording sounds otherwise."""
        other = write_show(tmp_path / "other", names=("x", "y", "pno l", "pno r", "vox"))
        one, two = (Stretch(desk, desk.source("piano"), 0.0) for desk in (desk_of(show), desk_of(other)))
        for a, b in ((one.recorded, two.recorded), (one.run(CHAIN), two.run(CHAIN))):
            sounds.put(a.id, a.audio, RATE_HZ)
            sounds.put(b.id, b.audio, RATE_HZ)
            for tried in (a, b):
                audio, _ = soundfile.read(sounds.path(tried.id))
                assert apart(audio.T, tried.audio) < 1e-5

    def test_the_oldest_go_first(self, sounds):
        for place in range(65):
            sounds.put(f"s{place}", np.full((2, 100), 0.1), RATE_HZ)
            sounds.put("s0", np.full((2, 100), 0.1), RATE_HZ)  # is listened to again and again
        there = [place for place in range(65) if sounds.path(f"s{place}")]
        assert there == [0, *range(6, 65)]
        assert len(list(sounds._folder.iterdir())) == 60

    def test_a_folder_that_was_cleared_away(self, sounds):
        import shutil

        sounds.put("a", np.full((2, 100), 0.1), RATE_HZ)
        shutil.rmtree(sounds._folder)
        assert sounds.path("a") is None
        sounds.put("a", np.full((2, 100), 0.1), RATE_HZ)
        assert sounds.path("a").is_file()

    def test_a_disk_that_is_full(self, sounds, monkeypatch):
        def full(*_, **__):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(soundfile, "write", full)
        with pytest.raises(UsageError, match="No space left") as error:
            sounds.put("a", np.full((2, 100), 0.1), RATE_HZ)
        one_line(str(error.value))
        monkeypatch.undo()
        assert sounds.path("a") is None

    def test_all_go_at_the_end(self):
        made = Sounds()
        made.put("a", np.full((2, 100), 0.1), RATE_HZ)
        made.close()
        assert not made._folder.exists()


# as the page asks for them


@pytest.fixture(scope="module")
def asker(tmp_path_factory):
    with Asker(small_hall(tmp_path_factory.mktemp("tries") / "hall")) as made:
        yield made


class TestParts:
    """Parts of a sound, as a player asks for them when somebody jumps."""

    @pytest.fixture(scope="class")
    @staticmethod
    def sound(asker):
        tried = asker.told("try", id=asker.id, source="piano", chain=CHAIN, start_s=0)
        url = tried["sound"]["house"]["second"]["url"]
        return url, asker.get(url).content

    @pytest.mark.source("RFC 9110, 14.1.2 and 14.2: byte ranges, suffix ranges, 206, Content-Range")
    @pytest.mark.parametrize(
        ("asked", "begin", "end"),
        [("0-0", 0, 1), ("0-99", 0, 100), ("100-199", 100, 200), ("-100", -100, None), ("5000-", 5000, None),
         ("0-", 0, None), ("-99999999", 0, None), ("100-99999999", 100, None)],
    )  # fmt: skip
    def test_one(self, asker, sound, asked, begin, end):
        url, whole = sound
        answer = asker.get(url, headers={"range": f"bytes={asked}"})
        wanted = whole[begin:end]
        first = begin % len(whole) if begin >= 0 else len(whole) + begin
        assert answer.status_code == 206
        assert answer.content == wanted
        assert answer.headers["content-range"] == f"bytes {first}-{first + len(wanted) - 1}/{len(whole)}"
        assert answer.headers["content-length"] == str(len(wanted))
        assert answer.headers["content-type"] == "audio/flac"

    @pytest.mark.source("RFC 9110, 15.5.17: 416 with Content-Range: bytes */length")
    @pytest.mark.parametrize("asked", ["99999999-", "99999999-100000000", "-0"])
    def test_one_that_is_not_there(self, asker, sound, asked):
        url, whole = sound
        answer = asker.get(url, headers={"range": f"bytes={asked}"})
        assert answer.status_code == 416
        assert answer.headers["content-range"] == f"bytes */{len(whole)}"

    @pytest.mark.parametrize(
        "asked", ["bytes=", "bytes=x-y", "bytes", "lines=0-5", "bytes=9-5", "bytes=--", "", "bytes=٣-٤"]
    )
    def test_one_that_is_none(self, asker, sound, asked):
        """RFC 9110, 14.2 lets a server ignore it or refuse it; whatever it sends is the sound itself or a refusal."""
        url, whole = sound
        answer = asker.get(url, headers={"range": asked.encode()})
        assert answer.status_code in (200, 400, 416)
        assert answer.status_code != 200 or answer.content == whole

    def test_it_says_that_parts_may_be_asked_for(self, asker, sound):
        url, whole = sound
        answer = asker.head(url)
        assert answer.headers["accept-ranges"] == "bytes"
        assert answer.headers["content-length"] == str(len(whole))
        audio, rate = soundfile.read(io.BytesIO(whole))
        assert (audio.shape, rate) == ((12 * RATE_HZ, 2), RATE_HZ)

    @pytest.mark.parametrize("name", ["x", "0" * 16, "..", "blind-0000000000000000"])
    def test_a_sound_that_is_not_there(self, asker, name):
        answer = asker.get(f"/audio/{name}.flac")
        assert answer.status_code == 404
        said_by(answer)


class TestHear:
    @pytest.mark.parametrize(
        ("at", "length", "from_s", "for_s"),
        [("1", "2", 1.0, 2.0), ("-5", "1", 0.0, 1.0), ("11.95", "2", 11.9, 0.1), ("1e8", "2", 11.9, 0.1), ("3", "-1", 3.0, 0.1),
         ("3", "0", 3.0, 0.1), ("0", "600", 0.0, 12.0), ("-0.0", "1e-9", 0.0, 0.1)],
    )  # fmt: skip
    def test_a_moment(self, asker, at, length, from_s, for_s):
        answer = asker.get(f"/show/{asker.id}/source/0/hear.flac?at={at}&for={length}")
        assert answer.status_code == 200
        audio, rate = soundfile.read(io.BytesIO(answer.content))
        assert audio.shape[0] / rate == pytest.approx(for_s, abs=0.001)
        show = asker.hall.recordings()[0].path
        wanted = np.array([soundfile.read(show / f"{one}.wav")[0] for one in ("pno l", "pno r")])
        wanted = wanted[:, round(from_s * rate) : round(from_s * rate) + audio.shape[0]]
        # as it was recorded, or turned down, never up
        scale = np.vdot(audio.T, wanted) / np.vdot(wanted, wanted)
        assert scale <= 1.001
        assert apart(audio.T, scale * wanted) < 1e-5
        if for_s >= 1.0:
            assert lufs(audio.T) < -25.5  # it begins quietly, whatever was recorded

    @pytest.mark.parametrize(
        "query",
        [
            "at=nan",
            "at=inf",
            "at=-inf",
            "at=1e400",
            "at=",
            "",
            "at=x",
            "at=1&for=nan",
            "at=1&for=inf",
            "at=1&for=",
            "at=٣٣x",
        ],
    )
    def test_a_moment_that_is_none(self, asker, query):
        answer = asker.get(f"/show/{asker.id}/source/0/hear.flac?{query}")
        assert answer.status_code == 400
        assert "is no number" in said_by(answer)

    def test_a_side_that_is_missing(self, tmp_path):
        root = small_hall(tmp_path / "hall", checked=False)
        (root / "show-2026-03-01" / "pno r.wav").unlink()
        with Asker(root) as asker:
            assert asker.checked(asker.id)["state"] == "done"
            answer = asker.get(f"/show/{asker.id}/source/0/hear.flac?at=2&for=2")
            audio, _ = soundfile.read(io.BytesIO(answer.content))
            left, _ = soundfile.read(root / "show-2026-03-01" / "pno l.wav", start=2 * RATE_HZ, frames=2 * RATE_HZ)
            assert np.corrcoef(audio[:, 0], left)[0, 1] > 0.9999
            assert apart(audio[:, 0], audio[:, 1]) < 1e-6
            assert "not whole" in asker.refused("try", id=asker.id, source="piano", chain=[], start_s=0)

    def test_a_source_that_is_missing(self, tmp_path):
        root = small_hall(tmp_path / "hall", checked=False)
        (root / "show-2026-03-01" / "vox.wav").unlink()
        with Asker(root) as asker:
            assert asker.checked(asker.id)["state"] == "done"
            answer = asker.get(f"/show/{asker.id}/source/1/hear.flac?at=2&for=2")
            assert answer.status_code == 404
            said_by(answer)


class TestThePage:
    def test_a_try_says_what_the_stretch_says(self, asker):
        made = asker.told("try", id=asker.id, source="piano", chain=CHAIN, start_s=0)
        sound = recorded(asker.hall.recordings()[0].path, ("pno l", "pno r"), 0.0)
        out = run(sound, made_blocks(CHAIN), sample_rate_hz=RATE_HZ)
        rows = {row["label"]: row for row in made["numbers"]}
        [loud] = [row for name, row in rows.items() if name.startswith("Loudness") and "range" not in name.casefold()]
        assert float(loud["tried"].replace("−", "-")) == pytest.approx(lufs(out), abs=0.11)
        assert len(made["steps"]) == len(CHAIN)
        assert not made["same_as_house"]
        assert made["sound"]["house"]["second"] is not None
        json.dumps(made, allow_nan=False)

    def test_the_house_s_own_is_known_as_that(self, asker):
        base = asker.get(f"/api/written?id={asker.id}&source=piano").json()
        assert asker.told("try", id=asker.id, source="piano", chain=base["chain"], start_s=0)["same_as_house"]

    @pytest.mark.parametrize(
        ("data", "said"),
        [
            ({"source": "nobody"}, '"nobody"'), ({"chain": [{"block": "bell"}]}, "missing"), ({"start_s": "x"}, "the start"),
            ({"chain": [{"block": "bel"}]}, "did you mean"), ({"chain": [{"block": "curve", "file": "none.csv"}]}, "curve"),
            ({"chain": {}}, "no list"), ({"start_s": None}, "the start"), ({"start_s": [1]}, "the start"),
            ({"source": "lead voice", "chain": [{"block": "mid-side", "mid": "-1 dB"}]}, "mid-side"),
        ],
    )  # fmt: skip
    def test_what_cannot_be_tried_is_one_line(self, asker, data, said):
        assert said in asker.refused("try", **({"id": asker.id, "source": "piano", "chain": [], "start_s": 0} | data))

    @pytest.mark.parametrize(
        ("settings", "said"),
        [
            ({"fader_db": {"piano": 25}}, "25 dB"), ({"fader_db": {"piano": "x"}}, "not numbers"), ([], "not numbers"),
            ({"muted": 3}, "not numbers"), ({"fader_db": [1]}, "not numbers"), ({"fader_db": {"nobody": 1}}, "nobody"),
            ({"muted": ["lead voice"]}, "lead voice"), ({"mid_down_db": {"piano": -25}}, "-25 dB"), ("x", "not numbers"),
            ({"fader_db": {"piano": None}}, "not numbers"), (None, "not numbers"), ({"mid_down_db": {"piano": "nan"}}, "nan"),
        ],
    )  # fmt: skip
    def test_what_cannot_be_turned_is_one_line(self, asker, settings, said):
        assert said in asker.refused("voice", id=asker.id, voice="lead voice", settings=settings)

    def test_a_muted_piano_is_not_heard(self, asker):
        made = asker.told("voice", id=asker.id, voice="lead voice", settings={"muted": ["piano"]}, at=2)
        names = [made["sound"][side]["url"] for side in ("first", "second")]
        first, second = (soundfile.read(io.BytesIO(asker.get(url).content))[0].T for url in names)
        show = asker.hall.recordings()[0].path
        vox, _ = soundfile.read(show / "vox.wav", start=RATE_HZ, frames=first.shape[1])
        assert np.corrcoef(second[0], vox)[0, 1] > 0.9999
        assert np.corrcoef(first[0], vox)[0, 1] < 0.99


def test_pink_noise_is_pink():
    """So that what is said of octaves holds: every octave the same power, within what chance leaves."""
    powers = octave_powers(np.array([pink(30.0, 1)]), RATE_HZ)
    assert 10 * np.log10(powers / powers.mean()) == pytest.approx(np.zeros(8), abs=1.0)


def test_octaves_that_lie_50_db_below_the_loudest_are_not_heard():
    """One octave at each of five levels below the loudest, all turned up by 3 dB but one: those further down than 50 dB are left out."""
    below_db = np.array([0.0, -20.0, -40.0, -48.0, -52.0, -70.0, 0.0, 0.0])
    before = 10.0 ** (below_db / 10.0)
    changed = octave_change_db(before, before * 2.0)
    assert set(changed) == {hz for hz, level in zip(OCTAVES_HZ, below_db, strict=True) if level > -50.0}
