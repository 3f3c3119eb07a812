"""The year that the bench looks at: simulated and imported once, then kept under build/bench."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

from rich.console import Console
from sqlalchemy import Engine, inspect

from seed_demo.folder import write_folder
from seed_demo.simulate import simulate
from seed_demo.sizes import SIZES
from tests.support.plants import import_plant
from tracelog.db import is_current, make_engine, upgrade

KEPT = Path("build/bench")
SEED = 1


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Say what is done and how long it took."""
    started = time.perf_counter()
    yield
    Console(stderr=True).print(f"{what}: {time.perf_counter() - started:.1f} s")


def folder_of(size: str) -> Path:
    """The plant folder of that size, written if it is not there yet."""
    folder = KEPT / f"plant-{size}"
    if not (folder / "plant.toml").exists():
        with timed(f"simulating the plant of size {size}"):
            write_folder(simulate(SIZES[size], SEED), folder)
    return folder


def filled(size: str, url: str | None) -> Engine:
    """An engine on the imported plant.

    Args:
        size: one of the simulator's sizes.
        url: an empty or already filled database; None: an SQLite file of the bench's own.

    Raises:
        SystemExit: the database at `url` holds something else.
    """
    KEPT.mkdir(parents=True, exist_ok=True)
    own = KEPT / f"{size}.db"
    engine = make_engine(url or f"sqlite:///{own}")
    if inspect(engine).get_table_names():
        if is_current(engine):
            return engine
        if url:
            raise SystemExit("the tables of that database are of another version")
        engine.dispose()
        for kept in KEPT.glob(f"{own.name}*"):
            kept.unlink()
    upgrade(engine)
    folder = folder_of(size)
    with timed(f"importing it into {engine.dialect.name}"):
        import_plant(engine, folder)
    return engine


@contextmanager
def at_its_end(size: str) -> Iterator[None]:
    """Let the application take the end of that history for the present."""
    plant = SIZES[size]
    end = datetime.combine(plant.ends_on, plant.ends_at, UTC) + timedelta(hours=6)
    with patch("tracelog.instants.now", lambda: end):
        yield
