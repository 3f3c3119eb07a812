"""What each of the three users comes for, from sign-in to what is in the database afterwards."""

import re

import pytest
from playwright.sync_api import Locator, Page, expect
from sqlalchemy import Engine

from tests.support.browser import Visitors
from tests.support.plants import ENDS_AT
from tests.support.site import CAST, Cast
from tracelog.audit import broken_links
from tracelog.cases.queries import case, cases
from tracelog.cases.rules import Verdict
from tracelog.db import reading
from tracelog.defects.queries import entry, last_entries
from tracelog.handover.queries import shift_page
from tracelog.plant.queries import directory, the_plant
from tracelog.plant.stays import tool_stays
from tracelog.service.queries import service_standings, services_done

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
# The chipped ring of the small plant: in 2-3 from the 10th to the 18th of June, then in 1-1.
RING = "R3-0327"
SCORE = "score-outside"


# --- the line operator: gloves, a phone, ten seconds


class Finger:
    """Taps, and counts how often."""

    def __init__(self) -> None:
        self.taps = 0

    def tap(self, target: Locator) -> None:
        """Tap what is large enough for a glove."""
        box = (target.locator("xpath=ancestor-or-self::label").or_(target)).first.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 47.5, target
        target.tap()
        self.taps += 1


def digit(page: Page, group: str, value: str) -> Locator:
    return page.get_by_role("group", name=group).get_by_role("radio", name=value, exact=True)


def in_sight(page: Page, target: Locator) -> bool:
    """Whether all of it lies on the screen, above the rail at its foot."""
    box = target.bounding_box()
    rail = page.locator("nav.rail").bounding_box()
    assert box is not None
    assert rail is not None
    return box["y"] >= 0 and box["y"] + box["height"] <= rail["y"]


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_an_operator_logs_what_is_in_the_hand(
    cast: Cast, visitors: Visitors, site_url: str, own_engine: Engine, scripts: bool
) -> None:
    page = visitors.open(
        360,
        740,
        base_url=site_url,
        has_touch=True,
        is_mobile=True,
        java_script_enabled=scripts,
    )
    person = cast.join("operator")
    page.goto("/")
    page.get_by_label("Name").fill(person.name)
    page.get_by_label("Password or PIN").fill(person.secret)
    page.get_by_role("button", name="Sign in").tap()
    page.get_by_role("navigation", name="Rooms").get_by_role("link", name="Log").tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Log")
    for target in (digit(page, "Line", "2"), digit(page, "Bodymaker", "3")):
        assert in_sight(page, target)
    assert in_sight(page, page.locator(".defect-tile").first)

    finger = Finger()
    for line, number, defect in (("2", "3", SCORE), ("1", "?", "wall-tear-off"), ("1", "1", SCORE)):
        taps = finger.taps
        finger.tap(digit(page, "Line", line))
        finger.tap(digit(page, "Bodymaker", number))
        if scripts:
            expect(page.locator("#dome .can-line")).to_have_text(line)
            expect(page.locator("#dome .can-number")).to_have_text(number)
        finger.tap(page.locator(f".defect-tile[value={defect}]"))
        expect(page.locator(".kept-words")).to_contain_text(f"Kept: {line}-{number} {defect}, 1.")
        assert finger.taps - taps == 3
    expect(page.get_by_role("note", name="Caution")).to_contain_text("torn metal cuts")

    page.get_by_label("Type or scan").fill("2-4 pinhole 2 @light # two in a row")
    page.get_by_role("button", name="Log", exact=True).tap()
    expect(page.locator(".kept-words")).to_contain_text("Kept: 2-4 pinhole, 2.")
    rows = page.get_by_role("region", name="Last entries").get_by_role("row")
    read = [rows.nth(n).get_by_role("cell").first.inner_text() for n in range(1, 5)]
    assert read == ["2-4", "1-1", "1-?", "2-3"]
    expect(rows.nth(3)).to_contain_text("one of 4")

    rows.nth(4).get_by_role("link", name="correct").tap()
    page.get_by_label("Cans").fill("3")
    page.get_by_label("Why is it corrected?").fill("found two more in the chute")
    page.get_by_role("button", name="Keep the correction").tap()
    expect(page.get_by_role("status")).to_contain_text("what it said before stays on record")
    corrections = page.get_by_role("region", name="Corrections, the oldest first")
    expect(corrections).to_contain_text("cans: 1 → 3")

    with reading(own_engine) as session:
        kept = last_entries(session, 4)
        assert [(one.dome_code, one.defect, one.cans) for one in kept] == [
            ("2-4", "pinhole", 2),
            ("1-1", SCORE, 1),
            ("1-?", "wall-tear-off", 1),
            ("2-3", SCORE, 3),
        ]
        assert {one.logged_by for one in kept} == {"Olga"}
        assert (kept[0].found_at, kept[0].note) == ("light-tester", "two in a row")
        assert [one.machine.text if one.machine else None for one in kept] == [
            "2-4",
            "1-1",
            None,
            "2-3",
        ]
        assert entry(session, kept[3].id).original.cans == 1
        assert broken_links(session) == []


def test_the_pad_offers_first_what_the_line_logged_lately(
    cast: Cast, visitors: Visitors, site_url: str
) -> None:
    page = visitors.open(360, 740, base_url=site_url, has_touch=True, is_mobile=True)
    cast.sign_in_on(page, "operator")
    tiles = page.locator("#first-tiles .defect-tile")
    of_lines = []
    for line in ("1", "2"):
        page.goto(f"/log?line={line}")
        of_lines.append([one.get_attribute("value") for one in tiles.all()])
    assert of_lines[0] != of_lines[1]
    page.goto("/log")
    for line, wanted in zip(("1", "2"), of_lines, strict=True):
        digit(page, "Line", line).tap()
        assert [one.get_attribute("value") for one in tiles.all()] == wanted
    assert page.locator(".defect-tile").count() == 30


def test_the_enter_key_in_a_field_of_the_pad_logs_nothing(
    cast: Cast, site_page: Page, own_engine: Engine
) -> None:
    cast.sign_in_on(site_page, "operator")
    site_page.goto("/log")
    with reading(own_engine) as session:
        before = last_entries(session, 1)[0].id
    site_page.get_by_text("Cans, place, sample, note").click()
    site_page.get_by_label("Cans", exact=True).fill("2")
    site_page.get_by_label("Cans", exact=True).press("Enter")
    expect(site_page.get_by_label("Cans", exact=True)).to_have_value("2")
    with reading(own_engine) as session:
        assert last_entries(session, 1)[0].id == before


# --- the maintenance planner: by keyboard alone


class Keyboard:
    """Goes from one thing to the next, and looks each time whether the focus can be seen."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def go_to(self, target: Locator, most: int = 120) -> None:
        """Press Tab until the focus is on `target`, somewhere further down the page."""
        for _stop in range(most):
            self.page.keyboard.press("Tab")
            assert self._is_seen(), self.page.evaluate("document.activeElement.outerHTML")
            if target.evaluate("one => one === document.activeElement"):
                return
        pytest.fail(f"{target} is not reached with {most} steps")

    def _is_seen(self) -> bool:
        return bool(
            self.page.evaluate(
                """() => {
                    const one = document.activeElement;
                    if (one === document.body) return true;
                    const shown = one.closest('label.digit') ?? one;
                    const box = shown.getBoundingClientRect();
                    const style = getComputedStyle(shown);
                    return box.width > 0 && box.bottom > 0 && box.top < innerHeight
                        && style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
                }"""
            )
        )

    def choose(self, target: Locator, words: str) -> None:
        """Go to a list and type what is chosen."""
        self.go_to(target)
        self.page.keyboard.type(words)

    def press(self, target: Locator) -> None:
        """Go to a link or a button and press it."""
        self.go_to(target)
        self.page.keyboard.press("Enter")


def used(page: Page) -> int:
    """The share of the service interval that the ring of a machine's page says is used."""
    words = page.locator(".machine-top svg.can").get_attribute("aria-label")
    found = re.search(r"(\d+) % of the service interval used", words or "")
    assert found, words
    return int(found[1])


def test_a_planner_records_a_service_and_a_tool_change_without_a_mouse(
    cast: Cast, site_page: Page, own_engine: Engine
) -> None:
    page, keys = site_page, Keyboard(site_page)
    cast.sign_in_on(page, "planner")
    page.goto("/")
    assert page.locator("[tabindex]:not([tabindex='0'], [tabindex='-1'])").count() == 0
    shares = {
        link.get_attribute("href"): int(re.findall(r"(\d+)\s*%", link.inner_text())[0])
        for link in page.locator("a.can-place").all()
    }
    furthest = max(shares, key=lambda place: shares[place])
    assert (furthest, shares[furthest]) == ("/machines/1/bodymaker/1", 64)
    keys.press(page.locator(f"a.can-place[href='{furthest}']"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Machine 1-1")
    assert used(page) == 64
    keys.press(page.get_by_role("link", name="Record work"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Record work")

    form = page.get_by_role("form", name="A service was done")
    expect(form.get_by_role("note", name="Caution")).to_be_visible()
    expect(form.get_by_label("Machine")).to_have_value("1-1")
    keys.choose(form.get_by_label("Service", exact=True), "medium")
    keys.go_to(form.get_by_label("Note"))
    page.keyboard.type("bearings and seals")
    keys.press(form.get_by_role("button"))
    expect(page.get_by_role("status")).to_contain_text("Kept: medium on 1-1.")
    keys.press(page.get_by_role("link", name="None was changed"))
    assert used(page) < 64

    keys.press(page.get_by_role("link", name="Record work"))
    form = page.get_by_role("form", name="A tool was changed")
    expect(form.get_by_role("note", name="Caution")).to_be_visible()
    keys.go_to(form.get_by_label("Position"))
    page.keyboard.type("ring-3")
    keys.choose(form.get_by_label("Why was the old one taken out?"), "worn")
    keys.go_to(form.get_by_label("Tool that went in"))
    page.keyboard.type("R3-9001")
    keys.choose(form.get_by_label("Its type, if it is new here"), "ring")
    keys.press(form.get_by_role("button"))
    expect(page.get_by_role("status")).to_contain_text("Kept: ring-3 of 1-1.")
    expect(page.get_by_role("row", name="ring-3")).to_contain_text("R3-9001")

    with reading(own_engine) as session:
        machine = directory(session).machine_named("1-1")
        (done, *_earlier) = services_done(session, ENDS_AT, machine_id=machine.id)
        assert (done.service, done.unplanned, done.note) == ("medium", False, "bearings and seals")
        (standing,) = [
            one
            for one in service_standings(session, ENDS_AT)
            if one.machine == machine and one.level.service == "medium"
        ]
        assert standing.strokes_since < 100_000
        stays = tool_stays(session, ENDS_AT, ENDS_AT, machine_ids=[machine.id])
        ring = {stay.serial: stay for stay in stays if stay.position == "ring-3"}
        assert ring["R3-9001"].removed_at is None
        assert ring[RING].removal_reason == "worn"
        assert broken_links(session) == []


# --- the shift supervisor: a desk, and which machine is really worse


def test_a_supervisor_finds_the_machine_the_tool_and_whether_the_fix_held(
    cast: Cast, site_page: Page, own_engine: Engine
) -> None:
    page = site_page
    cast.sign_in_on(page, "supervisor")
    rooms = page.get_by_role("navigation", name="Rooms")
    rooms.get_by_role("link", name="Trends").click()
    page.get_by_label("Kind of defect").select_option(SCORE)
    page.get_by_label("From", exact=True).fill("2026-06-01")
    page.get_by_role("button", name="Show").click()
    rates = page.get_by_role("region", name="Rates and their 95 % intervals")
    worst = {
        row.get_by_role("rowheader").inner_text(): row.get_by_role("cell").last.inner_text()
        for row in rates.get_by_role("row").filter(has=page.get_by_role("link")).all()
    }
    chances = {name: int(re.findall(r"\d+", text)[0]) for name, text in worst.items()}
    assert len(chances) == 8
    assert max(chances, key=lambda name: chances[name]) == "1-1"
    assert chances["1-1"] > 60

    rooms.get_by_role("link", name="Trace").click()
    page.get_by_label("Dome code").fill("1-1")
    page.get_by_role("button", name="Trace the can").click()
    expect(page.get_by_role("heading", name="Dossier of can 1-1")).to_be_visible()
    tools = page.get_by_role("region", name="Tools that made it")
    expect(tools.get_by_role("row", name="ring-3")).to_contain_text(RING)
    tools.get_by_role("link", name=RING).click()
    stays = page.get_by_role("region", name="Where it was").get_by_role("row")
    machines = [stays.nth(n).get_by_role("rowheader").inner_text() for n in range(1, 3)]
    assert sorted(machines) == ["1-1", "2-3"]

    rooms.get_by_role("link", name="Cases").click()
    page.locator(".head-actions").get_by_role("link", name="Open a case").click()
    page.get_by_label("In a few words").fill("outside scores on 2-3")
    page.get_by_label("Where").select_option("2-3")
    page.get_by_label("Defect").select_option(SCORE)
    page.get_by_label("Seen since").fill("2026-06-10T10:52")
    page.get_by_role("button", name="Open the case").click()
    expect(page.get_by_text("No action is written down yet.")).to_be_visible()
    page.get_by_label("What", exact=True).select_option("action")
    page.get_by_label("At", exact=True).fill("2026-06-18T14:00")
    page.get_by_label("Text").fill(f"{RING} taken out, new ring in")
    page.get_by_role("button", name="Write it").click()
    expect(page.get_by_text("The numbers say that it held.")).to_be_visible()
    expect(page.get_by_role("region", name="Before and after the last action")).to_be_visible()

    rooms.get_by_role("link", name="Handover").click()
    note = f"{RING} scored cans in 2-3 and sits in 1-1 now: take it out"
    page.get_by_label("About").select_option("tools")
    page.get_by_label("Line", exact=True).select_option("1")
    page.get_by_label("What", exact=True).fill(note)
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_role("article")).to_contain_text(note)

    with reading(own_engine) as session:
        (kept,) = cases(session)
        assert (kept.place, kept.defect, kept.opened_by) == ("2-3", SCORE, CAST["supervisor"].name)
        standing = case(session, kept.id, ENDS_AT)
        assert standing.verification.verdict is Verdict.HELD
        assert [step.kind for step in kept.steps] == ["action"]
        (carried,) = shift_page(session, the_plant(session), ENDS_AT, ENDS_AT).notes
        assert (carried.text, carried.line, carried.about) == (note, 1, "tools")
        assert broken_links(session) == []
