"""The Trends page as people use it: by its form, without scripts, and with the chart library."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.site import Cast

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


def test_quality_finds_a_machine_among_the_others(cast: Cast, site_page: Page) -> None:
    cast.sign_in_on(site_page, "quality")
    site_page.goto("/trends")
    site_page.get_by_label("Kind of defect").select_option("wall-tear-off")
    site_page.get_by_role("button", name="Show").click()
    expect(site_page).to_have_url(re.compile("defect=wall-tear-off"))
    rates = site_page.get_by_role("region", name="Machines beside each other: rates")
    rates.get_by_role("link", name="1-2").click()
    expect(site_page.get_by_role("heading", name="Over time: machine 1-2")).to_be_visible()
    expect(site_page.get_by_label("Machine", exact=True)).to_have_value("1-2")
    expect(site_page.get_by_label("Kind of defect")).to_have_value("wall-tear-off")


def test_all_figures_are_there_without_scripts(
    cast: Cast, visitors: Visitors, site_url: str
) -> None:
    page = visitors.open(base_url=site_url, java_script_enabled=False)
    cast.sign_in_on(page, "supervisor")
    page.goto("/trends?machine=1-2&explore=yes")
    figures = page.locator("svg.trend")
    expect(figures).to_have_count(5)
    for place in range(5):
        expect(figures.nth(place)).to_be_visible()


@pytest.mark.parametrize(("width", "look"), [(360, "light"), (1440, "dark")])
def test_the_chart_library_draws_all_figures_when_asked(
    cast: Cast, visitors: Visitors, site_url: str, width: int, look: str
) -> None:
    page = visitors.open(width=width, base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "supervisor")
    page.goto("/trends")
    assert page.locator(".main-svg").count() == 0
    page.get_by_role("link", name="Explore the figures").click()
    for figure in ("rates", "chart", "pareto"):
        place = page.locator(f"[data-figure^='/trends/{figure}.json']")
        expect(place.locator(".main-svg").first).to_be_visible(timeout=60_000)
    expect(page.locator("svg.trend").first).to_be_hidden()
    assert "plotly" not in page.locator("main").inner_text().lower()
    # Its own rules are in the sheet that bears its name, since none may be inline.
    rules = "[...document.getElementById('plotly.js-style-global').sheet.cssRules]"
    assert page.evaluate(f"{rules}.some(rule => rule.cssText.includes('.js-plotly-plot'))")


@pytest.mark.parametrize("look", ["light", "dark"])
def test_nothing_stands_in_anybodys_way(
    cast: Cast, visitors: Visitors, site_url: str, look: str
) -> None:
    page = visitors.open(base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "operator")
    for address in (
        "/trends?machine=1-2&bucket=week",
        "/trends?by=tool&across=shift",
        "/trends?machine=9-9&from=x",
    ):
        page.goto(address)
        assert obstacles(page) == []
