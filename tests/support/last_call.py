"""What processes do that try the last call: each ends with status 0 if it did as it should."""

import multiprocessing
import os
import signal
import socket
import sys
import threading
import time
from multiprocessing.synchronize import Event

from tracelog.web.stopping import LAST_CALL_SECONDS, give_last_call, heed_last_call

PATIENCE_SECONDS = 30.0


def end_at_a_signal_that_wakes_nobody() -> None:
    """Be a worker whose first thread sleeps while another one gets the signal to stop."""
    ended = threading.Event()
    heed_last_call()
    signal.signal(signal.SIGTERM, lambda _number, _frame: ended.set())

    def send() -> None:
        time.sleep(0.2)
        # Delivered to this thread, it does not interrupt the first one, which runs its handler.
        signal.pthread_kill(threading.get_ident(), signal.SIGTERM)

    threading.Thread(target=send, daemon=True).start()
    ended.wait()


def close_at_the_last_call() -> None:
    """Be a worker that listens, is given the last call, and lets nobody in any more."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        heed_last_call()
        socket.create_connection(door.getsockname(), timeout=PATIENCE_SECONDS).close()
        os.kill(os.getpid(), signal.SIGUSR1)
        give_up_at = time.monotonic() + PATIENCE_SECONDS / 2
        while time.monotonic() < give_up_at:
            try:
                socket.create_connection(door.getsockname(), timeout=0.2).close()
            except TimeoutError:
                return
    sys.exit("it still lets people in")


def leave_signals_of_the_terminal_to_the_server() -> None:
    """Be a server in a group of its own, whose whole group gets the signal of Ctrl-C."""
    os.setpgid(0, 0)
    forked = multiprocessing.get_context("fork")
    heard, ready = threading.Event(), forked.Event()
    signal.signal(signal.SIGINT, lambda _number, _frame: heard.set())
    worker = forked.Process(target=_heed_and_end_by_an_interrupt, args=(ready,))
    worker.start()
    ready.wait(PATIENCE_SECONDS)
    os.killpg(os.getpid(), signal.SIGINT)
    worker.join(1.0)
    still_there = worker.is_alive()
    worker.kill()
    sys.exit(0 if heard.is_set() and still_there else 1)


def _heed_and_end_by_an_interrupt(ready: Event) -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    heed_last_call()
    ready.set()
    time.sleep(PATIENCE_SECONDS)


def stop_once() -> None:
    """Be a server that is asked to stop: its worker has been told when, a while later, it stops."""
    forked = multiprocessing.get_context("fork")
    ready, told = forked.Event(), forked.Event()
    stopped: list[tuple[float, bool]] = []

    def stop(_number: int, _frame: object) -> None:
        stopped.append((time.monotonic(), told.is_set()))

    signal.signal(signal.SIGTERM, stop)
    give_last_call()
    worker = forked.Process(target=_wait_to_be_told, args=(ready, told))
    worker.start()
    ready.wait(PATIENCE_SECONDS)
    asked_at = time.monotonic()
    os.kill(os.getpid(), signal.SIGTERM)
    while not stopped:
        time.sleep(0.01)
    worker.kill()
    stopped_at, was_told = stopped[0]
    sys.exit(0 if was_told and stopped_at - asked_at >= LAST_CALL_SECONDS else 1)


def stop_twice() -> None:
    """Be a server that is asked to stop again: it does not wait any longer."""
    stopped = threading.Event()
    signal.signal(signal.SIGTERM, lambda _number, _frame: stopped.set())
    give_last_call()
    for _again in range(2):
        assert not stopped.is_set()
        os.kill(os.getpid(), signal.SIGTERM)
    # Handlers have run when the signal to oneself is sent: nothing is waited for.
    sys.exit(0 if stopped.is_set() else 1)


def _wait_to_be_told(ready: Event, told: Event) -> None:
    signal.signal(signal.SIGUSR1, lambda _number, _frame: told.set())
    ready.set()
    while True:
        signal.pause()


def end_while_loading() -> None:
    """Be a server whose worker, forked with its handlers, gets a signal before it has its own."""
    signal.signal(signal.SIGTERM, _do_nothing)
    give_last_call()
    worker = multiprocessing.get_context("fork").Process(target=_send_itself_a_signal)
    worker.start()
    worker.join(PATIENCE_SECONDS)
    sys.exit(0 if worker.exitcode == -signal.SIGTERM else 1)


def _send_itself_a_signal() -> None:
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(PATIENCE_SECONDS)


def _do_nothing(_number: int, _frame: object) -> None:
    """Note the signal for nobody."""
