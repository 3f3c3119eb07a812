"""The Holds pages: who may, what is wrong is told, and a hold from its list to its end."""

from collections.abc import Mapping
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select

from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import CAST, Cast, Visit
from tests.trace.holds.small_stock import MINUTE, NOW, QUIRINE, held, step_fact, write, write_stock
from tests.trace.two_lines import hour
from tracelog.audit import AuditRecord
from tracelog.db import new_id, reading, writing
from tracelog.instants import write_instant
from tracelog.reference import caution
from tracelog.trace.holds.forms import EXTEND_FIELDS, NOTE_FIELDS, PALLET_FIELDS
from tracelog.trace.holds.queries import HoldView, hold_numbered
from tracelog.trace.holds.views import HOLD_FIELDS
from tracelog.trace.models import Hold, HoldStep
from tracelog.web.qr_codes import qr_code

HOLD: Mapping[str, Any] = {"reason": "splits at 1-1", "pallets": "P-1\nP-2, X-9"}
AT = "2026-02-04T06:02"


@pytest.fixture
def quality(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """Somebody of quality, two days into the history."""
    with writing(own_engine) as session:
        write_stock(session)
    clock.instant = NOW + 5 * MINUTE
    cast.sign_in(visit, "quality")
    visit.get("/holds")
    return visit


@pytest.fixture
def on_hold(quality: Visit, own_engine: Engine) -> None:
    """Hold 1 of three pallets, by the supervisor."""
    with writing(own_engine) as session:
        held(session)


def counted(engine: Engine) -> list[int]:
    with reading(engine) as session:
        return [
            session.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (Hold, HoldStep, AuditRecord)
        ]


def first(engine: Engine) -> HoldView:
    with reading(engine) as session:
        return hold_numbered(session, 1, NOW + 60 * MINUTE)


def test_stock_is_put_on_hold_on_the_page(quality: Visit, own_engine: Engine) -> None:
    shown = form_on(quality.get("/holds/new?defect=split").text, "/holds")
    assert set(shown) == set(HOLD_FIELDS)
    assert shown["defect"] == "split"
    answer = quality.post("/holds", **(shown | HOLD))
    assert (answer.status_code, answer.location) == (303, "/holds/1")
    page = seen(quality.get("/holds/1").text)
    assert "not on record" in page
    assert caution("hold").text in page
    before = counted(own_engine)
    assert quality.post("/holds", **(shown | HOLD)).status_code == 303
    assert counted(own_engine) == before
    assert "3 to find" in seen(quality.get("/holds").text)


def test_a_suspect_window_fills_the_form_in(quality: Visit, own_engine: Engine) -> None:
    window = f"machine=1-1&made_from={write_instant(hour(9))}&made_to={write_instant(hour(10))}"
    answer = quality.get(f"/holds/new?{window}&risk=0.05&defect=split")
    shown = form_on(answer.text, "/holds")
    assert (shown["made_from"], shown["accepted_risk"]) == ("2026-02-02T15:00", "0.05")
    assert "P-1" in shown["pallets"].split()
    assert "suspect cans are expected on them" in seen(answer.text)
    assert quality.post("/holds", **(shown | {"reason": "window"})).status_code == 303
    hold = first(own_engine)
    assert hold.accepted_risk == 0.05
    assert hold.expected_suspect is not None
    assert hold.expected_suspect > 1000


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("reason", "", "is missing"),
        ("pallets", "", "name the pallets"),
        ("pallets", "x" * 81, "at most 80"),
        ("defect", "spilt", "is not a defect"),
        ("line", "9", "no line 9"),
        ("machine", "1-77", "no bodymaker 77"),
        ("made_from", "2026-03-29T02:30", "does not exist"),
        ("accepted_risk", "2", "out of range"),
    ],
)
def test_a_field_of_a_hold_that_is_wrong_is_told(
    quality: Visit, own_engine: Engine, field: str, value: str, words: str
) -> None:
    quality.get("/holds/new")
    before = counted(own_engine)
    answer = quality.post("/holds", **({"id": new_id()} | dict(HOLD) | {field: value}))
    assert answer.status_code in {400, 422}
    assert words in wrong(answer)[field]
    assert counted(own_engine) == before
    assert form_on(answer.text, "/holds")["reason"] == (
        value if field == "reason" else "splits at 1-1"
    )


def test_the_window_of_the_address_is_told_when_it_is_wrong(quality: Visit) -> None:
    for query, words in (
        ("machine=1-77&made_from=2026-02-02T10:00&made_to=2026-02-02T11:00", "no bodymaker 77"),
        ("machine=1-1&made_from=2026-02-02T12:00&made_to=2026-02-02T11:00", "ends after it begins"),
        ("machine=1-1&made_from=yesterday&made_to=2026-02-02T11:00", "is not an instant"),
    ):
        answer = quality.get(f"/holds/new?{query}")
        assert answer.status_code == 400
        assert words in summary(answer)


@pytest.mark.usefixtures("on_hold")
def test_pallets_are_found_inspected_and_released_many_at_once(
    quality: Visit, own_engine: Engine
) -> None:
    shown = form_on(quality.get("/holds/1").text, "/holds/1/pallets")
    assert set(shown) - {"pallet"} == set(PALLET_FIELDS)
    found = {"which": "all", "step": "found", "at": AT, "place": "row 4"}
    assert quality.post("/holds/1/pallets", **(shown | found)).status_code == 303
    assert first(own_engine).found == 3
    look = {
        "step": "looked-over",
        "at": AT,
        "inspected": "125",
        "defective": "0",
        "reason": "light",
    }
    shown = form_on(quality.get("/holds/1").text, "/holds/1/pallets") | {"which": "ticked"}
    assert quality.post("/holds/1/pallets", **(shown | look | {"pallet": "P-1"})).status_code == 303
    page = seen(quality.get("/holds/1").text)
    assert "0 bad of 125, light cannot see this defect" in page
    free = {"step": "released", "at": AT, "reason": "sorted", "pallet": ["P-1", "P-2"]}
    shown = form_on(quality.get("/holds/1").text, "/holds/1/pallets") | {"which": "ticked"}
    assert quality.post("/holds/1/pallets", **(shown | free)).status_code == 303
    assert [one.pallet for one in first(own_engine).held] == ["X-9"]
    before = counted(own_engine)
    # The same form once more, as a nervous finger sends it.
    assert quality.post("/holds/1/pallets", **(shown | free)).status_code == 303
    assert counted(own_engine) == before
    second = quality.post("/holds/1/pallets", **(shown | free | {"id": new_id()}))
    assert second.status_code == 409
    assert "'P-1' was released by quentin" in summary(second)


@pytest.mark.usefixtures("on_hold")
def test_what_is_wrong_with_a_step_is_told(quality: Visit, own_engine: Engine) -> None:
    quality.get("/holds/1")
    before = counted(own_engine)
    good = {"id": new_id(), "which": "all", "step": "found", "at": AT, "place": "row 4"}
    for more, field, words in (
        ({"which": "ticked"}, None, "tick the pallets"),
        ({"place": ""}, "place", "is missing"),
        ({"step": "forgotten"}, "step", "is not one of"),
        ({"at": ""}, "at", "is missing"),
        ({"inspected": "5"}, "inspected", "does not belong"),
        ({"step": "released", "place": ""}, "reason", "is missing"),
    ):
        answer = quality.post("/holds/1/pallets", **(good | more))
        assert answer.status_code in {400, 422}
        assert words in summary(answer)
        assert field is None or field in wrong(answer)
    assert counted(own_engine) == before


@pytest.mark.usefixtures("on_hold")
def test_a_hold_is_extended_noted_and_closed(quality: Visit, own_engine: Engine) -> None:
    shown = form_on(quality.get("/holds/1").text, "/holds/1/extend")
    assert set(shown) - {"reach"} == set(EXTEND_FIELDS) - {"reach"}
    more = {"pallets": "P-7", "from_pallet": "P-1", "reason": "split in two"}
    assert quality.post("/holds/1/extend", **(shown | more)).status_code == 303
    assert "from pallet P-1: split in two" in seen(quality.get("/holds/1").text)
    nothing = quality.post("/holds/1/extend", **(shown | more | {"id": new_id()}))
    assert "changes nothing" in summary(nothing)
    window = {"made_from": "2026-02-02T15:00", "made_to": "2026-02-02T16:00", "reason": "checked"}
    reach = quality.post("/holds/1/extend", **(shown | window | {"reach": "yes", "id": new_id()}))
    assert "needs a hold with a machine" in summary(reach)
    form = shown | window | {"id": new_id()}
    assert quality.post("/holds/1/extend", **form).status_code == 303
    smaller = form | {"made_from": "2026-02-02T15:30", "id": new_id()}
    assert quality.post("/holds/1/extend", **smaller).status_code == 303
    assert "window narrowed" in seen(quality.get("/holds/1").text)
    notes = form_on(quality.get("/holds/1").text, "/holds/1/notes")
    assert set(notes) == set(NOTE_FIELDS)
    early = quality.post("/holds/1/notes", **(notes | {"step": "closed", "reason": "done"}))
    assert "4 pallets of hold 1 are not decided yet" in summary(early)
    assert (
        quality.post("/holds/1/notes", **(notes | {"step": "note", "reason": "wait"})).status_code
        == 303
    )
    with writing(own_engine) as session:
        hold = first(own_engine)
        for one in ("P-1", "P-2", "X-9", "P-7"):
            assert write(
                session,
                step_fact(hold.id, "scrapped", one, at=NOW + 6 * MINUTE),
                QUIRINE,
                NOW + 7 * MINUTE,
            ).is_kept
    notes = form_on(quality.get("/holds/1").text, "/holds/1/notes")
    answer = quality.post("/holds/1/notes", **(notes | {"step": "closed", "reason": "done"}))
    assert answer.status_code == 303
    page = quality.get("/holds/1").text
    assert "<form" not in page.partition("<main")[2]
    assert "No holds here" in seen(quality.get("/holds").text)


@pytest.mark.usefixtures("on_hold")
def test_a_window_that_is_widened_brings_its_pallets(quality: Visit, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        window = {"machine": "1-1", "made_from": hour(9), "made_to": hour(10)}
        held(session, pallets=["P-1"], **window)
    shown = form_on(quality.get("/holds/2").text, "/holds/2/extend")
    more = {"made_to": "2026-02-02T17:00", "reach": "yes", "reason": "second check bad"}
    assert quality.post("/holds/2/extend", **(shown | more)).status_code == 303
    with reading(own_engine) as session:
        hold = hold_numbered(session, 2, NOW + 60 * MINUTE)
    assert hold.standing.made_to == hour(11)
    added = [one for one in hold.pallets if one.pallet != "P-1"]
    assert added
    assert all(one.standing.held.expected_suspect is not None for one in added)


@pytest.mark.usefixtures("on_hold")
def test_the_print_shows_numbers_large_and_as_codes(quality: Visit) -> None:
    page = quality.get("/holds/1/print").text
    for pallet in ("P-1", "P-2", "X-9"):
        assert f"<bdi>{pallet}</bdi>" in page
        assert f'aria-label="QR code of {pallet}"' in page
        assert str(qr_code(pallet)) in page
    assert qr_code("P-1") != qr_code("P-2")
    assert "style=" not in page


@pytest.mark.usefixtures("on_hold")
def test_lists_are_files_too(quality: Visit) -> None:
    text = quality.get("/holds.csv").text
    assert text.splitlines()[1].startswith("1,open,splits at 1-1,")
    text = quality.get("/holds/1/pallets.csv").text
    assert [line.split(",")[0] for line in text.splitlines()] == ["pallet", "P-1", "P-2", "X-9"]
    for path in ("/holds.xlsx", "/holds/1/pallets.xlsx"):
        assert quality.get(path).data.startswith(b"PK")


@pytest.mark.usefixtures("on_hold")
@pytest.mark.parametrize("role", [role for role in CAST if role != "quality"])
def test_each_role_writes_what_is_theirs(
    quality: Visit, own_engine: Engine, cast: Cast, role: str
) -> None:
    quality.post("/sign-out")
    cast.sign_in(quality, role)
    page = quality.get("/holds/1")
    assert page.status_code == 200
    may_hold = role == "supervisor"
    assert ("/holds/1/pallets" in page.text.replace("pallets.", "")) == may_hold
    assert 'value="released"' not in page.text
    quality.get("/log")
    before = counted(own_engine)
    form = {"id": new_id(), "which": "all", "step": "released", "at": AT, "reason": "fine"}
    assert quality.post("/holds/1/pallets", **form).status_code == 403
    assert quality.post("/holds", **HOLD).status_code == (303 if may_hold else 403)
    assert (counted(own_engine) == before) != may_hold


@pytest.mark.usefixtures("on_hold")
def test_strangers_and_forms_from_elsewhere_write_nothing(
    quality: Visit, own_engine: Engine, application: Flask
) -> None:
    before = counted(own_engine)
    stranger = Visit(application.test_client())
    for page in ("/holds", "/holds/1", "/holds/1/print", "/holds.csv", "/holds/1/pallets.csv"):
        assert stranger.get(page).status_code in {302, 303, 401}
    for path in ("/holds", "/holds/1/pallets", "/holds/1/extend", "/holds/1/notes"):
        assert stranger.post(path, **HOLD).status_code == 401
        assert quality.client.post(path, data=dict(HOLD)).status_code == 400
    assert counted(own_engine) == before


def test_a_hold_that_is_not_there_is_not_found(quality: Visit) -> None:
    for page in ("/holds/7", "/holds/7/print", "/holds/7/pallets.csv", "/holds/x"):
        assert quality.get(page).status_code == 404
    assert quality.get("/holds?state=lost").status_code == 400
    assert quality.get("/holds?before=x").status_code == 400


def test_hostile_text_is_shown_as_text(quality: Visit) -> None:
    hostile = '<script>alert(1)</script>"\u202e'
    shown = form_on(quality.get("/holds/new").text, "/holds")
    sent = quality.post("/holds", **(shown | {"reason": hostile, "pallets": hostile}))
    assert sent.status_code == 303
    for looked in ("/holds", "/holds/1", "/holds/1/print"):
        text = quality.get(looked).text
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert(1)" in text
    assert "\n=" not in quality.get("/holds/1/pallets.csv").text
