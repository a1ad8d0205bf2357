"""Role of an input guessed by its sound: readings, probability, silence where unsure, and where the question is shown.

In order: the readings, the model against scipy, the shipped table, the house file and the command. The page's part: `tests/web/test_role_guess.py`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import scipy.stats
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import ROLES, parse_house
from deskhand.tasks import role_by_sound
from deskhand.tasks.new import house_text, propose_house
from deskhand.tasks.role_by_sound import (
    BANDS_HZ,
    LEAST_BAND_SHARE,
    LEAST_OCTAVE_DB,
    LEAST_STEP_DB,
    READING_NAMES,
    SoundGuess,
    SoundModel,
    model_of,
    open_guesses,
    readings_of_sound,
    sound_model,
)
from tests.support.feed import reading_of
from tests.support.writers import noise, write_wave

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48_000
COUNT = len(READING_NAMES)
BASS = SoundGuess(roles=("bass",), words="a bass", surety=0.93)


def sine(*, length_s: float = 8.0) -> NDArray[np.float64]:
    """(frames,) of a steady 1 kHz sine."""
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return np.asarray(0.1 * np.sin(2 * np.pi * 1000.0 * time_s))


class TestReadings:
    @pytest.mark.source("IEC 61260-1: octave bands; AES17-2020, 3.12.1: RMS of a sine")
    def test_a_steady_sine(self) -> None:
        values = dict(zip(READING_NAMES, readings_of_sound(reading_of(sine())), strict=True))
        assert values["octaves 1000 and 2000 Hz, dB"] == pytest.approx(0.0, abs=0.1)
        # two octaves at their least, and the share that is added to each band
        least_db = 10 * np.log10(2 * 10 ** (LEAST_OCTAVE_DB / 10) + LEAST_BAND_SHARE)
        assert values["octaves 63 and 125 Hz, dB"] == pytest.approx(least_db, abs=0.1)
        assert values["octaves 4000 and 8000 Hz, dB"] == pytest.approx(least_db, abs=0.5)
        assert values["crest, dB"] == pytest.approx(0.0, abs=0.2)
        assert values["level step from block to block, ln dB"] == pytest.approx(np.log(LEAST_STEP_DB), abs=0.1)

    def test_a_sound_that_falls_steadily(self) -> None:
        """A note that falls by 20 dB a second, struck each second: 2 dB from block to block of 100 ms."""
        time_s = np.arange(8 * RATE_HZ) / RATE_HZ
        falling = sine() * 10 ** (-(time_s % 1.0))
        values = dict(zip(READING_NAMES, readings_of_sound(reading_of(falling)), strict=True))
        assert values["level step from block to block, ln dB"] == pytest.approx(np.log(2.0 + LEAST_STEP_DB), abs=0.03)

    @pytest.mark.parametrize("sound", [np.zeros(5 * RATE_HZ), sine(length_s=2.0)], ids=["silence", "two-seconds"])
    def test_what_plays_too_little_has_none(self, sound: NDArray[np.float64]) -> None:
        assert np.isnan(readings_of_sound(reading_of(sound))).all()
        assert role_by_sound.guess_by_sound(reading_of(sound)) is None


def model(
    *, roles: tuple[tuple[str, ...], ...] = (("kick",), ("bass",)), farthest: float = 4.0, family: bool = False
) -> SoundModel:
    """Two groups that lie 4 standard deviations apart in each of the first two readings."""
    means = np.zeros((2, COUNT))
    means[1, :2] = 4.0
    groups = [
        {"roles": list(row), "words": "a " + "".join(row), "mean": mean} for row, mean in zip(roles, means, strict=True)
    ]
    return model_of(
        {
            "readings": READING_NAMES,
            "covariance": np.eye(COUNT),
            "least_surety": 0.8,
            "farthest": farthest,
            "group": groups,
            "family": [{"groups": [0, 1], "words": "a low one"}] if family else [],
        }
    )


def point(share: float) -> NDArray[np.float64]:
    """(readings,) on the way from the first group, 0, to the second, 1."""
    readings = np.zeros(COUNT)
    readings[:2] = 4.0 * share
    return readings


class TestModel:
    @pytest.mark.source("scipy.stats.multivariate_normal: posterior of normal distributions, Bayes with equal priors")
    @pytest.mark.parametrize("missing", [(), (5,), (4, 5)], ids=["all", "no-articulation", "no-crest-either"])
    def test_probability_is_that_of_normal_distributions(
        self, rng: np.random.Generator, missing: tuple[int, ...]
    ) -> None:
        known = sound_model()
        kept = [reading for reading in range(COUNT) if reading not in missing]
        for mean in known.means:
            readings = rng.multivariate_normal(mean, known.covariance)
            readings[list(missing)] = np.nan
            densities = [
                scipy.stats.multivariate_normal(other[kept], known.covariance[np.ix_(kept, kept)]).pdf(readings[kept])
                for other in known.means
            ]
            assert known.probabilities(readings) == pytest.approx(densities / np.sum(densities), rel=1e-6, abs=1e-9)

    @pytest.mark.parametrize(
        ("share", "words"),
        [
            pytest.param(0.0, "a kick", id="at-the-first"),
            pytest.param(1.0, "a bass", id="at-the-second"),
            pytest.param(0.5, None, id="between"),
            # 0.46 of the way: ln odds = 16 (0.54^2 - 0.46^2) = 1.28, 78 %; 0.45: 1.6, 83 %
            pytest.param(0.46, None, id="78-percent"),
            pytest.param(0.45, "a kick", id="83-percent"),
        ],
    )
    def test_it_is_quiet_when_unsure(self, share: float, words: str | None) -> None:
        guess = model().guess(point(share))
        assert (guess.words if guess else None) == words

    def test_as_sure_as_is_asked_for_is_sure_enough(self) -> None:
        half = replace(model(), least_surety=0.5)
        assert half.probabilities(point(0.5)).tolist() == [0.5, 0.5]
        assert half.guess(point(0.5)) is not None
        assert replace(half, least_surety=0.5000001).guess(point(0.5)) is None

    def test_it_is_quiet_about_what_is_unlike_all(self) -> None:
        """Far beyond the second group: surely no kick, and yet no bass."""
        assert model().probabilities(point(3.5))[1] > 0.999
        assert model().guess(point(3.5)) is None
        assert model(farthest=100.0).guess(point(3.5)) is not None

    def test_a_family_is_asked_about_where_no_group_is_sure(self) -> None:
        guess = model(family=True).guess(point(0.5))
        assert guess is not None
        assert (guess.roles, guess.words, guess.surety) == (("kick", "bass"), "a low one", pytest.approx(1.0))
        sure = model(family=True).guess(point(0.0))
        assert sure is not None
        assert sure.words == "a kick"

    def test_a_group_without_roles_is_never_guessed(self) -> None:
        assert model(roles=((), ("bass",))).guess(point(0.0)) is None
        assert model(roles=((), ("bass",))).guess(point(1.0)) is not None

    def test_too_few_readings_are_no_guess(self) -> None:
        readings = np.full(COUNT, np.nan)
        readings[: len(BANDS_HZ)] = 0.0
        assert model().guess(readings) is None

    @pytest.mark.parametrize(("surety", "tenths"), [(0.8, 8), (0.899, 8), (0.9, 9), (0.9999, 9), (1.0, 9)])
    def test_surety_is_never_rounded_up(self, surety: float, tenths: int) -> None:
        guess = SoundGuess(roles=("snare", "toms"), words="a snare or a tom", surety=surety)
        assert guess.question == f"sounds like a snare or a tom (about {tenths} in 10): is it?"
        assert guess.answer == 'role = "snare" or role = "toms"'

    def test_a_table_of_other_readings_is_refused(self) -> None:
        with pytest.raises(ValueError, match="other readings or roles"):
            model_of({"readings": ["loudness"], "group": []})


class TestShippedTable:
    def test_it_is_a_covariance(self) -> None:
        known = sound_model()
        assert known.means.shape == (len(known.roles), COUNT)
        assert known.covariance == pytest.approx(known.covariance.T)
        assert np.linalg.eigvalsh(known.covariance).min() > 0.0
        assert 0.8 <= known.least_surety < 1.0

    def test_no_group_is_guessed_that_may_be_anything(self) -> None:
        guessed = {role for roles in sound_model().roles for role in roles}
        assert guessed
        assert not guessed & {"playback", "audience", "talkback", "other"}
        assert guessed <= set(ROLES)

    def test_each_group_is_told_at_its_mean(self) -> None:
        known = sound_model()
        for roles, mean in zip(known.roles, known.means, strict=True):
            guess = known.guess(mean)
            assert guess is None or (roles and set(roles) <= set(guess.roles))

    def test_steady_noise_is_nothing(self, rng: np.random.Generator) -> None:
        """White noise that never stops is no instrument."""
        assert role_by_sound.guess_by_sound(reading_of(0.1 * rng.standard_normal(6 * RATE_HZ))) is None


class TestHouseFile:
    def test_a_guess_is_a_question_and_never_the_role(self) -> None:
        house = propose_house(["Ch 01", "kick"], name="Tern Street Hall").house
        text = house_text(house, heard={}, sound_guesses={"Ch 01": BASS})
        assert (
            text.splitlines().count(
                '# question: sounds like a bass (about 9 in 10): is it? If it is, write: role = "bass"'
            )
            == 1
        )
        assert [source.role for source in parse_house(text, Path("house.toml")).source] == ["other", "kick"]

    def test_a_role_that_was_chosen_is_not_asked_about(self) -> None:
        house = propose_house(["kick"], name="Tern Street Hall").house
        assert "sounds like" not in house_text(house, heard={}, sound_guesses={"kick": BASS})

    def test_an_instrument_that_its_name_tells_is_not_asked_about(self) -> None:
        proposal = propose_house(["Ch 01", "Trumpet"], name="Tern Street Hall")
        assert set(open_guesses(proposal.asked, dict.fromkeys(["Ch 01", "Trumpet"], BASS))) == {"Ch 01"}
        assert open_guesses(proposal.asked, {"Ch 01": None}) == {}


class TestCommand:
    @pytest.fixture
    def folder(self, tmp_path: Path, rng: np.random.Generator) -> Path:
        for name in ("Ana", "Kick", "Trumpet"):
            write_wave(tmp_path / f"{name}.wav", noise(rng, seconds=4.0))
        return tmp_path

    def test_it_asks(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Every sound is a bass here: asked about is the one whose role no word tells."""
        monkeypatch.setattr(SoundModel, "guess", lambda *_: BASS)
        done = CliRunner().invoke(main, ["new", str(folder)])
        assert done.exit_code == 0, done.output
        assert [line for line in done.output.splitlines() if "sounds like" in line] == [
            "Ana sounds like a bass (about 9 in 10): is it?"
        ]
        text = (folder / "house.toml").read_text("utf-8")
        assert text.count("sounds like") == 1
        roles = {source.name: source.role for source in parse_house(text, folder / "house.toml").source}
        assert roles == {"Ana": "other", "Kick": "kick", "Trumpet": "other"}

    def test_it_does_not_listen_where_it_is_told_not_to(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(SoundModel, "guess", lambda *_: BASS)
        done = CliRunner().invoke(main, ["new", str(folder), "--names-only"])
        assert done.exit_code == 0, done.output
        assert "sounds like" not in done.output + (folder / "house.toml").read_text("utf-8")
