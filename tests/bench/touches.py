"""What it takes to log a can: touches, keys and seconds of ten typical entries, in a browser.

Each entry is driven on the Log of a phone, from the open page until the page says that it is kept.
Touches and keys are counted as they are made; the seconds of the machine are measured; the seconds
of the person are an allowance for each touch and key, since nobody with gloves was timed.
"""

import io
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from PIL import Image
from playwright.sync_api import FilePayload, Locator, Page
from rich.console import Console
from rich.table import Table
from sqlalchemy import Engine

from tests.support.browser import Visitors, running_browser
from tests.support.site import Cast, application_on, served

# Seconds of a person. A touch with gloves, a scan and a picture: assumptions, no source. A key: an
# average typist who is no typist by trade, Card, Moran and Newell (1980), from memory.
TOUCH_S, KEY_S, SCAN_S, PICTURE_S = 0.8, 0.28, 1.5, 4.0
_PATIENCE_MS = 20_000
# Until then the page takes a touch on "again" for a finger that bounces.
_SAME_TAP_MS = 2_100
_KEPT = """
(before) => {
    const form = document.querySelector(".kept-undo");
    return form !== null && form.action !== before;
}
"""


class Hand:
    """A hand at the Log that counts what it does."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.touches = self.keys = self.scans = self.pictures = 0

    def tap(self, target: Locator | str) -> None:
        """Touch something."""
        found = self.page.locator(target) if isinstance(target, str) else target
        found.tap()
        self.touches += 1

    def digits(self, line: str, number: str) -> None:
        """Touch the two numbers of the dome."""
        self.tap(f".pad .digit:has(input[name=line][value='{line}'])")
        self.tap(f".pad .digit:has(input[name=number][value='{number}'])")

    def defect(self) -> None:
        """Touch the first defect of those that were logged lately; that logs it."""
        self.tap(self.page.locator("#first-tiles .defect-tile").first)

    def type(self, *keys: str) -> None:
        """Type texts, and keys that have a name of their own, such as ``Tab``."""
        for one in keys:
            named = one in {"Tab", "Enter"}
            for key in [one] if named else one:
                self.page.keyboard.press(key, delay=60)
                self.keys += 1

    def scan(self, text: str) -> None:
        """Read a label with a scanner that types."""
        self.page.keyboard.type(text)
        self.page.keyboard.press("Enter")
        self.scans += 1

    def picture(self) -> None:
        """Touch the camera; its own two touches, to take and to use the picture, are counted."""
        held = io.BytesIO()
        Image.effect_noise((1600, 1200), 60).convert("RGB").save(held, "JPEG")
        with self.page.expect_file_chooser() as chooser:
            self.tap(".pad-photo")
        shot = FilePayload(name="can.jpg", mimeType="image/jpeg", buffer=held.getvalue())
        chooser.value.set_files(shot)
        self.page.locator(".pad-photos button").wait_for()
        self.touches += 2
        self.pictures += 1


def _three(hand: Hand) -> None:
    hand.digits("2", "3")
    hand.defect()


def _several(hand: Hand) -> None:
    hand.digits("2", "3")
    hand.tap("[data-cans='3']")
    hand.defect()


def _rare(hand: Hand) -> None:
    hand.digits("2", "3")
    hand.tap(".pad-defects details.more > summary")
    hand.tap(hand.page.locator("#further-tiles .defect-tile").first)


def _partial(hand: Hand) -> None:
    hand.digits("2", "?")
    hand.defect()


def _typed(hand: Hand) -> None:
    hand.tap("#field-typed")
    hand.type("2-3 tear", "Tab", "Enter")


def _typed_more(hand: Hand) -> None:
    hand.tap("#field-typed")
    hand.type("2-3 pinh", "Tab", "x2 @light", "Tab", "Enter")


def _sample(hand: Hand) -> None:
    hand.tap("#field-typed")
    hand.type("2-3 pinh", "Tab", "0/200", "Enter")


def _scanned(hand: Hand) -> None:
    hand.scan("https://log.plant.example/m/2-3")
    hand.defect()


def _again(hand: Hand) -> None:
    hand.tap(".kept-again button")


def _pictured(hand: Hand) -> None:
    hand.picture()
    hand.digits("2", "3")
    hand.defect()


# What is logged, and how: in this order, since the last can is logged again.
ENTRIES: dict[str, Callable[[Hand], None]] = {
    "one can: two numbers, the defect": _three,
    "three cans": _several,
    "a defect that is rare on the line": _rare,
    "a number that nobody can read": _partial,
    "the same once more": _again,
    "machine's label scanned, the defect": _scanned,
    "typed: `2-3 tear` Tab Enter": _typed,
    "typed with count and place": _typed_more,
    "typed: a sample without a bad can": _sample,
    "with a picture from the camera": _pictured,
}


@dataclass(frozen=True)
class Effort:
    """What one entry took; `machine_s` is the browser's and the server's, the rest is allowed."""

    name: str
    touches: int
    keys: int
    scans: int
    pictures: int
    machine_s: float

    @property
    def person_s(self) -> float:
        """Seconds allowed for what the person does."""
        return (
            self.touches * TOUCH_S
            + self.keys * KEY_S
            + self.scans * SCAN_S
            + self.pictures * PICTURE_S
        )


def log_once(page: Page, name: str) -> Effort:
    """Log one of `ENTRIES` on the Log of a person who has signed in, until it is kept."""
    page.goto("/log")
    if ENTRIES[name] is _again:
        page.wait_for_timeout(_SAME_TAP_MS)
    undo = page.locator(".kept-undo")
    before = str(undo.evaluate("one => one.action")) if undo.count() else ""
    hand = Hand(page)
    began = time.perf_counter()
    ENTRIES[name](hand)
    page.wait_for_function(_KEPT, arg=before, timeout=_PATIENCE_MS)
    spent = time.perf_counter() - began
    # The pace at which keys are pressed here is the person's and not the machine's.
    pressed = 0.06 * hand.keys
    return Effort(
        name, hand.touches, hand.keys, hand.scans, hand.pictures, max(spent - pressed, 0.0)
    )


def efforts(page: Page) -> list[Effort]:
    """All ten, one after the other."""
    return [log_once(page, name) for name in ENTRIES]


def print_touches(engine: Engine, folder: Path) -> None:
    """Log the ten entries on this database, and print what they took."""
    cast = Cast(engine)
    with running_browser() as browser, served(application_on(engine, folder)) as url:
        visitors = Visitors(browser)
        page = visitors.open(360, 740, base_url=url, has_touch=True, is_mobile=True)
        cast.sign_in_on(page, "operator")
        page.goto("/log")  # once before, so that scripts and pages are loaded
        found = efforts(page)
        visitors.close()
    table = Table("Entry", "Touches", "Keys", "Scans", "Machine, s", "Person, s", "In all, s")
    for one in found:
        told = (one.machine_s, one.person_s, one.machine_s + one.person_s)
        counts = (str(count) if count else "" for count in (one.touches, one.keys, one.scans))
        table.add_row(one.name, *counts, *(f"{seconds:.1f}" for seconds in told))
    console = Console()
    console.print(table)
    console.print(
        f"Allowed: {TOUCH_S} s a touch with gloves, {KEY_S} s a key, {SCAN_S} s a scan,"
        f" {PICTURE_S} s to aim a picture; without the time to look at the can and to decide."
    )


def told_in(text: str) -> dict[str, tuple[int, int, int]]:
    """Touches, keys and scans by entry, as a table of a guide says."""
    rows = re.findall(r"^\| ([^|]+) \| (\d*) *\| (\d*) *\| (\d*) *\|", text, re.MULTILINE)
    return {
        name.strip(): (int(touches or 0), int(keys or 0), int(scans or 0))
        for name, touches, keys, scans in rows
    }
