"""`tracelog lives` and the call of the API: one documented answer."""

import json
import re
from typing import Any

import pytest
from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.plants import ENDS_AT
from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, HOURS, START, hour, kept
from tracelog.db import writing
from tracelog.instants import write_instant
from tracelog.plant.facts import ToolFact
from tracelog.plant.tool_actions import record_tools
from tracelog.service.lives_rules import Verdict
from tracelog.service.lives_shapes import LIVES


def answer(command: Command, *words: object) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(command("lives", *words, "--json").stdout)
    return found


@pytest.mark.small_plant
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_command_and_api_give_the_documented_answer(
    command: Command, visit: Visit, cast: Cast
) -> None:
    told = answer(command, "--as-of", write_instant(ENDS_AT))
    assert set(told) == set(LIVES["required"])
    types = [one["tool_type"] for one in told["tools"]]
    assert types == sorted(types)
    assert len(types) == 7
    for one in told["tools"]:
        assert set(one) == set(LIVES["properties"]["tools"]["items"]["required"])
        assert one["verdict"] in set(Verdict)
        assert one["lives"] == one["failures"] + sum(one["censored"].values())
        assert one["costs_are_a_guess"]
        assert one["sentences"]
        if one["shape"] is not None:
            assert one["shape_low"] < one["shape"]
    assert set(told["machines"]) == set(LIVES["properties"]["machines"]["required"])
    cast.sign_in(visit, "operator")
    asked = visit.get(f"/api/v1/tool-lives?as_of={write_instant(ENDS_AT)}")
    assert asked.json == told
    table = command("lives", "--as-of", write_instant(ENDS_AT)).stdout
    assert not re.search(r"\bnan\b|\bNone\b(?! of)", table)
    assert all(kind in table for kind in types)
    assert "Machines: " in table


@pytest.fixture
def rings(own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        tools = [ToolFact(serial=serial, tool_type="ring") for serial in ("A", "B")]
        kept(record_tools(session, tools, ACTOR, START))
        plant.fit(session, "A", "1-1", "ring-1", 10, 60, "worn")
        plant.fit(session, "B", "1-2", "ring-2", 10)


@pytest.mark.usefixtures("rings")
def test_the_answer_as_of_an_instant_knows_nothing_of_later(command: Command) -> None:
    then = answer(command, "--as-of", write_instant(hour(48)))["tools"][0]
    assert (then["failures"], then["censored"]) == (0, {"goes on": 2})
    now = answer(command, "--as-of", write_instant(hour(HOURS)))["tools"][0]
    assert (now["failures"], now["verdict"]) == (1, "not shown yet")


@pytest.mark.usefixtures("rings")
def test_one_type_and_one_position_are_answered_alone(command: Command) -> None:
    at = ("--as-of", write_instant(hour(HOURS)))
    (one,) = answer(command, *at, "--tool-type", "ring", "--position", "ring-2")["tools"]
    assert (one["position"], one["lives"], one["verdict"]) == ("ring-2", 1, "no failures")
    wrong = command("lives", *at, "--tool-type", "rong", status=1).stderr
    assert "no tool of type 'rong' was ever fitted; types are ring" in wrong
    assert "--tool-type" in command("lives", "--position", "ring-2", status=2).stderr


@pytest.mark.usefixtures("rings")
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_what_is_asked_wrongly_of_the_api_is_told(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    asked = visit.get("/api/v1/tool-lives?position=ring-2")
    assert (asked.status_code, asked.json["faults"][0]["field"]) == (400, "position")
    asked = visit.get("/api/v1/tool-lives?tool_type=rong")
    assert (asked.status_code, asked.json["faults"][0]["field"]) == (422, "tool_type")


def test_a_plant_without_tools_is_answered(command: Command, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
    told = answer(command)
    assert told["tools"] == []
    assert told["machines"]["gaps_sentence"] == "No strokes are on record yet."
