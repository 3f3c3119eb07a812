"""Cans tapped in a browser: by touch, by keyboard, without scripts; can bottoms too."""

import pytest
from sqlalchemy import Engine

from tests.cases.sequence.small_rows import write_line
from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.site import Cast
from tracelog.db import writing

HERE = "/cases/sequence"
pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.fixture
def furnished(own_engine: Engine) -> Engine:
    """The small plant with the counts of line 1."""
    with writing(own_engine) as session:
        write_line(session)
    return own_engine


def test_cans_are_tapped_turned_over_and_kept(
    furnished: Engine, cast: Cast, visitors: Visitors, site_url: str
) -> None:
    assert furnished is not None
    page = visitors.open(360, 740, base_url=site_url, has_touch=True)
    cast.sign_in_on(page, "operator")
    page.goto(HERE)
    for _turn in range(3):
        for can in range(12):
            page.locator(f".tap.is-{'bad' if can == 3 else 'good'}").tap()
    assert page.locator(".can-taken").count() == 36
    assert page.locator("#cans-count").inner_text() == "36 cans, 3 bad"
    page.locator(".tap.is-unseen").tap()
    page.locator(".tap.is-back").tap()
    # A can tapped by mistake turns over: good, bad, not looked at, good.
    page.locator(".can-taken button").nth(0).tap()
    assert page.locator("#field-cans").input_value().startswith("bggb")
    page.locator(".can-taken button").nth(0).tap()
    page.locator(".can-taken button").nth(0).tap()
    page.select_option("#field-line", "1")
    page.select_option("#field-taken_after", "necker")
    page.select_option("#field-defect", "split")
    size = page.locator(".tap.is-good").bounding_box()
    assert size is not None
    assert size["height"] >= 96
    assert size["width"] >= 140
    page.get_by_role("button", name="Keep it and show what it says").tap()
    page.wait_for_url("**/cases/sequence/0*")
    assert "Suggests a repeat every 12 cans" in page.locator(".sequence-headline").inner_text()
    assert not obstacles(page)
    assert not visitors.complaints


def test_the_keyboard_alone_is_enough(
    furnished: Engine, cast: Cast, visitors: Visitors, site_url: str
) -> None:
    assert furnished is not None
    page = visitors.open(base_url=site_url)
    cast.sign_in_on(page, "operator")
    page.goto(HERE)
    page.locator(".tap.is-good").focus()
    page.keyboard.type("gggbgg?b")
    page.keyboard.press("Backspace")
    assert page.locator("#field-cans").input_value() == "gggbgg?"
    page.keyboard.press("Enter")
    assert page.locator("#field-cans").input_value() == "gggbgg?g"
    page.locator("#field-cans").fill("ggbg ggbg ggbg")
    assert page.locator("#cans-count").inner_text() == "12 cans, 3 bad"
    page.select_option("#field-line", "1")
    page.select_option("#field-taken_after", "necker")
    page.get_by_role("button", name="Only show").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**cans=**")
    assert page.locator("svg.laid").is_visible()
    assert not visitors.complaints


def test_cans_are_tapped_without_scripts(
    furnished: Engine, cast: Cast, visitors: Visitors, site_url: str
) -> None:
    assert furnished is not None
    page = visitors.open(base_url=site_url, java_script_enabled=False)
    cast.sign_in_on(page, "operator")
    page.goto(HERE)
    for kind in ("good", "bad", "unseen"):
        page.locator(f".tap.is-{kind}").click()
    assert page.locator("#field-cans").input_value() == "gb?"
    page.goto("/cases/dome-numbers")
    page.locator('button[value="1-2"]').click()
    page.locator('button[value="1-2"]').click()
    page.locator('button[value="1-1"]').click()
    assert page.locator("#field-codes").input_value() == "1-2 1-2 1-1"


def test_can_bottoms_are_tapped_and_answered(
    furnished: Engine, cast: Cast, visitors: Visitors, site_url: str
) -> None:
    assert furnished is not None
    page = visitors.open(360, 740, base_url=site_url, has_touch=True)
    cast.sign_in_on(page, "operator")
    page.goto("/cases/dome-numbers")
    for _can in range(3):
        page.locator('button[value="1-2"]').tap()
    page.locator('button[value="1-1"]').tap()
    page.get_by_role("button", name="Take back the last can").tap()
    assert page.locator("#field-codes").input_value() == "1-2 1-2 1-2"
    assert page.locator('button[value="1-2"] .dome-count').inner_text() == "× 3"
    page.get_by_role("button", name="What do they suggest?").tap()
    page.wait_for_url("**codes=**")
    assert "3 of 3 from 1-2" in page.locator(".sequence-headline").inner_text()
    assert "taken to run alike" in page.locator("main").inner_text()
    assert not obstacles(page)
    assert not visitors.complaints
