"""An OPC UA collector in a thread of the test, the map that it follows, and what came of it."""

import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from tests.intake.collecting import kept, until
from tests.support.databases import open_engine
from tests.support.opcua_server import OpcuaServer
from tests.support.testrun import PATIENCE_SECONDS
from tracelog.db import reading
from tracelog.intake.opcua_collector import OpcuaChoices, collect_opcua
from tracelog.intake.opcua_map import CounterMap, MappedCounter, Security
from tracelog.intake.opcua_nodes import read_node
from tracelog.plant.queries import directory
from tracelog.strokes.queries import open_questions, total_at

EVERY_SECONDS = 0.3


def node(number: int) -> str:
    """The node of bodymaker `number` of line 1."""
    return f"ns=2;s=c{number}"


def mapped(nodes: dict[int, str], **choices: Any) -> CounterMap:
    """The map of these nodes, by bodymaker of line 1."""
    counters = tuple(
        MappedCounter(1, number, read_node(text), f"machine {number}")
        for number, text in nodes.items()
    )
    return CounterMap(counters, **{"every_seconds": EVERY_SECONDS, **choices})


def write_map(path: Path, numbers: Sequence[int], head: str = "") -> Path:
    """The map file of some bodymakers of line 1."""
    tables = [f'[[machine]]\nline = 1\nbodymaker = {n}\nnode = "{node(n)}"\n' for n in numbers]
    path.write_text(f"every_seconds = {EVERY_SECONDS}\n{head}\n" + "\n".join(tables))
    return path


class Following:
    """A collector that runs in a thread; `counts` or `problem` once it has ended."""

    def __init__(
        self, engine: Engine, url: str, counters: CounterMap, password: str | None, *, once: bool
    ) -> None:
        self.counts: Counter[str] | None = None
        self.problem: BaseException | None = None
        self.asked = threading.Event()
        choices = OpcuaChoices(url, counters, password, once)
        # A collector is a program of its own, and so is its engine.
        own = open_engine(engine.url.render_as_string(hide_password=False))

        def run() -> None:
            try:
                self.counts = collect_opcua(own, choices, self.asked)
            except BaseException as problem:
                self.problem = problem
            finally:
                own.dispose()

        self._thread = threading.Thread(target=run)
        self._thread.start()

    def stop(self) -> Counter[str]:
        """End it in order."""
        self.asked.set()
        return self.end()

    def end(self) -> Counter[str]:
        """Wait for its end, and pass on what was wrong."""
        self._thread.join(PATIENCE_SECONDS)
        assert not self._thread.is_alive()
        if self.problem is not None:
            raise self.problem
        assert self.counts is not None
        return self.counts


@contextmanager
def following(
    engine: Engine,
    url: str,
    counters: CounterMap,
    password: str | None = None,
    *,
    once: bool = False,
) -> Iterator[Following]:
    """A collector for a block; stopped at its end, however it ends."""
    running = Following(engine, url, counters, password, once=once)
    try:
        yield running
    finally:
        running.asked.set()
        running._thread.join(PATIENCE_SECONDS)


def secured_map(numbers: Sequence[int], security: Security | None) -> CounterMap:
    """The map of some bodymakers, with a secured channel."""
    return mapped({number: node(number) for number in numbers}, security=security)


def figures(engine: Engine, number: int) -> list[tuple[datetime, int]]:
    """Readings of a bodymaker in order of time."""
    return [(at, strokes) for machine, at, strokes in kept(engine) if machine == number]


def until_shown(engine: Engine, number: int, figure: int) -> None:
    """Wait until the last reading of a bodymaker shows this figure."""
    until(lambda: [strokes for _at, strokes in figures(engine, number)][-1:] == [figure])


def counted(engine: Engine, number: int) -> int:
    """Strokes of a bodymaker that the readings tell, from the first to the last."""
    last_at = figures(engine, number)[-1][0]
    with reading(engine) as session:
        machine = directory(session).bodymaker(1, number).id
        return total_at(session, [machine], last_at)[machine]


def jumps(engine: Engine) -> list[tuple[int, int]]:
    """Figures before and after each jump that nobody has explained."""
    with reading(engine) as session:
        return [(one.from_strokes, one.to_strokes) for one in open_questions(session)]


def check_total(engine: Engine, server: OpcuaServer, number: int) -> int:
    """Strokes told by the readings are those the server made between the first and the last."""
    told = figures(engine, number)
    made = server.made_between(f"c{number}", told[0][0], told[-1][0])
    seen = counted(engine, number)
    assert seen == made, f"{seen} strokes told, {made} made"
    return made
