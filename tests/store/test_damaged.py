"""A damaged history: one clear line whatever was damaged, the file left as it was, and the shell told it is no finding.

In order: any bytes damaged anywhere, damaged rows of a file that SQLite finds well, and the command.
"""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.errors import HistoryError
from deskhand.store.history import open_history
from deskhand.store.records import Dismissal, KeptPart, KeptTake

if TYPE_CHECKING:
    from pathlib import Path

HOUSE: Final = "Tern Street Hall"
DAMAGED_FILES: Final = 150
"""A second and a half; 3,000 were tried when the test was written."""


def kept_part(source: str) -> KeptPart:
    values = {f"tone_db.{band}": (float(band), 0.1) for band in range(40)}
    return KeptPart(source=source, stage="tap", role="keys", tap="preamp", playing_s=10.0, values=values)


def kept_take(week: int) -> KeptTake:
    return KeptTake(
        house=HOUSE,
        show=f"week {week}",
        date=f"2026-01-{week + 1:02}",
        phase="rehearsal",
        duration_s=60.0,
        sample_rate_hz=48000,
        recording="show",
        house_hash="0",
        deskhand="1",
        parts=[kept_part("piano"), kept_part("bass"), kept_part("lead voice")],
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history of six weeks, with one dismissal."""
    path = tmp_path_factory.mktemp("history") / "history.sqlite"
    history = open_history(f"sqlite:///{path}", create=True)
    assert history is not None
    for week in range(6):
        history.keep(kept_take(week))
    dismissal = Dismissal(
        source="piano", kind="tone", metric=None, show="week 1", date="2026-01-02", for_good=True, measured=1.0,
        values={"tone_db.1": 1.0}, note="", said_by="Ana",
    )  # fmt: skip
    history.dismiss(dismissal, house=HOUSE)
    history.close()
    return path


def read_all(path: Path) -> None:
    """Every reading door of the history."""
    history = open_history(f"sqlite:///{path}")
    assert history is not None
    try:
        history.takes(house=HOUSE)
        history.parts(house=HOUSE, phase="rehearsal", metrics=["tone_db."], most=60, stages=["tap"])
        history.sources(house=HOUSE)
        history.dismissals(house=HOUSE)
        history.blind_tests(house=HOUSE)
    finally:
        history.close()


def test_any_bytes_damaged_anywhere(whole: Path, tmp_path: Path) -> None:
    data = whole.read_bytes()
    dice = random.Random(5)
    path = tmp_path / "history.sqlite"
    refused = 0
    for _ in range(DAMAGED_FILES):
        damaged = bytearray(data)
        begin = dice.randrange(len(damaged))
        length = min(dice.choice((1, 4, 64, 512, 4096)), len(damaged) - begin)
        kind = dice.choice(("random", "zeros", "cut"))
        if kind == "cut":
            damaged = damaged[:begin]
        else:
            damaged[begin : begin + length] = dice.randbytes(length) if kind == "random" else bytes(length)
        path.write_bytes(damaged)
        try:
            read_all(path)
        except HistoryError:
            refused += 1
    # damage in free space or in a digit is not seen by anybody; a third is far below what was counted (53 %)
    assert refused > DAMAGED_FILES // 3


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param("UPDATE value SET value = 'loud' WHERE metric = 'tone_db.3'", id="text for a number"),
        pytest.param("UPDATE value SET pm = x'00ff'", id="bytes for an interval"),
        pytest.param("UPDATE take SET date = '2026-02-31'", id="a day that is none"),
        pytest.param("UPDATE take SET kept_at = 'yesterday'", id="a time that is none"),
        pytest.param("UPDATE take SET show = CAST(x'91ff' AS TEXT)", id="no UTF-8"),
        pytest.param("UPDATE dismissal SET part_values = '{'", id="JSON cut short"),
        pytest.param("UPDATE dismissal SET part_values = '[1]'", id="JSON of another shape"),
        pytest.param("UPDATE dismissal SET part_values = '7'", id="JSON of a number"),
        pytest.param("UPDATE dismissal SET measured = 'much'", id="text for what was measured"),
    ],
)
def test_damaged_rows_are_told(whole: Path, tmp_path: Path, damage: str) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(whole.read_bytes())
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(damage)
    before = path.read_bytes()
    with pytest.raises(HistoryError, match=r"cannot be used .*it may be damaged") as caught:
        read_all(path)
    assert str(caught.value).startswith(str(path))
    assert path.read_bytes() == before


def test_the_command_says_it_in_a_line(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(whole.read_bytes())
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE take SET kept_at = 'yesterday'")
    house = tmp_path / "house.toml"
    house.write_text(f'[house]\nname = "{HOUSE}"\n[[source]]\nname = "piano"\nrole = "keys"\ntracks = ["pno"]\n')
    outcome = CliRunner().invoke(main, ["keep", "--list", "--house", str(house), "--history", str(path)])
    assert outcome.exit_code == 2
    assert outcome.stderr.startswith(f"Error: {path}: cannot be used")
    assert outcome.stderr.count("\n") == 1
