"""What comes by cable hears nobody else: a louder lead sound takes nothing from the rest of its part."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import scipy.signal as ss
import soundfile

from deskhand.house import parse_house
from deskhand.measure.activity import activity, window_levels
from tests.support import material
from tests.support.bleed import REAL_HZ, mono, powers
from tests.support.command import data_of, run
from tests.support.signals import at_level, hits, speech_like, white

if TYPE_CHECKING:
    from pathlib import Path

RATE_HZ: Final = 44100
LENGTH_S: Final = 32
LEAD_S: Final = 24
"""Where the lead begins: it is the smaller part of the take, so that the median is the clean sound's."""
ROLES: Final = ("guitar", "acoustic guitar", "bass", "keys", "playback")
STEPS_DB: Final = (3.0, 5.0, 7.0, 10.0)


def band(step_db: float) -> dict[str, np.ndarray]:
    """Drums, a voice and every role that comes by cable: they play louder and softer together, and end on a lead sound."""
    rng = np.random.default_rng(11)
    frames = LENGTH_S * RATE_HZ
    # all follow the song, by up to 10 dB, in steps of half a second
    song_db = np.repeat(rng.uniform(-10.0, 0.0, 2 * LENGTH_S), RATE_HZ // 2)
    swell = 10.0 ** (song_db / 20)
    lead = np.where(np.arange(frames) < LEAD_S * RATE_HZ, 1.0, 10.0 ** (step_db / 20))
    tracks = {
        "snare": np.resize(hits(rng, 10.0, every_s=0.5, rate_hz=RATE_HZ), frames) * swell,
        "lead voice": np.resize(speech_like(rng, 14.0, -20.0, rate_hz=RATE_HZ), frames),
    }
    for number, role in enumerate(ROLES):
        middle_hz = 200.0 * 1.7**number
        sos = ss.butter(2, (middle_hz / 1.5, middle_hz * 1.5), "bandpass", fs=RATE_HZ, output="sos")
        part = at_level(ss.sosfilt(sos, rng.standard_normal(frames)), -27.0)
        tracks[role] = part * swell * lead + white(rng, LENGTH_S, -90.0, rate_hz=RATE_HZ)
    return tracks


def readings(folder: Path, step_db: float) -> dict[str, dict[str, float]]:
    """Active share and level of each source that comes by cable, as the command tells them."""
    show = folder / "show"
    show.mkdir(parents=True)
    lines = ["[house]", 'name = "Tern Street Hall"', 'nominal = "-20 dBFS"']
    for name, samples in band(step_db).items():
        soundfile.write(show / f"{name}.wav", np.clip(samples, -1.0, 1.0), RATE_HZ, subtype="PCM_24")
        role = {"lead voice": "lead vocal"}.get(name, name)
        lines += ["[[source]]", f'name = "{name}"', f'role = "{role}"', f'tracks = ["{name}"]']
    (folder / "house.toml").write_text("\n".join(lines))
    told = run("check", show, "--house", folder / "house.toml", "--no-report", "--json", "-")
    sources = data_of(told.stdout)["sources"]
    return {source["name"]: source["before"] for source in sources if source["name"] in ROLES}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, float]]:
    """The band without a lead sound, as the command tells it."""
    return readings(tmp_path_factory.mktemp("plain"), 0.0)


@pytest.mark.parametrize("step_db", [pytest.param(step, id=f"{step:g}-db-up") for step in STEPS_DB])
def test_a_lead_sound_takes_nothing_from_the_rest(
    plain: dict[str, dict[str, float]], tmp_path: Path, step_db: float
) -> None:
    with_lead = readings(tmp_path, step_db)
    for role in ROLES:
        assert with_lead[role]["active_fraction"] == pytest.approx(plain[role]["active_fraction"], abs=0.05), role
        # a quarter of the take is louder: of levels spread over 10 dB the median moves by 2 dB and more, arithmetic
        assert with_lead[role]["level_dbfs"] - plain[role]["level_dbfs"] < 2.6, role


@pytest.mark.parametrize("step_db", [pytest.param(step, id=f"lead-{step:g}-db-up") for step in STEPS_DB])
@pytest.mark.parametrize(
    "title", [pytest.param(title, id=title.replace(" ", "-").lower()) for title in material.TITLES]
)
def test_a_lead_on_a_real_guitar(title: str, step_db: float) -> None:
    plain = powers(mono(material.guitar_song(title) / "guitar.wav"), REAL_HZ)[100:800]
    with_lead = plain.copy()
    with_lead[525:] *= 10.0 ** (step_db / 10)
    was, now = (activity(power.astype(np.float32), by_cable=True) for power in (plain, with_lead))
    assert now.fraction == pytest.approx(was.fraction, abs=0.05)
    clean = slice(0, 520)
    levels = window_levels(plain.astype(np.float32))[clean]
    assert np.median(levels[now.windows[clean]]) == pytest.approx(np.median(levels[was.windows[clean]]), abs=1.0)


@pytest.mark.parametrize(
    ("name", "role", "microphone", "by_cable"),
    [
        ("guitar a", "guitar", None, True),
        ("guitar a", "guitar", "two DIs", True),
        ("keys", "keys", "stereo line", True),
        ("acoustic", "acoustic guitar", "two pick-ups", True),
        ("guitar a", "guitar", "57", False),
        ("guitar a mic", "guitar", None, False),
        ("kick", "kick", None, False),
        ("kick", "kick", "line", True),
        ("bass", "bass", "active DI", True),
        ("lead voice", "lead vocal", None, False),
        ("click", "click", None, True),
    ],
)
def test_who_comes_by_cable(tmp_path: Path, name: str, role: str, microphone: str | None, by_cable: bool) -> None:
    line = "" if microphone is None else f'microphone = "{microphone}"'
    text = f'[house]\nname = "Hall"\nnominal = "-20 dBFS"\n[[source]]\nname = "{name}"\nrole = "{role}"\ntracks = ["1"]\n{line}\n'
    assert parse_house(text, tmp_path / "house.toml").source[0].by_cable is by_cable
