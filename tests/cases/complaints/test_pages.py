"""The Complaints pages: what arrived, what was done, and the answer on one sheet."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select

from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import CAST, Cast, Visit
from tests.trace.holds.small_stock import MINUTE, NOW, held, write_stock
from tracelog.audit import AuditRecord
from tracelog.cases.complaints.forms import COMPLAINT_FIELDS, CORRECTION_FIELDS, STEP_FIELDS
from tracelog.cases.models import Complaint, ComplaintStep
from tracelog.db import new_id, reading, writing

COMPLAINT: Mapping[str, Any] = {
    "received_at": "2026-02-04T05:00",
    "customer_reference": "Q-2291",
    "code": "1-1",
    "certainty": "unsure",
    "pallet": "P-1",
    "defect": "split",
    "cans": "3",
    "cans_run": "12000",
    "note": "found at the seamer",
}
AT = "2026-02-04T06:02"


@pytest.fixture
def supervisor(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """A supervisor, two days into the history, with hold 1 on record."""
    with writing(own_engine) as session:
        write_stock(session)
        held(session, pallets=["P-2"])
    clock.instant = NOW + 5 * MINUTE
    cast.sign_in(visit, "supervisor")
    visit.get("/complaints/new")
    return visit


@pytest.fixture
def complained(supervisor: Visit) -> None:
    """Complaint 1."""
    shown = form_on(supervisor.get("/complaints/new").text, "/complaints")
    assert supervisor.post("/complaints", **(shown | COMPLAINT)).status_code == 303


def counted(engine: Engine) -> list[int]:
    with reading(engine) as session:
        return [
            session.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (Complaint, ComplaintStep, AuditRecord)
        ]


def test_a_complaint_is_written_and_answered_on_one_sheet(
    supervisor: Visit, own_engine: Engine
) -> None:
    shown = form_on(supervisor.get("/complaints/new?pallet=P-1").text, "/complaints")
    assert set(shown) == set(COMPLAINT_FIELDS)
    assert (shown["pallet"], shown["received_at"]) == ("P-1", "2026-02-04T06:05")
    answer = supervisor.post("/complaints", **(shown | COMPLAINT))
    assert (answer.status_code, answer.location) == (303, "/complaints/1")
    before = counted(own_engine)
    assert supervisor.post("/complaints", **(shown | COMPLAINT)).status_code == 303
    assert counted(own_engine) == before
    for path in ("/complaints/1", "/complaints/1/answer"):
        page = seen(supervisor.get(path).text)
        for words in (
            "Most likely 1-1 (9",
            "not read with certainty",
            "basis: the pallet's filling time",
            "1 of them are on hold",
            "Not yet known.",
            "double seam's overlap",
            "Nobody has been named yet",
        ):
            assert words in page, (path, words)
    page = supervisor.get("/complaints/1").text
    assert 'href="/trace?code=1-1&amp;pallet=P-1&amp;certainty=unsure"' in page
    assert "/trace/suspects?machine=1-1&amp;defect=split" in page
    assert "/holds/new?machine=1-1&amp;defect=split&amp;made_from=" in page


@pytest.mark.usefixtures("complained")
def test_every_link_of_a_complaint_leads_somewhere(supervisor: Visit) -> None:
    page = supervisor.get("/complaints/1").text.replace("&amp;", "&")
    for start in ("/trace?", "/trace/suspects?", "/holds/new?", "/cases/new?"):
        address = page.partition(f'href="{start}')[2].partition('"')[0]
        assert supervisor.get(start + address).status_code == 200, start


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("received_at", "", "is missing"),
        ("code", "17", "is not a dome code"),
        ("certainty", "maybe", "is not one of"),
        ("defect", "spilt", "is not a defect"),
        ("cans", "many", "is not a whole number"),
        ("cans_run", "1", "fewer than the 3"),
        ("made_from", "2026-03-29T02:30", "does not exist"),
        ("note", "x" * 4001, "at most 4000"),
    ],
)
def test_a_field_that_is_wrong_is_told(
    supervisor: Visit, own_engine: Engine, field: str, value: str, words: str
) -> None:
    before = counted(own_engine)
    answer = supervisor.post("/complaints", **({"id": new_id()} | dict(COMPLAINT) | {field: value}))
    assert answer.status_code in {400, 422}
    assert words in wrong(answer)[field]
    assert counted(own_engine) == before
    assert form_on(answer.text, "/complaints")["customer_reference"] == "Q-2291"


@pytest.mark.usefixtures("complained")
def test_steps_are_written_and_the_age_is_told(
    supervisor: Visit, own_engine: Engine, cast: Cast, clock: Clock
) -> None:
    assert "waits 65 min" in seen(supervisor.get("/complaints").text)
    clock.instant = NOW + timedelta(hours=30)
    cast.sign_in(supervisor, "supervisor")
    assert "Not answered yet: waits 31 h" in seen(supervisor.get("/complaints/1").text)
    shown = form_on(supervisor.get("/complaints/1").text, "/complaints/1/steps")
    assert set(shown) == set(STEP_FIELDS)

    def step(**more: Any) -> int:
        sent = shown | {"id": new_id(), "at": AT, "text": "so"} | more
        return supervisor.post("/complaints/1/steps", **sent).status_code

    assert step(step="held", hold="1") == 303
    assert step(step="promised", at="2026-02-06T06:00", text="quality on day shift") == 303
    assert step(step="answered", hold="1") == 303
    assert step(step="note", text="") == 422
    assert step(step="guess") == 422
    assert step(step="reopened") == 409
    page = seen(supervisor.get("/complaints/1").text)
    assert "quality on day shift" in page
    assert "after 62 min" in page
    assert step(step="closed") == 303
    assert "No complaints here" in seen(supervisor.get("/complaints").text)
    assert step(step="reopened") == 303
    assert counted(own_engine)[1] == 5


@pytest.mark.usefixtures("complained")
def test_a_correction_keeps_the_old_value_and_two_at_once_are_told(
    supervisor: Visit, own_engine: Engine
) -> None:
    shown = form_on(supervisor.get("/complaints/1").text, "/complaints/1/corrections")
    assert set(shown) == set(CORRECTION_FIELDS)
    change = {"code": "1-2", "text": "read again"}
    assert supervisor.post("/complaints/1/corrections", **(shown | change)).status_code == 303
    before = counted(own_engine)
    assert supervisor.post("/complaints/1/corrections", **(shown | change)).status_code == 303
    assert counted(own_engine) == before
    assert "code: 1-1 → 1-2" in seen(supervisor.get("/complaints/1").text)
    other = shown | {"id": new_id(), "pallet": "P-3", "text": "tag"}
    late = supervisor.post("/complaints/1/corrections", **other)
    assert late.status_code == 409
    assert "somebody else has corrected" in summary(late)
    for more, field, words in (
        ({}, None, "changes nothing"),
        ({"cans": "x", "text": "why"}, "cans", "is not a whole number"),
        ({"cans": "4"}, "text", "is missing"),
    ):
        fresh = form_on(supervisor.get("/complaints/1").text, "/complaints/1/corrections")
        answer = supervisor.post("/complaints/1/corrections", **(fresh | more))
        assert words in summary(answer)
        assert field is None or field in wrong(answer)
    assert counted(own_engine) == before


@pytest.mark.usefixtures("complained")
def test_the_list_is_a_file_too(supervisor: Visit) -> None:
    lines = supervisor.get("/complaints.csv").text.splitlines()
    assert lines[0].startswith("complaint,state,received_at")
    assert lines[1].startswith("1,open,2026-02-04 05:00:00+01:00,Q-2291,1-1,unsure,P-1,")
    assert supervisor.get("/complaints.xlsx").data.startswith(b"PK")


@pytest.mark.usefixtures("complained")
@pytest.mark.parametrize("role", list(CAST))
def test_each_role_writes_what_is_theirs(
    supervisor: Visit, own_engine: Engine, cast: Cast, role: str
) -> None:
    supervisor.post("/sign-out")
    cast.sign_in(supervisor, role)
    may_write = role in {"supervisor", "quality", "administrator"}
    for page in ("/complaints", "/complaints/new", "/complaints/1", "/complaints/1/answer"):
        assert supervisor.get(page).status_code == 200
    assert ("/complaints/1/steps" in supervisor.get("/complaints/1").text) == may_write
    supervisor.get("/log")
    before = counted(own_engine)
    expected = 303 if may_write else 403
    assert supervisor.post("/complaints", **COMPLAINT).status_code == expected
    step = {"step": "note", "at": AT, "text": "x"}
    assert supervisor.post("/complaints/1/steps", **step).status_code == expected
    assert (counted(own_engine) != before) == may_write


@pytest.mark.usefixtures("complained")
def test_strangers_and_forms_from_elsewhere_write_nothing(
    supervisor: Visit, own_engine: Engine, application: Flask
) -> None:
    before = counted(own_engine)
    stranger = Visit(application.test_client())
    for page in ("/complaints", "/complaints/1", "/complaints/1/answer", "/complaints.csv"):
        assert stranger.get(page).status_code in {302, 303, 401}
    for path in ("/complaints", "/complaints/1/steps", "/complaints/1/corrections"):
        assert stranger.post(path, **COMPLAINT).status_code == 401
        assert supervisor.client.post(path, data=dict(COMPLAINT)).status_code == 400
    assert counted(own_engine) == before
    for page in ("/complaints/7", "/complaints/7/answer", "/complaints/x"):
        assert supervisor.get(page).status_code == 404
    assert supervisor.get("/complaints?state=lost").status_code == 400


def test_hostile_text_is_shown_as_text(supervisor: Visit) -> None:
    hostile = '<script>alert(1)</script>"\u202e'
    shown = form_on(supervisor.get("/complaints/new").text, "/complaints")
    fields = dict.fromkeys(("customer_reference", "pallet", "time_code", "coil", "note"), hostile)
    assert supervisor.post("/complaints", **(shown | COMPLAINT | fields)).status_code == 303
    for looked in ("/complaints", "/complaints/1", "/complaints/1/answer"):
        text = supervisor.get(looked).text
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert(1)" in text
