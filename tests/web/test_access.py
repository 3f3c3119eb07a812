"""Requests have numbers; each leaves one line in the log, without names and without secrets."""

import io
import json
import logging
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError

from tests.support.site import Cast, Visit
from tracelog.logs import JsonLines
from tracelog.web.access import timed
from tracelog.web.request import permit

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.fixture
def logged() -> Iterator[Callable[[], list[dict[str, Any]]]]:
    """Reads what was logged as JSON so far."""
    written = io.StringIO()
    handler = logging.StreamHandler(written)
    handler.setFormatter(JsonLines())
    ours = logging.getLogger("tracelog")
    before = ours.level
    ours.addHandler(handler)
    ours.setLevel(logging.INFO)
    yield lambda: [json.loads(line) for line in written.getvalue().splitlines()]
    ours.removeHandler(handler)
    ours.setLevel(before)


def test_each_request_leaves_one_line_with_its_number(
    logged: Callable[[], list[dict[str, Any]]], visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    person = cast.sign_in(visit, "planner")
    before = len(logged())
    answer = visit.get("/me?q=words-of-somebody")
    (line,) = logged()[before:]
    assert answer.headers["X-Request-Id"] == line["request_id"]
    assert (line["event"], line["route"], line["status"]) == ("request", "/me", 200)
    assert line["method"] == "GET"
    assert line["duration_ms"] > 0
    assert line["door"] == "page"
    assert len(line["account"]) == 36
    everything = json.dumps(logged())
    assert person.secret not in everything
    assert person.name not in everything
    assert "words-of-somebody" not in everything


def test_addresses_that_are_secrets_are_not_in_the_log(
    logged: Callable[[], list[dict[str, Any]]], visit: Visit
) -> None:
    visit.get("/wall/tls_a-secret-of-a-screen")
    visit.get("/no-such-page/with-a-secret")
    assert "secret" not in json.dumps(logged())


def test_a_number_from_outside_counts_only_behind_a_proxy_of_ours(
    application: Flask, visit: Visit
) -> None:
    def number(given: str) -> str:
        sent = application.test_client().get("/sign-in", headers={"X-Request-Id": given})
        return sent.headers["X-Request-Id"]

    assert number("proxy-12345678") != "proxy-12345678"
    application.config["TRACELOG_PROXIES"] = 1
    assert number("proxy-12345678") == "proxy-12345678"
    assert number("a b\tc") != "a b\tc"
    assert number("x" * 65) != "x" * 65


def test_what_fails_is_found_by_the_number_on_its_page(
    logged: Callable[[], list[dict[str, Any]]], application: Flask, visit: Visit, cast: Cast
) -> None:
    def broken() -> str:
        raise IntegrityError("INSERT INTO accounts", {"name": "some" + "body"}, Exception("UNIQUE"))

    application.testing = False
    application.config["PROPAGATE_EXCEPTIONS"] = False
    application.view_functions["people.own_page"] = permit("see")(broken)
    cast.sign_in(visit, "planner")
    answer = visit.get("/me")
    assert answer.status_code == 500
    number = answer.headers["X-Request-Id"]
    assert number in answer.text
    fault, line = [one for one in logged() if one.get("request_id") == number]
    assert "IntegrityError" in fault["exception"]
    assert "somebody" not in fault["exception"]
    assert (line["level"], line["status"]) == ("warning", 500)


def test_time_is_counted_from_when_it_arrived(application: Flask) -> None:
    application.wsgi_app = timed(application.wsgi_app)  # type: ignore[method-assign]
    with application.test_request_context("/sign-in") as context:
        arrived = context.request.environ
        list(application.wsgi_app(arrived, lambda *_told: None))  # type: ignore[arg-type, return-value]
        assert arrived["tracelog.arrived"] > 0
