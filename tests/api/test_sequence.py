"""Rows of cans, dome numbers and station parts by the API: shapes, and what is kept once."""

from tests.api.plant import Site
from tests.api.test_cases_and_handover import fits, made
from tracelog.db import new_id

ROW = {
    "line": 1,
    "taken_after": "light-tester",
    "defect": "split",
    "taken_at": "2026-03-02T09:00:00Z",
    "cans": ("gggb" + 8 * "g") * 4,
}
PARTS = [
    {"line": 1, "station": "necker", "part": "pocket", "count": 12},
    {"line": 1, "station": "flanger", "part": "pocket", "count": 12},
]


def test_a_row_is_kept_once_and_answered_with_its_shape(site: Site) -> None:
    program = site.program("supervisor")
    assert program.post("/station-parts", PARTS).status_code == 201
    listed = program.get("/station-parts")
    fits(site, "/station-parts", listed.json)
    assert [one["station"] for one in listed.json["station_parts"]] == ["necker", "flanger"]
    key = str(new_id())
    made(program, "/sequence-checks", ROW | {"id": key})
    again = program.post("/sequence-checks", ROW | {"id": key})
    assert (again.status_code, again.json["status"]) == (200, "unchanged")
    assert program.post("/sequence-checks", ROW | {"id": key, "cans": "gggb"}).status_code == 409
    one = program.get(f"/sequence-checks/{key}")
    fits(site, "/sequence-checks/{check_id}", one.json)
    assert one.json["answer"]["repeats"][0]["places"] == [4]
    assert one.json["answer"]["next"]["kind"] == "between"
    fits(site, "/sequence-checks", program.get("/sequence-checks", line="1").json)
    assert program.get("/sequence-checks", line="2").json["sequence_checks"] == []
    asked = program.get("/sequence", line="1", taken_after="necker", taken="36", bad="4,16,28")
    fits(site, "/sequence", asked.json)
    assert asked.json["numbers"][0]["parts"][0]["can_show"] is True


def test_dome_numbers_are_answered_with_their_shape(site: Site) -> None:
    program = site.program("operator")
    answer = program.get("/dome-numbers", codes="1-1,1-1,1-2,1-?", seen_at="2026-03-02T09:00:00Z")
    fits(site, "/dome-numbers", answer.json)
    assert answer.json["unread"] == ["1-?"]
    assert answer.json["weighed_by_strokes"] is False
    assert program.get("/dome-numbers", codes="1-77").status_code == 422


def test_a_row_that_is_none_is_answered_with_its_faults(site: Site) -> None:
    program = site.program("operator")
    answer = program.post("/sequence-checks", ROW | {"cans": "ggx", "line": 0})
    assert answer.status_code == 422
    assert {one["field"] for one in answer.json["faults"]} == {"cans", "line"}
    assert program.post("/station-parts", PARTS).status_code == 403
    assert program.get("/sequence", line="9", taken_after="necker", cans="gggb").status_code == 422
    assert program.get(f"/sequence-checks/{new_id()}").status_code == 404
    assert program.get("/sequence-checks/17").status_code == 404
