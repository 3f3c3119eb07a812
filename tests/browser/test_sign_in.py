"""Signing in, as it is done with a keyboard, a finger, and without scripts."""

import pytest
from playwright.sync_api import Page, expect

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.site import Cast

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
LOOKS = ["light", "dark"]


def smallest_targets(page: Page) -> list[str]:
    """What can be touched on the page but is lower or narrower than 48 px; text links aside."""
    found = page.evaluate(
        """() => [...document.querySelectorAll('a, button, input, select, summary, textarea')]
            .filter((one) => one.checkVisibility() && !one.closest('p, dd, .skip'))
            .filter((one) => one.type !== 'hidden')
            .map((one) => [one, (one.closest('label') ?? one).getBoundingClientRect()])
            .filter(([, box]) => box.height < 47.5 || box.width < 47.5)
            .map(([one, box]) => `${one.outerHTML.slice(0, 80)}: ${box.width} x ${box.height}`)"""
    )
    return [str(line) for line in found if 'class="skip"' not in line]


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", [360, 1024, 1920])
def test_the_page_shuts_nobody_out(
    visitors: Visitors, site_url: str, width: int, look: str
) -> None:
    page = visitors.open(width, 800, base_url=site_url, color_scheme=look)
    page.goto("/sign-in")
    assert obstacles(page) == []
    assert smallest_targets(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_somebody_signs_in_by_keyboard_alone(site_page: Page, cast: Cast) -> None:
    person = cast.join("planner")
    site_page.goto("/me")
    site_page.keyboard.press("Tab")
    expect(site_page.get_by_text("Skip to the content")).to_be_focused()
    site_page.keyboard.press("Enter")
    site_page.keyboard.press("Tab")
    expect(site_page.get_by_label("Name")).to_be_focused()
    site_page.keyboard.type(person.name)
    site_page.keyboard.press("Tab")
    site_page.keyboard.type(person.secret)
    site_page.keyboard.press("Enter")
    expect(site_page.get_by_role("heading", level=1)).to_have_text("Your account")


def test_what_is_wrong_is_said_at_the_top_and_the_name_stays(site_page: Page, cast: Cast) -> None:
    person = cast.join("operator")
    site_page.goto("/sign-in")
    site_page.get_by_label("Name").fill(person.name)
    site_page.get_by_label("Password or PIN").fill("402918")
    site_page.get_by_role("button", name="Sign in").click()
    expect(site_page.get_by_role("alert")).to_contain_text("do not belong together")
    expect(site_page.get_by_label("Name")).to_have_value(person.name)
    expect(site_page.get_by_label("Password or PIN")).to_have_value("")
    assert obstacles(site_page) == []


def test_the_account_menu_works_without_scripts(
    visitors: Visitors, site_url: str, cast: Cast
) -> None:
    page = visitors.open(360, 740, base_url=site_url, java_script_enabled=False, has_touch=True)
    cast.sign_in_on(page, "operator")
    page.goto("/me")
    page.locator("details.menu > summary").click()
    page.get_by_role("button", name="Dark").click()
    assert page.locator("html").get_attribute("data-look") == "dark"
    page.locator("details.menu > summary").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    page.goto("/me")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_the_menu_closes_with_escape_and_elsewhere(site_page: Page, cast: Cast) -> None:
    cast.sign_in_on(site_page, "operator")
    site_page.goto("/me")
    menu = site_page.locator("details.menu")
    site_page.locator("details.menu > summary").click()
    assert menu.get_attribute("open") is not None
    site_page.keyboard.press("Escape")
    assert menu.get_attribute("open") is None
    site_page.locator("details.menu > summary").click()
    site_page.locator("h1").click()
    assert menu.get_attribute("open") is None


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", [360, 1280])
def test_the_administrators_pages_shut_nobody_out(
    visitors: Visitors, site_url: str, cast: Cast, width: int, look: str
) -> None:
    page = visitors.open(width, 800, base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "administrator")
    cast.join("operator")
    for path in ("/accounts", "/me"):
        page.goto(path)
        assert obstacles(page) == [], path
        assert smallest_targets(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.goto("/accounts")
    page.get_by_role("link", name="olga").click()
    assert obstacles(page) == []
    page.get_by_label("What it is for").fill("gateway")
    page.get_by_role("button", name="Make a token").click()
    expect(page.locator("#new-token")).to_contain_text("tlk_")
    assert obstacles(page) == []
    assert smallest_targets(page) == []
    page.get_by_role("button", name="Revoke gateway").click()
    expect(page.get_by_role("status")).to_contain_text("The token is revoked.")


@pytest.mark.small_plant
@pytest.mark.parametrize("scripts", [True, False])
def test_a_phone_reaches_every_room_with_a_finger(
    visitors: Visitors, site_url: str, cast: Cast, scripts: bool
) -> None:
    page = visitors.open(360, 740, base_url=site_url, has_touch=True, java_script_enabled=scripts)
    cast.sign_in_on(page, "operator")
    page.goto("/log")
    rooms = page.get_by_role("navigation", name="Rooms")
    expect(rooms.get_by_role("link", name="Trends")).to_be_hidden()
    rooms.get_by_text("More", exact=True).tap()
    rooms.get_by_role("link", name="Trends").tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Trends")
    if scripts:
        rooms.get_by_text("More", exact=True).tap()
        page.keyboard.press("Escape")
        expect(rooms.get_by_role("link", name="Trends")).to_be_hidden()
