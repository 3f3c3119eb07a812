"""Stories of the counters: a planner settles a jump, an operator reads a display with gloves on."""

import re
from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.clock import Clock
from tests.support.plants import ENDS_AT
from tests.support.site import Cast
from tracelog.audit import broken_links
from tracelog.db import reading
from tracelog.plant.queries import directory
from tracelog.strokes.queries import last_reading, machine_span, open_questions

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


def total(engine: Engine, name: str) -> int:
    with reading(engine) as session:
        machine = directory(session).machine_named(name).id
        return machine_span(session)[machine].strokes


def test_a_planner_answers_both_jumps_and_takes_one_answer_back(
    cast: Cast, site_page: Page, own_engine: Engine, clock: Clock
) -> None:
    page = site_page
    cast.sign_in_on(page, "planner")
    before = {name: total(own_engine, name) for name in ("1-3", "2-2")}
    page.get_by_role("listitem").filter(has_text="1-3").get_by_role(
        "link", name="its counter"
    ).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Counters")
    expect(page.get_by_role("navigation", name="Rooms").locator("[aria-current]")).to_have_text(
        "Service"
    )
    questions = page.get_by_role("list", name="Open questions").get_by_role("listitem")
    expect(questions).to_have_count(2)

    questions.filter(has_text="1-3").get_by_role("link", name="Settle it").click()
    form = page.get_by_role("form", name="Strokes that were made")
    offered = int(form.get_by_label("Strokes", exact=True).input_value())
    assert 0 < offered < 30_000
    form.get_by_label("Strokes", exact=True).fill("seven thousand")
    form.get_by_label("Strokes", exact=True).press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("is not a whole number")
    form.get_by_label("Strokes", exact=True).fill(f"{offered:,}")
    form.get_by_label("Note").fill("the machine ran as ever")
    form.get_by_role("button", name="Count these strokes").click()
    expect(page.get_by_role("status")).to_contain_text(f"{offered:,} strokes of 1-3 are counted")
    expect(questions).to_have_count(1)
    assert total(own_engine, "1-3") == before["1-3"] + offered

    questions.get_by_role("link", name="Settle it").click()
    form = page.get_by_role("form", name="Something was done to the counter")
    expect(form.get_by_label("It was")).to_have_value("preset")
    form.get_by_role("button", name="Keep the event").click()
    expect(page.get_by_text("No open questions")).to_be_visible()
    assert total(own_engine, "2-2") > before["2-2"] + 10_000

    settled = page.get_by_role("region", name="Settled, the latest first")
    expect(settled.get_by_role("row")).to_have_count(2)
    settled.get_by_role("link", name="1-3").click()
    clock.forward(timedelta(minutes=2))
    page.get_by_label("Note").fill("wrong machine")
    page.get_by_role("button", name="Open the question again").click()
    expect(questions).to_have_count(1)
    assert total(own_engine, "1-3") == before["1-3"]
    with reading(own_engine) as session:
        assert len(open_questions(session)) == 1
        assert broken_links(session) == []


def test_an_operator_reads_a_display_and_is_asked_about_a_slip(
    cast: Cast, visitors: Visitors, site_url: str, own_engine: Engine
) -> None:
    page = visitors.open(360, 740, base_url=site_url, has_touch=True, is_mobile=True)
    cast.sign_in_on(page, "operator")
    with reading(own_engine) as session:
        machine = directory(session).machine_named("2-3").id
        last = last_reading(session)[machine]
    minutes = (ENDS_AT - last.read_at).total_seconds() / 60
    right = last.strokes + int(minutes * 250)
    slip = int("".join(reversed(str(right)))) if str(right)[0] != str(right)[-1] else right + 10**6

    page.goto("/machines/2/bodymaker/3")
    page.get_by_text("Read the counter").tap()
    figure = page.get_by_label("It shows")
    expect(figure).to_have_attribute("inputmode", "numeric")
    box = figure.bounding_box()
    assert box is not None
    assert box["height"] >= 56
    figure.fill(str(slip))
    page.get_by_role("button", name="Keep the figure").tap()
    expect(page.get_by_role("alert")).to_contain_text("at its usual pace it should show about")
    expect(page.get_by_role("alert")).to_contain_text(f"if it really shows {slip:,}, confirm")
    assert obstacles(page) == []
    with reading(own_engine) as session:
        assert last_reading(session)[machine] == last

    page.get_by_label("It shows").fill(str(right))
    page.get_by_role("button", name="Keep what I typed now").tap()
    expect(page.get_by_role("status")).to_contain_text(f"Kept: 2-3 showed {right:,}.")
    expect(page).to_have_url(re.compile("/machines/2/bodymaker/3$"))
    with reading(own_engine) as session:
        assert last_reading(session)[machine].strokes == right
        assert [one.machine_id for one in open_questions(session)].count(machine) == 0
        assert broken_links(session) == []
