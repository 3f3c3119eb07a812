"""Entries that programs send one at a time, beside what the disk takes in the same run.

Clients send `POST /api/v1/defects` with a token, each over a connection that it keeps, and the next
entry when the last one is acknowledged. The baseline is a row for each durable commit on the same
disk: on SQLite from one thread, on PostgreSQL from one connection, and from as many as there are
clients, since that server lets commits of several share a write to the disk.
"""

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from sqlalchemy import Engine, func, select

from tests.bench.asking import Asked, ask_from_elsewhere
from tests.bench.bare_commits import postgresql_rate, sqlite_rate
from tests.bench.demo_year import fill, write_plant
from tests.bench.measure import print_table
from tests.bench.servers import OURS, SECRET_KEY, environment_of, running
from tests.faults.clusters import Cluster
from tracelog.audit import Actor, broken_links
from tracelog.db import make_engine, new_id, reading, writing
from tracelog.defects.models import DefectType, Entry
from tracelog.facts import write_value
from tracelog.instants import now
from tracelog.people.actions import create_account, create_token
from tracelog.people.queries import account_named
from tracelog.plant.models import Line, Machine

CLIENTS = (1, 8, 40)
BY = Actor("bench", "administrator", "command")


@dataclass
class Rates:
    """Of one engine: per second, one for each round."""

    bare: dict[int, list[float]] = field(default_factory=dict)
    entries: dict[int, list[Asked]] = field(default_factory=dict)


def print_entries(
    folder: Path, size: str, seconds: float, rounds: int, engines: Sequence[str]
) -> None:
    """Time the engines and print entries per second, and per bare commit."""
    write_plant(size, folder / "plant")
    print(f"load average before: {os.getloadavg()[0]:.1f}")
    if "sqlite" in engines:
        _print("sqlite", _on_sqlite(folder, seconds, rounds))
    if "postgresql" in engines:
        cluster = Cluster(folder / "cluster").start()
        try:
            _print("postgresql", _on_postgresql(cluster, folder, seconds, rounds))
        finally:
            cluster.remove()
    print(f"load average after: {os.getloadavg()[0]:.1f}")


def _on_sqlite(folder: Path, seconds: float, rounds: int) -> Rates:
    own = folder / "sqlite"
    own.mkdir()
    engine = make_engine(f"sqlite:///{own / 'tracelog.db'}")
    fill(engine, folder / "plant")
    return _rounds(engine, own, seconds, rounds, lambda _clients: sqlite_rate(own, seconds))


def _on_postgresql(cluster: Cluster, folder: Path, seconds: float, rounds: int) -> Rates:
    bare = cluster.create("bare").replace("+psycopg", "")
    engine = make_engine(cluster.create("plant"))
    fill(engine, folder / "plant")
    own = folder / "postgresql"
    own.mkdir()
    rate: Callable[[int], float] = lambda clients: postgresql_rate(bare, clients, seconds)  # noqa: E731
    return _rounds(engine, own, seconds, rounds, rate)


def _rounds(
    engine: Engine, folder: Path, seconds: float, rounds: int, bare: Callable[[int], float]
) -> Rates:
    """Bare commits and entries in turns, so that both see the same disk and the same neighbours."""
    token, codes, defects = _ground(engine)
    environment = environment_of(engine, folder)
    rates = Rates()
    is_sqlite = engine.dialect.name == "sqlite"
    before = _kept(engine)
    with running(OURS, environment) as port:
        for _round in range(rounds):
            for clients in CLIENTS:
                sessions = 1 if is_sqlite else clients
                rates.bare.setdefault(sessions, []).append(bare(sessions))
                asked = ask_from_elsewhere(
                    entries_of, (token, codes, defects), port, clients, seconds
                )
                if set(asked.statuses) != {201}:
                    raise LookupError(f"not every entry was kept: {asked.statuses}")
                rates.entries.setdefault(clients, []).append(asked)
    acknowledged = sum(sum(one.statuses.values()) for own in rates.entries.values() for one in own)
    if _kept(engine) - before < acknowledged:
        raise LookupError("an entry was acknowledged and is not there")
    with reading(engine) as session:
        if broken := broken_links(session):
            raise LookupError(f"the chain of audit records is broken: {broken[:3]}")
    engine.dispose()
    return rates


def entries_of(token: str, codes: list[str], defects: list[str]) -> Callable[[], bytes]:
    """Makes requests that log a new entry each."""
    count = 0

    def request() -> bytes:
        nonlocal count
        count += 1
        body = json.dumps(
            {
                "id": str(new_id()),
                "seen_at": write_value(now()),
                "dome_code": codes[count % len(codes)],
                "defect": defects[count % len(defects)],
                "cans": 1 + count % 3,
            }
        )
        return (
            "POST /api/v1/defects HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            f"Authorization: Bearer {token}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {len(body)}\r\n\r\n{body}"
        ).encode()

    return request


def _ground(engine: Engine) -> tuple[str, list[str], list[str]]:
    with writing(engine) as session:
        create_account(session, "gate", "Gate", "administrator", SECRET_KEY, BY, now())
        account = account_named(session, "gate")
        token = create_token(session, account, "bench", "administrator", BY, now())
        machines = session.execute(
            select(Line.line, Machine.number)
            .join(Machine, Machine.line_id == Line.id)
            .where(Machine.station == "bodymaker")
        )
        codes = [f"{row.line}-{row.number}" for row in machines]
        defects = list(session.execute(select(DefectType.defect).limit(12)).scalars())
    return token, codes, defects


def _kept(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(Entry)).scalar_one()


def _print(name: str, rates: Rates) -> None:
    rows = []
    for clients, asked in rates.entries.items():
        sessions = clients if clients in rates.bare and len(rates.bare) > 1 else 1
        many, one = rates.bare[sessions], rates.bare[1]
        ratios = [each.rate / bare for each, bare in zip(asked, many, strict=False)]
        to_one = [each.rate / median(one) for each in asked]
        rows.append(
            (
                f"{clients}",
                f"{median(each.rate for each in asked):.0f}",
                f"{median(each.percentile(50) for each in asked):.0f}",
                f"{median(each.percentile(99) for each in asked):.0f}",
                f"{median(one):.0f}",
                f"{median(to_one):.2f} ({min(to_one):.2f} to {max(to_one):.2f})",
                f"{median(many):.0f}",
                f"{median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})",
            )
        )
    print_table(
        f"Entries one at a time, {name}: median of the rounds (range)",
        (
            *("clients", "entries/s", "p50 ms", "p99 ms", "bare/s, 1 session", "x"),
            *("bare/s, as many", "x"),
        ),
        rows,
    )
