"""Opening a case, writing steps, ending it: what is kept, refused, and put on record."""

import hashlib
import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.cases.small_case import (
    ACTED_AT,
    BY,
    acted,
    case_fact,
    opened,
    step_fact,
    write_history,
)
from tests.support.statements import Statements
from tests.trends.small_log import ACTOR, WRITTEN_AT, day, entry
from tracelog.audit import AuditRecord, broken_links
from tracelog.cases.actions import open_case
from tracelog.cases.models import Case, CaseStep
from tracelog.cases.opening.queries import kept_explanation
from tracelog.cases.queries import case, cases
from tracelog.cases.rules import Verdict
from tracelog.cases.step_actions import add_step
from tracelog.cases.whole.queries import whole_case
from tracelog.db import SNAPSHOT, new_id
from tracelog.defects.actions import log_entries
from tracelog.errors import BadFact, Conflict, NotFound, TracelogError, UnknownReference
from tracelog.outcomes import Became

MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    write_history(session)


def rows(session: Session) -> list[int]:
    return [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (Case, CaseStep, AuditRecord)
    ]


def last_record(session: Session) -> AuditRecord:
    assert broken_links(session) == []
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    return session.execute(newest).scalar_one()


def test_a_case_is_opened_and_put_on_record(session: Session) -> None:
    case_id = opened(session)
    record = last_record(session)
    assert (record.action, record.subject_kind, record.subject) == (
        "open case",
        "case",
        str(case_id),
    )
    said = json.loads(record.after or "")
    assert said["place"] == "1-1"
    kept = kept_explanation(session, case_id)
    assert kept is not None
    assert said["explanation"] == hashlib.sha256(kept.text.encode()).hexdigest()
    (listed,) = cases(session)
    assert (listed.title, listed.defect, listed.place, listed.opened_by) == (
        "splits on 1-1",
        "split",
        "1-1",
        "Sara",
    )
    assert listed.is_open
    assert len(listed.machine_ids) == 1


def test_a_case_on_a_line_is_of_all_its_bodymakers(session: Session) -> None:
    standing = case(session, opened(session, place="1"), day(10))
    assert standing.case.place == "1"
    assert len(standing.case.machine_ids) == 3
    # Ten splits of 1-1 and one of 1-2; 10, 20 and 10 million strokes.
    assert standing.verification.before.happenings == 11
    assert standing.verification.before.strokes == 40_000_000


def test_the_same_case_sent_again_changes_nothing_and_another_is_refused(session: Session) -> None:
    fact = case_fact()
    assert open_case(session, fact, BY, ACTED_AT).became is Became.CREATED
    before = rows(session)
    assert open_case(session, fact, BY, ACTED_AT + MINUTE).became is Became.UNCHANGED
    with pytest.raises(Conflict) as problem:
        open_case(session, case_fact(id=str(fact.id), title="other"), BY, ACTED_AT)
    assert problem.value.field == "id"
    assert rows(session) == before


@pytest.mark.parametrize(
    ("said", "kind", "field", "words"),
    [
        ({"defect": "spilt"}, UnknownReference, "defect", "'spilt' is not a defect"),
        ({"place": "9"}, UnknownReference, "place", "line 9"),
        ({"place": "1-77"}, UnknownReference, "place", "no bodymaker 77"),
        ({"place": "somewhere"}, UnknownReference, "place", "somewhere"),
        ({"since_at": day(9).isoformat()}, TracelogError, "since_at", "lies ahead"),
    ],
)
def test_a_case_that_cannot_be_is_refused_and_nothing_is_written(
    session: Session, said: dict[str, Any], kind: type[TracelogError], field: str, words: str
) -> None:
    before = rows(session)
    with pytest.raises(kind) as problem:
        open_case(session, case_fact(**said), BY, ACTED_AT)
    assert problem.value.field == field
    assert words in problem.value.sentence
    assert rows(session) == before


def test_before_is_compared_with_after_the_last_action(session: Session) -> None:
    case_id = opened(session)
    found = case(session, case_id, day(5)).verification
    assert (found.verdict, found.before.happenings) == (Verdict.NO_ACTION, 10)
    acted(session, case_id)
    found = case(session, case_id, day(10)).verification
    assert (found.before.happenings, found.before.strokes) == (10, 5_000_000)
    assert (found.after.happenings, found.after.strokes) == (0, 5_000_000)
    assert found.verdict is Verdict.HELD
    acted(session, case_id, day(7))
    found = case(session, case_id, day(10)).verification
    assert (found.before.strokes, found.after.strokes) == (7_000_000, 3_000_000)


def test_only_what_was_known_counts(session: Session) -> None:
    case_id = opened(session)
    acted(session, case_id)
    found = case(session, case_id, day(7)).verification
    assert (found.verdict, found.after.strokes) == (Verdict.OPEN, 2_000_000)
    assert found.strokes_needed is not None
    # A split of the sixth day that is told on the ninth.
    late = entry(6, "1-1", "split", logged_at=day(9))
    assert log_entries(session, [late], ACTOR, WRITTEN_AT)[0].is_kept
    assert case(session, case_id, day(8)).verification.after.happenings == 0
    assert case(session, case_id, day(10)).verification.after.happenings == 1


def test_only_happenings_with_strokes_beside_them_count(session: Session) -> None:
    case_id = opened(session, since_at=day(-5).isoformat())
    acted(session, case_id)
    before_the_first_reading, after_the_last = entry(-2, "1-1", "split"), entry(11, "1-1", "split")
    for fact in (before_the_first_reading, after_the_last):
        assert log_entries(session, [fact], ACTOR, WRITTEN_AT)[0].is_kept
    found = case(session, case_id, day(12)).verification
    assert (found.before.happenings, found.before.strokes) == (10, 5_000_000)
    assert (found.after.happenings, found.after.strokes) == (0, 5_000_000)


def test_a_case_ends_as_held_only_when_the_numbers_say_so(session: Session) -> None:
    case_id = opened(session)
    held = step_fact(case_id, "held", day(6))
    before = rows(session)
    with pytest.raises(TracelogError) as problem:
        add_step(session, held, BY, day(6))
    assert "no action yet" in problem.value.sentence
    acted(session, case_id)
    with pytest.raises(TracelogError) as problem:
        add_step(session, held, BY, day(6))
    assert (problem.value.field, "not sure yet" in problem.value.sentence) == ("kind", True)
    assert rows(session)[1] == before[1] + 1
    assert add_step(session, held, BY, day(10)).became is Became.CREATED
    assert cases(session)[0].ended_as == "held"
    assert last_record(session).action == "case step: held"


def test_a_case_that_ended_takes_no_steps_until_it_is_opened_again(session: Session) -> None:
    case_id = opened(session)
    with pytest.raises(Conflict, match="open already"):
        add_step(session, step_fact(case_id, "reopened", day(6)), BY, day(6))
    add_step(session, step_fact(case_id, "dropped", day(6), text="machine is out"), BY, day(6))
    assert cases(session)[0].ended_as == "dropped"
    for kind in ("note", "action", "dropped", "held"):
        with pytest.raises(Conflict) as problem:
            add_step(session, step_fact(case_id, kind, day(6)), BY, day(7))
        assert problem.value.field == "kind"
    add_step(session, step_fact(case_id, "reopened", day(7)), BY, day(7))
    assert cases(session)[0].is_open
    assert [step.kind for step in cases(session)[0].steps] == ["dropped", "reopened"]


def test_steps_that_cannot_be_are_refused(session: Session) -> None:
    case_id = opened(session)
    before = rows(session)
    with pytest.raises(TracelogError, match="lies ahead"):
        add_step(session, step_fact(case_id, "note", day(6) + MINUTE), BY, day(6))
    with pytest.raises(TracelogError, match="nothing before it to compare with"):
        add_step(session, step_fact(case_id, "action", day(0)), BY, day(6))
    with pytest.raises(NotFound, match="there is no case"):
        add_step(session, step_fact(new_id(), "note", day(5)), BY, day(6))
    with pytest.raises(BadFact, match="is missing"):
        step_fact(case_id, "note", day(5), text=" ")
    with pytest.raises(BadFact, match="is not one of"):
        step_fact(case_id, "guess", day(5))
    assert rows(session) == before


def test_the_same_step_sent_again_changes_nothing_and_another_is_refused(session: Session) -> None:
    case_id = opened(session)
    step_id = str(new_id())
    fact = step_fact(case_id, "action", ACTED_AT, id=step_id)
    assert add_step(session, fact, BY, day(6)).became is Became.CREATED
    before = rows(session)
    assert add_step(session, fact, BY, day(7)).became is Became.UNCHANGED
    with pytest.raises(Conflict) as problem:
        add_step(session, step_fact(case_id, "note", ACTED_AT, id=step_id), BY, day(7))
    assert problem.value.field == "id"
    assert rows(session) == before


def test_a_held_case_sent_again_is_not_refused_although_it_has_ended(session: Session) -> None:
    case_id = opened(session)
    acted(session, case_id)
    fact = step_fact(case_id, "held", day(10), id=str(new_id()))
    assert add_step(session, fact, BY, day(10)).became is Became.CREATED
    assert add_step(session, fact, BY, day(10) + MINUTE).became is Became.UNCHANGED


def test_open_cases_come_first_then_the_newest(session: Session) -> None:
    old, ended, new = (
        opened(session, ACTED_AT + n * MINUTE, title=title)
        for n, title in enumerate(("old", "ended", "new"))
    )
    add_step(session, step_fact(ended, "dropped", ACTED_AT), BY, day(6))
    assert [one.id for one in cases(session)] == [new, old, ended]


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    first = opened(session)
    sent = []
    for more in (1, 6):
        for n in range(more):
            other = opened(session, place="1")
            add_step(session, step_fact(other, "note", ACTED_AT), BY, day(6) + n * MINUTE)
            add_step(session, step_fact(first, "note", ACTED_AT), BY, day(6) + n * MINUTE)
        counted = []
        for ask in (cases, lambda asked: whole_case(asked, first, day(9))):
            with (
                Session(bind=session.connection(), info=SNAPSHOT) as snapshot,
                statements.counted() as texts,
            ):
                ask(snapshot)
            counted.append(len(texts))
        sent.append(counted)
    assert sent[0] == sent[1]
    assert max(sent[0]) <= 60
