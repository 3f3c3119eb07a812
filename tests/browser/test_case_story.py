"""One case from its signal to the handover: explained, acted on, watched, and held."""

import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.support.accessibility import obstacles
from tests.support.clock import Clock
from tests.support.plants import ENDS_AT
from tests.support.site import CAST, Cast
from tracelog.audit import broken_links
from tracelog.cases.links.queries import links_of
from tracelog.cases.opening.queries import kept_explanation
from tracelog.cases.queries import State, case, case_signals, cases
from tracelog.db import reading, writing
from tracelog.instants import write_instant
from tracelog.plant.queries import directory
from tracelog.plant.stays import changes_between
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.queries import last_reading
from tracelog.trends.signals.watching import bring_up_to_date

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
# The chipped ring of the small plant sits in 1-1 when its history ends.
RING, PLACE, SCORE = "R3-0327", "1-1", "score-outside"
A_DAY = 400_000


def run_on(engine: Engine, days: int) -> None:
    """What the machine makes in so many days after the history ends, without a bad can."""
    with writing(engine) as session:
        machine = directory(session).machine_named(PLACE)
        before = last_reading(session, [machine.id])[machine.id]
        facts = [
            ReadingFact.read(
                {
                    "line": machine.line,
                    "bodymaker": machine.number,
                    "read_at": write_instant(ENDS_AT + timedelta(hours=hour)),
                    "strokes": before.strokes + hour * A_DAY // 24,
                },
                ZoneInfo("UTC"),
            )
            for hour in (2, *range(24, 24 * days + 1, 24))
        ]
        kept = record_readings(
            session, facts, CAST["administrator"].actor(), ENDS_AT + timedelta(days=13)
        )
        assert all(one.is_kept for one in kept), kept


def step(page: Page, kind: str, text: str, **more: str) -> None:
    page.get_by_label("What", exact=True).select_option(kind)
    for label, value in more.items():
        target = page.get_by_label(label.replace("_", " "))
        if target.evaluate("one => one.tagName") == "SELECT":
            target.select_option(value)
        else:
            target.fill(value)
    page.get_by_label("Text").fill(text)
    page.get_by_role("button", name="Write it").click()
    expect(page.get_by_role("status")).to_contain_text("Written.")


def test_from_a_signal_to_what_is_handed_over(
    cast: Cast, site_page: Page, own_engine: Engine, clock: Clock
) -> None:
    page = site_page
    bring_up_to_date(own_engine, ENDS_AT)
    cast.sign_in_on(page, "supervisor")
    page.goto("/trends/signals")
    card = page.get_by_role("article", name=re.compile(rf"{PLACE}: .*score"))
    card.get_by_role("link", name="Open a case").click()
    expect(page.get_by_text("will be attached to it")).to_be_visible()
    assert page.get_by_label("Where").input_value() == PLACE
    assert page.get_by_label("Defect").input_value() == SCORE
    page.get_by_label("In a few words").fill("outside scores again")
    assert obstacles(page) == []
    page.get_by_role("button", name="Open the case").click()

    # What explained it is kept, and the ring's causes come first.
    expect(page.get_by_role("heading", name="What explained it when it was opened")).to_be_visible()
    expect(page.locator("section", has=page.locator("#opening-head"))).to_contain_text(RING)
    causes = page.get_by_role("region", name="Likely causes, likeliest first").get_by_role("row")
    expect(causes.nth(1)).to_contain_text("ring")
    expect(page.get_by_text("No action is written down yet.")).to_be_visible()
    page.get_by_role("link", name="What explained it then and now").click()
    beside = page.get_by_role("region", name="Explanations then and now")
    expect(beside.get_by_role("row", name=re.compile(RING))).to_contain_text("the same")
    assert obstacles(page) == []
    page.get_by_role("link", name="Back to the case").click()

    page.get_by_label("Link", exact=True).select_option("tool")
    page.get_by_label("Which").fill(RING)
    page.get_by_role("button", name="Link it").click()
    expect(page.get_by_role("region", name="Linked to this case")).to_contain_text(RING)

    step(page, "found", "a chip in the third ring")
    step(
        page,
        "changed",
        f"{RING} taken out, new ring in",
        Kind_of_change="repair",
        Minutes_the_machine_stood="35",
    )
    expect(page.get_by_text("There are no strokes on one side of the action yet")).to_be_visible()
    page.get_by_role("link", name="All cases").click()
    row = page.get_by_role("row", name="outside scores again")
    expect(row).to_contain_text("watching")

    # Two hours are not enough to say so; twelve days are.
    run_on(own_engine, 12)
    clock.instant = ENDS_AT + timedelta(hours=3)
    page.goto("/cases")
    page.get_by_role("link", name="outside scores again").click()
    expect(page.get_by_text("to be 95 % sure that the rate fell by half")).to_be_visible()
    page.get_by_label("What", exact=True).select_option("held")
    page.get_by_label("Text").fill("looks good")
    page.get_by_role("button", name="Write it").click()
    expect(page.get_by_role("alert")).to_contain_text("wait for more strokes")

    clock.instant = ENDS_AT + timedelta(days=12, minutes=1)
    cast.sign_in_on(page, "supervisor")
    page.goto("/cases")
    page.get_by_role("link", name="outside scores again").click()
    expect(page.get_by_text("The case can end as held.")).to_be_visible()
    expect(
        page.get_by_role("img", name=re.compile("Happenings since the last action"))
    ).to_be_visible()
    assert obstacles(page) == []
    step(page, "held", "twelve days without one")
    expect(page.get_by_text("The numbers say that it held.")).to_be_visible()
    page.get_by_role("link", name="Print it").click()
    expect(page.get_by_text("stood 35 minutes")).to_be_visible()
    page.goto("/handover")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Handover")

    with reading(own_engine) as session:
        (about,) = [one for one in cases(session) if one.title == "outside scores again"]
        assert about.state is State.HELD
        (signal,) = [one for one in case_signals(session, about) if one.is_attached]
        assert (signal.signal.machine.text, signal.signal.defect) == (PLACE, SCORE)
        assert [one.name for one in links_of(session, about.id)] == [RING]
        assert kept_explanation(session, about.id) is not None
        made = changes_between(session, about.opened_at, clock.instant)
        assert [(one.kind, one.note) for one in made] == [
            ("repair", f"{RING} taken out, new ring in")
        ]
        assert case(session, about.id, clock.instant).verification.after.strokes > 4_000_000
        assert broken_links(session) == []
