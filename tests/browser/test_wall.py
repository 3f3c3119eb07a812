"""The screen on the wall, left alone: it follows what happens, and says when it cannot."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from playwright.sync_api import Page, Route, expect
from sqlalchemy import Engine

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.clock import Clock
from tests.support.site import CAST
from tracelog.db import reading, writing
from tracelog.handover.actions import write_note
from tracelog.handover.facts import About, HandoverNoteFact
from tracelog.plant.queries import directory
from tracelog.trace.holds.actions import raise_hold
from tracelog.trace.holds.facts import HoldFact
from tracelog.wall.actions import make_screen, revoke_screen
from tracelog.wall.queries import screen_named

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
SARA = CAST["supervisor"].actor()
Hang = Callable[..., Page]
# Millimetres of one CSS pixel on a screen of 55 inches that shows 1920 by 1080 of them.
MILLIMETRES = 55 * 25.4 / (1920**2 + 1080**2) ** 0.5
# The timers of the page run this many times as fast, so that a test need not wait for them.
FASTER = """(() => {
    const real = Date.now.bind(Date), began = real(), every = setInterval;
    Date.now = () => began + (real() - began) * 20;
    window.setInterval = (work, wait) => every(work, wait / 20);
})()"""


@pytest.fixture
def hang(visitors: Visitors, site_url: str, own_engine: Engine, clock: Clock) -> Hang:
    """Opens a screen of a line, or of the plant."""

    def open_one(
        line: int | None = 1,
        width: int = 1920,
        height: int = 1080,
        fast: bool = True,
        **more: object,
    ) -> Page:
        with writing(own_engine) as session:
            line_id = directory(session).line(line) if line else None
            name = f"wall {line} {width}"
            token = make_screen(session, name, line_id, None, SARA, clock.instant)
        page = visitors.open(width, height, base_url=site_url, **more)
        if fast:
            page.add_init_script(FASTER)
        page.goto(f"/wall/{token}")
        return page

    return open_one


def hand_over(engine: Engine, clock: Clock, text: str, line: int = 1) -> None:
    with writing(engine) as session:
        fact = HandoverNoteFact(about=About.WATCH, text=text, line=line)
        write_note(session, fact, SARA, clock.instant)


def cap_height(page: Page, selector: str) -> float:
    """Height of a figure in millimetres on that screen, as the browser draws it."""
    return MILLIMETRES * float(
        page.locator(selector).first.evaluate(
            """one => {
                const style = getComputedStyle(one);
                const pen = document.createElement('canvas').getContext('2d');
                pen.font = `${style.fontWeight} 100px ${style.fontFamily}`;
                const share = pen.measureText('8').actualBoundingBoxAscent / 100;
                const svg = one.closest('svg');
                const grown = svg ? svg.getBoundingClientRect().width / 104 : 1;
                return parseFloat(style.fontSize) * share * grown;
            }"""
        )
    )


@pytest.mark.parametrize("line", [1, None])
def test_main_figures_stand_25_millimetres_high_on_55_inches(hang: Hang, line: int | None) -> None:
    page = hang(line)
    heights = {
        selector: cap_height(page, selector)
        for selector in (
            ["h1", "time", ".wall-says b", ".can-number", ".wall-panels h2 b"]
            if line
            else ["h1", "time", ".wall-lines td:nth-child(3)", ".wall-lines tbody th"]
        )
    }
    print({name: round(height, 1) for name, height in heights.items()})
    assert min(heights.values()) >= 25


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1024, 768), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("line", [1, None])
def test_it_fits_the_screen_and_shuts_nobody_out(
    hang: Hang,
    own_engine: Engine,
    clock: Clock,
    width: int,
    height: int,
    look: str,
    line: int | None,
) -> None:
    hand_over(own_engine, clock, "A long note for the next shift: " + "watch the trimmer " * 20)
    with writing(own_engine) as session:
        for number in range(9):
            hold = HoldFact(
                reason=f"Scores at the waxer {number}" * 4, line=1, pallets=(f"T{number}",)
            )
            raise_hold(session, hold, CAST["quality"].actor(), clock.instant)
    page = hang(line, width, height, color_scheme=look)
    expect(page.locator("body.fits")).to_be_visible()
    size = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
    )
    assert size[0] <= width
    assert size[1] <= height
    cut_off = page.evaluate(
        """[...document.querySelectorAll('.wall-panels > section')]
            .filter((one) => one.scrollHeight > one.clientHeight + 1)
            .map((one) => one.innerText)"""
    )
    assert cut_off == []
    shown = page.locator(".wall-panels section", has_text="On hold").locator("li:visible")
    if line:
        more = int(re.findall(r"and (\d+) more", " ".join(shown.all_inner_texts()))[0])
        assert more + shown.count() - 1 == 9, "what is not shown is counted"
    assert obstacles(page) == []


def test_what_happens_appears_without_a_touch(hang: Hang, own_engine: Engine, clock: Clock) -> None:
    page = hang(1)
    expect(page.locator(".wall-note")).to_have_count(0)
    hand_over(own_engine, clock, "Ring 3 of 1-2 is at its end")
    expect(page.locator(".wall-note")).to_contain_text("Ring 3 of 1-2", timeout=15_000)
    assert page.evaluate("performance.getEntriesByType('navigation').length") == 1


def test_where_events_do_not_come_through_it_asks(
    hang: Hang, own_engine: Engine, clock: Clock, visitors: Visitors
) -> None:
    page = hang(1)
    page.route("**/events", lambda route: route.abort())
    asked: list[str] = []

    def note(route: Route) -> None:
        asked.append(route.request.url)
        route.continue_()

    page.route("**/state", note)
    page.reload()
    hand_over(own_engine, clock, "Ring 3 of 1-2 is at its end")
    expect(page.locator(".wall-note")).to_contain_text("Ring 3 of 1-2", timeout=15_000)
    assert asked


def test_it_says_in_large_words_that_it_is_stale_and_since_when(hang: Hang, clock: Clock) -> None:
    page = hang(1)
    clock_shown = page.locator("time").inner_text()
    stale = page.locator(".wall-stale")
    expect(stale).to_be_hidden()
    page.context.set_offline(True)
    expect(stale).to_be_visible(timeout=15_000)
    expect(stale).to_have_text(f"Not fresh: last heard {clock_shown}")
    assert cap_height(page, ".wall-stale") >= 35
    hatched = page.evaluate("getComputedStyle(document.body, '::after').backgroundImage")
    assert "repeating-linear-gradient" in hatched
    assert obstacles(page) == []
    assert page.evaluate("document.documentElement.scrollHeight") <= 1080
    box, panels = stale.bounding_box(), page.locator(".wall-panels").bounding_box()
    assert box is not None
    assert panels is not None
    # The frame covers neither the words nor the end of the lists.
    assert box["y"] >= 30
    assert panels["y"] + panels["height"] <= 1050
    page.context.set_offline(False)
    expect(stale).to_be_hidden(timeout=15_000)


def test_a_fault_of_the_server_makes_it_stale_and_it_recovers(
    hang: Hang, own_engine: Engine, clock: Clock
) -> None:
    """The news come, but what they announce does not: the old board is not called fresh."""
    page = hang(1)
    page.route(re.compile(r"/wall/[^/]+$"), lambda route: route.fulfill(status=500, body="no"))
    hand_over(own_engine, clock, "Ring 3 of 1-2 is at its end")
    expect(page.locator(".wall-stale")).to_be_visible(timeout=15_000)
    page.unroute(re.compile(r"/wall/[^/]+$"))
    expect(page.locator(".wall-note")).to_contain_text("Ring 3 of 1-2", timeout=15_000)
    expect(page.locator(".wall-stale")).to_be_hidden()


def test_a_new_version_loads_the_page_anew(hang: Hang, monkeypatch: pytest.MonkeyPatch) -> None:
    page = hang(1)
    with page.expect_event("load", timeout=15_000):
        monkeypatch.setattr("tracelog.wall.views.digest", lambda: "another")
    expect(page.locator("h1")).to_have_text("Line 1")


def test_a_revoked_screen_says_so(hang: Hang, own_engine: Engine, clock: Clock) -> None:
    page = hang(1)
    with writing(own_engine) as session:
        screen = screen_named(session, "wall 1 1920")
        revoke_screen(session, screen.id, SARA, clock.instant)
    expect(page.locator("h1")).to_have_text("No screen here", timeout=15_000)


def test_silent_counters_are_said(hang: Hang, clock: Clock) -> None:
    clock.forward(timedelta(days=3))
    page = hang(1)
    expect(page.locator(".wall-warning")).to_contain_text("No counter of this line says anything")


def test_without_scripts_the_page_loads_itself_anew(hang: Hang, own_engine: Engine) -> None:
    page = hang(None, fast=False, java_script_enabled=False)
    assert '<noscript><meta http-equiv="refresh" content="30"></noscript>' in page.content()
    with reading(own_engine) as session:
        assert page.locator(".wall-lines tbody tr").count() == len(directory(session).lines)


def test_it_reads_on_a_phone_too(hang: Hang) -> None:
    for line in (1, None):
        page = hang(line, 360, 740)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        assert obstacles(page) == []
