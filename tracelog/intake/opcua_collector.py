"""Collects readings from an OPC UA server: follows the counters, and keeps what tells strokes.

An event loop listens to the server; a thread of its own writes, so that a slow database never
keeps the loop from listening. Between them stands what is held (`HeldReadings`).
"""

import asyncio
import logging
import threading
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine

from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.errors import BadFact, Fault, TracelogError, UnknownReference
from tracelog.instants import now
from tracelog.intake.arrivals import Arrival, ArrivalBook
from tracelog.intake.held_readings import HeldReadings
from tracelog.intake.opcua_link import OpcuaLink, ServerLost, hush_library
from tracelog.intake.opcua_map import CounterMap, Mode
from tracelog.intake.opcua_nodes import NodeAddress
from tracelog.intake.opcua_rules import SOURCE, CounterReader, Shown
from tracelog.intake.opcua_security import ServerRefused
from tracelog.intake.own_loop import run_apart
from tracelog.intake.reject_rules import Reject
from tracelog.intake.thinning import Thinner
from tracelog.language import _
from tracelog.plant.queries import directory

log = logging.getLogger(__name__)

ACTOR = Actor("collector", "collector", SOURCE)
_FIRST_WAIT_SECONDS, _LONGEST_WAIT_SECONDS = 0.5, 30.0
# A connection that held so long was a good one: the next attempt after it comes quickly.
_GOOD_SECONDS = 60.0
# A signal to stop is heard within this.
_STEP_SECONDS = 0.1
# So long a counter may be found changed without being told, before that is taken for a fault.
LONGEST_UNTOLD_SECONDS = 60.0
# A node that goes on showing what cannot be taken is a reject again after this.
_SAY_AGAIN_AFTER = timedelta(minutes=10)
_MOST_TOLD = 20
_CLEAN_EVERY = timedelta(days=1)
_TELL_EVERY = timedelta(minutes=10)


@dataclass(frozen=True)
class OpcuaChoices:
    """What is chosen when the collector starts.

    `once`: take one reading of each counter, then end.
    """

    url: str
    counters: CounterMap
    password: str | None = field(default=None, repr=False)
    once: bool = False


def collect_opcua(engine: Engine, choices: OpcuaChoices, stop: threading.Event) -> Counter[str]:
    """Collect until `stop` is set.

    Args:
        engine: the database, which must hold a plant with the machines of the map.
        choices: which server, and how.
        stop: set to end in order: what is held is kept, then the server is left.

    Returns:
        How many readings were ``kept``, ``known`` before or ``rejected``.

    Raises:
        NoPlant: there is no plant yet.
        BadFact: the map names machines that the plant does not have.
        ServerRefused: the server will not have us, or is not the one that is trusted.
        TracelogError: the database did not take at the end what was held.
    """
    _check_machines(engine, choices.counters)
    hush_library()
    collector = _Collector(engine, choices, stop)
    run_apart(collector.run())
    return collector.counts


def _check_machines(engine: Engine, counters: CounterMap) -> None:
    faults = []
    with reading(engine) as session:
        known = directory(session)
        for one in counters.counters:
            try:
                known.bodymaker(one.line, one.bodymaker)
            except UnknownReference as problem:
                faults.append(Fault(one.place, problem.sentence))
    if faults:
        raise BadFact(tuple(faults))


class _Followed:
    """One counter: how it is read and thinned, and what came of it lately."""

    def __init__(self, read: CounterReader, every: timedelta) -> None:
        self._read = read
        self.thinner = Thinner(every)
        self.last: Shown | None = None
        self.is_told = False
        self._untold_since: float | None = None
        self._refused: Reject | None = None

    def take(self, shown: Shown) -> list[Arrival]:
        """What is to be kept of what the server shows."""
        self.last, self._untold_since = shown, None
        made = self._read.read(shown)
        if isinstance(made, Reject):
            return self._once(made)
        self._refused = None
        return [] if made is None else [*self.thinner.offer(made)]

    def refuse(self, reason: str) -> list[Arrival]:
        """What is to be kept when nothing comes of its node."""
        return self._once(self._read.refuse(reason, now()))

    def untold_seconds(self, shown: Shown) -> float | None:
        """For how long the counter has been another than the server told; None: it is as told."""
        if self.last is not None and shown.value == self.last.value:
            self._untold_since = None
            return None
        if self._untold_since is None:
            self._untold_since = shown.elapsed
        return shown.elapsed - self._untold_since

    def _once(self, reject: Reject) -> list[Arrival]:
        """A reject, unless the same was told a moment ago: what lasts is told again and again."""
        before = self._refused
        if (
            before is not None
            and (before.reason, before.origin.payload) == (reject.reason, reject.origin.payload)
            and reject.origin.arrived_at - before.origin.arrived_at < _SAY_AGAIN_AFTER
        ):
            return []
        self._refused = reject
        return [reject]


class _Collector:
    def __init__(self, engine: Engine, choices: OpcuaChoices, stop: threading.Event) -> None:
        counters = choices.counters
        self._choices, self._stop = choices, stop
        self._link = OpcuaLink(choices.url, counters.security, choices.password)
        every = timedelta(seconds=counters.every_seconds)
        self._followed = {
            one.node: _Followed(CounterReader(one, counters.clock), every)
            for one in counters.counters
        }
        self._missing: set[NodeAddress] = set()
        # Before it worked once, what is refused is somebody's slip, and is not tried again.
        self._was_good = False
        self._is_ending = False
        self._told: set[str] = set()
        self._held = HeldReadings()
        self._is_more = asyncio.Event()
        self._is_over = threading.Event()
        self._book = ArrivalBook(engine, ACTOR, self._is_over.wait)
        self._batch: Sequence[Arrival] = ()
        self._clean_at = self._tell_at = now()
        self.counts: Counter[str] = Counter(kept=0, known=0, rejected=0)

    async def run(self) -> None:
        """Follow and write until asked to stop."""
        asyncio.get_running_loop().set_exception_handler(_hush)
        writing = asyncio.create_task(self._write())
        following = asyncio.create_task(self._connect_and_follow())
        stopping = asyncio.create_task(self._asked_to_stop())
        tasks = {following, writing, stopping}
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            # The library may swallow that the task is cancelled; then this ends it.
            self._is_ending = True
            stopping.cancel()
            following.cancel()
            await asyncio.wait({stopping, following})
            self._is_over.set()
            self._is_more.set()
            await asyncio.wait({writing})
        for task in (writing, following):
            if not task.cancelled() and (problem := task.exception()):
                raise problem
        if left := len(self._held):
            raise TracelogError(
                _(
                    "%(left)d readings could not be written before the end; the counters keep"
                    " their figures, so that only the hours of these strokes are lost",
                    left=left,
                )
            )

    async def _asked_to_stop(self) -> None:
        while not self._stop.is_set():
            await asyncio.sleep(_STEP_SECONDS)

    # --- the server ---

    async def _connect_and_follow(self) -> None:
        loop = asyncio.get_running_loop()
        wait = _FIRST_WAIT_SECONDS
        while not self._is_ending:
            began = loop.time()
            try:
                await self._link.connect()
                self._missing = set(self._followed)
                log.info(_("connected to %(url)s", url=self._link.url))
                self._told.clear()
                await self._follow()
                return
            except ServerLost as problem:
                if self._choices.once:
                    raise TracelogError(problem.told_of(self._link.url)) from problem
                self._tell(problem.told_of(self._link.url))
            except ServerRefused as problem:
                if not self._was_good or self._choices.once:
                    raise
                self._tell(problem.sentence)
            finally:
                self._end_interval()
                await self._link.leave()
            wait = _FIRST_WAIT_SECONDS if loop.time() - began > _GOOD_SECONDS else wait
            await asyncio.sleep(wait)
            wait = min(wait * 2, _LONGEST_WAIT_SECONDS)

    def _tell(self, sentence: str) -> None:
        """Say once what is wrong with the server, until it is good again."""
        if sentence not in self._told and len(self._told) < _MOST_TOLD:
            self._told.add(sentence)
            log.error(_("%(sentence)s; it is tried again", sentence=sentence))

    async def _follow(self) -> None:
        """Take what the server shows until it is lost; with `once`, take it once."""
        loop = asyncio.get_running_loop()
        every = self._choices.counters.every_seconds
        is_asked = self._choices.once or self._choices.counters.mode is Mode.POLL
        step = self._ask_all if is_asked else self._ask_quiet
        due = loop.time()
        while not self._is_ending:
            if loop.time() >= due:
                await step()
                self._was_good = True
                self._end_interval()
                if self._choices.once:
                    return
                due = max(due + every, loop.time())
            change = await self._link.next_change(due - loop.time())
            if change is not None:
                node, shown = change
                one = self._followed[node]
                one.is_told = True
                self._hold(one.take(shown))

    async def _ask_all(self) -> None:
        found = await self._link.find(list(self._followed))
        self._refuse({node: _no_space(node) for node in self._followed if node not in found})
        asked = [node for node in self._followed if node in found]
        for node, shown in zip(asked, await self._link.read(asked), strict=True):
            self._hold(self._followed[node].take(shown))

    async def _ask_quiet(self) -> None:
        """Read the counters of which nothing was told: whether they stand, or are not followed."""
        quiet = []
        for node, one in self._followed.items():
            if not one.is_told and node not in self._missing:
                quiet.append(node)
            one.is_told = False
        for node, shown in zip(quiet, await self._link.read(quiet), strict=True):
            one = self._followed[node]
            untold = one.untold_seconds(shown)
            if shown.reason or untold is None:
                self._hold(one.take(shown))
            elif untold > LONGEST_UNTOLD_SECONDS:
                raise ServerLost(_("%(node)s changes and nothing is told of it", node=node.text))
            # Else it was changed a moment ago; that will be told in its turn.
        if self._missing:
            await self._follow_missing()

    async def _follow_missing(self) -> None:
        """Ask to be told of those that are not followed yet; the server may have them by now."""
        found = await self._link.find(list(self._followed))
        wanted = [node for node in self._missing if node in found]
        refused = {node: _no_space(node) for node in self._missing if node not in found}
        refused |= await self._link.follow(wanted, self._choices.counters.every_seconds)
        self._missing = set(refused)
        self._refuse(refused)

    def _refuse(self, reasons: dict[NodeAddress, str]) -> None:
        for node, reason in reasons.items():
            self._hold(self._followed[node].refuse(reason))

    def _end_interval(self) -> None:
        for one in self._followed.values():
            self._hold(one.thinner.end_interval())

    # --- the database ---

    def _hold(self, arrivals: Iterable[Any]) -> None:
        self._held.add(arrivals)
        if len(self._held):
            self._is_more.set()

    async def _write(self) -> None:
        """Write what is held, as soon as there is something, until all is over."""
        while not self._is_over.is_set():
            await self._is_more.wait()
            self._is_more.clear()
            await asyncio.to_thread(self._keep)
        # What came in the last moment, and what the database did not take before.
        await asyncio.to_thread(self._keep)

    def _keep(self) -> None:
        """Write all that is held, or what can be before the end."""
        if now() >= self._clean_at:
            self._clean_at = now() + _CLEAN_EVERY
            self._book.discard_old_rejects()
        while len(self._held):
            kept = self._book.keep(self._next_batch)
            if kept is None:
                return
            self._held.forget(self._batch)
            self.counts["kept"] += kept.created
            self.counts["known"] += kept.unchanged
            self.counts["rejected"] += len(kept.rejects)
        if now() >= self._tell_at:
            self._tell_at = now() + _TELL_EVERY
            log.info(
                _(
                    "since the start: %(kept)d readings kept, %(known)d known before,"
                    " %(rejected)d rejected",
                    **self.counts,
                )
            )

    def _next_batch(self, *_session_and_plant: Any) -> Sequence[Arrival]:
        self._batch = self._held.some()
        return self._batch


def _no_space(node: NodeAddress) -> str:
    return _(
        "the server has no namespace %(space)s; --list prints the nodes it has, so correct the map",
        space=node.space,
    )


def _hush(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Tasks of the library that end with a lost connection are no news: the link tells of it."""
    log.debug("%s %r", context.get("message"), context.get("exception"))
