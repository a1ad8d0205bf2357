"""Lead voice against the band in a recorded mix: noises of known power, so that the ratio is arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.measure.figures import measure_figures
from deskhand.mix.bus import Strip
from deskhand.mix.voice_ratio import voice_ratio
from tests.support.feed import RATE_HZ, Feed

LENGTH_S = 24


def sounds() -> np.ndarray:
    """Three noises that come and go, of the same power from 200 Hz to 5 kHz."""
    rng = np.random.default_rng(3)
    filters = [(300, 3000), (80, 1500), (800, 9000)]
    rows = []
    for row, edges_hz in enumerate(filters):
        noise = ss.sosfilt(
            ss.butter(2, edges_hz, "bandpass", fs=RATE_HZ, output="sos"), rng.standard_normal(LENGTH_S * RATE_HZ)
        )
        level_db = np.repeat(rng.uniform(-6, 0, LENGTH_S), RATE_HZ)
        rows.append(noise * 10 ** (level_db / 20) * 0.02 * (1 + row))
    return np.array(rows)


def in_band(power_of: np.ndarray) -> float:
    hz, power = ss.welch(power_of, RATE_HZ, nperseg=8192)
    return float(power[(hz > 178) & (hz < 5623)].sum())


@pytest.mark.parametrize("change_db", [0.0, -6.0])
def test_ratio_follows_the_voice(change_db: float) -> None:
    dry = sounds()
    gains = 10 ** (np.array([change_db, -3.0, -8.0]) / 20)
    mix = (gains[:, None] * dry).sum(axis=0) * np.sqrt(0.5)
    figures = measure_figures(Feed(np.array([*dry, mix, mix])), 5, threads=1)
    strips = [Strip(source=name, rows=(row,), fader_db=0.0) for row, name in enumerate(("voice", "bass", "hat"))]
    sings = np.ones(LENGTH_S * 10, bool)
    ratio = voice_ratio(figures, strips, (3, 4), "voice", sings)
    assert ratio is not None
    powers = [gain**2 * in_band(sound) for gain, sound in zip(gains, dry, strict=True)]
    assert ratio.ratio_db == pytest.approx(10 * np.log10(powers[0] / (powers[1] + powers[2])), abs=0.7)
    assert ratio.ratio_db_pm < 1.5
    assert voice_ratio(figures, strips, (3, 4), "nobody", sings) is None
    assert voice_ratio(figures, strips, (3, 4), "voice", sings[:50]) is None
