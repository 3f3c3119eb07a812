"""One fault each, at a random point, while entries are logged; then the exact account.

Every function brings the fault about once, on a place whose server runs, and leaves the server
running. Whoever calls them (the tests a few times, the long run hundreds of times) compares what
was acknowledged with what is there by `Place.check`.
"""

import json
import os
import random
import signal
import socket
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import Engine

from tests.faults.clusters import Cluster
from tests.faults.entries import Account, Loggers, check_account, entry, furnish_place
from tests.faults.servers import Answer, Server, ask

# Within this a server that is asked to stop has ended: its own limit, and some for a busy machine.
STOPS_WITHIN_SECONDS = 45.0
# A server whose worker dies again within 5.5 s gives up, which is right and not what is looked at.
APART_SECONDS = 7.0


@dataclass
class Place:
    """A database with a plant, its server, and all that was ever sent to it.

    Attributes:
        engine: of the database, for the account.
        server: runs while faults are brought about.
        token: of the clients.
        cluster: the PostgreSQL server that holds the database, None on SQLite.
        accounts: of all loggers so far.
        worker_killed_at: when one of the server's processes was killed last.
    """

    engine: Engine
    server: Server
    token: str
    cluster: Cluster | None = None
    accounts: list[Account] = field(default_factory=list)
    worker_killed_at: float = -APART_SECONDS

    @classmethod
    def at(
        cls, engine: Engine, folder: Path, workers: int, cluster: Cluster | None = None
    ) -> "Place":
        """Furnish an empty database that has all tables, and serve it."""
        token = furnish_place(engine)
        url = engine.url.render_as_string(hide_password=False)
        return cls(engine, Server(url, folder, workers).start(), token, cluster)

    def loggers(self, clients: int = 3) -> Loggers:
        """Clients that log entries; their account is kept."""
        made = Loggers(self.server.port, self.token, clients)
        self.accounts.append(made.account)
        return made

    def send(self, one: object) -> Answer:
        """Send one entry, or an array of them."""
        return ask(self.server.port, "POST", "/api/v1/defects", one, self.token)

    def check(self) -> int:
        """Nothing acknowledged is lost, nothing is there twice; how many entries there are."""
        self.engine.dispose()
        return check_account(self.engine, self.accounts)


def kill_server(place: Place, chance: random.Random) -> Account:
    """All processes of the server die at once, as in a power cut; it is started again."""
    with place.loggers().at_work() as loggers:
        loggers.wait_for(chance.randint(1, 12))
        time.sleep(chance.uniform(0, 0.02))
        place.server.kill()
        place.server.start()
        loggers.wait_for(1)
    return loggers.account


def kill_worker(place: Place, chance: random.Random) -> Account:
    """One process of two dies; the other goes on, and the dead one is started again."""
    with place.loggers().at_work() as loggers:
        loggers.wait_for(chance.randint(1, 12))
        time.sleep(chance.uniform(0, 0.02))
        time.sleep(max(0.0, place.worker_killed_at + APART_SECONDS - time.monotonic()))
        before = set(place.server.workers())
        os.kill(chance.choice(sorted(before)), signal.SIGKILL)
        loggers.wait_for(3)
        until(lambda: bool(set(place.server.workers()) - before))
        place.worker_killed_at = time.monotonic()
    return loggers.account


def stop_server(place: Place, chance: random.Random) -> Account:
    """The server is asked to stop: every client that had connected is answered, then it is gone."""
    return _stop(place, chance, place.server.ask_to_stop)


def interrupt_server(place: Place, chance: random.Random) -> Account:
    """The same by Ctrl-C, whose signal the terminal sends to the workers too."""
    return _stop(place, chance, place.server.interrupt)


def _stop(place: Place, chance: random.Random, ask_to_stop: Callable[[], None]) -> Account:
    with place.loggers(8).at_work() as loggers:
        loggers.wait_for(chance.randint(1, 12))
        time.sleep(chance.uniform(0, 0.02))
        asked_at = time.monotonic()
        ask_to_stop()
        status = place.server.end()
        took = time.monotonic() - asked_at
        assert status == 0, f"status {status}: {place.server.log()}"
        assert took < STOPS_WITHIN_SECONDS, f"it took {took:.0f} s to stop"
        place.server.start()
        loggers.wait_for(1)
    cut_off = loggers.account.broken_off
    assert not cut_off, f"clients that had connected got no whole answer in {took:.1f} s: {cut_off}"
    return loggers.account


def crash_database(place: Place, chance: random.Random) -> Account:
    """PostgreSQL is stopped, crashes or is killed, is away for a moment, and comes back."""
    cluster = place.cluster
    assert cluster is not None
    with place.loggers().at_work() as loggers:
        loggers.wait_for(chance.randint(1, 12))
        time.sleep(chance.uniform(0, 0.02))
        way = chance.choice(("fast", "immediate", "kill"))
        if way == "kill":
            cluster.kill()
        else:
            cluster.stop(way)
        check_told_plainly(place)
        cluster.start()
        # The server finds it again by itself.
        loggers.wait_for(3)
    return loggers.account


def check_told_plainly(place: Place) -> None:
    """While the database is away, programs and people are told so in one sentence, and when to
    come again."""
    answer = place.send(entry(0))
    assert answer.status == 503, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    _check_sentence(answer, answer.json()["detail"])
    page = ask(place.server.port, "GET", "/sign-in")
    assert page.status in (200, 503), page.text
    floor = ask(place.server.port, "GET", "/")
    assert floor.status in (302, 503), floor.text
    ready = ask(place.server.port, "GET", "/api/v1/health/ready")
    assert ready.status == 503
    alive = ask(place.server.port, "GET", "/api/v1/health/live")
    assert alive.status == 200


def _check_sentence(answer: Answer, sentence: str) -> None:
    assert int(answer.headers["Retry-After"]) > 0
    assert sentence[0].isupper(), sentence
    assert sentence.endswith("."), sentence
    for word in ("Traceback", "psycopg", "sqlite3", "SQL", "Error"):
        assert word not in sentence


def break_pipe(place: Place, chance: random.Random) -> Account:
    """Clients vanish in the middle of a request, or before its answer; then they send it again."""
    account = Account()
    place.accounts.append(account)
    for number in range(4):
        one = entry(number)
        account.sent[uuid.UUID(str(one["id"]))] = one
        whole = _as_bytes(one, place.token)
        # Half of them send everything and do not wait for the answer.
        cut = chance.choice((chance.randrange(1, len(whole)), len(whole)))
        with socket.create_connection(("127.0.0.1", place.server.port), 10) as raw:
            raw.sendall(whole[:cut])
            if chance.random() < 0.5:
                # The connection is reset, not closed in order.
                raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            time.sleep(chance.uniform(0, 0.01))
        again = place.send(one)
        assert again.status in (200, 201), again.text
        if cut < len(whole):
            assert again.status == 201, "half a request was taken for a whole one"
        account.note(one, again)
    return account


def _as_bytes(one: dict[str, object], token: str) -> bytes:
    body = json.dumps(one).encode()
    head = (
        "POST /api/v1/defects HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        f"Authorization: Bearer {token}\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def write_the_same(place: Place, chance: random.Random) -> Account:
    """Several clients send the same entries at once to two processes: each is new for one only."""
    account = Account()
    place.accounts.append(account)
    entries = [entry(chance.randrange(10_000)) for _ in range(4)]
    answers: list[tuple[str, int]] = []
    start = threading.Barrier(4)

    def send_all() -> None:
        mine = [*entries]
        random.Random(threading.get_ident()).shuffle(mine)
        start.wait(30)
        for one in mine:
            answer = place.send(one)
            account.note(one, answer)
            answers.append((str(one["id"]), answer.status))

    for one in entries:
        account.sent[uuid.UUID(str(one["id"]))] = one
    clients = [threading.Thread(target=send_all) for _ in range(4)]
    for client in clients:
        client.start()
    for client in clients:
        client.join(60)
    for one in entries:
        got = sorted(status for name, status in answers if name == one["id"])
        assert got == [200, 200, 200, 201], got
    return account


def until(is_so: Callable[[], bool]) -> None:
    """Wait until something is so, for a minute at most."""
    give_up_at = time.monotonic() + 60
    while not is_so():
        assert time.monotonic() < give_up_at, "it does not happen"
        time.sleep(0.05)
