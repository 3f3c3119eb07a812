"""Runs the tracelog command as people do: as a process of its own."""

import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.support import tree
from tracelog.cli import COMMANDS, main

ENTRY = "import sys; from tracelog.cli import main; sys.exit(main())"
# Processes are forks of one that has imported everything: most of a command's time is its imports.
CAN_FORK = "forkserver" in multiprocessing.get_all_start_methods()
_STREAMS = ("stdin", "stdout", "stderr")


def forks() -> Any:
    """What makes processes that are forks of one that has imported everything."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["tracelog.web.application", *{place.split(":")[0] for place in COMMANDS.values()}]
    )
    return context


def be_the_command(words: Sequence[str], environment: dict[str, str], folder: str) -> None:
    """In the fork: take on environment and streams as a process just started has them."""
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    warnings.simplefilter("error")
    for number, name in enumerate(_STREAMS):
        opened = os.open(Path(folder) / name, os.O_RDWR | os.O_CREAT)
        os.dup2(opened, number)
        os.close(opened)
        stream = os.fdopen(number, "r" if number == 0 else "w", encoding="utf-8", closefd=False)
        setattr(sys, name, stream)
        setattr(sys, f"__{name}__", stream)
    main(list(words))


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
        done = (self._forked if CAN_FORK else self._started)([str(word) for word in words], typed)
        assert done.returncode == status, f"status {done.returncode}\n{done.stdout}{done.stderr}"
        return done

    def _forked(self, words: list[str], typed: str) -> "subprocess.CompletedProcess[str]":
        with tempfile.TemporaryDirectory() as folder:
            for name in _STREAMS:
                (Path(folder) / name).write_text(typed if name == "stdin" else "", "utf-8")
            process = forks().Process(target=be_the_command, args=(words, self.environment, folder))
            process.start()
            process.join()
            said = [(Path(folder) / name).read_text("utf-8") for name in _STREAMS[1:]]
            return subprocess.CompletedProcess(words, process.exitcode, *said)

    def _started(self, words: list[str], typed: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            self.arguments(*words),
            env=self.environment,
            input=typed,
            capture_output=True,
            encoding="utf-8",
        )

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
