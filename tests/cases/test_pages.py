"""The Cases pages: who may, what is wrong is told at its field, and the verdict in words."""

import uuid
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select
from werkzeug.test import TestResponse

from tests.cases.small_case import BY, acted, opened, raised, step_fact, write_history
from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import Cast, Visit
from tests.trends.small_log import day
from tracelog.audit import AuditRecord
from tracelog.cases import queries
from tracelog.cases.listing.views import CASE_FIELDS
from tracelog.cases.models import Case, CaseStep
from tracelog.cases.queries import cases
from tracelog.cases.step_actions import add_step
from tracelog.cases.views import CONFIRMED_FIELDS, STEP_FIELDS
from tracelog.db import new_id, reading, writing
from tracelog.reference import caution, defect_type

CASE: Mapping[str, Any] = {
    "title": "splits on 1-1",
    "defect": "split",
    "place": "1-1",
    "since_at": "2026-03-23T00:00",
}
STEP: Mapping[str, Any] = {"kind": "note", "at": "2026-03-28T08:00", "text": "looked at it"}
# For each field something that is not right, where it is told, and some words of it.
WRONG_CASE = {
    "id": ("17", None, "is not a UUID"),
    "title": ("x" * 81, "title", "at most 80 are kept"),
    "defect": ("spilt", "defect", "is not a defect of this plant"),
    "place": ("1-77", "place", "line 1 has no bodymaker 77"),
    "since_at": ("2026-03-29T02:30", "since_at", "does not exist in Europe/Madrid"),
    "entry": (str(new_id()), "entry", "there is no entry"),
    "complaint": ("77", "complaint", "there is no complaint"),
    "signal_kind": ("rise", "signal_raised_at", "is missing"),
    "signal_raised_at": ("2026-03-28T00:00", "signal_kind", "is missing"),
}
WRONG_STEP = {
    "id": ("17", None, "is not a UUID"),
    "kind": ("held", "kind", "the numbers do not say that the fix held"),
    "at": ("2026-10-25T02:30", "at", "occurs twice in Europe/Madrid"),
    "text": ("x" * 4001, "text", "at most 4000 are kept"),
    "minutes_down": ("100001", "minutes_down", "is out of range"),
    "change": ("repair", "change", "belongs to a step 'changed' only"),
    "machine": ("1-1", "machine", "belongs to a step 'changed' only"),
}


@pytest.fixture
def supervisor(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """A supervisor, ten days into the hand-made log."""
    with writing(own_engine) as session:
        write_history(session)
    clock.instant = day(10)
    cast.sign_in(visit, "supervisor")
    visit.get("/cases")
    return visit


@pytest.fixture
def case_id(supervisor: Visit, own_engine: Engine) -> uuid.UUID:
    """A case without an action."""
    with writing(own_engine) as session:
        return opened(session)


def counted(engine: Engine) -> list[int]:
    with reading(engine) as session:
        return [
            session.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (Case, CaseStep, AuditRecord)
        ]


def test_a_case_is_opened_on_the_page(supervisor: Visit, own_engine: Engine) -> None:
    shown = form_on(supervisor.get("/cases/new?place=1-1&defect=split").text, "/cases")
    assert set(shown) == set(CASE_FIELDS)
    assert (shown["place"], shown["defect"]) == ("1-1", "split")
    answer = supervisor.post("/cases", **(shown | CASE))
    assert (answer.status_code, answer.location) == (303, f"/cases/{shown['id']}")
    page = seen(supervisor.get(answer.location).text)
    assert "No action is written down yet. Before: 10 happenings in 10,000,000 strokes." in page
    before = counted(own_engine)
    assert supervisor.post("/cases", **(shown | CASE)).status_code == 303
    assert counted(own_engine) == before
    other = supervisor.post("/cases", **(shown | CASE | {"title": "else"}))
    assert other.status_code == 409
    assert "a case with this id says something else" in summary(other)
    assert form_on(other.text, "/cases")["id"] != shown["id"]
    assert counted(own_engine) == before


def test_every_field_has_its_bad_case(supervisor: Visit, case_id: uuid.UUID) -> None:
    assert set(WRONG_CASE) == set(CASE_FIELDS)
    shown = form_on(supervisor.get(f"/cases/{case_id}").text, f"/cases/{case_id}")
    assert set(shown) == set(WRONG_STEP) == set(STEP_FIELDS)


def told(answer: TestResponse, told_at: str | None, words: str) -> None:
    """Check that what is wrong is told at its field, and in the summary."""
    assert answer.status_code in {400, 422}
    assert list(wrong(answer)) == ([told_at] if told_at else [])
    assert words in summary(answer)


@pytest.mark.parametrize("field", WRONG_CASE)
def test_a_field_of_a_case_that_is_wrong_is_told(
    supervisor: Visit, own_engine: Engine, field: str
) -> None:
    value, told_at, words = WRONG_CASE[field]
    before = counted(own_engine)
    answer = supervisor.post("/cases", **({"id": new_id()} | dict(CASE) | {field: value}))
    told(answer, told_at, words)
    assert counted(own_engine) == before
    assert form_on(answer.text, "/cases")["title"] == (value if field == "title" else CASE["title"])


@pytest.mark.parametrize("field", ["title", "defect", "place", "since_at"])
def test_a_field_of_a_case_that_is_missing_is_told(
    supervisor: Visit, own_engine: Engine, field: str
) -> None:
    before = counted(own_engine)
    told(supervisor.post("/cases", **(dict(CASE) | {field: ""})), field, "is missing")
    assert counted(own_engine) == before


@pytest.mark.parametrize("field", WRONG_STEP)
def test_a_field_of_a_step_that_is_wrong_is_told(
    supervisor: Visit, own_engine: Engine, case_id: uuid.UUID, field: str
) -> None:
    value, told_at, words = WRONG_STEP[field]
    supervisor.get(f"/cases/{case_id}")
    before = counted(own_engine)
    answer = supervisor.post(f"/cases/{case_id}", **(dict(STEP) | {field: value}))
    told(answer, told_at, words)
    assert counted(own_engine) == before


@pytest.mark.parametrize("field", ["kind", "at", "text"])
def test_a_field_of_a_step_that_is_missing_is_told(
    supervisor: Visit, own_engine: Engine, case_id: uuid.UUID, field: str
) -> None:
    supervisor.get(f"/cases/{case_id}")
    before = counted(own_engine)
    answer = supervisor.post(f"/cases/{case_id}", **(dict(STEP) | {field: ""}))
    assert answer.status_code == 422
    assert "is missing" in wrong(answer)[field]
    assert counted(own_engine) == before


def test_the_page_says_what_the_numbers_say(
    supervisor: Visit, cast: Cast, own_engine: Engine, clock: Clock, case_id: uuid.UUID
) -> None:
    page = f"/cases/{case_id}"
    clock.instant = day(5)
    cast.sign_in(supervisor, "supervisor")
    supervisor.get(page)
    action = {"kind": "action", "at": "2026-03-28T00:00", "text": "third ring new"}
    assert supervisor.post(page, **action).status_code == 303
    assert "There are no strokes on one side of the action yet" in seen(supervisor.get(page).text)
    clock.instant = day(7)
    cast.sign_in(supervisor, "supervisor")
    text = seen(supervisor.get(page).text)
    assert "Not sure yet:" in text
    assert "more strokes without this defect would show that it held" in text
    refused = supervisor.post(page, kind="held", at="2026-03-29T08:00", text="it is good")
    assert "wait for more strokes" in wrong(refused)["kind"]
    clock.instant = day(10)
    cast.sign_in(supervisor, "supervisor")
    text = seen(supervisor.get(page).text)
    assert "The numbers say that it held." in text
    assert "p-value of the exact test of a fall: under 0.001" in text
    assert caution("explanation").text in text
    assert supervisor.post(page, kind="held", at="2026-04-01T08:00", text="good").status_code == 303
    with reading(own_engine) as session:
        assert cases(session)[0].ended_as == "held"
    shown = supervisor.get(page).text
    assert 'value="reopened"' in shown
    assert 'value="action"' not in shown
    assert (
        supervisor.post(page, kind="reopened", at="2026-04-01T09:00", text="again").status_code
        == 303
    )


def test_a_case_whose_defect_came_back_says_so_and_is_open(
    supervisor: Visit, cast: Cast, own_engine: Engine, clock: Clock, case_id: uuid.UUID
) -> None:
    page = f"/cases/{case_id}"
    with writing(own_engine) as session:
        acted(session, case_id)
        add_step(session, step_fact(case_id, "held", day(10)), BY, day(10))
    assert "splits on 1-1" not in seen(supervisor.get("/cases?state=came+back").text)
    with writing(own_engine) as session:
        raised(session, "rise", day(10) + timedelta(hours=1))
    clock.instant = day(10) + timedelta(hours=2)
    cast.sign_in(supervisor, "supervisor")
    assert "splits on 1-1" in seen(supervisor.get("/cases?state=came+back").text)
    assert "splits on 1-1" in seen(supervisor.get("/cases").text)
    looked = supervisor.get(page).text
    assert "It came back: the case had ended as held" in seen(looked)
    assert 'value="action"' in looked


def test_a_cause_is_confirmed_with_one_tap(
    supervisor: Visit, own_engine: Engine, case_id: uuid.UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queries, "defect_type", lambda _: defect_type("score-outside"))
    page = f"/cases/{case_id}"
    text = supervisor.get(page).text
    assert "from memory" in seen(text)
    tap = form_on(text, f"{page}/confirmed")
    assert set(tap) == set(CONFIRMED_FIELDS)
    before = counted(own_engine)
    for _ in range(2):
        assert supervisor.post(f"{page}/confirmed", **tap).status_code == 303
    # The second tap changes nothing.
    assert counted(own_engine) == [before[0], before[1] + 1, before[2] + 1]
    with reading(own_engine) as session:
        assert cases(session)[0].confirmed == [tap["text"]]
    refused = supervisor.post(f"{page}/confirmed", **(tap | {"id": new_id(), "text": ""}))
    assert "is missing" in wrong(refused)["text"]


def test_a_case_that_got_worse_is_told(supervisor: Visit, own_engine: Engine, clock: Clock) -> None:
    with writing(own_engine) as session:
        case_id = opened(session, place="1-2", title="none before")
        acted(session, case_id)
    text = seen(supervisor.get(f"/cases/{case_id}").text)
    assert "there were no happenings before the action, so a fall cannot be shown" in text


@pytest.mark.parametrize("role", ["operator", "planner"])
def test_who_may_not_work_on_cases_sees_them_and_writes_nothing(
    supervisor: Visit, own_engine: Engine, cast: Cast, case_id: uuid.UUID, role: str
) -> None:
    supervisor.post("/sign-out")
    cast.sign_in(supervisor, role)
    before = counted(own_engine)
    for page, fields in (("/cases", CASE), (f"/cases/{case_id}", STEP)):
        looked = supervisor.get("/cases/new" if page == "/cases" else page)
        assert looked.status_code == 200
        assert f'action="{page}"' not in looked.text
        supervisor.get("/log")  # has a form, with its proof of origin
        answer = supervisor.post(page, **fields)
        assert answer.status_code == 403
        assert f"Your role, {role}" in seen(answer.text)
    assert counted(own_engine) == before


@pytest.mark.parametrize("role", ["quality", "administrator"])
def test_quality_and_administrators_work_on_cases_too(
    supervisor: Visit, own_engine: Engine, cast: Cast, case_id: uuid.UUID, role: str
) -> None:
    supervisor.post("/sign-out")
    cast.sign_in(supervisor, role)
    supervisor.get(f"/cases/{case_id}")
    assert supervisor.post(f"/cases/{case_id}", **STEP).status_code == 303
    assert counted(own_engine)[1] == 1


def test_strangers_and_forms_from_elsewhere_write_nothing(
    supervisor: Visit, own_engine: Engine, application: Flask, case_id: uuid.UUID
) -> None:
    before = counted(own_engine)
    stranger = Visit(application.test_client())
    for page, fields in (("/cases", CASE), (f"/cases/{case_id}", STEP)):
        assert stranger.get(page).location.startswith("/sign-in")
        assert stranger.post(page, **fields).status_code == 401
        assert supervisor.client.post(page, data=fields).status_code == 400
    assert counted(own_engine) == before


def test_a_case_that_is_not_there_is_not_found(supervisor: Visit) -> None:
    for page in (f"/cases/{new_id()}", "/cases/17"):
        assert supervisor.get(page).status_code == 404
        assert supervisor.post(page, **STEP).status_code == 404


def test_hostile_text_is_shown_as_text(supervisor: Visit) -> None:
    hostile = '<script>alert(1)</script>"\u202e'
    shown = form_on(supervisor.get("/cases/new").text, "/cases")
    page = supervisor.post("/cases", **(shown | CASE | {"title": hostile})).location
    supervisor.get(page)
    supervisor.post(page, **(dict(STEP) | {"text": hostile + "x" * 3900}))
    for looked in (page, "/cases"):
        text = supervisor.get(looked).text
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert(1)" in text
