"""Recording what was done to tools, and what their cards say."""

import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.errors import BadFact
from tracelog.outcomes import Became, Outcome
from tracelog.plant.actions import record_plant
from tracelog.plant.facts import PlantFact, ToolFact
from tracelog.plant.tool_actions import record_tool_works, record_tools
from tracelog.plant.tool_facts import RENEWING, ToolWorkFact, ToolWorkKind
from tracelog.plant.tool_queries import tools, works_done

ACTOR = Actor("Robin", "planner", "page")
ZONE = ZoneInfo("Europe/Madrid")
AT = "2026-03-01T06:00:00Z"
ENDS = datetime(2026, 4, 1, tzinfo=UTC)


def work(serial: str = "R-1", kind: str = "regrind", **more: Any) -> ToolWorkFact:
    return ToolWorkFact.read({"serial": serial, "done_at": AT, "work": kind, **more}, ZONE)


@pytest.fixture
def stood(session: Session, now: datetime) -> Session:
    """A session on a plant with two tools."""
    plant = PlantFact.read({"name": "Alder Point", "time_zone": ZONE.key}, ZONE)
    record_plant(session, [plant], ACTOR, now)
    record_tools(session, [ToolFact(serial="R-1"), ToolFact(serial="P-1")], ACTOR, now)
    return session


def became(outcomes: list[Outcome]) -> list[Became]:
    return [outcome.became for outcome in outcomes]


def test_two_works_of_one_instant_are_two_and_the_same_again_is_one(
    stood: Session, now: datetime
) -> None:
    sent = [work(), work(kind="recoat"), work()]
    assert became(record_tool_works(stood, sent, ACTOR, now)) == [
        *(Became.CREATED, Became.CREATED, Became.UNCHANGED),
    ]
    assert [(one.serial, one.work) for one in works_done(stood, ENDS)] == [
        ("R-1", "recoat"),
        ("R-1", "regrind"),
    ]


def test_what_was_not_known_is_filled_in_and_what_was_known_stays(
    stood: Session, now: datetime
) -> None:
    record_tool_works(stood, [work()], ACTOR, now)
    later = record_tool_works(stood, [work(size_mm="66.2045")], ACTOR, now)
    assert became(later) == [Became.COMPLETED]
    other = record_tool_works(stood, [work(size_mm="66.3")], ACTOR, now)
    assert (other[0].became, other[0].is_conflict) == (Became.REFUSED, True)
    assert str(other[0].faults[0]).startswith("size_mm: '66.3' contradicts '66.2045'")
    (kept,) = works_done(stood, ENDS, ["R-1"])
    assert kept.size_mm == 66.2045


def test_a_card_that_is_completed_must_still_agree_with_itself(
    stood: Session, now: datetime
) -> None:
    record_tool_works(stood, [work(kind="on-record", strokes_before=100)], ACTOR, now)
    more = work(kind="on-record", strokes_before_since_work=101)
    (refused,) = record_tool_works(stood, [more], ACTOR, now)
    assert refused.is_conflict
    assert str(refused.faults[0]).startswith("strokes_before_since_work: is more than")
    good = work(kind="on-record", strokes_before_since_work=100)
    assert became(record_tool_works(stood, [good], ACTOR, now)) == [Became.COMPLETED]


def test_a_tool_must_be_known_and_hinders_no_other(stood: Session, now: datetime) -> None:
    outcomes = record_tool_works(stood, [work("Z-9"), work("P-1", "polish")], ACTOR, now)
    assert became(outcomes) == [Became.REFUSED, Became.CREATED]
    assert str(outcomes[0].faults[0]) == (
        "serial: there is no tool 'Z-9'; enter it among the tools first"
    )


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"work": "grind"}, "work: 'grind' is not one of: regrind, polish, recoat, rebuild"),
        ({"size_mm": "0"}, "size_mm: '0.0' is out of range"),
        ({"strokes_before": 5}, "strokes_before: is given with work 'regrind'; only 'on-record'"),
        ({"strokes_before_since_work": 0}, "strokes_before_since_work: is given with work"),
        (
            {"work": "on-record", "strokes_before": 4, "strokes_before_since_work": 5},
            "strokes_before_since_work: is more than strokes_before (4); since its last work",
        ),
        ({"done_at": "2026-03-29T02:30"}, "done_at: 2026-03-29 02:30:00 does not exist"),
        ({"counter": 3}, "counter: 'counter' is not known here"),
    ],
)
def test_what_is_wrong_is_told_in_one_sentence(values: dict[str, Any], told: str) -> None:
    with pytest.raises(BadFact) as problem:
        ToolWorkFact.read({"serial": "R-1", "done_at": AT, "work": "regrind", **values}, ZONE)
    (fault,) = problem.value.faults
    assert str(fault).startswith(told)


def test_it_leaves_one_record_in_the_audit_trail(stood: Session, now: datetime) -> None:
    record_tool_works(stood, [work(size_mm=66.2, note="one step")], ACTOR, now)
    record = stood.execute(
        select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    ).scalar_one()
    assert (record.action, record.subject) == ("record tool works", f"R-1 {AT} regrind")
    assert json.loads(record.after or "")["size_mm"] == "66.2"
    assert broken_links(stood) == []


def test_the_number_of_statements_does_not_grow(
    stood: Session, now: datetime, statements: Statements
) -> None:
    counts = []
    for days in (range(1, 3), range(3, 28)):
        facts = [work(done_at=f"2026-02-{day:02}T06:00:00Z") for day in days]
        with statements.counted() as made:
            record_tool_works(stood, facts, ACTOR, now)
        counts.append(len(made))
    # Many rows are sealed as they are written, by two statements and on PostgreSQL a turn; a few
    # when all is committed.
    assert counts[1] <= counts[0] + 3


def test_reads_are_in_order_and_end_where_they_are_asked_to(stood: Session, now: datetime) -> None:
    for serial, day in (("R-1", 5), ("P-1", 5), ("R-1", 4)):
        fact = work(serial, done_at=f"2026-03-{day:02}T06:00:00Z")
        record_tool_works(stood, [fact], ACTOR, now)
    assert [one.serial for one in tools(stood)] == ["P-1", "R-1"]
    assert [one.serial for one in tools(stood, ["R-1", "Z-9"])] == ["R-1"]
    assert [(one.done_at.day, one.serial) for one in works_done(stood, ENDS)] == [
        *((4, "R-1"), (5, "P-1"), (5, "R-1")),
    ]
    assert len(works_done(stood, datetime(2026, 3, 4, 6, tzinfo=UTC))) == 1


def test_what_restores_a_tool_is_decided_in_one_place() -> None:
    assert {kind.value for kind in RENEWING} == {"regrind", "polish", "recoat", "rebuild"}
    assert len(ToolWorkKind) == 8
