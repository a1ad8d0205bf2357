"""`deskhand new`: roles and pairs guessed from names, and the commented house file that comes of them.

In order: roles, pairs and names, microphones of one instrument, the text, the command.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deskhand.cli import main
from deskhand.house import House, HouseFile, RoleName, Source, match_tracks, parse_house
from deskhand.house.name_roles import guess_role
from deskhand.recording.names import clean_name, key
from deskhand.tasks.new import guess_house, house_text, microphones_of_one
from tests.support.writers import noise, write_wave

PLACE: Final = Path("house.toml")
# a busy machine may take its time: only the answer counts
unhurried = settings(deadline=None)

# Abbreviations of the trade: common practice, no source
ROLES: Final[dict[RoleName, tuple[str, ...]]] = {
    "lead vocal": ("Vox", "Lead Vox", "LV", "Ld Vox", "Voc", "Vocal 1", "lead voice", "Singer", "vox main", "Vox Ana"),
    "backing vocal": ("BGV", "BGV 1", "BV2", "BVs", "BVox L", "Backing Vox", "Choir", "choir alt", "Harmony", "Bgvs"),
    "speech": ("Speech", "Spk", "Pulpit", "Lectern", "Lectern mic", "Headset", "HS Headset 2", "Lav", "Lapel", "Host", "Handheld 1", "Announce", "Reader", "MC"),
    "guitar": ("Gtr", "E.Gtr", "EGtr 2", "EG1", "El Gtr", "Guitar", "Electric", "Gtr A L", "Lead Gtr", "Rhythm Gtr"),
    "acoustic guitar": ("Ac Gtr", "AcGtr", "AGtr", "AG 2", "Acoustic", "Aco Gtr", "Nylon", "Ukulele", "Mandolin"),
    "bass": ("Bass", "Bass DI", "Bass Amp", "Bs", "BassMic", "Double Bass", "E-Bass", "bass synth"),
    "keys": ("Keys", "Keys L", "Pno", "Piano R", "Synth", "Syn 2", "Organ", "Org", "Pad", "Kbd", "Clav", "Strings", "Grand Pno"),
    "kick": ("Kick", "Kick In", "Kick Out", "Kik", "BD", "Bass Drum", "KD", "Kick Sub"),
    "snare": ("Snare", "Snare Top", "Sn Btm", "SN", "SD", "Snr", "Snr Bot", "Snare 2"),
    "toms": ("Tom 1", "Toms", "T1 Tom", "Rack Tom", "Floor Tom", "Flr Tom", "Floor"),
    "overheads": ("OH", "OH L", "OHL", "OHR", "Overhead R", "O/H", "HH", "Hi-Hat", "HiHat", "Hat", "Ride", "Cymbals"),
    "percussion": ("Perc", "Percussion", "Cajon", "Congas", "Bongos", "Shaker", "Djembe", "Tamb", "Timbales"),
    "playback": ("Playback", "PB L", "Tracks", "Trax", "Loops", "Laptop", "Video", "PC L", "Media", "Music", "BT"),
    "audience": ("Aud", "Audience L", "Amb", "Amb R", "Ambience", "Crowd", "Room Mic", "Room L", "Hall"),
    "click": ("Click", "CLK", "Metronome", "Click + Count"),
    "talkback": ("TB", "Talkback", "Talk Back", "Talk", "TB Drummer", "Shout"),
    "other": ("Spare", "Aux 7", "zzz", "", "channel 12", "Accordion", "Flute", "Trumpet", "Cello"),
}  # fmt: skip
ROLE_CASES: Final = [pytest.param(name, role, id=f"{role}: {name}") for role, names in ROLES.items() for name in names]


def test_the_table_is_long_enough_to_say_something() -> None:
    assert len(ROLE_CASES) >= 60


@pytest.mark.parametrize(("name", "role"), ROLE_CASES)
def test_role_of_a_usual_name(name: str, role: RoleName) -> None:
    assert guess_role(name) == role


@pytest.mark.parametrize(("name", "role"), [case for case in ROLE_CASES if case.values[1] != "other"])
def test_role_does_not_depend_on_spelling(name: str, role: RoleName) -> None:
    if name not in ("BassMic", "HiHat"):  # only capitals part these
        assert guess_role(name.upper()) == role
        assert guess_role(name.lower()) == role
    assert guess_role(name.replace(" ", "_")) == role
    assert guess_role(f" {name} ") == role


@pytest.mark.parametrize(
    "name",
    [
        "Bassoon",
        "Padre",
        "Ambassador",
        "Organza",
        "Padlock",
        "Hallway",
        "Snow",
        "Tombola",
        "Keyser",
        "Ridge",
        "Talkeetna",
    ],
)
def test_part_of_another_word_is_no_role(name: str) -> None:
    assert guess_role(name) == "other"


def sources_of(names: list[str]) -> dict[str, list[str | int]]:
    return {source.name: source.tracks for source in guess_house(names, name="x").source}


class TestPairs:
    @pytest.mark.parametrize(
        ("names", "sources"),
        [
            pytest.param(["gtr L", "gtr R"], {"gtr": ["gtr L", "gtr R"]}, id="neighbours"),
            pytest.param(
                ["Keys R", "kick", "Keys L"], {"Keys": ["Keys L", "Keys R"], "kick": ["kick"]}, id="apart-and-turned"
            ),
            pytest.param(["pno left", "PNO-Right"], {"pno": ["pno left", "PNO-Right"]}, id="words"),
            pytest.param(["OH (L)", "OH (R)"], {"OH": ["OH (L)", "OH (R)"]}, id="brackets"),
            pytest.param(["KeysL", "KeysR"], {"Keys": ["KeysL", "KeysR"]}, id="glued"),
            pytest.param(["OHL", "OHR"], {"OH": ["OHL", "OHR"]}, id="glued-capitals"),
            pytest.param(["gtr L"], {"gtr L": ["gtr L"]}, id="half-a-pair"),
            pytest.param(["SNR", "GTR"], {"SNR": ["SNR"], "GTR": ["GTR"]}, id="words-that-end-in-r"),
            pytest.param(["gtr 1 L", "gtr 2 R"], {"gtr 1 L": ["gtr 1 L"], "gtr 2 R": ["gtr 2 R"]}, id="two-halves"),
            pytest.param(
                ["gtr 1 L", "gtr 1 R", "gtr 2 L", "gtr 2 R"],
                {"gtr 1": ["gtr 1 L", "gtr 1 R"], "gtr 2": ["gtr 2 L", "gtr 2 R"]},
                id="two-pairs",
            ),
        ],
    )
    def test_pairs(self, names: list[str], sources: dict[str, list[str]]) -> None:
        assert sources_of(names) == sources

    def test_a_pair_and_a_track_of_the_same_name_stay_apart(self) -> None:
        found = sources_of(["vox", "vox L", "vox R"])
        assert found["vox"] == ["vox"]
        assert [tracks for name, tracks in found.items() if name != "vox"] == [["vox L", "vox R"]]

    def test_the_first_lead_vocal_is_whose_words_must_be_heard(self) -> None:
        vocal = guess_house(["kick", "bgv", "lead vox", "vox 2"], name="x").vocal
        assert vocal is not None
        assert vocal.source == "lead vox"
        assert guess_house(["kick"], name="x").vocal is None


def of_roles(*pairs: tuple[str, RoleName]) -> HouseFile:
    sources = [Source(name=name, role=role, tracks=[name]) for name, role in pairs]
    return HouseFile(house=House(name="x"), source=sources)


def test_microphones_of_one_instrument() -> None:
    house = of_roles(
        ("Kick in", "kick"), ("Kick Out", "kick"), ("Kick sub", "kick"), ("Snare top", "snare"), ("Snare btm", "snare"),
        ("Bass DI", "bass"), ("Bass", "bass"), ("Gtr 1", "guitar"), ("Gtr 2", "guitar"), ("Vox", "lead vocal"), ("Vox amp", "lead vocal"),
    )  # fmt: skip
    assert microphones_of_one(house) == [
        ("Kick in", "Kick Out"),
        ("Kick in", "Kick sub"),
        ("Snare top", "Snare btm"),
        ("Bass DI", "Bass"),
    ]


# what a file system lets a name hold, as the reader leaves it
FILE_NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs"], exclude_characters="/\0"), min_size=1, max_size=20
)
TRACK_NAMES = FILE_NAMES.map(clean_name).filter(lambda name: key(name) != "" and name != "")


class TestText:
    @unhurried
    @given(st.lists(TRACK_NAMES, min_size=1, max_size=6, unique_by=key), st.text(min_size=1, max_size=20))
    @example(['say "hi"', "back\\slash", "tab\there", "bell\x07", "line\nbreak", "del\x7f"], "Hall\nof fame")
    @example(["vox L", "vox R", "vox", "Vox (2)"], "Hall")
    def test_what_is_guessed_can_be_read_again(self, names: list[str], hall: str) -> None:
        guessed = guess_house(names, name=hall)
        text = house_text(guessed, heard={names[0]: "-20 dBFS while playing"})
        read = parse_house(text, PLACE)
        assert read.house.name == hall
        assert [(s.name, s.role, s.tracks) for s in read.source] == [(s.name, s.role, s.tracks) for s in guessed.source]
        assert read.vocal == guessed.vocal
        assert match_tracks(read, names).unmatched == ()

    def test_a_role_that_is_not_clear_is_marked(self) -> None:
        lines = house_text(guess_house(["kick", "zzz"], name="x"), heard={}).splitlines()
        assert [line for line in lines if "not clear from its name" in line] == [
            'role = "other"                  # not clear from its name: choose one'
        ]

    def test_what_was_heard_stands_beside_the_source(self) -> None:
        lines = house_text(
            guess_house(["kick", "vox"], name="x"), heard={"vox": "−21.5 dBFS while playing"}
        ).splitlines()
        assert "# heard: −21.5 dBFS while playing" in lines
        assert lines.index("# heard: −21.5 dBFS while playing") > lines.index('name = "vox"')

    def test_what_was_heard_cannot_leave_its_comment(self) -> None:
        """A duplicate's comment holds the other track's name, which comes from a file."""
        text = house_text(guess_house(["kick"], name="x"), heard={"kick": 'the same as "a\nrole = 1"'})
        assert parse_house(text, PLACE).source[0].role == "kick"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["new", *arguments])


@pytest.fixture
def folder(tmp_path: Path, rng: np.random.Generator) -> Path:
    for name in ("01 Kick", "02 Pno L", "03 Pno R", "04 Lead Vox", "05 Zither"):
        write_wave(tmp_path / f"{name}.wav", noise(rng, seconds=2.0))
    return tmp_path


class TestCommand:
    @pytest.mark.parametrize("options", [[], ["--names-only"]])
    def test_it_writes_a_house_that_fits_the_recording(self, folder: Path, options: list[str]) -> None:
        done = run(str(folder), "--name", "Tern Street Hall", *options)
        assert done.exit_code == 0, done.output
        text = (folder / "house.toml").read_text("utf-8")
        house = parse_house(text, folder / "house.toml")
        assert house.house.name == "Tern Street Hall"
        assert {source.name: source.role for source in house.source} == {
            "Kick": "kick",
            "Pno": "keys",
            "Lead Vox": "lead vocal",
            "Zither": "other",
        }
        assert house.vocal is not None
        assert "4 sources written to" in done.output
        assert "Roles not clear from the names: Zither" in done.output
        # white noise at an RMS of 0.1 reads 20 lg 0.1 + 3.01 = -17.0 dBFS
        assert ("# heard: −17 dBFS while playing" in text) is (options == [])
        assert CliRunner().invoke(main, ["check", str(folder), "--no-report"]).exit_code in (0, 1)

    def test_it_never_writes_over_a_house(self, folder: Path) -> None:
        (folder / "house.toml").write_text("mine")
        done = run(str(folder))
        assert done.exit_code == 2
        assert done.stderr.startswith("Error: ")
        assert "house.toml: is there already; name another place with --output, or move it away" in done.stderr
        assert done.stderr.count("\n") == 1
        assert (folder / "house.toml").read_text() == "mine"
        assert run(str(folder), "--output", str(folder / "other.toml"), "--names-only").exit_code == 0
        assert (folder / "other.toml").is_file()

    @pytest.mark.parametrize("options", [[], ["--names-only"]])
    def test_it_never_hides_the_house_file_above(
        self, tmp_path: Path, rng: np.random.Generator, options: list[str]
    ) -> None:
        """The venue's file lies above its recordings: one beside a recording would be read in its place."""
        above = tmp_path / "house.toml"
        above.write_text(house_text(guess_house(["Kick"], name="Tern Street Hall"), heard={}))
        show = tmp_path / "2026" / "2026-03-01"
        show.mkdir(parents=True)
        write_wave(show / "Kick.wav", noise(rng, seconds=2.0))
        for recording in (show, show / "Kick.wav"):
            done = run(str(recording), *options)
            assert done.exit_code == 2
            assert done.stdout == ""
            assert done.stderr == (
                f"Error: {above}: is the house file of this recording already; a house.toml in 2026-03-01 would hide it; "
                "add what is missing to it, or name another place with --output\n"
            )
        assert [path.name for path in show.iterdir()] == ["Kick.wav"]
        # a place that is named is meant
        assert run(str(show), "--output", str(show / "draft.toml"), "--names-only").exit_code == 0
        assert run(str(show), "--output", str(show / "house.toml"), "--names-only").exit_code == 0

    def test_beside_a_polyphonic_file(self, tmp_path: Path, rng: np.random.Generator) -> None:
        names = {1: "Kick", 2: "Lead Vox"}
        write_wave(tmp_path / "20260301.wav", noise(rng, seconds=2.0, channels=2), names=names)
        assert run(str(tmp_path / "20260301.wav"), "--names-only").exit_code == 0
        house = parse_house((tmp_path / "house.toml").read_text("utf-8"), tmp_path / "house.toml")
        assert [source.tracks for source in house.source] == [["Kick"], ["Lead Vox"]]

    @pytest.mark.parametrize("name", ['say "hi" \\o/', "Großer Saal", "two\nlines", "bell\x07"])
    def test_any_name_of_a_house(self, folder: Path, name: str) -> None:
        done = run(str(folder), "--name", name, "--names-only")
        assert done.exit_code == 0, done.output
        assert parse_house((folder / "house.toml").read_text("utf-8"), PLACE).house.name == name

    @pytest.mark.parametrize("output", ["no/such/folder/house.toml", "."])
    def test_a_place_that_cannot_be_written(self, folder: Path, output: str) -> None:
        before = sorted(folder.rglob("*"))
        done = run(str(folder), "--output", str(folder / output), "--names-only")
        assert done.exit_code == 2
        assert done.stderr.startswith("Error: ")
        assert done.stderr.count("\n") == 1
        assert sorted(folder.rglob("*")) == before


class TestLevelQuestions:
    """White noise at an RMS of 10^((L - 3.01) / 20) reads L dBFS (AES17: a full-scale sine reads 0)."""

    LENGTH_S = 5.0

    def recorded(self, folder: Path, rng: np.random.Generator, levels_dbfs: dict[str, float]) -> Path:
        folder.mkdir(exist_ok=True)
        for name, level_dbfs in levels_dbfs.items():
            sound = rng.standard_normal((1, int(self.LENGTH_S * 48_000)))
            write_wave(folder / f"{name}.wav", sound * 10 ** ((level_dbfs - 3.01) / 20))
        return folder

    def levels_of(self, folder: Path, house: Path) -> dict[str, tuple[str, str]]:
        target = folder / "result.json"
        done = CliRunner().invoke(
            main, ["check", str(folder), "--house", str(house), "--no-report", "--json", str(target)]
        )
        assert done.exit_code in (0, 1), done.output
        findings = [
            finding for source in json.loads(target.read_text("utf-8"))["sources"] for finding in source["findings"]
        ]
        return {
            finding["id"]: (finding["severity"], finding["text"])
            for finding in findings
            if finding["kind"] in ("level-low", "level-high")
        }

    def test_an_unedited_first_week_is_quiet_and_blesses_nothing(
        self, tmp_path: Path, rng: np.random.Generator
    ) -> None:
        first = self.recorded(tmp_path / "1", rng, {"Piano": -24.0, "Bass": -12.5, "Lead Vox": -18.0, "Kick": -30.0})
        done = run(str(first), "--output", str(tmp_path / "house.toml"))
        assert done.exit_code == 0, done.output
        assert "Piano comes in 6 dB low: is that meant?" in done.output
        assert "Bass comes in 6 dB high: is that meant?" in done.output or "5 dB high" in done.output
        # the house's nominal is not what came in; a drum has none, and the voice is where it should be
        house = parse_house((tmp_path / "house.toml").read_text("utf-8"), tmp_path / "house.toml")
        assert house.house.nominal_dbfs == -18.0
        assert {source.name for source in house.source if source.nominal_dbfs is not None} == set()
        asked = {source.name for source in house.source if source.asked_level_dbfs is not None}
        assert asked == {"Piano", "Bass"}
        levels = self.levels_of(first, tmp_path / "house.toml")
        assert {name: severity for name, (severity, _) in levels.items()} == {
            "Piano/level-low": "note",
            "Bass/level-high": "note",
        }
        assert "comes in 6 dB low, as when the house file was written; is that meant?" in levels["Piano/level-low"][1]
        # another week it comes in lower still: that was never asked
        second = self.recorded(tmp_path / "2", rng, {"Piano": -29.0, "Bass": -12.5, "Lead Vox": -18.0, "Kick": -30.0})
        assert self.levels_of(second, tmp_path / "house.toml")["Piano/level-low"][0] == "fix"

    def test_an_answer_ends_the_question(self, tmp_path: Path, rng: np.random.Generator) -> None:
        first = self.recorded(tmp_path / "1", rng, {"Piano": -24.0, "Lead Vox": -18.0})
        house = tmp_path / "house.toml"
        assert run(str(first), "--output", str(house)).exit_code == 0
        text = house.read_text("utf-8")
        [line] = [line for line in text.splitlines() if line.startswith("asked_level")]
        house.write_text(text.replace(line, ""), "utf-8")  # not meant
        assert self.levels_of(first, house)["Piano/level-low"][0] == "fix"
        house.write_text(text.replace(line, 'nominal = "-24 dBFS"'), "utf-8")  # meant
        assert self.levels_of(first, house) == {}

    def test_faders_of_a_recorded_mix(self, tmp_path: Path, rng: np.random.Generator) -> None:
        """Bands of noise that come and go by themselves, summed with faders of 0, -6 and -12 dB: numpy's sum, not ours."""
        length, rate_hz = 30 * 48_000, 48_000
        planted_db = {"Bass": 0.0, "Piano": -6.0, "Lead Vox": -12.0}
        edges_hz = {"Bass": (50, 250), "Piano": (300, 1500), "Lead Vox": (1200, 6000)}
        spectrum_hz = np.fft.rfftfreq(length, 1 / rate_hz)
        mix = np.zeros(length)
        for name, (low_hz, high_hz) in edges_hz.items():
            spectrum = np.fft.rfft(rng.standard_normal(length))
            sound = np.fft.irfft(np.where((spectrum_hz > low_hz) & (spectrum_hz < high_hz), spectrum, 0.0), length)
            sound *= np.repeat(rng.uniform(0.2, 1.0, 30), rate_hz)
            sound *= 0.09 / np.sqrt(np.mean(sound**2))
            write_wave(tmp_path / f"{name}.wav", sound[None])
            mix += 10 ** (planted_db[name] / 20) * sound * np.sqrt(0.5)
        for side in "LR":
            write_wave(tmp_path / f"Main {side}.wav", mix[None])
        assert run(str(tmp_path)).exit_code == 0
        house = parse_house((tmp_path / "house.toml").read_text("utf-8"), PLACE)
        assert house.desk.mix == ["Main L", "Main R"]
        faders_db = {source.name: source.fader_db for source in house.source}
        # told against their median, which is 0 dB
        assert faders_db == {"Bass": 6.0, "Piano": 0.0, "Lead Vox": -6.0}
        assert CliRunner().invoke(main, ["check", str(tmp_path), "--no-report"]).exit_code in (0, 1)

    def test_the_desks_channel_from_the_files_names(self, tmp_path: Path, rng: np.random.Generator) -> None:
        self.recorded(
            tmp_path / "1",
            rng,
            {"01 Kick": -18.0, "07-08 Pno L": -18.0, "Track 12": -18.0, "20 OH izq": -18.0, "21 OH der": -18.0},
        )
        assert run(str(tmp_path / "1"), "--names-only").exit_code == 0
        house = parse_house((tmp_path / "1" / "house.toml").read_text("utf-8"), PLACE)
        assert {source.name: source.channel for source in house.source} == {
            "Kick": "1",
            "Pno L": "7/8",
            "channel 5": "12",
            "OH": "20/21",
        }
