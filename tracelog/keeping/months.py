"""The months of the readings on PostgreSQL, made ahead of time in the background of the server."""

import logging
import threading
from datetime import datetime

from sqlalchemy import Engine

from tracelog import instants, logs
from tracelog.db import writing
from tracelog.strokes.partition_actions import keep_parts_ahead

_log = logging.getLogger(__name__)
_LOOK_SECONDS = 3600.0
# The first look waits for the start of all workers, and the next ones for nobody.
_FIRST_SECONDS = 30.0
# Whoever writes goes first; there are two months in which to come again.
_WAIT_MS = 5_000


class MonthKeeper:
    """One thread that has the present month and the next ones ready; of several, one finds work."""

    def __init__(self, engine: Engine) -> None:
        """Of a database; the thread starts with `start`, where there is something to divide."""
        self._engine = engine

    def start(self, stop: threading.Event | None = None) -> threading.Thread | None:
        """Begin, until `stop` or the end of the program; returns the thread at once."""
        if self._engine.dialect.name == "sqlite":
            return None
        thread = threading.Thread(
            target=self._run, args=[stop or threading.Event()], name="months", daemon=True
        )
        thread.start()
        return thread

    def _run(self, stop: threading.Event) -> None:
        wait = _FIRST_SECONDS
        while not stop.wait(wait):
            wait = _LOOK_SECONDS
            try:
                self.look(instants.now())
            except Exception:
                # The thread goes on whatever happens: a database that is away comes back.
                _log.exception("the months of the readings could not be made ahead")

    def look(self, now: datetime) -> list[str]:
        """Make what is missing; names of the parts that were made."""
        with writing(self._engine, wait_ms=_WAIT_MS) as session:
            made = keep_parts_ahead(session, now)
        if made:
            logs.tell(_log, logging.INFO, "months of readings made", parts=", ".join(made))
        return made
