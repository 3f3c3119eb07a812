"""An entry that waited on a tablet: kept once, in its person's name, at its own time."""

import json
import uuid
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from werkzeug.test import TestResponse

from tests.defects.log_site import LogSite
from tests.support.clock import Clock
from tests.support.site import CAST, Cast
from tracelog.db import new_id, reading
from tracelog.instants import write_instant
from tracelog.people.models import Account


@pytest.fixture
def tablet(log_site: LogSite) -> "Tablet":
    return Tablet(log_site)


class Tablet:
    """What the page's script does, without a browser."""

    def __init__(self, site: LogSite) -> None:
        self.site = site
        self.person = self.account("operator")

    def account(self, role: str) -> str:
        with reading(self.site.engine) as session:
            asked = select(Account.id).where(Account.name == CAST[role].name)
            return str(session.execute(asked).scalar_one())

    def contact(self) -> dict[str, Any]:
        answer = self.site.visit.get("/log/contact")
        assert answer.status_code == 200
        found: dict[str, Any] = json.loads(answer.text)
        return found

    def entry(self, at: datetime, **more: Any) -> dict[str, Any]:
        """A split of 1-1 tapped at that time of the tablet's clock."""
        return {
            "id": str(new_id()),
            "person": self.person,
            "form": "pad",
            "fields": {"line": "1", "number": "1", "defect": "split", "cans": "1"},
            "logged_at": write_instant(at),
            "tablet_clock_error_s": 0,
        } | more

    def send(self, entry: dict[str, Any], token: str | None = None) -> TestResponse:
        known = self.contact().get("token", "") if token is None else token
        return self.site.visit.client.post(
            "/log/queued", json=entry, headers={"X-CSRFToken": known}
        )


def test_contact_tells_the_time_who_is_on_and_a_token(tablet: Tablet, clock: Clock) -> None:
    found = tablet.contact()
    assert found["now"] == write_instant(clock.now())
    assert (found["person"], found["name"], found["may_log"]) == (tablet.person, "Olga", True)
    tablet.site.visit.post("/sign-out", csrf_token=found["token"])
    assert tablet.contact() == {"now": write_instant(clock.now()), "person": None}


def test_contact_by_itself_keeps_no_session_alive(tablet: Tablet, clock: Clock) -> None:
    for _half_hour in range(25):
        clock.forward(timedelta(minutes=30))
        answer = tablet.site.visit.client.get("/log/contact", headers={"Tracelog-By-Itself": "yes"})
    assert json.loads(answer.text)["person"] is None


def test_an_entry_that_waited_is_kept_at_its_own_time_with_the_clocks_error(
    tablet: Tablet, clock: Clock
) -> None:
    at = clock.now() - timedelta(hours=2)
    sent = tablet.entry(at + timedelta(seconds=179.5), tablet_clock_error_s=179.5)
    answer = tablet.send(sent)
    assert answer.status_code == 201
    assert answer.get_json() == {
        "id": sent["id"],
        "status": "created",
        "told": "Kept: 1-1 split, 1.",
    }
    kept = tablet.site.last()
    assert (str(kept.id), kept.seen_at, kept.logged_at) == (sent["id"], at, at)
    assert (kept.tablet_clock_error_s, kept.logged_by) == (179.5, "Olga")
    record = tablet.site.last_audit()
    assert (record.actor, record.at) == ("olga", clock.now())
    page = tablet.site.visit.get(f"/log/{kept.id}").text
    assert "on a tablet whose clock was 2\N{NO-BREAK SPACE}min ahead" in page


@pytest.mark.parametrize("later", [timedelta(0), timedelta(days=3)])
def test_an_entry_that_is_sent_again_is_kept_once(
    tablet: Tablet, clock: Clock, later: timedelta
) -> None:
    sent = tablet.entry(clock.now() - timedelta(days=40))
    assert tablet.send(sent).status_code == 201
    before = tablet.site.counted()
    clock.forward(min(later, timedelta(hours=11)))
    again = tablet.send(sent)
    assert (again.status_code, again.get_json()["status"]) == (200, "unchanged")
    assert tablet.site.counted() == before


def test_a_typed_line_is_read_as_its_page_reads_it(tablet: Tablet, clock: Clock) -> None:
    fields = {"typed": "1-2 wri 3 # at the rim", "found_at": ""}
    sent = tablet.entry(clock.now(), form="typed", fields=fields)
    assert tablet.send(sent).status_code == 201
    kept = tablet.site.last()
    assert (kept.dome_code, kept.defect, kept.cans) == ("1-2", "wrinkle", 3)
    assert kept.note == "at the rim"
    wrong = tablet.send(tablet.entry(clock.now(), form="typed", fields={"typed": "1-2 spilt"}))
    assert wrong.status_code == 422
    assert [one["field"] for one in wrong.get_json()["faults"]] == ["typed"]


def test_a_refusal_is_told_at_the_field_and_the_same_id_can_be_right_later(
    tablet: Tablet, clock: Clock
) -> None:
    sent = tablet.entry(clock.now())
    before = tablet.site.counted()
    wrong = tablet.send({**sent, "fields": {**sent["fields"], "number": "9"}})
    assert wrong.status_code == 422
    (fault,) = wrong.get_json()["faults"]
    assert fault["field"] == "as_read"
    assert "no machine bears 1-9" in fault["sentence"]
    assert tablet.site.counted() == before
    assert tablet.send(sent).status_code == 201
    read = {**sent["fields"], "number": "9", "as_read": "yes"}
    assert tablet.send(tablet.entry(clock.now(), fields=read)).status_code == 201


def test_an_entry_never_goes_to_another_person(
    tablet: Tablet, cast: Cast, own_engine: Engine, clock: Clock
) -> None:
    waits, known = tablet.entry(clock.now()), tablet.entry(clock.now())
    assert tablet.send(known).status_code == 201
    before = tablet.site.counted()
    tablet.site.visit.post("/sign-out", csrf_token=tablet.contact()["token"])
    stranger = tablet.send(waits, token="")
    assert stranger.status_code in (400, 401)
    cast.sign_in(tablet.site.visit, "supervisor")
    signed_in = tablet.site.counted()
    assert signed_in[:3] == before[:3]
    answer = tablet.send(waits)
    assert (answer.status_code, answer.get_json()["faults"][0]["field"]) == (409, "person")
    taken = tablet.send({**known, "person": tablet.account("supervisor")})
    assert (taken.status_code, taken.get_json()["faults"][0]["field"]) == (409, "id")
    assert tablet.site.counted() == signed_in


def test_without_the_token_of_the_session_nothing_is_kept(tablet: Tablet, clock: Clock) -> None:
    before = tablet.site.counted()
    assert tablet.send(tablet.entry(clock.now()), token="stale").status_code == 400
    assert tablet.site.counted() == before


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("id", "17"),
        ("person", ""),
        ("form", "page"),
        ("fields", ["split"]),
        ("fields", {"cans": 2}),
        ("logged_at", "noon"),
        ("tablet_clock_error_s", "fast"),
        ("colour", "red"),
    ],
)
def test_what_no_tablet_sends_is_refused_in_a_sentence(
    tablet: Tablet, clock: Clock, field: str, value: object
) -> None:
    before = tablet.site.counted()
    answer = tablet.send({**tablet.entry(clock.now()), field: value})
    assert answer.status_code == 422
    (fault,) = answer.get_json()["faults"]
    assert fault["field"] == field
    assert len(fault["sentence"]) > 10
    assert tablet.site.counted() == before


def test_an_id_is_of_one_entry_only(tablet: Tablet, clock: Clock) -> None:
    sent = tablet.entry(clock.now())
    assert tablet.send(sent).status_code == 201
    other = tablet.send({**sent, "fields": {**sent["fields"], "cans": "7"}})
    assert other.status_code == 409
    (fault,) = other.get_json()["faults"]
    assert fault["field"] == "id"
    assert "was sent before" in fault["sentence"]
    assert tablet.site.record(uuid.UUID(sent["id"])).now.cans == 1
