"""A broker that does only what a test tells it: for answers that real ones seldom give."""

import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

# Packets of MQTT 5 as they stand on the wire.
CONNECTED = bytes.fromhex("20 03 00 00 00")
SUBSCRIBED = bytes.fromhex("90 04 00 01 00 01")
TAKEN_OVER = bytes.fromhex("e0 02 8e 00")


def refused(reason: int) -> bytes:
    """A CONNACK with a reason of MQTT 5, table 3-1."""
    return bytes([0x20, 3, 0, reason, 0])


@contextmanager
def answering(answers: Sequence[bytes]) -> Iterator[tuple[int, list[int]]]:
    """A broker that answers each packet with the next of `answers` and then ends the connection.

    Yields:
        Its port, and a list that grows by one for each connection.
    """
    listener = socket.create_server(("127.0.0.1", 0))
    connections: list[int] = []

    def serve() -> None:
        while True:
            try:
                client, _address = listener.accept()
            except OSError:
                return
            connections.append(1)
            with client:
                for answer in answers:
                    if not client.recv(4096):
                        break
                    client.sendall(answer)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1], connections
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(10)
