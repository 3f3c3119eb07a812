"""At the last call who stands at the door is let in, nobody new is; no signal is slept through."""

import socket
import sys
import time
from collections.abc import Callable, Iterator

import pytest

from tests.support import last_call
from tests.support.command import forks
from tracelog.web.stopping import LAST_CALL_SECONDS, close_doors, listening_sockets

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="such filters are of Linux alone")


@pytest.fixture
def door() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(last_call.PATIENCE_SECONDS)
        yield listening


def _knock(door: socket.socket, timeout: float = last_call.PATIENCE_SECONDS) -> socket.socket:
    return socket.create_connection(door.getsockname(), timeout=timeout)


def test_who_waits_to_be_let_in_when_the_door_closes_is_let_in(door: socket.socket) -> None:
    with _knock(door) as client:
        close_doors([door])
        client.sendall(b"log it")
        worker, _address = door.accept()
        with worker:
            assert worker.recv(100) == b"log it"
            worker.sendall(b"kept")
        assert client.recv(100) == b"kept"


def test_who_is_connected_when_the_door_closes_goes_on(door: socket.socket) -> None:
    with _knock(door) as client:
        worker, _address = door.accept()
        with worker:
            close_doors([door])
            for word in (b"one", b"two"):
                client.sendall(word)
                assert worker.recv(100) == word


def test_nobody_new_connects_when_the_door_is_closed(door: socket.socket) -> None:
    close_doors([door, door])
    with pytest.raises(TimeoutError):
        _knock(door, timeout=0.3)


def test_doors_are_the_listening_sockets_and_no_others(door: socket.socket) -> None:
    with _knock(door) as client, socket.socket() as idle:
        found = [one.getsockname() for one in listening_sockets()]
        assert found.count(door.getsockname()) == 1
        assert client.getsockname() not in found
        assert idle.getsockname() not in found
    # Copies are closed again: the door itself is still open.
    with _knock(door):
        door.accept()[0].close()


def _run(target: Callable[[], None]) -> tuple[int | None, float]:
    """Exit status, and seconds, of a process that is started as the server's are."""
    started_at = time.monotonic()
    process = forks().Process(target=target)
    process.start()
    process.join(last_call.PATIENCE_SECONDS)
    took = time.monotonic() - started_at
    if process.exitcode is None:
        process.kill()
    return process.exitcode, took


def test_a_signal_that_does_not_wake_the_first_thread_ends_a_worker() -> None:
    assert _run(last_call.end_at_a_signal_that_wakes_nobody)[0] == 0


def test_a_worker_closes_its_doors_at_the_last_call() -> None:
    assert _run(last_call.close_at_the_last_call)[0] == 0


def test_a_worker_leaves_the_signals_of_the_terminal_to_the_server() -> None:
    assert _run(last_call.leave_signals_of_the_terminal_to_the_server)[0] == 0


def test_the_server_gives_the_last_call_before_it_stops() -> None:
    status, took = _run(last_call.stop_once)
    assert status == 0
    assert took >= LAST_CALL_SECONDS


def test_a_second_signal_stops_the_server_at_once() -> None:
    assert _run(last_call.stop_twice)[0] == 0


def test_a_worker_that_is_still_loading_ends_at_a_signal() -> None:
    assert _run(last_call.end_while_loading)[0] == 0
