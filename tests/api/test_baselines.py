"""Frozen baselines over the API: frozen, told, replaced by whoever saw them."""

from typing import Any

import pytest

from tests.api.plant import Program, Site
from tests.api.test_collections import one_fault

WISH: dict[str, Any] = {
    "line": 1,
    "bodymaker": 3,
    "evidence": "production",
    "of": "split",
    "starts_at": "2026-03-01T06:00:00Z",
    "ends_at": "2026-03-02T06:00:00Z",
    "reason": "ran as it should",
}


def _of(program: Program, bodymaker: int, as_of: str = "") -> list[dict[str, Any]]:
    answer = program.get("/baselines" + (f"?as_of={as_of}" if as_of else ""))
    assert answer.status_code == 200, answer.text
    return [one for one in answer.get_json()["baselines"] if one["bodymaker"] == bodymaker]


def test_a_baseline_is_frozen_told_and_replaced(program: Program) -> None:
    kept = program.post("/baselines", WISH)
    assert kept.status_code == 201, kept.text
    assert program.post("/baselines", WISH).get_json() == {
        "status": "unchanged",
        "id": kept.get_json()["id"],
    }
    [told] = _of(program, 3)
    assert told["id"] == kept.get_json()["id"]
    assert {name: told[name] for name in WISH} == WISH
    other = WISH | {"ends_at": "2026-03-02T18:00:00Z", "reason": "longer"}
    refused = program.post("/baselines", other)
    assert refused.status_code == 409
    assert one_fault(refused.get_json())["field"] == "instead_of"
    seen = other | {"instead_of": kept.get_json()["id"]}
    replaced = program.post("/baselines", seen)
    assert replaced.status_code == 201
    back = {name: value for name, value in seen.items() if not name.endswith("s_at")}
    back |= {"instead_of": replaced.get_json()["id"], "reason": "all points after all"}
    assert program.post("/baselines", back).status_code == 201
    [told] = _of(program, 3)
    assert (told["starts_at"], told["reason"]) == (None, "all points after all")
    assert _of(program, 3, "2026-03-01T00:00:00Z") == []


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"of": "spilt"}, "of"),
        ({"bodymaker": 99}, "bodymaker"),
        ({"line": None}, "line"),
        ({"evidence": "hearsay"}, "evidence"),
        ({"ends_at": None}, "ends_at"),
        ({"ends_at": "2020-01-01T00:00:00Z"}, "ends_at"),
        ({"starts_at": "2019-01-01T00:00:00Z"}, "starts_at"),
        ({"reason": ""}, "reason"),
        ({"instead_of": "7"}, "instead_of"),
    ],
)
def test_what_is_wrong_is_told_at_its_field(
    program: Program, wrong: dict[str, Any], field: str
) -> None:
    answer = program.post("/baselines", WISH | {"bodymaker": 1} | wrong)
    assert one_fault(answer.get_json())["field"] == field
    assert _of(program, 1) == []


@pytest.mark.parametrize("role", ["operator", "planner"])
def test_who_may_not_is_refused_and_may_still_look(site: Site, role: str) -> None:
    program = site.program(role)
    assert program.post("/baselines", WISH).status_code == 403
    assert program.get("/baselines").status_code == 200
