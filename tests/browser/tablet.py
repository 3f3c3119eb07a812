"""A tablet at a line, as its operators see it: what they tap, and what they are told."""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from playwright.sync_api import BrowserContext, Page
from playwright.sync_api import Error as BrowserError
from sqlalchemy import Engine, func, select

from tests.support.cut_network import CuttableNetwork
from tests.support.site import CAST, TOKEN
from tracelog.db import reading
from tracelog.defects.models import Entry
from tracelog.people.models import Account

# Hears each message that a page shows to the operator.
LISTENS = """
addEventListener("DOMContentLoaded", () => {
  const content = document.getElementById("content");
  const tell = () =>
    content.querySelectorAll(":scope > .notice").forEach((one) => told(one.textContent));
  const all = { childList: true, subtree: true, characterData: true };
  new MutationObserver(tell).observe(content, all);
});
"""
# A browser in which nothing but a page sends, so that a test knows when; some browsers are so.
NO_BACKGROUND_SYNC = """
delete window.SyncManager;
delete ServiceWorkerRegistration.prototype.sync;
"""
TAPS = """
([line, number, defect, cans]) => {
  const pad = document.querySelector("form.pad");
  pad.querySelector(`input[name=line][value="${line}"]`).click();
  pad.querySelector(`input[name=number][value="${number}"]`).click();
  pad.elements.cans.value = cans;
  pad.elements.cans.dispatchEvent(new Event("input", { bubbles: true }));
  pad.querySelector(`.defect-tile[value="${defect}"]`).click();
}
"""
TYPES = """
(text) => {
  const form = document.querySelector("form.typed-line");
  form.elements.typed.value = text;
  form.elements.typed.dispatchEvent(new Event("input", { bubbles: true }));
  form.requestSubmit();
}
"""
QUEUED = """
async () => {
  const link = document.querySelector('link[rel=modulepreload][href$="/queue.js"]');
  if (!link) throw new Error("navigation goes on");
  const queue = await import(link.href);
  return (await queue.all()).map(({ id, state, person, name, sealed, fields, faults }) =>
    ({ id, state, person, name, sealed: sealed !== null, fields, faults }));
}
"""
READY = """
async () => {
  const kept = await Promise.all(["/log", "/log/entries", "/"].map((path) => caches.match(path)));
  return navigator.serviceWorker.controller !== null && kept.every(Boolean);
}
"""
SENDS = """
async () => {
  const link = document.querySelector('link[rel=modulepreload][href$="/queue.js"]');
  if (!link) throw new Error("navigation goes on");
  const queue = await import(link.href);
  await queue.sendAll({ force: true });
}
"""
# Asks the test before an entry is sent: nothing, or what somebody between answers in our place.
ASKS_BEFORE_SENDING = """
() => {
  const sends = window.fetch;
  window.fetch = async (address, options) => {
    const other = address === "/log/queued" ? await beforeItIsSent() : null;
    if (other === null) {
      return sends(address, options);
    }
    return new Response(other[1], { status: other[0], headers: { "Content-Type": "text/html" } });
  };
}
"""


@dataclass
class TabletSite:
    """The hand-made plant with Olga the operator and Sara the supervisor, served over a network."""

    engine: Engine
    network: CuttableNetwork


class Tablet:
    """One browser profile, used by several people in turn.

    Attributes:
        told: every message that a page has shown.
    """

    def __init__(
        self, context: BrowserContext, network: CuttableNetwork, *, background_sync: bool = True
    ) -> None:
        """Of that browser; without `background_sync` only its pages send."""
        self.network = network
        self._background_sync = background_sync
        self.told: list[str] = []
        self.take_over(context)

    def take_over(self, context: BrowserContext) -> None:
        """Go on with this browser, as after a start."""
        self.context = context
        context.set_default_timeout(15_000)
        context.expose_function("told", self._hear)
        context.add_init_script(LISTENS)
        if not self._background_sync:
            context.add_init_script(NO_BACKGROUND_SYNC)
        self.page: Page = context.new_page()

    def _hear(self, sentence: str) -> None:
        self.told.append(sentence)

    def address(self, path: str) -> str:
        """The whole address of a path."""
        return f"{self.network.url}{path}"

    def sign_in(self, role: str) -> None:
        """Sign that person in, whoever was on before; the network must be there.

        The cookie of whoever was on is replaced and never missing: a page on its way without one
        is answered with the cookie of nobody, which may arrive after that of who signs in.
        """
        request, person = self.context.request, CAST[role]
        for _again in range(3):
            proof = self.contact().get("token")
            if proof is None:
                shown = TOKEN.search(request.get(self.address("/sign-in")).text())
                assert shown is not None
                proof = shown[1]
            form = {"csrf_token": proof, "name": person.name, "secret": person.secret}
            answer = request.post(self.address("/sign-in"), form=form, max_redirects=0)
            assert answer.status == 303
            if str(self.contact().get("name")).casefold() == person.name:
                return
        raise AssertionError(f"{person.name} is not signed in")

    def contact(self) -> dict[str, Any]:
        """Who is signed in, by the server's word."""
        answer: dict[str, Any] = self.context.request.get(self.address("/log/contact")).json()
        return answer

    def sign_out(self) -> None:
        """Forget who was on, as when the session has expired."""
        self.context.clear_cookies()

    def go(self, path: str = "/log") -> None:
        """Open a page, with or without network."""
        try:
            self.page.goto(self.address(path))
        except BrowserError as problem:
            # A page that goes on by itself ends what was about to be opened.
            if "interrupted" not in str(problem) and "ERR_ABORTED" not in str(problem):
                raise
            self.page.wait_for_load_state()

    def wait_for_worker(self) -> None:
        """Until the worker answers for this page and keeps what an operator needs."""
        self.wait_until(lambda: bool(self.steadily(lambda: self.page.evaluate(READY))))

    def tap(self, cans: int, page: Page | None = None, defect: str = "split") -> None:
        """Tap a defect of 1-1; the number of cans tells one entry from another."""
        (page or self.page).evaluate(TAPS, ["1", "1", defect, str(cans)])

    def type(self, text: str, page: Page | None = None) -> None:
        """Type a line."""
        (page or self.page).evaluate(TYPES, text)

    def queued(self) -> list[dict[str, Any]]:
        """What lies in the queue of this tablet."""
        return self.steadily(lambda: self.page.evaluate(QUEUED))

    def send(self) -> None:
        """Send what can be sent now."""
        self.steadily(lambda: self.page.evaluate(SENDS))

    def before_sending(self, asked: Callable[[], tuple[int, str] | None]) -> None:
        """Let something happen between the moment the page learns who is on and the sending.

        Args:
            asked: called then; a status and a text that it returns are answered to the page, and
                nothing is sent.
        """
        self.page.expose_function("beforeItIsSent", asked)
        self.page.add_init_script(f"({ASKS_BEFORE_SENDING})()")
        self.page.evaluate(ASKS_BEFORE_SENDING)

    def steadily(self, look: Callable[[], Any]) -> Any:
        """Look at the page; once more if it goes on to the next while it is looked at."""
        for _again in range(20):
            try:
                return look()
            except BrowserError as problem:
                if "navigat" not in str(problem) and "destroyed" not in str(problem):
                    raise
                self.page.wait_for_load_state()
        return look()

    def wait_until(self, holds: Callable[[], bool], seconds: float = 15.0) -> None:
        """Wait for something, while the browser goes on."""
        give_up_at = time.monotonic() + seconds
        while time.monotonic() < give_up_at:
            if holds():
                return
            self.page.wait_for_timeout(10)
        raise TimeoutError("it never came to that")

    def is_told(self, cans: int) -> bool:
        """Whether the operator was told that the entry with so many cans is kept."""
        kept = re.compile(rf"Kept[^.]*?\b1-1 split,? {cans}\b")
        return any(kept.search(one) for one in self.told)


def kept_rows(engine: Engine) -> dict[int, tuple[int, str]]:
    """By number of cans: how many entries the database has, and who logged them."""
    with reading(engine) as session:
        asked = select(Entry.cans, func.count(), func.min(Entry.logged_by)).group_by(Entry.cans)
        return {cans: (times, who or "") for cans, times, who in session.execute(asked)}


def account_id(engine: Engine, role: str) -> str:
    """The account of the person of that role."""
    with reading(engine) as session:
        asked = select(Account.id).where(Account.name == CAST[role].name)
        return str(session.execute(asked).scalar_one())
