"""What can be answered: from the pallet, without it, and where nothing fits."""

from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests.cases.complaints.small_complaints import LATER, seen, step_fact, write, written
from tests.support.statements import Statements
from tests.trace.holds.small_stock import held, write_stock
from tests.trace.two_lines import bear_code, change, hour, log, serve, write_levels
from tracelog.cases.complaints.answering import Answer, answer_of
from tracelog.db import SNAPSHOT


@pytest.fixture(autouse=True)
def _stock(session: Session) -> None:
    write_stock(session)


def answered(session: Session, **said: Any) -> Answer:
    return answer_of(session, seen(session, written(session, **said)), LATER)


def test_a_pallet_tells_when_and_which_others(session: Session) -> None:
    held(session, pallets=["P-2"])
    write_levels(session)
    serve(session, "1-1", "minor", 5)
    change(session, 1, 1, 6, "tool change")
    log(session, 10, "1-1", cans=1)
    answer = answered(session)
    assert answer.machine is not None
    assert answer.machine.text == "1-1"
    assert answer.made_from is not None
    assert answer.made_from < hour(10)
    assert "pallet's filling time" in (answer.basis or "")
    assert answer.runs == ()
    pallets = {one.stay.pallet: one for one in answer.pallets}
    assert {"P-1", "P-2"} <= set(pallets)
    assert "L-1" not in pallets
    assert pallets["P-2"].holds == (1,)
    assert [one.stay.pallet for one in answer.held] == ["P-2"]
    assert answer.found is not None
    then = answer.found.then
    assert [one.service for one in then.services] == ["minor"]
    assert [one.kind for one in then.changes] == ["tool change"]
    assert len(then.entries) == 1


def test_an_unsettled_code_gives_every_reading_its_probability(session: Session) -> None:
    answer = answered(session, code="1-?", certainty="part", defect=None)
    assert answer.machine is None
    assert {one.machine.text for one in answer.candidates} == {"1-1", "1-2", "1-3"}
    told = {one.machine.text: one.probability for one in answer.candidates}
    assert told["1-2"] == pytest.approx(2 / 3)
    assert answer.is_weighed
    assert answer.pallets


def test_a_doubted_code_may_have_been_read_for_another(session: Session) -> None:
    answer = answered(session, certainty="unsure", defect=None)
    told = [(one.machine.text, one.probability) for one in answer.candidates]
    assert len(told) > 1
    assert told[0][0] == "1-1"
    assert told[0][1] > 0.9
    # What is by far the likeliest is answered for; the other readings stay in sight.
    assert answer.machine is not None
    assert answer.found is not None
    assert answer.found.machine == answer.machine
    alone = answered(session, certainty="sure", defect=None)
    assert answer.pallets == alone.pallets
    assert sum(chance for _name, chance in told) == pytest.approx(1)


def test_a_time_code_that_is_a_time_says_when(session: Session) -> None:
    answer = answered(session, pallet=None, time_code="2026-02-02 16:30")
    assert answer.made_from is not None
    assert hour(6) < answer.made_from < hour(10.6)
    assert "the time code on the can" in (answer.basis or "")
    text = answered(session, pallet=None, time_code="AB 33 Q")
    assert text.made_from is None
    assert text.problems == ()


def test_without_a_tag_every_run_is_listed_and_none_is_picked(session: Session) -> None:
    answer = answered(session, pallet=None)
    assert (answer.made_from, answer.made_to, answer.found) == (None, None, None)
    assert answer.pallets == ()
    (run,) = answer.runs
    assert run.machine.text == "1-1"
    assert run.strokes == 48 * 12_000
    several = answered(session, pallet=None, code="1-?")
    assert {one.machine.text for one in several.runs} == {"1-1", "1-2"}
    assert {one.probability for one in several.candidates} == {1 / 3}
    assert not several.is_weighed


def test_a_window_that_was_written_down_is_a_basis(session: Session) -> None:
    answer = answered(session, pallet=None, made_from=hour(9), made_to=hour(10))
    assert (answer.made_from, answer.made_to) == (hour(9), hour(10))
    assert answer.basis == "the window that was written down"
    assert "P-1" in {one.stay.pallet for one in answer.pallets}
    assert sum(one.strokes for one in answer.runs) == 12_000


def test_what_is_on_record_nowhere_is_told_and_the_rest_answered(session: Session) -> None:
    answer = answered(session, pallet="Z-9")
    assert answer.problems == ("there is no pallet 'Z-9' on record",)
    assert answer.made_from is None
    assert answer.machine is not None
    assert len(answer.runs) == 1


def test_a_code_that_nobody_bears_is_not_our_can_as_read(session: Session) -> None:
    answer = answered(session, code="7-7", pallet=None)
    assert answer.candidates == ()
    assert answer.runs == ()
    other_line = answered(session, code="2-1")
    assert other_line.problems
    assert "P-1" not in {one.stay.pallet for one in other_line.pallets}


def test_without_a_code_the_pallet_still_says_which_line(session: Session) -> None:
    answer = answered(session, code=None, certainty=None)
    assert {one.machine.line for one in answer.candidates} == {1}
    nothing = answered(session, code=None, certainty=None, pallet=None)
    assert (nothing.candidates, nothing.runs, nothing.made_from) == ((), (), None)


def test_a_code_that_moved_is_read_as_it_was_then(session: Session) -> None:
    bear_code(session, "2-1", "1-1", 0, 100)
    answer = answered(session, code="2-1", pallet="P-1")
    assert answer.machine is not None
    assert answer.machine.text == "1-1"


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    complaint = written(session)
    counted = []
    for more in (1, 5):
        for n in range(more):
            number = held(session, pallets=[f"P-{n + 1}", f"P-{n}"])
            assert number
            write(session, step_fact(complaint, "held", hold=1, text=f"{more} {n}"))
        with Session(bind=session.connection(), info=SNAPSHOT) as snapshot:
            view = seen(snapshot, complaint)
            with statements.counted() as texts:
                answer_of(snapshot, view, LATER)
        counted.append(len(texts))
    assert counted[0] == counted[1]
    assert counted[0] <= 60
