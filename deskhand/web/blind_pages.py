"""Blind tests on the page: begun, answered, and their result written to the history."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from deskhand.errors import DeskhandError, UsageError
from deskhand.measure.excerpt import LENGTH_S
from deskhand.report.words import text
from deskhand.store import BlindTest
from deskhand.store.blind_tests import answer_blind_test, blind_tests_of
from deskhand.tasks import keep as keeping
from deskhand.web.blind import AbxTest
from deskhand.web.cache import NewestFew
from deskhand.web.parse import number_of

if TYPE_CHECKING:
    from starlette.requests import Request

    from deskhand.web.state import PageState

_USUAL_TRIALS = 10
"""Trials where nobody says how many: nine right come by chance once in a hundred (binomial distribution)."""


def _loop_of(data: dict[str, Any]) -> tuple[float, float]:
    """Begin and end of the loop, in seconds of the stretch; all of it where nothing is said."""
    begin_s, end_s = (data.get(name, usual) for name, usual in (("loop_from_s", 0.0), ("loop_to_s", LENGTH_S)))
    return number_of(begin_s, "the begin of the loop"), number_of(end_s, "the end of the loop")


class BlindPages:
    """Blind tests between a chain and the house's, or the recording.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        # more than are begun in an evening. Common practice, no source
        self._tests = NewestFew(20)
        self._answering = threading.Lock()

    def start(self, data: dict[str, Any]) -> dict[str, Any]:
        """Begin a blind test between a chain and the house's, or the recording."""
        shelf, check = self._state.stored_check_of(data)
        name, against = str(data.get("source")), str(data.get("against"))
        show = check.result.show
        start_s = number_of(data.get("start_s"), "the start") - show.start_s
        source_stretch = self._state.stretch(shelf, name, start_s)
        tried = source_stretch.run(self._state.sent_chain(shelf, name, data.get("chain")))
        is_recorded = against == "recorded"
        reference = source_stretch.recorded if is_recorded else source_stretch.run(self._state.standing_chain(name))
        test = AbxTest.begin(
            self._state.sounds,
            reference,
            tried,
            source_stretch.rate_hz,
            source=name,
            compared=text(f"blind.{'recorded' if is_recorded else 'house'}"),
            show=(show.name, show.date),
            trials=int(number_of(data.get("trials", _USUAL_TRIALS), "the trials")),
            loop_s=_loop_of(data),
            start_s=show.start_s + source_stretch.start_s,
        )
        self._tests.get_or_make(test.id, lambda: test)
        return test.state()

    def answer(self, data: dict[str, Any]) -> dict[str, Any]:
        """Take an answer, which the history keeps at once: a test that is broken off is kept as far as it went."""
        test = self._tests.get(str(data.get("blind")))
        if not isinstance(test, AbxTest):
            raise UsageError("the blind test", "is over", "begin another")
        # two answers at once are two answers, and one result
        with self._answering:
            test.answer(str(data.get("answer")))
            try:
                self._write(test)
            except DeskhandError:
                # what cannot be written now may be with the next answer; the last one is told
                if test.done:
                    raise
            return test.state()

    def _write(self, test: AbxTest) -> None:
        """Write to the history how far a test went."""
        house = self._state.hall.house().house.name
        (show, date), answered = test.show, len(test.answers)
        store = keeping.history_at(self._state.history, self._state.hall.house_file, create=True)
        try:
            if test.row is not None:
                answer_blind_test(store, test.row, answered=answered, right=test.right, p_value=test.p_value)
                return
            test.earlier = blind_tests_of(store, house=house, source=test.source, show=show, date=date)
            row = BlindTest(
                source=test.source,
                show=show,
                date=date,
                compared=test.compared,
                trials=test.trials,
                answered=answered,
                right=test.right,
                p_value=test.p_value,
                earlier=test.earlier,
                said_by=self._state.by,
            )
            test.row = store.add_blind_test(row, house=house)
        finally:
            store.close()

    def sound(self, request: Request) -> Response:
        """One of the three sounds; nothing about the hidden one tells which of the two it is."""
        test = self._tests.get(str(request.path_params["id"]))
        if not isinstance(test, AbxTest):
            raise HTTPException(404, text("error.nothing_to_hear"))
        name = test.sound(str(request.path_params["which"]))
        path = self._state.sounds.path(name) if name else None
        if path is None:
            raise HTTPException(404, text("error.nothing_to_hear"))
        # no name, date or tag of the file may tell one from the other
        return Response(path.read_bytes(), media_type="audio/wav")
