"""Scheduled backups in the background of the server: each in a process of its own, so that
requests are not held up by it."""

import logging
import subprocess
import sys
import threading

from sqlalchemy import Engine

from tracelog import instants, logs
from tracelog.config import Settings
from tracelog.keeping.scheduled import failure, schedule

log = logging.getLogger(__name__)
_LOOK_SECONDS = 60.0
_COMMAND = (sys.executable, "-c", "from tracelog.cli import main; main()", "backup", "--scheduled")


class BackupKeeper:
    """One thread that looks whether a backup is due; of several servers' workers, one makes it."""

    def __init__(self, engine: Engine, settings: Settings) -> None:
        """Of a database; the thread starts with `start`, if backups are scheduled at all."""
        self._engine, self._settings = engine, settings

    def start(self, stop: threading.Event | None = None) -> threading.Thread | None:
        """Begin, until `stop` or the end of the program; returns the thread at once."""
        if not self._settings.backup_folder:
            return None
        thread = threading.Thread(
            target=self._run, args=[stop or threading.Event()], name="backups", daemon=True
        )
        thread.start()
        return thread

    def _run(self, stop: threading.Event) -> None:
        while not stop.wait(_LOOK_SECONDS):
            try:
                self.look()
            except Exception:
                # The thread goes on whatever happens: a database that is away comes back.
                log.exception("whether a backup is due could not be found out")

    def look(self) -> bool:
        """Have a backup made if one is due; whether one was started."""
        failed = failure(self._settings.data_dir)
        found = schedule(self._engine, self._settings, instants.now(), failed=failed)
        if found is None or not found.is_due:
            return False
        # Nothing of this comes from outside.
        done = subprocess.run(  # noqa: S603
            _COMMAND, check=False, stdin=subprocess.DEVNULL, capture_output=True, text=True
        )
        if done.returncode:
            lines = done.stderr.strip().splitlines() or [""]
            logs.tell(log, logging.ERROR, "scheduled backup failed", why=lines[-1])
        else:
            logs.tell(log, logging.INFO, "scheduled backup", said=done.stdout.strip())
        return True
