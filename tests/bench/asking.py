"""Clients in closed loops: each sends the next request when the last one is answered.

All share one process and one thread that waits for whichever answers first, so that asking costs
little beside answering. Connections are kept open, as a program's are.
"""

import multiprocessing
import selectors
import socket
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import quantiles

_HEAD_END = b"\r\n\r\n"
_LENGTH = b"content-length:"


@dataclass(frozen=True)
class Asked:
    """What came of it.

    Attributes:
        seconds: that were timed.
        statuses: how many answers of each status within them.
        milliseconds: each of those answers took.
        bytes_each: of the last answer's body.
    """

    seconds: float
    statuses: Counter[int]
    milliseconds: Sequence[float]
    bytes_each: int

    @property
    def rate(self) -> float:
        """Answers per second."""
        return sum(self.statuses.values()) / self.seconds

    def percentile(self, place: int) -> float:
        """Milliseconds within which so many in a hundred were answered."""
        return quantiles(self.milliseconds, n=100)[place - 1]


class _Client:
    """One connection and what it waits for."""

    def __init__(self, port: int, requests: Callable[[], bytes]) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._requests = requests
        self._came = bytearray()
        self.sent_at = 0.0
        self.length = 0

    def send(self) -> None:
        """Send the next request."""
        self._came.clear()
        self.sent_at = time.perf_counter()
        self.socket.sendall(self._requests())

    def receive(self) -> int | None:
        """Take in what came; the status once the answer is whole."""
        piece = self.socket.recv(1 << 18)
        if not piece:
            raise ConnectionError("the server has closed a connection that was to be kept")
        self._came += piece
        head_end = self._came.find(_HEAD_END)
        if head_end < 0:
            return None
        head = bytes(self._came[:head_end]).lower()
        at = head.find(_LENGTH)
        if at < 0:
            raise ValueError("the answer does not say how long it is")
        self.length = int(head[at + len(_LENGTH) :].split(b"\r\n", 1)[0])
        if len(self._came) < head_end + len(_HEAD_END) + self.length:
            return None
        return int(head[9:12])


def ask_in_loops(
    port: int, clients: int, requests: Callable[[], bytes], seconds: float, warm_s: float
) -> Asked:
    """Let so many clients ask for so long, in this process.

    Args:
        port: of the server on this machine.
        clients: how many at once.
        requests: makes the bytes of the next request.
        seconds: that are timed.
        warm_s: before them, so that every worker has loaded what it needs.
    """
    all_of_them = [_Client(port, requests) for _ in range(clients)]
    statuses: Counter[int] = Counter()
    times: list[float] = []
    with selectors.DefaultSelector() as waiting:
        for client in all_of_them:
            waiting.register(client.socket, selectors.EVENT_READ, client)
            client.send()
        begins = time.perf_counter() + warm_s
        ends = begins + seconds
        while (present := time.perf_counter()) < ends:
            for key, _events in waiting.select(ends - present):
                client = key.data
                status = client.receive()
                if status is None:
                    continue
                moment = time.perf_counter()
                if begins <= moment < ends:
                    statuses[status] += 1
                    times.append(1000 * (moment - client.sent_at))
                client.send()
        length = all_of_them[0].length
    # What is still under way is waited for, so that it does not fall into what comes next.
    for client in all_of_them:
        while client.receive() is None:
            pass
        client.socket.close()
    return Asked(seconds, statuses, times, length)


def ask_from_elsewhere(
    make: Callable[..., Callable[[], bytes]],
    arguments: Sequence[object],
    port: int,
    clients: int,
    seconds: float,
    warm_s: float = 1.0,
) -> Asked:
    """As `ask_in_loops`, in a process of its own; `make(*arguments)` makes the requests there."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(_asked, (make, tuple(arguments), port, clients, seconds, warm_s))


def _asked(
    make: Callable[..., Callable[[], bytes]],
    arguments: tuple[object, ...],
    port: int,
    clients: int,
    seconds: float,
    warm_s: float,
) -> Asked:
    return ask_in_loops(port, clients, make(*arguments), seconds, warm_s)
