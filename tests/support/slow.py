"""Tests that only `make test-all` runs, each with what of it stays in the default run, and why that holds the behaviour.

The default run is for whoever changes a line and waits for the answer; it keeps a part of every study, and every behaviour at
least once. Nothing here is loosened: the tests are the same, and all of them run with `make test-all`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pytest


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow:
    """Tests of one file that are marked slow."""

    file: str
    """Below `tests/`."""
    tests: tuple[str, ...] = ()
    """Names of functions; none are all of the file."""
    only: tuple[str, ...] = ()
    """Parts of parameter ids: where any are given, only tests with one of them are slow."""
    stays: tuple[str, ...] = ()
    """Parts of parameter ids: tests with one of them stay in the default run."""
    covered: str
    """What the default run still does of it."""

    def holds(self, item: pytest.Function) -> bool:
        """Tell whether a test is one of these."""
        if not item.nodeid.startswith(f"tests/{self.file}::") or (self.tests and item.originalname not in self.tests):
            return False
        parameters = item.callspec.id if hasattr(item, "callspec") else ""
        if self.only and not any(part in parameters for part in self.only):
            return False
        return not any(part in parameters for part in self.stays)


SLOW: Final = (
    Slow(
        file="live/test_jack.py",
        tests=("test_a_line_check_of_32_channels",),
        only=("whole",),
        covered="The same with the first five players, a bass that hums among them; all faults of the whole line check are found from memory "
        "in live/test_watch.py.",
    ),
    Slow(
        file="live/test_jack.py",
        tests=("test_a_device_that_comes_back_as_another",),
        only=("44100",),
        covered="The same with a device that comes back with fewer inputs.",
    ),
    Slow(
        file="live/test_watch.py",
        tests=("test_kept_weeks_tell_who_is_in_the_wrong_place",),
        covered="Exchanged inputs in order of play: the first test of the file. Known by the kept weeks: reference_model/test_identity.py, "
        "which computes both sides.",
    ),
    Slow(
        file="compare/test_compare.py",
        tests=(
            "test_only_gain", "test_only_delay", "test_settings_behind_an_equaliser",
            "test_a_delay_behind_an_equaliser_is_not_mixed_up_with_the_phase_of_its_filters",
        ),
        only=("1.5", "250.0", "rms", "0.0"),
        covered="The same with a level lowered by 6 dB, delays of 31.37 and 40.3 samples, and a compressor that senses peaks.",
    ),
    Slow(
        file="moves/test_voice.py",
        tests=("test_a_part_of_the_study",),
        only=("twentieth",),
        covered="The first mix of these.",
    ),
    Slow(
        file="reference_model/test_season.py",
        only=("fortieth",),
        covered="The same four tests with three clean shows and one with things wrong, in place of five and three.",
    ),
    Slow(
        file="compare/test_compare.py",
        tests=("test_a_part_of_the_study",),
        only=("twentieth",),
        covered="The first case of these, which is linear; compressors: test_settings_behind_an_equaliser.",
    ),
    Slow(
        file="demo/test_season.py",
        tests=("test_every_planted_problem_of_the_whole_season_is_found_and_nothing_else",),
        covered="The same with this week's show, which holds every planted problem of the season, and the clean one before it.",
    ),
    Slow(
        file="real/test_end_to_end.py",
        tests=(
            "test_clean_recording_has_no_fault", "test_clean_recording_is_not_judged",
            "test_level_findings_of_clean_recordings_are_true", "test_headroom_findings_of_clean_recordings_are_true",
            "test_exit_status_says_whether_something_is_to_be_fixed", "test_pair_readings_agree_with_numpy",
        ),
        stays=("stems-50-hz", "song-metal", "voice-vocadito_10", "take-war"),
        covered="The same with four stems of a song, a song that stops dead twice, a singer alone and a band of four.",
    ),
    Slow(
        file="real/test_end_to_end.py",
        tests=(
            "test_planted_fault_is_found", "test_planted_fault_is_found_when_it_happens",
            "test_planted_fault_without_edges_is_found_where_it_is", "test_clipping_is_found_where_tops_are_flat",
            "test_nothing_else_is_blamed",
        ),
        stays=(
            "polarity-guitar-metal", "hum-50-guitar-with-stops", "clipped-then-6-db-down-voice", "dropouts-guitar",
            "level-10-db-down", "howl-voice-16",
        ),
        covered="Six of the 27 faults on real recordings, of six kinds; every kind is planted and found in demo/test_season.py.",
    ),
    Slow(
        file="real/test_peers.py",
        tests=("test_reading_agrees_with_ffmpeg",),
        only=("song Escape", "song Feelings", "song War"),
        covered="The same six readings of one whole song (the loudest), four stems, two voices and all single notes.",
    ),
)  # fmt: skip
