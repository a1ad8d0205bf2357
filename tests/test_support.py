"""What the tests stand on: nothing is skipped in silence, slow tests are those that are listed, modes of files count."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support import long_tests, needs
from tests.support.hypotheses import draw_anew
from tests.support.once import drawn_once
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


@pytest.mark.parametrize(
    "entry", SLOW, ids=lambda entry: f"{entry.file}:{entry.tests[:1]}{entry.only[:1]}{entry.stays[:1]}"
)
def test_slow_tests_are_there_and_something_is_said_for_each(entry: Slow) -> None:
    assert set(entry.tests) <= functions(FOLDER / entry.file)
    assert entry.covered


class TestLongTests:
    def test_each_is_there_still(self) -> None:
        """By file and function; `pytest --write-long-tests` lists them anew."""
        known = {
            file: functions(FOLDER.parent / file) for file in {test.split("::")[0] for test in long_tests.listed()}
        }
        for test in long_tests.listed():
            file, *_, name = test.split("[")[0].split("::")
            assert name in known[file], test
            assert not file.startswith(long_tests.EVERY_DAY)

    def test_each_has_its_day_in_three(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delenv(long_tests.CHOICE, raising=False)
        today = long_tests.chosen()
        assert today in {1, 2, 3}
        for test in long_tests.listed():
            assert sum(not long_tests.waits(test, third) for third in (1, 2, 3)) == 1
            assert not long_tests.waits(test, None)
        # no third holds much more than its share
        counts = [sum(long_tests.third_of(test) == third for test in long_tests.listed()) for third in (1, 2, 3)]
        assert max(counts) < 0.45 * sum(counts)

    @pytest.mark.parametrize("choice", ["0", "4", "some"])
    def test_what_is_no_third_is_refused(self, monkeypatch: pytest.MonkeyPatch, choice: str) -> None:
        monkeypatch.setenv(long_tests.CHOICE, choice)
        with pytest.raises(ValueError, match=f"{long_tests.CHOICE}={choice}"):
            long_tests.chosen()


class TestDrawnOnce:
    def test_a_test_sees_no_difference(self) -> None:
        """The same sound and the same numbers behind it, whatever another test did to its copy; drawn anew only where it would differ."""
        calls: list[tuple[int, float]] = []

        @drawn_once
        def noise(rng: np.random.Generator, frames: int, *, gain: float = 1.0) -> np.ndarray:
            calls.append((frames, gain))
            return gain * rng.standard_normal(frames)

        for _ in range(3):
            rng, plain = np.random.default_rng(5), np.random.default_rng(5)
            for gain in (1.0, 2.0):
                sound = noise(rng, 100, gain=gain)
                assert np.array_equal(sound, gain * plain.standard_normal(100))
                sound[:] = 0.0
            assert rng.standard_normal() == plain.standard_normal()
        assert calls == [(100, 1.0), (100, 2.0)]
        noise(np.random.default_rng(6), 100)
        noise(np.random.default_rng(5), 101)
        assert calls[2:] == [(100, 1.0), (101, 1.0)]


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


def test_properties_draw_anew_where_everything_is_run() -> None:
    drawn: list[list[int]] = []

    @settings(max_examples=20, derandomize=True, database=None)
    @given(st.integers())
    def property_(number: int) -> None:
        drawn[-1].append(number)

    for _ in range(2):
        drawn.append([])
        property_()
    assert drawn[0] == drawn[1]
    draw_anew(property_)
    for _ in range(2):
        drawn.append([])
        property_()
    assert drawn[2] != drawn[3]
