"""The calendar over the API: asked for a time, a line, an instant; withdrawn once and again."""

import uuid
from typing import Any

import pytest

from tests.api.plant import Program, Site
from tests.api.test_collections import one_fault

FIRST, SECOND = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e55", "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e56"
CLEANING = {
    "id": FIRST,
    "kind": "stop",
    "line": 1,
    "starts_at": "2026-03-10T06:00",
    "ends_at": "2026-03-10T14:00",
    "reason": "cleaning",
}
HOLIDAY = {
    "id": SECOND,
    "kind": "no service",
    "starts_at": "2026-03-12",
    "ends_at": "2026-03-12",
    "announced_at": "2026-03-01T00:00:00Z",
}
MAY = "/planned-periods?from=2026-05-01&to=2026-05-31"
MARCH = "/planned-periods?from=2026-03-01&to=2026-03-31"


@pytest.fixture
def planned(program: Program) -> Program:
    """A cleaning of line 1, and a day without service of the whole plant."""
    assert program.post("/planned-periods", [CLEANING, HOLIDAY]).status_code in (200, 201)
    return program


@pytest.fixture
def may_id(program: Program) -> str:
    """The id of a period in May, announced on the first of March, that is there for one test."""
    period_id = str(uuid.uuid4())
    days = {"starts_at": "2026-05-04", "ends_at": "2026-05-05"}
    program.post("/planned-periods", HOLIDAY | days | {"id": period_id})
    return period_id


def ids(program: Program, address: str) -> list[str]:
    answer = program.get(address)
    assert answer.status_code == 200, answer.text
    return [one["id"] for one in answer.json["periods"]]


def test_the_calendar_of_a_time_is_answered_in_utc(planned: Program) -> None:
    answer = planned.get(MARCH).json
    assert answer["from"] < "2026-03-02"
    assert answer["as_of"] is None
    cleaning: dict[str, Any] = answer["periods"][0]
    assert cleaning == CLEANING | {
        "bodymaker": None,
        "starts_at": "2026-03-10T05:00:00Z",
        "ends_at": "2026-03-10T13:00:00Z",
        "announced_at": None,
        "withdrawn_at": None,
        "uid": None,
    }
    assert answer["periods"][1]["line"] is None
    assert answer["periods"][1]["ends_at"] == "2026-03-12T23:00:00Z"


def test_line_kind_and_instant_choose(planned: Program) -> None:
    assert ids(planned, f"{MARCH}&line=1") == [FIRST, SECOND]
    assert ids(planned, f"{MARCH}&line=2") == [SECOND]
    assert ids(planned, f"{MARCH}&kind=stop") == [FIRST]
    assert ids(planned, f"{MARCH}&as_of=2026-02-20T00:00Z") == [FIRST]


@pytest.mark.parametrize(
    ("parameter", "field"),
    [
        ("line=9", "line"),
        ("line=x", "line"),
        ("kind=holiday", "kind"),
        ("to=2026-02-01", "to"),
        ("to=2037-01-01", "to"),
        ("as_of=soon", "as_of"),
        ("station=3", "station"),
    ],
)
def test_a_parameter_that_is_wrong_is_told(planned: Program, parameter: str, field: str) -> None:
    answer = planned.get(f"/planned-periods?from=2026-03-01&{parameter}")
    assert answer.status_code == 400
    assert one_fault(answer.json)["field"] == field


def test_a_period_is_withdrawn_and_withdrawn_again_unchanged(program: Program, may_id: str) -> None:
    path = f"/planned-periods/{may_id}/withdraw"
    assert may_id in ids(program, MAY)
    answer = program.post(path, {"withdrawn_at": "2026-03-05T00:00Z"})
    assert (answer.status_code, answer.json) == (200, {"status": "completed", "id": may_id})
    assert program.post(path, {}).json["status"] == "unchanged"
    assert may_id not in ids(program, MAY)
    assert may_id in ids(program, f"{MAY}&as_of=2026-03-04T00:00Z")
    assert may_id not in ids(program, f"{MAY}&as_of=2026-03-05T00:00Z")


@pytest.mark.parametrize(
    ("sent", "field"),
    [
        ({"withdrawn_at": "2100-01-01T00:00Z"}, "withdrawn_at"),
        ({"withdrawn_at": "2026-02-28T00:00Z"}, "withdrawn_at"),
        ({"id": FIRST}, "id"),
        ({"why": "no"}, "why"),
    ],
)
def test_a_withdrawal_that_is_wrong_is_told(
    program: Program, may_id: str, sent: dict[str, str], field: str
) -> None:
    answer = program.post(f"/planned-periods/{may_id}/withdraw", sent)
    assert answer.status_code == 422
    assert one_fault(answer.json)["field"] == field
    assert may_id in ids(program, MAY)


@pytest.mark.parametrize("name", ["7", "0198c1f0-7a4e-7cc1-8000-000000000000"])
def test_what_is_not_there_cannot_be_withdrawn(program: Program, name: str) -> None:
    assert program.post(f"/planned-periods/{name}/withdraw", {}).status_code == 404


def test_who_may_only_see_cannot_withdraw(program: Program, site: Site, may_id: str) -> None:
    operator = site.program("operator")
    assert operator.get(MAY).status_code == 200
    assert operator.post(f"/planned-periods/{may_id}/withdraw", {}).status_code == 403
    assert may_id in ids(program, MAY)
