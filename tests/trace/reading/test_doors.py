"""Doubt and time found by command, page and API: the same answer, and what is refused."""

import json
from typing import Any

import pytest

from tests.support.command import Command
from tests.support.plants import ENDS_AT
from tests.support.site import Cast, Visit

pytestmark = pytest.mark.small_plant
AT = "2026-06-20T12:00:00Z"


def asked(command: Command, *words: str) -> dict[str, Any]:
    answer = command("trace", *words, "--as-of", ENDS_AT.isoformat(), "--json").stdout
    found: dict[str, Any] = json.loads(answer)
    return found


@pytest.fixture
def somebody(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in on the small plant."""
    cast.sign_in(visit, "operator")
    return visit


def test_command_and_api_tell_the_same_of_a_doubted_code(command: Command, somebody: Visit) -> None:
    told = asked(command, "1-3", "--at", AT, "--doubtful", "--defect", "split")
    first = told["candidates"][0]
    assert (first["machine"], first["code"], first["reason"]) == ("1-3", "1-3", "as read")
    assert {"2-3", "1-1"} <= {one["machine"] for one in told["candidates"]}
    assert sum(one["probability"] for one in told["candidates"]) == pytest.approx(1)
    assert {"code": "1-8", "machine": None, "reason": "no such machine"} in told["dropped"]
    asked_for = f"code=1-3&at={AT}&certainty=unsure&defect=split&as_of={ENDS_AT:%Y-%m-%dT%H:%M:%SZ}"
    answer = somebody.get(f"/api/v1/trace?{asked_for}")
    assert answer.status_code == 200
    assert answer.json["candidates"] == told["candidates"]  # type: ignore[index]


def test_time_and_place_found_tell_when_it_was_made_at_every_door(
    command: Command, somebody: Visit
) -> None:
    told = asked(command, "1-3", "--seen-at", AT, "--found-at", "palletiser")
    assert told["machine"] == "1-3"
    assert told["made"]["from"] < told["made"]["to"] < AT
    page = somebody.get(f"/trace?code=1-3&seen_at={AT}&found_at=palletiser").text
    assert "the time found less the way to there" in page
    coded = asked(command, "1-3", "--time-code", "2026-06-20 07")
    assert "the time code on the can" in coded["made"]["basis"]


def test_what_is_wrong_is_told_at_its_place(command: Command, somebody: Visit) -> None:
    refused = command("trace", "1-3", "--time-code", "noon", status=2)
    assert "is not a time code" in refused.stderr
    refused = command("trace", "--tool", "R3", "--doubtful", status=2)
    assert "go with a CODE" in refused.stderr
    answer = somebody.get("/api/v1/trace?code=1-3&certainty=perhaps")
    assert answer.status_code == 400
    assert "write sure or unsure" in answer.text
    page = somebody.get("/trace?code=1-3&time_code=noon")
    assert page.status_code == 400
    assert "is not a time code" in page.text
