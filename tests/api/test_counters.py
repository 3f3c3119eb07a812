"""Counters over the API: what is open, and deciding on it."""

import json
import uuid
from typing import Any

import pytest

from tests.api.plant import Program, Site, at
from tracelog.db import reading
from tracelog.plant.queries import directory
from tracelog.strokes.queries import machine_span

HOUR = 60
# The machine's counter falls between the third hour and the fourth.
SHOWN = (1000, 13_000, 25_000, 37_000, 500, 12_500, 24_500)
FROM, TO = at(3 * HOUR), at(4 * HOUR)


def furnish(program: Program, line: int, bodymaker: int) -> None:
    """Readings of one machine, which no other test uses."""
    place = {"line": line, "bodymaker": bodymaker}
    rows = [{**place, "read_at": at(n * HOUR), "strokes": s} for n, s in enumerate(SHOWN)]
    assert program.post("/readings", rows).status_code == 201


def decision(line: int, bodymaker: int, **more: Any) -> dict[str, Any]:
    return {"line": line, "bodymaker": bodymaker, "to_at": TO, **more}


def asked(program: Program, machine: str, **more: Any) -> dict[str, Any]:
    answer = program.get("/counter-questions", machine=machine, **more)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json
    return found


def total(site: Site, machine: str) -> int:
    with reading(site.engine) as session:
        machine_id: uuid.UUID = directory(session).machine_named(machine).id
        return machine_span(session)[machine_id].strokes


def test_a_question_is_asked_settled_and_opened_again(site: Site) -> None:
    program = site.program("planner")
    furnish(program, 1, 1)
    jump, silence = asked(program, "1-1")["questions"]
    assert {**jump, "strokes_estimated": None} == {
        "machine": "1-1",
        "kind": "backward jump",
        "from_at": FROM,
        "to_at": TO,
        "from_strokes": 37_000,
        "to_strokes": 500,
        "strokes_estimated": None,
        "strokes_shown": None,
        "usual_hours": None,
        "last_settled_at": None,
    }
    assert jump["strokes_estimated"] == 12_000
    assert (silence["kind"], silence["usual_hours"], silence["to_at"]) == ("silence", 1.0, None)

    made = decision(1, 1, verdict="made", from_at=FROM, strokes=11_000, note="by hand")
    answer = program.post("/counter-settlements", made)
    assert (answer.status_code, answer.json["status"]) == (201, "created")
    assert answer.json["key"] == {"line": 1, "bodymaker": 1, "to_at": TO}
    assert program.post("/counter-settlements", made).json["status"] == "unchanged"
    assert total(site, "1-1") == 5 * 12_000 + 11_000
    after = asked(program, "1-1", settled="1")
    assert [one["kind"] for one in after["questions"]] == ["silence"]
    (settled,) = after["settled"]
    assert (settled["verdict"], settled["strokes"], settled["in_force"]) == ("made", 11_000, True)
    assert (settled["settled_by"], settled["note"]) == ("pedro/gateway", "by hand")
    record = site.last_record()
    assert (record.action, record.actor, record.door) == (
        "record counter settlements",
        "pedro/gateway",
        "api",
    )
    assert json.loads(record.after or "")["strokes"] == "11000"

    unseen = program.post("/counter-settlements", decision(1, 1, verdict="open"))
    assert unseen.status_code == 409
    assert "pedro/gateway settled this at" in unseen.json["detail"]
    seen = decision(1, 1, verdict="open", last_settled_at=settled["settled_at"])
    assert program.post("/counter-settlements", seen).status_code == 201
    assert asked(program, "1-1")["questions"][0]["last_settled_at"] > settled["settled_at"]
    assert total(site, "1-1") == 5 * 12_000


def test_what_was_known_then_is_answered_as_of_then(site: Site) -> None:
    program = site.program()
    furnish(program, 1, 2)
    wrong = decision(1, 2, verdict="misread", settled_at=at(9 * HOUR))
    assert program.post("/counter-settlements", wrong).status_code == 201
    then = asked(program, "1-2", as_of=at(8 * HOUR), settled="1")
    assert [one["to_at"] for one in then["questions"]] == [TO]
    assert then["settled"] == []
    now = asked(program, "1-2", as_of=at(10 * HOUR), settled="1")
    assert [one["to_at"] for one in now["questions"]] == [at(5 * HOUR)]
    assert [one["verdict"] for one in now["settled"]] == ["misread"]


def test_an_array_is_kept_whole_or_not_at_all(site: Site) -> None:
    program = site.program()
    furnish(program, 1, 3)
    good = decision(1, 3, verdict="made", from_at=FROM, strokes=0)
    bad = decision(1, 3, verdict="misread") | {"to_at": at(1)}
    answer = program.post("/counter-settlements", [good, bad])
    assert answer.status_code == 422
    first, second = answer.json["results"]
    assert first["status"] == "good"
    assert "was not read at" in second["detail"]
    assert len(asked(program, "1-3")["questions"]) == 2
    kept = program.post("/counter-settlements", [good, bad], keep_good="1")
    assert (kept.status_code, kept.json[0]["status"]) == (200, "created")
    assert len(asked(program, "1-3")["questions"]) == 1


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"verdict": "guessed"}, "verdict"),
        ({"verdict": "made", "strokes": 5}, "from_at"),
        ({"verdict": "made", "from_at": FROM}, "strokes"),
        ({"verdict": "made", "from_at": at(300), "strokes": 5}, "from_at"),
        ({"verdict": "made", "from_at": TO, "strokes": 5}, "strokes"),
        ({"verdict": "open", "strokes": 5}, "strokes"),
        ({"verdict": "misread", "from_at": FROM}, "from_at"),
        ({"verdict": "misread", "note": "x" * 4001}, "note"),
        ({"verdict": "misread", "settled_by": "x" * 81}, "settled_by"),
        ({"verdict": "misread", "last_settled_at": "then"}, "last_settled_at"),
        ({"verdict": "misread", "colour": "red"}, "colour"),
    ],
)
def test_a_field_that_is_wrong_is_told(program: Program, more: dict[str, Any], field: str) -> None:
    answer = program.post("/counter-settlements", decision(2, 1, **more))
    assert answer.status_code == 422
    assert [fault["field"] for fault in answer.json["faults"]] == [field]


@pytest.mark.parametrize(
    "asked_for", [{"machine": "9-9"}, {"settled": "perhaps"}, {"as_of": "then"}, {"line": "1"}]
)
def test_a_parameter_that_is_wrong_is_told(program: Program, asked_for: dict[str, str]) -> None:
    answer = program.get("/counter-questions", **asked_for)
    assert answer.status_code in (400, 422)
    (fault,) = answer.json["faults"]
    assert fault["field"] in asked_for


def test_only_who_may_settle_settles(site: Site) -> None:
    for role in ("operator", "quality"):
        program = site.program(role)
        assert program.get("/counter-questions").status_code == 200
        sent = decision(2, 2, verdict="misread")
        assert program.post("/counter-settlements", sent).status_code == 403
