"""Sources and voices to work on: their pages, settings that are tried and saved, and everything there is to hear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response

from deskhand.files import write_atomically
from deskhand.house import parse_house, with_setup, with_source, written_source
from deskhand.report.words import text
from deskhand.result import plain
from deskhand.web.cache import NewestFew
from deskhand.web.hall import digest
from deskhand.web.kept_moments import kept_moments
from deskhand.web.parse import in_db, number_of, setup_fields, setup_keys, source_at, source_table
from deskhand.web.source_view import source_page, tried_parts
from deskhand.web.tries import pair_of, to_left_and_right
from deskhand.web.voice import (
    MOMENT_S,
    MixChanges,
    MixStretch,
    VoicePhrases,
    loudness_of,
    mix_around,
    strips_of,
)
from deskhand.web.voice_view import voice_page, voice_parts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from starlette.requests import Request

    from deskhand.recording import Recording
    from deskhand.web.hall import Shelf, StoredCheck
    from deskhand.web.state import PageState
    from deskhand.web.tries import HouseRecording

_QUIET_LUFS: Final = -26.0
"""Loudness above which a moment is turned down: near broadcast loudness (EBU R 128: -23 LUFS), a little below. Common practice, no
source."""
_HEAR_MOST_S: Final = 20.0
"""Longest moment that is played. Common practice, no source."""
_HEAR_LEAST_S: Final = 0.1
"""Shortest moment that is played. Common practice, no source."""
_BEFORE_S: Final = 1.0
"""Time that is played before a moment of the mix, to hear it come. Common practice, no source."""


class ConflictError(Exception):
    """Raised where somebody else changed the same settings meanwhile."""

    def __init__(self, theirs: dict[str, Any]) -> None:
        super().__init__()
        self.theirs = theirs


def _settings_of(written: dict[str, Any]) -> dict[str, Any]:
    """Chain and fader of a source's table, as the page compares them."""
    return {"chain": plain(written.get("chain", [])), "fader": str(written.get("fader", ""))}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedMoment:
    """A moment of a source, to be heard."""

    key: str
    """Tells it from every other."""
    recording: Recording
    tracks: tuple[int, ...]
    begin_s: float
    length_s: float

    def read(self) -> tuple[NDArray[np.floating], float | None]:
        """(2, frames) of audio and its loudness in LUFS; None for silence."""
        audio = to_left_and_right(self.recording.excerpt(self.tracks, self.begin_s, self.length_s))
        return audio, loudness_of(audio, self.recording.sample_rate_hz).loudness_lufs


class SourcePages:
    """Pages of a source and of a voice, and everything that is tried on them.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        self._hall = state.hall
        # two people at work. Common practice, no source
        self._phrases = NewestFew(2)

    # --- pages

    def source(self, request: Request) -> Response:
        """Page of one source."""
        shelf, check = self._state.check_at(request)
        index = int(request.path_params["at"])
        source = source_at(check, index)
        house_text = self._hall.text_of(shelf)
        house = parse_house(house_text, self._hall.file_of(shelf))
        picture = check.pictures.get(source.name)
        show_start_s = check.result.show.start_s
        start_s = (picture.telling_s if picture else 0.0) - show_start_s
        wanted = request.query_params.get("from")
        if wanted is not None:
            start_s = number_of(wanted, "from") - show_start_s
        return HTMLResponse(
            source_page(
                self._hall,
                check,
                source,
                written=source_table(house_text, source.name),
                house=house,
                start_s=max(0.0, start_s) + show_start_s,
                index=index,
                kept=kept_moments(self._state, shelf, check, index),
            )
        )

    def voice(self, request: Request) -> Response:
        """Page of one voice."""
        shelf, check = self._state.check_at(request)
        result = check.result
        voices = [voice for voice in (result.vocal, *result.voices) if voice is not None]
        name = request.query_params.get("of")
        voice = next((voice for voice in voices if name in (None, voice.source)), None)
        if voice is None:
            raise HTTPException(404, text("error.no_voice"))
        strips = strips_of(self._state.opened(shelf), voice.source)
        return HTMLResponse(
            voice_page(
                self._hall,
                check,
                voice,
                strips=[(source, len(strip.tracks) == 2) for source, strip in strips.items() if source != voice.source],
                others=[clearance.source for clearance in voices if clearance.source != voice.source],
            )
        )

    # --- a source's settings

    def try_chain(self, data: dict[str, Any]) -> dict[str, Any]:
        """A source through other settings: numbers, pictures, and what there is to hear."""
        shelf, check = self._state.stored_check_of(data)
        show_start_s = check.result.show.start_s
        name = str(data.get("source"))
        start_s = number_of(data.get("start_s"), "the start") - show_start_s
        stretch = self._state.stretch(shelf, name, start_s)
        chain = self._state.sent_chain(shelf, name, data.get("chain"))
        tried = stretch.run(chain)
        house_chain = self._state.standing_chain(name)
        standing = stretch.run(house_chain)
        checked = stretch.run(source_table(check.house_text, name).get("chain", []))
        source = next((source for source in check.result.sources if source.name == name), None)
        rate = stretch.rate_hz
        return tried_parts(source, chain, checked, standing, tried) | {
            "start_s": stretch.start_s + show_start_s,
            "id": tried.id,
            "sound": {
                "recorded": pair_of(self._state.sounds, stretch.recorded, tried, rate),
                "house": pair_of(self._state.sounds, standing, tried, rate),
            },
            "same_as_house": chain == house_chain,
        }

    def written(self, request: Request) -> Response:
        """Settings of a source as they are written: the standing house's, or with the proposed moves."""
        shelf = self._hall.recording(request.query_params.get("id", ""))
        check = None if shelf is None else self._state.stored_check(shelf)
        if check is None:
            raise HTTPException(404, text("error.not_checked"))
        moves = request.query_params.get("which") == "moves"
        house_text = check.moves_text if moves else self._hall.standing_text()
        return JSONResponse(_settings_of(written_source(house_text, request.query_params.get("source", ""))))

    def save(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write a source's settings into this week's house file, unless somebody else changed them meanwhile."""
        shelf = self._state.shelf_of(data)
        name, fader = str(data.get("source")), data.get("fader")
        with self._hall.lock:
            old_text = self._hall.text_of(shelf)
            parse_house(old_text, self._hall.file_of(shelf))
            chain = self._state.sent_chain(shelf, name, data.get("chain"))
            standing = _settings_of(written_source(old_text, name))
            base = data.get("base")
            if not isinstance(base, dict) or any(base.get(key) != value for key, value in standing.items()):
                raise ConflictError(standing)
            keys = {"fader": in_db(fader.strip()) or None} if isinstance(fader, str) else {}
            new_text = with_source(old_text, name, chain=chain, keys=keys)
            target = self._hall.week_file(shelf)
            write_atomically(target, new_text)
        return {
            "base": _settings_of(written_source(new_text, name)),
            "said": text("source.saved", file=target.name),
        }

    def save_setup(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write a source's set-up into the standing house file and this week's, or into this week's alone."""
        shelf = self._state.shelf_of(data)
        name, keys = str(data.get("source")), setup_keys(data.get("setup"))
        with self._hall.lock:
            week = self._hall.week_file(shelf)
            read = self._hall.text_of(shelf)
            parse_house(read, self._hall.file_of(shelf))
            stands = setup_fields(written_source(read, name))
            if data.get("base") != stands:
                raise ConflictError(stands)
            new_text = with_setup(read, name, keys)
            if data.get("every_week") is True:
                write_atomically(self._hall.house_file, with_setup(self._hall.standing_text(), name, keys))
            if data.get("every_week") is not True or week.is_file():
                write_atomically(week, new_text)
        return {
            "base": setup_fields(written_source(new_text, name)),
            "said": text("setup.saved_every" if data.get("every_week") is True else "setup.saved_week", file=week.name),
        }

    # --- room for a voice

    def try_mix(self, data: dict[str, Any]) -> dict[str, Any]:
        """A voice with changes of everything else."""
        shelf, check = self._state.stored_check_of(data)
        voice, changes = str(data.get("voice")), MixChanges.of(data.get("settings", {}))
        opened = self._state.opened(shelf)
        phrases = self._phrases.get_or_make(
            (shelf.id, opened.id, voice, digest(check.house_text)), lambda: VoicePhrases(opened, check.result, voice)
        )
        parts = voice_parts(check.result, phrases.with_changes(changes))
        moment = data.get("at")
        if moment is not None:
            moment_s = number_of(moment, "the moment") - check.result.show.start_s
            parts["sound"] = self._mix_pair(opened, phrases, changes, moment_s)
        return parts

    def _mix_pair(
        self, opened: HouseRecording, phrases: VoicePhrases, changes: MixChanges, moment_s: float
    ) -> dict[str, Any] | None:
        """The mix around a moment, as it stands and with changes, at one loudness."""
        start_s = max(0.0, moment_s - _BEFORE_S)
        rate = opened.recording.sample_rate_hz
        pair = []
        for mix in (MixChanges(), changes):
            audio = mix_around(opened, phrases.strips, mix, start_s, MOMENT_S)
            key = f"{sorted(mix.mid_down_db.items())} {sorted(mix.fader_db.items())} {sorted(mix.muted)}"
            name = digest(f"mix {opened.id} {start_s} {key}")[:16]
            pair.append(MixStretch(id=name, audio=audio, readings=loudness_of(audio, rate)))
        return pair_of(self._state.sounds, pair[0], pair[1], rate)

    # --- sound

    def hear(self, request: Request) -> Response:
        """A moment of a source as it was recorded, turned down where it is loud, or to one loudness with a moment of another recording."""
        shelf, check = self._state.check_at(request)
        query = request.query_params
        length_s = min(number_of(query.get("for", "2"), "for"), _HEAR_MOST_S)
        moment = self._moment(shelf, check, int(request.path_params["at"]), number_of(query.get("at"), "at"), length_s)
        beside = None
        if "beside" in query:
            other = self._state.shelf_of({"id": query["beside"]})
            other_check = self._state.stored_check(other)
            if other_check is None:
                raise HTTPException(404, text("error.not_checked"))
            place = int(number_of(query.get("beside_source"), "beside_source"))
            beside = self._moment(other, other_check, place, number_of(query.get("beside_at"), "beside_at"), length_s)
        name = digest(f"hear {moment.key} {beside.key if beside else ''}")[:16]
        sounds = self._state.sounds
        if sounds.path(name) is None:
            audio, loudness_lufs = moment.read()
            both = [loudness_lufs, beside.read()[1] if beside is not None else None]
            target_lufs = min([_QUIET_LUFS, *(each for each in both if each is not None)])
            gain_db = 0.0 if loudness_lufs is None else target_lufs - loudness_lufs
            sounds.put(name, audio, moment.recording.sample_rate_hz, gain_db=gain_db)
        return self._sound(name)

    def _moment(self, shelf: Shelf, check: StoredCheck, place: int, at_s: float, length_s: float) -> RecordedMoment:
        """Moment of a source in one recording."""
        source = source_at(check, place)
        opened = self._state.opened(shelf)
        recording = opened.recording
        tracks = opened.tracks().get(source.name)
        if tracks is None:
            # a side that is missing does not keep the other from being heard
            names = [track.name for track in recording.tracks]
            tracks = tuple(names.index(name) for name in source.tracks if name in names)
        if not tracks:
            raise HTTPException(404, text("error.nothing_to_hear"))
        begin_s = max(0.0, min(at_s - check.result.show.start_s, recording.duration_s - _HEAR_LEAST_S))
        return RecordedMoment(
            key=f"{shelf.id} {shelf.changed} {source.name} {tracks} {begin_s} {length_s}",
            recording=recording,
            tracks=tuple(tracks),
            begin_s=begin_s,
            length_s=max(_HEAR_LEAST_S, length_s),
        )

    def audio(self, request: Request) -> Response:
        """A sound that a page plays."""
        return self._sound(str(request.path_params["name"]))

    def _sound(self, name: str) -> Response:
        path = self._state.sounds.path(name)
        if path is None:
            raise HTTPException(404, text("error.nothing_to_hear"))
        return FileResponse(path, media_type="audio/flac", headers={"cache-control": "private, max-age=600"})
