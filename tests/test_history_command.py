"""Table of `deskhand history`: to standard output alone, or into a file beside what is printed."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING

from click.testing import CliRunner

from deskhand.cli import main

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_the_table_goes_where_it_is_wanted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    house = SimpleNamespace(house=SimpleNamespace(name="Tern Street Hall"))
    monkeypatch.setattr("deskhand.tasks.keep.house_at", lambda _: (house, tmp_path / "house.toml"))
    monkeypatch.setattr("deskhand.tasks.keep.history_at", lambda *_, **__: None)
    monkeypatch.setattr(
        "deskhand.tasks.keep.weeks", lambda *_, **__: SimpleNamespace(by_source={"bass": []}, other_version={})
    )
    monkeypatch.setattr("deskhand.report.weeks.to_csv", lambda _: "source,date\nbass,2026-03-01\n")
    printed = CliRunner().invoke(main, ["history", "bass", "--csv", "-"])
    assert printed.exit_code == 0, printed.output
    assert printed.stdout == "source,date\nbass,2026-03-01\n"
    assert not list(tmp_path.iterdir())
    written = CliRunner().invoke(main, ["history", "bass", "--csv", "bass.csv"])
    assert written.exit_code == 0, written.output
    assert (tmp_path / "bass.csv").read_text("utf-8") == "source,date\nbass,2026-03-01\n"
    assert "2026-03-01" not in written.stdout
