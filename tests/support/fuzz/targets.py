"""All targets: files of audio, of text and of the history; signals; the page; and the commands that read them together."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
from contextlib import closing, suppress
from typing import TYPE_CHECKING, Final, get_args

import numpy as np
import soundfile

from deskhand import units
from deskhand.errors import HouseError
from deskhand.house import parse_house, read_house
from deskhand.house.name_roles import guess_roles
from deskhand.recording import names
from deskhand.recording.show import read_show_note
from tests.support.fuzz import audio, live, signals, web
from tests.support.fuzz.mutate import damaged_bytes, damaged_text, edited, json_bytes, json_edits
from tests.support.fuzz.target import Session, Target

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from random import Random

HOUSE: Final = """\
# what stands at Tern Street
[house]
name = "Tern Street Hall"
was = ["The Tern"]
nominal = "-18 dBFS"
mains = "50 Hz"
tap = "preamp"
level_fix = "4 dB"

[desk]
gain_step = "0.5 dB"
equaliser = { bells = 4, gain_step = "0.5 dB", gain_max = "15 dB", frequency_step = "1/12 octave" }
mix_target = "EBU R 128"

[room]
level = "88 dBA"
mix_loudness = "-23 LUFS"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno l", "pno r"]
channel = "9/10"
nominal = "-20 dBFS"
fader = "-6 dB"
effects = ["hall"]
chain = [
  { block = "trim", gain = "3 dB" },
  { block = "delay", time = "0.4 ms", on = "left" },
  { block = "high-pass", frequency = "50 Hz", slope = "18 dB/oct" },
  { block = "bell", frequency = "400 Hz", gain = "-1.5 dB", q = 1.2 },
  { block = "high-shelf", frequency = "6 kHz", gain = "2 dB" },
  { block = "compressor", threshold = "-24 dBFS", ratio = "rising", release = "two-stage", detector = "mid-side" },
  { block = "mid-side", side = "-2 dB" },
]
[[source.send]]
mix = "wedge 2"
level = "-9 dB"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
phantom = true
fader = "0 dB"
[[source.chain]]
block = "gate"
threshold = "-50 dBFS"
range = "-20 dB"
attack = "2 ms"
hold = "50 ms"
[[source.chain]]
block = "compressor"
threshold = "-24 dBFS"
ratio = 3.0
attack = "10 ms"
high_pass = "100 Hz"
makeup = "3 dB"
reduction = "1 to 4 dB"
[[source.chain]]
block = "dynamic-bell"
frequency = "3 kHz"
threshold = "-40 dBFS"
gain = "-3 dB"
[[source.chain]]
block = "saturation"
drive = "6 dB"
[[source.chain]]
block = "curve"
file = "voice.csv"
[[source.chain]]
block = "limiter"

[vocal]
source = "lead voice"
clearance = "40 %"
"""
NOTE: Final = """\
name = "Open night"
date = 2026-03-01
phase = "rehearsal"
tap = "preamp"
[players]
piano = "Ana"
[taps]
piano = "after-gain"
[songs]
"Low tide" = "0:00"
"The ferry" = ["1:30", "5:00"]
"""
CURVE: Final = "# the voice's microphone\n20, -3\n100, 0\n1000, 1.5\n10000, -2.5\n20000, -6\n"
LABELS: Final = """\
01 kick in\n02 snare top\n03 hat\ngtr a l\ngtr a r\nlead voice\nbv 1\npno l\npno r\nsax.2\nCh 07\nTrack 12_L\n2026-03-01 rehearsal
Ana's mic\nvoix lead\nGesang 1\nkeys (DI)\nclick\ntalkback\nmix L\nmix R\naudience\n12-vox-part2\nshow-2026-03-01 (2)\nrec_001\n"""

VALUES: Final = """\
-18 dBFS\n3 dB\n-1.5 dB\n0.5 dB\n48 kHz\n400 Hz\n1/12 octave\n18 dB/oct\n10 ms\n1.5 s\n12 samples\n74 dBA\n-23 LUFS\n50 %\n1 to 4 dB\n1:30\n0:01:02.5
90\n2 m\n"""
"""Values as the house file has them."""
KINDS: Final = get_args(units.Kind)


class TextSession:
    """Cases are text, from seeds with something changed."""

    def __init__(self, seeds: list[str], take: Callable[[bytes], None]) -> None:
        self._seeds = [seed.encode() for seed in seeds]
        self._take = take

    def draw(self, random: Random) -> bytes:
        """A seed with something changed."""
        return damaged_text(random, self._seeds)

    def take(self, case: bytes) -> None:
        """Hand it on."""
        self._take(case)


class AudioSession:
    """Cases are audio files, their suffix in the first line."""

    def __init__(self, folder: Path, by_programs: bool) -> None:
        self._folder = folder
        self._seeds = audio.seeds(folder, by_programs=by_programs)
        self._bytes = [data for _, data in self._seeds]

    def draw(self, random: Random) -> bytes:
        """A short file of some container and coding, damaged."""
        suffix, data = random.choice(self._seeds)
        # pieces of other files come in now and then
        pool = [data, data, random.choice(self._bytes)] if random.random() < 0.2 else [data]
        return suffix.encode() + b"\n" + damaged_bytes(random, pool)

    def take(self, case: bytes) -> None:
        """Read it and set it against other readers."""
        suffix, _, data = case.partition(b"\n")
        path = self._folder / f"take{suffix.decode()}"
        path.write_bytes(data)
        audio.judge(path)


def _house(folder: Path, _: bool) -> Session:
    from deskhand.house import with_source, written_source

    def take(case: bytes) -> None:
        path = folder / "house.toml"
        path.write_bytes(case)
        house = read_house(path)
        source = house.source[0].name if house.source else None
        if source is None:
            return
        # what is read can be written back, and reads the same
        text = case.decode("utf-8-sig")
        written = written_source(text, source)
        chain = written.pop("chain", [])
        keys = {name: written[name] for name in ("fader",) if name in written}
        if parse_house(with_source(text, source, chain=chain, keys=keys), path) != house:
            raise audio.Wrong("a source that is written as it was is another one")

    return TextSession([HOUSE], take)


def _show(folder: Path, _: bool) -> Session:
    def take(case: bytes) -> None:
        (folder / "show.toml").write_bytes(case)
        read_show_note(folder)

    return TextSession([NOTE], take)


def _curve(folder: Path, _: bool) -> Session:
    from deskhand.chain.blocks.filter import curve_taps
    from deskhand.house.chain_blocks import CurveBlock

    blocks = [CurveBlock(block="curve", file="voice.csv", phase=phase) for phase in ("minimum", "linear")]

    def take(case: bytes) -> None:
        (folder / "voice.csv").write_bytes(case)
        for block in blocks[: 1 + len(case) % 2]:
            taps, _ = curve_taps(block, 48000, folder)
            if not np.isfinite(taps).all():
                raise audio.Wrong("a filter of values that are no numbers")

    return TextSession([CURVE, "\ufeff50,0\n200,6\n", "frequency,dB\n100;1\n", "1e3,1\r\n2e3,-1\r\n"], take)


def _names(_: Path, __: bool) -> Session:
    def take(case: bytes) -> None:
        labels = case.decode("utf-8", "surrogateescape").splitlines()
        for label in labels:
            names.clean_name(label)
            names.date_in(label)
            names.key(label)
            names.leading_number(label)
            names.part_of(label)
            names.numbered(label)
            names.without_date(label)
        names.nearest(labels[0] if labels else "", labels)

    return TextSession(LABELS.splitlines(), take)


def _roles(_: Path, __: bool) -> Session:
    def take(case: bytes) -> None:
        labels = case.decode("utf-8", "surrogateescape").splitlines()
        guesses = guess_roles(labels)
        if len(guesses) != len(labels):
            raise audio.Wrong(f"{len(guesses)} roles for {len(labels)} names")

    lines = LABELS.splitlines()
    return TextSession(["\n".join(lines[first : first + 3]) for first in range(0, len(lines), 3)], take)


def _values(_: Path, __: bool) -> Session:
    """Values with their units: a finite number, or a ValueError that the house file's reader makes a line of."""

    def take(case: bytes) -> None:
        text = case.decode("utf-8", "surrogateescape")
        read = 0
        for kind in KINDS:
            try:
                value = units.parse(text, kind)
            except ValueError as error:
                if len(str(error).splitlines()) != 1:
                    raise audio.Wrong(f"refused, but not in one line: {error}") from error
                continue
            if not math.isfinite(value):
                raise audio.Wrong(f"{text!r} is read as {value}")
            read += 1
        for parse in (units.parse_clock, units.parse_range_db):
            try:
                parse(text)
                read += 1
            except ValueError:
                pass
        if not read:
            raise HouseError("value", "is none", "write it with its unit")

    return TextSession(VALUES.splitlines(), take)


class HistorySession:
    """Cases are SQLite files."""

    def __init__(self, folder: Path, _: bool) -> None:
        from tests.support.histories import read_all, whole_history

        self._path = folder / "history.sqlite"
        self._read_all = read_all
        self._seed = whole_history(folder / "whole.sqlite").read_bytes()
        self._columns = self._columns_of(folder / "whole.sqlite")

    @staticmethod
    def _columns_of(path: Path) -> list[tuple[str, str]]:
        with closing(sqlite3.connect(path)) as connection:
            tables = [
                name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            ]
            return [(table, row[1]) for table in tables for row in connection.execute(f"PRAGMA table_info({table})")]

    def draw(self, random: Random) -> bytes:
        """Bytes damaged anywhere, or a value of some rows exchanged."""
        if random.random() < 0.6:
            return damaged_bytes(random, [self._seed])
        self._path.write_bytes(self._seed)
        table, column = random.choice(self._columns)
        value = random.choice(("'loud'", "x'00ff'", "NULL", "-1", "9e999", "''", "'[1]'", "'{'", "'2026-02-31'", "CAST(x'91ff' AS TEXT)", "9223372036854775807"))  # fmt: skip
        # a key that may not be given twice is not given
        with closing(sqlite3.connect(self._path)) as connection, connection, suppress(sqlite3.Error):
            connection.execute(
                f"UPDATE OR IGNORE {table} SET {column} = {value} WHERE rowid % ? = 0", (random.choice((1, 2, 3)),)
            )
        return self._path.read_bytes()

    def take(self, case: bytes) -> None:
        """Read every table of it."""
        self._path.write_bytes(case)
        for suffix in ("-journal", "-wal", "-shm"):
            self._path.with_name(self._path.name + suffix).unlink(missing_ok=True)
        self._read_all(self._path)
        if self._path.read_bytes() != case:
            raise audio.Wrong("reading a history changed it")


class RenderSession:
    """Cases are a house file over a short recording of three tracks."""

    def __init__(self, folder: Path, _: bool) -> None:
        self._folder = folder
        show = folder / "show"
        show.mkdir()
        for name in ("pno l", "pno r", "vox"):
            noise = 0.1 * np.random.default_rng(len(name)).standard_normal(24000)
            soundfile.write(show / f"{name}.wav", noise, 48000, subtype="PCM_16")
        (folder / "voice.csv").write_text(CURVE)
        self._seeds = [HOUSE.encode()]

    def draw(self, random: Random) -> bytes:
        """A house file, changed."""
        return damaged_text(random, self._seeds)

    def take(self, case: bytes) -> None:
        """Render the recording through it."""
        from deskhand.tasks.render import RenderOptions, render

        (self._folder / "house.toml").write_bytes(case)
        target = self._folder / "audio"
        try:
            for rendered in render(self._folder / "show", target, RenderOptions(stages=True)):
                samples, _rate = soundfile.read(rendered.path)
                if not np.isfinite(samples).all():
                    raise audio.Wrong(f"{rendered.path.name} holds values that are no numbers")
            left = [path.name for path in target.rglob("*") if path.name.startswith((".deskhand", "deskhand-"))]
            if left:
                raise audio.Wrong(f"left behind: {left}")
        finally:
            shutil.rmtree(target, ignore_errors=True)


class SheetSession:
    """Cases are a checked show's result and the house text saved since."""

    def __init__(self, folder: Path, _: bool) -> None:
        self._file = folder / "house.toml"
        hall = web.hall(folder / "hall")
        stored = next((hall / ".deskhand").glob("check-*.json"))
        self._result = json.loads(stored.read_text())["result"]
        self._house = (hall / "house.toml").read_text()
        self._file.write_text(self._house)

    def draw(self, random: Random) -> bytes:
        """Edits of a result, or a house text, or both."""
        edits = json_edits(random, self._result) if random.random() < 0.7 else []
        house = damaged_text(random, [self._house.encode()]) if random.random() < 0.5 else self._house.encode()
        return json_bytes({"edits": edits, "house": house.decode("utf-8", "replace")})

    def take(self, case: bytes) -> None:
        """Lay the sheet out and write its table."""
        from deskhand.report.sheet import sheet_csv
        from deskhand.result import from_plain
        from deskhand.tasks.sheet import show_sheet

        data = json.loads(case)
        try:
            result = from_plain(edited(self._result, data["edits"]))
        except ValueError as error:
            raise HouseError("the result", " ".join(str(error).split())[:80], "check again") from None
        sheet = show_sheet(
            result, house_file=self._file, standing_file=self._file, house_text=self._house, saved_text=data["house"]
        )
        sheet_csv(sheet)


TARGETS: Final = {
    target.name: target
    for target in (
        Target(name="audio", open=AudioSession, tested=300, share=0.30, inputs="audio files of all containers and codings", may_die=True),
        Target(name="house", open=_house, tested=120, share=0.10, inputs="house files"),
        Target(name="show", open=_show, tested=300, share=0.05, inputs="show.toml"),
        Target(name="curve", open=_curve, tested=120, share=0.04, inputs="files of responses (block curve)", may_die=True),
        Target(name="names", open=_names, tested=500, share=0.10, inputs="names of tracks"),
        Target(name="roles", open=_roles, tested=100, share=0.03, inputs="names of tracks, for their roles"),
        Target(name="values", open=_values, tested=500, share=0.10, inputs="values with their units"),
        Target(name="history", open=HistorySession, tested=40, share=0.08, inputs="histories", may_die=True),
        Target(name="check", open=web.StoredSession, tested=10, share=0.08, inputs="stored checks, as the page reads them"),
        Target(name="page", open=web.RequestSession, tested=100, share=0.10, inputs="requests to the page"),
        Target(name="live", open=live.LiveSession, tested=200, share=0.05, inputs="requests to a line check, and the events of it"),
        Target(name="sheet", open=SheetSession, tested=25, share=0.05, inputs="results and house files of a sheet", may_die=True),
        Target(name="render", open=RenderSession, tested=6, share=0.05, inputs="house files that audio is rendered with", may_die=True),
        Target(name="signals", open=signals.StretchSession, tested=12, share=0.05, inputs="signals, as the line check hears them", may_die=True),
        Target(name="compare", open=signals.PairSession, tested=0, share=0.05, inputs="pairs of signals", may_die=True),
    )
}  # fmt: skip
