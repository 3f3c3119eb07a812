"""The list of cases: every state, filter and order, in pages that leave nothing out."""

import uuid
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, acted, opened, raised, step_fact, write_history
from tests.support.statements import Statements
from tests.trends.small_log import day
from tracelog.cases.listing.queries import Asked, CaseFilter, Order, list_cases
from tracelog.cases.step_actions import add_step
from tracelog.db import SNAPSHOT
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory

HOUR = timedelta(hours=1)


@pytest.fixture
def kept(session: Session) -> dict[str, uuid.UUID]:
    """One case of each state, opened an hour apart."""
    write_history(session)
    found = {}
    for place, name in enumerate(("open", "watching", "held", "judged", "dropped", "reopened")):
        where = {"judged": "1-2", "dropped": "2"}.get(name, "1-1")
        found[name] = opened(session, day(5) + place * HOUR, title=f"{name} 50%", place=where)
    for name in ("watching", "held", "reopened"):
        acted(session, found[name], day(5) + timedelta(minutes=1))
    for name, kind in (("held", "held"), ("judged", "judged"), ("dropped", "dropped")):
        add_step(session, step_fact(found[name], kind, day(9)), BY, day(9))
    add_step(session, step_fact(found["reopened"], "dropped", day(9)), BY, day(9))
    again = step_fact(found["reopened"], "reopened", day(9) + HOUR, text="a chip in the Ring")
    add_step(session, again, BY, day(9) + HOUR)
    return found


def listed(session: Session, kept: dict[str, uuid.UUID], **wanted: object) -> list[str]:
    names = {key: name for name, key in kept.items()}
    page = list_cases(session, CaseFilter(**wanted), 100)  # type: ignore[arg-type]
    assert page.next_after is None
    return [names[one.id] for one in page.cases]


@pytest.mark.parametrize(
    ("state", "names"),
    [
        (Asked.ALL, ["reopened", "dropped", "judged", "held", "watching", "open"]),
        (Asked.UNENDED, ["reopened", "watching", "open"]),
        (Asked.OPEN, ["open"]),
        (Asked.WATCHING, ["reopened", "watching"]),
        (Asked.HELD, ["judged", "held"]),
        (Asked.DROPPED, ["dropped"]),
        (Asked.ENDED, ["dropped", "judged", "held"]),
        (Asked.CAME_BACK, []),
    ],
)
def test_a_state_lists_its_cases_and_each_says_that_it_is_in_it(
    session: Session, kept: dict[str, uuid.UUID], state: Asked, names: list[str]
) -> None:
    assert listed(session, kept, state=state) == names


def test_every_case_is_in_the_state_that_its_page_tells(
    session: Session, kept: dict[str, uuid.UUID]
) -> None:
    raised(session, "rise", day(10))
    for state in (Asked.OPEN, Asked.WATCHING, Asked.HELD, Asked.DROPPED, Asked.CAME_BACK):
        for one in list_cases(session, CaseFilter(state), 100).cases:
            assert one.state.value == state.value


def test_a_case_that_came_back_is_listed_with_those_not_ended(
    session: Session, kept: dict[str, uuid.UUID]
) -> None:
    raised(session, "rise", day(10))
    assert listed(session, kept, state=Asked.CAME_BACK) == ["held"]
    assert "held" in listed(session, kept, state=Asked.UNENDED)
    assert listed(session, kept, state=Asked.HELD) == ["judged"]
    assert listed(session, kept, state=Asked.ENDED) == ["dropped", "judged"]


def test_lines_machines_and_defects_choose(session: Session, kept: dict[str, uuid.UUID]) -> None:
    assert listed(session, kept, line=2) == ["dropped"]
    machine_id = directory(session).machine_named("1-2").id
    assert listed(session, kept, machine_id=machine_id) == ["judged"]
    assert listed(session, kept, defect="wrinkle") == []
    assert len(listed(session, kept, defect="split")) == 6


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("CHIP",), ["reopened"]),
        (("chip", "reopened"), ["reopened"]),
        (("chip", "judged"), []),
        (("50%", "open"), ["reopened", "open"]),
        (("50_",), []),
    ],
)
def test_words_stand_in_the_title_or_in_a_step(
    session: Session, kept: dict[str, uuid.UUID], words: tuple[str, ...], names: list[str]
) -> None:
    assert listed(session, kept, words=words) == names


@pytest.mark.parametrize("order", Order)
def test_pages_leave_nothing_out_and_repeat_nothing(
    session: Session, kept: dict[str, uuid.UUID], order: Order
) -> None:
    whole = [one.id for one in list_cases(session, CaseFilter(order=order), 100).cases]
    found: list[uuid.UUID] = []
    after = None
    for _page in range(3):
        page = list_cases(session, CaseFilter(order=order), 2, after)
        found += [one.id for one in page.cases]
        after = page.next_after
    assert (found, after) == (whole, None)
    assert len(set(found)) == 6


def test_what_is_no_end_of_a_page_is_told(session: Session, kept: dict[str, uuid.UUID]) -> None:
    with pytest.raises(TracelogError) as problem:
        list_cases(session, CaseFilter(), 2, "somewhere")
    assert problem.value.field == "after"


def test_a_page_takes_as_many_statements_whatever_it_lists(
    session: Session, kept: dict[str, uuid.UUID], statements: Statements
) -> None:
    session.info.update(SNAPSHOT)
    list_cases(session, CaseFilter(), 4)
    with statements.counted() as few:
        list_cases(session, CaseFilter(), 4)
    with statements.counted() as many:
        list_cases(session, CaseFilter(), 100)
    assert 0 < len(many) == len(few)
