"""What `deskhand render` writes: matched pairs by an independent meter, differences, stages, formats, names, and what it refuses.

Shows are six seconds of arithmetic: a voice, a pair, a loud bass, a silent track.
"""

from __future__ import annotations

import functools
import io
import json
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyebur128
import pytest
import soundfile
from click.testing import CliRunner, Result

from deskhand.chain.run import run
from deskhand.cli import main
from deskhand.errors import UsageError
from deskhand.tasks.render import RenderedFile, RenderOptions, file_name, files, render
from tests.support.chain import made, true_peak_db
from tests.support.signals import amplitude, harmonics, sine, speech_like, white

RATE_HZ: Final = 48000
LENGTH_S: Final = 6.0
CHAINS: Final[dict[str, list[dict[str, Any]]]] = {
    "voice": [
        {"block": "high-pass", "frequency": "100 Hz"},
        {"block": "trim", "gain": "9 dB"},
        {"block": "compressor", "threshold": "-24 dBFS", "ratio": 4},
    ],
    "keys": [
        {"block": "limiter", "ceiling": "-20 dBFS"},
        {"block": "bell", "frequency": "1 kHz", "gain": "-4 dB", "q": 1},
    ],
    "bass": [{"block": "saturation", "drive": "6 dB"}, {"block": "pan", "position": -40}],
    "spare": [{"block": "trim", "gain": "3 dB"}],
}
ROLES: Final = {"voice": "lead vocal", "keys": "keys", "bass": "bass", "spare": "other"}
TRACKS: Final = {"voice": ("vox",), "keys": ("keys L", "keys R"), "bass": ("bass",), "spare": ("spare",)}
FADERS: Final = {"voice": "-3 dB", "keys": "-9 dB", "bass": "-6 dB"}


def house_toml(
    names: dict[str, str] | None = None, *, chains: dict[str, list[dict[str, Any]]] = CHAINS, faders: bool = True
) -> str:
    """JSON's strings, numbers and lists are TOML's too."""
    lines = ["[house]", 'name = "Tern Street Hall"']
    for source, tracks in TRACKS.items():
        name = (names or {}).get(source, source)
        lines += ["[[source]]", f"name = {json.dumps(name, ensure_ascii=False)}", f"role = {json.dumps(ROLES[source])}"]
        lines.append(f"tracks = {json.dumps(list(tracks))}")
        if faders and source in FADERS:
            lines.append(f"fader = {json.dumps(FADERS[source])}")
        for block in chains.get(source, []):
            lines += ["[[source.chain]]", *(f"{key} = {json.dumps(value)}" for key, value in block.items())]
    return "\n".join(lines) + "\n"


@functools.cache
def sounds() -> dict[str, np.ndarray]:
    """Tracks by name; not to be written into."""
    rng = np.random.default_rng(20260301)
    pair = white(rng, LENGTH_S, -24.0) + np.zeros((2, 1))
    pair[1] = 0.7 * np.roll(pair[0], 30) + white(rng, LENGTH_S, -34.0)
    return {
        "vox": speech_like(rng, LENGTH_S, -26.0),
        "keys L": pair[0],
        "keys R": pair[1],
        "bass": harmonics(55.0, LENGTH_S, peak_dbfs=-0.5, top_hz=2000.0),
        "spare": np.zeros(round(LENGTH_S * RATE_HZ)),
    }


def write_show(folder: Path, text: str | None = None, *, subtype: str = "PCM_24") -> Path:
    folder.mkdir(parents=True)
    for place, (name, sound) in enumerate(sounds().items(), 1):
        soundfile.write(folder / f"{place:02d} {name}.wav", sound, RATE_HZ, subtype)
    if text is not None:
        (folder / "house.toml").write_text(text, "utf-8")
    return folder


@pytest.fixture(scope="module")
def show(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Do not write into it."""
    return write_show(tmp_path_factory.mktemp("shows") / "show", house_toml())


@pytest.fixture(scope="module")
def made_files(show: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[RenderedFile]]:
    """All that is written of the show, with every stage."""
    folder = tmp_path_factory.mktemp("audio")
    return folder, render(show, folder, RenderOptions(stages=True))


def read(path: Path) -> np.ndarray:
    """(channels, frames)."""
    samples, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == RATE_HZ
    return np.ascontiguousarray(samples.T)


def raw(folder: Path) -> Path:
    """Where files at their own level lie."""
    return folder / "raw"


def loudness_lufs(sound: np.ndarray) -> float:
    """By libebur128."""
    meter = pyebur128.R128State(sound.shape[0], RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    if sound.shape[0] == 1:
        # a file of one channel counts as one channel (ITU-R BS.1770-5)
        meter.set_channel(0, pyebur128.ChannelType.LEFT)
    meter.add_frames(np.ascontiguousarray(sound.T).reshape(-1), sound.shape[1])
    return float(pyebur128.get_loudness_global(meter))


@functools.cache
def recorded(source: str) -> np.ndarray:
    """As the recording has it: rounded to 24 bits by soundfile."""
    found = sounds()
    file = io.BytesIO()
    soundfile.write(file, np.stack([found[track] for track in TRACKS[source]], axis=1), RATE_HZ, "PCM_24", format="WAV")
    file.seek(0)
    return np.ascontiguousarray(soundfile.read(file, always_2d=True)[0].T)


def blocks_of(source: str) -> list[Any]:
    return [
        made(**{("kind" if key == "block" else key): value for key, value in keys.items()}) for keys in CHAINS[source]
    ]


# before, after, stages


def test_everything_that_is_promised_is_there(made_files: tuple[Path, list[RenderedFile]]) -> None:
    folder, written = made_files
    names = {path.name for path in (*folder.glob("*.wav"), *raw(folder).iterdir())}
    assert names == {one.path.name for one in written}
    for source in ("voice", "keys", "bass"):
        assert {f"{source} {what}.wav" for what in ("before", "after", "before matched", "after matched")} <= names
    assert {"voice difference.wav", "keys difference.wav", "mix.wav", "mix mono.wav"} <= names
    # one channel in, two out: there is no difference to hear
    assert "bass difference.wav" not in names
    assert {"voice 1 high-pass.wav", "voice 2 trim.wav", "voice 3 compressor.wav", "bass 2 pan.wav"} <= names
    # a silent track has nothing to match
    assert {"spare before.wav", "spare after.wav"} <= names
    assert "spare before matched.wav" not in names


@pytest.mark.parametrize("source", CHAINS)
def test_before_is_the_recording_and_after_is_the_chain(
    source: str, made_files: tuple[Path, list[RenderedFile]]
) -> None:
    folder, _ = made_files
    before, after = (read(raw(folder) / f"{source} {what}.wav") for what in ("before", "after"))
    assert np.array_equal(before, recorded(source))
    wanted = run(recorded(source), blocks_of(source), sample_rate_hz=RATE_HZ)
    assert after.shape == wanted.shape
    # 24 bits
    assert np.abs(after - wanted).max() < 2.0**-23 + 1e-7


@pytest.mark.parametrize("source", ["voice", "keys", "bass"])
def test_stages_lead_from_before_to_after(source: str, made_files: tuple[Path, list[RenderedFile]]) -> None:
    folder, _ = made_files
    blocks = blocks_of(source)
    for place, block in enumerate(blocks, 1):
        stage = read(raw(folder) / f"{source} {place} {block.block}.wav")
        wanted = run(recorded(source), blocks[:place], sample_rate_hz=RATE_HZ)
        assert np.abs(stage - wanted).max() < 2.0**-23 + 1e-7
    assert np.array_equal(stage, read(raw(folder) / f"{source} after.wav"))


def test_stages_change_nothing_of_the_rest(
    show: Path, made_files: tuple[Path, list[RenderedFile]], tmp_path: Path
) -> None:
    folder, _ = made_files
    for one in render(show, tmp_path, RenderOptions()):
        assert np.abs(read(one.path) - read(folder / one.path.relative_to(tmp_path))).max() <= 2.0**-23


# matched pairs


@pytest.mark.source("ITU-R BS.1770-5, by libebur128; true peak by scipy.signal.resample_poly")
@pytest.mark.parametrize("source", ["voice", "keys", "bass"])
def test_matched_pairs_are_as_loud(source: str, made_files: tuple[Path, list[RenderedFile]]) -> None:
    folder, written = made_files
    pair = [read(folder / f"{source} {what} matched.wav") for what in ("before", "after")]
    plain = [read(raw(folder) / f"{source} {what}.wav") for what in ("before", "after")]
    loud_lufs = [loudness_lufs(sound) for sound in pair]
    assert abs(loud_lufs[0] - loud_lufs[1]) < 0.05
    # the chain changed the loudness: if this fails, there was nothing to match
    assert abs(loudness_lufs(plain[0]) - loudness_lufs(plain[1])) > 0.5
    gains_db = {one.path.name: one.gain_db for one in written}
    for what, matched, unmatched in zip(("before", "after"), pair, plain, strict=True):
        assert true_peak_db(matched) <= -1.0 + 0.05
        gain_db = gains_db[f"{source} {what} matched.wav"]
        assert gain_db <= 0.0
        assert np.abs(matched - amplitude(gain_db) * unmatched).max() < 2.0**-22
    # no further down than needed: one side is as it was, or touches the ceiling
    touches = max(true_peak_db(sound) for sound in pair) > -1.1
    assert touches or max(gains_db[f"{source} {what} matched.wav"] for what in ("before", "after")) == 0.0


@pytest.mark.source("definition: after minus before, at one loudness")
@pytest.mark.parametrize("source", ["voice", "keys"])
def test_difference(source: str, made_files: tuple[Path, list[RenderedFile]]) -> None:
    folder, _ = made_files
    before, after, difference = (
        read(folder / f"{source} {what}.wav") for what in ("before matched", "after matched", "difference")
    )
    assert np.abs(difference - (after - before)).max() < 2.0**-21
    assert np.abs(difference).max() > 1e-3


def test_a_chain_that_does_nothing_differs_by_nothing(tmp_path: Path) -> None:
    chains = {"keys": [{"block": "trim", "gain": "-7 dB"}]}
    written = render(
        write_show(tmp_path / "show", house_toml(chains=chains)), tmp_path / "out", RenderOptions(mix=False)
    )
    assert np.abs(read(tmp_path / "out" / "keys difference.wav")).max() < 2.0**-22
    gains_db = {one.path.name: one.gain_db for one in written}
    assert gains_db["keys before matched.wav"] == pytest.approx(-7.0, abs=0.02)
    assert gains_db["keys after matched.wav"] == pytest.approx(0.0, abs=0.02)


# the mix


@pytest.mark.source("definition: a mix is a sum of gains; one channel in the centre at -3.01 dB")
def test_the_mix(made_files: tuple[Path, list[RenderedFile]]) -> None:
    folder, _ = made_files
    outs = {name: run(recorded(name), blocks_of(name), sample_rate_hz=RATE_HZ) for name in FADERS}
    wanted = (
        np.sqrt(0.5) * amplitude(-3.0) * outs["voice"] + amplitude(-9.0) * outs["keys"] + amplitude(-6.0) * outs["bass"]
    )
    mix = read(raw(folder) / "mix.wav")
    assert np.abs(mix - wanted).max() < 2.0**-22 + 1e-6
    assert np.abs(read(raw(folder) / "mix mono.wav")[0] - wanted.mean(axis=0)).max() < 2.0**-22 + 1e-6


def test_no_mix_without_faders_or_when_not_wanted(show: Path, tmp_path: Path) -> None:
    assert not [one for one in render(show, tmp_path / "a", RenderOptions(mix=False)) if "mix" in one.path.name]
    without = write_show(tmp_path / "show", house_toml(faders=False))
    assert not [one for one in render(without, tmp_path / "b", RenderOptions()) if "mix" in one.path.name]


# formats and metadata


def test_24_bit_and_what_is_written_into_the_file(made_files: tuple[Path, list[RenderedFile]]) -> None:
    folder, written = made_files
    for one in written:
        with soundfile.SoundFile(one.path) as file:
            assert file.samplerate == RATE_HZ
            assert file.frames == round(LENGTH_S * RATE_HZ)
            assert file.subtype == ("FLOAT" if one.note else "PCM_24")
            assert file.title == one.path.stem
            assert file.software.startswith("deskhand ")
            assert "show" in file.comment
    with soundfile.SoundFile(raw(folder) / "voice after.wav") as file:
        assert "high-pass, trim, compressor" in file.comment
    with soundfile.SoundFile(folder / "keys after matched.wav") as file:
        assert "BS.1770" in file.comment
    assert (raw(folder) / "mix.wav").stat().st_mode & 0o777 == 0o644


def test_float_files(show: Path, tmp_path: Path) -> None:
    for one in render(show, tmp_path, RenderOptions(float_files=True, sources=("voice",))):
        with soundfile.SoundFile(one.path) as file:
            assert file.subtype == "FLOAT"
    wanted = run(recorded("voice"), blocks_of("voice"), sample_rate_hz=RATE_HZ)
    assert np.array_equal(read(raw(tmp_path) / "voice after.wav"), wanted.astype(np.float32))


def test_what_passes_full_scale_is_written_as_float(tmp_path: Path) -> None:
    chains = {"bass": [{"block": "trim", "gain": "6 dB"}]}
    written = render(
        write_show(tmp_path / "show", house_toml(chains=chains)), tmp_path / "out", RenderOptions(mix=False)
    )
    notes = {one.path.name: one.note for one in written}
    assert "float" in notes["bass after.wav"]
    assert notes["bass before.wav"] == notes["bass after matched.wav"] == ""
    after = read(raw(tmp_path / "out") / "bass after.wav")
    assert np.abs(after).max() == pytest.approx(amplitude(6.0) * np.abs(recorded("bass")).max(), rel=1e-6)
    assert true_peak_db(read(tmp_path / "out" / "bass after matched.wav")) <= -1.0 + 0.05


@pytest.mark.source("ITU-R BS.1770-5 Annex 2: true peak by oversampling, here by scipy.signal.resample_poly")
def test_a_true_peak_at_the_very_end(tmp_path: Path) -> None:
    """A loud sound that is cut off: what lies between its last samples counts too."""
    show = write_show(tmp_path / "show", house_toml(chains={"voice": [{"block": "trim", "gain": "1 dB"}]}))
    tone = 0.05 * sine(997.0, LENGTH_S)
    # two samples on either side of a top that is 3 dB higher, as at a quarter of the rate
    tone[-10:] = 0.7 * np.array([0, 0, 0, 0, -1, -1, 1, 1, -1, -1])
    soundfile.write(show / "01 vox.wav", tone, RATE_HZ, "PCM_24")
    render(show, tmp_path / "out", RenderOptions(mix=False))
    for what in ("before", "after"):
        sound = read(tmp_path / "out" / f"voice {what} matched.wav")
        assert np.abs(sound).max() > 0.5
        assert true_peak_db(np.pad(sound, ((0, 0), (0, 64)))) <= -1.0 + 0.1


# which sources, which stretch, which tap


def test_only_the_sources_asked_for(show: Path, tmp_path: Path) -> None:
    written = render(show, tmp_path, RenderOptions(sources=("Keys",)))
    assert {one.path.name.split()[0] for one in written} == {"keys"}


def test_a_stretch(show: Path, tmp_path: Path) -> None:
    render(show, tmp_path, RenderOptions(sources=("keys",)), start_s=1.5, end_s=3.25)
    stretch = recorded("keys")[:, round(1.5 * RATE_HZ) : round(3.25 * RATE_HZ)]
    assert np.array_equal(read(raw(tmp_path) / "keys before.wav"), stretch)
    wanted = run(stretch, blocks_of("keys"), sample_rate_hz=RATE_HZ)
    assert np.abs(read(raw(tmp_path) / "keys after.wav") - wanted).max() < 2.0**-22


@pytest.mark.parametrize(("tap", "left"), [("after-gain", [2]), ("after-chain", [])])
def test_taps(tap: Any, left: list[int], show: Path, tmp_path: Path) -> None:
    render(show, tmp_path, RenderOptions(sources=("voice",)), tap=tap)
    wanted = run(recorded("voice"), [blocks_of("voice")[place] for place in left], sample_rate_hz=RATE_HZ)
    assert np.abs(read(raw(tmp_path) / "voice after.wav") - wanted).max() < 2.0**-22


# names


@pytest.mark.parametrize("name", ["Ana / voice: «é» 主", 'a"b<c>|?*', "..\\up", "tab\there", ". dots ."])
def test_odd_names(name: str, tmp_path: Path) -> None:
    show = write_show(tmp_path / "show", house_toml({"voice": name}))
    written = render(show, tmp_path / "out", RenderOptions(sources=(name,)))
    assert len(written) == 5
    for one in written:
        assert one.path.parent in (tmp_path / "out", raw(tmp_path / "out"))
        assert one.path.is_file()
        assert not set(one.path.name) & set('\\/:*?"<>|\t')
        with soundfile.SoundFile(one.path) as file:
            assert file.title == one.path.stem
    assert not [path for path in (tmp_path / "out").rglob("*") if path.name.startswith(".")]


def test_file_names_differ_where_names_do() -> None:
    assert file_name("a/b", "before") == "a-b before.wav"
    assert file_name(" . ", "after") == "after.wav"


def test_names_that_become_the_same(tmp_path: Path) -> None:
    show = write_show(tmp_path / "show", house_toml({"voice": "?", "bass": "*"}))
    written = render(show, tmp_path / "out", RenderOptions(mix=False))
    paths = [one.path for one in written]
    assert len(set(paths)) == len(paths)


# what is refused, and what is left behind


def typed(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["render", *map(str, words)])


def one_line(result: Result) -> str:
    assert result.exit_code == 2, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    [line] = result.stderr.strip().splitlines()
    assert line.startswith("Error: ")
    return line


def test_an_unknown_source(show: Path, tmp_path: Path) -> None:
    line = one_line(typed(show, "--into", tmp_path / "out", "--source", "voise"))
    assert 'did you mean "voice"?' in line
    assert not (tmp_path / "out").exists()


def test_no_house_file(tmp_path: Path) -> None:
    show = write_show(tmp_path / "show")
    assert "house" in one_line(typed(show, "--into", tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_nothing_to_render(tmp_path: Path) -> None:
    show = write_show(tmp_path / "show", house_toml(chains={}, faders=False))
    one_line(typed(show, "--into", tmp_path / "out"))


def test_a_file_in_the_place_of_the_folder(show: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    assert "out" in one_line(typed(show, "--into", tmp_path / "out"))
    assert (tmp_path / "out").read_text() == "mine"


def test_a_bad_chain_is_one_line(tmp_path: Path) -> None:
    chains = {"voice": [{"block": "mid-side", "side": "3 dB"}]}
    line = one_line(typed(write_show(tmp_path / "show", house_toml(chains=chains)), "--into", tmp_path / "out"))
    assert "one channel" in line


def test_a_bad_chain_names_its_source(tmp_path: Path) -> None:
    chains = {"voice": [{"block": "mid-side", "side": "3 dB"}]}
    assert "voice" in one_line(
        typed(write_show(tmp_path / "show", house_toml(chains=chains)), "--into", tmp_path / "out")
    )


def test_the_command_says_what_it_wrote(show: Path, tmp_path: Path) -> None:
    result = typed(show, "--into", tmp_path / "out", "--no-mix")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert any(line.startswith("voice after matched.wav, turned down") for line in lines)
    assert str(Path("raw") / "voice before.wav") in lines
    assert f"{len(list((tmp_path / 'out').rglob('*.wav')))} files" in lines[-1]
    assert "not matched" in lines[-1]


@pytest.mark.source("ITU-R BS.1770-5, by libebur128")
def test_side_by_side_is_at_one_loudness(show: Path, tmp_path: Path) -> None:
    """Whoever opens the folder and plays one file after the other gets no jump."""
    render(show, tmp_path, RenderOptions(stages=True))
    beside = {path.name for path in tmp_path.glob("*.wav")}
    for source in ("voice", "keys", "bass"):
        own = [name for name in beside if name.startswith(source) and "difference" not in name]
        loud_lufs = [loudness_lufs(read(tmp_path / name)) for name in own]
        assert max(loud_lufs) - min(loud_lufs) < 0.05, own
    assert all(name.endswith((" matched.wav", " difference.wav")) for name in beside)


@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError(28, "No space left on device")], ids=["stopped", "full"])
def test_an_interrupted_write_leaves_no_half_file(
    error: Any, show: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw(tmp_path).mkdir()
    (raw(tmp_path) / "voice after.wav").write_bytes(b"of last week")
    calls = iter(range(1000))
    total = files.summed

    def stops(*given: Any) -> np.ndarray:
        # in the middle of the second file
        if next(calls) == 8:
            raise error
        return total(*given)

    monkeypatch.setattr(files, "summed", stops)
    with pytest.raises((KeyboardInterrupt, UsageError)):
        render(show, tmp_path, RenderOptions(sources=("voice",)))
    assert [path.name for path in tmp_path.iterdir()] == ["raw"]
    assert sorted(path.name for path in raw(tmp_path).iterdir()) == ["voice after.wav", "voice before.wav"]
    assert (raw(tmp_path) / "voice after.wav").read_bytes() == b"of last week"
    assert read(raw(tmp_path) / "voice before.wav").shape == (1, round(LENGTH_S * RATE_HZ))


LIMITED: Final = textwrap.dedent(
    """\
    import resource, signal, sys
    # as on a full disk, no file may grow past this: the system then says so in place of ending the process
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limit = getattr(resource, sys.argv[1])
    resource.setrlimit(limit, (int(sys.argv[2]), int(sys.argv[2])))
    sys.argv = ["deskhand", *sys.argv[3:]]
    from deskhand.cli import main
    main()
    """
)


@pytest.mark.skipif(sys.platform == "win32", reason="limits the size of files with setrlimit")
def test_a_full_disk_is_said(show: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, "RLIMIT_FSIZE", "300000", "render", str(show), "--into", str(tmp_path / "out")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert not [path for path in (tmp_path / "out").rglob("*") if path.is_file()]


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder that takes no files")
def test_a_folder_that_takes_no_files(show: Path) -> None:
    assert "cannot be written" in one_line(typed(show, "--into", "/proc/self"))


def test_it_reads_this_week_s_file_and_says_so(tmp_path):
    """As a check of the same show does; a house file that is named goes before."""
    place = write_show(tmp_path / "show", house_toml())
    week_chains = CHAINS | {"spare": [], "voice": [{"block": "trim", "gain": "-6 dB"}], "keys": [], "bass": []}
    (place / "week-2026-03-01.toml").write_text(house_toml(chains=week_chains), "utf-8")
    (place / "show.toml").write_text("date = 2026-03-01\n", "utf-8")

    def rendered(name: str, *arguments: str) -> tuple[str, float]:
        into = tmp_path / name
        command = ["render", str(place), "--into", str(into), "--source", "voice", "--no-mix", *arguments]
        done = CliRunner().invoke(main, command)
        assert done.exit_code == 0, done.output
        before, after = (read(path) for path in sorted(raw(into).glob("voice*"), key=lambda path: "after" in path.name))
        return done.output, float(20.0 * np.log10(np.std(after) / np.std(before)))

    output, change_db = rendered("week")
    assert "this week's settings, week-2026-03-01.toml" in output
    assert change_db == pytest.approx(-6.0, abs=0.01)
    output, change_db = rendered("standing", "--house", str(place / "house.toml"))
    assert "week-" not in output
    assert abs(change_db + 6.0) > 1.0
