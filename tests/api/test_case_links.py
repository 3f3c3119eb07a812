"""Cases over the API: links, the list's filters, what explained one then and now, and files."""

import uuid
from typing import Any

import pytest

from tests.api.plant import Site, at
from tests.api.test_cases_and_handover import CASE, STEP, fits, made
from tracelog.cases.links.facts import LinkFact, UnlinkFact
from tracelog.db import new_id

LINK: dict[str, Any] = {"machine": "1-1", "note": "all of them"}


@pytest.fixture
def case_id(site: Site) -> str:
    return made(site.program("supervisor"), "/cases", CASE)


def test_links_are_told_with_the_case_and_taken_back(site: Site, case_id: str) -> None:
    program = site.program("supervisor")
    link_id = made(program, f"/cases/{case_id}/links", LINK)
    assert site.last_record().action == "link to case"
    answer = program.get(f"/cases/{case_id}")
    fits(site, "/cases/{case_id}", answer.json)
    (told,) = answer.json["links"]
    assert (told["id"], told["target"], told["name"]) == (link_id, "machine", "1-1")
    again = program.post(f"/cases/{case_id}/links", LINK)
    assert (again.status_code, again.json["faults"][0]["field"]) == (409, "machine")
    back = {"id": link_id, "reason": "it was another"}
    assert program.post(f"/cases/{case_id}/unlinks", back).status_code == 201
    assert program.post(f"/cases/{case_id}/unlinks", back).json["status"] == "unchanged"
    assert program.get(f"/cases/{case_id}").json["links"] == []


def test_a_link_that_is_wrong_is_told_at_its_field(site: Site, case_id: str) -> None:
    wrong: dict[str, tuple[dict[str, Any], str]] = {
        "id": ({"id": "17"}, "is not a UUID"),
        "case": ({"case": case_id}, "stands in the address already"),
        "note": ({"note": "x" * 4001}, "at most 4000"),
        "machine": ({"machine": "9-9"}, "line 9"),
        **{
            name: ({"machine": None, name: value}, "on record")
            for name, value in (
                *(("tool", "none"), ("coil", "none"), ("pallet", "none"), ("hold", 77)),
                *(("defect", "none"), ("entry", str(new_id())), ("complaint", 77)),
                *(("photo", str(new_id())), ("sequence_check", str(new_id()))),
            )
        },
    }
    assert set(wrong) == set(LinkFact.model_fields)
    program, before = site.program("supervisor"), site.counted()
    for field, (sent, words) in wrong.items():
        answer = program.post(f"/cases/{case_id}/links", LINK | sent)
        assert answer.status_code == 422, field
        (fault,) = answer.json["faults"]
        assert (fault["field"], words in fault["sentence"]) == (field, True), fault
    assert set(UnlinkFact.model_fields) == {"id", "case", "reason"}
    missing = program.post(f"/cases/{case_id}/unlinks", {"id": str(new_id()), "reason": "r"})
    assert missing.status_code == 404
    assert site.counted() == before


def test_the_list_is_filtered_and_cut_into_pages(site: Site) -> None:
    program = site.program("supervisor")
    own = f"only-{uuid.uuid4()}"
    ids = [made(program, "/cases", CASE | {"title": f"{own} {n}"}) for n in range(3)]
    made(program, f"/cases/{ids[0]}/steps", STEP)
    found = program.get("/cases", limit="2", words=own)
    fits(site, "/cases", found.json)
    assert [one["id"] for one in found.json["cases"]] == ids[:0:-1]
    rest = program.get("/cases", limit="2", words=own, cursor=found.json["next_cursor"])
    assert [one["id"] for one in rest.json["cases"]] == ids[:1]
    assert rest.json["next_cursor"] is None
    for asked, which in (
        ({"state": "watching"}, ids[:1]),
        ({"state": "open", "order": "oldest"}, ids[1:]),
        ({"words": f"ring new {own}"}, ids[:1]),
        ({"machine": "1-2"}, []),
        ({"line": "1", "defect": "split", "open": "1", "order": "oldest"}, ids),
    ):
        listed = program.get("/cases", **({"words": own} | asked)).json["cases"]
        assert [one["id"] for one in listed] == which, asked


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"state": "gone"}, "state"),
        ({"line": "77"}, "line"),
        ({"machine": "1-77"}, "machine"),
        ({"order": "best"}, "order"),
        ({"limit": "0"}, "limit"),
        ({"cursor": "x"}, "cursor"),
        ({"open": "1", "state": "held"}, "open"),
    ],
)
def test_a_filter_that_is_wrong_is_told(site: Site, asked: dict[str, str], field: str) -> None:
    answer = site.program("supervisor").get("/cases", **asked)
    assert answer.status_code == 400
    assert [fault["field"] for fault in answer.json["faults"]] == [field]


def test_what_explained_it_stands_beside_what_explains_it_now(site: Site, case_id: str) -> None:
    program = site.program("supervisor")
    answer = program.get(f"/cases/{case_id}/explanation")
    fits(site, "/cases/{case_id}/explanation", answer.json)
    assert answer.json["at_opening"]["answer"]["defect"] == "split"
    assert answer.json["beside"][-1]["what"] == "nothing special"
    assert program.get(f"/cases/{uuid.uuid4()}/explanation").status_code == 404


def test_a_change_on_a_case_is_a_change_for_programs_too(site: Site, case_id: str) -> None:
    program = site.program("supervisor")
    changed = {
        "kind": "changed",
        "change": "repair",
        "minutes_down": 30,
        "text": "ring",
        "at": at(600),
    }
    made(program, f"/cases/{case_id}/steps", changed)
    assert program.get(f"/cases/{case_id}").json["cost"]["minutes_down"] == 30
    same = {"line": 1, "bodymaker": 1, "at": at(600), "kind": "repair", "note": "ring"}
    assert program.post("/changes", same).json["status"] == "unchanged"


def test_operators_look_and_do_not_link(site: Site, case_id: str) -> None:
    operator, before = site.program("operator"), site.counted()
    for path, sent in (("links", LINK), ("unlinks", {"id": str(new_id()), "reason": "r"})):
        assert operator.post(f"/cases/{case_id}/{path}", sent).status_code == 403
    assert operator.get(f"/cases/{case_id}/explanation").status_code == 200
    assert site.counted() == before
