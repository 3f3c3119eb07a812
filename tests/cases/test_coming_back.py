"""A case that ended as held and whose rate is up again is open again by itself, and says so."""

import uuid
from datetime import datetime

import pytest
from sqlalchemy import update
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, acted, opened, raised, step_fact, write_history
from tests.trends.small_log import day
from tracelog.cases.answers import case_answer
from tracelog.cases.queries import case, cases
from tracelog.cases.rules import came_back
from tracelog.cases.step_actions import add_step
from tracelog.trends.models import Signal


def test_it_came_back_with_the_first_signal_after_its_end() -> None:
    assert came_back(day(5), [day(8), day(7), day(4), day(5)]) == day(7)
    assert came_back(day(5), [day(4)]) is None


@pytest.fixture
def held(session: Session) -> uuid.UUID:
    """A case that ended as held on the tenth day."""
    write_history(session)
    case_id = opened(session)
    acted(session, case_id)
    add_step(session, step_fact(case_id, "held", day(10)), BY, day(10))
    assert case(session, case_id, day(11)).case.ended_as == "held"
    return case_id


def state(session: Session) -> tuple[str, bool]:
    """What is said of the only case, in the list and by itself, and whether it is open."""
    (listed,) = cases(session)
    alone = case(session, listed.id, day(20)).case
    assert alone == listed
    return case_answer(listed)["state"], listed.is_open


def test_a_rise_after_its_end_opens_it_until_the_rate_is_back(
    session: Session, held: uuid.UUID
) -> None:
    raised(session, "rise", day(12))
    assert state(session) == ("came back", True)
    # Work goes on without opening it again.
    assert add_step(session, step_fact(held, "note", day(13)), BY, day(13)).is_kept
    session.execute(update(Signal).values(ended_at=day(14)))
    assert state(session) == ("held", False)


@pytest.mark.parametrize(
    ("kind", "at", "machine"),
    [("fall", day(12), "1-1"), ("rise", day(8), "1-1"), ("rise", day(12), "1-2")],
)
def test_other_signals_do_not(
    session: Session, held: uuid.UUID, kind: str, at: datetime, machine: str
) -> None:
    raised(session, kind, at, machine)
    assert state(session) == ("held", False)


def test_what_ended_without_the_numbers_does_not_come_back(session: Session) -> None:
    write_history(session)
    case_id = opened(session)
    add_step(session, step_fact(case_id, "dropped", day(10)), BY, day(10))
    raised(session, "rise", day(12))
    assert state(session) == ("dropped", False)
