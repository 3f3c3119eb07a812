"""How fast readings that wait at a broker are collected, kept and acknowledged."""

import itertools
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import Engine, delete, func, select

from tests.bench.imports import postgresql
from tests.bench.measure import print_table, timed
from tests.support.broker import Broker, mosquitto_program
from tracelog.audit import Actor
from tracelog.bulk import pieces
from tracelog.db import make_engine, reading, upgrade, writing
from tracelog.facts import write_value
from tracelog.instants import now
from tracelog.intake.mqtt_collector import MOST_AT_ONCE, MqttChoices, collect_mqtt
from tracelog.intake.mqtt_link import RECEIVE_MAXIMUM, SESSION_SECONDS
from tracelog.intake.mqtt_rules import EVERY_PLANT, read_address
from tracelog.plant.models import Line, Machine, Plant
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.models import Reading, StrokeHour

LINES, MACHINES = 4, 8
START = datetime(2026, 3, 1, tzinfo=UTC)
BASELINE = "bare subscriber"
Told = tuple[int, int, datetime, int]


def _readings(count: int) -> list[Told]:
    """Readings of 32 machines in turn, a minute apart, 300 strokes a minute."""
    told = []
    for place in range(count):
        minute, machine = divmod(place, LINES * MACHINES)
        line, number = divmod(machine, MACHINES)
        at = START + timedelta(minutes=minute)
        told.append((line + 1, number + 1, at, 1000 * machine + 300 * minute))
    return told


def _furnish(engine: Engine) -> None:
    upgrade(engine)
    with writing(engine) as session:
        plant = Plant(name="Alder Point", time_zone="Europe/Madrid")
        session.add(plant)
        session.flush()
        for number in range(1, LINES + 1):
            line = Line(plant_id=plant.id, line=number)
            session.add(line)
            session.flush()
            session.add_all(
                Machine(line_id=line.id, station="bodymaker", number=one, rated_spm=300.0)
                for one in range(1, MACHINES + 1)
            )


def _publish(broker: Broker, told: Sequence[Told]) -> None:
    with broker.publisher() as publisher:
        for line, number, at, strokes in told:
            topic = f"tracelog/Alder Point/{line}/{number}/strokes"
            payload = f'{{"read_at": "{write_value(at)}", "strokes": {strokes}}}'
            publisher.send(topic, payload)
        publisher.wait()


def _bare(folder: Path, told: Sequence[Told]) -> float:
    """Seconds for a client that reads messages, acknowledges each at once, and forgets it."""
    with _broker(folder) as broker:
        client, subscribed, done = _bare_client(broker.port, len(told))
        client.loop_start()
        client.subscribe(EVERY_PLANT, 1)
        subscribed.wait(10)
        client.disconnect()
        client.loop_stop()
        _publish(broker, told)
        client, _subscribed, done = _bare_client(broker.port, len(told))
        with timed() as taken:
            client.loop_start()
            if not done.wait(600):
                raise TimeoutError("not all messages came")
        client.disconnect()
        client.loop_stop()
    return taken.seconds


def _bare_client(port: int, wanted: int) -> tuple[Client, threading.Event, threading.Event]:
    subscribed, done, got = threading.Event(), threading.Event(), itertools.count(1)

    def take(_client: Client, _data: object, _message: MQTTMessage) -> None:
        if next(got) == wanted:
            done.set()

    client = Client(
        CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTProtocolVersion.MQTTv5
    )
    client.on_message = take
    client.on_subscribe = lambda *_answer: subscribed.set()
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = SESSION_SECONDS
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    return client, subscribed, done


def _collected(folder: Path, engine: Engine, told: Sequence[Told]) -> float:
    """Seconds for the collector, from its start until the last reading is committed."""
    with _broker(folder) as broker:
        choices = MqttChoices(read_address(broker.url))
        collect_mqtt(engine, replace(choices, once=True), threading.Event())
        _publish(broker, told)
        stop = threading.Event()
        running = threading.Thread(target=collect_mqtt, args=(engine, choices, stop))
        with timed() as taken:
            running.start()
            while running.is_alive() and _count(engine) < len(told):
                time.sleep(0.1)
        stop.set()
        running.join()
    if _count(engine) != len(told):
        raise LookupError("not all readings were kept")
    return taken.seconds


def _count(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(Reading)).scalar_one()


def _recorded(engine: Engine, told: Sequence[Told]) -> float:
    """Seconds to keep the same readings in the same portions, without any message."""
    zone, actor = ZoneInfo("UTC"), Actor("bench", "collector", "mqtt")
    names = ("line", "bodymaker", "read_at", "strokes")
    facts = [ReadingFact.read(dict(zip(names, one, strict=True)), zone) for one in told]
    with timed() as taken:
        for piece in pieces(facts, MOST_AT_ONCE):
            with writing(engine) as session:
                record_readings(session, piece, actor, now())
    return taken.seconds


def print_collecting(folder: Path, messages: int) -> None:
    """Collect so many waiting messages into both engines, and print messages per second.

    Args:
        folder: a new folder for broker and database.
        messages: how many.
    """
    if mosquitto_program() is None:
        print("Without Mosquitto: nothing is collected.")
        return
    told = _readings(messages)
    seconds = {BASELINE: _bare(folder / "bare", told)}
    seconds |= _on(make_engine(f"sqlite:///{folder / 'tracelog.db'}"), folder, told)
    try:
        with postgresql() as engine:
            seconds |= _on(engine, folder, told)
    except LookupError as problem:
        print(f"Without PostgreSQL: {problem}")
    print_table(
        f"Collecting {messages:,} readings over MQTT 5, QoS 1",
        ("what", "s", "messages/s", f"x {BASELINE}"),
        (
            (name, f"{taken:.1f}", f"{messages / taken:,.0f}", f"{taken / seconds[BASELINE]:.1f}")
            for name, taken in seconds.items()
        ),
    )


def _on(engine: Engine, folder: Path, told: Sequence[Told]) -> dict[str, float]:
    name = engine.dialect.name
    _furnish(engine)
    collected = _collected(folder / name, engine, told)
    with writing(engine) as session:
        for table in (StrokeHour, Reading):
            session.execute(delete(table))
    alone = _recorded(engine, told)
    engine.dispose()
    return {f"{name}: collector": collected, f"{name}: readings alone": alone}


@contextmanager
def _broker(folder: Path) -> Iterator[Broker]:
    broker = Broker("mosquitto", folder).start()
    yield broker
    broker.stop()
