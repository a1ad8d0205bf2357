"""The blind test as it is listened to: level over its loop, where it starts, what a file could tell, broken-off tests and tests in a row."""

from __future__ import annotations

import io
from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from scipy.stats import chisquare

from deskhand.errors import UsageError
from deskhand.web.blind import AbxTest, p_of_several
from deskhand.web.tries import Sounds
from tests.support.blind_tests import looped_lufs, rows, start
from tests.support.small_hall import RATE_HZ, Asker, pink, small_hall


@pytest.fixture
def sounds():
    made = Sounds()
    yield made
    made.close()


def begun(sounds, audio, other_audio, **how):
    return AbxTest.begin(
        sounds,
        SimpleNamespace(audio=audio.astype(np.float32)),
        SimpleNamespace(audio=other_audio.astype(np.float32)),
        RATE_HZ,
        **({"source": "piano", "compared": "x", "show": ("Open night", "2026-03-01"), "trials": 5} | how),
    )


def files(sounds, test):
    """Both sounds as they are played, (2, frames) each."""
    return [soundfile.read(sounds.path(test.names[side]))[0].T for side in "ab"]


@pytest.mark.source("ITU-R BS.1770-5, as pyebur128 (libebur128) has it")
@pytest.mark.parametrize("loop_s", [(0.0, 20.0), (3.0, 5.0), (11.0, 13.0), (12.3, 12.9)])
def test_both_are_equally_loud_over_the_loop(sounds, loop_s):
    """The second is 6 dB louder in its second half: over the whole of it both have other loudnesses than in any loop."""
    plain = np.array([pink(20.0, 1), pink(20.0, 2)])
    swells = 0.7 * plain[::-1] * np.where(np.arange(plain.shape[1]) < 10 * RATE_HZ, 1.0, 2.0)
    first, second = files(sounds, begun(sounds, plain, swells, loop_s=loop_s))
    assert looped_lufs(first) == pytest.approx(looped_lufs(second), abs=0.1)
    assert max(np.abs(first).max(), np.abs(second).max()) < 10 ** (-1 / 20)


class TestWhereItPlays:
    def test_silence_at_its_ends_is_left_out(self, sounds):
        audio = np.zeros((2, 20 * RATE_HZ))
        audio[:, 8 * RATE_HZ : 14 * RATE_HZ] = np.array([pink(6.0, 3), pink(6.0, 4)])
        test = begun(sounds, audio, 0.5 * audio[::-1], start_s=100.0)
        first, second = files(sounds, test)
        # six seconds, and a window of 50 ms before and behind
        assert first.shape == second.shape
        assert first.shape[1] / RATE_HZ == pytest.approx(6.1, abs=0.06)
        assert test.start_s == pytest.approx(108.0, abs=0.1)
        assert np.abs(first[:, : RATE_HZ // 5]).max() > 0.1 * np.abs(first).max()

    def test_a_pause_within_is_kept(self, sounds):
        audio = np.array([pink(6.0, 5), pink(6.0, 6)])
        assert files(sounds, begun(sounds, audio, audio[::-1]))[0].shape[1] > 5.9 * RATE_HZ

    @pytest.mark.parametrize("loop_s", [(0.0, 0.3), (5.0, 5.0), (6.0, 2.0), (19.9, 25.0), (-3.0, 0.2)])
    def test_a_loop_that_is_too_short(self, sounds, loop_s):
        audio = np.array([pink(20.0, 7), pink(20.0, 8)])
        with pytest.raises(UsageError, match=r"make it 0\.5 s at least"):
            begun(sounds, audio, audio[::-1], loop_s=loop_s)

    def test_its_seam_does_not_click(self, sounds):
        """Full-scale sine whose period does not fit the loop: at the seam no step is larger than within."""
        times_s = np.arange(4 * RATE_HZ) / RATE_HZ
        sine = np.tile(np.cos(2 * np.pi * 333.3 * times_s), (2, 1))
        played = files(sounds, begun(sounds, sine, 0.5 * sine[:, ::-1], loop_s=(0.0, 1.0007)))[0][0]
        steps = np.abs(np.diff(np.tile(played, 2)))
        assert steps[played.size - 1000 : played.size + 1000].max() <= steps[1000:-1000].max() * 1.001


class TestFair:
    def test_every_order_comes_as_often_as_every_other(self):
        """Orders of five trials in 6400 tests: 32 of them, each with the same chance."""
        orders = Counter(
            "".join(AbxTest(source="x", compared="x", show=("x", None), trials=5, names={}).hidden) for _ in range(6400)
        )
        counts = [orders[format(place, "05b").replace("0", "a").replace("1", "b")] for place in range(32)]
        assert sum(counts) == 6400
        # fails by chance once in a million runs
        assert chisquare(counts).pvalue > 1e-6

    def test_no_file_is_longer_or_has_other_headers(self, tmp_path):
        with Asker(small_hall(tmp_path / "hall")) as asker:
            told = start(asker)
            answers = [asker.get(told[which]) for which in "abx"]
        assert len({len(answer.content) for answer in answers}) == 1
        headers = [{name: value for name, value in answer.headers.items() if name != "date"} for answer in answers]
        assert headers[0] == headers[1] == headers[2]


@pytest.fixture
def asker(tmp_path):
    with Asker(small_hall(tmp_path / "hall")) as made:
        yield made


@pytest.mark.source("1 - (1 - p)^k: the complement of guessing worse in each of k tests (Šidák 1967)")
@pytest.mark.parametrize(("p", "tests"), [(0.05, 1), (0.05, 2), (0.0107, 3), (1.0, 4), (0.5, 40), (1e-12, 7)])
def test_probability_in_one_of_several(p, tests):
    # powers of fractions that floats hold badly are worked out in whole numbers
    from fractions import Fraction

    assert p_of_several(p, tests) == pytest.approx(float(1 - (1 - Fraction(p)) ** tests), rel=1e-9)


class TestBrokenOff:
    def test_it_is_kept_as_far_as_it_went_without_how_many_were_right(self, asker):
        told = start(asker, trials=8)
        for place in range(3):
            asker.told("blind/answer", blind=told["blind"], answer="a")
            (row,) = rows(asker)
            assert (row.trials, row.answered) == (8, place + 1)
        page = asker.get("/weeks").text
        assert "broken off after 3 of 8" in page
        # how one did so far would help with the rest
        assert "right" not in page[page.index("broken off") : page.index("broken off") + 60]

    def test_without_an_answer_there_is_nothing_to_keep(self, asker):
        start(asker)
        assert asker.get("/weeks").status_code == 200
        told = start(asker)
        for _ in range(5):
            told = asker.told("blind/answer", blind=told["blind"], answer="a")
        (row,) = rows(asker)
        assert (row.earlier, row.answered) == (0, 5)
        assert "tests of this source" not in told["said"]

    def test_what_came_before_counts_in_the_verdict(self, asker):
        """All right in 5 trials: by chance once in 32, in at least one of four tests 1 - (31/32)^4 = 0.119."""
        for _ in range(3):
            asker.told("blind/answer", blind=start(asker)["blind"], answer="b")
        told = start(asker)
        for _ in range(5):
            same = asker.get(told["x"]).content == asker.get(told["a"]).content
            told = asker.told("blind/answer", blind=told["blind"], answer="a" if same else "b")
        assert told["p_value"] == pytest.approx(1 / 32)
        assert told["p_value_of_all"] == pytest.approx(1 - (31 / 32) ** 4, abs=1e-6)
        assert "4 tests of this source" in told["said"]
        assert "may well be chance" in told["said"]
        assert [row.earlier for row in rows(asker)] == [0, 1, 2, 3]
        assert "in one of 4" in asker.get("/weeks").text

    def test_the_level_of_the_page_s_files(self, asker):
        told = start(asker, loop_from_s=2, loop_to_s=4)
        both = [soundfile.read(io.BytesIO(asker.get(told[which]).content))[0].T for which in "ab"]
        assert both[0].shape == both[1].shape
        assert both[0].shape[1] <= 2 * RATE_HZ
        assert looped_lufs(both[0]) == pytest.approx(looped_lufs(both[1]), abs=0.1)

    def test_the_number_of_trials_stays_as_it_was_begun(self, asker):
        told = start(asker, trials=6)
        for _ in range(6):
            assert told["trials"] == 6
            told = asker.told("blind/answer", blind=told["blind"], answer="a", trials=2)
        assert told["done"]
