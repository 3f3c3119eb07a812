"""Cases and the handover over the API: the same facts and faults as on the pages."""

from typing import Any

import pytest

from tests.api.plant import Program, Site, at
from tests.api.test_description import in_document
from tracelog.cases.facts import CaseFact, StepFact
from tracelog.db import new_id
from tracelog.handover.facts import HandoverNoteFact, SettlementFact

CASE: dict[str, Any] = {"title": "splits", "defect": "split", "place": "1-1", "since_at": at(0)}
STEP: dict[str, Any] = {"kind": "action", "at": at(600), "text": "third ring new"}
NOTE: dict[str, Any] = {"about": "watch", "line": 1, "text": "third ring is new"}


def made(program: Program, path: str, sent: dict[str, Any]) -> str:
    answer = program.post(path, sent)
    assert (answer.status_code, answer.json["status"]) == (201, "created"), answer.text
    return str(answer.json["id"])


def fits(site: Site, path: str, answer: Any) -> None:
    """Check an answer against its description, which leaves nothing out."""
    described = site.app.test_client().get("/api/v1/openapi.json").json
    shape = described["paths"][f"/api/v1{path}"]["get"]["responses"]["200"]
    in_document(described, shape["content"]["application/json"]["schema"], strict=True).validate(
        answer
    )


def test_a_case_is_opened_worked_on_and_read(site: Site) -> None:
    program = site.program("supervisor")
    case_id = made(program, "/cases", CASE)
    made(program, f"/cases/{case_id}/steps", STEP)
    assert site.last_record().action == "case step: action"
    readings = [{"line": 1, "bodymaker": 1, "read_at": at(n), "strokes": 200 * n} for n in (0, 900)]
    assert site.program().post("/readings", readings).status_code == 201
    answer = program.get(f"/cases/{case_id}")
    assert answer.status_code == 200
    fits(site, "/cases/{case_id}", answer.json)
    assert (answer.json["state"], answer.json["place"]) == ("watching", "1-1")
    assert [(one["kind"], one["by"]) for one in answer.json["steps"]] == [
        ("action", "sara/gateway")
    ]
    numbers = answer.json["numbers"]
    assert numbers["verdict"] == "not sure yet"
    assert numbers["before"] == {"happenings": 0, "strokes": 120_000, "per_million": 0.0}
    assert numbers["after"]["strokes"] == 60_000
    assert numbers["strokes_needed"] is None
    made(program, f"/cases/{case_id}/steps", STEP | {"kind": "dropped", "text": "no cause"})
    for asked, is_there in (({}, True), ({"open": "1"}, False), ({"open": "0"}, True)):
        listed = program.get("/cases", **asked)
        fits(site, "/cases", listed.json)
        assert (case_id in {one["id"] for one in listed.json["cases"]}) == is_there


def test_the_same_id_again_changes_nothing_and_other_content_is_a_conflict(site: Site) -> None:
    program = site.program("supervisor")
    case_id = made(program, "/cases", CASE)
    note_id = made(program, "/handover/notes", NOTE)
    settlement = f"/handover/notes/{note_id}/settlement"
    made(program, settlement, {"reason": "looked at"})
    calls = (
        ("/cases", CASE | {"id": str(new_id())}, "title"),
        (f"/cases/{case_id}/steps", STEP | {"id": str(new_id())}, "text"),
        ("/handover/notes", NOTE | {"id": str(new_id())}, "text"),
    )
    for path, sent, other in calls:
        assert program.post(path, sent).status_code == 201
        before = site.counted()
        again = program.post(path, sent)
        assert (again.status_code, again.json) == (200, {"status": "unchanged", "id": sent["id"]})
        assert program.post(path, sent | {other: "else"}).status_code == 409
        assert site.counted() == before
    again = program.post(settlement, {"reason": "looked at"})
    assert (again.status_code, again.json) == (200, {"status": "unchanged", "id": note_id})
    assert program.post(settlement, {"reason": "else"}).status_code == 409


# For each field of each call something that is not right, and some words of what is told.
WRONG_CASE = {
    "id": ("17", "is not a UUID"),
    "title": ("x" * 81, "at most 80 are kept"),
    "defect": ("spilt", "is not a defect of this plant"),
    "place": ("9-1", "line 9"),
    "since_at": ("2026-03-29T02:30", "does not exist"),
    "entry": (str(new_id()), "there is no entry"),
    "complaint": (999, "there is no complaint '999' on record"),
    "signal_kind": ("x" * 81, "at most 80 are kept"),
    "signal_raised_at": ("2026-10-25T02:30", "occurs twice"),
}
WRONG_STEP = {
    "id": (17, "is not a UUID"),
    "case": (str(new_id()), "stands in the address already"),
    "kind": ("guess", "is not one of"),
    "at": ("2026-10-25T02:30", "occurs twice"),
    "text": (None, "is missing"),
    "minutes_down": (100_001, "is out of range"),
    "change": ("repair", "belongs to a step 'changed' only"),
    "machine": ("1-1", "belongs to a step 'changed' only"),
}
WRONG_NOTE = {
    "id": ([], "is not a UUID"),
    "line": (9, "line 9"),
    "about": ("weather", "is not one of"),
    "text": ("x" * 4001, "at most 4000 are kept"),
}
WRONG_SETTLEMENT = {
    "note": (str(new_id()), "stands in the address already"),
    "reason": (True, "is not text"),
}
CALLS = {
    "/cases": (CaseFact, CASE, WRONG_CASE),
    "/cases/{}/steps": (StepFact, STEP, WRONG_STEP),
    "/handover/notes": (HandoverNoteFact, NOTE, WRONG_NOTE),
    "/handover/notes/{}/settlement": (SettlementFact, {"reason": "r"}, WRONG_SETTLEMENT),
}


@pytest.mark.parametrize("call", CALLS)
def test_a_field_that_is_wrong_is_told_and_nothing_is_written(site: Site, call: str) -> None:
    fact, good, bad = CALLS[call]
    assert set(bad) == set(fact.model_fields)
    program = site.program("supervisor")
    place = "/cases" if call.startswith("/cases") else "/handover/notes"
    path = call.format(made(program, place, CASE if place == "/cases" else NOTE))
    before = site.counted()
    for field, (value, words) in (bad | {"colour": ("red", "is not known here")}).items():
        answer = program.post(path, good | {field: value})
        assert (answer.status_code, answer.mimetype) == (422, "application/problem+json"), field
        (fault,) = answer.json["faults"]
        assert (fault["field"], words in fault["sentence"]) == (field, True), fault
    for sent in ([good], "text", 7):
        assert program.post(path, sent).json["detail"] == "send one object"
    assert site.counted() == before


def test_an_end_that_the_numbers_do_not_bear_out_is_refused(site: Site) -> None:
    program = site.program("quality")
    case_id = made(program, "/cases", CASE)
    answer = program.post(f"/cases/{case_id}/steps", STEP | {"kind": "held"})
    assert answer.status_code == 400
    assert "The numbers do not say that the fix held" in answer.json["detail"]


def test_who_may_not_is_refused_and_who_is_unknown_is_asked_for_a_token(site: Site) -> None:
    case_id = made(site.program("supervisor"), "/cases", CASE)
    operator = site.visit("operator")
    before = site.counted()
    for role in ("operator", "planner"):
        for path, sent in (("/cases", CASE), (f"/cases/{case_id}/steps", STEP)):
            assert site.program(role).post(path, sent).status_code == 403
    stranger = site.app.test_client()
    for path in ("/cases", f"/cases/{case_id}", "/handover"):
        assert stranger.get(f"/api/v1{path}").status_code == 401
    assert stranger.post("/api/v1/handover/notes", json=NOTE).status_code == 401
    # A session without the proof of its page.
    assert operator.client.post("/api/v1/handover/notes", json=NOTE).status_code == 400
    assert site.counted() == before
    made(site.program("operator"), "/handover/notes", NOTE)


@pytest.mark.parametrize("which", ["17", "0198c1f0-7a4e-7cc1-8000-ffffffffffff"])
def test_what_is_not_there_is_not_found(site: Site, which: str) -> None:
    program = site.program("supervisor")
    before = site.counted()
    answers = (
        program.get(f"/cases/{which}"),
        program.post(f"/cases/{which}/steps", STEP),
        program.post(f"/handover/notes/{which}/settlement", {"reason": "r"}),
    )
    for answer in answers:
        assert answer.status_code == 404
        assert which in answer.json["detail"]
    assert site.counted() == before


def test_a_shift_is_told_with_what_happened_in_it(site: Site) -> None:
    program = site.program()
    # A shift in which nothing else of these tests happens.
    sent = {
        "/services": {"line": 2, "bodymaker": 1, "service": "minor", "done_at": at(30_400)},
        "/tool-fits": {
            "serial": "T-399",
            "line": 2,
            "bodymaker": 1,
            "position": "ring-1",
            "fitted_at": at(30_401),
        },
        "/changes": {"line": 2, "at": at(30_402), "kind": "coolant", "note": "new batch"},
        "/coil-runs": {"coil": "K-1", "line": 2, "started_at": at(30_403)},
        "/defects": {"seen_at": at(30_404), "dome_code": "2-1", "defect": "split", "cans": 3},
    }
    for path, fact in sent.items():
        assert program.post(path, fact).status_code == 201, path
    answer = program.get("/handover", at=at(30_410))
    assert answer.status_code == 200
    fits(site, "/handover", answer.json)
    told = answer.json
    assert (told["shift"], told["day"]) == ("day", "2026-03-23")
    assert (told["started_at"], told["ended_at"]) == (
        "2026-03-23T05:00:00Z",
        "2026-03-23T17:00:00Z",
    )
    assert [one["machine"] for one in told["services"]] == ["2-1"]
    assert [one["serial"] for one in told["tool_fits"]] == ["T-399"]
    assert [one["kind"] for one in told["changes"]] == ["coolant"]
    assert {"line": 2, "coil": "K-1", "started_at": at(30_403)} in told["coils"]
    assert {one["line"]: one["cans"] for one in told["lines"]} == {1: 0, 2: 3}


def test_a_note_is_in_the_present_shift_until_it_is_settled(site: Site) -> None:
    program = site.program("operator")
    note_id = made(program, "/handover/notes", NOTE)

    def note() -> dict[str, Any]:
        told = program.get("/handover").json
        fits(site, "/handover", told)
        (found,) = [one for one in told["notes"] if one["id"] == note_id]
        return dict(found)

    assert (note()["settled_at"], note()["written_by"]) == (None, "olga/gateway")
    made(program, f"/handover/notes/{note_id}/settlement", {"reason": "looked at"})
    assert (note()["reason"], note()["settled_by"]) == ("looked at", "olga/gateway")


def test_the_week_and_the_shifts_are_as_described(site: Site) -> None:
    program = site.program("operator")
    for path, asked in (
        ("/handover/week", {"from": "2026-03-23"}),
        ("/handover/week", {}),
        ("/handover/shifts", {"day": "2026-03-23"}),
    ):
        answer = program.get(path, **asked)
        assert answer.status_code == 200
        fits(site, path, answer.json)
    said = {"at": "2026-03-23T12:00", "side": "outgoing"}
    assert program.post("/handover/signatures", said).status_code == 403


@pytest.mark.parametrize(
    ("path", "asked", "field"),
    [
        ("/handover/week", {"from": "soon"}, "from"),
        ("/handover/week", {"from": "0001-01-01"}, "from"),
        ("/handover/shifts", {"day": "9999-12-31"}, "day"),
        ("/handover", {"at": "2026-03-29T02:30"}, "at"),
        ("/handover", {"when": "now"}, "when"),
        ("/cases", {"open": "maybe"}, "open"),
        ("/cases", {"closed": "1"}, "closed"),
    ],
)
def test_a_parameter_that_is_wrong_is_told(
    program: Program, path: str, asked: dict[str, str], field: str
) -> None:
    answer = program.get(path, **asked)
    assert answer.status_code == 400
    assert [one["field"] for one in answer.json["faults"]] == [field]
