"""What each page weighs on its way, and how long a browser takes to show it.

Asked for as a browser asks: compressed, with nothing kept from before, over loopback. A page's
weight is all that it loads by itself; what the worker keeps afterwards is not part of it.
"""

import re
import statistics
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, Response
from playwright.sync_api import Error as BrowserError
from sqlalchemy import Engine

from tests.bench.measure import print_table
from tests.bench.pages import visitor
from tests.support.browser import running_browser
from tests.support.site import Cast, application_on, served

ROLE = "administrator"
LOADS = 5
# Before anything is asked for; what a browser sends then, and waits for, is the first round.
TIMES = "() => performance.getEntriesByType('navigation')[0].loadEventEnd"


@dataclass
class Weight:
    """One page as it came.

    Attributes:
        files: compressed bytes of each file, without headers, by address; the page among them.
        later: addresses that the page itself does not name, so that they take another round.
        load_ms: from asking until everything was there, each time.
    """

    name: str
    files: dict[str, int] = field(default_factory=dict)
    later: set[str] = field(default_factory=set)
    load_ms: list[float] = field(default_factory=list)

    @property
    def total(self) -> int:
        """Compressed bytes of all."""
        return sum(self.files.values())


def weigh(browser: Browser, url: str, cookies: Sequence[Any], name: str, address: str) -> Weight:
    """Load one page in a profile that holds nothing but the session.

    Args:
        browser: whose profiles are made.
        url: of the site.
        cookies: of who looks.
        name: of the page, for the table.
        address: path of the page.
    """
    weight = Weight(name)
    for _time in range(LOADS):
        with _profile(browser, url, cookies) as page:
            answers: list[Response] = []

            def heard(answer: Response, heard_of: list[Response] = answers) -> None:
                heard_of.append(answer)

            page.on("response", heard)
            page.goto(address, wait_until="load")
            weight.load_ms.append(page.evaluate(TIMES))
            markup = page.content()
            weight.files = {one.url: _size(one) for one in answers if _is_own(one, url)}
            weight.later = {
                one for one in weight.files if one != page.url and _path(one, url) not in markup
            }
    return weight


@contextmanager
def _profile(browser: Browser, url: str, cookies: Sequence[Any]) -> Iterator[Page]:
    context = browser.new_context(
        base_url=url, viewport={"width": 1024, "height": 900}, service_workers="block"
    )
    context.add_cookies([*cookies])
    yield context.new_page()
    context.close()


def _path(address: str, url: str) -> str:
    return address.removeprefix(url)


def _is_own(answer: Response, url: str) -> bool:
    # Asked once everything is there, by the script that sends what waits.
    return answer.url.startswith(url) and not answer.url.endswith("/log/contact")


def _size(answer: Response) -> int:
    try:
        return answer.request.sizes()["responseBodySize"]
    except BrowserError:
        return 0


def weights_of(engine: Engine, folder: Path, pages: Mapping[str, str]) -> list[Weight]:
    """Weigh pages of the site on that database, as the administrator gets them."""
    cast = Cast(engine)
    with running_browser() as browser, served(application_on(engine, folder)) as url:
        context = browser.new_context(base_url=url)
        cast.sign_in_on(context.new_page(), ROLE)
        cookies = context.cookies()
        context.close()
        return [weigh(browser, url, cookies, name, address) for name, address in pages.items()]


def html_pages(engine: Engine, folder: Path) -> dict[str, str]:
    """Every page of the bench that is shown in a browser, by name."""
    visit, addresses = visitor(engine, folder)
    found = {}
    for name, address in addresses.items():
        answer = visit.get(address)
        if answer.mimetype == "text/html" and answer.status_code == 200:
            found[name] = address
    return found


def print_weights(engine: Engine, folder: Path, size: str) -> None:
    """Print one line for each page: its weight, of that the page itself, and its load time."""
    found = weights_of(engine, folder, html_pages(engine, folder))
    print_table(
        f"Weight of pages on the {size} plant, compressed, and load time in Chromium",
        ("page", "kB", "of it the page", "files", "another round", "load ms"),
        (
            (
                one.name,
                f"{one.total / 1000:.1f}",
                f"{next(iter(one.files.values())) / 1000:.1f}",
                str(len(one.files)),
                ", ".join(sorted(re.sub(r".*/", "", late) for late in one.later)) or "-",
                f"{statistics.median(one.load_ms):.0f}",
            )
            for one in found
        ),
    )
