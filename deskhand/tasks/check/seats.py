"""Seats of a check: their meters while the take is read, and what comes of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.findings import seat_findings, with_text
from deskhand.recording.show import show_note_of
from deskhand.result import SeatResult
from deskhand.tasks.seats import EveningMeter, exposures, open_seat_history, seat_memory

if TYPE_CHECKING:
    from deskhand.recording import Recording
    from deskhand.seat.exposure import SeatExposure
    from deskhand.tasks.check.options import CheckOptions
    from deskhand.tasks.check.resolve import ShowSetup


def evening_meter(setup: ShowSetup, recording: Recording) -> EveningMeter | None:
    """Meters of the seats that a take was recorded with; None where there are none."""
    if not setup.matched.seats:
        return None
    return EveningMeter(setup.house, setup.matched, setup.folder, recording.sample_rate_hz)


def seat_results(
    setup: ShowSetup, recording: Recording, meter: EveningMeter | None, options: CheckOptions
) -> tuple[SeatResult, ...]:
    """Sound in the house at each seat, with its findings, once the take was read.

    Parameters
    ----------
    setup : ShowSetup
    recording : Recording
    meter : EveningMeter or None
        None where no seat is recorded.
    options : CheckOptions
    """
    if meter is None:
        return ()
    history = open_seat_history(setup, options.history)
    try:
        memory = seat_memory(setup.house, history, show=(setup.show.name, setup.show.date), date=setup.show.date)
    finally:
        if history is not None:
            history.close()
    clock_s = show_note_of(recording.path).start_clock_s
    return with_findings(exposures(setup, meter, memory, start_s=recording.start_s, clock_s=clock_s))


def with_findings(exposed: tuple[SeatExposure, ...]) -> tuple[SeatResult, ...]:
    """Exposures with what is found of them, in sentences."""
    return tuple(
        SeatResult(exposure=exposure, findings=tuple(map(with_text, seat_findings(exposure)))) for exposure in exposed
    )
