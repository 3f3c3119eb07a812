"""Whose turn it is: how many requests a process answers at once, how many wait, and who is told
at once to come again.

A server that lets everybody wait answers nobody in time. Here a few requests are worked on at once,
a limited number waits for a limited time, and whoever comes beyond that gets 503 with
`Retry-After` within milliseconds, before anything is read from the database. Entries wait longest
and are the last to be turned away: of the places at work neither they nor all others together can
take the last one, so that a crowd of readers does not keep entries out, nor a tablet's long queue
the readers. A request that only waits for what another one does for it (`Turn.aside`) gives its
place to the next, and counts as one that waits.
"""

import logging
import math
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import IntEnum
from random import SystemRandom
from typing import TYPE_CHECKING

from tracelog.language import _

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

log = logging.getLogger(__name__)

AT_ONCE = 4
# Threads of a process: those at work, all that wait, and some that turn others away.
_TURNING_AWAY = 8
_TELL_EVERY_SECONDS = 10.0
# Where entries come in, their pictures, and what a tablet asks before it sends them.
ENTRY_ADDRESSES = frozenset(
    {
        "/log",
        "/log/again",
        "/log/typed",
        "/log/queued",
        "/log/contact",
        "/api/v1/defects",
        "/api/v1/photos",
    }
)
_TURN = "tracelog.turn"
# What asks neither the database nor much of the processor: for whatever watches over the server,
# and the parts of pages that were answered already.
_FREE = ("/api/v1/health/live", "/static/", "/offline-worker.js")
_random = SystemRandom()


class Kind(IntEnum):
    """What a request does, in the order in which turns are given."""

    ENTRY = 0
    WRITE = 1
    READ = 2


@dataclass(frozen=True)
class Allowance:
    """How many requests of a kind may wait, how long at most, and when to come again (seconds)."""

    waiting: int
    longest_wait_s: float
    come_again_s: float


ALLOWANCES = {
    Kind.ENTRY: Allowance(waiting=48, longest_wait_s=15.0, come_again_s=2.0),
    Kind.WRITE: Allowance(waiting=8, longest_wait_s=6.0, come_again_s=5.0),
    Kind.READ: Allowance(waiting=16, longest_wait_s=4.0, come_again_s=5.0),
}
THREADS = AT_ONCE + sum(one.waiting for one in ALLOWANCES.values()) + _TURNING_AWAY


def kind_of(method: str, path: str) -> Kind | None:
    """What kind of turn a request needs; None: none, it is answered at once."""
    if path.startswith(_FREE):
        return None
    reads = method in {"GET", "HEAD", "OPTIONS"}
    if path in ENTRY_ADDRESSES and (not reads or path == "/log/contact"):
        return Kind.ENTRY
    return Kind.READ if reads else Kind.WRITE


@dataclass
class _Waiting:
    """One request that waits; `is_on` once it is its turn."""

    kind: Kind
    is_on: bool = False
    told: threading.Event = field(default_factory=threading.Event)


class Turns:
    """Gives the turns of one process.

    Args:
        at_once: how many requests are worked on at once, two or more.
        allowances: who may wait.

    Attributes:
        turned_away: how many requests of each kind were told to come again.
    """

    def __init__(
        self, at_once: int = AT_ONCE, allowances: dict[Kind, Allowance] | None = None
    ) -> None:
        self._at_once = at_once
        self.allowances = allowances or ALLOWANCES
        self._lock = threading.Lock()
        self._working: Counter[bool] = Counter()
        self._queues: dict[Kind, deque[_Waiting]] = {kind: deque() for kind in Kind}
        self._aside: Counter[Kind] = Counter()
        self.turned_away: Counter[Kind] = Counter()
        self._tell_at = 0.0

    def take(self, kind: Kind) -> bool:
        """Wait for a turn, which is ended by `give_back`; False: too many wait, or it took long."""
        allowance = self.allowances[kind]
        with self._lock:
            if self.waiting(kind) >= allowance.waiting:
                return self._turn_away(kind)
            if not self._queues[kind] and self._has_place(kind):
                self._working[kind is Kind.ENTRY] += 1
                return True
            own = _Waiting(kind)
            self._queues[kind].append(own)
        own.told.wait(allowance.longest_wait_s)
        with self._lock:
            if own.is_on:
                return True
            self._queues[kind].remove(own)
            return self._turn_away(kind)

    def waiting(self, kind: Kind) -> int:
        """How many requests of a kind wait just now: for a turn, or aside."""
        return len(self._queues[kind]) + self._aside[kind]

    def give_back(self, kind: Kind) -> None:
        """End a turn: the next one begins."""
        with self._lock:
            self._working[kind is Kind.ENTRY] -= 1
            for waiting in self._next():
                self._working[waiting.kind is Kind.ENTRY] += 1
                waiting.is_on = True
                waiting.told.set()

    def step_aside(self, kind: Kind) -> None:
        """End a turn, though the request goes on waiting; it counts as one that waits."""
        with self._lock:
            self._aside[kind] += 1
        self.give_back(kind)

    def come_back(self, kind: Kind) -> None:
        """End the wait aside. What is left to do, an answer of a line, needs no turn."""
        with self._lock:
            self._aside[kind] -= 1

    def _has_place(self, kind: Kind) -> bool:
        own = self._working[kind is Kind.ENTRY]
        return self._working.total() < self._at_once and own < self._at_once - 1

    def _next(self) -> Iterable[_Waiting]:
        for kind in Kind:
            while self._queues[kind] and self._has_place(kind):
                yield self._queues[kind].popleft()

    def _turn_away(self, kind: Kind) -> bool:
        self.turned_away[kind] += 1
        present = time.monotonic()
        if present >= self._tell_at:
            self._tell_at = present + _TELL_EVERY_SECONDS
            log.warning(
                "more requests than can be answered; told to come again since the start:"
                " %d entries, %d other writes, %d pages",
                *(self.turned_away[one] for one in Kind),
            )
        return False


class Turn:
    """The turn of one request."""

    def __init__(self, turns: Turns, kind: Kind) -> None:
        self._turns, self._kind = turns, kind
        self._is_on = True

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Give the turn to the next while this request waits for what another one does."""
        if not self._is_on:
            yield
            return
        self._is_on = False
        self._turns.step_aside(self._kind)
        try:
            yield
        finally:
            self._turns.come_back(self._kind)

    def again(self) -> bool:
        """Wait for a turn anew, after the other one could not do it; False: there is none."""
        if not self._is_on:
            self._is_on = self._turns.take(self._kind)
        return self._is_on

    def end(self) -> None:
        """Give the turn back, if that was not done yet."""
        if self._is_on:
            self._is_on = False
            self._turns.give_back(self._kind)


def turn_of(environ: "WSGIEnvironment") -> Turn | None:
    """The turn in which a request is answered; None where nobody waits for turns."""
    turn: Turn | None = environ.get(_TURN)
    return turn


def in_turns(
    answer: "WSGIApplication",
    turn_away: Callable[["WSGIEnvironment", str], "WSGIApplication"],
    turns: Turns,
) -> "WSGIApplication":
    """An application that answers in turns.

    Args:
        answer: the application.
        turn_away: makes of a request, and the seconds after which it may come again, the answer
            to somebody who cannot wait. It must not ask the database.
        turns: of this process.
    """

    def answer_in_turn(
        environ: "WSGIEnvironment", start_response: "StartResponse"
    ) -> Iterable[bytes]:
        kind = kind_of(environ["REQUEST_METHOD"], environ.get("PATH_INFO", ""))
        if kind is None:
            return answer(environ, start_response)
        if not turns.take(kind):
            return turn_away(environ, seconds_until(turns.allowances[kind]))(
                environ, start_response
            )
        # What is sent in parts is sent outside of the turn: a slow reader holds nobody up.
        turn = environ[_TURN] = Turn(turns, kind)
        try:
            return answer(environ, start_response)
        finally:
            turn.end()

    return answer_in_turn


def seconds_until(allowance: Allowance) -> str:
    """After how many seconds to come again, different for each, so that not all return at once."""
    return str(math.ceil(allowance.come_again_s * _random.uniform(0.5, 2.0)))


def crowded() -> str:
    """The sentence for who is turned away, in the language now spoken."""
    return _(
        "More is being asked of the server just now than it can answer. Nothing of this was kept;"
        " try again in a few seconds."
    )
