"""`make screenshots`: the pictures of the README, taken from the demo as it is at its end.

The demo is made anew in a temporary folder, always the same; `--data` takes another one, of
which a copy is looked at, so that nothing is written into it.
"""

import io
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import click
from PIL import Image
from playwright.sync_api import Page
from sqlalchemy import Engine, select

from tests.bench.demo_year import at_its_end, new_database
from tests.browser.every_screenshot import take_every_page
from tests.support.browser import Visitors, running_browser
from tests.support.site import CAST, Cast, application_on, served
from tests.support.tree import ROOT
from tracelog import instants
from tracelog.db import make_engine, reading, writing
from tracelog.defects.models import CurrentEntry
from tracelog.instants import write_instant
from tracelog.plant.queries import directory
from tracelog.wall.actions import make_screen

FOLDER = ROOT / "docs" / "screenshots"
COLOURS = 128
MOST_BYTES = 200_000


@dataclass(frozen=True)
class Picture:
    """One picture: a page, the person who looks at it, and their screen.

    Attributes:
        page: first part of the file's name.
        address: of the page.
        role: who looks at it.
        width: of the screen, in CSS pixels.
        height: of the screen; the page is shown from its top.
        look: light or dark.
    """

    page: str
    address: str
    role: str
    width: int = 1440
    height: int = 900
    look: str = "light"

    @property
    def file(self) -> Path:
        """Where the picture is kept."""
        return FOLDER / f"{self.page}-{self.width}-{self.look}.png"


def pictures(engine: Engine) -> tuple[Picture, ...]:
    """What the README shows: the first of the planted faults, from the Floor to the machine."""
    with reading(engine) as session:
        seen_at = session.execute(
            select(CurrentEntry.seen_at)
            .where(CurrentEntry.dome_code == "3-5", CurrentEntry.inspected.is_(None))
            .order_by(CurrentEntry.seen_at.desc())
            .limit(1)
        ).scalar_one()
    return (
        Picture("floor", "/", "supervisor"),
        Picture("log", "/log?line=3&number=5", "operator", width=360, height=1100),
        Picture("machine", "/machines/3/bodymaker/5", "planner", height=1000),
        Picture("trace", f"/trace?code=3-5&at={write_instant(seen_at)}", "quality", height=1000),
        Picture("explain", "/cases/explain?defect=score-outside", "quality", height=1500),
        Picture(
            "suspects",
            "/trace/suspects?machine=2-3&defect=score-outside&good_at=2026-06-10T06:00"
            "&bad_at=2026-06-10T09:30&repaired_at=2026-06-10T11:00",
            "quality",
            height=1500,
        ),
        Picture("service", "/service", "planner", look="dark"),
        Picture(
            "trends", "/trends?defect=score-outside&line=3&machine=3-5", "quality", height=1130
        ),
        Picture("handover", "/handover", "supervisor", height=1000),
        *walls(engine),
    )


def walls(engine: Engine) -> tuple[Picture, ...]:
    """Screens on the wall, of the line with the planted fault and of the plant."""
    actor, at = CAST["supervisor"].actor(), instants.now()
    with writing(engine) as session:
        line = make_screen(session, "line 3", directory(session).line(3), None, actor, at)
        plant = make_screen(session, "plant", None, None, actor, at)
    return (
        Picture("wall-line", f"/wall/{line}", "supervisor", 1920, 1080),
        Picture("wall-plant", f"/wall/{plant}", "supervisor", 1920, 1080, look="dark"),
    )


def take(picture: Picture, page: Page) -> None:
    """Take one picture and keep it, with few colours."""
    page.goto(picture.address)
    page.wait_for_load_state("networkidle")
    picture.file.parent.mkdir(parents=True, exist_ok=True)
    taken = page.screenshot(animations="disabled", caret="hide")
    with Image.open(io.BytesIO(taken)) as image:
        few = image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    few.save(picture.file, optimize=True)
    size = picture.file.stat().st_size
    click.echo(f"{picture.file.relative_to(ROOT)}  {size / 1000:.0f} kB")
    if size > MOST_BYTES:
        sys.exit(f"that is more than {MOST_BYTES / 1000:.0f} kB; show less of the page")


@contextmanager
def demo(data: Path | None, place: Path) -> Iterator[Engine]:
    """An engine on a new demo, at the end of its history; or on a copy of the one in `data`."""
    if data is None:
        with at_its_end("demo"):
            yield new_database("demo", place)
        return
    copy = place / "tracelog.db"
    with (
        closing(sqlite3.connect(data / "tracelog.db")) as kept,
        closing(sqlite3.connect(copy)) as to,
    ):
        kept.backup(to)
    yield make_engine(f"sqlite:///{copy}")


@click.command()
@click.option("--data", type=click.Path(exists=True, path_type=Path), help="A demo's folder.")
@click.option(
    "--every",
    type=click.Path(path_type=Path),
    help="Take every page into this folder too, at three widths, light and dark.",
)
def screenshots(data: Path | None, every: Path | None) -> None:
    """Take the pictures of the README, and of every page.

    Example: python -m tests.browser.screenshots --data demo-data --every build/screenshots
    """
    with tempfile.TemporaryDirectory(prefix="tracelog-pictures-") as name:
        place = Path(name)
        with demo(data, place) as engine, running_browser() as browser:
            cast = Cast(engine)
            with served(application_on(engine, place)) as url:
                for picture in pictures(engine):
                    visitors = Visitors(browser)
                    page = visitors.open(
                        picture.width, picture.height, base_url=url, color_scheme=picture.look
                    )
                    cast.sign_in_on(page, picture.role)
                    take(picture, page)
                    visitors.close()
                    if visitors.complaints:
                        sys.exit("\n".join(visitors.complaints))
            if every is not None:
                take_every_page(engine, browser, place, every)
            engine.dispose()


if __name__ == "__main__":
    screenshots()
