"""The web server that `tracelog serve` uses beside two others, on the same pages.

All get two processes of work or as many threads as those have together, and answer over
loopback; only the ratios mean something, since whoever asks shares the machine.
"""

import http.client
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from urllib.parse import urlencode

from sqlalchemy import Engine

from tests.bench.measure import print_table, timed
from tests.support import tree
from tests.support.command import ENTRY
from tests.support.site import CAST, Cast

OURS = "granian"
APPLICATION = "tracelog.web.serving:application"
ROLE = "supervisor"
AT_ONCE = 8
# As a browser does for a page and what belongs to it; then the next visitor comes.
REQUESTS_OF_A_CONNECTION = 5
ROUNDS = 3
# On a machine that has much else to do.
PATIENCE_SECONDS = 240
SECRET_KEY = "a key that opens nothing but the bench"


@dataclass(frozen=True)
class Load:
    """A page, and how often it is asked for in each round."""

    name: str
    address: str
    requests: int


LOADS = (Load("Floor", "/", 120), Load("live", "/api/v1/health/live", 1500))


def commands(port: int) -> dict[str, list[str]]:
    """How each server is started, where it is there."""
    folder = Path(sys.executable).parent
    found = {OURS: [sys.executable, "-c", ENTRY, "serve", "--port", str(port), "--workers", "2"]}
    if gunicorn := shutil.which("gunicorn", path=folder):
        found["gunicorn"] = [
            *(gunicorn, "--workers", "2", "--threads", "4", "--worker-class", "gthread"),
            *("--bind", f"127.0.0.1:{port}", "--log-level", "error", f"{APPLICATION}()"),
        ]
    if waitress := shutil.which("waitress-serve", path=folder):
        found["waitress"] = [
            *(waitress, "--listen", f"127.0.0.1:{port}", "--threads", "8"),
            *("--call", APPLICATION),
        ]
    return found


def environment_of(engine: Engine, folder: Path) -> dict[str, str]:
    """What a server of a database is told by its environment."""
    return {
        **os.environ,
        "TRACELOG_DATABASE_URL": engine.url.render_as_string(hide_password=False),
        "TRACELOG_DATA_DIR": str(folder),
        "TRACELOG_SECRET_KEY": SECRET_KEY,
        "PYTHONPATH": str(tree.ROOT),
    }


def print_servers(engine: Engine, folder: Path) -> None:
    """Ask each server for the same pages, in turns, and print requests per second."""
    environment = environment_of(engine, folder)
    Cast(engine).join(ROLE)
    engine.dispose()
    rates: dict[tuple[str, str], list[float]] = {}
    for _ in range(ROUNDS):
        for name in commands(0):
            with running(name, environment) as port:
                cookie = sign_in(port)
                for load in LOADS:
                    rates.setdefault((load.name, name), []).append(rate_of(port, load, cookie))
    print_table(
        f"Web servers, {AT_ONCE} requests at once, median of {ROUNDS} rounds",
        ("page and server", "requests/s", f"x {OURS}"),
        (
            (
                f"{page}: {name}",
                f"{median(found):.0f}",
                f"{median(found) / median(rates[page, OURS]):.2f}",
            )
            for (page, name), found in sorted(rates.items())
        ),
    )


@contextmanager
def running(
    name: str,
    environment: Mapping[str, str],
    *more: str,
    program: Callable[[int], list[str]] | None = None,
) -> Iterator[int]:
    """A server of that name, with more arguments if given, answering; gives its port.

    `program` tells how one is started that is none of `commands`.
    """
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    server = subprocess.Popen(
        [*(program(port) if program else commands(port)[name]), *more],
        env=dict(environment),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        _wait_for(server, port)
        yield port
    finally:
        server.terminate()
        server.wait(timeout=30)


def _wait_for(server: "subprocess.Popen[bytes]", port: int) -> None:
    give_up_at = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < give_up_at and server.poll() is None:
        try:
            if ask(http.client.HTTPConnection("127.0.0.1", port), "/api/v1/health/live", "") == 200:
                return
        except OSError:
            time.sleep(0.1)
    raise TimeoutError(f"{server.args!r} does not answer")


def ask(connection: http.client.HTTPConnection, address: str, cookie: str) -> int:
    """Ask for a page and read all of it; returns the status."""
    connection.request("GET", address, headers={"Cookie": cookie, "Accept-Encoding": "gzip"})
    answer = connection.getresponse()
    answer.read()
    return answer.status


def rate_of(port: int, load: Load, cookie: str) -> float:
    """Requests per second, with several askers at once."""

    def asker(requests: int) -> None:
        for already in range(requests):
            if already % REQUESTS_OF_A_CONNECTION == 0:
                connection = http.client.HTTPConnection("127.0.0.1", port)
            status = ask(connection, load.address, cookie)
            if status != 200:
                raise LookupError(f"{load.address} answers {status}")

    each = load.requests // AT_ONCE
    with ThreadPoolExecutor(AT_ONCE) as askers:
        list(askers.map(asker, [2] * AT_ONCE))  # every process has loaded what it needs
        with timed() as taken:
            list(askers.map(asker, [each] * AT_ONCE))
    return each * AT_ONCE / taken.seconds


def sign_in(port: int) -> str:
    """Sign somebody in and return the cookie."""
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", "/sign-in")
    answer = connection.getresponse()
    (proof,) = re.findall(r'name="csrf_token"[^>]*value="([^"]+)"', answer.read().decode())[:1]
    first = answer.headers["Set-Cookie"].split(";")[0]
    person = CAST[ROLE]
    form = urlencode({"csrf_token": proof, "name": person.name, "secret": person.secret})
    headers = {"Cookie": first, "Content-Type": "application/x-www-form-urlencoded"}
    connection.request("POST", "/sign-in", form, headers)
    answer = connection.getresponse()
    answer.read()
    if answer.status != 303:
        raise LookupError(f"signing in answers {answer.status}")
    return "; ".join(one.split(";")[0] for one in answer.headers.get_all("Set-Cookie", []))
