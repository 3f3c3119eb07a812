"""The mix of a large plant against `tracelog serve`, then four times that until it turns away.

Tablets log entries, readers look at pages, counters send readings and somebody imports a plant
folder, each after pauses of their own (closed loops: who waits for an answer asks for nothing
else). Who asks is a process of its own. Tablets and counters do what the real ones do: what was
not acknowledged is sent again with the same id or key, after `Retry-After` where that was said.
Afterwards what was acknowledged is compared exactly with what is there.
"""

import http.client
import json
import multiprocessing
import os
import random
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from statistics import quantiles
from typing import Any

from sqlalchemy import Engine, func, select

from tests.bench.demo_year import fill, write_plant
from tests.bench.measure import print_table
from tests.bench.servers import OURS, SECRET_KEY, environment_of, running, sign_in
from tests.faults.clusters import Cluster
from tests.faults.servers import children_of
from tests.support.command import Command
from tests.support.site import Cast
from tracelog.audit import Actor
from tracelog.db import make_engine, new_id, reading, writing
from tracelog.defects.models import DefectType, Entry
from tracelog.facts import write_value
from tracelog.instants import now
from tracelog.people.actions import create_account, create_token
from tracelog.people.queries import account_named
from tracelog.plant.models import Line, Machine
from tracelog.strokes.models import Reading

TABLETS, READERS, COUNTERS = 40, 20, 64
# Seconds between two things that one of them does: a bad hour, in which every tablet logs three
# entries a minute (twenty times what a big plant logs on average), and a counter's usual half
# minute.
PAUSES = {"entry": 20.0, "page": 15.0, "reading": 30.0}
PAGES = ("/", "/log", "/log/entries", "/service", "/trends", "/trace")
STROKES_PER_SECOND = 5
# More and more until some are turned away, each for a share of the minutes of the usual mix.
TIMES_AS_MUCH, SHARES = (4, 8, 16), (0.2, 0.1, 0.1)
CALM_SECONDS = 20.0
BY = Actor("bench", "administrator", "command")


@dataclass
class Told:
    """What came of all attempts of one kind: milliseconds, statuses, longest wait for success."""

    milliseconds: list[float] = field(default_factory=list)
    statuses: Counter[str] = field(default_factory=Counter)
    without_retry_after: int = 0


@dataclass(frozen=True)
class Counted:
    """A bodymaker: its line and number, what its counter showed, and where that begins anew."""

    line: int
    number: int
    strokes: int
    counter_max: int


@dataclass(frozen=True)
class Ground:
    """What the crowd knows: the server's port, a program's token, a person's cookie, the plant."""

    port: int
    token: str
    cookie: str
    machines: tuple[Counted, ...]
    defects: tuple[str, ...]
    begins_at: datetime


class Crowd:
    """All who ask, for a time.

    Args:
        ground: where.
        times: how many times the usual crowd.
    """

    def __init__(self, ground: Ground, times: int = 1) -> None:
        self._ground, self._times = ground, times
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self.told: dict[str, Told] = {}
        self.acknowledged: set[str] = set()
        self.sent: set[str] = set()

    def run(self, seconds: float) -> None:
        """Ask for so long; then everything that was begun is sent until it is acknowledged."""
        work: list[Callable[[int], None]] = [
            *[self._tablet] * (TABLETS * self._times),
            *[self._reader] * (READERS * self._times),
            *[self._counter] * (COUNTERS * self._times),
        ]
        with ThreadPoolExecutor(len(work)) as everybody:
            done = [everybody.submit(one, place) for place, one in enumerate(work)]
            self._stop.wait(seconds)
            self._stop.set()
            for one in done:
                one.result(300)

    def _loop(self, kind: str, place: int) -> Iterator[random.Random]:
        chance = random.Random(f"{kind} {place}")
        self._stop.wait(chance.uniform(0, PAUSES[kind]))
        while not self._stop.is_set():
            yield chance
            self._stop.wait(chance.uniform(0.5, 1.5) * PAUSES[kind])

    def _tablet(self, place: int) -> None:
        for chance in self._loop("entry", place):
            machine = chance.choice(self._ground.machines)
            one = {
                "id": str(new_id()),
                "seen_at": write_value(now()),
                "dome_code": f"{machine.line}-{machine.number}",
                "defect": chance.choice(self._ground.defects),
                "cans": chance.randint(1, 4),
            }
            with self._lock:
                self.sent.add(str(one["id"]))
            self._until_kept("entry", "/api/v1/defects", one, chance)
            with self._lock:
                self.acknowledged.add(str(one["id"]))

    def _counter(self, place: int) -> None:
        machine = self._ground.machines[place % len(self._ground.machines)]
        for chance in self._loop("reading", place):
            # Several programs read one counter, and none at the same instant.
            at = now() + timedelta(microseconds=place)
            ran_s = (at - self._ground.begins_at).total_seconds()
            strokes = machine.strokes + int(ran_s * STROKES_PER_SECOND)
            one = {
                "line": machine.line,
                "bodymaker": machine.number,
                "read_at": write_value(at),
                "strokes": strokes % (machine.counter_max + 1),
            }
            self._until_kept("reading", "/api/v1/readings", one, chance)

    def _reader(self, place: int) -> None:
        for chance in self._loop("page", place):
            self._ask("page", "GET", chance.choice(PAGES), None)

    def _until_kept(self, kind: str, path: str, one: Any, chance: random.Random) -> None:
        give_up_at = time.monotonic() + 240
        while time.monotonic() < give_up_at:
            status, after = self._ask(kind, "POST", path, one)
            if status in (200, 201):
                return
            if status not in (0, 503):
                raise LookupError(f"{path} answers {status}")
            time.sleep(max(after, 1.0) * chance.uniform(1.0, 1.5))
        raise TimeoutError(f"{path} took nothing for four minutes")

    def _ask(self, kind: str, method: str, path: str, sent: Any) -> tuple[int, float]:
        """Status, and seconds after which to come again; status 0: no answer."""
        started, status, after = time.perf_counter(), 0, 0.0
        headers = {"Content-Type": "application/json"}
        if path.startswith("/api/"):
            headers["Authorization"] = f"Bearer {self._ground.token}"
        else:
            headers["Cookie"] = self._ground.cookie
        # Each is another machine of the plant, behind one proxy.
        headers["X-Forwarded-For"] = f"10.1.{threading.get_ident() // 4096 % 250}.7"
        connection = http.client.HTTPConnection("127.0.0.1", self._ground.port, timeout=60)
        named = "none"
        try:
            body = None if sent is None else json.dumps(sent)
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            answer.read()
            status, named = answer.status, str(answer.status)
            after = float(answer.headers.get("Retry-After") or 0)
        except (OSError, http.client.HTTPException) as problem:
            named = type(problem).__name__
        finally:
            connection.close()
        taken = 1000 * (time.perf_counter() - started)
        with self._lock:
            told = self.told.setdefault(kind, Told())
            told.statuses[named] += 1
            if status < 400 and status:
                told.milliseconds.append(taken)
            if status == 503:
                self.told.setdefault(f"{kind} turned away", Told()).milliseconds.append(taken)
                told.without_retry_after += not after
        return status, after


@dataclass(frozen=True)
class Came:
    """What a crowd reports: by kind, and what was sent and acknowledged."""

    told: Mapping[str, Told]
    acknowledged: frozenset[str]
    sent: frozenset[str]
    seconds: float


def _crowd(ground: Ground, times: int, seconds: float) -> Came:
    """In a process of its own: ask."""
    crowd, started = Crowd(ground, times), time.monotonic()
    crowd.run(seconds)
    took = time.monotonic() - started
    return Came(crowd.told, frozenset(crowd.acknowledged), frozenset(crowd.sent), took)


def print_load(folder: Path, size: str, minutes: float, *, on_postgresql: bool) -> None:
    """Drive the mix for so long, then four times that and more, then as before."""
    cluster = None
    write_plant(size, folder / "plant")
    if on_postgresql:
        cluster = Cluster(folder / "cluster").start()
    url = cluster.create("plant") if cluster else f"sqlite:///{folder / 'tracelog.db'}"
    engine = make_engine(url)
    try:
        took = fill(engine, folder / "plant")
        print(f"{engine.dialect.name}, {size} plant, imported in {took:.0f} s")
        _drive(engine, folder, minutes)
    finally:
        engine.dispose()
        if cluster:
            cluster.remove()


def _drive(engine: Engine, folder: Path, minutes: float) -> None:
    url = engine.url.render_as_string(hide_password=False)
    environment = environment_of(engine, folder)
    Cast(engine).join("supervisor")
    token = _token(engine)
    machines, defects = _plant(engine)
    with running(OURS, environment, "--behind-proxies", "1") as port:
        ground = Ground(port, token, sign_in(port), machines, defects, now())
        usual = _with_import(ground, 1, 60 * minutes, Command(url, folder), folder / "plant")
        print_came("The usual mix, with one import", usual)
        crowds = []
        for times, share in zip(TIMES_AS_MUCH, SHARES, strict=True):
            crowds.append(_ask(ground, times, 60 * minutes * share))
            print_came(f"{times} times that", crowds[-1])
            if _turned_away(crowds[-1]):
                break
        after = _ask(ground, 1, CALM_SECONDS)
        print_came(f"The usual mix again, {CALM_SECONDS:.0f} s from the end of that", after)
        print(f"memory of the workers: {_memory()} MB")
    _account(engine, [usual, *crowds, after])


def _turned_away(came: Came) -> int:
    return sum(told.statuses["503"] for told in came.told.values())


def _ask(ground: Ground, times: int, seconds: float) -> Came:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(_crowd, (ground, times, seconds))


def _with_import(ground: Ground, times: int, seconds: float, command: Command, plant: Path) -> Came:
    """The crowd, and after a third of the time an import of everything once more."""
    imported: list[subprocess.Popen[str]] = []
    timer = threading.Timer(seconds / 3, lambda: imported.append(command.start("import", plant)))
    timer.start()
    came = _ask(ground, times, seconds)
    timer.join()
    said = imported[0].communicate(timeout=600)
    if imported[0].returncode:
        raise LookupError(f"the import failed: {said}")
    return came


def _token(engine: Engine) -> str:
    with writing(engine) as session:
        create_account(session, "crowd", "Crowd", "administrator", SECRET_KEY, BY, now())
        account = account_named(session, "crowd")
        return create_token(session, account, "load", "administrator", BY, now())


def _plant(engine: Engine) -> tuple[tuple[Counted, ...], tuple[str, ...]]:
    last = (
        select(Reading.machine_id, func.max(Reading.read_at).label("read_at"))
        .group_by(Reading.machine_id)
        .subquery()
    )
    asked = (
        select(Line.line, Machine.number, Reading.strokes, Machine.counter_max)
        .join(Machine, Machine.line_id == Line.id)
        .join(last, last.c.machine_id == Machine.id)
        .join(
            Reading,
            (Reading.machine_id == last.c.machine_id) & (Reading.read_at == last.c.read_at),
        )
        .where(Machine.station == "bodymaker")
        .order_by(Line.line, Machine.number)
    )
    with reading(engine) as session:
        machines = tuple(
            Counted(row[0], row[1], row[2], row[3] or 10**12) for row in session.execute(asked)
        )
        defects = tuple(session.execute(select(DefectType.defect).limit(12)).scalars())
    return machines, defects


def _memory() -> str:
    """Resident megabytes of each process of the server."""
    workers = [one for child in children_of(os.getpid()) for one in children_of(child)]
    sizes = []
    for worker in workers:
        told = subprocess.run(
            ["ps", "-o", "rss=", "-p", str(worker)], capture_output=True, encoding="utf-8"
        ).stdout
        if told.strip():
            sizes.append(f"{int(told) / 1024:.0f}")
    return ", ".join(sizes)


def print_came(title: str, came: Came) -> None:
    """Requests a second, statuses, and how long answers took."""

    def rows() -> Iterator[tuple[str, ...]]:
        for kind, told in sorted(came.told.items()):
            cuts = quantiles(told.milliseconds, n=100) if len(told.milliseconds) > 1 else [0] * 99
            statuses = ", ".join(f"{name}: {told.statuses[name]}" for name in sorted(told.statuses))
            times = (f"{cuts[place - 1]:.0f}" for place in (50, 95, 99))
            longest = f"{max(told.milliseconds, default=0):.0f}"
            rate = f"{len(told.milliseconds) / came.seconds:.1f}"
            yield (kind, rate, *times, longest, statuses)

    columns = ("kind", "answered/s", "p50 ms", "p95 ms", "p99 ms", "longest ms", "statuses")
    print_table(title, columns, rows())
    silent = sum(told.without_retry_after for told in came.told.values())
    print(f"503 without Retry-After: {silent}")


def _account(engine: Engine, all_that_came: Sequence[Came]) -> None:
    """Print how many entries were acknowledged, lost and doubled; both must be 0."""
    with reading(engine) as session:
        kept = Counter(str(one) for one in session.execute(select(Entry.id)).scalars())
    acknowledged = {one for came in all_that_came for one in came.acknowledged}
    sent = {one for came in all_that_came for one in came.sent}
    lost = acknowledged - set(kept)
    doubled = [one for one in sent if kept[one] > 1]
    print(
        f"entries sent {len(sent)}, acknowledged {len(acknowledged)}, lost {len(lost)},"
        f" doubled {len(doubled)}"
    )
    if lost or doubled:
        raise LookupError(f"lost {sorted(lost)[:5]}, doubled {sorted(doubled)[:5]}")
