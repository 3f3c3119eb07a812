"""Commands that are killed at one of their own statements, wherever chance puts it."""

import os
import signal
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event

from tests.support.command import Command, be_the_command, forks

PATIENCE_SECONDS = 120.0


def _be_killed(
    words: Sequence[str], environment: dict[str, str], folder: str, statement: int
) -> None:
    """In the fork: be the command, and die at a statement as by ``kill -9``."""
    sent = 0

    def count(*_of: Any) -> None:
        nonlocal sent
        sent += 1
        if statement and sent >= statement:
            os.kill(os.getpid(), signal.SIGKILL)

    event.listen(Engine, "before_cursor_execute", count)
    event.listen(Engine, "commit", count)
    try:
        be_the_command(words, environment, folder)
    finally:
        Path(folder, "statements").write_text(str(sent), encoding="ascii")


def run(command: Command, words: Sequence[object], die_at: int = 0) -> tuple[int, int]:
    """Run a command in a process of its own.

    Args:
        command: on a database.
        words: of the command.
        die_at: the statement, or commit, before which the process is killed; 0: none.

    Returns:
        Its exit status, below zero where a signal ended it; and how many statements and commits
        there were, 0 where it was killed.
    """
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "stdin").touch()
        arguments = ([str(word) for word in words], command.environment, folder, die_at)
        process = forks().Process(target=_be_killed, args=arguments)
        process.start()
        process.join(PATIENCE_SECONDS)
        counted = Path(folder, "statements")
        sent = int(counted.read_text()) if counted.exists() else 0
        status = process.exitcode
        if status is None:
            process.kill()
        assert status is not None, "it does not end"
        if status not in (0, -signal.SIGKILL):
            raise AssertionError(Path(folder, "stderr").read_text(encoding="utf-8"))
        return status, sent
