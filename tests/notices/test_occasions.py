"""What happened and what is so becomes notices, each once, whatever comes late."""

import uuid
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, delete, update

from tests.cases.small_case import acted, opened, raised, step_fact, write_history
from tests.notices.subscribing import ZONE, asks, everything, person
from tests.support.clock import Clock
from tests.support.site import CAST, Cast
from tests.support.statements import Statements
from tests.trends.small_log import day
from tracelog.audit import Actor
from tracelog.cases.complaints.actions import write_complaint
from tracelog.cases.complaints.facts import ComplaintFact
from tracelog.cases.step_actions import add_step
from tracelog.db import writing
from tracelog.defects.models import DefectType
from tracelog.notices.delivering import find_news
from tracelog.notices.facts import Kind
from tracelog.service.actions import record_service_levels, record_services
from tracelog.service.facts import ServiceFact, ServiceLevelFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact
from tracelog.trace.holds.actions import raise_hold, write_steps
from tracelog.trace.holds.facts import HoldFact, HoldStepFact
from tracelog.trends.models import Signal

# In the log of 10 days; 1-1 to 1-3 are read at each midnight, 2-1 never.
TODAY = day(9) + timedelta(hours=9)
HOUR = timedelta(hours=1)


@pytest.fixture
def log(own_engine: Engine, clock: Clock, cast: Cast) -> Engine:
    """A plant with ten days of readings, some splits, and no news."""
    clock.forward(TODAY - clock.now())
    with writing(own_engine) as session:
        write_history(session)
        session.execute(update(DefectType).values(severity="leak"))
    return own_engine


@pytest.fixture
def who(log: Engine) -> Actor:
    return person(log)


def page(engine: Engine, actor: Actor, kinds: str, **values: Any) -> None:
    since = values.pop("since", TODAY - timedelta(days=8))
    asks(engine, actor, since, kinds=kinds, way="page", address=None, **values)


def titles(engine: Engine) -> list[str]:
    return [one.title for one in everything(engine)[0]]


def test_nobody_asks_and_nothing_is_looked_for(log: Engine, who: Actor) -> None:
    statements = Statements(log)
    with statements.counted() as sent:
        assert find_news(log) == 0
    statements.close()
    assert len(sent) == 1


def test_a_signal_is_told_when_it_is_raised_and_when_it_is_over(
    log: Engine, who: Actor, clock: Clock
) -> None:
    page(log, who, "signal,signal over")
    assert find_news(log) == 0
    with writing(log) as session:
        raised(session, "rise", TODAY - HOUR)
    assert find_news(log) == 1
    assert find_news(log) == 0
    with writing(log) as session:
        session.execute(update(Signal).values(ended_at=TODAY + HOUR))
    clock.forward(2 * HOUR)
    assert find_news(log) == 1
    assert titles(log) == ["Signal at 1-1: split", "Signal over at 1-1: split"]
    (first, _over) = everything(log)[0]
    assert (first.severity, first.place, first.link) == ("leak", "1-1", "/trends/signals")


def test_a_signal_that_late_data_move_is_not_told_again_and_a_later_one_is(
    log: Engine, who: Actor, clock: Clock
) -> None:
    page(log, who, "signal")
    with writing(log) as session:
        raised(session, "rise", TODAY - HOUR)
    assert find_news(log) == 1
    with writing(log) as session:
        session.execute(delete(Signal))
        raised(session, "rise", TODAY - 4 * HOUR)
    assert find_news(log) == 0
    clock.forward(timedelta(days=3))
    with writing(log) as session:
        raised(session, "rise", TODAY + timedelta(days=2, hours=20))
    assert find_news(log) == 1


def test_old_signals_that_late_data_open_and_close_call_nobody(log: Engine, who: Actor) -> None:
    asks(log, who, TODAY - timedelta(days=8), kinds="signal,signal over")
    with writing(log) as session:
        for days in (2, 3.5, 5, 6.5):
            raised(session, "rise", TODAY - timedelta(days=days))
        session.execute(update(Signal).values(ended_at=Signal.raised_at))
    assert find_news(log) == 8
    notices, messages, _tries = everything(log)
    assert messages == []
    assert {one.send_at for one in notices} == {None}


def test_a_hold_is_told_when_it_is_put_decided_on_and_closed(
    log: Engine, who: Actor, clock: Clock
) -> None:
    page(log, who, "hold,release")
    quentin = CAST["quality"].actor()
    key = uuid.uuid4()
    said = {"id": str(key), "reason": "splits", "defect": "split", "machine": "1-1"}
    with writing(log) as session:
        fact = HoldFact.read(said | {"pallets": ["P1", "P2", "P3"]}, ZONE)
        raise_hold(session, fact, CAST["supervisor"].actor(), TODAY)
    assert find_news(log) == 1

    def step(minutes: int, *steps: dict[str, Any]) -> None:
        at = clock.forward(timedelta(minutes=minutes))
        facts = [HoldStepFact.read({"hold": str(key), "at": at, **one}, ZONE) for one in steps]
        with writing(log) as session:
            for outcome in write_steps(session, facts, quentin, at):
                assert outcome.is_kept, outcome

    step(
        10,
        {"step": "released", "pallet": "P1", "reason": "inspected"},
        {"step": "scrapped", "pallet": "P2", "reason": "split"},
    )
    assert find_news(log) == 1
    step(10, {"step": "released", "pallet": "P3", "reason": "inspected"})
    step(10, {"step": "closed", "reason": "done"})
    assert find_news(log) == 2
    assert titles(log) == [
        "Hold 1 put by sara",
        "Decided on hold 1 by quentin",
        "Decided on hold 1 by quentin",
        "Hold 1 closed by quentin",
    ]
    texts = [one.text for one in everything(log)[0]]
    assert texts[1] == "Pallets: 1 released, 1 scrapped. 1 of 3 are on hold still."


def test_a_service_is_told_once_when_it_comes_near_and_once_when_it_is_overdue(
    log: Engine, who: Actor, clock: Clock
) -> None:
    page(log, who, "service", machine="1-1", days_ahead="2")
    level = {"station": "bodymaker", "service": "punch check", "interval_days": "7"}
    done = {"line": "1", "bodymaker": "1", "service": "punch check"}

    def serve(at: datetime) -> None:
        fact = ServiceFact.read(done | {"done_at": at}, ZONE)
        with writing(log) as session:
            for outcome in record_services(session, [fact], CAST["planner"].actor(), at):
                assert outcome.is_kept, outcome

    with writing(log) as session:
        record_service_levels(
            session, [ServiceLevelFact.read(level, ZONE)], CAST["planner"].actor(), day(0)
        )
    serve(TODAY - timedelta(days=4))
    assert find_news(log) == 0  # due in three days
    clock.forward(timedelta(days=1))
    assert find_news(log) == 1
    assert find_news(log) == 0
    clock.forward(timedelta(days=3))
    assert find_news(log) == 1
    clock.forward(timedelta(days=2))
    assert find_news(log) == 0
    serve(clock.now())
    clock.forward(timedelta(days=6))
    assert find_news(log) == 1
    assert titles(log) == [
        "Service due at 1-1: punch check",
        "Service overdue at 1-1: punch check",
        "Service due at 1-1: punch check",
    ]


def test_a_silent_counter_is_told_once_until_it_was_read_again(
    log: Engine, who: Actor, clock: Clock
) -> None:
    page(log, who, "silent counter", line="1", since=TODAY)
    assert find_news(log) == 0
    clock.forward(timedelta(days=5))
    assert find_news(log) == 3
    assert find_news(log) == 0
    at = clock.now()
    fact = {"line": 1, "bodymaker": 1, "read_at": at, "strokes": 14_000_000}
    with writing(log) as session:
        record_readings(session, [ReadingFact.read(fact, ZONE)], CAST["planner"].actor(), at)
    assert find_news(log) == 0
    clock.forward(timedelta(days=20))
    assert find_news(log) == 1
    assert titles(log)[-1] == "Counter of 1-1 is silent"


def test_a_case_that_comes_back_and_a_complaint_are_told(
    log: Engine, who: Actor, clock: Clock
) -> None:
    page(log, who, "case back,complaint")
    with writing(log) as session:
        case = opened(session)
        acted(session, case)
        add_step(session, step_fact(case, "judged", day(7)), who, day(7))
    assert find_news(log) == 0
    arrived = {"received_at": TODAY, "code": "1-2", "defect": "split", "pallet": "P7"}
    with writing(log) as session:
        raised(session, "rise", TODAY - HOUR)
        fact = ComplaintFact.read({"id": str(uuid.uuid4()), **arrived}, ZONE)
        write_complaint(session, fact, CAST["quality"].actor(), TODAY)
    assert find_news(log) == 2
    assert find_news(log) == 0
    assert sorted(titles(log)) == [
        "Case came back: splits on 1-1",
        "Complaint 1 written by quentin",
    ]
    assert {one.place for one in everything(log)[0]} == {"1-1", "1-2"}


def test_only_what_the_place_and_severity_ask_for_is_told(log: Engine, who: Actor) -> None:
    page(log, who, "signal", machine="1-2")
    page(log, who, "signal", line="2")
    page(log, who, "signal", least_severity="leak", line="1")
    with writing(log) as session:
        raised(session, "rise", TODAY - HOUR)
    assert find_news(log) == 1


def test_a_disabled_account_is_told_nothing(log: Engine, who: Actor) -> None:
    from tracelog.people.models import Account

    page(log, who, "signal")
    with writing(log) as session:
        raised(session, "rise", TODAY - HOUR)
        session.execute(update(Account).where(Account.id == who.account_id).values(active=False))
    assert find_news(log) == 0


def test_the_number_of_statements_does_not_grow_with_what_is_found(log: Engine, who: Actor) -> None:
    page(log, who, ",".join(kind for kind in Kind if kind is not Kind.SERVICE))
    counts = []
    statements = Statements(log)
    for more in (1, 8):
        with writing(log) as session:
            for number in range(more):
                at = TODAY - HOUR - timedelta(minutes=number + more)
                said = {"id": str(uuid.uuid4()), "received_at": at, "pallet": f"P{number}"}
                fact = ComplaintFact.read(said, ZONE)
                write_complaint(session, fact, CAST["quality"].actor(), at)
        with statements.counted() as sent:
            assert find_news(log) >= more
        counts.append(len([one for one in sent if not one.startswith(("PRAGMA", "COPY"))]))
    statements.close()
    assert counts[1] <= counts[0] + 2
