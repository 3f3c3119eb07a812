"""A browser with a profile on the disk that can be killed like a tablet whose battery is pulled."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from playwright.sync_api import BrowserContext, BrowserType

from tests.support import testrun
from tests.support.browser import FLAGS, find_browser

STARTS_WITHIN_SECONDS = 60.0


class KillableBrowser:
    """Starts, is killed without warning, and starts again on the same profile.

    Attributes:
        context: of the browser that runs now.
    """

    def __init__(self, kind: BrowserType, profile: Path) -> None:
        self._kind = kind
        self._profile = profile
        self._process: subprocess.Popen[bytes] | None = None
        self.context: BrowserContext

    def start(self) -> BrowserContext:
        """Start it; what the profile holds is there again."""
        program = find_browser(self._kind, whole=True)
        if program is None:
            testrun.absent("a browser", "neither Chromium nor Chrome was found")
        told = self._profile / "DevToolsActivePort"
        told.unlink(missing_ok=True)
        as_root = sys.platform != "win32" and os.geteuid() == 0
        self._process = subprocess.Popen(
            [
                program,
                "--headless=new",
                "--remote-debugging-port=0",
                f"--user-data-dir={self._profile}",
                "--lang=en-GB",
                "--window-size=1024,900",
                *FLAGS,
                *(["--no-sandbox"] if as_root else []),
                "about:blank",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        port = self._wait_for(told)
        browser = self._kind.connect_over_cdp(f"http://127.0.0.1:{port}")
        self.context = browser.contexts[0]
        return self.context

    def _wait_for(self, told: Path) -> str:
        give_up_at = time.monotonic() + STARTS_WITHIN_SECONDS
        while time.monotonic() < give_up_at:
            lines = told.read_text(encoding="utf-8").splitlines() if told.exists() else []
            if len(lines) == 2:
                return lines[0]
            time.sleep(0.02)
        raise TimeoutError("the browser did not start")

    def kill(self) -> None:
        """Kill it and all it has started, at once (SIGKILL)."""
        if self._process is None:
            return
        if sys.platform == "win32":
            self._process.kill()
        else:
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._process = None
