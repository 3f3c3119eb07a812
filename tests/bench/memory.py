"""What a web worker holds in memory once every page was asked for, and how soon help is there.

The server is the real one, with two workers; its present is today's, so that pages of the last
days are short, and those that are asked for a period show what the plant's history has.
"""

import http.client
import os
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

from sqlalchemy import Engine

from tests.bench.demo_year import at_its_end
from tests.bench.measure import print_table
from tests.bench.pages import visitor
from tests.bench.servers import OURS, ROLE, ask, environment_of, running, sign_in
from tests.support.command import ENTRY
from tests.support.site import Cast

# What a worker may hold with the demo's year, and how long help may take.
MOST_MEGABYTES = 250
MOST_HELP_SECONDS = 0.3
_HELP_ROUNDS = 7
# Each worker takes the connections that it comes to: so often, each has seen every page.
_TIMES = 4


def print_memory(engine: Engine, folder: Path, size: str) -> None:
    """Ask a server for every page and print what its workers hold (Linux only)."""
    with at_its_end(size):
        _visit, addresses = visitor(engine, folder)
    Cast(engine).join(ROLE)
    engine.dispose()
    environment = environment_of(engine, folder)
    rows = []
    before = _python_processes()
    with running(OURS, environment) as port:
        workers = _workers(before)
        cookie = sign_in(port)
        rows.append(_row("when it answers", workers))
        for name, times in (("every page once or so", 1), ("every page many times", _TIMES)):
            answers = 0
            for _ in range(times):
                for address in addresses.values():
                    answers += _asked(port, address, cookie) < 400
            rows.append(_row(f"{name} ({answers} answers)", workers))
    print_table(
        f"Memory of the largest of two web workers, megabytes (at most {MOST_MEGABYTES})",
        ("after", "resident", "proportional", "at most"),
        rows,
    )


def print_help() -> None:
    """Print how long `tracelog --help` takes, beside a bare start of Python."""
    rows = []
    for name, words in (("python", ["-c", "pass"]), ("tracelog --help", ["-c", ENTRY, "--help"])):
        walls, processors = zip(*(_timed(words) for _ in range(_HELP_ROUNDS)), strict=True)
        rows.append((name, f"{median(walls):.3f}", f"{median(processors):.3f}"))
    print_table(
        f"Start of the command, seconds, median of {_HELP_ROUNDS} (at most {MOST_HELP_SECONDS})",
        ("start", "wall", "processor"),
        rows,
    )


def _timed(words: list[str]) -> tuple[float, float]:
    began, before = time.perf_counter(), os.times()
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    after = os.times()
    spent = after.children_user + after.children_system
    return time.perf_counter() - began, spent - before.children_user - before.children_system


def _asked(port: int, address: str, cookie: str) -> int:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    try:
        return ask(connection, address, cookie)
    finally:
        connection.close()


def _python_processes() -> set[int]:
    return {
        int(path.name)
        for path in Path("/proc").iterdir()
        if path.name.isdigit() and _parents(int(path.name), os.getpid())
    }


def _parents(process: int, wanted: int) -> bool:
    """Whether a process descends from another."""
    while process > 1:
        if process == wanted:
            return True
        try:
            told = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
        except OSError:
            return False
        process = int(told.rsplit(")", 1)[1].split()[1])
    return False


def _workers(before: set[int]) -> list[int]:
    """The processes that the server has started: those that hold the application."""
    new = sorted(_python_processes() - before)
    # The first is the server itself, and what Python starts to keep semaphores is small.
    return [one for one in new[1:] if _held(one)["Pss"] > 30]


def _held(process: int) -> dict[str, float]:
    """Megabytes that a process holds, by kind."""
    told = Path(f"/proc/{process}/smaps_rollup").read_text(encoding="ascii").splitlines()[1:]
    found = {line.split(":")[0]: int(line.split()[1]) / 1024 for line in told}
    status = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    (most,) = (line for line in status.splitlines() if line.startswith("VmHWM"))
    return found | {"Hwm": int(most.split()[1]) / 1024}


def _row(name: str, workers: list[int]) -> tuple[str, ...]:
    largest = max((_held(one) for one in workers), key=lambda held: held["Rss"])
    return (name, *(f"{largest[kind]:.0f}" for kind in ("Rss", "Pss", "Hwm")))
