"""The same figures by a general-purpose tool: ffmpeg's astats, volumedetect and ebur128.

Nothing here computes a figure; it only runs ffmpeg and reads what it prints. What was known of the peer when
this was written (ffmpeg 5.1):

* astats prints six decimals; RMS and peak are of full scale 1.0, so AES17 levels are its RMS + 3.01 dB.
  "Overall" is the power mean over the channels, and the larger peak.
* volumedetect works on 16-bit samples and prints one decimal.
* ebur128 prints one decimal in its summary, but three in the data it attaches to every 100 ms; the last of
  these is read. Its gate counts in steps of 0.01 LU and reads up to 0.01 LU low. It judges a mono file as one
  channel, as ITU-R BS.1770 does. True peak is by resampling to 192 kHz and is attached as a linear value with
  three decimals, so quiet peaks are read coarsely: see `true_peak_step_db`.
* Over all of this audio it and pyloudnorm ("DeMan" filter) agree within 0.007 LU, but for voice vocadito_14
  (0.022 LU).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tests.support.material import run_tool

if TYPE_CHECKING:
    from pathlib import Path

SINE_RMS_DB: Final = 20 * math.log10(math.sqrt(2))
"""AES17-2020: a level is relative to the RMS of a full-scale sine, which is 3.01 dB below that of 1.0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeerReadings:
    """What ffmpeg says of one file, all channels together."""

    peak_dbfs: float
    rms_dbfs: float
    volumedetect_peak_dbfs: float
    volumedetect_rms_dbfs: float
    loudness_lufs: float
    true_peak_dbtp: float
    true_peak_step_db: float
    """Half the last printed digit of the peer's linear true peak, in dB at that peak."""


def _ffmpeg(path: Path, audio_filter: str, window: str) -> tuple[str, str]:
    chain = f"{window},{audio_filter}" if window else audio_filter
    done = run_tool("ffmpeg", "-hide_banner", "-nostdin", "-i", path, "-af", chain, "-f", "null", "-")
    return done.stdout, done.stderr


def _last(pattern: str, text: str) -> float:
    found = re.findall(pattern + r"\s*(-?(?:[0-9.]+|inf))", text)
    if not found:
        raise LookupError(f"ffmpeg printed nothing for {pattern!r}")
    return float(found[-1])


def measure(path: Path, *, from_s: float | None = None, to_s: float | None = None) -> PeerReadings:
    """Read one file, or one stretch of it, with ffmpeg."""
    window = "" if from_s is None else f"atrim=start={from_s}:end={to_s},asetpts=PTS-STARTPTS"
    _, stats = _ffmpeg(path, "astats", window)
    overall = stats[stats.index("Overall") :]
    _, volume = _ffmpeg(path, "volumedetect", window)
    meter, _ = _ffmpeg(path, "ebur128=peak=true:metadata=1,ametadata=print:file=-", window)
    # a mono file's frames carry no "true_peak" over all channels in every version: the largest channel is it
    peaks_lin = [_last(rf"true_peaks_ch{channel}=", meter) for channel in (0, 1) if f"peaks_ch{channel}=" in meter]
    peak_lin = max(peaks_lin)
    return PeerReadings(
        peak_dbfs=_last("Peak level dB:", overall),
        rms_dbfs=_last("RMS level dB:", overall) + SINE_RMS_DB,
        volumedetect_peak_dbfs=_last("max_volume:", volume),
        volumedetect_rms_dbfs=_last("mean_volume:", volume) + SINE_RMS_DB,
        loudness_lufs=_last(r"r128\.I=", meter),
        true_peak_dbtp=20 * math.log10(peak_lin),
        true_peak_step_db=20 * math.log10(1 + 0.0005 / peak_lin),
    )
