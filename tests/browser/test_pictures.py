"""Funnel, heat map and years in a browser: by hand, without obstacles, and on paper."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.pdf_text import pages_of
from tests.support.site import Cast

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
PAGES = ("/trends", "/trends/funnel", "/trends/heat", "/trends/years")
# Width and height in points; source: ISO 216 and ANSI/ASME Y14.1.
PAPERS = {"A4": (595.0, 842.0), "Letter": (612.0, 792.0)}


def test_a_cell_of_the_heat_map_leads_to_its_entries(cast: Cast, site_page: Page) -> None:
    cast.sign_in_on(site_page, "quality")
    site_page.goto("/trends/heat?machine=1-2")
    cell = site_page.locator(".heat button").first
    cell.focus()
    site_page.keyboard.press("Enter")
    expect(site_page).to_have_url(re.compile("/log/entries.*machine=1-2"))


def test_the_funnel_is_drawn_by_the_chart_library_when_asked(
    cast: Cast, visitors: Visitors, site_url: str
) -> None:
    page = visitors.open(base_url=site_url)
    cast.sign_in_on(page, "supervisor")
    page.goto("/trends/funnel")
    page.get_by_role("link", name="Explore the figures").click()
    drawn = page.locator("[data-figure^='/trends/funnel.json'] .main-svg").first
    expect(drawn).to_be_visible(timeout=60_000)


@pytest.mark.parametrize(("width", "look"), [(360, "dark"), (1440, "light")])
@pytest.mark.parametrize("path", PAGES[1:])
def test_nothing_stands_in_anybodys_way(
    cast: Cast, visitors: Visitors, site_url: str, path: str, width: int, look: str
) -> None:
    page = visitors.open(width=width, base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "quality")
    page.goto(path)
    assert obstacles(page) == []
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) <= 0


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("path", PAGES)
def test_each_page_prints_without_navigation_black_on_white(
    cast: Cast, visitors: Visitors, site_url: str, tmp_path: Path, path: str, paper: str
) -> None:
    page = visitors.open(base_url=site_url, color_scheme="dark")
    cast.sign_in_on(page, "quality")
    page.goto(path)
    title = page.locator("h1").inner_text()
    made = pages_of(page.pdf(path=tmp_path / "page.pdf", format=paper))
    assert 1 <= len(made.sizes) <= 12
    for size in made.sizes:
        assert size == pytest.approx(PAPERS[paper], abs=1.5)
    text = " ".join(made.text.split())
    for words in (title, "Wrenholt", "Printed 2026-", "by Quentin", "It does not say:"):
        assert words in text, words
    for words in ("Handover", "Counters", "Skip to the content", "CSV", "Kind of defect Line"):
        assert words not in text, words
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    for hidden in (".rail", ".strip", ".trends-choices", ".trends-rooms", ".head-actions"):
        expect(page.locator(hidden).first).to_be_hidden()


@pytest.mark.parametrize("path", PAGES)
def test_no_table_is_cut_on_paper(cast: Cast, visitors: Visitors, site_url: str, path: str) -> None:
    # The width between the margins of A4, in CSS pixels.
    page = visitors.open(width=703, height=1000, base_url=site_url)
    cast.sign_in_on(page, "quality")
    page.goto(path)
    page.emulate_media(media="print")
    cut = page.evaluate(
        """[...document.querySelectorAll(".table-frame")].filter(
            (one) => one.checkVisibility()
                && (one.getBoundingClientRect().right > innerWidth + 1
                    || one.scrollWidth > one.clientWidth + 1
                    || one.scrollHeight > one.clientHeight + 1)
        ).map((one) => `${one.getAttribute("aria-label")}`)"""
    )
    assert cut == []
