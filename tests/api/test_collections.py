"""Facts sent by programs: kept, refused, kept in part; for every call that takes facts."""

import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from tests.api.facts import TAKEN, WRONG, Taken
from tests.api.plant import Program, Site, at
from tests.support.statements import Statements
from tracelog.audit import broken_links
from tracelog.db import reading
from tracelog.people.permissions import ROLES, may

EVERY_CALL = pytest.mark.parametrize("call", TAKEN, ids=lambda call: call.path[1:])
FACTS = [call for call in TAKEN if call.other is not None]
EVERY_FACT = pytest.mark.parametrize("call", FACTS, ids=lambda call: call.path[1:])
FIELDS = [(call, field) for call in TAKEN for field in call.fact.columns()]
EVERY_FIELD = pytest.mark.parametrize(
    ("call", "field"), FIELDS, ids=[f"{call.path[1:]}-{field}" for call, field in FIELDS]
)


def one_fault(problem: dict[str, Any]) -> dict[str, str]:
    """The only fault of a problem, after it was seen to be one plain sentence."""
    (fault,) = problem["faults"]
    assert "\n" not in fault["sentence"]
    assert 10 < len(fault["sentence"]) < 400
    return fault


@EVERY_CALL
def test_one_fact_is_kept_and_answered_by_what_it_is_known_by(site: Site, call: Taken) -> None:
    before = site.counted()
    sent = call.good(0)
    answer = site.program().post(call.path, sent)
    assert (answer.status_code, answer.mimetype) == (201, "application/json")
    assert answer.json["status"] == "created"
    known = answer.json.get("key") or {"id": answer.json["id"]}
    assert known == {name: sent.get(name) for name in call.fact.key_fields}
    after = site.counted()
    assert after[call.table] == before[call.table] + 1
    assert after["audit_records"] == before["audit_records"] + 1


@EVERY_CALL
def test_the_audit_trail_says_which_program_wrote(site: Site, call: Taken) -> None:
    assert site.program("administrator").post(call.path, call.good(1)).status_code == 201
    record = site.last_record()
    assert (record.actor, record.door) == ("ada/gateway", "api")
    with reading(site.engine) as session:
        assert list(broken_links(session)) == []


@EVERY_CALL
def test_sending_again_changes_nothing(site: Site, call: Taken) -> None:
    sent = [call.good(2), call.good(3)]
    assert site.program().post(call.path, sent).status_code == 201
    before = site.counted()
    answer = site.program().post(call.path, sent)
    assert answer.status_code == 200
    assert [one["status"] for one in answer.json] == ["unchanged", "unchanged"]
    again = site.program().post(call.path, sent[0])
    assert (again.status_code, again.json["status"]) == (200, "unchanged")
    assert site.counted() == before


@EVERY_FACT
def test_a_fact_that_contradicts_an_accepted_one_is_a_conflict(site: Site, call: Taken) -> None:
    assert call.other is not None
    field, value = call.other
    assert site.program().post(call.path, call.good(4)).status_code == 201
    before = site.counted()
    answer = site.program().post(call.path, {**call.good(4), field: value})
    assert (answer.status_code, answer.mimetype) == (409, "application/problem+json")
    assert answer.json["status"] == 409
    assert one_fault(answer.json)["field"] in {field, "id"}
    array = site.program().post(call.path, [{**call.good(4), field: value}])
    assert (array.status_code, array.json["results"][0]["status"]) == (409, 409)
    assert site.counted() == before


@pytest.mark.parametrize(("path", "field"), [("/tools", "tool_type"), ("/coils", "alloy")])
def test_a_setting_is_replaced(program: Program, path: str, field: str) -> None:
    (call,) = (call for call in TAKEN if call.path == path)
    assert program.post(path, call.good(5)).status_code == 201
    answer = program.post(path, {**call.good(5), field: "other"})
    assert (answer.status_code, answer.json["status"]) == (200, "changed")


@pytest.mark.parametrize(
    ("path", "end"),
    [
        ("/tool-fits", {"removed_at": at(500), "removal_reason": "worn"}),
        ("/pallets", {"ended_at": at(500), "status": "released"}),
    ],
)
def test_an_end_that_was_not_known_is_filled_in(
    program: Program, path: str, end: dict[str, str]
) -> None:
    (call,) = (call for call in TAKEN if call.path == path)
    assert program.post(path, call.good(6)).status_code == 201
    answer = program.post(path, {**call.good(6), **end})
    assert (answer.status_code, answer.json["status"]) == (200, "completed")
    assert program.post(path, call.good(6)).json["status"] == "unchanged"


@EVERY_FIELD
def test_a_field_that_is_wrong_is_told_and_nothing_is_written(
    site: Site, call: Taken, field: str
) -> None:
    before = site.counted()
    answer = site.program().post(call.path, {**call.good(7), field: WRONG[field]})
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    assert one_fault(answer.json)["field"] == field
    assert answer.json["detail"].startswith(f"{field}: ")
    assert site.counted() == before


@EVERY_CALL
def test_a_field_that_is_missing_is_told(site: Site, call: Taken) -> None:
    before = site.counted()
    needed = [name for name, one in call.fact.model_fields.items() if one.is_required()]
    for field in needed:
        for blank in ({}, {field: None}, {field: "  "}):
            sent = {name: value for name, value in call.good(7).items() if name != field}
            answer = site.program().post(call.path, {**sent, **blank})
            assert answer.status_code == 422
            assert one_fault(answer.json) == {
                "field": field,
                "sentence": "is missing; a value is needed",
            }
    assert needed
    assert site.counted() == before


@EVERY_CALL
def test_a_field_that_nobody_knows_is_told(site: Site, call: Taken) -> None:
    answer = site.program().post(call.path, {**call.good(7), "colour": "red"})
    assert answer.status_code == 422
    fault = one_fault(answer.json)
    assert fault["field"] == "colour"
    assert all(name in fault["sentence"] for name in call.fact.model_fields)


@EVERY_CALL
def test_an_array_is_kept_whole_or_not_at_all(site: Site, call: Taken) -> None:
    before = site.counted()
    sent = [call.good(8), {**call.good(9), "colour": "red"}, "no fact", call.good(10)]
    answer = site.program().post(call.path, sent)
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    assert [one["status"] for one in answer.json["results"]] == ["good", 422, 422, "good"]
    assert [one.get("index") for one in answer.json["results"]] == [None, 1, 2, None]
    assert answer.json["detail"].startswith("2 of 4 items are refused, so nothing was kept;")
    assert site.counted() == before


@EVERY_CALL
def test_good_items_are_kept_if_the_call_says_so(site: Site, call: Taken) -> None:
    before = site.counted()
    sent = [call.good(8), {**call.good(9), "colour": "red"}, call.good(10), call.good(8)]
    answer = site.program().post(call.path, sent, keep_good="1")
    assert (answer.status_code, answer.mimetype) == (200, "application/json")
    assert [one["status"] for one in answer.json] == ["created", 422, "created", "unchanged"]
    assert answer.json[1]["index"] == 1
    assert one_fault(answer.json[1])["field"] == "colour"
    after = site.counted()
    assert after[call.table] == before[call.table] + 2
    assert after["audit_records"] == before["audit_records"] + 1


@EVERY_CALL
def test_only_the_roles_that_may_write_do(site: Site, call: Taken) -> None:
    for n, role in enumerate(ROLES, start=20):
        before = site.counted()
        answer = site.program(role).post(call.path, call.good(n))
        if may(role, call.permission):
            assert answer.status_code == 201, role
        else:
            assert answer.status_code == 403, role
            assert role in answer.json["detail"]
            assert site.counted() == before


@EVERY_CALL
def test_nobody_writes_without_having_signed_in(site: Site, call: Taken) -> None:
    before = site.counted()
    for headers in ({}, {"Authorization": "Bearer tlk_made-up"}, {"Authorization": "Basic YTph"}):
        answer = site.app.test_client().post(
            f"/api/v1{call.path}", json=call.good(7), headers=headers
        )
        assert (answer.status_code, answer.mimetype) == (401, "application/problem+json")
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert site.counted() == before


@EVERY_CALL
def test_a_session_writes_only_with_the_token_of_its_pages(site: Site, call: Taken) -> None:
    visit = site.visit("administrator")
    before = site.counted()
    refused = visit.client.post(f"/api/v1{call.path}", json=call.good(30))
    assert refused.status_code == 400
    assert "X-CSRFToken" in refused.json["detail"]
    assert site.counted() == before
    answer = visit.client.post(
        f"/api/v1{call.path}", json=call.good(30), headers={"X-CSRFToken": visit._proof}
    )
    assert answer.status_code == 201
    assert site.last_record().actor == "ada"


@EVERY_CALL
def test_the_number_of_statements_does_not_grow_with_the_array(site: Site, call: Taken) -> None:
    statements = Statements(site.engine)
    counts = []
    for first, last in ((40, 70), (70, 100), (100, 330)):
        with statements.counted() as sent:
            answer = site.program().post(call.path, [call.good(n) for n in range(first, last)])
        assert answer.status_code == 201, json.dumps(answer.json)[:500]
        counts.append(len(sent))
    statements.close()
    # What is there already may ask for one statement more or less, the length may not.
    assert counts[2] <= counts[1] + 2


@EVERY_CALL
def test_a_parameter_that_nobody_knows_is_told(site: Site, call: Taken) -> None:
    before = site.counted()
    answer = site.program().post(call.path, call.good(7), keepgood="1")
    assert answer.status_code == 400
    assert one_fault(answer.json)["sentence"] == "'keepgood' is not known here; known are keep_good"
    doubtful = site.program().post(call.path, call.good(7), keep_good="perhaps")
    assert one_fault(doubtful.json)["sentence"] == "'perhaps' is neither 1 nor 0"
    assert site.counted() == before


def test_an_empty_array_is_nothing_to_do(site: Site) -> None:
    before = site.counted()
    answer = site.program().post("/readings", [])
    assert (answer.status_code, answer.json) == (200, [])
    assert site.counted() == before


def test_ten_thousand_readings_go_in_one_post_and_one_more_does_not(site: Site) -> None:
    readings = [
        {"line": 2, "bodymaker": 3, "read_at": at(10_000 + n), "strokes": 100_000 + 300 * n}
        for n in range(10_001)
    ]
    before = site.counted()
    answer = site.program().post("/readings", readings)
    assert answer.status_code == 413
    assert "10001 items; at most 10000" in answer.json["detail"]
    assert site.counted() == before
    answer = site.program().post("/readings", readings[:-1])
    assert answer.status_code == 201
    assert {one["status"] for one in answer.json} == {"created"}
    assert site.counted()["readings"] == before["readings"] + 10_000


def test_local_times_are_plant_time(program: Program) -> None:
    reading = {"line": 2, "bodymaker": 2, "read_at": "2026-07-01T12:00", "strokes": 9}
    answer = program.post("/readings", reading)
    assert answer.json["key"]["read_at"] == "2026-07-01T10:00:00Z"
    same = {**reading, "read_at": "2026-07-01T12:00:00+02:00"}
    assert program.post("/readings", same).json["status"] == "unchanged"


@pytest.mark.parametrize(
    ("local", "why"),
    [("2026-03-29T02:30", "does not exist"), ("2026-10-25T02:30", "occurs twice")],
)
def test_a_local_time_that_is_no_instant_is_refused_with_that_reason(
    program: Program, local: str, why: str
) -> None:
    reading = {"line": 2, "bodymaker": 2, "read_at": local, "strokes": 9}
    answer = program.post("/readings", reading)
    assert answer.status_code == 422
    assert why in one_fault(answer.json)["sentence"]


def test_numbers_and_yes_or_no_may_be_text_as_in_files(program: Program) -> None:
    service = {"line": "2", "bodymaker": "3", "service": "minor", "done_at": at(9_000)}
    assert program.post("/services", {**service, "unplanned": "yes"}).status_code == 201
    same = {"line": 2, "bodymaker": 3, "service": "minor", "done_at": at(9_000), "unplanned": True}
    assert program.post("/services", same).json["status"] == "unchanged"


@EVERY_CALL
def test_the_same_facts_sent_by_two_at_once_are_kept_once(site: Site, call: Taken) -> None:
    sent = [call.good(n) for n in range(350, 380)]
    before = site.counted()
    with ThreadPoolExecutor(2) as senders:
        answers = list(senders.map(lambda _n: site.program().post(call.path, sent), range(2)))
    assert sorted(answer.status_code for answer in answers) == [200, 201]
    assert site.counted()[call.table] == before[call.table] + len(sent)
