"""Being told: subscribing and reading with a finger on a phone, and without scripts."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.browser.test_every_page import wider_than_the_screen
from tests.browser.test_sign_in import smallest_targets
from tests.notices.subscribing import complaint, find
from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.clock import Clock
from tests.support.site import Cast

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


def fits(page: Page) -> None:
    assert obstacles(page) == []
    assert smallest_targets(page) == []
    assert wider_than_the_screen(page) <= 0


@pytest.mark.parametrize("look", ["light", "dark"])
def test_somebody_subscribes_and_reads_on_a_phone_without_scripts(
    visitors: Visitors, site_url: str, cast: Cast, own_engine: Engine, clock: Clock, look: str
) -> None:
    page = visitors.open(
        360, 740, base_url=site_url, java_script_enabled=False, has_touch=True, color_scheme=look
    )
    # What is checked by script is looked at by a second visitor at the same pages.
    looking = visitors.open(360, 740, base_url=site_url, color_scheme=look)
    cast.sign_in_on(looking, "supervisor")
    page.goto("/sign-in")
    page.locator("input[name=name]").fill("sara")
    page.locator("input[name=secret]").fill("seven lids of tin")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("link", name="Notices, all read").tap()
    expect(page.get_by_text("No notices yet")).to_be_visible()
    page.get_by_role("link", name="What you are told").first.tap()
    page.get_by_text("a complaint is written").tap()
    page.get_by_role("button", name="Tell me").tap()
    expect(page.get_by_text("You will be told from now on.")).to_be_visible()
    expect(
        page.get_by_role("heading", name="a signal is raised, a complaint is written")
    ).to_be_visible()

    at = clock.forward(timedelta(minutes=5))
    find(own_engine, complaint(1, at), complaint(2, at), at=at)
    page.goto("/")
    page.get_by_role("link", name="Notices, 2 unread").tap()
    expect(page.get_by_role("heading", name="Complaint 2 written by quentin")).to_be_visible()
    check: Callable[[Page], None] = fits
    for address in ("/notices", "/notices/subscriptions", "/notices/deliveries"):
        looking.goto(address)
        check(looking)
    page.get_by_role("button", name="All are read").tap()
    expect(page.get_by_role("link", name="Notices, all read")).to_be_visible()
