"""A network between browser and server that can be cut: before a request, or after the answer."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from enum import StrEnum

PIECE = 65_536


class Network(StrEnum):
    """How it is just now.

    `ANSWERS_LOST`: what matches `CuttableNetwork.loses` reaches the server and is worked off, and
    its answer never comes back.
    """

    UP = "up"
    DOWN = "down"
    ANSWERS_LOST = "answers lost"


class CuttableNetwork:
    """Passes connections on to a server of this machine, until it is told not to.

    Attributes:
        state: how the network is.
        loses: first bytes of the requests whose answers are lost.
        lost: how many answers were lost.
    """

    def __init__(self, port: int) -> None:
        self._to = ("127.0.0.1", port)
        self.state = Network.UP
        self.loses = b"POST /log/queued"
        self.lost = 0
        self._open: set[socket.socket] = set()
        self._listening = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.url = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def cut(self) -> None:
        """Cut it: what is on its way does not arrive, and nothing can be reached."""
        self.state = Network.DOWN
        for one in list(self._open):
            _shut(one)

    def mend(self) -> None:
        """All is well again."""
        self.state = Network.UP

    def lose_answers(self) -> None:
        """From now on the server gets everything, and answers to some of it are lost."""
        self.state = Network.ANSWERS_LOST

    def close(self) -> None:
        """End it."""
        self.state = Network.DOWN
        _shut(self._listening)
        self.cut()
        self._accepting.join(5)

    def _accept(self) -> None:
        while True:
            try:
                come, _address = self._listening.accept()
            except OSError:
                return
            if self.state is Network.DOWN:
                _shut(come)
            else:
                threading.Thread(target=self._pass_on, args=[come], daemon=True).start()

    def _pass_on(self, come: socket.socket) -> None:
        try:
            gone = socket.create_connection(self._to)
        except OSError:
            _shut(come)
            return
        self._open.update((come, gone))
        first = b""
        with suppress(OSError):
            first = come.recv(PIECE)
            gone.sendall(first)
        answering = threading.Thread(target=self._answer, args=[gone, come, first], daemon=True)
        answering.start()
        with suppress(OSError):
            while piece := come.recv(PIECE):
                gone.sendall(piece)
            gone.shutdown(socket.SHUT_WR)
        answering.join()
        for one in (come, gone):
            self._open.discard(one)
            _shut(one)

    def _answer(self, gone: socket.socket, come: socket.socket, first: bytes) -> None:
        with suppress(OSError):
            while piece := gone.recv(PIECE):
                if self.state is Network.ANSWERS_LOST and first.startswith(self.loses):
                    # The server has worked it off by now.
                    self.lost += 1
                    break
                come.sendall(piece)
        _shut(come)


def _shut(one: socket.socket) -> None:
    with suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    with suppress(OSError):
        one.close()


@contextmanager
def cuttable_network(url: str) -> Iterator[CuttableNetwork]:
    """A network to the server at that address; visit it at `CuttableNetwork.url`."""
    network = CuttableNetwork(int(url.rsplit(":", 1)[1]))
    try:
        yield network
    finally:
        network.close()
