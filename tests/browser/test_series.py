"""The page of one series: a baseline frozen with the keyboard alone, and nothing in the way."""

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
ADDRESS = "/trends/chart?machine=1-2&from=2026-06-05&to=2026-06-28&rules=western-electric-1956"


def _tab_to(page: Page, label: str) -> None:
    """Press the tab key until the field with a label has the focus."""
    wanted = page.locator("form[action='/trends/chart/baseline']").get_by_label(label, exact=True)
    for _press in range(400):
        if wanted.evaluate("field => field === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the tab key does not lead to {label}")


def test_quality_freezes_a_baseline_by_keyboard(cast: Cast, site_page: Page) -> None:
    cast.sign_in_on(site_page, "quality")
    site_page.goto(ADDRESS + "#baseline")
    expect(site_page.get_by_text("All points shown set the centre").first).to_be_visible()
    _tab_to(site_page, "From")
    site_page.keyboard.press("Control+A")
    site_page.keyboard.type("2026-06-05")
    site_page.keyboard.press("Tab")
    site_page.keyboard.press("Control+A")
    site_page.keyboard.type("2026-06-12")
    site_page.keyboard.press("Tab")
    site_page.keyboard.type("a calm week after the overhaul")
    site_page.keyboard.press("Tab")
    site_page.keyboard.press("Enter")
    expect(site_page).to_have_url(re.compile("#baseline$"))
    expect(site_page.get_by_text("Baseline frozen; the chart now uses it.")).to_be_visible()
    expect(site_page.get_by_text("A calm week after the overhaul.").first).to_be_visible()
    proposed = site_page.get_by_role("link", name="Fill in the form with it")
    proposed.focus()
    site_page.keyboard.press("Enter")
    reason = site_page.get_by_label("Reason")
    expect(reason).to_have_value(re.compile("^after 1-2 "))


@pytest.mark.parametrize("address", [ADDRESS, "/trends/chart?defect=nothing", "/log/entries"])
@pytest.mark.parametrize(("width", "look"), [(360, "light"), (1440, "dark")])
def test_nothing_stands_in_anybodys_way(
    cast: Cast, visitors: Visitors, site_url: str, address: str, width: int, look: str
) -> None:
    page = visitors.open(width=width, base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "quality")
    page.goto(address)
    assert obstacles(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_chart_is_whole_without_scripts(cast: Cast, visitors: Visitors, site_url: str) -> None:
    page = visitors.open(base_url=site_url, java_script_enabled=False)
    cast.sign_in_on(page, "supervisor")
    page.goto(ADDRESS)
    expect(page.locator(".trends-figure svg.trend")).to_have_count(2)
    page.get_by_role("region", name="Points of the control chart").get_by_role("link").first.click()
    expect(page.get_by_role("heading", name="Entries", level=1)).to_be_visible()
