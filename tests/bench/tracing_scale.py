"""Dossiers and what something touched, on three years of a big plant: how long the server takes.

Each line of the table asks the same kind of question about many different cans, tools, coils,
machines and crews, so that nothing is answered from what the question before left in memory. CPU
is that of the application's own process, which on SQLite is all there is: where other work runs on
the machine, it tells more than the clock. What was loaded is left out of the search for cycles, as
in a worker of the server.
"""

import os
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from unittest.mock import patch
from urllib.parse import urlencode

from sqlalchemy import Engine, inspect

from tests.bench.measure import print_table, timed
from tests.bench.pages import body_of
from tests.bench.tracing_tables import DAYS, END, FIRST, NUMBERS, Size, build, serial_of
from tests.support.databases import Databases
from tests.support.postgres import start_keeper, stop_keeper
from tests.support.site import Cast, Visit, application_on
from tests.support.statements import Statements
from tests.support.testrun import FOLDER_VARIABLE
from tracelog.db import make_engine
from tracelog.instants import write_instant
from tracelog.web.serving import leave_out_what_stays

QUESTIONS = 15
_NOW = END + timedelta(minutes=5)
_YEAR = f"{END - timedelta(days=365):%Y-%m-%d}"


def print_tracing_scale(part: int, databases: tuple[str, ...]) -> None:
    """Build the plant on both engines, or use databases that hold it, and print what they take.

    Args:
        part: one `part`-th of ten million entries, and a reading every `part` minutes.
        databases: addresses; one that is empty is filled and kept. None: two of its own.
    """
    with tempfile.TemporaryDirectory(prefix="tracelog-scale-") as name:
        place = Path(name)
        if databases:
            for url in databases:
                _print_one(url, part, place)
            return
        _print_one(f"sqlite:///{place / 'scale.db'}", part, place)
    # A folder of its own: the server runs as another user, who may not enter the one above.
    with (
        tempfile.TemporaryDirectory(prefix="tracelog-scale-") as name,
        own_postgresql(Path(name)) as url,
    ):
        _print_one(url, part, Path(name))


@contextmanager
def own_postgresql(folder: Path) -> Iterator[str]:
    """A PostgreSQL server for the bench alone; gives the address of an empty database.

    It may keep a quarter of the machine's memory, as the operator's guide says.
    """
    quarter_mb = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 4 // 1_000_000
    with patch.dict("os.environ", {FOLDER_VARIABLE: str(folder)}):
        keeper = start_keeper(folder, quarter_mb)
        try:
            yield Databases("postgresql").empty()
        finally:
            stop_keeper(keeper)


def _print_one(url: str, part: int, place: Path) -> None:
    engine = make_engine(url)
    size = Size(part)
    if not inspect(engine).has_table("stroke_hours"):
        with timed() as taken:
            counts = build(engine, size)
        told = ", ".join(f"{count:,} {name}" for name, count in counts.items())
        print(f"\n{engine.dialect.name}: {told}; made in {taken.seconds:.0f} s")
    with patch("tracelog.instants.now", lambda: _NOW):
        rows = list(_rows(engine, place))
    print_table(
        f"Tracing at scale, {engine.dialect.name}, {size.entries:,} entries",
        ("question", "median ms", "worst ms", "own CPU ms", "statements", "kB"),
        rows,
    )
    engine.dispose()


def questions() -> dict[str, list[str]]:
    """Addresses to ask for, by the name of their line."""
    found: dict[str, list[str]] = {}
    for number in range(QUESTIONS):
        line, machine = number % 4 + 1, number * 3 % NUMBERS + 1
        code = f"{line}-{machine}"
        at = write_instant(FIRST + timedelta(days=40 + number * (DAYS - 80) / QUESTIONS))
        changed = FIRST + timedelta(days=28 * (number + 20), minutes=machine - 1)
        asked = {
            "dossier: code and time": {"code": code, "at": at},
            "dossier: yesterday's can": {
                "code": code,
                "at": write_instant(END - timedelta(hours=20 + number)),
            },
            "dossier: half a code": {"code": f"{line}-?", "at": at},
            "dossier: code and pallet": {
                "code": code,
                "pallet": f"W{line}-{20_000 + number * 31_111}",
            },
            "made by a coil": {"kind": "coil", "name": f"K{100 + number * 1_357:06d}"},
            "made by a tool, all its stays": {"kind": "tool", "name": serial_of(7 + number * 83)},
            "made by a tool in a year": {
                "kind": "tool",
                "name": serial_of(11 + number * 83),
                "from": f"{_YEAR}T00:00",
            },
            "made by a machine, 28 days": {"kind": "machine", "name": code},
            "made by a machine in a year": {
                "kind": "machine",
                "name": code,
                "from": f"{_YEAR}T00:00",
            },
            "made by a crew, 28 days": {
                "kind": "crew",
                "name": "ABCD"[number % 4],
                "to": f"{END - timedelta(days=60 * number):%Y-%m-%d}T00:00",
            },
            "made since a change": {
                "kind": "change",
                "name": f"coolant @ 1-{machine} @ {write_instant(changed)}",
            },
        }
        for name, values in asked.items():
            found.setdefault(name, []).append("/trace?" + urlencode(values))
        found.setdefault("API: dossier", []).append(
            "/api/v1/trace?" + urlencode({"code": code, "at": at})
        )
        found.setdefault("API: events of a pallet", []).append(
            f"/api/v1/epcis?pallet=W{line}-{30_000 + number * 31_111}"
        )
    return found


def _rows(engine: Engine, place: Path) -> Iterator[tuple[str, ...]]:
    visit = Visit(application_on(engine, place).test_client())
    Cast(engine).sign_in(visit, "administrator")
    body_of(visit, "/trace")
    leave_out_what_stays()
    for name, addresses in questions().items():
        body_of(visit, addresses[0])
        times, own, sizes, counts = [], [], [], []
        for address in addresses[1:]:
            statements = Statements(engine)
            before = time.process_time()
            with timed() as taken, statements.counted() as sent:
                sizes.append(len(body_of(visit, address)))
            statements.close()
            times.append(taken.seconds * 1000)
            own.append((time.process_time() - before) * 1000)
            counts.append(len(sent))
        told = str(min(counts)) if len({*counts}) == 1 else f"{min(counts)}–{max(counts)}"
        yield (
            *(name, f"{statistics.median(times):.1f}", f"{max(times):.1f}"),
            f"{statistics.median(own):.1f}",
            *(told, f"{statistics.median(sizes) / 1000:.1f}"),
        )
