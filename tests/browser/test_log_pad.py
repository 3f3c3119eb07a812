"""The Log under a finger, at a keyboard, with a scanner and a camera."""

import io
import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Locator, Page, expect
from sqlalchemy import Engine, func, select

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.site import Cast
from tracelog.db import reading
from tracelog.defects.models import Entry, Photo
from tracelog.defects.pad_page import places_found_at
from tracelog.defects.queries import entry, last_entries, vocabulary
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact
from tracelog.plant.models import Pallet
from tracelog.plant.queries import directory

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
SMALLEST_TARGET, LEAST_BETWEEN = 56, 8


@pytest.fixture
def log(cast: Cast, visitors: Visitors, site_url: str) -> Page:
    """The Log on a phone, an operator signed in."""
    page = visitors.open(360, 740, base_url=site_url, has_touch=True, is_mobile=True)
    cast.sign_in_on(page, "operator")
    page.goto("/log")
    return page


@pytest.fixture
def scan(log: Page) -> Callable[[str], None]:
    """Scans as a wedge does: the keys at once, then Enter."""

    def keys(text: str) -> None:
        log.keyboard.type(text)
        log.keyboard.press("Enter")

    return keys


def entries(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(Entry)).scalar_one()


def digit(page: Page, name: str, value: str) -> Locator:
    return page.locator(f".pad input[name={name}][value='{value}']")


def line(page: Page) -> Locator:
    return page.locator("#field-typed")


def said(page: Page) -> Locator:
    return page.locator(".pad-would")


def kept(page: Page) -> Locator:
    return page.locator(".kept-words")


# --- the typed line

LINES = [
    *(
        "2-3 wall-split",
        "02/03 wall-split x2",
        "2 3 wall-split 2 cans",
        "2.3 tear 2",
        "2-3 2 pinhole",
    ),
    *("2-? score-out", "?-? pinhole", "pinhole x12", "1-1 pinhole 0/200", "1-1 pinhole 0 of 200"),
    *("1-1 wall-tear-off 60 1x", "1-1 wall-tear-off 60 cans 1 time", "1-1 leaker @light x3"),
    *("1-1 PINHOLE # at 2 o'clock # again", "1-1 short can", "1-1 2 cans short can", "1-1 off cen"),
    *("1-1 pinhole +mandrel-12", "1-1 dome mark ×4", "1-1 sliver 003"),
    *(
        "1-1",
        "1-1 s",
        "1-1 zzz",
        "1 pinhole",
        "0-7 pinhole",
        "1-1 pinhole @nowhere",
        "# note",
        "x2",
    ),
]


def test_the_page_understands_a_line_as_the_server_does(log: Page, own_engine: Engine) -> None:
    with reading(own_engine) as session:
        words = [kind.word for kind in vocabulary(session)]
        places = places_found_at(directory(session))
    understood = log.evaluate(
        """async (lines) => {
            const own = document.querySelector("script[src$='/log.js']").src;
            const { readLine } = await import(own.replace("log.js", "typed_line.js"));
            const words = JSON.parse(document.querySelector(".typed-line").dataset.words);
            return lines.map((line) => readLine(line, words));
        }""",
        LINES,
    )
    assert len(understood) == len(LINES)
    accepted = 0
    for text, on_page in zip(LINES, understood, strict=True):
        values, unclear = on_page["values"], on_page["unclear"]
        values.pop("mark", None)
        try:
            read = read_typed_line(text, words, places)
        except BadFact as problem:
            wrong = {fault.field for fault in problem.faults}
            assert wrong & ({"defect", "dome_code", "found_at"} - set(values)), text
        else:
            accepted += 1
            read.pop("mark", None)  # the server writes marks in their plain form
            assert (values, unclear) == (read, []), text
    assert accepted == 20


def test_a_line_is_completed_from_the_keyboard(log: Page, own_engine: Engine) -> None:
    field, options = line(log), log.locator("#typed-list [role=option]")
    field.click()
    expect(field).to_have_role("combobox")
    log.keyboard.type("2-")
    expect(options).to_have_text(["2-1", "2-2", "2-3", "2-4"])
    log.keyboard.press("ArrowDown")
    log.keyboard.press("ArrowDown")
    expect(options.nth(1)).to_have_attribute("aria-selected", "true")
    expect(field).to_have_attribute("aria-activedescendant", "typed-option-1")
    log.keyboard.press("Enter")
    expect(field).to_have_value("2-2 ")
    log.keyboard.type("leak")
    expect(options.first).to_contain_text("pinhole")
    log.keyboard.press("Escape")
    expect(log.locator("#typed-list")).to_be_hidden()
    expect(field).to_have_attribute("aria-expanded", "false")
    log.keyboard.type("e")
    log.keyboard.press("Tab")
    expect(field).to_have_value("2-2 pinhole ")
    log.keyboard.type("x3 @lig")
    log.keyboard.press("ArrowUp")
    log.keyboard.press("Tab")
    expect(field).to_have_value("2-2 pinhole x3 @light-tester ")
    expect(log.locator(".typed-chip")).to_have_text(["2-2", "pinhole", "3 cans", "@light-tester"])
    assert obstacles(log) == []
    before = entries(own_engine)
    log.keyboard.press("Enter")
    expect(kept(log)).to_contain_text("Kept: 2-2 pinhole, 3.")
    assert entries(own_engine) == before + 1


def test_a_line_is_completed_by_touch_and_what_is_unclear_is_marked(log: Page) -> None:
    line(log).tap()
    log.keyboard.type("1-1 zzz")
    expect(log.locator(".typed-chip.is-unclear")).to_have_text("zzz?")
    line(log).fill("1-1 tear")
    log.locator("#typed-list [role=option]").filter(has_text="wall-tear-off").tap()
    expect(line(log)).to_have_value("1-1 wall-tear-off ")
    expect(line(log)).to_be_focused()
    expect(log.locator(".typed-chip")).to_have_text(["1-1", "tear-off", "1 can"])
    log.keyboard.press("Shift+Tab")
    expect(line(log)).not_to_be_focused()


# --- the scanner


def test_a_scanned_label_fills_the_machine_and_logs_nothing(
    log: Page, scan: Any, own_engine: Engine
) -> None:
    before = entries(own_engine)
    scan("https://log.plant.example/m/2-3")
    expect(digit(log, "line", "2")).to_be_checked()
    expect(digit(log, "number", "3")).to_be_checked()
    expect(log.locator("#dome .can-number")).to_have_text("3")
    expect(said(log)).to_contain_text("Scanned: dome code 2-3. Logs 2-3, 1 can: tap the defect.")
    scan("1-4")
    expect(digit(log, "line", "1")).to_be_checked()
    expect(digit(log, "number", "4")).to_be_checked()
    assert entries(own_engine) == before
    log.locator(".defect-tile[value=score-outside]").tap()
    expect(kept(log)).to_contain_text("Kept: 1-4 score-outside, 1.")
    assert entries(own_engine) == before + 1


def test_a_scan_presses_no_button_that_has_the_focus(
    log: Page, scan: Any, own_engine: Engine
) -> None:
    before = entries(own_engine)
    log.locator(".defect-tile[value=score-outside]").focus()
    scan("2-3")
    expect(digit(log, "number", "3")).to_be_checked()
    log.get_by_role("button", name="Log", exact=True).focus()
    scan("1-2")
    expect(digit(log, "number", "2")).to_be_checked()
    digit(log, "line", "2").focus()
    scan("no such label")
    expect(said(log)).to_contain_text("'no such label' is no machine, dome code, pallet")
    expect(digit(log, "line", "1")).to_be_checked()
    assert entries(own_engine) == before


def test_a_scan_into_the_line_begins_it_and_typing_stays_typing(
    log: Page, scan: Any, own_engine: Engine
) -> None:
    before = entries(own_engine)
    line(log).tap()
    scan("https://log.plant.example/m/2-3?log")
    expect(line(log)).to_have_value("2-3 ")
    assert entries(own_engine) == before
    log.keyboard.type("pinhole x2", delay=60)
    log.keyboard.press("Enter")
    expect(kept(log)).to_contain_text("Kept: 2-3 pinhole, 2.")
    assert entries(own_engine) == before + 1


def test_a_scanned_pallet_goes_where_it_belongs(log: Page, scan: Any, own_engine: Engine) -> None:
    with reading(own_engine) as session:
        pallet = session.execute(select(Pallet.pallet).limit(1)).scalar_one()
    scan(pallet)
    expect(log.locator("#field-pallet")).to_have_value(pallet)
    expect(said(log)).to_contain_text(f"Scanned: pallet {pallet}.")
    # Into a field of its own a scan is left alone.
    log.get_by_text("Cans, place, sample, note").tap()
    log.locator("#field-note").tap()
    scan("2-3")
    expect(log.locator("#field-note")).to_have_value("2-3")
    expect(digit(log, "line", "2")).not_to_be_checked()
    line(log).tap()
    scan(pallet)
    expect(line(log)).to_have_value("")
    log.keyboard.type("1-1 pinhole", delay=60)
    expect(log.locator(".typed-chip").last).to_have_text(pallet)
    log.keyboard.press("Enter")
    expect(kept(log)).to_contain_text("Kept: 1-1 pinhole, 1.")
    with reading(own_engine) as session:
        assert last_entries(session, 1)[0].pallet == pallet


# --- pictures


def shot(folder: Path, name: str, size: tuple[int, int]) -> Path:
    """A picture of noise, which no coding makes small."""
    held = io.BytesIO()
    Image.effect_noise(size, 90).convert("RGB").save(held, "JPEG", quality=95)
    path = folder / name
    path.write_bytes(held.getvalue())
    return path


def test_pictures_are_gathered_made_smaller_and_kept_with_the_can(
    log: Page, own_engine: Engine, tmp_path: Path
) -> None:
    field = log.locator("input[name=photo]")
    assert field.get_attribute("capture") == "environment"
    assert field.get_attribute("accept") == "image/*"
    large = shot(tmp_path, "large.jpg", (3600, 2700))
    assert large.stat().st_size > 5 * 1024 * 1024
    for path in (large, shot(tmp_path, "b.jpg", (320, 240)), shot(tmp_path, "c.jpg", (300, 200))):
        field.set_input_files(path)
    thumbs = log.locator(".pad-photos button")
    expect(thumbs).to_have_count(3)
    expect(said(log)).to_contain_text("3 pictures")
    log.get_by_role("button", name="Leave out picture 2").tap()
    expect(thumbs).to_have_count(2)
    are_smaller = (
        "[...document.querySelector('input[name=photo]').files].every((one) => one.size < 5000000)"
    )
    # Waiting inside the page would make code of text there, which our pages forbid.
    for _wait in range(300):
        if log.evaluate(are_smaller):
            break
        log.wait_for_timeout(100)
    assert log.evaluate(are_smaller)
    digit(log, "line", "2").tap()
    digit(log, "number", "3").tap()
    log.locator(".defect-tile[value=score-outside]").tap()
    expect(kept(log)).to_contain_text("Kept: 2-3 score-outside, 1.")
    expect(thumbs).to_have_count(0)

    def sizes() -> list[tuple[int, int]]:
        with reading(own_engine) as session:
            newest = last_entries(session, 1)[0].id
            asked = select(Photo.content).where(Photo.entry_id == newest)
            contents = session.execute(asked).scalars().all()
        return sorted(Image.open(io.BytesIO(content)).size for content in contents)

    for _wait in range(50):
        if len(sizes()) == 2:
            break
        log.wait_for_timeout(200)
    assert sizes() == [(300, 200), (2000, 1500)]


def test_a_picture_that_no_browser_makes_smaller_is_left_out_and_told(
    log: Page, tmp_path: Path
) -> None:
    path = tmp_path / "noise.jpg"
    path.write_bytes(bytes(6 * 1024 * 1024))
    log.locator("input[name=photo]").set_input_files(path)
    expect(log.locator("#said-photo")).to_have_text(
        "noise.jpg has 6.3 MB; at most 5 MB are kept, so it is left out."
    )
    expect(log.locator(".pad-photos button")).to_have_count(0)


# --- undo and once more


def tap_a_can(page: Page, number: str = "3") -> None:
    digit(page, "line", "2").tap()
    digit(page, "number", number).tap()
    page.locator(".defect-tile[value=score-outside]").tap()
    expect(kept(page)).to_contain_text(f"Kept: 2-{number} score-outside, 1.")


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_what_was_logged_is_undone_and_logged_again_with_one_touch(
    cast: Cast, visitors: Visitors, site_url: str, own_engine: Engine, clock: Any, scripts: bool
) -> None:
    page = visitors.open(
        360, 740, base_url=site_url, has_touch=True, is_mobile=True, java_script_enabled=scripts
    )
    cast.sign_in_on(page, "operator")
    page.goto("/log")
    before = entries(own_engine)
    tap_a_can(page)
    page.get_by_role("button", name="Undo").tap()
    expect(page.get_by_role("status")).to_contain_text("Undone: 2-3 score-outside is withdrawn")
    assert entries(own_engine) == before + 1
    tap_a_can(page, "4")
    clock.forward(timedelta(seconds=30))
    page.goto("/log")
    page.get_by_role("button", name="Again").tap()
    page.wait_for_load_state()
    for _wait in range(50):
        if entries(own_engine) == before + 3:
            break
        page.wait_for_timeout(100)
    with reading(own_engine) as session:
        newest = last_entries(session, 2)
        assert [(one.dome_code, one.defect) for one in newest] == [("2-4", "score-outside")] * 2
        assert newest[0].id != newest[1].id
        assert entry(session, newest[0].id).corrections == ()


def test_a_finger_that_bounces_logs_one_more_and_not_two(
    log: Page, own_engine: Engine, clock: Any
) -> None:
    tap_a_can(log)
    clock.forward(timedelta(seconds=30))
    log.goto("/log")
    before = entries(own_engine)
    log.get_by_role("button", name="Again").dblclick()
    expect(log.get_by_role("status").first).to_contain_text("2-3 score-outside")
    log.wait_for_timeout(1_000)
    # On the page that came back a second tap is the same finger still.
    log.get_by_role("button", name="Again").tap()
    log.wait_for_timeout(500)
    assert entries(own_engine) == before + 1


def test_undo_goes_away_after_its_minute(log: Page) -> None:
    tap_a_can(log)
    undo = log.locator(".kept-undo")
    expect(undo).to_have_text(re.compile(r"Undo\s+(60|59|58)"))
    log.clock.install()
    log.reload()
    expect(log.locator(".kept-undo")).to_be_visible()
    log.clock.fast_forward(61_000)
    expect(log.locator(".kept-undo")).to_be_hidden()


# --- gloves


@pytest.mark.parametrize("width", [360, 1280])
def test_what_is_tapped_is_large_and_apart(
    cast: Cast, visitors: Visitors, site_url: str, width: int
) -> None:
    page = visitors.open(width, 900, base_url=site_url, has_touch=True)
    cast.sign_in_on(page, "operator")
    page.goto("/log")
    tap_a_can(page)
    boxes = {
        name: [one.bounding_box() for one in page.locator(which).all()]
        for name, which in (
            ("digits", ".pad .digit"),
            ("defects", "#first-tiles .defect-tile"),
            ("quick", ".quick"),
            ("kept", ".kept .button"),
        )
    }
    for name, found in boxes.items():
        assert found, name
        sides = [min(box["width"], box["height"]) for box in found if box]
        assert min(sides) >= SMALLEST_TARGET - 0.5, (name, min(sides))
    for group in (boxes["digits"], boxes["defects"], boxes["quick"]):
        placed = [box for box in group if box]
        for one in placed:
            for other in placed:
                if one is not other:
                    assert _between(one, other) >= LEAST_BETWEEN - 0.5


def _between(one: Any, other: Any) -> float:
    """The gap between two targets, in the direction in which they are apart."""
    across = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
    down = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
    return float(max(across, down))


def test_nothing_moves_between_the_numbers_and_the_defect(log: Page) -> None:
    tile = log.locator("#first-tiles .defect-tile").first
    digit(log, "line", "2").tap()
    before = tile.bounding_box()
    digit(log, "number", "3").tap()
    log.locator("[data-cans='3']").tap()
    expect(said(log)).to_contain_text("Logs 2-3, 3 cans: tap the defect.")
    assert tile.bounding_box() == before
