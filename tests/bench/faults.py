"""The faults of `tests/faults`, many times: at random points, with the exact account after each."""

import random
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Engine

from tests.bench.measure import print_table
from tests.faults import rounds
from tests.faults.clusters import Cluster
from tests.faults.entries import Account
from tests.faults.rounds import Place
from tracelog.db import make_engine, upgrade

# After so many of a kind the whole database is looked over: audit trail, references, all derived.
LOOK_OVER_EVERY = 10
Bring = Callable[[Place, random.Random], Account]
WITHOUT_SERVER: dict[str, Bring] = {
    "server killed (kill -9 of all processes)": rounds.kill_server,
    "one worker of two killed": rounds.kill_worker,
    "stop signal": rounds.stop_server,
    "Ctrl-C": rounds.interrupt_server,
    "clients vanish in a request (4 each)": rounds.break_pipe,
    "4 clients send the same entries to 2 workers": rounds.write_the_same,
}
WITH_SERVER: dict[str, Bring] = {"PostgreSQL stopped, crashed or killed": rounds.crash_database}


def print_faults(folder: Path, times: int, seed: int) -> None:
    """Bring each fault about so many times on both engines, and print what came of it.

    Args:
        folder: a new one, which may be opened to the account that runs PostgreSQL.
        times: of each fault.
        seed: of the points in time.
    """
    rows: list[tuple[str, ...]] = []
    cluster = Cluster(folder / "cluster").start()
    try:
        for url in (f"sqlite:///{folder / 'tracelog.db'}", cluster.create("plant")):
            engine = make_engine(url)
            upgrade(engine)
            own = cluster if engine.dialect.name == "postgresql" else None
            rows += _on(engine, folder / engine.dialect.name, own, times, seed)
            engine.dispose()
    finally:
        cluster.remove()
    columns = ("fault", "times", "entries acknowledged", "sent again", "lost or doubled", "s each")
    print_table(f"Faults, seed {seed}", columns, rows)


def _on(
    engine: Engine, folder: Path, cluster: Cluster | None, times: int, seed: int
) -> list[tuple[str, ...]]:
    place = Place.at(engine, folder, workers=2, cluster=cluster)
    rows: list[tuple[str, ...]] = []
    try:
        for name, bring in (WITHOUT_SERVER | (WITH_SERVER if cluster else {})).items():
            chance = random.Random(f"{seed} {name}")
            came, started = Counter[str](), time.monotonic()
            for number in range(1, times + 1):
                account = bring(place, chance)
                came["acknowledged"] += len(account.acknowledged)
                came["again"] += account.statuses.total() - len(account.acknowledged)
                if number % LOOK_OVER_EVERY == 0:
                    place.check()
            # Fails at the first entry that is lost, doubled or not as it was sent.
            place.check()
            each = (time.monotonic() - started) / times
            rows.append(
                (
                    f"{engine.dialect.name}: {name}",
                    str(times),
                    str(came["acknowledged"]),
                    str(came["again"]),
                    "0",
                    f"{each:.1f}",
                )
            )
    finally:
        place.server.remove()
    return rows
