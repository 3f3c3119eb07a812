"""Collects readings over MQTT: takes messages, keeps them, and only then lets the broker forget."""

import logging
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.instants import now
from tracelog.intake.arrivals import Arrival, ArrivalBook, CollectedReading, Kept, Known
from tracelog.intake.mqtt_link import SOURCE, Credentials, LinkDown, MqttLink, Waiting
from tracelog.intake.mqtt_queries import was_kept_before
from tracelog.intake.mqtt_rules import BrokerAddress, topics_of, understand
from tracelog.intake.reject_rules import Reject
from tracelog.language import _
from tracelog.plant.queries import PlantView, the_plant

log = logging.getLogger(__name__)

ACTOR = Actor("collector", "collector", SOURCE)
# One transaction holds so many messages at most, and is begun when nothing more comes for a
# moment, or at the latest so long after the first of them came.
MOST_AT_ONCE = 500
QUIET_SECONDS = 0.02
LONGEST_GATHERING = timedelta(milliseconds=200)
# A signal to stop is heard within this.
_STEP_SECONDS = 0.25
_FIRST_PAUSE_SECONDS, _LONGEST_PAUSE_SECONDS = 0.5, 30.0
# A connection that lasted so long was a good one; one that ended within this is suspicious.
_STEADY_SECONDS, _SHORT_SECONDS = 60.0, 5.0
_TELL_EVERY = timedelta(minutes=10)
_CLEAN_EVERY = timedelta(days=1)
# With --once: as long as this without a message means that none is waiting.
ONCE_QUIET_SECONDS = 2.0


@dataclass(frozen=True)
class MqttChoices:
    """What is chosen when the collector starts.

    `client_id`: None: made from the plant's id, so that it is the same after each start.
    `own_topics`: subscribe to this plant's topics alone.
    `once`: end when nothing is waiting any more.
    """

    address: BrokerAddress
    protocol: str = "5"
    client_id: str | None = None
    own_topics: bool = False
    once: bool = False
    credentials: Credentials = field(default_factory=Credentials)


def collect_mqtt(engine: Engine, choices: MqttChoices, stop: threading.Event) -> Counter[str]:
    """Collect until `stop` is set.

    Args:
        engine: the database, which must hold a plant.
        choices: which broker, and how.
        stop: set to end in order: what came is kept and acknowledged, the session goes on.

    Returns:
        How many messages were ``kept``, ``known`` before or ``rejected``.

    Raises:
        NoPlant: there is no plant yet.
        Refused: the broker will not have us.
    """
    with reading(engine) as session:
        plant = the_plant(session)
    link = MqttLink(
        choices.address,
        choices.client_id or f"tracelog-{plant.id.hex[-12:]}",
        choices.protocol,
        topics_of(plant.name, own_only=choices.own_topics),
        instead_of=topics_of(plant.name, own_only=not choices.own_topics),
        credentials=choices.credentials,
    )
    return _Collector(engine, link, stop, once=choices.once).run()


class _Collector:
    def __init__(
        self, engine: Engine, link: MqttLink, stop: threading.Event, *, once: bool
    ) -> None:
        self._link, self._stop, self._once = link, stop, once
        self._book = ArrivalBook(engine, ACTOR, self._wait_for_database)
        self._counts: Counter[str] = Counter(kept=0, known=0, rejected=0)
        self._told = Counter(self._counts)
        self._tell_at = now() + _TELL_EVERY
        self._clean_at = now()
        self._connected_at: float | None = None
        self._is_listening = False
        self._pause = 0.0

    def run(self) -> Counter[str]:
        """Connect, gather, keep, acknowledge, until asked to stop."""
        quiet_since = time.monotonic()
        while not self._stop.is_set():
            self._look_after()
            if not self._link.is_up:
                self._connect()
                quiet_since = time.monotonic()
                continue
            held = bool(self._link.held)
            came = self._link.step(QUIET_SECONDS if held else _STEP_SECONDS)
            self._tell_of_start()
            if came or not self._is_listening:
                quiet_since = time.monotonic()
            if self._link.held and (not came or self._is_time()):
                self._keep()
                quiet_since = time.monotonic()
            elif self._once and time.monotonic() - quiet_since > ONCE_QUIET_SECONDS:
                break
        while self._link.held and self._keep():
            pass
        self._link.leave()
        self._tell()
        return self._counts

    def _is_time(self) -> bool:
        held = self._link.held
        first = held[0].message.origin.arrived_at
        return len(held) >= MOST_AT_ONCE or now() - first >= LONGEST_GATHERING

    def _keep(self) -> bool:
        """Keep what is held, or a part of it, and acknowledge it; False: asked to stop before."""
        held = self._link.held
        batch = [held.popleft() for _ in range(min(len(held), MOST_AT_ONCE))]
        kept = self._book.keep(lambda session, plant: read_batch(session, plant, batch))
        if kept is None:
            return False
        self._link.acknowledge(batch)
        self._count(kept)
        return True

    def _count(self, kept: Kept) -> None:
        self._counts["kept"] += kept.created
        self._counts["known"] += kept.unchanged
        self._counts["rejected"] += len(kept.rejects)

    def _connect(self) -> None:
        """Connect anew, after longer and longer pauses unless the last connection lasted."""
        self._tell_of_end()
        is_told = False
        while not self._stop.wait(self._pause):
            self._pause = min(max(2 * self._pause, _FIRST_PAUSE_SECONDS), _LONGEST_PAUSE_SECONDS)
            try:
                self._link.connect()
            except LinkDown as problem:
                if not is_told:
                    sentence = _(
                        "%(address)s cannot be reached and is tried again: %(why)s",
                        address=self._link.address,
                        why=problem,
                    )
                    log.error(sentence)
                is_told = True
                continue
            self._connected_at, self._is_listening = time.monotonic(), False
            return

    def _tell_of_start(self) -> None:
        if self._link.is_ready and not self._is_listening:
            self._is_listening = True
            log.info(_("listening at %(address)s", address=self._link.address))

    def _tell_of_end(self) -> None:
        if self._connected_at is None:
            return
        lasted = time.monotonic() - self._connected_at
        if lasted >= _STEADY_SECONDS:
            self._pause = 0.0
        why = self._link.why_down
        if lasted < _SHORT_SECONDS:
            why += _("; if that goes on, look whether another collector has the same client id")
        log.warning(
            _(
                "the connection with %(address)s ended after %(lasted).0f s: %(why)s",
                address=self._link.address,
                lasted=lasted,
                why=why,
            )
        )

    def _wait_for_database(self, seconds: float) -> bool:
        """Keep the connection alive meanwhile; what comes is held, and nothing acknowledged."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0 and not self._stop.is_set():
            self._link.step(min(left, _STEP_SECONDS))
        return self._stop.is_set()

    def _look_after(self) -> None:
        """Once in a while: say what was done, and remove rejects that are too old."""
        present = now()
        if present >= self._clean_at:
            self._clean_at = present + _CLEAN_EVERY
            self._book.discard_old_rejects()
        if present >= self._tell_at:
            self._tell_at = present + _TELL_EVERY
            self._tell()

    def _tell(self) -> None:
        if self._counts == self._told:
            return
        self._told = Counter(self._counts)
        log.info(
            _(
                "since the start: %(kept)d readings kept, %(known)d known before,"
                " %(rejected)d messages rejected",
                **self._counts,
            )
        )


def read_batch(session: Session, plant: PlantView, batch: Sequence[Waiting]) -> list[Arrival]:
    """What the messages of a batch mean, in order.

    A bare figure that the broker sends for the second time was perhaps kept the first time, with
    the time of that arrival; then it tells nothing new. Counted again, after later figures, it
    would look like a counter that fell.
    """
    arrivals: list[Arrival] = []
    for waiting in batch:
        message = waiting.message
        read = understand(message, plant.name, plant.zone)
        if isinstance(read, Reject):
            arrivals.append(read)
        elif read.is_bare and message.again and was_kept_before(session, read.fact):
            arrivals.append(Known(message.origin))
        else:
            arrivals.append(CollectedReading(read.fact, message.origin))
    return arrivals
