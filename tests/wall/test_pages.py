"""A screen opens without signing in, can only read, and ends when it is revoked or over."""

import json
import logging
import re
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, delete, select

from tests.support.clock import Clock
from tests.support.site import CAST, Cast, Visit
from tests.support.statements import Statements
from tracelog.audit import AuditRecord
from tracelog.db import reading, writing
from tracelog.handover.actions import write_note
from tracelog.handover.facts import About, HandoverNoteFact
from tracelog.plant.queries import directory, the_plant
from tracelog.trace.holds.actions import raise_hold
from tracelog.trace.holds.facts import HoldFact
from tracelog.trends.models import SignalProgress
from tracelog.trends.signals.actions import catch_up
from tracelog.wall import queries
from tracelog.wall.actions import make_screen
from tracelog.wall.models import Screen

pytestmark = pytest.mark.small_plant
SARA = CAST["supervisor"].actor()
Make = Callable[..., str]


@pytest.fixture
def make(own_engine: Engine, clock: Clock) -> Make:
    """Makes a screen of a line, or of the plant, and gives its address."""

    def screen(line: int | None = 1, name: str = "wall", ends_at: datetime | None = None) -> str:
        with writing(own_engine) as session:
            line_id = directory(session).line(line) if line else None
            token = make_screen(session, name, line_id, ends_at, SARA, clock.instant)
        return f"/wall/{token}"

    return screen


def seen(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page[page.index("<main") :]))


def test_a_line_shows_its_machines_and_nothing_leads_away(visit: Visit, make: Make) -> None:
    page = visit.get(make(1)).text
    assert page.count('class="can-number"') == len(re.findall("wall-says", page)) > 2
    assert "Line 1" in page
    assert "<a " not in page
    assert "<form" not in page
    assert "tracelog=" not in str(visit.get(make(2, "two")).headers)


def test_the_plant_shows_every_line(visit: Visit, make: Make, own_engine: Engine) -> None:
    page = visit.get(make(None)).text
    with reading(own_engine) as session:
        names = directory(session).line_names.values()
    assert len(names) > 1
    assert all(name in page for name in names)


def test_what_is_logged_held_and_handed_over_is_on_the_wall(
    visit: Visit, make: Make, own_engine: Engine, clock: Clock
) -> None:
    address, other = make(1), make(2, "two")
    before = visit.get(f"{address}/state").get_json()["mark"]
    with writing(own_engine) as session:
        note = HandoverNoteFact(about=About.WATCH, text="Ring 3 of 1-2 is at its end", line=1)
        write_note(session, note, SARA, clock.instant)
        hold = HoldFact(reason="Scores at the waxer", line=1, pallets=("T1", "T2"))
        raise_hold(session, hold, CAST["quality"].actor(), clock.instant)
    assert visit.get(f"{address}/state").get_json()["mark"] != before
    page = seen(visit.get(address).text)
    assert "Handed over: Ring 3 of 1-2 is at its end" in page
    assert "On hold 1 Hold 1 pallets: 2; Scores at the waxer" in page
    assert "Ring 3" not in visit.get(other).text


def test_that_no_signal_is_on_is_said_only_when_they_were_worked_out(
    visit: Visit, make: Make, own_engine: Engine, clock: Clock
) -> None:
    addresses = [make(1), make(None, "plant")]
    with writing(own_engine) as session:
        session.execute(delete(SignalProgress))
    for address in addresses:
        assert "Signals have not been worked out yet." in visit.get(address).text
    with writing(own_engine) as session:
        catch_up(session, clock.instant)
    for address in addresses:
        assert "have not been worked out" not in visit.get(address).text


def test_counters_that_say_nothing_are_said_to_be_silent(
    visit: Visit, make: Make, clock: Clock
) -> None:
    address = make(1)
    clock.forward(timedelta(days=3))
    page = seen(visit.get(address).text)
    assert "No counter of this line says anything: strokes and services below are old." in page


@pytest.mark.parametrize("path", ["", "/events", "/state"])
def test_unknown_revoked_and_expired_screens_show_nothing(
    visit: Visit,
    cast: Cast,
    application: Flask,
    make: Make,
    clock: Clock,
    own_engine: Engine,
    path: str,
) -> None:
    revoked = make(1, "revoked")
    expiring = make(1, "expiring", clock.instant + timedelta(hours=1))
    assert visit.get(revoked + path).status_code == visit.get(expiring + path).status_code == 200
    cast.sign_in(visit, "supervisor")
    visit.get("/screens")
    with reading(own_engine) as session:
        screen = queries.screen_named(session, "revoked")
    assert visit.post(f"/screens/{screen.id}/revoke").status_code == 303
    clock.forward(timedelta(hours=1))
    stranger = Visit(application.test_client())
    for address in (revoked, expiring, "/wall/tls_made-up", "/wall/x"):
        answer = stranger.get(address + path)
        assert answer.status_code == 404
        assert "This address shows nothing, or nothing any more" in answer.text
        assert "Floor" not in answer.text


def test_a_screens_address_opens_nothing_else(visit: Visit, make: Make) -> None:
    address = make(None)
    token = address.removeprefix("/wall/")
    for method in ("post", "put", "delete", "patch"):
        assert getattr(visit.client, method)(address).status_code == 405
    for path in ("/", "/log", "/screens", f"{address}/../../log"):
        assert visit.get(path).status_code in (302, 404)
    answer = visit.client.get("/api/v1/machines", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 401


def test_news_end_at_once_and_say_when_to_come_back(visit: Visit, make: Make, clock: Clock) -> None:
    address = make(1)
    answer = visit.get(f"{address}/events")
    assert answer.mimetype == "text/event-stream"
    assert answer.headers["Cache-Control"] == "no-store"
    lines = answer.text.split("\n")
    told = json.loads(lines[3].removeprefix("data: "))
    assert lines[0] == "retry: 5000"
    assert lines[1] == f"id: {told['mark']}"
    assert lines[2] == "event: news"
    assert lines[4:] == ["", ""]
    assert told == visit.get(f"{address}/state").get_json()
    assert re.fullmatch(r"\d\d:\d\d", told["clock"])
    clock.forward(timedelta(minutes=1))
    assert visit.get(f"{address}/state").get_json()["mark"] != told["mark"]


def test_news_are_cheap(visit: Visit, make: Make, own_engine: Engine) -> None:
    address = make(1)
    visit.get(address)
    recorder = Statements(own_engine)
    try:
        with recorder.counted() as sent:
            visit.get(f"{address}/state")
    finally:
        recorder.close()
    assert len(sent) <= 6


def test_the_wall_takes_as_many_statements_for_a_line_as_for_the_plant(
    own_engine: Engine, clock: Clock
) -> None:
    with reading(own_engine) as session:
        asked = [None, *directory(session).lines.values()]
    recorder = Statements(own_engine)
    counts = set()
    try:
        for line_id in asked:
            with reading(own_engine) as session, recorder.counted() as sent:
                queries.wall(session, the_plant(session), line_id, clock.instant)
            counts.add(len(sent))
    finally:
        recorder.close()
    assert len(asked) > 2
    assert len(counts) == 1
    assert counts.pop() <= 40


def test_the_address_stays_out_of_referrers_and_of_the_log(
    visit: Visit, make: Make, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    address = make(1)
    token = address.removeprefix("/wall/")
    assert visit.get(address).headers["Referrer-Policy"] == "no-referrer"
    assert visit.get("/sign-in").headers["Referrer-Policy"] == "same-origin"

    def broken(*_given: object) -> None:
        raise ValueError("broken on purpose")

    monkeypatch.setattr("tracelog.wall.views.wall", broken)
    visit.client.application.testing = False
    with caplog.at_level(logging.DEBUG):
        assert visit.get(address).status_code == 500
    assert "broken on purpose" in caplog.text
    assert "GET /wall/<token>" in caplog.text
    assert token not in caplog.text


def test_only_a_hash_is_kept_and_looking_is_noted_once_a_day(
    visit: Visit, make: Make, own_engine: Engine, clock: Clock
) -> None:
    address = make(1)
    for _look in range(3):
        visit.get(address)
        clock.forward(timedelta(hours=9))
    with reading(own_engine) as session:
        (screen,) = session.scalars(select(Screen))
        noted = session.scalars(select(AuditRecord).where(AuditRecord.action == "use screen"))
        assert [(one.actor, one.subject) for one in noted] == [("screen wall", "wall")]
        assert screen.token_hash not in address
        assert len(screen.token_hash) == 64


@pytest.mark.parametrize("role", ["operator", "planner", "quality"])
def test_others_make_no_screens(visit: Visit, cast: Cast, role: str) -> None:
    cast.sign_in(visit, role)
    assert visit.get("/screens").status_code == 403


def test_a_new_screen_shows_its_address_once(
    visit: Visit, cast: Cast, application: Flask, own_engine: Engine
) -> None:
    cast.sign_in(visit, "administrator")
    visit.get("/screens")
    page = visit.post("/screens", name="trimmers", line="1", expires_on="").text
    address = re.findall(r'id="new-screen"[^>]* href="http://localhost(/wall/[^"]+)"', page)[0]
    assert "<svg" in page
    assert Visit(application.test_client()).get(address).status_code == 200
    assert address not in visit.get("/screens").text
    with reading(own_engine) as session:
        made = session.scalars(select(AuditRecord).where(AuditRecord.action == "make screen"))
        assert [(one.actor, one.subject) for one in made] == [("ada", "trimmers")]


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("name", "", "say where the screen hangs"),
        ("name", "WALL", "is in use"),
        ("line", "99", "is not a line of this plant"),
        ("expires_on", "tomorrow", "is not a day"),
        ("expires_on", "2020-01-01", "has passed already"),
    ],
)
def test_what_is_wrong_with_a_new_screen_is_said(
    visit: Visit, cast: Cast, make: Make, field: str, value: str, sentence: str
) -> None:
    make(1)
    cast.sign_in(visit, "supervisor")
    visit.get("/screens")
    answer = visit.post("/screens", **{"name": "x", "line": "", "expires_on": "", field: value})
    assert answer.status_code in (400, 409)
    assert sentence in answer.text
