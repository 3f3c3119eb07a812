"""Runs the tracelog command as people do: as a process of its own."""

import os
import subprocess
import sys
from pathlib import Path

from tests.support import tree

ENTRY = "import sys; from tracelog.cli import main; sys.exit(main())"


class Command:
    """The command on one database.

    Example:
        >>> done = command("import", folder, status=1)  # doctest: +SKIP
        >>> assert "readings.csv:3: strokes:" in done.stderr
    """

    def __init__(self, database_url: str, data_dir: Path) -> None:
        self.environment = {
            **os.environ,
            "TRACELOG_DATABASE_URL": database_url,
            "TRACELOG_DATA_DIR": str(data_dir),
            "PYTHONPATH": str(tree.ROOT),
            "PYTHONWARNINGS": "error",
            "COLUMNS": "200",
        }

    def arguments(self, *words: object) -> list[str]:
        """The whole command line of ``tracelog`` with these words."""
        return [sys.executable, "-c", ENTRY, *(str(word) for word in words)]

    def __call__(
        self, *words: object, status: int = 0, typed: str = ""
    ) -> "subprocess.CompletedProcess[str]":
        """Run it to its end, and fail unless it ends with `status`.

        Args:
            words: what follows ``tracelog`` on the command line.
            status: the exit status that is right.
            typed: what the person types when asked.
        """
        done = subprocess.run(
            self.arguments(*words),
            env=self.environment,
            input=typed,
            capture_output=True,
            encoding="utf-8",
        )
        assert done.returncode == status, f"status {done.returncode}\n{done.stdout}{done.stderr}"
        return done

    def start(self, *words: object) -> "subprocess.Popen[str]":
        """Start it and go on, for tests that look at it, or kill it, while it runs."""
        return subprocess.Popen(
            self.arguments(*words),
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
        )
