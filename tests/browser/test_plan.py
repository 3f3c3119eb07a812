"""The plan of services in a browser: typed with the keyboard, dragged, printed, and on a phone."""

import re
from datetime import date, timedelta

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.service.promises import promised
from tests.support.browser import Visitors
from tests.support.clock import Clock
from tests.support.site import Cast

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


def open_plan(visitors: Visitors, cast: Cast, url: str, width: int, height: int) -> Page:
    page = visitors.open(width, height, base_url=url, color_scheme="light")
    cast.sign_in_on(page, "planner")
    page.goto("/service/plan")
    expect(page.get_by_role("heading", name="Service plan", level=1)).to_be_visible()
    return page


def test_a_day_is_promised_with_the_keyboard_after_looking_what_it_costs(
    visitors: Visitors, cast: Cast, site_url: str, own_engine: Engine, clock: Clock
) -> None:
    page = open_plan(visitors, cast, site_url, 1024, 768)
    wish = page.locator("form.plan-wish").first
    machine = wish.locator("[name=machine]").get_attribute("value")
    service = wish.locator("[name=service]").get_attribute("value")
    field = wish.get_by_label(re.compile("^Day for"))
    planned = date.fromisoformat(field.input_value())
    day = planned + timedelta(days=1)
    field.focus()
    page.keyboard.type(f"{day:%m%d%Y}")
    assert field.input_value() == day.isoformat()
    page.keyboard.press("Tab")
    while page.evaluate("document.activeElement.tagName") != "BUTTON":
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name=f"{machine} {service} on {day}")).to_be_visible()
    expect(page.get_by_text(re.compile("It (makes the plan|costs nothing)"))).to_be_visible()
    assert promised(own_engine, clock) == []
    page.get_by_role("button", name="Promise this day").press("Enter")
    expect(page.get_by_role("button", name=f"Take back {machine} {service}, {day}")).to_be_visible()
    assert promised(own_engine, clock) == [(machine, service, day)]


def test_a_ring_is_dragged_to_another_day_of_its_own_machine_only(
    visitors: Visitors, cast: Cast, site_url: str, own_engine: Engine, clock: Clock
) -> None:
    page = open_plan(visitors, cast, site_url, 1920, 1080)
    expect(page.get_by_text("Drag a ring to another day")).to_be_visible()
    ring = page.locator(".plan-ring[draggable=true]").first
    machine = ring.get_attribute("data-machine") or ""
    rows = page.locator(".plan-grid tbody tr")
    before = page.url
    ring.drag_to(rows.last.locator("td").nth(3))
    assert page.url == before
    aim = (
        rows.filter(has=page.get_by_role("rowheader", name=machine, exact=True))
        .locator("td[data-day]:not(.is-rest):not(.is-blocked)")
        .nth(2)
    )
    day = aim.get_attribute("data-day")
    ring.drag_to(aim)
    expect(page.get_by_role("heading", name=re.compile(f"^{machine} .* on {day}$"))).to_be_visible()
    assert promised(own_engine, clock) == []


def test_the_plan_prints_as_a_list_without_its_forms(
    visitors: Visitors, cast: Cast, site_url: str
) -> None:
    page = open_plan(visitors, cast, site_url, 1024, 768)
    page.emulate_media(media="print")
    expect(page.get_by_role("table", name="Day by day")).to_be_visible()
    for hidden in (".plan-grid", ".plan-wish", ".plan-desk", ".plan-asked"):
        expect(page.locator(hidden).first).to_be_hidden()
    cut = page.evaluate(
        """() => [...document.querySelectorAll("table")].filter(
            (one) => one.offsetParent && one.getBoundingClientRect().right > innerWidth + 1
        ).length"""
    )
    assert cut == 0


def test_on_a_phone_only_the_grid_scrolls_sideways(
    visitors: Visitors, cast: Cast, site_url: str
) -> None:
    page = open_plan(visitors, cast, site_url, 360, 740)
    widths = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert widths[0] <= widths[1]
    frame = page.get_by_role("region", name="Machines and days")
    assert frame.evaluate("(one) => one.scrollWidth > one.clientWidth")
