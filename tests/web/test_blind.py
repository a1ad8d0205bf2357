"""The blind test: its probability by two other routes, fair hidden draws, and nothing told before the end."""

from __future__ import annotations

import io
import math
import threading
from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from scipy.stats import binom

from deskhand.errors import UsageError
from deskhand.web.blind import AbxTest, p_value
from deskhand.web.tries import Sounds
from tests.support.blind_tests import CHAIN, rows, start
from tests.support.small_hall import RATE_HZ, Asker, pink, small_hall

# how likely guessing does as well


@pytest.mark.source("table of the binomial distribution with p = 1/2, upper tail, as in any statistics handbook")
@pytest.mark.parametrize(
    ("right", "trials", "wanted"),
    [
        (8, 10, 0.0547),
        (9, 10, 0.0107),
        (10, 10, 0.0010),
        (12, 16, 0.0384),
        (13, 16, 0.0106),
        (15, 20, 0.0207),
    ],
)
def test_probability_of_the_table(right, trials, wanted):
    assert round(p_value(right, trials), 4) == wanted


@pytest.mark.source("scipy.stats.binom.sf; and counted by hand: sums of binomial coefficients over 2 to the trials")
@pytest.mark.parametrize("trials", range(5, 41))
def test_probability_of_all_results(trials):
    for right in range(trials + 1):
        counted = sum(math.comb(trials, one) for one in range(right, trials + 1)) / 2**trials
        assert p_value(right, trials) == pytest.approx(counted, rel=1e-9)
        assert p_value(right, trials) == pytest.approx(float(binom.sf(right - 1, trials, 0.5)), rel=1e-9)


# one test


def tried(gain=1.0, seed=0, seconds=0.5):
    """Two sides of a sound."""
    audio = np.array([pink(seconds, seed), pink(seconds, seed + 50)]) * gain
    return SimpleNamespace(audio=audio.astype(np.float32))


@pytest.fixture
def sounds():
    made = Sounds()
    yield made
    made.close()


def begun(sounds, one, other, trials=10):
    return AbxTest.begin(
        sounds, one, other, RATE_HZ, source="piano", compared="x", show=("Open night", "2026-03-01"), trials=trials
    )


class TestBegin:
    @pytest.mark.parametrize("trials", [-1, 0, 1, 4, 41, 1000])
    def test_too_few_and_too_many(self, sounds, trials):
        with pytest.raises(UsageError, match="take 5 to 40"):
            begun(sounds, tried(), tried(seed=1), trials)

    @pytest.mark.parametrize("trials", [5, 40])
    def test_as_few_and_as_many_as_may_be(self, sounds, trials):
        assert len(begun(sounds, tried(), tried(seed=1), trials).hidden) == trials

    def test_the_same_both_ways(self, sounds):
        with pytest.raises(UsageError, match="sounds the same both ways"):
            begun(sounds, tried(), tried())
        assert not list(sounds._folder.iterdir())

    def test_silence(self, sounds):
        for one, other in ((tried(0.0), tried(seed=1)), (tried(), tried(0.0, seed=1))):
            with pytest.raises(UsageError, match="is silent here"):
                begun(sounds, one, other)

    @pytest.mark.source("definition: matched in loudness, so that the louder one cannot be told by that")
    def test_both_files_are_at_one_loudness_and_not_turned_up(self, sounds):
        # one sound and half of it, so that the gains are told by arithmetic whatever the meter
        one = tried()
        other = SimpleNamespace(audio=0.5 * one.audio)
        test = begun(sounds, one, other)
        found = {name: soundfile.read(sounds.path(test.names[name]))[0].T for name in ("a", "b")}
        down = [
            20 * np.log10(np.abs(found[name]).max() / np.abs(whose.audio).max())
            for name, whose in (("a", one), ("b", other))
        ]
        assert down[0] - down[1] == pytest.approx(-20 * np.log10(2.0), abs=0.01)
        assert max(down) <= 0.0

    def test_names_of_the_files_do_not_tell(self, sounds):
        names = [begun(sounds, tried(), tried(seed=1)).names for _ in range(10)]
        every = [name for one in names for name in one.values()]
        assert len(set(every)) == 20
        assert all(name.startswith("blind-") and len(name) == len("blind-.wav") + 16 for name in every)


class TestDraws:
    def test_fair_and_each_by_itself(self):
        """8000 draws: the counts of both, and of each pair of neighbours, lie within what a fair coin leaves in 1 - 1e-9."""
        tests = [
            AbxTest(source="piano", compared="x", show=("Open night", None), trials=40, names={}) for _ in range(200)
        ]
        draws = [one for test in tests for one in test.hidden]
        low, high = binom.ppf([5e-10, 1 - 5e-10], len(draws), 0.5)
        assert low < draws.count("a") < high
        pairs = Counter(pair for test in tests for pair in zip(test.hidden[::2], test.hidden[1::2], strict=True))
        low, high = binom.ppf([5e-10, 1 - 5e-10], 4000, 0.25)
        assert all(low < pairs[pair] < high for pair in (("a", "a"), ("a", "b"), ("b", "a"), ("b", "b")))
        # every place of a test is drawn
        for place in range(40):
            low, high = binom.ppf([1e-11, 1 - 1e-11], 200, 0.5)
            assert low < sum(test.hidden[place] == "a" for test in tests) < high
        assert len({"".join(test.hidden) for test in tests}) == 200


class TestAnswers:
    def test_nothing_is_told_before_the_end(self, sounds):
        test = begun(sounds, tried(), tried(seed=1), 5)
        for place in range(5):
            told = test.state()
            assert set(told) == {"blind", "trials", "answered", "done", "a", "b", "x", "stretch"}
            assert (told["answered"], told["done"]) == (place, False)
            assert told["x"].endswith(f"/x{place + 1}.wav")
            test.answer(test.hidden[place])
        told = test.state()
        assert (told["done"], told["right"], told["x"]) == (True, 5, None)
        assert told["p_value"] == pytest.approx(1 / 32)
        assert "5 of 5 right" in told["said"]

    @pytest.mark.parametrize("wrong", [0, 1, 3, 6])
    def test_right_and_wrong_are_counted(self, sounds, wrong):
        test = begun(sounds, tried(), tried(seed=1), 6)
        for place in range(6):
            same = test.hidden[place]
            test.answer(same if place >= wrong else "ab".replace(same, ""))
        assert test.state()["right"] == 6 - wrong
        assert test.state()["p_value"] == pytest.approx(float(binom.sf(5 - wrong, 6, 0.5)))

    def test_one_hidden_sound_at_a_time(self, sounds):
        test = begun(sounds, tried(), tried(seed=1), 5)
        for place in range(5):
            assert test.sound(f"x{place + 1}") == test.names[test.hidden[place]]
            for other in {*range(7)} - {place + 1}:
                assert test.sound(f"x{other}") is None
            test.answer("a")
        assert all(test.sound(f"x{place}") is None for place in range(7))
        assert test.sound("c") is None
        assert test.sound("x") is None
        assert test.sound("hidden") is None

    @pytest.mark.parametrize("said", ["", "c", "A", "x", "None", "ab", "a "])
    def test_what_is_no_answer(self, sounds, said):
        test = begun(sounds, tried(), tried(seed=1), 5)
        with pytest.raises(UsageError, match="say a or b"):
            test.answer(said)
        assert test.answers == []

    def test_none_after_the_last(self, sounds):
        test = begun(sounds, tried(), tried(seed=1), 5)
        for _ in range(5):
            test.answer("a")
        with pytest.raises(UsageError, match="is over"):
            test.answer("a")


# on the page


@pytest.fixture
def asker(tmp_path):
    with Asker(small_hall(tmp_path / "hall")) as made:
        yield made


class TestOnThePage:
    @pytest.mark.parametrize("against", ["house", "recorded"])
    def test_from_the_first_sound_to_the_kept_result(self, asker, against):
        told = start(asker, against=against)
        right = 0
        for place in range(5):
            heard = {name: asker.get(told[name]).content for name in ("a", "b", "x")}
            assert heard["a"] != heard["b"]
            assert heard["x"] in (heard["a"], heard["b"])
            # nothing but the sound itself could tell: same kind, same names of headers, nothing kept
            heads = [asker.get(told[name]).headers for name in ("a", "b", "x")]
            assert len({tuple(sorted(set(head) - {"content-length"})) for head in heads}) == 1
            assert {head["cache-control"] for head in heads} == {"no-store"}
            assert not {"etag", "last-modified", "content-disposition"} & set(heads[0])
            right += heard["x"] == heard["a"]
            assert "right" not in told
            told = asker.told("blind/answer", blind=told["blind"], answer="a")
            # kept from the first answer on, and the history's page says nothing of how it goes
            assert [row.answered for row in rows(asker)] == [place + 1]
            assert ("of 5 right" in asker.get("/weeks").text) == (place == 4)
        assert (told["done"], told["right"]) == (True, right)
        [row] = rows(asker)
        assert (row.source, row.show, row.date, row.trials, row.right) == (
            "piano",
            "Open night",
            "2026-03-01",
            5,
            right,
        )
        assert row.p_value == pytest.approx(float(binom.sf(right - 1, 5, 0.5)))
        assert row.said_by == "Mara"
        # it is over: no other answer, and no second row
        assert "is over" in asker.refused("blind/answer", blind=told["blind"], answer="a")
        assert len(rows(asker)) == 1
        assert asker.get(told["a"]).status_code == 200
        assert asker.get(f"/blind/{told['blind']}/x5.wav").status_code == 404
        assert f"{right} of 5 right" in asker.get("/weeks").text

    def test_the_sounds_are_the_chains(self, asker):
        """The first is what is compared with, the second what is tried, both at one loudness."""
        told = start(asker, against="recorded")
        audio = {one: soundfile.read(io.BytesIO(asker.get(told[one]).content))[0].T for one in ("a", "b")}
        show = asker.hall.recordings()[0].path
        sound = np.array([soundfile.read(show / f"{one}.wav")[0] for one in ("pno l", "pno r")])
        # from where it plays on, without the fades at both ends
        inner = slice(RATE_HZ // 50, audio["a"].shape[1] - RATE_HZ // 50)
        sound, audio = sound[:, inner], {side: samples[:, inner] for side, samples in audio.items()}
        assert np.corrcoef(audio["a"][0], sound[0])[0, 1] > 0.99999
        assert np.corrcoef(audio["b"][0], sound[0])[0, 1] < 0.999

    def test_many_answers_at_once_are_one_result(self, asker):
        told = start(asker)
        ready, answers = threading.Barrier(12), []

        def answer():
            ready.wait()
            answers.append(asker.tell("blind/answer", blind=told["blind"], answer="a"))

        threads = [threading.Thread(target=answer) for _ in range(12)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert Counter(one.status_code for one in answers) == {200: 5, 400: 7}
        assert sum(one.json().get("done", False) for one in answers) == 1
        assert len(rows(asker)) == 1

    @pytest.mark.parametrize(
        ("how", "said"),
        [
            ({"trials": 4}, "take 5 to 40"), ({"trials": 41}, "take 5 to 40"), ({"trials": "many"}, "the trials"),
            ({"trials": None}, "the trials"), ({"trials": 1e300}, "the trials"), ({"source": "nobody"}, "nobody"),
            ({"chain": [{"block": "trim", "gain": "-200 dB"}]}, "is silent here"), ({"chain": "x"}, "no list of blocks"),
        ],
    )  # fmt: skip
    def test_what_is_no_test(self, asker, how, said):
        data = {"id": asker.id, "source": "piano", "chain": CHAIN, "start_s": 0, "against": "house", "trials": 5} | how
        assert said in asker.refused("blind/start", **data)

    def test_the_house_s_own_against_itself(self, asker):
        base = asker.get(f"/api/written?id={asker.id}&source=piano").json()
        data = {"id": asker.id, "source": "piano", "start_s": 0, "against": "house", "trials": 5}
        assert "the same both ways" in asker.refused("blind/start", **data, chain=base["chain"])

    def test_one_that_is_not_there(self, asker):
        for which in ("a", "b", "x1", "../a", "%2e%2e"):
            assert asker.get(f"/blind/0000000000000000/{which}.wav").status_code == 404
        assert "is over" in asker.refused("blind/answer", blind="0000000000000000", answer="a")
        assert "is over" in asker.refused("blind/answer", blind=None, answer="a")
