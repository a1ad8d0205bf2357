"""Blind listening tests that are still going on: brought up to their newest answer, and counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from deskhand.store.tables import BLIND_TEST

if TYPE_CHECKING:
    from deskhand.store.history import History


def answer_blind_test(history: History, number: int, *, answered: int, right: int, p_value: float) -> None:
    """Write how far a blind listening test has gone.

    Parameters
    ----------
    history : History
    number : int
        Of the test, as `History.add_blind_test` returned it.
    answered, right : int
        Trials with an answer, and with the right one.
    p_value : float
        Chance of as many right or more by guessing in all trials.
    """
    with history.transaction(writes=True) as connection:
        connection.execute(
            sa.update(BLIND_TEST)
            .where(BLIND_TEST.c.id == number)
            .values(answered=answered, right=right, p_value=p_value)
        )


def blind_tests_of(history: History, *, house: str, source: str, show: str, date: str | None) -> int:
    """Number of blind listening tests of a source in a show, those that were broken off among them."""
    query = sa.select(sa.func.count()).where(
        BLIND_TEST.c.house.in_(history.names.houses_of(house)),
        BLIND_TEST.c.source.in_(history.names.sources_of(source)),
        BLIND_TEST.c.show == show,
        BLIND_TEST.c.date.is_(None) if date is None else BLIND_TEST.c.date == date,
    )
    with history.transaction() as connection:
        return int(connection.execute(query).scalar_one())
