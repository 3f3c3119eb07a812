"""What the pages of every day cost after one, ten and a hundred months of the same plant.

Sixteen bodymakers, each month with as many entries, readings, pallets and measurements as any
other. The present is the end of the history. Pages are called in process, so their time is the
server's own; each page is asked for many different cans, in turns over the three databases, so that
neighbours on the machine disturb all alike. A page should take as long after a hundred months as
after one: what it shows is no more.
"""

import os
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch
from urllib.parse import urlencode

from sqlalchemy import Engine

from tests.bench import tracing_tables
from tests.bench.measure import print_table, timed
from tests.bench.pages import body_of
from tests.bench.tracing_scale import own_postgresql
from tests.support.databases import Databases
from tests.support.site import Cast, Visit, application_on
from tests.support.statements import Statements
from tracelog.db import make_engine
from tracelog.instants import write_instant

MONTHS = (1, 10, 100)
DAYS_OF_A_MONTH = 30
LINES = 2
MACHINES = LINES * tracing_tables.NUMBERS
# A reading an hour; a pallet of each line in half an hour; so many entries in a month.
PART = 60
PALLET_SECONDS = 1_750
ENTRIES = 3_000
QUESTIONS = 9
ROUNDS = 3
TARGET = 1.5


@dataclass
class Told:
    """One page on one database: milliseconds of each call, their CPU, statements of a call."""

    milliseconds: list[float]
    cpu_ms: list[float]
    statements: int = 0


def print_growth(engines: Sequence[str], months: Sequence[int] = MONTHS) -> None:
    """Build each size on each engine, ask in turns, and print times as multiples of one month's."""
    print(f"load average before: {os.getloadavg()[0]:.1f}")
    if "sqlite" in engines:
        with tempfile.TemporaryDirectory(prefix="tracelog-growth-") as name:
            place = Path(name)
            _print([f"sqlite:///{place / f'{one}.db'}" for one in months], months, place)
    if "postgresql" in engines:
        # A folder of its own: the server runs as another user, who may not enter the one above.
        with (
            tempfile.TemporaryDirectory(prefix="tracelog-growth-") as name,
            own_postgresql(Path(name)) as url,
        ):
            more = [Databases("postgresql").empty() for _ in months[1:]]
            _print([url, *more], months, Path(name))
    print(f"load average after: {os.getloadavg()[0]:.1f}")


@contextmanager
def plant_of(months: int) -> Iterator[datetime]:
    """The plant of the tracing tables, smaller and of so many months; gives the end of them."""
    days = months * DAYS_OF_A_MONTH
    end = tracing_tables.FIRST + timedelta(days=days)
    with patch.multiple(
        tracing_tables,
        DAYS=days,
        END=end,
        LINES=LINES,
        MACHINES=MACHINES,
        PALLET_SECONDS=PALLET_SECONDS,
        ENTRIES=ENTRIES * months * PART,
    ):
        yield end


def _print(urls: Sequence[str], months: Sequence[int], place: Path) -> None:
    told: dict[tuple[str, int], Told] = {}
    engines = [make_engine(url) for url in urls]
    with ExitStack() as stack:
        visits = []
        for engine, count in zip(engines, months, strict=True):
            with plant_of(count), timed() as taken:
                rows = tracing_tables.build(engine, tracing_tables.Size(PART))
            print(f"{engine.dialect.name}, {count} months: {sum(rows.values()):,} rows in", end=" ")
            print(f"{taken.seconds:.0f} s")
            stack.callback(engine.dispose)
            visits.append(_visit(engine, place))
        for turn in range(ROUNDS):
            for engine, visit, count in zip(engines, visits, months, strict=True):
                with plant_of(count) as end:
                    _ask(engine, visit, count, end, turn, told)
    name = engines[0].dialect.name
    print_table(
        f"Months of data, {name}: median ms, as multiples of {months[0]}",
        (
            *("page", "statements", f"{months[0]}, ms"),
            *(part for one in months[1:] for part in (f"{one}, ms", "x", "x CPU")),
        ),
        list(_rows(told, months)),
    )


def _visit(engine: Engine, place: Path) -> Visit:
    app = application_on(engine, place)
    return Visit(app.test_client())


def questions(end: datetime) -> dict[str, list[str]]:
    """Addresses to ask for, by the name of their line."""
    codes = [f"{number % LINES + 1}-{number * 3 % 8 + 1}" for number in range(QUESTIONS)]
    today = [write_instant(end - timedelta(hours=3 + number)) for number in range(QUESTIONS)]
    return {
        "Floor": ["/"] * QUESTIONS,
        "Log": ["/log"] * QUESTIONS,
        "Log: entries": ["/log/entries"] * QUESTIONS,
        "Log: entries of a machine": [f"/log/entries?machine={code}" for code in codes],
        "Dossier": [
            "/trace?" + urlencode({"code": code, "at": at})
            for code, at in zip(codes, today, strict=True)
        ],
        "Dossier: half a code": [
            "/trace?" + urlencode({"code": f"{code[0]}-?", "at": at})
            for code, at in zip(codes, today, strict=True)
        ],
    }


def _ask(
    engine: Engine,
    visit: Visit,
    months: int,
    end: datetime,
    turn: int,
    told: dict[tuple[str, int], Told],
) -> None:
    present = [end + timedelta(minutes=5)]
    with patch("tracelog.instants.now", lambda: present[0]):
        Cast(engine).sign_in(visit, "administrator")
        for name, addresses in questions(end).items():
            body_of(visit.client, addresses[0])
            statements = Statements(engine)
            found = told.setdefault((name, months), Told([], []))
            for address in addresses:
                # Each call in a minute of its own, so that nothing of the last one is shown again.
                present[0] += timedelta(minutes=1)
                own = time.process_time()
                with timed() as taken:
                    body_of(visit.client, address)
                found.milliseconds.append(1000 * taken.seconds)
                found.cpu_ms.append(1000 * (time.process_time() - own))
            found.statements = len(statements) // len(addresses)
            statements.close()


def _rows(told: dict[tuple[str, int], Told], months: Sequence[int]) -> Iterator[tuple[str, ...]]:
    for name in dict.fromkeys(page for page, _count in told):
        first = told[name, months[0]]
        base, base_cpu = statistics.median(first.milliseconds), statistics.median(first.cpu_ms)
        row = [name, str(told[name, months[-1]].statements), f"{base:.1f}"]
        for count in months[1:]:
            own = told[name, count]
            median = statistics.median(own.milliseconds)
            row += [
                f"{median:.1f}",
                f"{median / base:.2f}",
                f"{statistics.median(own.cpu_ms) / base_cpu:.2f}",
            ]
        yield tuple(row)
