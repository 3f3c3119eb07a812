"""Stock on hold and complaints over the API: answers as described, whole arrays, who may."""

from typing import Any

from tests.api.plant import Site, at
from tests.api.test_cases_and_handover import fits, made

HOLD: dict[str, Any] = {"reason": "dents", "defect": "split", "line": 1, "pallets": ["A-1", "A-2"]}
COMPLAINT: dict[str, Any] = {"received_at": at(0), "code": "1-?", "certainty": "part"}


def test_a_hold_is_raised_decided_and_read(site: Site) -> None:
    supervisor, quality = site.program("supervisor"), site.program("quality")
    hold = made(supervisor, "/holds", HOLD)
    path = f"/holds/{hold}"
    since = supervisor.get(path).json["raised_at"]
    steps = [
        {"step": "found", "pallet": "A-1", "at": since, "place": "yard"},
        {"step": "inspected", "pallet": "A-1", "at": since, "inspected": 50, "defective": 0}
        | {"reason": "sorted"},
    ]
    answer = supervisor.post(f"{path}/steps", steps)
    assert (answer.status_code, [one["status"] for one in answer.json]) == (201, ["created"] * 2)
    assert supervisor.post(f"{path}/steps", steps).status_code == 200
    release = {"step": "released", "pallet": "A-1", "at": since, "reason": "0 of 50"}
    assert supervisor.post(f"{path}/steps", release).status_code == 403
    before = site.counted()
    mixed = quality.post(f"{path}/steps", [release, release | {"pallet": "A-9"}])
    assert mixed.status_code == 422
    assert site.counted() == before
    assert quality.post(f"{path}/steps", release).status_code == 201
    assert quality.post(f"{path}/steps", release | {"reason": "else"}).status_code == 409
    assert quality.post(f"{path}/steps", release | {"hold": hold}).status_code == 422
    found = quality.get(path).json
    fits(site, "/holds/{hold_id}", found)
    assert [(one["pallet"], one["state"]) for one in found["list"]] == [
        ("A-1", "released"),
        ("A-2", "held"),
    ]
    for asked, is_there in (({"open": "1"}, True), ({"open": "0"}, False), ({"pallet": "A-2"}, 1)):
        listed = quality.get("/holds", **asked)
        fits(site, "/holds", listed.json)
        assert (hold in {one["id"] for one in listed.json["holds"]}) == bool(is_there)
    assert quality.get("/holds", open="maybe").status_code == 400
    assert quality.get("/holds/17").status_code == 404


def test_a_complaint_is_written_answered_and_read(site: Site) -> None:
    program = site.program("quality")
    complaint = made(program, "/complaints", COMPLAINT)
    path = f"/complaints/{complaint}"
    steps = [
        {"step": "promised", "at": at(10**7), "text": "day shift"},
        {"step": "corrected", "at": at(5), "text": "read again", "changes": {"code": "1-2"}},
        {"step": "answered", "at": at(30), "text": "first answer"},
    ]
    assert program.post(f"{path}/steps", steps).status_code == 201
    found = program.get(path).json
    fits(site, "/complaints/{complaint_id}", found)
    assert (found["code"], found["as_it_arrived"]["code"]) == ("1-2", "1-?")
    assert (found["hours_to_answer"], found["late"]) == (0.5, False)
    assert [one["machine"] for one in found["answer"]["candidates"]] == ["1-2"]
    assert found["answer"]["made_from"] is None
    listed = program.get("/complaints", open="1")
    fits(site, "/complaints", listed.json)
    assert complaint in {one["id"] for one in listed.json["complaints"]}
    for role in ("operator", "planner"):
        assert site.program(role).post("/complaints", COMPLAINT).status_code == 403
        assert site.program(role).get(path).status_code == 200
    assert program.get("/complaints/17").status_code == 404
