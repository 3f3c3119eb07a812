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


def stop_once() -> None:
    """Be a server that is asked to stop: its worker is told some time before it stops."""
    between = _stopped_after_telling(signals=1)
    sys.exit(0 if between is not None and between > LAST_CALL_SECONDS / 2 else 1)


def stop_twice() -> None:
    """Be a server that is asked to stop again: it does not wait any longer."""
    asked_at = time.monotonic()
    _stopped_after_telling(signals=2)
    sys.exit(0 if time.monotonic() - asked_at < LAST_CALL_SECONDS else 1)


def _stopped_after_telling(signals: int) -> float | None:
    """Seconds from the worker's last call to the server's own handler; None if it was not told."""
    stopped: list[float] = []
    signal.signal(signal.SIGTERM, lambda _number, _frame: stopped.append(time.monotonic()))
    give_last_call()
    forked = multiprocessing.get_context("fork")
    ready, told = forked.Event(), forked.Event()
    worker = forked.Process(target=_wait_to_be_told, args=(ready, told))
    worker.start()
    ready.wait(PATIENCE_SECONDS)
    for _number in range(signals):
        os.kill(os.getpid(), signal.SIGTERM)
    was_told = told.wait(PATIENCE_SECONDS)
    told_at = time.monotonic()
    while not stopped:
        time.sleep(0.01)
    worker.kill()
    return stopped[0] - told_at if was_told else None


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
