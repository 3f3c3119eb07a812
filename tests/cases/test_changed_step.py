"""A change written on a case is a change everywhere: one row, found by whoever asks for changes."""

from datetime import timedelta

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, opened, step_fact, write_history
from tests.trends.small_log import ZONE, day
from tracelog.cases.models import CaseStep
from tracelog.cases.queries import State, case
from tracelog.cases.rules import Verdict
from tracelog.cases.step_actions import add_step
from tracelog.db import new_id
from tracelog.errors import BadFact, Conflict, TracelogError, UnknownReference
from tracelog.outcomes import Became
from tracelog.plant.actions import record_changes
from tracelog.plant.facts import ChangeFact
from tracelog.plant.models import Change
from tracelog.plant.queries import directory
from tracelog.plant.stays import changes_between

NOW = day(6)


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    write_history(session)


def counted(session: Session) -> list[int]:
    return [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (Change, CaseStep)
    ]


def test_it_is_kept_once_and_is_where_before_ends(session: Session) -> None:
    case_id = opened(session)
    said = {"id": str(new_id()), "change": "repair", "minutes_down": "40"}
    fact = step_fact(case_id, "changed", day(5), **said)
    assert add_step(session, fact, BY, NOW).became is Became.CREATED
    assert add_step(session, fact, BY, NOW).became is Became.UNCHANGED
    assert counted(session) == [1, 1]
    (made,) = changes_between(session, day(4), NOW)
    machine = directory(session).machine_named("1-1")
    assert (made.machine_id, made.at, made.kind) == (machine.id, day(5), "repair")
    assert made.note == "third ring new"
    standing = case(session, case_id, day(10))
    (step,) = standing.case.steps
    assert (step.change, step.minutes_down) == ("repair", 40)
    assert (standing.case.state, standing.case.acted_at) == (State.WATCHING, day(5))
    assert standing.verification.verdict is Verdict.HELD


def test_of_a_whole_line_it_may_be_one_machines(session: Session) -> None:
    case_id = opened(session, place="1")
    for n, more in enumerate(({}, {"machine": "1-2"})):
        fact = step_fact(
            case_id, "changed", day(5) + n * timedelta(hours=1), change="repair", **more
        )
        assert add_step(session, fact, BY, NOW).is_kept
    found = changes_between(session, day(4), NOW)
    machine = directory(session).machine_named("1-2")
    assert [one.machine_id for one in found] == [machine.id, None]


def test_a_change_that_is_known_with_these_words_is_linked_and_not_kept_twice(
    session: Session,
) -> None:
    said = {"line": 1, "bodymaker": 1, "at": day(5).isoformat(), "kind": "repair"}
    known = ChangeFact.read(said | {"note": "third ring new"}, ZONE)
    assert record_changes(session, [known], BY, NOW)[0].is_kept
    case_id = opened(session)
    assert add_step(
        session, step_fact(case_id, "changed", day(5), change="repair"), BY, NOW
    ).is_kept
    assert counted(session) == [1, 1]
    other = step_fact(case_id, "changed", day(5), change="repair", text="something else")
    with pytest.raises(BadFact) as problem:
        add_step(session, other, BY, NOW)
    assert problem.value.faults[0].field == "text"
    assert counted(session) == [1, 1]


@pytest.mark.parametrize(
    ("at", "machine", "error", "field"),
    [
        (5, "1-77", UnknownReference, "machine"),
        (-1, "1-1", TracelogError, "at"),
        (7, "1-1", TracelogError, "at"),
    ],
)
def test_what_cannot_be_changed_leaves_nothing_behind(
    session: Session, at: int, machine: str, error: type[TracelogError], field: str
) -> None:
    case_id = opened(session)
    step = step_fact(case_id, "changed", day(at), change="repair", machine=machine)
    with pytest.raises(error) as problem:
        add_step(session, step, BY, NOW)
    assert problem.value.field == field
    assert counted(session) == [0, 0]


def test_somebody_may_judge_that_it_held_and_that_is_told(session: Session) -> None:
    case_id = opened(session)
    with pytest.raises(TracelogError, match="the numbers do not say"):
        add_step(session, step_fact(case_id, "held", day(5)), BY, NOW)
    judged = step_fact(case_id, "judged", day(5), text="the ring is a new design")
    assert add_step(session, judged, BY, NOW).is_kept
    about = case(session, case_id, NOW).case
    assert (about.state, about.is_judged, about.is_open) == (State.HELD, True, False)
    with pytest.raises(Conflict):
        add_step(session, step_fact(case_id, "checked", day(5)), BY, NOW)


def test_its_age_ends_with_it(session: Session) -> None:
    case_id = opened(session)
    assert case(session, case_id, day(9)).case.age_days(day(9)) == pytest.approx(4, abs=0.05)
    add_step(session, step_fact(case_id, "dropped", day(6)), BY, day(7))
    assert case(session, case_id, day(9)).case.age_days(day(9)) == pytest.approx(1, abs=0.05)
