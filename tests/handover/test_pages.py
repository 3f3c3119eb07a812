"""The Handover page: notes and their faults, shifts before and after, who may what."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select

from tests.handover.small_shifts import DAY_STARTS_AT, HOUR, IN_AUTUMN, log, write_plant
from tests.support.clock import Clock
from tests.support.crawl import links_of
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord
from tracelog.db import new_id, reading, writing
from tracelog.handover.models import HandoverNote, HandoverSettlement

NOTE = {"about": "tools", "line": "1", "text": "third ring of 1-2 is new"}
# For each field something that is not right, where it is told, and some words of it.
WRONG = {
    "id": ("17", None, "is not a UUID"),
    "about": ("weather", "about", "is not one of"),
    "line": ("9", "line", "line 9"),
    "text": ("x" * 4001, "text", "at most 4000 are kept"),
}


@pytest.fixture
def supervisor(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """A supervisor in the middle of a day shift."""
    with writing(own_engine) as session:
        write_plant(session)
    clock.instant = DAY_STARTS_AT + 6 * HOUR
    cast.sign_in(visit, "supervisor")
    visit.get("/handover")
    return visit


def counted(engine: Engine) -> list[int]:
    with reading(engine) as session:
        return [
            session.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (HandoverNote, HandoverSettlement, AuditRecord)
        ]


def written(visit: Visit, **fields: object) -> uuid.UUID:
    """Write a note; its id."""
    note_id = new_id()
    answer = visit.post("/handover/notes", **({"id": note_id} | NOTE | fields))
    assert (answer.status_code, answer.location) == (303, "/handover")
    return note_id


def test_a_note_is_written_and_shown(supervisor: Visit, own_engine: Engine) -> None:
    shown = form_on(supervisor.get("/handover").text, "/handover/notes")
    assert set(shown) == set(WRONG)
    before = counted(own_engine)
    for _twice in range(2):
        assert supervisor.post("/handover/notes", **(shown | NOTE)).status_code == 303
    assert counted(own_engine) == [before[0] + 1, before[1], before[2] + 1]
    page = seen(supervisor.get("/handover").text)
    assert "tools, first can read, line 1 : third ring of 1-2 is new" in page
    other = supervisor.post("/handover/notes", **(shown | NOTE | {"text": "else"}))
    assert other.status_code == 409
    assert "a note with this id says something else" in summary(other)
    fresh = form_on(other.text, "/handover/notes")
    assert fresh["id"] != shown["id"]
    assert fresh["text"] == "else"


@pytest.mark.parametrize("field", WRONG)
def test_a_field_that_is_wrong_is_told_there_and_nothing_is_written(
    supervisor: Visit, own_engine: Engine, field: str
) -> None:
    value, told_at, words = WRONG[field]
    before = counted(own_engine)
    answer = supervisor.post("/handover/notes", **(NOTE | {field: value}))
    assert answer.status_code == 422
    assert list(wrong(answer)) == ([told_at] if told_at else [])
    assert words in summary(answer)
    assert counted(own_engine) == before
    if field != "text":
        assert form_on(answer.text, "/handover/notes")["text"] == NOTE["text"]


def test_a_note_is_settled_where_it_stands(supervisor: Visit, own_engine: Engine) -> None:
    first, second = written(supervisor), written(supervisor, text="coolant is low")
    supervisor.get("/handover")
    before = counted(own_engine)
    answer = supervisor.post(f"/handover/notes/{first}/settle", reason=" ")
    assert answer.status_code == 422
    assert wrong(answer) == {str(first): "is missing; a value is needed"}
    assert summary(answer) == ""
    assert counted(own_engine) == before
    long = supervisor.post(f"/handover/notes/{second}/settle", reason="x" * 4001)
    assert list(wrong(long)) == [str(second)]
    for _twice in range(2):
        done = supervisor.post(f"/handover/notes/{first}/settle", reason="looked at, good")
        assert (done.status_code, done.location) == (303, "/handover")
    assert counted(own_engine)[1] == before[1] + 1
    page = supervisor.get("/handover").text
    assert "looked at, good" in seen(page)
    assert f"/handover/notes/{first}/settle" not in page
    late = supervisor.post(f"/handover/notes/{first}/settle", reason="another reason")
    assert late.status_code == 409
    # It is settled, so that it has no field any more at which to say so.
    assert "looked at, good" in seen(late.text)


def test_the_shift_before_and_the_one_after(
    supervisor: Visit, own_engine: Engine, clock: Clock, cast: Cast
) -> None:
    with writing(own_engine) as session:
        log(session, "1-1", [DAY_STARTS_AT + HOUR], cans="7")
    page = supervisor.get("/handover").text
    assert "Day shift of 2026-03-04 , crew A: 2026-03-04 06:00 to 2026-03-04 18:00; so far" in seen(
        page
    )
    (before,) = [link for link in links_of(page, "/handover") if "at=" in link]
    night = supervisor.get(before).text
    assert "Night shift of 2026-03-03" in seen(night)
    assert "Nothing was logged in this shift." in seen(night)
    after = [link for link in links_of(night, "/handover") if "at=" in link][1]
    assert "Day shift of 2026-03-04" in seen(supervisor.get(after).text)
    clock.instant = IN_AUTUMN + 12 * HOUR
    cast.sign_in(supervisor, "supervisor")
    autumn = seen(supervisor.get("/handover?at=2026-10-24T23:00Z").text)
    assert "2026-10-24 18:00 to 2026-10-25 06:00" in autumn
    assert "26,000" in autumn


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("yesterday", "'yesterday' is not an instant"),
        ("2026-03-29T02:30", "does not exist in Europe/Madrid"),
        ("0001-01-01T00:00", "is out of range"),
        ("9" * 5000, "is not an instant"),
    ],
)
def test_an_instant_that_is_none_is_told(supervisor: Visit, at: str, words: str) -> None:
    answer = supervisor.get(f"/handover?at={at}")
    assert answer.status_code == 400
    assert words in seen(answer.text)


def test_an_instant_ahead_is_the_present_shift(supervisor: Visit) -> None:
    assert "Day shift of 2026-03-04" in seen(supervisor.get("/handover?at=2027-01-01T12:00").text)


def test_long_before_the_first_reading_there_is_a_shift_with_nothing_in_it(
    supervisor: Visit,
) -> None:
    page = supervisor.get("/handover?at=2020-01-01T12:00")
    assert page.status_code == 200
    assert "Nothing was logged in this shift." in seen(page.text)


@pytest.mark.parametrize("role", ["operator", "planner", "quality", "administrator"])
def test_everybody_with_an_account_writes_and_settles(
    supervisor: Visit, cast: Cast, own_engine: Engine, role: str
) -> None:
    supervisor.post("/sign-out")
    cast.sign_in(supervisor, role)
    supervisor.get("/handover")
    note_id = written(supervisor)
    assert supervisor.post(f"/handover/notes/{note_id}/settle", reason="r").status_code == 303
    assert counted(own_engine)[:2] == [1, 1]


def test_strangers_and_forms_from_elsewhere_write_nothing(
    supervisor: Visit, own_engine: Engine, application: Flask
) -> None:
    note_id = written(supervisor)
    before = counted(own_engine)
    stranger = Visit(application.test_client())
    assert stranger.get("/handover").location.startswith("/sign-in")
    for page in ("/handover/notes", f"/handover/notes/{note_id}/settle"):
        fields = NOTE | {"reason": "r"}
        assert stranger.post(page, **fields).status_code == 401
        assert supervisor.client.post(page, data=fields).status_code == 400
    assert counted(own_engine) == before


def test_a_note_that_is_not_there_is_not_found(supervisor: Visit) -> None:
    assert supervisor.post(f"/handover/notes/{new_id()}/settle", reason="r").status_code == 404
    assert supervisor.post("/handover/notes/17/settle", reason="r").status_code == 404


def test_hostile_text_is_shown_as_text(supervisor: Visit) -> None:
    hostile = '<script>alert(1)</script>"\u202e\nand a second line'
    note_id = written(supervisor, text=hostile)
    supervisor.get("/handover")
    supervisor.post(f"/handover/notes/{note_id}/settle", reason=hostile)
    page = supervisor.get("/handover").text
    assert "<script>alert" not in page
    assert page.count("&lt;script&gt;alert(1)") == 2


def test_a_note_of_long_ago_that_nobody_settled_is_still_carried_over(
    supervisor: Visit, clock: Clock, cast: Cast
) -> None:
    written(supervisor)
    clock.instant = datetime(2026, 9, 1, 9, tzinfo=UTC) + timedelta(hours=1)
    cast.sign_in(supervisor, "supervisor")
    assert NOTE["text"] in supervisor.get("/handover").text
