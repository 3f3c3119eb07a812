"""Whatever ends an import in the middle, the database is as it was before."""

import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from tests.intake.folders import GOOD, Rows, content, import_good, write_folder
from tests.intake.test_order_of_arrival import minute
from tests.support.command import Command
from tests.support.testrun import PATIENCE_SECONDS
from tracelog.db import reading

PALLETS = 60_000


def _large_folder(folder: Path) -> Path:
    rows: Rows = {
        "pallets.csv": [
            {"pallet": f"L{number}", "line": "1", "started_at": minute(number)}
            for number in range(PALLETS)
        ]
    }
    return write_folder(folder, rows)


def _is_inside(engine: Engine) -> bool:
    """Whether somebody else has begun to write in a transaction that is not over."""
    if engine.dialect.name == "postgresql":
        asked = text(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
            " AND pid <> pg_backend_pid() AND backend_xid IS NOT NULL"
        )
        with reading(engine) as session:
            return bool(session.execute(asked).scalar_one())
    assert engine.url.database
    wal = Path(engine.url.database + "-wal")
    with sqlite3.connect(engine.url.database, timeout=0) as other:
        try:
            other.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            # Somebody holds the place of the writer, and has written so much that it shows.
            return wal.exists() and wal.stat().st_size > 1_000_000
        other.rollback()
    return False


@contextmanager
def _import_in_the_middle(
    command: Command, engine: Engine, folder: Path
) -> Iterator["subprocess.Popen[str]"]:
    """An import that is running and has written part of its rows."""
    running = command.start("import", folder)
    try:
        give_up_at = time.monotonic() + PATIENCE_SECONDS
        while not _is_inside(engine):
            assert running.poll() is None, "the import was over before it could be killed"
            assert time.monotonic() < give_up_at
            time.sleep(0.01)
        yield running
    finally:
        running.kill()
        running.communicate()


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
def test_an_import_that_is_killed_leaves_the_database_as_it_was(
    own_engine: Engine, command: Command, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    before = content(own_engine)
    large = _large_folder(tmp_path / "large")

    with _import_in_the_middle(command, own_engine, large) as running:
        running.send_signal(signal.SIGKILL)
        assert running.wait() == -signal.SIGKILL

    own_engine.dispose()
    assert content(own_engine) == before
    command("check")
    command("import", large)
    assert len(content(own_engine)["pallets"]) == len(before["pallets"]) + PALLETS
