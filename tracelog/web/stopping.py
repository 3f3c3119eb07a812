"""Stopping the server in order: nobody new is let in, and whoever was let in is answered.

A server that simply stops listening cuts off whoever had just connected: the system had let them
in, but no worker had read a word of theirs. So the workers are told first that the last call has
come. They let in whoever stands at the door already and nobody new, and only then, when what those
send has arrived, are they asked to stop.
"""

import ctypes
import errno
import multiprocessing
import os
import signal
import socket
import stat
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any

# So long do workers go on to let in and to read, after nobody new can come.
LAST_CALL_SECONDS = 1.0
_CALLS = 10
# How often, and from how long after a signal on, a worker's first thread is woken.
_WAKINGS, _WAKING_SECONDS = 20, 0.05
# What the socket filter of Linux looks at and gives (linux/filter.h): the 14th byte of a segment of
# TCP holds its flags (RFC 9293, section 3.1); SYN without ACK asks for a new connection.
_FILTER = (
    (0x30, 0, 0, 13),  # load the byte of flags
    (0x54, 0, 0, 0x12),  # keep SYN and ACK of it
    (0x15, 0, 1, 0x02),  # SYN alone?
    (0x06, 0, 0, 0),  # then drop it
    (0x06, 0, 0, 0xFFFFFFFF),  # else let it pass whole
)
_SO_ATTACH_FILTER = 26

Handler = Callable[[int, FrameType | None], Any]


class _Instruction(ctypes.Structure):
    _fields_ = (
        ("code", ctypes.c_uint16),
        ("if_true", ctypes.c_uint8),
        ("if_false", ctypes.c_uint8),
        ("value", ctypes.c_uint32),
    )


class _Program(ctypes.Structure):
    _fields_ = (("length", ctypes.c_uint16), ("first", ctypes.POINTER(_Instruction)))


def give_last_call() -> None:
    """Let a signal to stop reach the workers as a last call first; a second one stops at once.

    To be called in the process that starts the workers, when it has its own handlers and before
    it starts them.
    """
    if sys.platform == "win32":
        return
    # A worker that does not heed it yet is not ended by it.
    signal.signal(signal.SIGUSR1, signal.SIG_IGN)
    server = os.getpid()
    for name in (signal.SIGTERM, signal.SIGINT):
        stop = signal.getsignal(name)
        if callable(stop):
            signal.signal(name, _after_last_call(stop, server))


def _after_last_call(stop: Handler, server: int) -> Handler:
    called = threading.Event()

    def begin(number: int, frame: FrameType | None) -> None:
        if os.getpid() != server:
            # A fork that is still loading has this handler too, and has answered nobody yet.
            signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)
        elif called.is_set():
            stop(number, frame)
        else:
            called.set()
            threading.Thread(target=call, args=(number, frame), daemon=True).start()

    def call(number: int, frame: FrameType | None) -> None:
        # Again and again, since a worker may only just have begun to listen.
        for _again in range(_CALLS):
            for worker in filter(None, (one.pid for one in multiprocessing.active_children())):
                with suppress(ProcessLookupError):
                    os.kill(worker, signal.SIGUSR1)
            time.sleep(LAST_CALL_SECONDS / _CALLS)
        stop(number, frame)

    return begin


def heed_last_call() -> None:
    """Let a worker close its doors at the last call, and never sleep through a signal.

    Python runs its handlers in the first thread, and a signal that comes in the moment before that
    thread goes to sleep does not wake it; a worker would go on until it is killed, with whoever it
    had let in. Each signal is therefore also written to a socket, which a thread of its own reads.
    A terminal sends its signals to a whole group of processes, so the worker leaves the group: it
    hears of Ctrl-C from the server, after the last call.
    """
    if sys.platform == "win32" or multiprocessing.parent_process() is None:
        return
    os.setpgid(0, 0)
    reading, writing = socket.socketpair()
    writing.setblocking(False)  # noqa: FBT003 - it takes no name
    signal.signal(signal.SIGUSR1, lambda _number, _frame: None)
    # Both ends stay open as long as the process: the thread holds one, and the other is let go.
    signal.set_wakeup_fd(writing.detach(), warn_on_full_buffer=False)
    first = threading.get_ident()
    threading.Thread(target=_watch, args=(reading, first), name="last-call", daemon=True).start()


def _watch(signals: socket.socket, first_thread: int) -> None:
    while numbers := signals.recv(64):
        if any(number != signal.SIGUSR1 for number in numbers):
            for _again in range(_WAKINGS):
                time.sleep(_WAKING_SECONDS)
                signal.pthread_kill(first_thread, signal.SIGUSR1)
        elif sys.platform == "linux":
            close_doors(listening_sockets())


def close_doors(doors: Iterable[socket.socket]) -> None:
    """Let nobody new connect to listening sockets; all others pass.

    A client that knocks now is not answered, tries again after a second, and finds nobody.

    Raises:
        OSError: the system has no such filters.
    """
    program = (_Instruction * len(_FILTER))(*[_Instruction(*one) for one in _FILTER])
    told = bytes(_Program(len(_FILTER), program))
    for door in doors:
        door.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, told)


def listening_sockets() -> Iterator[socket.socket]:
    """Those of this process, one after the other; each is a copy that is closed after its turn."""
    for entry in Path("/proc/self/fd").iterdir():
        number = int(entry.name)
        try:
            if not stat.S_ISSOCK(os.fstat(number).st_mode):
                continue
            one = socket.socket(fileno=os.dup(number))
        except OSError as problem:
            # Closed since it was listed.
            if problem.errno == errno.EBADF:
                continue
            raise
        with one:
            if one.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN):
                yield one
