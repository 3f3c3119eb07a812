"""Coils that were on a line in a period, however many came before and after."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.trace import two_lines as plant
from tests.trace.two_lines import hour
from tracelog.plant.queries import directory
from tracelog.plant.stay_statements import MOST_AT_ONCE
from tracelog.plant.stays import coil_stays

RUNS = 3 * MOST_AT_ONCE


@pytest.fixture(autouse=True)
def _runs(session: Session) -> None:
    """A coil for each hour of line 1, the end of every third not reported; none on line 2."""
    plant.write_plant(session)
    for number in range(RUNS):
        plant.run_coil(session, f"K{number}", 1, number, None if number % 3 == 0 else number + 1)


@pytest.mark.parametrize("at", [0.5, 1.5, 20.5, 30.5, RUNS - 0.5])
def test_the_coil_of_an_instant_is_found(session: Session, at: float) -> None:
    line = directory(session).lines[1]
    for as_of in (None, hour(at), hour(RUNS)):
        found = coil_stays(session, hour(at), hour(at), line_id=line, as_of=as_of)
        assert [one.coil for one in found] == [f"K{int(at)}"]


def test_all_coils_of_a_long_period_are_found(session: Session) -> None:
    line = directory(session).lines[1]
    found = coil_stays(session, hour(0.5), hour(RUNS), line_id=line)
    assert [one.coil for one in found] == [f"K{number}" for number in range(RUNS)]
    # What is said of a line alone is what is said of it among all.
    everywhere = coil_stays(session, hour(0.5), hour(RUNS))
    assert [one for one in everywhere if one.line_id == line] == found


def test_before_the_first_coil_there_is_none_and_the_last_goes_on(session: Session) -> None:
    lines = directory(session).lines
    before = hour(0) - timedelta(hours=2)
    assert coil_stays(session, before, before, line_id=lines[1]) == []
    assert coil_stays(session, hour(5), hour(6), line_id=lines[2]) == []
    plant.run_coil(session, "last", 1, RUNS, None)
    (last,) = coil_stays(session, hour(RUNS + 500), hour(RUNS + 501), line_id=lines[1])
    assert (last.coil, last.ended_at) == ("last", None)


def test_a_coil_beside_many_others_is_found(session: Session) -> None:
    """One that was on the line for long, while others came and went."""
    plant.run_coil(session, "long", 1, RUNS, RUNS + 100)
    for number in range(MOST_AT_ONCE - 1):
        plant.run_coil(session, f"short {number}", 1, RUNS + 1 + number, RUNS + 2 + number)
    found = coil_stays(
        session, hour(RUNS + 50), hour(RUNS + 50), line_id=directory(session).lines[1]
    )
    assert [one.coil for one in found] == ["long"]
