"""Whatever breaks in the middle, every reading is there once: collector, broker or database."""

import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import psycopg
import pytest
from sqlalchemy import Engine, event
from sqlalchemy.exc import OperationalError

from tests.intake.collecting import (
    Heard,
    collecting,
    kept,
    kept_count,
    messages,
    stream,
    subscribe,
    take_what_waits,
    until,
)
from tests.support import postgres
from tests.support.broker import Broker
from tests.support.command import Command
from tests.support.scripted_broker import CONNECTED, SUBSCRIBED, TAKEN_OVER, answering, refused
from tracelog.db import writing
from tracelog.instants import now
from tracelog.intake.mqtt_collector import MqttChoices, collect_mqtt
from tracelog.intake.mqtt_link import Refused
from tracelog.intake.mqtt_rules import BrokerAddress
from tracelog.keeping.integrity import look_over

START = datetime(2026, 3, 1, 6, tzinfo=UTC)


@contextmanager
def started(command: Command, broker: Broker) -> Iterator["subprocess.Popen[str]"]:
    running = command.start("collect", "--mqtt", broker.url)
    try:
        yield running
    finally:
        running.kill()
        running.communicate()


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
def test_a_collector_that_is_killed_goes_on_where_it_was(
    plant: Engine, lasting_broker: Broker, command: Command
) -> None:
    readings = stream(START, 2500)
    subscribe(plant, lasting_broker)
    with lasting_broker.publisher() as publisher:
        publisher.send_all(messages(readings))
    for enough in (1, 1001):
        with started(command, lasting_broker) as running:
            until(lambda least=enough: kept_count(plant) >= least)
            running.send_signal(signal.SIGKILL)
            assert running.wait() == -signal.SIGKILL
    assert kept_count(plant) < 2500, "it was over before it could be killed"
    with started(command, lasting_broker) as running:
        until(lambda: kept_count(plant) == 2500)
        running.send_signal(signal.SIGTERM)
        _said, told = running.communicate(timeout=30)
        assert running.returncode == 0, told
    assert kept(plant) == sorted(readings)
    assert take_what_waits(plant, lasting_broker).total() == 0
    with writing(plant) as session:
        assert look_over(session, now(), rebuild=False).is_whole


def test_a_message_is_acknowledged_only_after_the_commit(
    plant: Engine, lasting_broker: Broker
) -> None:
    readings = stream(START, 50)
    attempts = []

    def fail(_connection: Any) -> None:
        attempts.append(1)
        raise OperationalError("COMMIT", {}, Exception("disk full"))

    with collecting(plant, lasting_broker) as running, lasting_broker.publisher() as publisher:
        until(running.is_listening)
        event.listen(plant, "commit", fail)
        publisher.send_all(messages(readings))
        until(lambda: len(attempts) >= 2)
        counts = running.stop()
    event.remove(plant, "commit", fail)
    assert counts.total() == 0
    assert not kept(plant)
    assert take_what_waits(plant, lasting_broker) == {"kept": 50, "known": 0, "rejected": 0}
    assert kept(plant) == sorted(readings)


def test_a_broker_that_is_started_again_loses_nothing(
    plant: Engine, lasting_broker: Broker
) -> None:
    readings = stream(START, 2000)
    with collecting(plant, lasting_broker) as running, lasting_broker.publisher() as publisher:
        until(running.is_listening)
        for message in messages(readings[:1000]):
            publisher.send(*message)
        until(lambda: kept_count(plant))
        lasting_broker.stop()
        for message in messages(readings[1000:]):
            publisher.send(*message)
        lasting_broker.start()
        publisher.wait()
        until(lambda: kept_count(plant) == 2000)
        running.stop()
    assert kept(plant) == sorted(readings)


@contextmanager
def away(engine: Engine) -> Iterator[None]:
    """Nobody can write to the database, or reach it at all, for a block."""
    if engine.dialect.name == "sqlite":
        assert engine.url.database
        with sqlite3.connect(engine.url.database, isolation_level=None) as other:
            other.execute("BEGIN EXCLUSIVE")
            yield
            other.execute("ROLLBACK")
        other.close()
        return
    server = postgres.server_url().replace("+psycopg", "")
    name = engine.url.database
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false')
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name]
        )
        yield
        connection.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true')


def test_a_database_that_goes_away_is_waited_for(
    plant: Engine, broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    readings = stream(START, 400)
    gone, back = Heard("the database cannot take"), Heard("the database takes readings again")
    with collecting(plant, broker) as running, broker.publisher() as publisher:
        until(running.is_listening)
        publisher.send_all(messages(readings[:100]))
        until(lambda: kept_count(plant) == 100)
        with away(plant):
            publisher.send_all(messages(readings[100:]))
            until(gone)
            # Nothing is lost that comes meanwhile, and nothing is said twice.
            time.sleep(0.6)
        until(back)
        until(lambda: kept_count(plant) == 400)
        running.stop()
    assert kept(plant) == sorted(readings)
    told = [line for line in caplog.messages if line.startswith("the database")]
    assert len(told) == 2
    gone.close()
    back.close()


def test_a_stop_while_the_database_is_away_leaves_everything_at_the_broker(
    plant: Engine, lasting_broker: Broker
) -> None:
    readings = stream(START, 100)
    gone = Heard("the database cannot take")
    with collecting(plant, lasting_broker) as running, lasting_broker.publisher() as publisher:
        until(running.is_listening)
        with away(plant):
            publisher.send_all(messages(readings))
            until(gone)
            assert running.stop().total() == 0
    gone.close()
    assert take_what_waits(plant, lasting_broker)["kept"] == 100


def collect_from(engine: Engine, port: int) -> None:
    stop = threading.Event()
    timer = threading.Timer(3, stop.set)
    timer.start()
    try:
        collect_mqtt(engine, MqttChoices(BrokerAddress("127.0.0.1", port, False)), stop)
    finally:
        timer.cancel()


def test_a_session_that_another_collector_took_over_is_left_to_it(plant: Engine) -> None:
    with (
        answering([CONNECTED, SUBSCRIBED + TAKEN_OVER]) as (port, connections),
        pytest.raises(Refused, match="another collector has signed in"),
    ):
        collect_from(plant, port)
    assert len(connections) == 1


@pytest.mark.parametrize(("reason", "words"), [(0x86, "Bad user name"), (0x87, "Not authorized")])
def test_a_broker_that_refuses_for_good_ends_the_collector(
    plant: Engine, reason: int, words: str
) -> None:
    with (
        answering([refused(reason)]) as (port, _connections),
        pytest.raises(Refused, match=words),
    ):
        collect_from(plant, port)


@pytest.mark.parametrize("answers", [[], [refused(0x88)], [CONNECTED, SUBSCRIBED], [b"\xff\xff"]])
def test_a_broker_that_ends_each_connection_is_not_stormed(
    plant: Engine, answers: list[bytes]
) -> None:
    with answering(answers) as (port, connections):
        collect_from(plant, port)
    # At once, and after 0.5, 1 and 2 s.
    assert 2 <= len(connections) <= 4
