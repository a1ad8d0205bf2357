"""Seats of a check: their meters while the take is read, and what comes of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.findings import seat_findings, with_text
from deskhand.recording.show import show_note_of
from deskhand.result import SeatResult
from deskhand.tasks.seats import EveningMeter, SeatShow, exposures, loaded_memory

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
    return shown_seats(setup, recording, meter, options.history, show_note_of(recording.path).start_clock_s)


def shown_seats(
    setup: ShowSetup, recording: Recording, meter: EveningMeter, history: str | None, clock_s: float | None
) -> tuple[SeatResult, ...]:
    """Sound in the house at each seat of a recording that was read.

    Parameters
    ----------
    setup : ShowSetup
    recording : Recording
    meter : EveningMeter
    history : str or None
        URL or file of the history; the one beside the house file by default.
    clock_s : float or None
        Time of day at which the recording begins.
    """
    show, house = setup.show, setup.house
    memory = loaded_memory(house, setup.folder, history, setup.names, date=show.date, show=(show.name, show.date))
    facts = SeatShow(
        date=show.date, phase=show.phase, songs=setup.song_names, start_s=recording.start_s, clock_s=clock_s
    )
    return with_findings(exposures(house, meter, memory, facts))


def with_findings(exposed: tuple[SeatExposure, ...]) -> tuple[SeatResult, ...]:
    """Exposures with what is found of them, in sentences."""
    return tuple(
        SeatResult(exposure=exposure, findings=tuple(map(with_text, seat_findings(exposure)))) for exposure in exposed
    )
