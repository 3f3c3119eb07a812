"""Every page that links lead to: it answers, asks little of the database, and shuts nobody out."""

from collections import Counter
from collections.abc import Iterable

import pytest
from flask import Flask
from playwright.sync_api import Page
from sqlalchemy import Engine

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.crawl import Seen, look_at_everything
from tests.support.site import CAST, Cast, Visit
from tests.support.statements import Statements

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
# A query per row sends one statement for each of at least eight machines; and what is read
# once more in the same request was not passed on. A handover shows what nine rooms know. Strokes
# are looked up by one statement for any number of machines, but for five different instants.
MOST_STATEMENTS = 48
MOST_OF_ONE = 5
# 320 px is a screen of 1280 at a zoom of 400 % (WCAG 2.2, 1.4.10), narrower than any telephone.
SCREENS = ((320, 640, "dark"), (1440, 900, "light"))


def pages(seen: Iterable[Seen]) -> dict[str, str]:
    """Each endpoint that answers with a page, and the first address found for it."""
    found: dict[str, str] = {}
    for one in seen:
        if one.endpoint and one.answer.mimetype == "text/html" and one.answer.status_code == 200:
            found.setdefault(one.endpoint, one.address)
    return found


@pytest.mark.parametrize("role", CAST)
def test_every_link_that_somebody_sees_leads_somewhere(
    application: Flask, visit: Visit, cast: Cast, role: str
) -> None:
    cast.sign_in(visit, role)
    seen = list(look_at_everything(application, visit))
    assert len(seen) > 5
    broken = [
        f"{one.led_by} leads to {one.address}: {one.answer.status_code}"
        for one in seen
        if one.answer.status_code >= 400
    ]
    assert not broken, "\n".join(broken)


def test_no_page_asks_the_database_for_each_row(
    application: Flask, visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "administrator")
    addresses = {one.address for one in look_at_everything(application, visit)}
    statements = Statements(own_engine)
    many = []
    for address in sorted(addresses):
        with statements.counted() as sent:
            visit.get(address)
        (text, times), *_ = Counter(sent).most_common(1) or [("", 0)]
        if len(sent) > MOST_STATEMENTS or times > MOST_OF_ONE:
            many.append(f"{address}: {len(sent)} statements, {times} times {text[:120]}")
    statements.close()
    assert not many, "\n".join(many)


def wider_than_the_screen(page: Page) -> int:
    """How many CSS pixels of the page lie beside the screen."""
    beyond = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    return int(beyond)


@pytest.mark.parametrize(("width", "height", "look"), SCREENS)
def test_every_page_can_be_used_by_everybody(
    application: Flask,
    visit: Visit,
    cast: Cast,
    visitors: Visitors,
    site_url: str,
    width: int,
    height: int,
    look: str,
) -> None:
    cast.sign_in(visit, "administrator")
    addresses = pages(look_at_everything(application, visit, each=1))
    page = visitors.open(width, height, base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "administrator")
    found = []
    for endpoint, address in addresses.items():
        page.goto(address)
        found += [f"{endpoint} {address}: {line}" for line in obstacles(page)]
        beyond = wider_than_the_screen(page)
        if beyond > 0:
            found.append(f"{endpoint} {address}: {beyond} px wider than {width}")
    assert not found, "\n".join(found)
