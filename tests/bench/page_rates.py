"""How often a second the Floor is answered, beside a page of as many bytes with nothing behind it.

Both are served by the same server program with as many workers, and asked for by the same clients
over connections that are kept open; round by round, in turns.
"""

import http.client
import os
import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median

from sqlalchemy import Engine

from tests.bench.asking import Asked, ask_from_elsewhere
from tests.bench.bare_page import BYTES
from tests.bench.measure import print_table
from tests.bench.servers import OURS, ROLE, environment_of, running, sign_in
from tests.support.site import Cast

CLIENTS = (1, 8)
BARE = "bare page"


def print_page_rates(engine: Engine, folder: Path, seconds: float, rounds: int) -> None:
    """Ask for the Floor and the bare page in turns, and print both rates."""
    environment = environment_of(engine, folder)
    Cast(engine).join(ROLE)
    engine.dispose()
    found: dict[tuple[str, int], list[Asked]] = {}
    print(f"load average before: {os.getloadavg()[0]:.1f}")
    with running(OURS, environment) as port:
        cookie = sign_in(port)
        cookie, size = _first_look(port, cookie)
        bare = {**environment, BYTES: str(size)}
        with running(BARE, bare, program=bare_program) as bare_port:
            for _round in range(rounds):
                for clients in CLIENTS:
                    for name, at, own in (("Floor", port, cookie), (BARE, bare_port, "")):
                        asked = _ask(at, own, clients, seconds)
                        found.setdefault((name, clients), []).append(asked)
    rows = []
    for clients in CLIENTS:
        floor, page = found["Floor", clients], found[BARE, clients]
        ratios = [one.rate / other.rate for one, other in zip(floor, page, strict=True)]
        rows.append(
            (
                f"{clients}",
                f"{median(one.rate for one in floor):.0f}",
                f"{median(one.percentile(99) for one in floor):.0f}",
                f"{median(one.rate for one in page):.0f}",
                f"{median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})",
            )
        )
    print_table(
        f"The Floor ({size / 1000:.1f} kB) beside a bare page of that size",
        ("clients", "Floor/s", "p99 ms", "bare/s", "x bare (range)"),
        rows,
    )
    print(f"load average after: {os.getloadavg()[0]:.1f}")


def bare_program(port: int) -> list[str]:
    """How the server of the bare page is started."""
    return [sys.executable, "-m", "tests.bench.bare_page", str(port)]


def _first_look(port: int, cookie: str) -> tuple[str, int]:
    """The cookie that a browser sends from then on, and the bytes of the page."""
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", "/", headers={"Cookie": cookie})
    answer = connection.getresponse()
    size = len(answer.read())
    given = [one.split(";")[0] for one in answer.headers.get_all("Set-Cookie", [])]
    return "; ".join(given) or cookie, size


def _ask(port: int, cookie: str, clients: int, seconds: float) -> Asked:
    asked = ask_from_elsewhere(pages_of, ("/", cookie), port, clients, seconds)
    if set(asked.statuses) != {200}:
        raise LookupError(f"not every page was answered: {asked.statuses}")
    return asked


def pages_of(address: str, cookie: str) -> Callable[[], bytes]:
    """Makes requests for one page, not compressed."""
    sent = f"GET {address} HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {cookie}\r\n\r\n".encode()
    return lambda: sent
