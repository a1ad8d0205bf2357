"""Tests that only `make test-all` runs, each with what of it stays in the default run, and why that holds the behaviour.

The default run is for whoever changes a line and waits for the answer; it keeps every behaviour at least once, and a seeded part of the
studies whose behaviour nothing shorter holds. Further parts, second recordings and second examples are here. Nothing is loosened: the tests are the same, and all of them run with
`make test-all`.
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
        file="archive/test_cluster.py",
        tests=("test_workers_and_a_scheduler_that_are_killed_lose_nothing",),
        covered="Orders that come back from a cluster: test_each_order_comes_back_once; killed workers of this computer: archive/test_archive.py.",
    ),
    Slow(
        file="archive/test_archive.py",
        tests=("test_takes_that_cannot_be_measured_again_can_be_left", "test_a_show_that_ends_each_worker_is_given_up"),
        covered="Measuring again and switching together, and a worker that is killed once: the same file.",
    ),
    Slow(
        file="live/test_jack.py",
        tests=("test_a_line_check_of_32_channels",),
        covered="All faults of the whole line check, each in time: live/test_watch.py, from memory; the command by a device, and its recording "
        "to the last bit: test_a_device_that_is_killed_and_comes_back; the command's words and result: live/test_session.py.",
    ),
    Slow(
        file="live/test_watch.py",
        tests=("test_kept_weeks_tell_who_is_in_the_wrong_place", "test_kept_weeks_that_know_each_input_leave_nothing_to_ask"),
        covered="Exchanged inputs in order of play: the first test of the file. Known by the kept weeks: baseline/test_identity.py, "
        "which computes both sides. Nobody is asked of what sounds like itself: live/test_line.py, test_who_sounds_like_itself_is_not_asked_about, and "
        "baseline/test_identity.py, test_what_is_at_home_as_itself_is_left_alone.",
    ),
    Slow(
        file="demo/test_season.py",
        tests=("test_every_planted_problem_of_the_whole_season_is_found_and_nothing_else",),
        covered="The same with this week's show, which holds every planted problem of the season, and the clean one before it.",
    ),
    Slow(
        file="demo/test_story.py",
        tests=("test_the_story_line_by_line", "test_the_tutorial_command_by_command"),
        covered="Each step by itself: weeks that are kept, test_keep.py; moves that are done, test_done.py; a low voice, moves/test_voice.py; an input "
        "unlike its weeks, baseline/test_season.py. That commands and options of the docs are there: test_docs.py.",
    ),
    Slow(
        file="real/test_end_to_end.py",
        tests=(
            "test_clean_recording_has_no_fault", "test_clean_recording_is_not_judged",
            "test_level_findings_of_clean_recordings_are_true", "test_headroom_findings_of_clean_recordings_are_true",
            "test_exit_status_says_whether_something_is_to_be_fixed", "test_pair_readings_agree_with_numpy",
        ),
        stays=("stems-50-hz", "song-metal", "voice-vocadito_10"),
        covered="The same with four stems of a song, a song that stops dead twice, and a singer alone.",
    ),
    Slow(
        file="real/test_end_to_end.py",
        tests=(
            "test_planted_fault_is_found", "test_planted_fault_is_found_when_it_happens",
            "test_planted_fault_without_edges_is_found_where_it_is", "test_clipping_is_found_where_tops_are_flat",
            "test_nothing_else_is_blamed",
        ),
        stays=(
            "clipped-then-6-db-down-voice", "howl-voice-16",
        ),
        covered="Two of the 27 faults on real recordings, of two kinds; hum under real playing: measure/test_hum_under_playing.py; a level: "
        "findings/test_judge.py; every kind is planted and found in demo/test_season.py.",
    ),
    Slow(
        file="real/test_peers.py",
        tests=("test_reading_agrees_with_ffmpeg",),
        only=("song Escape", "song Feelings", "song War", "song Metal madness/guitar", "vocadito_14", "guitar notes/"),
        stays=("notes/Cs2", "notes/C6"),
        covered="The same six readings of one whole song (the loudest), four stems, a voice, and a low and a high note.",
    ),
    Slow(
        file="live/test_jack.py",
        tests=("test_a_device_that_comes_back_as_another",),
        covered="A device that is killed and comes back: test_a_device_that_is_killed_and_comes_back, in the same file.",
    ),
    Slow(
        file="live/test_watch.py",
        tests=(
            "test_a_clean_line_check_says_nothing", "test_the_readings_are_those_of_a_check_of_the_same_stretch",
            "test_players_out_of_order_with_every_cable_right",
        ),
        covered="Inputs without a fault of which nothing is said: the first test of the file; readings as a check of the same recording has them: "
        "live/test_session.py, test_a_soundcheck_from_a_recording; players out of order: live/test_line.py.",
    ),
    Slow(
        file="compare/test_compare.py",
        tests=(
            "test_only_gain", "test_only_delay", "test_settings_behind_an_equaliser",
            "test_a_delay_behind_an_equaliser_is_not_mixed_up_with_the_phase_of_its_filters",
        ),
        only=("1.5", "250.0", "rms", "40.3"),
        covered="The same with a level lowered by 6 dB, a delay of 31.37 samples, no delay behind the equaliser, and a compressor that "
        "senses peaks.",
    ),
    Slow(
        file="compare/test_compare.py",
        tests=("test_what_is_always_above_its_threshold", "test_the_leg_it_acts_on", "test_distortion_is_not_taken_for_tone"),
        covered="A compressor's settings: test_settings_behind_an_equaliser; legs: test_what_is_done_to_the_sides_only.",
    ),
    Slow(
        file="compare/test_compare.py",
        tests=("test_a_part_of_the_study",),
        only=("twentieth",),
        covered="One case of the study. What its cases are made of, one at a time: shapes of sox and of one bell, delays, and a compressor's settings behind an "
        "equaliser, all in the same file.",
    ),
    Slow(
        file="moves/test_voice.py",
        tests=("test_a_low_voice", "test_a_loud_guitar", "test_an_open_microphone"),
        covered="By the command, in the same file: a voice that is low is one move and true when carried out; a source that left its kept weeks "
        "goes back and the voice stays; a microphone that nobody uses in the song is muted.",
    ),
    Slow(
        file="moves/test_voice.py",
        tests=("test_a_low_voice_is_one_move_and_true_when_carried_out",),
        only=("7.0",),
        covered="A voice that is 3 dB low.",
    ),
    Slow(
        file="test_evenings.py",
        stays=("222",),
        covered="Moves that were carried out are not asked again, in the same take and in a later one, whole and in part: test_done.py; what the week "
        "holds: moves/test_week.py.",
    ),
    Slow(
        file="moves/test_plan.py",
        tests=("test_nothing_is_turned_before_what_arrives_is_right", "test_the_stronger_side_is_turned_down", "test_threshold_takes_off_what_is_wanted"),
        stays=("one-sided", "0.0--7.3", "1.5-4.0", "5.0"),
        covered="One fault of what arrives, a side that is stronger by either sign, and a threshold for 5 dB.",
    ),
    Slow(
        file="baseline/test_season.py",
        stays=("some-one",),
        covered="Two shows of the study, and of its faults: baseline/test_repertoires.py. A clean show of the invented venue of which nothing is said: demo/test_season.py. Against kept weeks: what is usual and what is not, by "
        "the command, test_keep.py, TestSetAgainstTheWeeks; ranges: baseline/test_predict.py; exchanged inputs: baseline/test_identity.py; every "
        "number: findings/test_judgements.py.",
    ),
    Slow(
        file="demo/test_season.py",
        tests=("test_each_fault_is_found_and_nothing_is_said_of_the_others",),
        covered="This week's show, in the same file, holds ten faults; each kind of fault by itself: findings/test_judge.py; a howl in a real voice: "
        "real/test_end_to_end.py.",
    ),
    Slow(
        file="demo/test_season.py",
        tests=("test_same_result_whatever_the_number_of_threads", "test_times_are_told_from_the_start_of_the_recording"),
        covered="Threads make no difference: measure/test_streaming.py, chain/test_take.py, mix/test_settings.py and mix/test_voices.py; times of "
        "a stretch: mix/test_voices.py, test_check_says_it_with_times_of_the_recording.",
    ),
    Slow(
        file="web/test_browser.py",
        tests=("test_both_are_equally_loud", "test_nothing_serious_stands_in_the_way_of_anybody"),
        only=("recorded", "dark"),
        covered="The same against the house's settings, and in light colours.",
    ),
    Slow(
        file="web/test_browser.py",
        tests=("test_from_the_front_to_a_saved_setting", "test_a_change_made_with_a_thumb", "test_a_recording_that_appears_is_asked_about"),
        covered="Controls by keyboard: test_every_control_is_reached_and_seen; on a phone: test_every_page_fits_and_every_control_takes_a_thumb; "
        "saved settings: test_saved_settings_are_this_weeks_and_a_second_browser_is_told. A recording that appears: web/test_hall.py.",
    ),
    Slow(
        file="web/test_sound.py",
        tests=("test_one_sound_at_a_time_never_above_the_slider", "test_what_is_shown_is_what_is_played", "test_stop_stops_whatever_sounds"),
        stays=("week",),
        covered="The same on the page of the week.",
    ),
    Slow(
        file="web/test_sound.py",
        tests=("test_kept_whole_by_the_browser_it_starts_low_and_silent", "test_nothing_is_offered_to_play_where_its_level_cannot_be_set"),
        stays=("no volume",),
        covered="Kept whole by the browser: the page of the week, in the same file; a browser that cannot set the level.",
    ),
    Slow(
        file="test_keep.py",
        tests=(
            "test_forgetting_by_date_and_by_name", "test_notes_of_any_kind", "test_when_all_is_forgotten_the_list_says_so",
            "test_another_phase", "test_another_house_in_the_same_history", "test_one_source_at_another_tap",
            "test_a_house_that_kept_elsewhere_is_learning_here", "test_another_house_hears_of_it", "test_again",
            "test_a_source_of_which_all_was_forgotten", "test_a_source_that_did_not_play_in_this_phase",
        ),
        covered="What counts, what is forgotten and what is taken back: store/test_history.py; another tap of all sources "
        "and another chain: the same class.",
    ),
    Slow(
        file="test_keep.py",
        tests=("test_what_is_no_finding_is_refused", "test_what_was_not_left_alone_cannot_be_raised", "test_a_source_that_was_never_kept"),
        stays=("bass/levle-low---leave-tonight", "bass/hum", "pianno"),
        covered="The first name of each.",
    ),
    Slow(
        file="test_keep.py",
        tests=("test_in_folders_of_any_name", "test_nowhere_to_write", "test_a_history_that_may_only_be_read"),
        stays=("50 % off", "no/such/x---csv", "file"),
        covered="One folder, one command and the file; any folder: store/test_history.py.",
    ),
    Slow(
        file="test_keep.py",
        tests=("test_a_history_that_cannot_be_read",),
        stays=("text",),
        covered="The first kind of damage; all kinds: store/test_history.py.",
    ),
    Slow(
        file="test_keep.py",
        tests=(
            "test_a_slash_in_a_name", "test_one_that_is_wrong_leaves_all_as_it_was", "test_what_is_said_of_the_mix_can_be_left_alone",
            "test_the_environment", "test_the_same_take_again_and_again_is_what_is_expected", "test_the_shell_sees_the_same",
            "test_the_first_show_that_was_kept_has_nothing_to_be_set_against", "test_a_long_name_does_not_hide_the_others",
            "test_a_show_whose_name_is_no_text", "test_only_what_is_done_makes_another_chain", "test_the_newest_chain_is_followed",
        ),
        covered="A finding that is ignored tonight or for good, one that is named wrongly, a file that is named, ranges, and another chain: "
        "in the same classes. Where the history lies: store/test_history.py. The shell: test_cli.py.",
    ),
    Slow(
        file="mix/test_clearance.py",
        tests=("test_raising_the_voice_never_hurts", "test_raising_what_covers_never_helps", "test_middle_of_a_pair", "test_peak_of_the_feed_does_not_rise"),
        stays=("Feelings-85.0", "Feelings-guitar", "Feelings"),
        covered="The same with one of the four songs.",
    ),
    Slow(
        file="mix/test_clearance.py",
        tests=("test_who_is_in_the_way", "test_costs_sum_to_the_whole", "test_bleed_is_not_voice"),
        stays=("0",),
        covered="The same with the first seed.",
    ),
    Slow(
        file="mix/test_voices.py",
        tests=("test_measured_as_computed_directly", "test_what_a_chain_holds_when_a_phrase_begins"),
        only=("44100", "2.0"),
        covered="The same at 48 kHz, and with a chain that holds 0.8 s.",
    ),
    Slow(
        file="measure/test_events.py",
        only=("44100-hz", "96000-hz", "192000-hz"),
        covered="The same at 48 kHz.",
    ),
    Slow(
        file="report/test_sheet.py",
        tests=("test_pages", "test_pictures_of_the_pages", "test_curve_is_the_filters_response"),
        stays=("16-1-a4", "32-2", "48000"),
        covered="One page and two, the pictures of two, and curves at 48 kHz; more pages than are asked for: test_command_says_when_it_takes_more_pages.",
    ),
    Slow(
        file="store/test_killed.py",
        tests=("test_nothing_that_was_kept_is_lost_and_nothing_is_half_there", "test_it_is_killed_at_any_moment"),
        stays=("one-1",),
        covered="The first seed, in a history that holds a take; a new one, by the command: test_it_is_killed_while_it_writes.",
    ),
    Slow(
        file="web/test_week.py",
        covered="Moves that the week holds are not asked again, and the preamp's is not saved: moves/test_week.py; saving from the page: "
        "web/test_hall.py, TestTwoWhoWrite, and web/test_browser.py; the sheet of a week: report/test_sheet.py.",
    ),
    Slow(
        file="test_hostile.py",
        tests=("test_the_shell_sees_the_same", "test_names_of_any_kind", "test_short_recordings", "test_a_full_disk_is_said"),
        stays=("[bold]vox[red]", "%s {0}", "0.5", "2.05"),
        covered="Names that look like markup and like a format, and two lengths; the shell: test_cli.py, test_the_shell_sees_the_same; a disk that "
        "is full: test_render.py, test_a_full_disk_is_said.",
    ),
    Slow(
        file="findings/test_judge.py",
        tests=("test_a_flip_that_would_hurt_mono_is_never_advised", "test_dead_from_a_time_on"),
        only=("two-inputs", "16.0", "16.6", "17.3", "18.5"),
        covered="The same of a pair, and of an input that is dead from 15.4 s on.",
    ),
    Slow(
        file="web/test_tries.py",
        tests=("test_a_pair_is_equally_loud_and_never_turned_up", "test_of_a_pair"),
        stays=("far-over", "nothing", "all"),
        covered="A chain that is far over, one that does nothing, and a whole chain.",
    ),
    Slow(
        file="web/test_guard.py",
        tests=("test_a_curve_lies_in_the_folder",),
        stays=("../secret.csv", "link.csv", "/etc/passwd"),
        covered="A path upwards, a link and a path of the whole computer.",
    ),
    Slow(
        file="store/test_history.py",
        tests=(
            "test_takes_come_by_date_and_then_as_they_were_kept", "test_parts_of_a_take_come_by_source_place_and_sound",
            "test_only_the_newest", "test_what_is_forgotten_makes_no_place_for_less", "test_another_phase_does_not_count",
            "test_another_house_does_not_count", "test_numbers_by_name_and_by_family", "test_places_are_chosen",
            "test_one_source_is_chosen_by_its_very_name", "test_sources_are_those_with_an_input_each_once", "test_by_number_date_and_name",
            "test_when_several_answer_they_are_told_apart", "test_one_that_is_not_kept", "test_what_is_forgotten_is_not_forgotten_again",
            "test_another_house_keeps_its_own", "test_a_number_means_its_take_even_where_another_show_is_called_so",
            "test_another_house_hears_of_it",
            "test_taken_back_it_stays_with_its_time", "test_it_can_be_said_again", "test_only_what_was_dismissed_is_taken_back",
        ),
        only=("postgresql",),
        covered="The same on SQLite; what a PostgreSQL server reads, writes, refuses and does for several programs at once: TestComesBackAsItWas, "
        "TestKeptOnce, TestSeveralPrograms, TestTables and TestTheCommands.",
    ),
    Slow(
        file="web/test_hall.py",
        tests=("test_a_recording_under_any_name_is_checked_and_shown",),
        stays=("{name} {0} <i>",),
        covered="A name that looks like a format and like markup; names of any kind at the command: test_hostile.py.",
    ),
    Slow(
        file="dsp/test_hearing.py",
        tests=("test_over_time_against_the_peer",),
        only=("diffuse",),
        covered="The same in the free field.",
    ),
    Slow(
        file="measure/test_bleed.py",
        tests=("test_a_guitar_and_its_band_have_no_bleed", "test_level_of_the_bleed"),
        stays=("feelings", "real-drums-25", "real-drums-9", "synthetic-drums"),
        covered="One song of four; the softest and the loudest bleed of real drums without a guitar, and all of synthetic ones.",
    ),
    Slow(
        file="measure/test_notes.py",
        tests=("test_tail_of_the_room_is_found", "test_tail_of_real_guitar_notes"),
        only=("1-0.6", "1-1.0", "1-1.5", "1-2.0", "1.0", "1.5"),
        covered="The shortest and the longest tail, of the first seed.",
    ),
    Slow(
        file="measure/test_hum.py",
        tests=("test_notes_are_not_hum",),
        only=("G1", "A1"),
        covered="The same with the other notes.",
    ),
    Slow(
        file="test_cli.py",
        tests=("test_output_goes_into_a_file_of_any_encoding",),
        stays=("cp1252-options0",),
        covered="The same in the older of the two encodings.",
    ),
    Slow(
        file="test_cli.py",
        tests=("test_whoever_reads_may_stop_early",),
        only=("json",),
        covered="The same with words in place of JSON.",
    ),
    Slow(
        file="store/test_history.py",
        tests=("test_names_of_any_kind",),
        only=("postgresql",),
        stays=("statement", "umlauts", "beyond-the-basic-plane"),
        covered="All names on SQLite; a statement, umlauts and signs of four bytes on PostgreSQL.",
    ),
    Slow(
        file="measure/test_hum_under_playing.py",
        tests=("test_hum_is_found", "test_its_level", "test_its_frequency"),
        stays=("metal-30", "plucks-25"),
        covered="The softest hum in a song, and the plucks.",
    ),
    Slow(
        file="measure/test_hum_under_playing.py",
        tests=("test_a_drum_machine_is_not_hum", "test_songs_are_not_hum"),
        only=("100-bpm", "quarters", "metal", "war", "escape"),
        covered="Eighths at 120 bpm and five strokes a second; one song, whole and its guitar.",
    ),
    Slow(
        file="moves/test_plan.py",
        tests=("test_balance_and_level_are_solved_together",),
        stays=("0.0-6.0", "5.0--6.0"),
        covered="A level that is right and one that is not, and each side as the stronger one.",
    ),
    Slow(
        file="measure/test_sounds.py",
        tests=("test_a_boost_is_found_with_its_step", "test_the_step_is_that_of_the_stretches"),
        only=("real",),
        covered="The same with synthetic notes; changes of tone in real notes: test_changes_of_tone_are_found_where_they_are.",
    ),
    Slow(
        file="moves/test_advice.py",
        tests=("test_a_clipped_input_is_turned_down_by_at_least_what_shows",),
        only=("8.0", "25.0"),
        covered="The least, the most and one between them, at and after line check.",
    ),
    Slow(
        file="web/test_ticks.py",
        tests=("test_the_page_is_killed_at_a_tick",),
        covered="A tick by the command killed before its file is written: test_done.py, test_killed_at_the_tick; both go one way.",
    ),
    Slow(
        file="test_done.py",
        tests=(
            "test_one_by_one_comes_to_the_same", "test_what_was_declined_stays_declined_at_this_show", "test_taken_back_it_is_as_it_was",
            "test_two_who_tick_at_once_write_it_once",
        ),
        covered="By the page, which ticks with the same functions: web/test_ticks.py: one by one, declined and taken back, two browsers at once.",
    ),
    Slow(
        file="test_done.py",
        tests=("test_killed_at_the_tick",),
        only=("after",),
        covered="Killed before the file.",
    ),
    Slow(
        file="measure/test_by_cable.py",
        tests=("test_a_lead_on_a_real_guitar",),
        only=("5-db", "7-db", "10-db", "metal", "war", "escape"),
        covered="The softest lead sound, which is hardest to tell, on one guitar.",
    ),
    Slow(
        file="measure/test_by_cable.py",
        tests=("test_a_lead_sound_takes_nothing_from_the_rest",),
        covered="A lead sound on a real guitar.",
    ),
    Slow(
        file="measure/test_tone.py",
        tests=("test_shape_of_a_band_for_steady_tones",),
        stays=("20-hz", "50-hz", "125-hz", "1000-hz", "8000-hz", "20000-hz"),
        covered="The lowest and the highest band, and some between them.",
    ),
    Slow(
        file="measure/test_sounds.py",
        tests=("test_changes_of_tone_are_found_where_they_are", "test_one_sound_is_one"),
        only=("four", "real-notes-ambient", "synthetic-notes-driven"),
        covered="A rig that is driven and clean again, of real notes and of synthetic ones; one sound that is clean, of both, driven of real notes and "
        "ambient of synthetic ones.",
    ),
    Slow(
        file="real/test_more_peers.py",
        tests=("test_bands_lie_in_the_corridor_of_class_1", "test_libebur128_agrees"),
        stays=("war-of-freedom-song", "vocadito_10"),
        covered="A song and a voice.",
    ),
    Slow(
        file="real/test_more_peers.py",
        tests=("test_a_filter_bank_agrees",),
        stays=("song",),
        covered="A whole song.",
    ),
    Slow(
        file="dsp/test_filters.py",
        tests=("test_equalisers_are_their_prototypes_to_20_khz", "test_passes_are_their_prototypes_to_20_khz"),
        only=("96000",),
        covered="The same at 44.1 kHz, where the mapping errs most; passes at 48 kHz too.",
    ),
    Slow(
        file="dsp/test_dynamics.py",
        tests=("test_songs_stay_below_the_ceiling",),
        stays=("Escape from chaosland-0 s", "Metal madness-100 ms"),
        covered="Two songs, the shortest look-ahead and the longest.",
    ),
    Slow(
        file="measure/test_split.py",
        tests=("test_cuts_where_something_happens",),
        only=("one-before", "first-and-last"),
        covered="Cuts on a second, in a dropout and on a click.",
    ),
    Slow(
        file="findings/test_judge.py",
        tests=("test_a_dropout_of_what_may_be_a_machine_is_a_note_unless_others_drop_out_with_it",),
        stays=("lead-vocal", "keys", "kick", "playback", "percussion"),
        covered="A voice, what may be a machine or a person, drums and playback.",
    ),
    Slow(
        file="findings/test_judge.py",
        tests=("test_an_inverted_side_is_told_with_both_mono_losses",),
        only=("-1-db", "-3-db"),
        covered="The softest and the loudest of the two sides, of a pair and of two inputs.",
    ),
    Slow(
        file="mix/test_settings.py",
        tests=("test_faders_moved", "test_a_middle_turned_down"),
        stays=("db3", "12.0"),
        covered="One of the five settings of faders, and a middle turned down by 12 dB.",
    ),
    Slow(
        file="mix/test_faders.py",
        tests=("test_faders_of_a_band", "test_faders_of_stems"),
        only=("-1", "1", "2", "Feelings"),
        covered="The first seed of one song, and of the stems.",
    ),
    Slow(
        file="measure/test_leak.py",
        tests=("test_a_player_to_the_click_is_not_the_click", "test_a_click_below_what_plays_is_found"),
        only=("from-0.25-s", "tempo-124"),
        covered="One tempo, from one moment on.",
    ),
    Slow(
        file="measure/test_events.py",
        tests=("test_sines_are_clean",),
        only=("16-bit",),
        stays=("dithered",),
        covered="The same of floating-point words, and of 16 bits with dither.",
    ),
    Slow(
        file="baseline/test_predict.py",
        tests=("test_the_tail_is_uniform_when_the_model_is_true",),
        only=("one-part", "one-take"),
        covered="A player that is known, one that is not, and three parts of two players.",
    ),
    Slow(
        file="moves/test_equaliser.py",
        tests=("test_several_planted_shapes_are_taken_back_within_a_decibel",),
        only=("0", "3"),
        covered="Two of the four seeds.",
    ),
    Slow(
        file="measure/test_activity.py",
        tests=("test_bleed_well_below_playing_is_not_playing", "test_level_of_hits_does_not_depend_on_what_is_between"),
        stays=("25%-15", "50%-20", "75%-26", "bleed-90", "bleed-35"),
        covered="Each share of playing and each level of bleed; the softest and the loudest between hits.",
    ),
    Slow(
        file="measure/test_loudness.py",
        tests=("test_ffmpeg_agrees",),
        stays=("pink", "speech-like", "mostly-silence"),
        covered="Three of the six signals; pyloudnorm agrees on all of them: test_pyloudnorm_agrees.",
    ),
    Slow(
        file="dsp/test_intelligibility.py",
        tests=("test_interrupted_noise_leaves_more",),
        stays=("4.0--5.0", "8.0-0.0", "8.0-5.0", "16.0-15.0"),
        covered="Each rate of interruption, and each level.",
    ),
    Slow(
        file="real/test_season.py",
        covered="Shows from recorded samples are material of the long studies only. Shows of the demo: demo/test_season.py.",
    ),
    Slow(
        file="store/test_history.py",
        tests=("test_two_writers_lose_nothing_in_a_new_history",),
        only=("sqlite",),
        covered="The same on PostgreSQL; two who write on SQLite: test_of_two_who_keep_the_same_one_is_refused.",
    ),
    Slow(
        file="store/test_history.py",
        tests=("test_of_two_who_keep_the_same_one_is_refused", "test_a_large_take"),
        only=("postgresql",),
        covered="The same on SQLite; two who write on PostgreSQL: test_two_writers_lose_nothing_in_a_new_history.",
    ),
    Slow(
        file="web/test_one_state.py",
        tests=("test_command_page_and_json_show_one_state",),
        stays=("of this show and an earlier one",),
        covered="Moves of this show and of an earlier one together.",
    ),
    Slow(
        file="recording/test_encodings.py",
        tests=("test_kinds_drawn_from_all", "test_kinds_that_were_read_wrong_or_cut_unsaid"),
        only=("-6",),
        covered="The same encodings with one channel and with two.",
    ),
    Slow(
        file="stage/test_limit_quantities.py",
        tests=("test_what_is_planted_is_read", "test_the_study_is_skipped_without_recordings"),
        stays=("hum", "dead side"),
        covered="Two of the quantities of a long study, which itself runs in `make test-all`.",
    ),
    Slow(
        file="stage/test_plants.py",
        tests=("test_without_recordings_the_study_ends",),
        covered="The study runs in `make test-all`; tests without recordings say so: test_support.py.",
    ),
    Slow(
        file="report/test_sheet.py",
        tests=("test_pages",),
        only=("32-2-letter",),
        covered="Two pages of A4.",
    ),
    Slow(
        file="test_weaker_side.py",
        covered="The weaker side stays where its peaks leave no room, the side that brings the pair nearer to nominal is turned, and balance and level "
        "are solved together: moves/test_plan.py.",
    ),
    Slow(
        file="findings/test_level_of_drums.py",
        tests=("test_a_snare_is_as_loud_as_its_back_beats", "test_a_few_strokes_of_toms_tell_their_level"),
        only=("ghosts-9", "ghosts-12", "+0-dB", "three-6-dB-up", "five-10", "three-10"),
        covered="The loudest and the softest ghost strokes, a snare that is high and one that is low; few strokes of toms, high and low.",
    ),
    Slow(
        file="recording/test_take.py",
        tests=("test_any_size_gives_the_same",),
        only=("2-7", "0-1000"),
        covered="Blocks of 7 frames of one file, and other sizes of several.",
    ),
    Slow(
        file="dsp/test_filters.py",
        tests=("test_equalisers_are_their_prototypes_to_20_khz",),
        only=("48000",),
        covered="The same at 44.1 kHz, where the mapping errs most.",
    ),
    Slow(
        file="mix/test_clearance.py",
        tests=("test_who_is_in_the_way", "test_ranks_levels_as_extended_stoi", "test_a_masker_on_one_side_costs_that_side_only"),
        only=("keys moved", "Feelings", "1"),
        covered="A guitar that was raised and a bass that covers nothing; one song; the left side.",
    ),
    Slow(
        file="recording/test_memory.py",
        tests=("test_memory_does_not_grow_with_length",),
        only=("beginning",),
        covered="The far end of the recording, to which it has to go.",
    ),
    Slow(
        file="moves/test_advice.py",
        tests=("test_a_level_carried_out_leaves_no_move",),
        stays=("-5.0", "12.0"),
        covered="One level that is low and one that is high.",
    ),
    Slow(
        file="dsp/test_intelligibility.py",
        tests=("test_rate_of_interruption",),
        only=("-5.0", "10.0"),
        covered="The middle of the three ratios of voice to noise.",
    ),
    Slow(
        file="measure/test_invariance.py",
        tests=("test_level_moves_levels_only",),
        only=("+20",),
        covered="The same 20 dB down.",
    ),
    Slow(
        file="measure/test_level_of_a_kit.py",
        tests=("test_the_song_does_not_move_the_level",),
        stays=("snare-gated", "overheads"),
        covered="A gated drum and the overheads.",
    ),
    Slow(
        file="measure/test_split.py",
        tests=("test_blocks_of_any_size_and_any_number_of_threads",),
        covered="Blocks of any size: measure/test_streaming.py and recording/test_take.py; parts that follow one another: the rest of the file.",
    ),
    Slow(
        file="baseline/test_predict.py",
        tests=("test_players_by_sampling_the_whole_model",),
        only=("known",),
        covered="A prediction with players, by integration: test_unequal_takes_by_integrating_over_mean_and_variance; the tail of both: "
        "test_the_tail_is_uniform_when_the_model_is_true.",
    ),
    Slow(
        file="measure/test_tone.py",
        tests=("test_effective_bandwidth_for_steady_tones",),
        only=("315", "400"),
        covered="A low and a high band.",
    ),
    Slow(
        file="dsp/test_dynamics.py",
        tests=("test_noise_and_tones_stay_below_the_ceiling",),
        only=("96000",),
        covered="The same at 44.1 and 48 kHz.",
    ),
    Slow(
        file="measure/test_events.py",
        tests=("test_a_burst_of_noise_is_found_once",),
        only=("-60-ms",),
        covered="The shortest and the longest burst.",
    ),
    Slow(
        file="real/test_end_to_end.py",
        tests=("test_the_known_clicks_are_there",),
        only=("Feelings",),
        covered="The other song in which clicks are known.",
    ),
    Slow(
        file="web/test_blind.py",
        tests=("test_from_the_first_sound_to_the_kept_result",),
        only=("recorded",),
        covered="The same against the house's settings.",
    ),
    Slow(
        file="mix/test_settings.py",
        tests=("test_sources_left_out",),
        only=("muted1",),
        covered="The other sources left out.",
    ),
    Slow(
        file="web/test_live_browser.py",
        covered="What the page sends and is sent: web/test_live_page.py; what is asked for, and two who press at once: live/test_shared.py.",
    ),
    Slow(
        file="web/test_browser.py",
        tests=("test_ways_to_listen", "test_the_list_of_blind_tests_is_not_cut_at_1280_pixels"),
        covered="Numbers of each way to listen: web/test_tries.py, TestSounds; pages that fit: test_every_page_fits_and_every_control_takes_a_thumb.",
    ),
    Slow(
        file="web/test_edges.py",
        tests=("test_what_starts_rises_and_what_is_stopped_falls", "test_it_starts_low_where_a_page_is_loaded_again_or_come_back_to"),
        only=("blind a", "moment 2", "Back", "another tab"),
        covered="The page of the week and the player; a page that is loaded again.",
    ),
    Slow(
        file="compare/test_compare.py",
        tests=("test_a_delay_behind_an_equaliser_is_not_mixed_up_with_the_phase_of_its_filters",),
        only=("0.0",),
        covered="A delay by itself: test_only_delay; shapes by themselves: test_shapes_of_sox.",
    ),
    Slow(
        file="moves/test_plan.py",
        tests=("test_a_part_of_the_study_of_reductions",),
        only=("twentieth",),
        covered="One pair of the study. A threshold for 5 dB: test_threshold_takes_off_what_is_wanted; one that nothing reaches: test_what_no_threshold_can_do_is_said.",
    ),
    Slow(
        file="store/test_killed.py",
        tests=("test_it_is_killed_while_it_measures_again",),
        covered="Killed while it writes: test_it_is_killed_while_it_writes; measuring again goes by the same transaction.",
    ),
    Slow(
        file="measure/test_notes.py",
        tests=("test_tail_of_real_guitar_notes",),
        covered="Tails of a room and of real voices, in the same file.",
    ),
    Slow(
        file="measure/test_hum_under_playing.py",
        tests=("test_low_notes_are_not_hum",),
        covered="Notes beside the mains are no hum, with pauses and without: measure/test_hum.py, test_notes_are_not_hum, and measure/test_steady_lines.py.",
    ),
    Slow(
        file="real/test_peers.py",
        tests=("test_a_stretch_agrees_with_ffmpeg",),
        only=("guitar",),
        covered="A stretch of the whole song.",
    ),
    Slow(
        file="measure/test_split.py",
        tests=("test_cuts_where_something_happens",),
        only=("on-a-second", "on-a-click"),
        covered="A cut in a dropout.",
    ),
    Slow(
        file="web/test_browser.py",
        tests=("test_what_was_done_is_asked_no_more_until_it_is_taken_back",),
        only=("Not tonight",),
        covered="The same with what was done.",
    ),
    Slow(
        file="test_year.py",
        tests=("test_evenings_without_a_note",),
        covered="Dates from names: recording/test_show.py; parts over midnight: recording/test_take.py; noise that creeps: baseline/test_tone_drift.py.",
    ),
    Slow(
        file="measure/test_bleed.py",
        tests=("test_sources_of_four_songs_have_no_bleed_of_one_another",),
        covered="A guitar of one of them, and its band: test_a_guitar_and_its_band_have_no_bleed.",
    ),
    Slow(
        file="seat/test_room.py",
        tests=(
            "test_a_microphone_that_never_stands_still_is_refused", "test_a_noise_in_one_sweep_costs_nothing", "test_a_limiter_is_told",
            "test_the_end_of_a_recording_is_missing", "test_noise_refuses_what_it_covers",
        ),
        covered="A clean recording, hum, clipping, and a microphone that was moved once; noise over a whole seat: seat/test_room_command.py.",
    ),
    Slow(
        file="test_checked_again.py",
        tests=(
            "test_a_changed_house_is_told_as_if_it_were_the_first", "test_another_recording_of_the_same_size_is_measured",
            "test_a_folder_that_cannot_be_used_changes_nothing", "test_another_stretch_is_another_recording",
        ),
        stays=("threshold", "new block", "pan of", "role", "preamp", "a seat", "one_sample", "damage"),
        covered="The same with a threshold, a new block, a pan, a role, the preamp and a seat; with one sample changed; with damaged files.",
    ),
    Slow(
        file="web/test_browser.py",
        tests=(
            "test_one_file_of_all_tracks_is_copied_in_under_its_name", "test_on_a_phone_the_result_stays_beside_what_is_tried",
            "test_what_is_ticked_before_leaving_stays_ticked",
        ),
        covered="A folder that is copied in; what is tried at the voice, and heard; the week's first screen on a laptop and a phone.",
    ),
    Slow(
        file="seat/test_exposure.py",
        tests=("test_a_check_tells_the_seat_and_nothing_else_changes",),
        covered="What is kept of a seat's levels, and the command by itself, in the same file; a check with a seat: test_checked_again.py.",
    ),
)  # fmt: skip
