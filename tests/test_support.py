"""What the tests stand on: nothing is skipped in silence, slow tests are those that are listed, modes of files count."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Final

import pytest

from tests.support import needs
from tests.support.slow import SLOW, Slow

FOLDER: Final = Path(__file__).parent


class TestNeeds:
    def test_a_missing_program_is_named_with_its_package(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("shutil.which", lambda _name: None)
        with pytest.raises(needs.Missing, match="no jackd here: apt-get install jackd2"):
            needs.require("jackd")

    def test_elsewhere_it_is_skipped(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delenv("CI", raising=False)
        with pytest.raises(pytest.skip.Exception, match="no sox"):
            needs.skip_or_fail(needs.Missing("no sox"))

    def test_in_ci_it_fails(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("CI", "true")
        with pytest.raises(pytest.fail.Exception, match="no sox"):
            needs.skip_or_fail(needs.Missing("no sox"))

    @pytest.mark.parametrize(
        ("value", "meant"), [("true", True), ("1", True), ("", False), ("false", False), ("0", False)]
    )
    def test_what_ci_may_say(self, value: str, meant: bool) -> None:
        assert needs.in_ci({"CI": value}) is meant


def functions(file: Path) -> set[str]:
    return {node.name for node in ast.walk(ast.parse(file.read_text("utf-8"))) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("entry", SLOW, ids=lambda entry: f"{entry.file}:{entry.tests[:1]}")
def test_slow_tests_are_there_and_something_is_said_for_each(entry: Slow) -> None:
    assert set(entry.tests) <= functions(FOLDER / entry.file)
    assert entry.covered


@pytest.mark.modes_count
def test_modes_count(tmp_path: Path) -> None:
    """Here, whoever runs this."""
    (tmp_path / "shut").touch(mode=0o000)
    with pytest.raises(PermissionError):
        (tmp_path / "shut").read_bytes()
    tmp_path.chmod(0o500)
    with pytest.raises(PermissionError):
        (tmp_path / "new").touch()
    tmp_path.chmod(0o700)
