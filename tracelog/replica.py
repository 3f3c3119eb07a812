"""Reads from a replica: a streaming copy of the PostgreSQL database, asked only while it is fresh.

How far the copy is behind is measured without clocks of two servers and without special rights:
each second at most, a process notes where the primary's write-ahead log stands; the copy is behind
by the time since it had replayed all that stood there. Whoever has just written asks the primary
until the copy has replayed their commit. A copy that is away costs one attempt now and then.
"""

import logging
import math
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, Engine, Row, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from tracelog.db import make_engine
from tracelog.errors import TracelogError
from tracelog.language import _

log = logging.getLogger(__name__)

LONGEST_LAG_SECONDS = 5.0
LOOK_EVERY_SECONDS = 1.0
TRY_AGAIN_SECONDS = 10.0
# Positions of the primary that are remembered, one for each look.
_REMEMBERED = 900
# A page of the log begins with a head of at most so many bytes, in which no record ends.
_PAGE_BYTES, _HEAD_BYTES = 8192, 40
_PRIMARY = text(
    "SELECT pg_current_wal_insert_lsn() - '0/0'::pg_lsn AS position, clock_timestamp() AS at,"
    " (SELECT system_identifier FROM pg_control_system()) AS system"
)
_COPY = text(
    "SELECT pg_is_in_recovery() AS follows,"
    " (SELECT system_identifier FROM pg_control_system()) AS system,"
    " pg_last_xact_replay_timestamp() AS last_at,"
    " CASE WHEN pg_is_in_recovery() THEN pg_last_wal_replay_lsn() - '0/0'::pg_lsn END AS position"
)
_COMMITTED = text("SELECT pg_current_wal_insert_lsn() - '0/0'::pg_lsn")
_REPLAYED = text("SELECT pg_last_wal_replay_lsn() - '0/0'::pg_lsn")


@dataclass(frozen=True)
class ReplicaState:
    """How a replica does.

    Attributes:
        state: ``in use``; ``behind``, by more than is allowed; or ``away``: it cannot be used.
        lag_s: how far it is behind, seconds; None: not known.
        why: why it is away, in words of the server; empty else.
    """

    state: Literal["in use", "behind", "away"]
    lag_s: float | None
    why: str = ""


def end_of_record(position: int) -> int:
    """Where the last record before a position of the write-ahead log ended, bytes.

    >>> end_of_record(8192 * 3 + 24), end_of_record(8192 * 3 + 400)
    (24576, 24976)
    """
    into_page = position % _PAGE_BYTES
    return position - into_page if into_page <= _HEAD_BYTES else position


def position_after(connection: Connection) -> int:
    """Where the primary's log stands after a commit on this connection, bytes from its start."""
    return end_of_record(int(connection.execute(_COMMITTED).scalar_one()))


class Replica:
    """The replica as one process sees it.

    Args:
        engine: of the replica.
        primary: of the database that it is a copy of.
        longest_lag_s: how far it may be behind to be asked, seconds.
        clock: a clock that only goes forward, seconds.
    """

    def __init__(
        self,
        engine: Engine,
        primary: Engine,
        longest_lag_s: float,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.longest_lag_s = longest_lag_s
        self._engine = engine
        self._primary = primary
        self._clock = clock
        self._looking = threading.Lock()
        self._positions: deque[tuple[float, int]] = deque(maxlen=_REMEMBERED)
        self._known: ReplicaState | None = None
        self._look_at = 0.0

    def state(self) -> ReplicaState:
        """How it does, looked at anew after a second; while one looks, others take the last."""
        known = self._known
        if known is None:
            with self._looking:
                return self._known or self._look()
        if self._clock() >= self._look_at and self._looking.acquire(blocking=False):
            try:
                return self._look()
            finally:
                self._looking.release()
        return known

    def connect(self, wrote: int | None = None) -> Connection | None:
        """A connection to it; None: ask the primary.

        Args:
            wrote: where the log stood after what who asks has written; None: they wrote nothing.
        """
        if self.state().state != "in use":
            return None
        connection = None
        try:
            connection = self._engine.connect()
            if wrote is not None:
                replayed = int(connection.execute(_REPLAYED).scalar() or 0)
                # What is read next must not see the moment before the answer.
                connection.rollback()
                if replayed < wrote:
                    connection.close()
                    return None
        except SQLAlchemyError as problem:
            if connection is not None:
                connection.close()
            self.failed(problem)
            return None
        return connection

    def failed(self, problem: Exception) -> ReplicaState:
        """Note that it did not answer: the primary is asked until it is tried again."""
        why = str(problem.orig if isinstance(problem, DBAPIError) else problem).strip()
        self._look_at = self._clock() + TRY_AGAIN_SECONDS
        first_line = (why.splitlines() or [type(problem).__name__])[0]
        return self._say(ReplicaState("away", None, first_line))

    def _look(self) -> ReplicaState:
        self._look_at = self._clock() + LOOK_EVERY_SECONDS
        try:
            with self._primary.connect() as connection:
                ours = connection.execute(_PRIMARY).one()
            noted_at = self._clock()
            with self._engine.connect() as connection:
                copy = connection.execute(_COPY).one()
        except SQLAlchemyError as problem:
            return self.failed(problem)
        if copy.system != ours.system:
            return self.failed(RuntimeError("it is no copy of this database's server"))
        if not copy.follows:
            return self.failed(RuntimeError("it follows no primary any more"))
        lag = self._lag(ours, copy, noted_at)
        late = lag is None or lag > self.longest_lag_s
        return self._say(ReplicaState("behind" if late else "in use", lag))

    def _lag(self, ours: Row[Any], copy: Row[Any], at: float) -> float | None:
        position, replayed = end_of_record(int(ours.position)), int(copy.position or 0)
        self._positions.append((at, position))
        if replayed >= position:
            self._positions.clear()
            self._positions.append((at, position))
            return 0.0
        while len(self._positions) > 1 and self._positions[1][1] <= replayed:
            self._positions.popleft()
        bounds = []
        if self._positions[0][1] <= replayed:
            bounds.append(at - self._positions[0][0])
        if copy.last_at is not None:
            # Both by the primary's clock: what comes next was committed after the last replayed.
            bounds.append(max(0.0, (ours.at - copy.last_at).total_seconds()))
        return min(bounds, default=None)

    def _say(self, state: ReplicaState) -> ReplicaState:
        before = self._known.state if self._known else "in use"
        self._known = state
        if state.state == before:
            pass
        elif state.state == "away":
            log.warning(
                "the replica cannot be used (%s); the primary answers, and it is tried again"
                " every %.0f s",
                state.why,
                TRY_AGAIN_SECONDS,
            )
        elif state.state == "behind":
            log.warning(
                "the replica is behind by more than %.0f s; the primary answers until it is not",
                self.longest_lag_s,
            )
        else:
            log.info("the replica answers again, %.1f s behind", state.lag_s or 0.0)
        return state


def replica_of(url: str | None, longest_lag: str | None, primary: Engine) -> Replica | None:
    """The replica that the settings name; None: they name none.

    Raises:
        TracelogError: the settings do not fit.
    """
    if url is None:
        return None
    if primary.dialect.name != "postgresql" or not url.startswith("postgresql"):
        raise TracelogError(
            _("TRACELOG_REPLICA_URL needs PostgreSQL, there and as TRACELOG_DATABASE_URL")
        )
    try:
        longest_lag_s = float(longest_lag or LONGEST_LAG_SECONDS)
    except ValueError:
        longest_lag_s = math.nan
    if not 0 < longest_lag_s <= 3600:
        raise TracelogError(
            _(
                "TRACELOG_REPLICA_LAG is '%(given)s'; give seconds, more than 0 and at most 3600",
                given=longest_lag,
            )
        )
    return Replica(make_engine(url, reads_only=True), primary, longest_lag_s)
