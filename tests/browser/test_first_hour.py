"""The first hour: from an empty database to the first can in the log, without any file."""

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.site import Cast
from tracelog.audit import broken_links
from tracelog.db import reading
from tracelog.defects.queries import last_entries
from tracelog.plant.queries import directory, the_plant

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def heading(page: Page, text: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(text)
    assert not obstacles(page)


def test_an_administrator_sets_up_a_plant_and_an_operator_logs_the_first_can(
    cast: Cast, visitors: Visitors, site_url: str, own_engine: Engine
) -> None:
    page = visitors.open(base_url=site_url)
    cast.sign_in_on(page, "administrator")
    heading(page, "Set up the plant")
    page.get_by_role("link", name="Next: Plant").click()

    heading(page, "Set up: the plant")
    page.get_by_label("Name").fill("Alder Point")
    page.get_by_label("Time zone").fill("Europe/Madrid")
    page.get_by_role("button", name="Keep the plant").click()
    page.get_by_role("link", name="Next: Lines").click()

    heading(page, "Set up: lines")
    page.get_by_label("Lines to add").fill("1–3")
    page.get_by_role("button", name="Keep the lines").click()

    heading(page, "Set up: machines")
    for row in range(3):
        fields = page.get_by_role("group", name=f"Row {row + 1}")
        expect(fields.get_by_label("Line")).to_have_value(str(row + 1))
        fields.get_by_label("Numbers").fill("1-8")
        fields.get_by_label("Strokes a minute").fill("320")
    page.get_by_role("button", name="Keep the machines").click()
    expect(page.get_by_role("status")).to_contain_text("24 machines are kept")

    page.get_by_role("navigation", name="Set-up").get_by_role("link", name="Shifts").click()
    heading(page, "Set up: shifts and crews")
    page.get_by_role("link", name="two crews stay on days").click()
    page.get_by_role("button", name="Look at the coming fortnight").click()
    table = page.get_by_role("region", name="Shifts and crews of the coming fortnight")
    expect(table.get_by_role("row")).to_have_count(15)
    page.get_by_role("button", name="Keep shifts and crews").click()

    page.get_by_role("link", name="Next: Levels of service").click()
    heading(page, "Set up: levels of service")
    page.get_by_role("button", name="Keep the levels").click()

    page.get_by_role("link", name="Next: People").click()
    heading(page, "Set up: people")
    person = page.get_by_role("group", name="Person 1")
    person.get_by_label("Name to sign in with").fill("rosa")
    expect(person.get_by_label("Role")).to_have_value("operator")
    page.get_by_role("button", name="Make the accounts").click()
    pin = page.get_by_role("row", name="rosa operator").locator("code").inner_text()
    page.goto("/setup")
    expect(page.get_by_role("link", name="Next:")).to_have_count(0)

    phone = visitors.open(360, 740, base_url=site_url, has_touch=True)
    phone.goto("/log")
    phone.get_by_label("Name").fill("rosa")
    phone.get_by_label("Password or PIN").fill(pin)
    phone.get_by_role("button", name="Sign in").click()
    heading(phone, "Choose your own password")
    phone.get_by_label("Present password or PIN").fill(pin)
    own_pin = "583920" if pin != "583920" else "402917"
    phone.get_by_label("New password or PIN").fill(own_pin)
    phone.get_by_label("The new one again").fill(own_pin)
    phone.get_by_role("button", name="Change it").click()
    heading(phone, "Your account")
    phone.goto("/log")
    phone.locator("#field-typed").fill("3-7 wall-split 2")
    phone.get_by_role("button", name="Log", exact=True).click()
    expect(
        phone.get_by_role("region", name="Last entries").get_by_text("3-7").first
    ).to_be_visible()

    with reading(own_engine) as session:
        (entry,) = last_entries(session, 5)
        assert (entry.machine and entry.machine.text, entry.defect, entry.cans) == (
            "3-7",
            "wall-split",
            2,
        )
        assert entry.logged_by == "rosa"
        assert len(directory(session).bodymakers) == 24
        assert len(the_plant(session).rota.crews) == 14
        assert broken_links(session) == []


@pytest.mark.parametrize("width", [360, 1024, 1920])
def test_no_page_of_the_set_up_is_wider_than_the_screen(
    cast: Cast, visitors: Visitors, site_url: str, width: int
) -> None:
    page = visitors.open(width, 900, base_url=site_url)
    cast.sign_in_on(page, "administrator")
    page.goto("/setup/plant")
    page.get_by_label("Name").fill("Alder Point")
    page.get_by_label("Time zone").fill("Europe/Madrid")
    page.get_by_role("button", name="Keep the plant").click()
    page.goto("/setup/lines")
    page.get_by_label("Lines to add").fill("1-2")
    page.get_by_role("button", name="Keep the lines").click()
    for path in (
        "",
        "/lines",
        "/machines",
        "/shifts?pattern=8h-2-2-2",
        "/service-levels",
        "/people",
    ):
        page.goto(f"/setup{path}")
        page.get_by_text("Help", exact=True).click()
        over = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert over <= 0, path
        assert not obstacles(page), path
