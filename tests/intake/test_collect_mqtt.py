"""The collector takes what counters send over MQTT: each reading once, and what is wrong aside."""

import json
import random
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine, func, select

from tests.intake import collecting as helping
from tests.intake.collecting import (
    collecting,
    kept,
    kept_count,
    messages,
    payload,
    rejected,
    stream,
    subscribe,
    take_what_waits,
    topic,
    until,
)
from tests.support.broker import Broker
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.instants import now
from tracelog.intake.mqtt_link import MqttLink
from tracelog.plant.models import Machine, Plant
from tracelog.strokes.queries import total_at

START = datetime(2026, 3, 1, 6, tzinfo=UTC)


def totals(engine: Engine) -> dict[int, int]:
    with reading(engine) as session:
        asked = select(Machine.number, Machine.id)
        machines = dict(session.execute(asked).all())
        found = total_at(session, list(machines.values()), now())
        return {number: found[one] for number, one in machines.items()}


def test_every_reading_is_kept_once_and_the_broker_forgets_it(
    plant: Engine, every_broker: Broker
) -> None:
    readings = stream(START, 300)
    with collecting(plant, every_broker) as running, every_broker.publisher() as publisher:
        until(running.is_listening)
        publisher.send_all(messages(readings))
        until(lambda: kept_count(plant) == 300)
        assert running.stop() == {"kept": 300, "known": 0, "rejected": 0}
    assert kept(plant) == sorted(readings)
    assert take_what_waits(plant, every_broker).total() == 0
    with reading(plant) as session:
        records = session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()
        # One for each transaction, and not for each message.
        assert 1 <= records < 150
        assert not broken_links(session)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_comes_while_the_collector_is_away_waits_for_it(
    plant: Engine, lasting_broker: Broker, protocol: str
) -> None:
    subscribe(plant, lasting_broker, protocol=protocol)
    readings = stream(START, 1200)
    with lasting_broker.publisher() as publisher:
        publisher.send_all(messages(readings))
    counts = take_what_waits(plant, lasting_broker, protocol=protocol)
    assert counts == {"kept": 1200, "known": 0, "rejected": 0}
    assert kept(plant) == sorted(readings)


def test_late_repeated_and_shuffled_messages_give_the_same_totals(
    plant: Engine, broker: Broker
) -> None:
    readings = stream(START, 300)
    sent = messages(readings) + messages(readings[:100])
    random.Random(7).shuffle(sent)
    subscribe(plant, broker)
    with broker.publisher() as publisher:
        publisher.send_all(sent)
    counts = take_what_waits(plant, broker)
    assert counts == {"kept": 300, "known": 100, "rejected": 0}
    assert kept(plant) == sorted(readings)
    assert totals(plant) == dict.fromkeys(helping.SOME_MACHINES, 99 * 300)


def test_what_cannot_be_taken_is_kept_aside_and_stops_nothing(
    plant: Engine, broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    good = stream(START, 60)
    ahead = now() + timedelta(hours=2)
    bad: list[tuple[str, str | bytes]] = [
        (topic(1), b"\xff\xfe\x00"),
        (topic(1), '{"read_at": "2026-03-01T06:00:00Z", "strokes": NaN}'),
        (topic(1), b"x" * 300_000),
        (topic(1), payload(START, 999)),
        (topic(2), payload(ahead, 5)),
        (topic(2), payload(START - timedelta(days=1), 100_000_000)),
        (topic(9), payload(START, 1)),
        (topic(1, plant="Birch Hill"), payload(START, 1)),
    ]
    sent = messages(good)
    for place, message in enumerate(bad):
        sent.insert(10 + 5 * place, message)
    subscribe(plant, broker)
    with broker.publisher() as publisher:
        publisher.send_all([*sent, bad[0], bad[0]])
    caplog.clear()
    counts = take_what_waits(plant, broker)

    assert counts == {"kept": 60, "known": 0, "rejected": 10}
    assert kept(plant) == sorted(good)
    rows = rejected(plant)
    assert sum(row.times for row in rows) == 10
    told = " | ".join(row.reason for row in rows)
    for words in (
        *("not UTF-8", "NaN is not a number", "300000 bytes long"),
        *("ahead of this computer's clock", "above 99999999", "no bodymaker 9", "'Birch Hill'"),
    ):
        assert words in told
    # By whether both came in one portion.
    contradictions = ("contradicts another row sent with it", ", which was accepted before for")
    assert sum(words in told for words in contradictions) == 1
    assert max(len(row.payload) for row in rows) == 2000
    lines = [r.getMessage() for r in caplog.records if r.getMessage().startswith("rejected")]
    named = [line.split(":")[0].removeprefix("rejected ") for line in lines]
    minutes = {row.minute_at for row in rows}
    # Once for each topic, or twice where the clock went into the next minute meanwhile.
    assert len(set(named)) == 4 <= len(named) <= 4 * len(minutes)
    assert take_what_waits(plant, broker).total() == 0


def test_a_bare_figure_is_a_reading_at_its_arrival(plant: Engine, broker: Broker) -> None:
    before = now()
    with collecting(plant, broker) as running, broker.publisher() as publisher:
        until(running.is_listening)
        for figure in ("100", "101", "102"):
            publisher.send(topic(1), figure)
        publisher.wait()
        until(lambda: kept_count(plant) == 3)
    (_one, first, _figure), *_others = kept(plant)
    assert [figure for _number, _at, figure in kept(plant)] == [100, 101, 102]
    assert before <= first <= now()


def test_a_bare_figure_that_is_sent_again_is_not_counted_again(
    plant: Engine, lasting_broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    with collecting(plant, lasting_broker) as running, lasting_broker.publisher() as publisher:
        until(running.is_listening)
        with monkeypatch.context() as patch:
            # As if the collector died between the commit and the acknowledgement.
            patch.setattr(MqttLink, "acknowledge", lambda *arguments: None)
            for figure in ("99999990", "99999999", "5"):
                publisher.send(topic(1), figure)
            until(lambda: kept_count(plant) == 3)
            running.stop()
    before = kept(plant)
    counts = take_what_waits(plant, lasting_broker)
    assert counts == {"kept": 0, "known": 3, "rejected": 0}
    assert kept(plant) == before
    # Rolled over once.
    assert totals(plant)[1] == 15


def test_what_the_broker_stores_does_no_harm(plant: Engine, broker: Broker) -> None:
    with broker.publisher() as publisher:
        publisher.send(topic(1), payload(START, 10), retain=True)
        publisher.send(topic(2), "4711", retain=True)
        publisher.wait()
    with collecting(plant, broker):
        until(lambda: kept(plant) and rejected(plant))
    with collecting(plant, broker) as running:
        until(running.is_listening)
    assert kept(plant) == [(1, START, 10)]
    assert {row.reason.split(" (")[0] for row in rejected(plant)} == {
        "the broker had stored this figure"
    }


def test_a_message_without_any_promise_is_taken_too(plant: Engine, broker: Broker) -> None:
    with collecting(plant, broker) as running, broker.publisher() as publisher:
        until(running.is_listening)
        publisher.send(topic(1), payload(START, 10), qos=0)
        publisher.send(topic(2), payload(START, 20), qos=2)
        until(lambda: kept_count(plant) == 2)
    assert kept(plant) == [(1, START, 10), (2, START, 20)]


def test_only_our_own_plants_topics_where_several_plants_share_a_broker(
    plant: Engine, broker: Broker
) -> None:
    # Subscribed to everything once, and then told to keep to its own.
    subscribe(plant, broker)
    subscribe(plant, broker, own_topics=True)
    with broker.publisher() as publisher:
        publisher.send(topic(1, plant="Birch Hill"), payload(START, 1))
        publisher.send(topic(1), payload(START, 2))
        publisher.wait()
    counts = take_what_waits(plant, broker, own_topics=True)
    assert counts == {"kept": 1, "known": 0, "rejected": 0}


def test_the_plants_name_and_zone_are_those_of_the_moment(plant: Engine, broker: Broker) -> None:
    local = json.dumps({"read_at": "2026-03-01T07:00", "strokes": 5})
    with collecting(plant, broker) as running, broker.publisher() as publisher:
        until(running.is_listening)
        publisher.send(topic(1), local)
        until(lambda: kept_count(plant) == 1)
        with writing(plant) as session:
            session.execute(select(Plant)).scalar_one().name = "Alder + Birch"
        publisher.send(topic(2), local)
        publisher.send(topic(2, plant="Alder - Birch"), local)
        until(lambda: kept_count(plant) == 2 and rejected(plant))
    assert [row.topic for row in rejected(plant)] == [topic(2)]
