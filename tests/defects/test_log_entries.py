"""Logging what was found: what is kept, what is refused, and with which sentence."""

import json
import uuid

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.defects.small_plant import (
    ACTOR,
    WRITTEN_AT,
    code_fact,
    current,
    entry_fact,
    hour,
    log,
    logged,
    standing_line,
    standing_machine,
    write_code,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.audit import AuditRecord, broken_links
from tracelog.defects.actions import log_entries
from tracelog.defects.models import CurrentEntry, Entry
from tracelog.outcomes import Outcome


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def became(outcomes: list[Outcome]) -> list[str]:
    return [outcome.became.value for outcome in outcomes]


def told(outcome: Outcome) -> dict[str, str]:
    assert not outcome.is_kept
    return {fault.field: fault.sentence for fault in outcome.faults}


def rows(session: Session, table: type[Entry] | type[CurrentEntry] | type[AuditRecord]) -> int:
    return session.execute(select(func.count()).select_from(table)).scalar_one()


def test_an_entry_is_kept_with_every_field(session: Session) -> None:
    fact = entry_fact(
        *(1, "01/02"),
        cans="60",
        occurrences="1",
        found_at="light-tester",
        made_at=hour(0),
        coil="K1",
        pallet="P1",
        mark="pocket 3",
        note="two\nlines",
        logged_by="Ana",
        logged_at=hour(2),
    )
    log(session, fact)
    kept = session.execute(select(Entry)).scalar_one()
    names = [name for name in type(fact).columns() if name not in ("dome_code", "defect")]
    assert {name: getattr(kept, name) for name in names} == {
        name: getattr(fact, name) for name in names
    }
    assert kept.dome_code == "1-2"
    (standing,) = session.execute(select(CurrentEntry)).scalars()
    assert (standing.occurred_at, standing.counted_occurrences) == (hour(0), 1)
    assert standing.corrections == 0


def test_a_code_counts_for_the_machine_that_bears_it(session: Session) -> None:
    entry_id = logged(session, 0, "2-1")
    assert standing_machine(session, entry_id) == "2-1"
    assert standing_line(session, entry_id) == 2


@pytest.mark.parametrize(
    ("code", "machine", "line"),
    [
        (None, None, None),
        ("?-?", None, None),
        ("1-?", None, 1),
        ("1-1?", "1-12", 1),
        ("?-2", "1-2", 1),
        ("?-1", None, None),
        ("1-7", None, 1),
        ("?-77", None, None),
        ("9?-1", None, None),
    ],
)
def test_a_blank_partial_or_unborne_code_is_kept_as_read(
    session: Session, code: str | None, machine: str | None, line: int | None
) -> None:
    entry_id = logged(session, 0, code)
    kept = session.execute(select(Entry.dome_code)).scalar_one()
    assert kept == code
    assert standing_machine(session, entry_id) == machine
    assert standing_line(session, entry_id) == line


@pytest.mark.parametrize("code", ["9-1", "9-?", "12-1"])
def test_a_line_that_the_plant_does_not_have_is_refused_with_those_it_has(
    session: Session, code: str
) -> None:
    (outcome,) = log(session, entry_fact(0, code))
    line = code.partition("-")[0]
    assert told(outcome) == {
        "dome_code": f"'{code}' names line {line}, which this plant does not have; lines are 1, 2"
    }
    assert rows(session, Entry) == 0


def test_a_line_that_a_recorded_dome_code_bears_is_taken(session: Session) -> None:
    write_code(session, code_fact("9-1", (1, 2), 0, 5))
    inside, outside = logged(session, 1, "9-1"), logged(session, 6, "9-1")
    assert standing_machine(session, inside) == "1-2"
    assert (standing_machine(session, outside), standing_line(session, outside)) == (None, None)


def test_the_code_that_was_borne_when_the_can_was_made_decides(session: Session) -> None:
    write_code(session, code_fact("1-1", (2, 1), 0, 5))
    seen_later = logged(session, 9, "1-1", made_at=hour(1))
    made_later = logged(session, 9, "1-1", made_at=hour(8))
    assert standing_machine(session, seen_later) == "2-1"
    assert standing_machine(session, made_later) == "1-1"


def test_a_line_is_not_guessed_while_the_candidates_lie_on_two(session: Session) -> None:
    write_code(session, code_fact("1-3", (2, 1), 0))
    entry_id = logged(session, 1, "1-?")
    assert standing_line(session, entry_id) is None


def test_an_unknown_defect_is_refused_with_near_and_known_words(session: Session) -> None:
    (outcome,) = log(session, entry_fact(defect="splitt"))
    assert told(outcome) == {
        "defect": "'splitt' is not a defect of this plant; near it: split;"
        " known are short-can, split, wrinkle"
    }


def test_every_reference_that_is_wrong_is_told_at_once(session: Session) -> None:
    (outcome,) = log(session, entry_fact(0, "9-1", defect="zzz"))
    assert set(told(outcome)) == {"dome_code", "defect"}


def test_coil_pallet_and_place_are_evidence_as_read(session: Session) -> None:
    assert became(log(session, entry_fact(coil="no such", pallet="none", found_at="roof"))) == [
        "created"
    ]


def test_a_refused_entry_does_not_hinder_the_others(session: Session) -> None:
    facts = [entry_fact(0), entry_fact(1, "9-1"), entry_fact(2)]
    assert became(log(session, *facts)) == ["created", "refused", "created"]
    assert rows(session, Entry) == rows(session, CurrentEntry) == 2


def test_the_same_entry_again_changes_nothing(session: Session) -> None:
    fact = entry_fact(0, note="once")
    assert became(log(session, fact)) == ["created"]
    before = current(session)
    assert became(log(session, fact, fact)) == ["unchanged", "unchanged"]
    assert current(session) == before
    assert rows(session, Entry) == 1


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"cans": 3}, "was accepted before with cans 1, not 3"),
        ({"defect": "wrinkle"}, "was accepted before with defect split, not wrinkle"),
        ({"note": "dent"}, "was accepted before with note blank, not dent"),
        ({"dome_code": "1-2"}, "was accepted before with dome_code 1-1, not 1-2"),
        ({"made_at": hour(-1)}, "was accepted before with made_at blank, not 2026-02-02T04:00:00Z"),
    ],
)
def test_the_same_id_with_other_content_is_refused_as_a_conflict(
    session: Session, more: dict[str, object], sentence: str
) -> None:
    entry_id = uuid.uuid4()
    log(session, entry_fact(id=entry_id))
    (outcome,) = log(session, entry_fact(**{"id": entry_id, **more}))
    assert outcome.is_conflict
    assert sentence in told(outcome)["id"]


def test_two_entries_of_one_batch_with_one_id_conflict(session: Session) -> None:
    entry_id = uuid.uuid4()
    facts = [entry_fact(id=entry_id), entry_fact(id=entry_id, cans=2), entry_fact(id=entry_id)]
    assert became(log(session, *facts)) == ["created", "refused", "unchanged"]


def test_one_entry_leaves_its_values_in_the_audit_trail(session: Session) -> None:
    fact = entry_fact(0, "1-?", note="dent")
    log(session, fact)
    record = session.execute(
        select(AuditRecord).where(AuditRecord.action == "log entries")
    ).scalar_one()
    assert (record.actor, record.subject, record.before) == ("Ana", str(fact.id), None)
    after = json.loads(record.after or "")
    assert (after["dome_code"], after["note"], after["cans"]) == ("1-?", "dent", "1")
    assert session.execute(select(Entry.audit_id)).scalar_one() == record.id


def test_many_entries_leave_one_record_with_their_number_and_digest(session: Session) -> None:
    facts = [entry_fact(number) for number in range(3)]
    log(session, *facts, entry_fact(9, "9-1"))
    record = session.execute(
        select(AuditRecord).where(AuditRecord.action == "log entries")
    ).scalar_one()
    after = json.loads(record.after or "")
    assert after["rows"] == 3
    assert (after["first"], after["last"]) == (str(facts[0].id), str(facts[2].id))
    assert len(after["sha256"]) == 64
    assert after["became"] == {"created": 3, "refused": 1}
    assert broken_links(session) == []


def test_what_changes_nothing_leaves_no_audit_record(session: Session) -> None:
    log(session, entry_fact())
    before = rows(session, AuditRecord)
    log(session, entry_fact(), entry_fact(1, "9-1"))
    assert rows(session, AuditRecord) == before


def test_the_number_of_statements_does_not_grow_with_the_entries(
    session: Session, statements: Statements
) -> None:
    def sent_for(facts: range) -> int:
        with statements.counted() as sent:
            log_entries(session, [entry_fact(n / 100) for n in facts], ACTOR, WRITTEN_AT)
        return len(sent)

    few, many = sent_for(range(30)), sent_for(range(100, 400))
    assert few == many
