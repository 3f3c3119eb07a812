"""What scripts read from the server, or keep in the browser, changes no object but itself."""

import pytest
from playwright.sync_api import Page, expect

from tests.support.browser import Visitors
from tests.support.site import Cast

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
# Every object that comes out of JSON bears, at every depth, the names by which an object reaches
# the one that it inherits from, as own names: so they would come from a hostile answer.
HOSTILE = """(() => {
    const parse = JSON.parse;
    const bearing = (one) => {
        if (one === null || typeof one !== "object") return one;
        Object.values(one).forEach(bearing);
        if (Array.isArray(one)) return one;
        for (const [name, value] of [
            ["__proto__", { spoilt: "by __proto__" }],
            ["constructor", { prototype: { spoilt: "by constructor" } }],
            ["prototype", { spoilt: "by prototype" }],
        ]) {
            Object.defineProperty(one, name,
                { value, enumerable: true, configurable: true, writable: true });
        }
        window.borne = (window.borne ?? 0) + 1;
        return one;
    };
    JSON.parse = (text, how) => bearing(parse(text, how));
    Response.prototype.json = async function () { return JSON.parse(await this.text()); };
})()"""
# What every other object and function would then inherit.
SPOILT = """() => [{}, [], () => 0, new Date(), document.body, new URL(location)]
    .filter((one) => "spoilt" in one || one.constructor?.spoilt).length"""


@pytest.fixture
def page(cast: Cast, visitors: Visitors, site_url: str) -> Page:
    """A page of a supervisor's on which every answer is hostile."""
    page = visitors.open(base_url=site_url)
    page.add_init_script(HOSTILE)
    cast.sign_in_on(page, "supervisor")
    return page


def unspoilt(page: Page) -> None:
    """Whether something hostile was read here, and nothing came of it."""
    assert page.evaluate("window.borne") > 0
    assert page.evaluate(SPOILT) == 0


def test_the_test_itself_would_see_it(page: Page) -> None:
    page.goto("/log")
    assert page.evaluate("JSON.parse('{}').__proto__.spoilt") == "by __proto__"
    merge = """() => {
        const into = (target, from) => {
            for (const key in from) {
                if (typeof from[key] === "object" && target[key]) into(target[key], from[key]);
                else target[key] = from[key];
            }
        };
        into({}, JSON.parse("{}"));
    }"""
    page.evaluate(merge)
    spoilt = page.evaluate(SPOILT)
    page.evaluate("delete Object.prototype.spoilt")
    assert spoilt > 0


def test_the_log_completes_and_keeps_cans_all_the_same(page: Page) -> None:
    page.goto("/log")
    page.locator("#field-typed").fill("1-2 wall")
    expect(page.locator("#typed-list [role=option]").first).to_be_visible()
    page.locator("#field-typed").fill("1-2 wall-split @constructor __proto__")
    page.locator("#field-typed").fill("1-2 wall-split 2")
    unspoilt(page)
    page.get_by_role("button", name="Log", exact=True).click()
    # Of the page to which the log goes by itself when the entry is sent.
    expect(page.locator(".kept-words")).to_contain_text("Kept: 1-2 wall-split, 2.")
    expect(page.get_by_role("region", name="Last entries").get_by_text("1-2").first).to_be_visible()
    # What waits in the browser's own store is read from there, and met again on the next page.
    page.goto("/log")
    unspoilt(page)


def test_figures_are_drawn_all_the_same(page: Page) -> None:
    page.goto("/trends?explore=yes")
    for figure in ("rates", "chart", "pareto"):
        place = page.locator(f"[data-figure^='/trends/{figure}.json']")
        expect(place.locator(".main-svg").first).to_be_visible(timeout=60_000)
    unspoilt(page)
