"""What is sent with a request is there as a whole, within a time, before anybody's turn begins.

The server itself waits for a body as long as the other side likes, and cannot be told to stop
(granian 2.8: its own limit is for headers only). So bodies are read here first, outside of the
turns (`tracelog.web.turns`): only so many at once, only so many of one address, and each has a time
that follows from its length. When that is over the connections of that address are closed. A body
that ends too early never reaches a page, so that half a form is never taken for a whole one.
"""

import contextlib
import io
import itertools
import os
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from tracelog.language import _

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

# A photo of 5 MB over poor Wi-Fi is there within two minutes.
SHORTEST_TIME_S = 20.0
SLOWEST_BYTES_PER_S = 50_000
AT_ONCE = 24
AT_ONCE_OF_ONE = 8
_LOOK_EVERY_S = 1.0
Refuse = Callable[["WSGIEnvironment", int, str], "WSGIApplication"]


class Arrivals:
    """The bodies that are under way in one process.

    Args:
        at_once: how many may be.
        at_once_of_one: how many may come from one network address.
        shortest_time_s: what each has, besides the time for its length.
        close: closes the connections of an address.
    """

    def __init__(
        self,
        at_once: int = AT_ONCE,
        at_once_of_one: int = AT_ONCE_OF_ONE,
        shortest_time_s: float = SHORTEST_TIME_S,
        close: Callable[[str], None] | None = None,
    ) -> None:
        self._at_once = at_once
        self._at_once_of_one = at_once_of_one
        self._shortest_time_s = shortest_time_s
        self._close = close or close_connections
        self._lock = threading.Lock()
        self._numbers = itertools.count()
        self._ends: dict[int, tuple[str, float]] = {}
        self._is_watched = False

    @classmethod
    def behind_proxies(cls) -> "Arrivals":
        """What a proxy of ours hands on: all is of its address, and it limits the time."""
        return cls(at_once_of_one=AT_ONCE, close=lambda _address: None)

    @contextlib.contextmanager
    def one_more(self, address: str, length: int) -> Iterator[bool]:
        """Whether another body of so many bytes may come in; it ends with the context."""
        number = next(self._numbers)
        with self._lock:
            own = sum(1 for one, _end in self._ends.values() if one == address)
            is_let = len(self._ends) < self._at_once and own < self._at_once_of_one
            if is_let:
                time_s = self._shortest_time_s + length / SLOWEST_BYTES_PER_S
                self._ends[number] = (address, time.monotonic() + time_s)
                self._watch()
        try:
            yield is_let
        finally:
            with self._lock:
                self._ends.pop(number, None)

    def _watch(self) -> None:
        # Started by the first body, so that a process that was forked has one of its own.
        if not self._is_watched:
            self._is_watched = True
            threading.Thread(target=self._end_late_ones, name="bodies", daemon=True).start()

    def _end_late_ones(self) -> None:
        while True:
            time.sleep(min(_LOOK_EVERY_S, self._shortest_time_s))
            present = time.monotonic()
            with self._lock:
                late = {address for address, end in self._ends.values() if end < present}
            for address in late:
                self._close(address)


def close_connections(address: str) -> None:
    """Close every connection of this process to a network address.

    Which of them is late the server does not say. Where open files cannot be listed (Windows)
    nothing happens.
    """
    with contextlib.suppress(OSError):
        for opened in Path("/dev/fd").iterdir():
            # Some are closed meanwhile, and not every socket has another side.
            with contextlib.suppress(OSError, ValueError):
                if stat.S_ISSOCK(os.fstat(int(opened.name)).st_mode):
                    with socket.socket(fileno=os.dup(int(opened.name))) as one:
                        if one.getpeername()[:1] == (address,):
                            one.shutdown(socket.SHUT_RDWR)


def whole_bodies(
    answer: "WSGIApplication", refuse: Refuse, arrivals: Arrivals, most_bytes: int
) -> "WSGIApplication":
    """An application that is asked only when all that was sent with a request is there.

    Args:
        answer: the application.
        refuse: makes of a request, a status and a sentence the answer to what is not read.
        arrivals: of this process.
        most_bytes: what says that it is larger is not read; the application refuses it.
    """

    def answer_whole(
        environ: "WSGIEnvironment", start_response: "StartResponse"
    ) -> Iterable[bytes]:
        if "HTTP_TRANSFER_ENCODING" in environ:
            # Where such a body was cut off cannot be told from its end.
            why = _("Say how long it is with Content-Length; a body in parts is not read here.")
            return refuse(environ, 411, why)(environ, start_response)
        length = _length(environ.get("CONTENT_LENGTH"))
        if not 0 < length <= most_bytes:
            return answer(environ, start_response)
        with arrivals.one_more(environ.get("REMOTE_ADDR", ""), length) as is_let:
            body = environ["wsgi.input"].read(length) if is_let else b""
        if not is_let:
            why = _("More is being sent just now than can be read. Nothing was kept; try again.")
            return refuse(environ, 503, why)(environ, start_response)
        if len(body) < length:
            why = _("What was sent did not arrive as a whole. Nothing was kept; send it again.")
            return refuse(environ, 408, why)(environ, start_response)
        return answer(environ | {"wsgi.input": io.BytesIO(body)}, start_response)

    return answer_whole


def _length(text: str | None) -> int:
    """How many bytes a request says that it sends; 0 where that is no number."""
    return int(text) if text and text.isascii() and text.isdigit() else 0
