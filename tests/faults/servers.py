"""A server of the tests' own: the real command in its own processes, stopped, killed, started."""

import http.client
import json
import multiprocessing
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from tests.support.command import Command, be_the_command, forks

if sys.platform != "win32":
    import resource

PATIENCE_SECONDS = 60.0


def _serve(
    words: Sequence[str], environment: dict[str, str], folder: str, largest_file: int | None
) -> None:
    """In the fork: be the command, with files that cannot grow beyond a limit."""
    if largest_file is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, largest_file))
    # A group of processes of its own, as a shell gives to each command.
    os.setpgid(0, 0)
    # As in a process that was started from a shell on Linux: workers have imported everything too.
    multiprocessing.set_start_method("fork", force=True)
    be_the_command(words, environment, folder)


class Server:
    """`tracelog serve` on one port, however often it is killed and started again.

    Args:
        database_url: what it serves.
        folder: its data folder.
        workers: its processes.
    """

    def __init__(self, database_url: str, folder: Path, workers: int = 1) -> None:
        folder.mkdir(exist_ok=True)
        self._environment = Command(database_url, folder).environment
        self._folder, self._workers = folder, workers
        self.port = free_port()
        self.process: BaseProcess | None = None

    def start(self, largest_file: int | None = None) -> "Server":
        """Start it and wait until it answers.

        Args:
            largest_file: bytes beyond which none of its files can grow, which is how a disk that
                is full shows itself where no small disk can be made.
        """
        words = ["serve", "--port", str(self.port), "--workers", str(self._workers)]
        arguments = (words, self._environment, str(self._folder), largest_file)
        self.process = forks().Process(target=_serve, args=arguments)
        self.process.start()
        self.wait_until_alive()
        return self

    def wait_until_alive(self) -> None:
        """Wait until a worker answers."""
        give_up_at = time.monotonic() + PATIENCE_SECONDS
        while not is_answering(self.port):
            assert self._running().is_alive(), self.log()
            assert time.monotonic() < give_up_at, self.log()
            time.sleep(0.05)

    def workers(self) -> list[int]:
        """Process numbers of the workers that run now."""
        return children_of(self._number())

    def kill(self) -> None:
        """End all its processes as a power cut does: the workers first, so that none goes on."""
        # Nothing is started again meanwhile.
        os.kill(self._number(), signal.SIGSTOP)
        for worker in self.workers():
            _kill(worker)
        self._running().kill()
        self._running().join(PATIENCE_SECONDS)

    def kill_first(self) -> None:
        """Kill the process that started the workers, and only that one."""
        self._running().kill()
        self._running().join(PATIENCE_SECONDS)

    def ask_to_stop(self) -> None:
        """Send the signal that asks it to end in order."""
        self._running().terminate()

    def interrupt(self) -> None:
        """Press Ctrl-C in its terminal, which sends the signal to its whole group of processes."""
        os.killpg(self._number(), signal.SIGINT)

    def stop(self) -> int | None:
        """End it in order; its exit status, None if it does not end."""
        self.ask_to_stop()
        return self.end()

    def end(self) -> int | None:
        """Wait for its end, which it was asked for; its exit status, None if it does not end."""
        self._running().join(PATIENCE_SECONDS)
        return self._running().exitcode

    def remove(self) -> None:
        """End it however it can be ended."""
        if self.process is not None and self.process.is_alive():
            self.kill()

    def log(self) -> str:
        """What it said."""
        return (self._folder / "stderr").read_text(encoding="utf-8", errors="replace")

    def _running(self) -> BaseProcess:
        assert self.process is not None, "it was never started"
        return self.process

    def _number(self) -> int:
        number = self._running().pid
        assert number is not None
        return number


def _kill(process: int) -> None:
    try:
        os.kill(process, signal.SIGKILL)
    except ProcessLookupError:
        return


def children_of(process: int) -> list[int]:
    """Process numbers of what a process has started, without helpers that keep its semaphores."""
    told = subprocess.run(
        ["ps", "-A", "-o", "pid=,ppid=,args="], capture_output=True, encoding="utf-8", check=True
    ).stdout
    rows = [line.split(maxsplit=2) for line in told.splitlines()]
    return [
        int(row[0])
        for row in rows
        if int(row[1]) == process and len(row) > 2 and "resource_tracker" not in row[2]
    ]


def free_port() -> int:
    """A port on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def is_answering(port: int) -> bool:
    """Whether a server answers there."""
    try:
        return ask(port, "GET", "/api/v1/health/live", timeout=5).status == 200
    except (OSError, http.client.HTTPException):
        return False


class Answer:
    """An answer that came whole: status, headers, text."""

    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status = response.status
        self.headers = response.headers
        self.text = response.read().decode()

    def json(self) -> Any:
        """Its text as JSON."""
        return json.loads(self.text)


def ask(
    port: int,
    method: str,
    path: str,
    sent: Any = None,
    token: str = "",
    timeout: float = PATIENCE_SECONDS,
) -> Answer:
    """Ask for one thing over a connection of its own.

    Raises:
        OSError, http.client.HTTPException: no whole answer came.
    """
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
    headers = {"Content-Type": "application/json"}
    if token:
        headers["Authorization"] = f"Bearer {token}"
    body = None if sent is None else json.dumps(sent)
    try:
        connection.request(method, path, body, headers)
        return Answer(connection.getresponse())
    finally:
        connection.close()
