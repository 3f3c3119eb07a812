"""Serving, the demo and its people, upgrading."""

import json
import re
import socket
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.site import Cast, Visit, application_on
from tracelog import audit
from tracelog.db import reading, writing
from tracelog.instants import now
from tracelog.people import queries
from tracelog.plant.queries import directory
from tracelog.web import demo
from tracelog.web.commands import is_loopback
from tracelog.web.demo_state import DEMO, DemoState, demo_state

only_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.mark.parametrize(
    ("host", "is_home"),
    [
        ("127.0.0.1", True),
        ("127.3.4.5", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("::", False),
        ("192.168.1.7", False),
        ("plant-server", False),
    ],
)
def test_only_this_machine_is_home(host: str, is_home: bool) -> None:
    assert is_loopback(host) == is_home


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(url: str) -> bytes:
    for _attempt in range(300):
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                return bytes(answer.read())
        except OSError:
            time.sleep(0.1)
    raise AssertionError(f"{url} does not answer")


@only_sqlite
def test_a_demo_is_not_served_to_the_network(command: Command, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        audit.append(session, demo._ACTOR, now(), DemoState.READY.value, DEMO)
    refused = command("serve", "--host", "0.0.0.0", "--port", free_port(), status=1)
    assert "this database is a demo" in refused.stderr
    assert "--demo-beyond-loopback" in refused.stderr


@only_sqlite
def test_a_port_that_is_taken_is_told(command: Command) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        refused = command("serve", "--port", port, status=1)
    assert "cannot be listened on" in refused.stderr
    assert "--port" in refused.stderr


@only_sqlite
@pytest.mark.skipif(sys.platform == "win32", reason="signals are of another kind there")
def test_the_server_answers_and_ends_when_told(command: Command) -> None:
    port = free_port()
    server = command.start("serve", "--port", port, "--workers", 1)
    try:
        ready = wait_for(f"http://127.0.0.1:{port}/api/v1/health/ready")
        page = wait_for(f"http://127.0.0.1:{port}/sign-in")
    finally:
        server.terminate()
        said, wrong = server.communicate(timeout=60)
    assert json.loads(ready) == {"status": "ready", "last_backup": None, "replica": None}
    assert b"<h1>Sign in</h1>" in page
    assert f"http://127.0.0.1:{port}/" in said
    assert server.returncode == 0, wrong


def test_the_demo_is_filled_once_and_its_people_can_sign_in(
    command: Command, own_engine: Engine, tmp_path: Path
) -> None:
    words = ("demo", "--no-serve", "--size", "small", "--days", "12", "--lines", "2")
    first = command(*words).stdout
    sign_ins = dict(re.findall(r"^  (\w+) +(\S+)$", first, re.MULTILINE))
    assert list(sign_ins) == ["operator", "planner", "supervisor", "quality", "administrator"]
    with reading(own_engine) as session:
        assert demo_state(session) is DemoState.READY
        assert len(directory(session).bodymakers) == 8
        assert [one.name for one in queries.accounts(session)] == sorted(sign_ins)
        from tracelog.people.secrets import verify_secret

        for name, secret in sign_ins.items():
            assert verify_secret(secret, queries.secret_of(session, name)[1])
        records = audit.count(session)
    again = command(*words).stdout
    assert "there already" in again
    assert dict(re.findall(r"^  (\w+) +(\S+)$", again, re.MULTILINE)) == sign_ins
    with reading(own_engine) as session:
        assert audit.count(session) == records
        assert audit.broken_links(session) == []
    if sys.platform != "win32":
        assert (tmp_path / demo.SIGN_INS_FILE).stat().st_mode & 0o077 == 0


def test_a_demo_that_was_not_finished_is_made_anew(own_engine: Engine) -> None:
    with writing(own_engine) as session:
        audit.append(session, demo._ACTOR, now(), DemoState.BEGUN.value, DEMO)
    assert demo.make_room(own_engine, fresh=False) is False
    with reading(own_engine) as session:
        assert demo_state(session) is DemoState.NONE
        assert audit.count(session) == 0


@only_sqlite
@pytest.mark.small_plant
def test_a_plants_own_records_are_never_made_a_demo(command: Command, own_engine: Engine) -> None:
    for more in ((), ("--fresh",)):
        refused = command("demo", "--no-serve", "--size", "small", *more, status=1)
        assert "holds a plant of its own" in refused.stderr
    with reading(own_engine) as session:
        assert directory(session).bodymakers


@only_sqlite
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--days", "0"), "days"),
        (("--ends-on", "soon"), "soon"),
        (("--port", "0"), "port"),
        (("--size", "huge"), "huge"),
    ],
)
def test_a_demo_of_no_size_is_wrong_usage(
    command: Command, words: tuple[str, ...], sentence: str
) -> None:
    assert sentence in command("demo", "--no-serve", *words, status=2).stderr


def test_the_tables_are_upgraded_once(command: Command, own_engine: Engine) -> None:
    from tracelog.db import downgrade, is_current

    assert "already" in command("upgrade").stdout
    downgrade(own_engine, "base")
    own_engine.dispose()
    assert "now" in command("upgrade").stdout
    assert is_current(own_engine)


@only_sqlite
def test_every_page_of_a_demo_says_that_it_is_one(
    own_engine: Engine, tmp_path: Path, cast: Cast
) -> None:
    mark = '<span class="tag">Demo</span>'
    plain = Visit(application_on(own_engine, tmp_path).test_client())
    assert mark not in plain.get("/sign-in").text
    with writing(own_engine) as session:
        audit.append(session, demo._ACTOR, now(), DemoState.READY.value, DEMO)
    visit = Visit(application_on(own_engine, tmp_path).test_client())
    page = visit.get("/sign-in").text
    assert mark in page
    assert "This is a demo" in page
    cast.sign_in(visit, "administrator")
    for path in ("/me", "/accounts", "/me/sessions", "/nothing"):
        assert mark in visit.get(path).text, path
