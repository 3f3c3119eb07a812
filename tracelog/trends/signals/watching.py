"""Bringing the kept signals up to date after facts came in, and doing so in the background."""

import logging
import threading
from collections.abc import Callable
from datetime import datetime

from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from tracelog.db import reading, writing
from tracelog.errors import NoPlant
from tracelog.instants import now as present
from tracelog.trends.signals.actions import keep
from tracelog.trends.signals.working import work_out

_log = logging.getLogger(__name__)
# What comes in within this time is worked out together.
_GATHER_SECONDS = 2.0
_MOST_TRIES = 3


def bring_up_to_date(engine: Engine, now: datetime) -> bool:
    """Work out what facts that came in lately change, and keep it.

    Worked out while others go on writing; only what it takes to keep it holds them up.

    Args:
        engine: the database.
        now: UTC.

    Returns:
        Whether anything was kept; not where nothing came in, or others were faster.
    """
    for _try in range(_MOST_TRIES):
        try:
            with reading(engine) as session:
                work = work_out(session, now)
        except NoPlant:
            return False
        if work is None:
            return False
        with writing(engine) as session:
            if keep(session, work):
                return True
    return False


class Watcher:
    """One thread that brings signals up to date whenever it is told that something came in."""

    def __init__(self, engine: Engine, after: Callable[[], None] = lambda: None) -> None:
        """Of a database; the thread starts with the first call of `tell`.

        Args:
            engine: the database.
            after: called whenever signals have been brought up to date, or could not be.
        """
        self._engine, self._after = engine, after
        self._told = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    def tell(self) -> None:
        """Something came in; returns at once."""
        self._told.set()
        with self._lock:
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, name="signals", daemon=True)
                self._thread.start()

    def look_every(self, seconds: float, stop: threading.Event) -> None:
        """Look for what came in by another way, again and again until `stop`; returns at once."""

        def look() -> None:
            while not stop.wait(seconds):
                self.tell()

        threading.Thread(target=look, name="signals clock", daemon=True).start()

    def _run(self) -> None:
        while True:
            self._told.wait()
            threading.Event().wait(_GATHER_SECONDS)
            self._told.clear()
            try:
                bring_up_to_date(self._engine, present())
            except (SQLAlchemyError, OSError):
                # Facts are kept already; the next time that something comes in it is tried again.
                _log.exception("signals could not be brought up to date")
            self._after()
