"""The application as tests use it: in process, or served on this machine for a browser."""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread
from typing import Any

from flask import Flask
from flask.testing import FlaskClient
from jinja2 import BytecodeCache
from jinja2.bccache import Bucket
from playwright.sync_api import Page
from sqlalchemy import Engine
from werkzeug.routing import Rule
from werkzeug.serving import WSGIRequestHandler, make_server
from werkzeug.test import TestResponse

from tracelog.audit import Actor
from tracelog.config import Settings
from tracelog.db import writing
from tracelog.errors import Conflict
from tracelog.people.actions import create_account
from tracelog.web.application import create_application

JOINED_AT = datetime(2026, 1, 2, 8, 0, tzinfo=UTC)
TOKEN = re.compile(r'name="csrf_token"[^>]*value="([^"]+)"')


@dataclass(frozen=True)
class Person:
    """Somebody of the small cast that all tests share: name, role, password or PIN."""

    name: str
    role: str
    secret: str

    def actor(self, door: str = "page") -> Actor:
        """This person as an action's actor, without an account."""
        return Actor(self.name, self.role, door)


CAST: Mapping[str, Person] = {
    person.role: person
    for person in (
        Person("olga", "operator", "402917"),
        Person("pedro", "planner", "quiet crane at noon"),
        Person("sara", "supervisor", "seven lids of tin"),
        Person("quentin", "quality", "bright dome inside"),
        Person("ada", "administrator", "ledger beneath stone"),
    )
}


class Cast:
    """Gives people of the cast an account in one database, and signs them in."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._known: set[str] = set()

    def join(self, role: str) -> Person:
        """The person of that role, with an account."""
        person = CAST[role]
        if role not in self._known:
            with writing(self._engine) as session, suppress(Conflict):  # kept from another run
                create_account(
                    session,
                    person.name,
                    person.name.title(),
                    person.role,
                    person.secret,
                    Actor("tests", "administrator", "command"),
                    JOINED_AT,
                )
            self._known.add(role)
        return person

    def sign_in(self, visit: "Visit", role: str) -> Person:
        """Sign the person of that role in through the form."""
        person = self.join(role)
        visit.get("/sign-in")
        answer = visit.post("/sign-in", name=person.name, secret=person.secret)
        assert answer.status_code == 303, answer.text
        return person

    def sign_in_on(self, page: Page, role: str) -> Person:
        """Sign the person of that role in as they do it: on the page, by keyboard."""
        person = self.join(role)
        page.goto("/sign-in")
        page.locator("input[name=name]").fill(person.name)
        page.locator("input[name=secret]").fill(person.secret)
        page.locator("input[name=secret]").press("Enter")
        page.wait_for_url(lambda url: "/sign-in" not in url)
        return person


class Visit:
    """One visitor without a browser: keeps cookies, and sends each form's proof of origin."""

    def __init__(self, client: FlaskClient) -> None:
        self.client = client
        self._proof = ""

    def get(self, path: str) -> TestResponse:
        """Look at a page."""
        answer = self.client.get(path)
        found = TOKEN.search(answer.text) if answer.mimetype == "text/html" else None
        if found:
            self._proof = found[1]
        return answer

    def post(self, path: str, **fields: object) -> TestResponse:
        """Send a form that was on the page looked at last; a redirect is not followed."""
        return self.client.post(path, data={"csrf_token": self._proof, **fields})


class _Compiled(BytecodeCache):
    """Templates compiled once in a process: each test has an application of its own."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        if bucket.key in self._kept:
            bucket.bytecode_from_string(self._kept[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._kept[bucket.key] = bucket.bytecode_to_string()


_COMPILED = _Compiled()


def application_on(engine: Engine, folder: Path) -> Flask:
    """The application on a database of the test's own."""
    settings = Settings(
        database_url=engine.url.render_as_string(hide_password=False),
        secret_key="a key that opens nothing but tests",
        data_dir=folder,
    )
    app = create_application(settings, engine=engine)
    app.testing = True
    app.jinja_env.bytecode_cache = _COMPILED
    return app


def _build_once() -> None:
    """Let each address be compiled once in a process, however many applications there are."""
    compiled: dict[tuple[object, ...], Any] = {}
    compile_builder = Rule._compile_builder

    def compiled_builder(rule: Rule, append_unknown: bool = True) -> Any:
        # What the code of a builder depends on; the rest it asks its rule for.
        defaults = tuple(sorted((rule.defaults or {}).items()))
        key = (tuple(rule._trace), defaults, append_unknown)
        if key not in compiled:
            compiled[key] = compile_builder(rule, append_unknown)
        return compiled[key]

    Rule._compile_builder = compiled_builder  # type: ignore[method-assign, assignment]


_build_once()


class _Quietly(WSGIRequestHandler):
    def log(self, type: str, message: str, *args: object) -> None:  # noqa: A002
        pass


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """Serve the application on this machine; gives its address."""
    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=_Quietly)
    thread = Thread(target=server.serve_forever, args=[0.02])
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
