"""A supervisor brings an old list in: looks at the columns, puts a row right, takes it in."""

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.intake.folders import import_good, write_folder
from tests.intake.spreadsheets.books import xlsx
from tests.intake.spreadsheets.test_spreadsheet_pages import BAD, GOOD, HEADER, PLANT, entries
from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.site import Cast

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    assert not obstacles(page)


@pytest.mark.parametrize("width", [360, 1440])
def test_an_old_list_is_put_right_and_taken_in(
    cast: Cast, visitors: Visitors, site_url: str, own_engine: Engine, tmp_path: Path, width: int
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", PLANT))
    path = tmp_path / "scrap.xlsx"
    path.write_bytes(xlsx([HEADER, *GOOD, BAD[0]]))
    page = visitors.open(width, 900, base_url=site_url)
    cast.sign_in_on(page, "supervisor")
    page.goto("/spreadsheets")
    fits(page)
    page.get_by_label("Spreadsheet", exact=True).set_input_files(path)
    page.get_by_role("button", name="Upload it").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("How it is read: scrap.xlsx")
    expect(page.get_by_label("Their column for: defect")).to_have_value("Fault")
    fits(page)
    page.get_by_role("button", name="Look at all rows").click()

    expect(page.get_by_text("Rows that are not right yet: 1")).to_be_visible()
    fits(page)
    row = page.get_by_role("group", name="Row 5")
    row.get_by_label("when it was found").fill("2026-03-29T03:30")
    page.get_by_role("button", name="Keep and look at all rows again").click()
    page.get_by_role("button", name="Take in all rows").click()
    expect(page.get_by_text("Taken in: 4 rows are new")).to_be_visible()
    assert len(entries(own_engine)) == 4
