"""What could not be taken is shown with the reason, on the page and over the API."""

import base64
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine

from tests.strokes.counters import make_plant
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tracelog.db import reading, writing
from tracelog.intake.reject_actions import record_rejects
from tracelog.intake.reject_queries import Source, rejected_messages
from tracelog.intake.reject_rules import Arrived, Reject

AT = datetime(2026, 3, 2, 9, 0, 5, tzinfo=UTC)
HOSTILE = b"<script>alert(1)</script>\xff\x00\n\xe2\x80\xae"


def reject(
    engine: Engine, topic: str, payload: bytes = b"x", minute: int = 0, source: str = "mqtt"
) -> None:
    origin = Arrived.of(source, topic, payload, AT + timedelta(minutes=minute))
    with writing(engine) as session:
        record_rejects(session, [Reject(origin, f"reason of {topic}")])


@pytest.fixture
def signed_in(own_engine: Engine, visit: Visit, cast: Cast) -> Visit:
    with writing(own_engine) as session:
        make_plant(session, "Europe/Madrid", {})
    cast.sign_in(visit, "operator")
    return visit


def test_the_list_goes_on_where_the_page_before_ended(own_engine: Engine) -> None:
    for minute in range(5):
        reject(own_engine, f"t{minute}", minute=minute)
    reject(own_engine, "node", source="opcua", minute=9)
    statements = Statements(own_engine)
    with reading(own_engine) as session:
        with statements.counted() as sent:
            first = rejected_messages(session, Source.MQTT, 3)
        assert len([one for one in sent if one.startswith("SELECT")]) == 1
        reject(own_engine, "later", minute=7)
    statements.close()
    with reading(own_engine) as session:
        second = rejected_messages(session, Source.MQTT, 3, first.next_after)
        assert rejected_messages(session, Source.OPCUA).rows[0].topic == "node"
    assert [one.topic for one in first.rows] == ["t4", "t3", "t2"]
    assert [one.topic for one in second.rows] == ["t1", "t0"]
    assert second.next_after is None


def test_an_empty_list_says_what_would_stand_there(signed_in: Visit) -> None:
    page = signed_in.get("/counters/rejected")
    assert page.status_code == 200
    assert "Nothing was rejected" in page.text
    assert "90 days" in page.text


def test_the_page_shows_what_came_without_being_moved_by_it(
    own_engine: Engine, signed_in: Visit
) -> None:
    reject(own_engine, "<b>topic</b>", HOSTILE)
    reject(own_engine, "long", b"y" * 5000, minute=1)
    page = signed_in.get("/counters/rejected").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;\\xff\\x00\\n\\u202e" in page
    assert "&lt;b&gt;topic" in page
    assert "y" * 161 not in page
    assert page.index("reason of long") < page.index("reason of &lt;b&gt;topic")
    # Plant time.
    assert "2026-03-02 10:00" in page


def test_the_page_has_pages_and_can_be_narrowed(own_engine: Engine, signed_in: Visit) -> None:
    for minute in range(22):
        reject(own_engine, f"t{minute:02d}.", minute=minute)
    reject(own_engine, "node.", source="opcua")
    first = signed_in.get("/counters/rejected?source=mqtt").text
    assert "t21." in first
    assert "t01." not in first
    assert "node." not in first
    (older,) = [part.split('"')[0] for part in first.split('href="')[1:] if "after=" in part]
    second = signed_in.get(older.replace("&amp;", "&")).text
    assert "t01." in second
    assert "t02." not in second
    assert 'href="/counters/rejected?source=mqtt"' in second
    assert "node." in signed_in.get("/counters/rejected?source=opcua").text
    assert signed_in.get("/counters/rejected?after=nonsense").status_code == 404


def test_programs_read_the_same(own_engine: Engine, signed_in: Visit) -> None:
    reject(own_engine, "t", HOSTILE)
    answer = signed_in.get("/api/v1/rejected-messages?source=mqtt&limit=1")
    assert answer.status_code == 200
    (one,) = answer.json["messages"]
    assert answer.json["cursor"] is None
    assert base64.b64decode(one["payload_base64"]) == HOSTILE
    assert (one["times"], one["topic"], one["reason"]) == (1, "t", "reason of t")
    assert one["last_at"] == "2026-03-02T09:00:05Z"
    for wrong in ("source=carrier", "limit=0", "cursor=nonsense", "colour=red"):
        refused = signed_in.get(f"/api/v1/rejected-messages?{wrong}")
        assert refused.status_code == 400
        assert refused.json["faults"][0]["field"] == wrong.split("=")[0]
