"""A small plant, its collector in a thread of the test, and what came of the messages."""

import json
import logging
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Engine, func, select

from tests.strokes.counters import make_plant
from tests.support.broker import Broker
from tests.support.testrun import PATIENCE_SECONDS
from tracelog.db import reading, writing
from tracelog.facts import write_value
from tracelog.intake.models import RejectedMessage
from tracelog.intake.mqtt_collector import MqttChoices, collect_mqtt
from tracelog.intake.mqtt_rules import read_address
from tracelog.plant.models import Machine
from tracelog.strokes.models import Reading
from tracelog.strokes.rules import CounterLimits

LIMITS = CounterLimits(counter_max=99_999_999, rated_spm=300)
SOME_MACHINES = (1, 2, 3)


def fill(engine: Engine) -> None:
    """A plant 'Alder Point' with three bodymakers on line 1."""
    with writing(engine) as session:
        make_plant(session, "Europe/Madrid", dict.fromkeys(SOME_MACHINES, LIMITS))


def topic(number: int, plant: str = "Alder Point") -> str:
    """Where bodymaker `number` of line 1 sends to."""
    return f"tracelog/{plant}/1/{number}/strokes"


def payload(read_at: datetime, strokes: int) -> str:
    """A reading as it is sent."""
    return json.dumps({"read_at": write_value(read_at), "strokes": strokes})


def stream(start: datetime, count: int) -> list[tuple[int, datetime, int]]:
    """So many readings of the three machines in turn, a minute apart, 300 strokes a minute."""
    per_machine = {number: 1000 * number for number in SOME_MACHINES}
    made = []
    for place in range(count):
        number = SOME_MACHINES[place % len(SOME_MACHINES)]
        per_machine[number] += 300
        minute = place // len(SOME_MACHINES)
        made.append((number, start + timedelta(minutes=minute), per_machine[number]))
    return made


def messages(readings: list[tuple[int, datetime, int]]) -> list[tuple[str, str | bytes]]:
    """Topic and payload of each."""
    return [(topic(number), payload(at, strokes)) for number, at, strokes in readings]


def kept(engine: Engine) -> list[tuple[int, datetime, int]]:
    """All readings on record: bodymaker, instant, figure; in order."""
    asked = select(Machine.number, Reading.read_at, Reading.strokes).join(
        Machine, Machine.id == Reading.machine_id
    )
    with reading(engine) as session:
        return sorted((row[0], row[1], row[2]) for row in session.execute(asked))


def kept_count(engine: Engine) -> int:
    """How many readings are on record."""
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(Reading)).scalar_one()


def rejected(engine: Engine) -> list[RejectedMessage]:
    """Everything that was rejected."""
    asked = select(RejectedMessage).order_by(RejectedMessage.topic, RejectedMessage.minute_at)
    with reading(engine) as session:
        found = list(session.execute(asked).scalars())
        session.expunge_all()
        return found


def until(done: Callable[[], Any]) -> None:
    """Wait until `done` answers yes."""
    give_up_at = time.monotonic() + PATIENCE_SECONDS
    while not done():
        assert time.monotonic() < give_up_at, "it did not come about"
        time.sleep(0.01)


class Collecting:
    """A collector that runs in a thread; `counts` or `problem` once it has ended."""

    def __init__(self, engine: Engine, broker: Broker, **choices: Any) -> None:
        self.counts: Counter[str] | None = None
        self.problem: BaseException | None = None
        self.is_listening = Heard("listening at")
        self._stop = threading.Event()
        chosen = MqttChoices(read_address(broker.url), **_choices(broker, choices))

        def run() -> None:
            try:
                self.counts = collect_mqtt(engine, chosen, self._stop)
            except BaseException as problem:
                self.problem = problem
            finally:
                self.is_listening.close()

        self._thread = threading.Thread(target=run)
        self._thread.start()

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> Counter[str]:
        """End it in order."""
        self._stop.set()
        self.join()
        assert self.problem is None, repr(self.problem)
        assert self.counts is not None
        return self.counts

    def join(self) -> None:
        """Wait for its end."""
        self._thread.join(PATIENCE_SECONDS)
        assert not self.is_running


class Heard(logging.Handler):
    """Whether our programs have logged a line that holds some words."""

    def __init__(self, words: str) -> None:
        super().__init__(logging.INFO)
        self._words, self._heard = words, threading.Event()
        self._log = logging.getLogger("tracelog")
        self._log.setLevel(logging.INFO)
        self._log.addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        if self._words in record.getMessage():
            self._heard.set()

    def __call__(self) -> bool:
        return self._heard.is_set()

    def close(self) -> None:
        self._log.removeHandler(self)
        super().close()


def _choices(broker: Broker, choices: dict[str, Any]) -> dict[str, Any]:
    protocol = "5" if broker.kind == "mosquitto" else "3.1.1"
    return {"protocol": protocol, **choices}


def subscribe(engine: Engine, broker: Broker, **choices: Any) -> None:
    """Let the collector make its session at the broker, and leave."""
    with collecting(engine, broker, **choices) as running:
        until(running.is_listening)


@contextmanager
def collecting(engine: Engine, broker: Broker, **choices: Any) -> Iterator[Collecting]:
    """A collector for a block; stopped at its end, however it ends."""
    running = Collecting(engine, broker, **choices)
    try:
        yield running
    finally:
        running._stop.set()
        running.join()


def take_what_waits(engine: Engine, broker: Broker, **choices: Any) -> Counter[str]:
    """Collect what the broker holds for us, and end."""
    running = Collecting(engine, broker, once=True, **choices)
    running.join()
    assert running.problem is None, repr(running.problem)
    assert running.counts is not None
    return running.counts
