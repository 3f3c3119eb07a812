"""Follows the links of the pages, as somebody would who looks at everything once."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

from flask import Flask
from werkzeug.exceptions import HTTPException
from werkzeug.test import TestResponse

from tests.support.site import Visit

LINKS = {"a": "href", "link": "href", "script": "src", "img": "src", "form": "action"}


@dataclass(frozen=True)
class Seen:
    """One address, the page that led there, the endpoint that answers it, and its answer."""

    address: str
    led_by: str
    endpoint: str | None
    answer: TestResponse


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form" and (given.get("method") or "get").lower() != "get":
            return
        target = given.get(LINKS.get(tag, ""))
        if target is not None:
            self.found.append(target)


def links_of(markup: str, address: str) -> list[str]:
    """Addresses on this site to which a page leads, without their fragments, in order."""
    reader = _Links()
    reader.feed(markup)
    here = [urlsplit(urljoin(address, target)) for target in reader.found]
    return [
        part.path + (f"?{part.query}" if part.query else "")
        for part in here
        if not part.netloc and part.scheme in {"", "http", "https"}
    ]


def endpoint_of(app: Flask, address: str) -> str | None:
    """The endpoint that answers a GET of that address."""
    try:
        endpoint, _values = app.url_map.bind("localhost").match(urlsplit(address).path, "GET")
    except HTTPException:
        return None
    return str(endpoint)


def look_at_everything(app: Flask, visit: Visit, start: str = "/", each: int = 3) -> Iterator[Seen]:
    """Look at `start` and at all that it leads to.

    Args:
        app: the application.
        visit: the visitor, signed in or not.
        start: the address to begin with.
        each: how many addresses of one endpoint are looked at; a year of machines and cans has
            too many to look at all. Addresses without an endpoint are all looked at.
    """
    waiting = deque([(start, "")])
    met = {start}
    looked: dict[str | None, int] = {}
    while waiting:
        address, led_by = waiting.popleft()
        endpoint = endpoint_of(app, address)
        looked[endpoint] = looked.get(endpoint, 0) + 1
        if endpoint is not None and looked[endpoint] > each:
            continue
        answer = visit.get(address)
        yield Seen(address, led_by, endpoint, answer)
        onward = [answer.location] if answer.location else []
        if answer.mimetype == "text/html":
            onward += links_of(answer.text, address)
        for target in onward:
            if target not in met:
                met.add(target)
                waiting.append((target, address))
