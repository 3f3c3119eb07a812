"""What collectors bring in: readings that are kept, and messages that cannot be taken.

A collector (MQTT, OPC UA) hands over a batch; `ArrivalBook` writes readings and rejects of the
batch in one transaction and waits for a database that cannot be reached. Data that are wrong
never raise: they become rejects.
"""

import logging
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeAlias

from sqlalchemy import Engine
from sqlalchemy.exc import DataError, IntegrityError, SQLAlchemyError
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.errors import NoPlant
from tracelog.instants import now, write_instant
from tracelog.intake.reject_actions import discard_old_rejects, record_rejects
from tracelog.intake.reject_rules import Arrived, Reject, Told
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.plant.queries import PlantView, the_plant
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.rules import CLOCKS_DIFFER

log = logging.getLogger(__name__)

# How far a reading may lie ahead of our clock: as at every door, but by the time of its arrival,
# so that a message does not become right by waiting for the database.
AHEAD_AT_MOST = CLOCKS_DIFFER
FIRST_WAIT_SECONDS, LONGEST_WAIT_SECONDS = 0.5, 30.0
# SQLite's writer is waited for in short turns, so that a signal to stop is heard in between.
_SQLITE_WAIT_MS = 2000


@dataclass(frozen=True, slots=True)
class CollectedReading:
    """A reading that a collector understood, and the message it came in."""

    fact: ReadingFact
    origin: Arrived


@dataclass(frozen=True, slots=True)
class Known:
    """A message that tells nothing new: sent again by a broker, and kept before."""

    origin: Arrived


Arrival: TypeAlias = CollectedReading | Reject | Known
# Makes of what came what it means, with the plant as it is at that moment.
Read: TypeAlias = Callable[[Session, PlantView], Sequence[Arrival]]
# Waits so many seconds, or less; True: the collector is asked to stop.
Wait: TypeAlias = Callable[[float], bool]


@dataclass(frozen=True)
class Kept:
    """What became of a batch that is committed now."""

    created: int
    unchanged: int
    rejects: tuple[Reject, ...] = ()


class ArrivalBook:
    """Keeps what a collector brings in.

    Args:
        engine: the database.
        actor: the collector, as the audit trail names it: ``Actor("collector", "collector",
            "mqtt")``.
        wait: called between two attempts while the database cannot be reached. A collector with
            an event loop of its own passes ``threading.Event().wait`` and calls `keep` in a
            thread.
    """

    def __init__(self, engine: Engine, actor: Actor, wait: Wait) -> None:
        self._engine = engine
        self._actor = actor
        self._wait = wait
        self._told = Told()

    def keep(self, read: Read) -> Kept | None:
        """Write a batch in one transaction; afterwards the sender may forget it.

        Readings that are refused (unknown machine, another figure at the same instant, above the
        counter's last figure, ahead of our clock) become rejects. Where the database cannot be
        reached, is locked or holds no plant, it is tried again until it can or `wait` says to
        stop; that is logged once.

        Args:
            read: called within the transaction, anew for each attempt.

        Returns:
            What became of it; None: asked to stop before it was kept, so nothing of it is.
        """
        patience = _Patience(self._wait)
        while True:
            try:
                kept = self._write(read)
            except (SQLAlchemyError, NoPlant) as problem:
                if patience.is_over(problem):
                    return None
                continue
            patience.done()
            self._tell(kept.rejects)
            return kept

    def discard_old_rejects(self) -> int | None:
        """Remove rejects that are older than they are kept; how many, None: asked to stop."""
        patience = _Patience(self._wait)
        while True:
            try:
                with writing(self._engine, _SQLITE_WAIT_MS) as session:
                    removed = discard_old_rejects(session, self._actor, now())
            except SQLAlchemyError as problem:
                if patience.is_over(problem):
                    return None
                continue
            patience.done()
            return removed

    def _write(self, read: Read) -> Kept:
        with writing(self._engine, _SQLITE_WAIT_MS) as session:
            arrivals = read(session, the_plant(session))
            try:
                with session.begin_nested():
                    return self._write_part(session, arrivals)
            except (DataError, IntegrityError):
                # One of them is what the database cannot hold; the others must not suffer.
                parts = [self._write_alone(session, arrival) for arrival in arrivals]
                return _together(parts)

    def _write_alone(self, session: Session, arrival: Arrival) -> Kept:
        try:
            with session.begin_nested():
                return self._write_part(session, [arrival])
        except (DataError, IntegrityError) as problem:
            why = str(problem.orig).strip().splitlines()[0]
            sentence = _("the database cannot hold it: %(why)s", why=why)
            reject = Reject(arrival.origin, sentence)
            record_rejects(session, [reject])
            return Kept(0, 0, (reject,))

    def _write_part(self, session: Session, arrivals: Sequence[Arrival]) -> Kept:
        rejects = [arrival for arrival in arrivals if isinstance(arrival, Reject)]
        collected = []
        for arrival in arrivals:
            if isinstance(arrival, CollectedReading):
                sentence = ahead_of_clock(arrival.fact.read_at, arrival.origin.arrived_at)
                if sentence:
                    rejects.append(Reject(arrival.origin, sentence))
                else:
                    collected.append(arrival)
        became: Counter[Became] = Counter()
        if collected:
            facts = [one.fact for one in collected]
            outcomes = record_readings(session, facts, self._actor, now())
            for one, outcome in zip(collected, outcomes, strict=True):
                became[outcome.became] += 1
                if not outcome.is_kept:
                    reason = "; ".join(str(fault) for fault in outcome.faults)
                    rejects.append(Reject(one.origin, reason))
        rejects.sort(key=lambda reject: reject.origin.arrived_at)
        record_rejects(session, rejects)
        known = sum(isinstance(arrival, Known) for arrival in arrivals)
        return Kept(became[Became.CREATED], became[Became.UNCHANGED] + known, tuple(rejects))

    def _tell(self, rejects: Iterable[Reject]) -> None:
        for reject in rejects:
            sentence = self._told.sentence(reject)
            if sentence:
                log.warning(sentence)


def ahead_of_clock(read_at: datetime, arrived_at: datetime) -> str | None:
    """The sentence for a reading from the future, None for any other.

    Args:
        read_at: when the counter was read, as sent.
        arrived_at: when it arrived, by our clock.
    """
    ahead = read_at - arrived_at
    if ahead <= AHEAD_AT_MOST:
        return None
    return _(
        "read_at: %(read_at)s lies %(ahead)s ahead of this computer's clock; at most %(most)d"
        " minutes are taken, so set the clocks of sender and collector by the same time server",
        read_at=write_instant(read_at),
        ahead=str(ahead).split(".")[0],
        most=AHEAD_AT_MOST // timedelta(minutes=1),
    )


class _Patience:
    """Waits longer and longer for the database, and says so once."""

    def __init__(self, wait: Wait) -> None:
        self._wait = wait
        self._next = FIRST_WAIT_SECONDS
        self._since: float | None = None

    def is_over(self, problem: Exception) -> bool:
        """Wait after a failed attempt; whether the collector is asked to stop."""
        if self._since is None:
            self._since = time.monotonic()
            why = str(getattr(problem, "orig", None) or problem).strip().splitlines()[0]
            log.error(
                _("the database cannot take anything just now and is tried again: %(why)s", why=why)
            )
        seconds, self._next = self._next, min(self._next * 2, LONGEST_WAIT_SECONDS)
        return self._wait(seconds)

    def done(self) -> None:
        """Say that it works again, if it did not."""
        if self._since is not None:
            away = time.monotonic() - self._since
            log.warning(_("the database takes readings again, after %(away).0f s", away=away))


def _together(parts: Sequence[Kept]) -> Kept:
    return Kept(
        sum(part.created for part in parts),
        sum(part.unchanged for part in parts),
        tuple(reject for part in parts for reject in part.rejects),
    )
