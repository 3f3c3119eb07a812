"""Whatever breaks in the middle, no stroke is lost: collector, server or database."""

import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.intake.collecting import Heard, until
from tests.intake.conftest import Run
from tests.intake.following import (
    check_total,
    figures,
    following,
    jumps,
    mapped,
    node,
    until_shown,
    write_map,
)
from tests.intake.test_collect_mqtt_interrupted import away
from tests.support.command import Command
from tests.support.opcua_server import OpcuaServer
from tracelog.errors import TracelogError
from tracelog.intake import opcua_collector, opcua_link
from tracelog.intake.opcua_map import Mode

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the server of the tests forks")
on_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
ONE = mapped({1: node(1)})


@pytest.fixture
def server() -> Iterator[OpcuaServer]:
    server = OpcuaServer({"c1": 1000})
    yield server
    server.close()
    assert not server.writes


def halt_and_see(plant: Engine, server: OpcuaServer) -> None:
    """Let the counter stand, and wait until its last figure is on record."""
    server.halt("c1")
    until_shown(plant, 1, server.look()["shown"]["c1"])


@on_sqlite
@pytest.mark.parametrize("mode", list(Mode))
def test_a_server_that_is_started_again_is_followed_again(
    plant: Engine, server: OpcuaServer, mode: Mode
) -> None:
    with following(plant, server.url, mapped({1: node(1)}, mode=mode)) as running:
        server.count("c1", every=0.01)
        until(lambda: len(figures(plant, 1)) >= 3)
        server.die()
        # The machine runs on while its server is away.
        server.start()
        server.show("c1", server.look()["shown"]["c1"] + 50, made=50)
        server.count("c1", every=0.01)
        seen = len(figures(plant, 1))
        until(lambda: len(figures(plant, 1)) >= seen + 3)
        halt_and_see(plant, server)
        running.stop()
    last = server.look()["shown"]["c1"]
    assert check_total(plant, server, 1) == last - figures(plant, 1)[0][1]
    assert not jumps(plant)


@on_sqlite
def test_a_server_that_is_not_there_yet_is_waited_for(plant: Engine, server: OpcuaServer) -> None:
    server.die()
    waiting = Heard("it is tried again")
    with following(plant, server.url, ONE) as running:
        until(waiting)
        server.start()
        until(lambda: figures(plant, 1))
        running.stop()
    waiting.close()
    with following(plant, server.url, ONE, once=True) as running:
        server.die()
        with pytest.raises(TracelogError, match="cannot be reached"):
            running.end()


def test_a_collector_that_is_killed_goes_on_with_the_exact_total(
    plant: Engine, server: OpcuaServer, command: Command, run: Run, tmp_path: Path
) -> None:
    server.count("c1", every=0.01)
    running = command.start(
        "collect", "--opcua", server.url, "--map", write_map(tmp_path / "map.toml", [1])
    )
    try:
        until(lambda: len(figures(plant, 1)) >= 4)
    finally:
        running.send_signal(signal.SIGKILL)
        running.communicate()
    assert running.returncode == -signal.SIGKILL
    with following(plant, server.url, ONE) as last:
        halt_and_see(plant, server)
        last.stop()
    made = check_total(plant, server, 1)
    assert made == server.look()["shown"]["c1"] - figures(plant, 1)[0][1]
    assert not jumps(plant)
    run("check")


# A cursor whose connection was killed under it cannot be closed, and says so.
@pytest.mark.filterwarnings("ignore:.*ServerCursorMixin:pytest.PytestUnraisableExceptionWarning")
def test_a_database_that_goes_away_is_waited_for_and_no_stroke_is_lost(
    plant: Engine, server: OpcuaServer
) -> None:
    gone, back = Heard("the database cannot take"), Heard("the database takes readings again")
    with following(plant, server.url, ONE) as running:
        until(lambda: figures(plant, 1))
        # Slowly enough for every figure to be told.
        server.count("c1", every=0.05)
        with away(plant):
            until(gone)
            before = server.look()["shown"]["c1"]
            # A reset that happens meanwhile is seen all the same.
            time.sleep(0.5)
            server.show("c1", 0)
            time.sleep(0.5)
        until(back)
        halt_and_see(plant, server)
        running.stop()
    gone.close()
    back.close()
    ((high, low),) = jumps(plant)
    assert high >= before
    assert low <= 1
    assert check_total(plant, server, 1) == (high - 1000) + server.look()["shown"]["c1"]


@on_sqlite
def test_a_stop_while_the_database_is_away_says_what_is_missing(
    plant: Engine, server: OpcuaServer
) -> None:
    gone = Heard("the database cannot take")
    with following(plant, server.url, ONE) as running:
        until(lambda: figures(plant, 1))
        with away(plant):
            server.show("c1", 1200, made=200)
            until(gone)
            with pytest.raises(TracelogError, match="readings could not be written before the end"):
                running.stop()
    gone.close()
    with following(plant, server.url, ONE) as running:
        until_shown(plant, 1, 1200)
        running.stop()
    assert check_total(plant, server, 1) == 200


@on_sqlite
def test_a_server_that_tells_no_more_is_connected_anew(
    plant: Engine, server: OpcuaServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opcua_collector, "LONGEST_UNTOLD_SECONDS", 1.0)
    untold = Heard("c1 changes and nothing is told of it")
    with following(plant, server.url, ONE) as running:
        until(lambda: figures(plant, 1))
        server.hush("c1", 1009)
        until_shown(plant, 1, 1009)
        running.stop()
    assert untold()
    untold.close()
    assert {strokes for _at, strokes in figures(plant, 1)} == {1000, 1009}


@on_sqlite
def test_a_stop_writes_what_is_held(plant: Engine, server: OpcuaServer) -> None:
    with following(plant, server.url, mapped({1: node(1)}, every_seconds=600)) as running:
        until(lambda: figures(plant, 1))
        server.show("c1", 1007, made=7)
        # It is told to the collector within a second, long before the interval ends.
        time.sleep(1.5)
        assert len(figures(plant, 1)) == 1
        running.stop()
    assert [strokes for _at, strokes in figures(plant, 1)] == [1000, 1007]


@contextmanager
def answering(answer: bytes) -> Iterator[tuple[str, list[float]]]:
    """Something that is no server of OPC UA; its address, and when it was called."""
    listening = socket.create_server(("127.0.0.1", 0))
    listening.settimeout(0.1)
    calls: list[float] = []
    over = threading.Event()

    def serve() -> None:
        while not over.is_set():
            try:
                link, _address = listening.accept()
            except TimeoutError:
                continue
            calls.append(time.monotonic())
            with link:
                link.sendall(answer)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield f"opc.tcp://127.0.0.1:{listening.getsockname()[1]}", calls
    finally:
        over.set()
        thread.join()
        listening.close()


@on_sqlite
@pytest.mark.parametrize(
    "answer", [b"", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"ACKF\xff\xff\xff\xff" + b"\0" * 20]
)
def test_what_is_no_server_is_neither_stormed_nor_trusted(
    plant: Engine, answer: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opcua_link, "ANSWER_SECONDS", 1.0)
    told = Heard("it is tried again")
    with answering(answer) as (url, calls), following(plant, url, ONE) as running:
        until(lambda: len(calls) >= 2)
        assert told()
        assert calls[1] - calls[0] >= 0.5
        running.stop()
    told.close()
    assert not figures(plant, 1)
