"""Every page at three widths, light and dark, as pictures and as sheets that show many at once.

For whoever looks over the whole design: `build/screenshots/` holds a picture of each page, and
for each width and look sheets on which the tops of the pages stand side by side.
"""

import re
from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path

import click
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Page
from sqlalchemy import Engine

from tests.bench.pages import visitor
from tests.support.browser import Visitors
from tests.support.site import Cast, application_on, served

SCREENS = ((360, 740), (1024, 768), (1920, 1080))
LOOKS = ("light", "dark")
# What is taken of a long page, in heights of the screen; tables may go on for much longer.
MOST_SCREENS = 6
# A sheet: so many pages, each cut to so much of its top, and drawn so wide.
EACH_WIDE, EACH_HIGH, ACROSS, DOWN = 360, 740, 6, 2
_LABEL = 18


def take_every_page(engine: Engine, browser: Browser, place: Path, folder: Path) -> None:
    """Take all pages as the administrator sees them.

    Args:
        engine: a database with a whole plant; a case, a hold and more are written into it.
        browser: that is running.
        place: for what the application keeps.
        folder: where the pictures go; those of the same name are replaced.
    """
    visit, addresses = visitor(engine, place)
    pages = {
        name: address
        for name, address in addresses.items()
        if visit.get(address).mimetype == "text/html"
    }
    cast = Cast(engine)
    with served(application_on(engine, place)) as url:
        for (width, height), look in product(SCREENS, LOOKS):
            visitors = Visitors(browser)
            page = visitors.open(width, height, base_url=url, color_scheme=look)
            cast.sign_in_on(page, "administrator")
            own = folder / f"{width}-{look}"
            own.mkdir(parents=True, exist_ok=True)
            taken = list(_pictures(page, pages, own, height * MOST_SCREENS))
            visitors.close()
            sheets = list(_sheets(taken, folder, f"{width}-{look}"))
            click.echo(f"{own}: {len(taken)} pages, {len(sheets)} sheets")
            for complaint in visitors.complaints:
                click.echo(f"  {complaint}")


def _pictures(
    page: Page, pages: dict[str, str], folder: Path, most_high: int
) -> Iterator[tuple[str, Path]]:
    for name, address in pages.items():
        page.goto(address)
        page.wait_for_load_state("load")
        file = folder / f"{re.sub(r'[^a-z0-9]+', '-', name.lower()).strip('-')}.png"
        size = page.viewport_size
        assert size is not None
        # The window is made as high as the page, so that a bar at its foot stands at its foot.
        high = min(page.evaluate("document.documentElement.scrollHeight"), most_high)
        page.set_viewport_size({**size, "height": max(high, size["height"])})
        page.screenshot(path=file, animations="disabled", caret="hide")
        page.set_viewport_size(size)
        yield name, file


def _sheets(taken: Sequence[tuple[str, Path]], folder: Path, name: str) -> Iterator[Path]:
    of_one = ACROSS * DOWN
    for start in range(0, len(taken), of_one):
        size = (ACROSS * EACH_WIDE, DOWN * (EACH_HIGH + _LABEL))
        with Image.new("RGB", size, "white") as sheet:
            for number, (title, file) in enumerate(taken[start : start + of_one]):
                corner = (
                    number % ACROSS * EACH_WIDE,
                    number // ACROSS * (EACH_HIGH + _LABEL),
                )
                _put(sheet, corner, title, file)
            path = folder / f"sheet-{name}-{start // of_one + 1:02d}.png"
            sheet.save(path)
        yield path


def _put(sheet: Image.Image, corner: tuple[int, int], title: str, file: Path) -> None:
    ImageDraw.Draw(sheet).text((corner[0] + 4, corner[1] + 3), title, "black")
    with Image.open(file) as picture:
        high = min(picture.height, EACH_HIGH * picture.width // (EACH_WIDE - 4))
        top = picture.convert("RGB").crop((0, 0, picture.width, high))
    top.thumbnail((EACH_WIDE - 4, EACH_HIGH), Image.Resampling.LANCZOS)
    sheet.paste(top, (corner[0], corner[1] + _LABEL))
