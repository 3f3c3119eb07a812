"""`tracelog tools`, and the API's calls for tools: the same documented answers."""

import json
from typing import Any

import pytest
from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.db import writing
from tracelog.instants import write_instant

NOW = write_instant(hour(HOURS))


@pytest.fixture(autouse=True)
def _tools(own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_tools(session, {"R3-7": 2 * plant.MILLION, "P-1": None, "X": None})
        plant.describe_tool(session, "R3-7", "ring-3")
        plant.fit(session, "R3-7", "1-1", "ring-3", 10, 110, "worn")
        plant.work(session, "R3-7", 120, "regrind", size_mm=66.18, note="one step")
        plant.fit(session, "R3-7", "1-2", "ring-3", 200)
        plant.fit(session, "P-1", "1-1", "punch", 0)
        plant.fit(session, "X", "2-1", "punch", 10, 20, "broken")
        plant.work(session, "X", 30, "scrap")


def asked(command: Command, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(command("tools", *words, "--as-of", NOW, "--json").stdout)
    return found


def test_all_tools_are_told_with_their_counts(command: Command) -> None:
    answer = asked(command)
    assert answer["as_of"] == NOW
    assert [row["serial"] for row in answer["tools"]] == ["R3-7", "P-1", "X"]
    assert answer["tools"][0] == {
        "serial": "R3-7",
        "tool_type": "ring-3",
        "state": "in-use",
        "machine": "1-2",
        "position": "ring-3",
        "fitted_at": write_instant(hour(200)),
        "strokes_on_tool": 13_680_000,
        "on_tool_at_least": False,
        "strokes_since_work": 12_480_000,
        "since_work_at_least": False,
        "works": 1,
        "life_strokes": 2_000_000,
        "share_used": 6.24,
    }
    punch, scrapped = answer["tools"][1:]
    assert (punch["since_work_at_least"], punch["share_used"]) == (True, None)
    assert (scrapped["state"], scrapped["machine"]) == ("scrapped", None)


def test_the_list_is_narrowed_by_place_and_text(command: Command) -> None:
    assert [row["serial"] for row in asked(command, "--search", "r3")["tools"]] == ["R3-7"]
    assert [row["serial"] for row in asked(command, "--state", "scrapped")["tools"]] == ["X"]
    assert asked(command, "--state", "tool-room")["tools"] == []


def test_one_tools_card_tells_its_lives_stays_and_works(command: Command) -> None:
    card = asked(command, "R3-7")
    assert (card["usual_works_low"], card["usual_works_high"]) == (4, 8)
    assert [(one["number"], one["strokes"], one["end_reason"]) for one in card["cycles"]] == [
        (1, 1_200_000, "worn"),
        (2, 12_480_000, None),
    ]
    assert [(one["machine"], one["strokes"]) for one in card["stays"]] == [
        ("1-1", 1_200_000),
        ("1-2", 12_480_000),
    ]
    assert card["tool_works"] == [
        {
            "done_at": write_instant(hour(120)),
            "work": "regrind",
            "strokes_before": None,
            "strokes_before_since_work": None,
            "size_mm": 66.18,
            "note": "one step",
        }
    ]


def test_the_answer_is_that_of_the_instant(command: Command) -> None:
    then = write_instant(hour(115))
    found = json.loads(command("tools", "R3-7", "--as-of", then, "--json").stdout)
    assert (found["state"], found["works"], found["strokes_on_tool"]) == ("tool-room", 0, 1_200_000)


def test_people_read_tables_with_lower_bounds_marked(command: Command) -> None:
    table = command("tools", "--as-of", NOW).stdout
    assert "12480000" in table
    assert "8640000+" in table
    assert "624%" in table
    card = command("tools", "R3-7", "--as-of", NOW).stdout
    for words in ("Lives, from new", "Where it was", "What was done to it", "one step"):
        assert words in card


def test_what_is_asked_wrongly_is_told(command: Command) -> None:
    assert "there is no tool 'Z-9' on record" in command("tools", "Z-9", status=1).stderr
    assert "give SERIAL, or" in command("tools", "R3-7", "--search", "x", status=2).stderr
    assert "--state" in command("tools", "--state", "lost", status=2).stderr


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_api_answers_the_same(command: Command, visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    for path, words in (
        ("/tools?as_of=", ()),
        ("/tools?state=in-use&search=R3&as_of=", ("--state", "in-use", "--search", "R3")),
        ("/tools/R3-7?as_of=", ("R3-7",)),
    ):
        answer = visit.get(f"/api/v1{path}{NOW}")
        assert answer.status_code == 200
        assert answer.json == asked(command, *words)
    assert visit.get("/api/v1/tools/Z-9").status_code == 404
    for wrong in ("state=lost", "as_of=never", "limit=5"):
        assert visit.get(f"/api/v1/tools?{wrong}").status_code == 400
