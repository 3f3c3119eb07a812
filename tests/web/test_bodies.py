"""What is sent slowly, in parts, cut off or by too many at once holds nobody else up."""

import io
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from tests.support import tree
from tracelog.web.bodies import Arrivals, whole_bodies

# The shipped server around an application that answers with what it was sent.
SERVER = """
import sys
from granian import Granian
from granian.constants import HTTPModes, Interfaces
from granian.http import HTTP1Settings
Granian(
    "tests.web.test_bodies:slow_site", factory=True, port=int(sys.argv[1]), workers=1,
    interface=Interfaces.WSGI, blocking_threads=8, websockets=False, log_enabled=False,
    http=HTTPModes.http1, http1_settings=HTTP1Settings(header_read_timeout=1000),
).serve()
"""
Answer = tuple[str, bytes]


def _echo(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    start_response("200 OK", [])
    return [environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))]


def _refused(_environ: object, status: int, _sentence: str) -> Any:
    def answer(_environ: object, start_response: Callable[..., Any]) -> Iterable[bytes]:
        start_response(f"{status} refused", [])
        return [b""]

    return answer


def slow_site() -> Any:
    """An application whose bodies have half a second."""
    return whole_bodies(_echo, _refused, Arrivals(shortest_time_s=0.5), 1000)


def _ask(site: Any, body: bytes = b"", **environ: Any) -> Answer:
    told: list[str] = []
    asked = {"wsgi.input": io.BytesIO(body), "CONTENT_LENGTH": str(len(body))} | environ
    answer = b"".join(site(asked, lambda status, _headers: told.append(status)))
    return told[0][:3], answer


def test_only_a_body_that_is_there_as_a_whole_reaches_the_pages() -> None:
    site = slow_site()
    assert _ask(site, b"name=olga") == ("200", b"name=olga")
    assert _ask(site) == ("200", b"")
    assert _ask(site, b"name=ol", CONTENT_LENGTH="9")[0] == "408"
    assert _ask(site, b"name=olga", HTTP_TRANSFER_ENCODING="chunked")[0] == "411"
    # Larger than is read here: the application itself says so, from the length alone.
    assert _ask(site, b"x" * 10, CONTENT_LENGTH="1001") == ("200", b"x" * 10)
    assert _ask(site, b"", CONTENT_LENGTH="-1")[0] == "200"


def test_one_address_cannot_take_every_place() -> None:
    arrivals = Arrivals(at_once=3, at_once_of_one=2, close=lambda _address: None)
    site = whole_bodies(_echo, _refused, arrivals, 1000)
    with arrivals.one_more("10.0.0.1", 1), arrivals.one_more("10.0.0.1", 1):
        assert _ask(site, b"a", REMOTE_ADDR="10.0.0.1")[0] == "503"
        assert _ask(site, b"a", REMOTE_ADDR="10.0.0.2")[0] == "200"
        with arrivals.one_more("10.0.0.2", 1) as is_let:
            assert is_let
            assert _ask(site, b"a", REMOTE_ADDR="10.0.0.3")[0] == "503"
    assert _ask(site, b"a", REMOTE_ADDR="10.0.0.1")[0] == "200"


@pytest.mark.skipif(sys.platform == "win32", reason="open files cannot be listed there")
def test_the_server_ends_slow_headers_and_slow_bodies_while_others_are_answered() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen([sys.executable, "-c", SERVER, str(port)], cwd=tree.ROOT)
    try:
        give_up_at = time.monotonic() + 30
        while _sent(port, b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", 5)[:12] != b"HTTP/1.1 200":
            assert time.monotonic() < give_up_at
            time.sleep(0.05)
        slow = [
            b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\nabc",
            b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ",
        ]
        ended: list[bytes] = []
        waiting = [
            threading.Thread(target=lambda part=part: ended.append(_sent(port, part, 15)))
            for part in slow
        ]
        for one in waiting:
            one.start()
        answer = _sent(port, b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 2\r\n\r\nok", 5)
        assert answer.startswith(b"HTTP/1.1 200")
        assert answer.endswith(b"ok")
        for one in waiting:
            one.join(15)
        assert [not one or one.startswith(b"HTTP/1.1 408") for one in ended] == [True, True]
        smuggled = (
            b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n"
            b"0\r\n\r\nGET /other HTTP/1.1\r\nHost: x\r\n\r\n"
        )
        assert _sent(port, smuggled, 5).count(b"HTTP/1.1 ") == 1
        assert b" 431 " in _sent(port, b"GET / HTTP/1.1\r\nX: " + b"a" * 500_000, 5)[:40]
    finally:
        process.terminate()
        process.wait(30)


def _sent(port: int, request: bytes, patience_s: float) -> bytes:
    """What comes back until the server closes, or says nothing more for a while."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=patience_s) as one:
            one.sendall(request)
            answer = b""
            while part := one.recv(65536):
                answer += part
                one.settimeout(0.5)
            return answer
    except TimeoutError:
        return answer or b"still open"
    except OSError:
        return b""
