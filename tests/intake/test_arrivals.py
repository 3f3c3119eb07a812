"""A collector's batch is kept as one: what is right is a reading, what is wrong a reject."""

import logging
import threading
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.orm import Session

from tests.strokes.counters import make_plant, reading
from tracelog import audit
from tracelog.audit import Actor, AuditRecord
from tracelog.db import reading as reading_session
from tracelog.db import writing
from tracelog.intake import arrivals as arrivals_module
from tracelog.intake.arrivals import AHEAD_AT_MOST, Arrival, ArrivalBook, CollectedReading, Known
from tracelog.intake.models import RejectedMessage
from tracelog.intake.reject_actions import KEPT_DAYS, discard_old_rejects, record_rejects
from tracelog.intake.reject_rules import (
    FURTHER_PAYLOADS,
    FURTHER_TOPICS,
    KEPT_PAYLOAD_BYTES,
    MOST_PER_MINUTE,
    MOST_PER_TOPIC,
    Arrived,
    Reject,
    Told,
)
from tracelog.outcomes import Outcome
from tracelog.strokes.models import Reading
from tracelog.strokes.rules import CounterLimits

COLLECTOR = Actor("collector", "collector", "mqtt")
AT = datetime(2026, 3, 2, 9, 0, 5, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def plant(own_engine: Engine) -> Engine:
    with writing(own_engine) as session:
        make_plant(
            session, "Europe/Madrid", {7: CounterLimits(counter_max=999_999), 8: CounterLimits()}
        )
    return own_engine


def arrived(payload: bytes = b"x", topic: str = "t", at: datetime = AT) -> Arrived:
    return Arrived.of("mqtt", topic, payload, at)


def collected(number: int, at: datetime, strokes: int, arrived_at: datetime | None = None) -> Any:
    origin = arrived(f"{strokes}".encode(), f"machine {number}", arrived_at or at)
    return CollectedReading(reading(number, at, strokes), origin)


def book(engine: Engine, wait: Any = lambda seconds: True) -> ArrivalBook:
    return ArrivalBook(engine, COLLECTOR, wait)


def readings(engine: Engine) -> list[tuple[datetime, int]]:
    with reading_session(engine) as session:
        rows = session.execute(select(Reading.read_at, Reading.strokes).order_by(Reading.read_at))
        return [(row[0], row[1]) for row in rows]


def rejects(engine: Engine) -> list[RejectedMessage]:
    with reading_session(engine) as session:
        asked = select(RejectedMessage).order_by(RejectedMessage.topic, RejectedMessage.payload)
        found = list(session.execute(asked).scalars())
        session.expunge_all()
        return found


def test_a_batch_is_kept_once_with_one_audit_record(plant: Engine) -> None:
    batch = [collected(7, AT, 10), collected(7, AT + MINUTE, 20), collected(8, AT, 5)]
    first, again = (book(plant).keep(lambda session, plant: batch) for _ in range(2))
    assert first is not None
    assert again is not None
    assert (first.created, first.unchanged) == (3, 0)
    assert (again.created, again.unchanged) == (0, 3)
    assert sorted(readings(plant)) == [(AT, 5), (AT, 10), (AT + MINUTE, 20)]
    with reading_session(plant) as session:
        (record,) = session.execute(select(AuditRecord)).scalars()
        assert (record.actor, record.door) == ("collector", "mqtt")
        assert not audit.broken_links(session)


def test_what_is_refused_becomes_a_reject_and_hinders_nothing(
    plant: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    batch: list[Arrival] = [
        collected(7, AT, 10),
        collected(7, AT, 11),
        collected(9, AT, 12),
        collected(7, AT + MINUTE, 1_000_000, arrived_at=AT),
        collected(7, AT + AHEAD_AT_MOST + timedelta(seconds=1), 13, arrived_at=AT),
        collected(7, AT + AHEAD_AT_MOST, 14, arrived_at=AT),
        Reject(arrived(b"nonsense"), "is not JSON"),
        Known(arrived(b"12")),
    ]
    kept = book(plant).keep(lambda session, plant: batch)
    assert kept is not None
    assert (kept.created, kept.unchanged, len(kept.rejects)) == (2, 1, 5)
    assert readings(plant) == [(AT, 10), (AT + AHEAD_AT_MOST, 14)]
    reasons = {row.payload: row.reason for row in rejects(plant)}
    assert "contradicts" in reasons[b"11"]
    assert "line 1 has no bodymaker 9" in reasons[b"12"]
    assert "the last figure of the counter" in reasons[b"1000000"]
    assert "0:10:01 ahead of this computer's clock" in reasons[b"13"]
    assert reasons[b"nonsense"] == "is not JSON"
    told = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
    # Once for each topic of the minute.
    assert [line.split(":")[0] for line in told] == [
        "rejected t",
        "rejected machine 7",
        "rejected machine 9",
    ]


def test_the_same_reject_is_one_row_a_minute_and_counted(plant: Engine) -> None:
    def again(session: Session, plant: Any) -> Sequence[Arrival]:
        seconds = (5, 7, 6)
        return [Reject(arrived(b"bad", at=AT.replace(second=s)), "why") for s in seconds]

    book(plant).keep(again)
    book(plant).keep(again)
    book(plant).keep(lambda session, plant: [Reject(arrived(b"bad", at=AT + MINUTE), "why")])
    first, second = sorted(rejects(plant), key=lambda row: row.minute_at)
    assert (first.minute_at, first.times, first.last_at) == (
        AT.replace(second=0),
        6,
        AT.replace(second=7),
    )
    assert second.times == 1


def test_a_minute_keeps_few_payloads_of_a_topic_and_few_topics(plant: Engine) -> None:
    with writing(plant) as session:
        record_rejects(session, [Reject(arrived(b"%d" % n), "why") for n in range(40)])
        record_rejects(session, [Reject(arrived(b"39"), "why")])
    rows = rejects(plant)
    assert len(rows) == MOST_PER_TOPIC + 1
    assert sum(row.times for row in rows) == 41
    (further,) = [row for row in rows if row.payload_sha256 == FURTHER_PAYLOADS]
    assert further.times == 41 - MOST_PER_TOPIC

    flood = [Reject(arrived(b"x", topic=f"topic {n:04d}"), "why") for n in range(500)]
    with writing(plant) as session:
        record_rejects(session, flood)
    rows = rejects(plant)
    assert len(rows) == MOST_PER_MINUTE + 1
    assert sum(row.times for row in rows) == 541
    assert [row.topic for row in rows if row.topic == FURTHER_TOPICS] == [FURTHER_TOPICS]


def test_a_huge_or_unprintable_message_is_cut_to_what_can_be_shown(plant: Engine) -> None:
    huge = b"\xff" * 300_000
    with writing(plant) as session:
        record_rejects(
            session, [Reject(arrived(huge, topic="a\0b\ud800" + "c" * 900), "\0 \ud800")]
        )
        record_rejects(session, [Reject(arrived(huge[:-1], topic="d"), "why")])
    one, other = rejects(plant)
    assert one.payload == huge[:KEPT_PAYLOAD_BYTES]
    assert one.payload_sha256 != other.payload_sha256
    assert one.topic.startswith("a\ufffdb?ccc")
    assert len(one.topic) == 500
    assert one.reason == "\ufffd ?"


def test_a_log_tells_of_each_topic_once_a_minute_and_is_not_flooded() -> None:
    told = Told()
    lines = [told.sentence(Reject(arrived(topic=f"t{n}"), "why\nso")) for n in range(200)]
    spoken = [line for line in lines if line]
    assert spoken[0] == "rejected t0: why\ufffdso"
    assert len(spoken) == 51
    assert "more topics" in spoken[-1]
    assert told.sentence(Reject(arrived(topic="t0", at=AT + MINUTE), "why"))


def test_old_rejects_go_and_the_audit_trail_says_so(plant: Engine) -> None:
    now = AT + timedelta(days=KEPT_DAYS)
    with writing(plant) as session:
        record_rejects(session, [Reject(arrived(at=AT - MINUTE), "why"), Reject(arrived(), "why")])
        assert discard_old_rejects(session, COLLECTOR, now) == 1
        assert discard_old_rejects(session, COLLECTOR, now) == 0
    assert [row.minute_at for row in rejects(plant)] == [AT.replace(second=0)]
    with reading_session(plant) as session:
        (record,) = session.execute(select(AuditRecord)).scalars()
        assert record.action == "discard rejected messages"


def test_a_database_that_cannot_be_reached_is_tried_again_and_told_once(
    plant: Engine, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    waits: list[float] = []
    real = arrivals_module.record_readings

    def away(*arguments: Any) -> list[Outcome]:
        if len(waits) < 3:
            raise OperationalError("INSERT", {}, Exception("server closed the connection"))
        return real(*arguments)

    def wait(seconds: float) -> bool:
        waits.append(seconds)
        return False

    monkeypatch.setattr(arrivals_module, "record_readings", away)
    kept = book(plant, wait).keep(lambda session, plant: [collected(7, AT, 10)])
    assert kept is not None
    assert kept.created == 1
    assert waits == [0.5, 1.0, 2.0]
    told = [record.getMessage() for record in caplog.records]
    assert len(told) == 2
    assert "server closed the connection" in told[0]
    assert "again" in told[1]


def test_a_stop_while_the_database_is_away_keeps_nothing(
    plant: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*arguments: Any) -> list[Outcome]:
        raise OperationalError("COMMIT", {}, Exception("gone"))

    monkeypatch.setattr(arrivals_module, "record_readings", away)
    stop = threading.Event()
    stop.set()
    batch = [Reject(arrived(), "why"), collected(7, AT, 10)]
    assert book(plant, stop.wait).keep(lambda session, plant: batch) is None
    assert not readings(plant)
    assert not rejects(plant)


def test_a_database_without_a_plant_is_waited_for(own_engine: Engine) -> None:
    assert book(own_engine).keep(lambda session, plant: [collected(7, AT, 10)]) is None


def test_what_the_database_cannot_hold_is_a_reject_alone(
    plant: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = arrivals_module.record_readings

    def choosy(session: Session, facts: Any, *rest: Any) -> list[Outcome]:
        if any(fact.strokes == 13 for fact in facts):
            raise IntegrityError("INSERT", {}, Exception("no thirteen here"))
        return real(session, facts, *rest)

    monkeypatch.setattr(arrivals_module, "record_readings", choosy)
    batch = [collected(7, AT, 12), collected(7, AT + MINUTE, 13), collected(8, AT, 14)]
    kept = book(plant).keep(lambda session, plant: batch)
    assert kept is not None
    assert (kept.created, len(kept.rejects)) == (2, 1)
    assert "no thirteen here" in rejects(plant)[0].reason
