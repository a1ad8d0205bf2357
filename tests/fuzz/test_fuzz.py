"""Damaged input of every kind, drawn from a seed: a result that independent readers confirm, or one clear line.

In order: cases that failed once; some thousands drawn anew, always the same; that the judge can fail; mutations and how failures are
kept. `make fuzz` goes on for as long as it is told, with seeds that other programs write as well (tests/support/fuzz).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from deskhand.errors import UsageError
from tests.support.fuzz import audio
from tests.support.fuzz.mutate import damaged_bytes, damaged_json, damaged_text
from tests.support.fuzz.run import kept_cases, replay, run
from tests.support.fuzz.target import Session, Target
from tests.support.fuzz.targets import TARGETS
from tests.support.writers import wave_bytes

SEED = 20261130
KEPT = [pytest.param(name, path, id=f"{name}-{path.name}") for name in TARGETS for path in kept_cases(name)]


@pytest.mark.parametrize(("target", "path"), KEPT)
def test_what_failed_once(target: str, path: Path) -> None:
    replay(TARGETS[target], path)


@pytest.mark.source("levels that libsndfile and ffmpeg read, within 0.01 dB, where the two agree")
@pytest.mark.parametrize(
    "target", [target for target in TARGETS.values() if target.tested], ids=lambda target: target.name
)
def test_drawn_cases(target: Target) -> None:
    count = run(target, seed=SEED, cases=target.tested)
    assert not count.failures, [words for words, _ in count.failures]
    assert count.cases == target.tested
    # a target that takes nothing, or all, is no test
    assert count.taken


class Echo:
    """Takes what it is given: nothing, a refusal, or an error."""

    def __init__(self, error: Exception | None) -> None:
        self._error = error

    def draw(self, random: random.Random) -> bytes:
        return bytes([random.randrange(256)])

    def take(self, case: bytes) -> None:
        if self._error is not None:
            raise self._error


def counted(error: Exception | None, into: Path | None = None) -> object:
    def opened(_: Path, __: bool) -> Session:
        return Echo(error)

    target = Target(name="echo", open=opened, tested=1, share=1.0, inputs="")
    return run(target, seed=1, cases=3, into=into)


def test_a_run_counts_and_keeps_what_failed(tmp_path: Path) -> None:
    assert (counted(None).taken, counted(UsageError("a", "b", "c")).refused) == (3, 3)
    failed = counted(KeyError("source"), tmp_path)
    # one place in the code, one file
    assert (failed.failed, len(failed.failures)) == (3, 1)
    assert failed.failures[0][0].startswith("KeyError at test_fuzz.py:")
    assert len(list(tmp_path.glob("echo-*"))) == 2
    long_line = counted(UsageError("x" * 3000, "is long", "cut it"))
    assert long_line.failed == 3


class TestTheJudge:
    """It must be able to fail: a reader that is wrong by 0.02 dB, that leaves out a tenth, or that reads noise is seen."""

    DATA = wave_bytes((b"\x00\x10\x00\xf0" * 12000), bits=16)

    @pytest.mark.needs("ffmpeg")
    @pytest.mark.parametrize(
        "wrong",
        [
            pytest.param(lambda samples: samples * 10 ** (0.02 / 20), id="0.02-db-louder"),
            pytest.param(lambda samples: samples[:, : samples.shape[1] * 9 // 10], id="a-tenth-left-out"),
            pytest.param(lambda samples: samples * 0.0, id="silence"),
        ],
    )
    def test_it_sees_what_is_wrong(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong) -> None:
        from deskhand.recording.take import Recording

        path = tmp_path / "take.wav"
        path.write_bytes(self.DATA)
        audio.judge(path)
        read = Recording.read
        monkeypatch.setattr(Recording, "read", lambda self: wrong(read(self)))
        with pytest.raises(audio.Wrong, match="two decoders read"):
            audio.judge(path)


@pytest.mark.parametrize("damage", [damaged_bytes, damaged_text])
def test_damage_is_drawn_from_its_seed_and_changes_most(damage) -> None:
    seeds = [b'[house]\nname = "Tern Street Hall"\n' * 8]
    cases = [damage(random.Random(seed), seeds) for seed in range(200)]
    assert cases == [damage(random.Random(seed), seeds) for seed in range(200)]
    assert len(set(cases)) > 150
    assert sum(case != seeds[0] for case in cases) > 180


def test_json_is_changed_in_a_copy() -> None:
    value = {"a": [1, 2, {"b": None}], "c": "x"}
    cases = [damaged_json(random.Random(seed), value) for seed in range(50)]
    assert value == {"a": [1, 2, {"b": None}], "c": "x"}
    assert sum(repr(case) != repr(value) for case in cases) > 40
