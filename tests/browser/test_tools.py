"""A tool's card in a browser: found by its serial, and a work recorded with the keyboard."""

import pytest
from playwright.sync_api import expect
from sqlalchemy import Engine

from tests.support.browser import Visitors
from tests.support.plants import ENDS_AT
from tests.support.site import Cast
from tracelog.db import reading
from tracelog.plant.tool_queries import works_done
from tracelog.service.tool_histories import ToolHistory, ToolState
from tracelog.service.tool_list import listed_tools

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


def a_worn_ring(engine: Engine) -> ToolHistory:
    """A ring in the tool room that has made strokes since its last work."""
    with reading(engine) as session:
        return next(
            one
            for one in listed_tools(session, ENDS_AT, "ring", ToolState.TOOL_ROOM)
            if one.count.since_work > 0
        )


@pytest.mark.parametrize(("width", "height", "look"), [(360, 740, "dark"), (1440, 900, "light")])
def test_the_planner_finds_a_worn_ring_and_records_its_regrind(
    visitors: Visitors,
    cast: Cast,
    site_url: str,
    own_engine: Engine,
    width: int,
    height: int,
    look: str,
) -> None:
    worn = a_worn_ring(own_engine)
    serial, before = worn.tool.serial, worn.count
    page = visitors.open(width, height, base_url=site_url, color_scheme=look)
    cast.sign_in_on(page, "planner")
    page.goto("/service")
    page.get_by_role("link", name="Tools", exact=True).press("Enter")
    page.get_by_label("Serial or type").fill(serial.lower())
    page.get_by_label("Serial or type").press("Enter")
    page.get_by_role("link", name=serial).press("Enter")
    expect(page.get_by_role("heading", name=f"Tool {serial}", level=1)).to_be_visible()
    expect(page.get_by_text(f"{before.total:,}", exact=True).first).to_be_visible()
    # A comma is no decimal point: told at its field, and nothing that was typed is lost.
    page.get_by_label("Work", exact=True).select_option("regrind")
    page.get_by_label("Size after it, mm").fill("66,2045")
    page.get_by_label("Note").fill("one bore step")
    page.get_by_role("button", name="Keep the work").press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("is not a number")
    page.get_by_label("Size after it, mm").fill("66.2045")
    page.get_by_role("button", name="Keep the work").press("Enter")
    expect(page.get_by_text(f"Kept: regrind of {serial}.")).to_be_visible()
    expect(page.get_by_role("cell", name="66.2045")).to_be_visible()
    restored = page.locator("dt", has_text="Times restored").locator("+ dd")
    expect(restored).to_contain_text(f"{before.renewals + 1}, last")
    with reading(own_engine) as session:
        *_, kept = works_done(session, ENDS_AT, [serial])
    assert (kept.work, kept.size_mm, kept.note) == ("regrind", 66.2045, "one bore step")
