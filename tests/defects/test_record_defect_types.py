"""Entering the vocabulary, changing it, and starting with that of the trade."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.defects.small_plant import ACTOR, DEFECTS, WRITTEN_AT, write_plant
from tests.support.statements import Statements
from tracelog import reference
from tracelog.audit import AuditRecord
from tracelog.defects.actions import record_defect_types, seed_vocabulary
from tracelog.defects.facts import DefectTypeFact, Severity
from tracelog.defects.queries import DefectView, vocabulary
from tracelog.outcomes import Outcome


def record(session: Session, *facts: DefectTypeFact) -> list[str]:
    return [outcome.became.value for outcome in outcomes(session, *facts)]


def outcomes(session: Session, *facts: DefectTypeFact) -> list[Outcome]:
    return record_defect_types(session, facts, ACTOR, WRITTEN_AT)


def kept(session: Session, defect: str) -> DefectView:
    (found,) = [one for one in vocabulary(session) if one.defect == defect]
    return found


def test_a_new_kind_of_defect_is_created_once(session: Session) -> None:
    fact = DefectTypeFact(defect="split", name="split body", severity=Severity.LEAK)
    assert record(session, fact) == ["created"]
    assert record(session, fact) == ["unchanged"]
    assert (kept(session, "split").name, kept(session, "split").severity) == ("split body", "leak")


def test_a_blank_is_completed_a_value_is_changed_and_a_blank_never_erases(
    session: Session,
) -> None:
    record(session, DefectTypeFact(defect="split"))
    assert record(session, DefectTypeFact(defect="split", name="split")) == ["completed"]
    assert record(session, DefectTypeFact(defect="split", name="split body")) == ["changed"]
    assert record(session, DefectTypeFact(defect="split")) == ["unchanged"]
    assert kept(session, "split").name == "split body"


def test_two_rows_of_one_batch_that_contradict_each_other_are_told(session: Session) -> None:
    first, second = (DefectTypeFact(defect="split", name=name) for name in ("one", "two"))
    created, refused, unchanged = outcomes(session, first, second, first)
    assert (created.became.value, refused.became.value) == ("created", "refused")
    assert unchanged.became.value == "unchanged"
    assert [fault.field for fault in refused.faults] == ["name"]
    assert "'two' contradicts 'one'" in refused.faults[0].sentence


def test_a_batch_leaves_one_audit_record_and_a_repeated_one_none(session: Session) -> None:
    facts = [DefectTypeFact(defect=defect) for defect in DEFECTS]
    record(session, *facts)
    record(session, *facts)
    assert session.execute(select(func.count()).select_from(AuditRecord)).scalar_one() == 1


def test_an_empty_plant_starts_with_the_vocabulary_of_the_trade(session: Session) -> None:
    seeded = seed_vocabulary(session, ACTOR, WRITTEN_AT)
    assert {one.became.value for one in seeded} == {"created"}
    found = vocabulary(session)
    assert [one.defect for one in found] == [one.defect for one in reference.defect_types()]
    source = reference.defect_types()[3]
    first = kept(session, source.defect)
    assert (first.name, first.severity) == (source.name, source.severity)
    assert first.notes == source.looks
    assert seed_vocabulary(session, ACTOR, WRITTEN_AT) == []


def test_a_plant_with_defects_of_its_own_is_given_none(session: Session) -> None:
    write_plant(session)
    assert seed_vocabulary(session, ACTOR, WRITTEN_AT) == []
    assert {one.defect for one in vocabulary(session)} == set(DEFECTS)


def test_the_vocabulary_stands_in_order_of_the_process_then_by_code(session: Session) -> None:
    trade = [one.defect for one in reference.defect_types()]
    codes = ["zebra", trade[5], "ant", trade[2]]
    record(session, *(DefectTypeFact(defect=code) for code in codes))
    assert [one.defect for one in vocabulary(session)] == [trade[2], trade[5], "ant", "zebra"]


def test_the_vocabulary_takes_one_statement(session: Session, statements: Statements) -> None:
    write_plant(session)
    with statements.counted() as sent:
        vocabulary(session)
    assert len(sent) == 1
