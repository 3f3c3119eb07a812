"""Notices in the background: found when something came in and now and then, sent when due."""

import logging
import threading
import time
from collections.abc import Callable

from sqlalchemy import Engine

from tracelog.config import Settings
from tracelog.notices.delivering import Sender, find_news
from tracelog.notices.facts import Kind

_log = logging.getLogger(__name__)
# What comes in within this time is looked at together.
_GATHER_SECONDS = 3.0
# Digests and quiet hours end by the clock, and what failed is tried again.
_SEND_SECONDS = 30.0
# Counters fall silent, and services fall due, without anything coming in.
_FIND_SECONDS = 300.0
# When services fall due is a computation of its own, and moves by days.
_FORECAST_SECONDS = 900.0


class Notifier:
    """One thread that finds news when it is told that something came in, and sends what is due."""

    def __init__(self, engine: Engine, settings: Settings) -> None:
        """Of a database; the thread starts with `start`."""
        self._engine = engine
        self._sender = Sender(engine, settings)
        self._told = threading.Event()
        self._found_at = self._forecast_at = float("-inf")

    def start(self, stop: threading.Event | None = None) -> threading.Thread:
        """Begin, until `stop` or the end of the program; returns the thread at once."""
        thread = threading.Thread(
            target=self._run, args=[stop or threading.Event()], name="notices", daemon=True
        )
        thread.start()
        return thread

    def tell(self) -> None:
        """Something came in; returns at once."""
        self._told.set()

    def _run(self, stop: threading.Event) -> None:
        while not stop.is_set():
            came_in = self._told.wait(_SEND_SECONDS)
            if came_in:
                stop.wait(_GATHER_SECONDS)
                self._told.clear()
            self.look(came_in=came_in)

    def look(self, *, came_in: bool) -> None:
        """Find news where something came in or it is time to, and send what is due."""
        moment = time.monotonic()
        if came_in or moment - self._found_at >= _FIND_SECONDS:
            self._found_at = moment
            kinds = set(Kind)
            if moment - self._forecast_at < _FORECAST_SECONDS:
                kinds.discard(Kind.SERVICE)
            else:
                self._forecast_at = moment
            self._apart(lambda: find_news(self._engine, kinds))
        self._apart(self._sender.send_due)

    def _apart(self, work: Callable[[], int]) -> None:
        try:
            work()
        except Exception:
            # The thread goes on whatever happens: what was found is kept, the rest found again.
            _log.exception("notices could not be found or sent")
