"""The pages of lives, their file, and the form of what replacing a tool costs."""

import csv
import io
import re
from html import unescape

import pytest
from sqlalchemy import Engine, select

from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, START, kept
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.plant.facts import ToolFact
from tracelog.plant.tool_actions import record_tools
from tracelog.service.lives import CostEntered, replacement_costs

COSTS = {
    "tool_type": "ring",
    "planned_cost": "80",
    "unplanned_cost": "400.5",
    "interval_strokes": "900000",
    "note": "of May",
}


@pytest.fixture
def planner(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """The planner on a plant where six rings failed in ring-1, one serves in ring-2."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_levels(session)
        tools = [ToolFact(serial=f"R-{n}", tool_type="ring") for n in range(9)]
        kept(record_tools(session, tools, ACTOR, START))
        at = 10.0
        for number, hours in enumerate((50, 60, 70, 80, 66, 58)):
            plant.fit(session, f"R-{number}", "1-1", "ring-1", at, at + hours, "worn")
            at += hours
        plant.fit(session, "R-6", "1-1", "ring-1", at, at + 20, "planned")
        plant.fit(session, "R-7", "1-2", "ring-2", 700)
        plant.fit(session, "R-8", "2-1", "ring-1", 0)
        plant.serve(session, "1-1", "major", 20)
        plant.serve(session, "1-1", "minor", 90, unplanned=True)
        plant.serve(session, "1-1", "minor", 300, unplanned=True)
    cast.sign_in(visit, "planner")
    return visit


def wrong(markup: str) -> dict[str, str]:
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', markup)
    return {field: unescape(sentence) for field, sentence in found}


def costs(engine: Engine) -> dict[str, CostEntered]:
    with reading(engine) as session:
        assert not list(broken_links(session))
        return replacement_costs(session)


def test_the_list_shows_each_type_with_its_figures_and_what_follows(planner: Visit) -> None:
    page = unescape(planner.get("/service/lives").text)
    assert '<a href="/service/lives/ring">ring</a>' in page
    assert "6 of 8" in page
    assert re.search(r'aria-label="Shape [5-9]\.\d+ \(\d', page)
    assert "Replace at about" in page
    assert "a guess, no source" in page
    assert "2 unplanned services" not in page.split("Machines between overhauls")[0]
    assert "in 1 runs" in page
    assert '<a class="choice" href="/service/lives" aria-current="page">Lives</a>' in page


def test_a_plant_without_tools_says_where_lives_come_from(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
    cast.sign_in(visit, "operator")
    page = unescape(visit.get("/service/lives").text)
    assert "No lives yet" in page
    assert "No levels of service are entered" in page
    assert "No strokes are on record yet." in page


def test_the_page_of_a_type_shows_plots_lives_and_positions(planner: Visit) -> None:
    page = unescape(planner.get("/service/lives/ring").text)
    assert page.count('<figure class="life-figure">') == 2
    assert page.count('class="life-point"') == 6
    assert "ring-1: 7 out" in page
    assert "1: 1 age unknown" in page
    rows = re.findall(r'<th scope="row" class="when"><a href="/service/tools/(R-\d)"', page)
    assert sorted(rows) == [f"R-{n}" for n in range(9)]
    assert rows[0] == "R-7"
    assert "Fewer than ten came out so far" in page


def test_one_position_is_shown_alone_with_a_word_of_caution(planner: Visit) -> None:
    page = unescape(planner.get("/service/lives/ring?position=ring-2").text)
    assert "None of 1 has failed." in page
    assert "all positions together say more" in page
    assert '<figure class="life-figure">' not in page
    assert '<a href="/service/tools/R-7"' in page
    assert '<a href="/service/tools/R-0"' not in page


@pytest.mark.parametrize(
    "path",
    [
        "/service/lives/nothing",
        "/service/lives/ring?position=ring-9",
        "/service/lives.csv?tool_type=nothing",
        "/service/lives.csv",
    ],
)
def test_what_is_not_there_is_told(planner: Visit, path: str) -> None:
    answer = planner.get(path)
    assert answer.status_code == 404
    assert re.search(r"types are ring|positions are ring-1, ring-2", answer.text)


def test_the_file_holds_every_life_with_what_it_says(planner: Visit) -> None:
    answer = planner.get("/service/lives.csv?tool_type=ring")
    assert answer.mimetype == "text/csv"
    assert "attachment" in answer.headers["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert len(rows) == 9
    assert rows[0] == {
        "serial": "R-0",
        "life": "1",
        "tool_type": "ring",
        "position": "ring-1",
        "machine": "1-1",
        "started_at": "2026-02-02 16:00:00+01:00",
        "ended_at": "2026-02-04 18:00:00+01:00",
        "entry_strokes": "0",
        "strokes": "600000",
        "counted_as": "failure",
        "why": "worn",
    }
    assert (rows[8]["entry_strokes"], rows[8]["counted_as"]) == ("", "left out")
    one = planner.get("/service/lives.csv?tool_type=ring&position=ring-2").text
    assert len(one.splitlines()) == 2


# --- what replacing costs


def test_costs_are_kept_and_the_page_reckons_with_them(planner: Visit, own_engine: Engine) -> None:
    planner.get("/service/lives/ring")
    answer = planner.post("/service/replacement-costs", **COSTS)
    assert (answer.status_code, answer.location) == (303, "/service/lives/ring")
    assert costs(own_engine)["ring"] == CostEntered("ring", 80, 400.5, 900_000, "of May")
    page = unescape(planner.get("/service/lives/ring").text)
    assert "Kept: what replacing a ring costs." in page
    assert "as much as 5.01 planned ones" in page
    assert "Against today's 900\u202fk strokes" in page
    assert 'name="planned_cost" type="text" value="80"' in page
    with reading(own_engine) as session:
        record = session.execute(
            select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
        ).scalar_one()
        assert (record.action, record.actor) == ("record replacement costs", "pedro")


def test_the_same_costs_again_change_nothing_and_others_replace_them(
    planner: Visit, own_engine: Engine
) -> None:
    planner.get("/service/lives/ring")
    for sent in (COSTS, COSTS, {"tool_type": "ring", "planned_cost": "90"}):
        assert planner.post("/service/replacement-costs", **sent).status_code == 303
    assert costs(own_engine)["ring"] == CostEntered("ring", 90, 400.5, 900_000, "of May")


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("planned_cost", "0", "'0.0' is out of range"),
        ("planned_cost", "1,50", "'1,50' is not a number; write it such as 12 or 0.25"),
        ("unplanned_cost", "<b>", "'<b>' is not a number"),
        ("interval_strokes", "30 M", "'30 M' is not a whole number"),
        ("note", "n" * 4001, "is 4001 characters long"),
    ],
)
def test_bad_costs_are_told_at_their_field_and_nothing_is_kept(
    planner: Visit, own_engine: Engine, field: str, value: str, sentence: str
) -> None:
    planner.get("/service/lives/ring")
    answer = planner.post("/service/replacement-costs", **{**COSTS, field: value})
    assert answer.status_code == 422
    assert wrong(answer.text)[field].startswith(sentence)
    assert costs(own_engine) == {}
    if field != "note":
        assert f'value="{value}"' in unescape(answer.text)


def test_costs_of_a_type_that_was_never_fitted_have_no_page(
    planner: Visit, own_engine: Engine
) -> None:
    planner.get("/service/lives/ring")
    answer = planner.post("/service/replacement-costs", tool_type="rong", planned_cost="7")
    assert answer.status_code == 404
    assert costs(own_engine) == {}


def test_who_may_not_plan_sees_no_form_and_keeps_no_costs(
    planner: Visit, cast: Cast, own_engine: Engine
) -> None:
    planner.client.delete_cookie("tracelog")
    cast.sign_in(planner, "operator")
    assert 'action="/service/replacement-costs"' not in planner.get("/service/lives/ring").text
    assert planner.post("/service/replacement-costs", **COSTS).status_code == 403
    assert costs(own_engine) == {}
