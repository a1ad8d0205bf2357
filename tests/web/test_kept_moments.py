"""A kept week beside this one: two seconds of each on a source's page, at one loudness."""

from __future__ import annotations

import io
import json
import re
from html import unescape

import numpy as np
import pyloudnorm
import pytest
import soundfile

from tests.support.small_hall import RATE_HZ, SHOW, Asker, small_hall

pytestmark = pytest.mark.usefixtures("measured_once")


@pytest.fixture
def asker(tmp_path):
    """A kept week, and one a week later with the piano 6 dB softer and darker."""
    hall = small_hall(tmp_path / "hall")
    with Asker(hall) as made:
        done = made.waited(made.told("keep", id=made.id, faults="keep", listed=_listed(made))["job"])
        assert done["state"] == "done", done
        later = hall / "show-2026-03-08"
        later.mkdir()
        for path in (hall / "show-2026-03-01").glob("*.wav"):
            samples, _ = soundfile.read(path)
            if path.name.startswith("pno"):
                samples = 0.5 * np.convolve(samples, np.ones(4) / 4, mode="same")
            soundfile.write(later / path.name, samples, RATE_HZ, subtype="PCM_24")
        (later / "show.toml").write_text(SHOW.replace("2026-03-01", "2026-03-08"))
        made.hall.look_again()
        assert made.checked(made.id)["state"] == "done"
        yield made


def _listed(asker: Asker) -> list[str]:
    page = asker.get(f"/show/{asker.id}").text
    (listed,) = re.findall(r'data-listed="(.*?)">', unescape(page))
    return json.loads(listed)


def _addresses(asker: Asker) -> list[str]:
    page = unescape(asker.get(f"/show/{asker.id}/source/0").text)
    assert "Two seconds each, at one loudness" in page
    return re.findall(r'data-hear="([^"]*beside[^"]*)"', page)


@pytest.mark.source("ITU-R BS.1770-5, by pyloudnorm")
def test_both_are_heard_at_one_loudness(asker):
    now, kept = _addresses(asker)
    loudness = []
    for address in (now, kept):
        answer = asker.get(address)
        assert answer.status_code == 200
        samples, rate_hz = soundfile.read(io.BytesIO(answer.content))
        assert len(samples) == 2 * rate_hz
        loudness.append(pyloudnorm.Meter(rate_hz).integrated_loudness(samples))
    assert loudness[0] == pytest.approx(loudness[1], abs=0.1)
    assert max(loudness) <= -25.9


def test_the_kept_one_is_the_kept_weeks(asker):
    now, kept = _addresses(asker)
    spectra = []
    for address in (now, kept):
        samples, _ = soundfile.read(io.BytesIO(asker.get(address).content))
        power = np.abs(np.fft.rfft(samples[:, 0])) ** 2
        spectra.append(10 * np.log10(power[16000:].sum() / power[2000:8000].sum()))
    assert spectra[1] - spectra[0] > 6.0


def test_nothing_is_offered_without_a_kept_week(tmp_path):
    with Asker(small_hall(tmp_path / "hall")) as asker:
        assert "beside=" not in asker.get(f"/show/{asker.id}/source/0").text


def test_a_week_that_is_not_at_hand_any_more_is_not_offered(asker):
    (asker.hall.root / "show-2026-03-01").rename(asker.hall.root / "elsewhere")
    asker.hall.look_again()
    assert "beside=" not in asker.get(f"/show/{asker.id}/source/0").text


@pytest.mark.parametrize(
    ("query", "status"),
    [
        pytest.param("at=1&beside=nowhere&beside_source=0&beside_at=1", 400, id="no-such-recording"),
        pytest.param("at=1&beside=%s&beside_source=99&beside_at=1", 404, id="no-such-source"),
        pytest.param("at=1&beside=%s&beside_source=x&beside_at=1", 400, id="no-number"),
    ],
)
def test_an_address_that_leads_nowhere(asker, query, status):
    answer = asker.get(f"/show/{asker.id}/source/0/hear.flac?{query.replace('%s', asker.id)}")
    assert answer.status_code == status, answer.text
