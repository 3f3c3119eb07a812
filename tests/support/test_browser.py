"""The browser that other tests drive notices what no page may do."""

from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from urllib.parse import unquote

import pytest
from playwright.sync_api import Browser, Page

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors


class Echo(BaseHTTPRequestHandler):
    """Answers with the page that its address spells out."""

    def do_GET(self) -> None:
        """Answer."""
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.end_headers()
        self.wfile.write(unquote(self.path[1:]).encode())

    def log_message(self, *args: object) -> None:
        """Say nothing."""


@pytest.fixture
def echo() -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Echo) as server:
        thread = Thread(target=server.serve_forever, args=[0.02])
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


@pytest.mark.parametrize(
    ("markup", "complaint"),
    [
        ("<p>Good</p>", None),
        ("<script>nothing.there()</script>", "script error"),
        ("<script>console.error('lost')</script>", "console: lost"),
        ("<img src='http://plant.example/x.png'>", "request to another machine"),
    ],
)
def test_what_no_page_may_do_is_noticed(
    browser: Browser, echo: str, markup: str, complaint: str | None
) -> None:
    visitors = Visitors(browser)
    page = visitors.open(width=360)
    page.goto(f"{echo}/<!doctype html><link rel=icon href=data:,>{markup}")
    assert page.evaluate("window.innerWidth") == 360
    visitors.close()
    if complaint is None:
        assert visitors.complaints == []
    else:
        assert any(complaint in heard for heard in visitors.complaints)


def test_obstacles_are_found(page: Page, echo: str) -> None:
    start = f"{echo}/<!doctype html><html lang=en><title>Line 3</title><link rel=icon href=data:,>"
    page.goto(f"{start}<main><h1>Line 3</h1><label>Cans <input></label></main>")
    assert obstacles(page) == []
    page.goto(f"{start}<main><h1>Line 3</h1><input></main>")
    assert [line.split(":")[0] for line in obstacles(page)] == ["label"]
