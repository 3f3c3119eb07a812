"""A hold in a browser: raised from typed pallets, printed, found, and released by somebody else."""

import re

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.support.browser import Visitors
from tests.support.clock import Clock
from tests.support.pdf_text import pages_of
from tests.support.plants import ENDS_AT
from tests.support.site import Cast
from tracelog.audit import broken_links
from tracelog.db import reading
from tracelog.trace.holds.facts import StepKind
from tracelog.trace.holds.queries import held_pallets, hold_numbered

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
PALLETS = ("T-1001", "T-1002", "T-1003")


def write(page: Page, what: str, reason: str, **fields: str) -> None:
    """Write a step of every pallet that is on hold."""
    form = page.locator("form.holds-form")
    form.get_by_label("Of", exact=True).select_option("all")
    form.get_by_label("What", exact=True).select_option(what)
    for label, value in fields.items():
        form.get_by_label(label.replace("_", " "), exact=True).fill(value)
    form.get_by_label("Reason").fill(reason)
    form.get_by_role("button", name="Write it").click()


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_typed_pallets_are_held_printed_inspected_and_released_by_another(
    visitors: Visitors,
    cast: Cast,
    site_url: str,
    own_engine: Engine,
    clock: Clock,
    scripts: bool,
) -> None:
    clock.instant = ENDS_AT
    page = visitors.open(360, 740, base_url=site_url, java_script_enabled=scripts)
    cast.sign_in_on(page, "supervisor")
    page.goto("/holds")
    page.get_by_role("link", name="Put on hold").click()
    page.get_by_label("Why it is held").fill("Dents after the palletiser")
    page.get_by_label("Pallets", exact=True).fill("\n".join(PALLETS))
    page.get_by_role("button", name="Put on hold").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Hold 1")
    write(page, "found", "", Where_it_stands="row 4")
    expect(page.get_by_role("status")).to_have_text(re.compile("Written"))
    write(
        page, "inspected", "sorted by dome number", Cans_inspected_on_each="125", Of_those_bad="0"
    )
    expect(page.get_by_role("status")).to_have_text(re.compile("Written"))
    # Who put it on hold has no way to release it.
    expect(page.locator("option[value=released]")).to_have_count(0)

    page.get_by_role("link", name="Print the list").click()
    expect(page.get_by_role("img", name="QR code of T-1002")).to_be_visible()
    if scripts:
        printed = pages_of(page.pdf(format="A4"))
        assert len(printed.sizes) == 1
        for pallet in PALLETS:
            assert pallet in printed.text
        assert "Hold, release, concession and recall" in printed.text

    other = visitors.open(1440, 900, base_url=site_url, java_script_enabled=scripts)
    cast.sign_in_on(other, "quality")
    other.goto("/holds/1")
    write(other, "released", "0 of 375 bad")
    expect(other.get_by_role("status")).to_have_text(re.compile("Written"))
    end = other.get_by_role("region", name="A note, or the end").or_(
        other.locator("form[action='/holds/1/notes']")
    )
    end.get_by_label("What").last.select_option("closed")
    end.get_by_label("Text").last.fill("all decided")
    end.get_by_role("button", name="Write it").last.click()
    expect(other.get_by_text("closed", exact=False).first).to_be_visible()
    with reading(own_engine) as session:
        hold = hold_numbered(session, 1, ENDS_AT)
        assert not hold.is_open
        assert hold.decided(StepKind.RELEASED) == len(PALLETS)
        assert {one.by for one in hold.steps if one.step is StepKind.RELEASED} == {"quentin"}
        assert hold.raised_by == "sara"
        assert held_pallets(session, ENDS_AT) == {}
        assert broken_links(session) == []
