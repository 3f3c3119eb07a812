"""The browser that the tests drive: the system's Chromium or Chrome, else the library's own."""

import os
import re
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import (
    Browser,
    BrowserContext,
    BrowserType,
    Locator,
    Page,
    sync_playwright,
)

from tests.support import testrun

PICTURES = Path("test-results")
# The same engine without the windows, tabs and menus around it that no test sees: a visitor comes
# in a third of the time.
WITHOUT_WINDOWS = ("chromium-headless-shell", "chrome-headless-shell")
ON_PATH = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
INSTALLED = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Google/Chrome/Application/chrome.exe",
)
# The machine's network is none of the tests' business: names other than this machine's are
# not found, and the browser's own errands are off.
FLAGS = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
)
LOOPBACK = {"localhost", "127.0.0.1", "::1"}


def find_browser(kind: BrowserType, *, whole: bool = False) -> str | None:
    """Path of the program to drive, or None where there is none.

    Args:
        kind: that the library knows.
        whole: rather one with its windows, as people have it.
    """
    for name in (*ON_PATH, *WITHOUT_WINDOWS) if whole else (*WITHOUT_WINDOWS, *ON_PATH):
        found = shutil.which(name)
        if found:
            return found
    for path in (*INSTALLED, kind.executable_path):
        if path and Path(path).exists():
            return path
    return None


@contextmanager
def running_browser() -> Iterator[Browser]:
    """A browser without a window; skips the test that asks, or fails it on CI, if there is none."""
    with sync_playwright() as playwright, arriving():
        program = find_browser(playwright.chromium)
        if program is None:
            testrun.absent("a browser", "neither Chromium nor Chrome was found")
        as_root = sys.platform != "win32" and os.geteuid() == 0
        browser = playwright.chromium.launch(
            executable_path=program,
            args=[*FLAGS, *(["--no-sandbox"] if as_root else [])],
        )
        yield browser
        browser.close()


@contextmanager
def arriving() -> Iterator[None]:
    """Clicks and keys return once the page they lead to stands, as a person waits to see it.

    The library waits until the address of the next page is known, when nothing of it need be
    there: what a test read next was of a page half come, on a busy machine now and then.
    """
    with pytest.MonkeyPatch.context() as patch:
        for name in ("click", "press", "tap"):
            patch.setattr(Locator, name, _arriving(getattr(Locator, name)))
        yield


def _arriving(act: Callable[..., None]) -> Callable[..., None]:
    @wraps(act)
    def acted(locator: Locator, *arguments: Any, **options: Any) -> None:
        act(locator, *arguments, **options)
        if not locator.page.is_closed():
            locator.page.wait_for_load_state()

    return acted


class Visitors:
    """Opens pages as people do, each visitor with a browser profile of their own.

    What no page may do is noted while they visit: an error in a script, a message of the
    browser's console at error level, a request to another machine.
    """

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        self.contexts: list[BrowserContext] = []
        self.complaints: list[str] = []

    def open(self, width: int = 1280, height: int = 800, **options: Any) -> Page:
        """A page of a new visitor.

        Args:
            width: of the window, in CSS pixels.
            height: of the window, in CSS pixels.
            options: more for the browser context, for example ``base_url``, ``has_touch``,
                ``color_scheme``, ``java_script_enabled``.
        """
        context = self._browser.new_context(
            viewport={"width": width, "height": height}, locale="en-GB", **options
        )
        self.contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: self.complaints.append(f"script error: {error}"))
        page.on("console", self._heard)
        page.on("request", lambda request: self._requested(request.url))
        return page

    def close(self, picture: str | None = None) -> None:
        """Send all visitors home; with `picture`, keep what each saw last under that name."""
        for number, context in enumerate(self.contexts):
            for page in context.pages if picture else []:
                PICTURES.mkdir(exist_ok=True)
                name = re.sub(r"[^\w.-]+", "_", f"{picture}-{number}")[-120:]
                page.screenshot(path=PICTURES / f"{name}.png", full_page=True)
            context.close()
        self.contexts.clear()

    def _heard(self, message: Any) -> None:
        # A page that answers 4xx on purpose is logged by the browser too; tests see the status.
        if message.type == "error" and "Failed to load resource" not in message.text:
            self.complaints.append(f"console: {message.text}")

    def _requested(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme in {"http", "https", "ws", "wss"} and parts.hostname not in LOOPBACK:
            self.complaints.append(f"request to another machine: {url}")
