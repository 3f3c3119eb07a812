"""The planner's calendar in a browser: with keyboard and with a file, on a phone and on a desk."""

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.plant.calendar_files import calendar_file
from tests.support.browser import Visitors
from tests.support.site import Cast
from tracelog.db import reading
from tracelog.plant.calendar import standing_periods

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
# The small plant ends on 30 June 2026, in Chicago.
CLEANING = """
UID:deep-clean
DTSTART;TZID=America/Chicago:20260710T060000
DTEND;TZID=America/Chicago:20260710T120000
RRULE:FREQ=WEEKLY;COUNT=3
SUMMARY:deep clean
LOCATION:Line 2
CATEGORIES:stop
"""


def reasons(engine: Engine) -> list[str | None]:
    with reading(engine) as session:
        return [one.reason for one, _recorded_at in standing_periods(session)]


def open_calendar(
    visitors: Visitors, cast: Cast, url: str, width: int, height: int, look: str
) -> Page:
    page = visitors.open(width, height, base_url=url, color_scheme=look)
    cast.sign_in_on(page, "planner")
    page.goto("/service")
    page.get_by_role("link", name="Calendar", exact=True).click()
    expect(page.get_by_role("heading", name="Calendar", level=1)).to_be_visible()
    return page


def test_the_planner_plans_a_week_by_week_stop_with_the_keyboard_and_takes_it_back(
    visitors: Visitors, cast: Cast, site_url: str, own_engine: Engine
) -> None:
    page = open_calendar(visitors, cast, site_url, 1024, 768, "light")
    before = len(reasons(own_engine))
    page.get_by_label("Where").first.select_option("1-2")
    page.get_by_label("Why").fill("belt change")
    page.get_by_label("First day").fill("2026-07-08")
    page.get_by_label("From what time").fill("07:00")
    page.get_by_label("Until what time").fill("09:30")
    page.get_by_label("Every week until").fill("2026-07-29")
    page.get_by_role("button", name="Plan it").press("Enter")
    expect(page.get_by_text("Planned 4 times.")).to_be_visible()
    expect(page.get_by_role("rowheader", name="Wed 2026-07-08 07:00 to 09:30")).to_be_visible()
    assert reasons(own_engine).count("belt change") == 4

    page.get_by_role("link", name="Change 1-2, Wed 2026-07-15 07:00 to 09:30").press("Enter")
    page.get_by_label("and the 2 later ones").press("Space")
    page.get_by_role("button", name="Withdraw it").press("Enter")
    expect(page.get_by_text("Withdrawn: 3 times.")).to_be_visible()
    assert len(reasons(own_engine)) == before + 1


def test_the_planner_imports_a_calendar_file_on_a_phone_after_looking(
    visitors: Visitors, cast: Cast, site_url: str, own_engine: Engine, tmp_path: Path
) -> None:
    file = tmp_path / "line 2.ics"
    file.write_bytes(calendar_file(CLEANING))
    page = open_calendar(visitors, cast, site_url, 360, 740, "dark")
    page.get_by_label("File (.ics)").set_input_files(file)
    page.get_by_role("button", name="Only look").click()
    expect(page.get_by_text("Only looked; nothing was written. 3 added")).to_be_visible()
    assert "deep clean" not in reasons(own_engine)
    page.get_by_label("File (.ics)").set_input_files(file)
    page.get_by_role("button", name="Import", exact=True).click()
    expect(page.get_by_text("Calendar file: 3 added.")).to_be_visible()
    assert reasons(own_engine).count("deep clean") == 3
    with page.expect_download() as download:
        page.get_by_role("link", name="As a calendar file").click()
    assert b"SUMMARY:deep clean" in download.value.path().read_bytes()
